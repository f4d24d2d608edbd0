"""The one way onto the disk: whole or not at all, through no link, over nothing but a file.

Every file is written under a name of its own beside its place, `.NAME.MACHINE-PROCESS-CHANCE.part`, which must be new,
flushed, and only then given its name. A killed command leaves such a part; it counts for nothing, and the next
command that writes there removes those whose process is gone (`sweep`). A part of a living process, or of another
machine, is left alone.

A book or a folder may come from a stranger, who can have put something else where a file of ours belongs: through a
link the file behind it would be written, and a pipe never comes back. So nothing but a regular file is ever replaced,
no name is opened for writing that was there before, and no folder inside a book or a target may be a link. No other
module opens a file for writing: `tests/test_writing.py` reads the sources.
"""

from __future__ import annotations

import contextlib
import errno
import hashlib
import io
import os
import re
import stat
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Self

from .errors import LoadbookError, UsageError

if TYPE_CHECKING:
    import tempfile

_PART = re.compile(
    r"\.(?P<name>.+)\.(?P<machine>[0-9a-f]{8})-(?P<process>\d+)-[0-9a-f]{8}\.part(-journal|-wal|-shm)?", re.DOTALL
)
_SQLITES = ("-journal", "-wal", "-shm")  # what SQLite writes beside a part that it has open
_NO_LINKS = getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_BINARY", 0)
# an ending that is typed for another one -> the one of ours that is meant
_ALIKE = {
    ".jpg": ".png", ".jpeg": ".png", ".gif": ".png", ".webp": ".png", ".bmp": ".png", ".htm": ".html", ".xls": ".xlsx",
    ".xlsm": ".xlsx", ".csv": ".xlsx", ".ods": ".xlsx",
}  # fmt: skip
_KINDS = {
    stat.S_IFLNK: "a link", stat.S_IFDIR: "a folder", stat.S_IFIFO: "a pipe", stat.S_IFSOCK: "a socket",
    stat.S_IFCHR: "a device", stat.S_IFBLK: "a device",
}  # fmt: skip


# -- what stands at a name -----------------------------------------------------------------------


def strange(path: Path) -> str | None:
    """What stands at a name where a file should: 'a link', 'a folder', 'a pipe', 'a device', 'a socket'.

    None for a regular file, and for nothing. Raises OSError where it cannot be looked at.
    """
    try:
        found = path.lstat()
    except (FileNotFoundError, NotADirectoryError):
        return None
    if getattr(os.path, "isjunction", lambda _: False)(path):  # pragma: no cover - a link to a folder, on Windows
        return "a link"
    return None if stat.S_ISREG(found.st_mode) else _KINDS.get(stat.S_IFMT(found.st_mode), "something")


def check(final: Path, *, over: bool = False, taken: str = "Choose another name") -> None:
    """See that a file may get a name. Raises UsageError where another kind of thing has it, or a file has.

    over   a file of that name may be replaced
    taken  what to do where a file has it
    """
    what = strange(final)
    if what == "a folder":
        raise UsageError("this is a folder", where=str(final), remedy="Name the file to write, like FOLDER/NAME")
    if what is not None:
        raise UsageError(
            f"this is {what}, and no file is written through or over it", where=str(final),
            remedy=f"Choose another name, or move the {what.split()[-1]} away",
        )  # fmt: skip
    if not over and os.path.lexists(final):
        raise UsageError("there is a file of that name already", where=str(final), remedy=taken)


