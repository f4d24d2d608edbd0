"""A small load for tests of clauses: a furnace, work TCs a few °C behind it, one cycle of three segments."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from loadbook.analysis.clauses import judge
from loadbook.analysis.trace import phases, validity
from loadbook.analysis.trace.model import Channel, ClauseResult, Cycle, Judgement, Limit, Segment, Trace

STEP = 60.0
T = np.arange(0.0, 8 * 3600.0 + 1, STEP)  # heat 3 h at 200 °C/h to 620, hold 2 h, cool 3 h at 150 °C/h
FURNACE = np.interp(T, np.array([0.0, 3.0, 5.0, 8.0]) * 3600.0, [20.0, 620.0, 620.0, 170.0])
SEGMENTS = (
    Segment(1, "heat", 620.0),
    Segment(2, "hold", 620.0, minutes=60.0, band_low_c=10.0, band_high_c=10.0),
    Segment(3, "cool"),
)


def trace(*extra: tuple[Channel, np.ndarray], behind: tuple[float, ...] = (2.0, 4.0, 6.0), **work: Any) -> Trace:
    """A furnace, work TCs a few °C behind it, and whatever else; `work` goes to every work channel."""
    rows = [FURNACE, *(FURNACE - b for b in behind)]
    channels = [Channel(1, "C1", "control")]
    channels += [Channel(i, f"W{i - 1}", "work", **work) for i in range(2, 2 + len(behind))]
    for channel, values in extra:
        channels.append(channel)
        rows.append(values)
    values = np.array(rows)
    return Trace(T, values, np.zeros(values.shape, np.uint8), tuple(channels), (), "R")


def judged(made: Trace, *limits: Limit, segments: tuple[Segment, ...] = SEGMENTS, **more: Any) -> Judgement:
    cycle = Cycle("C", "1", segments=segments, limits=limits)
    ready = validity.prepared(made)
    return judge.judge(
        ready, cycle, more.pop("pieces", ()), phases.find_phases(ready, cycle), more.pop("faults", ()), **more
    )


def one(made: Trace, limit: Limit, **more: Any) -> ClauseResult:
    """The result of the only limit."""
    return judged(made, limit, **more).clauses[-1]


def changed(made: Trace, name: str, values: np.ndarray) -> Trace:
    new = made.values.copy()
    new[made.row(name)] = values
    return replace(made, values=new)
