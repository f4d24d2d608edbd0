"""Where each channel would come to rest at the hold: what tells a thick section, which is still on its way, from a
channel that stands at another temperature than its peers.

Two estimates, the surer one counts: the hold itself, as an approach with one time constant; and the reading at its end
plus what is still to come at the rate at which the channel answered the furnace all day.
"""

from __future__ import annotations

import numpy as np

from loadbook.analysis.trace.model import Floats

from .channels import ChannelView
from .frozen import own_rate
from .role import Plateau

REST_TAUS_S = 60.0 * np.geomspace(2.0, 360.0, 30)
REST_SHARE = 0.7
REST_AHEAD = 0.2  # of the way that is still to go: a load that cools its surroundings comes after no one exponential
REST_MODEL_C = 0.15  # what a section's two modes and the controller leave beside one exponential
RATE_SHARE = 0.35  # of what is still to come: a channel's rate at the hold is not quite its rate all day


def at_rest(view: ChannelView, level: Plateau) -> tuple[Floats, Floats]:
    """(where each channel would come to rest [°C], its standard error), (channels,) each; NaN where neither tells."""
    if "rest" not in view.memo:
        part = slice(level.first, level.last + 1)
        rest, error = approach(view.grid.t[part], view.grid.y[:, part], view.noise)
        slope = late_slopes(view, level)
        for row in range(len(rest)):
            rate = own_rate(view, row)[0]
            if not rate > 0.0:
                continue
            ahead = slope[row] / rate
            by_rate = float(np.hypot(RATE_SHARE * ahead, max(0.3, 0.3 * float(view.resolution[row]))))
            if not error[row] <= by_rate:
                rest[row], error[row] = level.y[row] + ahead, by_rate
        view.memo["rest"] = rest, error
    found: tuple[Floats, Floats] = view.memo["rest"]
    return found


def late_slopes(view: ChannelView, level: Plateau) -> Floats:
    """Least-squares slope [°C/s] of each channel over the last third of the hold, an hour at least where there is one;
    NaN where it has no ten points."""
    grid = view.grid
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
    for row, values in enumerate(y):
        good = np.isfinite(values)
        if good.sum() < 15:
            continue
        x, v = curves[:, good], values[good]
        mean_x, mean_v = x.mean(axis=1), float(v.mean())
        dx, dv = x - mean_x[:, None], v - mean_v
        spread = (dx**2).sum(axis=1)
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
