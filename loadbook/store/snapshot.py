"""The snapshot: a book's tables as Parquet beside it (`snapshot/`), so that a question need not copy them from SQLite.

One file a table, named by the table, its columns with their types, and its revision: a file is of use for exactly the
state that its name stands for, and a table that changed gets a file under another name. A question reads the revisions
and whatever has no file in one transaction; the tables that it had to copy it leaves here for the next one. Nothing
locks anything. Two that write at once write the same rows under the same name; what a killed one leaves is in no list
and counts for nothing; and the folder may be deleted at any moment.

Whom it believes. A book may come from a stranger, with a snapshot that says other things than its records. So the list
holds, beside each file's SHA-256, its number on the disk and the moment, to the nanosecond, of its last change there:
the system gives both when a file is written, and nobody can choose them for a copy that another makes. A snapshot
that came with its book, out of an archive or by copying, is no snapshot; nor is a file that was touched, cut off or
exchanged. (A secret key of this user's would do the same, but would have to be kept somewhere.) Whoever may write into
the folder could forge a list, but could change the book itself as well: `verify` compares both.

It is read whole and checked before an engine sees it, and held in memory from then on: nothing that happens to the
folder disturbs a question that has begun. Where guards are gone from the book, rows may have changed uncounted: then
it is left alone. On a network folder, and wherever the folder cannot be written, the tables are copied each time.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import re
import sqlite3
from collections.abc import Collection, Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from loadbook.core import writing
from loadbook.core.errors import LoadbookError
from loadbook.core.outside import LARGEST_TEXT, opened, read_file

from . import disk, revision, schema_check, session_copy
from .engine import engine
from .handed import Handed

if TYPE_CHECKING:
    import duckdb

    from .book import BookFolder

FOLDER = "snapshot"
LIST = "files.json"
FORM = 1  # counts up where a file holds something else than before under the same names and types
_FILE = re.compile(r"(?P<table>[a-z_]+)-[0-9a-f]{16}\.parquet")

Columns = Mapping[str, str]  # name -> type for an engine
Entry = tuple[int, int, str]  # number on the disk, moment of the last change [ns], SHA-256


def current(reader: sqlite3.Connection, tables: Mapping[str, Columns]) -> dict[str, str]:
    """Table -> the name of the file that holds its rows as the reader sees them.

    Left out are tables whose changes are not counted. Call where the book is read at one moment.
    """
    if not schema_check.is_whole(reader):
        return {}
    revisions = revision.of_tables(reader)
    names = {}
    for table, columns in tables.items():
        number, token = revisions.get(table, (0, ""))
        if token:
            state = json.dumps([FORM, table, list(columns.items()), number, token])
            names[table] = f"{table}-{hashlib.sha256(state.encode()).hexdigest()[:16]}.parquet"
    return names


def read(book: BookFolder, names: Collection[str]) -> dict[str, bytes]:
    """The bytes of those of these files that are there and as they were written."""
    folder = book.path / FOLDER
    listed = _listed(folder)
    found = {}
    for name in names:
        with contextlib.suppress(OSError):
            if name in listed:
                with opened(folder / name) as file:
                    data = file.read()
                    if _entry(os.fstat(file.fileno()), data) == listed[name]:
                        found[name] = data
    return found


def is_behind(book: BookFolder, tables: Collection[str]) -> bool:
    """Must a question copy one of these tables, and could the next one be spared that?"""
    if not may_keep(book):
        return False
    reader = book.read()
    names = current(reader, {table: session_copy.column_types(reader, table) for table in tables})
    return len(read(book, names.values())) < len(names)


def keep(book: BookFolder, connection: duckdb.DuckDBPyConnection, handed: Handed, names: Mapping[str, str]) -> None:
    """Write tables of a session for the next one, as far as the disk lets it.

    names  table -> the file's name, as `current` gave it when the table was copied
    """
    if not names or not may_keep(book):
        return
    folder = book.path / FOLDER
    with contextlib.suppress(OSError, LoadbookError):  # it can do without
        writing.make_folder(folder, below=book.path)
        writing.sweep(folder)
        entries = {name: entry for name, entry in _listed(folder).items() if _table_of(name) not in names}
        for table, name in names.items():
            data = handed.parquet(connection, f'SELECT * FROM "{table}"')
            writing.put(folder / name, data, over=True, lasting=False)
            entries[name] = _entry((folder / name).lstat(), data)
        listed = json.dumps({"form": FORM, "files": entries}, indent=1)
        writing.put(folder / LIST, listed.encode(), over=True, lasting=False)
        for path in folder.iterdir():
            if _FILE.fullmatch(path.name) and path.name not in entries:
                path.unlink()


def check(book: BookFolder) -> tuple[int, list[str]]:
    """Compare the snapshot with the book: (tables that agree, what is wrong). Call where the book is read at one
    moment. Raises DamageError where the book holds a value that is not of its type."""
    folder = book.path / FOLDER
    reader = book.read()
    listed = reader.execute("SELECT name FROM sqlite_schema WHERE type = 'table' AND name NOT LIKE 'sqlite_%'")
    tables = {name: session_copy.column_types(reader, name) for (name,) in listed.fetchall()}
    names = current(reader, tables)
    kept = read(book, names.values()) if folder.is_dir() else {}
    agree, wrong = 0, []
    for table, name in names.items():
        if name in kept:
            if _same(reader, table, tables[table], kept[name]):
                agree += 1
            else:
                wrong.append(f"{FOLDER}/{name} does not say what the book says: delete the folder {FOLDER}")
    return agree, wrong


def fill(connection: duckdb.DuckDBPyConnection, handed: Handed, table: str, data: bytes) -> bool:
    """Put the rows of a file of the snapshot into a table that is there and empty; False where it has other columns."""
    import duckdb

    with handed.whole(data) as name, contextlib.suppress(duckdb.Error):
        connection.execute(f"INSERT INTO \"{table}\" SELECT * FROM read_parquet('{name}', hive_partitioning = false)")
        return True
    return False


def _same(reader: sqlite3.Connection, table: str, columns: Columns, data: bytes) -> bool:
    with engine() as connection:
        connection.execute("SET TimeZone = 'UTC'")
        session_copy.create(connection, "kept", columns)
        if not fill(connection, Handed(connection), "kept", data):
            return False
        session_copy.create(connection, table, columns)
        session_copy.copy(reader, connection, table, columns)
        differing = (f'(FROM "{a}" EXCEPT ALL FROM "{b}")' for a, b in ((table, "kept"), ("kept", table)))
        found = connection.execute(f"SELECT count(*) FROM ({' UNION ALL '.join(differing)})").fetchone()
        return found == (0,)


def may_keep(book: BookFolder) -> bool:
    """May anything be left beside the book for the next question?"""
    return os.access(book.path, os.W_OK) and not disk.on_network(book.path)


def _entry(there: os.stat_result, data: bytes) -> Entry:
    return there.st_ino, there.st_ctime_ns, hashlib.sha256(data).hexdigest()


def _listed(folder: Path) -> dict[str, Entry]:
    """The files of the list; none where it is no list of this program's."""
    with contextlib.suppress(LoadbookError, ValueError, TypeError, LookupError, AttributeError, RecursionError):
        found = json.loads(read_file(folder / LIST, LARGEST_TEXT, links=False))
        if found["form"] == FORM:
            return {
                name: (int(number), int(changed), str(sha256))
                for name, (number, changed, sha256) in found["files"].items()
                if _FILE.fullmatch(name)
            }
    return {}


def _table_of(name: str) -> str:
    found = _FILE.fullmatch(name)
    return found["table"] if found else ""
