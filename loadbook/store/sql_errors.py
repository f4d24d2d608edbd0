"""What SQLite says, in the words of a user: which trouble it is, and what to do now."""

from __future__ import annotations

import sqlite3
from pathlib import Path

from loadbook.core.errors import BusyError, DamageError, LoadbookError

from . import holder

SCARCE = 1 << 16  # bytes: a disk with less left is called full


# what sqlite3 raises: where damage is in a name, it even fails to decode its own message
TROUBLE = (sqlite3.Error, UnicodeDecodeError)


def translate_error(exc: sqlite3.Error | UnicodeDecodeError, file: Path) -> LoadbookError:
    """An error of SQLite about a book's file as one of ours.

    BusyError (exit 4): somebody holds it; DamageError (exit 3): the file is not what was written;
    LoadbookError (exit 1): the disk is full, gone, refuses to be written or does not answer.
    """
    name = getattr(exc, "sqlite_errorname", None) or ""
    where = str(file)
    if name.startswith(("SQLITE_BUSY", "SQLITE_LOCKED", "SQLITE_PROTOCOL")):
        return BusyError(
            "another program holds the book, and went on holding it",
            where=where,
            remedy=f"Wait for the other loadbook command or SQLite tool to finish, then repeat ({holder.words(file)})",
        )
    if name.startswith(("SQLITE_CORRUPT", "SQLITE_NOTADB", "SQLITE_FORMAT")) or isinstance(exc, UnicodeDecodeError):
        return DamageError(
            f"the book's file is damaged ({exc})",
            where=where,
            remedy="Run: loadbook verify. Restore it from a backup: loadbook restore FILE NEW-FOLDER",
        )
    if name != "SQLITE_FULL" and (not file.exists() or name == "SQLITE_READONLY_DBMOVED"):
        return gone(file)
    if name == "SQLITE_FULL" or (name.startswith(("SQLITE_IOERR", "SQLITE_READONLY")) and _scarce(file)):
        return LoadbookError("the disk is full; nothing was changed", where=where, remedy="Free some space and repeat")
    if name.startswith(("SQLITE_READONLY", "SQLITE_CANTOPEN", "SQLITE_PERM", "SQLITE_AUTH")):
        return LoadbookError(
            f"the book cannot be written ({exc})", where=where, remedy="Check the permissions of its folder and files"
        )
    if name.startswith("SQLITE_IOERR"):
        return LoadbookError(
            f"the disk did not do what was asked ({exc}); nothing was changed",
            where=where,
            remedy="See that the disk is there, has room and no limit on the size of a file, then run: loadbook verify",
        )
    if name.startswith("SQLITE_NOMEM"):
        return LoadbookError("not enough memory for this", where=where, remedy="Close other programs and repeat")
    return LoadbookError(f"the book's file could not be used: {exc}", where=where, remedy="Run: loadbook verify")


def gone(file: Path) -> LoadbookError:
    """The book's file vanished, or another one stands in its place."""
    return LoadbookError(
        "the book was moved, deleted or replaced while the command ran; nothing was changed",
        where=str(file),
        remedy="Bring the folder back (is the disk or the network folder connected?) and repeat",
    )


def _scarce(file: Path) -> bool:
    import shutil

    try:
        return shutil.disk_usage(file.parent).free < SCARCE
    except OSError:
        return False
