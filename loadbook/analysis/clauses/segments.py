"""The demands that each segment of a cycle makes: rates, target, band, soak, pressure."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np

from loadbook.analysis.trace.model import ClauseResult, Cycle, Floats, Segment
from loadbook.analysis.trace.phases import Interval, Phases
from loadbook.core.remarks import Remark, remark

from .check import Clause, Demand, Frame, beyond, compare, longest_blind, never_began, untold
from .series import Mask, Series, Settling, View, extreme, rate
from .soak import hold_clauses

WINDOW_MIN = 15.0
FEWEST_INTERVALS = 3.0  # a window that the cycle does not state is at least so many intervals of the recorder wide
ROUNDED = 1.5  # rounding to a step moves a least-squares slope by at most so many steps a window
NOISE_PEAK = 3.0  # the peak that noise makes in a slope watched for hours, in standard errors (rates.noise_peak)
KNEE_S, KNEE_C = 1800.0, 25.0  # how far before a target a slower program may be seen to have taken over


def segment_clauses(cycle: Cycle, frame: Frame) -> list[Clause]:
    """The clauses of every segment, in the cycle's order."""
    out: list[Clause] = []
    for k, s in enumerate(cycle.segments):
        if s.kind == "hold":
            out += hold_clauses(s, frame)
        else:
            out += _rates(s, _neighbour(cycle, k, -1), _neighbour(cycle, k, 1), _turns_after(cycle, k), frame)
            if s.target_c is not None:
                out.append(_target(s, cycle.segments[k + 1 :], frame))
        out += _pressure(s, frame)
    return out


# ---- rates ----------------------------------------------------------------------------------------------------
def _neighbour(cycle: Cycle, k: int, step: int) -> Segment | None:
    """The segment before or after one, where it moves the same way to a target of its own."""
    s, other = cycle.segments[k], cycle.segments[k + step] if 0 <= k + step < len(cycle.segments) else None
    return other if other is not None and other.kind == s.kind and other.target_c is not None else None


def _turns_after(cycle: Cycle, k: int) -> bool:
    """Is a segment the cycle's last, or does the next one move the other way?"""
    s, after = cycle.segments[k], cycle.segments[k + 1] if k + 1 < len(cycle.segments) else None
    return after is None or after.kind not in ("hold", s.kind)


def _rates(s: Segment, before: Segment | None, after: Segment | None, last: bool, frame: Frame) -> list[Clause]:
    """before, after: segments that move the same way; last: what the furnace does beyond the target of the cycle's
    last segment, or of one before it turns, is none of the cycle's. A control TC that has not come to the target
    before is still in that program, and has one window to come down to a slower one. Where a program of another pace
    follows, a limit that it would break binds up to where the program goes on."""
    rising = s.kind == "heat"
    stated = s.rate_window_min
    window = stated or WINDOW_MIN
    out = []
    for relation, limit in (("max", s.rate_max_c_per_h), ("min", s.rate_min_c_per_h)):
        if limit is None:
            continue
        fastest = relation == "max" or s.rate_of == "work"
        name = f"{s.kind} {s.number} rate" if relation == "max" else f"{s.kind} {s.number} slowest rate"
        text = remark("segment_rate", segment=s.number, kind=s.kind, of=s.rate_of, relation=relation, window_min=window)

        def decide(
            view: View, name: str = name, text: Remark = text, relation: str = relation, limit: float = limit,
            fastest: bool = fastest,
        ) -> ClauseResult:  # fmt: skip
            interval = frame.phases.interval(s.number)
            if interval is None:
                return replace(
                    never_began(name, text, s.number, frame), limit=limit, unit="c_per_h", asked=s.asked_rate_c_per_h
                )
            if after is not None and (relation == "min" or (after.rate_max_c_per_h or math.inf) > limit):
                interval = replace(interval, end=goes_on(view, frame.phases, s, interval))
            where = frame.samples(interval, view.t_s.size) & view.judged
            rows = view.control if s.rate_of == "control" else view.work
            above, below = s.rate_above_c, s.rate_below_c
            if before is not None and before.target_c is not None and s.rate_of == "control":
                passed = before.target_c
                above = max(passed, passed if above is None else above) if rising else above
                below = below if rising else min(passed, passed if below is None else below)
            if last and s.target_c is not None:
                above = above if rising else max(s.target_c, s.target_c if above is None else above)
                below = min(s.target_c, s.target_c if below is None else below) if rising else below
            pace = math.inf if before is None or relation == "min" else before.rate_max_c_per_h or math.inf
            half = None
            if relation == "max" and before is not None and before.target_c is not None and s.target_c is not None:
                half = 0.5 * (before.target_c + s.target_c)
            settling = Settling(limit, relation, pace, before is not None, half)

            def by(window: float, text: Remark) -> ClauseResult:
                series = rate(
                    view, rows, 60.0 * window, where, rising=rising, fastest=fastest, above_c=above, below_c=below,
                    settling=settling if relation == "min" or before is not None else None,
                )  # fmt: skip
                return decide_rate(view, name, text, relation, limit, series, where, frame, window, rows,
                                   (above, below), s.number, s.asked_rate_c_per_h)  # fmt: skip

            found = beyond_steps(view, stated, limit, text, by)
            return replace(found, above_c=s.rate_above_c, below_c=s.rate_below_c)

        out.append(Clause(name, decide))
    return out


