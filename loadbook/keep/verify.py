"""Checking a whole book: the database, the digest chain, every trace file, rows and files without each other."""

from __future__ import annotations

import hashlib
import sqlite3
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from loadbook.ground.errors import DamageError

from . import chain
from .book import TRACES, BookFolder
from .tracefile import locate


@dataclass
class Verified:
    """What a check found. wrong: damage, with what to do; leftover: harmless files that may be deleted."""

    head: str = ""
    links: int = 0
    traces: int = 0
    wrong: list[str] = field(default_factory=list)
    leftover: list[str] = field(default_factory=list)


def file_sha256(path: Path) -> str:
    """SHA-256 of a file, read in pieces."""
    with path.open("rb") as handle:
        return hashlib.file_digest(handle, "sha256").hexdigest()


def verify(book: BookFolder, progress: Callable[[int, int], None] | None = None) -> Verified:
    """Check everything; nothing is changed. progress(done, all) is called for trace files."""
    found = Verified()
    try:
        conn = book.read()
        conn.execute("BEGIN")  # one snapshot for all of it
    except (DamageError, sqlite3.DatabaseError) as exc:
        found.wrong.append(f"book.sqlite cannot be opened ({exc}): restore it from a backup")
        return found
    try:
        if not _database(conn, found):
            return found
        found.wrong.extend(chain.check(conn))
        found.head = chain.head(conn)
        found.links = conn.execute("SELECT count(*) FROM chain").fetchone()[0]
        rows = conn.execute("SELECT trace_id, run, path, sha256, bytes FROM trace ORDER BY trace_number").fetchall()
    except sqlite3.DatabaseError as exc:
        found.wrong.append(f"book.sqlite cannot be read ({exc}): restore it from a backup")
        return found
    finally:
        conn.execute("ROLLBACK")
    _traces(book, rows, found, progress)
    return found


def _database(conn: sqlite3.Connection, found: Verified) -> bool:
    try:
        problems = [r[0] for r in conn.execute("PRAGMA integrity_check(20)")]
    except sqlite3.DatabaseError as exc:
        problems = [str(exc)]
    if problems != ["ok"]:
        found.wrong.extend(f"book.sqlite is damaged: {p}. Restore it from a backup" for p in problems)
        return False
    for row in conn.execute("PRAGMA foreign_key_check").fetchall()[:20]:
        found.wrong.append(f"a row of {row[0]} (number {row[1]}) refers to a {row[2]} that is not there")
    return True


def _traces(
    book: BookFolder, rows: list[sqlite3.Row], found: Verified, progress: Callable[[int, int], None] | None
) -> None:
    known = set()
    restore = "restore it from a backup, or withdraw the trace and take the recorder's file in again"
    for number, row in enumerate(rows, start=1):
        try:
            path = locate(book, row["path"])
        except DamageError as exc:
            found.wrong.append(f"the trace of run {row['run']}: {exc}")
            continue
        known.add(path)
        if path.is_symlink() or not path.is_file():
            found.wrong.append(f"the trace of run {row['run']} has no file ({row['path']}): {restore}")
        elif path.stat().st_size != row["bytes"]:
            found.wrong.append(
                f"the trace of run {row['run']} ({row['path']}) has {path.stat().st_size} bytes"
                f" where {row['bytes']} were written: {restore}"
            )
        elif file_sha256(path) != row["sha256"]:
            found.wrong.append(f"the trace of run {row['run']} ({row['path']}) is not what was written: {restore}")
        else:
            found.traces += 1
        if progress is not None:
            progress(number, len(rows))
    folder = book.path / TRACES
    if folder.is_dir():
        for path in sorted(folder.rglob("*")):
            if path.is_file() and path not in known:
                name = path.relative_to(book.path).as_posix()
                found.leftover.append(
                    f"{name} belongs to no trace (an interrupted intake leaves such a file): it may be deleted"
                )
