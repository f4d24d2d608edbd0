"""Books that many tests begin with: made once in a process, then copied, which takes a fifth of the time."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any

from loadbook.store import snapshot
from loadbook.store.book import FILE, TRACES, BookFolder


def copied(path: Path, make: Callable[..., BookFolder], *given: Any) -> BookFolder:
    """A book in a new folder as make(folder, *given) makes it; it has no traces. given: what a cache can tell apart"""
    (path / TRACES).mkdir(parents=True)
    (path / FILE).write_bytes(_records(make, *given))
    return BookFolder.open(path)


@cache
def _records(make: Callable[..., BookFolder], *given: Any) -> bytes:
    with tempfile.TemporaryDirectory() as folder:
        with make(Path(folder) / "book", *given) as book:
            file = book.file
        return file.read_bytes()


def copied_folder(book: Path, to: Path) -> Path:
    """A copy of a book's folder that other test processes may be asking just now: without what comes and goes beside
    its records, which a copy has no use for."""
    return Path(shutil.copytree(book, to, ignore=shutil.ignore_patterns("book.sqlite-*", snapshot.FOLDER)))
