"""A file as a grid with its head: the common ground of proposing a layout and of reading by one.

Where the data of a file begins, what its heading rows say, and which columns could hold the time.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field

from loadbook.core.errors import IntakeError, Problem, UsageError
from loadbook.core.phrases import many
from loadbook.core.typed import quote
from loadbook.readers.workbook import Book, open_book

from .blocks import date_lines, join_blocks
from .cells import Columns, kind, look_at_columns
from .grid import Grid, find_delimiter, split
from .layout import Layout, column_places
from .names import unit_of
from .options import Question
from .sheet import sheet_grid
from .source import Source
from .time_parts import put_together
from .time_words import put_as_usual
from .times import YEAR_IN_FRONT, lost_a_digit, stated_time

_DECIMAL = re.compile(r"^[-+]?\d*[.,]\d+(?:[eE][-+]?\d+)?$")
UNIT_WORD = re.compile(r"^(unit|units|uom|eng\.? ?units?|eu)( #\d+)?$")
_FORMAT_HINT = re.compile(r"^[\[(]?\s*(?:[dmyhs]{1,4}[-/.: ]?){2,}(?:am/pm)?\s*[\])]?$", re.IGNORECASE)


@dataclass
class Head:
    """The rows above the data, taken apart.

    names     one per column, group row and name row joined; units from a unit row ('' without)
    first     index of the first data row in the grid
    rows      the heading rows as they stand (a repeated one is recognised by them)
    preamble  the rows above the heading
    nameless  True where no heading row stands above the data
    """

    names: list[str]
    units: list[str]
    first: int
    rows: list[list[str]] = field(default_factory=list)
    preamble: list[list[str]] = field(default_factory=list)
    nameless: bool = False
    hints: list[str] = field(default_factory=list)
    named: int = 0  # cells of the longest heading row
    beside: list[int] = field(default_factory=list)  # columns that hold the units of the ones beside them
    above: tuple[int, list[str]] | None = None  # a row of numbers right above the data that is no data
    rewritten: bool = False  # the rows are not those of the file: only the grid holds them
    questions: list[Question] = field(default_factory=list)


def data_test(columns: Columns, grid: Grid) -> Callable[[list[str]], bool]:
    """A function that says whether a row is data: a time where the file has times, and a number beside it."""
    timed = [c for c in range(columns.width) if columns.share(c, "moment", "date", "clock", "duration") >= 0.5]
    if not timed and since_1970(grid, 0):
        timed = [0]
        told: tuple[str, ...] = ("number",)
    else:
        told = ("moment", "date", "clock", "duration")

    def is_data(row: list[str]) -> bool:
        kinds = [kind(c) for c in row[: columns.width]]
        values = [k for i, k in enumerate(kinds) if i not in timed]
        numbers = sum(1 for k in values if k in ("number", "open"))
        texts = sum(1 for k in values if k == "text")
        has_time = any(c < len(kinds) and kinds[c] in told for c in timed)
        if has_time:
            return numbers >= 1 or (len(row) >= columns.width * 0.7 and not texts)
        blank_time = all(c >= len(kinds) or kinds[c] == "blank" for c in timed)
        return blank_time and numbers >= (1 if timed else 2) and numbers > texts

    return is_data


_SECONDS_SINCE_1970 = re.compile(r"^(?:9[5-9]|1\d|20)\d{8}(?:\d{3})?(?:[.,]\d+)?$")


def since_1970(grid: Grid, column: int) -> bool:
    """Do the cells of a column count seconds or milliseconds since 1970, between 2000 and 2036."""
    cells = [r[column] for r in grid.rows[-40:] if column < len(r)]
    return len(cells) >= 3 and sum(bool(_SECONDS_SINCE_1970.match(c)) for c in cells) >= 0.8 * len(cells)


RowTest = Callable[[list[str]], bool]


def find_head(grid: Grid, columns: Columns, is_data: RowTest) -> Head | None:
    """The head of a file, None where no data row is found."""
    rows, width = grid.rows, columns.width
    first = None
    for i in range(len(rows)):
        if len(rows[i]) < width * 0.5 or not is_data(rows[i]):
            continue
        after = rows[i + 1 : i + 6]
        if sum(1 for r in after if is_data(r)) >= min(3, len(after)) - (1 if len(after) < 3 else 0):
            first = i
            break
    if first is None:
        return None
    while first and len(rows[first - 1]) >= width * 0.5 and any(kind(c) == "moment" for c in rows[first - 1]):
        first -= 1  # what stands there beside a time is data, whatever it is
    return head_above(rows, grid.lines, first, width)


def head_above(rows: list[list[str]], lines: list[int], first: int, width: int) -> Head:
    """The heading rows that stand directly above row `first`."""
    i = first - 1
    unit_row: list[str] | None = None
    numbered = i >= 1 and _counts_columns(rows[i], width) and _is_name_row(rows[i - 1], width)
    if numbered:
        i -= 1  # 1 2 3 4 under the headings
    kinds = i >= 1 and _is_kind_row(rows[i])
    if kinds:
        i -= 1  # Smp, Avg, Min under the units
    if i >= 0 and _is_unit_row(rows[i]) and not (_all_named(rows[i]) and not _names_above(rows, i, width)):
        unit_row, i = rows[i], i - 1
    above = (lines[i], rows[i]) if i >= 0 and len(rows[i]) >= 0.7 * width and _has_decimals(rows[i]) else None
    name_row = rows[i] if i >= 0 and _is_name_row(rows[i], width) else None
    if name_row is None and i >= 0 and (apart := _split_otherwise(rows[i], width)):
        name_row = rows[i] = apart
    if name_row is None:
        if unit_row is not None:
            i += 1
        return nameless(rows, first, width, unit_row, i + 1, above)
    used = [name_row] + ([unit_row] if unit_row else []) + ([rows[first - 1]] if numbered or kinds else [])
    i -= 1
    names = _pad(name_row, width)
    if unit_row is None and i >= 0 and _is_unit_row(rows[i]) and len(rows[i]) >= width * 0.7:
        unit_row, i = rows[i], i - 1
        used.append(unit_row)
    # above names with units and kinds below them stands what the logger says of itself: its number, its program
    if i >= 0 and not kinds and lines[i + 1] - lines[i] == 1 and _is_group_row(rows[i], name_row, width):
        groups, carried = [], ""
        for cell, name in zip(_pad(rows[i], width), names, strict=True):
            carried = cell or carried
            groups.append(carried if cell or name else "")
        names = [n if not g or g == n else f"{g} {n}".strip() for g, n in zip(groups, names, strict=True)]
        used.append(rows[i])
        i -= 1
    return _headed(names, unit_row, first, used, rows[: i + 1], width)


def nameless(
    rows: list[list[str]], first: int, width: int, units: list[str] | None = None, preamble: int | None = None,
    above: tuple[int, list[str]] | None = None,
) -> Head:  # fmt: skip
    """A head without names: the columns are numbered."""
    names = [f"column {c + 1}" for c in range(width)]
    unit_row = _pad(units or [], width)
    above_it = rows[: first if preamble is None else preamble]
    return Head(names, [unit_of(u) for u in unit_row], first, [], above_it, nameless=True, above=above)


def stated_head(rows: list[list[str]], lines: list[int], heading: int, width: int, is_data: RowTest) -> Head | None:
    """The head whose heading is the row of line `heading`; a row of units may stand beneath. None without data."""
    at = lines.index(heading)
    first = next((i for i in range(at + 1, len(rows)) if is_data(rows[i])), None)
    if first is None:
        return None
    unit_row = next((r for r in rows[at + 1 : first] if _is_unit_row(r)), None)
    return _headed(_pad(rows[at], width), unit_row, first, rows[at:first], rows[:at], width)


def _headed(
    names: list[str], unit_row: list[str] | None, first: int, used: list[list[str]], preamble: list[list[str]],
    width: int,
) -> Head:  # fmt: skip
    hints = [c for c in (unit_row or []) if _FORMAT_HINT.match(c)]
    units = [unit_of(u) for u in _pad(unit_row or [], width)]
    filled = [n or f"column {c + 1}" for c, n in enumerate(names)]
    named = max(max((i for i, c in enumerate(r, start=1) if c), default=0) for r in used[:2])
    return Head(unique(filled), units, first, used, preamble, hints=hints, named=named)


def unique(names: list[str]) -> list[str]:
    """Names with '#2', '#3' after those that come again."""
    seen: Counter[str] = Counter()
    out = []
    for name in names:
        seen[name.casefold()] += 1
        out.append(name if seen[name.casefold()] == 1 else f"{name} #{seen[name.casefold()]}")
    return out


def _pad(row: list[str], width: int) -> list[str]:
    return [*row[:width], *[""] * (width - len(row))]


_MARK = re.compile(r"^[A-Z]{2}$")


def _is_unit_row(row: list[str]) -> bool:
    filled = [c for c in row if c]
    units = sum(1 for c in filled if unit_of(c))
    other = [c for c in filled if not unit_of(c) and not _FORMAT_HINT.match(c) and kind(c) != "blank" and c != "-"]
    marks = [c for c in row[:2] if _MARK.match(c) and c in other]  # over the time and the count of rows
    rest = len(other) - len(marks)
    return units >= 1 and rest <= max(1, 0.34 * len(filled)) and units >= rest


_KIND = re.compile(
    r"^(smp|sample|avg|average|mean|min|max|tot|total|std|stdev|med|median|inst|win|cov)$", re.IGNORECASE
)


def _is_kind_row(row: list[str]) -> bool:
    """Does a row say how each column's value was taken from the samples (Smp, Avg, Max), as loggers put it last."""
    filled = [c for c in row if c]
    return bool(filled) and all(_KIND.match(c) for c in filled)


