"""How much did parts move, under which treatment: the answer with its n, what is set aside, and what is suspect."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, tzinfo
from typing import TYPE_CHECKING, Any

import numpy as np

from loadbook.analysis.movement import blunders, compare, describe, percent, scale
from loadbook.analysis.movement import content as movement_content
from loadbook.analysis.movement import lots as movement_lots
from loadbook.analysis.movement.scale import STRATUM, Stage
from loadbook.core.errors import UsageError
from loadbook.core.remarks import Remark, remark
from loadbook.core.vocabulary.intake_kinds import SIZE_KINDS

from .filters import Filters
from .movement_data import MovementData, gauges_apart, load
from .remark_words import words
from .result import TableResult
from .source import Source, by_plant, evidence, source_of

if TYPE_CHECKING:
    import pandas as pd

    from loadbook.store.book import BookFolder

DEFAULT_BY = ("setup", "atmosphere")
PIECE = ("run", "part", "serial")
PLAIN_STRATUM = (*STRATUM, "part", "characteristic")
_ORDERED = ("median", "low", "high", "worst", "mean")
TABLE_FIGURES = (*_ORDERED, "mean_low", "mean_high", *(f"{n}_without_flagged" for n in _ORDERED))
DIFFERENCE_FIGURES = ("mean_a", "mean_b", "difference", "low", "high", "se")
CONTENT_FIGURES = ("low", "high", "below", "above", "free_low", "free_high")


def _nothing() -> pd.DataFrame:
    import pandas as pd

    return pd.DataFrame()


@dataclass
class Moved(TableResult):
    """Movement by treatment.

    table        one row per process, kind, side, unit and treatment (keys as in `loadbook moved --format json`)
    differences  one row per pair of treatments, the run as the unit
    content      intervals for a share of all pieces, per row of table
    scatter      variance shares: part number, run, (position,) piece, (reading)
    set_aside    pieces and runs by treatment and reason;  flagged  readings that look like blunders
    lots         lots without serials, before and after compared unpaired; in no other figure
    measured     one row per movement behind the table, with its treatment columns and y; texts of a book as categories
    by           treatment columns;  stage  None for movement, 'after' or 'before' for plain readings
    zone         of the clock that a picture's dates are of
    plants       of a group: plant, runs, pieces behind it (its table has a column `plants`, how many are in a row)
    remarks      what is to be said of the whole;  warnings  the same in words
    """

    table: pd.DataFrame
    differences: pd.DataFrame
    content: pd.DataFrame
    scatter: pd.DataFrame
    set_aside: pd.DataFrame
    flagged: pd.DataFrame
    by: list[str]
    stage: Stage | None
    confidence: float
    runs: int
    pieces: int
    parts: int
    unmeasured: int
    system: str = "si"
    zone: tzinfo = UTC
    measured: pd.DataFrame = field(default_factory=_nothing, repr=False)
    lots: pd.DataFrame = field(default_factory=_nothing)
    plants: list[dict[str, Any]] | None = None
    remarks: list[Remark] = field(default_factory=list)

    @property
    def warnings(self) -> list[str]:
        """The remarks in words, in the units asked for."""
        return [words(r, self.system) for r in self.remarks]

    UNIT_COLUMNS = ("unit",)
    FIGURES = ((TABLE_FIGURES, "{unit}"),)


def moved(
    asked_of: BookFolder | Source,
    filters: Filters | None = None,
    by: Sequence[str] | str = DEFAULT_BY,
    stage: Stage | None = None,
    confidence: float = 0.95,
    content: float = 0.95,
) -> Moved:
    """How much did parts move, by treatment.

    filters     which runs, parts, characteristics
    by          treatment columns: view columns, or parameters as bands ('heating_rate_peak_c_per_h:50,100' or ':q4')
    stage       None: movement.  'after' or 'before': plain readings, where there are no pairs
    confidence  of the intervals;  content  share of pieces that the content interval holds
    Raises      UsageError, NotFoundError
    """
    check_share(confidence, "--confidence")
    check_share(content, "--content")
    words = [by] if isinstance(by, str) else list(by)
    named = [w.name for w in scale.parse_by(words)]
    source = source_of(asked_of)
    data = load(source, filters or Filters(), also=[*named, *movement_lots.COLUMNS], parameters=named)
    found = moved_of(data, words, stage, confidence, content, source.units)
    found.zone = source.zone
    return found


def check_share(value: float, name: str) -> None:
    """Raises UsageError unless 0 < value < 1."""
    if not 0.0 < value < 1.0:
        raise UsageError(f"{name} {value:g} is not a share between 0 and 1", remedy=f"Write it like {name} 0.90")


def moved_of(
    data: MovementData,
    by: Sequence[str],
    stage: Stage | None = None,
    confidence: float = 0.95,
    content: float = 0.95,
    system: str = "si",
) -> Moved:
    """`moved` over rows that were read already."""
    import pandas as pd

    # what is never pooled splits the rows anyhow, and its values are not compared with one another
    ways = [w for w in scale.parse_by(by) if w not in [scale.By(name) for name in STRATUM]]
    names = scale.treatment_names(ways)
    valued = scale.with_value(data.frame, stage)
    flags = blunders.flagged_rows(valued) & ~data.believed
    parameters = data.shown_or_asked()
    frame = scale.with_treatment(valued, ways, parameters, system)
    strata = [s for s in (STRATUM if stage is None else PLAIN_STRATUM) if s not in names]
    plain = stage is not None
    table = describe.describe(frame, names, flags, confidence, strata)
    compared = compare.differences(frame, names, confidence, plain, strata)
    rows = frame[frame["y"].notna()]
    pieces = rows[[c for c in ("run", "part", "serial", "plant") if c in rows]].drop_duplicates([*PIECE])
    table["resolution"] = _resolutions(frame, table, strata)
    if "plant" in frame:
        table["plants"] = _plants(rows, table, [*strata, *names])
    aside = scale.set_aside_counts(frame, names)
    shown = ["run", "part", "serial", "characteristic", "unit", "y", "set_aside"]
    suspects = scale.as_texts(frame.loc[flags, [c for c in shown if c != "set_aside"]]).rename(columns={"y": "value"})
    content_rows = _content_rows(rows, table, strata, names, confidence, content, plain)
    result = Moved(
        table=percent.in_percent(table, TABLE_FIGURES),
        differences=percent.in_percent(_pair_rows(compared), DIFFERENCE_FIGURES),
        content=percent.in_percent(content_rows, CONTENT_FIGURES),
        scatter=percent.in_percent(_scatter_rows(frame), ["sd"]) if stage is None else pd.DataFrame(),
        set_aside=aside,
        flagged=percent.in_percent(suspects.reset_index(drop=True), ["value"]),
        by=names,
        stage=stage,
        confidence=confidence,
        runs=int(pieces["run"].nunique()),
        pieces=len(pieces),
        parts=int(pieces["part"].nunique()),
        unmeasured=data.unmeasured,
        system=system,
        measured=percent.in_percent(rows.reset_index(drop=True), ["y"]),
        lots=movement_lots.lots(frame, names, confidence) if stage is None else pd.DataFrame(),
        plants=by_plant(pieces),
    )
    result.remarks = [*evidence(result.plants, data.left_out), *_remarks(result, rows, compared)]
    asked = parameters[(parameters["source"] == "asked") & parameters["run"].isin(rows["run"])]
    banded = asked[asked["parameter"].isin([w.name for w in ways])].groupby("parameter").size()
    result.remarks += [
        remark("by_asked", parameter=str(name), runs=int(n), of=result.runs) for name, n in banded.items()
    ]
    return result


def _pair_rows(compared: Sequence[compare.Compared]) -> pd.DataFrame:
    import pandas as pd

    rows = []
    for one in compared:
        for d in one.pairs:
            rows.append({**one.stratum, **d.as_dict()})
    return pd.DataFrame(rows)


def _content_rows(
    frame: pd.DataFrame,
    table: pd.DataFrame,
    strata: Sequence[str],
    names: Sequence[str],
    confidence: float,
    content: float,
    plain: bool,
) -> pd.DataFrame:
    import pandas as pd

    keys = [*strata, *names]
    narrow = frame[list(dict.fromkeys([*keys, "y", "run"]))]  # a group takes its rows of every column
    groups = dict(iter(narrow.groupby(keys, sort=False, dropna=False))) if len(frame) else {}
    tidy = {_tidy(k): g for k, g in groups.items()}
    rows = []
    for row in table[keys].itertuples(index=False):
        some = tidy.get(_tidy(tuple(row)))
        if some is None:
            continue
        found = movement_content.content_interval(
            some["y"].to_numpy(dtype=np.float64), some["run"], content, confidence, plain
        )
        rows.append({**dict(zip(keys, row, strict=True)), **found.__dict__})
    return pd.DataFrame(rows)


def _plants(frame: pd.DataFrame, table: pd.DataFrame, keys: list[str]) -> list[int]:
    """How many plants each row of a group's table is made of."""
    plants = frame["plant"].astype(str)
    counts = {_tidy(k): plants[g].nunique() for k, g in frame.groupby(keys, sort=False, dropna=False).groups.items()}
    return [counts.get(_tidy(tuple(row)), 0) for row in table[keys].itertuples(index=False)]


