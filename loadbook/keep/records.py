"""Putting rows into the book, and reading them back, always under an intake and its link in the chain."""

from __future__ import annotations

import getpass
import os
import sqlite3
from collections.abc import Mapping, Sequence
from typing import Any

from loadbook.ground import times
from loadbook.ground.errors import LoadbookError

from . import chain
from .lookup import row_key


def who() -> str:
    """Name of the person at the keyboard: LOADBOOK_WHO, else the system's user name."""
    named = os.environ.get("LOADBOOK_WHO", "").strip()
    if named:
        return named
    try:
        return getpass.getuser()
    except (KeyError, OSError):
        return "unknown"


def add_intake(
    conn: sqlite3.Connection,
    kind: str,
    tables: Mapping[str, Sequence[dict[str, Any]]],
    *,
    rows_read: int,
    file_name: str | None = None,
    file_sha256: str | None = None,
    rows_already: int = 0,
    rows_refused: int = 0,
    taken_by: str | None = None,
) -> int:
    """Insert the rows of several tables under one new intake and link it into the chain.

    tables  table -> rows as dictionaries, in an order that satisfies foreign keys
    Call inside `BookFolder.write()`. Returns the intake's number.
    Raises LoadbookError where a row breaks a rule that the schema itself keeps.
    """
    added = sum(len(rows) for rows in tables.values())
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
    first_rows: dict[str, int] = {}
    for table, rows in tables.items():
        if not rows:
            continue
        key = row_key(conn, table)
        last = conn.execute(f"SELECT ifnull(max({key}), 0) FROM {table}").fetchone()[0]
        first_rows[table] = last + 1
        try:
            _insert(conn, table, rows, intake_id)
        except sqlite3.IntegrityError as exc:
            raise LoadbookError(
                f"a row of {table} breaks a rule of the book: {exc}", mend="Nothing was taken in"
            ) from exc
    chain.link_intake(conn, intake_id, first_rows)
    return intake_id


def _insert(conn: sqlite3.Connection, table: str, rows: Sequence[dict[str, Any]], intake_id: int) -> None:
    names = list(dict.fromkeys(name for row in rows for name in row))
    filled = [name for name in names if any(row.get(name) is not None for row in rows)]
    columns = ", ".join([*(f'"{name}"' for name in filled), "intake_id"])
    marks = ", ".join("?" * len(filled))
    cells = ([row.get(name) for name in filled] for row in rows)
    conn.executemany(f"INSERT INTO {table} ({columns}) VALUES ({marks}{', ' if filled else ''}{intake_id})", cells)


def seen_file(conn: sqlite3.Connection, kind: str, sha256: str) -> sqlite3.Row | None:
    """The intake that took this very file whole, or None (one with refused rows may be taken again)."""
    row: sqlite3.Row | None = conn.execute(
        "SELECT * FROM intake WHERE kind = ? AND file_sha256 = ? AND rows_refused = 0 ORDER BY intake_id DESC LIMIT 1",
        (kind, sha256),
    ).fetchone()
    return row
