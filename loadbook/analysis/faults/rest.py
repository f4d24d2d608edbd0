"""Where each channel would come to rest at the hold: what tells a thick section, which is still on its way, from a
channel that stands at another temperature than its peers.

Two estimates, the surer one counts, and is the less sure the further the other is away: the hold itself, as an approach
with one time constant; and the reading at its end plus what is still to come at the rate at which the channel answered
the furnace all day.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from loadbook.analysis.quantiles import middles
from loadbook.analysis.trace.model import Floats

from .channels import Bools, ChannelView, Grid, runs_of
from .frozen import answering, own_rates, usual

RIPPLE_S = 900.0  # a furnace switched on and off leaves its level for so long at most
REST_TAUS_S = 60.0 * np.geomspace(2.0, 360.0, 30)
REST_SHARE = 0.7  # of the time looked at: a longer time constant cannot be had from it
REST_AHEAD = 0.2  # of the way that is still to go: a load that cools its surroundings comes after no one exponential
REST_MODEL_C = 0.15  # what a section's two modes and the controller leave beside one exponential
WARMER = 2.0  # the rate rises with this power of the absolute temperature: between convection (none) and radiation (3)
SLOWEST_S = 16 * 3600.0  # a channel this slow, or slower, to close its gap to the furnace does not lag: it stands
LEAST_ERROR_C = 0.3
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
    runs = joined(runs_of(near), round(RIPPLE_S / grid.step_s))
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


def joined(runs: list[tuple[int, int]], apart: int) -> list[tuple[int, int]]:
    """Runs (first and last index each) that are less than `apart` apart, as one.

    >>> joined([(0, 3), (5, 6), (20, 22)], 4)
    [(0, 6), (20, 22)]
    """
    out: list[tuple[int, int]] = []
    for a, b in runs:
        if out and a - out[-1][1] < apart:
            out[-1] = (out[-1][0], b)
        else:
            out.append((a, b))
    return out


def at_rest(view: ChannelView, level: Plateau) -> tuple[Floats, Floats]:
    """(where each channel would come to rest [°C], its standard error), (channels,) each; NaN where neither tells."""
    if "rest" not in view.memo:
        part = slice(level.first, level.last + 1)
        rest, error = approach(view.grid.t[part], view.grid.y[:, part], view.noise)
        rate, seen_k = own_rates(view, level.last)  # later a fan may run
        driven = driven_rates(view, level)
        rate = np.where(np.isnan(driven), rate, np.maximum(rate, DRIVEN_SHARE * driven))
        warmer = np.clip((level.y + 273.15) / seen_k, 1.0, 2.0)
        ahead = late_slopes(view, level) / (rate * warmer**WARMER)
        by_rate = np.hypot(RATE_SHARE * ahead, np.maximum(0.3, 0.3 * view.resolution))
        answers = rate > 0.0
        apart = np.where(answers & np.isfinite(rest), 0.5 * np.abs(level.y + ahead - rest), 0.0)
        error = np.hypot(error, apart)
        surer = answers & ~(error <= by_rate)
        stands = np.abs(late_slopes(view, level)) * SLOWEST_S < np.abs(level.furnace - level.y)
        rest, error = np.where(surer, level.y + ahead, rest), np.where(surer, by_rate, error)
        # its rate is none where it stands off the furnace for good: no section is so slow
        rest = np.where(stands, level.y, rest)
        error = np.where(stands, np.maximum(LEAST_ERROR_C, view.resolution), error)
        view.memo["rest"], view.memo["rest apart"] = (rest, error), apart
    found: tuple[Floats, Floats] = view.memo["rest"]
    return found


def driven_rates(view: ChannelView, level: Plateau) -> Floats:
    """How fast each channel answers the furnace while that rises: median of (dT/dt) / (furnace - T) [1/s]. Not at a
    hold, where an offset that stays is not a lag; NaN where it is not seen."""
    if "driven rates" not in view.memo:
        slope, away, _ = answering(view.grid, level.last)
        furnace = view.grid.furnace[: level.last]
        rises = (furnace[10:] - furnace[:-10]) / (10 * view.grid.step_s) * 3600.0 > DRIVEN_C_PER_H
        view.memo["driven rates"] = usual(slope / away, np.isfinite(slope) & (away > DRIVEN_C) & rises)
    found: Floats = view.memo["driven rates"]
    return found


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
    y = grid.y[:, part]
    good = np.isfinite(y)
    number = good.sum(axis=1, keepdims=True)
    x = np.where(good, grid.t[part] - grid.t[part].mean(), 0.0)
    x = np.where(good, x - x.sum(axis=1, keepdims=True) / number, 0.0)
    slope = (x * np.where(good, y, 0.0)).sum(axis=1) / (x * x).sum(axis=1)
    return np.where(number[:, 0] >= 10, slope, np.nan)


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
    good = np.isfinite(y)
    whole = good.all(axis=1)
    alike = [(whole, slice(None)), *((np.arange(len(y)) == row, good[row]) for row in np.flatnonzero(~whole))]
    for rows, points in alike:
        values = y[rows][:, points]
        if values.shape[1] >= 15 and len(values):
            rest[rows], error[rows] = _fitted(t[points], values, noise[rows], float(t[-1] - t[0]))
    return rest, error


def _fitted(t: Floats, y: Floats, noise: Floats, span_s: float) -> tuple[Floats, Floats]:
    """As `approach`, of rows without a gap; span_s is how long the hold was looked at."""
    curves = np.exp(-t[None, :] / REST_TAUS_S[:, None])
    mean_x = curves.mean(axis=1)
    dx = curves - mean_x[:, None]
    spread = (dx**2).sum(axis=1)
    each, number = np.arange(len(y)), len(t)
    mean_y = y.mean(axis=1, keepdims=True)
    dy = y - mean_y
    size = (dx * dy[:, None, :]).sum(axis=2) / spread  # (rows, time constants), as all that follow
    left = (dy**2).sum(axis=1, keepdims=True) - size**2 * spread
    ends = mean_y - size * mean_x
    best = left.argmin(axis=1)
    least = left[each, best]
    one = np.maximum(np.maximum(noise**2, REST_MODEL_C**2), least / number)
    # neighbouring points share what the curve leaves out: one in ten counts as independent
    likely = left - least[:, None] < 40.0 * one[:, None]
    straight = (one * (10.0 / number)) * (1.0 + number * mean_x**2 / spread)[best]
    slowest = len(REST_TAUS_S) - 1 - likely[:, ::-1].argmax(axis=1)
    rest = ends[each, best]
    ahead = REST_AHEAD * np.abs(rest - y[:, -10:].mean(axis=1))
    apart = np.where(likely, ends, -np.inf).max(axis=1) - np.where(likely, ends, np.inf).min(axis=1)
    error = np.sqrt((0.25 * apart) ** 2 + straight + ahead**2)
    # too slow for this hold
    untold = (REST_TAUS_S[slowest] > REST_SHARE * span_s) & (np.abs(size[each, slowest]) > REST_MODEL_C)
    return np.where(untold, np.nan, rest), np.where(untold, np.nan, error)
