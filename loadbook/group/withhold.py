"""What of a book is published to a group, and what stays in the house.

Left out always: what was typed, the names of intake files and recorder files, layouts, amendments, approvals,
nonconformances, settings. Left out unless it is asked for: customers, people, free notes, and everything of jobs
that are confidential or export-controlled. Left out means: the column is empty, or the row is not there.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from dataclasses import asdict, dataclass, field
from itertools import groupby
from operator import itemgetter
from typing import Any

from loadbook.store.session_copy import column_types

NEVER = ("intake_id", "typed", "source_name", "source_sha256", "layout", "source_text", "question", "result")
CUSTOMERS = {
    ("part", "customer"), ("job", "customer"), ("job", "purchase_order"), ("job", "drawing_revision"),
    ("job", "specification"), ("job", "specification_revision"),
}  # fmt: skip
PEOPLE = {("run", "operator"), ("reading", "inspector"), ("confirmation", "person")}
NOTES = {
    ("run", "note"), ("furnace", "note"), ("furnace_check", "note"), ("event", "note"), ("operation", "note"),
    ("history_break", "note"), ("history_break", "what"), ("confirmation", "why"), ("part", "description"),
    ("cycle", "title"), ("material", "source"),
}  # fmt: skip
# tables whose rows belong to a run: they stand in the month in which it began
BY_RUN = (
    "run", "piece", "channel", "event", "trace", "trace_channel", "reading", "parameter", "finding", "confirmation",
)  # fmt: skip
REFERENCE = (
    "material", "part", "characteristic", "job", "furnace", "furnace_check", "gauge", "calibration", "cycle",
    "cycle_segment", "cycle_limit", "operation", "history_break", "answer", "answer_outcome",
)  # fmt: skip
TABLES = (*BY_RUN, *REFERENCE)
_BREAK = "a break in the history"


@dataclass(frozen=True)
class PublishOptions:
    """What is published although by default it is not."""

    customers: bool = False
    people: bool = False
    notes: bool = False
    confidential: bool = False
    export_controlled: bool = False

    def as_dict(self) -> dict[str, bool]:
        """As the manifest says it."""
        return asdict(self)

    def dropped(self) -> set[tuple[str, str]]:
        """(table, column) that are emptied."""
        out: set[tuple[str, str]] = set()
        for kept, columns in ((self.customers, CUSTOMERS), (self.people, PEOPLE), (self.notes, NOTES)):
            if not kept:
                out |= columns
        return out


@dataclass(frozen=True)
class Withheld:
    """Counts of what is not published because its job is confidential or export-controlled, and nothing else of it."""

    jobs: int = 0
    parts: int = 0
    runs: int = 0
    pieces: int = 0
    readings: int = 0


@dataclass
class TableRows:
    """The rows of one table in one month (None: the table is not kept by month)."""

    table: str
    month: str | None
    columns: dict[str, str]
    rows: list[tuple[Any, ...]] = field(default_factory=list)


def columns_of(conn: sqlite3.Connection, table: str) -> dict[str, str]:
    """The columns that are published of a table, in order, with their types for an engine."""
    found = {name: kind for name, kind in column_types(conn, table).items() if name not in NEVER}
    if table == "parameter":
        found["taken"] = "BOOLEAN"  # it came in from a file or by hand: computing again leaves it alone
    return found


def withhold(conn: sqlite3.Connection, keep: PublishOptions) -> Withheld:
    """Say, in temporary tables of the connection, what is withheld; give back the counts.

    A run that held one piece of such a job is withheld whole, with its trace. Export control clings to the article:
    a part number that ever was in such a job is withheld in all its runs. Of confidential jobs the part number goes
    where it has no other pieces. Who published by mistake could not take it back.
    """
    controlled = "0" if keep.export_controlled else "export_controlled = 1"
    secret = "0" if keep.confidential else "confidential = 1"
    for name in ("withheld_job", "withheld_part", "withheld_run", "withheld_cycle"):
        conn.execute(f"DROP TABLE IF EXISTS temp.{name}")
    conn.execute(f"CREATE TEMP TABLE withheld_job AS SELECT job FROM job WHERE {secret} OR {controlled}")
    conn.execute(
        "CREATE TEMP TABLE withheld_part AS SELECT part FROM piece LEFT JOIN job USING (job) GROUP BY part"
        f" HAVING max(ifnull({controlled}, 0)) OR min(ifnull(piece.job IN (SELECT job FROM withheld_job), 0))"
    )
    conn.execute(
        "CREATE TEMP TABLE withheld_run AS SELECT DISTINCT run FROM piece"
        " WHERE job IN (SELECT job FROM withheld_job) OR part IN (SELECT part FROM withheld_part)"
    )
    conn.execute(
        "CREATE TEMP TABLE withheld_cycle AS SELECT DISTINCT cycle, cycle_revision FROM run WHERE run IN"
        " (SELECT run FROM withheld_run) AND cycle IS NOT NULL EXCEPT SELECT cycle, cycle_revision FROM run"
        " WHERE run NOT IN (SELECT run FROM withheld_run)"
    )
    counts = [
        int(conn.execute(f"SELECT count(*) FROM {text}").fetchone()[0])
        for text in (
            "withheld_job", "withheld_part", "withheld_run",
            "piece WHERE run IN (SELECT run FROM withheld_run)",
            "reading WHERE run IN (SELECT run FROM withheld_run)",
        )
    ]  # fmt: skip
    return Withheld(*counts)


_RUN = "run NOT IN (SELECT run FROM temp.withheld_run)"
_PART = "part NOT IN (SELECT part FROM temp.withheld_part)"
_WHERE = {
    "part": _PART,
    "characteristic": _PART,
    "operation": _PART,
    "job": "job NOT IN (SELECT job FROM temp.withheld_job)",
    "cycle": "(cycle, revision) NOT IN (SELECT cycle, cycle_revision FROM temp.withheld_cycle)",
    "cycle_segment": "(cycle, revision) NOT IN (SELECT cycle, cycle_revision FROM temp.withheld_cycle)",
    "cycle_limit": "(cycle, revision) NOT IN (SELECT cycle, cycle_revision FROM temp.withheld_cycle)",
    "answer": "part IS NOT NULL AND part NOT IN (SELECT part FROM temp.withheld_part)"
    " AND (job IS NULL OR job NOT IN (SELECT job FROM temp.withheld_job))",
    "answer_outcome": f"{_RUN} AND answer_id IN (SELECT answer_id FROM answer WHERE part IS NOT NULL AND {_PART}"
    " AND (job IS NULL OR job NOT IN (SELECT job FROM temp.withheld_job)))",
}


def pieces_of(conn: sqlite3.Connection, table: str, keep: PublishOptions) -> Iterator[TableRows]:
    """The published rows of a table, month by month, in the order of their keys. `withhold` comes first."""
    columns = columns_of(conn, table)
    listed = ", ".join(_selected(table, name, keep) for name in columns)
    key = next(r[1] for r in conn.execute(f'PRAGMA table_info("{table}")') if r[5] == 1)
    if table not in BY_RUN:
        where = _WHERE.get(table, "true")
        cursor = conn.execute(f"SELECT {listed} FROM {table} AS x WHERE {where} ORDER BY x.{key}")
        cursor.row_factory = None
        yield TableRows(table, None, columns, cursor.fetchall())
        return
    joined = "run AS r USING (run)"
    if table == "trace_channel":
        joined = "trace AS t USING (trace_id) JOIN run AS r ON r.run = t.run"
    source = "run AS x JOIN run AS r USING (run)" if table == "run" else f"{table} AS x JOIN {joined}"
    current = {"trace": " AND x.state = 'current'", "trace_channel": " AND t.state = 'current'"}.get(table, "")
    cursor = conn.execute(
        f"SELECT substr(r.started, 1, 7) AS month_, {listed} FROM {source}"
        f" WHERE r.run NOT IN (SELECT run FROM temp.withheld_run){current} ORDER BY month_, x.{key}"
    )
    cursor.row_factory = None
    for month, rows in groupby(cursor, key=itemgetter(0)):
        yield TableRows(table, month, columns, [tuple(r[1:]) for r in rows])


def _selected(table: str, name: str, keep: PublishOptions) -> str:
    if (table, name) == ("parameter", "taken"):
        return "x.intake_id IS NOT NULL AS taken"
    if (table, name) == ("parameter", "note") and not keep.notes:
        return "CASE WHEN x.source <> 'stated' THEN x.note END AS note"
    if (table, name) == ("history_break", "what") and not keep.notes:
        return f"'{_BREAK}' AS what"
    if (table, name) in keep.dropped():
        return f"NULL AS {name}"
    return f'x."{name}"'
