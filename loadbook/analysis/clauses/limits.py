"""The demands that a cycle's limits make: spread, lead, over-temperature, start, events, atmosphere, thermocouples.

Limits that follow from the thickest section of the load.

The figures are the user's, from whatever rule the shop works to; rounding, cap, floor and knee are always stated,
never implied. An edition of a code states US or metric figures: they are entered as printed, not converted.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from loadbook.analysis.parameters.holds import LEAK_EVENTS
from loadbook.analysis.quantiles import median_of
from loadbook.analysis.trace.follow import STEADY_C_PER_H
from loadbook.analysis.trace.model import ClauseResult, Cycle, Limit, PieceRecord
from loadbook.analysis.trace.rates import line
from loadbook.analysis.trace.validity import picked
from loadbook.core.errors import CalculationError
from loadbook.core.remarks import Remark, remark

from .check import Clause, Demand, Frame, beyond, compare, never_began, untold
from .recorded import furnace_uniformity, gas, surface
from .segments import WINDOW_MIN, beyond_steps, decide_rate, in_range
from .series import (
    Mask,
    Series,
    Settling,
    View,
    difference,
    extreme,
    fewest,
    rate,
    spread,
    spread_distance,
    spread_piece,
)  # fmt: skip
from .soak import soak_clause
from .timed import from_then_on, not_begun, pressure_to_cool, time_in_range


@dataclass(frozen=True)
class Resolved:
    """A limit's value for one load: value is None where it cannot be told, missing says why.

    thickness_mm, part   the thickest section and whose it is, where a rule asked for it
    """

    value: float | None
    missing: Remark | None = None
    thickness_mm: float | None = None
    part: str | None = None


def steps(thickness_mm: float, per_mm: float, rounding: str) -> float:
    """How many times `per_mm` a thickness counts.

    rounding  'proportion', or 'fraction' ("per inch or fraction thereof": rounded up)

    >>> steps(1.25 * 25.4, 25.4, "proportion"), steps(1.25 * 25.4, 25.4, "fraction")
    (1.25, 2.0)
    """
    if thickness_mm <= 0 or per_mm <= 0:
        raise CalculationError("a thickness rule needs a thickness above zero")
    ratio = round(thickness_mm / per_mm, 9)  # 2 in is 2.000000000 times 25.4 mm, not a hair more
    return float(math.ceil(ratio)) if rounding == "fraction" else ratio


def rule_value(limit: Limit, thickness_mm: float) -> float:
    """The limit's value for one thickness.

    'rate/thickness'   value / steps, never above cap, never below floor
    'time*thickness'   value * steps up to knee_mm, then value_beyond for each further step; at least floor
    Raises CalculationError for another rule, or a rule without per_mm.

    >>> rule = Limit(1, "heating_rate", "max", 400.0, rule="rate/thickness", per_mm=25.4, cap=400.0, floor=100.0)
    >>> [round(rule_value(rule, inches * 25.4), 2) for inches in (0.5, 1.25, 3.0, 6.0)]
    [400.0, 320.0, 133.33, 100.0]
    """
    if limit.rule is None:
        return limit.value
    if limit.per_mm is None:
        raise CalculationError(f"the rule {limit.rule!r} does not say per which thickness")
    if limit.rule == "rate/thickness":
        value = limit.value / steps(thickness_mm, limit.per_mm, limit.rounding)
    elif limit.rule == "time*thickness":
        value = _time(limit, thickness_mm, limit.per_mm)
    else:
        raise CalculationError(f"there is no rule {limit.rule!r}")
    if limit.cap is not None:
        value = min(value, limit.cap)
    if limit.floor is not None:
        value = max(value, limit.floor)
    return value


def _time(limit: Limit, thickness_mm: float, per_mm: float) -> float:
    if limit.knee_mm is None or limit.value_beyond is None or thickness_mm <= limit.knee_mm:
        return limit.value * steps(thickness_mm, per_mm, limit.rounding)
    beyond = steps(thickness_mm - limit.knee_mm, per_mm, limit.rounding)
    return limit.value * steps(limit.knee_mm, per_mm, limit.rounding) + limit.value_beyond * beyond


def thickest(pieces: Sequence[PieceRecord]) -> tuple[float, str] | None:
    """(section_thick_mm, part) of the thickest piece; None where any piece's section is not recorded."""
    known = [(p.section_thick_mm, p.part) for p in pieces if p.section_thick_mm is not None]
    if not pieces or len(known) < len(pieces):
        return None
    return max(known)


