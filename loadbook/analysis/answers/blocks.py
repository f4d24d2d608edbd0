"""Which columns of the model belong to a part number alone, and the covariance of all of them from its blocks.

Most columns touch the cells of one part number only: its own level, its furnaces, its stretch since a break. Put into
blocks beside the few that all share, the precision is a block arrow: every block is eliminated for itself (a Schur
complement onto the shared columns), so that time and memory grow with the number of blocks and not with the cube of
all columns. What shares a block follows from which cells a column touches, not from what its term is called: some
terms, the coarsest first, are taken as shared, and what still hangs together through cells and runs is a block. A run
whose cells lie in several blocks either holds them together or gets a column of its own among the shared ones,
whichever costs less. Where nothing is gained (few columns, or all hang together) all columns are shared.

Source: elimination of nested random effects (Bates & DebRoy 2004, J. Multivariate Analysis 91, 1-17; Pinheiro & Bates
2000, Mixed-Effects Models in S and S-PLUS, ch. 2).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from itertools import pairwise

import numpy as np
import numpy.typing as npt
from scipy import sparse
from scipy.linalg import lapack
from scipy.sparse.csgraph import connected_components

from loadbook.analysis.trace.model import Floats
from loadbook.core.errors import CalculationError

from .cells import Ints

FEW = 120  # columns of levels up to which blocks cost more than they save


@dataclass(frozen=True)
class Layout:
    """The order of the columns: shared ones, then blocks, those of one size together.

    order   (Q,) the model's column at each place, place its inverse; the runs' own columns are the model's last
    shared  how many columns are shared, s;  sizes  (how many blocks, columns of each) in turn
    first   (L,) where the block of every other column begins (of L)
    row     (L,) where its row begins among the entries of all blocks
    alone   runs that have a column of their own
    """

    order: Ints
    place: Ints
    shared: int
    sizes: tuple[tuple[int, int], ...]
    first: Ints
    row: Ints
    alone: Ints

    @property
    def entries(self) -> int:
        """Entries of the arrow: shared x shared, blocks x shared, inside blocks."""
        s, own = self.shared, len(self.first)
        return s * s + own * s + sum(count * size**2 for count, size in self.sizes)

    def entry(self, i: Ints, j: Ints) -> Ints:
        """Where the entry (i, j) of two places is kept; -1 where it is that of its mirror."""
        s, own = self.shared, len(self.first)
        k, m = np.maximum(i - s, 0), np.maximum(j - s, 0)
        if not own:
            return i * s + j
        inside = s * s + own * s + self.row[k] + m - self.first[k]
        return np.where(i < s, np.where(j < s, i * s + j, -1), np.where(j < s, s * s + k * s + j, inside))

    def parts(self, arrow: Floats) -> tuple[Floats, Floats, list[Floats]]:
        """Views of an arrow's entries: (s, s), (L, s), and (blocks, size, size) of each size."""
        s, own = self.shared, len(self.first)
        at, inside = s * s + own * s, []
        for count, size in self.sizes:
            inside.append(arrow[at : at + count * size**2].reshape(count, size, size))
            at += count * size**2
        return arrow[: s * s].reshape(s, s), arrow[s * s : s * s + own * s].reshape(own, s), inside

    def form(self, arrow: Floats, x: Floats) -> float:
        """x' A x of a symmetric arrow."""
        shared, across, inside = self.parts(arrow)
        first, rest = x[: self.shared], x[self.shared :]
        total = float(first @ shared @ first) + 2.0 * float(rest @ (across @ first))
        for where, m in zip(self.by_size(), inside, strict=True):
            own = rest[where].reshape(m.shape[0], -1, 1)
            total += float(np.vdot(own, m @ own))
        return total

    def by_size(self) -> list[slice]:
        """Where the blocks of each size lie (of L)."""
        ends = np.cumsum([0, *(count * size for count, size in self.sizes)])
        return [slice(int(a), int(b)) for a, b in pairwise(ends)]


def layout(levels: sparse.csr_array, factor: Ints, run: Ints, dense: int) -> Layout:
    """The order that costs least.

    levels  (N, m) the columns that touch few cells each;  factor (m,) which grouping each belongs to
    run     (N,) codes;  dense  how many columns come before them that touch all cells
    """
    m = levels.shape[1]
    best, chosen, alone = float(dense + m) ** 3, np.full(m, -1), np.zeros(0, dtype=np.int64)
    if m > FEW:
        runs = int(run.max()) + 1
        touched = sparse.csr_array((np.ones(levels.nnz), levels.indices, levels.indptr), levels.shape)
        in_run = sparse.csr_array((np.ones(len(run)), (run, np.arange(len(run)))), (runs, len(run)))
        by_run = sparse.csr_array(in_run @ touched)
        widths = np.bincount(factor)
        coarse = np.argsort(widths, kind="stable")
        for many in range(len(coarse)):
            if float(dense + widths[coarse[:many]].sum()) ** 3 >= best:
                break
            own = ~np.isin(factor, coarse[:many])
            for graph, splits in ((by_run, False), (touched, True)):
                block, crossing = _components(graph, own, run if splits else None)
                cost = _cost(block, dense + len(crossing))
                if cost < best:
                    best, chosen, alone = cost, block, crossing
    return _ordered(chosen, dense, alone)


