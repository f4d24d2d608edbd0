"""The demands that each segment of a cycle makes: rates, target, band, soak, pressure."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from loadbook.analysis.trace.model import ClauseResult, Cycle, Segment

from .check import Clause, Demand, Frame, compare, never_began
from .series import Mask, Series, View, extreme, rate
from .soak import hold_clauses

WINDOW_MIN = 15.0


def segment_clauses(cycle: Cycle, frame: Frame) -> list[Clause]:
    """The clauses of every segment, in the cycle's order."""
    out: list[Clause] = []
    for k, s in enumerate(cycle.segments):
        after = cycle.segments[k + 1] if k + 1 < len(cycle.segments) else None
        if s.kind == "hold":
            out += hold_clauses(s, frame)
        else:
            out += _rates(s, frame)
            if s.target_c is not None:
                out.append(_target(s, after, frame))
        out += _pressure(s, frame)
    return out


# ---- rates ----------------------------------------------------------------------------------------------------
def _rates(s: Segment, frame: Frame) -> list[Clause]:
    rising = s.kind == "heat"
    verb = "heats" if rising else "cools"
    whose = "the furnace" if s.rate_of == "control" else "the fastest work TC"
    window = s.rate_window_min or WINDOW_MIN
    out = []
    for relation, limit in (("max", s.rate_max_c_per_h), ("min", s.rate_min_c_per_h)):
        if limit is None:
            continue
        fastest = relation == "max" or s.rate_of == "work"
        name = f"{s.kind} {s.number} rate" if relation == "max" else f"{s.kind} {s.number} slowest rate"
        how = "no faster than" if relation == "max" else "no slower than"
        text = f"in segment {s.number} {whose} {verb} {how} the limit, over {window:g} min"

        def decide(
            view: View, name: str = name, text: str = text, relation: str = relation, limit: float = limit,
            fastest: bool = fastest,
        ) -> ClauseResult:  # fmt: skip
            interval = frame.phases.interval(s.number)
            if interval is None:
                return replace(
                    never_began(name, text, s.number), limit=limit, unit="c_per_h", asked=s.asked_rate_c_per_h
                )
            where = frame.samples(interval, view.t_s.size) & view.judged
            rows = view.control if s.rate_of == "control" else view.work
            series = rate(
                view, rows, 60.0 * window, where, rising=rising, fastest=fastest,
                above_c=s.rate_above_c, below_c=s.rate_below_c,
            )  # fmt: skip
            return decide_rate(view, name, text, relation, limit, series, where, frame, window, rows,
                               (s.rate_above_c, s.rate_below_c), s.number, s.asked_rate_c_per_h)  # fmt: skip

        out.append(Clause(name, decide))
    return out


def decide_rate(
    view: View, name: str, text: str, relation: str, limit: float, series: Series | None, where: Mask, frame: Frame,
    window_min: float, rows: list[int], binds: tuple[float | None, float | None], segment: int | None,
    asked: float | None,
) -> ClauseResult:  # fmt: skip
    """A rate against its limit where it binds; a limit whose temperature range was never entered is kept."""
    where = where & in_range(view, rows, binds)
    nothing = "a valid TC of the kind whose rate is limited"
    if rows:
        nothing = f"a stretch of {window_min / 2:g} min with valid readings to take the rate over"
    demand = Demand(
        name, text, "c_per_h", relation, limit, segment, asked, max(frame.blind_s, 60.0 * window_min), nothing
    )
    return compare(view, demand, series, where, frame.guard)


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


# ---- target ---------------------------------------------------------------------------------------------------
def _target(s: Segment, after: Segment | None, frame: Frame) -> Clause:
    """The furnace comes to the target; where a hold with a band follows, to the near edge of its band."""
    rising = s.kind == "heat"
    assert s.target_c is not None
    band = None if after is None or after.kind != "hold" else (after.band_low_c if rising else after.band_high_c)
    limit = s.target_c - (band or 0.0) if rising else s.target_c + (band or 0.0)
    name = f"{s.kind} {s.number} target"
    what = "every control TC comes to the target of segment"
    text = f"{what} {s.number}" + (" (the near edge of the band that follows)" if band else "")

    def decide(view: View) -> ClauseResult:
        interval = frame.phases.interval(s.number)
        if interval is None:
            return replace(never_began(name, text, s.number), limit=limit, unit="c", asked=s.target_c)
        base = ClauseResult(name, "kept", text, limit=limit, unit="c", segment=s.number, asked=s.target_c)
        series = extreme(view, view.control, hottest=not rising)
        # the segment ends where the reference arrived; a slower zone may arrive during the hold
        follows = frame.phases.interval(after.number) if after is not None else None
        where = frame.samples(interval, view.t_s.size) | frame.samples(
            follows if follows is not None and follows.kind == "hold" else None, view.t_s.size
        )
        where &= view.judged
        known = where & np.isfinite(series.value) if series is not None else where & False
        if series is None or not known.any():
            return replace(base, verdict="cannot be told", missing="a valid control TC")
        signed = np.where(known, series.value if rising else -series.value, -np.inf)
        arrived = signed >= (limit if rising else -limit)
        at = int(np.argmax(arrived)) if arrived.any() else int(np.argmax(signed))
        result = replace(
            base, value=float(series.value[at]), worst_s=float(view.t_s[at]), channel=series.who(at),
            uncertainty=series.uncertainty(at),
        )  # fmt: skip
        if arrived.any():
            return result
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
        text = f"the pressure in segment {s.number} stays {'below' if relation == 'max' else 'above'} the limit"

        def decide(
            view: View, name: str = name, text: str = text, relation: str = relation, limit: float = limit
        ) -> ClauseResult:
            interval = frame.phases.interval(s.number)
            if interval is None:
                return replace(never_began(name, text, s.number), limit=limit, unit="mbar")
            rows = view.trace.rows("pressure")
            demand = Demand(name, text, "mbar", relation, limit, s.number, None, frame.blind_s, "a pressure channel")
            series = extreme(view, rows, hottest=relation == "max")
            return compare(view, demand, series, frame.samples(interval, view.t_s.size) & view.judged, frame.guard)

        out.append(Clause(name, decide))
    return out