def resolve(limit: Limit, pieces: Sequence[PieceRecord]) -> Resolved:
    """The value that a limit has for this load."""
    if limit.rule is None:
        return Resolved(limit.value)
    if not pieces:
        return Resolved(None, remark("no_piece"))
    thick = thickest(pieces)
    if thick is None:
        unknown = sorted({p.part for p in pieces if p.section_thick_mm is None})
        return Resolved(None, remark("section_not_known", parts=unknown))
    return Resolved(rule_value(limit, thick[0]), None, thick[0], thick[1])


_WHILE = {"heating": " while heating", "hold": " during holds", "cooling": " while cooling", "start": "", "any": ""}
SCOPE = {"load": "", "piece": " of a piece", "distance": " within a distance"}
LEAK_BEGAN, LEAK_ENDED = LEAK_EVENTS
BEGINNING = ("spread", "lead", "over_temperature", "pressure", "dew_point", "oxygen")  # those that may say from when
UNITS = {
    "spread": "c_diff", "lead": "c_diff", "over_temperature": "c", "start_control": "c", "start_work": "c",
    "heating_rate": "c_per_h", "cooling_rate": "c_per_h", "heating_rate_work": "c_per_h",
    "cooling_rate_work": "c_per_h", "event_work": "c", "pressure": "mbar", "leak_rate": "mbar_per_h",
    "dew_point": "c", "oxygen": "", "work_tcs": "",
    "gap": "s", "soak": "min", "time_in_range": "min", "place_tcs": "", "pressure_to_cool": "mbar",
    "furnace_uniformity": "c_diff", "gas": "", "surface": "",
}  # fmt: skip


def limit_clauses(cycle: Cycle, pieces: Sequence[PieceRecord], frame: Frame) -> list[Clause]:
    """One clause per limit of the cycle, in its order."""
    return [_clause(cycle, limit, resolve(limit, pieces), frame) for limit in cycle.limits]


def _clause(cycle: Cycle, limit: Limit, resolved: Resolved, frame: Frame) -> Clause:
    name, text = name_of(limit), said(limit, resolved)
    decide = _DECIDE.get(limit.quantity)
    unit = UNITS.get(limit.quantity, "")

    def decided(view: View) -> ClauseResult:
        if resolved.value is None:
            return ClauseResult(
                name, "cannot be told", text, unit=unit, segment=limit.segment, missing=resolved.missing
            )
        if limit.segment is not None and frame.phases.interval(limit.segment) is None and limit.quantity != "soak":
            return replace(never_began(name, text, limit.segment, frame), limit=resolved.value, unit=unit)
        if limit.quantity == "soak":
            segment = next(s for s in cycle.segments if s.number == limit.segment)
            return soak_clause(segment, frame, name, limit.relation, resolved.value).decide(view)
        if decide is None:
            return untold(ClauseResult(name, "kept", text, unit=unit), "no_way_to_check", quantity=limit.quantity)
        demand = Demand(name, text, unit, limit.relation, resolved.value, limit.segment, None, frame.blind_s)
        return replace(decide(view, limit, demand, frame), above_c=limit.above_c, below_c=limit.below_c)

    return Clause(name, decided)


def name_of(limit: Limit) -> str:
    """The short name of a limit's clause, the same in every unit."""
    q, when = limit.quantity, _WHILE[limit.phase]
    where = f" in segment {limit.segment}" if limit.segment is not None else when
    if begins(limit):
        where += f" from {limit.event}"
    if q in ("heating_rate", "cooling_rate", "heating_rate_work", "cooling_rate_work"):
        slow = "slowest " if limit.relation == "min" else ""
        tail = f" in segment {limit.segment}" if limit.segment is not None else ""
        return f"{slow}{q.replace('_work', ' of work').replace('_', ' ')}{tail}"
    names = {
        "spread": f"spread{SCOPE[limit.scope]}{where}", "lead": f"lead{where}", "event_work": limit.event or "event",
        "start_control": "start temperature of the furnace", "start_work": "start temperature of the work",
        "place_tcs": f"TCs at '{limit.event}'{where}", "time_in_range": f"time in range{where}",
        "pressure_to_cool": f"pressure to cool{where}", "furnace_uniformity": "furnace class", "gas": "gas",
        "surface": "surface", "work_tcs": f"work TCs{where}", "gap": "longest gap", "leak_rate": "leak-up",
        "soak": f"soak {limit.segment} by section", "over_temperature": f"over-temperature{where}",
    }  # fmt: skip
    return names.get(q, f"{q.replace('_', ' ')}{where}")


