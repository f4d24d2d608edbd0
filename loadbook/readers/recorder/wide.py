"""Reading a wide file by a layout, cell by cell: numbers, open circuits, blanks, and texts that are not understood.

The quick way through a clean file: pandas' C reader for the numbers, one explicit format for the times.

It gives up (returns None) at anything unusual, and the cell-by-cell way takes over; a test holds both to the same
result. What it accepts: text files whose every row fits the heading, a time in every row, numbers, blanks and the
known words for an open circuit or a missing value.
"""

from __future__ import annotations

import io
import math
import re
import warnings
from collections import Counter
from collections.abc import Collection, Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from loadbook.analysis.trace.model import MISSING, OPEN, Flags, Floats
from loadbook.core.errors import IntakeError, OpenQuestion, Problem
from loadbook.core.phrases import many
from loadbook.core.typed import quote

from .grid import Grid
from .layout import Layout
from .names import Heading, read_heading
from .numbers import LONGEST, MISSING_WORDS, OPEN_WORDS, number_pattern, split_unit, to_float, with_minus
from .options import Question
from .rows import breaks_off, data_above, is_aware, offset_said, sort_out, time_indexes
from .source import Source, decode
from .status import may_be_status, questions_of, statuses, take_out
from .table import Table
from .times import SECONDS_IN, parse_fast

HEAD_BYTES = 8_192


def read_fast(source: Source, table: Table, layout: Layout) -> Raw | None:
    """A wide, clean text file; None where the careful way is needed.

    table  may come from the file's first HEAD_BYTES only
    """
    if source.is_workbook or layout.shape != "wide" or layout.thousands or layout.skip:
        return None
    if layout.time_kind not in ("clock", "elapsed") or (":" in layout.time_format and layout.time_kind == "elapsed"):
        return None
    if layout.delimiter in ("spaces", "wide spaces", "labels") or layout.columns or layout.written_time:
        return None
    if table.head.beside or table.head.rewritten or table.questions:
        return None
    frame, names = _frame(source, table, layout)
    if frame is None:
        return None
    stamps = time_indexes(names, layout, source.name)
    kept = [i for i, n in enumerate(names) if i not in stamps and not ignored(layout, n)]
    time = _time(frame, stamps, layout)
    if time is None or not kept or data_above(table, layout, stamps):
        return None
    beside = [frame[i] for i in range(len(names)) if i not in stamps and i not in kept]
    if layout.status != "keep" and any(c.dtype.kind not in "if" and may_be_status(c.unique()) for c in beside):
        return None
    values = np.empty((len(kept), len(frame)))
    flags = np.zeros(values.shape, np.uint8)
    for row, column in enumerate(kept):
        done = _numbers(frame[column], layout)
        if done is None:
            return None
        values[row], flags[row] = done
    if np.isinf(values).any():
        return None
    if (values == 0).any() and re.search(rb"[eE]-\d{3}", source.data):
        return None  # an exponent too long for a number reads as 0
    headings = []
    for i in kept:
        own = read_heading(names[i]).unit.removesuffix("_diff")
        if own and table.head.units[i] and own != table.head.units[i]:
            return None
        headings.append(read_heading(names[i], table.head.units[i]))
    first = table.lines[0]
    return Raw(
        headings, time, values, flags, np.arange(first, first + len(frame)),
        is_aware(layout), offset_said(table, stamps), len(frame), list(table.notes),
        left_out=_left_out(names, stamps, kept),
    )  # fmt: skip