def _components(graph: sparse.csr_array, own: npt.NDArray[np.bool_], run: Ints | None) -> tuple[Ints, Ints]:
    """Block of every column (-1: shared), and the runs that lie in several.

    graph  (rows, m) which columns each row (a run, or a cell) touches;  own (m,) the columns that are not shared
    run    (rows,) where rows are cells
    """
    rows, m = graph.shape
    some = sparse.csr_array(graph[:, np.flatnonzero(own)])
    k = some.shape[1]
    ends = np.concatenate([some.indptr, np.full(k, some.indptr[-1])])
    both = sparse.csr_array((some.data, some.indices + rows, ends), (rows + k, rows + k))
    _, of = connected_components(both, directed=False)
    block = np.full(m, -1)
    block[own] = of[rows:]
    if run is None:
        return block, np.zeros(0, dtype=np.int64)
    low, high = np.full(int(run.max()) + 1, rows + k), np.full(int(run.max()) + 1, -1)
    touches = np.diff(some.indptr) > 0
    np.minimum.at(low, run[touches], of[:rows][touches])
    np.maximum.at(high, run[touches], of[:rows][touches])
    return block, np.flatnonzero(low < high)


def _cost(block: Ints, shared: int) -> float:
    """Of one evaluation, in multiplications: blocks, what they say of the shared columns, and those."""
    _, size = np.unique(block[block >= 0], return_counts=True)
    s = float(shared + (block < 0).sum())
    return s**3 + float((size.astype(float) ** 3).sum()) + 2.0 * float(size.sum()) * s**2


def _ordered(block: Ints, dense: int, alone: Ints) -> Layout:
    m = len(block)
    own = np.flatnonzero(block >= 0)
    _, code, size = np.unique(block[own], return_inverse=True, return_counts=True)
    by = np.lexsort((own, code, size[code]))
    own, code = own[by], code[by]
    begins = np.flatnonzero(np.diff(code, prepend=-1))
    first = np.repeat(begins, size[code[begins]])
    order = np.concatenate(
        [np.arange(dense), dense + np.flatnonzero(block < 0), dense + m + np.arange(len(alone)), dense + own]
    ).astype(np.int64)
    width = size[code]
    each, counts = np.unique(size, return_counts=True)
    sizes = tuple(zip(counts.tolist(), each.tolist(), strict=True))
    return Layout(order, np.argsort(order), len(order) - len(own), sizes, first, np.cumsum(width) - width, alone)


