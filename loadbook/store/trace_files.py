"""Trace files: one Parquet file per trace, written so that a crash leaves nothing half done.

Order of writing, and why it is this order:

1. the samples go to a temporary name in the folder where the file will stand (a rename across disks is a copy);
2. that file is flushed to the disk (fsync): a rename may otherwise survive a power cut that the contents do not;
3. the caller takes the book's lock, and only under it is the file renamed to its final name, in one step: no reader
   ever sees half a file under a final name, and no two commands give the same name at once;
4. the folder is flushed, so that the new name survives too (Windows cannot open a folder; there the rename is
   journalled by the file system itself and this step is left out);
5. only then is the trace's row committed. A row without its file cannot come to be.

What a crash leaves: before 3 a part, which the next trace that is taken in removes (writing.sweep); between 3 and 5 a
file without a row, which no query reads and `verify` names. A trace's id follows from its run, its source and how
many traces the run had (`trace_id_of`), so that repeating the command writes that very file anew and gives it its row.

Long form, sorted by channel, then time: run, channel (its number), quantity, t_s, value, flag. Values stand as
the recorder wrote them, in °C or the channel's own unit; a thermocouple's corrections are applied on reading.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from loadbook.analysis.trace.model import Channel, Event, Flags, Floats, Trace
from loadbook.core import writing
from loadbook.core.errors import DamageError, LoadbookError, NotFoundError
from loadbook.core.outside import LARGEST_TRACE, read_file

from .engine import engine, quoted
from .handed import Handed
from .packs import Packs, Place, read
from .parquet_end import end_of, rows_of

if TYPE_CHECKING:
    import sqlite3

    import duckdb

    from .book import BookFolder

FOLDER = "traces"
FLUSHING = 16  # files that wait for the disk at the same time
COLUMNS = ("run", "channel", "quantity", "t_s", "value", "flag")
_TRACE_ID = re.compile(r"[a-z0-9][a-z0-9-]{0,63}")
RELATIVE = re.compile(rf"{FOLDER}(/[A-Za-z0-9_-][A-Za-z0-9._-]*)+")  # what a path of a trace may be


@dataclass(frozen=True)
class Prepared:
    """A trace's samples in a file that has not its name yet.

    path, sha256, bytes are what the trace's row holds.
    """

    part: writing.Part
    path: str
    sha256: str
    bytes: int

    def discard(self, placed: bool = False) -> None:
        """Remove the part; with placed, also the file under its name (only while no row of it was committed)."""
        self.part.discard()
        if placed and self.part.placed:
            with contextlib.suppress(OSError):
                self.part.final.unlink(missing_ok=True)


def flush(prepared: Sequence[Prepared]) -> None:
    """Have the files on the disk, several of them waiting for it at the same time. Raises LoadbookError."""
    if len(prepared) == 1:
        return _flush(prepared[0])
    from concurrent.futures import ThreadPoolExecutor

    with ThreadPoolExecutor(FLUSHING) as pool:
        list(pool.map(_flush, prepared))


def _flush(one: Prepared) -> None:
    try:
        one.part.flush()
    except OSError as exc:
        raise _refused(exc, one.path) from exc


def place(prepared: Sequence[Prepared]) -> None:
    """Give files that are on the disk their names, for good. Call under the book's lock, where no row names them,
    before the rows are committed. Raises LoadbookError."""
    for one in prepared:
        try:
            one.part.place(over=True, lasting=False)
        except OSError as exc:
            raise _refused(exc, one.path) from exc
    folders = {one.part.final.parent for one in prepared}
    try:
        for folder in folders | {f.parent for f in folders}:
            writing.sync_folder(folder)
    except OSError as exc:
        raise _refused(exc, prepared[0].path) from exc


def trace_id_of(conn: sqlite3.Connection, run: str, source_sha256: str) -> str:
    """The id of a run's next trace from a source: the same after a crash, another one where the book has it already."""
    before = 0
    while True:
        trace_id = "t" + hashlib.sha256(f"{source_sha256} {before} {run}".encode()).hexdigest()[:16]
        if conn.execute("SELECT 1 FROM trace WHERE trace_id = ?", (trace_id,)).fetchone() is None:
            return trace_id
        before += 1


