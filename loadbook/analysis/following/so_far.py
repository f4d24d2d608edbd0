"""What a trace so far says: where the run stands, and each clause with its margin and what it is heading for.

The verdicts are those of the judging that is done afterwards, on the samples there are; nothing is judged in another
way. What afterwards could still change is told as open, and a forecast is told as one, with the trend it rests on.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from loadbook.analysis.clauses.series import Series, View, difference, extreme, spread
from loadbook.analysis.trace.model import ClauseResult, Cycle, Floats, Judgement, Limit, Trace, channels_in
from loadbook.analysis.trace.phases import Phases
from loadbook.analysis.trace.validity import interval_s, without
from loadbook.core.remarks import Remark, remark

KEPT, BROKEN, HEADING, RUNNING, NOT_YET, OPEN = (
    "kept so far", "broken", "heading for a break", "running", "not yet", "open",
)  # fmt: skip
TREND_S, LATEST_S = 1200.0, 600.0  # a trend is the lesser of the slopes over these; common practice
HORIZON_S = 1800.0  # a break further off is not told: a trend of 20 min carries no further
LEAST_POINTS = 8
SURE = 3.0  # a trend is this many of its standard errors
# a rate or a soak that broke this shortly before the trace's end may rest on a window that is not full yet, or on a
# segment that is not known to be over: until then it is 'open'. What one sample can break is told at once
SETTLES_S = 900.0
_RECORDED = ("event_work", "leak_rate", "surface")  # quantities that need an event
_SETTLING = ("c_per_h", "min", "mbar_per_h")  # units of clauses that rest on a window, or on where a segment ends


@dataclass(frozen=True)
class Standing:
    """One clause so far. margin is how much is left to the limit, in the clause's unit (negative where broken).

    at_s      when it broke, or is heading to break (seconds from the trace's start)
    per_h     of a heading: the trend [unit/h];  over_min  minutes that it rests on
    alone     of what is broken: the TC without which it would not be, should that one be out
    """

    clause: str
    state: str
    value: float | None = None
    limit: float | None = None
    unit: str = ""
    margin: float | None = None
    channel: str | None = None
    segment: int | None = None
    at_s: float | None = None
    per_h: float | None = None
    over_min: float | None = None
    missing: Remark | None = None
    alone: str | None = None


@dataclass(frozen=True)
class Place:
    """Where the run stands at the last sample; temperatures °C, differences °C, None where not known.

    soak_min, asked_min  of the hold that is on
    """

    t_s: float
    segment: int | None
    kind: str | None
    target_c: float | None
    furnace_c: float | None
    coldest: tuple[str, float] | None
    hottest: tuple[str, float] | None
    spread_c: float | None
    lead_c: float | None
    soak_min: float | None = None
    asked_min: float | None = None
    gaps: int = 0
    longest_gap_s: float = 0.0


def place(trace: Trace, phases: Phases, judgement: Judgement) -> Place:
    """Where the run stands. trace is prepared, faults repaired as for judging."""
    view = View(trace, phases.until_s)
    last = phases.intervals[-1] if phases.intervals else None
    now = max(phases.until - 1, 0)
    tcs = [
        (trace.channels[i].name, float(trace.values[i, now])) for i in view.work if np.isfinite(trace.values[i, now])
    ]
    cold, hot = min(tcs, key=lambda x: x[1], default=None), max(tcs, key=lambda x: x[1], default=None)
    furnace = float(phases.reference_c[now]) if phases.reference_c.size else float("nan")
    known = float(furnace) if np.isfinite(furnace) else None
    soak = next((c for c in judgement.clauses if last and c.clause == f"soak {last.segment}"), None)
    steps = np.diff(trace.t_s)
    usual = interval_s(trace.t_s) if trace.t_s.size > 1 else 0.0
    wide = steps[steps > 3.0 * usual] if steps.size else steps
    return Place(
        float(trace.t_s[now]) if trace.t_s.size else 0.0, last.segment if last else None, last.kind if last else None,
        last.target_c if last else None, known, cold, hot, hot[1] - cold[1] if hot and cold else None,
        known - cold[1] if known is not None and cold else None, soak.value if soak else None,
        soak.limit if soak else None, len(wide), float(wide.max()) if wide.size else 0.0,
    )  # fmt: skip


Again = Callable[[Trace], Judgement]  # the same judging, of the trace without a thermocouple


def standings(
    trace: Trace, cycle: Cycle | None, phases: Phases, judgement: Judgement, again: Again
) -> tuple[Standing, ...]:  # fmt: skip
    """Every clause of the judgement of a trace so far, in its order."""
    if cycle is None or not judgement.clauses:
        return ()
    view = View(trace, phases.until_s)
    clauses = judgement.clauses
    alone = _alone(trace, clauses, again)
    of_limits = dict(zip((c.clause for c in clauses[len(clauses) - len(cycle.limits) :]), cycle.limits, strict=True))
    return tuple(_standing(c, of_limits.get(c.clause), view, phases, alone.get(c.clause)) for c in clauses)


def _alone(trace: Trace, clauses: Sequence[ClauseResult], again: Again) -> dict[str, str]:
    """Broken clause -> the TC without which it would not be broken, where there is one: a work TC, or one of several
    control TCs."""
    broken = [c for c in clauses if c.verdict == "broken" and c.channel]
    out: dict[str, str] = {}
    control = trace.rows("control")
    known = [c.name for c in trace.channels]
    for name in [known[i] for i in [*trace.rows("work"), *(control if len(control) > 1 else ())]]:
        of_it = [c for c in broken if name in channels_in(str(c.channel), known) and c.clause not in out]
        if of_it:
            without_it = {c.clause: c.verdict for c in again(without(trace, [name])).clauses}
            out.update({c.clause: name for c in of_it if without_it.get(c.clause) != "broken"})
    return out


def _standing(
    c: ClauseResult, limit: Limit | None, view: View, phases: Phases, alone: str | None
) -> Standing:  # fmt: skip
    margin = None
    if c.value is not None and c.limit is not None:
        margin = c.value - c.limit if _at_least(c) else c.limit - c.value
    state, at_s, trend = _state(c, limit, phases), c.first_s if c.verdict == "broken" else None, None
    if state == KEPT:
        trend = _heading(c, limit, view, phases)
        if trend is not None:
            state, at_s = HEADING, trend[0]
    return Standing(
        c.clause, state, c.value, c.limit, c.unit, margin, c.channel, c.segment, at_s, trend[1] if trend else None,
        trend[2] if trend else None, _why(c, phases) if state == OPEN else None, alone,
    )  # fmt: skip


def _at_least(c: ClauseResult) -> bool:
    """Is the clause's limit the least that its value may be?"""
    f = c.text.figures
    if c.text.code == "hold_edge":
        return not f["upper"]
    return bool(f["rising"]) if c.text.code == "target" else f["relation"] == "min"


def turned_back(phases: Phases) -> int | None:
    """The segment in which the furnace turned before its target came, where the run may still go on; None for none.
    What it does next tells which segment that was: until then nothing is said of it, and of the hold before it."""
    if phases.ended_by is not None:
        return None
    return next((x.segment for x in phases.intervals[:-1] if x.kind != "hold" and not x.reached), None)


def _state(c: ClauseResult, limit: Limit | None, phases: Phases) -> str:
    over = phases.ended_by is not None
    turned = turned_back(phases)
    if turned is not None and c.segment is not None and c.segment >= turned - 1:
        return OPEN if c.verdict == "broken" or c.segment <= turned else NOT_YET
    running = phases.intervals[-1].segment if phases.intervals else 0
    if c.verdict == "kept":
        return KEPT if c.value is not None or over else NOT_YET
    if c.verdict == "broken":
        settles = SETTLES_S if c.unit in _SETTLING or c.text.code == "target" else 0.0
        return BROKEN if over or c.first_s is None or phases.until_s - c.first_s >= settles else OPEN
    if c.segment is not None and not over:
        if c.segment > running:
            return NOT_YET
        if c.segment >= running - 1:
            return RUNNING
    if limit is not None and limit.quantity in _RECORDED and not over and c.value is None:
        return NOT_YET  # what a person writes down may still come
    return OPEN


def _why(c: ClauseResult, phases: Phases) -> Remark | None:
    turned = turned_back(phases)
    if turned is not None and c.segment is not None and c.segment >= turned - 1:
        return remark("turned_back")
    return c.missing


# ---- trends ---------------------------------------------------------------------------------------------------
_SERIES: dict[str, Callable[[View], Series | None]] = {
    "spread": spread,
    "lead": lambda v: difference(v, v.control, v.work),
    "over_temperature": lambda v: extreme(v, [*v.control, *v.work]),
}


def _heading(c: ClauseResult, limit: Limit | None, view: View, phases: Phases) -> tuple[float, float, float] | None:
    """(moment of the break [s], trend per hour, minutes it rests on) where a clause that binds now heads over its
    limit within HORIZON_S; None where it does not, or where no trend can be made of it."""
    if c.limit is None or phases.ended_by is not None or not phases.intervals:
        return None
    running = phases.intervals[-1]
    if phases.until_s - running.start_s < TREND_S:
        return None  # the trend would be that of the segment before
    series: Series | None = None
    if limit is not None and limit.quantity in _SERIES and limit.relation == "max" and limit.scope == "load":
        binds = bool(phases.mask(limit.phase)[phases.until - 1]) and limit.segment in (None, running.segment)
        level = float(phases.reference_c[phases.until - 1])
        binds &= limit.above_c is None or level > limit.above_c
        binds &= limit.below_c is None or level < limit.below_c
        series = _SERIES[limit.quantity](view) if binds else None
    elif c.segment == running.segment and c.text.code == "hold_edge" and c.text.figures["upper"]:
        series = extreme(view, view.work)
    if series is None:
        return None
    if c.unit == "c" and not (running.kind == "hold" and running.target_c is not None
                              and series.value[phases.until - 1] > running.target_c):  # fmt: skip
        return None  # what is on its way to its target heads for that, not for the limit above it
    found = trend(view.t_s[: phases.until], series.value[: phases.until], c.limit)
    furnace = extreme(view, view.control) if c.unit == "c" else None
    if found is not None and furnace is not None and furnace.value[phases.until - 1] < c.limit:
        # a part comes no hotter than the furnace: it levels off where that stands
        return found if trend(view.t_s[: phases.until], furnace.value[: phases.until], c.limit) else None
    return found


def trend(t_s: Floats, values: Floats, limit: float) -> tuple[float, float, float] | None:
    """Does a series go over a limit soon: (moment [s], slope per hour, minutes it rests on), or None.

    The slope is the lesser of the straight lines over TREND_S and its latter half, so that what levels off is not
    called a break; it has to stand out of what the line leaves over.

    >>> t = np.arange(0.0, 1800.0, 30.0)
    >>> at, per_h, minutes = trend(t, 10.0 + t / 60.0, 50.0)
    >>> round(at / 60.0), round(per_h), round(minutes)
    (40, 60, 20)
    """
    lines = [_line(t_s, values, span) for span in (TREND_S, LATEST_S)]
    if any(x is None for x in lines):
        return None
    (slope, now, error), (late, _, _) = lines  # type: ignore[misc]
    least = min(slope, late)
    if least <= 0.0 or slope < SURE * error or now >= limit:
        return None
    seconds = (limit - now) / least
    return (float(t_s[-1]) + seconds, 3600.0 * least, TREND_S / 60.0) if seconds <= HORIZON_S else None


def _line(t_s: Floats, values: Floats, span_s: float) -> tuple[float, float, float] | None:
    """(slope per second, value at the end, standard error of the slope) of the last samples; None for too few."""
    first = int(np.searchsorted(t_s, t_s[-1] - span_s)) if t_s.size else 0
    t, y = t_s[first:] - t_s[-1], values[first:]
    good = np.isfinite(y)
    if good.sum() < LEAST_POINTS or -t[good][0] < 0.8 * span_s:
        return None
    t, y = t[good], y[good]
    slope, level = np.polyfit(t, y, 1)
    left = y - (level + slope * t)
    # neighbouring samples of a furnace that swings are alike: as if only each fourth of them told something new
    error = float(np.sqrt(4.0 * (left @ left) / max(t.size - 2, 1) / ((t - t.mean()) ** 2).sum()))
    return float(slope), float(level), error


def as_dict(what: Any) -> dict[str, Any]:
    """A standing or a place as JSON carries it, in the units kept inside."""
    from dataclasses import asdict

    return asdict(what)
