"""The child process that runs one stranger's query and nothing else (see sandbox.py for what it is given).

It reads a request from stdin, copies the tables that the query names, closes the book, gives up every right that
it can, and only then looks at the query's text. Answers go to stdout as lines of JSON: first what the columns are,
then one line for each batch of rows, then how many there were; or one line that says what was wrong.
"""

from __future__ import annotations

import contextlib
import json
import os
import re
import sys
import threading
from collections.abc import Iterator
from datetime import date, datetime, time
from decimal import Decimal
from importlib import import_module
from typing import TYPE_CHECKING, Any

from .engine import quoted

if TYPE_CHECKING:
    import duckdb

    from .session import Session

BATCH = 2048
LARGEST_LINE = 64 * 1024 * 1024
_TAIL = re.compile(r";\s*(?:--[^\n]*\s*)*\Z")
OUT_OF_MEMORY = "memory"


class Refused(Exception):
    """A query that is not run, with what to do instead."""

    def __init__(self, what: str, remedy: str) -> None:
        super().__init__(what)
        self.what = what
        self.remedy = remedy


def main() -> int:
    out = os.fdopen(os.dup(1), "w", encoding="utf-8", newline="\n")
    os.dup2(2, 1)  # whatever a library prints must not look like an answer
    request = json.loads(sys.stdin.buffer.read())
    _end_after(float(request["seconds"]) + 5)
    try:
        for line in _answer(request):
            out.write(json.dumps(line, ensure_ascii=True) + "\n")
        out.flush()
    except Refused as exc:
        _say(out, {"refused": exc.what, "mend": exc.remedy})
    except MemoryError:
        _say(out, {"ended": OUT_OF_MEMORY})
    except BrokenPipeError:
        return 0
    except Exception as exc:
        _say(out, _in_words(exc))
    # no tidying up: with little memory left it may fail, and there is nothing that outlives this process
    os._exit(0)


def _say(out: Any, line: dict[str, Any]) -> None:
    with contextlib.suppress(OSError):
        out.write(json.dumps(line) + "\n")
        out.flush()


def _in_words(exc: Exception) -> dict[str, Any]:
    from loadbook.core.errors import LoadbookError

    if isinstance(exc, LoadbookError):
        return {
            "error": exc.what,
            "where": exc.where,
            "mend": exc.remedy,
            "kinds": [kind.__name__ for kind in type(exc).__mro__],
        }
    name = type(exc).__name__
    text = str(exc)
    if name == "OutOfMemoryException" or "bad_alloc" in text or "Out of Memory" in text or "failed to allocate" in text:
        return {"ended": OUT_OF_MEMORY}
    return {"error": text.split("\n\n")[0].strip() if name.endswith("Exception") or "Error" in name else repr(exc)}


def _answer(request: dict[str, Any]) -> Iterator[dict[str, Any] | list[list[Any]]]:
    sql = str(request["sql"])
    memory = int(request["memory_mb"])
    module, opener = str(request["session"]).split(":")
    made: Session = getattr(import_module(module), opener)(request["of"], sql)
    connection = made.connection
    give_up_rights(connection, made.readable(), memory, float(request["seconds"]))
    wrapped = wrap(connection, sql)
    parameters = {p["name"]: _parameter(p) for p in request.get("parameters", [])}
    result = connection.execute(wrapped, parameters or None)
    described = [(d[0], str(d[1])) for d in result.description or []]
    yield {
        "columns": [d[0] for d in described],
        "types": [d[1] for d in described],
        "left_out": [[x.run, x.path, x.why] for x in made.left_out],
    }
    count = 0
    most = int(request["most_rows"])
    while rows := result.fetchmany(BATCH):
        count += len(rows)
        if count > most:
            raise Refused(
                f"the answer has more than {most} rows", "Ask for less: a condition, a LIMIT, or sums instead of rows"
            )
        batch = [[_plain(v) for v in row] for row in rows]
        if sum(_size(v) for row in batch for v in row) > LARGEST_LINE:
            raise Refused("the answer holds texts that are too large to show", "Ask for a part of them with substr()")
        yield batch
    yield {"rows": count}


