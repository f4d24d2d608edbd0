"""A book published to a group: its tables and traces as Parquet, by plant and period, only what changed."""

from __future__ import annotations

import contextlib
import hashlib
import heapq
import re
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from functools import partial
from itertools import accumulate, chain, groupby
from typing import TYPE_CHECKING, Any

from loadbook.core.errors import DamageError, NotFoundError, UsageError
from loadbook.core.outside import LARGEST_TRACE
from loadbook.core.progress import Progress
from loadbook.core.trade_words import is_plain
from loadbook.store import migrations, packs, parquet_end
from loadbook.store.run_records import load_run
from loadbook.store.session_samples import LeftOut
from loadbook.store.trace_files import checked

from . import run_record
from .gate import Gate, names
from .looked import Looked
from .manifest import (
    PLANTS,
    REFERENCE,
    TRACE,
    Current,
    Entry,
    Files,
    Packed,
    Part,
    content_of_files,
    folder_of,
    part_name,
    plant_name,
    read_current,
    samples_name,
)
from .parquet import Parquet, content_of
from .periods import Periods
from .published import BY_RUN, RECORD, TABLES, PublishOptions
from .rows import TableRows, rows_of
from .switch import switch
from .target import Store
from .withheld import Withheld, withhold
from .words import Words

if TYPE_CHECKING:
    import sqlite3

    from loadbook.store.book import BookFolder