def said(limit: Limit, resolved: Resolved) -> Remark:
    """A limit's clause as a sentence: what its words are made from."""
    return remark(
        "limit", quantity=limit.quantity, relation=limit.relation, phase=limit.phase, segment=limit.segment,
        scope=limit.scope, distance_mm=limit.distance_mm, event=limit.event, begins=begins(limit),
        above_c=limit.above_c, below_c=limit.below_c, window_min=limit.window_min or WINDOW_MIN,
        thickness_mm=resolved.thickness_mm,
    )  # fmt: skip


# ---- where a limit binds ----------------------------------------------------------------------------------------
def binding(view: View, limit: Limit, frame: Frame, *, ranged: bool = True) -> Mask:
    """Judged samples of the limit's phase, segment and temperature range (of the control TCs), from its moment on."""
    where = view.judged.copy()
    if limit.segment is not None:
        where &= frame.samples(frame.phases.interval(limit.segment), view.t_s.size)
    elif limit.phase in ("heating", "hold", "cooling"):
        where &= frame.phases.mask(limit.phase)
    if ranged and (limit.above_c is not None or limit.below_c is not None):
        where &= in_range(view, view.control or view.work, (limit.above_c, limit.below_c))
    if begins(limit):
        where &= from_then_on(view, limit, frame)
    return where


def begins(limit: Limit) -> bool:
    """Does the limit bind from a moment on (its soak's start, or an event)?"""
    return limit.event is not None and limit.quantity in BEGINNING


def _never(limit: Limit, view: View, frame: Frame) -> bool:
    """Did the limit's phase never come?"""
    phase = limit.segment is None and limit.phase in ("heating", "hold", "cooling")
    return phase and not (frame.phases.mask(limit.phase) & view.judged).any()


def _simple(
    make: Callable[[View, Limit, Frame], Series | None], nothing: str, **figures: str
) -> Callable[..., ClauseResult]:
    """A limit on a series over the samples where it binds; nothing, figures: what is missing without the series."""

    def decide(view: View, limit: Limit, demand: Demand, frame: Frame) -> ClauseResult:
        if _never(limit, view, frame):
            return untold(demand.kept, "never_came_to_phase", phase=limit.phase)
        where = binding(view, limit, frame)
        demand = replace(demand, nothing=remark(nothing, **figures))
        found = compare(view, demand, make(view, limit, frame), where, frame.guard)
        missing = not_begun(view, limit, frame) if begins(limit) and found.verdict == "kept" else None
        return replace(found, verdict="cannot be told", missing=missing) if missing else found

    return decide


def spread_of(view: View, limit: Limit, frame: Frame) -> Series | None:
    """The spread that a limit is about: over the load, within a piece, or within a distance."""
    if limit.scope == "piece":
        return spread_piece(view)
    if limit.scope == "distance":
        return spread_distance(view, limit.distance_mm or 0.0)
    return spread(view)


def lead_of(view: View, limit: Limit, frame: Frame) -> Series | None:
    """Heating and holds: hottest control - coldest work; cooling: hottest work - coldest control."""
    ahead = difference(view, view.control, view.work)
    behind = difference(view, view.work, view.control)
    if ahead is None or behind is None:
        return None
    cooling = frame.phases.mask("cooling")
    return Series(
        np.where(cooling, behind.value, ahead.value),
        lambda i: behind.who(i) if cooling[i] else ahead.who(i),
        lambda i: behind.uncertainty(i) if cooling[i] else ahead.uncertainty(i),
    )


def _any_tc(view: View, limit: Limit, frame: Frame) -> Series | None:
    return extreme(view, view.control + view.rows("over-temperature") + view.work, limit.relation == "max")


def _channel(role: str) -> Callable[[View, Limit, Frame], Series | None]:
    return lambda view, limit, frame: extreme(view, view.trace.rows(role), limit.relation == "max")


