"""Demands on how long something lasted or when it began: time between two temperatures, the soak's start, cooling."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from loadbook.analysis.trace.model import ClauseResult, Floats, Limit
from loadbook.analysis.trace.phases import Hold
from loadbook.analysis.trace.soak import soak
from loadbook.core.remarks import Remark, remark

from .check import Demand, Frame, beyond, compare, untold
from .series import Mask, View, extreme

SOAK_START = "soak start"


# ---- from a moment on -------------------------------------------------------------------------------------------
def soak_began(view: View, hold: Hold) -> int | None:
    """The first sample of a hold at which every TC that must soak is inside its band; None where it never was."""
    rows = view.control if hold.soak_by == "furnace" else view.work
    key = ("soak began", hold.segment)
    if key not in view.memo:
        found = soak(view.trace, hold, int(view.judged.sum()), rows, "end") if rows else None
        view.memo[key] = None if found is None or found.start_s is None else found.first
    began: int | None = view.memo[key]
    return began


def from_then_on(view: View, limit: Limit, frame: Frame) -> Mask:
    """Samples from the moment on with which a limit begins: each hold's soak start, or an event."""
    where = np.zeros(view.t_s.size, dtype=bool)
    word = (limit.event or "").strip().casefold()
    if word == SOAK_START:
        for hold in frame.phases.holds:
            began = soak_began(view, hold)
            if began is not None:
                where[began : hold.end] = True
        return where
    moments = [e.t_s for e in view.trace.events if e.event.strip().casefold() == word]
    return np.asarray(view.t_s >= min(moments)) if moments else where


def not_begun(view: View, limit: Limit, frame: Frame) -> Remark | None:
    """What is missing where the moment with which a limit begins never came."""
    word = (limit.event or "").strip().casefold()
    if word != SOAK_START:
        seen = any(e.event.strip().casefold() == word for e in view.trace.events)
        return None if seen else remark("no_event", event=limit.event)
    holds = [h for h in frame.phases.holds if limit.segment in (None, h.segment)]
    never = [h.segment for h in holds if h.minutes_asked and soak_began(view, h) is None]
    return remark("soak_never_began", segments=never) if never else None


# ---- time between two temperatures --------------------------------------------------------------------------------
@dataclass(frozen=True)
class InRange:
    """One TC's time between two temperatures: seconds seen, seconds that may have been (unseen steps), first moment at
    which more than `limit_s` had gone by, last moment inside."""

    seconds: float
    possible: float
    over_s: float | None
    last_s: float | None


def between(
    t_s: Floats, y: Floats, low_c: float, high_c: float, blind_s: float, limit_s: float, where: Mask | None = None
) -> InRange:  # fmt: skip
    """Time that a temperature spends between two others, straight lines between valid samples; a step longer than
    blind_s was not seen. Steps across samples outside `where` are left out.

    >>> between(np.array([0.0, 100.0, 200.0]), np.array([400.0, 500.0, 300.0]), 450.0, 800.0, 900.0, 60.0)
    InRange(seconds=75.0, possible=75.0, over_s=110.0, last_s=125.0)
    """
    ok = np.isfinite(y)
    t, v = t_s[ok], y[ok]
    if t.size < 2:
        return InRange(0.0, 0.0, None, None)
    dt, a, b = np.diff(t), v[:-1], v[1:]
    if where is not None:
        dt = np.where(np.diff(np.cumsum(~where)[ok]) > 0, 0.0, dt)
    rise = b - a
    with np.errstate(divide="ignore", invalid="ignore"):
        enter = np.where(rise == 0.0, 0.0, (np.where(rise > 0.0, low_c, high_c) - a) / rise)
        leave = np.where(rise == 0.0, 1.0, (np.where(rise > 0.0, high_c, low_c) - a) / rise)
    enter, leave = np.clip(enter, 0.0, 1.0), np.clip(leave, 0.0, 1.0)
    level = (rise == 0.0) & ((a < low_c) | (a > high_c))
    inside = np.where(level, 0.0, np.maximum(leave - enter, 0.0)) * dt
    seen = dt <= blind_s
    touched = (np.maximum(a, b) >= low_c) & (np.minimum(a, b) <= high_c)
    total = np.cumsum(np.where(seen, inside, 0.0))
    over = None
    if total[-1] > limit_s:
        k = int(np.argmax(total > limit_s))
        before = float(total[k - 1]) if k else 0.0
        over = float(t[k] + enter[k] * dt[k] + limit_s - before)
    steps = np.flatnonzero(inside > 0.0)
    last = float(t[steps[-1]] + leave[steps[-1]] * dt[steps[-1]]) if steps.size else None
    return InRange(float(total[-1]), float(total[-1] + dt[~seen & touched].sum()), over, last)


