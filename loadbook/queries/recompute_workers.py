"""Recomputing on several cores: this process and others read and compute, this one alone stores.

Each worker is a process of its own, started like any command (so it needs nothing of the caller's program), which
is told a run a line and answers with what it computed. This process computes too whenever the run whose turn it is has
not come yet: while the workers start, and while they are busy. Runs come back in their order; a worker has a few at a
time, and nobody gets far ahead, so that memory does not grow with the number of runs. Nothing is written here: the
caller stores a run after it has seen that it is still the one that was computed.
"""

from __future__ import annotations

import contextlib
import json
import os
import pickle
import queue
import subprocess
import sys
import threading
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from loadbook.core.errors import DamageError, LoadbookError
from loadbook.store import derived
from loadbook.store.book import BookFolder
from loadbook.store.run_records import RunRecord, load_run
from loadbook.store.trace_files import read_trace

AHEAD = 4
MOST_WORKERS = 4
State = tuple[int, int]  # of the book: see BookFolder.state


@dataclass(frozen=True)
class Computed:
    """A run as it was read, the settings, and its rows of `parameter` and `finding`; or why there are none."""

    record: RunRecord
    settings: tuple[float, bool]
    parameters: list[dict[str, Any]]
    findings: list[dict[str, Any]]
    damage: str | None = None


def compute(book: BookFolder, run: str) -> Computed:
    """Read one run and its trace, and compute its derived rows; nothing where it has no trace.

    Raises NotFoundError for a run that the book does not have; a damaged trace is told in the result.
    """
    settings = book.guard()
    record = load_run(book.read(), run)
    if record.trace is None:
        return Computed(record, settings, [], [])
    try:
        trace = read_trace(book, record.trace, record.channels, record.trace_events(record.trace["started"]))
    except DamageError as exc:
        return Computed(record, settings, [], [], str(exc))
    factor, decides = settings
    return Computed(record, settings, *derived.derived_rows(record, trace, guard_factor=factor, guard_decides=decides))


def cores() -> int:
    """How many processes are worth having on this machine: the cores this one may use, four at most."""
    try:
        found = len(os.sched_getaffinity(0))
    except AttributeError:  # Windows, macOS
        found = os.cpu_count() or 1
    return min(found, MOST_WORKERS)


class _Worker:
    """A process that computes.

    ready  it has started (it says so by an empty answer) and is not gone
    asked  the places of the runs that it was told of and has not answered
    """

    def __init__(self, book: Path, answers: queue.SimpleQueue[tuple[_Worker, bytes | None]]) -> None:
        words = [sys.executable, "-P", "-m", "loadbook.queries.recompute_child", str(book.absolute())]
        alone = {**os.environ, **dict.fromkeys(("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"), "1")}  # a core each
        self.asked: deque[int] = deque()
        self.ready = False
        self.process = subprocess.Popen(
            words, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, env=alone
        )
        self._reader = threading.Thread(target=self._read, args=(answers,), daemon=True)
        self._reader.start()

    def tell(self, place: int, run: str) -> None:
        pipe = self.process.stdin
        assert pipe is not None
        self.asked.append(place)
        with contextlib.suppress(OSError):  # one that is gone answers nothing, which its reader tells
            pipe.write(json.dumps(run).encode() + b"\n")
            pipe.flush()

    def _read(self, answers: queue.SimpleQueue[tuple[_Worker, bytes | None]]) -> None:
        """Hand on every answer; None once there will be no more."""
        pipe = self.process.stdout
        assert pipe is not None
        while len(head := pipe.read(8)) == 8:
            size = int.from_bytes(head, "big")
            body = pipe.read(size)
            if len(body) < size:
                break
            answers.put((self, body))
        answers.put((self, None))

    def end(self) -> None:
        self.process.kill()
        self.process.wait()
        self._reader.join()
        for pipe in (self.process.stdin, self.process.stdout):
            if pipe is not None:
                with contextlib.suppress(OSError):
                    pipe.close()


class Team:
    """This process and `count - 1` workers, computing runs of one book. Use as a context: the workers end with it."""

    def __init__(self, book: BookFolder, count: int, state: Callable[[], State]) -> None:
        """state  tells the book's state, which is noted before a run is read"""
        self._book, self._state = book, state
        self._answers: queue.SimpleQueue[tuple[_Worker, bytes | None]] = queue.SimpleQueue()
        self._workers = [_Worker(book.path, self._answers) for _ in range(count - 1)]

    def results(self, runs: Sequence[str]) -> Iterator[tuple[str, State, Computed | None]]:
        """(run, the state of the book before it was read, what was computed) in the order of the runs; None where it
        could not be computed, and the caller meets the reason."""
        before: dict[int, State] = {}
        done: dict[int, Computed | None] = {}
        following, most = 0, AHEAD * (len(self._workers) + 1)
        for place, run in enumerate(runs):
            until = min(len(runs), place + most)
            while place not in done:
                for worker in self._workers:
                    while worker.ready and len(worker.asked) < AHEAD and following < until:
                        before[following] = self._state()
                        worker.tell(following, runs[following])
                        following += 1
                if self._answers.empty() and following < until:
                    before[following] = self._state()
                    done[following] = self._here(runs[following])
                    following += 1
                else:
                    self._hear(done)
            yield run, before.pop(place), done.pop(place)

    def _here(self, run: str) -> Computed | None:
        with contextlib.suppress(LoadbookError):
            return compute(self._book, run)
        return None

    def _hear(self, done: dict[int, Computed | None]) -> None:
        """Wait for one answer; of a worker that is gone, all that it was still asked is left to the caller."""
        worker, body = self._answers.get()
        if body is None:
            worker.ready = False
            done.update(dict.fromkeys(worker.asked))
            worker.asked.clear()
        elif not body:
            worker.ready = True
        else:
            done[worker.asked.popleft()] = pickle.loads(body)

    def __enter__(self) -> Team:
        return self

    def __exit__(self, *_: object) -> None:
        for worker in self._workers:
            worker.end()
