"""Checking a whole book: the database, its schema, the digest chain, the seals, every trace file, and rows and files
without each other. Or only what was taken in since a whole check: what stood before can have been damaged meanwhile, so
that the whole one falls due again."""

from __future__ import annotations

import contextlib
import hashlib
import sqlite3
import stat
from collections.abc import Callable, Collection
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path

from loadbook.core.collector import uncollected
from loadbook.core.errors import DamageError, LoadbookError
from loadbook.core.outside import opened
from loadbook.core.phrases import many
from loadbook.core.typed import quote
from loadbook.core.writing import is_part, open_to_all

from . import chain, derived_checksum, holder, kept_links, migrations, packs, snapshot
from .book import FILE, TRACES, BookFolder
from .sql_errors import TROUBLE
from .trace_files import Locator

DAMAGED = ".damaged"  # what a restore of lost traces adds to the name of a file that it puts aside
BRING_BACK = (
    "loadbook restore BACKUP BOOK --lost-traces brings it back; without a backup, withdraw the trace and take the"
    " recorder's file in again"
)
LOST_LINK = (
    "the link given is not in the chain: something before it was changed and the chain recomputed, or the chain's end"
    " was cut off"
)
_SHOWN = 20

Step = Callable[[sqlite3.Connection], list[str]]


@dataclass(frozen=True)
class Before:
    """What was not looked at: links and trace files, from before a link of this moment (UTC)."""

    links: int
    traces: int
    at: str


@dataclass
class Verified:
    """What a check found.

    snapshot    files of the snapshot that agree with the book
    links_file  where the book keeps its last link; empty where it does not
    before      where only what came after a link was looked at: what was not
    wrong     damage, with what is lost and what to do
    noted     what is not as it was and harms no answer (the file of a withdrawn trace)
    leftover  files that count for nothing, with who removes them
    """

    last_link: str = ""
    links: int = 0
    traces: int = 0
    snapshot: int = 0
    links_file: str = ""
    before: Before | None = None
    wrong: list[str] = field(default_factory=list)
    noted: list[str] = field(default_factory=list)
    leftover: list[str] = field(default_factory=list)


def file_sha256(path: Path) -> str:
    """SHA-256 of a file, read in pieces."""
    with opened(path) as handle:
        return hashlib.file_digest(handle, "sha256").hexdigest()


def verify(
    book: BookFolder, progress: Callable[[int, int], None] | None = None, since: str | None = None
) -> Verified:  # fmt: skip
    """Check everything; nothing is changed. progress(done, all) is called for trace files.

    since  a link of the chain: only what was taken in after it is looked at, the schema and how all links follow from
           each other; where the chain does not hold it, that is wrong, and everything is
    """
    found = Verified()
    try:
        conn = book.read()
        conn.execute("BEGIN")  # one snapshot for all of it
    except (DamageError, *TROUBLE) as exc:
        found.wrong.append(f"book.sqlite cannot be opened ({exc}): restore it from a backup")
        return found
    rows: list[sqlite3.Row] = []
    try:
        after = _place(conn, since, found) if since not in (None, chain.GENESIS) else 0
        rows = conn.execute(
            "SELECT trace_id, run, state, path, sha256, bytes FROM trace WHERE ? = 0 OR intake_id > ?"
            " ORDER BY trace_number", (after, chain.last_intake(conn, after)),
        ).fetchall()  # fmt: skip
        if after:
            found.wrong.extend(_contents(conn, after, {row["run"] for row in rows}))
        else:
            found.wrong.extend(records(conn, BookFolder(book.path)))
        found.last_link = chain.last_link(conn)
        found.links_file = book.setting(kept_links.FILE)
        found.links = conn.execute("SELECT count(*) FROM chain WHERE link > ?", (after,)).fetchone()[0]
        if not after:
            found.snapshot, wrong = snapshot.check(book)
            found.wrong.extend(wrong)
            found.noted += _by_an_older_program(conn)
    except DamageError as exc:  # a value that is not of its type
        found.wrong.append(str(exc))
    except TROUBLE as exc:
        found.wrong.append(f"book.sqlite cannot be read to its end ({exc}): restore it from a backup")
    finally:
        conn.execute("ROLLBACK")
    _traces(book, rows, found, progress)
    found.noted += _open_to_all(book)
    return found


