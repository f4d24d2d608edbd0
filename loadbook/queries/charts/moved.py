"""`moved` as a picture: pieces, run means and the median of each treatment."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from loadbook.analysis.effects.words import figure
from loadbook.analysis.movement import percent
from loadbook.analysis.movement.scale import STRATUM
from loadbook.core.vocabulary.parameter_names import headings

from . import frame as base
from .frame import MIDDLE, PIECE, RUN, Panel, Picture

if TYPE_CHECKING:
    import pandas as pd

    from loadbook.queries.moved import Moved

SEVERAL = "several part numbers"
NO_TREATMENT = "all"


def moved_picture(found: Moved) -> Picture:
    """The picture of what `moved` found: one panel per stratum of its table, one level per treatment.

    Rows  piece     a movement
          run mean  the mean of a run's pieces under one treatment, as the table's mean counts it
          median    median of the treatment's pieces, with low and high (5 and 95 %), n and median in words in its label
    """
    panels: list[Panel] = []
    rows: list[dict[str, Any]] = []
    strata = [s for s in (*STRATUM, "part", "characteristic") if s in found.table and s not in found.by]
    by = [b for b in found.by if b in found.table]
    shown = found.table[found.table["pieces"] > 0] if len(found.table) else found.table
    for key, table in shown.groupby(strata, sort=False, dropna=False) if len(shown) else []:
        stratum = dict(zip(strata, key, strict=True))
        some = _same(found.measured, stratum)
        panel, drawn = _panel(len(panels), stratum, table, some, by, found)
        panels.append(panel)
        rows += drawn
    what = "Movement" if found.stage is None else f"Readings {found.stage} the run (not movement)"
    title = f"{what} by {', '.join(headings(by, found.system))}" if by else what
    return base.picture(title, panels, rows, "--kind, --process or --part", found.warnings)


def _same(frame: pd.DataFrame, stratum: dict[str, Any]) -> pd.DataFrame:
    keep = frame["y"].notna()
    for name, value in stratum.items():
        keep &= frame[name].isna() if value is None or value != value else frame[name] == value
    return frame[keep]


def _panel(
    number: int, stratum: dict[str, Any], table: pd.DataFrame, some: pd.DataFrame, by: list[str], found: Moved
) -> tuple[Panel, list[dict[str, Any]]]:
    factor, y_title = base.movement_axis(str(stratum["unit"]), str(stratum["kind"]), found.system, found.stage)
    level = _levels(some, by)
    series = base.named_series(some["part"].astype(str))
    rows: list[dict[str, Any]] = []
    for p, name, mark in zip(some.to_dict("records"), level, series, strict=True):
        rows.append(
            {"panel": number, "what": PIECE, "series": mark, "level": name, "y": p["y"] * factor, "run": p["run"],
             "part": p["part"], "serial": p["serial"], "date": base.day_of(p["started"], found.zone)}
        )  # fmt: skip
    grouped = some.assign(_level=level, _series=series).groupby(["_level", "run"], sort=False)
    for (treatment, run), g in grouped:
        marks, mean = g["_series"].unique(), percent.mean(g["y"].to_numpy(dtype=float), str(stratum["unit"]))
        rows.append(
            {"panel": number, "what": RUN, "series": marks[0] if len(marks) == 1 else SEVERAL, "level": treatment,
             "y": mean * factor, "run": run, "pieces": g[["part", "serial"]].drop_duplicates().shape[0],
             "part": ", ".join(dict.fromkeys(g["part"].astype(str))),
             "date": base.day_of(g["started"].iloc[0], found.zone)}
        )  # fmt: skip
    levels = _levels(table, by)
    for at, row in zip(levels, table.to_dict("records"), strict=True):
        counts = base.count_words(int(row["runs"]), int(row["pieces"]), int(row["parts"]))
        told = f"{counts}; median {figure(row['median'] * factor)}"
        rows.append(
            {"panel": number, "what": MIDDLE, "level": at, "y": row["median"] * factor, "low": row["low"] * factor,
             "high": row["high"] * factor, "pieces": int(row["pieces"]), "label": told}
        )  # fmt: skip
    used = [r["series"] for r in rows if r["what"] in (PIECE, RUN)]
    runs, parts = some["run"].nunique(), some["part"].nunique()
    pieces = len(some[["run", "part", "serial"]].drop_duplicates())
    aside = int(table["set_aside"].sum())
    said = base.count_words(runs, pieces, parts) + (f"; {aside} set aside" if aside else "")
    panel = Panel(
        number, "between", base.stratum_words(stratum), ", ".join(by) or "", y_title, tuple(levels),
        base.ordered(used), said=(said,),
    )  # fmt: skip
    return panel, rows


def _levels(frame: pd.DataFrame, by: list[str]) -> list[str]:
    """The treatment of each row in words."""
    if not by:
        return [NO_TREATMENT] * len(frame)
    return [", ".join(str(v) for v in row) for row in frame[by].itertuples(index=False, name=None)]
