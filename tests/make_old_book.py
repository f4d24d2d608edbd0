"""Keeps a small book of the newest schema: python -m tests.make_old_book (once for each schema that was released)."""

from __future__ import annotations

import tempfile
from pathlib import Path

from loadbook.keep import migrate
from loadbook.keep.amend import amend
from loadbook.keep.backup import backup
from loadbook.keep.book import BookFolder
from loadbook.keep.records import add_intake

from .conftest import small_rows

FOLDER = Path(__file__).resolve().parent.parent / "fixtures" / "books"

if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as folder, BookFolder.create(Path(folder) / "book") as book:
        with book.write() as conn:
            add_intake(conn, "parts", small_rows(), rows_read=8, taken_by="tester")
            amend(conn, "part", "00123", 1, {"shape": "sleeve"}, "drawing B", "tester")
        backup(book, FOLDER / f"schema-{migrate.newest():04d}.zip")
