"""`effect` as a picture: run means over a parameter, inside part numbers and all thrown together."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from loadbook.analysis.effects import joint
from loadbook.analysis.effects.cells import Cells, Column
from loadbook.analysis.effects.estimate import Effect, usable_rows
from loadbook.analysis.effects.words import spoken
from loadbook.analysis.movement import percent
from loadbook.core import units
from loadbook.core.phrases import many
from loadbook.queries.effect_words import caveats, headline, verdict

from . import frame as base
from .frame import ALONE, INTERVAL, PIECE, POOLED, RUN, WITHIN, Panel, Picture

if TYPE_CHECKING:
    import pandas as pd

    from loadbook.queries.effect import Effects

TELLS = ("goes_with", "differs")  # the findings of panels that can tell something


def effect_picture(found: Effects) -> Picture:
    """The picture of what `effect` found: one panel per stratum and parameter that has a run to show.

    Panels that can tell something come first; those that cannot are faint.

    Rows  run mean      (x, y) of a run and part number that the figure was computed from
          not compared  a run mean outside the fit: its part number ran once, or a factor beside it is not known
          piece         its pieces, at the run's x
          inside part numbers  two ends per part number: the slope that `effect` reports, through the part's mean
          interval of the line  low and high at its ends and its middle: the slope's interval, only where runs are
          all thrown together  two ends: the pooled slope, where it leans the other way: a warning
    """
    panels: list[Panel] = []
    rows: list[dict[str, Any]] = []
    warnings = list(found.warnings)
    sources = {_key(s): (cells, columns, m) for (s, cells, columns), m in zip(found.cells, found.measured, strict=True)}
    for stratum, e in sorted(found.effects, key=lambda x: x[1].finding not in TELLS):
        cells, columns, (pieces, head) = sources[_key(stratum)]
        column = next(c for c in columns if c.name == e.parameter)
        known = np.flatnonzero(~np.isnan(column.values) & ~np.isnan(cells.y))
        if not known.size:
            warnings.append(f"{base.stratum_words(stratum)}: no run of it has {spoken(e.parameter, found.system)}.")
            continue
        panel, drawn = _panel(len(panels), stratum, e, cells, column, columns, pieces, head, found)
        panels.append(panel)
        rows += drawn
    return base.picture("Movement and what goes with it", panels, rows, "--kind, --process, --part or --of", warnings)


def _key(stratum: dict[str, Any]) -> tuple[str, ...]:
    return tuple(str(v) for v in stratum.values())


def _panel(
    number: int,
    stratum: dict[str, Any],
    e: Effect,
    cells: Cells,
    column: Column,
    columns: Sequence[Column],
    pieces: pd.DataFrame,
    head: pd.DataFrame,
    found: Effects,
) -> tuple[Panel, list[dict[str, Any]]]:
    import pandas as pd

    y_factor, y_title = base.movement_axis(str(stratum["unit"]), str(stratum["kind"]), found.system, found.stage)
    x_factor, x_zero, x_label = units.line(e.unit, found.system)
    if e.against is not None:
        x_factor, x_zero, x_label = 1.0, 0.0, ""
    x, show = column.values * x_factor + x_zero, percent.shown(str(stratum["unit"]), y_factor)
    y = show(cells.y)
    used = joint.fitted_rows(cells, columns, e)
    used = used[~np.isnan(x[used])]
    known = np.flatnonzero(~np.isnan(x) & ~np.isnan(y))
    # one mark per part number; where a part has several such characteristics, one each
    several = head.groupby("part")["characteristic"].transform("nunique") > 1
    label = head["part"].astype(str).where(~several, head["part"].astype(str) + ", " + head["characteristic"])
    series = base.named_series(label)
    compared = set(used.tolist())
    dates = pieces.groupby("run")["started"].first()
    rows: list[dict[str, Any]] = []
    for i in known.tolist():
        rows.append(
            {"panel": number, "what": RUN if i in compared else ALONE, "series": series.iloc[i], "x": x[i], "y": y[i],
             "run": cells.runs[int(cells.run[i])], "part": cells.parts[int(cells.part[i])],
             "pieces": int(cells.pieces[i]), "date": base.day_of(dates[cells.runs[int(cells.run[i])]], found.zone),
             "broken": cells.runs[int(cells.run[i])] in found.broken or None,
             "stated": (cells.runs[int(cells.run[i])], e.parameter) in found.stated or None}
        )  # fmt: skip
    keys = [str(k) for k in head.columns]
    beside = head.iloc[used].assign(_x=x[used], _series=series.iloc[used])
    for key in keys:
        beside[key] = beside[key].astype("string").fillna("")
    single = pieces[[*keys, "serial", "y"]].copy()
    for key in keys:
        single[key] = single[key].astype("string").fillna("")
    single = pd.merge(single, beside, on=keys, how="inner", sort=False)
    for p in single.to_dict("records"):
        rows.append(
            {"panel": number, "what": PIECE, "series": p["_series"], "x": p["_x"], "y": show(p["y"]),
             "run": p["run"], "part": p["part"], "serial": p["serial"]}
        )  # fmt: skip
    rows += _lines(number, e, cells, column, x, show, used, series, 1.0 / x_factor)
    levels = (e.against, e.parameter.split(": ", 1)[-1]) if e.against is not None else ()
    for row in rows if levels else ():
        row["level"] = levels[round(row["x"])]
    name = spoken(e.parameter, found.system)
    said = [base.count_words(e.runs, e.pieces, e.parts), verdict(e, found.tried, found.system)]
    signs = _signs(rows, len(known) - len(compared))
    low, high = (None if v is None or levels else v * x_factor + x_zero for v in (e.range_low, e.range_high))
    panel = Panel(
        number, "against", f"{base.stratum_words(stratum)}: {name}", f"{name} ({x_label})" if x_label else name,
        y_title, levels, base.ordered([str(s) for s in series.iloc[known]]), low, high, (*said, *signs),
        headline(e, found.system), (*caveats(e, found.system), *signs), e.finding not in TELLS,
    )  # fmt: skip
    return panel, rows


def _signs(rows: Sequence[dict[str, Any]], alone: int) -> list[str]:
    """What the marks of a panel mean, as far as it has them."""
    runs = {k: len({r["run"] for r in rows if r.get(k)}) for k in ("stated", "broken")}
    out = []
    if runs["stated"]:
        out.append(f"Hollow: read off a paper chart ({many(runs['stated'], 'run')}).")
    if runs["broken"]:
        out.append(f"Crossed: cycle broken ({many(runs['broken'], 'run')}).")
    if alone:
        out.append(f"Small and grey: not compared, for its part number ran once or a factor is not known ({alone}).")
    return out


def _lines(
    number: int,
    e: Effect,
    cells: Cells,
    column: Column,
    x: np.ndarray,
    show: Callable[[Any], Any],
    used: np.ndarray,
    series: pd.Series,
    factor: float,
) -> list[dict[str, Any]]:
    """Ends of the line of each part number at the slope reported with its interval, and of the pooled line."""
    out: list[dict[str, Any]] = []
    slopes = None if e.effect_low is None or e.effect_high is None else (e.effect_low * factor, e.effect_high * factor)

    def interval(name: str, rows: np.ndarray, part: str, label: str) -> None:
        middle_x, middle_y = float(x[rows].mean()), float(cells.y[rows].mean())
        ends_ = (float(x[rows].min()), float(x[rows].max()))
        for at in sorted({*ends_, middle_x} if e.against is None else ends_):
            low, high = sorted(float(show(middle_y + slope * (at - middle_x))) for slope in slopes or ())
            out.append({"panel": number, "what": INTERVAL, "series": name, "x": at, "low": low, "high": high,
                        "part": part, "label": label})  # fmt: skip

    def ends(what: str, name: str, rows: np.ndarray, slope: float, part: str | None) -> None:
        middle_x, middle_y = float(x[rows].mean()), float(cells.y[rows].mean())
        for end in (float(x[rows].min()), float(x[rows].max())):
            y = float(show(middle_y + slope * (end - middle_x)))
            out.append(
                {"panel": number, "what": what, "series": name, "x": end, "y": y, "part": part,
                 "label": f"{what} {name} {rows[0]}"}
            )  # fmt: skip

    if e.effect is not None and used.size:
        for group in np.unique(cells.group[used]):
            rows = used[cells.group[used] == group]
            if float(np.ptp(x[rows])) > 0.0:
                part = cells.parts[int(cells.part[rows[0]])]
                name = str(series.iloc[int(rows[0])])
                ends(WITHIN, name, rows, e.effect * factor, part)
                if slopes:
                    interval(name, rows, part, f"{INTERVAL} {name} {rows[0]}")
    alone = usable_rows(cells, column.values)
    if e.misleads and e.pooled is not None and alone.size and len(set(cells.part[alone].tolist())) > 1:
        ends(POOLED, POOLED, alone, e.pooled * factor, None)
    return out
