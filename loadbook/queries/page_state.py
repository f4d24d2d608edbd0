"""What a run's page rests on, as one digest a run: a page whose digest is the same need not be made again."""

from __future__ import annotations

import hashlib
import sqlite3
from collections import defaultdict
from collections.abc import Iterable, Sequence
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

    The rows of a piece's other runs count too: a page tells what a repeated treatment did in all.
    """
    conn = book.read()
    own = {t: _rows(conn, t, ("run",)) for t in _OWN}
    named = {t: _digests(_rows(conn, t, (c,))) for t, c in _NAMED.items()}
    cycles = {k: digest(v) for k, v in _cycles(conn).items()}
    by_piece = [_digests(_rows(conn, t, ("part", "serial"))) for t in _BY_PIECE]
    materials = dict(conn.execute("SELECT part, material FROM part").fetchall())
    amended = _amended(conn)
    settings = digest(
        [tuple(r) for r in conn.execute("SELECT name, value FROM setting WHERE name NOT LIKE 'watch %' ORDER BY name")]
    )
    repeats: dict[str, list[str]] = defaultdict(list)
    for run, earlier in conn.execute("SELECT run, repeats_run FROM run WHERE repeats_run IS NOT NULL").fetchall():
        repeats[run].append(earlier)
        repeats[earlier].append(run)
    out = {}
    for r in conn.execute("SELECT run, furnace, cycle, cycle_revision FROM run").fetchall():
        run = r["run"]
        pieces = _of(own["piece"], run)
        parts = sorted({p["part"] for p in pieces})
        calibrations = sorted({c["calibration"] for c in _of(own["channel"], run) if c["calibration"]})
        out[run] = digest(
            settings, [[tuple(x) for x in _of(rows, run)] for rows in own.values()],
            named["furnace"].get(r["furnace"]), named["furnace_check"].get(r["furnace"]),
            cycles.get((r["cycle"], r["cycle_revision"])), [named["part"].get(p) for p in parts],
            [named["characteristic"].get(p) for p in parts], [named["material"].get(materials.get(p)) for p in parts],
            [named["job"].get(p["job"]) for p in pieces], [named["calibration"].get(c) for c in calibrations],
            [[rows.get((p["part"], p["serial"])) for p in pieces] for rows in by_piece], sorted(repeats[run]),
            amended.get(run),
        )  # fmt: skip
    return out


def _of(rows: dict[Any, list[sqlite3.Row]], key: Any) -> Sequence[sqlite3.Row]:
    """The rows of one run, none where it has none."""
    return rows.get(key, ())


def _rows(conn: sqlite3.Connection, table: str, columns: tuple[str, ...]) -> dict[Any, list[sqlite3.Row]]:
    out: dict[Any, list[sqlite3.Row]] = defaultdict(list)
    for row in conn.execute(f"SELECT * FROM {table} ORDER BY rowid"):
        out[row[columns[0]] if len(columns) == 1 else tuple(row[c] for c in columns)].append(row)
    return out


def _digests(rows: dict[Any, list[sqlite3.Row]]) -> dict[Any, str]:
    return {k: digest([tuple(r) for r in v]) for k, v in rows.items()}


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
