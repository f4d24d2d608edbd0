"""Bringing a book to this program's schema: a backup first, then step by step, then the guards."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from loadbook.core import times, writing

from . import migrations
from .backup import backup
from .book import BookFolder
from .sql_errors import translate_error as in_words


@dataclass
class Upgraded:
    """What was done: the steps applied, the guards made anew, and the schema that the book has now."""

    schema: int
    steps: list[migrations.Step] = field(default_factory=list)
    guards: list[str] = field(default_factory=list)


def upgrade(book: BookFolder, tell: Callable[[str], None]) -> Upgraded:
    """Apply the steps that a book has not had, after a backup; make guards anew that it lost.

    An interruption leaves the book at the last whole step, and calling again goes on from there (with a backup of
    that state). A damaged book is backed up as it is: the backup is there to undo the upgrade.
    tell  takes sentences about the backup
    """
    conn = book.read()
    try:
        done = Upgraded(migrations.version(conn))
        lost = _lost_guards(conn)
        if done.schema == migrations.NEWEST and not lost:
            return done
        saved = _free_name(book, done.schema)
        written = backup(book, saved, as_it_is=True)
        tell(f"Backup: {saved}")
        for line in written.wrong:
            tell(f"wrong: {line}")
        done.steps = migrations.apply(conn)
        done.schema = migrations.version(conn)
        with book.write(mending=True) as mended:
            done.guards = migrations.restore_guards(mended)
    except sqlite3.Error as exc:
        raise in_words(exc, book.file) from exc
    return done


def _lost_guards(conn: sqlite3.Connection) -> bool:
    has = migrations.objects(conn)
    wanted = migrations.expected(migrations.version(conn))
    return any(k[0] in ("trigger", "index") and has.get(k) != sql for k, sql in wanted.items())


def _free_name(book: BookFolder, schema: int) -> Path:
    """BOOK-schemaN-MOMENT.zip beside the book, with a number where the clock has shown that moment before."""
    stamp = times.stored(times.now()).replace(":", "").replace("-", "")
    folder = book.path.resolve()
    writing.sweep(folder.parent, f"{folder.name}-schema")  # what an interrupted upgrade's backup left
    name = f"{folder.name}-schema{schema}-{stamp}"
    path, number = folder.parent / f"{name}.zip", 1
    while os.path.lexists(path):
        number += 1
        path = folder.parent / f"{name}-{number}.zip"
    return path
