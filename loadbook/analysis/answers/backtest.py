"""How often the answers of the past would have been right: left-out errors in closed form, and what they earn.

For a group g (each run for known part numbers, each part number for new ones) the error of predicting its cells from
all others is (S_gg)⁻¹α_g with covariance (S_gg)⁻¹, where S = K⁻¹ and α = S z. Nothing is fitted again.
Every piece gets a score t = (z − m₋g)/sd₋g. Groups weigh 1/(G+1) each, shared equally by their runs and then by the
pieces; the missing 1/(G+1) sits at infinity, so that a quantile too far out for the evidence is infinite. Runs are
many and bear that. Part numbers are few: of fourteen, 90 % would be the worst but none; their quantile is the plain
one, widened as t is against the normal law and drawn towards the model's own (`drawn`).

Source: leave-one-out identities of Gaussian processes (Rasmussen & Williams 2006, eq. 5.12); the mass at infinity is
that of split conformal prediction (rank ceil((n+1)(1−a)) of n scores: Vovk, Gammerman & Shafer 2005), here by group.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import sparse
from scipy.special import betaincinv, ndtri, stdtrit

from loadbook.analysis.trace.model import Floats

from .cells import Ints
from .fit import Fit

PSEUDO_RUNS = 10.0
MODEL_GROUPS = 10.0  # how many part numbers the model's own quantile speaks for
_DIRECT = 250  # a group of more cells than this is solved through its columns, not its cells


@dataclass(frozen=True)
class Scores:
    """Left-out scores of the pieces of one grouping.

    score, weight   (pieces,) t and its share of 1/(G+1); sd (pieces,) what t was divided by;
                    cell (pieces,) the cell it belongs to
    group           (pieces,) code of the group left out; groups: how many, G
    """

    score: Floats
    weight: Floats
    cell: Ints
    group: Ints
    groups: int
    sd: Floats


def weighted_quantile(values: Floats, weights: Floats, content: float) -> float:
    """Smallest value whose cumulative weight reaches content; infinite where all the weight does not reach it.

    >>> t = np.arange(1.0, 10.0)                # nine groups of one piece: 1/10 each, 1/10 at infinity
    >>> weighted_quantile(t, np.full(9, 0.1), 0.90), weighted_quantile(t, np.full(9, 0.1), 0.95)
    (9.0, inf)
    """
    order = np.argsort(values, kind="stable")
    reached = np.cumsum(weights[order])
    k = int(np.searchsorted(reached, content - 1e-9))
    return float(values[order[k]]) if k < len(order) else float("inf")


def drawn(quantile: float, groups: int, content: float) -> float:
    """A plain back-tested quantile of few groups, widened for their number and drawn towards the model's own.

    quantile  without mass at infinity;  groups G behind it
    Formula   log q = w log(quantile t(G-1)/z) + (1 - w) log t(G-2),  w = G/(G + 10): the model speaks for ten groups

    >>> [round(drawn(1.6, g, 0.90), 3) for g in (6, 14, 400)]
    [2.066, 1.747, 1.605]
    """
    tail = (1.0 + content) / 2.0
    own = quantile * float(stdtrit(max(groups - 1, 1), tail) / ndtri(tail))
    model = float(stdtrit(max(groups - 2, 1), tail))
    w = groups / (groups + MODEL_GROUPS)
    return float(np.exp(w * np.log(max(own, 1e-9)) + (1.0 - w) * np.log(model)))


def reach(found: Scores, factor: Floats, content: float, few: bool) -> float:
    """The back-tested distance q: how many standard deviations hold `content`.

    factor  (pieces,) class factor;  few: groups are part numbers (see drawn); else infinite where they are too few
    """
    scaled = np.abs(found.score) / factor
    if not few:
        return weighted_quantile(scaled, found.weight, content)
    whole = found.weight * (found.groups + 1) / found.groups
    return drawn(weighted_quantile(scaled, whole, content), found.groups, content)


def groups_needed(content: float) -> int:
    """Fewest groups for which a back-tested quantile of that content is finite.

    >>> groups_needed(0.90), groups_needed(0.95), groups_needed(0.99)
    (9, 19, 99)
    """
    return int(np.ceil(content / (1.0 - content) - 1e-9))


def left_out(fitted: Fit, group: Ints) -> tuple[Floats, Floats]:
    """Error and variance of every cell's mean when its whole group is left out.

    group   (N,) code of the group of each cell
    Returns (error (N,), variance (N,)): z − m₋g, and the variance of that difference
    """
    a = 1.0 / fitted.s2
    n, run, alone = fitted.n, fitted.run, fitted.C.layout.alone
    runs = int(run.max()) + 1
    told = np.where(np.isin(run, alone), 0.0, n)  # of runs without a column of their own
    T = np.bincount(run, weights=told, minlength=runs)
    rho = np.asarray(fitted.run_var / (1.0 + fitted.run_var * a * T), dtype=np.float64)
    rho[alone] = 0.0
    own = sparse.csr_array((np.ones(len(n)), (np.arange(len(n)), run)), shape=(len(n), runs))[:, alone]
    U = sparse.csr_array(sparse.hstack([fitted.U, own], format="csr"))
    to_run = sparse.csr_array((n, (run, np.arange(len(n)))), shape=(runs, len(n)))
    V = sparse.csr_array(to_run @ U)
    spread = sparse.csr_array(((a * rho)[run], (np.arange(len(n)), run)), shape=(len(n), runs))
    H = sparse.csr_array(sparse.csr_array(U - spread @ V).multiply((a * n)[:, None]))
    zc = fitted.z - fitted.centre
    straight = a * n * (zc - (a * rho * np.bincount(run, weights=n * zc, minlength=runs))[run])
    alpha = straight - np.asarray(H @ fitted.C.times(H.T @ zc))
    P, R = fitted.C.halves(H)
    left = _LeftOut(a * n, rho, run, alpha, P, R, fitted.C.layout.first)

    error = np.empty(len(n))
    variance = np.empty(len(n))
    order = np.argsort(group, kind="stable")
    sizes = np.bincount(group)
    ends = np.cumsum(sizes)
    for size in np.unique(sizes[sizes > 0]):
        which = np.flatnonzero(sizes == size)
        if size <= _DIRECT:
            step = max(1, int(2_000_000 // (size * max(P.shape[1], size))))
            for lo in range(0, len(which), step):
                cells = order[ends[which[lo : lo + step], None] - size + np.arange(size)]
                error[cells], variance[cells] = left.direct(cells)
        else:
            for g in which:
                cells = order[ends[g] - size : ends[g]]
                error[cells], variance[cells] = left.through_columns(cells)
    return error, variance


@dataclass(frozen=True)
class _LeftOut:
    """S = diag(weight) - same run x rho weight weight' - P P' - R R', and alpha = S z, in the cells' order.

    P (N, s), R (N, L) sparse;  first (L,) where the block of its columns begins: a cell touches one alone
    """

    weight: Floats
    rho: Floats
    run: Ints
    alpha: Floats
    P: Floats
    R: sparse.csr_array
    first: Ints

    def direct(self, cells: Ints) -> tuple[Floats, Floats]:
        """Error and variance of groups of equal size (rows of `cells`), each by inverting its own block of S."""
        groups, size = cells.shape
        half = self.P[cells]
        S = -half @ half.transpose(0, 2, 1)
        rows = sparse.csr_array(self.R[cells.ravel()])
        if rows.nnz:
            first = self.first[rows.indices]
            at, place = np.repeat(np.arange(cells.size), np.diff(rows.indptr)), rows.indices - first
            flat, blocks = np.zeros((cells.size, int(place.max()) + 1)), np.full(cells.size, -1)
            flat[at, place], blocks[at] = rows.data, first
            own, of = flat.reshape(groups, size, -1), blocks.reshape(groups, size)
            S -= (of[:, :, None] == of[:, None, :]) * (own @ own.transpose(0, 2, 1))
        weight, run = self.weight[cells], self.run[cells]
        same = run[:, :, None] == run[:, None, :]
        S -= same * (weight[:, :, None] * weight[:, None, :]) * self.rho[run][:, :, None]
        diagonal = np.arange(size)
        S[:, diagonal, diagonal] += weight
        inverse = np.linalg.inv(S)
        error = (inverse @ self.alpha[cells][:, :, None])[:, :, 0]
        return np.asarray(error), np.asarray(inverse[:, diagonal, diagonal])

    def through_columns(self, cells: Ints) -> tuple[Floats, Floats]:
        """The same of one large group by the Woodbury identity: its cost grows with its columns, not with its cells
        squared."""
        rows = sparse.csr_array(self.R[cells])
        half = np.hstack([self.P[cells], rows[:, np.unique(rows.indices)].toarray()])
        weight = self.weight[cells]
        runs, code = np.unique(self.run[cells], return_inverse=True)
        inside = np.bincount(code, weights=weight)
        gain = self.rho[runs] / (1.0 - self.rho[runs] * inside)

        def inverse_noise(x: Floats) -> Floats:
            sums = np.zeros((len(runs), x.shape[1]))
            np.add.at(sums, code, x)
            return np.asarray(x / weight[:, None] + (gain[:, None] * sums)[code], dtype=float)

        PH = inverse_noise(half)
        inner = np.eye(half.shape[1]) - half.T @ PH
        base = inverse_noise(self.alpha[cells][:, None])[:, 0]
        error = base + PH @ np.linalg.solve(inner, half.T @ base)
        variance = 1.0 / weight + gain[code] + np.einsum("ij,ij->i", PH, np.linalg.solve(inner, PH.T).T)
        return np.asarray(error), np.asarray(variance)


def scores(fitted: Fit, group: Ints, piece_z: Floats, piece_cell: Ints) -> Scores:
    """Score of every piece with its group left out, and the weight of each.

    group (N,) of the cells; piece_z (pieces,) working scale; piece_cell (pieces,) cell of each
    """
    error, variance = left_out(fitted, group)
    cell_n = fitted.n[piece_cell]
    sd = np.sqrt(np.maximum(variance[piece_cell] - fitted.s2 / cell_n + fitted.s2, fitted.s2))
    mean = fitted.z[piece_cell] - error[piece_cell]
    _, compact = np.unique(group, return_inverse=True)
    groups = int(compact.max()) + 1
    pair = compact[piece_cell].astype(np.int64) * (int(fitted.run.max()) + 1) + fitted.run[piece_cell]
    _, pair_code, pieces = np.unique(pair, return_inverse=True, return_counts=True)
    first = np.unique(pair, return_index=True)[1]
    runs_of_group = np.bincount(compact[piece_cell][first], minlength=groups)
    weight = 1.0 / ((groups + 1) * runs_of_group[compact[piece_cell]] * pieces[pair_code])
    return Scores((piece_z - mean) / sd, weight, np.asarray(piece_cell), compact[piece_cell], groups, sd)


def class_factors(found: Scores, run: Ints, classes: Sequence[str]) -> dict[str, float]:
    """Spread factor per class: rms score of the class over that of all, shrunk with ten pseudo-runs of factor 1.

    run (pieces,), classes (pieces,) labels
    """
    labels = np.asarray(classes, dtype=object)
    square = np.minimum(found.score**2, 36.0)  # beyond six it is a blunder, not a spread
    overall = float(np.average(square, weights=found.weight))
    out: dict[str, float] = {}
    for name in sorted(set(classes)):
        here = labels == name
        own = float(np.average(square[here], weights=found.weight[here])) / overall if overall > 0 else 1.0
        runs = len(np.unique(run[here]))
        out[name] = float(np.sqrt((runs * own + PSEUDO_RUNS) / (runs + PSEUDO_RUNS)))
    return out


def held_shares(found: Scores, factor: Floats, content: float, few: bool = False) -> npt.NDArray[np.bool_]:
    """Which pieces the interval would have held, its quantile taken from the other groups only.

    factor, few   as in `reach`. A group is never part of the evidence that sets its own width.
    """
    scaled = np.abs(found.score) / factor
    order = np.argsort(scaled, kind="stable")
    sorted_scores, weights, groups = scaled[order], found.weight[order] * (found.groups + 1), found.group[order]
    total = np.cumsum(weights)
    need = content * (found.groups - few) - 1e-9  # of G − 1 other groups, plus one at infinity where they are runs
    held = np.zeros(len(scaled), dtype=bool)
    by_group = np.argsort(groups, kind="stable")
    bounds = np.concatenate([[0], np.cumsum(np.bincount(groups, minlength=found.groups))])
    base = int(np.searchsorted(total, need))
    top = min(int(np.searchsorted(total, need + 1.0)), len(total) - 1)
    # every limit lies between these two places, whichever group is left out: only scores between them need a search
    held[order[: base + 1]] = not few
    if top < 0 or base >= len(total):
        return np.ones(len(scaled), dtype=bool)
    for g in range(found.groups) if few else np.unique(groups[base + 1 : top + 1]):
        mine = np.sort(by_group[bounds[g] : bounds[g + 1]])
        own = np.cumsum(weights[mine])
        low, high = base, min(top + 1, len(total))
        while low < high:
            middle = (low + high) // 2
            inside = int(np.searchsorted(mine, middle, side="right"))
            others = total[middle] - (own[inside - 1] if inside else 0.0)
            low, high = (low, middle) if others >= need else (middle + 1, high)
        limit = sorted_scores[low] if low < len(total) else np.inf
        held[order[mine]] = sorted_scores[mine] <= (drawn(limit, found.groups - 1, content) if few else limit)
    return held


def binomial_interval(held: float, runs: float) -> tuple[float, float]:
    """Clopper-Pearson 95 % interval of a share whose unit is the run (held may be a sum of shares of runs).

    >>> [round(x, 4) for x in binomial_interval(9, 10)]
    [0.555, 0.9975]
    """
    low = 0.0 if held <= 0 else float(betaincinv(held, runs - held + 1.0, 0.025))
    high = 1.0 if held >= runs else float(betaincinv(held + 1.0, runs - held, 0.975))
    return low, high


@dataclass(frozen=True)
class Coverage:
    """Share of pieces that were held, each run counting once; low, high its 95 % interval by what was left out."""

    held: float
    low: float
    high: float
    runs: int
    pieces: int


def coverage(held: npt.NDArray[np.bool_], run: Ints, group: Ints | None = None) -> Coverage:
    """Coverage of pieces, averaged inside each run first.

    held (pieces,); run (pieces,) codes; group (pieces,) codes of what was left out in turn, the unit of the binomial
    interval (None: the runs). Runs of one part number left out whole miss or hold together.
    """
    codes, inverse, counts = np.unique(run, return_inverse=True, return_counts=True)
    share = np.bincount(inverse, weights=held.astype(float)) / counts
    mean = float(share.mean())
    units = len(codes) if group is None else len(np.unique(group))
    low, high = binomial_interval(mean * units, units)
    return Coverage(mean, low, high, len(codes), len(held))
