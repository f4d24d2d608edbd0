"""What `samples` stands on in a session: the files of the book's current traces, whose they are, and the view.

Traces are read from an explicit list of the files that the book's rows name, and each sample is joined to its trace by
the file it came from: never by a glob, and never by what the file says of itself. Most traces of a shop have the
same channels under the same numbers; so a file has a first place, and a channel's place is that plus its number: one
row for every channel of every such set, not of every trace, and one number to join by.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from loadbook.core.errors import DamageError

from . import session_copy, trace_files
from .checked_files import CheckedFiles

if TYPE_CHECKING:
    import duckdb

    from .book import BookFolder
    from .handed import Handed

TRACE_FILE = "trace_file"  # made by the session: the files that samples reads, and their runs
TRACE_PLACE = "trace_place"  # made by the session: the channels that stand in them
SAMPLES = "samples"  # the view over them, and over no table
LEFT_OUT = "trace_left_out"  # made by the session: the files that samples leaves out, and why
MADE = (TRACE_FILE, TRACE_PLACE, LEFT_OUT)
_COLUMNS = {
    TRACE_FILE: {"file": "UBIGINT", "run": "VARCHAR", "started": "TIMESTAMP", "first_place": "INTEGER"},
    TRACE_PLACE: {"place": "INTEGER"} | dict.fromkeys(("channel", "role", "quantity", "unit"), "VARCHAR"),
    LEFT_OUT: dict.fromkeys(("run", "path", "why"), "VARCHAR"),
}
_FILES = "trace_files"  # the session's variable that holds the list of files: a view's text stays short
# what stands where there are no files to read
NO_FILES = (
    "(SELECT NULL::VARCHAR AS run, NULL::VARCHAR AS quantity, NULL::SMALLINT AS channel, NULL::DOUBLE AS t_s,"
    " NULL::DOUBLE AS value, NULL::UTINYINT AS flag, 0::UBIGINT AS file_index WHERE false)"
)


@dataclass(frozen=True)
class LeftOut:
    """A trace file that no query reads, and why."""

    run: str
    path: str
    why: str


def fill(
    book: BookFolder, connection: duckdb.DuckDBPyConnection, handed: Handed, *, keep: bool = True
) -> tuple[list[str], list[LeftOut]]:
    """Make the session's own tables: the current traces, their channels and roles.

    keep     what was found of the files is left for the next session
    Returns (the files' names for the engine, in the order of their numbers; those left out). Call where the book is
    read at one moment.
    """
    files: list[str] = []
    left_out: list[LeftOut] = []
    rows: list[tuple[int, str, str, str]] = []
    for trace_id, run, path, started, why, file in _current(book, keep):
        if why is None:
            rows.append((len(files), run, started, trace_id))
            files.append(file)
        else:
            left_out.append(LeftOut(run, path, why))
    first_places, places = _places(book, [trace_id for *_, trace_id in rows])
    made = {
        TRACE_FILE: [(at, run, started, first_places[trace]) for at, run, started, trace in rows],
        TRACE_PLACE: places,
        LEFT_OUT: [(x.run, x.path, x.why) for x in left_out],
    }
    for table, columns in _COLUMNS.items():
        session_copy.create(connection, table, columns)
        if made[table]:
            session_copy.insert(connection, table, columns, list(zip(*made[table], strict=True)))
    names = handed.paths(files)
    listed = ", ".join(trace_files.quoted(n) for n in names)
    connection.execute(f"SET VARIABLE {_FILES} = [{listed}]")
    return names, left_out


def check(book: BookFolder) -> None:
    """Look at every current trace file, and leave what was found for a session that cannot."""
    for _ in _current(book, keep=True):
        pass


def _current(book: BookFolder, keep: bool) -> Iterator[tuple[str, str, str, str, str | None, str]]:
    """(trace, run, path, start, why it is left out or None, the file) of every current trace, in order."""
    locate, checked = trace_files.Locator(book), CheckedFiles.of_book(book)
    for trace_id, run, path, size, sha256, started in map(tuple, book.read().execute(
        "SELECT trace_id, run, path, bytes, sha256, started FROM trace WHERE state = 'current'"
        " ORDER BY started, trace_id"
    )):  # fmt: skip
        yield trace_id, run, path, started, *_unfit(locate, checked, path, size, sha256)
    if keep:
        checked.keep()


def _places(book: BookFolder, traces: Sequence[str]) -> tuple[dict[str, int], list[tuple[Any, ...]]]:
    """(first place of each trace, the channels with their places): traces with the same channels share them."""
    channels: dict[str, list[tuple[Any, ...]]] = {}
    for trace_id, *of_channel in map(tuple, book.read().execute(
        "SELECT t.trace_id, tc.number, tc.channel, c.role, tc.quantity, tc.unit FROM trace AS t"
        " JOIN trace_channel AS tc USING (trace_id) LEFT JOIN channel AS c ON c.run = t.run AND c.channel = tc.channel"
        " WHERE t.state = 'current' ORDER BY t.trace_id, tc.number"
    )):  # fmt: skip
        channels.setdefault(trace_id, []).append(tuple(of_channel))
    known: dict[tuple[tuple[Any, ...], ...], int] = {}
    first_places: dict[str, int] = {}
    places: list[tuple[Any, ...]] = []
    end = 0
    for trace_id in traces:
        found = tuple(channels.get(trace_id, ()))
        if found not in known:
            known[found] = end
            places += [(end + number, *rest) for number, *rest in found]
            end += 1 + max((number for number, *_ in found), default=0)
        first_places[trace_id] = known[found]
    return first_places, places


def _unfit(
    locate: trace_files.Locator, checked: CheckedFiles, relative: str, size: int, sha256: str
) -> tuple[str | None, str]:
    """Why a trace file is left out (None: it is not), and its full path."""
    try:
        path = locate(relative)
        if (why := checked.why_not(path, relative, size, sha256)) is not None:
            return why, ""
    except DamageError as exc:
        return exc.what, ""
    except OSError as exc:
        return ("the file is missing" if isinstance(exc, FileNotFoundError) else f"{exc.strerror or exc}"), ""
    return None, os.path.abspath(path)  # noqa: PTH100 - as a text, since a book has thousands


def refuse(left_out: Sequence[LeftOut], sql: str) -> None:
    """Raises DamageError where a text reads samples of which some had to be left out, and does not itself name what
    was."""
    words = set(re.findall(r"[a-z_]+", sql.lower()))
    if left_out and words & _READ and LEFT_OUT not in words:
        first, more = left_out[0], len(left_out) - 1
        raise DamageError(
            f"the trace of run {first.run} cannot be read: {first.why}" + (f"; nor {more} more" if more else ""),
            where=first.path,
            remedy="See: loadbook verify. Restore it from a backup, or ask without such traces: --without-damaged",
        )


_READ = {SAMPLES, "query", "query_table"}  # the last two build a name


def text(view: str, files: Sequence[str]) -> str:
    """The text of the view over the session's files, or over no rows where there are none."""
    read = f"read_parquet(getvariable('{_FILES}'), hive_partitioning = false)" if files else NO_FILES
    return view.replace("{trace_files}", read)
