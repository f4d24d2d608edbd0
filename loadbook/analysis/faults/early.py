"""Work TCs that came off before they had shown a place of their own: they answer the furnace at two speeds.

A section takes up heat at one rate. A bead that hangs loose follows the furnace at once with a share of its movement,
and with the rest the piece that it still touches or faces. So the channel's change is fitted, over the heat-up, by the
furnace's own change and by its distance to the furnace; the share of the furnace's change is the evidence. A thin
section, quick by itself, shows some of it too; a thick one next to none.
"""

from __future__ import annotations

import numpy as np

from loadbook.analysis.quantiles import middle
from loadbook.analysis.trace.model import Fault, Floats
from loadbook.core.remarks import remark

from .channels import Bools, ChannelView
from .response import MOVING_C_PER_H
from .rest import plateau

WIDE_S = 180.0  # changes are taken over this much on either side
STEPS_WIDE = (
    10.0  # and over as many steps of the recorder: two channels a few steps apart take them at the same moments
)
HOLD_S = 3600.0  # so much of the hold belongs to it: how the channel takes the furnace's stopping tells most
LEAST_POINTS = 40
HEATED_C = 100.0
SHARE, THICK_SHARE = 0.6, 0.3  # of the furnace's movement taken at once, less two standard errors; where the book says
# that the bead is on a thick section, the lesser
MOST = 1.0  # nothing follows the furnace by more than it moves: then the control TC lags, and nothing can be told
RADIATION_K = 873.0


