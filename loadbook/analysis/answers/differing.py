"""Whether a setting does the same in all materials: where it clearly does not, each has a slope of its own beside the
common one, drawn towards it. In the same way: whether furnaces drifted each in its own way, and whether a setting's
movement is a straight line.

Asked of the labels of a part number (material, its family, shape, condition) and of the part number itself, setting by
setting: r is what the common slopes and the date leave of a cell inside its part number, d the setting's deviation
less what the other columns tell of it, both over the part number's own scatter. Over the groups of a label

    SS = Σ_g (Σ d·r)² / Σ d²   against what is left,   F(groups − 1, cells − part numbers − columns − groups + 1)

which asks whether the slopes of the groups differ. Of labels whose F is that unlikely the one is taken that explains
most for its groups (Schwarz 1978, Annals of Statistics 6, 461-464): part numbers differ wherever materials do.

Measured: tests/trials/MEASURED.md, part numbers that are not alike.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import sparse
from scipy.special import fdtrc

from loadbook.analysis.trace.model import Floats

from .cells import FAMILY, Cells, Ints, OwnSlopes

TERM = "own slopes of groups"
LABELS = ("material", "family", *FAMILY[1:], "part")
SURE, ALSO = 0.03, 0.05  # chance of the clearest setting's F, and of others that join it
LEAST_CELLS = 5  # of a group whose slope is asked for; the others are one group
LEAST_DF = 4
PRIOR_DF = 5.0  # of the common scatter behind that of each part number


@dataclass(frozen=True)
class Differing:
    """By which label the slopes differ, and of which settings.

    label  'material', ..., 'part';  settings (k,) positions among the active ones, chances of such F each;  levels of
    the groups
    """

    label: str
    settings: tuple[int, ...]
    chances: tuple[float, ...]
    levels: dict[object, int]

    def term(self, cells: Cells, D: Floats) -> OwnSlopes:
        """The columns of every group's own slopes: the settings' deviations of its cells."""
        groups = cells.frame[self.label].map(self.levels).fillna(-1).to_numpy(dtype=np.int64)
        own = np.flatnonzero(groups >= 0)
        k = len(self.settings)
        at = groups[own, None] * k + np.arange(k)
        rows = np.repeat(own, k)
        shape = (len(D), len(self.levels) * k)
        return OwnSlopes(TERM, sparse.csr_array((D[own][:, self.settings].ravel(), (rows, at.ravel())), shape=shape))

    def row(self, level: object, d: Floats) -> Floats:
        """The same columns of a question."""
        k, out = len(self.settings), np.zeros(len(self.levels) * len(self.settings))
        group = self.levels.get(level)
        if group is not None:
            out[group * k : (group + 1) * k] = d[list(self.settings)]
        return out


@dataclass(frozen=True)
class Left:
    """What common slopes and the date leave of each cell inside its part number: left (N,), of df degrees; X (N, k + 1)
    the settings' deviations and the date inside part numbers; all over the part number's own scatter, 1/weight."""

    cells: Cells
    D: Floats
    X: Floats
    left: Floats
    weight: Floats
    df: float


def left_over(cells: Cells, D: Floats) -> Left | None:
    """The same of some cells; None where that is too little, or nothing. D (N, k) deviations of the settings."""
    series, many = cells.series, cells.many
    k = D.shape[1]
    df = len(D) - many - k - 1
    if not k or df < LEAST_DF + 1:
        return None
    count = np.bincount(series, minlength=many)

    def inside(x: Floats) -> Floats:
        return np.asarray(x - (np.bincount(series, weights=x, minlength=many) / count)[series], dtype=np.float64)

    day = inside(cells.frame["day"].to_numpy(dtype=float))
    X = np.column_stack([*D.T, day / max(float(day.std()), 1e-12)])
    y = inside(cells.z)
    left = y - X @ np.linalg.lstsq(X, y, rcond=None)[0]
    common = float(left @ left) / df
    if not common > 0.0:
        return None
    own = np.bincount(series, weights=left**2, minlength=many)
    weight = 1.0 / np.sqrt((own + PRIOR_DF * common) / (np.maximum(count - 1.0, 0.0) + PRIOR_DF))[series]
    X, y = X * weight[:, None], y * weight
    return Left(cells, D, X, y - X @ np.linalg.lstsq(X, y, rcond=None)[0], weight, df)


def differing(of: Left) -> Differing | None:
    """By which label the slopes of settings differ beyond chance; None where by none."""
    k, cells, left, df = of.D.shape[1], of.cells, of.left, of.df
    rest = [_less(of.X, j) for j in range(k)]
    best: tuple[float, Differing] | None = None
    for label in LABELS:
        group, levels = _groups(cells.frame[label])
        if len(levels) < 2:
            continue
        tested = [_tested(d, left, group, df) for d in rest]
        p = [chance for chance, _ in tested]
        gained = max((gain for chance, gain in tested if chance < SURE), default=-np.inf)
        if gained > (-np.inf if best is None else best[0]):
            found = [j for j in range(k) if p[j] < ALSO]
            best = gained, Differing(label, tuple(found), tuple(p[j] for j in found), levels)
    return best[1] if best else None


def drifting(of: Left) -> dict[object, int] | None:
    """The furnaces, where they drifted otherwise than each other beyond chance; None where they did not."""
    group, levels = _groups(of.cells.frame["furnace"])
    if len(levels) < 2:
        return None
    size = np.bincount(group)

    def inside(x: Floats) -> Floats:
        return np.asarray(x - (np.bincount(group, x) / np.maximum(size, 1))[group], dtype=np.float64)

    chance, _ = _tested(inside(_less(of.X, of.D.shape[1])), inside(of.left), group, of.df - len(levels))
    return levels if chance < SURE else None


def curved(of: Left) -> tuple[int, ...]:
    """The settings whose movement is no straight line, beyond chance: positions among the active ones."""
    out, series = [], of.cells.series
    count = np.bincount(series)
    for j in range(of.D.shape[1]):
        square = of.D[:, j] ** 2
        square = (square - (np.bincount(series, square) / count)[series]) * of.weight
        square = square - of.X @ np.linalg.lstsq(of.X, square, rcond=None)[0]
        size = float(square @ square)
        if size <= 1e-9 or of.df <= LEAST_DF:
            continue
        explained = float(square @ of.left) ** 2 / size
        noise = max(float(of.left @ of.left) - explained, 1e-12) / (of.df - 1.0)
        if fdtrc(1.0, of.df - 1.0, explained / noise) < SURE / of.D.shape[1]:
            out.append(j)
    return tuple(out)


def _less(X: Floats, j: int) -> Floats:
    """Column j less what the others tell of it."""
    others = np.delete(X, j, axis=1)
    return np.asarray(X[:, j] - others @ np.linalg.lstsq(others, X[:, j], rcond=None)[0], dtype=np.float64)


def _groups(labels: pd.Series) -> tuple[Ints, dict[object, int]]:
    """(N,) group of every cell, and the groups that are large enough; all others are one more."""
    code, found = pd.factorize(labels)
    often = (np.bincount(code, minlength=len(found)) >= LEAST_CELLS) & np.array([v != "" for v in found])
    place = np.where(often, np.cumsum(often) - 1, often.sum())
    return place[code], {v: int(place[i]) for i, v in enumerate(found) if often[i]}


def _tested(d: Floats, left: Floats, group: Ints, df: float) -> tuple[float, float]:
    """(chance of slopes that differ so much where they do not, what is gained by telling them apart: SS over what is
    left, less log(cells) for each group more)."""
    size = np.bincount(group, weights=d * d)
    told = size > 1e-9 * float(d @ d)
    many = int(told.sum()) - 1
    free = df - many
    if many < 1 or free < LEAST_DF:
        return 1.0, -np.inf
    explained = float((np.bincount(group, weights=d * left)[told] ** 2 / size[told]).sum())
    noise = max(float(left @ left) - explained, 1e-12 * float(left @ left)) / free
    return float(fdtrc(many, free, explained / many / noise)), explained / noise - float(np.log(len(d))) * many
