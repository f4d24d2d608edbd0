"""The blunder screen: readings so far from their run's median that a slip is likelier than a movement."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from loadbook.analysis.quantiles import MAD_TO_SD, Bools, Codes, Floats, codes_of, grouped_quantiles

if TYPE_CHECKING:
    import pandas as pd

FAR = 6.0  # robust standard deviations
FEWEST_IN_RUN = 3  # the median of two pieces cannot tell which one is wrong
FEWEST_FOR_OWN = 12  # deviations a part number needs for a scale of its own


def flagged(values: Floats, runs: Codes, groups: Codes, floor: Floats | None = None) -> Bools:
    """Which values lie further than six robust standard deviations from the median of their run.

    values  (n,) movement, NaN allowed (never flagged)
    runs    (n,) codes of run, part and characteristic: whose median;  groups (n,) codes of part and characteristic:
            whose scatter. The scatter is pooled over the runs of a group, because one run has too few pieces
    floor   (n,) smallest standard deviation believed [unit of values]: half the expanded gauge uncertainty
    Returns (n,) bool.  Flagged is not set aside: a person confirms it
    Formula scale = 1.4826 median |x - run median| over the pieces that do not make the median, times 1 + 2/sqrt(m) for
            the m pieces behind it (a scale from few pieces may be too small); flagged where |x - median| > 6 scale

    >>> v = np.array([1.0, 2.0, 3.0, 2.0, 1.5, 2.5, 3.0, 1.0, 2.2, 900.0, 2.0, 1.8, 2.4, 2.1])
    >>> np.flatnonzero(flagged(v, np.zeros(14, dtype=int), np.zeros(14, dtype=int))).tolist()
    [9]
    """
    out = np.zeros(values.size, dtype=np.bool_)
    rows = np.flatnonzero(~np.isnan(values))
    if rows.size == 0:
        return out
    y = values[rows]
    run, run_count = codes_of(runs[rows])
    group, group_count = codes_of(groups[rows])
    size = np.bincount(run, minlength=run_count)
    away = np.abs(y - grouped_quantiles(y, run, run_count, [0.5])[0][run])
    enough = size[run] >= FEWEST_IN_RUN
    # the middle piece of an odd run, and the middle two of an even one, make the median: they are near it by
    # definition and would make the scatter look small
    order = np.lexsort((away, run))
    starts = np.concatenate(([0], np.cumsum(size)[:-1]))
    nearness = np.empty(y.size, dtype=np.intp)
    nearness[order] = np.arange(y.size) - starts[run[order]]
    counts = enough & (nearness >= np.where(size[run] % 2 == 1, 1, 2))
    if not counts.any():
        return out
    used = np.bincount(group[counts], minlength=group_count)
    own = grouped_quantiles(away[counts], group[counts], group_count, [0.5])[0] * MAD_TO_SD
    whole = float(np.median(away[counts])) * MAD_TO_SD
    alone = used >= FEWEST_FOR_OWN
    behind = np.where(alone, used, int(counts.sum()))
    scale = (np.where(alone, own, whole) * (1.0 + 2.0 / np.sqrt(np.maximum(behind, 1))))[group]
    if floor is not None:
        scale = np.maximum(scale, np.nan_to_num(floor[rows]))
    out[rows] = enough & (scale > 0.0) & (away > FAR * scale)
    return out


def flagged_rows(frame: pd.DataFrame) -> Bools:
    """The screen over a frame of movement with `y` and `unit`; kinds, processes and scales apart."""
    out = np.zeros(len(frame), dtype=np.bool_)
    stratum, count = codes_of(frame["process"], frame["kind"], frame["side"], frame["unit"])
    run, _ = codes_of(frame["run"], frame["part"], frame["characteristic"])
    group, _ = codes_of(frame["part"], frame["characteristic"])
    y = frame["y"].to_numpy(dtype=np.float64)
    micro = (frame["unit"] == "um").to_numpy()
    gauge = frame["expanded_uncertainty_mm"].to_numpy(dtype=np.float64, na_value=np.nan) * 500.0
    floor = np.where(micro, gauge, 0.0)
    for s in range(count):
        rows = np.flatnonzero(stratum == s)
        out[rows] = flagged(y[rows], run[rows], group[rows], floor[rows])
    return out
