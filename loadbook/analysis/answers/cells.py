"""From pieces to cells: what the answer's model is fitted on; and what a question names.

A cell is the mean of the pieces of one run, part number, characteristic, setup, atmosphere, condition and material lot.

A term of the model is a grouping (one effect per level) or a few numeric columns; the terms are a list, so that
furnace, shift or plant can join.
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import sparse

from loadbook.analysis.quantiles import codes_of
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
            own, known = pd.factorize(np.fromiter(labels, dtype=object, count=len(labels)))  # None is in no level
            codes.append(own.astype(np.int64))
            levels.append({label: k for k, label in enumerate(known)})
        self.levels, self.codes = tuple(levels), tuple(codes)

    def indicators(self) -> list[sparse.csr_array]:
        """(N, levels) of each factor: 1 where a cell has the level."""
        out = []
        for codes, levels in zip(self.codes, self.levels, strict=True):
            here = codes >= 0
            ends = np.concatenate([[0], np.cumsum(here)])
            out.append(sparse.csr_array((np.ones(ends[-1]), codes[here], ends), shape=(len(codes), len(levels))))
        return out


@dataclass
class Slopes:
    """A term with numeric columns that share one variance. columns: (N, k), each on its own unit scale."""

    name: str
    columns: Floats


@dataclass
class OwnSlopes:
    """The same of many columns that touch few cells each: slopes of each part number's own. columns: (N, k) sparse."""

    name: str
    columns: sparse.csr_array


Term = Grouping | Slopes | OwnSlopes


FACTORS = ("setup", "atmosphere", "furnace")
FAMILY = ("material", "shape", "condition")
LOT = "heat_number"  # of the material
LEAST_IN_LOT = 2  # pieces on average
TEXT = ("run", "part", "characteristic", *FACTORS, *FAMILY, "family", "shift", "plant", LOT)
TRAITS = ("section_mm", "stress_per_rate")  # figures of a part number
CELL_KEY = ("run", "part", "characteristic", *FACTORS, "condition", LOT)


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

    def on(self, warp: Warp) -> Cells:
        """The same cells on another scale that is fitted."""
        z = warp.all_to(self.piece_told)
        mean = np.bincount(self.piece_cell, weights=z) / self.n
        return replace(self, z=mean, piece_z=z, within_ss=float(((z - mean[self.piece_cell]) ** 2).sum()))

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
            setup, atmosphere, condition, heat_number (material lot), material, family, shape, furnace, shift, plant,
            section_mm, stress_per_rate (see yielding.py), plannable settings
    warp    the scale that is fitted; the frame's z and piece_told stay on the working scale
    Returns Cells, sorted by day; rows whose z is missing are left out
    """
    frame = pieces[pieces["z"].notna()].reset_index(drop=True)
    for name in TEXT:
        frame[name] = _filled(frame[name]) if name in frame else ""
    if not _lots_of_pieces(frame):
        frame[LOT] = ""
    for name in ("day", *TRAITS, *PLANNABLE):
        frame[name] = pd.to_numeric(frame[name]).astype(float) if name in frame else np.nan
    code, _ = codes_of(*(frame[name] for name in CELL_KEY))
    kept = [*(c for c in TEXT if c not in CELL_KEY), "day", *TRAITS, *PLANNABLE]
    means = [c for c in kept if c not in TEXT]
    first = np.unique(code, return_index=True)[1]
    cells = frame[[*CELL_KEY, *(c for c in kept if c in TEXT)]].iloc[first].astype(object).reset_index(drop=True)
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


def _lots_of_pieces(frame: pd.DataFrame) -> bool:
    """Whether material lots hold several pieces each: a number of each piece's own is none."""
    named = frame.loc[frame[LOT] != "", ["part", "characteristic", LOT]]
    return bool(len(named)) and codes_of(*(named[name] for name in named))[1] * LEAST_IN_LOT <= len(named)


def _filled(labels: pd.Series) -> pd.Series:
    """An empty text where one is missing."""
    missing = labels.isna()
    return labels if not missing.any() else labels.astype(object).where(~missing, "")


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
