"""A book published to a group: its tables and traces as Parquet, by plant and month, only what changed."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass, field
from functools import partial
from typing import TYPE_CHECKING, Any

from loadbook.core.errors import DamageError, UsageError
from loadbook.core.trade_words import is_plain
from loadbook.store import migrations
from loadbook.store.run_records import load_run
from loadbook.store.session_samples import LeftOut
from loadbook.store.trace_files import checked

from . import run_record
from .checked import checked_in
from .gate import Gate, names
from .manifest import PLANTS, TRACE, Current, Entry, Manifest, folder_of, plant_name, read_current, switch
from .parquet import Parquet, content_of
from .published import RECORD, TABLES, PublishOptions
from .rows import TableRows, rows_of
from .target import Store
from .withheld import Withheld, withhold
from .words import Words

if TYPE_CHECKING:
    import sqlite3

    from loadbook.store.book import BookFolder

Progress = Callable[[str, int, int], None]


@dataclass
class Published:
    """What one publication did.

    files, bytes      that this publication wrote;  already  that were there
    changed           whether readers see anything new;  removed  files of old publications that went
    withheld          counts of what is not published;  left_out  traces that could not be
    numbered          column -> how many texts of the shop's own went as numbers: {'piece.position': 12}
    """

    plant: str
    folder: str
    runs: int
    traces: int
    files: int = 0
    bytes: int = 0
    already: int = 0
    changed: bool = False
    removed: int = 0
    withheld: Withheld = field(default_factory=Withheld)
    left_out: list[LeftOut] = field(default_factory=list)
    numbered: dict[str, int] = field(default_factory=dict)


class _Writer:
    """Puts files into the store under names made of their contents, unless they are there already.

    A row that may not leave the house ends the publication before the file that would hold it is written.
    """

    def __init__(
        self, store: Store, base: str, plant: str, before: Current | None, making: Parquet, gate: Gate,
        again: bool,
    ) -> None:  # fmt: skip
        self.store, self.base, self.plant, self.making, self.gate = store, base, plant, making, gate
        self.before, self.again = before, again
        self._written: set[str] = set()
        # a trace keeps its file, whatever the name
        self._traces = {e.sha256: e.path for e in (before.manifest.of(TRACE) if before else ())}
        self.there = store.sizes(base)
        self._checked = checked_in(store) if store.local else None
        self.entries: list[Entry] = []
        self.files = self.bytes = self.already = 0
        self.known = {
            (e.table, e.month, e.content): e
            for e in (before.manifest.entries if before else ())
            if e.table != TRACE and self._has(e.path, e.bytes, e.sha256)
        }

    def table(self, found: TableRows) -> None:
        if not found.rows:
            return
        self.gate.check(found)
        content = content_of(found.columns, found.rows)
        same = self.known.get((found.name, found.month, content))
        if same is not None:
            self.already += 1
            self.entries.append(same)
            return
        data = self.making.bytes_of(found.columns, found.rows, self.plant)
        digest = hashlib.sha256(data).hexdigest()
        path = self._put(found.name, found.month, digest, data)
        self.entries.append(
            Entry(found.name, found.month, path, digest, len(data), len(found.rows), content)
        )  # fmt: skip

    def trace(self, month: str, digest: str, size: int, rows: int, run: str, read: Callable[[], bytes]) -> str:
        path = self._traces.get(digest) or self._free(f"{self.base}/{month}/samples-{digest[:32]}.parquet")
        if self._has(path, size, digest):
            self.already += 1
        else:
            self._put("trace", month, digest, read(), path)
        self.entries.append(Entry(TRACE, month, path, digest, size, rows, digest, run))
        return path

    def _free(self, name: str) -> str:
        return self.before.free_name(name) if self.before else name

    def _has(self, path: str, size: int, sha256: str) -> bool:
        """Is a file there as it was written? In an object store, by its size: reading it all would cost as much as
        writing it; `again` writes it anew."""
        if self.there.get(path) != size or (self.again and path not in self._written):
            return False
        if self._checked is None:
            return True
        try:
            return self._checked.why_not(self.store.path_of(path), path, size, sha256) is None
        except OSError:
            return False

    def _put(self, table: str, month: str | None, digest: str, data: bytes, path: str | None = None) -> str:
        name = f"{self.base}/{month or 'reference'}/{table.replace('_', '-')}-{digest[:24]}.parquet"
        path = path or self._free(name)
        if self._has(path, len(data), digest):
            self.already += 1
            return path
        self.store.put(path, data)
        self.there[path] = len(data)
        self._written.add(path)
        self.files += 1
        self.bytes += len(data)
        return path


def publish(
    book: BookFolder, target: str, plant: str, keep: PublishOptions | None = None, progress: Progress | None = None,
    *, again: bool = False,
) -> Published:  # fmt: skip
    """Publish a book as one plant of a group.

    target  a folder, or an fsspec address
    plant   the plant's name, as the group calls it
    keep    what is published although by default it is not
    again   every file is written anew, also those that are there
    Returns Published; damaged traces are left out and named in it
    Raises  UsageError, LoadbookError; BusyError where another publication of the plant came first;
            whatever was there stays readable until the new publication is whole
    """
    keep = keep or PublishOptions()
    name = plant_name(plant)
    store = Store(target)
    if store.folder is not None and store.folder.resolve().is_relative_to(book.path.resolve()):
        raise UsageError(
            "the group's folder cannot stand inside the book's", where=target, remedy="Name one beside it: ../group"
        )
    folder = folder_of(name)
    base = f"{PLANTS}/{folder}"
    before = read_current(store, base)
    conn = book.read()
    conn.execute("BEGIN")
    try:
        closure = withhold(conn, keep)
        search = names(conn, keep, closure, name)
        words = Words(conn, name, search, keep.words)
        with Parquet() as making:
            writer = _Writer(store, base, name, before, making, Gate(closure, search, words), again)
            for table in TABLES:
                if table not in ("trace", "trace_channel"):
                    for found in rows_of(conn, table, keep, words):
                        writer.table(found)
            paths, left_out = _traces(book, conn, writer, progress)
            for found in (*_of_traces(conn, keep, words, paths), *_records(book, conn, words, paths)):
                writer.table(found)
        head = _head(book, conn, name, keep, closure.counts)
    finally:
        conn.execute("ROLLBACK")
    done = switch(store, base, Manifest(head, writer.entries), before)
    numbered = {f"{table}.{column}": many for (table, column), many in sorted(words.numbered.items()) if many}
    return Published(
        name, folder, head["runs"], len(paths), writer.files, writer.bytes, writer.already, done.changed, done.removed,
        closure.counts, left_out, numbered,
    )  # fmt: skip


def _head(
    book: BookFolder, conn: sqlite3.Connection, name: str, keep: PublishOptions, withheld: Withheld
) -> dict[str, Any]:
    """What the publication is, without anything that differs when nothing changed."""
    runs, first, last = conn.execute(
        "SELECT count(*), min(started), max(started) FROM run WHERE run NOT IN (SELECT run FROM temp.withheld_run)"
    ).fetchone()
    return {
        "plant": name, "schema": migrations.newest(), "zone": book.zone.key, "units": book.units, 
        "kept": keep.as_dict(),
        "withheld": asdict(withheld), "runs": runs, "first_run": first, "last_run": last,
    }  # fmt: skip


def _traces(
    book: BookFolder, conn: sqlite3.Connection, writer: _Writer, progress: Progress | None
) -> tuple[dict[str, str], list[LeftOut]]:
    """Publish the traces' files as they are; (trace_id -> published name, those that could not be)."""
    rows = conn.execute(
        "SELECT t.*, substr(r.started, 1, 7) AS month_ FROM trace AS t JOIN run AS r USING (run) WHERE t.state ="
        " 'current' AND run NOT IN (SELECT run FROM temp.withheld_run) ORDER BY r.started, run"
    ).fetchall()
    paths: dict[str, str] = {}
    left_out: list[LeftOut] = []
    for number, row in enumerate(rows, 1):
        try:
            paths[row["trace_id"]] = writer.trace(
                row["month_"], row["sha256"], row["bytes"], row["samples"], row["run"],
                partial(_bytes, book, row, writer),
            )  # fmt: skip
        except DamageError as exc:
            left_out.append(LeftOut(row["run"], row["path"], exc.what))
        if progress is not None:
            progress("publishing traces", number, len(rows))
    return paths, left_out


