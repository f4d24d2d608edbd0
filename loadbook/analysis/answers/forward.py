"""The forward test: every run predicted from what was on record before it, and what that says of today's answers.

One factor of the covariance of all cells in order of day gives every run's prediction from the earlier ones, at the
variances of today. Only part numbers that had a run before count for known ones, only first runs for new ones; the
first runs of the history only teach. A share is told with newer runs counting more, and with its binomial interval.

The alarm is about signs, not shares: after a change nobody declared the errors of the last runs lean to one side, and
shares are far too weak to see that in a few runs.

Source: prequential testing (Dawid 1984, J. R. Stat. Soc. A 147, 278-292); cumulative sums (Page 1954, Biometrika 41).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.linalg import solve_triangular

from loadbook.analysis.trace.model import Floats

from .backtest import Coverage, binomial_interval, weighted_quantile
from .cells import Cells, Ints
from .fit import Fit, dense_covariance

HALF_LIFE = 15.0  # runs: how fast older ones count less in the share told
LEAST_TAUGHT, SHARE_TAUGHT = 8, 0.30  # the first runs only teach
ALARM, LONGEST, SHORTEST = 3.0, 25, 3
REFUSED_UNTIL, WIDENED_UNTIL = 4, 12  # runs since the level moved
YEAR = 365.0
MOST_CELLS = 1500  # of a longer history the newest cells, tested by one another


@dataclass(frozen=True)
class Forward:
    """Scores of pieces predicted from the past alone, in the order of their runs.

    score, piece   (m,) t and which piece;  run (m,) code, order (m,) place of its run in time, from 0
    new            (m,) the piece's part number had no run before;  day (m,)
    runs           how many runs the history has
    """

    score: Floats
    piece: Ints
    run: Ints
    order: Ints
    new: np.ndarray
    day: Floats
    runs: int


def forward(fitted: Fit, cells: Cells) -> Forward:
    """Forward scores of all pieces after the runs that only teach."""
    day = cells.frame["day"].to_numpy(dtype=float)
    start = np.full(cells.runs, np.inf)
    np.minimum.at(start, cells.run, day)
    order_of_run = np.empty(cells.runs, dtype=np.int64)
    order_of_run[np.lexsort((np.arange(cells.runs), start))] = np.arange(cells.runs)
    at = order_of_run[cells.run]
    order = np.argsort(at, kind="stable")[-MOST_CELLS:]
    K = dense_covariance(fitted, order)
    L = np.linalg.cholesky(K + 1e-9 * float(np.trace(K)) / len(K) * np.eye(len(K)))
    e = solve_triangular(L, cells.z[order] - fitted.centre, lower=True)
    begins = np.searchsorted(at[order], at[order])  # where the run of each cell begins
    before = np.arange(len(order))[None, :] < begins[:, None]
    past = L * before
    mean, variance = np.full(len(at), np.nan), np.full(len(at), np.nan)
    mean[order] = fitted.centre + past @ e
    variance[order] = np.diag(K) - (past**2).sum(axis=1)
    first = np.full(cells.many, cells.runs, dtype=np.int64)
    np.minimum.at(first, cells.series, at)
    new = first[cells.series] == at
    taught = max(LEAST_TAUGHT, int(np.ceil(SHARE_TAUGHT * cells.runs)), int(at[order[0]]) + (len(order) < len(at)))
    piece = np.flatnonzero(at[cells.piece_cell] >= taught)
    cell = cells.piece_cell[piece]
    sd = np.sqrt(np.maximum(variance[cell] - fitted.s2 / cells.n[cell] + fitted.s2, fitted.s2))
    score = (cells.piece_z[piece] - mean[cell]) / sd
    return Forward(score, piece, cells.run[cell], at[cell], new[cell], day[cell], cells.runs)


def share(found: Forward, held: np.ndarray, chosen: np.ndarray, half_life: float | None = HALF_LIFE) -> Coverage | None:
    """Share of pieces held, each run once, newer runs counting more; None where fewer than three runs are left.

    held, chosen  (m,) masks;  half_life in runs; None: all runs alike
    """
    if not chosen.any():
        return None
    _, code, count = np.unique(found.order[chosen], return_inverse=True, return_counts=True)
    per_run = np.bincount(code, weights=held[chosen].astype(float)) / count
    runs = len(count)
    if runs < 3:
        return None
    age = np.arange(runs)[::-1]
    weight = np.ones(runs) if half_life is None else 0.5 ** (age / half_life)
    mean = float(np.average(per_run, weights=weight))
    n = float(weight.sum() ** 2 / (weight**2).sum())
    low, high = binomial_interval(mean * n, n)
    return Coverage(mean, low, high, runs, int(chosen.sum()))


def stretch(found: Forward, scaled: Floats, chosen: np.ndarray, content: float, half_life: float = 8.0) -> float:
    """How much wider the interval must be for the newest runs: R^(n/(n + 5)), at least 1.

    scaled (m,) |t| over the distance that the interval reaches
    """
    if not chosen.any():
        return 1.0
    _, code, count = np.unique(found.order[chosen], return_inverse=True, return_counts=True)
    age = np.arange(len(count))[::-1]
    weight = 0.5 ** (age / half_life)
    n = float(weight.sum() ** 2 / (weight**2).sum())
    of_piece = (weight / weight.sum() / count)[code]
    reached = weighted_quantile(scaled[chosen], of_piece, content)
    return max(1.0, float(reached) ** (n / (n + 5.0))) if np.isfinite(reached) else 1.0


def moved_since(found: Forward) -> int | None:
    """How many runs ago the level moved, by the signs of the forward errors; None where nothing says so.

    found  of a model without a level of its own, known part numbers only
    """
    chosen = ~found.new
    if not chosen.any():
        return None
    _, code, count = np.unique(found.order[chosen], return_inverse=True, return_counts=True)
    t = found.score[chosen]
    u = np.bincount(code, weights=np.sign(t) * np.minimum(np.abs(t), 5.0)) / count
    if len(u) < 2 * SHORTEST:
        return None
    c = max(1.4826 * float(np.median(np.abs(u - np.median(u)))), float(u.std(ddof=1)) / 2.0, 0.2)
    longest = min(LONGEST, len(u) // 2)
    sums = np.cumsum(u[::-1])[SHORTEST - 1 : longest]
    m = np.arange(SHORTEST, longest + 1)
    reached = np.abs(sums) / (c * np.sqrt(m))
    return int(m[int(np.argmax(reached))]) if len(m) and float(reached.max()) > ALARM else None
