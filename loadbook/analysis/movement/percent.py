"""Form errors are worked with as logarithms and told as true percentages of the reading before; here is the change.

LOG is the name of the working scale (100·ln(after/before)) and never leaves the program; PERCENT is what a person, a
chart and JSON read: 100·(after/before − 1). Order statistics change exactly. A mean becomes that of the ratios'
geometric mean, a difference of two treatments by how many per cent the one's reading after is above the other's for
the same reading before, a slope the per cent that each unit adds on top of the last.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any, overload

import numpy as np

from loadbook.analysis.quantiles import Floats

if TYPE_CHECKING:
    import pandas as pd

LOG, PERCENT = "log", "percent"


@overload
def of_log(y: float) -> float: ...
@overload
def of_log(y: Floats) -> Floats: ...
def of_log(y: float | Floats) -> float | Floats:
    """True per cent of a figure on the log scale.

    >>> round(of_log(100 * np.log(3.37)), 6)
    237.0
    """
    told = 100.0 * np.expm1(np.minimum(y, 2000.0) / 100.0)
    return np.asarray(told, dtype=np.float64) if isinstance(y, np.ndarray) else float(told)


def over(value: float, steps: float) -> float:
    """What a slope of `value` per cent for one unit comes to over so many units.

    >>> over(10.0, 2.0), round(over(21.0, 0.5), 6)
    (21.0, 10.0)
    """
    return float(round(100.0 * ((1.0 + value / 100.0) ** steps - 1.0), 12))


def shown(unit: str, factor: float) -> Callable[[Any], Any]:
    """How figures (numbers or arrays) of a working scale are shown: per cent for LOG, else times the unit's factor."""
    return of_log if unit == LOG else lambda y: y * factor


def mean(values: Floats, unit: str) -> float:
    """Mean of told movements; of per cents the geometric one of their ratios, as the tables have it."""
    if unit != PERCENT:
        return float(values.mean())
    return of_log(float(100.0 * np.log1p(np.maximum(values, -100.0 + 1e-9) / 100.0).mean()))


def in_percent(frame: pd.DataFrame, columns: Sequence[str], unit: str = "unit") -> pd.DataFrame:
    """The frame with its rows of the log scale in true per cent; columns it does not have are passed over."""
    if unit not in frame or not len(frame):
        return frame
    log = (frame[unit] == LOG).to_numpy()
    if not log.any():
        return frame
    out = frame.copy()
    for name in (c for c in columns if c in out):
        values = np.array(out[name], dtype=np.float64)
        values[log] = of_log(values[log])
        out[name] = values
    out[unit] = out[unit].astype("str").where(~log, PERCENT)
    return out