def _bytes(book: BookFolder, row: sqlite3.Row, writer: _Writer) -> bytes:
    """A trace's file, which may hold no other texts than a run's name and quantities. Raises DamageError."""
    data = checked(book, row)
    for column, texts in writer.making.texts_of_trace(data).items():
        of_run = column == "run" and not any(writer.gate.names("run", str(x)) for x in texts - {row["run"]})
        if not of_run and not (column == "quantity" and all(is_plain(str(x)) for x in texts)):
            raise DamageError(f"the trace file holds texts in {column} that are not of its run", where=row["path"])
    return data


def _of_traces(
    conn: sqlite3.Connection, keep: PublishOptions, words: Words, paths: dict[str, str]
) -> Iterator[TableRows]:
    """The rows of trace and trace_channel whose files are published, with the published names."""
    for table in ("trace", "trace_channel"):
        for found in rows_of(conn, table, keep, words):
            columns = list(found.columns)
            at = columns.index("trace_id")
            rows = [list(r) for r in found.rows if r[at] in paths]
            for row in rows if table == "trace" else ():
                row[columns.index("path")] = paths[row[at]]
            found.rows = [tuple(r) for r in rows]
            yield found


def _records(book: BookFolder, conn: sqlite3.Connection, words: Words, paths: dict[str, str]) -> Iterator[TableRows]:
    """One row per run with a published trace: everything that computing it again takes."""
    factor, decides = book.guard()
    rows = conn.execute(
        "SELECT run, trace_id, sha256, t.started, substr(r.started, 1, 7) AS month_ FROM trace AS t"
        " JOIN run AS r USING (run) WHERE t.state = 'current' ORDER BY month_, r.started, run"
    ).fetchall()
    months: dict[str, list[tuple[Any, ...]]] = {}
    for row in rows:
        if row["trace_id"] in paths:
            text = run_record.as_text(conn, load_run(conn, row["run"]), words)
            months.setdefault(row["month_"], []).append(
                (row["run"], paths[row["trace_id"]], row["sha256"], row["started"], factor, int(decides), text)
            )
    for month, found in months.items():
        yield TableRows(RECORD, month, run_record.COLUMNS, found)
