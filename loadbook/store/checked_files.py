"""Which files have been read whole and found to be what a row or a manifest says, so that a question need not read
them all again: an engine that reads a file in part sees no digest, and one changed byte gives other figures in silence.

What was found is kept in a list (a book's beside its snapshot, a group's in its folder), by the snapshot's rule and
for the same reasons (see snapshot.py): a file's number on the disk and the moment of its last change, which nobody can
choose. A file that was touched, exchanged or copied is read again; where nothing can be kept, every file is, each time.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
from pathlib import Path
from typing import TYPE_CHECKING, Self

from loadbook.core import writing
from loadbook.core.errors import LoadbookError
from loadbook.core.outside import LARGEST_MANIFEST, opened, read_file

from . import disk, snapshot

if TYPE_CHECKING:
    from .book import BookFolder

TRACES = "traces.json"  # of a book, in the snapshot's folder


class CheckedFiles:
    """What is known of the files below a folder. `why_not` looks at one; `keep` leaves what was found for the next."""

    def __init__(self, file: Path, below: Path) -> None:
        """file: the list; below: the folder that the names in it start from"""
        self._file, self._below = file, below
        self._known = _listed(file)
        self._found: dict[str, list[int | str]] = {}

    @classmethod
    def of_book(cls, book: BookFolder) -> Self:
        """What is known of a book's trace files."""
        return cls(book.path / snapshot.FOLDER / TRACES, book.path)

    def why_not(self, path: Path, relative: str, size: int, sha256: str) -> str | None:
        """Why a file is not what is said of it (None: it is). Raises DamageError where it is not a file, OSError
        where it cannot be read."""
        with opened(path) as file:
            there = os.fstat(file.fileno())
            if there.st_size != size:
                return f"the file has {there.st_size} bytes, not the {size} that were written"
            entry: list[int | str] = [there.st_ino, there.st_ctime_ns, sha256]
            if self._known.get(relative) != entry:
                if hashlib.file_digest(file, "sha256").hexdigest() != sha256:
                    return "the file is not as it was written: its SHA-256 is another"
                if os.fstat(file.fileno()).st_ctime_ns != there.st_ctime_ns:
                    return "the file is being changed"
        self._found[relative] = entry
        return None

    def keep(self) -> None:
        """Leave what was found for the next question, as far as the disk lets it."""
        kept = {**self._known, **self._found}
        if kept == self._known or not may_keep(self._below):
            return
        with contextlib.suppress(OSError, LoadbookError):  # it can do without
            writing.make_folder(self._file.parent, below=self._below)
            data = json.dumps({"form": snapshot.FORM, "files": kept}).encode()
            writing.put(self._file, data, over=True, lasting=False)


def may_keep(folder: Path) -> bool:
    """May anything be left in a folder for the next question?"""
    return os.access(folder, os.W_OK) and not disk.on_network(folder)


def _listed(file: Path) -> dict[str, list[int | str]]:
    """What the list says; nothing where it is no list of this program's."""
    with contextlib.suppress(LoadbookError, ValueError, TypeError, LookupError, AttributeError, RecursionError):
        found = json.loads(read_file(file, LARGEST_MANIFEST, links=False))
        if found["form"] == snapshot.FORM:
            return {str(path): [int(n), int(at), str(sha256)] for path, (n, at, sha256) in found["files"].items()}
    return {}
