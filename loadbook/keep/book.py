"""One shop's book on disk: a folder with book.sqlite and traces/ beside it."""

from __future__ import annotations

import contextlib
import os
import sqlite3
import sys
from collections.abc import Iterator
from pathlib import Path
from zoneinfo import ZoneInfo

from loadbook.ground import times
from loadbook.ground.errors import BusyError, DamageError, LoadbookError, NotFoundError, UsageError

from . import disk, migrate

FILE = "book.sqlite"
TRACES = "traces"
BUSY_SECONDS = 10.0


def busy_seconds() -> float:
    """How long a command waits for another one that holds the book (LOADBOOK_WAIT overrides)."""
    try:
        return float(os.environ.get("LOADBOOK_WAIT", BUSY_SECONDS))
    except ValueError:
        return BUSY_SECONDS


def _say(exc: sqlite3.Error, path: Path) -> LoadbookError:
    """An SQLite error in the words of a user."""
    text = str(exc)
    if "locked" in text or "busy" in text:
        return BusyError(
            "another program holds the book, and went on holding it",
            where=str(path),
            mend=f"Wait for the other loadbook command or SQLite tool to finish, then repeat ({_holders(path)})",
        )
    if "malformed" in text or "not a database" in text or "disk I/O" in text:
        return DamageError(
            f"the book's file is damaged ({text})", where=str(path), mend="Restore it from a backup: loadbook restore"
        )
    if "readonly" in text or "unable to open" in text:
        return LoadbookError(
            f"the book cannot be written ({text})", where=str(path), mend="Check the folder's permissions"
        )
    if "full" in text:
        return LoadbookError(
            "the disk is full; nothing was changed", where=str(path), mend="Free some space and repeat"
        )
    return LoadbookError(text, where=str(path))


def _holders(path: Path) -> str:
    """Who has the file open, where the system tells (Linux); else a hint."""
    if not sys.platform.startswith("linux"):
        return "look for another loadbook, or a program that has book.sqlite open"
    found = []
    real = str(path.resolve())
    for process in Path("/proc").iterdir():
        if not process.name.isdigit() or int(process.name) == os.getpid():
            continue
        with contextlib.suppress(OSError):
            if any(str(link.readlink()) == real for link in (process / "fd").iterdir()):
                words = (process / "cmdline").read_bytes().split(b"\0")
                name = Path(words[0].decode(errors="replace")).name if words and words[0] else "?"
                found.append(f"{name}, process {process.name}")
    return "held by " + "; ".join(found[:3]) if found else "the holder is on another machine or has another user"