def window_for(view: View, stated_min: float | None, text: Remark) -> tuple[float, Remark]:
    """The window [min] that a rate is taken over, and the clause's sentence with it: the stated one, else 15 min, or
    three intervals of a recorder so coarse that 15 min hold too few samples."""
    coarse = float(round(FEWEST_INTERVALS * view.step_s / 60.0))
    if stated_min is not None or coarse <= WINDOW_MIN:
        return stated_min or WINDOW_MIN, text
    return coarse, replace(text, figures={**text.figures, "window_min": coarse})


def beyond_steps(
    view: View, stated_min: float | None, limit: float, text: Remark, decide: Callable[[float, Remark], ClauseResult]
) -> ClauseResult:  # fmt: skip
    """A rate by its window. Where none is stated, and it is broken by no more than the recorder's steps or noise can
    make, by a window twice as wide; without a figure there it cannot be told."""
    window, text = window_for(view, stated_min, text)
    found = decide(window, text)
    if stated_min is not None or found.verdict != "broken":
        return found
    noise = NOISE_PEAK * view.noise_c * math.sqrt(12.0 * max(view.step_s, 1.0) / (60.0 * window))
    if abs((found.value or 0.0) - limit) > max(ROUNDED * view.resolution_c, noise) / (window / 60.0):
        return found
    wide = decide(2.0 * window, replace(text, figures={**text.figures, "window_min": 2.0 * window}))
    if wide.verdict != "cannot be told":
        return wide
    return untold(found, "steps_or_noise")


def decide_rate(
    view: View, name: str, text: Remark, relation: str, limit: float, series: Series | None, where: Mask, frame: Frame,
    window_min: float, rows: list[int], binds: tuple[float | None, float | None], segment: int | None,
    asked: float | None,
) -> ClauseResult:  # fmt: skip
    """A rate against its limit where it binds; a limit whose temperature range was never entered is kept."""
    where = where & in_range(view, rows, binds)
    half_min = window_min / 2.0
    nothing = remark("no_stretch", half_min=half_min) if rows else remark("no_tc_of_rate")
    demand = Demand(
        name, text, "c_per_h", relation, limit, segment, asked, max(frame.blind_s, 60.0 * window_min), nothing
    )
    found = compare(view, demand, series, where, frame.guard)
    if series is None or found.value is None or found.worst_s is None or found.uncertainty is None:
        return found
    thin = series.thin(int(np.searchsorted(view.t_s, found.worst_s)))
    if thin and abs(found.value - limit) <= found.uncertainty:
        return untold(found, "segment_too_short", half_min=half_min)
    return found


def in_range(view: View, rows: list[int], binds: tuple[float | None, float | None]) -> Mask:
    """Samples at which any of some rows is above / below the temperatures between which a limit binds.

    A sample without any reading stays in, so that it counts as unseen.
    """
    where = np.ones(view.t_s.size, dtype=bool)
    if binds == (None, None) or not rows:
        return where
    y = view.trace.values[rows]
    inside = np.isfinite(y)
    blind = ~inside.any(axis=0)
    with np.errstate(invalid="ignore"):
        if binds[0] is not None:
            inside &= y > binds[0]
        if binds[1] is not None:
            inside &= y < binds[1]
    return np.asarray(inside.any(axis=0) | blind)


def goes_on(view: View, phases: Phases, s: Segment, interval: Interval) -> int:
    """One past the last sample of a move at its own pace, where a slower program follows in the same direction.

    Where the setpoint came to the target; without a setpoint, where two straight lines through the furnace's last half
    hour before it came there and the half hour after it meet best. Never after the interval's own end.
    """
    end = interval.end
    setpoints = view.rows("setpoint")
    rising = s.kind == "heat"
    if len(setpoints) == 1 and s.target_c is not None:
        asked = view.trace.values[setpoints[0], interval.start : end]
        with np.errstate(invalid="ignore"):
            there = asked >= s.target_c if rising else asked <= s.target_c
        return interval.start + int(np.argmax(there)) if there.any() else end
    t, y = view.t_s, phases.reference_c
    first = int(np.searchsorted(t, t[end - 1] - KNEE_S)) if end else 0
    last = int(np.searchsorted(t, t[end - 1] + KNEE_S)) if end else 0
    first, last = max(first, interval.start), min(last, phases.until)
    knees = range(first + 3, end)
    left_over = {k: _off_line(t[first:k], y[first:k]) + _off_line(t[k:last], y[k:last]) for k in knees if last - k >= 3}
    best = min(left_over, key=lambda k: left_over[k], default=end)
    return best if best < end and abs(y[best] - y[end - 1]) <= KNEE_C else end


