"""Seals: digests over what stands under no link of the chain.

What is computed of a run (rows of `parameter` without an intake, and of `finding`), how kept answers fared
(`answer_outcome`) and the book's settings are replaced by commands, so the chain cannot hold them. Each set has a
seal instead, written in the same transaction. A seal finds damage and a careless edit; whoever edits on purpose can
write a new seal, and what was computed is then put right by `recompute`, which goes back to the traces.
"""

from __future__ import annotations

import hashlib
import sqlite3
from collections.abc import Collection, Iterable, Iterator
from itertools import groupby
from operator import itemgetter
from typing import Any

from loadbook.core.typed import quote

# the columns of each set, the run first where there is one; a later schema that adds one seals everything anew
PARAMETER = ("run", "parameter", "channel", "value", "unit", "source", "se", "at_s", "note", "algorithm")
FINDING = (
    "run", "what", "name", "verdict", "text", "channel", "first_s", "worst_s", "lasted_s", "first_at", "worst_at",
    "value", "limit_value", "unit", "asked", "missing", "without", "uncertain", "uncertainty", "segment", "confidence",
    "algorithm",
)  # fmt: skip
OUTCOME = ("answer_id", "run", "pieces", "inside", "within_bound")
SETTING = ("name", "value")


def of_run(conn: sqlite3.Connection, run: str) -> None:
    """Seal what was just computed of a run. Call in the transaction that stored it. A seal that fits stays as it is."""
    found = dict(_runs(conn, run))
    if run in found:
        _put(conn, "run", run, found[run])
    else:
        conn.execute("DELETE FROM seal WHERE what = 'run' AND name = ?", (run,))


def of_outcomes(conn: sqlite3.Connection) -> None:
    """Seal how kept answers fared."""
    _put(conn, "outcomes", "", _digest(_rows(conn, "answer_outcome", OUTCOME)))


def of_settings(conn: sqlite3.Connection) -> None:
    """Seal the book's settings."""
    _put(conn, "settings", "", _digest(_rows(conn, "setting", SETTING)))


def everything(conn: sqlite3.Connection) -> None:
    """Seal a whole book as it stands, as a step of the schema does that changes what is sealed."""
    conn.execute("DELETE FROM seal")
    for run, digest in _runs(conn):
        _put(conn, "run", run, digest)
    of_outcomes(conn)
    of_settings(conn)


def outcomes_hold(conn: sqlite3.Connection) -> bool:
    """Is how kept answers fared what was sealed?"""
    kept = conn.execute("SELECT sha256 FROM seal WHERE what = 'outcomes'").fetchone()
    return kept is not None and kept[0] == _digest(_rows(conn, "answer_outcome", OUTCOME))


def check(conn: sqlite3.Connection, runs: Collection[str] | None = None) -> list[str]:
    """A sentence, with its remedy, for every set that is not what was sealed; runs: of these alone, beside the rest."""
    kept = {(r[0], r[1]): r[2] for r in conn.execute("SELECT what, name, sha256 FROM seal")}
    if runs is None:
        found = {("run", run): digest for run, digest in _runs(conn)}
    else:
        kept = {key: digest for key, digest in kept.items() if key[0] != "run" or key[1] in runs}
        found = {("run", run): digest for one in runs for run, digest in _runs(conn, one)}
    found["outcomes", ""] = _digest(_rows(conn, "answer_outcome", OUTCOME))
    found["settings", ""] = _digest(_rows(conn, "setting", SETTING))
    wrong = []
    for what, name in sorted(kept.keys() | found.keys()):
        if kept.get((what, name)) == found.get((what, name)):
            continue
        if what == "run":
            wrong.append(
                f"what was computed of run {name} is not what was stored: "
                f"loadbook recompute {quote(name)} puts it right"
            )
        elif what == "outcomes":
            wrong.append("how kept answers fared is not what was stored: loadbook backtest puts it right")
        else:
            wrong.append("the book's settings are not what they were set to: compare them with a backup's")
    return wrong


def _put(conn: sqlite3.Connection, what: str, name: str, digest: str) -> None:
    conn.execute(
        "INSERT INTO seal (what, name, sha256) VALUES (?, ?, ?)"
        " ON CONFLICT (what, name) DO UPDATE SET sha256 = excluded.sha256 WHERE sha256 <> excluded.sha256",
        (what, name, digest),
    )


def _rows(
    conn: sqlite3.Connection, table: str, columns: tuple[str, ...], tail: str = "", values: tuple[str, ...] = ()
) -> Iterator[Any]:
    cursor = conn.cursor()
    cursor.row_factory = None  # plain tuples: their text form is what is digested
    return cursor.execute(f"SELECT {', '.join(columns)} FROM {table} {tail}", values)


def _runs(conn: sqlite3.Connection, run: str | None = None) -> Iterator[tuple[str, str]]:
    """(run, digest of what was computed of it), of one run or of all that have something."""
    one, values = ("TRUE", ()) if run is None else ("run = ?", (run,))
    measured = _rows(conn, "parameter", PARAMETER, f"WHERE intake_id IS NULL AND {one} ORDER BY run", values)
    found = {name: _digest(rows) for name, rows in groupby(measured, itemgetter(0))}
    judged = _rows(conn, "finding", FINDING, f"WHERE {one} ORDER BY run", values)
    for name, rows in groupby(judged, itemgetter(0)):
        found[name] = found.get(name, "") + "/" + _digest(rows)
    for name, digests in found.items():
        yield name, hashlib.sha256(digests.encode()).hexdigest()


def _digest(rows: Iterable[Any]) -> str:
    """SHA-256 over rows in whatever order they come. ascii() of numbers and texts is the same on every system."""
    return hashlib.sha256("\n".join(sorted(map(ascii, rows))).encode()).hexdigest()
