"""One shop's book on disk: a folder with book.sqlite and traces/ beside it."""

from __future__ import annotations

import contextlib
import errno
import os
import random
import sqlite3
import threading
import time
import warnings
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path, PurePath
from typing import Any, TypeVar, cast
from urllib.parse import quote
from zoneinfo import ZoneInfo

from loadbook.core import money, times, writing
from loadbook.core.environment import limit_set
from loadbook.core.errors import DamageError, LoadbookError, NotFoundError, UsageError
from loadbook.core.money import Price

from . import chain, derived_checksum, disk, holder, kept_links, migrations, revision, schema_check
from .holder import who
from .sql_errors import TROUBLE, gone, translate_error

FILE = "book.sqlite"
TRACES = "traces"
BUSY_SECONDS = 10.0
FLUSHED = "FULL"  # SQLite's word: a commit is on the disk before it counts
S = TypeVar("S")


def busy_seconds() -> float:
    """How long a command waits for another one that holds the book (LOADBOOK_WAIT overrides). Raises UsageError."""
    return limit_set("LOADBOOK_WAIT", BUSY_SECONDS, zero=True)


# settings that are numbers: where nothing is set, the highest (both from 0), and the unit
NUMBERS = {"guard_factor": (1.0, 100.0, ""), "temper_margin_c": (30.0, 200.0, " (°C)")}


def number_setting(name: str, text: str) -> float:
    """The number that a setting's text states. Raises UsageError.

    >>> number_setting("guard_factor", "1.65")
    1.65
    """
    _, most, unit = NUMBERS[name]
    try:
        number = float(text)
    except ValueError:
        number = -1.0
    if not 0 <= number <= most:
        raise UsageError(f"{name} is a number from 0 to {most:g}{unit}, not {text!r}")
    return number


