"""The Gaussian model behind an answer: grouped and sloped terms on cell means, fitted by penalised likelihood.

Cells are (run, part number, characteristic, ...) means of pieces. Their covariance is

    K = c0·11' + Σ_k θ_k·U_k U_k' + θ_run·(same run) + s²·diag(1/n)

where every U_k is either the indicators of a grouping (same family, same part, same furnace, ...) or a few
numeric columns (deviations of settings, date). Nothing of size cells x cells is ever formed: runs are eliminated by
group sums (`sums`), everything else by the Woodbury identity with one column per level, part number by part number
(`blocks`), so that the cost grows with the part numbers. `dense_covariance` builds K itself, for the tests that hold
both equal and for the forward test.

Source: linear mixed models (Henderson's equations; Robinson 1991, Statistical Science 6, 15-32); the penalty that
keeps standard deviations off zero is Chung et al. 2013, Psychometrika 78, 685-709.
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy import sparse
from scipy.optimize import minimize

from loadbook.analysis.trace.model import Floats
from loadbook.core.errors import CalculationError

from .blocks import Covariance, inverted
from .cells import Grouping, Ints, Term
from .sums import Sums

REACH = 2.0  # the penalty on a standard deviation peaks at this many standard deviations of the cell means
VAGUE = 100.0  # variance of the intercept about the mean of all cells, in variances of the cell means


@dataclass(frozen=True)
class Row:
    """One cell to predict, in the model's own columns.

    at       column numbers and their values (sparse)
    unknown  variance that comes from levels never seen (a new part, a new furnace)
    """

    at: Ints
    values: Floats
    unknown: float


@dataclass
class Fit:
    """A fitted model: variances per term, posterior mean and covariance of every column.

    z (N,) cell means on the working scale, n (N,) pieces per cell, run (N,) codes; theta[name] variances;
    s2 variance inside a cell; sums what the likelihood was taken of
    U (N, q) sparse; beta (q,), C posterior mean and covariance; g (q,) prior variances
    """

    z: Floats
    n: Floats
    run: Ints
    terms: list[Term]
    theta: dict[str, float]
    run_var: float
    s2: float
    centre: float
    U: sparse.csr_array
    beta: Floats
    C: Covariance
    g: Floats
    offsets: dict[str, list[int]]
    log_likelihood: float
    sums: Sums

    def row(self, labels: Mapping[str, Sequence[Hashable | None]], columns: Mapping[str, Floats]) -> Row:
        """The model's row of a cell described by its labels (per grouping, one per factor) and slope columns.

        A label that is None or was never seen adds its term's whole variance; a grouping that is not named, nothing.
        """
        at, values, unknown = [0], [1.0], 0.0
        for term in self.terms:
            starts = self.offsets[term.name]
            if not isinstance(term, Grouping):
                row = columns.get(term.name)
                if row is not None:
                    told = np.flatnonzero(row)
                    at += (starts[0] + told).tolist()
                    values += row[told].tolist()
                continue
            if term.name not in labels:
                continue
            for factor, (label, known) in enumerate(zip(labels[term.name], term.levels, strict=True)):
                code = known.get(label) if label is not None else None
                if code is None:
                    unknown += self.theta[term.name]
                else:
                    at.append(starts[factor] + code)
                    values.append(1.0)
        return Row(np.array(at, dtype=np.int64), np.array(values), unknown)

    def mean(self, row: Row) -> float:
        """Expected movement of that row."""
        return self.centre + float(row.values @ self.beta[row.at])

    def mean_variance(self, row: Row) -> float:
        """Variance of that expectation (v − S2 − s²): what the history leaves open about the mean."""
        return max(float(row.values @ self.C.block(row.at) @ row.values), 0.0) + row.unknown

    def covariance_with_cells(self, row: Row) -> Floats:
        """(N,) prior covariance between the row and every cell, the intercept left out: how near they are."""
        shared = np.zeros(len(self.g))
        keep = row.at > 0
        shared[row.at[keep]] = self.g[row.at[keep]] * row.values[keep]
        return np.asarray(self.U @ shared, dtype=float)


@dataclass
class _State:
    value: float
    gradient: Floats
    beta: Floats
    C: Covariance
    g: Floats
    log_likelihood: float


@dataclass(frozen=True)
class _Given:
    """What the likelihood is taken at: number of terms, the intercept's variance, s² where it is fixed, what is known
    inside cells (degrees, sum of squares) and the scale of the penalty (sd of the cell means)."""

    terms: int
    vague: float
    s2: float | None
    within: tuple[float, float]
    scale: float


def _evaluate(sums: Sums, log_var: Floats, given: _Given) -> _State:
    """Penalised negative log likelihood and gradient in the log variances: terms, run, then s² where it is free."""
    terms, scale = given.terms, given.scale
    var = np.exp(log_var)
    run_var = float(var[terms])
    s2 = float(var[terms + 1]) if given.s2 is None else given.s2
    a = 1.0 / s2
    shrink = np.asarray(1.0 / (1.0 + run_var * a * sums.pieces), dtype=np.float64)  # by pieces in a run
    M, b, zz = sums.products(-a * a * run_var * shrink, a)
    g = np.where(sums.owners < 0, given.vague, var[np.maximum(sums.owners, 0)])
    C, log_det = inverted(sums.layout, M, g)
    beta = C.solve(b)
    quad = zz - float(b @ beta)
    log_lik = -0.5 * (
        sums.cells * (np.log(s2) + np.log(2 * np.pi)) - sums.log_n - float(sums.runs @ np.log(shrink)) + log_det + quad
    )
    traces = np.bincount(sums.owners + 1, weights=1.0 - C.diagonal() / g, minlength=terms + 2)
    quads = np.bincount(sums.owners + 1, weights=beta**2 / g, minlength=terms + 2)
    M, b, zz = sums.products(a * a * shrink**2, 0.0)  # what is left of the runs' sums: their effects over run_var
    run_quad = run_var * (zz - 2.0 * float(b @ beta) + sums.layout.form(M, beta)) + quads[-1]
    run_trace = run_var * (a * float(sums.runs @ (sums.pieces * shrink)) - C.against(M)) + traces[-1]
    gradient = np.empty(len(log_var))
    gradient[:terms] = 0.5 * (traces[1:-1] - quads[1:-1])
    gradient[terms] = 0.5 * (run_trace - run_quad)
    value = -log_lik
    penalised = terms + 1
    if given.s2 is None:
        df, ss = given.within
        gradient[terms + 1] = 0.5 * (sums.cells - traces[:-1].sum() - run_trace - (quad - quads[:-1].sum() - run_quad))
        value += 0.5 * (df * log_var[terms + 1] + ss / s2)
        gradient[terms + 1] += 0.5 * (df - ss / s2)
        penalised = terms + 1 if df > 0 else terms + 2
    sd = np.sqrt(var[:penalised])
    value -= float(np.sum(0.5 * log_var[:penalised] - sd / (REACH * scale)))
    gradient[:penalised] -= 0.5 * (1.0 - sd / (REACH * scale))
    return _State(value, gradient, beta, C, g, log_lik)


def fit(
    z: Floats, n: Floats, run: Ints, terms: Sequence[Term], within_df: float = 0.0, within_ss: float = 0.0,
    like: Fit | None = None, same: Fit | None = None,
) -> Fit:  # fmt: skip
    """Fit the variances of the terms, of the run and (with few repeats inside cells) of the piece.

    z          (N,) cell means on the working scale;  n (N,) pieces in each;  run (N,) codes from 0
    terms      the list of groupings and slopes; a term without levels or columns is left out
    within_df, within_ss   pieces − cells, and the sum of squares inside cells; from ten degrees on s² is their
               ratio, below it s² is fitted together with the rest, with what they say as its likelihood
    like       a fit of nearly the same, whose variances are where the search begins
    same       a fit of other movement of the same cells with the same terms, whose columns are laid out already
    Raises     CalculationError where all cells are the same
    """
    z = np.asarray(z, dtype=float)
    n = np.asarray(n, dtype=float)
    run = np.asarray(run, dtype=np.int64)
    kept = [t for t in terms if (sum(map(len, t.levels)) if isinstance(t, Grouping) else t.columns.shape[1])]
    centre = float(z.mean())
    scale = float(z.std(ddof=1)) if len(z) > 1 else 0.0
    if not scale > 1e-12 * max(abs(centre), 1.0):
        raise CalculationError(
            "every movement recorded is the same, so how far they spread cannot be told",
            remedy="Measure with a gauge that resolves the movement",
        )
    sums = Sums(z - centre, n, run, kept) if same is None else same.sums.on(z - centre)
    spread = scale**2
    s2_fixed = max(within_ss / within_df, 1e-6 * spread) if within_df >= 10 else None
    free = len(kept) + 1 + (s2_fixed is None)
    start = np.full(free, np.log(spread / (len(kept) + 2)))
    if like is not None:
        start[: len(kept)] = np.log([like.theta.get(t.name, spread * 1e-2) for t in kept])
        start[len(kept)] = np.log(like.run_var)
    bounds = float(np.log(spread * 1e-7)), float(np.log(spread * 1e3))
    given = _Given(len(kept), VAGUE * spread, s2_fixed, (within_df, within_ss), scale)

    # in about their standard errors: the log variance of a term of many levels is far surer than that of one column
    unit = np.sqrt(1.0 + sums.sizes(len(kept))[:free] / 2.0)

    def target(x: Floats) -> tuple[float, Floats]:
        state = _evaluate(sums, x / unit, given)
        return state.value, state.gradient / unit

    start = np.clip(start, *bounds) * unit
    best = minimize(
        target, start, jac=True, method="L-BFGS-B", bounds=[(bounds[0] * u, bounds[1] * u) for u in unit],
        options={"maxiter": 200, "ftol": 1e-10},
    )  # fmt: skip
    found = best.x / unit
    state = _evaluate(sums, found, given)
    var, own = np.exp(found), sums.layout.place[: sums.U.shape[1]]
    return Fit(
        z, n, run, kept, {t.name: float(v) for t, v in zip(kept, var, strict=False)},
        float(var[len(kept)]), float(var[-1]) if s2_fixed is None else s2_fixed,
        centre, sums.U, state.beta[own], state.C, state.g[own], sums.offsets, state.log_likelihood, sums,
    )  # fmt: skip


def dense_covariance(fitted: Fit, chosen: Ints | None = None) -> Floats:
    """K itself (cells x cells), of all cells or those chosen, in their order; for a few thousand at most."""
    at = np.arange(len(fitted.n)) if chosen is None else chosen
    U, run = sparse.csc_array(fitted.U[at]), fitted.run[at]
    full = np.diff(U.indptr) > len(at) // 4  # a column of few levels or none: sparse products would only cost more
    X, Z = U[:, np.flatnonzero(full)].toarray(), sparse.csr_array(U[:, np.flatnonzero(~full)])
    K = (X * fitted.g[full]) @ X.T + (Z.multiply(fitted.g[~full]) @ Z.T).toarray()
    same_run = run[:, None] == run[None, :]
    return np.asarray(K + fitted.run_var * same_run + np.diag(fitted.s2 / fitted.n[at]), dtype=float)
