"""A run's channels on a coarse even grid, beside the furnace: what the slower detectors look at."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from .medians import median_of
from .model import Floats

Bools = npt.NDArray[np.bool_]
GRID_S = 60.0  # grid step: a minute, or more on a long run
GRID_POINTS = 2400  # most points of the grid


@dataclass(frozen=True)
class Grid:
    """The channels on an even grid, each point the mean of its valid samples (NaN where there are none).

    t        (m,) seconds, centres of the cells; step_s their width
    y        (c, m) °C
    furnace  (m,) °C: median of the valid control TCs, else the set point; NaN where there is neither
    setpoint (m,) °C or NaN
    """

    t: Floats
    y: Floats
    furnace: Floats
    setpoint: Floats
    step_s: float


@dataclass(frozen=True)
class Cells:
    """Which samples each cell of the grid has: the first one, and how many, in (m,) each."""

    first: npt.NDArray[np.intp]
    number: Floats
    full: bool  # there is no cell without a sample

    def means(self, values: Floats) -> Floats:
        """Mean of the valid samples of each cell, NaN where there is none."""
        good = np.isfinite(values)
        whole = bool(good.all())
        sums = np.add.reduceat(values if whole else np.where(good, values, 0.0), self.first)
        if whole and self.full:
            return np.asarray(sums / self.number)
        number = self.number if whole else np.add.reduceat(good.astype(np.float64), self.first)
        # reduceat gives a cell without samples the next sample
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.where((number > 0) & (self.number > 0), sums / number, np.nan)


def grid_of(t: Floats, y: Floats, control: Bools, setpoint: Floats | None, interval: float) -> tuple[Cells, Grid]:
    """The channels (c, n) and the set point (n,), where there is one, on a grid; interval is the samples' [s]."""
    length = float(t[-1] - t[0])
    step = max(GRID_S, length / GRID_POINTS, interval)
    count = int(length / step) + 1
    cell = np.minimum(((t - t[0]) / step).astype(np.intp), count - 1)
    starts = np.searchsorted(cell, np.arange(count + 1))
    number = np.diff(starts)
    cells = Cells(np.minimum(starts[:-1], len(t) - 1), number.astype(np.float64), bool(number.all()))
    means = np.array([cells.means(row) for row in y])
    programmed = np.full(count, np.nan) if setpoint is None else cells.means(setpoint)
    centres = t[0] + (np.arange(count) + 0.5) * step
    return cells, Grid(centres, means, furnace_of(means[control], programmed), programmed, step)


def furnace_of(control: Floats, setpoint: Floats) -> Floats:
    """Median of the valid control TCs at each moment, else the set point."""
    if not len(control):
        return setpoint.copy()
    found = median_of(control)
    return np.where(np.isfinite(found), found, setpoint)