LARGEST_PACK = LARGEST_TRACE // 4  # bytes; what is published is read whole
_PLAIN_NAME = re.compile(r"/samples-[0-9a-f]{32}\.parquet$")


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
    """Makes the lists of a publication, and puts files into the store under names made of their contents, unless they
    are there already. A list whose month is as it was published stays, and is not opened.

    A row that may not leave the house ends the publication before the file that would hold it is written.
    """

    def __init__(
        self, store: Store, base: str, plant: str, before: Current | None, making: Parquet, gate: Gate, again: bool
    ) -> None:
        self.store, self.base, self.plant, self.making, self.gate = store, base, plant, making, gate
        self.before = before
        self.looked = Looked(store, base, again)
        self.lists: list[Part | Files] = []
        self.files = self.bytes = self.already = 0

    def tables(self, period: str | None, tables: Iterable[TableRows]) -> None:
        """A period's tables, or those that are not kept by period."""
        name = part_name(period)
        made = []
        for found in tables:
            if found.rows:
                self.gate.check(found)
                made.append((found, content_of(found.columns, found.rows)))
        if not made:
            return
        old, content = self._before(name), content_of_files((t.name, content) for t, content in made)
        if old is not None and old.content == content and self._as_left(old.folder):
            self._keeps(old)
            return
        known = {(e.table, e.content): e for e in self._entries(name) if self.looked.has(e.path, e.bytes, e.sha256)}
        self.already += sum((t.name, content) in known for t, content in made)
        entries = [known.get((t.name, content)) or self._table(t, content) for t, content in made]
        self.lists.append(Files(name, entries))

    def _table(self, found: TableRows, content: str) -> Entry:
        data = self.making.bytes_of(found.columns, found.rows, self.plant)
        digest = hashlib.sha256(data).hexdigest()
        name = f"{self.base}/{found.period or REFERENCE}/{found.name.replace('_', '-')}-{digest[:24]}.parquet"
        path = self._free(name)
        self._put(path, digest, data)
        months = {} if set(found.months) <= {found.period} else found.months
        return Entry(found.name, found.period, path, digest, len(data), len(found.rows), content, months=months)

    def traces(
        self, month: str, rows: Sequence[sqlite3.Row], read: Callable[[sqlite3.Row], bytes]
    ) -> tuple[dict[str, str], list[LeftOut]]:
        """A month's traces, their files as they are; (trace_id -> published name, those that could not be)."""
        name = part_name(month, traces=True)
        named = self._traces(name, month)
        entries = {r["trace_id"]: self._trace(month, r, named) for r in rows}
        left_out: list[LeftOut] = []
        files, old = Files(name, list(entries.values())), self._before(name)
        if old is not None and old.sha256 == files.sha256 and self._as_left(month):
            self._keeps(old)
            return {trace_id: e.path for trace_id, e in entries.items()}, left_out
        for row in rows:
            entry = entries[row["trace_id"]]
            if self.looked.has(entry.path, entry.bytes, entry.sha256):
                self.already += 1
                continue
            try:
                self._put(entry.path, entry.sha256, read(row))
            except DamageError as exc:
                left_out.append(LeftOut(row["run"], row["path"], exc.what))
                del entries[row["trace_id"]]
        if entries:
            self.lists.append(Files(name, list(entries.values())))
        return {trace_id: e.path for trace_id, e in entries.items()}, left_out

    def _trace(self, month: str, row: sqlite3.Row, named: Mapping[str, str]) -> Entry:
        digest = row["sha256"]
        path = named.get(digest) or self._free(samples_name(f"{self.base}/{month}", digest))
        return Entry(TRACE, month, path, digest, row["bytes"], row["samples"], digest, row["run"])

    def _traces(self, name: str, month: str) -> Mapping[str, str]:
        """Digest -> name of a month's traces, where one has another name than its digest gives."""
        if all(_PLAIN_NAME.search(n) for n in self.looked.names(month) if "/samples-" in n):
            return {}
        return {e.sha256: e.path for e in self._entries(name)}

    def packs(
        self, month: str, rows: Sequence[sqlite3.Row], read: Callable[[sqlite3.Row], bytes]
    ) -> tuple[dict[str, str], list[LeftOut]]:
        """The same of a month that is settled, its traces in packs. A pack stays while all its traces are wanted."""
        paths = {r["trace_id"]: samples_name(f"{self.base}/{month}", r["sha256"]) for r in rows}
        left_out: list[LeftOut] = []
        name = part_name(month, traces=True)
        old, content = self._before(name), content_of_files(Packed(r["run"], r["sha256"], 0, 0).said for r in rows)
        if old is not None and old.content == content and self._as_left(month):
            self._keeps(old)
            return paths, left_out
        wanted = {(r["run"], r["sha256"]) for r in rows}
        entries = [
            e for e in self._entries(name)
            if e.packed and {(p.run, p.sha256) for p in e.packed} <= wanted
            and self.looked.has(e.path, e.bytes, e.sha256)
        ]  # fmt: skip
        self.already += len(entries)
        there = {p.run for e in entries for p in e.packed}
        fresh: dict[bytes, list[tuple[sqlite3.Row, bytes]]] = defaultdict(list)  # by what may stand in one file
        for row in rows:
            if row["run"] in there:
                continue
            try:
                data = read(row)
                alike = fresh[parquet_end.columns_of(parquet_end.end_of(data))]
            except (DamageError, ValueError) as exc:
                left_out.append(
                    LeftOut(row["run"], row["path"], exc.what if isinstance(exc, DamageError) else str(exc))
                )
                del paths[row["trace_id"]]
                continue
            if alike and sum(len(d) for _, d in alike) + len(data) > LARGEST_PACK:
                entries.append(self._pack(month, alike, paths))
                alike.clear()
            alike.append((row, data))
        entries += [self._pack(month, alike, paths) for alike in fresh.values() if alike]
        if entries:
            self.lists.append(Files(name, entries))
        return paths, left_out

    def _pack(self, month: str, found: Sequence[tuple[sqlite3.Row, bytes]], paths: Mapping[str, str]) -> Entry:
        data = packs.packed([(paths[row["trace_id"]], trace) for row, trace in found])
        digest = hashlib.sha256(data).hexdigest()
        path = self._free(f"{self.base}/{month}/traces-{digest[:32]}.parquet")
        self._put(path, digest, data)
        ends = accumulate(len(trace) for _, trace in found)
        packed = tuple(
            Packed(row["run"], row["sha256"], end - len(trace), len(trace))
            for (row, trace), end in zip(found, ends, strict=True)
        )
        content = content_of_files(p.said for p in packed)
        samples = sum(row["samples"] for row, _ in found)
        return Entry(TRACE, month, path, digest, len(data), samples, content, packed=packed)

    def _before(self, name: str) -> Part | None:
        return self.before.manifest.parts.get(name) if self.before else None

    def _entries(self, name: str) -> list[Entry]:
        """The files that a list named before; none where it cannot be read: they are all written anew."""
        if self.before is not None:
            with contextlib.suppress(DamageError, NotFoundError):
                return self.before.manifest.entries([name])
        return []

    def _as_left(self, folder: str) -> bool:
        parts = self.before.manifest.parts.values() if self.before else ()
        return self.looked.as_left(folder, [p for p in parts if p.folder == folder])

    def _keeps(self, part: Part) -> None:
        self.already += part.files
        self.lists.append(part)

    def _free(self, name: str) -> str:
        return self.before.free_name(name) if self.before else name

    def _put(self, path: str, digest: str, data: bytes) -> None:
        if self.looked.has(path, len(data), digest):
            self.already += 1
            return
        self.store.put(path, data)
        self.looked.wrote(path, digest)
        self.files += 1
        self.bytes += len(data)


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
    before = read_current(store, base, anew=True)
    conn = book.read()
    conn.execute("BEGIN")
    left_out: list[LeftOut] = []
    traces = 0
    try:
        closure = withhold(conn, keep)
        search = names(conn, keep, closure, name)
        words = Words(conn, name, search, keep.words)
        with Parquet() as making:
            writer = _Writer(store, base, name, before, making, Gate(closure, search, words), again)
            periods = Periods.until(conn.execute(_NEWEST).fetchone()[0])
            rows = _traces(conn, periods)
            all_traces = sum(len(found) for months in rows.values() for found in months.values())
            for period, tables in _by_period(conn, keep, words, periods):
                paths: dict[str, str] = {}
                for month, found in rows[period].items():
                    put = writer.packs if periods.settled(month) else writer.traces
                    named, damaged = put(month, found, partial(_bytes, book, writer))
                    paths |= named
                    left_out += damaged
                    traces += len(named)
                    if progress is not None:
                        progress("publishing traces", traces + len(left_out), all_traces)
                records = _records(book, conn, words, period, chain(*rows[period].values()), paths)
                writer.tables(period, [*_of_traces(tables, paths), *records])
            others = (t for t in TABLES if t not in BY_RUN)
            writer.tables(None, (t for table in others for t in rows_of(conn, table, keep, words, periods)))
        head = _head(book, conn, name, keep, closure.counts)
    finally:
        conn.execute("ROLLBACK")
    done = switch(store, base, head, writer.lists, before, writer.looked)
    numbered = {f"{table}.{column}": many for (table, column), many in sorted(words.numbered.items()) if many}
    return Published(
        name, folder, head["runs"], traces, writer.files, writer.bytes, writer.already, done.changed, done.removed,
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
        "plant": name, "schema": migrations.NEWEST, "zone": book.zone.key, "units": book.units, 
        "kept": keep.as_dict(),
        "withheld": asdict(withheld), "runs": runs, "first_run": first, "last_run": last,
    }  # fmt: skip