class BookFolder:
    """A book that is open: its folder, its settings, and connections to its records."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.file = path / FILE
        self._conn: sqlite3.Connection | None = None

    # -- making and finding ------------------------------------------------------------------

    @classmethod
    def create(cls, path: Path, *, units: str = "si", zone: str = "UTC") -> BookFolder:
        """Start a book in a folder that has none.

        units  what it shows: 'si' or 'us'; zone  AREA/CITY of the shop's clocks
        Raises UsageError where the folder has a book already, or the units or zone are unknown.
        """
        if units not in ("si", "us"):
            raise UsageError(f"units are si or us, not {units!r}")
        times.zone_of(zone)
        if (path / FILE).exists():
            raise UsageError("there is a book here already", where=str(path / FILE), mend="Choose another folder")
        try:
            path.mkdir(parents=True, exist_ok=True)
            (path / TRACES).mkdir(exist_ok=True)
        except OSError as exc:
            raise LoadbookError(f"the folder cannot be made ({exc.strerror})", where=str(path)) from exc
        fresh = path / f".{FILE}.{os.getpid()}"
        try:
            conn = sqlite3.connect(fresh, isolation_level=None)
            try:
                conn.execute(f"PRAGMA application_id = {migrate.APPLICATION_ID}")
                migrate.apply(conn)
                conn.execute("BEGIN")
                for name, value in (("units", units), ("zone", zone), ("made_at", times.stored(times.now()))):
                    conn.execute("INSERT INTO setting (name, value) VALUES (?, ?)", (name, value))
                conn.execute("COMMIT")
                if not disk.on_network(path):
                    conn.execute("PRAGMA journal_mode = WAL")
            finally:
                conn.close()
            fresh.replace(path / FILE)
        except sqlite3.Error as exc:
            raise _say(exc, path / FILE) from exc
        except OSError as exc:
            raise LoadbookError(f"the book cannot be made ({exc.strerror})", where=str(path)) from exc
        finally:
            for leftover in path.glob(f".{FILE}.{os.getpid()}*"):
                leftover.unlink(missing_ok=True)
        disk.sync_folder(path)
        return cls.open(path)

    @classmethod
    def open(cls, path: Path, *, any_version: bool = False) -> BookFolder:
        """Open the book in a folder; a typo never makes a new one.

        Raises NotFoundError, DamageError (no loadbook file), LoadbookError (older or newer schema).
        """
        book = cls(path)
        if not book.file.is_file():
            raise NotFoundError("there is no book here", where=str(path), mend="Start one with: loadbook init FOLDER")
        conn = book.read()
        try:
            application = conn.execute("PRAGMA application_id").fetchone()[0]
            has = migrate.version(conn)
        except sqlite3.Error as exc:
            raise _say(exc, book.file) from exc
        if application != migrate.APPLICATION_ID:
            raise DamageError("this SQLite file is no loadbook book", where=str(book.file))
        if has > migrate.newest():
            raise LoadbookError(
                f"the book has schema {has}, this program knows {migrate.newest()}: the book is newer than the program",
                where=str(book.file),
                mend="Install a newer loadbook",
            )
        if has < migrate.newest() and not any_version:
            raise LoadbookError(
                f"the book has schema {has}, this program works with {migrate.newest()}",
                where=str(book.file),
                mend="Run: loadbook upgrade (it makes a backup first)",
            )
        return book

    @classmethod
    def find(cls, named: str | None = None, *, any_version: bool = False) -> BookFolder:
        """The book named, else LOADBOOK_BOOK, else the nearest one above the current folder."""
        named = named or os.environ.get("LOADBOOK_BOOK")
        if named:
            path = Path(named)
            return cls.open(path.parent if path.name == FILE else path, any_version=any_version)
        here = Path.cwd()
        for folder in (here, *here.parents):
            if (folder / FILE).is_file():
                return cls.open(folder, any_version=any_version)
        raise NotFoundError(
            "no book here or in any folder above",
            where=str(here),
            mend="Name one with --book FOLDER or LOADBOOK_BOOK, or start one with: loadbook init FOLDER",
        )

    # -- settings ----------------------------------------------------------------------------

    def setting(self, name: str, default: str = "") -> str:
        row = self.read().execute("SELECT value FROM setting WHERE name = ?", (name,)).fetchone()
        return str(row[0]) if row else default

    @property
    def units(self) -> str:
        """What the book shows: 'si' or 'us'."""
        return self.setting("units", "si")

    @property
    def zone(self) -> ZoneInfo:
        """The zone of the shop's clocks."""
        return times.zone_of(self.setting("zone", "UTC"))

    # -- connections -------------------------------------------------------------------------

    def _connect(self) -> sqlite3.Connection:
        uri = self.file.resolve().as_uri()
        writable = os.access(self.path, os.W_OK) and os.access(self.file, os.W_OK)
        mode = "rw"
        if not writable:
            # WAL needs its shared-memory file, which a read-only folder cannot get
            mode = "ro" if (self.path / (FILE + "-wal")).exists() else "ro&immutable=1"
        try:
            conn = sqlite3.connect(f"{uri}?mode={mode}", uri=True, isolation_level=None, timeout=busy_seconds())
            conn.row_factory = sqlite3.Row
            conn.execute("PRAGMA foreign_keys = ON")
            conn.execute("PRAGMA recursive_triggers = ON")
            conn.execute("PRAGMA synchronous = FULL")
            conn.execute("PRAGMA trusted_schema = OFF")
        except sqlite3.Error as exc:
            raise _say(exc, self.file) from exc
        return conn

    def read(self) -> sqlite3.Connection:
        """The book's connection, opened on first use."""
        if self._conn is None:
            self._conn = self._connect()
        return self._conn

    @contextlib.contextmanager
    def write(self) -> Iterator[sqlite3.Connection]:
        """One transaction that holds the book: committed at the end, undone by any error.

        Raises BusyError where another program holds the book longer than `busy_seconds`.
        """
        conn = self.read()
        try:
            conn.execute("BEGIN IMMEDIATE")
        except sqlite3.Error as exc:
            raise _say(exc, self.file) from exc
        try:
            yield conn
            conn.execute("COMMIT")
        except sqlite3.OperationalError as exc:
            self._undo(conn)
            raise _say(exc, self.file) from exc
        except BaseException:
            self._undo(conn)
            raise

    @staticmethod
    def _undo(conn: sqlite3.Connection) -> None:
        if conn.in_transaction:
            conn.execute("ROLLBACK")

    def close(self) -> None:
        if self._conn is not None:
            self._conn.close()
            self._conn = None

    def __enter__(self) -> BookFolder:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()