@dataclass(frozen=True)
class Covariance:
    """The posterior covariance of the model's columns, never formed as a whole.

    In the layout's order it is F S F' + E: S (s, s) of the shared columns, F = [I; -W] with W (L, s), and E the blocks
    given the shared columns (one array for each size).
    """

    layout: Layout
    S: Floats
    W: Floats
    E: list[Floats]
    WS: Floats

    def diagonal(self) -> Floats:
        """(Q,) of the layout's order."""
        inside = [np.diagonal(e, axis1=1, axis2=2).ravel() for e in self.E]
        own = np.concatenate(inside) + np.einsum("ij,ij->i", self.WS, self.W) if inside else np.zeros(0)
        return np.concatenate([np.diag(self.S), own])

    def against(self, arrow: Floats) -> float:
        """The sum of all entries times those of a symmetric arrow."""
        shared, across, inside = self.layout.parts(arrow)
        total = float(np.vdot(self.S, shared)) - 2.0 * float(np.vdot(self.WS, across))
        for where, e, m in zip(self.layout.by_size(), self.E, inside, strict=True):
            told = m @ self.W[where].reshape(e.shape[0], e.shape[1], -1)
            total += float(np.vdot(e, m)) + float(np.vdot(self.WS[where], told))
        return total

    def solve(self, x: Floats) -> Floats:
        """The product with a vector (Q,), both in the layout's order."""
        s = self.layout.shared
        shared = self.S @ (x[:s] - self.W.T @ x[s:])
        inside = [
            (e @ x[s:][where].reshape(e.shape[0], -1, 1)).ravel()
            for where, e in zip(self.layout.by_size(), self.E, strict=True)
        ]
        return np.asarray(np.concatenate([shared, *inside]) - np.concatenate([np.zeros(s), self.W @ shared]))

    def times(self, x: Floats) -> Floats:
        """The product with a vector of the model's columns."""
        whole = np.zeros(len(self.layout.order))
        whole[self.layout.place[: len(x)]] = x
        return np.asarray(self.solve(whole)[self.layout.place[: len(x)]], dtype=np.float64)

    def block(self, at: Ints) -> Floats:
        """(k, k) of some of the model's columns."""
        i, s = self.layout.place[at], self.layout.shared
        own = i >= s
        F = np.zeros((len(i), s))
        F[np.flatnonzero(~own), i[~own]] = 1.0
        F[own] = -self.W[i[own] - s]
        out = F @ self.S @ F.T
        if own.any():
            k = i[own] - s
            same = self.layout.first[k][:, None] == self.layout.first[k][None, :]
            where = self.layout.row[k][:, None] + k[None, :] - self.layout.first[k][:, None]
            out[np.ix_(own, own)] += np.where(same, self._entries[np.where(same, where, 0)], 0.0)
        return np.asarray(out, dtype=np.float64)

    @cached_property
    def _entries(self) -> Floats:
        return np.concatenate([e.ravel() for e in self.E])

    def quadratic(self, rows: Floats) -> Floats:
        """(rows,) r' C r of each row of the model's columns."""
        at = np.flatnonzero(rows.any(axis=0))
        return np.asarray(np.einsum("ij,jk,ik->i", rows[:, at], self.block(at), rows[:, at]), dtype=np.float64)

    def halves(self, rows: sparse.csr_array) -> tuple[Floats, sparse.csr_array]:
        """Two factors P (N, s), R (N, L) with rows C rows' = P P' + R R'; rows (N, Q) of the model's columns."""
        lay, s = self.layout, self.layout.shared
        placed = sparse.csc_array(rows)[:, lay.order]
        own = sparse.csr_array(placed[:, s:])
        shared = placed[:, :s].toarray() - own @ self.W
        ends = np.append(lay.row, lay.entries - s * s - len(self.W) * s)
        columns = np.arange(ends[-1]) + np.repeat(lay.first - lay.row, np.diff(ends))
        values = np.concatenate([np.zeros(0), *(_half(e).ravel() for e in self.E)])
        half = sparse.csr_array((values, columns, ends), shape=(len(self.W), len(self.W)))
        return np.asarray(shared @ _half(self.S)), sparse.csr_array(own @ half)

    def with_prior(self, columns: Ints, precision: Floats, beta: Floats) -> tuple[Covariance, Floats]:
        """(covariance, posterior mean) after some shared columns got another prior.

        columns (k,), precision (k,) what is added to theirs;  beta (q,) the posterior mean as it is
        """
        s, place = self.layout.shared, self.layout.place[: len(beta)]
        at = place[columns]
        if (at >= s).any():
            raise ValueError("only the prior of shared columns is changed")
        free = np.linalg.inv(self.S)
        free[at, at] += precision
        S = np.linalg.inv(free)
        change = -S[:, at] @ (precision * beta[columns])
        return replace(self, S=S, WS=self.W @ S), beta + np.concatenate([change, -self.W @ change])[place]


def _half(matrices: Floats) -> Floats:
    """Lower factors of symmetric matrices, scaled by their diagonals so that tiny variances beside large ones keep."""
    root = np.sqrt(np.diagonal(matrices, axis1=-2, axis2=-1))
    scaled = matrices / (root[..., :, None] * root[..., None, :])
    return np.asarray(np.linalg.cholesky(scaled) * root[..., :, None], dtype=np.float64)


def inverted(lay: Layout, arrow: Floats, g: Floats) -> tuple[Covariance, float]:
    """(the inverse of G⁻¹ + arrow, log determinant of I + arrow G) for prior variances g (Q,), in the layout's order.

    Raises  CalculationError where it is not positive definite
    """
    s, root = lay.shared, np.sqrt(g)
    shared, across, inside = lay.parts(arrow)
    log_det = 0.0
    W = np.empty((len(lay.first), s))
    E: list[Floats] = []
    for where, m in zip(lay.by_size(), inside, strict=True):
        count, size, _ = m.shape
        r = root[s:][where].reshape(count, size)
        scale = r[:, :, None] * r[:, None, :]
        a = m * scale
        a[:, np.arange(size), np.arange(size)] += 1.0
        try:
            half = np.linalg.cholesky(a)
        except np.linalg.LinAlgError:
            raise _singular() from None
        log_det += 2.0 * float(np.log(np.diagonal(half, axis1=1, axis2=2)).sum())
        E.append(np.asarray(np.linalg.inv(a) * scale, dtype=np.float64))
        W[where] = (E[-1] @ across[where].reshape(count, size, s)).reshape(-1, s)
    A = shared - across.T @ W if inside else shared
    A = A * root[:s, None] * root[:s]
    A[np.diag_indices(s)] += 1.0
    chol, info = lapack.dpotrf(A, lower=1)
    if info:
        raise _singular()
    log_det += 2.0 * float(np.log(np.diag(chol)).sum())
    S, _ = lapack.dpotri(chol, lower=1)
    S = (np.tril(S) + np.tril(S, -1).T) * root[:s, None] * root[:s]
    return Covariance(lay, S, W, E, W @ S), log_det


def _singular() -> CalculationError:
    return CalculationError(
        "the covariance of this history cannot be inverted", remedy="Look for readings entered twice"
    )
