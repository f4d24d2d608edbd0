"""What the statistics take from a group: sums per run and part number, made on the engine; only they come back.

A cell is one run, part number, characteristic and treatment of one plant: how many pieces, their sum, their sum of
squares, the same without the readings that look like blunders, and counts. Medians and quantiles are taken on the
engine too. Part numbers with the plant before them (`part_of`) keep comparisons inside a plant.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, Protocol

from loadbook.core.errors import NotFoundError, UsageError
from loadbook.group import views
from loadbook.group.read import Group, open_group
from loadbook.queries.filters import FILTERS, Filters

if TYPE_CHECKING:
    import pandas as pd

NEEDS = {"movement", "confirmation", "reading", "parameter", "run_parameter", "pieces", "history_break", "furnace"}
STRATUM = ("process", "kind", "side", "y_unit")


class Engine(Protocol):
    """What answers our own SQL over a group: DuckDB here, or Spark."""

    name: str

    def frame(self, sql: str, values: Any = None) -> pd.DataFrame: ...

    def rows(self, sql: str, values: Any = None) -> tuple[list[str], list[tuple[Any, ...]]]: ...

    def close(self) -> None: ...


def start(
    group: Group, needs: set[str], engine: str = "duckdb", master: str | None = None, spark: Any = None
) -> Engine:
    """An engine with the tables and views named. Raises UsageError where it is not installed."""
    if engine == "spark":
        from loadbook.group.spark import SparkEngine

        return SparkEngine(group, needs, spark, master)
    from loadbook.group.duck import DuckEngine

    return DuckEngine(group, needs)


@dataclass(frozen=True)
class Asking:
    """Which group is asked, under which filters, on which engine.

    without  plants left out;  plant only these (several: a,b)
    """

    target: str
    filters: Filters = field(default_factory=Filters)
    engine: str = "duckdb"
    without: tuple[str, ...] = ()
    plant: str | None = None
    master: str | None = None
    spark: Any = None


class GroupSource:
    """An engine over a group's movement, filtered."""

    def __init__(self, asking: Asking) -> None:
        self.group = open_group(asking.target, asking.without)
        self.filters = replace(asking.filters, zone=self.group.zone())
        self.asking, self.plant = asking, asking.plant
        self.engine = start(self.group, NEEDS, asking.engine, asking.master, asking.spark)
        self.where, self.values = _where(self.filters, self.group, self.plant)

    def __enter__(self) -> GroupSource:
        return self

    def __exit__(self, *_: object) -> None:
        self.engine.close()

    def screened(self, scale: str | None = None, more: str = "") -> tuple[str, dict[str, Any]]:
        """(the text of the screened movement as a subquery, the values of its parameters)."""
        text = views.own()["movement_screened"].text
        rows = f"(SELECT * FROM movement WHERE {self.where}{more})"
        return "(" + text.replace("{rows}", rows) + "\n)", {**self.values, "scale": scale}

    def frame(self, sql: str, values: dict[str, Any]) -> pd.DataFrame:
        """Rows of a query; parameters that it does not name are left out."""
        return self.engine.frame(sql, {k: v for k, v in values.items() if f"${k}" in sql})

    def plants(self) -> pd.DataFrame:
        """plant, runs, pieces with movement under the filters: where the evidence comes from."""
        return self.frame(
            "SELECT plant, count(DISTINCT run) AS runs, count(DISTINCT run || '|' || part || '|' || serial) AS pieces"
            f" FROM movement WHERE set_aside IS NULL AND {self.where} GROUP BY plant ORDER BY plant",
            self.values,
        )

    def nothing(self) -> NotFoundError:
        """The error for a question that no reading fits."""
        given = self.filters.given() | ({"plant": self.plant} if self.plant else {})
        told = ", ".join(f"--{k} {v}" for k, v in given.items()) or "the whole group"
        return NotFoundError(f"no readings for {told}", remedy="loadbook group report TARGET movement_by_treatment")


