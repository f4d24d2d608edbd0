"""The rows above the data of a file: its heading, in one to five rows, and what stands before it."""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass, field

from .cells import Columns, RowTest, kind
from .grid import Grid
from .names import is_counter, is_time, unit_of
from .options import Question

_SAYS_VALUES = re.compile(r"=\s*[-+]?\d|\d:\d\d")  # a line of a log, no heading
_DECIMAL = re.compile(r"^[-+]?\d*[.,]\d+(?:[eE][-+]?\d+)?$")

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
    if i >= 0 and is_unit_row(rows[i]) and not (_all_named(rows[i]) and not _names_above(rows, i, width)):
        unit_row, i = rows[i], i - 1
    above = (lines[i], rows[i]) if i >= 0 and len(rows[i]) >= 0.7 * width and _has_decimals(rows[i]) else None
    name_row = rows[i] if i >= 0 and _is_name_row(rows[i], width) else None
    if name_row is None and i >= 0 and (apart := _split_otherwise(rows[i], rows[first], width)):
        name_row = rows[i] = apart
    if name_row is None:
        if unit_row is not None:
            i += 1
        return nameless(rows, first, width, unit_row, i + 1, above)
    used = [name_row] + ([unit_row] if unit_row else []) + ([rows[first - 1]] if numbered or kinds else [])
    i -= 1
    names = _pad(name_row, width)
    if unit_row is None and i >= 0 and is_unit_row(rows[i]) and len(rows[i]) >= width * 0.7:
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
    return _headed(names, unit_row, first, used, rows[: i + 1], width, rows[first])


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
    unit_row = next((r for r in rows[at + 1 : first] if is_unit_row(r)), None)
    return _headed(_pad(rows[at], width), unit_row, first, rows[at:first], rows[:at], width, rows[first])


def _headed(
    names: list[str], unit_row: list[str] | None, first: int, used: list[list[str]], preamble: list[list[str]],
    width: int, data: list[str],
) -> Head:  # fmt: skip
    hints = [c for c in (unit_row or []) if _FORMAT_HINT.match(c)]
    units = [unit_of(u) for u in units_over(unit_row or [], names, data, width)]
    filled = [n or f"column {c + 1}" for c, n in enumerate(names)]
    named = max(max((i for i, c in enumerate(r, start=1) if c), default=0) for r in used[:2])
    return Head(unique(filled), units, first, used, preamble, hints=hints, named=named)


def units_over(unit_row: list[str], names: list[str], data: list[str], width: int) -> list[str]:
    """A row of units over the columns, by its place in the row. Where that would put the unit of a reading over a time
    the row is some cells short: it goes over the columns of readings where it has one for each, else nowhere.

    >>> units_over(["°C", "mbar"], ["Time", "Furnace", "Vacuum"], ["08:00:00", "20", "1e-3"], 3)
    ['', '°C', 'mbar']
    >>> units_over(["°C"], ["Time", "Furnace", "Vacuum"], ["08:00:00", "20", "1e-3"], 3)
    ['', '', '']
    """
    cells = _pad(unit_row, width)
    times = [i for i, c in enumerate(_pad(data, width)) if kind(c) in _MOMENTS or is_time(names[i])]
    if all(unit_of(cells[i]) in _OF_TIMES for i in times):
        return cells
    readings = [i for i in range(width) if i not in times and not is_counter(names[i])]
    filled = [c for c in unit_row if c]
    out = [""] * width
    for i, cell in zip(readings, filled if len(filled) == len(readings) else (), strict=False):
        out[i] = cell
    return out


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


_MOMENTS = ("moment", "date", "clock", "duration")
_OF_TIMES = ("", "s", "min", "h", "ms", "d")
_MARK = re.compile(r"^[A-Z]{2}$")


def is_unit_row(row: list[str]) -> bool:
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


def _split_otherwise(row: list[str], data: list[str], width: int) -> list[str]:
    """The names of a heading in one cell, where another delimiter splits it into as many as there are columns, and no
    cell of the data has it."""
    cells = [c for c in row if c and not _SAYS_VALUES.search(c)]
    for delimiter in (",", ";", "\t", "|") if len(cells) == 1 else ():
        names = [c.strip() for c in cells[0].split(delimiter)]
        if any(delimiter in c for c in data):
            continue
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
