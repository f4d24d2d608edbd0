"""When each segment of the cycle happened in the trace: heating, holds and cooling, and where judging ends.

The furnace's own temperature is followed (the *reference*): the median of the valid control TCs; without one, the
median of the valid work TCs; without these, of the over-temperature TCs. A hold starts at the first sample at which
the reference is inside the hold's band, and ends where the reference (or the setpoint, where recorded) last left
the hold's level for the next segment: an excursion in between belongs to the hold. A move to a target ends where the
program goes on: where the reference comes to the target, or where it turns for the next target the other way. It is no
matter where the last control TC arrives. Moments are those of samples.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from itertools import pairwise
from typing import Literal

import numpy as np

from loadbook.analysis.quantiles import median_of

from .follow import Found, first_at, follow_cycle, steady_stretches
from .model import DEFAULT_BAND_C, HAIR_C, Cycle, Event, Floats, Segment, Trace
from .validity import Corrected, Mask, hottest_coldest, interval_s, picked

LOADING_C, HEATED_C = 30.0, 100.0  # a door is opened to load before the load got this much hotter, and then that much
ENDING_EVENTS = ("door opened", "thermocouples unplugged")
CLOSED = ("door closed", "door shut")
SHUT_AND_ON_S = 1800.0
Kind = Literal["heat", "hold", "cool"]


@dataclass(frozen=True)
class Interval:
    """One segment as it happened: samples start..end-1, from start_s to end_s (the start of what followed).

    reached   False where the segment's target never came (the interval then ends at the nearest approach)
    """

    segment: int
    kind: Kind
    start: int
    end: int
    start_s: float
    end_s: float
    target_c: float | None = None
    reached: bool = True


@dataclass(frozen=True)
class Hold:
    """A hold as it happened, by the furnace's reference temperature.

    start     first sample inside the band;  end  one past the last sample before the reference left for what followed
    leave     one past the last sample inside the band (at or after end: the fall out of the band takes time)
    band_stated  False where the cycle gives no band and the default half-width was used
    """

    segment: int
    target_c: float
    band_low_c: float
    band_high_c: float
    band_stated: bool
    start: int
    end: int
    leave: int
    start_s: float
    end_s: float
    minutes_asked: float | None = None
    on_leaving: Literal["restart", "pause", "end", "through"] = "through"
    soak_by: Literal["work", "furnace"] = "work"
    purpose: str | None = None

    @property
    def low_c(self) -> float:
        """Lower edge of the band [°C]; a reading at the edge is inside."""
        return self.target_c - self.band_low_c - HAIR_C

    @property
    def high_c(self) -> float:
        """Upper edge of the band [°C]; a reading at the edge is inside."""
        return self.target_c + self.band_high_c + HAIR_C


@dataclass(frozen=True)
class Phases:
    """The run in phases. Masks are over all n samples of the trace, False after judging ends.

    until_s      judging ends: door opened or thermocouples unplugged, else the last sample;  until  samples up to there
    ended_by     the event that ended it; None where the chart simply ends: what came after is not known
    main         number of the segment that the cycle is for; None without a cycle, or without a hold in it
    reference_c  (n,) what was followed;  reference_is  'control', 'work', 'over-temperature' or 'none'
    missing      numbers of the cycle's segments that never began
    automatic    True where there was no cycle to follow
    """

    intervals: tuple[Interval, ...]
    holds: tuple[Hold, ...]
    heating: Mask
    hold: Mask
    cooling: Mask
    until_s: float
    until: int
    ended_by: str | None
    reference_c: Floats
    reference_is: Literal["control", "work", "over-temperature", "none"]
    missing: tuple[int, ...] = ()
    automatic: bool = False
    main: int | None = None

    @property
    def judged_until_s(self) -> float:
        """Seconds from the trace's start at which judging ends."""
        return self.until_s

    @cached_property
    def main_hold(self) -> Hold | None:
        """The hold that the run is for: the cycle's hottest target, of equal ones the longest; None where the run never
        came to it. Without a cycle the hottest that was held."""
        if not self.automatic:
            return None if self.main is None else self.hold_of(self.main)
        if not self.holds:
            return None
        return max(self.holds, key=lambda h: (h.target_c, h.end_s - h.start_s))

    def interval(self, segment: int) -> Interval | None:
        """What happened of one segment, by its number."""
        return next((i for i in self.intervals if i.segment == segment), None)

    def hold_of(self, segment: int) -> Hold | None:
        """One hold by its segment's number."""
        return next((h for h in self.holds if h.segment == segment), None)

    def mask(self, phase: str) -> Mask:
        """Samples of a limit's phase: 'start' (first sample), 'heating', 'hold', 'cooling' or 'any' (all judged)."""
        if phase in ("heating", "hold", "cooling"):
            found: Mask = {"heating": self.heating, "hold": self.hold, "cooling": self.cooling}[phase]
            return found
        judged: Mask = np.arange(self.heating.size) < self.until
        if phase == "start":
            judged = judged & (np.arange(self.heating.size) == 0)
        return judged


