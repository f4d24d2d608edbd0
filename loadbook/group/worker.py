"""One period of one plant computed again: what a worker does, on this machine or in a cluster.

A task names files, not samples: the worker opens the period's records and then whole traces by their path, runs the
calculation floor over each, and puts the rows back into the target under a name made of their contents. A task that
is done twice (a worker was lost, another took over) writes the same bytes under the same names.
"""

from __future__ import annotations

import hashlib
import time
from collections.abc import Sequence
from dataclasses import asdict, dataclass, field
from typing import Any

from loadbook.analysis.parameters import compute as parameters
from loadbook.core.errors import DamageError, LoadbookError
from loadbook.store import derived
from loadbook.store.engine import engine
from loadbook.store.handed import Handed
from loadbook.store.trace_files import samples

from . import run_record
from .manifest import Entry, other_name, packed_in
from .parquet import Parquet, content_of
from .read import group_columns
from .target import Store

ALGORITHMS = f"{parameters.ALGORITHM}/{derived.ALGORITHM}"


@dataclass(frozen=True)
class Task:
    """A period (a month, or a year that is over) of one plant: its records and its published parameters (None: it has
    none), each by name and SHA-256.

    lists   of the period's traces, that say which stand in packs
    input   digest of everything that the result depends on
    number  of the pointer that counts;  going  files that may be removed meanwhile: their names are not taken
    """

    target: str
    plant: str
    base: str  # where the results go
    period: str
    records: tuple[str, str]
    parameters: tuple[str, str] | None
    lists: tuple[tuple[str, str], ...]
    input: str
    number: int = 0
    going: tuple[str, ...] = ()


@dataclass
class PeriodResult:
    """What became of a task: the files written, and figures for the log.

    damage  (run, why) of traces that could not be read;  seconds of the worker, of which `reading` opening traces
    """

    plant: str
    period: str
    input: str
    entries: list[Entry] = field(default_factory=list)
    damage: list[tuple[str, str]] = field(default_factory=list)
    runs: int = 0
    samples: int = 0
    seconds: float = 0.0
    reading: float = 0.0
    bytes_read: int = 0

    def as_dict(self) -> dict[str, Any]:
        """As plain values, for the way back from a worker."""
        return {**asdict(self), "entries": [e.as_dict() for e in self.entries]}


def work(task: Task) -> PeriodResult:
    """Compute a period again and put its rows into the target. Damaged traces are named, not fatal."""
    began = time.perf_counter()
    store = Store(task.target)
    out = PeriodResult(task.plant, task.period, task.input)
    columns = {table: group_columns()[table] for table in ("parameter", "finding")}
    found: dict[str, list[dict[str, Any]]] = {"parameter": [], "finding": []}
    redone = set()
    packed = packed_in(store, task.lists)
    for row in _rows(store, task.records):
        record, events, taken = run_record.from_text(row["run"], row["started"], row["record"])
        try:
            at = time.perf_counter()
            data = store.read(row["trace"]) if row["trace"] not in packed else store.read_slice(*packed[row["trace"]])
            _check(data, row["sha256"], row["trace"])
            out.bytes_read += len(data)
            trace = samples(data, row["trace"], record.channels, events, row["run"], row["started"])
            out.reading += time.perf_counter() - at
        except LoadbookError as exc:
            out.damage.append((row["run"], exc.what))
            continue
        new, findings = derived.derived_rows(
            record, trace, guard_factor=row["guard_factor"], guard_decides=bool(row["guard_decides"])
        )
        redone.add(row["run"])
        out.runs += 1
        out.samples += int(trace.values.size)
        found["parameter"] += [
            {**r, "taken": 0} for r in new if (r["parameter"], r["channel"] or "", r["source"]) not in taken
        ]
        found["finding"] += findings
    if task.parameters is not None:
        # what came in by hand stays; so do the plant's own figures of runs that have no trace here
        found["parameter"] += [r for r in _rows(store, task.parameters) if r["taken"] or r["run"] not in redone]
    with Parquet() as making:
        for table, rows in found.items():
            _write(store, task, table, columns[table], rows, making, out)
    out.seconds = time.perf_counter() - began
    return out


def _write(
    store: Store, task: Task, table: str, columns: dict[str, str], rows: list[dict[str, Any]], making: Parquet,
    out: PeriodResult,
) -> None:  # fmt: skip
    """Put one table's rows into the target, numbered in an order that does not depend on how they came."""
    if not rows:
        return
    key = f"{table}_id"
    rows.sort(key=lambda r: (r["run"], str(r.get("what") or r.get("source")), str(r.get("parameter") or "")))
    listed = [tuple(number if c == key else row.get(c) for c in columns) for number, row in enumerate(rows, 1)]
    content = content_of(columns, listed)
    data = making.bytes_of(columns, listed, task.plant)
    digest = hashlib.sha256(data).hexdigest()
    name = f"{task.base}/{task.period}/{table}-{digest[:24]}.parquet"
    if name in task.going:
        name = other_name(name, task.number)
    store.put(name, data)
    out.entries.append(Entry(table, task.period, name, digest, len(data), len(listed), content))


def _check(data: bytes, sha256: str, name: str) -> None:
    if hashlib.sha256(data).hexdigest() != sha256:
        raise DamageError("the trace file is not the one that was published", where=name)


def _rows(store: Store, file: Sequence[str]) -> list[dict[str, Any]]:
    """The rows of a published table (name, SHA-256), with moments as the stored text."""
    import duckdb

    name, sha256 = file
    data = store.read(name)
    if hashlib.sha256(data).hexdigest() != sha256:
        raise DamageError("a published file is not what was published", where=name, remedy="Publish again")
    connection = engine(threads=1)
    try:
        with Handed(connection).whole(data) as handed:
            result = connection.execute(f"SELECT * FROM read_parquet('{handed}')")
            names = [str(d[0]) for d in result.description or []]
            return [dict(zip(names, row, strict=True)) for row in result.fetchall()]
    except duckdb.Error as exc:
        raise DamageError(
            f"a published file cannot be read: {str(exc).splitlines()[0]}", where=name, remedy="Publish again"
        ) from exc
    finally:
        connection.close()
