"""Who is at the keyboard, and who holds the book: written down while a command writes, read by one that waits."""

from __future__ import annotations

import contextlib
import getpass
import json
import os
import sys
from pathlib import Path

from loadbook.core import times, writing
from loadbook.core.errors import LoadbookError
from loadbook.core.outside import read_file

SUFFIX = ".held"


def who() -> str:
    """Name of the person at the keyboard: LOADBOOK_WHO, else the system's user name."""
    named = os.environ.get("LOADBOOK_WHO", "").strip()
    if named:
        return named
    try:
        return getpass.getuser()
    except (KeyError, OSError):
        return "unknown"


def record(file: Path, who: str) -> None:
    """Write down beside the book's file who holds it from now on. Call with the book locked.

    A disk that refuses costs the other one a name, never the command.
    Raises UsageError where something that is not a file, such as a link, has the note's name.
    """
    held = {
        "who": who, "machine": writing.machine_name(), "process": os.getpid(), "command": _command(),
        "since": times.stored(times.now()),
    }  # fmt: skip
    with contextlib.suppress(OSError):
        writing.put(_note(file), json.dumps(held).encode(), over=True, lasting=False)


def release(file: Path) -> None:
    """Take the record away. Call before the lock is given back: afterwards it may be another's."""
    with contextlib.suppress(OSError):
        if writing.strange(_note(file)) is None:
            _note(file).unlink(missing_ok=True)


def words(file: Path) -> str:
    """Who holds the book's file, as far as it is written down or the system tells; else where to look."""
    written = _written(file)
    if written:
        return f"held by {written}"
    found = _open_here(file)
    if found:
        return "held by " + "; ".join(found[:3])
    if sys.platform.startswith("linux"):
        return "the holder is on another machine or has another user: look for an SQLite tool that has book.sqlite open"
    return "look for another loadbook, or a program that has book.sqlite open"


def _command() -> str:
    """The command's first two words: its arguments may hold what is nobody's business."""
    return "loadbook " + " ".join(w for w in sys.argv[1:3] if w.isalpha()) if len(sys.argv) > 1 else "loadbook"


def _note(file: Path) -> Path:
    return file.with_name(file.name + SUFFIX)


def _written(file: Path) -> str | None:
    try:
        held = json.loads(read_file(_note(file), 4000, links=False))
        who, machine, process = str(held["who"]), str(held["machine"]), int(held["process"])
        command, since = str(held["command"]), str(held["since"])
    except (LoadbookError, ValueError, KeyError, TypeError, RecursionError):
        return None
    if machine == writing.machine_name() and not writing.alive(process):
        return None  # left by a killed command: the system gave its lock back
    return f"{who} on {machine} ({command.strip()}, process {process}) since {since}"


def _open_here(file: Path) -> list[str]:
    """Processes of this machine that have the file open (Linux)."""
    if not sys.platform.startswith("linux"):
        return []
    found = []
    real = str(file.resolve())
    for process in Path("/proc").iterdir():
        if not process.name.isdigit() or int(process.name) == os.getpid():
            continue
        with contextlib.suppress(OSError):
            if any(str(link.readlink()) == real for link in (process / "fd").iterdir()):
                line = (process / "cmdline").read_bytes().split(b"\0")
                name = Path(line[0].decode(errors="replace")).name if line and line[0] else "?"
                found.append(f"{name}, process {process.name}")
    return found
