"""Long files: one row per channel and time, put on a common axis scan by scan.

A scan is one pass of the recorder over its channels. Where every channel has the same time in a scan, that is the
axis. Where the channels follow one another, the scan's time is that of its first sample, and the shift (at most
half of a scan interval, else the row begins a new scan) is told.
"""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np

from loadbook.analysis.trace.model import MISSING
from loadbook.core.errors import IntakeError, OpenQuestion, Problem

from .cells import counts_rows
from .layout import Layout
from .names import is_counter, read_heading, unit_of
from .rows import sort_out, time_indexes
from .status import questions_of, statuses, take_out
from .table import Table
from .wide import CellReader, Raw, ignored

VALUE_WORD = re.compile(r"^(value|reading|data|pv|measurement|measured|val|result|state|temp|temperature)$")


def read_long(table: Table, layout: Layout, where: str) -> Raw:
    """A long file as channels on one axis. Raises IntakeError, and OpenQuestion where a channel changes its unit."""
    names = table.head.names
    places = {}
    for key in ("channel_column", "value_column", "unit_column"):
        column = getattr(layout, key)
        if column and column not in names:
            raise IntakeError(
                f"the file has no column {column!r}", [Problem(f"its columns: {', '.join(names)}", where)],
                remedy="Use another layout",
            )  # fmt: skip
        places[key] = names.index(column) if column else -1
    cells = sort_out(table, layout, where)
    reader = CellReader(layout)
    at_channel, at_value, at_unit = places["channel_column"], places["value_column"], places["unit_column"]
    labels: dict[str, int] = {}
    units: dict[str, set[str]] = {}
    channel = np.empty(len(cells.rows), int)
    value = np.empty(len(cells.rows))
    flag = np.zeros(len(cells.rows), np.uint8)
    width = len(names)
    padded = [row if len(row) >= width else [*row, *[""] * (width - len(row))] for row in cells.rows]
    taken = set(time_indexes(names, layout, where)) | {at_channel, at_value, at_unit}
    more, left = _more_columns(table, taken, at_channel)
    found = statuses(table, taken) if layout.status != "keep" else []
    found = [replace(s, covers=(at_value, *more)) for s in found]
    if found and not layout.status:
        cells.questions += questions_of(table, found)
    for k, row in enumerate(padded):
        label = row[at_channel].rstrip(" :")
        channel[k] = labels.setdefault(label, len(labels))
        value[k], flag[k] = reader.read(row[at_value], label, cells.lines[k])
        if at_unit >= 0 and row[at_unit]:
            units.setdefault(label, set()).add(row[at_unit])
    reader.check_units(where)
    for label, seen in reader.units.items():
        units.setdefault(label, set()).update(seen)
    cells.notes += take_out(found, [at_value], padded, value[None, :], flag[None, :], names)
    known = _known_units(units, where)
    overall = table.head.units[at_value] or read_heading(names[at_value]).unit or unit_of(names[at_value])
    times, lines = np.array(cells.times, float), np.array(cells.lines)
    raw = on_scans(times, channel, value, flag, lines, list(labels))
    named_by_label = not more or bool(VALUE_WORD.match(read_heading(names[at_value]).name.casefold().strip("_")))
    raw.headings = [
        read_heading(label if named_by_label else f"{label} {names[at_value]}", known.get(label, "") or overall)
        for label in labels
    ]
    for column in more:
        for k, row in enumerate(padded):
            value[k], flag[k] = reader.read(row[column], names[column], cells.lines[k])
        take_out(found, [column], padded, value[None, :], flag[None, :], names)
        beside = on_scans(times, channel, value, flag, lines, list(labels))
        own = table.head.units[column]
        called = [f"{label} {names[column]}" if len(labels) > 1 else names[column] for label in labels]
        raw.headings += [read_heading(name, own) for name in called]
        raw.values = np.concatenate([raw.values, beside.values])
        raw.flags = np.concatenate([raw.flags, beside.flags])
    raw.aware, raw.rows_read, raw.unknown = cells.aware, len(cells.rows), reader.unknown
    raw.offset = cells.offset
    raw.notes = cells.notes + raw.notes + left
    raw.questions = cells.questions
    kept = [i for i, h in enumerate(raw.headings) if not ignored(layout, h.full)]
    raw.left_out = [h.full for i, h in enumerate(raw.headings) if i not in kept]
    raw.headings = [raw.headings[i] for i in kept]
    raw.values, raw.flags = raw.values[kept], raw.flags[kept]
    return raw


