"""The sums of a history that do not change with the variances: what each evaluation of the likelihood is made of.

Runs are eliminated by group sums (a rank-one update inside each run). Those of equally many pieces weigh alike whatever
the variances, so the products of their sums are added up once, and no evaluation looks at a run or a cell again.
"""

from __future__ import annotations

from collections.abc import Sequence
from copy import copy

import numpy as np
from scipy import sparse

from loadbook.analysis.trace.model import Floats

from .blocks import layout
from .cells import Ints, OwnSlopes, Slopes, Term


class Sums:
    """Everything of the likelihood that does not change with the variances.

    U (N, q) sparse, the model's columns: those that touch all cells, then those that touch few, with the terms'
    `offsets`; everything else is in the order of `layout`.
    """

    def __init__(self, z: Floats, n: Floats, run: Ints, terms: Sequence[Term]) -> None:
        self.cells = cells = len(z)
        X, Z, factor = self._columns(cells, terms)
        p = X.shape[1]
        self.U = sparse.csr_array(sparse.hstack([sparse.csr_array(X), Z], format="csr"))
        self.layout = lay = layout(Z, factor, run, p)
        # the intercept belongs to no term; the runs' own columns to the variance after all terms
        owners = np.concatenate([self.owner, np.full(len(lay.alone), len(terms), dtype=np.int64)])
        self.owners = owners[lay.order]
        runs = int(run.max()) + 1
        if len(lay.alone):
            own = sparse.csr_array((np.ones(cells), (np.arange(cells), run)), shape=(cells, runs))[:, lay.alone]
            Z = sparse.csr_array(sparse.hstack([Z, own], format="csr"))
        Z = sparse.csr_array(Z[:, lay.order[p:] - p])
        weight = np.where(np.isin(run, lay.alone), 0.0, n) if len(lay.alone) else n  # of runs that are eliminated
        self.log_n = float(np.log(n).sum())
        self.pieces, alike, self.runs = np.unique(
            np.bincount(run, weights=weight, minlength=runs), return_inverse=True, return_counts=True
        )
        self._in_run = sparse.csr_array((weight, (run, np.arange(cells))), shape=(runs, cells))
        self._root, self._X = np.sqrt(n), X
        self._rows = np.concatenate(
            [alike, np.full(cells, len(self.pieces))]
        )  # what each run, then each cell weighs as
        self._pool(sparse.csr_array(sparse.vstack([self._in_run @ Z, Z.multiply(self._root[:, None])], format="csr")))
        self._move(z)

    def on(self, z: Floats) -> Sums:
        """The same of other movement of these cells."""
        other = copy(self)
        other._move(z)
        return other

    def _move(self, z: Floats) -> None:
        """Products of the columns that touch all, with the movement, added up over what weighs alike."""
        told = np.column_stack([self._X, z])
        D = np.vstack([self._in_run @ told, told * self._root[:, None]])
        self._dense = np.empty((len(self.pieces) + 1, D.shape[1] ** 2))
        for k in range(len(self._dense)):
            some = D[self._rows == k]
            self._dense[k] = (some.T @ some).ravel()
        self._mixed = np.asarray(self._here @ D)

    def _columns(self, cells: int, terms: Sequence[Term]) -> tuple[Floats, sparse.csr_array, Ints]:
        """Columns that touch all cells, those that touch few, and which factor each of the latter belongs to."""
        dense: list[Floats] = [np.ones((cells, 1))]
        self.offsets: dict[str, list[int]] = {}
        owner, factors, at = [-1], [], 1
        for k, term in enumerate(terms):
            if isinstance(term, Slopes):
                dense.append(term.columns)
                self.offsets[term.name] = [at]
                at += term.columns.shape[1]
                owner += [k] * term.columns.shape[1]
        few: list[sparse.csr_array] = []
        for k, term in enumerate(terms):
            if isinstance(term, Slopes):
                continue
            self.offsets[term.name] = []
            for columns in [term.columns] if isinstance(term, OwnSlopes) else term.indicators():
                self.offsets[term.name].append(at)
                factors += [len(few)] * columns.shape[1]
                owner += [k] * columns.shape[1]
                at += columns.shape[1]
                few.append(columns)
        Z = sparse.csr_array(sparse.hstack(few, format="csr")) if few else sparse.csr_array((cells, 0))
        self.owner = np.array(owner, dtype=np.int64)
        return np.hstack(dense), Z, np.array(factors, dtype=np.int64)

    def _pool(self, S: sparse.csr_array) -> None:
        """The same of the columns that touch few: S (R, m), of the runs, then of the cells."""
        kinds, kind, p, m = len(self.pieces) + 1, self._rows, self._X.shape[1], S.shape[1]
        V = S.tocoo()
        key, of = np.unique(V.col.astype(np.int64) * kinds + kind[V.row], return_inverse=True)
        here = sparse.csr_array((V.data, (of, V.row)), shape=(len(key), len(kind)))
        self._here = here
        self._kind, column = key % kinds, key // kinds
        ends = np.searchsorted(column, np.arange(m + 1))
        self._onto = sparse.csr_array((np.ones(len(key)), np.arange(len(key)), ends), shape=(m, len(key)))
        found = (here @ S).tocoo()
        entry = self.layout.entry(p + column[found.row], p + found.col.astype(np.int64))
        kept = entry >= 0
        self._at, row = np.unique(entry[kept], return_inverse=True)
        self._few = sparse.csr_array(
            (found.data[kept], (row, self._kind[found.row[kept]])), shape=(len(self._at), kinds)
        )

    def sizes(self, terms: int) -> Floats:
        """How many levels or columns each term has, how many runs there are, and cells."""
        own = np.bincount(self.owners + 1, minlength=terms + 2)[1:]
        return np.array([*own[:terms], self.runs.sum(), self.cells], dtype=float)

    def products(self, of_runs: Floats, of_cells: float) -> tuple[Floats, Floats, float]:
        """(arrow, (Q,), a number) V' diag(w) V + c U' diag(n) U, the same with the movement, and of the movement alone.

        V  the columns' sums in each run, w = of_runs (kinds,) for runs of equally many pieces;  c = of_cells
        """
        w, p = np.append(of_runs, of_cells), self._mixed.shape[1] - 1
        m = self.layout.shared - p
        out = np.empty(self.layout.entries)
        shared, across, _ = self.layout.parts(out)
        dense = (w @ self._dense).reshape(p + 1, p + 1)
        self._onto.data = w[self._kind]
        mixed = self._onto @ self._mixed
        shared[:p, :p], shared[p:, :p], shared[:p, p:] = dense[:p, :p], mixed[:m, :p], mixed[:m, :p].T
        across[:, :p] = mixed[m:, :p]
        shared[p:, p:], across[:, p:], out[shared.size + across.size :] = 0.0, 0.0, 0.0
        out[self._at] = self._few @ w
        return out, np.concatenate([dense[:p, p], mixed[:, p]]), float(dense[p, p])