def _frame(source: Source, table: Table, layout: Layout) -> tuple[pd.DataFrame | None, list[str]]:
    names = table.head.names
    data = source.data
    if table.encoding not in ("utf-8", "utf-8-sig"):
        try:
            data = decode(data, table.encoding).encode()
        except (UnicodeDecodeError, LookupError):
            return None, names
    start = 0
    for _ in range(table.lines[0] - 1):
        start = data.find(b"\n", start) + 1
        if not start:
            return None, names
    if data.find(b'"', start) >= 0 or _lone_return(data):
        return None, names
    if data.find(b"\n\n", start) >= 0 or data.find(b"\n\r\n", start) >= 0:
        return None, names  # blank lines: line numbers would be off
    stamps = time_indexes(names, layout, source.name)
    as_text = dict.fromkeys(stamps, str) if layout.time_kind == "clock" else {}
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error", pd.errors.ParserWarning)  # "loss of data": a row that is too long
            frame = pd.read_csv(
                io.BytesIO(memoryview(data)[start:]),
                sep=layout.delimiter, decimal=layout.decimal, header=None, names=range(len(names) + 1), index_col=False,
                dtype=as_text, keep_default_na=False, na_values=[""], skipinitialspace=True, encoding="utf-8",
                low_memory=False, engine="c",
            )  # fmt: skip
    except (ValueError, pd.errors.ParserError, pd.errors.ParserWarning):
        return None, names
    if not len(frame) or frame[len(names)].notna().any():
        return None, names
    if data.count(layout.delimiter.encode(), start) < len(frame) * (len(names) - 1):
        return None, names  # short rows
    if not data.endswith(b"\n"):
        ends = data[max(start, len(data) - 200_000) :].decode("utf-8", "replace").split("\n")
        tail = [r.split(layout.delimiter) for r in ends[1:] or ends]
        if frame.iloc[-1, : len(names)].isna().any() or breaks_off(tail, len(names)):
            return None, names  # perhaps cut off in the middle of its last row
    return frame, names


def _lone_return(data: bytes) -> bool:
    """Are there carriage returns without a line feed, also above the data (lines would be counted otherwise)."""
    return data.find(b"\r") >= 0 and data.count(b"\r") != data.count(b"\r\n")


def _time(frame: pd.DataFrame, stamps: list[int], layout: Layout) -> np.ndarray | None:
    columns = [frame[i] for i in stamps]
    if any(c.isna().any() for c in columns):
        return None
    if layout.time_kind == "elapsed":
        if len(columns) != 1 or columns[0].dtype.kind not in "if":
            return None
        return columns[0].to_numpy(float) * SECONDS_IN[layout.time_format]
    if len(columns) == 1:
        return parse_fast(columns[0], layout.time_format)
    rows = zip(*(c.tolist() for c in columns), strict=True)
    joined = [" ".join([cell.strip() for cell in row]) for row in rows]
    return parse_fast(pd.Series(joined, dtype=object), layout.time_format)


def _numbers(column: pd.Series, layout: Layout) -> tuple[np.ndarray, np.ndarray] | None:
    """Numbers and flags of a column, None where it holds a text that is not known."""
    if column.dtype.kind in "if":
        values = column.to_numpy(float)
        return values, np.where(np.isnan(values), MISSING, np.uint8(0))
    if column.isna().all():
        return np.full(len(column), np.nan), np.full(len(column), MISSING, np.uint8)
    if column.dtype.kind == "b":
        return None
    text = column.fillna("").str.strip()
    low = text.str.lower()
    is_open = low.isin(OPEN_WORDS | {v.casefold() for v in layout.open_values}).to_numpy()
    is_missing = low.isin(MISSING_WORDS | {v.casefold() for v in layout.missing_values}).to_numpy()
    rest = text[~(is_open | is_missing)]
    if not rest.str.fullmatch(number_pattern(layout.decimal, "")).all():
        return None
    values = np.full(len(column), np.nan)
    plain = rest.str.replace(layout.decimal, ".", regex=False) if layout.decimal != "." else rest
    values[~(is_open | is_missing)] = plain.astype(float).to_numpy()
    return values, np.where(is_open, OPEN, np.where(is_missing, MISSING, np.uint8(0))).astype(np.uint8)


__all__ = ["HEAD_BYTES", "Grid", "read_fast"]


