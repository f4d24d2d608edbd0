"""Frozen channels: unchanged to the recorder's resolution while the peers move on.

A thick section may honestly stand still for long: cold at the start, at the turn from heating to cooling, at the
hold, and the longer the coarser the recorder. So standing still is a fault only where the channel came in moving and
stopped dead, or where the furnace moved away and its own earlier rate says how far it should have followed, or where
it never moved at all. A dead input may flicker in its last digits: within its noise it stands still too, for longer.
"""

from __future__ import annotations

import numpy as np

from loadbook.analysis.quantiles import median_of, middle
from loadbook.analysis.trace.model import Fault, Floats
from loadbook.core.remarks import remark

from .channels import Bools, ChannelView, Grid, line_fit

LEAST_S = 600.0
PEERS_MOVE_RESOLUTIONS = 10.0
PEERS_MOVE_C = 6.0  # ten resolutions of a fine recorder are less than its noise
STOPPED_DEAD = 3.0  # resolutions by which the smoothest stop would have passed over the value
QUICKEST_STOP_S = 240.0  # no section comes to rest quicker than with this time constant
FURNACE_STOP_S = 60.0
OWN_RATE_SHARE = 0.5  # the section may answer this much more slowly than it did before
WHOLE_RUN_C = 60.0
FLICKER_C = 12.0  # a channel that is noisier moves and stands alike
FLICKER_S, FLICKER_NOISES = 1800.0, 5.0  # a minute's mean that stays within so many noises (or one step) for so long
ONE_NUMBER = 0.8
FELL_IN_C = 25.0  # a dead input keeps its last value; one that jumped there by more reads something else
ALONE_S, ALONE_C = 5400.0, 60.0
GOES_ON_SHARE = 0.3  # as it moves again it is no further off than this share of what it should have moved


def find_frozen(view: ChannelView) -> list[Fault]:
    """Channels that stand still for ten minutes or more while they should have moved."""
    if len(view.t) < 5:
        return []
    found: list[Fault] = []
    still = {row: _still(view, row) for row in np.flatnonzero(_may_stand(view)).tolist()}
    flickering = [_judged(view, *flicker, WHOLE_RUN_C) for flicker in _flickering(view) if not _is_one(flicker, still)]
    for row, stretches in still.items():
        found += [fault for first, last in stretches if (fault := _judged(view, row, first, last))]
    for fault in flickering:
        if fault:  # a stretch of one number alone, inside it, is part of it
            found = [f for f in found if f.channel != fault.channel or f.start_s < fault.start_s - LEAST_S]
            found.append(fault)
    return found


def _is_one(flicker: tuple[int, int, int], still: dict[int, list[tuple[int, int]]]) -> bool:
    """Is what stands within its noise one number nearly all the time? Then that stretch counts."""
    row, first, last = flicker
    return any(min(b, last) - max(a, first) > ONE_NUMBER * (last - first) for a, b in still.get(row, ()))


