"""Where each channel would come to rest at the hold: what tells a thick section, which is still on its way, from a
channel that stands at another temperature than its peers.

Two estimates, the surer one counts, and is the less sure the further the other is away: the hold itself, as an approach
with one time constant; and the reading at its end plus what is still to come at the rate at which the channel answered
the furnace all day.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from loadbook.analysis.quantiles import middle, middles
from loadbook.analysis.trace.model import Floats

from .channels import Bools, ChannelView, Grid, runs_of
from .frozen import own_rate

REST_TAUS_S = 60.0 * np.geomspace(2.0, 360.0, 30)
REST_SHARE = 0.7  # of the time looked at: a longer time constant cannot be had from it
REST_AHEAD = 0.2  # of the way that is still to go: a load that cools its surroundings comes after no one exponential
REST_MODEL_C = 0.15  # what a section's two modes and the controller leave beside one exponential
WARMER = 2.0  # the rate rises with this power of the absolute temperature: between convection (none) and radiation (3)
DRIVEN_C, DRIVEN_C_PER_H = 6.0, 15.0
DRIVEN_SHARE = (
    0.4  # a gap that stays at the hold looks like a channel that hardly answers: never below this of the rate
)
# with which it answered while it was heated
RATE_SHARE = 0.25  # of what is still to come: a channel's rate at the hold is not quite its rate all day


@dataclass(frozen=True)
class Plateau:
    """The late part of the hottest hold: grid points, and the medians there of each channel and the furnace.

    first, last  grid points between which the furnace stood there
    """

    mask: Bools
    y: Floats
    slope: Floats
    furnace: float
    first: int
    last: int


def plateau(view: ChannelView) -> Plateau | None:
    """The last half hour of the longest time the furnace spent near its hottest; None where that is under 40 min."""
    if "plateau" not in view.memo:
        view.memo["plateau"] = _plateau(view)
    found: Plateau | None = view.memo["plateau"]
    return found


def _plateau(view: ChannelView) -> Plateau | None:
    grid = view.grid
    if np.isfinite(grid.furnace).sum() < 20:
        return None
    top = float(np.percentile(grid.furnace[np.isfinite(grid.furnace)], 99.0))
    near = np.isfinite(grid.furnace) & (grid.furnace > top - max(8.0, 0.015 * top))
    runs = runs_of(near)
    a, b = max(runs, key=lambda r: r[1] - r[0], default=(0, -1))
    if (b - a) * grid.step_s < 2400.0 or top < 100.0:
        return None
    mask = np.zeros(len(grid.t), dtype=bool)
    late = max(5, round(1800.0 / grid.step_s))
    edge = min(round(300.0 / grid.step_s), (b - a) // 10)
    mask[max(a, b - edge - late) : b - edge + 1] = True
    part = grid.y[:, mask]
    half = part.shape[1] // 2
    with np.errstate(invalid="ignore"):
        first, second = middles(part[:, :half]), middles(part[:, half:])
    apart = 0.5 * part.shape[1] * grid.step_s
    furnace = float(np.median(grid.furnace[mask]))
    return Plateau(mask, middles(part), (second - first) / apart, furnace, a, b)


def at_rest(view: ChannelView, level: Plateau) -> tuple[Floats, Floats]:
    """(where each channel would come to rest [°C], its standard error), (channels,) each; NaN where neither tells."""
    if "rest" not in view.memo:
        part = slice(level.first, level.last + 1)
        rest, error = approach(view.grid.t[part], view.grid.y[:, part], view.noise)
        slope, apart = late_slopes(view, level), np.zeros(len(rest))
        for row in range(len(rest)):
            rate, seen_k = own_rate(view, row, level.last)  # later a fan may run
            driven = driven_rate(view, row, level)
            rate = max(rate, DRIVEN_SHARE * driven) if driven == driven else rate
            if not rate > 0.0:
                continue
            warmer = float(np.clip((level.y[row] + 273.15) / seen_k, 1.0, 2.0))
            ahead = slope[row] / (rate * warmer**WARMER)
            by_rate = float(np.hypot(RATE_SHARE * ahead, max(0.3, 0.3 * float(view.resolution[row]))))
            if np.isfinite(rest[row]):
                apart[row] = 0.5 * abs(level.y[row] + ahead - rest[row])
                error[row] = np.hypot(error[row], apart[row])
            if not error[row] <= by_rate:
                rest[row], error[row] = level.y[row] + ahead, by_rate
        view.memo["rest"], view.memo["rest apart"] = (rest, error), apart
    found: tuple[Floats, Floats] = view.memo["rest"]
    return found


def driven_rate(view: ChannelView, row: int, level: Plateau) -> float:
    """How fast a channel answers the furnace while that rises: median of (dT/dt) / (furnace - T) [1/s]. Not at a
    hold, where an offset that stays is not a lag; NaN where it is not seen."""
    wide, grid = 5, view.grid
    y, furnace = grid.y[row, : level.last], grid.furnace[: level.last]
    if len(y) < 3 * wide:
        return float("nan")
    slope, driven = np.full(len(y), np.nan), np.zeros(len(y))
    slope[wide:-wide] = (y[2 * wide :] - y[: -2 * wide]) / (2 * wide * grid.step_s)
    driven[wide:-wide] = (furnace[2 * wide :] - furnace[: -2 * wide]) / (2 * wide * grid.step_s) * 3600.0
    away = furnace - y
    use = np.isfinite(slope) & (away > DRIVEN_C) & (driven > DRIVEN_C_PER_H)
    return middle(slope[use] / away[use]) if use.sum() >= 10 else float("nan")


def late_slopes(view: ChannelView, level: Plateau) -> Floats:
    """Least-squares slope [°C/s] of each channel over the last third of the hold, an hour at least where there is one;
    NaN where it has no ten points."""
    if "late slopes" not in view.memo:
        view.memo["late slopes"] = _late_slopes(view.grid, level)
    found: Floats = view.memo["late slopes"]
    return found


def _late_slopes(grid: Grid, level: Plateau) -> Floats:
    points = max(round(3600.0 / grid.step_s), (level.last - level.first) // 3)
    stop = int(np.flatnonzero(level.mask)[-1]) + 1
    part = slice(max(level.first, stop - points), stop)
    t = grid.t[part] - grid.t[part].mean()
    out = np.full(len(grid.y), np.nan)
    for row, values in enumerate(grid.y[:, part]):
        good = np.isfinite(values)
        if good.sum() >= 10:
            x = t[good] - t[good].mean()
            out[row] = float((x * values[good]).sum() / (x * x).sum())
    return out


def approach(t: Floats, y: Floats, noise: Floats) -> tuple[Floats, Floats]:
    """(where each channel would come to rest at a hold [°C], its standard error), NaN where it cannot be told.

    t (n,) and y (channels, n) of the hold; noise (channels,) [°C]. The later three quarters are fitted by an approach
    y = rest + a exp(-t / tau) with each of many time constants; the error covers those that fit nearly as well.
    Source: first-order heat balance of a body in a furnace that stands still.

    >>> t = np.arange(0.0, 3 * 3600.0, 60.0)
    >>> rest, se = approach(t, 600.0 - 50.0 * np.exp(-t / 4800.0)[None, :], np.array([0.1]))
    >>> bool(abs(rest[0] - 600.0) < 1.0), bool(se[0] < 2.0)
    (True, True)
    """
    begin = len(t) // 4
    t, y = t[begin:] - t[begin], y[:, begin:]
    rest, error = np.full(len(y), np.nan), np.full(len(y), np.nan)
    curves = np.exp(-t[None, :] / REST_TAUS_S[:, None])
    whole = _about_mean(curves)
    for row, values in enumerate(y):
        good = np.isfinite(values)
        if good.sum() < 15:
            continue
        mean_x, dx, spread = whole if good.all() else _about_mean(curves[:, good])
        v = values[good]
        mean_v = float(v.mean())
        dv = v - mean_v
        size = (dx * dv).sum(axis=1) / spread
        left = (dv**2).sum() - size**2 * spread
        ends = mean_v - size * mean_x
        one = max(float(noise[row]) ** 2, REST_MODEL_C**2, float(left.min()) / len(v))
        # neighbouring points share what the curve leaves out: one in ten counts as independent
        likely = left - left.min() < 40.0 * one
        straight = one * (10.0 / len(v)) * (1.0 + len(v) * mean_x**2 / spread)
        if REST_TAUS_S[likely].max() > REST_SHARE * (t[-1] - t[0]) and abs(size[likely][-1]) > REST_MODEL_C:
            continue  # too slow for this hold
        rest[row] = ends[np.argmin(left)]
        ahead = REST_AHEAD * abs(rest[row] - float(v[-10:].mean()))
        error[row] = np.sqrt((0.25 * float(np.ptp(ends[likely]))) ** 2 + straight[np.argmin(left)] + ahead**2)
    return rest, error


def _about_mean(curves: Floats) -> tuple[Floats, Floats, Floats]:
    """The mean of each curve (curves, n), the curves less their means, and the sums of their squares."""
    mean = curves.mean(axis=1)
    off = curves - mean[:, None]
    return mean, off, (off**2).sum(axis=1)
