"""Bringing a book from one schema to the next, each step in one transaction with the record that it ran.

What the steps are stands in steps.py, which is loaded only where one is carried out or the schema is compared.
"""

from __future__ import annotations

import sqlite3
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cache

from loadbook.core.errors import LoadbookError

from .sql_files import migration_files

APPLICATION_ID = 0x6C6F6164  # "load", so that a file can be told from any other SQLite file
NEWEST = len(migration_files())  # how many steps there are


@dataclass(frozen=True)
class Step:
    """One migration: its number and its name."""

    number: int
    name: str


def steps() -> list[Step]:
    """Every step this program knows, in order."""
    from .steps import database, names

    conn = sqlite3.connect(":memory:", isolation_level=None)
    try:
        return [Step(number, name) for number, name in enumerate(names(database(conn)), start=1)]
    finally:
        conn.close()


def version(conn: sqlite3.Connection) -> int:
    """Number of the last step a book has had (SQLite's user_version)."""
    return int(conn.execute("PRAGMA user_version").fetchone()[0])


def apply(conn: sqlite3.Connection, upto: int | None = None) -> list[Step]:
    """Apply the steps a book has not had, each with its number in one transaction; give back those applied.

    An interruption leaves the book at the last whole step, and calling again goes on from there.
    conn must be in autocommit mode (isolation_level None).
    Raises LoadbookError where a step would leave a row referring to nothing, or the book's number and its list of steps
    differ.
    """
    from .steps import apply_one, database

    done: list[Step] = []
    db, last = database(conn), NEWEST if upto is None else upto
    with _without_foreign_keys(conn):  # a table that is made anew is gone for a moment
        while version(conn) < last:
            conn.execute("BEGIN IMMEDIATE")
            try:
                number = version(conn) + 1
                if number <= last:  # else another process applied it meanwhile
                    broken = _dangling(conn)
                    done.append(Step(number, apply_one(db, number)))
                    conn.execute(f"PRAGMA user_version = {number}")
                    if wrong := _dangling(conn) - broken:
                        raise LoadbookError(
                            f"step {number} would leave rows of {', '.join(wrong)} referring to nothing"
                        )
                conn.execute("COMMIT")
            except BaseException:
                conn.execute("ROLLBACK")
                raise
    return done


@contextmanager
def _without_foreign_keys(conn: sqlite3.Connection) -> Iterator[None]:
    on = conn.execute("PRAGMA foreign_keys").fetchone()[0]
    conn.execute("PRAGMA foreign_keys = OFF")
    try:
        yield
    finally:
        conn.execute(f"PRAGMA foreign_keys = {on}")


def _dangling(conn: sqlite3.Connection) -> Counter[str]:
    """How many rows of each table refer to one that is not there."""
    return Counter(row[0] for row in conn.execute("PRAGMA foreign_key_check"))


def objects(conn: sqlite3.Connection) -> dict[tuple[str, str], str]:
    """(type, name) -> SQL of every table, index, trigger and view of a database that has SQL."""
    rows = conn.execute("SELECT type, name, sql FROM sqlite_schema WHERE sql IS NOT NULL AND name NOT LIKE 'sqlite_%'")
    return {(r[0], r[1]): r[2] for r in rows}


@cache
def empty(number: int | None = None) -> sqlite3.Connection:
    """A database in memory that has had the steps up to a number (None: all), to be copied or looked at."""
    conn = sqlite3.connect(":memory:", isolation_level=None, check_same_thread=False)
    conn.execute(f"PRAGMA application_id = {APPLICATION_ID}")
    apply(conn, upto=number)
    return conn


@cache
def expected(number: int) -> dict[tuple[str, str], str]:
    """What `objects` gives of a book that has had the steps up to a number."""
    return objects(empty(number))


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
