"""The digest chain over intakes and amendments.

Each intake and each amendment adds one link: content = SHA-256 over what it put in, digest = SHA-256 of
(digest before + content). Recomputing it from the book finds every later edit made around the triggers,
unless whoever made it recomputed the whole chain, or cut off its end with all that it put in: so the last link can
be printed and kept elsewhere, and `verify --last-link` finds both.

Outside the chain stand what commands compute anew and the settings, both under checksums of their own
(derived_checksum.py).

The chain reads rows as JSON lines, made column by column. The text is byte for byte what
`json.dumps(row, ensure_ascii=True, separators=(",", ":"), sort_keys=True)` writes of `[key, {column: value, ...}]`,
empty columns left out; a test holds the two together. Made a column at a time it takes a third of the encoder's time,
and every book's chain rests on these bytes: they never change.
"""

from __future__ import annotations

import hashlib
import json
import sqlite3
from collections.abc import Iterable, Mapping, Sequence
from itertools import groupby, repeat
from json.encoder import encode_basestring_ascii as quoted
from math import isfinite
from operator import itemgetter
from typing import Any

encode = json.JSONEncoder(ensure_ascii=True, separators=(",", ":"), sort_keys=True).encode
_EMPTY = type(None)


def lines(keys: Iterable[int], columns: Mapping[str, Sequence[Any]]) -> str:
    """The lines of some rows, each with its line feed.

    keys  integer key of each row; columns  name -> value of each row, None where it is empty

    >>> lines([7, 8], {"value": [0.5, None], "part": ["A", "B"]})
    '[7,{"part":"A","value":0.5}]\\n[8,{"part":"B"}]\\n'
    """
    kinds = {name: set(map(type, columns[name])) for name in sorted(columns)}
    filled = [name for name, found in kinds.items() if found != {_EMPTY}]
    cells: list[Iterable[str]] = [[f"[{key},{{" for key in keys]]
    for name in filled:
        end = "}]\n" if name == filled[-1] and _EMPTY not in kinds[name] else ","
        cells.append(_cells(quoted(name) + ":", columns[name], kinds[name], end))
    if filled and _EMPTY not in kinds[filled[-1]]:
        return "".join(map("".join, zip(*cells, strict=True)))
    # inside a text a line feed is written \\n, so this is the end of a row and nothing else
    return "".join(map("".join, zip(*cells, repeat("}]\n"), strict=False))).replace(",}]\n", "}]\n")


def _cells(name: str, values: Sequence[Any], kinds: set[type], end: str) -> Iterable[str]:
    """`"name":value` and an end of each row, nothing where it is empty."""
    given = kinds - {_EMPTY}
    if given == {str}:
        texts = {v: f"{name}{quoted(v)}{end}" for v in set(values) if v is not None}
        return map(texts.get, values, repeat("")) if _EMPTY in kinds else map(texts.__getitem__, values)
    if given == {int}:
        return [f"{name}{v}{end}" if v is not None else "" for v in values]
    if given == {float} and all(map(isfinite, filter(None, values))):
        return [f"{name}{v!r}{end}" if v is not None else "" for v in values]
    return [f"{name}{encode(v)}{end}" if v is not None else "" for v in values]


GENESIS = "0" * 64
# what is computed from traces is made anew by recompute and stands under no digest
_COMPUTED = {"finding", "answer_outcome"}
_TOGETHER = 2_000  # rows made into lines at a time: more no longer stay in the processor's cache
_AS_DECLARED = {"TEXT": str, "INTEGER": int, "REAL": float}


def literal(text: str) -> Any:
    """The value of an SQL literal as SQLite's quote() writes it (amendments hold their values so).

    >>> literal("'it''s'"), literal("2.5"), literal("NULL")
    ("it's", 2.5, None)
    """
    if text == "NULL":
        return None
    if text.startswith("'"):
        return text[1:-1].replace("''", "'")
    try:
        return int(text)
    except ValueError:
        return float(text)


def recorded_tables(conn: sqlite3.Connection) -> dict[str, tuple[str, list[str]]]:
    """Tables whose rows belong to an intake: name -> (integer key, the other columns in order)."""
    found = {}
    names = [r[0] for r in conn.execute("SELECT name FROM sqlite_schema WHERE type = 'table' ORDER BY name")]
    for name in names:
        info = conn.execute(f"PRAGMA table_info({name})").fetchall()
        if "intake_id" in [r[1] for r in info] and name not in _COMPUTED | {"intake", "chain"}:
            found[name] = _key_and_columns(info)
    return found


def _key_and_columns(info: Sequence[Any]) -> tuple[str, list[str]]:
    """Of a table as SQLite describes it: its integer key, and the other columns in order."""
    key = next(r[1] for r in info if r[5])
    return key, sorted(r[1] for r in info if r[1] not in (key, "intake_id"))


