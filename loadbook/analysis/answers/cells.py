"""From pieces to cells: what the answer's model is fitted on; and what a question names.

A cell is the mean of the pieces of one run, part number, characteristic, setup, atmosphere and condition.

Terms of the answer's model, and the sums of a history that do not change with the variances.

A term is a grouping (one effect per level) or a few numeric columns; the terms are a list, so that furnace, shift or
plant can join. Runs are eliminated by group sums; everything else has one column per level or slope.
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import sparse

from loadbook.analysis.trace.model import Floats
from loadbook.core.vocabulary.parameters import PLANNABLE

Ints = npt.NDArray[np.int64]
PART = "same part"  # the term of what all runs of a part number share


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

    def of(self, cells: npt.NDArray[np.bool_]) -> Grouping:
        """The term of some cells."""
        return Grouping(self.name, tuple([v for v, here in zip(f, cells, strict=True) if here] for f in self.factors))


@dataclass
class Slopes:
    """A term with numeric columns that share one variance. columns: (N, k), each on its own unit scale."""

    name: str
    columns: Floats

    def of(self, cells: npt.NDArray[np.bool_]) -> Slopes:
        """The term of some cells."""
        return Slopes(self.name, self.columns[cells])


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


FACTORS = ("setup", "atmosphere", "furnace")
FAMILY = ("material", "shape", "condition")
TEXT = ("run", "part", "characteristic", *FACTORS, *FAMILY, "family", "shift", "plant")
TRAITS = ("section_mm", "stress_per_rate")  # figures of a part number
CELL_KEY = ("run", "part", "characteristic", *FACTORS, "condition")


@dataclass(frozen=True)
class Break:
    """A declared step in the history: from `day` on (of one furnace, or of all) the history starts anew."""

    day: float
    what: str
    furnace: str | None = None


@dataclass
class Cells:
    """Cells of one history.

    frame    one row per cell: the key columns, other labels, day, traits, plannable settings, z (mean), n
    z, n     (N,) mean movement on the scale that is fitted, pieces;  run, part, series (N,) codes
    piece_z, piece_cell   (pieces,) every piece's movement and its cell;  piece_told the same on the working scale
    within_df, within_ss  pieces − cells, sum of squares inside cells
    """

    frame: pd.DataFrame
    z: Floats
    n: Floats
    run: Ints
    part: Ints
    series: Ints
    piece_z: Floats
    piece_cell: Ints
    within_df: float
    within_ss: float
    piece_told: Floats

    @property
    def runs(self) -> int:
        return int(self.run.max()) + 1 if len(self.run) else 0

    @property
    def parts(self) -> int:
        return int(self.part.max()) + 1 if len(self.part) else 0

    @property
    def many(self) -> int:
        """How many part x characteristic series there are (what the method counts as part numbers)."""
        return int(self.series.max()) + 1 if len(self.series) else 0


@dataclass(frozen=True)
class Warp:
    """The scale that is fitted: c·asinh(z/c), for movement whose spread grows with its size; c infinite: z itself.

    >>> w = Warp(10.0)
    >>> round(w.to(100.0), 3), round(w.back(w.to(-100.0)), 6), Warp().to(5.0)
    (29.982, -100.0, 5.0)
    """

    c: float = float("inf")

    def to(self, z: float) -> float:
        return float(self.all_to(np.array([z]))[0])

    def back(self, w: float) -> float:
        return float(self.all_back(np.array([w]))[0])

    def all_back(self, w: Floats) -> Floats:
        if not np.isfinite(self.c):
            return w
        return np.asarray(self.c * np.sinh(np.clip(w / self.c, -50.0, 50.0)), dtype=np.float64)

    def all_to(self, z: Floats) -> Floats:
        return z if not np.isfinite(self.c) else np.asarray(self.c * np.arcsinh(z / self.c), dtype=np.float64)


PLAIN = Warp()


def make_cells(pieces: pd.DataFrame, warp: Warp = PLAIN) -> Cells:
    """Cells of a frame with one row per piece and characteristic.

    pieces  columns run, part, z (movement on the working scale), day (days, any origin); optional: characteristic,
            setup, atmosphere, condition, material, family, shape, furnace, shift, plant, section_mm, stress_per_rate
            (see yielding.py), plannable settings
    warp    the scale that is fitted; the frame's z and piece_told stay on the working scale
    Returns Cells, sorted by day; rows whose z is missing are left out
    """
    frame = pieces[pieces["z"].notna()].reset_index(drop=True)
    for name in TEXT:
        values = frame[name].astype(object) if name in frame else pd.Series([None] * len(frame), dtype=object)
        frame[name] = values.where(values.notna(), "")
    for name in ("day", *TRAITS, *PLANNABLE):
        frame[name] = pd.to_numeric(frame[name]).astype(float) if name in frame else np.nan
    grouped = frame.groupby(list(CELL_KEY), sort=False)
    code = grouped.ngroup().to_numpy()
    kept = [*(c for c in TEXT if c not in CELL_KEY), "day", *TRAITS, *PLANNABLE]
    means = [c for c in kept if c not in TEXT]
    first = ~frame.duplicated(list(CELL_KEY))
    cells = frame.loc[first, [*CELL_KEY, *(c for c in kept if c in TEXT)]].reset_index(drop=True)
    count = np.bincount(code)
    for name in means:
        column = frame[name].to_numpy()
        known = np.isfinite(column)
        total = np.bincount(code, weights=np.where(known, column, 0.0))
        have = np.bincount(code, weights=known.astype(float))
        cells[name] = np.divide(total, have, out=np.full(len(count), np.nan), where=have > 0)
    told = frame["z"].to_numpy(dtype=float)
    z = warp.all_to(told)
    cells["z"] = np.bincount(code, weights=told) / count
    mean = np.bincount(code, weights=z) / count
    cells["n"] = count.astype(float)
    order = np.argsort(cells["day"].to_numpy(), kind="stable")
    cells = cells.iloc[order].reset_index(drop=True)
    place = np.empty(len(order), dtype=np.int64)
    place[order] = np.arange(len(order))
    piece_cell = place[code]
    mean = mean[order]
    series = cells["part"].astype(str) + "\x1f" + cells["characteristic"].astype(str)
    return Cells(
        cells, mean, cells["n"].to_numpy(), _codes(cells["run"]), _codes(cells["part"]), _codes(series), z, piece_cell,
        float(len(z) - len(cells)), float(((z - mean[piece_cell]) ** 2).sum()), told,
    )  # fmt: skip


def _codes(labels: pd.Series) -> Ints:
    return np.asarray(pd.factorize(labels)[0], dtype=np.int64)


@dataclass(frozen=True)
class Asked:
    """What is asked about: one part (known or new), treated in one way, on one day.

    part, characteristic   a known part number has cells under these; a new one names neither or an unknown one
    settings               plannable parameter -> planned value (missing: the part's mean is taken)
    stress_per_rate        of a new part number (see yielding.py); a known one has its own
    """

    part: str | None = None
    characteristic: str | None = None
    material: str | None = None
    family: str | None = None
    shape: str | None = None
    condition: str | None = None
    setup: str | None = None
    atmosphere: str | None = None
    furnace: str | None = None
    plant: str | None = None
    section_mm: float | None = None
    stress_per_rate: float | None = None
    day: float | None = None
    settings: Mapping[str, float] = field(default_factory=dict)


THICK, THIN = "thick sections", "thin sections"  # the spread classes: above the middle part number's, and up to it


def class_of(section_mm: float | None, edge: float) -> str:
    """Name of the spread class of a section, parted at `edge` [mm]."""
    if section_mm is None or not np.isfinite(section_mm):
        return "section not recorded"
    return THICK if section_mm > edge else THIN


def spread_classes(cells: Cells, declared: str | None) -> tuple[float | None, list[str]]:
    """Spread class of every cell: a declared column, else thin and thick, parted at the median part number."""
    if declared is not None:
        return None, [str(v) for v in cells.frame[declared]]
    section = cells.frame["section_mm"].to_numpy(dtype=float)
    per_part = section[np.unique(cells.part, return_index=True)[1]]
    known = per_part[np.isfinite(per_part)]
    if len(np.unique(known)) < 2:
        return None, ["all"] * len(section)
    edge = min(float(np.quantile(known, 0.5, method="lower")), float(np.unique(known)[-2]))
    return edge, [class_of(s, edge) for s in section]
