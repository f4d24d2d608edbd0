"""The rows that are published of each table, period by period, without what is withheld.

A row that names something withheld, in whatever column, is not there, but for two cases. A run keeps its row without
the name of the run that it repeats. And a published piece that also went through a withheld run gets an operation
'withheld run' without name and time: without it a movement would pass for that of one run alone.
"""

from __future__ import annotations

import sqlite3
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from itertools import groupby
from typing import Any

from loadbook.store.session_copy import column_types

from .periods import Periods
from .published import BY_RUN, PublishOptions, kinds_of
from .words import Words

A_BREAK = "a break in the history"
WITHHELD_RUN = "withheld run"
SENTENCES = ("finding", "parameter")  # tables in which the program says an event in a sentence


@dataclass
class TableRows:
    """The rows of one table in one period (None: the table is not kept by period). months: how many each month has"""

    name: str
    period: str | None
    columns: dict[str, str]
    rows: list[tuple[Any, ...]] = field(default_factory=list)
    months: dict[str, int] = field(default_factory=dict)


def columns_of(conn: sqlite3.Connection, table: str) -> dict[str, str]:
    """The columns that are published of a table, in the book's order, with their types for an engine."""
    listed = kinds_of(table)
    found = {name: kind for name, kind in column_types(conn, table).items() if name in listed}
    if table == "parameter":
        found["taken"] = "BOOLEAN"  # it came in from a file or by hand: computing again leaves it alone
    return found


def rows_of(
    conn: sqlite3.Connection, table: str, keep: PublishOptions, words: Words, periods: Periods
) -> Iterator[TableRows]:
    """The published rows of a table, period by period, in the order of months and keys. `withhold` comes first."""
    columns = columns_of(conn, table)
    listed = ", ".join(_selected(table, name, keep) for name in columns)
    key = next(r[1] for r in conn.execute(f'PRAGMA table_info("{table}")') if r[5] == 1)
    shown = _shown(table, columns, words)
    where = " AND ".join(_not_withheld(table, columns))
    if table not in BY_RUN:
        cursor = conn.execute(f"SELECT {listed} FROM {table} AS x WHERE {where} ORDER BY x.{key}")
        cursor.row_factory = None
        rows = [shown(r) for r in cursor]
        if table == "operation":
            rows += _stand_ins(conn, columns)
        yield TableRows(table, None, columns, rows)
        return
    source = f"{table} AS x JOIN run AS r ON r.run = x.run"
    if table == "trace_channel":
        source = "trace_channel AS x JOIN trace AS t USING (trace_id) JOIN run AS r ON r.run = t.run"
        where = "r.run NOT IN (SELECT run FROM temp.withheld_run)"
    current = {"trace": " AND x.state = 'current'", "trace_channel": " AND t.state = 'current'"}.get(table, "")
    cursor = conn.execute(
        f"SELECT substr(r.started, 1, 7) AS month_, {listed} FROM {source} WHERE {where}{current}"
        f" ORDER BY month_, x.{key}"
    )
    cursor.row_factory = None
    for period, found in groupby(cursor, key=lambda row: periods.of(row[0])):
        rows, months = [], Counter[str]()
        for month, *row in found:
            months[month] += 1
            rows.append(shown(row))
        yield TableRows(table, period, columns, rows, months)


def _selected(table: str, name: str, keep: PublishOptions) -> str:
    """A column as SQL selects it."""
    if (table, name) == ("parameter", "taken"):
        return "x.intake_id IS NOT NULL AS taken"
    if (table, name) == ("parameter", "note") and not keep.notes:
        return "CASE WHEN x.intake_id IS NULL THEN x.note END AS note"  # else a person wrote it
    if (table, name) == ("history_break", "what") and not keep.notes:
        return f"'{A_BREAK}' AS what"
    if name == "repeats_run":
        return "CASE WHEN x.repeats_run NOT IN (SELECT run FROM temp.withheld_run) THEN x.repeats_run END"
    return f"NULL AS {name}" if kinds_of(table)[name] in keep.empty() else f'x."{name}"'


def _shown(table: str, columns: dict[str, str], words: Words) -> Callable[[Sequence[Any]], tuple[Any, ...]]:
    """What turns a row as selected into the row that is published."""
    kinds = kinds_of(table)
    coded = [(at, name) for at, name in enumerate(columns) if kinds.get(name) == "word"]
    said = [at for at, name in enumerate(columns) if kinds.get(name) == "program" and table in SENTENCES]

    def shown(row: Sequence[Any]) -> tuple[Any, ...]:
        out = list(row)
        for at, name in coded:
            if out[at] is not None:
                out[at] = words.of(table, name, out[at])
        for at in said:
            if out[at] is not None:
                out[at] = words.sentence(out[at])
        return tuple(out)

    return shown


def _not_withheld(table: str, columns: dict[str, str]) -> list[str]:
    """The conditions under which a row is published: it names nothing that is withheld, in no column."""
    found = ["true"]
    for name in ("run", "part", "job", "material"):
        if name in columns:
            found.append(f"(x.{name} IS NULL OR x.{name} NOT IN (SELECT {name} FROM temp.withheld_{name}))")
    if "part" in columns and "serial" in columns:
        found.append("(x.part, x.serial) NOT IN (SELECT part, serial FROM temp.withheld_piece)")
    if "cycle" in columns and "revision" in columns:
        found.append("(x.cycle, x.revision) NOT IN (SELECT cycle, revision FROM temp.withheld_cycle)")
    if "answer_id" in columns:
        found.append("x.answer_id NOT IN (SELECT answer_id FROM temp.withheld_answer)")
    if table == "confirmation":
        found.append(
            "(x.reading_id IS NULL OR x.reading_id IN (SELECT reading_id FROM reading WHERE run NOT IN"
            " (SELECT run FROM temp.withheld_run)))"
        )
    return found


def _stand_ins(conn: sqlite3.Connection, columns: dict[str, str]) -> list[tuple[Any, ...]]:
    """An operation 'withheld run' for every published piece that also went through a withheld run."""
    cursor = conn.execute(
        "SELECT DISTINCT part, serial FROM (SELECT part, serial, run FROM piece UNION SELECT part, serial, run"
        " FROM operation) WHERE run IN (SELECT run FROM temp.withheld_run)"
        " AND (part, serial) IN (SELECT part, serial FROM piece WHERE run NOT IN (SELECT run FROM temp.withheld_run))"
        " ORDER BY part, serial"
    )
    rows = []
    for number, (part, serial) in enumerate(cursor, 1):
        row = {"operation_id": -number, "part": part, "serial": serial, "operation": WITHHELD_RUN}
        rows.append(tuple(row.get(name) for name in columns))
    return rows
