"""The analytic session: DuckDB in memory over copies of the book's tables and over its trace files.

Only what a query names is copied, in one read transaction of the standard library's sqlite3 (a second SQLite
library in the process would drop its locks), into tables with declared types. Moments become TIMESTAMP in UTC,
dates DATE, yes/no BOOLEAN. Traces are read from an explicit list of the files that the book's rows name, and
each row of `samples` is joined to its trace by the file it came from: never by a glob, and never by what the
file says of itself.
"""

from __future__ import annotations

import os
import re
import sqlite3
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from loadbook.ground.errors import DamageError, UsageError

from . import sessioncopy, sqlfiles, tracefile
from .sessioncopy import array_of, column_types

if TYPE_CHECKING:
    import duckdb
    import pandas as pd

    from .book import BookFolder

TRACE_FILE = "trace_file"  # made by the session: the files that samples reads, one row per channel
LEFT_OUT = "trace_left_out"  # made by the session: the files that samples leaves out, and why
MADE = (TRACE_FILE, LEFT_OUT)
_MAGIC = b"PAR1"


@dataclass(frozen=True)
class LeftOut:
    """A trace file that no query reads, and why."""

    run: str
    path: str
    why: str


@dataclass
class Session:
    """A DuckDB connection over the book, the trace files it reads and those it left out.

    From `start` every table that was asked for is there whole. From `prepare` the tables are empty until `load`
    was told the queries; then `rows` and `frame` answer these queries and no others.
    """

    connection: duckdb.DuckDBPyConnection
    files: list[str] = field(default_factory=list)
    left_out: list[LeftOut] = field(default_factory=list)
    book: BookFolder | None = None
    tables: dict[str, dict[str, str]] = field(default_factory=dict)
    only: dict[str, str] = field(default_factory=dict)
    queries: list[str] = field(default_factory=list)

    def columns(self, view: str) -> set[str]:
        """The columns of one of the session's views or tables."""
        return {str(r[0]) for r in self.connection.execute(f"DESCRIBE {view}").fetchall()}

    def load(self, reads: Sequence[tuple[str, Any]], only: Mapping[str, str] | None = None) -> None:
        """Copy what some queries (text, parameters) read, once: the columns in their plans, the rows of `only`.

        only    table -> a condition in SQLite's words: rows that do not fulfil it are of no use to these queries
        Raises  duckdb.Error for a query that cannot be bound; DamageError where a stored value is not of its type
        """
        assert self.book is not None and not self.queries
        wanted = sessioncopy.read_columns(self.connection, reads)
        self.queries = [sql for sql, _ in reads]
        self.only.update(only or {})
        _fill(self.book, self, wanted)

    def frame(self, sql: str, parameters: Any = None) -> pd.DataFrame:
        """The rows of one of the queries that were loaded for."""
        assert sql in self.queries, "this query was not loaded for"
        return self.connection.execute(sql, parameters or None).df()

    def rows(self, sql: str, parameters: Any = None) -> list[tuple[Any, ...]]:
        """The same as tuples."""
        assert sql in self.queries, "this query was not loaded for"
        return self.connection.execute(sql, parameters or None).fetchall()

    def __enter__(self) -> Session:
        return self

    def __exit__(self, *_: object) -> None:
        self.connection.close()


def names(book: BookFolder) -> tuple[list[str], list[str]]:
    """The tables and the views that a query may name, each sorted."""
    listed = book.read().execute("SELECT name FROM sqlite_schema WHERE type = 'table' AND name NOT LIKE 'sqlite_%'")
    return sorted([r[0] for r in listed] + [LEFT_OUT]), sorted(sqlfiles.views())


def needs_of(book: BookFolder, sql: str) -> set[str]:
    """The tables and views that a text may name: every known name that stands in it as a word.

    A word inside a text or a comment counts too: loading one table too many costs little, one too few a wrong
    answer. A query that looks into the catalogue, or builds a name, gets everything.
    """
    tables, views = names(book)
    words = set(re.findall(r"[a-z_][a-z0-9_]*", sql.lower()))
    if any(w in ("query", "query_table", "show", "summarize") or w.startswith(_CATALOGUE) for w in words):
        return {*tables, *views}
    return words & {*tables, *views}