@dataclass
class Raw:
    """What a file holds, in file order, before units, zone and order are settled.

    time      (n,) seconds: since 1970 on the recorder's clock as if it were UTC ('aware': really UTC), since
              midnight (time of day) or since the start (elapsed); NaN where the row has none
    values    (channels, n) as recorded, NaN where there is no number; flags the same shape (MISSING, OPEN)
    lines     (n,) physical lines
    offset    distance of the clock from UTC that the file states, and the text that does
    unknown   (column, text) -> (how often, first line): texts among the numbers that are not understood
    left_out  names of the columns of channels that the layout ignores
    """

    headings: list[Heading]
    time: Floats
    values: Floats
    flags: Flags
    lines: np.ndarray
    aware: bool = False
    offset: tuple[str, str] = ("", "")
    rows_read: int = 0
    notes: list[str] = field(default_factory=list)
    unknown: dict[tuple[str, str], tuple[int, int]] = field(default_factory=dict)
    scan_s: float = 0.0
    questions: list[Question] = field(default_factory=list)
    left_out: list[str] = field(default_factory=list)


class CellReader:
    """Turns cells into numbers and flags, remembering units that stand in cells and texts not understood."""

    def __init__(self, layout: Layout) -> None:
        self.pattern = number_pattern(layout.decimal, layout.thousands)
        self.layout = layout
        self.open = OPEN_WORDS | {v.casefold() for v in layout.open_values}
        self.missing = MISSING_WORDS | {v.casefold() for v in layout.missing_values}
        self.units: dict[str, set[str]] = {}
        self._bare: Counter[str] = Counter()  # numbers without a unit, and with one, of each column
        self._with: Counter[str] = Counter()
        self._first: dict[str, tuple[int, str]] = {}
        self.unknown: dict[tuple[str, str], tuple[int, int]] = {}

    def read(self, cell: str, column: str, line: int) -> tuple[float, int]:
        """(number or NaN, flag) of one cell."""
        cell = with_minus(cell, self.layout.minus)
        if len(cell) <= LONGEST and self.pattern.match(cell):
            value = to_float(cell, self.layout.decimal, self.layout.thousands)
            self._bare[column] += 1
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
                self._with[column] += 1
                self._first.setdefault(column, (line, cell))
                return value, 0
        return self._not_understood(cell, column, line)

    def check_units(self, where: str) -> None:
        """Raises IntakeError where a few cells of a column carry a unit, and the others none: whose is it."""
        for column, count in self._with.items():
            if count < 0.5 * (count + self._bare[column]):
                line, cell = self._first[column]
                raise IntakeError(
                    f"of {column!r} {many(count, 'cell')} with a unit and {self._bare[column]} without one",
                    [Problem("the first one that has", where, line, None, cell)],
                    remedy="Correct them, or leave the rows out with --skip",
                )

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
    reader.check_units(where)
    found = statuses(table, stamps) if layout.status != "keep" else []
    if found and not layout.status:
        cells.questions += questions_of(table, found)
    cells.notes += take_out(found, kept, cells.rows, values, flags, table.head.names)
    headings = [read_heading(table.head.names[i], _one_unit(reader, table.head, i, where)) for i in kept]
    return Raw(
        headings, np.array(cells.times, float), values, flags, np.array(cells.lines), cells.aware,
        cells.offset, len(cells.rows), cells.notes, reader.unknown, questions=cells.questions,
        left_out=_left_out(table.head.names, stamps, kept),
    )  # fmt: skip


def _one_unit(reader: CellReader, head, column: int, where: str) -> str:  # type: ignore[no-untyped-def]
    from .names import unit_of

    name = head.names[column]
    found = {unit_of(u) for u in reader.units.get(name, ())} | ({head.units[column]} - {""})
    own = read_heading(name).unit.removesuffix("_diff")
    if own:
        found.add(own)
    if len(found) > 1:
        raise OpenQuestion(
            f"column {name!r} carries two units: {' and '.join(sorted(found))}", where=where,
            option=f"--channel {quote(name + '=other')} if it is not a temperature, else correct the file",
        )  # fmt: skip
    return next(iter(found), "")


def _left_out(names: Sequence[str], stamps: Collection[int], kept: Collection[int]) -> list[str]:
    return [n for i, n in enumerate(names) if i not in stamps and i not in kept]


def ignored(layout: Layout, name: str) -> bool:
    """Does the layout leave this column out."""
    rule = layout.rule(name, read_heading(name).name)
    return rule is not None and rule.role == "ignore"
