"""Reading a wide file by a layout, cell by cell: numbers, open circuits, blanks, and texts that are not understood."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from ..calc.model import MISSING, OPEN, Flags, Floats
from ..ground.errors import OpenQuestion
from .layout import Layout
from .recordernames import Heading, read_heading
from .recordernumbers import LONGEST, MISSING_WORDS, OPEN_WORDS, number_pattern, split_unit, to_float
from .recorderoptions import Question
from .recorderrows import sort_out, time_indexes
from .recordertable import Table, quote


@dataclass
class Raw:
    """What a file holds, in file order, before units, zone and order are settled.

    time      (n,) seconds: since 1970 on the recorder's clock as if it were UTC ('aware': really UTC), since
              midnight (time of day) or since the start (elapsed); NaN where the row has none
    values    (channels, n) as recorded, NaN where there is no number; flags the same shape (MISSING, OPEN)
    lines     (n,) physical lines
    unknown   (column, text) -> (how often, first line): texts among the numbers that are not understood
    """

    headings: list[Heading]
    time: Floats
    values: Floats
    flags: Flags
    lines: np.ndarray
    aware: bool = False
    rows_read: int = 0
    notes: list[str] = field(default_factory=list)
    unknown: dict[tuple[str, str], tuple[int, int]] = field(default_factory=dict)
    scan_s: float = 0.0
    questions: list[Question] = field(default_factory=list)


class CellReader:
    """Turns cells into numbers and flags, remembering units that stand in cells and texts not understood."""

    def __init__(self, layout: Layout) -> None:
        self.pattern = number_pattern(layout.decimal, layout.thousands)
        self.layout = layout
        self.open = OPEN_WORDS | {v.casefold() for v in layout.open_values}
        self.missing = MISSING_WORDS | {v.casefold() for v in layout.missing_values}
        self.units: dict[str, set[str]] = {}
        self.unknown: dict[tuple[str, str], tuple[int, int]] = {}

    def read(self, cell: str, column: str, line: int) -> tuple[float, int]:
        """(number or NaN, flag) of one cell."""
        if len(cell) <= LONGEST and self.pattern.match(cell):
            value = to_float(cell, self.layout.decimal, self.layout.thousands)
            return (value, 0) if math.isfinite(value) else self._not_understood(cell, column, line)
        low = cell.casefold()
        if low in self.open:
            return np.nan, int(OPEN)
        if low in self.missing:
            return np.nan, int(MISSING)
        number, unit = split_unit(cell)
        if unit and self.pattern.match(number):
            value = to_float(number, self.layout.decimal, self.layout.thousands)
            if math.isfinite(value):
                self.units.setdefault(column, set()).add(unit)
                return value, 0
        return self._not_understood(cell, column, line)

    def _not_understood(self, cell: str, column: str, line: int) -> tuple[float, int]:
        count, first = self.unknown.get((column, cell), (0, line))
        self.unknown[column, cell] = (count + 1, first)
        return np.nan, int(MISSING)


def read_wide(table: Table, layout: Layout, where: str) -> Raw:
    """Every channel column of a wide file. Raises IntakeError (rows), OpenQuestion (two units in one column)."""
    cells = sort_out(table, layout, where)
    stamps = set(time_indexes(table.head.names, layout, where))
    kept = [i for i, n in enumerate(table.head.names) if i not in stamps and not ignored(layout, n)]
    reader = CellReader(layout)
    values = np.full((len(kept), len(cells.rows)), np.nan)
    flags = np.full(values.shape, MISSING, np.uint8)
    for k, row in enumerate(cells.rows):
        line = cells.lines[k]
        for j, column in enumerate(kept):
            if column < len(row):
                values[j, k], flags[j, k] = reader.read(row[column], table.head.names[column], line)
    headings = [read_heading(table.head.names[i], _one_unit(reader, table.head, i, where)) for i in kept]
    return Raw(
        headings, np.array(cells.times, float), values, flags, np.array(cells.lines), cells.aware,
        len(cells.rows), cells.notes, reader.unknown, questions=cells.questions,
    )  # fmt: skip


def _one_unit(reader: CellReader, head, column: int, where: str) -> str:  # type: ignore[no-untyped-def]
    from .recordernames import unit_of

    name = head.names[column]
    found = {unit_of(u) for u in reader.units.get(name, ())} | ({head.units[column]} - {""})
    own = read_heading(name).unit.removesuffix("_diff")
    if own:
        found.add(own)
    if len(found) > 1:
        raise OpenQuestion(
            f"column {name!r} carries two units: {' and '.join(sorted(found))}", where=where,
            option=f"--channel {quote(name + '=other')} if it is no temperature, else mend the file",
        )  # fmt: skip
    return next(iter(found), "")


def ignored(layout: Layout, name: str) -> bool:
    """Does the layout leave this column out."""
    rule = layout.rule(name) or layout.rule(read_heading(name).name)
    return rule is not None and rule.role == "ignore"
