"""Where the data of a file begins, what its heading rows say, and which columns could hold the time."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field

from .recordergrid import Grid
from .recordernames import unit_of
from .recordernumbers import MISSING_WORDS, OPEN_WORDS, looks_number, split_unit
from .recordertimes import kind_of

_NUMBER = re.compile(r"^[-+]?\d+(?:[.,]\d+)?$")
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
    above: tuple[int, list[str]] | None = None  # a row of numbers right above the data that is no data


@dataclass
class Columns:
    """What the cells of each column look like: counts of moment, date, clock, duration, number, blank, text."""

    kinds: list[Counter[str]]
    width: int

    def share(self, column: int, *kinds: str) -> float:
        """Share of the filled cells that are of these kinds."""
        count = self.kinds[column]
        filled = sum(count.values()) - count["blank"]
        return sum(count[k] for k in kinds) / filled if filled else 0.0

    def filled(self, column: int) -> int:
        count = self.kinds[column]
        return sum(count.values()) - count["blank"]


def kind(cell: str) -> str:
    """One word for a cell: moment, date, clock, duration, number, blank or text."""
    if _NUMBER.match(cell) and len(cell) not in (8, 14):  # 20260301 and 20260301101500 are times
        return "number"
    low = cell.lower()
    if low in MISSING_WORDS:
        return "blank"
    found = kind_of(cell)
    if found:
        return found
    if looks_number(cell) or looks_number(split_unit(cell)[0]):
        return "number"
    return "open" if low in OPEN_WORDS else "text"


def look_at_columns(grid: Grid, most: int = 1500) -> Columns:
    """Kinds of cells per column, over up to `most` rows spread through the file, of the usual width."""
    widths = Counter(len(r) for r in grid.rows if len(r) > 1)
    if not widths:
        return Columns([], 0)
    width = max(widths.items(), key=lambda kv: (kv[1], kv[0]))[0]
    rows = [r for r in grid.rows if len(r) >= max(2, width * 0.5)]
    step = max(1, len(rows) // most)
    kinds: list[Counter[str]] = [Counter() for _ in range(width)]
    for row in rows[::step]:
        for column in range(width):
            kinds[column][kind(row[column]) if column < len(row) else "blank"] += 1
    return Columns(kinds, width)


def data_test(columns: Columns) -> Callable[[list[str]], bool]:
    """A function that says whether a row is data: a time where the file has times, and a number beside it."""
    timed = [c for c in range(columns.width) if columns.share(c, "moment", "date", "clock", "duration") >= 0.5]

    def is_data(row: list[str]) -> bool:
        kinds = [kind(c) for c in row[: columns.width]]
        values = [k for i, k in enumerate(kinds) if i not in timed]
        numbers = sum(1 for k in values if k in ("number", "open"))
        texts = sum(1 for k in values if k == "text")
        has_time = any(c < len(kinds) and kinds[c] in ("moment", "date", "clock", "duration") for c in timed)
        if has_time:
            return numbers >= 1 or (len(row) >= columns.width * 0.7 and not texts)
        blank_time = all(c >= len(kinds) or kinds[c] == "blank" for c in timed)
        return blank_time and numbers >= (1 if timed else 2) and numbers > texts

    return is_data


def find_head(grid: Grid, columns: Columns, is_data: Callable[[list[str]], bool]) -> Head | None:
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
    return head_above(rows, grid.lines, first, width)


def head_above(rows: list[list[str]], lines: list[int], first: int, width: int) -> Head:
    """The heading rows that stand directly above row `first`."""
    i = first - 1
    unit_row: list[str] | None = None
    if i >= 0 and _is_unit_row(rows[i]):
        unit_row, i = rows[i], i - 1
    above = (lines[i], rows[i]) if i >= 0 and len(rows[i]) >= 0.7 * width and _has_decimals(rows[i]) else None
    name_row = rows[i] if i >= 0 and _is_name_row(rows[i], width) else None
    if name_row is None:
        if unit_row is not None:
            i += 1
        names = [f"column {c + 1}" for c in range(width)]
        units = _pad(unit_row or [], width)
        return Head(names, [unit_of(u) for u in units], first, [], rows[: i + 1], nameless=True, above=above)
    used = [name_row] + ([unit_row] if unit_row else [])
    i -= 1
    names = _pad(name_row, width)
    if unit_row is None and i >= 0 and _is_unit_row(rows[i]) and len(rows[i]) >= width * 0.7:
        unit_row, i = rows[i], i - 1
        used.append(unit_row)
    if i >= 0 and lines[i + 1] - lines[i] == 1 and _is_group_row(rows[i], name_row, width):
        groups, carried = [], ""
        for cell in _pad(rows[i], width):
            carried = cell or carried
            groups.append(carried)
        names = [n if not g or g == n else f"{g} {n}".strip() for g, n in zip(groups, names, strict=True)]
        used.append(rows[i])
        i -= 1
    hints = [c for c in (unit_row or []) if _FORMAT_HINT.match(c)]
    units = [unit_of(u) for u in _pad(unit_row or [], width)]
    names = [n or f"column {c + 1}" for c, n in enumerate(names)]
    return Head(unique(names), units, first, used, rows[: i + 1], hints=hints, named=max(len(r) for r in used))


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


def _is_unit_row(row: list[str]) -> bool:
    filled = [c for c in row if c]
    units = sum(1 for c in filled if unit_of(c))
    rest = sum(1 for c in filled if not unit_of(c) and not _FORMAT_HINT.match(c) and kind(c) != "blank" and c != "-")
    return units >= 1 and rest <= max(1, 0.34 * len(filled)) and units >= rest


def _is_name_row(row: list[str], width: int) -> bool:
    filled = [c for c in row if c]
    texts = sum(1 for c in filled if kind(c) == "text" or kind(c) == "number")
    if _has_decimals(row):
        return False
    return len(row) >= width * 0.5 and len(filled) >= min(2, width) and texts >= 0.6 * len(filled)


def _has_decimals(row: list[str]) -> bool:
    """Does a number with a decimal mark stand in the row: no heading has one."""
    return any(_DECIMAL.match(c) for c in row)


def _is_group_row(row: list[str], names: list[str], width: int) -> bool:
    filled = [c for c in row if c]
    if len(row) < 0.5 * width or len(filled) < 2 or any(kind(c) not in ("text", "number") for c in filled):
        return False
    if any(c.endswith(":") for c in filled):
        return False
    given = [n.casefold() for n in names if n]
    if len(set(given)) < len(given) or len(given) < 0.8 * width:
        return True
    return width > 3 and len(filled) >= 0.8 * width and not any(kind(c) == "number" for c in filled[1:2])