def _more_columns(table: Table, taken: set[int], label: int) -> tuple[list[int], list[str]]:
    """Columns of numbers beside the one of the values: channels too, but one that numbers the labels. With a note on
    the columns that are none."""
    names, columns = table.head.names, table.columns
    more, left = [], []
    for c in range(len(names)):
        if c in taken or not columns.filled(c) or is_counter(names[c]) or counts_rows(table.rows, c, every=True):
            continue
        if columns.share(c, "number", "open") > 0.5 and not _numbers_labels(table, c, label):
            more.append(c)
        else:
            left.append(names[c])
    return more, [f"left out, no readings: {', '.join(map(repr, left))}"] if left else []


def _numbers_labels(table: Table, column: int, label: int) -> bool:
    """Does a column number the labels, 0, 1, 2 ... or 1, 2, 3 ..., each the same throughout."""
    pairs = {(r[label], r[column]) for r in table.rows if max(label, column) < len(r)}
    numbers = sorted(n for _, n in pairs)
    count = len({name for name, _ in pairs})
    return count > 1 and len(pairs) == count and numbers in (
        sorted(str(i) for i in range(count)), sorted(str(i + 1) for i in range(count)),
    )  # fmt: skip


def _known_units(units: dict[str, set[str]], where: str) -> dict[str, str]:
    out = {}
    for label, found in units.items():
        keys = {unit_of(u) or u for u in found}
        if len(keys) > 1:
            raise OpenQuestion(
                f"channel {label!r} changes its unit: {', '.join(sorted(found))}", where=where,
                option=f'--channel "{label}=ignore" to leave it out',
            )  # fmt: skip
        out[label] = next(iter(keys))
    return out


def on_scans(
    time: np.ndarray, channel: np.ndarray, value: np.ndarray, flag: np.ndarray, lines: np.ndarray, labels: list[str]
) -> Raw:
    """Rows of (time, channel, value) as a matrix of channels by scans, in file order.

    A second value of a channel at the same time begins a scan of its own: `time_axis` then treats the two rows as
    it does in a wide file (an exact repeat, or a duplicate).
    """
    if np.isnan(time).any():
        raise IntakeError(
            "rows of a long file have no time", [Problem("time is blank", None, int(lines[np.isnan(time)][0]))]
        )
    count = len(labels)
    limit = scan_limit(time, channel, count)
    starts = _scans_by_reference(time, channel, count, limit)
    if starts is None:
        starts = _scans_by_walk(time, channel, limit)
    scan = np.cumsum(starts) - 1
    scans = int(scan[-1]) + 1
    values = np.full((count, scans), np.nan)
    flags = np.full((count, scans), MISSING, np.uint8)
    values[channel, scan] = value
    flags[channel, scan] = flag
    first = np.flatnonzero(starts)
    shift = float(np.max(time - time[first][scan])) if len(time) else 0.0
    notes = []
    if shift > 0:
        notes.append(
            f"channels are scanned one after the other, up to {shift:g} s apart:"
            " each scan stands at the time of its first sample"
        )
    return Raw([], time[first], values, flags, lines[first], notes=notes, scan_s=shift)


def scan_limit(time: np.ndarray, channel: np.ndarray, count: int) -> float:
    """Longest that a scan may last: half of the usual interval between two samples of one channel."""
    steps = [d for c in range(count) if len(d := np.diff(time[channel == c]))]
    every = np.concatenate(steps) if steps else np.array([0.0])
    every = every[every > 0]
    return 0.5 * float(np.median(every)) if len(every) else 0.0


def _scans_by_reference(time: np.ndarray, channel: np.ndarray, count: int, limit: float) -> np.ndarray | None:
    """Scans that each begin with the channel of the first row; None where that does not fit every row."""
    starts = channel == channel[0]
    scan = np.cumsum(starts) - 1
    first = np.flatnonzero(starts)
    behind = time - time[first][scan]
    keys = scan * count + channel
    if len(np.unique(keys)) < len(keys) or behind.min() < 0 or behind.max() > limit:
        return None
    return np.asarray(starts)


def _scans_by_walk(time: np.ndarray, channel: np.ndarray, limit: float) -> np.ndarray:
    starts = np.zeros(len(time), bool)
    seen: set[int] = set()
    begun = -np.inf
    for k, (moment, number) in enumerate(zip(time.tolist(), channel.tolist(), strict=True)):
        if number in seen or moment < begun or moment - begun > limit or k == 0:
            starts[k] = True
            begun = moment
            seen = set()
        seen.add(number)
    return starts
