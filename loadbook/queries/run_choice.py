"""Which runs a question is about: the ones named, or all that the filters let through, oldest first."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from loadbook.core.errors import NotFoundError
from loadbook.store import lookup

from .filters import Filters, unknown_words, words_in

_OF_PIECES = ("part", "material", "family", "shape", "condition", "customer", "job")


def chosen_runs(conn: sqlite3.Connection, named: Sequence[str], filters: Filters) -> list[str]:
    """Runs by name (in the order given), else by filters (all, where none is given), oldest first.

    Raises NotFoundError for a name, or a filter's word, that the book does not have; UsageError for a filter that runs
    do not have.
    """
    if named:
        unknown = [run for run in named if conn.execute("SELECT 1 FROM run WHERE run = ?", (run,)).fetchone() is None]
        if unknown:
            raise NotFoundError(
                f"the book has no run {', '.join(map(repr, unknown))}", remedy="See: loadbook list runs"
            )
        return list(dict.fromkeys(named))
    of_pieces = Filters(**{name: getattr(filters, name) for name in _OF_PIECES})
    nothing: dict[str, Any] = dict.fromkeys(_OF_PIECES)
    of_runs = replace(filters, **nothing)
    found = _rows(conn, "runs", of_runs)
    if of_pieces.given():
        held = {row["run"] for row in _rows(conn, "pieces", of_pieces)}
        found = [row for row in found if row["run"] in held]
    strange = None if found else unknown_words(words_in(conn), filters)
    if strange:
        raise NotFoundError("no run fits", remedy=strange)
    return [row["run"] for row in sorted(found, key=lambda r: (r["started"], r["run"]))]


def _rows(conn: sqlite3.Connection, kind: str, filters: Filters) -> list[sqlite3.Row]:
    target = lookup.listed(kind)
    _, columns = lookup.source(conn, target.table)
    where, values = filters.sql(columns, moments_are_text=True)
    return lookup.rows_of(conn, target, where, values, None)[1]
