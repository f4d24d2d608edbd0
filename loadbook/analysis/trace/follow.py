"""Finding segments in one temperature: along a cycle's segments, or from the trace alone."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from loadbook.analysis.quantiles import MAD_TO_SD, middle

from .model import DEFAULT_BAND_C, Floats, Segment
from .rates import line, rates_of

STEADY_C_PER_H = 12.0  # without a cycle: slower than this is steady
STEADY_MIN_S = 900.0  # ... for at least this long
STEADY_ABOVE_C = 40.0  # ... and this far above the coldest sample (a cooled load is not a hold)
AT_REST_C = 1.5  # a half of a stay that drifts by less is at rest
EXCURSION_C = 25.0  # ... and what lies between them nearer than this
SAME_LEVEL_C = 6.0  # two steady stretches nearer than this, with little between, are one hold
SETPOINT_C = 1.0  # the setpoint stands at a target when it is this near
OVERSHOOT_S = 1800.0  # shorter than this beyond a hold, and back in it, is an overshoot of the controller
TURN_C = 1.0  # a turn lasts as long as the temperature is this near to its extreme


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


def first_at(condition: np.ndarray, start: int) -> int | None:
    """First index at or after start where a condition holds."""
    if start >= condition.size:
        return None
    k = int(np.argmax(condition[start:]))
    return start + k if condition[start + k] else None


def _edge(target_c: float, rising: bool, hold: Segment | None) -> float:
    """The level at which a move to a target is done: the near edge of the hold that follows, else the target."""
    return target_c if hold is None else hold.edges(target_c)[0 if rising else 1]


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
            end, reached = _move(level, target, s.kind == "heat", after, segments, targets, k, at)
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
    targets: Sequence[float | None],
    k: int,
    at: int,
) -> tuple[int, bool]:
    """One past the last sample of a heating or cooling move, and whether its target came."""
    edge = _edge(target, rising, after)
    reach = first_at(level >= edge if rising else level <= edge, at)
    back = _back_again(level, rising, segments, targets, k, at)
    if reach is not None and (back is None or reach < back):
        return _turn(level, rising, segments, targets, k, reach), True
    if back is not None:  # it turned for the next target the other way before it came to this one
        rest = level[at:back]
        return at + int(np.argmax(rest) if rising else np.argmin(rest)) + 1, False
    rest = level[at:]
    nearest = at + int(np.argmax(rest) if rising else np.argmin(rest))
    turned_back = abs(level[nearest] - level[-1]) > 2.0 * DEFAULT_BAND_C
    goes_on = any(s.kind != "hold" for s in segments[k + 1 :])
    if turned_back and goes_on:
        return nearest + 1, False
    return level.size, after is None and bool(abs(level[nearest] - target) <= DEFAULT_BAND_C)


def _back_again(
    level: Floats, rising: bool, segments: Sequence[Segment], targets: Sequence[float | None], k: int, at: int
) -> int | None:  # fmt: skip
    """Where the next segment goes the other way: the sample at which its target came, once that had been left."""
    follower = segments[k + 1] if k + 1 < len(segments) else None
    target = targets[k + 1] if follower is not None else None
    if follower is None or target is None or follower.kind != ("cool" if rising else "heat"):
        return None
    hold = segments[k + 2] if k + 2 < len(segments) and segments[k + 2].kind == "hold" else None
    edge = _edge(target, not rising, hold)
    away = 2.0 * DEFAULT_BAND_C
    left = first_at(level > edge + away if rising else level < edge - away, at)
    return None if left is None else first_at(level <= edge if rising else level >= edge, left)


def _turn(
    level: Floats,
    rising: bool,
    segments: Sequence[Segment],
    targets: Sequence[float | None],
    k: int,
    reach: int,
) -> int:
    """One past the last sample of a move whose target came: where it turns, if the next segment goes the other way."""
    follower = segments[k + 1] if k + 1 < len(segments) else None
    if follower is None or follower.kind != ("cool" if rising else "heat"):
        return reach
    target, after = targets[k + 1], segments[k + 2] if k + 2 < len(segments) else None
    back = None if target is None else _edge(target, not rising, after if after and after.kind == "hold" else None)
    until = None if back is None else first_at(level <= back if rising else level >= back, reach)
    part = level[reach:until]
    still = part >= part.max() - TURN_C if rising else part <= part.min() + TURN_C
    return reach + int(np.flatnonzero(still)[-1]) + 1 if part.size else reach


def _level_kept(segments: Sequence[Segment], targets: Sequence[float | None], k: int) -> bool:
    """Is what follows hold k (past moves to where it is already) another hold of the same temperature?"""
    for j in range(k + 1, len(segments)):
        same = targets[j] == targets[k] or (segments[j].kind == "hold" and targets[j] is None)
        if segments[j].kind == "hold" or not same:
            return same and segments[j].kind == "hold"
    return False


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
    low, high = s.edges(target)
    if found and not found[-1].reached and found[-1].kind != "hold":
        return at  # the move to it never arrived: the hold never began
    inside = (level >= low) & (level <= high)
    limit = _next_reached(t_s, level, segments, targets, k, at, low, high)
    entry = first_at(inside, at)
    if entry is None or entry >= limit:
        return at  # passed over between two samples, or never in the band
    if entry > at:
        if found and found[-1].kind != "hold" and found[-1].segment is not None:
            found[-1] = replace(found[-1], end=entry)  # shot past the band and came back: still the move
        else:
            found.append(Found(None, "heat" if level[entry] >= level[at] else "cool", at, entry))
    if _level_kept(segments, targets, k):
        minutes = s.minutes if s.minutes is not None else 0.0
        end = max(int(np.searchsorted(t_s, t_s[entry] + 60.0 * minutes, side="left")), entry)
        end = min(end, n)
        found.append(Found(s.number, "hold", entry, end, end, target))
        return end
    within = np.flatnonzero(inside[entry:limit])
    leave = entry + int(within[-1]) + 1
    if leave >= n or _still_on(t_s, level, setpoint, segments[k + 1 :], target, leave, limit, (low, high)):
        found.append(Found(s.number, "hold", entry, n, n, target))
        return n
    end = _departure(level, setpoint, target, entry, leave)
    found.append(Found(s.number, "hold", entry, end, leave, target))
    return end


def _still_on(
    t_s: Floats, level: Floats, setpoint: Floats | None, rest: Sequence[Segment], target: float, leave: int, limit: int,
    band: tuple[float, float],
) -> bool:  # fmt: skip
    """Is a hold still on though its band was left and not entered again? Nothing later came, and: the furnace left for
    the other side than the next move's; or the setpoint stands at the target; or, without one, it stayed by the band's
    edge for longer than any way out of it takes."""
    if limit < level.size:
        return False
    follows = next((s.kind for s in rest if s.kind != "hold"), None)
    if (follows == "cool" and level[-1] > band[1]) or (follows == "heat" and 0.0 < band[0] - level[-1] <= EXCURSION_C):
        return True
    if setpoint is not None and np.isfinite(setpoint[-1]):
        return bool(abs(setpoint[-1] - target) <= SETPOINT_C)
    out = level[leave:]
    near = out.min() >= band[0] - DEFAULT_BAND_C and out.max() <= band[1] + DEFAULT_BAND_C
    return bool(near and t_s[-1] - t_s[leave] >= STEADY_MIN_S)


def _next_reached(
    t_s: Floats,
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
        here, back = targets[k], targets[j + 1] if j + 1 < len(segments) else None
        if here is not None:
            half = 0.5 * (here + target)
            edge = max(edge, half) if rising else min(edge, half)
            if back is not None and segments[j + 1].kind == ("cool" if rising else "heat"):
                edge = half  # there and back again: half the way there is no excursion of this hold
        beyond = level >= edge if rising else level <= edge
        inside = (level >= low) & (level <= high)
        reach = first_at(beyond, at)
        while reach is not None:
            came = first_at(inside & ~beyond, reach)
            again = None if came is None or t_s[came] - t_s[reach] >= OVERSHOOT_S else first_at(beyond, came)
            if again is None or (level[reach:again] < low if rising else level[reach:again] > high).any():
                return reach
            reach = again  # it shot over into the next band, came back, and went there later
        # the next target never came: where the run turned back, unless it never got away from this hold's band
        turn = at + int(np.argmax(level[at:]) if rising else np.argmin(level[at:]))
        away = level[turn] > high + DEFAULT_BAND_C if rising else level[turn] < low - DEFAULT_BAND_C
        return turn + 1 if away else level.size
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
    scatter = MAD_TO_SD * middle(np.abs(held - usual))
    margin = max(3.0 * min(scatter, 2.0), 0.5)
    upward = leave < level.size and level[leave] > usual
    still = held <= usual + margin if upward else held >= usual - margin
    last = np.flatnonzero(still)
    return entry + int(last[-1]) + 1 if last.size else leave


def steady_stretches(t_s: Floats, level: Floats) -> list[Found]:
    """Heating, holds and cooling from the temperature alone (a run without a cycle).

    A hold is a plateau: slower than 12 °C/h, 40 °C or more above the coldest sample, for 15 min or more within 5 °C of
    the level at which it spent the most time, and going nowhere meanwhile: drifting by less than 5 °C, or at rest in
    one half of it (a slow controlled cooling is steady and no hold). Short excursions of less than 25 °C belong to it.
    What lies between holds is heating up to its hottest and cooling down to its coldest sample. Numbered from 1.
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
    for a, b in _parted_by_noise(t_s, level, runs):
        if t_s[b - 1] - t_s[a] < STEADY_MIN_S / 3.0:
            continue  # a turn
        if joined:
            c, d = joined[-1]
            usual = float(np.median(level[c:d]))
            same = abs(float(np.median(level[a:b])) - usual) < SAME_LEVEL_C
            gone = float(np.abs(level[d:a] - usual).max(initial=0.0))
            if same and gone < EXCURSION_C and t_s[a] - t_s[d - 1] < max(3600.0, 2.0 * (t_s[d - 1] - t_s[c])):
                joined[-1] = (c, b)
                continue
        joined.append((a, b))
    holds = sorted(hold for a, b in joined for hold in _plateaus(t_s, level, a, b))
    out: list[Found] = []
    before = 0
    for a, b in [*holds, (n, n)]:
        if a > before:
            out.extend(_moves(level, before, a))
        if b > a:
            usual = float(np.median(level[a:b]))
            outside = np.flatnonzero(np.abs(level[before:a] - usual) > DEFAULT_BAND_C)
            start = before + int(outside[-1]) + 1 if outside.size else before
            out = [f if f.end <= start else Found(None, f.kind, f.start, start, target_c=f.target_c) for f in out]
            out = [f for f in out if f.end > f.start]
            rest = np.flatnonzero(np.abs(level[b:] - usual) > DEFAULT_BAND_C)
            leave = b + int(rest[0]) if rest.size else n
            out.append(Found(None, "hold", start, b, leave, round(usual, 1)))
        before = b
    return [Found(i, f.kind, f.start, f.end, f.leave, f.target_c) for i, f in enumerate(out, start=1)]