def judging_ends(trace: Trace) -> tuple[float, str | None]:
    """The moment judging ends [s] and the event that ends it (None: the trace simply ends). A door opened to load ends
    nothing, nor does one that was closed again while the chart went on."""
    last = float(trace.t_s[-1]) if trace.t_s.size else 0.0
    begins = loaded_until(trace)
    for event in sorted(trace.events, key=lambda e: e.t_s):
        name = event.event.strip().casefold()
        if name in ENDING_EVENTS and begins < event.t_s <= last and not _closed_again(trace, event, last):
            return float(event.t_s), event.event
    return last, None


def _closed_again(trace: Trace, event: Event, last_s: float) -> bool:
    """Was this door closed again, before it was opened the next time, with half an hour of the chart still to come?"""
    if event.event.strip().casefold() != "door opened" or last_s - event.t_s < SHUT_AND_ON_S:
        return False
    later = sorted((e for e in trace.events if e.t_s >= event.t_s and e is not event), key=lambda e: e.t_s)
    doors = [e.event.strip().casefold() for e in later if e.event.strip().casefold() in ("door opened", *CLOSED)]
    return bool(doors) and doors[0] in CLOSED


def loaded_until(trace: Trace) -> float:
    """The moment [s] up to which a door is opened to load: the load (without work TCs the furnace) is not yet 30 °C
    hotter than at its start, and gets 100 °C hotter or more. -1 where it does not: a door then ends the run whenever it
    is opened."""
    rows = [i for i in trace.rows("work") if trace.channels[i].quantity == "temperature"]
    level = hottest_coldest(trace, rows)[0] if rows else reference(trace)[0]
    known = level[np.isfinite(level)]
    if not known.size or known.max() < known[0] + HEATED_C:
        return -1.0
    with np.errstate(invalid="ignore"):
        return float(trace.t_s[int(np.argmax(level > known[0] + LOADING_C))])


def reference(trace: Trace) -> tuple[Floats, Literal["control", "work", "over-temperature", "none"]]:
    """The temperature that tells the phases apart (n,), and which role it came from."""
    roles: tuple[Literal["control", "work", "over-temperature"], ...] = ("control", "work", "over-temperature")
    for role in roles:
        rows = [i for i in trace.rows(role) if trace.channels[i].quantity == "temperature"]
        if rows:
            found = median_of(picked(trace.values, rows))
            if np.isfinite(found).sum() >= 3:
                return found, role
    return np.full(trace.t_s.size, np.nan), "none"


def _filled(values: Floats) -> Floats:
    """Missing samples filled straight across, ends held, single spikes taken out by a median of three."""
    ok = np.flatnonzero(np.isfinite(values))
    whole = np.interp(np.arange(values.size), ok, values[ok]) if ok.size < values.size else values.copy()
    if whole.size < 3:
        return np.asarray(whole, dtype=float)
    a, b, c = whole[:-2], whole[1:-1], whole[2:]
    middle = np.maximum(np.minimum(a, b), np.minimum(np.maximum(a, b), c))
    return np.concatenate((whole[:1], middle, whole[-1:]))


def find_phases(trace: Trace, cycle: Cycle | None = None) -> Phases:
    """The segments, holds and masks of a run.

    trace     prepared (invalid samples NaN)
    cycle     None, or one without segments: heating, holds and cooling are found from the trace alone
    Returns   Phases; with no usable temperature it has no intervals, never an error
    """
    n = trace.t_s.size
    until_s, ended_by = judging_ends(trace)
    until = int(np.searchsorted(trace.t_s, until_s, side="right"))
    followed, role = reference(trace)
    nothing = np.zeros(n, dtype=bool)
    if role == "none" or until < 2:
        numbers = tuple(s.number for s in cycle.segments) if cycle else ()
        blank = (nothing, nothing.copy(), nothing.copy())
        return Phases((), (), *blank, until_s, until, ended_by, followed, role, numbers, not numbers)
    t_s, level = trace.t_s[:until], _filled(followed[:until])
    automatic = cycle is None or not cycle.segments
    if cycle is None or automatic:
        found, segments = steady_stretches(t_s, level), {}
    else:
        found = follow_cycle(t_s, level, _setpoint(trace, until), cycle.segments)
        segments = {s.number: s for s in cycle.segments}
        found = _part_by_soak(trace, found, segments)
    found_phases = _phases(trace, found, segments, until, until_s, ended_by, followed, role, automatic)
    main = cycle.main_hold if cycle else None
    return replace(found_phases, main=main[0].number) if main else found_phases