def check_target(final: Path, endings: Sequence[str], *, what: str, force: bool = False) -> None:
    """See before any work that a file for the user can be written: the same for pages, charts and workbooks.

    endings  that the file's name may have, with their point;  what  it is, such as "a chart"
    force    a file of that name may be replaced
    Raises   UsageError (another ending, no such folder, a name that is taken)
    """
    ending = final.suffix.lower()
    if ending not in endings:
        fits = _ALIKE.get(ending)
        fits = fits if fits in endings else next((e for e in endings if ending and e.startswith(ending)), endings[0])
        some = " or a ".join(x for x in (", a ".join(endings[:-1]), endings[-1]) if x)
        raise UsageError(
            f"{what} is a {some}, not {'a ' + final.suffix if ending else 'a file without an ending'}",
            where=str(final), remedy=f"Did you mean {final.stem or 'name'}{fits}?",
        )  # fmt: skip
    with disk_errors(what, final):
        if not final.parent.is_dir():
            raise UsageError("there is no such folder", where=str(final.parent), remedy="Make it first")
        check(final, over=force, taken="Choose another name, or add --force")


def check_folder(folder: Path) -> None:
    """See that a new folder may get a name: nothing has it, or a folder that nobody stands in. Raises UsageError."""
    if folder.name in ("", ".."):
        raise UsageError("this folder is in use", where=str(folder), remedy="Name the folder to make, a new one")
    what = strange(folder)
    if what not in (None, "a folder") or (what is None and os.path.lexists(folder)):
        raise UsageError(f"this is {what or 'a file'}", where=str(folder), remedy="Name the folder to make, a new one")


@contextlib.contextmanager
def disk_errors(what: str, where: Path) -> Iterator[None]:
    """Turns what the disk says while a file for the user is written into words: LoadbookError."""
    try:
        yield
    except OSError as exc:
        raise LoadbookError(
            f"{what} cannot be written ({exc.strerror or exc})", where=str(where),
            remedy="See that the folder is there, has room and may be written, or choose another one",
        ) from exc  # fmt: skip


# -- writing -------------------------------------------------------------------------------------


def create(path: Path) -> io.BufferedRandom:
    """A new file, open for writing and reading. Raises FileExistsError where anything has the name, be it a link
    that leads nowhere."""
    return os.fdopen(os.open(path, os.O_RDWR | os.O_CREAT | os.O_EXCL | _NO_LINKS, 0o666), "w+b")


def append(path: Path, data: bytes) -> None:
    """Add to the end of a regular file that is there, onto the disk. Raises UsageError where it is something else,
    OSError."""
    check(path, over=True)
    with os.fdopen(os.open(path, os.O_WRONLY | os.O_APPEND | _NO_LINKS), "ab") as file:
        file.write(data)
        file.flush()
        os.fsync(file.fileno())


class Part:
    """A file that is being written: beside its place, under a name that nobody can have foreseen.

    It is there, empty, from the start: `path` is for engines that open files themselves, `open` for everybody else.
    `place` gives it its name; leaving the block without that leaves nothing behind.
    """

    def __init__(self, final: Path, *, swept: bool = False) -> None:
        """swept: what killed commands left in the folder was looked for already. Raises OSError."""
        if not swept:
            sweep(final.parent, final.name)
        self.final = final
        self.placed = False
        for _ in range(100):
            self.path = final.with_name(f".{final.name}.{machine()}-{os.getpid()}-{os.urandom(4).hex()}.part")
            with contextlib.suppress(FileExistsError):
                self._make()
                share(self.path)
                return
        raise FileExistsError(errno.EEXIST, "no free name was found", str(final))

    def _make(self) -> None:
        create(self.path).close()

    def open(self) -> io.BufferedRandom:
        """The part, open for writing and reading at its beginning. Raises OSError."""
        return os.fdopen(os.open(self.path, os.O_RDWR | _NO_LINKS), "r+b")

    def flush(self) -> None:
        """Onto the disk, whatever program wrote it. Raises OSError."""
        with self.open() as file:
            os.fsync(file.fileno())

    def place(self, *, over: bool = False, lasting: bool = True) -> None:
        """Give the part its name; one that is taken only with `over`, and then only a file's.

        lasting  the name survives a power cut from now on
        Raises   UsageError where the name is taken, OSError
        """
        check(self.final, over=over)
        if over:
            self.path.replace(self.final)
        else:
            try:
                self._name()
            except FileExistsError:
                check(self.final)
                raise
        self.placed = True
        if lasting:
            sync_folder(self.final.parent)

    def _name(self) -> None:
        """Give it a name that is free, with no moment in which another program could slip in. Raises FileExistsError
        where it is taken."""
        if os.name == "nt":  # pragma: no cover - not run on the test machine
            self.path.rename(self.final)  # refuses a taken name there
            return
        try:
            os.link(self.path, self.final)  # refuses a taken name
        except FileExistsError:
            raise
        except OSError:  # a disk without hard links
            if os.path.lexists(self.final):
                raise FileExistsError(errno.EEXIST, "there is a file of that name already", str(self.final)) from None
            self.path.replace(self.final)
        else:
            self.path.unlink()

    def discard(self) -> None:
        """Remove the part, unless it has its name by now."""
        if not self.placed:
            for end in ("", *_SQLITES):
                with contextlib.suppress(OSError):
                    self.path.with_name(self.path.name + end).unlink(missing_ok=True)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.discard()


