"""What earlier runs by a program did: how long their moves took, how long the load lagged at each hold, how long they
were left.

How long a load lags goes by what is in it: the lag told for a load leans on those of loads like it in mass, thickest
section and racking, as far as the runs show that these matter.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np

from loadbook.analysis.planning.stock import UNKNOWN, Line, Stock, beside
from loadbook.analysis.trace.model import Cycle, Segment, Trace
from loadbook.analysis.trace.phases import Interval, Phases
from loadbook.analysis.trace.soak import soak

USUAL_C_PER_H = 100.0  # where a cycle asks for no rate and no earlier run shows one; common practice
LEAST_S = 300.0  # shorter times are not told apart
FEWEST_LAGS = 3
LOAD_TRUST = 0.3  # variance of what a usual difference of mass, section or racking does to a lag, in that of the rest
SOAK_START, SOAK_END, RUN_END = "soak start", "soak end", "run end"


@dataclass(frozen=True)
class Whole:
    """A run from its beginning to its end; trace prepared, without faulty channels."""

    trace: Trace
    cycle: Cycle
    phases: Phases
    stock: Stock = UNKNOWN

    @cached_property
    def ends(self) -> dict[tuple[str, int | None], float]:
        """(what, segment) -> moment [s]: what a forecast is held against."""
        return happened(self.trace, self.cycle, self.phases)

    @cached_property
    def moves(self) -> dict[int, float]:
        """Segment -> the time of the move over the time that its rate asks for."""
        over = (RUN_END, None) in self.ends
        moves = [x for x in (self.phases.intervals if over else self.phases.intervals[:-1]) if x.kind != "hold"]
        asked = {x.segment: move_asked_s(self.cycle, x, self.phases) for x in moves}
        return {x.segment: (x.end_s - x.start_s) / s for x in moves if (s := asked[x.segment])}

    @cached_property
    def after(self) -> dict[int, float]:
        """Segment -> seconds that its hold went on after its soak was done."""
        held = [x for x in self.phases.intervals[:-1] if x.kind == "hold" and (SOAK_END, x.segment) in self.ends]
        return {x.segment: x.end_s - self.ends[SOAK_END, x.segment] for x in held}

    @cached_property
    def shut_s(self) -> float:
        """Seconds of the trace before its first segment begins."""
        return self.phases.intervals[0].start_s if self.phases.intervals else 0.0

    @cached_property
    def lags(self) -> dict[int, float]:
        """Segment -> seconds from its hold's start to its soak's."""
        found = {h.segment: self.ends[SOAK_START, h.segment] - h.start_s
                 for h in self.phases.holds if (SOAK_START, h.segment) in self.ends}  # fmt: skip
        return {s: max(lag, LEAST_S) for s, lag in found.items() if s is not None}


@dataclass(frozen=True)
class Typical:
    """What earlier runs by a program did, by segment number: the time of each move over the time that its rate asks
    for, seconds that a hold went on after its soak was done, and seconds from a hold's start to its soak's that a load
    like this one needed. shut_s: seconds of the trace before its first segment."""

    moves: Mapping[int, float] = field(default_factory=dict)
    after: Mapping[int, float] = field(default_factory=dict)
    lags: Mapping[int, float] = field(default_factory=dict)
    shut_s: float = 0.0


def happened(trace: Trace, cycle: Cycle, phases: Phases) -> dict[tuple[str, int | None], float]:
    """(what, segment) -> moment [s], of a whole run: what a forecast is held against."""
    out: dict[tuple[str, int | None], float] = {}
    work = work_rows(trace)
    for s in cycle.segments:
        hold = phases.hold_of(s.number)
        if s.kind != "hold" or not s.minutes or hold is None or not work:
            continue
        found = soak(trace, hold, phases.until, work)
        if found.start_s is not None and found.minutes >= s.minutes:
            out[SOAK_START, s.number] = found.start_s
            out[SOAK_END, s.number] = found.start_s + 60.0 * s.minutes
    last = phases.intervals[-1] if phases.intervals else None
    if last is not None and last.segment == cycle.segments[-1].number and last.reached:
        out[RUN_END, None] = last.end_s
    return out


def typical(done: Sequence[Whole], stock: Stock | None = None) -> Typical:
    """What earlier runs by one cycle did, the middle of them; of lags what it is for this load."""
    return Typical(
        {s: float(np.median(v)) for s, v in _by_segment([d.moves for d in done]).items()},
        {s: max(float(np.median(v)), 0.0) for s, v in _by_segment([d.after for d in done]).items()},
        _lags(done, stock or UNKNOWN),
        float(np.median([d.shut_s for d in done])) if done else 0.0,
    )


def _by_segment(found: Sequence[Mapping[int, float]]) -> dict[int, list[float]]:
    out: dict[int, list[float]] = {}
    for one in found:
        for segment, value in one.items():
            out.setdefault(segment, []).append(value)
    return out


def _lags(done: Sequence[Whole], stock: Stock) -> dict[int, float]:
    out = {}
    for segment in {s for d in done for s in d.lags}:
        runs = [d for d in done if segment in d.lags]
        if len(runs) >= FEWEST_LAGS:
            own, others, _ = beside(stock, [d.stock for d in runs])
            line = Line(others, np.log([d.lags[segment] for d in runs]), LOAD_TRUST)
            out[segment] = float(np.exp(line.at(own)))
    return out


def move_asked_s(cycle: Cycle, move: Interval, phases: Phases) -> float | None:
    """Seconds that a move takes at the rate asked for, from where it began; None where that is not known."""
    s = next((s for s in cycle.segments if s.number == move.segment), None)
    start_c = float(phases.reference_c[move.start])
    if s is None or s.target_c is None or not np.isfinite(start_c):
        return None
    return rate_asks_s(s, s.target_c - start_c)


def rate_asks_s(s: Segment, away_c: float) -> float:
    """Seconds that a segment's rate asks for so many degrees."""
    return abs(away_c) / (s.pace_c_per_h or USUAL_C_PER_H) * 3600.0


def work_rows(trace: Trace) -> list[int]:
    """Rows of the work TCs that read a temperature."""
    return [i for i in trace.rows("work") if trace.channels[i].quantity == "temperature"]