def _all_named(row: list[str]) -> bool:
    """Could a row of units be the names themselves (ms, temp): something in it is no unit."""
    return any(c and not unit_of(c) and not _FORMAT_HINT.match(c) and c != "-" for c in row)


def _names_above(rows: list[list[str]], i: int, width: int) -> bool:
    return i >= 1 and _is_name_row(rows[i - 1], width)


def _is_name_row(row: list[str], width: int) -> bool:
    filled = [c for c in row if c]
    texts = sum(1 for c in filled if kind(c) == "text" or kind(c) == "number")
    if _has_decimals(row) or any(kind(c) == "moment" for c in filled):
        return False
    return len(row) >= width * 0.5 and len(filled) >= min(2, width) and texts >= 0.6 * len(filled)


def _split_otherwise(row: list[str], width: int) -> list[str]:
    """The names of a heading in one cell, where another delimiter splits it into as many as there are columns."""
    cells = [c for c in row if c]
    for delimiter in (",", ";", "\t", "|") if len(cells) == 1 else ():
        names = [c.strip() for c in cells[0].split(delimiter)]
        if len(names) == width and _is_name_row(names, width) and all(kind(n) == "text" for n in names):
            return names
    return []


def _has_decimals(row: list[str]) -> bool:
    """Does a number with a decimal mark stand in the row: no heading has one."""
    return any(_DECIMAL.match(c) for c in row)


