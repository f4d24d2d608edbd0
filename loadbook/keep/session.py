"""The analytic session: DuckDB in memory over copies of the book's tables and over its trace files.

Only what a query names is copied, in one read transaction of the standard library's sqlite3 (a second SQLite
library in the process would drop its locks), into tables with declared types. Moments become TIMESTAMP in UTC,
dates DATE, yes/no BOOLEAN. Traces are read from an explicit list of the files that the book's rows name, and
each row of `samples` is joined to its trace by the file it came from: never by a glob, and never by what the
file says of itself.
"""

from __future__ import annotations

import contextlib
import os
import re
import sqlite3
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from loadbook.ground.errors import DamageError, UsageError

from . import sessioncopy, sqlfiles, tracefile
from .sessioncopy import column_types

if TYPE_CHECKING:
    import duckdb
    import pandas as pd

    from .book import BookFolder

TRACE_FILE = "trace_file"  # made by the session: the files that samples reads, one row per channel
SAMPLES = "samples"  # the view over them, and over no table
LEFT_OUT = "trace_left_out"  # made by the session: the files that samples leaves out, and why
MADE = (TRACE_FILE, LEFT_OUT)
Only = Mapping[str, tuple[str, Sequence[Any]]]
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
    named: set[str] = field(default_factory=set)  # what the caller asked for, without what that needs
    tables: dict[str, dict[str, str]] = field(default_factory=dict)  # the book's tables in it: column -> type
    queries: list[str] = field(default_factory=list)

    def columns(self, view: str) -> set[str]:
        """The columns of one of the session's views or tables."""
        return {str(r[0]) for r in self.connection.execute(f"DESCRIBE {view}").fetchall()}

    def load(self, reads: Sequence[tuple[str, Any]], only: Only | None = None) -> None:
        """Copy what some queries (text, parameters) read, once: the columns in their plans, the rows of `only`.

        only    table -> (condition in SQLite's words, its values): no query needs a row that does not fulfil it
        Raises  duckdb.Error for a query that cannot be bound; DamageError where a stored value is not of its type
        """
        assert not self.queries, "a session is loaded once"
        wanted = sessioncopy.read_columns(self.connection, reads)
        self.queries = [sql for sql, _ in reads]
        self.fill(wanted, only or {})

    def fill(self, wanted: Mapping[str, set[str]], only: Only) -> None:
        """Copy the columns of each table that are wanted, and no rows but those that somebody reads."""
        assert self.book is not None
        _, made = sqlfiles.closure(self.named)
        self.connection.execute("SET pandas_analyze_sample = 0")  # texts are texts, whatever a column's start
        reader = self.book.read()
        with _one_state(reader):
            for table, columns in self.tables.items():
                if table in wanted:
                    where, values = only.get(table, ("true", ()))
                    parts = {view.only.get(table) for view in made if table in view.needs}
                    if table not in self.named and None not in parts:
                        where = f"({where}) AND ({' OR '.join(f'({part})' for part in parts)})"
                    sessioncopy.copy(reader, self.connection, table, columns, wanted[table], where, values)
        self.connection.execute("RESET pandas_analyze_sample")

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
    return named_in(sql, {*tables, *views})


def named_in(sql: str, known: set[str]) -> set[str]:
    """Those of the known names that a text may name, as `needs_of` counts them."""
    words = set(re.findall(r"[a-z_][a-z0-9_]*", sql.lower()))
    if any(w in ("query", "query_table", "show", "summarize") or w.startswith(_CATALOGUE) for w in words):
        return known
    return words & known


_CATALOGUE = ("information_schema", "duckdb_", "pg_", "pragma_", "sqlite_")


def start(book: BookFolder, needs: Iterable[str] | None = None) -> Session:
    """A session with the tables and views named (None: all), each view after those it needs.

    A table that stands in `needs` itself is copied whole; of one that only views read, the columns they read.
    Raises UsageError for a name that the book does not have; DamageError where a stored value is not of its type.
    """
    session = prepare(book, needs)
    views = session.named & set(sqlfiles.views()) - {SAMPLES}
    wanted = sessioncopy.read_columns(session.connection, [(f"SELECT * FROM {view}", None) for view in sorted(views)])
    session.fill(wanted | {t: set(c) for t, c in session.tables.items() if t in session.named}, {})
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
    session = Session(connection, book=book, named=wanted)
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
    return session


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
    found = reader.execute(
        "SELECT trace_id, run, path, bytes, started FROM trace WHERE state = 'current' ORDER BY started, trace_id"
    ).fetchall()
    kept = []
    for row in found:
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
    out = [(x.run, x.path, x.why) for x in session.left_out]
    for table, columns, rows in ((TRACE_FILE, _TRACE_FILE, filled), (LEFT_OUT, _LEFT_OUT, out)):
        sessioncopy.create(session.connection, table, columns)
        if rows:
            sessioncopy.insert(session.connection, table, columns, list(zip(*rows, strict=True)))


_TRACE_FILE = {
    "file": "UBIGINT", "run": "VARCHAR", "started": "TIMESTAMP", "number": "SMALLINT", "channel": "VARCHAR",
    "role": "VARCHAR", "quantity": "VARCHAR", "unit": "VARCHAR",
}  # fmt: skip
_LEFT_OUT = dict.fromkeys(("run", "path", "why"), "VARCHAR")


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
    if view.name != SAMPLES:
        return view.text
    if not session.files:
        empty = (
            "(SELECT NULL::SMALLINT AS channel, NULL::DOUBLE AS t_s, NULL::DOUBLE AS value, NULL::UTINYINT AS flag,"
            " 0::UBIGINT AS file_index WHERE false)"
        )
        return view.text.replace("{trace_files}", empty)
    listed = ", ".join(tracefile.quoted(f) for f in session.files)
    return view.text.replace("{trace_files}", f"read_parquet([{listed}])")
