"""Copying the book's tables into the analytic session: which columns a query reads, and their way across.

SQLite's rows come through the standard library (a second SQLite library in the process would drop its locks) and go
into tables with declared types, twenty thousand at a time, column by column. What a query reads is asked of the
engine itself: its plan over the empty tables, with no optimizer but the one that leaves unused columns out.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Collection, Iterable, Iterator, Sequence
from typing import TYPE_CHECKING, Any

from loadbook.core.collector import uncollected
from loadbook.core.errors import DamageError
from loadbook.core.vocabulary.intake_kinds import BY_TABLE

if TYPE_CHECKING:
    import duckdb

_TYPES = {"TEXT": "VARCHAR", "REAL": "DOUBLE", "INTEGER": "BIGINT", "BLOB": "BLOB"}
_KINDS = {"moment": "TIMESTAMP", "date": "DATE", "yesno": "BOOLEAN"}
_DERIVED = {
    ("trace", "started"): "TIMESTAMP",
    ("finding", "first_at"): "TIMESTAMP",
    ("finding", "worst_at"): "TIMESTAMP",
    ("finding", "uncertain"): "BOOLEAN",
    ("answer", "answered_at"): "TIMESTAMP",
    ("amendment", "at"): "TIMESTAMP",
    ("confirmation", "at"): "TIMESTAMP",
    ("intake", "taken_at"): "TIMESTAMP",
}
ROWS = 20_000


def column_types(reader: sqlite3.Connection, table: str) -> dict[str, str]:
    """The columns of one of the book's tables, in order, with the types that they have for an engine."""
    kinds = {c.name: c.type for c in BY_TABLE[table].columns} if table in BY_TABLE else {}
    return {
        name: _DERIVED.get((table, name)) or _KINDS.get(kinds.get(name, "")) or _TYPES.get(declared.upper(), "VARCHAR")
        for _, name, declared, *_ in reader.execute(f'PRAGMA table_info("{table}")')
    }


def create(connection: duckdb.DuckDBPyConnection, table: str, columns: dict[str, str]) -> None:
    """The table, empty."""
    made = ", ".join(f'"{name}" {kind}' for name, kind in columns.items())
    connection.execute(f'CREATE TABLE "{table}" ({made})')


def copy(
    reader: sqlite3.Connection,
    connection: duckdb.DuckDBPyConnection,
    table: str,
    columns: dict[str, str],
    only: Collection[str] | None = None,
    where: str = "true",
    values: Sequence[Any] = (),
) -> None:
    """Put a table's rows into the session's.

    only           the columns wanted (None: all); the others stay empty
    where, values  a condition in SQLite's words that the rows must fulfil, and its parameters
    Raises DamageError where a value is not of its type
    """
    chosen = [name for name in columns if only is None or name in only] or list(columns)[:1]
    listed = ", ".join(f'"{name}"' for name in chosen)
    cursor = reader.execute(f'SELECT {listed} FROM "{table}" WHERE {where}', values)
    cursor.row_factory = None
    with uncollected():
        while rows := cursor.fetchmany(ROWS):
            insert(connection, table, {n: columns[n] for n in chosen}, list(zip(*rows, strict=True)))


def insert(
    connection: duckdb.DuckDBPyConnection, table: str, columns: dict[str, str], values: Sequence[tuple[Any, ...]]
) -> None:
    """Insert rows given column by column; columns: name -> type, in the order of values."""
    import duckdb

    arrays = {
        name: array_of(column, kind)
        for (name, kind), column in zip(columns.items(), values, strict=True)
        if column.count(None) < len(column)
    } or {name: array_of(column, kind) for (name, kind), column in zip(columns.items(), values, strict=True)}
    listed = ", ".join(f'"{name}"' for name in arrays)
    connection.register("batch", arrays)
    try:
        connection.execute(f'INSERT INTO "{table}" ({listed}) SELECT {listed} FROM batch')
    except duckdb.Error as exc:
        raise DamageError(
            f"a value in the table {table} is not of its type: {str(exc).splitlines()[0]}",
            where=table,
            remedy="Run: loadbook verify",
        ) from exc
    finally:
        connection.unregister("batch")


def array_of(values: tuple[Any, ...], kind: str) -> Any:
    """A column's values as an array that DuckDB takes as they are: numbers as numbers, all else as texts."""
    import numpy as np

    if kind == "DOUBLE":
        return np.array(values, np.float64)
    if kind in ("BIGINT", "UBIGINT", "SMALLINT", "BOOLEAN"):
        if None not in values:
            return np.array(values, np.int64)
        missing = np.array([v is None for v in values], bool)
        return np.ma.masked_array(np.array([0 if v is None else v for v in values], np.int64), missing)
    texts = np.empty(len(values), object)
    texts[:] = values
    return texts


def read_columns(connection: duckdb.DuckDBPyConnection, reads: Iterable[tuple[str, Any]]) -> dict[str, set[str]]:
    """Table -> columns that some queries (text, parameters) read, by the engine's plan of them.

    A name that the plan does not give reads nothing. Raises duckdb.Error for a query that cannot be bound.
    """
    others = connection.execute("SELECT string_agg(name, ',') FROM duckdb_optimizers() WHERE name <> 'unused_columns'")
    connection.execute("SET disabled_optimizers = ?", list(others.fetchone() or ()))
    found: dict[str, set[str]] = {}
    try:
        for sql, parameters in reads:
            plan = connection.execute(f"EXPLAIN (FORMAT json) {sql}", parameters or None).fetchall()
            for node in nodes(json.loads(plan[0][1])):
                said = node["extra_info"]
                if "Table" in said:
                    name = str(said["Table"]).rsplit(".", 1)[-1].strip('"')
                    columns = said.get("Projections", ())
                    found.setdefault(name, set()).update([columns] if isinstance(columns, str) else columns)
    finally:
        connection.execute("RESET disabled_optimizers")
    return found


def nodes(plan: list[dict[str, Any]]) -> Iterator[dict[str, Any]]:
    """Every node of a plan that the engine gave as JSON."""
    for node in plan:
        yield node
        yield from nodes(node["children"])
