"""Steps of the schema: forward only, each applied in one transaction with the record that it ran."""

from __future__ import annotations

import re
import sqlite3
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from loadbook.core.errors import LoadbookError

from . import derived_checksum
from .sql_files import shipped

APPLICATION_ID = 0x6C6F6164  # "load", so that a file can be told from any other SQLite file


# what a step needs beyond SQL, in its own transaction
_AFTERWARDS: dict[int, Callable[[sqlite3.Connection], None]] = {derived_checksum.SINCE: derived_checksum.everything}


@dataclass(frozen=True)
class Step:
    """One migration: its number, its name and its SQL file."""

    number: int
    name: str
    path: Path


def steps() -> list[Step]:
    """Every step this program knows, in order."""
    found = []
    for path in sorted((shipped("schema") / "migrations").glob("*.sql")):
        match = re.match(r"(\d{4})_(.+)", path.stem)
        if match:
            found.append(Step(int(match.group(1)), match.group(2), path))
    return found


def newest() -> int:
    """Number of the newest step this program knows."""
    return steps()[-1].number


def version(conn: sqlite3.Connection) -> int:
    """Number of the last step a book has had (SQLite's user_version)."""
    return int(conn.execute("PRAGMA user_version").fetchone()[0])


def statements(text: str) -> list[str]:
    """The statements of an SQL file, split where SQLite says that one is complete."""
    found, pending = [], ""
    for line in text.splitlines(keepends=True):
        pending += line
        if line.rstrip().endswith(";") and sqlite3.complete_statement(pending):
            found.append(pending.strip())
            pending = ""
    if re.sub(r"--[^\n]*", "", pending).strip():
        raise LoadbookError("an SQL file of the program ends in the middle of a statement")
    return found


def apply(conn: sqlite3.Connection, upto: int | None = None) -> list[Step]:
    """Apply the steps a book has not had, each with its number in one transaction; give back those applied.

    An interruption leaves the book at the last whole step, and calling again goes on from there.
    conn must be in autocommit mode (isolation_level None).
    """
    done = []
    for step in steps():
        if upto is not None and step.number > upto:
            break
        if step.number <= version(conn):
            continue
        conn.execute("BEGIN IMMEDIATE")
        try:
            if step.number > version(conn):  # another process may have applied it meanwhile
                for statement in statements(step.path.read_text(encoding="utf-8")):
                    conn.execute(statement)
                if step.number in _AFTERWARDS:
                    _AFTERWARDS[step.number](conn)
                conn.execute(f"PRAGMA user_version = {step.number}")
                done.append(step)
            conn.execute("COMMIT")
        except BaseException:
            conn.execute("ROLLBACK")
            raise
    return done


def objects(conn: sqlite3.Connection) -> dict[tuple[str, str], str]:
    """(type, name) -> SQL of every table, index, trigger and view of a database that has SQL."""
    rows = conn.execute("SELECT type, name, sql FROM sqlite_schema WHERE sql IS NOT NULL AND name NOT LIKE 'sqlite_%'")
    return {(r[0], r[1]): r[2] for r in rows}


@cache
def expected(number: int) -> dict[tuple[str, str], str]:
    """What `objects` gives of a book that has had the steps up to a number."""
    conn = sqlite3.connect(":memory:", isolation_level=None)
    try:
        apply(conn, upto=number)
        return objects(conn)
    finally:
        conn.close()


def restore_guards(conn: sqlite3.Connection) -> list[str]:
    """Make triggers and indexes anew that the book has lost or that were changed; give back their names.

    Call in a transaction. Tables, and what the program does not know, are left alone.
    """
    has, wanted = objects(conn), expected(version(conn))
    restored = []
    for (kind, name), sql in wanted.items():
        if kind in ("trigger", "index") and has.get((kind, name)) != sql:
            conn.execute(f"DROP {kind} IF EXISTS {name}")
            conn.execute(sql)
            restored.append(name)
    return restored


def dump(conn: sqlite3.Connection) -> str:
    """The schema of a database as text, in the order in which it was made: schema/current.sql."""
    rows = conn.execute(
        "SELECT sql FROM sqlite_schema WHERE sql IS NOT NULL AND name NOT LIKE 'sqlite_%' ORDER BY rowid"
    )
    return (
        f"-- Schema {version(conn)}, as the steps in migrations/ make it.\n\n"
        + "\n\n".join(f"{r[0]};" for r in rows)
        + "\n"
    )