def _flickering(view: ChannelView) -> list[tuple[int, int, int]]:
    """(row, first and last sample) of each stretch in which a channel's minutes' means stay within its noise, for half
    an hour or more while the furnace or the load moves on."""
    grid = view.grid
    span = max(3, round(FLICKER_S / grid.step_s))
    if grid.y.shape[1] <= span:
        return []
    room = np.maximum(FLICKER_NOISES * view.noise, view.resolution)
    with np.errstate(invalid="ignore"):
        stands = np.abs(grid.y[:, span:] - grid.y[:, :-span]) <= room[:, None]
        load = median_of(grid.y[view.work])
        moves = np.abs(grid.furnace[span:] - grid.furnace[:-span]) > PEERS_MOVE_C
        moves |= np.abs(load[span:] - load[:-span]) > PEERS_MOVE_C
    stands[room > FLICKER_C] = False
    found = []
    for row in np.flatnonzero((stands & moves).any(axis=1)).tolist():
        y, done = grid.y[row], -1
        for at in np.flatnonzero(stands[row] & moves).tolist():
            if at <= done:
                continue
            level = middle(y[at : at + span][np.isfinite(y[at : at + span])])
            away = np.flatnonzero(np.abs(y - level) > room[row])
            inside = np.searchsorted(away, at + span // 2)
            begin = int(away[inside - 1]) + 1 if inside else 0
            end = int(away[inside]) - 1 if inside < away.size else y.size - 1
            if end - begin < span or _fell_in(y[max(0, begin - 8) : begin + 1]):
                continue
            done = end
            ends = grid.t[begin] - 0.5 * grid.step_s, grid.t[end] + 0.5 * grid.step_s
            first, last = np.searchsorted(view.t, ends[0]), np.searchsorted(view.t, ends[1], side="right") - 1
            off = np.flatnonzero(np.abs(view.y[row, last + 1 :] - level) > room[row])
            last += int(off[0]) if off.size else 0  # in the cell in which it moves again it stands a little longer
            found.append((row, int(first), int(last)))
    return found


def _fell_in(came: Floats) -> bool:
    """Do the last points jump to where a channel then stands, beyond the pace at which it came?"""
    steps = np.abs(np.diff(came[np.isfinite(came)]))
    return steps.size > 0 and bool((steps[-3:] - 2.0 * np.median(steps) > FELL_IN_C).any())


def answering(grid: Grid, until: int | None) -> tuple[Floats, Floats, Floats]:
    """(slope [°C/s] over ten grid steps, furnace - channel, channel) of each channel, (channels, m - 10) each: from the
    sixth grid point on, up to the sixth before `until`; NaN where a reading is missing."""
    y = grid.y[:, :until]
    wide = 5
    slope = (y[:, 2 * wide :] - y[:, : -2 * wide]) / (2 * wide * grid.step_s)
    inside = y[:, wide:-wide]
    return slope, grid.furnace[:until][wide:-wide] - inside, inside


def usual(values: Floats, use: Bools) -> Floats:
    """Median of each row over the points in use, ten at least; NaN where there are fewer."""
    number = np.add.reduce(use, axis=1).tolist()
    return np.array([middle(v[u]) if n >= 10 else np.nan for v, u, n in zip(values, use, number, strict=True)])


def own_rates(view: ChannelView, until: int | None = None) -> tuple[Floats, Floats]:
    """How fast each channel answers the furnace: median of (dT/dt) / (furnace - T) [1/s], and the median absolute
    temperature [K] at which it was seen; NaN where the furnace is never well away. until: the grid point to stop at."""
    key = f"own rates {until}"
    if key not in view.memo:
        slope, away, y = answering(view.grid, until)
        use = np.isfinite(slope) & (np.abs(away) > 8.0)
        view.memo[key] = usual(slope / away, use), usual(y, use) + 273.15
    found: tuple[Floats, Floats] = view.memo[key]
    return found


def _may_stand(view: ChannelView) -> Bools:
    """Which channels have missing samples, or half as many equal ones in a row as ten minutes have at least."""
    y = view.y
    needed, length = max(3.0, LEAST_S / float((view.t[1:] - view.t[:-1]).max())), 1
    same = np.abs(y[:, 1:] - y[:, :-1]) <= 0.2 * view.resolution[:, None]
    while 2 * length <= needed:
        same = same[:, length:] & same[:, :-length]
        length *= 2
    return np.asarray(same.any(axis=1) | ~np.isfinite(y).all(axis=1))


def _still(view: ChannelView, row: int) -> list[tuple[int, int]]:
    """First and last sample of each stretch of ten minutes or more in which every valid sample is the same."""
    good = np.isfinite(view.y[row])
    whole = bool(good.all())
    index = np.arange(len(good)) if whole else np.flatnonzero(good)
    if len(index) < 3:
        return []
    values = view.y[row] if whole else view.y[row, index]
    same = np.abs(values[1:] - values[:-1]) <= 0.2 * view.resolution[row]
    edges = np.flatnonzero(same[1:] != same[:-1]) + 1
    edges = np.concatenate(([0] if same[0] else [], edges, [len(same)] if same[-1] else [])).astype(np.intp)
    begin, end = edges[::2], edges[1::2]  # positions in index; end is the last still one
    some = end - begin >= 3
    begin, end = begin[some], end[some]
    first, last = index[begin], index[end]
    number = end - begin + 1
    enough = (view.t[last] - view.t[first] >= LEAST_S) & (number >= np.maximum(4, 0.6 * (last - first + 1)))
    enough &= np.abs(values[begin] - values[end]) <= view.resolution[row]
    return [(int(a), int(b)) for a, b in zip(first[enough], last[enough], strict=True)]


def _judged(view: ChannelView, row: int, first: int, last: int, least_c: float = 0.0) -> Fault | None:
    """The fault of a stretch in which a channel stood still; least_c: what its peers must have moved at least, above
    which a sudden stop or start alone is no fault (of a channel that flickers)."""
    part = view.y[row, first : last + 1]
    t, value = view.t, float(np.median(part[np.isfinite(part)])) if least_c else float(part[0])
    resolution = float(view.resolution[row])
    lasted = float(t[last] - t[first])
    needed = max(PEERS_MOVE_RESOLUTIONS * resolution, PEERS_MOVE_C, least_c)
    if view.work[row] and _arrived(view, value, first, last, max(2.0 * resolution, PEERS_MOVE_C)):
        return None
    moved = _peers_move(view, row, first, last, needed)
    if moved <= needed:
        return None
    rate, rate_at_k = (float(x[row]) for x in own_rates(view))
    from_start = bool(t[first] - t[0] < LEAST_S)
    to_end = bool(t[-1] - t[last] < LEAST_S)
    came_in = _slope_before(view, row, first)
    stop_s = min(lasted / 4.0, QUICKEST_STOP_S if view.work[row] else FURNACE_STOP_S)
    if not np.isfinite(rate):  # it is never far from the furnace and may stop as quickly
        stop_s = min(stop_s, FURNACE_STOP_S)
    elif rate > 0:
        stop_s = min(stop_s, 1.0 / rate)
    overrun = abs(came_in) * stop_s
    here = min(int(np.searchsorted(view.grid.t, t[first])), view.grid.t.size - 1)
    heated = not view.grid.outside[here]  # in air or oil it comes to rest by another rate than its own in the furnace
    stopped = heated and overrun > max(STOPPED_DEAD * resolution, 2.0)
    expected = 0.0
    if view.work[row] and rate > 0 and heated and not from_start:
        cold = min(1.0, ((value + 273.15) / rate_at_k) ** 3)  # where radiation heats, it is this much weaker
        expected = _should_move(view, first, last, came_in, OWN_RATE_SHARE * rate * cold)
    should_have = expected > needed
    if should_have and _goes_on(view, row, value, last, expected):
        return None
    alone = _every_peer_moves(view, row, first, last)
    never = to_end and (from_start or lasted > ALONE_S) and alone > max(WHOLE_RUN_C, needed)
    # a load taken out comes to room temperature, some of it sooner
    never &= heated or from_start or value > float(view.y[row, np.isfinite(view.y[row])][0]) + WHOLE_RUN_C
    let_go = _release(view, row, last)
    least_jump = max(5.0 * resolution, 6.0, 8.0 * float(view.noise[row]), least_c)
    released = bool(np.isfinite(let_go) and abs(let_go) > least_jump)
    furnace_left = not view.work[row] and not from_start
    stopped &= not least_c
    if not (stopped or should_have or never or released or furnace_left):
        return None
    beside = view.peers(row) != []  # a single work TC has its furnace alone
    said = [
        remark("frozen" if beside else "frozen_single", stood_c=value, from_s=float(t[first]), for_min=lasted / 60.0,
               peers_c_diff=float(moved))
    ]  # fmt: skip
    if stopped:
        said.append(remark("frozen_dead", rate_c_per_h=float(came_in * 3600.0)))
    if should_have:
        said.append(remark("frozen_expected", expected_c_diff=float(expected)))
    if never:
        said.append(remark("frozen_alone" if beside else "frozen_furnace", peers_c_diff=float(alone)))
    if released:
        said.append(remark("frozen_caught_up", jump_c_diff=float(let_go)))
    strength = max(overrun / max(resolution, 0.5), expected / needed, alone / needed if never or released else 0.0)
    return Fault(
        "frozen",
        view.channels[row].name,
        float(t[first]),
        float(t[last]),
        float(min(0.97, 0.8 + 0.02 * strength)),
        False,
        tuple(said),
        {"minutes": lasted / 60.0, "peers_moved_c": moved, "expected_c": expected},
    )


def _peers_move(view: ChannelView, row: int, first: int, last: int, needed: float) -> float:
    """How far the peers moved [°C]: for a work TC the median of the others' ranges, for a control TC the least that the
    other control TCs and the set point or, with neither, the work TCs moved away from it. What only comes to where it
    stands, as after a quench, has moved nowhere that it should be."""
    grid = view.grid
    inside = _points(view, first, last)
    if inside.stop - inside.start < 3:
        return 0.0
    if view.work[row]:
        spans = _spans(grid.y[view.peers(row), inside])
        return middle(np.array(spans)) if spans else sum(_spans(grid.furnace[None, inside]))
    points = np.arange(inside.start, inside.stop)[~grid.outside[inside]]
    others = [i for i in range(len(grid.y)) if view.control[i] and i != row]
    level = float(view.y[row, first])
    furnace = _leave(np.vstack([grid.y[others][:, points], grid.setpoint[None, points]]), level)
    if furnace:
        return min(furnace)
    leaving = [gone if gone > needed else 0.0 for gone in _leave(grid.y[view.peers(row)][:, points], level)]
    # one that goes on alone may stand too high itself
    return min(leaving, default=0.0) if len(leaving) > 1 or sum(leaving) > ALONE_C else 0.0


def _leave(values: Floats, level: float) -> list[float]:
    """How much further than at first each row of (rows, points) goes away from a level [°C], of those with three
    values."""
    away = [np.abs(v[np.isfinite(v)] - level) for v in values]
    return [float(a.max() - a[0]) for a in away if a.size >= 3]


def _every_peer_moves(view: ChannelView, row: int, first: int, last: int) -> float:
    """The smallest range [°C] of any peer (of four or more, the second smallest: one may be at fault too)."""
    peers = view.grid.y[view.peers(row)] if view.peers(row) else view.grid.furnace[None]
    spans = sorted(_spans(peers[:, _points(view, first, last)]))
    return spans[1 if len(spans) >= 4 else 0] if spans else 0.0


def _arrived(view: ChannelView, value: float, first: int, last: int, near_c: float) -> bool:
    """Does the furnace itself come to stand where the channel does? Then there is nowhere to go."""
    grid = view.grid
    furnace = grid.furnace[(grid.t >= 0.5 * (view.t[first] + view.t[last])) & (grid.t <= view.t[last])]
    return furnace.size > 0 and bool((np.abs(furnace - value) <= near_c).all())


def _goes_on(view: ChannelView, row: int, value: float, last: int, expected: float) -> bool:
    """Does the channel go on from where it stood? What held still, as wet parts do at 100 °C, was as cold as that; a
    dead input that comes back jumps to where its section went meanwhile."""
    soon = (view.t > view.t[last]) & (view.t <= view.t[last] + 1.5 * view.interval_s)
    later = view.y[row, soon & np.isfinite(view.y[row])]
    return later.size > 0 and bool((np.abs(later - value) < GOES_ON_SHARE * expected).all())


def _release(view: ChannelView, row: int, last: int) -> float:
    """The jump [°C] from the last still sample to the next valid one, less what the following slope allows;
    NaN where the run ends or a gap lies between."""
    later = last + 1 + np.flatnonzero(np.isfinite(view.y[row, last + 1 : last + 12]))
    if len(later) < 4 or view.t[later[0]] - view.t[last] > 5.0 * view.interval_s:
        return float("nan")
    jump = float(view.y[row, later[0]] - view.y[row, last])
    slope = float(np.median(np.diff(view.y[row, later]) / np.diff(view.t[later])))
    allowed = 2.0 * abs(slope) * float(view.t[later[0]] - view.t[last])
    return float(np.sign(jump) * max(abs(jump) - allowed, 0.0))


def _points(view: ChannelView, first: int, last: int) -> slice:
    """The points of the grid between two samples."""
    t = view.grid.t
    return slice(int(np.searchsorted(t, view.t[first])), int(np.searchsorted(t, view.t[last], side="right")))


def _spans(values: Floats) -> list[float]:
    """Range of each row of (rows, points), of those that have three values."""
    good = np.isfinite(values)
    if good.shape[1] >= 3 and good.all():
        spans: list[float] = (values.max(axis=1) - values.min(axis=1)).tolist()
        return spans
    own = [v[g] for v, g in zip(values, good, strict=True)]
    return [float(v.max() - v.min()) for v in own if v.size >= 3]


def _should_move(view: ChannelView, first: int, last: int, came_in: float, rate: float) -> float:
    """How far [°C] a section in this state would go while the furnace does what it did: T' = r0 + k (change of the
    furnace - change of T), integrated from the first still sample, where r0 is the rate it came in with. Working
    with changes keeps a cold place's steady offset out of it."""
    grid = view.grid
    inside = np.flatnonzero((grid.t >= view.t[first]) & (grid.t <= view.t[last]))
    furnace = grid.furnace[inside]
    good = np.isfinite(furnace)
    if good.sum() < 3:
        return 0.0
    furnace = np.interp(inside, inside[good], furnace[good])
    change, farthest = 0.0, 0.0
    share = min(rate * grid.step_s, 1.0)
    start = came_in * grid.step_s
    for now in (furnace - furnace[0]).tolist():
        start *= max(0.0, 1.0 - share)  # the rate it came in with dies away as it nears the furnace
        change += start + share * (now - change)
        farthest = max(farthest, abs(change))
    return farthest


def _slope_before(view: ChannelView, row: int, first: int) -> float:
    """Slope [°C/s] just before a sample: the smaller of those over six minutes and over a quarter of an hour, less
    what the resolution leaves open; 0 where it cannot be told or the two disagree."""
    t = view.t
    slopes = []
    for back in (360.0, 900.0):
        a = int(np.searchsorted(t, t[first] - max(back, 4.5 * view.interval_s)))
        fit = line_fit(t[a : first + 1], view.y[row, a : first + 1], float(t[first]))
        if fit is None or t[first] - t[a] < 0.8 * back:
            return 0.0
        slopes.append(fit[1])
    if slopes[0] * slopes[1] <= 0:
        return 0.0
    least = min(abs(s) for s in slopes) - float(view.resolution[row]) / 360.0
    return float(np.sign(slopes[0]) * max(least, 0.0))