def _where(filters: Filters, group: Group, plant: str | None) -> tuple[str, dict[str, Any]]:
    """The filters as a condition with `$name` parameters. Raises UsageError for one that a group cannot have."""
    if filters.where is not None:
        raise UsageError("--where is not for a group", remedy="Ask with: loadbook group sql TARGET QUERY")
    if filters.customer is not None and not group.keeps("customers"):
        raise UsageError("not every plant published its customers", remedy="Leave out --customer")
    known = {p.name for p in group.plants}
    local = {name: getattr(filters, name) for name in ("furnace", "cycle", "job") if getattr(filters, name)}
    for name, text in local.items():
        if any(part.strip().partition("/")[0] not in known for part in text.split(",")):
            raise UsageError(
                f"--{name} {text!r} is a plant's own: the plant stands before it",
                remedy=f"Write --{name} '{sorted(known)[0]}/{text}'",
            )
    condition, values = filters.sql({*FILTERS, "started"})
    named: dict[str, Any] = {}
    for number, value in enumerate(values):
        condition = condition.replace("?", f"$f{number}", 1)
        named[f"f{number}"] = value
    if plant is not None:
        wanted = [p.strip() for p in plant.split(",")]
        unknown = [p for p in wanted if p not in known]
        if unknown:
            raise UsageError(f"the group has no plant {unknown[0]!r}", remedy="It has: " + ", ".join(sorted(known)))
        condition += " AND plant IN (" + ", ".join(f"$p{i}" for i in range(len(wanted))) + ")"
        named |= {f"p{i}": p for i, p in enumerate(wanted)}
    return condition, named


def cells(source: GroupSource, by: Sequence[tuple[str, str]], values: dict[str, Any] | None = None) -> pd.DataFrame:
    """One row per stratum, plant, run, part number, characteristic and treatment: n, total, squares and counts.

    by       (name, SQL expression over the screened movement x) of each treatment column
    Columns  process, kind, side, unit, plant, run, started, part, part_of, characteristic, the names of by, pieces,
             total, squares, clean_pieces, clean_total, over, limited, below, gauged, unrecorded, warm
    """
    text, given = source.screened()
    outside = "(after_mm < lower_mm OR after_mm > upper_mm)"
    limited = (
        "(lower_mm IS NOT NULL OR upper_mm IS NOT NULL) AND after_mm IS NOT NULL"
        " AND NOT coalesce(before_mm < lower_mm OR before_mm > upper_mm, false)"
    )
    # a treatment that is a column of every cell anyway is not given twice
    shown = "".join(f', by_{i} AS "{n}"' for i, (n, _) in enumerate(by) if n not in ("plant", "part", "characteristic"))
    sql = (
        f"WITH x AS (SELECT * FROM {text} AS s), t AS (SELECT x.*{', ' + _renamed(by) if by else ''} FROM x)"
        f" SELECT process, kind, side, y_unit AS unit, plant, run, started, part, characteristic{shown},"
        " count(y) AS pieces, sum(y) AS total, sum(y * y) AS squares,"
        " count(y) FILTER (WHERE NOT flagged) AS clean_pieces, sum(y) FILTER (WHERE NOT flagged) AS clean_total,"
        f" count(*) FILTER (WHERE {limited} AND coalesce({outside}, false)) AS over,"
        f" count(*) FILTER (WHERE {limited}) AS limited,"
        " count(*) FILTER (WHERE below_gauge) AS below, count(below_gauge) AS gauged,"
        " count(*) FILTER (WHERE way = 'unrecorded') AS unrecorded,"
        " count(*) FILTER (WHERE corrected_20c IN ('no temperatures', 'no expansion figures')) AS warm"
        " FROM t WHERE y IS NOT NULL"
        f" GROUP BY process, kind, side, y_unit, plant, run, started, part, characteristic{_keys(by)}"
        f" ORDER BY process, kind, side, y_unit, started, run, part, characteristic{_keys(by)}"
    )
    found = source.frame(sql, {**given, **(values or {})})
    found["process"] = found["process"].where(found["process"] != "", None)
    found["part_of"] = found["plant"] + "/" + found["part"]
    return found


