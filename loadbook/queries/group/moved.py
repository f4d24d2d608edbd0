"""How much did parts move in all plants, by treatment: from the group's sums, figures as `moved` gives them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy import special

from loadbook.analysis.movement import compare, percent, scale
from loadbook.analysis.movement import content as movement_content
from loadbook.analysis.quantiles import codes_of
from loadbook.core.errors import UsageError
from loadbook.core.vocabulary.intake_kinds import SIZE_KINDS
from loadbook.queries.moved import (
    CONTENT_FIGURES,
    DEFAULT_BY,
    DIFFERENCE_FIGURES,
    TABLE_FIGURES,
    check_share,
    records,
)

from . import cells as groupcells
from .cells import Asking, GroupSource

if TYPE_CHECKING:
    import pandas as pd

STRATUM = ("process", "kind", "side", "unit")
# columns of the screened movement that a treatment may be
COLUMNS = (
    "plant", "furnace", "cycle", "material", "family", "shape", "condition", "machining", "setup", "atmosphere",
    "position", "axis", "gauge", "heat_number", "part", "characteristic",
)  # fmt: skip


@dataclass
class GroupMoved:
    """Movement by treatment over a group.

    table        one row per process, kind, side, unit and treatment; keys as `moved` gives them, and `plants`
    differences  one row per pair of treatments, the run as the unit;  content  intervals for a share of all pieces
    set_aside    pieces and runs by treatment and reason;  plants  where the evidence comes from
    without      plants left out;  rows_back  rows that came back from the engine
    """

    table: pd.DataFrame
    differences: pd.DataFrame
    content: pd.DataFrame
    set_aside: pd.DataFrame
    plants: pd.DataFrame
    by: list[str]
    without: tuple[str, ...]
    units: str
    rows_back: int = 0
    warnings: list[str] = field(default_factory=list)

    def frame(self) -> pd.DataFrame:
        """One row per treatment."""
        return self.table

    def rows(self) -> list[dict[str, Any]]:
        """The same as dictionaries, missing figures None."""
        return records(self.table)


def moved_group(
    asking: Asking, by: Sequence[str] = DEFAULT_BY, confidence: float = 0.95, content: float = 0.95
) -> GroupMoved:
    """How much did parts move, by treatment, over the plants of a group.

    by      treatment columns (plant among them), or parameters as bands ('heating_rate_peak_c_per_h:50,100', ':q4')
    Raises  UsageError, NotFoundError
    """
    check_share(confidence, "--confidence")
    check_share(content, "--content")
    ways = scale.parse_by(by)
    with GroupSource(asking) as source:
        columns, values = treatments(source, ways)
        cells = groupcells.cells(source, columns, values)
        figures = groupcells.figures(source, columns, values)
        aside = groupcells.set_aside(source, columns, values)
        plants = source.plants()
        group = source.group
        if figures.empty:
            raise source.nothing()
    names = [w.name for w in ways]
    table = percent.told(_table(cells, figures, names, confidence), TABLE_FIGURES)
    compared = percent.told(_differences(cells, names, confidence), DIFFERENCE_FIGURES)
    held = percent.told(_content(cells, names, content, confidence), CONTENT_FIGURES)
    out = GroupMoved(
        table, compared, held, aside, plants, names, group.without,
        group.units(), len(cells) + len(figures) + len(aside) + len(plants),
    )  # fmt: skip
    out.warnings = _warnings(out, cells)
    return out


def treatments(source: GroupSource, ways: Sequence[scale.By]) -> tuple[list[tuple[str, str]], dict[str, Any]]:
    """(name, SQL over the screened movement) of each treatment column, and the values of its parameters.

    Raises UsageError for a name that is neither a column nor a parameter of any run
    """
    out: list[tuple[str, str]] = []
    values: dict[str, Any] = {}
    for number, way in enumerate(ways):
        if way.edges is None and way.quantiles is None and way.name in COLUMNS:
            out.append((way.name, f"coalesce(CAST(x.{way.name} AS VARCHAR), 'not recorded')"))
            continue
        found = groupcells.parameters(source, False, [way.name])
        if found.empty:
            raise UsageError(
                f"{way.name!r} is no column of a group's movement and no parameter of any run",
                remedy=f"Columns: {', '.join(COLUMNS)}; `loadbook explain` lists the parameters",
            )
        given = found["value"].to_numpy(dtype=np.float64)
        edges = list(way.edges) if way.edges else scale.quantile_edges(given, way.quantiles or 3)
        values[f"t{number}"] = way.name
        out.append((way.name, _banded(f"$t{number}", edges)))
    return out, values


def _banded(name: str, edges: Sequence[float]) -> str:
    """The band of a run's parameter, named as movement.band_labels names it."""
    value = (
        f"(SELECT coalesce(max(CASE WHEN q.source = 'trace' THEN q.value END), max(q.value)) FROM parameter AS q"
        f" WHERE q.run = x.run AND q.channel IS NULL AND q.parameter = {name} AND q.source IN ('trace', 'stated'))"
    )
    labels = scale.band_labels(np.array([edges[0] - 1.0, *edges, np.nan]), edges)
    steps = [f"WHEN {value} >= {edge!r} THEN '{labels[i + 1]}'" for i, edge in reversed(list(enumerate(edges)))]
    return f"CASE {' '.join(steps)} WHEN {value} < {edges[0]!r} THEN '{labels[0]}' ELSE '{labels[-1]}' END"


