"""The snapshot: a book's tables as Parquet beside it (`snapshot/`), so that a question need not copy them from SQLite;
and the views that cost more to compute than to read (VIEWS).

One file for each part of a table (revision.PART), named by the table, its columns with their types, and the part's
state: a file is of use for exactly the state that its name stands for, and a part that changed gets a file under
another name. A view's file is named by the files of the tables that it reads and by the words and the engine that
made it of them. A question reads the revisions and whatever has no file in one transaction; what it had to copy or
to compute it leaves here for the next one. Nothing locks anything. Two that write at once write the same rows under
the same name; what a killed one leaves is in no list and counts for nothing; and the folder may be deleted at any
moment.

Whom it believes. A book may come from a stranger, with a snapshot that says other things than its records. So the list
holds, beside each file's SHA-256, its number on the disk and the moment, to the nanosecond, of its last change there:
the system gives both when a file is written, and nobody can choose them for a copy that another makes. A snapshot
that came with its book, out of an archive or by copying, is no snapshot; nor is a file that was touched, cut off or
exchanged. (A secret key of this user's would do the same, but would have to be kept somewhere.) Whoever may write into
the folder could forge a list, but could change the book itself as well: `verify` compares both.

A file is read whole and checked before an engine sees it, and held in memory from then on, where the engine decodes
the columns that a query names: nothing that happens to the folder disturbs a question that has begun. Where guards are
gone from the book, rows may have changed uncounted: then it is left alone. On a network folder, and wherever the folder
cannot be written, the tables are copied each time.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import re
import sqlite3
from collections.abc import Collection, Iterable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from loadbook.core import writing
from loadbook.core.errors import LoadbookError
from loadbook.core.outside import LARGEST_TEXT, opened, read_file

from . import revision, schema_check, session_copy, sql_files
from .engine import engine
from .handed import Handed
from .revision import Part

if TYPE_CHECKING:
    import duckdb

    from .book import BookFolder

FOLDER = "snapshot"
LIST = "files.json"
VIEWS = ("movement",)
FORM = 1  # counts up where a file holds something else than before under the same names and types
_FILE = re.compile(r"(?P<table>[a-z_]+)-[0-9a-f]{16}\.parquet")

Columns = Mapping[str, str]  # name -> type for an engine
Files = dict[str, Part | None]  # name -> the part of a table that it holds; of a view, None
MadeOf = Sequence[Sequence[str]]  # the files of each of a view's tables
Entry = tuple[int, int, str]  # number on the disk, moment of the last change [ns], SHA-256


def current(reader: sqlite3.Connection, tables: Mapping[str, Columns]) -> dict[str, Files]:
    """Table -> the files that hold its rows as the reader sees them, in order, each with the part that it holds.

    Left out are tables whose changes are not counted. Call where the book is read at one moment.
    """
    if not schema_check.is_whole(reader):
        return {}
    revisions = revision.of_tables(reader)
    names: dict[str, Files] = {}
    for table, columns in tables.items():
        now = revisions.get(table, (0, ""))
        if now[1]:
            parts = revision.of_parts(reader, table, now)
            names[table] = {_file(table, [list(columns.items()), part, parts[part]]): part for part in parts}
    return names


def current_views(files: Mapping[str, Files]) -> dict[str, Files]:
    """The same of the views that the snapshot may hold and whose tables are all among these.

    files  of `current`
    """
    names: dict[str, Files] = {}
    for view in VIEWS:
        tables, _ = sql_files.closure({view})
        if files.keys() >= set(tables):
            names[view] = {_view_file(view, [list(files[table]) for table in tables]): None}
    return names


def _view_file(view: str, of_tables: Sequence[Sequence[str]]) -> str:
    """of_tables  the files of each of its tables, in the order of `closure`"""
    from importlib.metadata import version

    texts = [f.text for f in (*sql_files.functions().values(), *sql_files.closure({view})[1])]
    return _file(view, [of_tables, texts, version("duckdb")])


def earlier(book: BookFolder, view: str) -> tuple[str, dict[str, list[str]]] | None:
    """The file of a view as it was before its tables changed, and of which files of theirs it was made."""
    tables, _ = sql_files.closure({view})
    for name, made_of in _made_of(book.path / FOLDER).items():
        if _table_of(name) == view and len(made_of) == len(tables) and _view_file(view, made_of) == name:
            return name, dict(zip(tables, map(list, made_of), strict=True))
    return None


def _file(name: str, state: list[Any]) -> str:
    text = json.dumps([FORM, name, *state])
    return f"{name}-{hashlib.sha256(text.encode()).hexdigest()[:16]}.parquet"


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


def keep(book: BookFolder, made: Mapping[str, bytes], beside: Collection[str], made_of: Mapping[str, MadeOf]) -> None:
    """Leave files for the next question, as far as the disk lets it, in place of older ones of the same tables.

    made     name, as `current` gave it when the book was read -> bytes
    beside   names of the same tables' other files, as it gave them then
    made_of  file of a view -> the files that it was made of: those that are there stay as long as it does
    """
    folder = book.path / FOLDER
    tables = {_table_of(name) for name in made}
    with contextlib.suppress(OSError, LoadbookError):  # it can do without
        writing.make_folder(folder, below=book.path)
        writing.sweep(folder)
        listed = _listed(folder)
        entries = {name: e for name, e in listed.items() if _table_of(name) not in tables or name in beside}
        rests = {n: of for n, of in {**_made_of(folder), **made_of}.items() if n in entries or n in made}
        entries |= {n: listed[n] for of in rests.values() for files in of for n in files if n in listed}
        for name, data in made.items():
            writing.put(folder / name, data, over=True, lasting=False)
            entries[name] = _entry((folder / name).lstat(), data)
        text = json.dumps({"form": FORM, "files": entries, "made of": rests}, indent=1)
        writing.put(folder / LIST, text.encode(), over=True, lasting=False)
        for path in folder.iterdir():
            if _FILE.fullmatch(path.name) and path.name not in entries:
                path.unlink()


def check(book: BookFolder) -> tuple[int, list[str]]:
    """Compare the snapshot with the book: (tables and views that agree, what is wrong). Call where the book is read at
    one moment. Raises DamageError where the book holds a value that is not of its type."""
    folder = book.path / FOLDER
    reader = book.read()
    listed = reader.execute("SELECT name FROM sqlite_schema WHERE type = 'table' AND name NOT LIKE 'sqlite_%'")
    types = {name: session_copy.column_types(reader, name) for (name,) in listed.fetchall()}
    names = current(reader, types) if folder.is_dir() else {}
    names |= current_views(names)
    kept = {name: there for name, files in names.items() if (there := read(book, files))}
    if not kept:
        return 0, []
    wanted, makers = sql_files.closure(kept)
    agree, wrong = 0, []
    with engine() as connection:
        connection.execute("SET TimeZone = 'UTC'")
        handed = Handed(connection)
        for table in wanted:  # the tables first: what a view is computed of here comes from the records
            session_copy.create(connection, table, types[table])
            session_copy.copy(reader, connection, table, types[table])
        sql_files.make(connection, makers)
        for name, there in kept.items():
            for file, data in there.items():
                if _same(connection, handed, name, names[name][file], data):
                    agree += 1
                else:
                    wrong.append(f"{FOLDER}/{file} does not say what the book says: delete the folder {FOLDER}")
    return agree, wrong


def place(
    connection: duckdb.DuckDBPyConnection,
    handed: Handed,
    name: str,
    parts: Iterable[bytes],
    columns: Columns | None = None,
) -> list[str]:
    """Make a view of this name over files of the snapshot; none where one cannot be read, or has other columns.

    columns  that each must have, where they are known
    Returns  what the engine calls the files: it must stay allowed to read them
    """
    import duckdb

    files = [handed.lasting(data) for data in parts]
    with contextlib.suppress(duckdb.Error):
        for file in files:
            found = connection.execute(f"DESCRIBE SELECT * FROM {_reading([file])}").fetchall()
            if columns and [(c[0], c[1]) for c in found] != list(columns.items()):
                return []
        connection.execute(f'CREATE OR REPLACE VIEW "{name}" AS SELECT * FROM {_reading(files)}')
        return files
    return []


def _reading(files: Sequence[str]) -> str:
    return f"read_parquet({files}, hive_partitioning = false)"


def _same(connection: duckdb.DuckDBPyConnection, handed: Handed, name: str, part: Part | None, data: bytes) -> bool:
    """Does a file hold the rows, or this part of the rows, that a table or view of this name has in the engine?

    Figures of a view are sums, whose last digit depends on the order in which the engine adds: 1e-9 of them is let pass
    """
    import duckdb

    columns = [(c[0], c[1]) for c in connection.execute(f'DESCRIBE "{name}"').fetchall()]
    if not place(connection, handed, "kept", [data], dict(columns)):
        return False
    try:
        if name not in VIEWS:  # both hold its rows in the order of their keys
            some = f' WHERE "{columns[0][0]}" BETWEEN {part[0]} AND {part[1]}' if part else ""
            unlike = " OR ".join(f'a."{c}" IS DISTINCT FROM b."{c}"' for c, _ in columns)
            sql = f'SELECT count(*) FROM (FROM "{name}"{some}) AS a POSITIONAL JOIN kept AS b WHERE {unlike}'
            return connection.execute(sql).fetchone() == (0,)
        order = ", ".join(f'"{c}"' for c, kind in columns if kind != "DOUBLE")
        rows = (f"(SELECT *, row_number() OVER (ORDER BY {order}) AS row FROM {t})" for t in (f'"{name}"', "kept"))
        unlike = " OR ".join(
            f'(a."{c}" IS DISTINCT FROM b."{c}"'
            + (f' AND abs(a."{c}" - b."{c}") <= 1e-9 * abs(a."{c}") IS NOT TRUE)' if kind == "DOUBLE" else ")")
            for c, kind in (*columns, ("row", "BIGINT"))
        )
        compared = " AS a FULL JOIN ".join(rows)
        sql = f"SELECT count(*) FROM {compared} AS b ON a.row = b.row WHERE {unlike}"
        return connection.execute(sql).fetchone() == (0,)
    except duckdb.Error:  # a forged file may break off anywhere
        return False


def _entry(there: os.stat_result, data: bytes) -> Entry:
    return there.st_ino, there.st_ctime_ns, hashlib.sha256(data).hexdigest()


def _listed(folder: Path) -> dict[str, Entry]:
    """The files of the list; none where it is no list of this program's."""
    with contextlib.suppress(ValueError, TypeError, LookupError, AttributeError):
        return {
            name: (int(number), int(changed), str(sha256))
            for name, (number, changed, sha256) in _list(folder)["files"].items()
            if _FILE.fullmatch(name)
        }
    return {}


def _made_of(folder: Path) -> dict[str, MadeOf]:
    """File of a view -> the files of its tables that it was made of, as the list has them."""
    with contextlib.suppress(ValueError, TypeError, LookupError, AttributeError):
        return {
            str(view): [[str(file) for file in files] for files in made_of]
            for view, made_of in _list(folder)["made of"].items()
        }
    return {}


def _list(folder: Path) -> dict[str, Any]:
    with contextlib.suppress(LoadbookError, ValueError, TypeError, LookupError, RecursionError):
        found: dict[str, Any] = json.loads(read_file(folder / LIST, LARGEST_TEXT, links=False))
        if found["form"] == FORM:
            return found
    return {}


def _table_of(name: str) -> str:
    found = _FILE.fullmatch(name)
    return found["table"] if found else ""