def wrap(connection: duckdb.DuckDBPyConnection, sql: str) -> str:
    """The one form in which a stranger's text is executed. Raises Refused for anything but one select.

    The statement's type is not a guard by itself: a COPY inside WITH counts as a select, and is refused only by being
    put inside another one, where nothing that changes data can be bound.
    """
    text = _TAIL.sub("", sql)
    for tried in (text, f"SELECT * FROM (\n{text}\n) q"):
        try:
            statements = connection.extract_statements(tried)
        except Exception as exc:
            raise Refused(str(exc).split("\n\n")[0].strip(), "Write one SELECT over the tables and views") from exc
        kinds = [s.type.name for s in statements]
        if not kinds:
            raise Refused("there is no query", "Write one SELECT over the tables and views")
        if len(kinds) > 1:
            raise Refused(f"there are {len(kinds)} statements", "Write one SELECT, and one only")
        # a PIVOT becomes several statements, all of which stand inside the wrapping select
        if kinds[0] not in ("SELECT", "MULTI"):
            raise Refused(f"{kinds[0]} is not allowed: queries only read", "Write one SELECT over the tables and views")
    return tried


def give_up_rights(connection: duckdb.DuckDBPyConnection, files: list[str], memory_mb: int, seconds: float) -> None:
    """Leave nothing to a query but the copied tables and the trace files, within the memory and time given."""
    listed = ", ".join(quoted(f) for f in files)
    for setting in (
        f"SET allowed_paths = [{listed}]",
        "SET temp_directory = ''",
        "SET max_temp_directory_size = '0B'",
        f"SET memory_limit = '{max(64, memory_mb * 6 // 10)}MB'",
        "SET autoinstall_known_extensions = false",
        "SET autoload_known_extensions = false",
        "SET allow_community_extensions = false",
        "SET allow_persistent_secrets = false",
        "SET enable_external_access = false",
        "SET lock_configuration = true",
    ):
        connection.execute(setting)
    _limit_process(memory_mb, seconds)


def _limit_process(memory_mb: int, seconds: float) -> None:
    """Hard limits of the system, where it has them: data memory, CPU time, and not one byte into any file.

    Windows has no such call in Python's library: there the engine's own memory limit (set above) and the deadline,
    at which the parent kills this process, have to do.
    """
    try:
        import resource
    except ImportError:  # pragma: no cover - Windows
        return
    limits = [
        ("RLIMIT_DATA", memory_mb * 1024 * 1024),
        ("RLIMIT_AS", (memory_mb + 6144) * 1024 * 1024),
        ("RLIMIT_CPU", int(seconds * (os.cpu_count() or 1)) + 10),
        ("RLIMIT_FSIZE", 0),
        ("RLIMIT_CORE", 0),
    ]
    for name, value in limits:
        which = getattr(resource, name, None)
        if which is not None:
            with contextlib.suppress(ValueError, OSError):  # a system may refuse one, or keep a lower one
                resource.setrlimit(which, (value, value))


def _end_after(seconds: float) -> None:
    """End this process after a time, should the parent be gone by then."""
    timer = threading.Timer(seconds, os._exit, args=(1,))
    timer.daemon = True
    timer.start()


def _parameter(given: dict[str, Any]) -> Any:
    value = given["value"]
    return date.fromisoformat(value) if value is not None and given["type"] == "date" else value


def _plain(value: Any) -> Any:
    """A value as JSON has it; the parent makes it whole again by the column's type."""
    if value is None or isinstance(value, (bool, int, float, str)):
        return value
    if isinstance(value, (datetime, date, time)):
        return value.isoformat()
    if isinstance(value, Decimal):
        number = float(value)
        return number if Decimal(repr(number)) == value else str(value)  # no digit is lost
    if isinstance(value, (bytes, bytearray)):
        return bytes(value).hex()
    if isinstance(value, (list, tuple)):
        return [_plain(v) for v in value]
    if isinstance(value, dict):
        return {str(k): _plain(v) for k, v in value.items()}
    return str(value)


def _size(value: Any) -> int:
    if isinstance(value, str):
        return len(value)
    if isinstance(value, (list, tuple)):
        return sum(_size(v) for v in value)
    if isinstance(value, dict):
        return sum(_size(v) for v in value.values())
    return 8


if __name__ == "__main__":
    sys.exit(main())
