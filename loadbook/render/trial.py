"""A kept trial as a table in the book's units: what was planned, and which run was it."""

from __future__ import annotations

from typing import Any

from loadbook.core import times
from loadbook.queries.kept_trials import KeptTrial
from loadbook.queries.trial import heading, level_shown
from loadbook.store.book import BookFolder


def kept_table(found: KeptTrial, book: BookFolder) -> tuple[list[str], list[list[Any]]]:
    """Columns and rows, one planned run a row in the order drawn; asked only where it is not what was planned."""
    names = [found.parameter, *found.factors]
    columns = ["order", "part", "characteristic", *(heading(n, book.units) for n in names), "state", "run", "date"]
    columns += [f"asked, {heading(n, book.units)}" for n in names] + ["pieces", "measured"]
    rows = []
    for r in found.rows():
        plan = [level_shown(n, r[n], book.units) for n in names]
        asked = [level_shown(n, r[f"asked_{n}"], book.units) for n in names]
        rows.append(
            [r["order"], r["part"], r["characteristic"], *plan, r["state"] + (", named" if r["named"] else ""),
             r["run"], times.local_day(r["started"], book.zone) if r["started"] else None, *asked, r["pieces"],
             r["measured"]]
        )  # fmt: skip
    return columns, rows
