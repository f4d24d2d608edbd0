"""The blunder screen: readings so far from their like that a slip is likelier than a movement.

Against the other pieces of the run; where a run has one or two, against the runs of the same part number; and a size
against its nominal, where a slip of the dial or of a digit shows in the reading itself.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from loadbook.analysis.quantiles import MAD_TO_SD, Bools, Codes, Floats, codes_of, grouped_quantiles
from loadbook.core.vocabulary.intake_kinds import SIZE_KINDS

if TYPE_CHECKING:
    import pandas as pd

FAR = 6.0  # robust standard deviations
FEWEST_IN_RUN = 3  # the median of two pieces cannot tell which one is wrong
FEWEST_RUNS = 6  # runs of a part number against whose median a run of one or two pieces is held
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
    counts = enough & _beside_the_middle(away, run, size)
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


def across_runs(values: Floats, runs: Codes, groups: Codes, floor: Floats | None = None) -> Bools:
    """Which pieces of runs with one or two lie far from what the other runs of their part number moved.

    values, runs, groups, floor  as in `flagged`
    Returns (n,) bool.  Of a run of two that disagree with each other only the one that is far is flagged
    Formula centre: the median over the group's runs of their medians; scale: 1.4826 median |run median - centre| over
            them, without the run that makes the centre, times 1 + 2/sqrt(m) for m runs and not below that of the
            group's pieces inside runs; flagged where |x - centre| > 6 scale. Runs differ by more than luck (settings,
            drift), so nothing is flagged unless the same six deviations would stand out among runs

    >>> v = np.array([1.0, 2.0, 3.0, 2.0, 1.5, 2.5, 90.0, 2.2])
    >>> np.flatnonzero(across_runs(v, np.arange(8), np.zeros(8, dtype=int))).tolist()
    [6]
    """
    out = np.zeros(values.size, dtype=np.bool_)
    rows = np.flatnonzero(~np.isnan(values))
    if rows.size == 0:
        return out
    y = values[rows]
    run, run_count = codes_of(runs[rows])
    group, group_count = codes_of(groups[rows])
    size = np.bincount(run, minlength=run_count)
    middle = grouped_quantiles(y, run, run_count, [0.5])[0]
    owner = np.zeros(run_count, dtype=np.intp)
    owner[run] = group
    many = np.bincount(owner, minlength=group_count)
    centre = grouped_quantiles(middle, owner, group_count, [0.5])[0]
    away = np.abs(middle - centre[owner])
    counts = _beside_the_middle(away, owner, many)
    scale = np.zeros(group_count)
    if counts.any():
        scale = np.nan_to_num(grouped_quantiles(away[counts], owner[counts], group_count, [0.5])[0]) * MAD_TO_SD
        scale *= 1.0 + 2.0 / np.sqrt(np.maximum(many, 1))
    least = scale[group]
    if floor is not None:
        least = np.maximum(least, np.nan_to_num(floor[rows]))
    few = (size[run] < FEWEST_IN_RUN) & (many[group] >= FEWEST_RUNS)
    out[rows] = few & (least > 0.0) & (np.abs(y - centre[group]) > FAR * least)
    return out


def off_nominal(readings: Floats, nominal: Floats, groups: Codes) -> Bools:
    """Which sizes lie so far from nominal, beside the others of their part number, that a digit or a turn slipped.

    readings, nominal  (n,) mm, NaN where unknown (never flagged);  groups  (n,) codes of part and characteristic
    Returns (n,) bool: beyond six robust deviations of the group's distances from their median, with a scale of at
            least a ten-thousandth of the nominal size; groups of fewer than 6 readings are not judged

    >>> off_nominal(np.array([50.01, 50.02, 50.0, 50.02, 50.01, 50.52]), np.full(6, 50.0), np.zeros(6, int)).tolist()
    [False, False, False, False, False, True]
    """
    out = np.zeros(readings.size, dtype=np.bool_)
    rows = np.flatnonzero(np.isfinite(readings) & np.isfinite(nominal))
    if rows.size == 0:
        return out
    off = readings[rows] - nominal[rows]
    group, count = codes_of(groups[rows])
    middle = grouped_quantiles(off, group, count, [0.5])[0]
    away = np.abs(off - middle[group])
    many = np.bincount(group, minlength=count)
    scale = grouped_quantiles(away, group, count, [0.5])[0] * MAD_TO_SD * (1.0 + 2.0 / np.sqrt(many))
    least = np.maximum(scale[group], 1e-4 * np.abs(nominal[rows]))
    out[rows] = (many[group] >= FEWEST_RUNS) & (away > FAR * least) & (least > 0.0)
    return out


def flagged_rows(frame: pd.DataFrame) -> Bools:
    """The screens over a frame of movement with `y` and `unit`; kinds, processes and scales apart.

    The sizes of runs with one or two pieces are held against nominal too (nominal_mm, before_mm, after_mm).
    """
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
        out[rows] |= across_runs(y[rows], run[rows], group[rows], floor[rows])
    if "nominal_mm" in frame:
        few = np.bincount(run[~np.isnan(y)], minlength=int(run.max(initial=-1)) + 1)[run] < FEWEST_IN_RUN
        sized = frame["kind"].isin(SIZE_KINDS).to_numpy() & ~np.isnan(y) & few  # a whole run off is its machining
        nominal = np.where(sized, frame["nominal_mm"].to_numpy(dtype=np.float64, na_value=np.nan), np.nan)
        for stage in ("before_mm", "after_mm"):
            out |= off_nominal(frame[stage].to_numpy(dtype=np.float64, na_value=np.nan), nominal, group)
    return out


def _beside_the_middle(away: Floats, code: Codes, size: Codes) -> Bools:
    """Which values do not make their group's median: the middle one of an odd group, and the middle two of an even
    one, are near it by definition and would make the scatter look small.

    away  (n,) distance from the median;  code (n,) group of each;  size (groups,) how many each has
    """
    order = np.lexsort((away, code))
    starts = np.concatenate(([0], np.cumsum(size)[:-1]))
    nearness = np.empty(away.size, dtype=np.intp)
    nearness[order] = np.arange(away.size) - starts[code[order]]
    return np.asarray(nearness >= np.where(size[code] % 2 == 1, 1, 2))
