"""A file as a grid with its head: the common ground of proposing a layout and of reading by one."""

from __future__ import annotations

from dataclasses import dataclass, field

from ..ground.errors import IntakeError, Problem
from .layout import Layout
from .recordergrid import Grid, find_delimiter, split
from .recorderhead import Columns, Head, data_test, find_head, look_at_columns
from .recorderoptions import Question
from .recordersheet import Workbook, open_workbook
from .recordersource import Source


@dataclass
class Table:
    """Grid, head and column kinds of a file; `epoch` where a workbook tells it."""

    grid: Grid
    columns: Columns
    head: Head
    encoding: str
    delimiter: str
    sheet: str = ""
    epoch: str = ""
    notes: list[str] = field(default_factory=list)
    questions: list[Question] = field(default_factory=list)

    @property
    def rows(self) -> list[list[str]]:
        """The rows from the first data row on."""
        return self.grid.rows[self.head.first :]

    @property
    def lines(self) -> list[int]:
        return self.grid.lines[self.head.first :]


def open_table(source: Source, layout: Layout, *, most_bytes: int = 0) -> Table:
    """The file's table; fields of the layout that are set are followed, others found out.

    most_bytes  look only at so much of a text file (its head), 0 = all of it
    Raises      IntakeError where there is no table of data rows in it
    """
    if source.is_workbook:
        return _sheet_table(source, layout)
    encoding = layout.encoding if layout.encoding not in ("", "workbook") else source.encoding
    if most_bytes and len(source.data) > most_bytes:
        end = source.data.rfind(b"\n", 0, most_bytes) + 1
        if encoding.startswith("utf-16"):
            end += 1 if encoding != "utf-16-be" and not source.data.startswith(b"\xfe\xff") else 0
        source = Source(source.name, source.data[: end or len(source.data)])
    text = source.text(encoding)
    delimiter = layout.delimiter or find_delimiter(text, source.name)
    grid = split(text, delimiter, source.name)
    _skip(grid, layout)
    table = _with_head(grid, source.name)
    if table is None:
        raise IntakeError(
            "no rows of data were found",
            [Problem("no run of rows with a time and numbers", source.name)],
            mend="Is this the recorder's data file? --delimiter and --encoding may help",
        )
    columns, head = table
    return Table(grid, columns, head, encoding, delimiter, notes=grid.notes)


def _skip(grid: Grid, layout: Layout) -> None:
    """Take out the rows that the layout leaves out, before anything is made of them."""
    if not layout.skip:
        return
    kept = [i for i, row in enumerate(grid.rows) if not row[0].startswith(layout.skip)]
    count = len(grid.rows) - len(kept)
    if count:
        grid.notes.append(f"{count} row{'s' if count > 1 else ''} left out by --skip")
    grid.rows = [grid.rows[i] for i in kept]
    grid.lines = [grid.lines[i] for i in kept]


def _with_head(grid: Grid, name: str) -> tuple[Columns, Head] | None:
    columns = look_at_columns(grid)
    if columns.width < 2:
        return None
    head = find_head(grid, columns, data_test(columns))
    if head is None:
        return None
    if head.above is not None:
        line, row = head.above
        raise IntakeError(
            "the first row of data cannot be read",
            [Problem("no row of data and no heading", name, line, None, ", ".join(row))],
            mend=f"Mend it, or leave it out with --skip {quote(row[0])}",
        )
    if not head.nameless and any(columns.filled(c) for c in range(head.named, columns.width)):
        problem = Problem(
            f"the rows have {columns.width} cells, the heading names {head.named}",
            name, grid.lines[head.first], None, ", ".join(grid.rows[head.first]),
        )  # fmt: skip
        raise IntakeError(
            "the heading and the rows do not fit together",
            [problem],
            mend="Where decimal mark and delimiter are both commas no reader can tell: export with semicolons",
        )
    return columns, head


def _sheet_table(source: Source, layout: Layout) -> Table:
    book = open_workbook(source.data, source.name)
    if layout.sheet and layout.sheet not in book.sheets:
        raise IntakeError(
            f"the workbook has no sheet {layout.sheet!r}",
            [Problem(f"its sheets: {', '.join(book.sheets)}", source.name)],
            mend="Name one of them with --sheet",
        )
    found: dict[str, Table] = {}
    for sheet in [layout.sheet] if layout.sheet else book.sheets:
        table = _one_sheet(book, sheet, source.name, layout)
        if table is not None:
            found[sheet] = table
    if not found:
        raise IntakeError(
            "no rows of data were found",
            [Problem(f"looked at sheets: {', '.join(book.sheets)}", source.name)],
            mend="Is this the recorder's data file?",
        )
    sheet, table = next(iter(found.items()))
    if len(found) > 1:
        table.questions.append(
            Question(f"several sheets hold data: {', '.join(found)}", f"--sheet {quote(next(iter(found)))}")
        )
    others = [s for s in book.sheets if s not in found]
    if others and not layout.sheet:
        table.notes.append(f"read from sheet {sheet!r}; no data rows in {', '.join(map(repr, others))}")
    return table


def _one_sheet(book: Workbook, sheet: str, name: str, layout: Layout) -> Table | None:
    grid = book.grid(sheet)
    _skip(grid, layout)
    found = _with_head(grid, name)
    if found is None or len(grid.rows) - found[1].first < 3:
        return None
    columns, head = found
    timed = any(columns.share(c, "moment", "date", "clock", "duration") > 0.5 for c in range(columns.width))
    if not timed and (columns.width < 2 or head.nameless):
        return None
    return Table(grid, columns, head, "workbook", ",", sheet, book.epoch, grid.notes)


def quote(text: str) -> str:
    """A value as it must be typed on a command line."""
    return f'"{text}"' if not text or any(ch in text for ch in " *?'&;()<>|$#") else text
