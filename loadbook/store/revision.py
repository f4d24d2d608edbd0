"""Which state of its tables a book stands at, so that what was derived from one can be told to be behind.

Every change of a row raises its table's number: triggers do it, whichever program writes. `BookFolder.write`, the one
place that opens writing transactions, gives the tables changed in it a new token as well: a book that was brought back
from a backup and written to again may reach an old number, but never an old token.

A long table's rows have states of their own, PART of them together by their numbers, the newest SMALL: what one run
adds or amends changes one or two of a hundred parts. While `write` holds the book, temporary triggers of its connection
note which; a row `TABLE/parts` keeps their tokens, with the table's number to which they are right. Where that is
another, some other program changed rows: then every part counts as changed.

It tells what is behind and is no proof of anything: who takes the triggers away can change rows unseen. `verify` goes
by the digest chain and the checksums alone.
"""

from __future__ import annotations

import secrets
import sqlite3
from collections.abc import Iterable, Mapping

BOOK = "book"  # the row of the whole book: counts its transactions
PART = 122_880  # rows of a part at most: as many as an engine packs together
SMALL = PART // 8  # where a table grows
MOST_PARTS = 1_000  # of a table; one with more, or with numbers so far apart, is one part

Revision = tuple[int, str]  # number, token
Part = tuple[int, int]  # first and last number of its rows
_FIRST, _LAST = -(1 << 63), (1 << 63) - 1
_PARTS = "/parts"
_IS_TABLE = f"name <> '{BOOK}' AND name NOT LIKE '%{_PARTS}'"


def of_tables(conn: sqlite3.Connection) -> dict[str, Revision]:
    """The revision of every table; two that are equal had the same rows."""
    rows = conn.execute(f"SELECT name, number, token FROM revision WHERE {_IS_TABLE}")
    return {name: (number, token) for name, number, token in rows}


def of_book(conn: sqlite3.Connection) -> Revision:
    """The revision of all tables together."""
    number = conn.execute(f"SELECT total(number) FROM revision WHERE {_IS_TABLE}").fetchone()[0]
    row = conn.execute("SELECT token FROM revision WHERE name = ?", (BOOK,)).fetchone()
    return int(number), row[0] if row else ""


def of_parts(conn: sqlite3.Connection, table: str, now: Revision) -> dict[Part, str]:
    """The parts of a table that have rows, in order, at least one; each with its state: two that are equal had the
    same rows. Call where the book is read at one moment.

    now  the table's revision
    """
    usual, others = _kept(conn, table, now)
    # each by itself is one look at an end of the table, both in one query are a walk through all of it
    ends = (f'(SELECT {end}(rowid) FROM "{table}")' for end in ("min", "max"))
    first, last = conn.execute(f"SELECT {', '.join(ends)}").fetchone()
    growing = (last or 0) // PART
    found: dict[Part, str] = {}
    while first is not None or not found:
        size = SMALL if (first or 0) // PART == growing else PART
        low = max((first or 0) // size * size, 0)
        high = min(low + size - 1, _LAST)
        own = (str(at) for at in range(low // SMALL, high // SMALL + 1))
        found[low or _FIRST, high] = " ".join([usual, *(f"{at} {others[at]}" for at in own if at in others)])
        if len(found) > MOST_PARTS:
            return {(_FIRST, _LAST): "/".join(map(str, now))}
        first = conn.execute(f'SELECT min(rowid) FROM "{table}" WHERE rowid > ?', (high,)).fetchone()[0]
    return found


def _kept(conn: sqlite3.Connection, table: str, now: Revision) -> tuple[str, dict[str, str]]:
    """What is kept of the parts of a table, SMALL rows each: the state of most; number of a part -> its state, of the
    others."""
    row = conn.execute("SELECT number, token FROM revision WHERE name = ?", (table + _PARTS,)).fetchone()
    if row is None or row[0] != now[0]:
        return "/".join(map(str, now)), {}
    usual, *others = row[1].split() or [""]
    return usual, dict(zip(others[::2], others[1::2], strict=False))


def follow(conn: sqlite3.Connection, before: Mapping[str, Revision]) -> list[str]:
    """Note from now on, until `raise_changed`, which parts of long tables change. Gives those tables."""
    there = {row[0] for row in conn.execute("SELECT name FROM sqlite_schema WHERE type = 'table'")} & before.keys()
    long = [t for t in there if (conn.execute(f'SELECT max(rowid) FROM "{t}"').fetchone()[0] or 0) >= SMALL]
    if long:
        form = "(name TEXT, part INTEGER, PRIMARY KEY (name, part)) WITHOUT ROWID"
        conn.execute(f"CREATE TEMP TABLE IF NOT EXISTS touched {form}")
        conn.execute("DELETE FROM temp.touched")
    for table in long:
        for event, rows in (("INSERT", ("NEW",)), ("UPDATE", ("OLD", "NEW")), ("DELETE", ("OLD",))):
            for row in rows:
                part = f"max({row}.rowid / {SMALL}, 0)"
                conn.execute(
                    f"CREATE TEMP TRIGGER touched_{table}_{event}_{row} AFTER {event} ON main.{table}"
                    f" WHEN NOT EXISTS (SELECT 1 FROM touched WHERE name = '{table}' AND part = {part})"
                    f" BEGIN INSERT INTO touched VALUES ('{table}', {part}); END"
                )
    return long


def raise_changed(conn: sqlite3.Connection, before: Mapping[str, Revision], followed: Iterable[str] = ()) -> None:
    """Give the tables that changed since `before` (what `of_tables` gave) a new token, at a transaction's end, and of
    those that `follow` named the parts that did."""
    now = of_tables(conn)
    changed = [name for name in now if now[name][0] != before.get(name, (-1, ""))[0]]
    token = renew(conn, changed)
    for table in followed:
        if table in changed:
            usual, others = _kept(conn, table, before[table])
            touched = conn.execute("SELECT part FROM temp.touched WHERE name = ?", (table,))
            others |= {str(part): token for (part,) in touched.fetchall()}
            text = " ".join([usual, *(word for pair in others.items() for word in pair)])
            conn.execute("REPLACE INTO revision VALUES (?, ?, ?)", (table + _PARTS, now[table][0], text))
    for (name,) in conn.execute("SELECT name FROM sqlite_temp_schema WHERE type = 'trigger'").fetchall():
        conn.execute(f"DROP TRIGGER temp.{name}")


def forget_parts(conn: sqlite3.Connection) -> None:
    """Let every part count as changed: rows may have changed uncounted."""
    conn.execute(f"DELETE FROM revision WHERE name LIKE '%{_PARTS}'")


def renew(conn: sqlite3.Connection, tables: Iterable[str]) -> str:
    """Give tables, and with them the book, a new token; nothing where there is no table. Gives the token."""
    token, names = secrets.token_hex(8), list(tables)
    if names:
        conn.executemany("UPDATE revision SET token = ? WHERE name = ?", [(token, name) for name in names])
        conn.execute(
            "INSERT INTO revision (name, number, token) VALUES (?, 1, ?)"
            " ON CONFLICT (name) DO UPDATE SET number = number + 1, token = excluded.token",
            (BOOK, token),
        )
    return token
