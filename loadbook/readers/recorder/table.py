"""A file as a table with its head: the common ground of proposing a layout and of reading by one."""

from __future__ import annotations

import re
from dataclasses import dataclass, field

from loadbook.core.errors import IntakeError, Problem, UsageError
from loadbook.core.outside import within_limits
from loadbook.core.phrases import many
from loadbook.core.typed import quote
from loadbook.readers.workbook import Book, cell_text, open_book

from .blocks import join_blocks
from .cells import Columns, data_test, kind, look_at_columns
from .grid import Grid, find_delimiter, split
from .head import Head, find_head, nameless, stated_head
from .head_places import must_fit, place_over_columns, units_beside
from .layout import Layout, column_places
from .options import Question
from .regular import (
    beside_the_table,
    dates_between,
    days_alone,
    first_cell_apart,
    marks_behind,
    no_blocks,
    times_whole,
    upright,
)
from .source import Source
from .time_words import put_as_usual
from .times import YEAR_IN_FRONT, lost_a_digit, stated_time


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
    apart = delimiter not in ("spaces", "wide spaces", "labels") and first_cell_apart(grid)
    _prepare(grid, layout)
    table = _with_head(grid, source.name, layout, delimiter)
    if table is None:
        _time_unread(grid, source.name)
        raise IntakeError(
            "no rows of data were found",
            [Problem("no run of rows with a time and numbers", source.name)],
            remedy="Is this the recorder's data file? --delimiter, --heading and --encoding may help",
        )
    columns, head = table
    head.rewritten |= apart
    return Table(grid, columns, head, encoding, delimiter, notes=grid.notes, questions=head.questions)


_ABOUT_TIME = re.compile(r"(?<![\d.,])\d{1,2}\s?[:hH.]\s?\d{2}(?!\d)")


def _time_unread(grid: Grid, name: str) -> None:
    """Raises IntakeError where nothing is data because the texts of a column are times that cannot be read."""
    rows = [
        (line, row) for line, row in zip(grid.lines, grid.rows, strict=True) if any(kind(c) == "number" for c in row)
    ]
    for place in range(3):
        cells = [(line, row[place]) for line, row in rows[:500] if place < len(row)]
        timed = [(line, c) for line, c in cells if kind(c) == "text" and _ABOUT_TIME.search(c)]
        if len(timed) > 0.8 * len(cells) and len({c for _, c in timed}) > max(2, 0.3 * len(timed)):
            line, cell = timed[0]
            raise IntakeError(
                f"{cell!r} in line {line} cannot be read as a time: give --time-format, such as '%a %d %b %Y %H:%M:%S'",
                [Problem("the first cell of its kind", name, line, None, cell)],
                remedy="%d day, %m month or %b its name, %Y year (or the year itself in front where they say none),"
                " %H:%M:%S the time, %p AM or PM",
            )


def _prepare(grid: Grid, layout: Layout) -> None:
    """Keep the stated columns only, and put times that are written in a stated format as ISO, in place."""
    places = column_places(layout.columns)
    if places:
        grid.rows = [[row[i] for i in places if i < len(row)] for row in grid.rows]
        kept = [i for i, row in enumerate(grid.rows) if any(row)]
        grid.rows, grid.lines = [grid.rows[i] for i in kept], [grid.lines[i] for i in kept]
        grid.spans = []
    if not layout.written_time:
        return
    lost = lost_a_digit("\n".join(c for row in grid.rows for c in row if any(ch.isdigit() for ch in c)))
    count = 0
    stated, before = layout.written_time, ""
    for row in grid.rows:
        for i, cell in enumerate(row):
            if cell and not (lost and ":" in cell and lost.search(cell)):
                moment = stated_time(cell, stated)
                if moment and before[5:7] == "12" and moment[5:7] == "01" and YEAR_IN_FRONT.match(stated):
                    stated = f"{int(stated[:4]) + 1}{stated[4:]}"  # over New Year
                    moment = stated_time(cell, stated)
                if moment:
                    row[i], count, before = moment, count + 1, moment
    if not count:
        shown = next((c for row in grid.rows[5:] for c in row if c), "")
        raise IntakeError(
            f"no cell is written as --time-format {layout.written_time!r} says",
            [Problem("such as this one", None, None, None, shown)],
            remedy="Correct the format: %d day, %m month, %b its name, %Y year, %H:%M:%S time, %p AM or PM",
        )


