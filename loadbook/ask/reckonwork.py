"""Reckoning on several cores: processes that read and compute, for one that stores.

Each worker is a process of its own, started like any command (so it needs nothing of the caller's program), which
is told a run a line and answers with what it computed. Runs go round in turn and come back in their order; a worker
has several at a time, so that it goes on while others are stored, yet memory does not grow with the number of runs.
Nothing is written here: the caller stores a run after it has seen that it is still the one that was computed.
"""

from __future__ import annotations

import contextlib
import json
import os
import pickle
import subprocess
import sys
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from loadbook.ground.errors import DamageError
from loadbook.keep import derived
from loadbook.keep.book import BookFolder
from loadbook.keep.runrecords import RunRecord, load_run
from loadbook.keep.tracefile import read_trace

from .judge import guard_settings

AHEAD = 16
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
    settings = guard_settings(book)
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
    """How many workers are worth starting on this machine: the cores this process may use, four at most."""
    try:
        found = len(os.sched_getaffinity(0))
    except AttributeError:  # Windows, macOS
        found = os.cpu_count() or 1
    return min(found, MOST_WORKERS)


class Workers:
    """Processes that compute runs of one book. Use as a context: they end with it."""

    def __init__(self, book: Path, count: int, state: Callable[[], State]) -> None:
        """state  tells the book's state, which is noted before a worker is told of a run"""
        words = [sys.executable, "-P", "-m", "loadbook.ask.reckonchild", str(book.absolute())]
        alone = {**os.environ, **dict.fromkeys(("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"), "1")}  # a core each
        self._state = state
        self._children = [
            subprocess.Popen(words, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, env=alone)
            for _ in range(count)
        ]

    def results(self, runs: Sequence[str]) -> Iterator[tuple[str, State, Computed | None]]:
        """(run, the state of the book before it was read, what was computed) in the order of the runs; None where a
        worker could not, and the caller must."""
        count = len(self._children)
        before = deque(self._tell(i % count, run) for i, run in enumerate(runs[: AHEAD * count]))
        for i, run in enumerate(runs):
            found = self._hear(i % count)
            if i + AHEAD * count < len(runs):
                before.append(self._tell(i % count, runs[i + AHEAD * count]))
            yield run, before.popleft(), found

    def _tell(self, worker: int, run: str) -> State:
        before = self._state()
        pipe = self._children[worker].stdin
        assert pipe is not None
        with contextlib.suppress(OSError):  # a worker that is gone answers nothing, which _hear tells
            pipe.write(json.dumps(run).encode() + b"\n")
            pipe.flush()
        return before

    def _hear(self, worker: int) -> Computed | None:
        pipe = self._children[worker].stdout
        assert pipe is not None
        size = pipe.read(8)
        body = pipe.read(int.from_bytes(size, "big")) if len(size) == 8 else b""
        return pickle.loads(body) if body and len(body) == int.from_bytes(size, "big") else None

    def __enter__(self) -> Workers:
        return self

    def __exit__(self, *_: object) -> None:
        for child in self._children:
            child.kill()
            child.wait()
            for pipe in (child.stdin, child.stdout):
                if pipe is not None:
                    with contextlib.suppress(OSError):
                        pipe.close()
