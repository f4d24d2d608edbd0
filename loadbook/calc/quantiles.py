"""Quantiles and robust spread, one definition everywhere: the (n+1)p quantile."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Codes = npt.NDArray[np.intp]
Bools = npt.NDArray[np.bool_]

MAD_TO_SD = 1.482602218505602  # 1 / Phi^-1(0.75): makes the median absolute deviation a standard deviation


def quantile(values: npt.ArrayLike, p: float) -> float:
    """The (n+1)p quantile of values, linear between order statistics, the extreme value outside them.

    values  (n,) any unit, n >= 1, NaN ignored;  p  0..1
    Returns the quantile in the unit of values, NaN where there is no value
    Source  NIST/SEMATECH e-Handbook 7.2.6.2 (the definition); with fewer than 1/p - 1 values it is the extreme one

    >>> quantile([1.0, 2.0, 3.0, 4.0], 0.5)
    2.5
    >>> quantile([1.0, 2.0, 3.0], 0.95)
    3.0
    """
    x = np.asarray(values, dtype=np.float64)
    x = x[~np.isnan(x)]
    if x.size == 0:
        return float("nan")
    return float(np.quantile(x, p, method="weibull"))


def grouped_quantiles(values: Floats, codes: Codes, groups: int, ps: Sequence[float]) -> Floats:
    """The (n+1)p quantiles of every group at once.

    values  (n,) without NaN;  codes  (n,) group of each value, 0..groups-1
    Returns (len(ps), groups), NaN for an empty group

    >>> grouped_quantiles(np.array([3.0, 1.0, 7.0]), np.array([0, 0, 1]), 2, [0.5]).tolist()
    [[2.0, 7.0]]
    """
    order = np.lexsort((values, codes))
    ordered = values[order]
    counts = np.bincount(codes, minlength=groups)
    starts = np.concatenate(([0], np.cumsum(counts)[:-1]))
    out = np.full((len(ps), groups), np.nan)
    some = counts > 0
    for row, p in enumerate(ps):
        place = np.clip((counts[some] + 1) * p - 1.0, 0.0, counts[some] - 1.0)
        below = np.floor(place).astype(np.intp)
        above = np.minimum(below + 1, counts[some] - 1)
        low, high = ordered[starts[some] + below], ordered[starts[some] + above]
        out[row, some] = low + (place - below) * (high - low)
    return out


def grouped_mean(values: Floats, codes: Codes, groups: int) -> Floats:
    """Mean of every group, NaN for an empty one.

    >>> grouped_mean(np.array([1.0, 3.0, 5.0]), np.array([0, 0, 1]), 2).tolist()
    [2.0, 5.0]
    """
    counts = np.bincount(codes, minlength=groups).astype(np.float64)
    sums = np.bincount(codes, weights=values, minlength=groups)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray(sums / counts, dtype=np.float64)


def codes_of(*columns: Any) -> tuple[Codes, int]:
    """Group numbers 0..k-1 of the distinct combinations of columns, and k, in order of first appearance.

    columns  sequences of equal length; missing values form a group of their own
    """
    import pandas as pd

    codes = np.zeros(len(columns[0]), dtype=np.intp)
    count = 1
    for column in columns:
        values = column if isinstance(column, pd.Series) else pd.Series(np.asarray(column))
        one, levels = pd.factorize(values, use_na_sentinel=False)  # a series as it is: its texts are not copied
        codes = codes * max(len(levels), 1) + one
        codes, distinct = pd.factorize(codes)
        count = len(distinct)
    return codes.astype(np.intp), count
