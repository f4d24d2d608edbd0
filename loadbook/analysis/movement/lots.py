"""Lots without serials: before and after are different pieces, so they are compared as two groups, lot by lot."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from loadbook.analysis.effects.regression import t_interval
from loadbook.analysis.quantiles import Floats, codes_of, grouped_mean
from loadbook.core.vocabulary.intake_kinds import OWN_UNIT_KINDS

from .compare import paired
from .scale import STRATUM

if TYPE_CHECKING:
    import pandas as pd

LOT = "lot without serials"  # the view's reason
COLUMNS = ("quantity", "reference_length_mm", "before_readings", "after_readings", "before_scatter_mm",
           "after_scatter_mm")  # fmt: skip
WORKING = ("um", "um per 100 mm", "log")  # units of working scales: kept in mm
FIGURES = (
    "runs", "lots", "read_before", "read_after", "difference", "low", "high", "evidence", "spread_ratio", "said",
)  # fmt: skip


def lots(frame: pd.DataFrame, by: Sequence[str], confidence: float = 0.95) -> pd.DataFrame:
    """After less before of lots, one row per process, kind, side, unit and treatment; never among the pieces' figures.

    frame   rows of movement.with_value with COLUMNS and the treatment columns; every reading of a lot is one of its
            pieces
    Columns runs, lots; read_before, read_after (pieces read); difference (mean of the lots' differences of means);
            low, high (None where `said` says why); evidence 'runs' or 'pieces of one run'; spread_ratio (scatter of
            pieces after over before, pooled over lots: how much more unequal the lot became)
    Unit    um per 100 mm where the characteristic works in it and its length is known, else um (a form error's too: a
            logarithm needs the same piece twice); angles and hardness their own
    Formula two runs or more: paired over runs, t(runs - 1); one: Welch on its pieces
    """
    import pandas as pd

    keys = [*STRATUM, *(b for b in by if b not in STRATUM)]
    rows = frame[(frame["set_aside"] == LOT) & frame["before_mm"].notna() & frame["after_mm"].notna()]
    if rows.empty:
        return pd.DataFrame(columns=[*keys, *FIGURES])
    rows = rows.reset_index(drop=True)
    factor, unit = _scale(rows)
    rows = rows.assign(unit=unit)
    figures = {
        name: rows[name].to_numpy(dtype=np.float64, na_value=np.nan)
        for name in ("before_mm", "after_mm", "before_scatter_mm", "after_scatter_mm", "before_readings",
                     "after_readings")
    }  # fmt: skip
    out = []
    for key, some in rows.groupby(keys, sort=True, dropna=False):
        at = some.index.to_numpy()
        here = {name: values[at] for name, values in figures.items()}
        labels = key if isinstance(key, tuple) else (key,)
        out.append({**dict(zip(keys, labels, strict=True)), **_row(some, here, factor[at], confidence)})
    return pd.DataFrame(out)


def _scale(rows: pd.DataFrame) -> tuple[Floats, Any]:
    """Factor from the value as kept to the unit told, and that unit."""
    unit = rows["unit"].astype(str).to_numpy()
    own = ~np.isin(unit, WORKING) | rows["kind"].isin(OWN_UNIT_KINDS).to_numpy()
    length = rows["reference_length_mm"].to_numpy(dtype=np.float64, na_value=np.nan)
    per = (rows["scale"] == "um per 100 mm").to_numpy() & (length > 0) & ~own
    with np.errstate(invalid="ignore", divide="ignore"):
        factor = np.where(own, 1.0, np.where(per, 1000.0 * 100.0 / length, 1000.0))
    return factor, np.where(own, unit, np.where(per, "um per 100 mm", "um"))


def _row(rows: pd.DataFrame, x: dict[str, Floats], factor: Floats, confidence: float) -> dict[str, Any]:
    gap = (x["after_mm"] - x["before_mm"]) * factor
    run, runs = codes_of(rows["run"])
    out: dict[str, Any] = {
        "runs": runs, "lots": len(gap), "read_before": int(x["before_readings"].sum()),
        "read_after": int(x["after_readings"].sum()), "difference": float(grouped_mean(gap, run, runs).mean()),
        "low": None, "high": None, "evidence": "", "spread_ratio": _spread(x), "said": "",
    }  # fmt: skip
    if runs >= 2:
        _, low, high, se, _, _ = paired(grouped_mean(gap, run, runs), confidence)
        out["evidence"] = "runs"
    elif len(gap) == 1 and min(x["before_readings"][0], x["after_readings"][0]) >= 2:
        low, high, se = _welch(x, float(factor[0]), float(gap[0]), confidence)
        out["evidence"] = "pieces of one run"
        out["said"] = "one run: what its pieces show, which another run may not repeat"
    else:
        out["said"] = "one run with too few pieces read: no interval"
        return out
    if se <= 1e-9 * max(abs(out["difference"]), 1.0):
        out["said"] = "all figures are equal, to the last digit: no interval"
        return out
    out["low"], out["high"] = low, high
    return out


def _welch(x: dict[str, Floats], factor: float, gap: float, confidence: float) -> tuple[float, float, float]:
    """(low, high, standard error) of one lot's difference, from the scatter of its pieces before and after."""
    parts = [
        ((float(x[f"{stage}_scatter_mm"][0]) * factor) ** 2 / n, n)
        for stage in ("before", "after")
        if (n := float(x[f"{stage}_readings"][0]))
    ]
    total = sum(v for v, _ in parts)
    below = sum(v * v / (n - 1) for v, n in parts)
    low, high, _ = t_interval(gap, total**0.5, total * total / below if below > 0 else 1.0, confidence)
    return low, high, total**0.5


def _spread(x: dict[str, Floats]) -> float | None:
    """Pooled standard deviation of pieces after, over that before; None where one of them is not known."""
    sd = []
    for stage in ("before", "after"):
        df = x[f"{stage}_readings"] - 1.0
        known = (df > 0) & np.isfinite(x[f"{stage}_scatter_mm"])
        if not known.any():
            return None
        sd.append(float(np.sqrt(np.sum(df[known] * x[f"{stage}_scatter_mm"][known] ** 2) / df[known].sum())))
    return sd[1] / sd[0] if sd[0] > 0 else None