def _place(conn: sqlite3.Connection, digest: str | None, found: Verified) -> int:
    """The number of a link, and into what was found what stands before it; 0 where the chain does not hold it."""
    row = conn.execute(
        "SELECT link, coalesce(intake.taken_at, amendment.at) FROM chain LEFT JOIN intake USING (intake_id)"
        " LEFT JOIN amendment USING (amendment_id) WHERE digest = ?", (digest,),
    ).fetchone()  # fmt: skip
    if row is None:
        found.wrong.append(LOST_LINK)
        return 0
    (traces,) = conn.execute(
        "SELECT count(*) FROM trace WHERE intake_id <= ?", (chain.last_intake(conn, row[0]),)
    ).fetchone()
    found.before = Before(row[0], traces, row[1])
    return int(row[0])


def _by_an_older_program(conn: sqlite3.Connection) -> list[str]:
    """Runs whose parameters or verdicts are of an earlier way of computing them."""
    from loadbook.analysis.parameters.compute import ALGORITHM as measured

    from .derived import ALGORITHM as judged

    (runs,) = conn.execute(
        "SELECT count(*) FROM (SELECT run FROM parameter WHERE source = 'trace' AND algorithm <> ?"
        " UNION SELECT run FROM finding WHERE algorithm <> ?)", (measured, judged),
    ).fetchone()  # fmt: skip
    said = f"{many(runs, 'run')} {'was' if runs == 1 else 'were'} measured or judged by an earlier version"
    return [f"{said} of the program: loadbook recompute brings them up to date"] if runs else []


def _open_to_all(book: BookFolder) -> list[str]:
    """What of a book any user of the machine may write, though no digest tells who did."""
    folders = [p for p in (book.path / TRACES).rglob("*") if p.is_dir()]
    found = []
    for path in (book.path, book.file, book.path / TRACES, *folders):
        with contextlib.suppress(OSError):
            if open_to_all(path):
                found.append(path)
    if not found:
        return []
    more = f" and {len(found) - 1} more" if len(found) > 1 else ""
    return [f"anyone on this computer may write {found[0]}{more}: chmod -R o-w {quote(str(book.path))} ends that"]


def records(conn: sqlite3.Connection, beside: BookFolder | None = None) -> list[str]:
    """What is wrong with a book's records, one sentence each: pages, references, schema, chain, seals.

    beside  the same book, not opened yet: there SQLite checks its pages and references on a second processor, while
            the chain and the seals are computed on this one
    """
    if beside is None:
        wrong = [*_database(conn), *_contents(conn)]
    else:
        with ThreadPoolExecutor(1) as other:
            database = other.submit(_database_of, beside)
            contents = _contents(conn)
            wrong = [*database.result(), *contents]
    return list(dict.fromkeys(wrong))  # one damage can stand in the way of several steps


def _database_of(book: BookFolder) -> list[str]:
    with book:
        try:
            return _database(book.read())
        except (LoadbookError, *TROUBLE) as exc:
            return [f"book.sqlite cannot be opened ({exc}): restore it from a backup"]


def _database(conn: sqlite3.Connection) -> list[str]:
    """What SQLite itself can tell of the file."""
    return [*_described(conn, _pages, lenient=True), *_in_turn(conn, [_references])]


@uncollected()
def _contents(conn: sqlite3.Connection, after: int = 0, runs: Collection[str] | None = None) -> list[str]:
    """What only the program can tell of what stands in the file; after, runs: as `chain` and `derived_checksum` say."""
    seals = partial(derived_checksum.check, runs=runs)
    return _in_turn(conn, [_schema, _steps, partial(chain.check, after=after), seals])


