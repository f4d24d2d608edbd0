"""Regression inside groups with an interval that leaves each run out in turn.

Part numbers are fixed effects: every slope is estimated from differences between runs of the same part number.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import special

from loadbook.analysis.quantiles import Codes, Floats, grouped_mean
from loadbook.core.errors import CalculationError

CONSTANT = 1e-9  # a column whose variation inside groups is below this share of its size is constant inside them
SINGULAR = 1e-8  # smallest eigenvalue of I - H_gg below which the fit hangs on one run alone


class NotEstimable(CalculationError):
    """A slope that the data do not determine; `why` is 'constant', 'collinear', 'one run', 'exact' or 'no degrees'."""

    def __init__(self, what: str, why: str, column: int | None = None, cluster: int | None = None) -> None:
        super().__init__(what)
        self.why = why
        self.column = column
        self.cluster = cluster


@dataclass(frozen=True)
class WithinFit:
    """Slopes inside groups.

    slopes      (k,) per unit of each column
    covariance  (k, k) leave-one-cluster-out (CR3; HC3 where every cluster is one row), or ordinary
    left_out    (clusters, k) the slopes with that cluster left out
    unscaled    (k, k) inverse of X'X inside groups; residual_sd with n - groups - k degrees
    """

    slopes: Floats
    covariance: Floats
    left_out: Floats
    unscaled: Floats
    residual_sd: float
    residual_df: int
    rows: int
    groups: int
    clusters: int

    @property
    def se(self) -> Floats:
        """(k,) standard errors of the slopes."""
        return np.asarray(np.sqrt(np.diag(self.covariance)), dtype=np.float64)


def inside(values: Floats, groups: Codes, count: int) -> Floats:
    """Values less the mean of their group; (n,) or (n, k).

    >>> inside(np.array([1.0, 3.0, 10.0]), np.array([0, 0, 1]), 2).tolist()
    [-1.0, 1.0, 0.0]
    """
    if values.ndim == 1:
        return np.asarray(values - grouped_mean(values, groups, count)[groups], dtype=np.float64)
    return np.column_stack([inside(values[:, j], groups, count) for j in range(values.shape[1])])


def fit_within(y: Floats, columns: Floats, groups: Codes, clusters: Codes, ordinary: bool = False) -> WithinFit:
    """Ordinary least squares of y on columns with a fixed effect per group and CR3 errors by cluster.

    y         (n,) one mean per run and part number;  columns  (n, k) parameters and date
    groups    (n,) 0..G-1, the fixed effects;  clusters  (n,) 0..C-1, the runs
    ordinary  with the ordinary errors of the residuals instead, as of a trial; no run is left out in turn
    Returns   WithinFit
    Raises    NotEstimable where a column is constant inside every group, columns move as one, or the fit
              would fall with one run
    Formula   for each run g solve (I - H_gg) r_g = e_g; V = (X'X)^-1 sum X_g' r_g r_g' X_g (X'X)^-1.
              The slopes without run g are b - (X'X)^-1 X_g' r_g, exactly, without a refit.
    Source    Bell & McCaffrey, Survey Methodology 28 (2002); HC3: MacKinnon & White, J. Econometrics 29 (1985)

    >>> x = np.array([[1.0], [2.0], [3.0], [4.0], [5.0], [6.0]])
    >>> f = fit_within(2.0 * x[:, 0] + 5.0, x, np.zeros(6, dtype=int), np.arange(6))
    >>> round(float(f.slopes[0]), 9)
    2.0
    """
    n, k = columns.shape
    group_count, cluster_count = int(groups.max()) + 1, int(clusters.max()) + 1
    x = inside(columns, groups, group_count)
    size = np.sqrt(np.sum(x * x, axis=0))
    reach = np.sqrt(np.sum((columns - columns.mean(axis=0)) ** 2, axis=0)) + 1e-12 * np.sqrt(np.sum(columns**2, axis=0))
    for j in range(k):
        if size[j] <= CONSTANT * reach[j] or size[j] == 0.0:
            raise NotEstimable("it never varied inside a part number", "constant", column=j)
    q, r = np.linalg.qr(x / size)
    q, r = _again(q, r)
    weak = np.abs(np.diag(r)) < 1e-7
    if weak.any():
        raise NotEstimable("its values follow the others exactly", "collinear", column=int(np.argmax(weak)))
    residual_df = n - group_count - k
    if residual_df < 1:
        raise NotEstimable("there are no more figures than unknowns", "no degrees")
    yi = inside(y, groups, group_count)
    scaled = q.T @ yi
    residual = yi - q @ scaled
    back = np.linalg.solve(r, np.eye(k)) / size[:, None]
    slopes = back @ scaled
    unscaled, residual_variance = back @ back.T, float(residual @ residual / residual_df)
    if ordinary:
        shift, covariance = np.zeros((0, k)), residual_variance * unscaled
    else:
        shift = _leave_out(q, residual, groups, clusters, group_count, cluster_count) @ back.T
        covariance = shift.T @ shift
    return WithinFit(
        slopes=slopes,
        covariance=covariance,
        left_out=slopes[None, :] - shift,
        unscaled=unscaled,
        residual_sd=float(np.sqrt(residual_variance)),
        residual_df=residual_df,
        rows=n,
        groups=group_count,
        clusters=cluster_count,
    )


def _again(q: Floats, r: Floats) -> tuple[Floats, Floats]:
    """A second orthogonalisation: keeps ill-conditioned columns (A-LONGLEY) accurate to the last digits."""
    q2, r2 = np.linalg.qr(q)
    return q2, r2 @ r


def _leave_out(
    q: Floats, residual: Floats, groups: Codes, clusters: Codes, group_count: int, cluster_count: int
) -> Floats:
    """(clusters, k) Q_g' (I - H_gg)^-1 e_g, all clusters of one size solved in one batch."""
    order = np.argsort(clusters, kind="stable")
    sizes = np.bincount(clusters, minlength=cluster_count)
    starts = np.concatenate(([0], np.cumsum(sizes)[:-1]))
    in_group = np.bincount(groups, minlength=group_count).astype(np.float64)
    out = np.zeros((cluster_count, q.shape[1]))
    for size in np.unique(sizes[sizes > 0]):
        which = np.flatnonzero(sizes == size)
        rows = order[starts[which][:, None] + np.arange(size)[None, :]]
        qb, gb = q[rows], groups[rows]
        hat = qb @ np.swapaxes(qb, 1, 2)
        hat += (gb[:, :, None] == gb[:, None, :]) / in_group[gb][:, :, None]
        rest = np.eye(size)[None, :, :] - hat
        if size == 1:
            lowest = rest[:, 0, 0]
        else:
            lowest = np.linalg.eigvalsh(rest)[:, 0]
        if (lowest < SINGULAR).any():
            cluster = int(which[int(np.argmin(lowest))])
            raise NotEstimable("it hangs on one run alone", "one run", cluster=cluster)
        solved = np.linalg.solve(rest, residual[rows][:, :, None])
        out[which] = (np.swapaxes(qb, 1, 2) @ solved)[:, :, 0]
    return out


def t_interval(estimate: float, se: float, df: float, confidence: float) -> tuple[float, float, float]:
    """(low, high, p) of an estimate with its standard error and degrees of freedom; p against zero.

    >>> [round(v, 4) for v in t_interval(6.33333, 2.03443, 8, 0.95)]
    [1.6419, 11.0247, 0.0144]
    """
    half = float(special.stdtrit(df, 0.5 + confidence / 2.0)) * se
    if se == 0.0:
        return estimate, estimate, 0.0 if estimate != 0.0 else 1.0
    p = 2.0 * float(special.stdtr(df, -abs(estimate / se)))
    return estimate - half, estimate + half, p


def adjusted(p: npt.ArrayLike) -> Floats:
    """Benjamini-Hochberg adjusted p values: the share of false finds to expect among all that are called at that level.

    For differences of treatments, of which many are listed. What one parameter goes with is a claim by itself and is
    adjusted by `familywise`: beside one true effect this one lets each useless parameter through at twice its level.


    p        (m,) raw p values, NaN where a parameter was refused (not counted)
    Returns  (m,) adjusted, NaN kept
    Source   Benjamini & Hochberg, J. R. Statist. Soc. B 57 (1995)

    >>> adjusted([0.01, 0.04, 0.03]).round(6).tolist()
    [0.03, 0.04, 0.04]
    """
    return _stepped(p, lambda raw, m: np.minimum.accumulate((raw * m / np.arange(1, m + 1))[::-1])[::-1])


def familywise(p: npt.ArrayLike) -> Floats:
    """Holm's adjusted p values: the chance of calling anything falsely, if all up to this one are called.

    p        (m,) raw p values, NaN where a parameter was refused (not counted)
    Returns  (m,) adjusted, NaN kept; holds whatever the p values have to do with each other
    Source   Holm, Scand. J. Statist. 6 (1979)

    >>> familywise([0.01, 0.04, 0.03]).round(6).tolist()
    [0.03, 0.06, 0.06]
    """
    return _stepped(p, lambda raw, m: np.maximum.accumulate(raw * (m - np.arange(m))))


def _stepped(p: npt.ArrayLike, step: Callable[[Floats, int], Floats]) -> Floats:
    """p values adjusted: step makes those that are known, rising, of themselves and their number; at most 1."""
    raw = np.asarray(p, dtype=np.float64)
    out = np.full(raw.shape, np.nan)
    known = np.flatnonzero(~np.isnan(raw))
    order = known[np.argsort(raw[known], kind="stable")]
    out[order] = np.minimum(step(raw[order], order.size), 1.0)
    return out
