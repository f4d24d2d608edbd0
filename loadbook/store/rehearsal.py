"""A copy of the records that may be written and is thrown away: what would be so if these files were taken in.

Traces are not copied: a load that is only planned has none. The book's own file is read, never written, and nothing is
added to a file of its links.
"""

from __future__ import annotations

import contextlib
import sqlite3
from collections.abc import Iterator
from pathlib import Path

from loadbook.core import writing

from .book import FILE, BookFolder
from .sql_errors import TROUBLE, translate_error


class _Copy(BookFolder):
    def _keep_last_link(self, conn: sqlite3.Connection, before: str) -> None:
        """The links that a book keeps outside itself are those of its own chain."""


@contextlib.contextmanager
def rehearsal(book: BookFolder) -> Iterator[BookFolder]:
    """A copy of a book's records in a folder of its own, until the block ends. Raises LoadbookError (no room)."""
    with writing.scratch() as folder:
        made = sqlite3.connect(Path(folder) / FILE)
        try:
            made.execute("PRAGMA synchronous = OFF")
            book.read().backup(made)
        except TROUBLE as exc:
            raise translate_error(exc, Path(folder) / FILE) from exc
        finally:
            made.close()
        with _Copy.open(Path(folder)) as copy:
            yield copy