def _counts_columns(row: list[str], width: int) -> bool:
    """Is a row 1 2 3 4 ... (or 0 1 2 3 ...): numbers of the columns, neither names nor data."""
    numbers = [c for c in row if c]
    return len(numbers) >= max(2, width - 1) and numbers in (
        [str(n) for n in range(len(numbers))], [str(n + 1) for n in range(len(numbers))],
    )  # fmt: skip


def _is_group_row(row: list[str], names: list[str], width: int) -> bool:
    filled = [c for c in row if c]
    if len(filled) > width:
        return False
    if len(row) < 0.5 * width or len(filled) < 2 or any(kind(c) not in ("text", "number") for c in filled):
        return False
    if any(c.endswith(":") for c in filled):
        return False
    given = [n.casefold() for n in names if n]
    if len(set(given)) < len(given) or len(given) < 0.8 * width:
        return True
    return width > 3 and len(filled) >= 0.8 * width and not any(kind(c) == "number" for c in filled[1:2])


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
    apart = delimiter not in ("spaces", "wide spaces", "labels") and _first_cell_apart(grid)
    _prepare(grid, layout)
    table = _with_head(grid, source.name, layout, delimiter)
    if table is None:
        raise IntakeError(
            "no rows of data were found",
            [Problem("no run of rows with a time and numbers", source.name)],
            remedy="Is this the recorder's data file? --delimiter, --heading and --encoding may help",
        )
    columns, head = table
    head.rewritten |= apart
    return Table(grid, columns, head, encoding, delimiter, notes=grid.notes, questions=head.questions)


