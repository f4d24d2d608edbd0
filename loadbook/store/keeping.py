"""Telling a book where to keep its last link."""

from __future__ import annotations

import os
import sqlite3
from pathlib import Path

from loadbook.core.errors import LoadbookError, UsageError

from . import derived_checksum, kept_links
from .book import BookFolder
from .records import amend

_WHY = "loadbook keep-links"


def keep(book: BookFolder, file: Path, *, key: Path | None = None, new_key: Path | None = None) -> str | None:
    """Keep the last link in a file from now on, signed where a key is given; the public key, None without one.

    file  a new one, or this book's own; Raises UsageError, LoadbookError
    """
    file, key = file.absolute(), key.absolute() if key else None
    for outside in (file, key, new_key.absolute() if new_key else None):
        if outside is not None and outside.resolve().is_relative_to(book.path.resolve()):
            raise UsageError("this is inside the book", where=str(outside), remedy="Name a place on another drive")
    if new_key is not None:
        kept_links.make_key(key := new_key.absolute())
    number = book.setting(kept_links.BOOK) or os.urandom(16).hex()
    signer = kept_links.public(key) if key is not None else None
    if os.path.lexists(file):
        there = kept_links.read(file)
        if (there.book, there.key) != (number, signer):
            raise UsageError(
                "this file holds another book's links, or is signed by another key", where=str(file),
                remedy="Choose another name",
            )  # fmt: skip
    else:
        kept_links.make(file, number, key)
    with book.write() as conn:
        for name, value in (
            (kept_links.FILE, str(file)), (kept_links.KEY, str(key or "")), (kept_links.BOOK, number)
        ):  # fmt: skip
            put_setting(conn, name, value, _WHY)
    why = kept_links.follow(book.read())
    if why is not None:
        raise LoadbookError(why)
    return signer


def stop_keeping(book: BookFolder) -> None:
    """Keep no links any more. Raises UsageError where none are kept."""
    if not book.setting(kept_links.FILE):
        raise UsageError("the book keeps no links", remedy="Start with: loadbook keep-links FILE")
    with book.write() as conn:
        put_setting(conn, kept_links.FILE, "", _WHY)


def put_setting(conn: sqlite3.Connection, name: str, value: str, why: str) -> None:
    """A setting: a new one, or by an amendment. Call inside `BookFolder.write()`."""
    row = conn.execute("SELECT setting_id, value FROM setting WHERE name = ?", (name,)).fetchone()
    if row is None:
        conn.execute("INSERT INTO setting (name, value) VALUES (?, ?)", (name, value))
        derived_checksum.of_settings(conn)
    elif row[1] != value:
        amend(conn, "setting", name, row[0], {"value": value}, why)