def prepare(book: BookFolder, trace: Trace, trace_id: str) -> Prepared:
    """Write a trace's samples beside their place; the caller flushes and places them, and writes the row.

    trace_id  an id of ours: small letters, digits and hyphens, so that no disk confuses two of them
    Raises    LoadbookError where the disk refuses, or a link or the like has the file's name or its folder's
    """
    if not _TRACE_ID.fullmatch(trace_id):
        raise LoadbookError(f"{trace_id!r} cannot name a trace file", remedy="Use small letters, digits and hyphens")
    year = trace.started[:4] if trace.started else "undated"
    relative = f"{FOLDER}/{year}/{trace_id}.parquet"
    final = locate(book, relative)
    writing.check(final, over=True)
    try:
        writing.make_folder(final.parent, below=book.path)
        for folder in final.parent.parent.iterdir():
            if folder not in book.swept and not folder.is_symlink():  # a folder of thousands is listed once
                writing.sweep(folder)
                book.swept.add(folder)
        part = writing.Part(final, swept=final.parent in book.swept)
        try:
            data = _parquet(trace)
            with part.open() as file:
                file.write(data)
        except BaseException:
            part.discard()
            raise
    except OSError as exc:
        raise _refused(exc, relative) from exc
    return Prepared(part, relative, hashlib.sha256(data).hexdigest(), len(data))


def _refused(exc: OSError, relative: str) -> LoadbookError:
    return LoadbookError(
        f"the trace could not be written: {exc.strerror or exc}",
        where=relative,
        remedy="See that the disk has room and that you may write there, then repeat the command",
    )


def write_trace(book: BookFolder, trace: Trace, trace_id: str) -> tuple[str, str, int]:
    """`prepare`, `flush` and `place`, for a book that nobody else has open; the caller writes the row afterwards.

    Returns   (path below the book's folder with '/', SHA-256 as hex, bytes)
    Raises    LoadbookError where the disk refuses, or where a file of that name is already there
    """
    prepared = prepare(book, trace, trace_id)
    try:
        if prepared.part.final.exists():
            raise LoadbookError("a trace file of that name is already there", where=prepared.path)
        flush([prepared])
        place([prepared])
    finally:
        prepared.discard()
    return prepared.path, prepared.sha256, prepared.bytes


def _parquet(trace: Trace) -> bytes:
    """All channels under one another, in one COPY. Raises OSError for anything the disk says."""
    import duckdb

    order = sorted(range(len(trace.channels)), key=lambda i: trace.channels[i].number)
    t_s = np.asarray(trace.t_s, np.float64)
    values, flags = trace.values[order], trace.flags[order]
    if len(t_s) > 1 and not bool((np.diff(t_s) >= 0).all()):
        by_time = np.argsort(t_s, kind="stable")
        t_s, values, flags = t_s[by_time], values[:, by_time], flags[:, by_time]
    columns = {
        "channel": np.repeat(np.array([trace.channels[i].number for i in order], np.int16), len(t_s)),
        "t_s": np.tile(t_s, len(order)),
        "value": np.ascontiguousarray(values, np.float64).reshape(-1),
        "flag": np.ascontiguousarray(flags, np.uint8).reshape(-1),
    }
    named = " ".join(f"WHEN {c.number} THEN {quoted(c.quantity)}" for c in trace.channels)
    quantities = ", ".join(quoted(q) for q in dict.fromkeys(c.quantity for c in trace.channels))
    # as enumerations the two texts are written twice as fast, and the file has them as texts all the same
    connection = _engine()
    try:
        connection.register("samples", columns)
        return _handed().parquet(  # one thread, and the rows are in order already
            connection,
            f"SELECT {quoted(trace.run)}::ENUM({quoted(trace.run)}) AS run, channel,"
            f" (CASE channel {named} END)::ENUM({quantities}) AS quantity, t_s,"
            f" nullif(value, 'nan'::DOUBLE) AS value, flag FROM samples",
        )
    except duckdb.Error as exc:
        raise OSError(str(exc).splitlines()[0]) from exc
    finally:
        connection.close()


def read_trace(
    book: BookFolder,
    trace: str | sqlite3.Row | Mapping[str, Any],
    channels: Sequence[Channel] | None = None,
    events: Sequence[Event] = (),
) -> Trace:
    """The samples of a trace, after its SHA-256 and size were compared with the row's.

    trace     a trace_id, or the trace's row
    channels  the channels wanted, by their number in the file, in the order wanted; None = all that the row names
    Returns   a Trace: values (channels, n), NaN where there is none; corrections are not applied
    Raises    NotFoundError without such a row; DamageError where the file is gone, changed, or not what was written
    """
    if isinstance(trace, str):
        row = book.read().execute("SELECT * FROM trace WHERE trace_id = ?", [trace]).fetchone()
        if row is None:
            raise NotFoundError(f"the book has no trace {trace!r}")
    else:
        row = trace
    if channels is None:
        named = book.read().execute(
            "SELECT number, channel, quantity, unit FROM trace_channel WHERE trace_id = ? ORDER BY number",
            [row["trace_id"]],
        )
        channels = [Channel(r["number"], r["channel"], quantity=r["quantity"], unit=r["unit"]) for r in named]
    return samples(checked(book, row), row["path"], channels, events, row["run"], row["started"])


