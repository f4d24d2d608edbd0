"""The demands of a hold: its band's edges and its soak.

What a clause needs to know of a soak beside its minutes: who left the band, who came last, what stays open.

The minutes themselves are those of `trace.soak`: one definition for the parameter and for the clause.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from loadbook.analysis.trace.model import ClauseResult, Floats, Segment, Trace
from loadbook.analysis.trace.phases import Hold
from loadbook.analysis.trace.soak import Soak, came_in, soak
from loadbook.core.remarks import Remark, remark

from .check import Clause, Demand, Frame, Guard, beyond, compare, hidden, never_began, untold
from .series import Series, View, extreme


@dataclass(frozen=True)
class SoakSeen:
    """A soak with its story.

    found      the figures of `trace.soak`;  possible  minutes if every unseen stretch is counted as inside the band
    ends_min   minutes from the sample before the counted soak and to the one after it: it may have been in the band so
               much longer
    leavings   (moment, channel, temperature °C) each time the band was left while the hold went on
    unbroken   minutes from first coming in to the end, as if the band had not been left
    last       the channel that came into the band last, else ended the soak; or kept the load out of the band
    spare_min  how far the minutes move when the band is narrowed or widened by the sensors' uncertainty
    """

    found: Soak
    possible: float
    leavings: tuple[tuple[float, str, float], ...]
    last: str | None
    spare_min: float | None
    unbroken: float = 0.0
    ends_min: float = 0.0


def look(view: View, hold: Hold, rows: list[int], blind_s: float, guard_factor: float) -> SoakSeen:
    """The soak of some rows in one hold. blind_s: a longer stretch without enough valid readings is unseen."""
    trace = _enough(view, rows)
    until = int(np.searchsorted(view.t_s, view.until_s, side="right"))
    found = soak(trace, hold, until, rows)
    t, y = view.t_s[hold.start : hold.end], trace.values[rows, hold.start : hold.end]
    with np.errstate(invalid="ignore"):
        out = (y < hold.low_c) | (y > hold.high_c)
    seen: np.ndarray = np.asarray(np.isfinite(y).any(axis=0))
    beside = slice(max(hold.start - 1, 0), min(hold.end + 1, until))  # it may have begun or ended in a gap
    unseen = _unseen(view.t_s[beside], np.asarray(np.isfinite(trace.values[rows, beside]).any(axis=0)), blind_s)
    names = [view.trace.channels[r].name for r in rows]
    leavings: list[tuple[float, str, float]] = []
    inside: np.ndarray = np.asarray(seen & ~out.any(axis=0))
    if inside.any():
        left: np.ndarray = np.asarray(out.any(axis=0))
        turned = np.flatnonzero(left[1:] & inside[:-1]) + 1
        leavings = [(float(t[k]), names[int(np.argmax(out[:, k]))], float(y[np.argmax(out[:, k]), k])) for k in turned]
    margin = max((view.trace.channels[r].expanded_uncertainty_c or 0.0 for r in rows), default=0.0) * guard_factor
    spare = None
    if margin > 0.0:
        shifted = [soak(trace, _band(hold, sign * margin), until, rows) for sign in (-1.0, 1.0)]
        spare = max(abs(x.minutes - found.minutes) for x in shifted)
    most = soak(trace, hold, until, rows, bridged=True).minutes if found.unseen_minutes else found.minutes
    ends = _ends_min(view, found, until)
    possible = max(most, found.minutes + max(found.unseen_minutes, unseen)) + ends
    last = _last(view, trace, rows, names, hold, found, until)
    first = soak(trace, hold, until, rows, "end").start_s if leavings else found.start_s
    ended = soak(trace, hold, until, rows, "pause").end_s if leavings else found.end_s
    unbroken = (ended - first) / 60.0 if first is not None and ended is not None else found.minutes
    return SoakSeen(found, possible, tuple(leavings), last, spare, unbroken, ends)


def _ends_min(view: View, found: Soak, until: int) -> float:
    """Minutes between the counted soak and the samples beside it that are outside, where the chart has them."""
    if found.start_s is None or found.end_s is None:
        return 0.0
    before = found.start_s - view.t_s[found.first - 1] if found.first > 0 else 0.0
    after = view.t_s[found.last + 1] - found.end_s if found.last + 1 < until else 0.0
    return float(before + after) / 60.0


def _enough(view: View, rows: list[int]) -> Trace:
    """The trace, with work rows blank wherever fewer work TCs are valid than the cycle asks."""
    if rows != view.work or view.fewest_work <= 1:
        return view.trace
    few = view.count < view.fewest_work
    if not few.any():
        return view.trace
    values = view.trace.values.copy()
    values[np.ix_(np.array(rows), np.flatnonzero(few))] = np.nan
    return replace(view.trace, values=values)


def _band(hold: Hold, wider_c: float) -> Hold:
    low, high = hold.band_low_c + wider_c, hold.band_high_c + wider_c
    return replace(hold, band_low_c=max(low, 0.0), band_high_c=max(high, 0.0))


def _unseen(t: Floats, seen: np.ndarray, blind_s: float) -> float:
    """Minutes of the stretches longer than blind_s without enough valid readings."""
    if t.size == 0:
        return 0.0
    steps = np.diff(np.concatenate(([t[0]], t[seen], [t[-1]])))
    return float(steps[steps > blind_s].sum()) / 60.0


def _last(
    view: View, trace: Trace, rows: list[int], names: list[str], hold: Hold, found: Soak, until: int
) -> str | None:  # fmt: skip
    """The last channel outside before the counted soak; where none was, the first one outside after it. Of a load that
    was never in the band together: the channel that was outside longest."""
    y = trace.values[rows, :until]
    with np.errstate(invalid="ignore"):
        out = (y < hold.low_c) | (y > hold.high_c)
    some = out.any(axis=0)
    if found.start_s is None or found.end_s is None:
        some &= (np.arange(until) >= hold.start) & (np.arange(until) < hold.end)
        if not some.any():
            return None
        longest = out[:, some].sum(axis=1)  # who was outside longest; of several, at the moment all came nearest to it
        away = np.where((longest == longest.max())[:, None], np.fmax(hold.low_c - y, y - hold.high_c)[:, some], np.nan)
        nearest = int(np.nanargmin(np.fmax.reduce(away, axis=0)))
        return names[int(np.nanargmax(away[:, nearest]))]
    after = np.flatnonzero(some & (view.t_s[:until] > found.end_s))
    before = np.flatnonzero(some & (view.t_s[:until] < found.start_s))
    k = before[-1] if before.size else (after[0] if after.size else None)
    if k is None:
        return None
    return names[int(np.nanargmax(np.fmax(hold.low_c - y[:, k], y[:, k] - hold.high_c)))]


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


def soak_rows(s: Segment, view: View) -> list[int]:
    """Rows that must be in the band."""
    return view.control if s.soak_by == "furnace" else view.work


def _no_tc(s: Segment, **figures: float) -> Remark:
    return remark("no_tc_of_role", role="control" if s.soak_by == "furnace" else "work", **figures)


def _edge(s: Segment, frame: Frame, *, upper: bool) -> Clause:
    """Upper edge, and for holds without minutes the lower one: never beyond it during the hold."""
    assert s.target_c is not None
    name = f"hold {s.number} {'upper' if upper else 'lower'} edge"
    who = "control TC" if s.soak_by == "furnace" else "work TC"
    before = frame.phases.interval(s.number - 1)
    # the edge that the work comes in over binds each TC once it is in: the lower one after heating, the upper
    # one after cooling
    once_in = upper == (before is not None and before.kind == "cool")
    text = remark("hold_edge", segment=s.number, who=who, upper=upper, once_in=once_in)
    limit = s.target_c + (s.band_high_c or 0.0) if upper else s.target_c - (s.band_low_c or 0.0)

    def decide(view: View) -> ClauseResult:
        rows = soak_rows(s, view)
        interval = frame.phases.interval(s.number)
        if interval is None:
            return replace(never_began(name, text, s.number, frame), limit=limit, unit="c")
        where = frame.samples(interval, view.t_s.size) & view.judged
        demand = Demand(
            name, text, "c", "max" if upper else "min", limit, s.number, s.target_c, frame.blind_s, _no_tc(s)
        )
        if not once_in:
            return compare(view, demand, extreme(view, rows, hottest=upper), where, frame.guard)
        if rows:
            y = view.trace.values[rows]
            entered = _entered(view.t_s, y, limit, where, upper)
            inside = np.where(entered, y, np.nan)
            value = (np.fmax if upper else np.fmin).reduce(inside, axis=0)
            worst = np.nanargmax if upper else np.nanargmin
            names = [view.trace.channels[r].name for r in rows]
            known = [view.trace.channels[r].expanded_uncertainty_c for r in rows]
            series = Series(value, lambda i: names[int(worst(inside[:, i]))],
                            lambda i: known[int(worst(inside[:, i]))])  # fmt: skip
            where = where & entered.any(axis=0)
            if not where.any():
                return untold(demand.kept, "none_in_band")
            return compare(view, demand, series, where, frame.guard)
        return compare(view, demand, None, where, frame.guard)

    return Clause(name, decide)


def _entered(t: Floats, y: Floats, limit: float, where: np.ndarray, upper: bool) -> np.ndarray:
    """(rows, n) True from where each row has come in over its edge and stays, while `where` lasts."""
    entered = np.zeros(y.shape, dtype=bool)
    for row, values in zip(entered, y, strict=True):
        known = np.flatnonzero(where & np.isfinite(values))
        inside = ~beyond(values[known], limit, "max" if upper else "min")
        first = came_in(t[known], inside)
        if first is not None:
            row[known[first] :] = True
    return entered


def hold_soak(s: Segment, view: View, frame: Frame) -> SoakSeen | None:
    """The soak of a hold; None where the hold never began or the cycle states no band."""
    hold = frame.phases.hold_of(s.number)
    if s.band_low_c is None or s.band_high_c is None or hold is None:
        return None
    key = ("soak", s.number, s.soak_by)
    if key not in view.memo:
        view.memo[key] = look(view, hold, soak_rows(s, view), frame.blind_s, frame.guard.factor)
    seen: SoakSeen = view.memo[key]
    return seen


def soak_clause(s: Segment, frame: Frame, name: str, relation: str, limit: float) -> Clause:
    """Soak minutes against their least (or most): the moment of a short soak is the one at which it ended."""
    who = "every control TC" if s.soak_by == "furnace" else "every valid work TC"
    text = remark("soak", segment=s.number, who=who, relation=relation, on_leaving=s.on_leaving)

    def decide(view: View) -> ClauseResult:
        base = ClauseResult(name, "kept", text, limit=limit, unit="min", segment=s.number, asked=s.minutes)
        rows = soak_rows(s, view)
        if s.target_c is None or s.band_low_c is None or s.band_high_c is None:
            return untold(base, "band_not_in_cycle")
        if not rows or not np.isfinite(view.trace.values[rows]).any():
            furnace = hold_soak(replace(s, soak_by="furnace"), view, frame)
            alone = {} if furnace is None else {"furnace_min": furnace.found.minutes}
            return replace(base, verdict="cannot be told", missing=_no_tc(s, **alone))
        seen = hold_soak(s, view, frame)
        if seen is None:
            if relation == "max":
                return never_began(name, text, s.number, frame)
            if frame.cut_off(None, s.number) and not frame.facts.stopped:
                return untold(base, "ends_before_hold")
            if hidden(view, frame, s.number, max(60.0 * limit, frame.blind_s)):
                return untold(base, "not_recorded")
            end_s = float(view.t_s[view.judged][-1])
            return replace(base, verdict="broken", value=0.0, first_s=end_s, worst_s=end_s)
        found = seen.found
        result = replace(
            base, value=found.minutes, worst_s=found.end_s, channel=seen.last, uncertainty=seen.spare_min
        )  # fmt: skip
        between = seen.possible <= found.minutes + seen.ends_min
        steps = {"seen_min": found.minutes, "most_min": seen.possible} if between else {}
        unseen = untold(result, "between_samples" if between else "not_recorded", **steps)
        goes_on = untold(result, "ends_in_hold")
        cut_off = frame.cut_off(frame.phases.interval(s.number), s.number)
        if relation == "max":
            if beyond(found.minutes, limit, "max"):
                # the moment at which it had been long enough, where it was not left in between
                straight = found.start_s is not None and found.stretches <= 1 and not found.unseen_minutes
                first = found.start_s + 60.0 * limit if straight and found.start_s is not None else found.end_s
                return _turns(replace(result, verdict="broken", first_s=first), frame.guard)
            if cut_off:
                return goes_on
            return unseen if beyond(seen.possible, limit, "max") else _turns(result, frame.guard)
        if not beyond(found.minutes, limit, "min"):
            return _turns(result, frame.guard)
        if not beyond(seen.possible, limit, "min"):
            return unseen
        if cut_off and not frame.facts.stopped:
            return goes_on
        end = found.end_s if found.end_s is not None else _hold_end(s, frame, view)
        first, channel = end, seen.last
        # what cut it short: the first leaving, if without any it had been long enough, else the one that ended it
        blamed = [x for x in seen.leavings if seen.unbroken >= limit or x[0] >= end]
        if blamed:
            first, channel = blamed[0][0], blamed[0][1]
        return _turns(replace(result, verdict="broken", first_s=first, worst_s=end, channel=channel), frame.guard)

    return Clause(name, decide)


def _turns(result: ClauseResult, guard: Guard) -> ClauseResult:
    """Would the soak have ended otherwise with the band narrowed or widened by the sensors' uncertainty?"""
    if result.uncertainty is None or result.value is None or result.limit is None:
        return result
    if abs(result.value - result.limit) > result.uncertainty:
        return result
    result = replace(result, uncertain=True)
    return untold(result, "could_turn", verdict=result.verdict) if guard.decides else result


def _hold_end(s: Segment, frame: Frame, view: View) -> float:
    interval = frame.phases.interval(s.number)
    return float(view.t_s[interval.end - 1]) if interval is not None and interval.end else frame.phases.until_s
