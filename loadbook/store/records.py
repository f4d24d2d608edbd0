"""Putting rows into the book, always under an intake and its link in the chain; and amendments, the only way an
accepted value changes: the old one stays, with who, when and why."""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping, Sequence
from itertools import chain as joined
from itertools import islice
from typing import Any

from loadbook.core import times
from loadbook.core.errors import LoadbookError, UsageError

from . import chain, derived_checksum
from .holder import who
from .lookup import row_key

Rows = Sequence[Mapping[str, Any]] | Mapping[str, Sequence[Any]]  # of a table: one by one, or column by column
_AT_ONCE = 50  # rows that one execution of the prepared statement inserts


def add_intake(
    conn: sqlite3.Connection,
    kind: str,
    tables: Mapping[str, Rows],
    *,
    rows_read: int,
    file_name: str | None = None,
    file_sha256: str | None = None,
    rows_already: int = 0,
    rows_refused: int = 0,
    taken_by: str | None = None,
) -> int:
    """Insert the rows of several tables under one new intake and link it into the chain.

    tables  table -> its rows, one by one or column by column, in an order that satisfies foreign keys
    Call inside `BookFolder.write()`. Returns the intake's number.
    Raises LoadbookError where a row breaks a rule that the schema itself keeps.
    """
    columns = {table: _columns(rows) for table, rows in tables.items()}
    counts = {table: len(next(iter(named.values()), ())) for table, named in columns.items()}
    added = sum(counts.values())
    cursor = conn.execute(
        "INSERT INTO intake (kind, file_name, file_sha256, rows_read, rows_added, rows_already, rows_refused,"
        " taken_by, taken_at) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
        (
            kind,
            file_name,
            file_sha256,
            rows_read,
            added,
            rows_already,
            rows_refused,
            taken_by or who(),
            times.stored(times.now()),
        ),
    )
    intake_id = int(cursor.lastrowid or 0)
    put_in: dict[str, tuple[int, Mapping[str, Sequence[Any]]]] = {}
    for table, named in columns.items():
        if not counts[table]:
            continue
        last = conn.execute(f"SELECT ifnull(max({row_key(conn, table)}), 0) FROM {table}").fetchone()[0]
        try:
            put_in[table] = last + 1, _insert(conn, table, named, intake_id)
        except sqlite3.IntegrityError as exc:
            raise LoadbookError(
                f"a row of {table} breaks a rule of the book: {exc}", remedy="Nothing was taken in"
            ) from exc
    chain.link_intake(conn, intake_id, put_in)
    return intake_id


def _columns(rows: Rows) -> Mapping[str, Sequence[Any]]:
    if isinstance(rows, Mapping):
        return rows
    return {name: [row.get(name) for row in rows] for name in dict.fromkeys(joined.from_iterable(rows))}


def _insert(
    conn: sqlite3.Connection, table: str, columns: Mapping[str, Sequence[Any]], intake_id: int
) -> Mapping[str, Sequence[Any]]:
    """Insert the rows, in their order; gives back the columns that hold anything."""
    filled = {name: values for name, values in columns.items() if values.count(None) < len(values)} or columns
    names = ", ".join([*(f'"{name}"' for name in filled), "intake_id"])
    marks = ", ".join([*("?" * len(filled)), str(intake_id)])
    cells = joined.from_iterable(zip(*filled.values(), strict=True))
    whole, rest = divmod(len(next(iter(filled.values()))), _AT_ONCE)
    for times_over, rows in ((whole, _AT_ONCE), (rest, 1)):
        values = ", ".join([f"({marks})"] * rows)
        size = rows * len(filled)
        conn.executemany(
            f"INSERT INTO {table} ({names}) VALUES {values}", (tuple(islice(cells, size)) for _ in range(times_over))
        )
    return filled


def seen_file(conn: sqlite3.Connection, kind: str, sha256: str) -> sqlite3.Row | None:
    """The intake that took this very file whole, or None (one with refused rows may be taken again)."""
    row: sqlite3.Row | None = conn.execute(
        "SELECT * FROM intake WHERE kind = ? AND file_sha256 = ? AND rows_refused = 0 ORDER BY intake_id DESC LIMIT 1",
        (kind, sha256),
    ).fetchone()
    return row


def amend(
    conn: sqlite3.Connection,
    table: str,
    record: str,
    row_id: int,
    changes: dict[str, Any],
    why: str,
    person: str | None = None,
) -> list[int]:
    """Change columns of one row, each with an amendment of its own; give back the amendments' numbers.

    record   the row's name as a user knows it; row_id its integer key
    changes  column -> new value, in the unit kept inside
    Call inside `BookFolder.write()`. Raises UsageError (nothing to change, no reason), LoadbookError (a rule broken).
    """
    if not why.strip():
        raise UsageError("an amendment needs its reason", remedy='Say it: --why "..."')
    key = row_key(conn, table)
    columns = {r[1] for r in conn.execute(f"PRAGMA table_info({table})")} - {key, "intake_id", "typed"}
    unknown = [c for c in changes if c not in columns]
    if unknown:
        raise UsageError(f"{table} has no column {unknown[0]!r}", remedy="Columns: " + ", ".join(sorted(columns)))
    done = []
    for column, value in changes.items():
        same, old, new = conn.execute(
            f"SELECT {column} IS ?, quote({column}), quote(?) FROM {table} WHERE {key} = ?",
            (value, value, row_id),
        ).fetchone()
        if same:
            continue
        cursor = conn.execute(
            "INSERT INTO amendment (kind, record, row_id, column_name, old_value, new_value, why, who, at)"
            " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
            (table, record, row_id, column, old, new, why.strip(), person or who(), times.stored(times.now())),
        )
        done.append(int(cursor.lastrowid or 0))
        chain.link_amendment(conn, done[-1])
    if not done:
        raise UsageError(f"{table} {record} has these values already", remedy="Nothing was amended")
    wanted = ", ".join(f"{c} = ?" for c in changes)
    try:
        conn.execute(f"UPDATE {table} SET {wanted} WHERE {key} = ?", (*changes.values(), row_id))
    except sqlite3.IntegrityError as exc:
        text = str(exc)
        if "FOREIGN KEY" in text:
            remedy = "The value names a record that is not in the book, or other records refer to the old one"
        else:
            remedy = "Nothing was amended"
        raise LoadbookError(f"{table} {record} cannot take that: {text}", remedy=remedy) from exc
    if table == "setting":
        derived_checksum.of_settings(conn)
    return done


def history(conn: sqlite3.Connection, table: str, row_id: int) -> list[sqlite3.Row]:
    """The amendments of one row, oldest first."""
    return conn.execute(
        "SELECT * FROM amendment WHERE kind = ? AND row_id = ? ORDER BY amendment_id", (table, row_id)
    ).fetchall()
