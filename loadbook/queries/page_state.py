"""What a run's page rests on, as one digest a run: a page whose digest is the same need not be made again."""

from __future__ import annotations

import hashlib
import sqlite3
from collections import defaultdict
from collections.abc import Iterable
from typing import Any

from loadbook.store.book import BookFolder

# tables whose rows belong to one run, and what tells which
_OWN = (
    "run", "piece", "channel", "event", "parameter", "approval", "nonconformance", "confirmation", "trace", "finding",
)  # fmt: skip
# what a run's rows refer to: table -> the column that names it
_NAMED = {"part": "part", "job": "job", "furnace": "furnace", "furnace_check": "furnace", "material": "material",
          "calibration": "calibration", "gauge": "gauge", "characteristic": "part"}  # fmt: skip
_BY_PIECE = ("reading", "operation")


def digest(*values: Any) -> str:
    """One digest of some plain values."""
    return hashlib.sha256(repr(values).encode("utf-8", "surrogatepass")).hexdigest()[:24]


def run_states(book: BookFolder) -> dict[str, str]:
    """A digest for every run, over all rows that its page can show: its own, and those it refers to.

    The rows of a piece's other runs count too: a page tells what a repeated treatment did in all. Rows are not held:
    what is kept of each run is a digest that grows.
    """
    conn = book.read()
    named = {t: _digests(conn, t, (c,)) for t, c in _NAMED.items()}
    cycles = {k: digest(v) for k, v in _cycles(conn).items()}
    by_piece = [_digests(conn, t, ("part", "serial")) for t in _BY_PIECE]
    materials = dict(conn.execute("SELECT part, material FROM part").fetchall())
    settings = digest(
        [tuple(r) for r in conn.execute("SELECT name, value FROM setting WHERE name NOT LIKE 'watch %' ORDER BY name")]
    )
    repeats: dict[str, list[str]] = defaultdict(list)
    for run, earlier in conn.execute("SELECT run, repeats_run FROM run WHERE repeats_run IS NOT NULL").fetchall():
        repeats[run].append(earlier)
        repeats[earlier].append(run)
    own = _grown(conn, _OWN)
    amended = _amended(conn)
    pieces = _pairs(conn, "SELECT run, part, serial, job FROM piece ORDER BY rowid")
    calibrations = _pairs(conn, "SELECT DISTINCT run, calibration FROM channel WHERE calibration IS NOT NULL")
    out = {}
    for r in conn.execute("SELECT run, furnace, cycle, cycle_revision FROM run").fetchall():
        run = r["run"]
        mine = pieces.get(run, [])
        parts = sorted({part for part, _, _ in mine})
        out[run] = digest(
            settings, own[run].hexdigest(),
            named["furnace"].get(r["furnace"]), named["furnace_check"].get(r["furnace"]),
            cycles.get((r["cycle"], r["cycle_revision"])), [named["part"].get(p) for p in parts],
            [named["characteristic"].get(p) for p in parts], [named["material"].get(materials.get(p)) for p in parts],
            [named["job"].get(job) for _, _, job in mine],
            [named["calibration"].get(c) for (c,) in sorted(calibrations.get(run, []))],
            [[rows.get((part, serial)) for part, serial, _ in mine] for rows in by_piece], sorted(repeats[run]),
            amended.get(run),
        )  # fmt: skip
    return out


def _grown(conn: sqlite3.Connection, tables: Iterable[str]) -> dict[str, Any]:
    """By run, a digest of all its rows in some tables."""
    out: dict[str, Any] = defaultdict(hashlib.sha256)
    for table in tables:
        rows = conn.execute(f"SELECT run, * FROM {table} ORDER BY rowid")
        rows.row_factory = None  # plain tuples, quicker
        for run, *row in rows:
            out[run].update(repr((table, row)).encode("utf-8", "surrogatepass"))
    return out


def _pairs(conn: sqlite3.Connection, sql: str) -> dict[str, list[tuple[Any, ...]]]:
    """Rows by their first column."""
    out: dict[str, list[tuple[Any, ...]]] = defaultdict(list)
    for run, *row in conn.execute(sql):
        out[run].append(tuple(row))
    return out


def _digests(conn: sqlite3.Connection, table: str, columns: tuple[str, ...]) -> dict[Any, str]:
    """By one or several columns, a digest of the rows of a table."""
    grown: dict[Any, Any] = defaultdict(hashlib.sha256)
    rows = conn.execute(f"SELECT {', '.join(columns)}, * FROM {table} ORDER BY rowid")
    rows.row_factory = None
    n = len(columns)
    for row in rows:
        key = row[0] if n == 1 else row[:n]
        grown[key].update(repr(row).encode("utf-8", "surrogatepass"))
    return {k: v.hexdigest()[:24] for k, v in grown.items()}


def _cycles(conn: sqlite3.Connection) -> dict[tuple[str, str], list[Any]]:
    out: dict[tuple[str, str], list[Any]] = defaultdict(list)
    for table in ("cycle", "cycle_segment", "cycle_limit"):
        for row in conn.execute(f"SELECT * FROM {table} ORDER BY rowid"):
            out[(row["cycle"], row["revision"])].append(tuple(row))
    return out


def _amended(conn: sqlite3.Connection) -> dict[str, list[Any]]:
    """Amendments of a run's own rows, which its page lists; those of what it refers to change that."""
    out: dict[str, list[Any]] = defaultdict(list)
    tables: Iterable[str] = [r[0] for r in conn.execute("SELECT DISTINCT kind FROM amendment")]
    for table in tables:
        columns = {r[1] for r in conn.execute(f"PRAGMA table_info({table})")}
        if "run" in columns:
            key = next(r[1] for r in conn.execute(f"PRAGMA table_info({table})") if r[5])
            found = conn.execute(
                f"SELECT t.run, a.* FROM amendment AS a JOIN {table} AS t ON t.{key} = a.row_id WHERE a.kind = ?",
                (table,),
            )
            for row in found:
                out[row["run"]].append(tuple(row))
    return out
