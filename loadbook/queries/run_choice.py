"""Which runs a question is about: the ones named, or all that the filters let through, oldest first."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from loadbook.core.errors import NotFoundError
from loadbook.store import lookup
from loadbook.store.book import BookFolder

from .filters import Filters, unknown_words, words_in

_OF_PIECES = ("part", "material", "family", "shape", "condition", "customer", "job")


def chosen_runs(book: BookFolder, named: Sequence[str], filters: Filters) -> list[str]:
    """Runs by name (in the order given), else by filters (all, where none is given), oldest first.

    Raises NotFoundError for a name, or a filter's word, that the book does not have; UsageError for a filter that runs
    do not have.
    """
    conn = book.read()
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
    found = _rows(book, "runs", of_runs)
    if of_pieces.given():
        held = {row["run"] for row in _rows(book, "pieces", of_pieces)}
        found = [row for row in found if row["run"] in held]
    strange = None if found else unknown_words(words_in(conn), filters)
    if strange:
        raise NotFoundError("no run fits", remedy=strange)
    return [row["run"] for row in sorted(found, key=lambda r: (r["started"], r["run"]))]


def _rows(book: BookFolder, kind: str, filters: Filters) -> list[sqlite3.Row]:
    target = lookup.listed(kind)
    return listed_rows(book, target, filters)[1]


def listed_rows(
    book: BookFolder, kind: lookup.Listed, filters: Filters, limit: int | None = None
) -> tuple[list[str], list[sqlite3.Row], int]:
    """(column names, rows, how many there are in all) of a kind that the filters let through."""
    conn = book.read()
    _, columns = lookup.source(conn, kind.table)
    where, values = filters.without_where().sql(columns, moments_are_text=True)
    only = None
    if filters.where is not None:
        from .where import of_records  # which loads an engine

        only = of_records(book, kind, filters.where)
    return lookup.rows_of(conn, kind, where, values, limit, only)
