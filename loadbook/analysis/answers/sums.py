"""The sums of a history that do not change with the variances: what each evaluation of the likelihood is made of.

Runs are eliminated by group sums (a rank-one update inside each run). Those of equally many pieces weigh alike whatever
the variances, so their products are added up once.
"""

from __future__ import annotations

from collections.abc import Sequence

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
        self.T = np.bincount(run, weights=weight, minlength=runs)
        self.Vz = np.bincount(run, weights=weight * z, minlength=runs)
        self.zz = float(z @ (n * z))
        self.log_n = float(np.log(n).sum())
        self.UtNz = np.concatenate([X.T @ (n * z), np.asarray(Z.T @ (n * z))])
        self.pieces, self.alike = np.unique(self.T, return_inverse=True)
        onto = sparse.csr_array((weight, (run, np.arange(cells))), shape=(runs, cells))
        self.Vd, self.Vs = np.asarray(onto @ X), sparse.csr_array(onto @ Z)
        self._pool(X, Z, n)

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

    def _pool(self, X: Floats, Z: sparse.csr_array, n: Floats) -> None:
        """Products of the columns' sums in each run, added up over the runs of equally many pieces; after them those
        of the cells."""
        kinds, p, m = len(self.pieces) + 1, X.shape[1], Z.shape[1]
        root = np.sqrt(n)
        kind = np.concatenate([self.alike, np.full(len(n), kinds - 1)])
        D = np.vstack([self.Vd, X * root[:, None]])
        S = sparse.csr_array(sparse.vstack([self.Vs, Z.multiply(root[:, None])], format="csr"))
        self._dense = np.empty((kinds, p * p))
        for k in range(kinds):
            some = D[kind == k]
            self._dense[k] = (some.T @ some).ravel()
        V = S.tocoo()
        key, of = np.unique(V.col.astype(np.int64) * kinds + kind[V.row], return_inverse=True)
        here = sparse.csr_array((V.data, (of, V.row)), shape=(len(key), len(kind)))
        self._mixed = np.asarray(here @ D)
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

    def products(self, of_runs: Floats, of_cells: float) -> Floats:
        """The arrow of V' diag(of_runs) V + of_cells U' diag(n) U, V the columns' sums in each run.

        of_runs (kinds,) for runs of equally many pieces
        """
        w, p = np.append(of_runs, of_cells), self.Vd.shape[1]
        m = self.layout.shared - p
        out = np.empty(self.layout.entries)
        shared, across, _ = self.layout.parts(out)
        shared[:p, :p] = (w @ self._dense).reshape(p, p)
        self._onto.data = w[self._kind]
        mixed = self._onto @ self._mixed
        shared[p:, :p], shared[:p, p:], across[:, :p] = mixed[:m], mixed[:m].T, mixed[m:]
        shared[p:, p:], across[:, p:], out[shared.size + across.size :] = 0.0, 0.0, 0.0
        out[self._at] = self._few @ w
        return out

    def runs_dot(self, x: Floats) -> Floats:
        """V x for a column vector."""
        p = self.Vd.shape[1]
        return np.asarray(self.Vd @ x[:p] + self.Vs @ x[p:], dtype=np.float64)

    def dot_runs(self, w: Floats) -> Floats:
        """V' w for a run vector."""
        return np.concatenate([self.Vd.T @ w, np.asarray(self.Vs.T @ w)])
