"""The analytic session: DuckDB in memory over the book's tables and over its trace files.

The tables that a query names, and those that its views need, come whole and of one moment: from the snapshot beside
the book, or where that is behind, from its records, by the standard library's sqlite3 (a second SQLite library in the
process would drop its locks). Types are declared: moments become TIMESTAMP in UTC, dates DATE, yes/no BOOLEAN.
How `samples` reads the traces: session_samples.
"""

from __future__ import annotations

import contextlib
import re
import sqlite3
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from loadbook.core.errors import DamageError, UsageError

from . import disk, renewal, session_copy, session_samples, snapshot, sql_files
from .engine import engine
from .handed import Handed
from .session_copy import column_types
from .session_samples import LEFT_OUT, MADE, SAMPLES, LeftOut

if TYPE_CHECKING:
    import duckdb
    import pandas as pd

    from .book import BookFolder


MANY = 20_000  # rows whose texts are fetched as numbers


@dataclass
class Session:
    """A DuckDB connection over the book, the trace files it reads and those it left out.

    snapshot  what the engine calls the files of the snapshot that it reads
    """

    connection: duckdb.DuckDBPyConnection
    files: list[str] = field(default_factory=list)
    left_out: list[LeftOut] = field(default_factory=list)
    snapshot: list[str] = field(default_factory=list)

    def columns(self, view: str) -> set[str]:
        """The columns of one of the session's views or tables."""
        return {str(r[0]) for r in self.connection.execute(f"DESCRIBE {view}").fetchall()}

    def frame(self, sql: str, parameters: Any = None) -> pd.DataFrame:
        """The rows of our own, trusted SQL. Parameters as `?` or `$name`. Of many rows equal texts are held once."""
        result = self.connection.execute(sql, parameters or None)
        parts = [result.fetch_df_chunk(_VECTORS)]
        held: dict[str, dict[str, str]] = {}
        while len(part := result.fetch_df_chunk(_VECTORS)):
            if len(parts) == 1:
                _hold_once(parts[0], held)
            _hold_once(part, held)
            parts.append(part)
        whole = parts[0] if len(parts) == 1 else _joined(parts)
        for name, kind in whole.dtypes.items():
            if getattr(kind, "ordered", False):  # as the engine has enumerations; texts do not rise or fall
                whole[name] = whole[name].cat.as_unordered()
        return whole

    def enumerations(self, of: str, parameters: Any = None, but: Collection[str] = ()) -> dict[str, str]:
        """A type for each column of texts that repeat: its texts in order. A frame has a number in each row then, which
        is several times quicker to fetch and to group by. None where the rows are few: making them takes longer.

        of   SQL of the rows;  but  columns whose texts do not repeat
        Returns  column -> the type that a query casts it to
        """
        if self.rows(f"SELECT count(*) FROM ({of})", parameters)[0][0] < MANY:
            return {}
        kinds = self.connection.execute(f"SELECT * FROM ({of}) LIMIT 0", parameters or None).description or []
        texts = [str(name) for name, kind, *_ in kinds if str(kind) in ("STRING", "VARCHAR") and name not in but]
        lists = ", ".join(f'list(DISTINCT "{name}" ORDER BY "{name}") AS "{name}"' for name in texts)
        if texts:
            self.connection.execute(
                f"CREATE OR REPLACE TEMP TABLE text_lists AS SELECT {lists} FROM ({of})", parameters or None
            )
        types = {name: f'"texts of {name}"' for name in texts}
        for name, kind in types.items():
            self.connection.execute(f"DROP TYPE IF EXISTS {kind}")
            self.connection.execute(f'CREATE TYPE {kind} AS ENUM (SELECT unnest("{name}") FROM text_lists)')
        return types

    def rows(self, sql: str, parameters: Any = None) -> list[tuple[Any, ...]]:
        """The same as tuples."""
        return self.connection.execute(sql, parameters or None).fetchall()

    def table(self, sql: str, parameters: Any = None) -> tuple[list[str], list[tuple[Any, ...]]]:
        """(columns, rows) of our own, trusted SQL."""
        result = self.connection.execute(sql, parameters or None)
        return [str(d[0]) for d in result.description or []], result.fetchall()

    def readable(self) -> list[str]:
        """The files that it has to be allowed to read."""
        return [*self.snapshot, *self.files]

    def __enter__(self) -> Session:
        return self

    def __exit__(self, *_: object) -> None:
        self.connection.close()


_VECTORS = 50  # of the engine's, 2,048 rows each: a frame is fetched so many at a time
_REPEATED = 20  # times that texts repeat in a column where it pays to hold each once


