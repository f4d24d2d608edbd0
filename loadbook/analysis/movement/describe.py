"""How much did parts move: one row per treatment, with n first and the run as the unit of evidence."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy import special

from loadbook.analysis.quantiles import Bools, Floats, codes_of, grouped_mean, grouped_quantiles

from .repeats import OF_READINGS, readings
from .scale import STRATUM, as_texts
from .scatter import Components, apart, components

if TYPE_CHECKING:
    import pandas as pd

LOW, HIGH = 0.05, 0.95
EQUAL = 1e-9


def describe(
    frame: pd.DataFrame,
    by: Sequence[str],
    flags: Bools,
    confidence: float = 0.95,
    strata: Sequence[str] = STRATUM,
) -> pd.DataFrame:
    """One row per stratum (process, kind, side, unit) and treatment.

    frame   view columns with y, unit and set_aside (movement.with_value) and the treatment columns
    flags   (n,) readings that the blunder screen suspects; the columns ending in _without_flagged leave them out
    Columns runs, pieces, parts; mean with mean_low, mean_high (mean of the runs' means, the run as the unit; None
            for one run, or where all moved the same); median, low, high (the (n+1)p quantile of pieces at 5 and
            95 %); worst (form: largest; sizes: furthest from no movement); over_tolerance, below_gauge (shares of
            pieces, None where unknown); set_aside (pieces)
    """
    import pandas as pd

    keys = [*strata, *(b for b in by if b not in strata)]
    if frame.empty:
        return pd.DataFrame(columns=[*keys, "runs", "pieces"])
    codes, count = codes_of(*[frame[k] for k in keys])
    y = frame["y"].to_numpy(dtype=np.float64)
    have = ~np.isnan(y)
    first = np.full(count, len(frame), dtype=np.intp)
    np.minimum.at(first, codes, np.arange(len(frame), dtype=np.intp))
    out = as_texts(frame.iloc[first][keys].reset_index(drop=True))
    figures = _figures(frame, codes, count, have, confidence)
    for name, values in figures.items():
        out[name] = values
    aside = frame["set_aside"].notna().to_numpy()
    out["set_aside"] = np.bincount(codes[aside], minlength=count)
    out["flagged"] = np.bincount(codes[flags & have], minlength=count)
    if flags.any():
        clean = _figures(frame, codes, count, have & ~flags, confidence)
        for name in ("mean", "median", "low", "high", "worst"):
            out[f"{name}_without_flagged"] = np.where(out["flagged"] > 0, clean[name], np.nan)
    order = list(out.sort_values(keys, kind="stable", key=_sortable).index)
    return out.loc[order].reset_index(drop=True)


OF_RESOLUTION = ("y", "unit", "before_mm", "after_mm", "movement_um", "expanded_uncertainty_mm")


def resolution(frame: pd.DataFrame) -> float | None:
    """The step of a movement on its working scale that the readings can show [unit of y]; None where not known.

    frame    rows of one stratum with the columns OF_RESOLUTION, reference lengths in y
    Returns  half the median expanded uncertainty, at least the step that all readings are multiples of (0.1 mm to
             0.1 µm, or 0.01 to 0.00001 in), as a share of the reading before where the scale is per cent
    """
    rows = frame[frame["y"].notna() & frame["movement_um"].notna()]
    if rows.empty:
        return None
    readings = np.concatenate([rows[c].to_numpy(dtype=np.float64) for c in ("before_mm", "after_mm")])
    readings = readings[np.isfinite(readings)]
    step = 0.0
    for one in (0.1, 0.05, 0.254, 0.01, 0.005, 0.0254, 0.001, 0.0005, 0.00254, 0.0001, 0.000254):
        if np.all(np.abs(readings / one - np.round(readings / one)) < 1e-4):
            step = one
            break
    known = rows["expanded_uncertainty_mm"].to_numpy(dtype=np.float64, na_value=np.nan)
    known = known[np.isfinite(known)]
    um = 1000.0 * max(step, float(np.median(known)) / 2.0 if known.size else 0.0)
    if um == 0.0:
        return None
    unit = str(rows["unit"].iloc[0])
    if unit in ("percent", "log"):
        before = float(np.median(rows["before_mm"].to_numpy(dtype=np.float64)))
        return 100.0 * um / (1000.0 * before) if before > 0 else None
    if unit == "um per 100 mm":
        moved = rows["movement_um"].to_numpy(dtype=np.float64)
        y = rows["y"].to_numpy(dtype=np.float64)
        far = np.abs(moved) > 0
        return um * float(np.median(y[far] / moved[far])) if far.any() else None
    return um if unit == "um" else None


def _sortable(column: pd.Series) -> pd.Series:
    """Bands as they rise, numbers by their value, other texts in order."""
    if getattr(column.dtype, "ordered", False):
        return column.cat.codes
    text = column.astype("str").fillna("")
    number = text.str.extract(r"^(-?\d+(?:\.\d+)?)", expand=False).astype(float)
    return text if number.isna().all() else number.fillna(np.inf)


def _figures(frame: pd.DataFrame, codes: Any, count: int, have: Bools, confidence: float) -> dict[str, Any]:
    rows = np.flatnonzero(have)
    c = codes[rows]
    y = frame["y"].to_numpy(dtype=np.float64)[rows]
    run, _ = codes_of(frame["run"].iloc[rows])
    cell, cells = codes_of(c, run)
    cell_mean = grouped_mean(y, cell, cells)
    owner = np.zeros(cells, dtype=np.intp)
    owner[cell] = c
    runs = np.bincount(owner, minlength=count)
    mean = grouped_mean(cell_mean, owner, count)
    centred = cell_mean - mean[owner]
    with np.errstate(invalid="ignore", divide="ignore"):
        se = np.sqrt(np.bincount(owner, weights=centred**2, minlength=count) / (runs - 1) / runs)
    told = (runs > 1) & (se > EQUAL * np.abs(mean))  # equal to the last digit: no scatter to make an interval of
    half = np.where(told, special.stdtrit(np.maximum(runs - 1, 1), 0.5 + confidence / 2.0) * se, np.nan)
    low, median, high, least, most = grouped_quantiles(y, c, count, [LOW, 0.5, HIGH, 0.0, 1.0])
    form = np.zeros(count, dtype=np.bool_)
    form[c] = (frame["side"] == "form").to_numpy()[rows]
    plain = np.zeros(count, dtype=np.bool_)
    plain[c] = (frame["unit"] == "mm").to_numpy()[rows]
    centre = np.where(plain, median, 0.0)
    worst = np.where(form, most, np.where(np.abs(most - centre) >= np.abs(least - centre), most, least))
    part, _ = codes_of(frame["part"].iloc[rows])
    piece = codes_of(c, run, part, frame["serial"].iloc[rows])[0]
    pieces = np.bincount(c[np.unique(piece, return_index=True)[1]], minlength=count)
    pair = codes_of(c, part)[0]
    owners = c[np.unique(pair, return_index=True)[1]]
    return {
        "runs": runs,
        "pieces": pieces,
        "parts": np.bincount(owners, minlength=count),
        "mean": mean,
        "mean_low": mean - half,
        "mean_high": mean + half,
        "median": median,
        "low": low,
        "high": high,
        "worst": worst,
        "over_tolerance": _share_over(frame, rows, c, count),
        "below_gauge": _share_below(frame, rows, c, count),
    }


def _share_over(frame: pd.DataFrame, rows: Any, c: Any, count: int) -> Floats:
    """Share of pieces whose after reading is outside its limits, of those that had not been outside before."""
    before, after = (frame[n].to_numpy(dtype=np.float64, na_value=np.nan)[rows] for n in ("before_mm", "after_mm"))
    lower, upper = (frame[n].to_numpy(dtype=np.float64, na_value=np.nan)[rows] for n in ("lower_mm", "upper_mm"))
    low, high = np.nan_to_num(lower, nan=-np.inf), np.nan_to_num(upper, nan=np.inf)
    limited = (~np.isnan(lower) | ~np.isnan(upper)) & ~np.isnan(after)
    counted = limited & ~((before < low) | (before > high))
    over = counted & ((after < low) | (after > high))
    return _share(over, counted, c, count)


def _share_below(frame: pd.DataFrame, rows: Any, c: Any, count: int) -> Floats:
    """Share of pieces whose movement is smaller than its expanded uncertainty, of those whose gauge is known."""
    if "below_gauge" not in frame:
        return np.full(count, np.nan)
    below = frame["below_gauge"].iloc[rows]
    known = below.notna().to_numpy()
    return _share(below.fillna(False).to_numpy(dtype=np.bool_) & known, known, c, count)


def _share(hits: Bools, counted: Bools, c: Any, count: int) -> Floats:
    n = np.bincount(c[counted], minlength=count)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(n > 0, np.bincount(c[hits], minlength=count) / n, np.nan)


def scatter_shares(frame: pd.DataFrame) -> list[tuple[dict[str, Any], Components]]:
    """Where the scatter comes from, per process, kind, side and unit: part number, run, (position,) piece, (reading).

    Position joins where every piece of the stratum has one and some share it inside a run; reading, where pieces were
    read more than once.
    """
    wanted = (*STRATUM, "y", "part", "characteristic", "run", "position", *OF_READINGS)
    rows = frame.loc[frame["y"].notna(), [name for name in dict.fromkeys(wanted) if name in frame]]
    out = []
    for key, some in rows.groupby(list(STRATUM), sort=True, dropna=False) if len(rows) else []:
        y = some["y"].to_numpy(dtype=np.float64)
        group = codes_of(some["part"], some["characteristic"])[0]
        levels: list[tuple[str, Any]] = [("part", group), ("run", some["run"])]
        if "position" in some and some["position"].notna().all():
            spots = codes_of(some["part"], some["run"], some["position"])[1]
            if codes_of(some["part"], some["run"])[1] < spots < len(some):
                levels.append(("position", some["position"]))
        if codes_of(some["part"], some["run"])[1] < 2 or y.size < 3:
            continue
        found, read = components(y, levels), readings(some) if "repeats" in some else None
        if read is not None:
            found = apart(found, "reading", read.as_read, read.df)
        out.append((dict(zip(STRATUM, key, strict=True)), found))
    return out
