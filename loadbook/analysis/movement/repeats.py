"""What repeated readings of one piece scatter by, as a share of what its movement scatters by."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from loadbook.analysis.quantiles import Floats

from .percent import LOG, PERCENT

if TYPE_CHECKING:
    import pandas as pd

FEWEST_DF = 10  # repeats beyond the first, over all pieces, from which their scatter is told


@dataclass(frozen=True)
class Readings:
    """Variances on the working scale [unit of y squared]: of a movement as it was read, and of one that was read once
    before and once after; df repeats beyond the first."""

    as_read: float
    once: float
    df: int


OF_READINGS = ("y", "unit", "movement_mm", "before_mm", "after_mm", "before_scatter_mm", "after_scatter_mm", "repeats")


def readings(frame: pd.DataFrame) -> Readings | None:
    """What readings alone add to the scatter of movements, from pieces that were read more than once.

    frame    rows of one stratum with the columns OF_READINGS: before_scatter_mm and after_scatter_mm are standard
             deviations of the repeats, repeats the fewer of the two stages
    Returns  None where fewer than FEWEST_DF repeats say it
    Formula  s² of one reading pooled over pieces and stages; of a movement s²(1/k + 1/k) with k repeats a stage
    """
    rows = frame[frame["y"].notna()]
    spread = np.column_stack([_numbers(rows, f"{stage}_scatter_mm") for stage in ("before", "after")])
    count = np.maximum(np.nan_to_num(_numbers(rows, "repeats"), nan=1.0), 1.0)
    free = np.where(np.isfinite(spread) & (count[:, None] > 1.0), count[:, None] - 1.0, 0.0)
    df = int(free.sum())
    if df < FEWEST_DF:
        return None
    single = float(np.sum(free * np.nan_to_num(spread) ** 2) / free.sum())
    per_mm = _per_mm_squared(rows)
    once = single * float(per_mm.mean())
    return Readings(single * float((per_mm / count).mean()), once, df)


def _per_mm_squared(rows: pd.DataFrame) -> Floats:
    """(n,) how a movement's variance on the working scale goes with that of its two readings [mm²]."""
    unit = str(rows["unit"].iloc[0])
    if unit in (LOG, PERCENT, "%"):
        before, after = _numbers(rows, "before_mm"), _numbers(rows, "after_mm")
        with np.errstate(divide="ignore"):
            each = 1e4 / before**2 + 1e4 / after**2
        return np.where(np.isfinite(each), each, np.nanmedian(each))
    y, moved = _numbers(rows, "y"), _numbers(rows, "movement_mm")
    far = np.abs(moved) > 0
    factor = float(np.median(np.abs(y[far] / moved[far]))) if far.any() else 1.0
    return np.full(len(rows), 2.0 * factor**2)


def _numbers(frame: pd.DataFrame, name: str) -> Floats:
    return frame[name].to_numpy(dtype=np.float64, na_value=np.nan)