def _parted_by_noise(t_s: Floats, level: Floats, runs: list[tuple[int, int]]) -> list[tuple[int, int]]:
    """Steady runs with those made one that lie less than a quarter of an hour and no excursion apart: noise parts a
    slow move into pieces that are each steady by chance."""
    out: list[tuple[int, int]] = []
    for a, b in runs:
        if out:
            c, d = out[-1]
            if t_s[a] - t_s[d - 1] < STEADY_MIN_S and np.abs(level[d : a + 1] - level[d - 1]).max() < EXCURSION_C:
                out[-1] = (c, b)
                continue
        out.append((a, b))
    return out


def _plateaus(t_s: Floats, level: Floats, start: int, end: int) -> list[tuple[int, int]]:
    """The holds among steady samples start..end-1: the longest stay near one level, then those before and after it."""
    out = []
    left = [(start, end)]
    while left:
        start, end = left.pop()
        if end - start < 3 or t_s[end - 1] - t_s[start] < STEADY_MIN_S:
            continue
        part = level[start:end]
        lasts = np.diff(t_s[start:end], append=t_s[end - 1])
        order = np.argsort(part)
        ranked, time = part[order], np.concatenate(([0.0], np.cumsum(lasts[order])))
        last = np.searchsorted(ranked, ranked + 2.0 * DEFAULT_BAND_C, side="right")
        best = int((time[last] - time[:-1]).argmax())
        usual = float(np.median(ranked[best : last[best]]))
        first, stop = _longest_stay(t_s[start:end], np.abs(part - usual))
        a, b = start + first, start + stop
        if not _flat(t_s[a:b], level[a:b]):
            continue  # a slow move: shorter pieces of it would be no holds either
        out.append((a, _departure(level, None, usual, a, b)))
        left += [(start, a), (b, end)]
    return out