def _resolutions(frame: pd.DataFrame, table: pd.DataFrame, strata: Sequence[str]) -> list[float | None]:
    """The step that the readings of each row's stratum can show, on its working scale."""
    keys = list(strata)
    if frame.empty:
        return []
    narrow = frame[list(dict.fromkeys([*keys, *describe.OF_RESOLUTION]))]
    found = {_tidy(k): describe.resolution(g) for k, g in narrow.groupby(keys, sort=False, dropna=False)}
    return [found.get(_tidy(tuple(row))) for row in table[keys].itertuples(index=False)]


def _tidy(key: Any) -> tuple[str, ...]:
    return tuple("" if v is None or v != v else str(v) for v in (key if isinstance(key, tuple) else (key,)))


def _scatter_rows(frame: pd.DataFrame) -> pd.DataFrame:
    import pandas as pd

    rows = []
    for stratum, found in describe.scatter_shares(frame):
        for level, variance, share, line in zip(found.levels, found.variances, found.shares, found.table, strict=True):
            sd = float(np.sqrt(variance))
            told = {"sd": sd, "share": share} if line.df else {"sd": None, "share": None}  # one: nothing to compare
            rows.append({**stratum, "level": level, **told, "df": line.df, "n": found.n})
    return pd.DataFrame(rows)