def _time_in_range(view: View, limit: Limit, demand: Demand, frame: Frame) -> ClauseResult:
    return time_in_range(view, limit, demand, frame, binding(view, limit, frame, ranged=False))


def _at_place(view: View, limit: Limit, demand: Demand, frame: Frame) -> ClauseResult:
    """Valid work TCs whose place holds the words; with none there, an unrecorded place leaves it open."""
    words_ = (limit.event or "").casefold()
    channels = view.trace.channels
    rows = [r for r in view.work if words_ in (channels[r].place or "").casefold()]
    unknown = [channels[r].name for r in view.work if not channels[r].place]
    if not rows and unknown:
        return untold(demand.kept, "place_not_recorded", channels=unknown)
    count = np.isfinite(view.trace.values[rows]).sum(axis=0) if rows else np.zeros(view.t_s.size)

    def who(i: int) -> str:
        return ", ".join(channels[r].name for r in rows if not np.isfinite(view.trace.values[r, i]))

    return compare(view, demand, Series(count.astype(float), who), binding(view, limit, frame), frame.guard)


def _rate(view: View, limit: Limit, demand: Demand, frame: Frame) -> ClauseResult:
    if _never(limit, view, frame):
        return untold(demand.kept, "never_came_to_phase", phase=limit.phase)
    of_work = limit.quantity.endswith("_work")
    rows = view.work if of_work else view.control
    # the furnace's own rate binds by each control TC's own temperature; a work TC's by the furnace's
    where = binding(view, limit, frame, ranged=of_work)
    binds = (None, None) if of_work else (limit.above_c, limit.below_c)

    def by(window: float, text: Remark) -> ClauseResult:
        series = rate(
            view, rows, 60.0 * window, where, rising=limit.quantity.startswith("heating"),
            fastest=limit.relation == "max" or of_work, above_c=binds[0], below_c=binds[1],
            settling=Settling(demand.limit, "min") if limit.relation == "min" else None,
        )  # fmt: skip
        return decide_rate(view, demand.clause, text, limit.relation, demand.limit, series, where, frame, window,
                           rows, binds, limit.segment, None)  # fmt: skip

    return beyond_steps(view, limit.window_min, demand.limit, demand.text, by)


def _start(view: View, limit: Limit, demand: Demand, frame: Frame) -> ClauseResult:
    """The first sample at which a TC of the kind is valid; it must come within the blind time."""
    rows = view.control if limit.quantity == "start_control" else view.work
    series = extreme(view, rows, limit.relation == "max")
    where = np.zeros(view.t_s.size, dtype=bool)
    if series is not None:
        early = view.judged & np.isfinite(series.value) & (view.t_s <= view.t_s[0] + frame.blind_s)
        if early.any():
            where[int(np.argmax(early))] = True
    if not where.any():
        role = "control" if limit.quantity == "start_control" else "work"
        return untold(demand.kept, "no_tc_at_start", role=role)
    found = compare(view, demand, series, where, frame.guard)
    if found.verdict == "kept" or not _on_its_way(view, demand.limit):
        return found
    return untold(found, "begins_while_heating")


def _on_its_way(view: View, limit_c: float) -> bool:
    """Do furnace and work both stand above a start temperature at the first sample, and rise at once, the furnace
    ahead? Then the recorder was switched on late; a hot furnace that is loaded cold, or waits, is not."""
    late = view.t_s <= view.t_s[0] + 60.0 * WINDOW_MIN
    if not view.control or not view.work:
        return False
    furnace, work = (median_of(picked(view.trace.values, rows))[late] for rows in (view.control, view.work))
    if not np.isfinite(furnace).any() or not np.isfinite(work).any():
        return False
    above = all(y[np.isfinite(y)][0] > limit_c for y in (furnace, work))
    return (
        above
        and np.nanmedian(furnace) > np.nanmedian(work)
        and all(line(view.t_s[late], y)[0] > STEADY_C_PER_H for y in (furnace, work))
    )