_CATALOGUE = ("information_schema", "duckdb_", "pg_", "pragma_", "sqlite_")


def start(book: BookFolder, needs: Iterable[str] | None = None) -> Session:
    """A session with the tables and views named (None: all), each view after those it needs.

    A table that stands in `needs` itself is copied whole; of one that only views read, the columns they read.
    Raises UsageError for a name that the book does not have; DamageError where a stored value is not of its type.
    """
    session = prepare(book, needs)
    tables, views = names(book)
    named = {*tables, *views} if needs is None else set(needs)
    reads = [(f"SELECT * FROM {view}", None) for view in sorted(named & set(views))]
    wanted = sessioncopy.read_columns(session.connection, reads)
    whole = {table: set(columns) for table, columns in session.tables.items() if table in named}
    for table in whole:
        session.only.pop(table, None)
    _fill(book, session, {**wanted, **whole})
    return session


def prepare(book: BookFolder, needs: Iterable[str] | None = None) -> Session:
    """The tables and views named (None: all), as in `start`, but without rows: `Session.load` puts them in."""
    import duckdb

    tables, views = names(book)
    wanted = {*tables, *views} if needs is None else set(needs)
    unknown = sorted(wanted - {*tables, *views})
    if unknown:
        raise UsageError(
            f"the book has no table or view named {', '.join(unknown)}", mend=f"It has: {', '.join(tables + views)}"
        )
    load, make = sqlfiles.closure(wanted)
    connection = duckdb.connect(":memory:", config={"python_enable_replacements": "false"})
    session = Session(connection, book=book)
    connection.execute("SET TimeZone = 'UTC'")
    reader = book.read()
    for table in load:
        if table not in MADE:
            session.tables[table] = column_types(reader, table)
            sessioncopy.create(connection, table, session.tables[table])
    if {TRACE_FILE, LEFT_OUT} & set(load):
        with _one_state(reader):
            _trace_files(book, session)
    for function in sqlfiles.functions().values():
        connection.execute(function.text)
    for view in make:
        connection.execute(f"CREATE VIEW {view.name} AS\n{_filled(view, session)}")
        for table in view.needs:
            if table in session.tables:
                part = view.only.get(table)
                session.only[table] = _either(session.only.get(table), part) if table in seen else part
    return session


def _fill(book: BookFolder, session: Session, wanted: Mapping[str, set[str]]) -> None:
    reader = book.read()
    session.connection.execute("SET pandas_analyze_sample = 0")  # texts are texts, whatever a column's start
    with _one_state(reader):
        for table, columns in session.tables.items():
            if table in wanted:
                where = session.only.get(table)
                sessioncopy.copy(reader, session.connection, table, columns, wanted[table], where)
    session.connection.execute("RESET pandas_analyze_sample")


@contextlib.contextmanager
def _one_state(reader: sqlite3.Connection) -> Iterator[None]:
    """All reading within it sees the book at one moment. Raises DamageError where it cannot be read."""
    outside = not reader.in_transaction
    if outside:
        reader.execute("BEGIN")
    try:
        yield
    except sqlite3.Error as exc:
        raise DamageError(f"the book's records cannot be read: {exc}", mend="Run: loadbook verify") from exc
    finally:
        if outside:
            reader.execute("ROLLBACK")


def open_session(book: BookFolder, needs: set[str] | None = None) -> duckdb.DuckDBPyConnection:
    """The connection of `start`; `trace_left_out` in it names the trace files that it does not read."""
    return start(book, needs).connection


def frame(book: BookFolder, sql: str, params: Sequence[Any] | dict[str, Any] = ()) -> pd.DataFrame:
    """The rows of our own, trusted SQL (a stranger's goes through keep.guard). Parameters as `?` or `$name`."""
    connection = open_session(book, needs_of(book, sql))
    try:
        return connection.execute(sql, params or None).df()
    finally:
        connection.close()


