"""The analytic session: DuckDB in memory over copies of the book's tables and over its trace files.

Only what a query names is copied, in one read transaction of the standard library's sqlite3 (a second SQLite
library in the process would drop its locks), into tables with declared types. Moments become TIMESTAMP in UTC,
dates DATE, yes/no BOOLEAN. How `samples` reads the traces: sessiontraces.
"""

from __future__ import annotations

import contextlib
import re
import sqlite3
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from loadbook.core.errors import DamageError, UsageError

from . import session_copy, session_samples, sql_files
from .engine import engine
from .session_copy import column_types
from .session_samples import LEFT_OUT, MADE, SAMPLES, LeftOut

if TYPE_CHECKING:
    import duckdb
    import pandas as pd

    from .book import BookFolder

Only = Mapping[str, tuple[str, Sequence[Any]]]


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
        wanted = session_copy.read_columns(self.connection, reads)
        self.queries = [sql for sql, _ in reads]
        self.fill(wanted, only or {})
        self.prune_joins(reads)

    def prune_joins(self, reads: Sequence[tuple[str, Any]]) -> None:
        """Make `samples`, where it is asked, with no more joins than some queries (text, parameters) need."""
        if SAMPLES in self.named and not any(_looks_around(sql) for sql, _ in reads):
            session_samples.prune_joins(self.connection, sql_files.views()[SAMPLES].text, self.files, reads)

    def fill(self, wanted: Mapping[str, set[str]], only: Only) -> None:
        """Copy the columns of each table that are wanted, and no rows but those that somebody reads."""
        assert self.book is not None
        _, made = sql_files.closure(self.named)
        self.connection.execute("SET pandas_analyze_sample = 0")  # texts are texts, whatever a column's start
        reader = self.book.read()
        with _one_state(reader):
            for table, columns in self.tables.items():
                if table in wanted:
                    where, values = only.get(table, ("true", ()))
                    parts = {view.only.get(table) for view in made if table in view.needs}
                    if table not in self.named and None not in parts:
                        where = f"({where}) AND ({' OR '.join(f'({part})' for part in parts)})"
                    session_copy.copy(reader, self.connection, table, columns, wanted[table], where, values)
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


def for_query(of: dict[str, Any], sql: str) -> Session:
    """The session over the book in the folder of["book"], with what a stranger's query may name."""
    from .book import BookFolder

    with BookFolder.open(Path(of["book"])) as book:
        return start(book, needs_of(book, sql))


def names(book: BookFolder) -> tuple[list[str], list[str]]:
    """The tables and the views that a query may name, each sorted."""
    listed = book.read().execute("SELECT name FROM sqlite_schema WHERE type = 'table' AND name NOT LIKE 'sqlite_%'")
    return sorted([r[0] for r in listed] + [LEFT_OUT]), sorted(sql_files.views())


def needs_of(book: BookFolder, sql: str) -> set[str]:
    """The tables and views that a text may name: every known name that stands in it as a word.

    A word inside a text or a comment counts too: loading one table too many costs little, one too few a wrong
    answer. A query that looks into the catalogue, or builds a name, gets everything.
    """
    tables, views = names(book)
    return named_in(sql, {*tables, *views})


def named_in(sql: str, known: set[str]) -> set[str]:
    """Those of the known names that a text may name, as `needs_of` counts them."""
    return known if _looks_around(sql) else _words(sql) & known


def _looks_around(sql: str) -> bool:
    """May a text look into the catalogue, or build a name?"""
    return any(w in ("query", "query_table", "show", "summarize") or w.startswith(_CATALOGUE) for w in _words(sql))


def _words(sql: str) -> set[str]:
    return set(re.findall(r"[a-z_][a-z0-9_]*", sql.lower()))


_CATALOGUE = ("information_schema", "duckdb_", "pg_", "pragma_", "sqlite_")


def start(book: BookFolder, needs: Iterable[str] | None = None) -> Session:
    """A session with the tables and views named (None: all), each view after those it needs.

    A table that stands in `needs` itself is copied whole; of one that only views read, the columns they read.
    Raises UsageError for a name that the book does not have; DamageError where a stored value is not of its type.
    """
    session = prepare(book, needs)
    views = session.named & set(sql_files.views()) - {SAMPLES}
    wanted = session_copy.read_columns(session.connection, [(f"SELECT * FROM {view}", None) for view in sorted(views)])
    session.fill(wanted | {t: set(c) for t, c in session.tables.items() if t in session.named}, {})
    return session


def prepare(book: BookFolder, needs: Iterable[str] | None = None) -> Session:
    """The tables and views named (None: all), as in `start`, but without rows: `Session.load` puts them in."""
    tables, views = names(book)
    wanted = {*tables, *views} if needs is None else set(needs)
    unknown = sorted(wanted - {*tables, *views})
    if unknown:
        raise UsageError(
            f"the book has no table or view named {', '.join(unknown)}", remedy=f"It has: {', '.join(tables + views)}"
        )
    load, make = sql_files.closure(wanted)
    connection = engine(python_enable_replacements="false")
    session = Session(connection, book=book, named=wanted)
    connection.execute("SET TimeZone = 'UTC'")
    reader = book.read()
    for table in load:
        if table not in MADE:
            session.tables[table] = column_types(reader, table)
            session_copy.create(connection, table, session.tables[table])
    if set(MADE) & set(load):
        with _one_state(reader):
            session.files, session.left_out = session_samples.fill(book, connection)
    for function in sql_files.functions().values():
        connection.execute(function.text)
    for view in make:
        text = session_samples.text(view.text, session.files) if view.name == SAMPLES else view.text
        connection.execute(f"CREATE VIEW {view.name} AS\n{text}")
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
        raise DamageError(f"the book's records cannot be read: {exc}", remedy="Run: loadbook verify") from exc
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
