"""Cycles between the book's rows and the calculation's records."""

from __future__ import annotations

import sqlite3
from dataclasses import fields
from typing import Any

from loadbook.calc.model import Cycle, Limit, Segment
from loadbook.ground.errors import NotFoundError, UsageError

_SEGMENT = [f.name for f in fields(Segment)]
_LIMIT = [f.name for f in fields(Limit)]


def cycle_tables(cycle: Cycle, source_text: str) -> dict[str, list[dict[str, Any]]]:
    """The rows of one cycle, by table, in the order in which they must be inserted; intake_id is the caller's.

    source_text  the cycle's file, kept whole
    """
    key = {"cycle": cycle.cycle, "revision": cycle.revision}
    head = {**key, "title": cycle.title, "process": cycle.process, "atmosphere": cycle.atmosphere}
    return {
        "cycle": [{**head, "source_text": source_text}],
        "cycle_segment": [{**key, **{n: getattr(s, n) for n in _SEGMENT}} for s in cycle.segments],
        "cycle_limit": [{**key, **{n: getattr(x, n) for n in _LIMIT}} for x in cycle.limits],
    }


def load_cycle(conn: sqlite3.Connection, cycle: str, revision: str | None = None) -> Cycle:
    """A cycle of the book. Without a revision the book must have only one.

    Raises NotFoundError (no such cycle or revision), UsageError (several revisions, none named)
    """
    row = find_cycle(conn, cycle, revision)
    key = (row["cycle"], row["revision"])
    segments = conn.execute(
        f"SELECT {', '.join(_SEGMENT)} FROM cycle_segment WHERE cycle = ? AND revision = ? ORDER BY number", key
    )
    limits = conn.execute(
        f"SELECT {', '.join(_LIMIT)} FROM cycle_limit WHERE cycle = ? AND revision = ? ORDER BY number", key
    )
    return Cycle(
        row["cycle"], row["revision"], row["title"], row["process"], row["atmosphere"],
        tuple(Segment(**dict(zip(_SEGMENT, r, strict=True))) for r in segments),
        tuple(Limit(**dict(zip(_LIMIT, r, strict=True))) for r in limits),
    )  # fmt: skip


def find_cycle(conn: sqlite3.Connection, cycle: str, revision: str | None = None) -> sqlite3.Row:
    """The cycle's row. Raises as `load_cycle` does."""
    rows = conn.execute("SELECT * FROM cycle WHERE cycle = ? ORDER BY rowid", (cycle,)).fetchall()
    if not rows:
        known = [r[0] for r in conn.execute("SELECT DISTINCT cycle FROM cycle ORDER BY cycle LIMIT 12")]
        mend = f"Cycles in the book: {', '.join(known)}" if known else "Take one in: loadbook take cycles FILE.toml"
        raise NotFoundError(f"the book has no cycle {cycle!r}", mend=mend)
    if revision is not None:
        for row in rows:
            if row["revision"] == revision:
                return row  # type: ignore[no-any-return]
        known = [r["revision"] for r in rows]
        raise NotFoundError(f"cycle {cycle} has no revision {revision!r}", mend=f"It has: {', '.join(known)}")
    if len(rows) > 1:
        known = [r["revision"] for r in rows]
        raise UsageError(
            f"cycle {cycle} has {len(rows)} revisions",
            mend=f"It has: {', '.join(known)}. Name one with --revision or --cycle-revision",
        )
    return rows[0]  # type: ignore[no-any-return]


def same_cycle(conn: sqlite3.Connection, cycle: str, revision: str, source_text: str) -> bool | None:
    """Is this very cycle in the book already? None where it is not; False where it is there with other words."""
    row = conn.execute("SELECT source_text FROM cycle WHERE cycle = ? AND revision = ?", (cycle, revision)).fetchone()
    return None if row is None else bool(row[0] == source_text)