def _part_by_soak(trace: Trace, found: list[Found], segments: dict[int, Segment]) -> list[Found]:
    """Holds that follow one another at one temperature: the first lasts until its soak was done, where it was done."""
    out = list(found)
    holds = [i for i, f in enumerate(out) if f.kind == "hold"]
    for a, b in pairwise(holds):
        first, second = out[a], out[b]
        between = out[a + 1 : b]
        if first.target_c != second.target_c or any(f.end > f.start for f in between) or first.segment is None:
            continue
        s = segments[first.segment]
        rows = [i for i, c in enumerate(trace.channels) if c.quantity == "temperature"
                and c.role == ("work" if s.soak_by == "work" else "control")]  # fmt: skip
        if not rows or not s.minutes or first.target_c is None:
            continue
        low, high = s.edges(first.target_c)
        hot, cold = hottest_coldest(trace, rows)
        t = trace.t_s[first.start : second.end]
        with np.errstate(invalid="ignore"):
            outside = ~((cold >= low) & (hot <= high))[first.start : second.end]
        since = np.maximum.accumulate(np.where(outside, t, t[0]))  # the last moment outside
        done = first_at(~outside & (t - since >= 60.0 * s.minutes), 0)
        if done is None or first.start + done <= first.end:
            continue
        cut = first.start + done
        out[a] = replace(first, end=cut, leave=max(first.leave, cut))
        out[b] = replace(second, start=cut)
        out[a + 1 : b] = [replace(f, start=cut, end=cut) for f in between]
    return out


def _setpoint(trace: Trace, until: int) -> Floats | None:
    """The setpoint up to where judging ends, if there is one usable setpoint channel."""
    rows = trace.rows("setpoint")
    if len(rows) != 1:
        return None
    values = trace.values[rows[0], :until]
    return _filled(values) if np.isfinite(values).mean() > 0.9 else None


def _phases(
    trace: Trace,
    found: list[Found],
    segments: dict[int, Segment],
    until: int,
    until_s: float,
    ended_by: str | None,
    followed: Floats,
    role: Literal["control", "work", "over-temperature", "none"],
    automatic: bool,
) -> Phases:
    n = trace.t_s.size
    masks: dict[str, Mask] = {k: np.zeros(n, dtype=bool) for k in ("heat", "hold", "cool")}
    intervals: list[Interval] = []
    holds: list[Hold] = []
    for one in found:
        masks[one.kind][one.start : one.end] = True
        end_s = float(trace.t_s[one.end]) if one.end < until else until_s
        if one.segment is None:
            continue
        start_s = float(trace.t_s[min(one.start, n - 1)])
        intervals.append(
            Interval(one.segment, one.kind, one.start, one.end, start_s, max(end_s, start_s), one.target_c, one.reached)
        )
        if one.kind != "hold" or one.target_c is None or not one.reached:
            continue
        s = segments.get(one.segment)
        low = s.band_low_c if s and s.band_low_c is not None else DEFAULT_BAND_C
        high = s.band_high_c if s and s.band_high_c is not None else DEFAULT_BAND_C
        stated = bool(s and s.band_low_c is not None and s.band_high_c is not None)
        last_s = float(trace.t_s[one.end - 1]) if one.end > one.start else start_s
        samples = (one.start, one.end, max(one.leave, one.end))
        hold = Hold(one.segment, one.target_c, low, high, stated, *samples, start_s, last_s)
        if s:
            rule = s.on_leaving if stated or s.on_leaving != "restart" else hold.on_leaving
            hold = replace(hold, minutes_asked=s.minutes, on_leaving=rule, soak_by=s.soak_by, purpose=s.purpose)
        holds.append(hold)
    seen = {i.segment for i in intervals}
    missing = tuple(number for number in segments if number not in seen)
    return Phases(
        tuple(intervals), tuple(holds), masks["heat"], masks["hold"], masks["cool"], until_s, until, ended_by, followed,
        role, missing, automatic,
    )  # fmt: skip


def gap_limit_s(trace: Trace, window_s: float = 900.0) -> float:
    """The longest time between two samples that still counts as seen: a third of the window, or three intervals
    where the recorder is slower than that."""
    memo = trace.memo if isinstance(trace, Corrected) else {}
    if "interval" not in memo:
        memo["interval"] = interval_s(trace.t_s)
    usual = float(memo["interval"])
    return max(window_s / 3.0, 3.0 * usual) if np.isfinite(usual) else window_s / 3.0