def _in_turn(conn: sqlite3.Connection, steps: list[Step]) -> list[str]:
    wrong: list[str] = []
    for step in steps:
        try:
            try:
                wrong.extend(_described(conn, step))
            except (sqlite3.OperationalError, UnicodeDecodeError):  # perhaps a text that is no UTF-8 any more
                wrong.extend(_described(conn, step, lenient=True))
        except (sqlite3.DatabaseError, ValueError, TypeError, KeyError, IndexError) as exc:
            # what the damage left cannot even be compared
            wrong.append(f"book.sqlite cannot be read ({exc}): restore it from a backup")
            break
    return wrong


def _described(conn: sqlite3.Connection, step: Step, lenient: bool = False) -> list[str]:
    """What a step finds.

    lenient  a text that is no UTF-8 is damage to be named, not the end of the check; it costs a fifth more
    """
    factory = conn.text_factory
    if lenient:
        conn.text_factory = lambda raw: raw.decode("utf-8", "surrogateescape")
    try:
        return step(conn)
    finally:
        conn.text_factory = factory


def _pages(conn: sqlite3.Connection) -> list[str]:
    """SQLite's own check: pages, keys, types, and whether every index holds what its table holds."""
    try:
        problems = [r[0] for r in conn.execute(f"PRAGMA integrity_check({_SHOWN})")]
    except TROUBLE as exc:
        problems = [str(exc)]
    if problems == ["ok"]:
        return []
    return [f"book.sqlite is damaged: {p}. Restore it from a backup" for p in problems]


def _references(conn: sqlite3.Connection) -> list[str]:
    rows = conn.execute("PRAGMA foreign_key_check").fetchall()[:_SHOWN]
    return [f"a row of {r[0]} (number {r[1]}) refers to a {r[2]} that is not there" for r in rows]


def _schema(conn: sqlite3.Connection) -> list[str]:
    """Tables, triggers and views that are not the program's: a guard that is gone, or something that was put in."""
    has, wanted = migrations.objects(conn), migrations.expected(migrations.version(conn))
    wrong = []
    for kind, name in wanted.keys() - has.keys():
        remedy = "restore it from a backup" if kind == "table" else "loadbook upgrade restores it"
        wrong.append(f"the {kind} {name} is gone from the book: {remedy}")
    for kind, name in has.keys() - wanted.keys():
        wrong.append(f"the {kind} {name} is not one of the program's: look at it, and drop it with an SQLite tool")
    for kind, name in has.keys() & wanted.keys():
        if has[kind, name] != wanted[kind, name]:
            remedy = "restore it from a backup" if kind == "table" else "loadbook upgrade restores it"
            wrong.append(f"the {kind} {name} is not the program's any more: {remedy}")
    return sorted(wrong)


def _steps(conn: sqlite3.Connection) -> list[str]:
    """Whether the steps of the schema that the book says it had are those that its number stands for."""
    had = [
        r[0] for r in conn.execute("SELECT name FROM _sqlite_migrations WHERE migration_set = 'loadbook' ORDER BY id")
    ]
    if had == [s.name for s in migrations.steps()][: migrations.version(conn)]:
        return []
    return ["the book's list of the steps that its schema had is not the program's: restore it from a backup"]