def _originals(conn: sqlite3.Connection, table: str) -> dict[int, dict[str, Any]]:
    """What amended cells of a table held when they were taken in: row -> column -> value."""
    found: dict[int, dict[str, Any]] = {}
    rows = conn.execute(
        "SELECT row_id, column_name, old_value FROM amendment WHERE kind = ? ORDER BY amendment_id DESC", (table,)
    )
    for row_id, column, old in rows:
        try:
            found.setdefault(row_id, {})[column] = literal(old)
        except ValueError:  # a damaged amendment: its own link does not agree, and the row's does not either
            found.setdefault(row_id, {})[column] = old
    return found


def _taken(
    conn: sqlite3.Connection, table: str, key: str, columns: list[str], where: str = "", values: tuple[int, ...] = ()
) -> dict[int, str]:
    """Intake -> digest of the rows that it put into a table, as they were put in, in order of their key."""
    originals = _originals(conn, table)
    cursor = conn.cursor()
    cursor.row_factory = None
    chosen = ", ".join(["intake_id", key, *columns])
    cursor.execute(f"SELECT {chosen} FROM {table} WHERE intake_id IS NOT NULL {where} ORDER BY {key}", values)
    found: dict[int, Any] = {}
    while some := cursor.fetchmany(_TOGETHER):
        intakes, keys, *cells = zip(*some, strict=True)
        # an empty column leaves no mark, so that a column added by a later schema changes no old digest
        made = lines(keys, _as_taken(keys, dict(zip(columns, cells, strict=True)), originals))
        if len(set(intakes)) == 1:
            found.setdefault(intakes[0], hashlib.sha256()).update(made.encode())
            continue
        for intake, rows in groupby(zip(intakes, made.splitlines(keepends=True), strict=True), itemgetter(0)):
            found.setdefault(intake, hashlib.sha256()).update("".join(line for _, line in rows).encode())
    return {intake: digest.hexdigest() for intake, digest in found.items()}


def _as_taken(
    keys: Sequence[int], columns: dict[str, Sequence[Any]], originals: dict[int, dict[str, Any]]
) -> Mapping[str, Sequence[Any]]:
    """The columns with what amended cells held when they were taken in."""
    changed = {name: list(values) for name, values in columns.items()} if originals.keys() & keys else {}
    for at, row_id in enumerate(keys if changed else ()):
        for column, old in originals.get(row_id, {}).items():
            changed.setdefault(column, [None] * len(keys))[at] = old
    return changed or columns


def _put_in(
    conn: sqlite3.Connection, table: str, intake_id: int, first: int, columns: Mapping[str, Sequence[Any]]
) -> str:
    """Digest of the rows that an intake has just put into a table; their keys begin with `first`."""
    info = conn.execute(f"PRAGMA table_info({table})").fetchall()
    declared = {r[1]: r[2] for r in info}
    key, names = _key_and_columns(info)
    if not all(name in names and _stays(values, declared[name]) for name, values in columns.items()):
        return _taken(conn, table, key, names, f"AND {key} >= ? AND intake_id = ?", (first, intake_id))[intake_id]
    digest, count = hashlib.sha256(), len(next(iter(columns.values())))
    for start in range(0, count, _TOGETHER):
        end = min(start + _TOGETHER, count)
        some = {name: values[start:end] for name, values in columns.items()}
        digest.update(lines(range(first + start, first + end), some).encode())
    return digest.hexdigest()


def _stays(values: Sequence[Any], declared: str) -> bool:
    """Does a column give back the very values that were put into it? (SQLite turns NaN to NULL and -0.0 to 0.0.)"""
    kinds = set(map(type, values)) - {type(None)}
    if kinds == {float}:
        return declared == "REAL" and all(v == v and (v or str(v) == "0.0") for v in values if v is not None)
    return kinds <= {_AS_DECLARED.get(declared)}


def _intake_content(conn: sqlite3.Connection, intake_id: int, parts: dict[str, str]) -> str:
    head = conn.execute("SELECT * FROM intake WHERE intake_id = ?", (intake_id,)).fetchone()
    cells = {k: head[k] for k in head.keys() if head[k] is not None}  # noqa: SIM118 (sqlite3.Row)
    return _sha256([cells, parts])


def _amendment_content(conn: sqlite3.Connection, amendment_id: int) -> str:
    row = conn.execute("SELECT * FROM amendment WHERE amendment_id = ?", (amendment_id,)).fetchone()
    return _sha256({k: row[k] for k in row.keys()})  # noqa: SIM118 (sqlite3.Row)


def _sha256(value: Any) -> str:
    return hashlib.sha256(encode(value).encode()).hexdigest()


def _digest(before: str, content: str) -> str:
    return hashlib.sha256((before + content).encode()).hexdigest()


def last_link(conn: sqlite3.Connection) -> str:
    """Digest of the last link."""
    row = conn.execute("SELECT digest FROM chain ORDER BY link DESC LIMIT 1").fetchone()
    return str(row[0]) if row else GENESIS


