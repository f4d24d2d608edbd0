"""Commands run in forked children of a process that has loaded everything, so that hundreds of kills are affordable.

A child can be killed by SIGKILL from outside at a moment, or end itself by SIGKILL at a *point*: before and after each
statement of SQLite and each call that gives a file its name, flushes it or removes it.
"""

from __future__ import annotations

import importlib
import json
import os
import pkgutil
import signal
import sqlite3
import sys
import time
import traceback
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

CLOCK = datetime(2026, 3, 2, 9, 0, 0, tzinfo=UTC)  # stands still in children, so that books can be compared to the bit
_CALLS = ("fsync", "link", "replace", "rename", "unlink", "mkdir", "rmdir")


def warm() -> None:
    """Load every module of the program and the libraries its commands load, but start nothing (DuckDB has threads)."""
    import duckdb  # noqa: F401
    import scipy.special  # noqa: F401

    import loadbook

    for found in pkgutil.walk_packages(loadbook.__path__, "loadbook."):
        if found.name.split(".")[1] in ("core", "analysis", "store", "readers") or found.name in (
            "loadbook.cli.records", "loadbook.cli.traces", "loadbook.cli.upkeep", "loadbook.cli.judge",
            "loadbook.cli.main", "loadbook.cli.questions", "loadbook.queries.recompute", "loadbook.queries.run_choice",
        ):  # fmt: skip
            importlib.import_module(found.name)
    from loadbook.store import migrations

    for step in migrations.steps():
        migrations.expected(step.number)


@dataclass
class Ended:
    """How a child ended: its exit code (negative: the signal), what it printed, and how long it ran [s]."""

    code: int
    out: str
    err: str
    seconds: float


class Points:
    """Counts the points that a child passes; ends the child at one of them, or writes down their names."""

    def __init__(self, stop: int | None = None) -> None:
        self.stop = stop
        self.names: list[str] = []

    def at(self, name: str) -> None:
        self.names.append(name)
        if self.stop is not None and len(self.names) > self.stop:
            os.kill(os.getpid(), signal.SIGKILL)

    def around(self, name: str, call: Callable[..., Any]) -> Callable[..., Any]:
        def wrapped(*args: Any, **kwargs: Any) -> Any:
            self.at(f"before {name}")
            done = call(*args, **kwargs)
            self.at(f"after {name}")
            return done

        return wrapped

    def install(self) -> None:
        """Put points around what writes. In a child only: nothing is ever put back."""
        from loadbook.store import trace_files

        for name in _CALLS:
            setattr(os, name, self.around(name, getattr(os, name)))
        trace_files._parquet = self.around("parquet", trace_files._parquet)
        around = self.around

        class Connection(sqlite3.Connection):
            def execute(self, sql: str, *rest: Any) -> sqlite3.Cursor:
                word = sql.split(None, 1)[0].upper() if sql.strip() else ""
                if word in ("SELECT", "PRAGMA"):
                    return super().execute(sql, *rest)
                return around(word, super().execute)(sql, *rest)  # type: ignore[no-any-return]

            def executemany(self, sql: str, *rest: Any) -> sqlite3.Cursor:
                return around("many", super().executemany)(sql, *rest)  # type: ignore[no-any-return]

            def backup(self, *args: Any, **kwargs: Any) -> None:
                around("snapshot", super().backup)(*args, **kwargs)

        plain = sqlite3.connect

        def connect(*args: Any, **kwargs: Any) -> sqlite3.Connection:
            return plain(*args, **{"factory": Connection, **kwargs})

        sqlite3.connect = connect  # type: ignore[assignment]


def still_clock() -> None:
    """Let the program's clock stand still (in a child)."""
    from loadbook.core import times

    times.now = lambda: CLOCK  # type: ignore[assignment]


def run_command(words: Sequence[str]) -> int:
    """One command in this process, as the command line runs it; its exit code."""
    from loadbook.cli.main import cli

    try:
        cli.main(args=list(words), prog_name="loadbook", standalone_mode=True)
    except SystemExit as end:
        return int(end.code or 0) if isinstance(end.code, int | None) else 1
    return 0


class Child:
    """A forked child that runs a function; it counts as started when everything is set and the function begins."""

    def __init__(self, work: Callable[[], int], folder: Path, log: Path) -> None:
        self._out, self._err = log.with_suffix(".out"), log.with_suffix(".err")
        ready, tell = os.pipe()
        sys.stdout.flush()
        sys.stderr.flush()
        self.pid = os.fork()
        if self.pid == 0:
            code = 70
            try:
                os.close(ready)
                for number, path in ((1, self._out), (2, self._err)):
                    file = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
                    os.dup2(file, number)
                sys.stdout = os.fdopen(1, "w", encoding="utf-8", closefd=False)
                sys.stderr = os.fdopen(2, "w", encoding="utf-8", closefd=False)
                os.chdir(folder)
                os.write(tell, b".")
                code = work()
                sys.stdout.flush()
                sys.stderr.flush()
            except BaseException:
                traceback.print_exc()
                sys.stderr.flush()
            finally:
                os._exit(code)
        os.close(tell)
        os.read(ready, 1)
        os.close(ready)
        self._began = time.perf_counter()

    def kill(self) -> None:
        os.kill(self.pid, signal.SIGKILL)

    def wait(self) -> Ended:
        _, status = os.waitpid(self.pid, 0)
        seconds = time.perf_counter() - self._began
        texts = [p.read_text(encoding="utf-8", errors="replace") for p in (self._out, self._err)]
        return Ended(os.waitstatus_to_exitcode(status), texts[0], texts[1], seconds)


def in_child(work: Callable[[], Any], folder: Path, log: Path) -> Any:
    """A function's result (JSON), computed in a child. Raises RuntimeError with what the child printed."""
    kept = log.with_suffix(".json")

    def worked() -> int:
        kept.write_text(json.dumps(work()), encoding="utf-8")
        return 0

    kept.unlink(missing_ok=True)
    ended = Child(worked, folder, log).wait()
    if ended.code != 0 or not kept.exists():
        raise RuntimeError(f"the child ended with {ended.code}: {ended.out} {ended.err}")
    return json.loads(kept.read_text(encoding="utf-8"))