def _traces(
    book: BookFolder, rows: list[sqlite3.Row], found: Verified, progress: Callable[[int, int], None] | None
) -> None:
    known = set()
    locate = Locator(book)
    for number, row in enumerate(rows, start=1):
        try:
            place = locate.place(row["path"])
            known.add(place.file)
            trouble = _trouble(place, row)
        except DamageError as exc:
            found.wrong.append(f"the trace of run {row['run']}: {exc}")
            continue
        except (OSError, ValueError) as exc:
            trouble = f"cannot be read ({exc})"
        if trouble is None:
            found.traces += 1
        elif row["state"] == "withdrawn":
            found.noted.append(f"the withdrawn trace of run {row['run']} ({row['path']}) {trouble}; nothing uses it")
        else:
            found.wrong.append(f"the trace of run {row['run']} ({row['path']}) {trouble}: {BRING_BACK}")
        if progress is not None:
            progress(number, len(rows))
    if found.before is not None:
        return
    folders = {p.parent for p in known}
    for path in sorted(p for folder in folders for p in packs.in_folder(folder)):
        known |= _pack(book, path, found, used=path in known)
    _files_without_rows(book, known, found)


def _pack(book: BookFolder, path: Path, found: Verified, used: bool) -> set[Path]:
    """The pack, where it is damaged apart from its traces, which are read one by one. used: some trace stands in it"""
    name = path.relative_to(book.path).as_posix()
    try:
        packs.index_of(path)
        whole = not used or packs.check(path, {})[1]
    except (DamageError, OSError):
        found.wrong.append(f"the pack {name} cannot be read, nor the traces that stood in it: {BRING_BACK}")
        return {path}
    if not whole:
        found.wrong.append(
            f"the end of the pack {name} is not what its traces give: those that are whole are read one by one, which"
            " takes longer; loadbook backup and restore give each its own file again"
        )
    return set()


def _trouble(place: packs.Place, row: sqlite3.Row) -> str | None:
    path = place.file
    if place.at is not None:
        whole = hashlib.sha256(packs.read(place, row["bytes"])).hexdigest() == row["sha256"]
        return None if whole else f"in {path.name} is not what was written"
    try:
        there = path.lstat()
    except (FileNotFoundError, NotADirectoryError):
        return "has no file"
    if not stat.S_ISREG(there.st_mode):  # a link, a folder, a pipe
        return "has no file"
    if there.st_size != row["bytes"]:
        return f"has {there.st_size} bytes where {row['bytes']} were written"
    return None if file_sha256(path) == row["sha256"] else "is not what was written"


def _files_without_rows(book: BookFolder, known: set[Path], found: Verified) -> None:
    folder = book.path / TRACES
    files = [p for p in sorted(book.path.iterdir()) if is_part(p)] if book.path.is_dir() else []
    if folder.is_dir():
        files += sorted(p for p in folder.rglob("*") if p not in known and p.is_file())
    for path in files:
        name = path.relative_to(book.path).as_posix()
        if is_part(path):
            who = "the next trace take removes it"
            if path.parent == book.path:
                note = path.name.startswith(f".{FILE}{holder.SUFFIX}")
                who = "the next command that writes removes it" if note else "loadbook new removes it"
            found.leftover.append(f"{name} is what an interrupted command left: once that has ended, {who}")
        elif path.name.endswith(DAMAGED):
            found.leftover.append(f"{name} is a damaged file that was put aside: it may be deleted")
        elif path.suffix != ".parquet":
            found.leftover.append(f"{name} is not one of the book's files: it may be moved away")
        elif packs.NAME.fullmatch(path.name):
            found.leftover.append(
                f"{name} holds traces that all have files of their own (an interrupted loadbook pack leaves such a"
                " pack): the same command again goes on, or it may be deleted"
            )
        else:
            found.leftover.append(
                f"{name} belongs to no trace (an interrupted intake leaves such a file): taking the same recorder's"
                f" file in again puts it right, or it may be deleted"
            )


def is_whole(book: BookFolder, row: sqlite3.Row) -> bool:
    """Is the file of a trace's row there, with the bytes that were written? (row: path, sha256, bytes)"""
    try:
        return _trouble(Locator(book).place(row["path"]), row) is None
    except (DamageError, OSError, ValueError):
        return False


__all__ = ["DAMAGED", "FILE", "Verified", "file_sha256", "is_whole", "records", "verify"]
