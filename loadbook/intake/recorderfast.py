"""The quick way through a clean file: pandas' C reader for the numbers, one explicit format for the times.

It gives up (returns None) at anything unusual, and the cell-by-cell way takes over; a test holds both to the same
result. What it accepts: text files whose every row fits the heading, a time in every row, numbers, blanks and the
known words for an open circuit or a missing value.
"""

from __future__ import annotations

import io
import re
import warnings

import numpy as np
import pandas as pd

from ..calc.model import MISSING, OPEN
from .layout import Layout
from .recordergrid import Grid
from .recordernames import read_heading
from .recordernumbers import MISSING_WORDS, OPEN_WORDS, number_pattern
from .recorderread import Raw, ignored
from .recorderrows import breaks_off, data_above, is_aware, time_indexes
from .recordersource import Source, decode
from .recordertable import Table
from .recordertimes import parse_fast

HEAD_BYTES = 8_192


def read_fast(source: Source, table: Table, layout: Layout) -> Raw | None:
    """A wide, clean text file; None where the careful way is needed.

    table  may come from the file's first HEAD_BYTES only
    """
    if source.is_workbook or layout.shape != "wide" or layout.thousands or layout.skip:
        return None
    if layout.time_kind not in ("clock", "elapsed") or (":" in layout.time_format and layout.time_kind == "elapsed"):
        return None
    if layout.delimiter in ("spaces", "wide spaces"):
        return None
    frame, names = _frame(source, table, layout)
    if frame is None:
        return None
    stamps = time_indexes(names, layout, source.name)
    kept = [i for i, n in enumerate(names) if i not in stamps and not ignored(layout, n)]
    time = _time(frame, stamps, layout)
    if time is None or not kept or data_above(table, layout, stamps):
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
        is_aware(layout), len(frame), list(table.notes),
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
        factor = {"s": 1.0, "min": 60.0, "h": 3600.0, "ms": 0.001}[layout.time_format]
        return columns[0].to_numpy(float) * factor
    joined = columns[0]
    for column in columns[1:]:
        joined = joined.str.strip() + " " + column.str.strip()
    return parse_fast(joined, layout.time_format)


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