def _not_at_20c(frame: pd.DataFrame) -> list[Remark]:
    """How many movements of sizes could not be brought to 20 °C, by what is not recorded."""
    if not len(frame):
        return []
    sizes = int(frame["kind"].isin(SIZE_KINDS).sum())
    return [
        remark("not_corrected", sizes=n, of=sizes, missing=missing)
        for state, missing in (
            ("no temperatures", "temperatures"),
            ("no expansion figures", "expansion of the material or of the gauge"),
        )
        if (n := int((frame["corrected_20c"] == state).sum()))
    ]


def _remarks(result: Moved, frame: pd.DataFrame, compared: Sequence[compare.Compared]) -> list[Remark]:
    out = []
    if result.stage is not None:
        out.append(remark("plain_readings", stage=result.stage))
    if frame.empty:
        out.append(remark("nothing_left", stage=result.stage, reasons={}))
    elif result.runs == 1:
        out.append(remark("one_run_behind", differed=bool(len(result.differences))))
    if len(result.flagged):
        out.append(remark("flagged_in", readings=len(result.flagged)))
    if result.unmeasured:
        out.append(remark("not_measured_at_all", pieces=result.unmeasured))
    way = int((frame["way"] == "unrecorded").sum()) if "way" in frame else 0
    if way and result.stage is None:
        out.append(remark("way_not_recorded", movements=way, of=len(frame)))
    if result.stage is None:
        out += gauges_apart(frame)
    out += _not_at_20c(frame)
    if len(result.table) and (result.table["runs"] > 1).any():
        still = result.table[(result.table["runs"] > 1) & result.table["mean_low"].isna()]
        if len(still):
            out.append(remark("all_moved_the_same"))
    if len(result.lots):
        out.append(remark("lots_apart", lots=int(result.lots["lots"].sum())))
    if "below_gauge" in result.table and float(result.table["below_gauge"].fillna(0.0).max()) > 0.5:
        out.append(remark("below_the_gauge"))
    out += [
        remark("differ_at_all", kind=one.stratum.get("kind", ""), process=one.stratum.get("process"),
               f=one.overall.f, p=one.overall.p)
        for one in compared
        if one.overall is not None and not np.isnan(one.overall.p) and len(one.pairs) > 1
    ]  # fmt: skip
    return out
