"""Computing parameters and verdicts again from the traces, on all cores; whole runs, a few of them a transaction."""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from loadbook.analysis.trace.model import Trace
from loadbook.core.errors import DamageError, LoadbookError
from loadbook.store import derived
from loadbook.store.book import BookFolder
from loadbook.store.run_records import RunRecord, load_run
from loadbook.store.trace_files import read_trace

from .recompute_workers import Computed, State, Team, compute, cores

WORTH_WORKERS = 100
GROUP = 8  # runs that are read and computed together at most
AT_ONCE, WITHIN_S = 32, 0.5  # so many runs are stored together at most, and none waits much longer than so long


@dataclass(frozen=True)
class Recomputed:
    """What was written for one run; damage says why nothing was."""

    run: str
    parameters: int
    findings: int
    verdict: str
    damage: str | None = None


def recompute_run(book: BookFolder, conn: sqlite3.Connection, record: RunRecord, trace: Trace) -> Recomputed:
    """Compute one run's derived rows and put them in the place of the old ones.

    conn  inside `book.write()`: the caller's transaction holds the trace's own row and these together
    """
    factor, decides = book.guard()
    parameters, findings = derived.derived_rows(record, trace, guard_factor=factor, guard_decides=decides)
    derived.store(conn, record.run, parameters, findings)
    return _recomputed(record.run, parameters, findings)


def recompute(book: BookFolder, runs: Sequence[str] | None = None, workers: int | None = None) -> Iterator[Recomputed]:
    """Recompute runs that have a trace: memory does not grow with their number, and a run is told once it is stored.

    runs     None = all of the book, oldest first. A run whose trace is damaged is reported and left as it is.
    workers  processes that compute, this one among them; None = one for each core where there are runs enough to be
             worth their start
    """
    conn = book.read()
    if runs is None:
        rows = conn.execute("SELECT run FROM run WHERE run IN (SELECT run FROM trace WHERE state = 'current')"
                            " ORDER BY started, run")  # fmt: skip
        runs = [r["run"] for r in rows.fetchall()]
    count = workers or (cores() if len(runs) >= WORTH_WORKERS else 1)
    store = _Store(book)
    waiting: list[tuple[State, Computed]] = []
    since = 0.0
    try:
        for one in _computed(book, runs, count, store):
            since = since if waiting else time.monotonic()
            waiting.append(one)
            if len(waiting) >= AT_ONCE or time.monotonic() - since > WITHIN_S:
                done, waiting = waiting, []
                yield from store.together(done)
    except LoadbookError:  # of a run that could not be computed: those before it count
        yield from store.together(waiting)
        raise
    yield from store.together(waiting)


def _computed(
    book: BookFolder, runs: Sequence[str], count: int, store: _Store
) -> Iterator[tuple[State, Computed]]:  # fmt: skip
    """Every run as it was computed, in order, without holding the book."""
    with Team(book, count, store.state, compute) as team:
        for group, before, found in team.results(_groups(runs, count)):
            if found is not None:
                for one in found:
                    yield before, one
                continue
            for run in group:  # those before the one that cannot be computed count
                before = store.state()
                yield before, compute(book, (run,))[0]


def _groups(runs: Sequence[str], processes: int) -> Iterator[tuple[str, ...]]:
    """The runs in groups, small ones at the end, so that no process has much left to do when the others are done."""
    at = 0
    while at < len(runs):
        size = max(1, min(GROUP, (len(runs) - at) // (2 * processes)))
        yield tuple(runs[at : at + size])
        at += size


class _Store:
    """Storing what was computed; where another command changed the run meanwhile, it is computed once more."""

    def __init__(self, book: BookFolder) -> None:
        self._book = book
        self._own = 0  # rows that were changed here

    def state(self) -> State:
        """As `BookFolder.state`, but for what was stored here: derived rows, which no run is computed from."""
        others, here = self._book.state()
        return others, here - self._own

    def together(self, found: Sequence[tuple[State, Computed]]) -> Iterator[Recomputed]:
        """Store some runs in one transaction, then tell them; what changed meanwhile in transactions of its own."""
        good = [(before, one) for before, one in found if one.record.trace is not None and one.damage is None]
        changed: set[int] = set()
        if good:
            with self._book.write() as conn:
                state, began = self.state(), conn.total_changes
                for before, one in good:
                    if before != state and self._differs(conn, one):
                        changed.add(id(one))
                    else:
                        derived.store(conn, one.record.run, one.parameters, one.findings)
                self._own += conn.total_changes - began
        for _, one in found:
            if one.record.trace is None:
                yield Recomputed(one.record.run, 0, 0, "no trace")
            elif one.damage is not None:
                yield Recomputed(one.record.run, 0, 0, "damaged", one.damage)
            elif id(one) in changed:
                yield self._once_more(one.record.run)
            else:
                yield _recomputed(one.record.run, one.parameters, one.findings)

    def _differs(self, conn: sqlite3.Connection, one: Computed) -> bool:
        return load_run(conn, one.record.run) != one.record or self._book.guard() != one.settings

    def _once_more(self, run: str) -> Recomputed:
        book = self._book
        try:
            with book.write() as conn:
                began, record = conn.total_changes, load_run(conn, run)
                found = recompute_run(book, conn, record, _trace_of(book, record))
                self._own += conn.total_changes - began
        except DamageError as exc:
            return Recomputed(run, 0, 0, "damaged", str(exc))
        return found


def _recomputed(run: str, parameters: Sequence[derived.Row], findings: Sequence[derived.Row]) -> Recomputed:
    return Recomputed(run, len(parameters), len(findings), next(r["verdict"] for r in findings if r["what"] == "run"))


def _trace_of(book: BookFolder, record: RunRecord) -> Trace:
    if record.trace is None:
        raise DamageError(
            f"the trace of {record.run} was withdrawn meanwhile", remedy="Recompute it again once it has one"
        )
    return read_trace(book, record.trace, record.channels, record.trace_events(record.trace["started"]))
