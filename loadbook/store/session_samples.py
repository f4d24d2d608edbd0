"""What `samples` stands on in a session: the files of the book's current traces, whose they are, and the view.

Traces are read from an explicit list of the files that the book's rows name, and each sample is joined to its trace by
the file it came from: never by a glob, and never by what the file says of itself. Most traces of a shop have the
same channels under the same numbers; so a file has a first place, and a channel's place is that plus its number: one
row for every channel of every such set, not of every trace, and one number to join by.

A pack (packs.py) is one file of many traces, each of another run: there a sample's trace is told by the pack and by the
run that stands beside it, which was compared with the rows when the traces were packed.
"""

from __future__ import annotations

import hashlib
import os
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from loadbook.core.errors import DamageError

from . import packs, session_copy
from .checked_files import CheckedFiles
from .engine import quoted

if TYPE_CHECKING:
    import duckdb

    from .book import BookFolder
    from .handed import Handed

TRACE_FILE = "trace_file"  # made by the session: the files that samples reads, and their runs
TRACE_PLACE = "trace_place"  # made by the session: the channels that stand in them
SAMPLES = "samples"  # the view over them, and over no table
LEFT_OUT = "trace_left_out"  # made by the session: the files that samples leaves out, and why
PACKED = "trace_packed"  # made by the session: the traces that stand in packs
MADE = (TRACE_FILE, TRACE_PLACE, LEFT_OUT, PACKED)
COLUMNS = {
    TRACE_FILE: {"file": "UBIGINT", "run": "VARCHAR", "started": "TIMESTAMP", "first_place": "INTEGER"},
    TRACE_PLACE: {"place": "INTEGER"} | dict.fromkeys(("channel", "role", "quantity", "unit"), "VARCHAR"),
    LEFT_OUT: dict.fromkeys(("run", "path", "why"), "VARCHAR"),
    PACKED: {"pack": "UBIGINT", "run": "VARCHAR", "file": "UBIGINT"},
}
# the session's variables that hold the lists of files: a view's text stays short
_FILES = "trace_files"
_PACKS = "trace_packs"
# what stands where there are no files to read
_NO_FILES = (
    "(SELECT NULL::VARCHAR AS run, NULL::VARCHAR AS quantity, NULL::SMALLINT AS channel, NULL::DOUBLE AS t_s,"
    " NULL::DOUBLE AS value, NULL::UTINYINT AS flag, 0::UBIGINT AS file_index WHERE false)"
)


@dataclass
class Filled:
    """What `samples` reads: names for the engine of the traces' own files and of the packs; and what is left out."""

    files: list[str] = field(default_factory=list)
    packs: list[str] = field(default_factory=list)
    left_out: list[LeftOut] = field(default_factory=list)


@dataclass(frozen=True)
class LeftOut:
    """A trace file that no query reads, and why."""

    run: str
    path: str
    why: str


def fill(book: BookFolder, connection: duckdb.DuckDBPyConnection, handed: Handed, *, keep: bool = True) -> Filled:
    """Make the session's own tables: the current traces, their channels and roles.

    keep  what was found of the files is left for the next session
    Call where the book is read at one moment.
    """
    found = _current(book, keep)
    filled = Filled(left_out=[LeftOut(t.run, t.path, t.why) for t in found if t.why is not None])
    own = [t for t in found if t.why is None and not t.pack]
    packed = [t for t in found if t.why is None and t.pack]
    of_file = handed.paths([t.file for t in own if t.data is None])
    names = iter(of_file)
    filled.files = [next(names) if t.data is None else handed.lasting(t.data) for t in own]
    paths = list(dict.fromkeys(t.file for t in packed))
    filled.packs = handed.paths(paths)
    first_places, places = _places(book, [t.trace_id for t in (*own, *packed)])
    number = {path: at for at, path in enumerate(paths)}
    made: dict[str, list[tuple[Any, ...]]] = {
        TRACE_FILE: [(at, t.run, t.started, first_places[t.trace_id]) for at, t in enumerate((*own, *packed))],
        TRACE_PLACE: places,
        LEFT_OUT: [(x.run, x.path, x.why) for x in filled.left_out],
        PACKED: [(number[t.file], t.run, at) for at, t in enumerate(packed, len(own))],
    }
    for table, columns in COLUMNS.items():
        session_copy.create(connection, table, columns)
        if made[table]:
            session_copy.insert(connection, table, columns, list(zip(*made[table], strict=True)))
    return filled