def find_early(view: ChannelView) -> list[Fault]:
    """The work TC that follows the furnace at once with a share of its movement no section shows, and no other TC may
    show; to the end. Where several do the load is thin, and one alone has nothing that it stands out from, unless the
    book says that it is on a thick section."""
    level, grid = plateau(view), view.grid
    stop = min(level.last, level.first + round(HOLD_S / grid.step_s)) if level else len(grid.t)
    furnace = grid.furnace[:stop]
    good = furnace[np.isfinite(furnace)]
    if view.interval_s > 0.5 * WIDE_S:
        return []  # a thin section has followed within a sample or two: how quickly is not seen
    if len(good) < LEAST_POINTS or good.max() - good[0] < HEATED_C:
        return []
    found = []
    rows = np.flatnonzero(view.work)
    wide_s = changes_over_s(view, furnace)
    shares = shares_at_once(grid.y[rows, :stop], furnace, grid.step_s, THICK_SHARE, wide_s)
    most = [-np.inf if seen is None else seen[0] + 2.0 * seen[1] for seen in shares]
    for k, (row, seen) in enumerate(zip(rows, shares, strict=True)):
        channel = view.channels[row]
        thick = "thick" in (channel.place or "").casefold()
        if seen is None or not seen[0] - 2.0 * seen[1] > THICK_SHARE or seen[0] > MOST:
            continue
        away = np.abs(furnace - grid.y[row, :stop])
        if np.median(away[np.isfinite(away)]) < view.resolution[row]:
            continue  # how it follows is not seen
        share, error = seen
        (earlier,) = shares_at_once(grid.y[[row], : stop // 2], furnace[: stop // 2], grid.step_s, wide_s=wide_s)
        others = [m for i, m in enumerate(most) if i != k]
        if not thick and (not others or max(others) > share - 2.0 * error):
            continue
        enough = THICK_SHARE if thick else SHARE
        if share - 2.0 * error < enough or (earlier is not None and earlier[0] + 2.0 * earlier[1] < enough):
            continue
        found.append(
            Fault(
                "detached",
                channel.name,
                float(view.t[0]),
                float(view.t[-1]),
                float(min(0.9, 0.5 + 0.5 * share)),
                False,
                (
                    remark(
                        "at_once",
                        percent=100.0 * share,
                        error_percent=100.0 * error,
                        to_s=float(grid.t[stop - 1]),
                        thick=bool(thick),
                    ),
                ),
                {"share": share, "share_se": error},
            )
        )
    return found


def changes_over_s(view: ChannelView, furnace: Floats) -> float:
    """Over how much on either side [s] changes are taken: the furnace moves by enough of the recorder's steps."""
    slopes = np.abs(furnace[1:] - furnace[:-1]) / view.grid.step_s
    moving = slopes[slopes * 3600.0 > MOVING_C_PER_H]
    if not moving.size:
        return WIDE_S
    return max(WIDE_S, 0.5 * STEPS_WIDE * float(view.resolution.max()) / middle(moving))


def shares_at_once(
    y: Floats, furnace: Floats, step_s: float, least: float = -np.inf, wide_s: float = WIDE_S
) -> list[tuple[float, float] | None]:  # fmt: skip
    """(share of the furnace's movement that a channel takes at once, its standard error) of each of some channels
    (channels, n) beside the furnace (n,) on an even grid; None with too few points, and of a share not above `least`.

    Least squares of dT/dt = share dF/dt + (k + m (T / 873 K)^3) (F - T) - g (F - F0): convection, radiation,
    and a place that stays colder the hotter the furnace is.

    >>> t = np.arange(0.0, 7200.0, 60.0)
    >>> furnace = 20.0 + np.minimum(t, 4800.0) * 0.05
    >>> round(shares_at_once(0.6 * furnace[None, :] + 0.4 * 20.0, furnace, 60.0)[0][0], 2)
    0.6
    """
    wide = max(2, round(wide_s / step_s))
    if not len(y) or len(furnace) <= 2 * wide + LEAST_POINTS:
        return [None] * len(y)
    window = np.full(2 * wide + 1, 1.0 / (2 * wide + 1))
    span = 2.0 * wide * step_s
    driven, heat = (furnace[2 * wide :] - furnace[: -2 * wide]) / span, np.convolve(furnace, window, "valid")
    scale = np.array([1.0, 1e-4, 1e-4, 1e-5])  # so that no column is next to nothing
    changes = (y[:, 2 * wide :] - y[:, : -2 * wide]) / span
    aways = np.array([np.convolve(furnace - own, window, "valid") for own in y])
    hots = (np.array([np.convolve(own, window, "valid") for own in y]) + 273.15) / RADIATION_K
    seen = np.isfinite(changes) & np.isfinite(driven) & np.isfinite(aways)
    every = np.stack([np.broadcast_to(driven, aways.shape), aways, aways * (hots * hots * hots)], axis=2)
    out: list[tuple[float, float] | None] = []
    less = np.zeros(len(y), dtype=bool)
    if (whole := seen.all(axis=1)).any():
        warmed = np.broadcast_to((heat - heat[0])[:, None], (whole.sum(), len(heat), 1))
        less[whole] = _surely_less(np.concatenate([every[whole], warmed], axis=2) * scale, changes[whole], least)
    for row, use in enumerate(seen):
        if less[row] or use.sum() < LEAST_POINTS:
            out.append(None)
            continue
        columns = np.column_stack([every[row], heat - heat[use][0]])[use] * scale
        change = changes[row, use]
        found, *_ = np.linalg.lstsq(columns, change, rcond=None)
        if not found[0] > least:
            out.append(None)
            continue
        left = change - columns @ found
        # neighbouring changes share their samples
        variance = float((left**2).mean()) * 2 * wide * np.linalg.pinv(columns.T @ columns)[0, 0]
        out.append((float(found[0]), float(np.sqrt(max(variance, 0.0)))))
    return out


def _surely_less(columns: Floats, change: Floats, least: float) -> Bools:
    """Whether the first column's share in the change is well below `least`, of columns (channels, n, 4) and change
    (channels, n): from an orthogonal decomposition, several times quicker than the fit itself; False where that says
    little."""
    last = np.concatenate([columns[:, :, :1], change[:, :, None]], axis=2)
    r: Floats = np.asarray(np.linalg.qr(np.concatenate([columns[:, :, 1:], last], axis=2), mode="r"))
    own, size = r[:, 3, 3], np.abs(r[:, :4, 3]).max(axis=1)
    return np.asarray((np.abs(own) > 1e-6 * size) & (r[:, 3, 4] / own < least - 0.01))