def _off_line(t_s: Floats, y: Floats) -> float:
    """Sum of squares that a straight line leaves over the valid samples."""
    ok = np.isfinite(y)
    if ok.sum() < 3:
        return 0.0
    t, v = t_s[ok] - t_s[ok].mean(), y[ok] - y[ok].mean()
    return float(v @ v - (t @ v) ** 2 / (t @ t))


# ---- target ---------------------------------------------------------------------------------------------------
def _target(s: Segment, rest: Sequence[Segment], frame: Frame) -> Clause:
    """The furnace comes to the target; where a hold with a band follows, to the near edge of its band.

    rest  the segments after it. The segment ends where the program goes on; a slower zone may arrive in what follows
          in the same direction, up to the end of the first hold.
    """
    rising = s.kind == "heat"
    assert s.target_c is not None
    after = rest[0] if rest else None
    band = None if after is None or after.kind != "hold" else (after.band_low_c if rising else after.band_high_c)
    limit = s.target_c - (band or 0.0) if rising else s.target_c + (band or 0.0)
    name = f"{s.kind} {s.number} target"
    text = remark("target", segment=s.number, band=bool(band), rising=rising)

    def decide(view: View) -> ClauseResult:
        interval = frame.phases.interval(s.number)
        base = ClauseResult(name, "kept", text, limit=limit, unit="c", segment=s.number, asked=s.target_c)
        if interval is None:
            if frame.phases.ended_by is None:
                return replace(never_began(name, text, s.number, frame), limit=limit, unit="c", asked=s.target_c)
            return replace(base, verdict="broken", first_s=frame.phases.until_s)  # it ended before it could begin
        series = extreme(view, view.control, hottest=not rising)
        where = frame.samples(interval, view.t_s.size)
        last = interval
        for follows in rest:
            if follows.kind not in (s.kind, "hold"):
                break
            seen = frame.phases.interval(follows.number)
            if seen is not None:
                where |= frame.samples(seen, view.t_s.size)
                last = seen
                if seen.kind == "hold":
                    break
        where &= view.judged
        known = where & np.isfinite(series.value) if series is not None else where & False
        if series is None or not known.any():
            return untold(base, "no_tc_of_role", role="control")
        signed = np.where(known, series.value if rising else -series.value, -np.inf)
        arrived = known & ~beyond(np.where(known, series.value, limit), limit, "min" if rising else "max")
        at = int(np.argmax(arrived)) if arrived.any() else int(np.argmax(signed))
        result = replace(
            base, value=float(series.value[at]), worst_s=float(view.t_s[at]), channel=series.who(at),
            uncertainty=series.uncertainty(at),
        )  # fmt: skip
        if arrived.any():
            return result
        if frame.cut_off(last, last.segment) and not (rising and frame.facts.stopped):
            return untold(result, "ends_before_target")
        blind = longest_blind(view, where, known)
        if blind is not None and blind[1] - blind[0] > frame.blind_s:
            return untold(result, "not_recorded")
        end_s = float(view.t_s[np.flatnonzero(where)[-1]])
        return replace(result, verdict="broken", first_s=end_s)

    return Clause(name, decide)


# ---- pressure -------------------------------------------------------------------------------------------------
def _pressure(s: Segment, frame: Frame) -> list[Clause]:
    out = []
    for relation, limit in (("max", s.pressure_max_mbar), ("min", s.pressure_min_mbar)):
        if limit is None:
            continue
        name = f"{s.kind} {s.number} {'pressure' if relation == 'max' else 'least pressure'}"
        text = remark("segment_pressure", segment=s.number, relation=relation)

        def decide(
            view: View, name: str = name, text: Remark = text, relation: str = relation, limit: float = limit
        ) -> ClauseResult:
            interval = frame.phases.interval(s.number)
            if interval is None:
                return replace(never_began(name, text, s.number, frame), limit=limit, unit="mbar")
            rows = view.trace.rows("pressure")
            nothing = remark("no_channel", quantity="pressure")
            demand = Demand(name, text, "mbar", relation, limit, s.number, None, frame.blind_s, nothing)
            series = extreme(view, rows, hottest=relation == "max")
            return compare(view, demand, series, frame.samples(interval, view.t_s.size) & view.judged, frame.guard)

        out.append(Clause(name, decide))
    return out