def _flat(t_s: Floats, level: Floats) -> bool:
    """Does a stay near one level go nowhere: it drifts by less than the band, or comes to rest in one of its halves."""
    hours = float(t_s[-1] - t_s[0]) / 3600.0
    if hours * 3600.0 < STEADY_MIN_S:
        return False
    slope = abs(line(t_s, level)[0])
    if slope * hours < DEFAULT_BAND_C:
        return hours >= 1.0 or slope < DEFAULT_BAND_C
    half = level.size // 2
    return bool(min(abs(line(t_s[x], level[x])[0]) for x in (slice(half), slice(half, None))) * hours / 2 < AT_REST_C)


def _longest_stay(t_s: Floats, away: Floats) -> tuple[int, int]:
    """The longest run of samples (start, one past its end) near a level, short and small excursions within it."""
    near = away <= DEFAULT_BAND_C
    edges = np.flatnonzero(np.diff(np.concatenate(([0], near.view(np.int8), [0]))))
    joined: list[tuple[int, int]] = []
    for a, b in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        if joined:
            c, d = joined[-1]
            if t_s[a] - t_s[d - 1] < 0.2 * (t_s[d - 1] - t_s[c]) and away[d:a].max() < EXCURSION_C:
                joined[-1] = (c, b)
                continue
        joined.append((a, b))
    return max(joined, key=lambda r: t_s[r[1] - 1] - t_s[r[0]])


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