class FolderPart(Part):
    """A folder that is being filled, and gets its name in one step. What is in it is its maker's alone."""

    def _make(self) -> None:
        self.path.mkdir()

    def place(self, *, over: bool = False, lasting: bool = True) -> None:
        """Give the folder its name, also that of an empty folder. Raises UsageError, OSError (a folder with files)."""
        check_folder(self.final)
        if os.name == "nt" and self.final.exists():  # pragma: no cover - elsewhere a rename replaces an empty folder
            self.final.rmdir()
        self.path.rename(self.final)
        self.placed = True
        if lasting:
            sync_folder(self.final.parent)

    def discard(self) -> None:
        """Remove the folder with all that is in it, unless it has its name by now."""
        if not self.placed:
            import shutil

            shutil.rmtree(self.path, ignore_errors=True)


def put(
    final: Path, data: bytes, *, over: bool = False, lasting: bool = True, private: bool = False, swept: bool = False
) -> None:
    """Write a file whole or not at all.

    over     a file of that name is replaced
    swept    what killed commands left in the folder was looked for already: of many files, not for each
    private  nobody but its owner may read it
    lasting  it survives a power cut from now on; without that, only a kill
    Raises   UsageError where the name is taken, or another kind of thing has it; OSError
    """
    check(final, over=over)
    with Part(final, swept=swept) as part:
        if private:
            part.path.chmod(0o600)
        with part.open() as file:
            file.write(data)
            if lasting:
                file.flush()
                os.fsync(file.fileno())
        part.place(over=over, lasting=lasting)


def set_aside(path: Path, ending: str) -> None:
    """Give whatever stands at a name another one, with an ending more. Raises UsageError, OSError."""
    if os.path.lexists(path):
        aside = path.with_name(path.name + ending)
        check(aside, over=True)
        path.replace(aside)


def make_folder(folder: Path, below: Path | None = None) -> None:
    """Make a folder, with those above it, where it is not there yet.

    below   a folder of which nothing inside may be a link: a book's, a target's
    Raises  UsageError where something else, or a link, stands in the place of a folder below it; OSError
    """
    if below is None:
        folder.mkdir(parents=True, exist_ok=True)
        return
    for name in folder.relative_to(below).parts:
        below = below / name
        what = strange(below)
        if what is None:
            below.mkdir(exist_ok=True)  # refuses a file
            share(below)
        elif what != "a folder":
            raise UsageError(
                f"this is {what} in the place of a folder, and nothing is written through it", where=str(below),
                remedy="Move it away, and put the folder itself there",
            )  # fmt: skip


def share_folder(folder: Path) -> None:
    """Let the folder's group write in it, and have new files and folders in it belong to that group. Raises OSError."""
    folder.chmod(stat.S_IMODE(folder.stat().st_mode) | stat.S_ISGID | stat.S_IRWXG)


