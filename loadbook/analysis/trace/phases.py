"""When each segment of the cycle happened in the trace: heating, holds and cooling, and where judging ends.

The furnace's own temperature is followed (the *reference*): the median of the valid control TCs; without one, the
median of the valid work TCs; without these, of the over-temperature TCs. A hold starts at the first sample at which
the reference is inside the hold's band, and ends where the reference (or the setpoint, where recorded) last left
the hold's level for the next segment: an excursion in between belongs to the hold. Moments are those of samples.

Finding segments in one temperature: along a cycle's segments, or from the trace alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from loadbook.analysis.quantiles import median_of, middle

from .model import Cycle, Floats, Segment, Trace
from .rates import rates_of
from .validity import Corrected, Mask, interval_s, picked

DEFAULT_BAND_C = 5.0  # half-width of a hold's band where the cycle states none
STEADY_C_PER_H = 12.0  # without a cycle: slower than this is steady
STEADY_MIN_S = 900.0  # ... for at least this long
STEADY_ABOVE_C = 40.0  # ... and this far above the coldest sample (a cooled load is not a hold)
SAME_LEVEL_C = 6.0  # two steady stretches nearer than this, with little between, are one hold
SETPOINT_C = 1.0  # the setpoint stands at a target when it is this near


@dataclass(frozen=True)
class Found:
    """Samples start..end-1 of one segment (None: a move between two holds that no segment names)."""

    segment: int | None
    kind: Literal["heat", "hold", "cool"]
    start: int
    end: int
    leave: int = 0
    target_c: float | None = None
    reached: bool = True


def _first(condition: np.ndarray, start: int) -> int | None:
    """First index at or after start where a condition holds."""
    if start >= condition.size:
        return None
    k = int(np.argmax(condition[start:]))
    return start + k if condition[start + k] else None


def _edge(target_c: float, rising: bool, hold: Segment | None) -> float:
    """The level at which a move to a target is done: the near edge of the hold that follows, else the target."""
    if hold is None:
        return target_c
    width = hold.band_low_c if rising else hold.band_high_c
    width = DEFAULT_BAND_C if width is None else width
    return target_c - width if rising else target_c + width


def _targets(segments: Sequence[Segment]) -> list[float | None]:
    """Each segment's target; a hold without one holds the target before it."""
    out: list[float | None] = []
    before: float | None = None
    for s in segments:
        target = s.target_c if s.target_c is not None or s.kind != "hold" else before
        out.append(target)
        before = target if target is not None else before
    return out


def follow_cycle(t_s: Floats, level: Floats, setpoint: Floats | None, segments: Sequence[Segment]) -> list[Found]:
    """The cycle's segments in order, each beginning where the one before ended.

    level     (n,) the furnace's temperature without missing samples;  setpoint  (n,) or None
    Returns   one Found per segment that began. A target that never came ends at the nearest approach when the run
              went on (the temperature turned back by more than the band), else at the last sample; a last move counts
              as reached within 5 °C.
    """
    n = level.size
    targets = _targets(segments)
    found: list[Found] = []
    at = 0
    for k, s in enumerate(segments):
        if at >= n:
            break
        target = targets[k]
        if s.kind == "hold":
            at = _hold(t_s, level, setpoint, segments, targets, k, at, found)
            continue
        after = segments[k + 1] if k + 1 < len(segments) and segments[k + 1].kind == "hold" else None
        if target is None:
            end, reached = n, True
        else:
            end, reached = _move(level, target, s.kind == "heat", after, segments, k, at)
        found.append(Found(s.number, s.kind, at, end, target_c=target, reached=reached))
        at = end
    return _to_the_end(level, found)


def _to_the_end(level: Floats, found: list[Found]) -> list[Found]:
    """What the run did after its last segment: a last move goes on, a last hold is followed by an unnamed move."""
    n = level.size
    if found and found[-1].end < n:
        last = found[-1]
        if last.kind == "hold":
            kind: Literal["heat", "cool"] = "heat" if level[-1] > level[last.end] else "cool"
            found.append(Found(None, kind, last.end, n))
        else:
            found[-1] = replace(last, end=n)
    return found


def _move(
    level: Floats,
    target: float,
    rising: bool,
    after: Segment | None,
    segments: Sequence[Segment],
    k: int,
    at: int,
) -> tuple[int, bool]:
    """One past the last sample of a heating or cooling move, and whether its target came."""
    edge = _edge(target, rising, after)
    reach = _first(level >= edge if rising else level <= edge, at)
    if reach is not None:
        return reach, True
    rest = level[at:]
    nearest = at + int(np.argmax(rest) if rising else np.argmin(rest))
    turned_back = abs(level[nearest] - level[-1]) > 2.0 * DEFAULT_BAND_C
    goes_on = any(s.kind != "hold" for s in segments[k + 1 :])
    if turned_back and goes_on:
        return nearest + 1, False
    return level.size, after is None and bool(abs(level[nearest] - target) <= DEFAULT_BAND_C)


