"""The demands of a hold: its band's edges and its soak."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from .clausecheck import Clause, Demand, Frame, Guard, cannot, compare, never_began
from .clauseseries import Series, View, extreme
from .clausesoak import SoakSeen, look
from .model import ClauseResult, Segment


def hold_clauses(s: Segment, frame: Frame) -> list[Clause]:
    out = []
    if s.band_high_c is not None and s.target_c is not None:
        out.append(_edge(s, frame, upper=True))
    if s.band_low_c is not None and s.target_c is not None and not s.minutes:
        out.append(_edge(s, frame, upper=False))
    if s.minutes:
        out.append(soak_clause(s, frame, f"soak {s.number}", "min", s.minutes))
    if s.minutes_max is not None:
        out.append(soak_clause(s, frame, f"soak {s.number} at most", "max", s.minutes_max))
    return out


def soak_rows(s: Segment, view: View) -> tuple[list[int], str]:
    """Rows that must be in the band, and what they are called."""
    return (view.control, "control TC") if s.soak_by == "furnace" else (view.work, "valid work TC")


def _edge(s: Segment, frame: Frame, *, upper: bool) -> Clause:
    """Upper edge, and for holds without minutes the lower one: never beyond it during the hold."""
    assert s.target_c is not None
    name = f"hold {s.number} {'upper' if upper else 'lower'} edge"
    who = "control TC" if s.soak_by == "furnace" else "work TC"
    before = frame.phases.interval(s.number - 1)
    # the edge that the work comes in over binds each TC once it is in: the lower one after heating, the upper
    # one after cooling
    once_in = upper == (before is not None and before.kind == "cool")
    text = (
        f"{'once in the band of' if once_in else 'during'} hold {s.number} no {who} "
        f"{'goes above' if upper else 'falls below'} {'it' if once_in else 'the band'}"
    )
    limit = s.target_c + (s.band_high_c or 0.0) if upper else s.target_c - (s.band_low_c or 0.0)

    def decide(view: View) -> ClauseResult:
        rows, kind = soak_rows(s, view)
        interval = frame.phases.interval(s.number)
        if interval is None:
            return replace(never_began(name, text, s.number), limit=limit, unit="c")
        where = frame.samples(interval, view.t_s.size) & view.judged
        demand = Demand(
            name, text, "c", "max" if upper else "min", limit, s.number, s.target_c, frame.blind_s, f"a {kind}"
        )
        if not once_in:
            return compare(view, demand, extreme(view, rows, hottest=upper), where, frame.guard)
        if rows:
            y = view.trace.values[rows]
            with np.errstate(invalid="ignore"):
                entered = np.logical_or.accumulate(((y <= limit) if upper else (y >= limit)) & where, axis=1)
            inside = np.where(entered, y, np.nan)
            value = (np.fmax if upper else np.fmin).reduce(inside, axis=0)
            worst = np.nanargmax if upper else np.nanargmin
            names = [view.trace.channels[r].name for r in rows]
            known = [view.trace.channels[r].expanded_uncertainty_c for r in rows]
            series = Series(value, lambda i: names[int(worst(inside[:, i]))],
                            lambda i: known[int(worst(inside[:, i]))])  # fmt: skip
            where = where & entered.any(axis=0)
            if not where.any():
                return replace(
                    cannot(name, text, "a TC that came into the band", segment=s.number), limit=limit, unit="c"
                )
            return compare(view, demand, series, where, frame.guard)
        return compare(view, demand, None, where, frame.guard)

    return Clause(name, decide)


def hold_soak(s: Segment, view: View, frame: Frame) -> SoakSeen | None:
    """The soak of a hold; None where the hold never began or the cycle states no band."""
    hold = frame.phases.hold_of(s.number)
    if s.band_low_c is None or s.band_high_c is None or hold is None:
        return None
    key = ("soak", s.number, s.soak_by)
    if key not in view.memo:
        view.memo[key] = look(view, hold, soak_rows(s, view)[0], frame.blind_s, frame.guard.factor)
    seen: SoakSeen = view.memo[key]
    return seen


def soak_clause(s: Segment, frame: Frame, name: str, relation: str, limit: float) -> Clause:
    """Soak minutes against their least (or most): the moment of a short soak is the one at which it ended."""
    who = "every control TC" if s.soak_by == "furnace" else "every valid work TC"
    count = {"restart": "leaving it starts the count again", "pause": "leaving it pauses the count",
             "end": "leaving it ends the count"}[s.on_leaving]  # fmt: skip
    most = "at least" if relation == "min" else "at most"
    text = f"{who} stays inside the band of hold {s.number} for {most} the minutes asked; {count}"

    def decide(view: View) -> ClauseResult:
        base = ClauseResult(name, "kept", text, limit=limit, unit="min", segment=s.number, asked=s.minutes)
        rows, kind = soak_rows(s, view)
        if s.target_c is None or s.band_low_c is None or s.band_high_c is None:
            return replace(base, verdict="cannot be told", missing="a band stated by the cycle (band_low, band_high)")
        if not rows or not np.isfinite(view.trace.values[rows]).any():
            return replace(base, verdict="cannot be told", missing=f"a {kind}{_furnace_soak(s, view, frame)}")
        seen = hold_soak(s, view, frame)
        if seen is None:
            if relation == "max":
                return never_began(name, text, s.number)
            end_s = float(view.t_s[view.judged][-1])
            return replace(base, verdict="broken", value=0.0, first_s=end_s, worst_s=end_s)
        found = seen.found
        result = replace(
            base, value=found.minutes, worst_s=found.end_s, channel=seen.last, uncertainty=seen.spare_min
        )  # fmt: skip
        unseen = replace(result, verdict="cannot be told", missing="what happened while nothing was recorded")
        if relation == "max":
            if found.minutes > limit:
                end = found.end_s
                return _turns(replace(result, verdict="broken", first_s=end), frame.guard)
            return unseen if seen.possible > limit else _turns(result, frame.guard)
        if found.minutes >= limit:
            return _turns(result, frame.guard)
        if seen.possible >= limit:
            return unseen
        end = found.end_s if found.end_s is not None else _hold_end(s, frame, view)
        first, channel = end, seen.last
        if seen.leavings:  # what cut it short is the first time the band was left
            first, channel = seen.leavings[0][0], seen.leavings[0][1]
        return _turns(replace(result, verdict="broken", first_s=first, worst_s=end, channel=channel), frame.guard)

    return Clause(name, decide)


def _turns(result: ClauseResult, guard: Guard) -> ClauseResult:
    """Would the soak have ended otherwise with the band narrowed or widened by the sensors' uncertainty?"""
    if result.uncertainty is None or result.value is None or result.limit is None:
        return result
    if abs(result.value - result.limit) > result.uncertainty:
        return result
    if not guard.decides:
        return replace(result, uncertain=True)
    missing = f"{result.verdict} by the reading alone; the uncertainty could turn it"
    return replace(result, verdict="cannot be told", uncertain=True, missing=missing)


def _hold_end(s: Segment, frame: Frame, view: View) -> float:
    interval = frame.phases.interval(s.number)
    return float(view.t_s[interval.end - 1]) if interval is not None and interval.end else frame.phases.until_s


def _furnace_soak(s: Segment, view: View, frame: Frame) -> str:
    found = hold_soak(replace(s, soak_by="furnace"), view, frame)
    return f" (the furnace alone was in the band for {found.found.minutes:.0f} min)" if found is not None else ""
