"""What a channel's own past says of how it takes up heat: its distance to the furnace, summed; its rate at each
distance; the quickest it has been; and where gas or a fan makes the past worthless."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from .faults_grid import Bools
from .model import Floats

DRIVE_C = 6.0  # the furnace must be this far away, before and (by the forecast) still
LARGEST_GAP = 0.7  # a channel keeps no more than this share of its distance to the furnace for good
VARIED_C = 4.0  # how much the distance must have varied for a line over it (standard deviation)
QUENCH_TIMES = 3.0  # the furnace falls this many times faster than before: gas or a fan
QUENCH_LEAST_C_PER_STEP = 2.0


@dataclass(frozen=True)
class Way:
    """What all spans share, each (channels, points): readings, distance to the furnace (n,), its sum up to each point,
    points without one so far, and the last point so far that was not driven down."""

    x: Floats
    furnace: Floats
    away: Floats
    total: Floats
    holes: np.ndarray
    crossed: np.ndarray

    @classmethod
    def of(cls, x: Floats, furnace: Floats) -> Way:
        away = furnace[None, :] - x
        good = np.isfinite(away)
        filled = np.where(good, away, 0.0)
        total = np.zeros(x.shape)
        np.cumsum(0.5 * (filled[:, 1:] + filled[:, :-1]), axis=1, out=total[:, 1:])
        crossed = np.maximum.accumulate(np.where(filled > -DRIVE_C, np.arange(x.shape[1]), 0), axis=1)
        return cls(x, furnace, away, total, np.cumsum(~good, axis=1), crossed)

    @cached_property
    def sums(self) -> Floats:
        """Of `_sums`: only where something is likely to have left its place."""
        return _sums(self.x, self.away)


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
