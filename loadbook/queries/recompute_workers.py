"""Computing on several cores: this process and others read and compute, this one alone stores.

This process computes too whenever the run whose turn it is has not come yet: while the workers start, and while they
are busy. Runs come back in their order, and nobody gets far ahead: memory does not grow with the number of runs.
Nothing is put into the book here: the caller does that, after it has seen that a run is still the one that was
computed.
"""

from __future__ import annotations

import contextlib
import os
import signal
import sys
import threading
import types
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import CancelledError, Future
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Generic, Self, TypeVar

from loadbook.analysis.trace.model import Cycle, Trace
from loadbook.core.collector import uncollected
from loadbook.core.errors import LoadbookError
from loadbook.store import derived
from loadbook.store.book import BookFolder
from loadbook.store.run_records import RunRecord, load_run
from loadbook.store.trace_files import read_traces, start_engine

if TYPE_CHECKING:
    from concurrent.futures import ProcessPoolExecutor

AHEAD = 4
MOST_WORKERS = 4
State = tuple[int, int]  # of the book: see BookFolder.state
Run = TypeVar("Run")
Found = TypeVar("Found")


@dataclass(frozen=True)
class Computed:
    """A run as it was read, the settings, and its rows of `parameter` and `finding`; or why there are none."""

    record: RunRecord
    settings: tuple[float, bool]
    parameters: list[dict[str, Any]]
    findings: list[dict[str, Any]]
    damage: str | None = None


def compute(book: BookFolder, runs: Sequence[str]) -> list[Computed]:
    """Read some runs and their traces, and compute their derived rows; none where a run has no trace.

    Raises NotFoundError for a run that the book does not have; a damaged trace is named in its run's result.
    """
    (factor, decides), cycles = book.guard(), dict[tuple[str, str], Cycle]()
    records = [load_run(book.read(), run, cycles) for run in runs]
    traces = read_traces(book, ((r.trace, r.channels, r.trace_events(r.trace["started"])) for r in records if r.trace))
    found = []
    for record in records:
        trace = next(traces) if record.trace is not None else None
        if isinstance(trace, Trace):
            with uncollected():
                rows = derived.derived_rows(record, trace, guard_factor=factor, guard_decides=decides)
            found.append(Computed(record, (factor, decides), *rows))
        else:
            found.append(Computed(record, (factor, decides), [], [], str(trace) if trace is not None else None))
    return found


def cores() -> int:
    """How many processes are worth having on this machine: the cores this one may use, four at most."""
    try:
        found = len(os.sched_getaffinity(0))
    except AttributeError:  # Windows, macOS
        found = os.cpu_count() or 1
    return min(found, MOST_WORKERS)


class Team(Generic[Run, Found]):
    """This process and `count - 1` workers, computing runs of one book. Use as a context: the workers end with it.

    Where the system gives no further process, or a worker is gone, what is left is computed here.
    """

    def __init__(
        self, book: BookFolder, count: int, state: Callable[[], State], work: Callable[[BookFolder, Run], Found]
    ) -> None:
        """state  gives the book's state, which is noted before a run is read
        work   what is done for each run: a function of a module, whose result is sent here
        """
        self._book, self._state, self._work = book, state, work
        self._room = AHEAD * (count - 1)  # so many runs are with the workers at most
        self._most = AHEAD * count  # and so many are ahead of the one whose turn it is
        self._pool: ProcessPoolExecutor | None = None
        with contextlib.suppress(OSError, ImportError, NotImplementedError):  # a system without shared semaphores
            if count > 1:
                import multiprocessing  # here: what recomputes one run pays for no pool
                from concurrent.futures import ProcessPoolExecutor

                self._pool = ProcessPoolExecutor(
                    count - 1, multiprocessing.get_context("spawn"), _begin, (str(book.path.absolute()),)
                )
        self.started = [self._submit(os.getpid) for _ in range(count - 1)]

    def results(self, runs: Iterable[Run]) -> Iterator[tuple[Run, State, Found | None]]:
        """(run, the state of the book before it was read, what was computed) in the order of the runs; None where it
        could not be computed, and the caller meets the reason."""
        following = iter(runs)
        ahead: deque[tuple[Run, State, Future[Found | None]]] = deque()
        while True:
            while len(ahead) < self._most and self._has_room(ahead) and (run := next(following, None)) is not None:
                ahead.append((run, self._state(), self._submit(_compute_there, self._work, run)))
            waits = len(ahead) < self._most and not (ahead and ahead[0][2].done())
            if waits and (run := next(following, None)) is not None:
                ahead.append((run, self._state(), self._here(run)))
                continue
            if not ahead:
                return
            run, before, future = ahead.popleft()
            yield run, before, None if future.exception() else future.result()

    def _has_room(self, ahead: Iterable[tuple[Run, State, Future[Found | None]]]) -> bool:
        """Whether a worker is there and the workers have few enough runs before them."""
        return any(w.done() for w in self.started) and sum(not future.done() for *_, future in ahead) < self._room

    def _here(self, run: Run) -> Future[Found | None]:
        done: Future[Found | None] = Future()
        found: Found | None = None
        with contextlib.suppress(LoadbookError):  # the caller meets it again, and reports it
            found = self._work(self._book, run)
        done.set_result(found)
        return done

    def _submit(self, function: Callable[..., Any], *given: Any) -> Future[Any]:
        """Hand a call to the workers; where there are none (any more), one that has failed already."""
        try:
            if self._pool is not None:
                with _plain_start():
                    return self._pool.submit(function, *given)
        except (OSError, RuntimeError):  # a broken pool is a RuntimeError
            self._room = 0
        failed: Future[Any] = Future()
        failed.set_exception(CancelledError())
        return failed

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        if self._pool is not None:
            self._pool.shutdown(cancel_futures=True)


@contextlib.contextmanager
def _plain_start() -> Iterator[None]:
    """What a worker that is started within this inherits, and this process keeps not.

    One core for each (the numerical library reads it as it is loaded), no modules out of the folder it starts in,
    nothing of the program that called us (a script without a guard would run again), and Ctrl-C left to this process,
    which meets one that came meanwhile right afterwards.
    """
    alone = {"OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1", "PYTHONSAFEPATH": "1"}
    before = {name: os.environ.get(name) for name in alone}
    program = sys.modules["__main__"]
    masked = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT}) if hasattr(signal, "pthread_sigmask") else None
    os.environ.update(alone)
    sys.modules["__main__"] = types.ModuleType("__main__")
    try:
        yield
    finally:
        sys.modules["__main__"] = program
        for name, value in before.items():
            if value is None:
                del os.environ[name]
            else:
                os.environ[name] = value
        if masked is not None:
            signal.pthread_sigmask(signal.SIG_SETMASK, masked)


# -- in a worker ---------------------------------------------------------------------------------

_book: BookFolder | None = None


def _begin(book: str) -> None:
    """A worker's start: it opens the book, and ends when the process that it works for is gone."""
    global _book
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Windows has no mask to inherit
    threading.Thread(target=_end_with_caller, daemon=True).start()
    _book = BookFolder.open(Path(book))
    start_engine()


def _end_with_caller() -> None:
    import multiprocessing

    caller = multiprocessing.parent_process()
    if caller is not None:
        caller.join()
        os._exit(1)


def _compute_there(work: Callable[[BookFolder, Run], Found], run: Run) -> Found | None:
    assert _book is not None
    with contextlib.suppress(LoadbookError):
        return work(_book, run)
    return None
