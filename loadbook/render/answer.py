"""The nearest runs of an answer as a table in the book's units."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from loadbook.core import units
from loadbook.queries.answer_figures import settings_shown

COLUMNS = (
    "run", "date", "part", "setup", "atmosphere", "settings", "pieces", "mean", "lowest", "highest", "nearness",
)  # fmt: skip


def comparables_table(rows: Sequence[Mapping[str, Any]], system: str) -> tuple[str, list[str], list[list[Any]]]:
    """(title with the unit, columns, rows) of an answer's comparables; rows must not be empty."""
    unit = rows[0].get("unit", "um")
    shown = []
    for r in rows:
        figures = [units.show(r[k], unit, system)[0] for k in ("mean", "low", "high")]
        shown.append(
            [r["run"], r["date"], r["part"], r["setup"], r["atmosphere"], settings_shown(dict(r), system), r["pieces"],
             *(round(v, 2) for v in figures), round(r["nearness"], 2)]
        )  # fmt: skip
    return f"Nearest runs ({units.show(0.0, unit, system)[1]})", list(COLUMNS), shown