def share(path: Path) -> None:
    """Let the group write a new file or folder too where its folder is a group's (`share_folder`), whatever the
    user's own habit (umask). What the disk does not know is left as it is."""
    with contextlib.suppress(OSError):
        above = path.parent.stat().st_mode
        if os.name != "nt" and above & stat.S_ISGID and above & stat.S_IWGRP:
            found = path.lstat()
            if stat.S_ISDIR(found.st_mode):
                share_folder(path)
            elif stat.S_ISREG(found.st_mode):
                path.chmod(stat.S_IMODE(found.st_mode) | stat.S_IRGRP | stat.S_IWGRP)


def open_to_all(path: Path) -> bool:
    """May any user of this machine write it? Raises OSError."""
    return os.name != "nt" and bool(path.lstat().st_mode & stat.S_IWOTH) and strange(path) != "a link"


def sync_folder(folder: Path) -> None:
    """Make a rename in a folder durable. Where folders cannot be opened (Windows), or a network disk does not flush
    them, the rename alone must do."""
    if os.name == "nt":  # pragma: no cover - not run on the test machine
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        with contextlib.suppress(OSError):
            os.fsync(handle)
    finally:
        os.close(handle)


# -- folders for a moment ------------------------------------------------------------------------


def scratch() -> tempfile.TemporaryDirectory[str]:
    """A folder among the system's temporary files that this user alone may open, removed at the block's end."""
    import tempfile

    return tempfile.TemporaryDirectory(prefix="loadbook-")


def spill() -> str:
    """A name among the system's temporary files for what an engine's memory cannot hold: it makes the folder there
    when it comes to that, and removes it. Nobody can have foreseen the name. Empty where no temporary file can be."""
    import tempfile

    try:
        return str(Path(tempfile.gettempdir()) / f"loadbook-{os.urandom(8).hex()}")
    except FileNotFoundError:  # full disks
        return ""


# -- what a killed command left ------------------------------------------------------------------


def sweep(folder: Path, name: str = "") -> list[Path]:
    """Remove the parts in a folder that killed commands of this machine left; give back those removed.

    name  only parts of what was to have a name that begins so
    """
    gone = []
    with contextlib.suppress(OSError):
        with os.scandir(folder) as entries:
            names = [e.name for e in entries if e.name.startswith(f".{name}")]
        for path in (folder / n for n in names):
            found = _PART.fullmatch(path.name)
            if found is None or found["machine"] != machine() or alive(int(found["process"])):
                continue
            with contextlib.suppress(OSError):
                if path.is_dir() and not path.is_symlink():
                    import shutil

                    shutil.rmtree(path)
                else:
                    path.unlink()
                gone.append(path)
    return gone


def is_part(path: Path) -> bool:
    """Is this the name of a part, of whichever process?"""
    return _PART.fullmatch(path.name) is not None


def machine_name() -> str:
    """This machine's name on its network."""
    import platform

    return platform.node()


def machine() -> str:
    """A short name of this machine, fit for a file's name."""
    return hashlib.sha256(machine_name().encode()).hexdigest()[:8]


def alive(process: int) -> bool:
    """Is there a process of that number on this machine?"""
    if os.name == "nt":  # pragma: no cover - not run on the test machine
        import ctypes

        kernel = ctypes.windll.kernel32  # type: ignore[attr-defined,unused-ignore]
        handle = kernel.OpenProcess(0x1000, False, process)  # PROCESS_QUERY_LIMITED_INFORMATION
        if not handle:
            return bool(kernel.GetLastError() == 5)  # access denied: it lives, under another user
        code = ctypes.c_ulong()
        kernel.GetExitCodeProcess(handle, ctypes.byref(code))
        kernel.CloseHandle(handle)
        return code.value == 259  # STILL_ACTIVE
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    except (PermissionError, OverflowError):
        return True
    return True
