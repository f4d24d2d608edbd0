"""The guard around SQL that a stranger wrote: `sql`, a user's own reports, `--where`.

What was measured with the engine (2.0): the type of a statement is not a guard, since `WITH a AS (COPY ... TO 'file')
SELECT 1` counts as a select and overwrote a file although access to files was off and only its folder allowed; and
a timer with an interrupt, together with the engine's own memory limit, let one query reach 7 GB and 21 s. So:

* exactly one statement, a select (or the several that a PIVOT becomes), executed only as `SELECT * FROM (`,
  newline, text, newline, `) q`, where nothing that changes anything can be bound;
* no access to files but the book's trace files, no temporary folder, no extensions, no Python variables, and the
  configuration locked;
* in a child process with a hard limit of memory, no right to write one byte into any file, and a deadline at which
  the parent kills it. Where the system has no such limits (Windows), the engine's own limit and the deadline remain.

The child's answer is kept aside until it is whole, so that nothing is shown of a query that failed half-way.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
import threading
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import date, datetime, time
from decimal import Decimal
from typing import IO, TYPE_CHECKING, Any

from loadbook.core.environment import limit_set
from loadbook.core.errors import BusyError, DamageError, LoadbookError, NotFoundError, UsageError

from .sandbox_child import OUT_OF_MEMORY
from .sandbox_condition import check_condition
from .session_samples import LeftOut

if TYPE_CHECKING:
    import pandas as pd

    from .book import BookFolder

__all__ = ["Answer", "check_condition", "run_over", "run_query"]

MEMORY_MB = 2048
SECONDS = 60.0
MOST_ROWS = 1_000_000
ANSWER_MB = 256


@dataclass
class Answer:
    """What a query gave: columns, their engine types, the number of rows, the traces left out, and the rows."""

    columns: list[str]
    types: list[str]
    count: int
    left_out: list[LeftOut] = field(default_factory=list)
    _spool: IO[bytes] | None = None

    def __iter__(self) -> Iterator[tuple[Any, ...]]:
        return self.rows()

    def rows(self) -> Iterator[tuple[Any, ...]]:
        """The rows, with moments, dates and bytes as such; may be called again."""
        assert self._spool is not None
        back: list[Callable[[Any], Any] | None] = [_BACK.get(t.split("(")[0]) for t in self.types]
        plain = not any(back)
        self._spool.seek(0)
        for line in self._spool:
            for row in json.loads(line):
                if plain:
                    yield tuple(row)
                else:
                    yield tuple(v if f is None or v is None else _back(v, f) for v, f in zip(row, back, strict=True))

    def frame(self) -> pd.DataFrame:
        """The rows as a frame; numbers that are missing are NaN, moments are UTC without a zone."""
        import pandas as pd

        return pd.DataFrame.from_records(list(self.rows()), columns=self.columns)

    def _repr_html_(self) -> str:
        """The rows in a notebook: the first and the last of them where they are many."""
        frame = self.frame().astype(object)
        return str(frame.where(frame.notna(), "").to_html(index=False, max_rows=60, show_dimensions=True))


_BACK: dict[str, Callable[[str], Any]] = {
    "DECIMAL": lambda v: Decimal(v) if isinstance(v, str) else v,
    "DATE": date.fromisoformat,
    "TIME": time.fromisoformat,
    "BLOB": bytes.fromhex,
    "TIMESTAMP": datetime.fromisoformat,
    "TIMESTAMP_S": datetime.fromisoformat,
    "TIMESTAMP_MS": datetime.fromisoformat,
    "TIMESTAMP_NS": datetime.fromisoformat,
    "TIMESTAMP WITH TIME ZONE": datetime.fromisoformat,
}


def _back(value: Any, turn: Callable[[str], Any]) -> Any:
    """A value as its type; one that Python has no place for (infinity, a year before 1 or after 9999) stays text."""
    try:
        return turn(value)
    except ValueError:
        return value


def run_query(
    book: BookFolder,
    sql: str,
    parameters: Mapping[str, tuple[str, Any]] | None = None,
    *,
    memory_mb: int | None = None,
    seconds: float | None = None,
    most_rows: int = MOST_ROWS,
    without_damaged: bool = False,
) -> Answer:
    """Run a stranger's query over the book and give back its rows.

    without_damaged  samples of damaged trace files are left out and named in the answer; else they are an error
    parameters  name -> (type, value) for each `$name` in the text; types as in sql_files.TYPES
    memory_mb, seconds  limits; else LOADBOOK_SQL_MEMORY_MB and LOADBOOK_SQL_SECONDS, else 2048 MB and 60 s
    Raises      UsageError for anything that is not one select; LoadbookError where the query fails, or reaches
                a limit; whatever the book itself raises
    """
    of = {"book": str(book.path.absolute()), "without_damaged": without_damaged}
    return run_over("loadbook.store.session:for_query", of, sql, parameters, memory_mb, seconds, most_rows)


def run_over(
    session: str,
    of: Mapping[str, Any],
    sql: str,
    parameters: Mapping[str, tuple[str, Any]] | None = None,
    memory_mb: int | None = None,
    seconds: float | None = None,
    most_rows: int = MOST_ROWS,
) -> Answer:
    """The same over what `session` opens: "module:function" of the program, called in the child with (of, sql)."""
    memory_mb = int(memory_mb or limit_set("LOADBOOK_SQL_MEMORY_MB", MEMORY_MB))
    seconds = float(seconds or limit_set("LOADBOOK_SQL_SECONDS", SECONDS))
    request = {
        "session": session,
        "of": of,
        "sql": sql,
        "parameters": [{"name": n, "type": t, "value": _sent(v)} for n, (t, v) in (parameters or {}).items()],
        "memory_mb": memory_mb,
        "seconds": seconds,
        "most_rows": most_rows,
    }
    # -P: a file named duckdb.py in the current folder is not for us to import
    child = subprocess.Popen(
        [sys.executable, "-P", "-m", "loadbook.store.sandbox_child"],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL,
        env={**os.environ, "PYTHONIOENCODING": "utf-8"},
    )  # fmt: skip
    late = threading.Event()

    def stop() -> None:
        late.set()
        child.kill()

    timer = threading.Timer(seconds, stop)
    timer.start()
    spool: IO[bytes] = tempfile.SpooledTemporaryFile(max_size=64 * 1024 * 1024)  # noqa: SIM115 - lives on in Answer
    try:
        assert child.stdin is not None and child.stdout is not None
        try:
            child.stdin.write(json.dumps(request).encode())
            child.stdin.close()
        except BrokenPipeError:
            pass  # the child is gone already: what it ended with is told below
        head, last = _drain(child.stdout, spool, int(limit_set("LOADBOOK_SQL_ANSWER_MB", ANSWER_MB) * 1024**2))
        if "refused" in last:
            child.kill()  # what is still to come is read by nobody
        child.wait()
    finally:
        timer.cancel()
        if child.poll() is None:
            child.kill()
            child.wait()
        if child.stdout is not None:
            child.stdout.close()
    if late.is_set():
        raise LoadbookError(
            f"the query ran longer than {seconds:g} s and was ended",
            remedy="Ask for less, or allow more time with --seconds or LOADBOOK_SQL_SECONDS",
        )
    return _answer(head, last, spool, memory_mb)


def _drain(stream: IO[bytes], spool: IO[bytes], most: int) -> tuple[dict[str, Any], dict[str, Any]]:
    """Keep the batches of rows aside; give back the first and the last thing that the child said."""
    head: dict[str, Any] = {}
    last: dict[str, Any] = {}
    kept = 0
    for line in stream:
        if line.startswith(b"["):
            kept += len(line)
            if kept > most:
                return head, {
                    "refused": f"the answer is larger than {most // 1024**2} MB",
                    "mend": "Ask for less: a condition, a LIMIT, or sums instead of rows; or allow more with"
                    " LOADBOOK_SQL_ANSWER_MB",
                }
            spool.write(line)
        elif line.endswith(b"\n"):
            last = json.loads(line)
            head = head or last
    return head, last


def _answer(head: dict[str, Any], last: dict[str, Any], spool: IO[bytes], memory_mb: int) -> Answer:
    if "rows" in last:
        left_out = [LeftOut(*x) for x in head["left_out"]]
        return Answer(head["columns"], head["types"], last["rows"], left_out, spool)
    spool.close()
    if "refused" in last:
        raise UsageError(last["refused"], remedy=last["mend"])
    if "error" in last:
        kinds = {kind.__name__: kind for kind in (BusyError, DamageError, NotFoundError, UsageError)}
        kind = next((kinds[name] for name in last.get("kinds", ()) if name in kinds), LoadbookError)
        raise kind(last["error"], where=last.get("where"), remedy=last.get("mend"))
    if last.get("ended") == OUT_OF_MEMORY or "columns" in last or not last:
        # a process that hits the hard limit may end without a word
        raise LoadbookError(
            f"the query needed more than the {memory_mb} MB of memory it may have, and was ended",
            remedy="Ask for less at once, or allow more with --memory-mb or LOADBOOK_SQL_MEMORY_MB",
        )
    raise LoadbookError("the query ended without an answer")


def _sent(value: Any) -> Any:
    return value.isoformat() if isinstance(value, (date, datetime)) else value
