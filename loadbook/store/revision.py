"""Which state of its tables a book stands at, so that what was derived from one can be told to be behind.

Every change of a row raises its table's number: triggers do it, whichever program writes. `BookFolder.write`, the one
place that opens writing transactions, gives the tables changed in it a new token as well: a book that was brought back
from a backup and written to again may reach an old number, but never an old token.

It tells what is behind and is no proof of anything: who takes the triggers away can change rows unseen. `verify` goes
by the digest chain and the checksums alone.
"""

from __future__ import annotations

import secrets
import sqlite3
from collections.abc import Iterable, Mapping

BOOK = "book"  # the row of the whole book: counts its transactions

Revision = tuple[int, str]  # number, token


def of_tables(conn: sqlite3.Connection) -> dict[str, Revision]:
    """The revision of every table; two that are equal had the same rows."""
    rows = conn.execute("SELECT name, number, token FROM revision WHERE name <> ?", (BOOK,))
    return {name: (number, token) for name, number, token in rows}


def of_book(conn: sqlite3.Connection) -> Revision:
    """The revision of all tables together."""
    number = conn.execute("SELECT total(number) FROM revision").fetchone()[0]
    row = conn.execute("SELECT token FROM revision WHERE name = ?", (BOOK,)).fetchone()
    return int(number), row[0] if row else ""


def raise_changed(conn: sqlite3.Connection, before: Mapping[str, Revision]) -> None:
    """Give the tables that changed since `before` (what `of_tables` gave) a new token, at a transaction's end."""
    renew(conn, [name for name, now in of_tables(conn).items() if now[0] != before.get(name, (-1, ""))[0]])


def renew(conn: sqlite3.Connection, tables: Iterable[str]) -> None:
    """Give tables, and with them the book, a new token; nothing where there is no table."""
    token, names = secrets.token_hex(8), list(tables)
    if names:
        conn.executemany("UPDATE revision SET token = ? WHERE name = ?", [(token, name) for name in names])
        conn.execute(
            "INSERT INTO revision (name, number, token) VALUES (?, 1, ?)"
            " ON CONFLICT (name) DO UPDATE SET number = number + 1, token = excluded.token",
            (BOOK, token),
        )