def _hold(
    t_s: Floats,
    level: Floats,
    setpoint: Floats | None,
    segments: Sequence[Segment],
    targets: Sequence[float | None],
    k: int,
    at: int,
    found: list[Found],
) -> int:
    """Adds the hold (and an unnamed move to it, where needed); gives the sample at which it ended."""
    s, target, n = segments[k], targets[k], level.size
    if target is None:
        target = float(np.median(level[at:]))
    low = target - (DEFAULT_BAND_C if s.band_low_c is None else s.band_low_c)
    high = target + (DEFAULT_BAND_C if s.band_high_c is None else s.band_high_c)
    if found and not found[-1].reached and found[-1].kind != "hold":
        return at  # the move to it never arrived: the hold never began
    inside = (level >= low) & (level <= high)
    limit = _next_reached(level, segments, targets, k, at, low, high)
    entry = _first(inside, at)
    if entry is None or entry >= limit:
        return at  # passed over between two samples, or never in the band
    if entry > at:
        if found and found[-1].kind != "hold" and found[-1].segment is not None:
            found[-1] = replace(found[-1], end=entry)  # shot past the band and came back: still the move
        else:
            found.append(Found(None, "heat" if level[entry] >= level[at] else "cool", at, entry))
    follower = k + 1
    if follower < len(segments) and segments[follower].kind == "hold" and targets[follower] in (None, target):
        minutes = s.minutes if s.minutes is not None else 0.0
        end = max(int(np.searchsorted(t_s, t_s[entry] + 60.0 * minutes, side="left")), entry)
        end = min(end, n)
        found.append(Found(s.number, "hold", entry, end, end, target))
        return end
    within = np.flatnonzero(inside[entry:limit])
    leave = entry + int(within[-1]) + 1
    if leave >= n:
        found.append(Found(s.number, "hold", entry, n, n, target))
        return n
    end = _departure(level, setpoint, target, entry, leave)
    found.append(Found(s.number, "hold", entry, end, leave, target))
    return end


def _next_reached(
    level: Floats,
    segments: Sequence[Segment],
    targets: Sequence[float | None],
    k: int,
    at: int,
    low: float,
    high: float,
) -> int:
    """One past the last sample that can still belong to hold k: where the next other target is first reached."""
    for j in range(k + 1, len(segments)):
        target = targets[j]
        if target is None or target == targets[k]:
            continue
        rising = segments[j].kind == "heat" or (segments[j].kind == "hold" and target > (targets[k] or target))
        after = segments[j + 1] if j + 1 < len(segments) and segments[j + 1].kind == "hold" else None
        if segments[j].kind == "hold":
            after = segments[j]
        edge = _edge(target, rising, after)
        reach = _first(level >= edge if rising else level <= edge, at)
        if reach is not None:
            return reach
        # the next target never came: where the run turned back, unless it never got out of this hold's band
        turn = at + int(np.argmax(level[at:]) if rising else np.argmin(level[at:]))
        return turn + 1 if (level[turn] > high if rising else level[turn] < low) else level.size
    return level.size


def _departure(level: Floats, setpoint: Floats | None, target: float, entry: int, leave: int) -> int:
    """One past the last sample at the hold's own level, before the way out of the band.

    By the setpoint where it stood at the target; else the last sample still on the hold's side of its median by no
    more than three robust deviations (at least 0.5 °C).
    """
    if setpoint is not None:
        asked = setpoint[entry:leave]
        near = np.abs(asked - target) <= SETPOINT_C
        if near.sum() < 0.5 * asked.size:  # set a little off the cycle's target: where it stood, not where it passed by
            near = np.abs(asked - np.nanmedian(asked)) <= SETPOINT_C
        standing = np.flatnonzero(near)
        if standing.size:
            return entry + int(standing[-1]) + 1
    held = level[entry:leave]
    usual = middle(held)
    scatter = 1.4826 * middle(np.abs(held - usual))
    margin = max(3.0 * min(scatter, 2.0), 0.5)
    upward = leave < level.size and level[leave] > usual
    still = held <= usual + margin if upward else held >= usual - margin
    last = np.flatnonzero(still)
    return entry + int(last[-1]) + 1 if last.size else leave


