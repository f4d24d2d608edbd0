"""A group on DuckDB: views over the published files, on this machine."""

from __future__ import annotations

import contextlib
from collections.abc import Collection, Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from loadbook.core import writing
from loadbook.core.errors import LoadbookError
from loadbook.store import session_copy, session_samples, sql_files
from loadbook.store.engine import engine, quoted
from loadbook.store.handed import Handed

from . import views as groupviews
from .manifest import TRACE
from .parquet import PLANT
from .read import Group, Sound, group_columns
from .transpile import Values

if TYPE_CHECKING:
    import duckdb
    import pandas as pd


class DuckEngine:
    """A DuckDB connection with the tables and views of a group that were asked for.

    A table is a view over its files, or where other views read it several times over, a table that is read once: such
    a view would open each of its files every time, and ten years of a plant are some hundred small ones a table.
    What lies in no folder of this machine is copied into one first, but for the traces.

    files     every file that these views may read, by its name for the engine
    left_out  damaged files that they do not read
    """

    name = "duckdb"

    def __init__(
        self,
        group: Group,
        needs: Iterable[str],
        copies: Path | None = None,
        *,
        without_damaged: bool = False,
        keep: bool = True,
        movement: Sequence[str] | None = None,
    ) -> None:
        """
        copies           a folder for the copies, which the caller removes; None: one that ends with the engine
        without_damaged  damaged files are left out and named; else they are an error
        movement         files that hold the view movement (plant_movement.py); None: it is made of its tables here
        keep             what was found of the traces is left in the target's folder for the next question
        """
        self.connection: duckdb.DuckDBPyConnection = engine(python_enable_replacements="false")
        self.connection.execute("SET TimeZone = 'UTC'")
        self._handed = Handed(self.connection)
        self.files: list[str] = []
        self.at_end = contextlib.ExitStack()  # what ends with the engine
        tables, views = groupviews.plan(needs, () if movement is None else (groupviews.MOVEMENT,))
        samples = any(view.name == "samples" for view in views)
        if not group.store.local and copies is None:
            copies = Path(self.at_end.enter_context(writing.scratch()))
        wanted = [*tables, TRACE] if samples else tables
        sound = group.sound(wanted, without_damaged=without_damaged, keep=keep and samples, copies=copies)
        self.left_out = sound.left_out
        for table in tables:
            once = groupviews.times_read(table, views) > 1
            self._table(group, table, self._handed.paths(sound.paths(table)), once)
        for function in sql_files.functions(self.name).values():
            self.connection.execute(function.text)
        for view in views:
            text = view.text
            if view.name == groupviews.TRACE_FILES:
                self._published(sound)
            if view.name == groupviews.MOVEMENT and movement is not None:
                text = self._given(movement)
            if view.name == "samples":
                text = self._samples(group, sound, text)
            self.connection.execute(f"CREATE VIEW {view.inner} AS\n{text}")
            if view.asked:
                columns = [str(r[0]) for r in self.connection.execute(f"DESCRIBE {view.inner}").fetchall()]
                self.connection.execute(f"CREATE VIEW {view.name} AS {groupviews.with_plant(view, columns)}")

    def columns(self, view: str) -> set[str]:
        """The columns of one of the tables and views asked for."""
        return {str(r[0]) for r in self.connection.execute(f"DESCRIBE {view}").fetchall()}

    def frame(self, sql: str, values: Values = None) -> pd.DataFrame:
        """The rows of our own, trusted SQL as a frame; parameters as `?` or `$name`."""
        return self.connection.execute(sql, values or None).df()

    def enumerations(self, of: str, values: Values = None, but: Collection[str] = ()) -> dict[str, str]:
        """None: a group's texts come as texts."""
        return {}

    def table(self, sql: str, values: Values = None) -> tuple[list[str], list[tuple[Any, ...]]]:
        """(columns, rows) of our own, trusted SQL."""
        result = self.connection.execute(sql, values or None)
        return [str(d[0]) for d in result.description or []], result.fetchall()

    def parquet(self, sql: str) -> bytes:
        """The rows of our own, trusted SQL as the bytes of a Parquet file."""
        return self._handed.parquet(self.connection, sql)

    def __enter__(self) -> DuckEngine:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        self.connection.close()
        self.at_end.close()

    def _table(self, group: Group, table: str, files: list[str], once: bool) -> None:
        """A published table, read now (once) or by each query; columns that an older program did not publish are
        empty."""
        import duckdb

        columns = {PLANT: "VARCHAR", **group_columns()[table]}
        typed = ", ".join(f'NULL::{kind} AS "{name}"' for name, kind in columns.items())
        text = f"SELECT {typed} WHERE false"
        self.files += files
        if files:
            listed = ", ".join(quoted(f) for f in files)
            text = (
                f"{text} UNION ALL BY NAME SELECT * FROM read_parquet([{listed}], union_by_name = true,"
                " hive_partitioning = false)"
            )
        kind, listed = "TABLE" if once else "VIEW", groupviews.qualified(list(columns)[1:])
        try:
            self.connection.execute(f'CREATE {kind} "{table}" AS SELECT {listed} FROM ({text})')
        except duckdb.Error as exc:
            raise LoadbookError(
                f"the published files of {table} cannot be read: {str(exc).splitlines()[0]}",
                where=group.store.address,
                remedy="Publish again from the plants' books",
            ) from exc

    def _given(self, files: Sequence[str]) -> str:
        named = self._handed.paths(files)
        self.files += named
        return f"SELECT * FROM read_parquet([{', '.join(map(quoted, named))}], hive_partitioning = false)"

    def _published(self, sound: Sound) -> None:
        """published_trace: a number for every trace, of those in files of their own its place in the list that samples
        reads, and its run. What stands in packs goes into the table that samples joins them by."""
        own, packed = sound.traces(packed=False), sound.traces(packed=True)
        of_pack = [(at, f.plant, run) for at, f in enumerate(packed) for run in f.entry.runs]
        runs = [f"{f.plant}/{run}" for f in own for run in f.entry.runs] + [f"{p}/{run}" for _, p, run in of_pack]
        columns = {"file": "UBIGINT", "run": "VARCHAR"}
        in_packs = [(at, run, number) for number, (at, _, run) in enumerate(of_pack, len(own))]
        for table, kinds, rows in (
            (groupviews.PUBLISHED, columns, list(enumerate(runs))),
            (session_samples.PACKED, session_samples.COLUMNS[session_samples.PACKED], in_packs),
        ):
            session_copy.create(self.connection, table, kinds)
            if rows:
                session_copy.insert(self.connection, table, kinds, list(zip(*rows, strict=True)))

    def _samples(self, group: Group, sound: Sound, view: str) -> str:
        listed = [[f.entry.path for f in sound.traces(packed=packed)] for packed in (False, True)]
        own, packs = (group.store.handed(self._handed, names) for names in listed)
        self.files += own + packs
        return session_samples.text(self.connection, view, own, packs)