def time_in_range(view: View, limit: Limit, demand: Demand, frame: Frame, where: Mask) -> ClauseResult:
    """The work TC that spends the most time between the two temperatures (for a least time: the least).

    where  samples of the limit's phase or segment
    """
    rows = [r for r in view.work if np.isfinite(view.trace.values[r, where]).any()]
    if not rows:
        return untold(demand.kept, "no_tc_of_role", role="work")
    low = -math.inf if limit.above_c is None else limit.above_c
    high = math.inf if limit.below_c is None else limit.below_c
    values = np.where(where, view.trace.values[rows], np.nan)
    found = [between(view.t_s, y, low, high, frame.blind_s, 60.0 * demand.limit, where) for y in values]
    most = demand.relation == "max"
    chosen = max(found, key=lambda x: x.seconds) if most else min(found, key=lambda x: x.seconds)
    channel = view.trace.channels[rows[found.index(chosen)]].name
    result = replace(demand.kept, value=chosen.seconds / 60.0, worst_s=chosen.last_s, channel=channel)
    open_end = _passes_later(view, frame, where, rows, low, high)
    if beyond(result.value or 0.0, demand.limit, demand.relation):
        if most or not (open_end or chosen.possible >= 60.0 * demand.limit):
            end_s = float(view.t_s[view.judged][-1])
            return replace(result, verdict="broken", first_s=chosen.over_s if most else end_s)
    elif most and beyond(max(x.possible for x in found), 60.0 * demand.limit, "max"):
        return untold(result, "not_recorded")
    elif not (most and open_end):
        return result
    return untold(result, "range_to_come", event=frame.phases.ended_by)


def _passes_later(view: View, frame: Frame, where: Mask, rows: list[int], low: float, high: float) -> bool:
    """Does judging end with a TC that has the range, or the rest of it, still before it?"""
    last = int(view.judged.sum()) - 1
    if last < 0 or not where[last]:
        return False
    y = view.trace.values[rows, last]
    rising = bool(frame.phases.heating[last])
    with np.errstate(invalid="ignore"):
        return bool((y < high).any() if rising else (y > low).any())


# ---- cooling only after a pressure ---------------------------------------------------------------------------------
def pressure_to_cool(view: View, limit: Limit, demand: Demand, frame: Frame) -> ClauseResult:
    """The pressure at the last sample before each cooling begins."""
    where = np.zeros(view.t_s.size, dtype=bool)
    cooling = frame.phases.cooling & view.judged
    begins = np.flatnonzero(cooling & ~np.concatenate(([False], cooling[:-1])))
    if limit.segment is not None:
        begins = begins[frame.samples(frame.phases.interval(limit.segment), view.t_s.size)[begins]]
    if not begins.size:
        return untold(demand.kept, "never_came_to_phase", phase="cooling")
    series = extreme(view, view.trace.rows("pressure"), hottest=demand.relation == "max")
    if series is None:
        return untold(demand.kept, "no_channel", quantity="pressure")
    for k in begins.tolist():
        seen = np.flatnonzero(np.isfinite(series.value[: k + 1]))
        if not seen.size or view.t_s[k] - view.t_s[seen[-1]] > frame.blind_s:
            return untold(demand.kept, "no_pressure_at_cooling")
        where[seen[-1]] = True
    return replace(compare(view, demand, series, where, frame.guard), lasted_s=None)