def _skip(grid: Grid, layout: Layout) -> None:
    """Take out the rows that the layout leaves out, before anything is made of them."""
    if not layout.skip:
        return
    kept = [i for i, row in enumerate(grid.rows) if not row[0].startswith(layout.skip)]
    count = len(grid.rows) - len(kept)
    if count:
        grid.notes.append(f"{many(count, 'row')} left out by --skip")
    grid.rows = [grid.rows[i] for i in kept]
    grid.lines = [grid.lines[i] for i in kept]


def _with_head(grid: Grid, name: str, layout: Layout, delimiter: str) -> tuple[Columns, Head] | None:
    upright(grid, name)
    questions = marks_behind(grid, layout.status)
    questions += [] if layout.heading else join_blocks(grid, layout.headings)
    columns = look_at_columns(grid)
    if columns.width < 2:
        return None
    rewritten = put_as_usual(grid, columns)
    if rewritten:
        columns = look_at_columns(grid)
    if days_alone(grid, columns) or dates_between(grid, columns):
        columns = look_at_columns(grid)
    is_data = data_test(columns, grid)
    no_blocks(grid, is_data, name)
    head = find_head(grid, columns, is_data)
    if layout.heading.isdigit():
        if int(layout.heading) not in grid.lines:
            raise UsageError(f"there is nothing in line {layout.heading} of {name}", remedy="Give --heading its line")
        head = stated_head(grid.rows, grid.lines, int(layout.heading), columns.width, is_data)
    elif head is not None and layout.heading == "none":
        head = nameless(grid.rows, head.first, columns.width)
    if head is None:
        return None
    if head.above is not None:
        line, row = head.above
        raise IntakeError(
            "the first row of data cannot be read",
            [Problem("no row of data and no heading", name, line, None, ", ".join(row))],
            remedy=f"Correct it, or leave it out with --skip {quote(row[0])}",
        )
    columns = times_whole(grid, columns, head)
    head.rewritten |= rewritten
    head.questions += questions
    units_beside(grid, columns, head)
    if not head.nameless:
        if delimiter in ("spaces", "wide spaces") and not layout.heading:
            place_over_columns(grid, head, columns.width, name)
        must_fit(grid, head, columns, name, delimiter, stated=bool(layout.heading))
    return columns, head


def _sheet_table(source: Source, layout: Layout) -> Table:
    book = open_book(source.data, source.name)
    if layout.sheet and layout.sheet not in book.sheets:
        raise IntakeError(
            f"the workbook has no sheet {layout.sheet!r}",
            [Problem(f"its sheets: {', '.join(book.sheets)}", source.name)],
            remedy="Name one of them with --sheet",
        )
    found: dict[str, Table] = {}
    for sheet in [layout.sheet] if layout.sheet else book.visible:
        table = _one_sheet(book, sheet, source.name, layout)
        if table is not None:
            found[sheet] = table
    if not found:
        raise IntakeError(
            "no rows of data were found",
            [Problem(f"looked at sheets: {', '.join(book.sheets)}", source.name)],
            remedy="Is this the recorder's data file? --sheet, --heading LINE and --columns may help",
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


def _sheet_grid(book: Book, sheet: str) -> Grid:
    """The filled rows of a sheet as text; lines are the sheet's row numbers."""
    rows: list[list[str]] = []
    lines: list[int] = []
    found = book.rows(sheet)
    within_limits(len(found), max(map(len, found), default=0), book.name)
    for number, row in enumerate(found, start=1):
        cells = [cell_text(c) for c in row]
        while cells and not cells[-1]:
            cells.pop()
        if cells:
            rows.append(cells)
            lines.append(number)
    looks, filled = book.looks(sheet), set(lines)
    struck = {row + 1 for row, _ in looks.struck} & filled
    odd = (
        (len({row + 1 for row in looks.hidden_rows} & filled), "hidden in the sheet, and read like the others"),
        (len(struck), f"struck out in the sheet, and read like the others (line {min(struck, default=0)} first)"),
    )
    notes = [f"{many(count, 'row')} {what}" for count, what in odd if count]
    return Grid(rows, lines, notes=book.notes + notes)


def _one_sheet(book: Book, sheet: str, name: str, layout: Layout) -> Table | None:
    grid = _sheet_grid(book, sheet)
    _skip(grid, layout)
    _prepare(grid, layout)
    beside_the_table(grid)
    found = _with_head(grid, name, layout, "workbook")
    if found is None or len(grid.rows) - found[1].first < 3:
        return None
    columns, head = found
    timed = any(columns.share(c, "moment", "date", "clock", "duration") > 0.5 for c in range(columns.width))
    if not timed and (columns.width < 2 or head.nameless):
        return None
    return Table(grid, columns, head, "workbook", ",", sheet, book.epoch, grid.notes, head.questions)