def check(book: BookFolder) -> None:
    """Look at every current trace file, and leave what was found for a session that cannot."""
    for _ in _current(book, keep=True):
        pass


@dataclass
class _Found:
    """A current trace, and its file as it was found.

    why   it is left out (None: it is not);  pack  does the file hold others too?
    data  its bytes, where it is whole in a pack that is not
    """

    trace_id: str
    run: str
    path: str
    started: str
    why: str | None = None
    file: str = ""
    pack: bool = False
    data: bytes | None = None


def _current(book: BookFolder, keep: bool) -> list[_Found]:
    """Every current trace, in order."""
    from . import trace_files  # here: what is asked without samples needs no records of traces

    locate, checked = trace_files.Locator(book), CheckedFiles.of_book(book)
    every: list[_Found] = []
    packed: dict[Path, dict[int, tuple[_Found, int, str]]] = {}
    for trace_id, run, path, size, sha256, started, current in map(tuple, book.read().execute(
        "SELECT trace_id, run, path, bytes, sha256, started, state = 'current' FROM trace ORDER BY started, trace_id"
    )):  # fmt: skip
        found = _Found(trace_id, run, path, started)
        if current:
            every.append(found)
        try:
            place = locate.place(path)
            if place.at is not None:
                # a withdrawn one too: an engine that reads the pack meets it
                packed.setdefault(place.file, {})[place.at] = found, size, sha256
            elif not current:
                continue
            elif (why := checked.why_not(place.file, path, size, sha256)) is not None:
                found.why = why
            else:
                found.file = os.path.abspath(place.file)  # noqa: PTH100 - as a text, since a book has thousands
        except DamageError as exc:
            found.why = exc.what
        except OSError as exc:
            found.why = "the file is missing" if isinstance(exc, FileNotFoundError) else f"{exc.strerror or exc}"
    for file, traces in packed.items():
        _of_pack(book, checked, file, traces)
    if keep:
        checked.keep()
    return every


def _of_pack(
    book: BookFolder, checked: CheckedFiles, file: Path, traces: Mapping[int, tuple[_Found, int, str]]
) -> None:
    """The traces that stand in a pack: in a whole one as they are, of another one those that are whole, each alone."""
    wanted = {at: (size, sha256) for at, (_, size, sha256) in traces.items()}
    try:
        bad, whole = checked.why_not_pack(file, file.relative_to(book.path).as_posix(), wanted)
        for at, (found, size, sha256) in traces.items():
            if at in bad:
                found.why = f"what the pack {file.name} holds of it is not what was written"
            elif whole:
                found.file, found.pack = str(file.absolute()), True
            else:
                found.data = packs.read(packs.Place(file, at), size)
                if hashlib.sha256(found.data).hexdigest() != sha256:
                    found.why = f"the pack {file.name} is being changed"
    except (OSError, ValueError) as exc:
        for found, *_ in traces.values():
            found.why = f"the pack {file.name} cannot be read: {exc}"


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


def text(connection: duckdb.DuckDBPyConnection, view: str, files: Sequence[str], packed: Sequence[str]) -> str:
    """The text of the view `samples` over the traces' own files and over packs, named as the engine takes them; or
    over no rows where there are none. The session holds the lists."""
    for variable, listed in ((_FILES, files), (_PACKS, packed)):
        connection.execute(f"SET VARIABLE {variable} = [{', '.join(map(quoted, listed))}]")
    own = f"read_parquet(getvariable('{_FILES}'), hive_partitioning = false)"
    if packed:
        columns = "channel, t_s, value, flag"
        in_packs = (
            f"SELECT {columns}, p.file AS file_index"
            f" FROM read_parquet(getvariable('{_PACKS}'), hive_partitioning = false) AS s"
            f" JOIN {PACKED} AS p ON p.pack = s.file_index AND p.run = s.run"
        )
        both = f"SELECT {columns}, file_index FROM {own} UNION ALL {in_packs}" if files else in_packs
        return view.replace("{trace_files}", f"({both})")
    return view.replace("{trace_files}", own if files else _NO_FILES)