def _table(cells: pd.DataFrame, figures: pd.DataFrame, names: Sequence[str], confidence: float) -> pd.DataFrame:
    import pandas as pd

    keys = [*STRATUM, *names]
    groups = {_tidy(k): g for k, g in cells.groupby(keys, sort=False, dropna=False)} if len(cells) else {}
    rows = []
    for f in ({str(k): v for k, v in r.items()} for r in figures.to_dict("records")):
        some = groups.get(_tidy(tuple(f[k] for k in keys)))
        row = {k: f[k] for k in keys}
        if some is None:
            none = {"plants": 0, "runs": 0, "pieces": 0, "parts": 0, "flagged": 0}
            rows.append({**row, **none, "set_aside": int(f["set_aside"])})
            continue
        means = _run_means(some)[0]
        mean, n = float(means.mean()), means.size
        half = float("nan")
        if n > 1:
            half = float(special.stdtrit(n - 1, 0.5 + confidence / 2.0)) * float(means.std(ddof=1)) / np.sqrt(n)
        limited, gauged = int(some["limited"].sum()), int(some["gauged"].sum())
        rows.append(
            {
                **row, "plants": some["plant"].nunique(), "runs": n, "pieces": int(f["pieces"]),
                "parts": some["part"].nunique(), "mean": mean, "mean_low": mean - half, "mean_high": mean + half,
                "median": f["median"], "low": f["low"], "high": f["high"], "worst": _worst(f, ""),
                "over_tolerance": some["over"].sum() / limited if limited else np.nan,
                "below_gauge": some["below"].sum() / gauged if gauged else np.nan,
                "set_aside": int(f["set_aside"]), "flagged": int(f["flagged"]), **_without_flagged(f, some),
            }
        )  # fmt: skip
    return pd.DataFrame(rows)


def _without_flagged(f: dict[str, Any], some: pd.DataFrame) -> dict[str, Any]:
    if not f["flagged"]:
        return {}
    means = _run_means(some, "clean_")[0]
    return {
        "mean_without_flagged": float(means.mean()) if means.size else np.nan,
        "median_without_flagged": f["clean_median"], "low_without_flagged": f["clean_low"],
        "high_without_flagged": f["clean_high"], "worst_without_flagged": _worst(f, "clean_"),
    }  # fmt: skip


def _worst(f: dict[str, Any], lead: str) -> float:
    """Form: largest; sizes: furthest from no movement."""
    least, most = float(f[f"{lead}least"]), float(f[f"{lead}most"])
    return most if f["side"] == "form" or abs(most) >= abs(least) else least