def _trace_files(book: BookFolder, session: Session) -> None:
    """Fill trace_file and trace_left_out: the current traces, their channels and roles."""
    reader = book.read()
    rows = reader.execute(
        "SELECT trace_id, run, path, bytes, started FROM trace WHERE state = 'current' ORDER BY started, trace_id"
    ).fetchall()
    kept = []
    for row in rows:
        why, file = _unfit(book, row["path"], row["bytes"])
        if why is None:
            kept.append((len(session.files), row))
            session.files.append(file)
        else:
            session.left_out.append(LeftOut(row["run"], row["path"], why))
    channels: dict[str, list[tuple[Any, ...]]] = {}
    for c in reader.execute(
        "SELECT t.trace_id, tc.number, tc.channel, c.role, tc.quantity, tc.unit FROM trace AS t"
        " JOIN trace_channel AS tc USING (trace_id) LEFT JOIN channel AS c ON c.run = t.run AND c.channel = tc.channel"
        " WHERE t.state = 'current' ORDER BY t.trace_id, tc.number"
    ):
        channels.setdefault(c["trace_id"], []).append(tuple(c)[1:])
    filled = [(at, row["run"], row["started"], *c) for at, row in kept for c in channels.get(row["trace_id"], ())]
    session.connection.execute(
        f"CREATE TABLE {TRACE_FILE} (file UBIGINT, run VARCHAR, started TIMESTAMP, number SMALLINT, channel VARCHAR,"
        " role VARCHAR, quantity VARCHAR, unit VARCHAR)"
    )
    session.connection.execute(f"CREATE TABLE {LEFT_OUT} (run VARCHAR, path VARCHAR, why VARCHAR)")
    _insert(session, TRACE_FILE, filled, ("BIGINT", "VARCHAR", "VARCHAR", "BIGINT", *["VARCHAR"] * 4))
    _insert(session, LEFT_OUT, [(x.run, x.path, x.why) for x in session.left_out], ("VARCHAR",) * 3)


def _insert(session: Session, table: str, rows: list[tuple[Any, ...]], kinds: Sequence[str]) -> None:
    if rows:
        columns = enumerate(zip(zip(*rows, strict=True), kinds, strict=True))
        arrays = {f"c{i}": array_of(values, kind) for i, (values, kind) in columns}
        session.connection.register("batch", arrays)
        session.connection.execute(f"INSERT INTO {table} SELECT {', '.join(arrays)} FROM batch")
        session.connection.unregister("batch")


def _unfit(book: BookFolder, relative: str, size: int) -> tuple[str | None, str]:
    """Why a trace file is left out (None: it is not), and its full path."""
    try:
        path = tracefile.locate(book, relative)
        with path.open("rb") as file:
            head = file.read(4)
            found = file.seek(0, os.SEEK_END)
            file.seek(max(0, found - 4))
            tail = file.read(4)
    except DamageError as exc:
        return exc.what, ""
    except OSError as exc:
        return ("the file is missing" if isinstance(exc, FileNotFoundError) else f"{exc.strerror or exc}"), ""
    if found != size:
        return f"the file has {found} bytes, not the {size} that were written", ""
    if head != _MAGIC or tail != _MAGIC:
        return "the file is no Parquet file any more", ""
    return None, str(Path(path).absolute())


def _filled(view: sqlfiles.SqlFile, session: Session) -> str:
    """A view's text; `samples` gets its list of files, or no rows where there are none."""
    if view.name != "samples":
        return view.text
    if not session.files:
        empty = (
            "(SELECT NULL::SMALLINT AS channel, NULL::DOUBLE AS t_s, NULL::DOUBLE AS value, NULL::UTINYINT AS flag,"
            " 0::UBIGINT AS file_index WHERE false)"
        )
        return view.text.replace("{trace_files}", empty)
    listed = ", ".join(tracefile.quoted(f) for f in session.files)
    return view.text.replace("{trace_files}", f"read_parquet([{listed}])")
