"""Thermal stress of heating as columns of the model: of fast ramps in thick sections it says what names and settings do
not.

Every part number has one figure, `stress_per_rate`: the yield at 20 °C [MPa] that each °C/h of heating asks for if its
section is to stay elastic. Times the heating rate it is what a run asked. A book does not know what its alloys yield
at, so no threshold is set: the model has a line with bends at the middle and the third quartile of the part numbers,
shrunken slopes of one variance.

Considered from LEAST_RUNS runs of LEAST_PARTS part numbers on that have the figure, nearly all of the history's, a
quarter of them asking for a yield that a metal may lack (thin sections stay elastic whatever they are made of); and
kept where part numbers left out in turn are told better by a log score of BETTER; else the model is what it would be
without. Figures, also of what was tried and left out: tests/trials/MEASURED.md.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from loadbook.analysis.physics.checks import SOFT_MPA
from loadbook.analysis.trace.model import Floats

from .cells import Cells

TERM = "thermal stress"
LEAST_RUNS, LEAST_PARTS = 100, 20
NEARLY_ALL = 0.9  # share of part numbers that have the figure
BETTER = 2.0
RATE = "heating_rate_peak_c_per_h"


@dataclass(frozen=True)
class Bent:
    """The columns: stress itself, and how far it is above each bend; each scaled to mean 0 and sd 1 of the cells.

    bends (k,) [MPa];  at, sd (k + 1,) of the columns;  parts (part numbers,) mean stress of each that has one [MPa]
    """

    bends: Floats
    at: Floats
    sd: Floats
    parts: Floats

    def columns(self, stress: Floats) -> Floats:
        """(N, k + 1) columns of a stress (N,) [MPa]; 0, as the mean is, where it is not known."""
        return np.nan_to_num((_bent(stress, self.bends) - self.at) / self.sd)


def _bent(stress: Floats, bends: Floats) -> Floats:
    return np.column_stack([stress, *(np.maximum(stress - b, 0.0) for b in bends)])


def stress_of(cells: Cells) -> Floats:
    """(N,) what the heating of each cell asked [MPa]; NaN where its part number or rate is not known."""
    return np.asarray(cells.frame["stress_per_rate"] * cells.frame[RATE], dtype=np.float64)


def bent(cells: Cells) -> Bent:
    """The columns' bends and scale; some cell has a stress."""
    stress = stress_of(cells)
    parts = np.asarray(pd.Series(stress).groupby(cells.part).mean().dropna(), dtype=np.float64)
    bends = np.asarray(np.quantile(parts, [0.5, 0.75]), dtype=np.float64)
    raw = _bent(stress, bends)
    sd = np.maximum(np.nanstd(raw, axis=0), 1e-9)
    return Bent(bends, np.asarray(np.nanmean(raw, axis=0), dtype=np.float64), np.asarray(sd, dtype=np.float64), parts)


def considered(cells: Cells) -> bool:
    """Whether the history is long enough to judge by, nearly all of it has the figure, and yielding can act."""
    have = np.isfinite(stress_of(cells))
    runs, parts = (len(np.unique(codes[have])) for codes in (cells.run, cells.part))
    enough = runs >= LEAST_RUNS and parts >= max(LEAST_PARTS, NEARLY_ALL * cells.parts)
    return bool(enough and bent(cells).bends[-1] >= SOFT_MPA)
