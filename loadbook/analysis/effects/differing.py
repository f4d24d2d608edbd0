"""Whether a parameter does the same in all materials, families or shapes: a slope for each, and whether they differ.

One figure for all is then true of none: opposite slopes in two materials are told as none.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from scipy.special import fdtrc

from loadbook.analysis.quantiles import Codes
from loadbook.core.remarks import remark

from .cells import Cells, Column, matrix
from .estimate import FEWEST_CELLS, FEWEST_DF, Effect, check_scatter, dated, degrees, usable, with_calendar
from .regression import NotEstimable, t_interval


def tell_apart(
    cells: Cells, columns: Sequence[Column], found: Sequence[Effect], labels: Mapping[str, Sequence[str]]
) -> None:  # fmt: skip
    """Adds the caution 'effect_differs' to each effect whose slopes differ by one of the labels beyond chance.

    columns  the parameters beside the cells, those of the effects among them
    labels   'material', ... -> the label of each part number (in the order of cells.parts), '' where it has none
    A slope for each group that has six means, beside what stood beside the parameter in its own fit; their differences
    against their covariance with each run left out, F(groups − 1, degrees of the smallest group); p times how many were
    asked.
    """
    by_name = {c.name: c for c in columns}
    whole = [
        e for e in found if e.against is None and e.refused is None and e.fit in ("alone", "joint", "beside factors")
    ]
    asked = [(e, by, own) for e in whole for by, own in labels.items() if len(set(own) - {""}) > 1]
    best: dict[str, float] = {}
    for e, by, own in asked:
        beside = [by_name[n] for n in e.fitted_with if n in by_name]
        told = _groups(cells, by_name[e.parameter], beside, own, e.confidence)
        if told is None:
            continue
        p, levels = told
        if p * len(asked) < min(1.0 - e.confidence, best.get(e.parameter, 1.0)):
            best[e.parameter] = p * len(asked)
            e.cautions = [c for c in e.cautions if c.code != "effect_differs"]
            e.cautions.append(remark("effect_differs", parameter=e.parameter, by=by, levels=levels, p=p))


def _groups(
    cells: Cells, column: Column, beside: Sequence[Column], own: Sequence[str], confidence: float
) -> tuple[float, list[dict[str, object]]] | None:
    """(chance of such differences where there are none, each group's slope with its interval)."""
    used, x = usable(cells, matrix([column, *beside]))
    if not used.y.size:
        return None
    names, code = np.unique(np.asarray(own, dtype=str), return_inverse=True)
    of = code[used.part]
    kept = [
        g for g in range(len(names)) if names[g] and np.sum(of == g) >= FEWEST_CELLS and np.ptp(x[of == g, 0]) > 0.0
    ]
    if len(kept) < 2:
        return None
    rows = np.flatnonzero(np.isin(of, kept))
    used, x, of = used.take(rows), x[rows], of[rows]
    fitted = np.column_stack([*(np.where(of == g, x[:, 0], 0.0) for g in kept), x[:, 1:]])
    means = _count(used.run, used.part)
    df = degrees(means, _count(used.part), _count(used.run), fitted.shape[1], dated(used))
    if df < FEWEST_DF:
        return None
    try:
        fit = with_calendar(used, fitted)
        check_scatter(fit, used)
    except NotEstimable:
        return None  # one of them never changed inside its part numbers, or hangs on one run
    many = len(kept)
    contrast = np.column_stack([-np.ones(many - 1), np.eye(many - 1)])
    apart = contrast @ fit.slopes[:many]
    spread = contrast @ fit.covariance[:many, :many] @ contrast.T
    wald = float(apart @ np.linalg.pinv(spread) @ apart)
    df_least = df  # a group of few runs says little of its own scatter
    levels: list[dict[str, object]] = []
    for k, g in enumerate(kept):
        own_run, own_part = used.run[of == g], used.part[of == g]
        own_df = max(float(_count(own_run, own_part) - _count(own_part) - 1), 1.0)
        low, high, _ = t_interval(float(fit.slopes[k]), float(fit.se[k]), min(df, own_df), confidence)
        df_least, runs = min(df_least, own_df), _count(own_run)
        levels.append({"level": str(names[g]), "effect": float(fit.slopes[k]), "low": low, "high": high, "runs": runs})
    return float(fdtrc(many - 1, df_least, wald / (many - 1))), sorted(
        levels, key=lambda level: -int(str(level["runs"]))
    )


def _count(*codes: Codes) -> int:
    return len(np.unique(np.column_stack(codes), axis=0))