def _hold_once(part: pd.DataFrame, held: dict[str, dict[str, str]]) -> None:
    """Let one text stand for all that are equal to it, in this part of a frame and in those before; in columns whose
    texts repeat. (Where pandas keeps texts as Arrow does, they take little as they are.)

    held  column -> its texts
    """
    import numpy as np
    import pandas as pd

    for name, kind in part.dtypes.items():
        if getattr(kind, "storage", "") == "python":
            codes, texts = pd.factorize(part[name])
            if _REPEATED * len(texts) < len(part):
                own = held.setdefault(str(name), {})
                once = np.array([*(own.setdefault(t, t) for t in np.asarray(texts, object)), np.nan], dtype=object)
                part[name] = pd.array(once[codes], dtype=kind)  # -1, a missing one, is the last


def _joined(parts: list[pd.DataFrame]) -> pd.DataFrame:
    """The parts of a frame as one. A column of texts of which a part has none is one of texts there too."""
    import pandas as pd

    for name in parts[0].columns:
        kinds = [part[name].dtype for part in parts]
        if any(k == "str" for k in kinds):
            for part, kind in zip(parts, kinds, strict=True):
                if not isinstance(kind, pd.StringDtype):
                    part[name] = part[name].astype("str")
    return pd.concat(parts, ignore_index=True)


def for_query(of: dict[str, Any], sql: str) -> Session:
    """The session over the book in the folder of["book"], with what a stranger's query may name.

    Raises DamageError where it reads samples and a trace file is damaged, unless of["without_damaged"]
    """
    from .book import BookFolder

    with BookFolder.open(Path(of["book"])) as book:
        made = start(book, needs_of(book, sql), keep=False)
    if not of.get("without_damaged"):
        session_samples.refuse(made.left_out, sql)
    return made


def refresh(book: BookFolder, sql: str) -> None:
    """Bring the snapshot up to date for a stranger's query, whose own process writes nothing."""
    if not disk.may_keep(book.path):
        return
    wanted = needs_of(book, sql)
    with _one_state(book.read()):
        plan = _plan(book, wanted)
        if plan.samples:
            session_samples.check(book)
    if plan.behind():
        start(book, wanted - set(MADE) - {SAMPLES}).connection.close()


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


def start(book: BookFolder, needs: Iterable[str] | None = None, *, keep: bool = True) -> Session:
    """A session with the tables and views named (None: all), each view after those it needs.

    keep    tables that had to be copied are left in the snapshot for the next session
    Raises  UsageError for a name that the book does not have; DamageError where a stored value is not of its type
    """
    tables, views = names(book)
    wanted = {*tables, *views} if needs is None else set(needs)
    unknown = sorted(wanted - {*tables, *views})
    if unknown:
        raise UsageError(
            f"the book has no table or view named {', '.join(unknown)}", remedy=f"It has: {', '.join(tables + views)}"
        )
    connection = engine(python_enable_replacements="false")
    session, filled = Session(connection), session_samples.Filled()
    connection.execute("SET TimeZone = 'UTC'")
    handed = Handed(connection)
    with _one_state(book.read()):
        plan = _plan(book, wanted)
        if not all(_placed(session, handed, plan, view) for view in plan.given):
            plan = _plan(book, wanted, given=False)
        leave = keep and disk.may_keep(book.path)
        for table, columns in plan.tables.items():
            if not _placed(session, handed, plan, table, columns):
                _copied(book, session, handed, plan, table, leave)
        makers = plan.views
        if leave and _renewed(book, plan) and _placed(session, handed, plan, renewal.VIEW):
            _, makers = sql_files.closure(wanted, [*plan.given, renewal.VIEW])
        if plan.samples:
            filled = session_samples.fill(book, connection, handed, keep=keep)
            session.files, session.left_out = [*filled.files, *filled.packs], filled.left_out
    leaves = plan.behind() if leave else []
    change = {SAMPLES: lambda text: session_samples.text(connection, text, filled.files, filled.packs)}
    whole = renewal.VIEW in leaves and makers is plan.views
    sql_files.make(connection, makers, change, _PAIRS if whole else ())
    if leaves:
        _leave(book, session, handed, plan)
    return session


_PAIRS = ("reading_pair",)  # the whole of `movement` needs all of it, twice over: one plan for everything is slower


@dataclass(frozen=True)
class _Plan:
    """What a session is made of.

    tables   to load, with the columns of each;  samples  are the traces among them?
    given    views whose rows the snapshot has;  views  to make, each after those that it needs
    files    table or view -> its files in the snapshot, where it can have some
    kept     name -> the bytes of such a file, where it is there;  made  the same of one that was made for the session
    """

    tables: dict[str, dict[str, str]]
    samples: bool
    given: list[str]
    views: list[sql_files.SqlFile]
    files: dict[str, snapshot.Files]
    kept: dict[str, bytes]
    made: dict[str, bytes] = field(default_factory=dict)

    def behind(self) -> list[str]:
        """The tables and views whose files are not all there and could be."""
        return [name for name, files in self.files.items() if not files.keys() <= self.kept.keys()]


