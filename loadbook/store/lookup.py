"""Reading records back with the standard library's sqlite3 alone: lists, single records, what belongs to a run."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from loadbook.core.errors import NotFoundError, UsageError
from loadbook.core.phrases import did_you_mean
from loadbook.core.vocabulary.intake_kinds import KINDS


@dataclass(frozen=True)
class Listed:
    """A kind of record that can be listed and shown: its table and the columns that name a record."""

    kind: str
    table: str
    key: tuple[str, ...]


LISTED: dict[str, Listed] = {k.kind: Listed(k.kind, k.table, k.key) for k in KINDS} | {
    "cycles": Listed("cycles", "cycle", ("cycle", "revision")),
    "segments": Listed("segments", "cycle_segment", ("cycle", "revision", "number")),
    "limits": Listed("limits", "cycle_limit", ("cycle", "revision", "number")),
    "traces": Listed("traces", "trace", ("trace_id",)),
    "layouts": Listed("layouts", "layout", ("name", "revision")),
    "settings": Listed("settings", "setting", ("name",)),
    "findings": Listed("findings", "finding", ("finding_id",)),
    "confirmations": Listed("confirmations", "confirmation", ("confirmation_id",)),
    "answers": Listed("answers", "answer", ("answer_id",)),
    "trials": Listed("trials", "trial", ("trial_id",)),
    "amendments": Listed("amendments", "amendment", ("amendment_id",)),
    "intakes": Listed("intakes", "intake", ("intake_id",)),
}


def listed(kind: str) -> Listed:
    """The kind of record with a name, plural or singular. Raises UsageError with the nearest known one."""
    for name in (kind, kind + "s", kind.rstrip("s") + "s"):
        if name in LISTED:
            return LISTED[name]
    hint = did_you_mean(kind, list(LISTED))
    raise UsageError(f"there is no kind {kind!r}", remedy=hint + "Kinds: " + ", ".join(LISTED))


def columns_of(conn: sqlite3.Connection, table: str) -> list[str]:
    """Column names of a table, in order."""
    return [r[1] for r in conn.execute(f"PRAGMA table_info({table})")]


def row_key(conn: sqlite3.Connection, table: str) -> str:
    """Name of a table's integer key."""
    return str(next(r[1] for r in conn.execute(f"PRAGMA table_info({table})") if r[5]))


def known_values(conn: sqlite3.Connection, table: str, column: str) -> set[Any]:
    """Every value that a column of the book holds."""
    return {r[0] for r in conn.execute(f"SELECT DISTINCT {column} FROM {table} WHERE {column} IS NOT NULL")}


def source(conn: sqlite3.Connection, table: str) -> tuple[str, set[str]]:
    """A SELECT of a table with what its run and part add (for filters), and the columns it then has."""
    own = columns_of(conn, table)
    extra: dict[str, str] = {}
    joins = ""
    if "part" in own and table != "part":
        joins += " LEFT JOIN part p ON p.part = t.part LEFT JOIN material m ON m.material = p.material"
        extra |= {"material": "p.material", "shape": "p.shape", "customer": "p.customer", "family": "m.family"}
    if table == "part":
        joins += " LEFT JOIN material m ON m.material = t.material"
        extra["family"] = "m.family"
    if "run" in own:
        run = "t"
        if table != "run":
            joins += " LEFT JOIN run r ON r.run = t.run"
            run = "r"
            extra |= {c: f"r.{c}" for c in ("furnace", "cycle", "started", "setup", "atmosphere")}
        joins += f" LEFT JOIN cycle c ON c.cycle = {run}.cycle AND c.revision = {run}.cycle_revision"
        extra["process"] = "c.process"
        extra["verdict"] = (
            f"coalesce((SELECT f.verdict FROM finding f WHERE f.run = {run}.run AND f.what = 'run'),"
            f" CASE WHEN {run}.cycle IS NULL THEN 'no cycle' ELSE 'no trace' END)"
        )
    if table == "reading":
        joins += " LEFT JOIN characteristic h ON h.part = t.part AND h.characteristic = t.characteristic"
        extra["kind"] = "h.kind"
    added = "".join(f", {text} AS {name}" for name, text in extra.items() if name not in own)
    return f"SELECT t.*{added} FROM {table} t{joins}", set(own) | set(extra)


def rows_of(
    conn: sqlite3.Connection, kind: Listed, where: str, values: Sequence[Any], limit: int | None,
    only: Sequence[int] | None = None,
) -> tuple[list[str], list[sqlite3.Row], int]:  # fmt: skip
    """(column names, rows, how many there are in all) of a kind that fulfil a condition; runs come with their verdict.

    where, values  of our own, trusted SQL;  only  integer keys of the rows that may be among them
    """
    select, _ = source(conn, kind.table)
    key = row_key(conn, kind.table)
    known = columns_of(conn, kind.table) + (["verdict"] if kind.table == "run" else [])
    if only is not None:
        where, values = f"({where}) AND {key} IN (SELECT value FROM json_each(?))", [*values, json.dumps(only)]
    tail = "" if limit is None else f" LIMIT {int(limit)}"
    rows = conn.execute(f"SELECT * FROM ({select}) WHERE {where} ORDER BY {key}{tail}", values).fetchall()
    total = len(rows)
    if limit is not None and total == limit:
        total = conn.execute(f"SELECT count(*) FROM ({select}) WHERE {where}", values).fetchone()[0]
    return known, rows, total


def find_row(conn: sqlite3.Connection, kind: Listed, name: str) -> sqlite3.Row:
    """The record with a name: its key (parts of a compound key joined by '/'), or '#' and its row number.

    Raises NotFoundError with the nearest known names.
    """
    key = row_key(conn, kind.table)
    number = name.removeprefix("#")
    if number.isdecimal() and number.isascii() and len(number) < 19 and (name != number or kind.key == (key,)):
        row = conn.execute(f"SELECT * FROM {kind.table} WHERE {key} = ?", (int(number),)).fetchone()
    else:
        # one column by its index; joined columns only by a look at every row
        joined = " || '/' || ".join(f"ifnull({c}, '')" for c in kind.key) if len(kind.key) > 1 else kind.key[0]
        row = conn.execute(f"SELECT * FROM {kind.table} WHERE {joined} = ?", (name,)).fetchone()
        if row is None and len(kind.key) > 1:
            # a leading part of the key is enough where only one record has it
            some = conn.execute(f"SELECT * FROM {kind.table} WHERE {kind.key[0]} = ? LIMIT 3", (name,)).fetchall()
            if len(some) > 1:
                shown = ", ".join(record_name(kind, r) for r in some)
                raise NotFoundError(f"several {kind.kind} begin with {name!r}", remedy=f"Name one, like: {shown}")
            row = some[0] if some else None
    if row is None:
        names = [r[0] for r in conn.execute(f"SELECT DISTINCT {kind.key[0]} FROM {kind.table} LIMIT 20000")]
        remedy = did_you_mean(name, [str(n) for n in names])
        if len(kind.key) > 1:
            remedy += f"Name it as {'/'.join(kind.key)}, or #N for its row"
        raise NotFoundError(
            f"there is no {kind.table} {name!r} in the book", remedy=remedy or f"loadbook list {kind.kind}"
        )
    found: sqlite3.Row = row
    return found


def record_name(kind: Listed, row: sqlite3.Row) -> str:
    """A record's name: its key, compound parts joined by '/'."""
    return "/".join("" if row[c] is None else str(row[c]) for c in kind.key)
