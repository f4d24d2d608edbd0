"""Detached work TCs, seen the moment it happens: the channel leaves its own earlier place for the furnace.

Between two moments a body takes up heat as dT = k (furnace - gap - T) dt; the gap is what a cold place keeps to the
furnace for good. Its k changes slowly, and much as that of the peers with the nearest k does; a bead that comes off
takes the k of a bare wire within minutes and closes a share of the distance to the furnace at once. So the change over
a few minutes is compared with forecasts from the same channel's own past: its own k (with a gap and without), raised
as the k of those peers was, and its own place relative to them. All must be beaten, so that neither a ramp's
beginning (which moves places), nor a cold place, nor a fan (which moves every k) counts; where gas quenches the load
the past says nothing.
A single work TC has its own past alone: its k is raised as radiation raises it, and half as much again is asked.
What happens while nothing drives the load (at a hold) cannot be seen here: response.py looks at that.

What a channel's own past says of how it takes up heat: its distance to the furnace, summed; its rate at each
distance; the quickest it has been; and where gas or a fan makes the past worthless.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from loadbook.analysis.trace.model import Fault, Floats
from loadbook.core.remarks import remark
from loadbook.core.units import ZERO_C_IN_K

from .channels import Bools, ChannelView, Grid

DRIVE_C = 6.0  # the furnace must be this far away, before and (by the forecast) still
LARGEST_GAP = 0.7  # a channel keeps no more than this share of its distance to the furnace for good
VARIED_C = 4.0  # how much the distance must have varied for a line over it (standard deviation)
QUENCH_TIMES = 3.0  # the furnace falls this many times faster than before: gas or a fan
QUENCH_LEAST_C_PER_STEP = 2.0


@dataclass(frozen=True)
class FurnaceDistance:
    """What all spans share, each (channels, points): readings, distance to the furnace (n,), its sum up to each point,
    and points without one so far (None where there are none)."""

    x: Floats
    furnace: Floats
    away: Floats
    total: Floats
    holes: np.ndarray | None

    @classmethod
    def of(cls, x: Floats, furnace: Floats) -> FurnaceDistance:
        away = furnace[None, :] - x
        bad = np.isnan(away)
        some = bool(bad.any())
        filled = np.where(bad, 0.0, away) if some else away
        total = np.zeros(x.shape)
        np.cumsum(0.5 * (filled[:, 1:] + filled[:, :-1]), axis=1, out=total[:, 1:])
        return cls(x, furnace, away, total, np.cumsum(bad, axis=1) if some else None)

    @cached_property
    def sums(self) -> Floats:
        """Of `_sums`: only where something is likely to have left its place."""
        return _sums(self.x, self.away)

    @cached_property
    def crossed(self) -> np.ndarray:
        """The last point so far that was not driven down."""
        return np.maximum.accumulate(np.where(self.away <= -DRIVE_C, 0, np.arange(self.x.shape[1])), axis=1)


def standing(sums: Floats, away: Floats, until: np.ndarray, side: Floats, past: int) -> tuple[Floats, Floats]:
    """(k per grid step, gap [°C]): each channel's change per step as a line over its distance to the furnace, in the
    `past` grid steps before each of `until` (twice as many where the distance hardly varied). The gap is the distance
    at which it stands still: a cold place never reaches the furnace. k is NaN, the gap 0, where no line can be had."""
    k, gap = _line(sums, until, past)
    k_long, gap_long = _line(sums, until, 2 * past)
    short = np.isfinite(k)
    k, gap = np.where(short, k, k_long), np.where(short, gap, gap_long)
    inside = np.clip(gap * side, 0.0, LARGEST_GAP * np.abs(away[:, until])) * side
    return k, np.where(np.isfinite(inside), inside, 0.0)


def _sums(y: Floats, away: Floats) -> Floats:
    """(5, channels, points): sums up to each point of 1, distance x, change y, x² and xy, over steps that are valid."""
    change = np.diff(y, axis=1)
    level = 0.5 * (away[:, 1:] + away[:, :-1])
    good = np.isfinite(change) & np.isfinite(level)
    change, level = np.where(good, change, 0.0), np.where(good, level, 0.0)
    out = np.zeros((5, *y.shape))
    for total, values in zip(out, (good, level, change, level * level, level * change), strict=True):
        np.cumsum(values, axis=1, out=total[:, 1:])
    return out


def _line(sums: Floats, until: np.ndarray, past: int) -> tuple[Floats, Floats]:
    n, sx, sy, sxx, sxy = sums[:, :, until] - sums[:, :, np.maximum(until - past, 0)]
    with np.errstate(invalid="ignore", divide="ignore"):
        spread = sxx / n - (sx / n) ** 2
        k = (sxy / n - sx * sy / n**2) / spread
        clear = (n >= past // 3) & (spread > VARIED_C**2) & (k > 0.0)
        gap = (sx - sy / k) / n
    return np.where(clear, k, np.nan), np.where(clear, gap, np.nan)


def quickest(own: Floats, side: Floats) -> Floats:
    """The largest k seen so far with the furnace on the same side: at a hold a cold place, which never reaches the
    furnace, seems to take up less heat than it does."""
    out = np.zeros_like(own)
    for way in (1.0, -1.0):
        same = side == way
        out = np.where(same, np.maximum.accumulate(np.where(same, own, 0.0), axis=1), out)
    return out


def quenched(furnace: Floats, now: slice, then: slice, before: slice, lag: int, past: int) -> Bools:
    """Where the furnace falls several times as fast as in the past that the forecast comes from: gas has been let in
    or a fan runs, every body takes on another k, thin ones most, and the past says nothing."""
    fall = (furnace[then] - furnace[now]) / lag
    fall_past = (furnace[before] - furnace[then]) / past
    floor = QUENCH_LEAST_C_PER_STEP
    quenched: Bools = fall > np.maximum(QUENCH_TIMES * np.maximum(fall_past, 0.0), floor)
    return quenched


LAGS_S = (300.0, 600.0, 900.0)  # the change is looked for over these spans
OWN_PAST_S = {300.0: 1200.0, 600.0: 1200.0, 900.0: 1800.0}  # and forecast from this long before
LEAVES_C = 4.0  # least departure from the forecast
LEAVES_STEPS = 2.0  # and that in steps of the recorder: one more or less is none
LEAVES_SHARE = 0.15  # least share of the distance that is closed
COOLING_FACTOR = {300.0: 1.35, 600.0: 1.7, 900.0: 2.0}  # cooling: fans and cores make honest places move more
SETTLED_S = 2400.0  # cooling this long before the past begins, places are as steady as in heating
SETTLED_FACTOR = 1.15
BEGINS = 1.8  # the forecast takes the furnace this many times further off than it was
BEGINNING_FACTOR = 1.8
LINE_PAST_S = 5400.0  # how far back the channel's own line of change over distance looks
NEAREST = 3
LONE_FACTOR = 1.5  # a single TC has its own past alone


@dataclass(frozen=True)
class Departure:
    """How far the channel is from both forecasts at one moment, the smaller of the two, [°C] and as a share of the
    distance to the furnace; score >= 1 where both are beyond their limits."""

    row: int
    at: int
    lag: int
    score: float
    c: float
    share: float


def find_detached(view: ChannelView) -> list[Fault]:
    """Work TCs that leave their place for the furnace while the load is driven; one fault per channel, to the end."""
    rows = np.flatnonzero(view.work)
    grid = view.grid
    if not len(rows) or np.isfinite(grid.furnace).sum() < 20:
        return []
    best: dict[int, list[Departure]] = {}
    way = FurnaceDistance.of(grid.y[rows], grid.furnace)
    least = np.maximum(LEAVES_C, LEAVES_STEPS * view.resolution[rows])
    for lag_s in LAGS_S:
        for departure in _departures(way, grid, lag_s, view.stirred_s, least):
            best.setdefault(departure.row, []).append(departure)
    return [_fault(view, int(rows[row]), seen) for row, seen in sorted(best.items())]


def _departures(
    way: FurnaceDistance, grid: Grid, lag_s: float, stirred_s: Sequence[float], least: Floats
) -> list[Departure]:  # fmt: skip
    """The first departure of each channel (index into x) over one span; least [°C] of each counts as one."""
    x, away, furnace, step_s = way.x, way.away, way.furnace, grid.step_s
    points = x.shape[1]
    lag = max(3, round(lag_s / step_s))
    past = max(lag, round(OWN_PAST_S[lag_s] / step_s))
    if points <= lag + past + 1:
        return []
    now, then, before = slice(lag + past, points), slice(past, points - lag), slice(0, points - lag - past)
    with np.errstate(invalid="ignore", divide="ignore"):
        start = away[:, then]
        side = np.sign(start)  # what follows is counted toward the furnace
        drive, drive_past = way.total[:, now] - way.total[:, then], way.total[:, then] - way.total[:, before]
        moved, moved_past = x[:, now] - x[:, then], x[:, then] - x[:, before]
        usable: Bools = (drive_past * side > DRIVE_C * past) & (np.abs(start) > DRIVE_C)
        if way.holes is not None:
            usable &= way.holes[:, now] == way.holes[:, before]
        own = np.maximum(moved_past / drive_past, 0.0)  # k per grid step
        moves, driven = moved * side, drive * side
        toward = usable & (moves > 0)
        # a larger k forecasts more, unless the furnace has gone to the other side
        if not (toward & ((moves - own * driven > 0.8 * LEAVES_C) | (driven < 0))).any():
            return []
        own = np.maximum(own, quickest(np.where(usable, own, 0.0), side))
        usable &= ~quenched(furnace, now, then, before, lag, past)[None, :]
        if len(x) == 1:  # no peer shows how much more it takes up the hotter it is: as much as by radiation
            warmer = (x[:, now] + x[:, then] + 2.0 * ZERO_C_IN_K) / (x[:, then] + x[:, before] + 2.0 * ZERO_C_IN_K)
            own = own * np.maximum(warmer, 1.0) ** 3
        for at_s in stirred_s:
            usable &= ~((grid.t[before] <= at_s) & (at_s < grid.t[now]))[None, :]
        nearer = moves - own * driven
        likely = usable & toward & (nearer > 0.8 * LEAVES_C) & (nearer > 0.1 * np.abs(start))
        if not likely.any():
            return []
        # the forecasts are only asked for the moments at which something is likely
        at = np.flatnonzero(likely.any(axis=0))
        likely, usable = likely[:, at], usable[:, at]
        own, drive, moved, side = own[:, at], drive[:, at], moved[:, at], side[:, at]
        line, gap = standing(way.sums, away, at + past, side, round(LINE_PAST_S / step_s))
        net = drive - gap * lag  # what drives a body that would never reach the furnace
        ratio = np.where(usable & (np.abs(drive) > DRIVE_C * lag), (moved / drive) / np.maximum(own, 1e-4), np.nan)
        by_line = np.where(usable & (np.abs(net) > DRIVE_C * lag), (moved / net) / np.maximum(line, 1e-4), np.nan)
    found = []
    past_seen = _Past(
        away[:, at + past + lag], away[:, at + past], usable, own, ratio, drive, moved, side, line, gap, net, by_line
    )
    for row in np.flatnonzero(likely.any(axis=1)):
        cells = np.flatnonzero(likely[row])
        beaten = _beaten if len(x) > 1 else _beaten_alone
        score, c, share = beaten(int(row), cells, past_seen, float(least[row]))
        fresh = at[cells] - way.crossed[row, at[cells]] < SETTLED_S / step_s
        cooling = np.where(fresh, COOLING_FACTOR[lag_s], SETTLED_FACTOR)
        limit = np.where(side[row, cells] > 0, 1.0, cooling)
        beyond = np.flatnonzero(score >= limit)
        places = at[cells[beyond]]
        soon = np.searchsorted(places, places + lag) - np.arange(len(places))
        lasting = beyond[soon > lag // 3]  # one odd point is no departure
        if len(lasting):
            first = lasting[0]
            close = beyond[(beyond >= first) & (beyond <= first + 2 * lag)]
            top = close[np.argmax(score[close])]
            moment = int(at[cells[top]]) + past + lag
            found.append(Departure(int(row), moment, lag, float(score[top]), float(c[top]), float(share[top])))
    return found


@dataclass(frozen=True)
class _Past:
    """What the forecasts rest on, each (channels, moments): the distance to the furnace now and before, k and its
    ratio to what is seen now, and the same from the line, with the gap that the channel keeps to the furnace."""

    away_now: Floats
    away_then: Floats
    usable: Bools
    own: Floats
    ratio: Floats
    drive: Floats
    moved: Floats
    side: Floats
    line: Floats
    gap: Floats
    net: Floats
    by_line: Floats


def _beaten(row: int, cells: np.ndarray, seen: _Past, least_c: float) -> tuple[Floats, Floats, Floats]:
    """Score, departure [°C] and share at some cells of one channel, against the most lenient of the forecasts."""
    others = np.array([r for r in range(len(seen.own)) if r != row])
    sign = seen.side[row, cells]
    here = seen.away_now[row, cells] * sign
    start = seen.away_then[row, cells] * sign
    gap = seen.gap[row, cells] * sign
    with np.errstate(invalid="ignore", divide="ignore"):
        lines = seen.line[others][:, cells], seen.line[row, cells]
        owns = seen.own[others][:, cells], seen.own[row, cells]
        both = np.isfinite(lines[0]) & np.isfinite(lines[1])
        alike = np.where(both, np.abs(np.log(lines[0] / lines[1])), np.abs(np.log(owns[0] / owns[1])))
        alike = np.where(seen.usable[others][:, cells] & np.isfinite(alike), alike, np.inf)
        nearest = np.argsort(alike, axis=0)[:NEAREST]
        known = np.isfinite(np.take_along_axis(alike, nearest, 0))

        def of_peers(values: Floats) -> Floats:
            return np.where(known, np.take_along_axis(values, nearest, 0), np.nan)

        def raised(ratios: Floats) -> Floats:
            most = np.fmax.reduce(of_peers(ratios[others][:, cells]), axis=0)
            return np.where(np.isfinite(most), np.clip(most, 1.0, 8.0), 1.0)

        moved = seen.moved[row, cells]
        by_rate = (moved - seen.own[row, cells] * raised(seen.ratio) * seen.drive[row, cells]) * sign
        by_line = (moved - seen.line[row, cells] * raised(seen.by_line) * seen.net[row, cells]) * sign
        by_rate = np.fmin(by_rate, by_line)
        away_now = of_peers(seen.away_now[others][:, cells] * sign)
        away_then = of_peers(seen.away_then[others][:, cells] * sign)
        gaps = of_peers(seen.gap[others][:, cells] * sign)
        forecast = gap + (away_now - gaps) * (start - gap) / (away_then - gaps)
        forecast = np.sort(np.fmin(forecast, away_now * (start / away_then)), axis=0)
        number = known.sum(axis=0)
        middle = np.where(number > 0, forecast[np.maximum(number - 1, 0) // 2, np.arange(len(cells))], np.nan)
        by_place = middle - here
        still = np.maximum(DRIVE_C + 2.0, 0.3 * start)
        driven = (here + by_rate > still) & (middle > still)
        c = np.minimum(by_rate, by_place)
        share = np.minimum(by_rate / (here + by_rate), by_place / middle)
        score = np.where(driven, np.minimum(c / least_c, share / LEAVES_SHARE), -np.inf)
        # where the forecast itself takes the furnace far further off than it ever was, the past says little
        begins = np.maximum(here + by_rate, middle) > BEGINS * start
        score = np.where(begins, score / BEGINNING_FACTOR, score)
    return np.nan_to_num(score, nan=-np.inf), c, share


def _beaten_alone(row: int, cells: np.ndarray, seen: _Past, least_c: float) -> tuple[Floats, Floats, Floats]:
    """As `_beaten`, of the only channel."""
    sign, moved = seen.side[row, cells], seen.moved[row, cells]
    here, start = seen.away_now[row, cells] * sign, seen.away_then[row, cells] * sign
    with np.errstate(invalid="ignore", divide="ignore"):
        by_rate = (moved - seen.own[row, cells] * seen.drive[row, cells]) * sign
        c = np.fmin(by_rate, (moved - seen.line[row, cells] * seen.net[row, cells]) * sign)
        share = c / (here + c)
        driven = (here + c > np.maximum(DRIVE_C + 2.0, 0.3 * start)) & ~(here + c > BEGINS * start)
        score = np.where(driven, np.minimum(c / least_c, share / LEAVES_SHARE) / LONE_FACTOR, -np.inf)
    return np.nan_to_num(score, nan=-np.inf), c, share


def _fault(view: ChannelView, row: int, seen: list[Departure]) -> Fault:
    grid = view.grid
    earliest = min(seen, key=lambda d: d.at)
    strongest = max(seen, key=lambda d: d.score)
    begin = _onset(grid.y[row], grid.furnace, earliest.at, earliest.lag)
    away = np.abs(grid.furnace - grid.y[row])
    span = round(1200.0 / grid.step_s)
    before = _mean(away[max(0, begin - span) : begin])
    after = _mean(away[earliest.at : earliest.at + span])
    start = float(grid.t[begin] - 0.5 * grid.step_s)
    minutes = strongest.lag * grid.step_s / 60.0
    return Fault(
        "detached",
        view.channels[row].name,
        max(start, float(view.t[0])),
        float(view.t[-1]),
        float(min(0.95, 0.55 + 0.12 * strongest.score)),
        False,
        (
            remark(
                "left_place",
                at_s=start,
                within_min=minutes,
                nearer_c_diff=strongest.c,
                percent=100.0 * strongest.share,
                before_c_diff=before,
                after_c_diff=after,
                single=int(view.work.sum()) == 1,
            ),
        ),
        {"nearer_c": strongest.c, "share": strongest.share, "before_c": before, "after_c": after},
    )


def _mean(values: Floats) -> float:
    good = values[np.isfinite(values)]
    return float(good.mean()) if len(good) else float("nan")


def _onset(y: Floats, furnace: Floats, at: int, lag: int) -> int:
    """The grid point at which the departure that is full at `at` began: where the channel starts to leave the line
    of its distance to the furnace over the earlier 20 points."""
    first = max(0, at - 2 * lag - 20)
    away = (furnace - y)[first : at + 1]
    points = np.arange(len(away))
    fitted = points <= max(4, len(away) - 2 * lag)
    use = fitted & np.isfinite(away)
    if use.sum() < 4:
        return max(0, at - lag)
    slope, level = np.polyfit(points[use], away[use], 1)
    gone = (level + slope * points - away) * np.sign(away[use][-1])
    late = np.flatnonzero(~(gone > max(0.2 * float(np.nanmax(gone)), 1.0)))
    return first + (int(late[-1]) + 1 if len(late) and late[-1] < len(away) - 1 else max(0, len(away) - 1 - lag))