_NEWEST = "SELECT max(substr(started, 1, 7)) FROM run WHERE run NOT IN (SELECT run FROM temp.withheld_run)"


def _by_period(
    conn: sqlite3.Connection, keep: PublishOptions, words: Words, periods: Periods
) -> Iterator[tuple[str, list[TableRows]]]:
    """(period, its rows of the tables that are kept by period), one after the other: its rows alone are in memory."""
    tables = heapq.merge(*(rows_of(conn, name, keep, words, periods) for name in BY_RUN), key=_period)
    for period, found in groupby(tables, key=_period):
        yield period, list(found)


def _period(rows: TableRows) -> str:
    return rows.period or ""


def _traces(conn: sqlite3.Connection, periods: Periods) -> dict[str, dict[str, list[sqlite3.Row]]]:
    """Period -> month -> the traces to be published, in order."""
    found: dict[str, dict[str, list[sqlite3.Row]]] = defaultdict(lambda: defaultdict(list))
    for row in conn.execute(
        "SELECT t.*, substr(r.started, 1, 7) AS month_ FROM trace AS t JOIN run AS r USING (run) WHERE t.state ="
        " 'current' AND run NOT IN (SELECT run FROM temp.withheld_run) ORDER BY r.started, run"
    ):
        found[periods.of(row["month_"])][row["month_"]].append(row)
    return found


def _bytes(book: BookFolder, writer: _Writer, row: sqlite3.Row) -> bytes:
    """A trace's file, which may hold no other texts than a run's name and quantities. Raises DamageError."""
    data = checked(book, row)
    for column, texts in writer.making.texts_of_trace(data).items():
        of_run = column == "run" and not any(writer.gate.names("run", str(x)) for x in texts - {row["run"]})
        if not of_run and not (column == "quantity" and all(is_plain(str(x)) for x in texts)):
            raise DamageError(f"the trace file holds texts in {column} that are not of its run", where=row["path"])
    return data


def _of_traces(tables: Iterable[TableRows], paths: Mapping[str, str]) -> Iterator[TableRows]:
    """A period's tables; of trace and trace_channel the rows whose files are published, with the published names."""
    for found in tables:
        if found.name in ("trace", "trace_channel"):
            columns = list(found.columns)
            at = columns.index("trace_id")
            rows = [list(r) for r in found.rows if r[at] in paths]
            for row in rows if found.name == "trace" else ():
                row[columns.index("path")] = paths[row[at]]
            found.rows = [tuple(r) for r in rows]
        yield found


def _records(
    book: BookFolder, conn: sqlite3.Connection, words: Words, period: str, traces: Iterable[sqlite3.Row],
    paths: Mapping[str, str],
) -> Iterator[TableRows]:  # fmt: skip
    """One row per run with a published trace: everything that computing it again takes."""
    factor, decides = book.guard()
    rows = [
        (
            t["run"], paths[t["trace_id"]], t["sha256"], t["started"], factor, int(decides),
            run_record.as_text(conn, load_run(conn, t["run"]), words),
        )
        for t in traces
        if t["trace_id"] in paths
    ]  # fmt: skip
    if rows:
        yield TableRows(RECORD, period, run_record.COLUMNS, rows)
