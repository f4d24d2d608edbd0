"""What stands in a book's schema that the program did not put there: a stranger's view, table or trigger.

SQLite runs what the schema says. A view under the name of a table can go on for ever, a virtual table can reach out
of the file, a trigger changes what a command writes. So a book with a table or view that is not the program's is not
opened, and one with such a trigger or index is read but not written. What is gone, `verify` names.
"""

from __future__ import annotations

import hashlib
import sqlite3
from collections.abc import Iterable
from pathlib import Path

from loadbook.core.errors import DamageError
from loadbook.core.writing import strange

from . import holder, migrations

_SQLITES_OWN = ("sqlite_sequence", "sqlite_stat1", "sqlite_stat4")
LONGEST_VALUE = 128 * 1024 * 1024  # bytes of one value; a larger one is no record of ours


# of the newest schema; a book that has it needs no step carried out to be compared with (a test says what it has to be)
NEWEST_SHA256 = "6447a4c63f0db23d40189108713da199858332e69bafe0c30c51a3ea57b626c7"


def fingerprint(rows: Iterable[tuple[str, str, str]]) -> str:
    """SHA-256 over (type, name, SQL) of every object of a schema, in whatever order they come."""
    return hashlib.sha256("\n".join(sorted(map(ascii, rows))).encode()).hexdigest()


def found(conn: sqlite3.Connection) -> list[tuple[str, str]]:
    """(type, name) of everything in the schema that is not, word for word, the program's."""
    rows = _rows(conn)
    if fingerprint(rows) == NEWEST_SHA256:
        return []
    wanted = migrations.expected(migrations.version(conn))
    return [(str(kind), str(name)) for kind, name, sql in rows if wanted.get((kind, name)) != sql]


def is_whole(conn: sqlite3.Connection) -> bool:
    """Is the schema, with every guard, the newest as the program makes it, and nothing else?"""
    return fingerprint(_rows(conn)) == NEWEST_SHA256


def _rows(conn: sqlite3.Connection) -> list[tuple[str, str, str]]:
    marks = ", ".join("?" * len(_SQLITES_OWN))
    listed = conn.execute(
        f"SELECT type, name, sql FROM sqlite_schema WHERE sql IS NOT NULL AND name NOT IN ({marks})", _SQLITES_OWN
    )
    return [(row[0], row[1], row[2]) for row in listed]


def refuse_reading(conn: sqlite3.Connection, where: Path) -> None:
    """Raises DamageError where reading the book could run what a stranger put in."""
    _refuse([f for f in found(conn) if f[0] in ("table", "view")], where, "the book is not opened")


def refuse_writing(conn: sqlite3.Connection, where: Path) -> None:
    """Raises DamageError where writing into the book would run what a stranger put in."""
    _refuse(found(conn), where, "nothing is written")


def _refuse(strange: list[tuple[str, str]], where: Path, then: str) -> None:
    if strange:
        kind, name = strange[0]
        more = f", and {len(strange) - 1} more of the kind" if len(strange) > 1 else ""
        raise DamageError(
            f"the {kind} {name!r} is not the program's{more}: {then}",
            where=str(where),
            remedy="Restore the book from a backup, or look at it and drop it with an SQLite tool",
        )


BESIDE = ("-wal", "-shm", "-journal")  # what SQLite writes beside the book's file


def refuse_strange_files(file: Path) -> None:
    """Raises DamageError where the book's file, or one that is written beside it, is a link to another place or no
    file at all: SQLite would wait for a pipe for ever."""
    for end in ("", *BESIDE, holder.SUFFIX):
        path = file.with_name(file.name + end)
        if what := strange(path):
            raise DamageError(
                f"{path.name} is {what}, not a file: the book is not opened",
                where=str(path),
                remedy="Move it away" if end else "Put the file itself there",
            )


def limit(conn: sqlite3.Connection) -> None:
    """Take the edge off a file that was made to harm: no giant values, pages checked as they are read, and no
    functions with effects in what the schema says."""
    conn.setlimit(sqlite3.SQLITE_LIMIT_LENGTH, LONGEST_VALUE)
    conn.execute("PRAGMA cell_size_check = ON")
    conn.execute("PRAGMA trusted_schema = OFF")