_TIME_AND_VALUE = re.compile(r"^(.*\d:\d\d\S*(?: ?[AaPp][Mm])?)\s+([-+]?\d*[.,]?\d+ ?(?:°?[CFK])?)$")


def _first_cell_apart(grid: Grid) -> bool:
    """Take a time and the first value apart where only blanks stand between them (`12/25/2023 16:36:31 26.6C, 26.8C`),
    in place; whether they were."""
    some = [r[0] for r in grid.rows[:: max(1, len(grid.rows) // 60)] if r[0]]
    if not any(_TIME_AND_VALUE.match(c) for c in some[-3:]):
        return False
    found = [m for c in some if kind(c) == "text" and (m := _TIME_AND_VALUE.match(c))]
    if sum(kind(m[1]) in ("moment", "clock") for m in found) < 0.8 * len(some):
        return False
    for i, row in enumerate(grid.rows):
        match = _TIME_AND_VALUE.match(row[0])
        if match and kind(match[1]) in ("moment", "clock"):
            grid.rows[i] = [match[1], match[2], *row[1:]]
    grid.notes.append("the first value stands in one cell with the time: taken apart")
    return True


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
    _upright(grid, name)
    questions = [] if layout.heading else join_blocks(grid, layout.headings)
    columns = look_at_columns(grid)
    if columns.width < 2:
        return None
    rewritten = put_as_usual(grid, columns)
    if rewritten:
        columns = look_at_columns(grid)
    if _days_alone(grid, columns) or _dates_between(grid, columns):
        columns = look_at_columns(grid)
    is_data = data_test(columns, grid)
    _no_blocks(grid, is_data, name)
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
    columns = _times_whole(grid, columns, head)
    head.rewritten |= rewritten
    head.questions += questions
    _units_beside(grid, columns, head)
    if not head.nameless and not layout.heading:
        if delimiter in ("spaces", "wide spaces"):
            _place(grid, head, columns.width, name)
        _must_fit(grid, head, columns, name, delimiter)
    return columns, head


def _upright(grid: Grid, name: str) -> None:
    """Raises IntakeError where times run along a row: the table lies on its side."""
    for line, row in zip(grid.lines[:50], grid.rows[:50], strict=True):
        if len(row) > 5 and sum(kind(c) in ("moment", "clock") for c in row[1:]) > 0.8 * len(row):
            raise IntakeError(
                "the table lies on its side: its times run along a row",
                [Problem("a time in every column", name, line, None, ", ".join(row[:3]))],
                remedy="Turn it in a spreadsheet program (copy, then paste transposed) and save it again",
            )


def _dates_between(grid: Grid, columns: Columns) -> bool:
    """Give clock times the dates that stand in lines of their own; whether there were any."""
    if any(columns.share(c, "moment", "date") > 0.5 for c in range(columns.width)):
        return False
    clocks = [c for c in range(columns.width) if columns.share(c, "clock") > 0.5]
    return len(clocks) == 1 and date_lines(grid, clocks[0])


def _times_whole(grid: Grid, columns: Columns, head: Head) -> Columns:
    """Put times that stand in pieces together, in place."""
    gone, note = put_together(grid, columns, head.names, head.first)
    if not note:
        return columns
    grid.notes.append(note)
    head.rewritten = True
    if gone:
        kept = [c for c in range(columns.width) if c not in gone]
        place = next(c for c, name in enumerate(head.names) if c in kept and c + 1 in gone)
        head.names[place] = "Time"
        head.names[:], head.units[:] = [head.names[c] for c in kept], [head.units[c] for c in kept]
        for i in range(head.first, len(grid.rows)):
            grid.rows[i] = [cell for c, cell in enumerate(grid.rows[i]) if c not in gone]
        head.named = len(kept)
    return look_at_columns(grid)


_MIDNIGHT = re.compile(r"[ T](?:0?0:00(?::00(?:[.,]0+)?)?|12:00(?::00)? ?[Aa][Mm])$")


def _days_alone(grid: Grid, columns: Columns) -> bool:
    """Make a column of moments that are all at midnight, beside one of clock times, a column of dates, in place."""
    if not any(columns.share(c, "clock") > 0.5 for c in range(columns.width)):
        return False
    found = False
    for c in range(columns.width):
        if columns.share(c, "moment") <= 0.5:
            continue
        moments = [r for r in grid.rows if c < len(r) and kind(r[c]) == "moment"]
        if all(_MIDNIGHT.search(r[c]) for r in moments):
            found = True
            for row in moments:
                row[c] = _MIDNIGHT.sub("", row[c])
    return found


def _beside_the_table(grid: Grid) -> None:
    """Leave out cells right of a sheet's table, behind a column that is empty from top to bottom, in place."""
    width = look_at_columns(grid).width
    if width < 2 or not any(len(r) > width for r in grid.rows):
        return
    filled = Counter(c for row in grid.rows for c, cell in enumerate(row) if cell)
    apart = next((c for c in range(2, max(filled) + 1) if not filled[c] and c >= width), None)
    if apart is None or any(filled[c] > 0.5 * len(grid.rows) for c in filled if c > apart):
        return
    lost = sum(1 for row in grid.rows for cell in row[apart:] if cell)
    grid.rows = [row[:apart] for row in grid.rows]
    kept = [i for i, row in enumerate(grid.rows) if any(row)]
    grid.rows, grid.lines = [grid.rows[i] for i in kept], [grid.lines[i] for i in kept]
    grid.notes.append(f"{lost} cells right of the table (from column {apart + 2} on) left out")


def _units_beside(grid: Grid, columns: Columns, head: Head) -> None:
    """Give each column of numbers the unit that stands in a column of its own beside it, in place."""
    numeric = [columns.share(c, "number", "open") > 0.5 for c in range(columns.width)]
    for c in range(columns.width):
        if columns.share(c, "text") < 0.9:
            continue
        cells = {r[c] for r in grid.rows[head.first :] if c < len(r) and r[c]}
        units = {unit_of(cell) for cell in cells} if len(cells) <= 4 else {""}
        letters = any(cell.lower() in ("c", "f", "k") for cell in cells)  # K is a thermocouple too
        if len(units) != 1 or "" in units or (letters and not UNIT_WORD.match(head.names[c].strip().lower())):
            continue
        for beside in (c - 1, c + 1):
            if 0 <= beside < columns.width and numeric[beside] and not head.units[beside]:
                head.units[beside] = units.pop()
                head.beside.append(c)
                break


def _must_fit(grid: Grid, head: Head, columns: Columns, name: str, delimiter: str) -> None:
    """Raises IntakeError where the heading names fewer or more columns than the rows have cells."""
    beyond = any(columns.filled(c) for c in range(head.named, columns.width))
    lost = delimiter != "workbook" and head.named > columns.width
    if not beyond and not lost:
        return
    row = grid.rows[head.first]
    marks = beyond and delimiter == "," and not any("." in c for c in row)
    raise IntakeError(
        "the heading and the rows do not fit together",
        [
            Problem(
                f"the rows have {columns.width} cells, the heading names {head.named}",
                name, grid.lines[head.first], None, ", ".join(row)[:200],
            )
        ],
        remedy="Where decimal mark and delimiter are both commas no reader can tell: export with semicolons"
        if marks
        else "Say which line is the heading with --heading LINE, or number the columns with --heading none",
    )  # fmt: skip


def _place(grid: Grid, head: Head, width: int, name: str) -> None:
    """Put the names and units of a text in blanks over the columns that they stand above, in place.

    Raises IntakeError where two names stand over one column and their number settles nothing either.
    """
    if head.first >= len(grid.spans) or not head.rows:
        return
    full = [s for s in grid.spans[head.first :] if len(s) == width][:50]
    if not full:
        return
    edges = [(min(s[c][0] for s in full), max(s[c][1] for s in full)) for c in range(width)]
    for row in head.rows:
        at = grid.rows.index(row)
        spans = grid.spans[at] if at < len(grid.spans) else []
        places = [_over(span, edges) for span in spans]
        over = len(spans) == width or all(_aligned(s, edges[p]) for s, p in zip(spans, places, strict=True))
        cells = _placed(row, places, width) if over else None
        if cells is None and len(spans) == len(row) and len(set(places)) < len(places):
            cells = _by_words(row, spans, edges)
        if cells is None:
            if len([c for c in row if c]) == width and all(re.search(r"\w", c) for c in row):
                continue  # not over them, and as many
            if row is not head.rows[0]:
                continue
            raise IntakeError(
                "the heading does not stand over its columns",
                [Problem("no telling which name is whose", name, grid.lines[at], None, "  ".join(row)[:200])],
                remedy="Number the columns with --heading none, or say which line is the heading with --heading LINE",
            )
        if row is head.rows[0]:
            names = unique([n or f"column {c + 1}" for c, n in enumerate(cells)])
            if sum(bool(c) for c in row) < width or not _same_names(head.names, names):
                head.names[:] = names
            head.named = width
        elif _is_unit_row(row):
            head.units[:] = [unit_of(u) for u in cells]


def _by_words(row: list[str], spans: list[tuple[int, int]], edges: list[tuple[int, int]]) -> list[str] | None:
    """Names of columns from the words of a heading, each over the column that it stands above; None where one has
    none."""
    out: list[list[str]] = [[] for _ in edges]
    for cell, span in zip(row, spans, strict=True):
        for word in re.finditer(r"\S+", cell):
            out[_over((span[0] + word.start(), span[0] + word.end()), edges)].append(word.group())
    return [" ".join(words) for words in out] if all(out) else None


def _same_names(old: list[str], new: list[str]) -> bool:
    return all(n in o for o, n in zip(old, new, strict=True))  # a group's name may stand before it


def _over(span: tuple[int, int], edges: list[tuple[int, int]]) -> int:
    """The column that most of a span stands over, else the nearest."""
    shared = [min(span[1], e[1]) - max(span[0], e[0]) for e in edges]
    return shared.index(max(shared))


def _aligned(span: tuple[int, int], edge: tuple[int, int]) -> bool:
    """Does a heading begin, end or have its middle where its column does."""
    middle = abs(sum(span) - sum(edge)) / 2
    return min(abs(span[0] - edge[0]), abs(span[1] - edge[1]), middle) <= 2


def _placed(row: list[str], places: list[int], width: int) -> list[str] | None:
    if len(places) != len(row) or len(set(places)) < len(places) or not all(re.search(r"\w|%|°", c) for c in row if c):
        return None
    out = [""] * width
    for cell, place in zip(row, places, strict=True):
        out[place] = cell
    return out


def _no_blocks(grid: Grid, is_data: RowTest, name: str) -> None:
    """Raises IntakeError where a heading stands before every row or two of data: blocks are no table."""
    again = Counter(map(tuple, grid.rows))
    if max(again.values(), default=0) < 10:  # no row comes so often
        return
    again = Counter({row: n for row, n in again.items() if not is_data(list(row))})
    most, count = max(again.items(), key=lambda kv: kv[1], default=((), 0))
    if count < 10:
        return
    if sum(n for n in again.values() if n > 0.8 * count) > 0.4 * len(grid.rows):
        raise IntakeError(
            "the file is a series of blocks, each with a heading of its own, and no table",
            [Problem(f"{count} times", name, grid.lines[grid.rows.index(list(most))], None, "  ".join(most)[:100])],
            remedy="Export it as one table (CSV), with the time in every row",
        )


def _sheet_table(source: Source, layout: Layout) -> Table:
    book = open_book(source.data, source.name)
    if layout.sheet and layout.sheet not in book.sheets:
        raise IntakeError(
            f"the workbook has no sheet {layout.sheet!r}",
            [Problem(f"its sheets: {', '.join(book.sheets)}", source.name)],
            remedy="Name one of them with --sheet",
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


def _one_sheet(book: Book, sheet: str, name: str, layout: Layout) -> Table | None:
    grid = sheet_grid(book, sheet)
    _skip(grid, layout)
    _prepare(grid, layout)
    _beside_the_table(grid)
    found = _with_head(grid, name, layout, "workbook")
    if found is None or len(grid.rows) - found[1].first < 3:
        return None
    columns, head = found
    timed = any(columns.share(c, "moment", "date", "clock", "duration") > 0.5 for c in range(columns.width))
    if not timed and (columns.width < 2 or head.nameless):
        return None
    return Table(grid, columns, head, "workbook", ",", sheet, book.epoch, grid.notes, head.questions)