def _run_means(some: pd.DataFrame, lead: str = "") -> tuple[np.ndarray, np.ndarray]:
    """(mean of each run, pieces of each), from sums."""
    run, count = codes_of(some["run"])
    n = np.bincount(run, weights=some[f"{lead}pieces"].to_numpy(dtype=np.float64), minlength=count)
    total = np.bincount(run, weights=np.nan_to_num(some[f"{lead}total"].to_numpy(dtype=np.float64)), minlength=count)
    return (total[n > 0] / n[n > 0]), n[n > 0]


def _differences(cells: pd.DataFrame, names: Sequence[str], confidence: float) -> pd.DataFrame:
    """Pairs of treatments, compared by the means of runs (or inside the runs that held both)."""
    import pandas as pd

    if cells.empty or not names:
        return pd.DataFrame()
    keys = [*STRATUM, *names, "run"]
    sums = cells.groupby(keys, sort=False, dropna=False)[["total", "pieces"]].sum().reset_index()
    sums["y"], sums["part"] = sums["total"] / sums["pieces"], ""
    parts = {_tidy(k): set(g["part"]) for k, g in cells.groupby([*STRATUM, *names], sort=False, dropna=False)}
    pieces = cells.groupby([*STRATUM, *names], sort=False, dropna=False)["pieces"].sum()
    known = {_tidy(k): int(v) for k, v in pieces.items()}
    rows = []
    for one in compare.differences(sums, names, confidence, False, STRATUM):
        stratum = tuple(one.stratum[k] for k in STRATUM)
        for d in one.pairs:
            a, b = (_tidy((*stratum, *values)) for values in (d.values_a, d.values_b))
            d.pieces_a, d.pieces_b = known.get(a, d.pieces_a), known.get(b, d.pieces_b)
            compare.same_parts(d, parts.get(a, set()), parts.get(b, set()))
            rows.append({**one.stratum, **d.as_dict()})
    return pd.DataFrame(rows)


def _content(cells: pd.DataFrame, names: Sequence[str], content: float, confidence: float) -> pd.DataFrame:
    import pandas as pd

    keys = [*STRATUM, *names]
    rows = []
    for key, some in cells.groupby(keys, sort=False, dropna=False) if len(cells) else []:
        means, sizes = _run_means(some)
        if means.size < 2 or float(sizes.sum()) == means.size:
            found = movement_content.content_interval(means, np.arange(means.size), content, confidence)
        else:
            within = max(float(some["squares"].sum()) - float(np.sum(sizes * means**2)), 0.0)
            found = movement_content.content_of_sums(sizes, means, within, content, confidence)
        rows.append({**dict(zip(keys, key, strict=True)), **found.__dict__})
    return pd.DataFrame(rows)


def _tidy(key: Any) -> tuple[str, ...]:
    return tuple("" if v is None or v != v else str(v) for v in (key if isinstance(key, tuple) else (key,)))


def _warnings(out: GroupMoved, cells: pd.DataFrame) -> list[str]:
    from .answer import evidence

    said = [evidence(out.plants, out.without)]
    flagged = int(out.table["flagged"].fillna(0).sum()) if "flagged" in out.table else 0
    if flagged:
        said.append(
            f"{flagged} readings look like blunders and are in the figures; plants decide (loadbook confirm reading)."
        )
    if len(cells):
        pieces = int(cells["pieces"].sum())
        sizes = int(cells.loc[cells["kind"].isin(SIZE_KINDS), "pieces"].sum())
        unrecorded, warm = int(cells["unrecorded"].sum()), int(cells["warm"].sum())
        if unrecorded:
            said.append(
                f"{unrecorded} of {pieces} movements: how the piece was held, its datum or surface is not recorded."
            )
        if warm:
            said.append(f"{warm} of {sizes} size movements could not be corrected to 20 °C.")
    return said
