"""Which files have been read whole and found to be what a row or a manifest says, so that a question need not read
them all again: an engine that reads a file in part sees no digest, and one changed byte gives other figures in silence.

What was found is kept in lists (of a book one beside its snapshot, of a group one for each of its folders), by the
snapshot's rule and for the same reasons (see snapshot.py): a file's number on the disk and the moment of its last
change, which nobody can choose. A file that was touched, exchanged or copied is read again; where nothing can be kept,
every file is, each time.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import stat
from collections import defaultdict
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Self

from loadbook.core import writing
from loadbook.core.errors import LoadbookError
from loadbook.core.outside import LARGEST_MANIFEST, opened, read_file

from . import disk, packs, snapshot

if TYPE_CHECKING:
    from .book import BookFolder

TRACES = "traces.json"  # of a book, in the snapshot's folder
Known = list[int | str]  # number on the disk, moment of the last change [ns], SHA-256
_FORGOTTEN = 100  # a list this much longer than what there is to look at is looked through for files that are gone


class CheckedFiles:
    """What is known of the files below a folder. `why_not` looks at one; `keep` leaves what was found for the next."""

    def __init__(self, list_of: Callable[[str], Path], below: Path) -> None:
        """list_of: the list that a file stands in, by its name;  below: the folder that names start from"""
        self._list_of, self._below = list_of, below
        self._known: dict[Path, dict[str, Known]] = {}
        self._found: dict[Path, dict[str, Known]] = defaultdict(dict)

    @classmethod
    def of_book(cls, book: BookFolder) -> Self:
        """What is known of a book's trace files."""
        file = book.path / snapshot.FOLDER / TRACES
        return cls(lambda _: file, book.path)

    def why_not(self, path: Path, relative: str, size: int, sha256: str) -> str | None:
        """Why a file is not what is said of it (None: it is). Raises DamageError where it is not a file, OSError
        where it cannot be read."""
        with opened(path) as file:
            there = os.fstat(file.fileno())
            if there.st_size != size:
                return f"the file has {there.st_size} bytes, not the {size} that were written"
            entry: Known = [there.st_ino, there.st_ctime_ns, sha256]
            if self._of(listed := self._list_of(relative)).get(relative) != entry:
                if hashlib.file_digest(file, "sha256").hexdigest() != sha256:
                    return "the file is not as it was written: its SHA-256 is another"
                if os.fstat(file.fileno()).st_ctime_ns != there.st_ctime_ns:
                    return "the file is being changed"
        self._found[listed][relative] = entry
        return None

    def is_as_written(self, path: Path, relative: str) -> bool:
        """Is this the very file that `wrote` was told of?"""
        entry = self._of(listed := self._list_of(relative)).get(relative)
        with contextlib.suppress(OSError):
            there = path.lstat()
            if entry is not None and stat.S_ISREG(there.st_mode) and entry[:2] == [there.st_ino, there.st_ctime_ns]:
                self._found[listed][relative] = entry
                return True
        return False

    def wrote(self, path: Path, relative: str, sha256: str) -> None:
        """A file was written just now. Raises OSError."""
        there = path.lstat()
        self._found[self._list_of(relative)][relative] = [there.st_ino, there.st_ctime_ns, sha256]

    def why_not_pack(self, file: Path, relative: str, wanted: Mapping[int, tuple[int, str]]) -> tuple[set[int], bool]:
        """What packs.check finds of a pack, which is not read where it is known to be whole. Raises OSError."""
        there, key, listed = file.lstat(), packs.key_of(wanted), self._list_of(relative)
        entry: Known = [there.st_ino, there.st_ctime_ns, key]
        if self._of(listed).get(relative) != entry:
            bad, whole = packs.check(file, wanted)
            if bad or not whole or file.lstat().st_ctime_ns != there.st_ctime_ns:
                return bad, False
        self._found[listed][relative] = entry
        return set(), True

    def keep(self) -> None:
        """Leave what was found for the next question, as far as the disk lets it."""
        if not self._found or not disk.may_keep(self._below):
            return
        for file, found in self._found.items():
            known = self._of(file)
            kept = {**known, **found}
            if kept == known:
                continue
            if len(kept) > 2 * len(found) + _FORGOTTEN:
                kept = {name: entry for name, entry in kept.items() if (self._below / name).exists()}
            with contextlib.suppress(OSError, LoadbookError):  # it can do without
                writing.make_folder(file.parent, below=self._below)
                data = json.dumps({"form": snapshot.FORM, "files": kept}).encode()
                writing.put(file, data, over=True, lasting=False)

    def _of(self, file: Path) -> dict[str, Known]:
        if file not in self._known:
            self._known[file] = _listed(file)
        return self._known[file]


def _listed(file: Path) -> dict[str, Known]:
    """What the list says; nothing where it is no list of this program's."""
    with contextlib.suppress(
        LoadbookError, ValueError, TypeError, LookupError, AttributeError, RecursionError, OverflowError
    ):
        found = json.loads(read_file(file, LARGEST_MANIFEST, links=False))
        if found["form"] == snapshot.FORM:
            return {str(path): [int(n), int(at), str(sha256)] for path, (n, at, sha256) in found["files"].items()}
    return {}