def _renamed(by: Sequence[tuple[str, str]]) -> str:
    return ", ".join(f"{sql} AS by_{i}" for i, (_, sql) in enumerate(by))


def _keys(by: Sequence[tuple[str, str]]) -> str:
    return "".join(f", by_{i}" for i in range(len(by)))


def figures(source: GroupSource, by: Sequence[tuple[str, str]], values: dict[str, Any] | None = None) -> pd.DataFrame:
    """Order statistics and counts per stratum and treatment, taken on the engine: median, low, high, least, most
    (each also without the readings that look like blunders), pieces, flagged, set_aside."""
    text, given = source.screened()
    name = ", ".join(f'by_{i} AS "{n}"' for i, (n, _) in enumerate(by))
    clean = "FILTER (WHERE NOT flagged)"
    sql = (
        f"WITH x AS (SELECT * FROM {text} AS s), t AS (SELECT x.*, CASE WHEN NOT flagged THEN y END AS clean"
        f"{', ' + _renamed(by) if by else ''} FROM x)"
        f" SELECT process, kind, side, y_unit AS unit{', ' + name if by else ''},"
        " count(DISTINCT CASE WHEN y IS NOT NULL THEN run || '|' || part || '|' || serial END) AS pieces,"
        " median(y) AS median, quantile_np1(y, 0.05) AS low, quantile_np1(y, 0.95) AS high, min(y) AS least,"
        " max(y) AS most, median(clean) AS clean_median, quantile_np1(clean, 0.05) AS clean_low,"
        f" quantile_np1(clean, 0.95) AS clean_high, min(y) {clean} AS clean_least, max(y) {clean} AS clean_most,"
        " count(*) FILTER (WHERE flagged) AS flagged, count(set_aside) AS set_aside"
        f" FROM t GROUP BY process, kind, side, y_unit{_keys(by)} ORDER BY process, kind, side, y_unit{_keys(by)}"
    )
    found = source.frame(sql, {**given, **(values or {})})
    found["process"] = found["process"].where(found["process"] != "", None)
    return found


def set_aside(source: GroupSource, by: Sequence[tuple[str, str]], values: dict[str, Any] | None = None) -> pd.DataFrame:
    """Pieces and runs set aside, by treatment and reason, most first."""
    text, given = source.screened()
    name = ", ".join(f'by_{i} AS "{n}"' for i, (n, _) in enumerate(by))
    keys = _keys(by)[2:]
    sql = (
        f"WITH x AS (SELECT * FROM {text} AS s), t AS (SELECT x.*{', ' + _renamed(by) if by else ''} FROM x)"
        f" SELECT {name + ', ' if by else ''}set_aside AS reason, count(*) AS pieces, count(DISTINCT run) AS runs"
        f" FROM t WHERE set_aside IS NOT NULL GROUP BY {keys + ', ' if keys else ''}set_aside"
        f" ORDER BY pieces DESC, {keys + ', ' if keys else ''}reason"
    )
    return source.frame(sql, {**given, **(values or {})})


def parameters(source: GroupSource, asked: bool, named: Sequence[str] = ()) -> pd.DataFrame:
    """run, parameter, value, unit, source of the runs with movement: one row each, the trace before what was stated.

    named  only these parameters (none: all)
    """
    only = ""
    values = dict(source.values)
    if named:
        only = " AND p.parameter IN (" + ", ".join(f"$n{i}" for i in range(len(named))) + ")"
        values |= {f"n{i}": n for i, n in enumerate(named)}
    kinds = "= 'asked'" if asked else "IN ('trace', 'stated')"
    sql = (
        f"WITH r AS (SELECT DISTINCT run FROM movement WHERE {source.where})"
        " SELECT p.run, p.parameter, p.value, p.unit, p.source FROM parameter AS p JOIN r ON r.run = p.run"
        f" WHERE p.channel IS NULL AND p.source {kinds}{only} ORDER BY p.run, p.parameter, p.source DESC"
    )
    return source.frame(sql, values).drop_duplicates(["run", "parameter"]).reset_index(drop=True)
