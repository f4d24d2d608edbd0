"""Copying the book's tables into an engine.

SQLite's rows come through the standard library (a second SQLite library in the process would drop its locks) and go
into tables with declared types, twenty thousand at a time, column by column.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from loadbook.core.collector import uncollected
from loadbook.core.errors import DamageError
from loadbook.core.vocabulary.intake_kinds import BY_TABLE

from .revision import Part

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
    ("trial", "planned_at"): "TIMESTAMP",
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


def create(connection: duckdb.DuckDBPyConnection, table: str, columns: Mapping[str, str]) -> None:
    """The table, empty."""
    made = ", ".join(f'"{name}" {kind}' for name, kind in columns.items())
    connection.execute(f'CREATE TABLE "{table}" ({made})')


def copy(
    reader: sqlite3.Connection,
    connection: duckdb.DuckDBPyConnection,
    table: str,
    columns: Mapping[str, str],
    part: Part | None = None,
) -> None:
    """Put a table's rows, or a part of them, into the engine's. Raises DamageError where a value is not of its type."""
    listed = ", ".join(f'"{name}"' for name in columns)
    some = ("", ()) if part is None else (" WHERE rowid BETWEEN ? AND ?", part)
    cursor = reader.execute(f'SELECT {listed} FROM "{table}"{some[0]}', some[1])
    cursor.row_factory = None
    connection.execute("SET pandas_analyze_sample = 0")  # texts are texts, whatever a column's start
    with uncollected():
        while rows := cursor.fetchmany(ROWS):
            insert(connection, table, columns, list(zip(*rows, strict=True)))
    connection.execute("RESET pandas_analyze_sample")


def insert(
    connection: duckdb.DuckDBPyConnection, table: str, columns: Mapping[str, str], values: Sequence[tuple[Any, ...]]
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
