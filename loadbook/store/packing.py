"""Putting the trace files of old months into packs (packs.py), month by month, under the book's lock.

The pack is written beside its place, flushed, and named; then read back: every trace by its digest, the end by what the
traces give, and by the engine the rows of each run. Only then do the small files go. A kill at any moment leaves the
small files, or a whole pack, or both; the same command again goes on from there.
"""

from __future__ import annotations

import hashlib
import sqlite3
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from loadbook.core import writing
from loadbook.core.errors import DamageError, LoadbookError
from loadbook.core.progress import Progress

from . import packs, parquet_end
from .book import BookFolder
from .engine import engine
from .handed import Handed
from .trace_files import Locator, checked


@dataclass
class Packed:
    """What was done.

    packs, traces, bytes  written;  removed  small files that went
    left      traces left as they are, with why
    """

    packs: int = 0
    traces: int = 0
    bytes: int = 0
    removed: int = 0
    left: list[str] = field(default_factory=list)


def pack(book: BookFolder, before: str, progress: Progress | None = None) -> Packed:
    """Put the current traces that began before a month ('2024-01') into packs.

    Raises LoadbookError where the disk refuses, BusyError where another program holds the book; what was packed until
    then stays
    """
    done = Packed()
    months = sorted({(r[0], r[1]) for r in book.read().execute(_MONTHS, (before,))})
    for number, (folder, month) in enumerate(months, 1):
        with book.write() as conn:  # nobody takes a trace in, or withdraws one
            rows = conn.execute(_ROWS, (month, folder)).fetchall()
            try:
                _month(book, folder, month, rows, done)
            except OSError as exc:
                raise LoadbookError(
                    f"the traces of {month} could not be packed: {exc.strerror or exc}", where=folder,
                    remedy="See that the disk has room and that you may write there, then repeat the command",
                ) from exc  # fmt: skip
        if progress is not None:
            progress("packing months", number, len(months))
    return done


_FOLDER = "substr(path, 1, length(path) - length(trace_id) - length('/.parquet'))"
_CURRENT = f"state = 'current' AND path = {_FOLDER} || '/' || trace_id || '.parquet'"
_MONTHS = f"SELECT DISTINCT {_FOLDER}, substr(started, 1, 7) FROM trace WHERE {_CURRENT} AND substr(started, 1, 7) < ?"
_ROWS = f"SELECT * FROM trace WHERE {_CURRENT} AND substr(started, 1, 7) = ? AND {_FOLDER} = ? ORDER BY started, run"


def _month(book: BookFolder, folder: str, month: str, rows: Iterable[sqlite3.Row], done: Packed) -> None:
    """Pack one month's small files, and remove those that stand in a pack."""
    locate = Locator(book)
    fresh: dict[bytes, list[tuple[sqlite3.Row, bytes]]] = defaultdict(list)
    standing: list[tuple[sqlite3.Row, packs.Place]] = []
    for row in rows:
        try:
            place = locate.place(row["path"])
            if place.at is not None:
                continue
            data = checked(book, row)
            known = locate.packs.find(place.file.parent, row["path"])
            if known is not None and hashlib.sha256(packs.read(known, row["bytes"])).hexdigest() == row["sha256"]:
                standing.append((row, known))
            elif known is not None:  # brought back from a backup, for the pack's is damaged
                done.left.append(f"{row['run']} ({row['path']}): the pack {known.file.name} has a damaged copy of it")
            else:
                fresh[parquet_end.columns_of(parquet_end.end_of(data))].append((row, data))
        except (DamageError, ValueError) as exc:
            why = exc.what if isinstance(exc, DamageError) else str(exc)
            done.left.append(f"{row['run']} ({row['path']}): {why}")
    at = locate(f"{folder}/pack").parent
    writing.sweep(at)
    for found in fresh.values():
        standing += _written(at, month, found, done)
    for file, group in _by_pack(standing).items():
        bad, whole = packs.check(file, {place.at or 0: (row["bytes"], row["sha256"]) for row, place in group})
        if bad or not whole:
            done.left.append(f"{len(group)} of {month}: the pack {file.name} is not what was written")
            continue
        for row, _ in group:
            locate(row["path"]).unlink()
            done.removed += 1
        writing.sync_folder(at)


def _written(
    folder: Path, month: str, found: Sequence[tuple[sqlite3.Row, bytes]], done: Packed
) -> list[tuple[sqlite3.Row, packs.Place]]:
    """A month's traces in a new pack, with their places; none where an engine reads something else in it."""
    whole = packs.packed([(row["path"], data) for row, data in found])
    final = packs.free_name(folder, month)
    writing.put(final, whole)
    where = {s.path: s.at for s in packs.index_of(final)}
    first, expected = 0, []
    for row, data in found:
        rows = parquet_end.rows_of(parquet_end.end_of(data))
        expected.append((str(row["run"]), first, rows))
        first += rows
    if _as_read(final) != expected:
        final.unlink()
        done.left.append(f"{len(found)} of {month}: they hold other runs' names, or cannot be read together")
        return []
    done.packs += 1
    done.traces += len(found)
    done.bytes += len(whole)
    return [(row, packs.Place(final, where[row["path"]])) for row, _ in found]


def _by_pack(
    standing: Sequence[tuple[sqlite3.Row, packs.Place]],
) -> dict[Path, list[tuple[sqlite3.Row, packs.Place]]]:
    found: dict[Path, list[tuple[sqlite3.Row, packs.Place]]] = defaultdict(list)
    for row, place in standing:
        found[place.file].append((row, place))
    return found


def _as_read(file: Path) -> list[tuple[str, int, int]] | None:
    """(run, its first row, how many) as an engine reads a pack; None where it cannot."""
    import duckdb

    connection = engine(threads=1)
    try:
        name = Handed(connection).paths([str(file.absolute())])[0]
        return connection.execute(
            "SELECT run, min(file_row_number), count(*) FROM read_parquet(?, file_row_number = true,"
            " hive_partitioning = false) GROUP BY run ORDER BY 2",
            [name],
        ).fetchall()
    except duckdb.Error:
        return None
    finally:
        connection.close()
