"""Amendments: the only way an accepted value changes. The old one stays, with who, when and why."""

from __future__ import annotations

import sqlite3
from typing import Any

from loadbook.ground import times
from loadbook.ground.errors import LoadbookError, UsageError

from . import chain, seal
from .holder import who
from .lookup import row_key


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
        raise UsageError("an amendment needs its reason", mend='Say it: --why "..."')
    key = row_key(conn, table)
    columns = {r[1] for r in conn.execute(f"PRAGMA table_info({table})")} - {key, "intake_id", "typed"}
    unknown = [c for c in changes if c not in columns]
    if unknown:
        raise UsageError(f"{table} has no column {unknown[0]!r}", mend="Columns: " + ", ".join(sorted(columns)))
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
        raise UsageError(f"{table} {record} has these values already", mend="Nothing was amended")
    wanted = ", ".join(f"{c} = ?" for c in changes)
    try:
        conn.execute(f"UPDATE {table} SET {wanted} WHERE {key} = ?", (*changes.values(), row_id))
    except sqlite3.IntegrityError as exc:
        text = str(exc)
        if "FOREIGN KEY" in text:
            mend = "The value names a record that is not in the book, or other records refer to the old one"
        else:
            mend = "Nothing was amended"
        raise LoadbookError(f"{table} {record} cannot take that: {text}", mend=mend) from exc
    if table == "setting":
        seal.of_settings(conn)
    return done


def history(conn: sqlite3.Connection, table: str, row_id: int) -> list[sqlite3.Row]:
    """The amendments of one row, oldest first."""
    return conn.execute(
        "SELECT * FROM amendment WHERE kind = ? AND row_id = ? ORDER BY amendment_id", (table, row_id)
    ).fetchall()