def link_intake(
    conn: sqlite3.Connection, intake_id: int, put_in: Mapping[str, tuple[int, Mapping[str, Sequence[Any]]]]
) -> str:
    """Add the link of a new intake. Returns the new head.

    put_in  table -> the key of its first new row, and the columns that were put in (each of one value a row)
    """
    parts = {t: _put_in(conn, t, intake_id, first, columns) for t, (first, columns) in put_in.items()}
    content = _intake_content(conn, intake_id, parts)
    digest = _digest(last_link(conn), content)
    conn.execute("INSERT INTO chain (intake_id, content, digest) VALUES (?, ?, ?)", (intake_id, content, digest))
    return digest


def link_amendment(conn: sqlite3.Connection, amendment_id: int) -> str:
    """Add the link of a new amendment. Returns the new head."""
    content = _amendment_content(conn, amendment_id)
    digest = _digest(last_link(conn), content)
    conn.execute("INSERT INTO chain (amendment_id, content, digest) VALUES (?, ?, ?)", (amendment_id, content, digest))
    return digest


def check(conn: sqlite3.Connection, after: int = 0) -> list[str]:
    """Recompute the whole chain; one sentence for everything that does not agree.

    after  of the links up to this one only that each follows from the one before, not what they put in
    """
    wrong: list[str] = []
    parts: dict[int, dict[str, str]] = {}
    where, last = ("AND intake_id > ?", (last_intake(conn, after),)) if after else ("", ())
    for table, (key, columns) in recorded_tables(conn).items():
        for intake, digest in _taken(conn, table, key, columns, where, last).items():
            parts.setdefault(intake, {})[table] = digest
    before = GENESIS
    intakes: set[int] = set()
    amendments: set[int] = set()
    links = conn.execute("SELECT link, intake_id, amendment_id, content, digest FROM chain ORDER BY link").fetchall()
    for number, row in enumerate(links, start=1):
        link, intake_id, amendment_id, content, digest = tuple(row)
        if link != number and not any("of the chain is missing" in line for line in wrong):
            wrong.append(f"link {number} of the chain is missing")
        (intakes if amendment_id is None else amendments).add(intake_id if amendment_id is None else amendment_id)
        try:
            what, found = _named(conn, intake_id, amendment_id, parts) if link > after else ("", content)
        except (TypeError, AttributeError):  # its row is not there
            wrong.append(f"link {link} of the chain names an intake or amendment that is gone")
            before = digest
            continue
        if found != content:
            wrong.append(f"{what}: its rows are not what was taken in (edited around the triggers)")
        if _digest(before, content) != digest:
            wrong.append(f"link {link} of the chain does not follow from the one before")
        before = digest
    for kind, seen in (("intake", intakes), ("amendment", amendments)):
        for (missing,) in conn.execute(f"SELECT {kind}_id FROM {kind}").fetchall():
            if missing not in seen:
                wrong.append(f"{kind} {missing} stands outside the chain")
    wrong.extend(_against_amendments(conn))
    return wrong


def _named(
    conn: sqlite3.Connection, intake_id: int | None, amendment_id: int, parts: dict[int, dict[str, str]]
) -> tuple[str, str]:
    """What a link stands for, in words, and the digest of what that put in. Raises TypeError where its row is gone."""
    if intake_id is None:
        return f"amendment {amendment_id}", _amendment_content(conn, amendment_id)
    found = _intake_content(conn, intake_id, parts.get(intake_id, {}))
    kind, file = conn.execute("SELECT kind, file_name FROM intake WHERE intake_id = ?", (intake_id,)).fetchone()
    return f"intake {intake_id} ({kind}, {file or 'by hand'})", found


def last_intake(conn: sqlite3.Connection, link: int) -> int:
    """The number of the last intake up to a link of the chain; 0 where there is none."""
    return int(conn.execute("SELECT ifnull(max(intake_id), 0) FROM chain WHERE link <= ?", (link,)).fetchone()[0])


def _against_amendments(conn: sqlite3.Connection) -> list[str]:
    """Amended cells whose value now is not the one the last amendment gave them."""
    wrong = []
    tables = recorded_tables(conn) | {"setting": ("setting_id", ["value"])}
    rows = conn.execute(
        "SELECT kind, record, row_id, column_name, new_value FROM amendment WHERE amendment_id IN"
        " (SELECT max(amendment_id) FROM amendment GROUP BY kind, row_id, column_name)"
    ).fetchall()
    for kind, record, row_id, column, new in rows:
        if kind not in tables or column not in tables[kind][1]:
            wrong.append(f"amendment of {kind} {record}: there is no column {column}")
            continue
        now = conn.execute(f"SELECT quote({column}) FROM {kind} WHERE {tables[kind][0]} = ?", (row_id,)).fetchone()
        if now is None or now[0] != new:
            wrong.append(f"{kind} {record}: {column} is not what its last amendment says")
    return wrong