def steady_stretches(t_s: Floats, level: Floats) -> list[Found]:
    """Heating, holds and cooling from the temperature alone (a run without a cycle).

    A hold: slower than 12 °C/h for 15 min or more, 40 °C or more above the coldest sample. What lies between holds
    is heating up to its hottest and cooling down to its coldest sample. Numbered from 1 in order.
    """
    n = level.size
    step = float(np.median(np.diff(t_s)))
    window = max(900.0, 10.0 * step)
    slope = rates_of(t_s, level[None, :], window).slope[0]
    steady = np.abs(np.where(np.isfinite(slope), slope, np.inf)) < STEADY_C_PER_H
    steady &= level > float(level.min()) + STEADY_ABOVE_C
    edges = np.flatnonzero(np.diff(np.concatenate(([0], steady.view(np.int8), [0]))))
    runs = [(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]
    joined: list[tuple[int, int]] = []
    for a, b in runs:
        if joined:
            c, d = joined[-1]
            same = abs(float(np.median(level[a:b])) - float(np.median(level[c:d]))) < SAME_LEVEL_C
            if same and t_s[a] - t_s[d - 1] < max(3600.0, 2.0 * (t_s[d - 1] - t_s[c])):
                joined[-1] = (c, b)
                continue
        joined.append((a, b))
    holds = [(a, b) for a, b in joined if t_s[b - 1] - t_s[a] >= STEADY_MIN_S]
    out: list[Found] = []
    before = 0
    for a, b in [*holds, (n, n)]:
        if a > before:
            out.extend(_moves(level, before, a))
        if b > a:
            usual = float(np.median(level[a:b]))
            near = np.flatnonzero(np.abs(level[:b] - usual) <= DEFAULT_BAND_C)
            near = near[near >= before]
            start = int(near[0]) if near.size and near[0] <= a else a
            out = [f if f.end <= start else Found(None, f.kind, f.start, start, target_c=f.target_c) for f in out]
            out = [f for f in out if f.end > f.start]
            rest = np.flatnonzero(np.abs(level[b:] - usual) > DEFAULT_BAND_C)
            leave = b + int(rest[0]) if rest.size else n
            out.append(Found(None, "hold", start, b, leave, round(usual, 1)))
        before = b
    return [Found(i, f.kind, f.start, f.end, f.leave, f.target_c) for i, f in enumerate(out, start=1)]


def _moves(level: Floats, start: int, end: int) -> list[Found]:
    """The heating and cooling between two holds: split at the extreme that lies beyond both ends, if any does."""
    part = level[start:end]
    first, last = float(part[0]), float(part[-1])
    top, bottom = int(np.argmax(part)), int(np.argmin(part))
    margin = 2.0 * DEFAULT_BAND_C
    if part[top] > max(first, last) + margin:
        turn, kinds = top, ("heat", "cool")
    elif part[bottom] < min(first, last) - margin:
        turn, kinds = bottom, ("cool", "heat")
    else:
        kind: Literal["heat", "cool"] = "heat" if last >= first else "cool"
        return [Found(None, kind, start, end, target_c=last)]
    cut = start + turn + 1
    one: Literal["heat", "cool"] = "heat" if kinds[0] == "heat" else "cool"
    two: Literal["heat", "cool"] = "heat" if kinds[1] == "heat" else "cool"
    both = [
        Found(None, one, start, cut, target_c=float(part[turn])),
        Found(None, two, cut, end, target_c=last),
    ]
    return [f for f in both if f.end > f.start]


ENDING_EVENTS = ("door opened", "thermocouples unplugged")
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
    on_leaving: Literal["restart", "pause", "end"] = "restart"
    soak_by: Literal["work", "furnace"] = "work"
    purpose: str | None = None

    @property
    def low_c(self) -> float:
        """Lower edge of the band [°C]."""
        return self.target_c - self.band_low_c

    @property
    def high_c(self) -> float:
        """Upper edge of the band [°C]."""
        return self.target_c + self.band_high_c


@dataclass(frozen=True)
class Phases:
    """The run in phases. Masks are over all n samples of the trace, False after judging ends.

    until_s      judging ends: door opened or thermocouples unplugged, else the last sample;  until  samples up to there
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

    @property
    def judged_until_s(self) -> float:
        """Seconds from the trace's start at which judging ends."""
        return self.until_s

    @property
    def main_hold(self) -> Hold | None:
        """The hold that the run is for: the hottest target, of equal ones the longest. None without a hold."""
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
    """The moment judging ends [s] and the event that ends it (None: the trace simply ends)."""
    last = float(trace.t_s[-1]) if trace.t_s.size else 0.0
    for event in sorted(trace.events, key=lambda e: e.t_s):
        if event.event.strip().casefold() in ENDING_EVENTS and event.t_s <= last:
            return max(float(event.t_s), 0.0), event.event
    return last, None


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
    return _phases(trace, found, segments, until, until_s, ended_by, followed, role, automatic)


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
            hold = replace(hold, minutes_asked=s.minutes, on_leaving=s.on_leaving, soak_by=s.soak_by, purpose=s.purpose)
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