def _event(view: View, limit: Limit, demand: Demand, frame: Frame) -> ClauseResult:
    """The hottest valid work TC at the last sample at or before each event of that name."""
    wanted = (limit.event or "").strip().casefold()
    first = view.t_s[0] if view.t_s.size else 0.0
    moments = [e.t_s for e in view.trace.events if e.event.strip().casefold() == wanted and e.t_s >= first]
    where = np.zeros(view.t_s.size, dtype=bool)
    series = extreme(view, view.work, limit.relation == "max")
    if not moments:
        return untold(demand.kept, "no_event", event=limit.event)
    for at in moments:
        k = int(np.searchsorted(view.t_s, at, side="right")) - 1
        while series is not None and k >= 0 and not np.isfinite(series.value[k]):
            k -= 1
        after = at > view.t_s[-1] + 2.0 * view.step_s  # the chart had ended: only that it was cool enough is seen
        seen = series is not None and k >= 0 and at - view.t_s[k] <= frame.blind_s
        if series is None or not seen or (after and series.value[k] > demand.limit):
            return untold(demand.kept, "no_tc_at_event", blind_min=frame.blind_s / 60.0, event=limit.event)
        where[k] = True
    return replace(compare(view, demand, series, where, frame.guard), lasted_s=None)


def _leak(view: View, limit: Limit, demand: Demand, frame: Frame) -> ClauseResult:
    """Least-squares rise of the pressure between the events 'leak-up started' and 'leak-up ended'; the worst."""
    begun = [e.t_s for e in view.trace.events if e.event.strip().casefold() == LEAK_BEGAN]
    ended = [e.t_s for e in view.trace.events if e.event.strip().casefold() == LEAK_ENDED]
    rows = view.trace.rows("pressure")
    if not rows:
        return untold(demand.kept, "no_channel", quantity="pressure")
    worst: tuple[float, float, float, float, str] | None = None
    for start in begun:
        end = min((e for e in ended if e > start), default=None)
        if end is None:
            continue
        inside = (view.t_s >= start) & (view.t_s <= end)
        for row in rows:
            slope, se = line(view.t_s[inside], view.trace.values[row, inside])
            if np.isfinite(slope) and (worst is None or slope > worst[0]):
                worst = (slope, se, start, end, view.trace.channels[row].name)
    if worst is None:
        return untold(demand.kept, "no_leak_events", began=LEAK_BEGAN, ended=LEAK_ENDED)
    value, se, start, end, name = worst
    result = replace(demand.kept, value=value, worst_s=end, channel=name, uncertainty=2.0 * se)
    if beyond(value, demand.limit, "max"):
        result = replace(result, verdict="broken", first_s=start, lasted_s=end - start)
    return replace(result, uncertain=abs(value - demand.limit) <= 2.0 * se * frame.guard.factor)


def _gap(view: View, limit: Limit, demand: Demand, frame: Frame) -> ClauseResult:
    """The longest time between two samples at which any thermocouple was read."""
    seen = view.judged & np.isfinite(view.trace.values[view.control + view.work]).any(axis=0)
    t = view.t_s[seen]
    if t.size < 2:
        return untold(demand.kept, "no_two_samples")
    steps = np.diff(t)
    k = int(np.argmax(steps))
    result = replace(demand.kept, value=float(steps[k]), worst_s=float(t[k]))
    over = beyond(steps, demand.limit, "max")
    if not over.any():
        return result
    first = float(t[int(np.argmax(over))])
    return replace(result, verdict="broken", first_s=first, lasted_s=float(steps[over].sum()))


_DECIDE: dict[str, Callable[..., ClauseResult]] = {
    "spread": _simple(spread_of, "no_two_work_tcs"),
    "lead": _simple(lead_of, "no_control_with_work"),
    "over_temperature": _simple(_any_tc, "no_tc"),
    "pressure": _simple(_channel("pressure"), "no_channel", quantity="pressure"),
    "dew_point": _simple(_channel("dew point"), "no_channel", quantity="dew point"),
    "oxygen": _simple(_channel("oxygen"), "no_channel", quantity="oxygen"),
    "work_tcs": _simple(lambda view, limit, frame: fewest(view), "no_sample"),
    "heating_rate": _rate, "cooling_rate": _rate, "heating_rate_work": _rate, "cooling_rate_work": _rate,
    "time_in_range": _time_in_range, "place_tcs": _at_place, "pressure_to_cool": pressure_to_cool,
    "furnace_uniformity": furnace_uniformity, "gas": gas, "surface": surface,
    "start_control": _start, "start_work": _start, "event_work": _event, "leak_rate": _leak, "gap": _gap,
}  # fmt: skip
