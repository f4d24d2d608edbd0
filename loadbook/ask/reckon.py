"""Computing parameters and verdicts again from the traces: one transaction per run, on all cores."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from loadbook.calc.model import Trace
from loadbook.ground.errors import DamageError
from loadbook.keep import derived
from loadbook.keep.book import BookFolder
from loadbook.keep.runrecords import RunRecord, load_run
from loadbook.keep.tracefile import read_trace

from .judge import guard_settings
from .reckonwork import Computed, Workers, compute, cores

WORTH_WORKERS = 100


@dataclass(frozen=True)
class Reckoned:
    """What was written for one run; damage says why nothing was."""

    run: str
    parameters: int
    findings: int
    verdict: str
    damage: str | None = None


def reckon_run(book: BookFolder, conn: sqlite3.Connection, record: RunRecord, trace: Trace) -> Reckoned:
    """Compute one run's derived rows and put them in the place of the old ones.

    conn  inside `book.write()`: the caller's transaction holds the trace's own row and these together
    """
    factor, decides = guard_settings(book)
    parameters, findings = derived.derived_rows(record, trace, guard_factor=factor, guard_decides=decides)
    derived.store(conn, record.run, parameters, findings)
    verdict = next(r["verdict"] for r in findings if r["what"] == "run")
    return Reckoned(record.run, len(parameters), len(findings), verdict)


def reckon(book: BookFolder, runs: Sequence[str] | None = None, workers: int | None = None) -> Iterator[Reckoned]:
    """Reckon runs that have a trace, a transaction for each: memory does not grow with their number.

    runs     None = all of the book, oldest first. A run whose trace is damaged is reported and left as it is.
    workers  processes that compute; None = one for each core where there are runs enough to be worth their start
    """
    conn = book.read()
    if runs is None:
        rows = conn.execute("SELECT run FROM run WHERE run IN (SELECT run FROM trace WHERE state = 'current')"
                            " ORDER BY started, run")  # fmt: skip
        runs = [r["run"] for r in rows.fetchall()]
    count = workers or (cores() if len(runs) >= WORTH_WORKERS else 1)
    if count == 1:
        for run in runs:
            yield _stored(book, compute(book, run))
        return
    with Workers(book.path, count) as team:
        for run, found in team.results(runs):
            yield _stored(book, found or compute(book, run))


def _stored(book: BookFolder, found: Computed) -> Reckoned:
    """Store what was computed without holding the book; where another command changed the run meanwhile, once more."""
    record = found.record
    if record.trace is None:
        return Reckoned(record.run, 0, 0, "no trace")
    if found.damage is not None:
        return Reckoned(record.run, 0, 0, "damaged", found.damage)
    try:
        with book.write() as writing:
            now = load_run(writing, record.run)
            if now != record or guard_settings(book) != found.settings:
                return reckon_run(book, writing, now, _trace_of(book, now))
            derived.store(writing, record.run, found.parameters, found.findings)
    except DamageError as exc:
        return Reckoned(record.run, 0, 0, "damaged", str(exc))
    verdict = next(r["verdict"] for r in found.findings if r["what"] == "run")
    return Reckoned(record.run, len(found.parameters), len(found.findings), verdict)


def _trace_of(book: BookFolder, record: RunRecord) -> Trace:
    if record.trace is None:
        raise DamageError(f"the trace of {record.run} was withdrawn meanwhile", mend="Reckon it again once it has one")
    return read_trace(book, record.trace, record.channels, record.trace_events(record.trace["started"]))
