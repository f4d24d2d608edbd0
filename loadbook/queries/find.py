"""Words in what people wrote: notes, nonconformances, events, jobs, parts, answers and all the rest that is text.

The index (SQLite's FTS5, through sqlite-utils) is made in memory from the records as they stand, each time: it can
never be behind them, costs the book nothing, and no damage to it stands in the way of a record.
"""

from __future__ import annotations

import re
import sqlite3
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from loadbook.core.errors import UsageError
from loadbook.core.vocabulary.intake_kinds import BY_KIND
from loadbook.store import lookup

from .evidence_words import row_in_words

if TYPE_CHECKING:
    from sqlite_utils import Database

    from loadbook.store.book import BookFolder

# in the order in which hits are listed; intake kinds search their text columns, but those that refer or have choices
KINDS = (
    "nonconformances", "events", "runs", "approvals", "confirmations", "amendments", "operations", "pieces",
    "jobs", "parts", "answers", "characteristics", "furnaces", "furnace_checks", "breaks", "gauges", "materials",
    "parameters", "cycles", "segments",
)  # fmt: skip
_TEXTS = {
    "confirmations": ("fault", "why", "person"),
    "amendments": ("record", "why", "who"),
    "answers": ("part", "characteristic", "job", "sentences"),
    "cycles": ("cycle", "title", "process"),
    "segments": ("purpose",),
    "parameters": ("note",),  # their names are no words of people
}
_MADE = {  # what is searched of a column that is not text as it stands
    "sentences": "CASE WHEN json_valid(result) THEN"
    " (SELECT group_concat(value, ' ') FROM json_each(result, '$.text')) END AS sentences",
}
_OF = {"answers": "part", "amendments": "record", "confirmations": "run"}  # whose a record is, where no key says it
_WORDS_SHOWN = 14
_START, _END = "\x02", "\x03"  # around a word that was found


@dataclass(frozen=True)
class Hit:
    """One cell that holds a word: the record as `loadbook show KIND ID` takes it, whose it is, and the text around."""

    kind: str
    id: str
    of: str
    column: str
    text: str


def find(book: BookFolder, words: str, kinds: Sequence[str] = ()) -> list[Hit]:
    """Every cell that holds a word of a record that holds them all, best first within its kind.

    words  a word is found by its beginning (crack: cracked); "several words" between quotes only as they stand
    kinds  where to look (all of KINDS)
    Raises UsageError where there is no word, or a kind has no texts.
    """
    from loadbook.store.steps import database

    asked = _query(words)
    wanted = [lookup.listed(kind) for kind in kinds]
    for kind in wanted:
        if kind.kind not in KINDS:
            raise UsageError(f"{kind.kind} hold no texts to search", remedy="Kinds: " + ", ".join(KINDS))
    conn, memory = book.read(), sqlite3.connect(":memory:", isolation_level=None)
    conn.execute("BEGIN")  # one state of the book for all of it
    try:
        index = database(memory)
        return [
            hit for kind in wanted or map(lookup.listed, KINDS) for hit in _hits(conn, index, kind, asked, book.units)
        ]
    finally:
        conn.execute("ROLLBACK")
        memory.close()


def texts_of(kind: str) -> tuple[str, ...]:
    """The columns of a kind that are searched."""
    if kind in _TEXTS:
        return _TEXTS[kind]
    return tuple(c.name for c in BY_KIND[kind].columns if c.type in ("text", "list") and not (c.refers or c.choices))


def _query(words: str) -> str:
    """What FTS5 is asked: every word, or words between quotes, by itself and with no meaning but its letters."""
    found = [(quoted or plain, bool(quoted)) for quoted, plain in re.findall(r'"([^"]*)"|([^\s"]+)', words)]
    parts = ['"{}"{}'.format(text, "" if exact else "*") for text, exact in found if re.search(r"\w", text)]
    if not parts:
        raise UsageError("there is no word to look for", remedy='Write it like: loadbook find "door opened"')
    return " ".join(parts)


def _hits(conn: sqlite3.Connection, index: Database, kind: lookup.Listed, asked: str, system: str) -> Iterator[Hit]:
    columns = texts_of(kind.kind)
    key = lookup.row_key(conn, kind.table)
    chosen = ", ".join(_MADE.get(c, c) for c in columns)
    table = index.table(kind.table)
    table.create({"row": int, **dict.fromkeys(columns, str)}, pk="row")
    marks = ", ".join("?" * (len(columns) + 1))
    cursor = conn.cursor()
    cursor.row_factory = None
    with index.atomic():
        index.conn.executemany(
            f"INSERT INTO {kind.table} VALUES ({marks})",
            (
                row_in_words(row, system)
                for row in cursor.execute(f"SELECT {key}, {chosen} FROM {kind.table}")
                if any(row[1:])
            ),
        )
        table.enable_fts(columns, tokenize="unicode61 remove_diacritics 2")
    fts = f"{kind.table}_fts"
    around = ", ".join(
        f"snippet({fts}, {i}, '{_START}', '{_END}', '…', {_WORDS_SHOWN}) AS {c}" for i, c in enumerate(columns)
    )
    for found in index.query(
        f"SELECT rowid AS row, {around} FROM {fts} WHERE {fts} MATCH ? ORDER BY rank, rowid", [asked]
    ):
        record = conn.execute(f"SELECT * FROM {kind.table} WHERE {key} = ?", [found["row"]]).fetchone()
        compound = len(kind.key) > 1
        name = f"#{found['row']}" if compound else lookup.record_name(kind, record)
        of = record[kind.key[0] if compound else _OF.get(kind.kind, kind.key[0])]
        for column in columns:
            if _START in (text := found[column] or ""):
                shown = text.replace(_START, "").replace(_END, "")
                yield Hit(kind.kind, name, "" if str(of) == name else str(of), column, shown)
