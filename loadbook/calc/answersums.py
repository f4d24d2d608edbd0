"""Terms of the answer's model, and the sums of a history that do not change with the variances.

A term is a grouping (one effect per level) or a few numeric columns; the terms are a list, so that furnace, shift or
plant can join. Runs are eliminated by group sums; everything else has one column per level or slope.
"""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
from scipy import sparse

from loadbook.calc.model import Floats

Ints = npt.NDArray[np.int64]


@dataclass
class Grouping:
    """A term with one effect per level: cells of the same level move together.

    factors  one array of N labels each (None: this cell belongs to no level of it); several factors of one term
             share its variance ("same material + same shape + same condition")
    """

    name: str
    factors: tuple[Sequence[Hashable | None], ...]
    levels: tuple[dict[Hashable, int], ...] = field(default=(), init=False)
    codes: tuple[Ints, ...] = field(default=(), init=False)

    def __post_init__(self) -> None:
        levels, codes = [], []
        for labels in self.factors:
            known: dict[Hashable, int] = {}
            codes.append(
                np.array([-1 if v is None else known.setdefault(v, len(known)) for v in labels], dtype=np.int64)
            )
            levels.append(known)
        self.levels, self.codes = tuple(levels), tuple(codes)


@dataclass
class Slopes:
    """A term with numeric columns that share one variance. columns: (N, k), each on its own unit scale."""

    name: str
    columns: Floats


Term = Grouping | Slopes


class Sums:
    """Everything of the likelihood that does not change with the variances."""

    def __init__(self, z: Floats, n: Floats, run: Ints, terms: Sequence[Term]) -> None:
        cells = len(z)
        dense: list[Floats] = [np.ones((cells, 1))]
        self.offsets: dict[str, list[int]] = {}
        self.owner: list[int] = [-1]
        at = 1
        for k, term in enumerate(terms):
            if isinstance(term, Slopes):
                dense.append(term.columns)
                self.offsets[term.name] = [at]
                at += term.columns.shape[1]
                self.owner += [k] * term.columns.shape[1]
        self.p = at
        rows: list[Ints] = []
        cols: list[Ints] = []
        for k, term in enumerate(terms):
            if isinstance(term, Grouping):
                self.offsets[term.name] = []
                for codes, levels in zip(term.codes, term.levels, strict=True):
                    here = np.flatnonzero(codes >= 0)
                    rows.append(here)
                    cols.append(codes[here] + at - self.p)
                    self.offsets[term.name].append(at)
                    at += len(levels)
                    self.owner += [k] * len(levels)
        self.q = at
        X = np.hstack(dense)
        i = np.concatenate(rows) if rows else np.zeros(0, dtype=np.int64)
        j = np.concatenate(cols) if cols else np.zeros(0, dtype=np.int64)
        Z = sparse.csr_array((np.ones(len(i)), (i, j)), shape=(cells, self.q - self.p))
        self.U = sparse.csr_array(sparse.hstack([sparse.csr_array(X), Z], format="csr"))
        runs = int(run.max()) + 1
        Zr = sparse.csr_array((np.ones(cells), (run, np.arange(cells))), shape=(runs, cells))
        self.T = np.bincount(run, weights=n, minlength=runs)
        self.Vz = np.bincount(run, weights=n * z, minlength=runs)
        self.zz = float(z @ (n * z))
        NX = X * n[:, None]
        NZ = sparse.csr_array(Z.multiply(n[:, None]))
        self.Vd = np.asarray(Zr @ NX)
        self.Vs = sparse.csr_array(Zr @ NZ)
        self.UtNz = np.concatenate([NX.T @ z, np.asarray(NZ.T @ z)])
        self.UtNU = self._gram(X, Z, n)
        self.owners = np.array(self.owner)
        self.log_n = float(np.log(n).sum())
        self.cells = cells

    def _gram(self, D: Floats, S: sparse.csr_array, w: Floats) -> Floats:
        """[D S]' diag(w) [D S] for a dense and a sparse half."""
        out = np.empty((self.q, self.q))
        Dw = D * w[:, None]
        out[: self.p, : self.p] = D.T @ Dw
        if self.q > self.p:
            cross = np.asarray(S.T @ Dw)
            out[self.p :, : self.p] = cross
            out[: self.p, self.p :] = cross.T
            out[self.p :, self.p :] = (S.T @ sparse.csr_array(S.multiply(w[:, None]))).toarray()
        return out

    def gram_runs(self, w: Floats) -> Floats:
        return self._gram(self.Vd, self.Vs, w)

    def runs_dot(self, x: Floats) -> Floats:
        """V x for a column vector."""
        return np.asarray(self.Vd @ x[: self.p] + self.Vs @ x[self.p :], dtype=np.float64)

    def dot_runs(self, w: Floats) -> Floats:
        """V' w for a run vector."""
        return np.concatenate([self.Vd.T @ w, np.asarray(self.Vs.T @ w)])