def read_traces(
    book: BookFolder, wanted: Iterable[tuple[Mapping[str, Any], Sequence[Channel], Sequence[Event]]]
) -> Iterator[Trace | DamageError]:
    """As `read_trace` of each (row, channels, events); in the place of one that is damaged, its error. Small ones are
    read some in one query, a third quicker than each by itself."""
    waiting: list[tuple[Mapping[str, Any], Sequence[Channel], Sequence[Event]]] = []
    number = 0
    for one in wanted:
        number += one[0]["samples"] * len(one[1])
        if waiting and number > TOGETHER:
            yield from _some(book, waiting)
            waiting, number = [], one[0]["samples"] * len(one[1])
        waiting.append(one)
    yield from _some(book, waiting)


def _some(
    book: BookFolder, wanted: Sequence[tuple[Mapping[str, Any], Sequence[Channel], Sequence[Event]]]
) -> Iterator[Trace | DamageError]:
    locator = Locator(book)
    whole: dict[int, bytes] = {}
    found: dict[int, Trace | DamageError] = {}
    for i, (row, _, _) in enumerate(wanted):
        try:
            whole[i] = checked(book, row, locator)
        except DamageError as exc:
            found[i] = exc
    together = _read_together(list(whole.values()))
    for k, (i, data) in enumerate(whole.items()):
        row, channels, events = wanted[i]
        try:
            read = together[k] if together else _read_parquet(data, row["path"])
            found[i] = _traced(read, row["path"], channels, events, row["run"], row["started"])
        except DamageError as exc:
            found[i] = exc
    return (found[i] for i in range(len(wanted)))


def samples(
    data: bytes, where: str, channels: Sequence[Channel], events: Sequence[Event], run: str, started: str | None
) -> Trace:
    """The trace in a file's bytes, whose digest the caller has checked; `where` names it in errors. Else as
    `read_trace`."""
    return _traced(_read_parquet(data, where), where, channels, events, run, started)


def _traced(
    read: _Samples, where: str, channels: Sequence[Channel], events: Sequence[Event], run: str, started: str | None
) -> Trace:
    t_s, values, flags, numbers = read
    place = {number: i for i, number in enumerate(numbers)}
    absent = [c.name for c in channels if c.number not in place]
    if absent:
        raise DamageError(f"the trace file has no channel {', '.join(absent)}", where=where, remedy=RESTORE)
    rows = [place[c.number] for c in channels]
    if rows != list(range(len(numbers))):
        values, flags = values[rows], flags[rows]
    in_order = tuple(sorted(events, key=lambda e: e.t_s))
    return Trace(t_s, values, flags, tuple(channels), in_order, run, started)


RESTORE = "Run 'loadbook verify', then bring the file back from a backup or take the recorder's file in again"


def _engine() -> duckdb.DuckDBPyConnection:
    """A connection of its own to the one engine of this process: starting an engine costs more than a file.

    It keeps nothing of the files it has read, so that memory does not grow with their number.
    """
    return _started().cursor()


def start_engine() -> None:
    """Start the engine for trace files now, not at the first file."""
    _started()


_KEPT = 16_000_000  # bytes


@cache
def _started() -> duckdb.DuckDBPyConnection:
    """The engine; and a hint to the C library, which otherwise hands the memory of every trace back to the system and
    fetches it anew, page by page: giving back one large block that was never used tells it to keep more at hand."""
    np.empty(_KEPT, np.uint8)
    return engine(threads=1, enable_external_file_cache="false")


@cache
def _handed() -> Handed:
    return Handed(_started())


TOGETHER = 450_000  # values that are read in one query: more of them leave the processor's cache before they are used
_Samples = tuple[Floats, Floats, Flags, list[int]]  # times, values and flags of each channel, the channels' numbers


def _read_parquet(data: bytes, where: str) -> _Samples:
    return _arranged(_columns([data], where), where)


def _read_together(datas: Sequence[bytes]) -> list[_Samples] | None:
    """Some files in one query; None where any is damaged: each by itself then tells which, and why."""
    if len(datas) < 2:
        return None
    with contextlib.suppress(DamageError, ValueError):
        ends = np.cumsum([rows_of(end_of(data)) for data in datas]).tolist()
        got = _columns(datas, "")
        if got["channel"].size == ends[-1]:
            parts = (slice(a, b) for a, b in zip([0, *ends], ends, strict=False))
            return [_arranged({name: column[part] for name, column in got.items()}, "") for part in parts]
    return None


