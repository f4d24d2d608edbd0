"""What the cells of a file look like: one word for a cell, counts of these words by column, and which rows are data."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from .grid import Grid
from .numbers import MISSING_WORDS, OPEN_WORDS, looks_number, split_unit
from .times import kind_of

RowTest = Callable[[list[str]], bool]

_NUMBER = re.compile(r"^[-+]?\d+(?:[.,]\d+)?$")


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


@lru_cache(16_384)  # a cell is looked at several times on the way
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


LOOKED_AT = 1500


def look_at_columns(grid: Grid) -> Columns:
    """Kinds of cells per column, over up to LOOKED_AT rows spread through the file, of the usual width."""
    widths = Counter(len(r) for r in grid.rows if len(r) > 1)
    if not widths:
        return Columns([], 0)
    width = max(widths.items(), key=lambda kv: (kv[1], kv[0]))[0]
    rows = [r for r in grid.rows if len(r) >= max(2, width * 0.5)]
    step = max(1, len(rows) // LOOKED_AT)
    kinds: list[Counter[str]] = [Counter() for _ in range(width)]
    for row in rows[::step]:
        for column in range(width):
            kinds[column][kind(row[column]) if column < len(row) else "blank"] += 1
    return Columns(kinds, width)


def data_test(columns: Columns, grid: Grid) -> RowTest:
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


def counts_rows(rows: list[list[str]], column: int, *, every: bool) -> bool:
    """Does a column count the rows: mostly, or every one of them from 0 or 1 on."""
    cells = [r[column] for r in rows if column < len(r)]
    if not all(c.isdigit() for c in cells[:20]):
        return False
    try:
        numbers = np.array([float(c) for c in cells if c])
    except ValueError:
        return False
    if every:
        return len(numbers) >= 10 and numbers[0] in (0, 1) and bool((np.diff(numbers) == 1).all())
    return len(numbers) > 2 and bool(np.median(np.diff(numbers)) == 1)


def since_1970(grid: Grid, column: int) -> bool:
    """Do the cells of a column count seconds or milliseconds since 1970, between 2000 and 2036."""
    cells = [r[column] for r in grid.rows[-40:] if column < len(r)]
    return len(cells) >= 3 and sum(bool(_SECONDS_SINCE_1970.match(c)) for c in cells) >= 0.8 * len(cells)