class BookFolder:
    """A book that is open: its folder, its settings, and connections to its records, one for each thread that asks."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.file = path / FILE
        self.swept: set[Path] = set()  # folders in which what killed commands left was looked for
        self._conns: dict[threading.Thread, sqlite3.Connection] = {}
        self._once: dict[sqlite3.Connection, tuple[tuple[int, int], dict[Any, Any]]] = {}  # what `once` keeps
        self._files: dict[sqlite3.Connection, tuple[int, int] | None] = {}  # which file each of them writes
        self.say: Callable[[str], None] = warnings.warn  # what a person should hear although the book is in order

    # -- making and finding ------------------------------------------------------------------

    @classmethod
    def create(cls, path: Path, *, units: str = "si", zone: str = "UTC", group_writable: bool = False) -> BookFolder:
        """Start a book in a folder that has none.

        units  what it shows: 'si' or 'us'; zone  AREA/CITY of the shop's clocks
        group_writable  the folder's group may write all of it, whoever of them makes a file
        Raises UsageError where the folder has a book already, or the units or zone are unknown.
        """
        if units not in ("si", "us"):
            raise UsageError(f"units are si or us, not {units!r}")
        times.zone_of(zone)
        if (path / FILE).is_file() and not (path / FILE).is_symlink():
            raise UsageError("there is a book here already", where=str(path / FILE), remedy="Choose another folder")
        writing.check(path / f"{FILE}{holder.SUFFIX}", over=True)
        for end in ("", *schema_check.BESIDE):  # SQLite would take what another book left for the new one's
            writing.check(path / f"{FILE}{end}", taken="Choose another folder, or move it away")
        try:
            writing.make_folder(path)
            if group_writable:
                writing.share_folder(path)
            writing.make_folder(path / TRACES, below=path)
        except OSError as exc:
            raise LoadbookError(f"the folder cannot be made ({exc.strerror})", where=str(path)) from exc
        try:
            with writing.Part(path / FILE) as fresh:
                conn = sqlite3.connect(fresh.path.absolute(), isolation_level=None)  # 'file:x' would be a URI
                try:
                    conn.execute("PRAGMA synchronous = OFF")  # nobody has it yet: it is flushed once, as it is
                    migrations.empty().backup(conn)
                    conn.execute("BEGIN")
                    for name, value in (("units", units), ("zone", zone), ("made_at", times.stored(times.now()))):
                        conn.execute("INSERT INTO setting (name, value) VALUES (?, ?)", (name, value))
                    derived_checksum.of_settings(conn)
                    revision.renew(conn, revision.of_tables(conn))
                    conn.execute("COMMIT")
                finally:
                    conn.close()
                fresh.flush()
                fresh.place()
        except sqlite3.Error as exc:
            raise translate_error(exc, path / FILE) from exc
        except OSError as exc:
            raise LoadbookError(f"the book cannot be made ({exc.strerror})", where=str(path)) from exc
        return cls.open(path)

    @classmethod
    def open(cls, path: Path, *, any_version: bool = False) -> BookFolder:
        """Open the book in a folder; a typo never makes a new one.

        Raises NotFoundError, DamageError (no loadbook file), LoadbookError (older or newer schema).
        """
        book = cls(path)
        try:
            there = book.file.is_file()
        except OSError as exc:
            if exc.errno != errno.ENAMETOOLONG:
                raise
            there = False
        if not there:
            raise NotFoundError("there is no book here", where=str(path), remedy="Start one with: loadbook new FOLDER")
        schema_check.refuse_strange_files(book.file)
        conn = book.read()
        try:
            application = conn.execute("PRAGMA application_id").fetchone()[0]
            has = migrations.version(conn)
        except TROUBLE as exc:
            raise translate_error(exc, book.file) from exc
        if application != migrations.APPLICATION_ID:
            raise DamageError("this SQLite file is not a loadbook book", where=str(book.file))
        if has > migrations.NEWEST:
            raise LoadbookError(
                f"the book has schema {has}, this program knows {migrations.NEWEST}: "
                "the book is newer than the program",
                where=str(book.file),
                remedy="Install a newer loadbook",
            )
        if has < migrations.NEWEST and not any_version:
            raise LoadbookError(
                f"the book has schema {has}, this program works with {migrations.NEWEST}",
                where=str(book.file),
                remedy="Run: loadbook upgrade (it makes a backup first)",
            )
        try:
            schema_check.refuse_reading(conn, book.file)
        except TROUBLE as exc:
            raise translate_error(exc, book.file) from exc
        book._use_wal_where_it_works()
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
            remedy="Name one with --book FOLDER or LOADBOOK_BOOK, or start one with: loadbook new FOLDER",
        )

    # -- settings ----------------------------------------------------------------------------

    def setting(self, name: str, default: str = "") -> str:
        row = self.read().execute("SELECT value FROM setting WHERE name = ?", (name,)).fetchone()
        return str(row[0]) if row else default

    @property
    def units(self) -> str:
        """What the book shows: 'si' or 'us'."""
        units = self.setting("units", "si")
        if units not in ("si", "us"):
            raise DamageError(
                f"the book's units are {units!r}, not si or us", where=str(self.file), remedy="Run: loadbook verify"
            )
        return units

    def guard(self) -> tuple[float, bool]:
        """The guard factor, and whether a verdict that uncertainty could turn cannot be told. Raises DamageError."""
        return self._number("guard_factor"), self.setting("guard_decides", "no") == "yes"

    @property
    def temper_margin_c(self) -> float:
        """The shop's own margin [°C difference] of a hold below the last tempering. Raises DamageError."""
        return self._number("temper_margin_c")

    @property
    def furnace_hour(self) -> Price | None:
        """What an hour of a furnace costs, None where nothing is set. Raises DamageError."""
        return self._parsed(money.SETTING, self.setting(money.SETTING), money.price, "'85 EUR'")

    def _number(self, name: str) -> float:
        usual = f"{NUMBERS[name][0]:g}"
        return self._parsed(name, self.setting(name, usual), partial(number_setting, name), usual)

    def _parsed(self, name: str, text: str, read: Callable[[str], S], usual: str) -> S:
        try:
            return read(text)
        except UsageError as exc:
            raise DamageError(
                f"the setting {name} is {text!r}",
                where=str(self.file),
                remedy=f"Correct it: loadbook amend settings {name} value={usual} --why TEXT",
            ) from exc

    @property
    def zone(self) -> ZoneInfo:
        """The zone of the shop's clocks."""
        return times.zone_of(self.setting("zone", "UTC"))

    # -- connections -------------------------------------------------------------------------

    # The book's file is never opened but by SQLite, not even to read its header: on POSIX systems the closing of any
    # handle drops the locks that this process holds on the file, and acknowledged writes get lost.

    def _open(self, mode: str) -> sqlite3.Connection:
        uri = f"{uri_of(self.file.resolve())}?mode={mode}"
        # each thread has its own; another one only closes it
        conn = sqlite3.connect(uri, uri=True, isolation_level=None, timeout=busy_seconds(), check_same_thread=False)
        conn.row_factory = sqlite3.Row
        return conn

    def _connect(self) -> sqlite3.Connection:
        try:
            if not os.access(self.path, os.W_OK) or not os.access(self.file, os.W_OK):
                conn = self._connect_reading("ro")
            elif disk.on_network(self.path):
                conn = self._connect_without_wal()
            else:
                conn = self._connect_reading("rw")
            conn.execute("PRAGMA foreign_keys = ON")
            conn.execute("PRAGMA recursive_triggers = ON")
            conn.execute(f"PRAGMA synchronous = {FLUSHED}")
            schema_check.limit(conn)
        except TROUBLE as exc:
            raise translate_error(exc, self.file) from exc
        self._files[conn] = self._stands_there()
        return conn

    def _connect_without_wal(self) -> sqlite3.Connection:
        """A connection on a network folder. Two who both leave WAL stand in each other's way: each lets go and tries
        again, for as long as a command waits for a lock."""
        until = time.monotonic() + busy_seconds()
        while True:
            conn = self._open("rw")
            try:
                conn.execute("PRAGMA busy_timeout = 50")
                _leave_wal(conn)
                conn.execute(f"PRAGMA busy_timeout = {int(busy_seconds() * 1000)}")
                return conn
            except sqlite3.OperationalError:
                conn.close()
                if time.monotonic() > until:
                    raise
                time.sleep(random.uniform(0.02, 0.2))

    def _connect_reading(self, mode: str) -> sqlite3.Connection:
        """A connection that can at least read.

        WAL needs its shared-memory file, which a read-only folder and a full disk cannot give. There the file alone
        is read; not where a WAL or a journal is left, which belong to what the file says.
        """
        conn = self._open(mode)
        try:
            conn.execute("SELECT count(*) FROM sqlite_schema").fetchone()
        except sqlite3.OperationalError as exc:
            conn.close()
            helpless = exc.sqlite_errorname.startswith(
                ("SQLITE_CANTOPEN", "SQLITE_READONLY", "SQLITE_FULL", "SQLITE_IOERR")
            )
            left = [p for end in ("-wal", "-journal") if (p := self.file.with_name(FILE + end)).exists()]
            if not helpless or any(p.stat().st_size for p in left):
                raise
            conn = self._open("ro&immutable=1")
        return conn

    def _use_wal_where_it_works(self) -> None:
        """On a local disk: WAL, so that nobody who asks waits for one who writes. (Restored books come without.)"""
        conn = self.read()
        if not os.access(self.path, os.W_OK) or not os.access(self.file, os.W_OK) or disk.on_network(self.path):
            return
        with contextlib.suppress(sqlite3.OperationalError):  # somebody else is at it: the next one does it
            if conn.execute("PRAGMA journal_mode").fetchone()[0] != "wal":
                conn.execute("PRAGMA journal_mode = WAL")

    def _stands_there(self) -> tuple[int, int] | None:
        try:
            found = self.file.stat()
        except OSError:
            return None
        return found.st_dev, found.st_ino

    def read(self) -> sqlite3.Connection:
        """This thread's connection to the book, opened on first use."""
        thread = threading.current_thread()
        conn = self._conns.get(thread)
        if conn is None:
            for ended in [t for t in list(self._conns) if not t.is_alive()]:
                if (left := self._conns.pop(ended, None)) is not None:
                    self._close(left)
            conn = self._conns[thread] = self._connect()
        return conn

    def state(self) -> tuple[int, int]:
        """Two numbers of this opening that stay the same as long as nobody, here or in another program, changes a row:
        what others committed, and the rows that this connection changed."""
        conn = self.read()
        return int(conn.execute("PRAGMA data_version").fetchone()[0]), conn.total_changes

    def once(self, read: Callable[[sqlite3.Connection], S]) -> S:
        """What a function reads of the whole book, kept until a row changes: who asks for many runs reads it once."""
        conn = self.read()
        if conn.in_transaction:  # what it changed may be undone
            return read(conn)
        state = self.state()
        if conn not in self._once or self._once[conn][0] != state:
            self._once[conn] = state, {}
        kept = self._once[conn][1]
        if read not in kept:
            kept[read] = read(conn)
        return cast(S, kept[read])

    @contextlib.contextmanager
    def write(self, *, mending: bool = False) -> Iterator[sqlite3.Connection]:
        """One transaction that holds the book: committed at the end, undone by any error.

        mending  True where the transaction makes the schema whole again, which may be strange until then
        Raises DamageError where a stranger's trigger stands in the book, BusyError where another program holds the
        book longer than `busy_seconds`, LoadbookError where the disk refuses or the book's file is no longer the one
        that was opened.
        """
        conn = self.read()
        try:
            conn.execute("BEGIN IMMEDIATE")
        except TROUBLE as exc:
            raise translate_error(exc, self.file) from exc
        try:
            holder.record(self.file, who())
            if not mending:
                schema_check.refuse_writing(conn, self.file)
            # while guards were gone, rows may have changed uncounted: then every table counts as changed
            before = {} if mending else revision.of_tables(conn)
            followed = revision.follow(conn, before)
            link = None if mending else chain.last_link(conn)
            yield conn
            if mending:
                revision.forget_parts(conn)
            revision.raise_changed(conn, before, followed)
            if self._stands_there() != self._files[conn]:
                raise gone(self.file)  # SQLite would commit into a file that nobody finds again
            holder.release(self.file)
            conn.execute("COMMIT")
        except sqlite3.DatabaseError as exc:
            self._undo(conn)
            if isinstance(exc, (sqlite3.IntegrityError, sqlite3.ProgrammingError)):
                raise
            raise translate_error(exc, self.file) from exc
        except BaseException:
            self._undo(conn)
            raise
        if link is not None:
            self._keep_last_link(conn, link)

    def _keep_last_link(self, conn: sqlite3.Connection, before: str) -> None:
        """Keep the chain's last link outside the book, where it is another one and the book says so."""
        try:
            why = kept_links.follow(conn) if chain.last_link(conn) != before else None
        except sqlite3.Error as exc:
            why = f"the last link was not kept ({exc})"
        if why is not None:
            self.say(f"What was written is in the book, but {why}")

    def _undo(self, conn: sqlite3.Connection) -> None:
        if conn.in_transaction:
            holder.release(self.file)
            with contextlib.suppress(sqlite3.Error):  # a disk that is gone cannot undo: the next opening does
                conn.execute("ROLLBACK")

    def close(self) -> None:
        """Close the book's file, in whatever thread it was opened; no other thread may be asking any more."""
        while self._conns:
            self._close(self._conns.popitem()[1])

    def _close(self, conn: sqlite3.Connection) -> None:
        self._once.pop(conn, None)
        self._files.pop(conn, None)
        conn.close()

    def __enter__(self) -> BookFolder:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def uri_of(file: PurePath) -> str:
    """A file's URI as SQLite reads one: a Windows share is a path, not the URI's host.

    file  absolute

    >>> from pathlib import PurePosixPath, PureWindowsPath
    >>> uri_of(PurePosixPath("/shop/100% #2?/book.sqlite"))
    'file:///shop/100%25%20%232%3F/book.sqlite'
    >>> uri_of(PureWindowsPath("C:/a/b")), uri_of(PureWindowsPath("//server/share/b"))
    ('file:///C:/a/b', 'file:////server/share/b')
    """
    path = quote(os.fsencode(file.as_posix()), safe="/:")
    return f"file://{path if path.startswith('/') else f'/{path}'}"


def _leave_wal(conn: sqlite3.Connection) -> None:
    """Bring a book that came to a network folder as WAL back to a journal, without using shared memory even once:
    one user alone needs none. Raises sqlite3.OperationalError where another program has such a book open."""
    conn.execute("PRAGMA locking_mode = EXCLUSIVE")
    if conn.execute("PRAGMA journal_mode").fetchone()[0] == "wal":
        conn.execute("PRAGMA journal_mode = DELETE")
    conn.execute("PRAGMA locking_mode = NORMAL")
    conn.execute("SELECT count(*) FROM sqlite_schema").fetchone()  # gives the lock back