def _columns(datas: Sequence[bytes], where: str) -> dict[str, Any]:
    """The columns of some files, one file after the other."""
    import duckdb

    connection = _engine()
    try:
        with contextlib.ExitStack() as held:
            names = ", ".join(quoted(held.enter_context(_handed().whole(data))) for data in datas)
            return connection.execute(f"SELECT channel, t_s, value, flag FROM read_parquet([{names}])").fetchnumpy()
    except duckdb.Error as exc:
        raise DamageError(
            f"the trace file cannot be read: {str(exc).splitlines()[0]}", where=where, remedy=RESTORE
        ) from exc
    finally:
        connection.close()


def _arranged(got: Mapping[str, Any], where: str) -> _Samples:
    channel = np.asarray(got["channel"])
    samples = int(np.count_nonzero(channel == channel[0])) if channel.size else 0
    regular = samples > 0 and channel.size % samples == 0
    if regular:
        shape = (channel.size // samples, samples)
        channel, t_all = channel.reshape(shape), np.asarray(got["t_s"], np.float64).reshape(shape)
        numbers = channel[:, 0]
        in_order = bool((channel == numbers[:, None]).all()) and bool((numbers[1:] > numbers[:-1]).all())
        regular = in_order and bool((t_all == t_all[0]).all()) and bool((t_all[0, 1:] > t_all[0, :-1]).all())
    if not regular:
        raise DamageError("the trace file is not in the order it was written in", where=where, remedy=RESTORE)
    values, flags = np.ma.filled(got["value"], np.nan), np.ma.filled(got["flag"], 0)  # masked where one has none
    values, flags = np.asarray(values, np.float64), np.asarray(flags, np.uint8)
    return t_all[0].copy(), values.reshape(shape), flags.reshape(shape), numbers.tolist()


def checked(book: BookFolder, row: sqlite3.Row | Mapping[str, Any], locator: Locator | None = None) -> bytes:
    """The bytes of a trace's file, whose size and SHA-256 are the row's. Raises DamageError.

    locator  of the book, where several files are read: each folder is looked at once
    These very bytes are what is read from then on: a file opened a second time, by name, may be another one.
    """
    try:
        try:
            data = _bytes_of(locator or Locator(book), row)
        except NotFoundError:  # it went into a pack meanwhile, or there is none
            data = _bytes_of(Locator(book), row)
    except (LoadbookError, OSError, ValueError) as exc:
        if isinstance(exc, DamageError):
            raise
        why = exc.what if isinstance(exc, LoadbookError) else exc
        raise DamageError(f"the trace file cannot be read: {why}", where=row["path"], remedy=RESTORE) from exc
    if len(data) != row["bytes"] or hashlib.sha256(data).hexdigest() != row["sha256"]:
        raise DamageError("the trace file is not the one that was written", where=row["path"], remedy=RESTORE)
    return data


def _bytes_of(locator: Locator, row: sqlite3.Row | Mapping[str, Any]) -> bytes:
    place = locator.place(row["path"])
    if place.at is not None:
        return read(place, row["bytes"])
    return read_file(place.file, min(row["bytes"], LARGEST_TRACE), links=False)


class Locator:
    """`locate` for many files of one book: each folder is looked at once, since a book has thousands of traces."""

    def __init__(self, book: BookFolder) -> None:
        self._book = str(book.path)
        self._traces = os.path.join(os.path.realpath(book.path), FOLDER, "")  # noqa: PTH118 - compared as texts
        self._inside: dict[str, bool] = {}
        self.packs = Packs()

    def place(self, relative: str) -> Place:
        """Where the bytes of a trace are: in a file of its own where there is one, else in a pack that names it.
        Raises DamageError as a call does."""
        file = self(relative)
        if os.path.lexists(file):
            return Place(file)
        return self.packs.find(file.parent, relative) or Place(file)

    def __call__(self, relative: str) -> Path:
        """The file that a trace row's path means. Raises DamageError where it is not below the book's traces folder:
        a row from a stranger's book must not make us read another file."""
        if RELATIVE.fullmatch(relative):
            path = f"{self._book}/{relative}"
            # a traces folder that is itself a link leads out too
            folder = path.rpartition("/")[0]
            if folder not in self._inside:
                self._inside[folder] = os.path.join(os.path.realpath(folder), "").startswith(self._traces)  # noqa: PTH118
            if self._inside[folder] and (
                not os.path.islink(path) or os.path.realpath(path).startswith(self._traces)  # noqa: PTH114
            ):
                return Path(path)
        raise DamageError(
            "the trace's path leads out of the book", where=relative, remedy="Do not use this book as it is"
        )


def locate(book: BookFolder, relative: str) -> Path:
    """The file that a trace row's path means, of one trace. Raises DamageError as Locator does."""
    return Locator(book)(relative)