def _plan(book: BookFolder, wanted: set[str], given: bool = True) -> _Plan:
    """given: views of the snapshot stand for the tables that they were made of"""
    reader = book.read()
    tables, makers = sql_files.closure(wanted)
    types = {table: column_types(reader, table) for table in tables if table not in MADE}
    files = snapshot.current(reader, types)
    of_views = {v: f for v, f in snapshot.current_views(files).items() if v in {m.name for m in makers}}
    kept = snapshot.read(book, [file for f in of_views.values() for file in f]) if given else {}
    there = [view for view, f in of_views.items() if f.keys() <= kept.keys()]
    tables, makers = sql_files.closure(wanted, there)
    files = {name: f for name, f in files.items() if name in tables}
    kept |= snapshot.read(book, [file for f in files.values() for file in f])
    samples = not set(MADE).isdisjoint(tables)
    return _Plan({t: types[t] for t in tables if t in types}, samples, there, makers, files | of_views, kept)


def _placed(session: Session, handed: Handed, plan: _Plan, name: str, columns: Mapping[str, str] | None = None) -> bool:
    """Is a table or view read from its files in the snapshot, and from those made for it?"""
    files = plan.files.get(name, {})
    there = plan.kept | plan.made
    if not files or not files.keys() <= there.keys():
        return False
    if placed := snapshot.place(session.connection, handed, name, [there[file] for file in files], columns):
        session.snapshot.extend(placed)
        return True
    for file in files:  # to be made anew
        plan.kept.pop(file, None)
        plan.made.pop(file, None)
    return False


def _copied(book: BookFolder, session: Session, handed: Handed, plan: _Plan, table: str, leave: bool) -> None:
    """Copy a table from the records: of its parts those that the snapshot lacks; all of it where nothing is kept."""
    columns, files = plan.tables[table], plan.files.get(table, {})
    if leave or not files.keys().isdisjoint(plan.kept):
        for file in [f for f in files if f not in plan.kept]:
            session_copy.create(session.connection, table, columns)
            session_copy.copy(book.read(), session.connection, table, columns, files[file])
            plan.made[file] = handed.parquet(session.connection, f'SELECT * FROM "{table}"')
            session.connection.execute(f'DROP TABLE "{table}"')
        if _placed(session, handed, plan, table, columns):
            return
    session_copy.create(session.connection, table, columns)
    session_copy.copy(book.read(), session.connection, table, columns)


def _renewed(book: BookFolder, plan: _Plan) -> bool:
    """Was the view movement made from the one before, as far as nothing changed in its part numbers?"""
    found = snapshot.earlier(book, renewal.VIEW) if renewal.VIEW in plan.behind() else None
    if found is None:
        return False
    name, before = found
    there = plan.kept | plan.made
    gone = {file for files in before.values() for file in files if file not in there}
    data = there | snapshot.read(book, [name, *gone])
    if not {name, *gone} <= data.keys():
        return False
    made = renewal.renewed(data[name], before, {table: list(plan.files[table]) for table in before}, data)
    plan.made.update(dict.fromkeys(plan.files[renewal.VIEW], made) if made else {})
    return made is not None


def _leave(book: BookFolder, session: Session, handed: Handed, plan: _Plan) -> None:
    """Write what the snapshot lacks of a session; a view that had to be computed for it is not computed again."""
    import duckdb

    for name in plan.behind():
        if name not in plan.tables and not plan.files[name].keys() <= plan.made.keys():
            with contextlib.suppress(duckdb.Error):  # the question will meet it, and say so
                data = handed.parquet(session.connection, f'SELECT * FROM "{name}"')
                plan.made.update(dict.fromkeys(plan.files[name], data))
                session.snapshot.extend(snapshot.place(session.connection, handed, name, [data]))
    names = [file for files in plan.files.values() for file in files]
    made_of = {
        file: [list(plan.files[table]) for table in sql_files.closure({view})[0]]
        for view in snapshot.VIEWS
        for file in plan.files.get(view, ())
        if file in plan.made
    }
    snapshot.keep(book, plan.made, names, made_of)


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


def frame(book: BookFolder, sql: str, params: Sequence[Any] | dict[str, Any] = ()) -> pd.DataFrame:
    """The rows of our own, trusted SQL (a stranger's goes through the sandbox). Parameters as `?` or `$name`."""
    with start(book, needs_of(book, sql)) as session:
        return session.frame(sql, params)
