"""Listings in the book's units: columns whose names end in a unit, shown under the US name where the book says so."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any

from loadbook.core import units

# suffix inside -> (suffix shown, conversion): longest first
_TEMPERATURE = ("_f", units.f_from_c)
_DIFFERENCE = ("_f", units.f_diff_from_c_diff)
_US = (
    ("_c_per_h", "_f_per_h", units.f_diff_from_c_diff),
    ("_mm", "_in", lambda v: v / 25.4),
    ("_kg", "_lb", lambda v: v / 0.45359237),
)
# lengths, or figures in the row's own unit (a hardness): the column `unit` says which
_READ = {"before_mm", "after_mm", "movement_mm", "before_scatter_mm", "after_scatter_mm", "nominal_mm", "lower_mm",
         "upper_mm"}  # fmt: skip
_DIFFERENCE_COLUMNS = ("uniformity_c", "worst_c", "correction_c", "expanded_uncertainty_c", "band_low_c", "band_high_c")


def in_units(columns: Sequence[str], rows: Sequence[Sequence[Any]], system: str) -> tuple[list[str], list[list[Any]]]:
    """Columns and rows as the book shows them. Under 'si' nothing changes.

    >>> in_units(["part", "length_mm", "at_c"], [["A", 25.4, 100.0]], "us")
    (['part', 'length_in', 'at_f'], [['A', 1.0, 212.0]])
    >>> in_units(["before_mm", "unit"], [[25.4, "mm"], [60.0, "HRC"]], "us")
    (['before_in', 'unit'], [[1.0, 'mm'], [60.0, 'HRC']])
    """
    if system != "us":
        return list(columns), [list(row) for row in rows]
    names, turns = [], []
    for name in columns:
        shown, turn = name, None
        for inside, outside, conversion in _US:
            if name.endswith(inside):
                shown, turn = name[: -len(inside)] + outside, conversion
                break
        else:
            if name.endswith("_c"):
                outside, turn = _DIFFERENCE if _is_difference(name) else _TEMPERATURE
                shown = name[:-2] + outside
        names.append(shown)
        turns.append(turn)
    own = [t if name not in _READ else None for name, t in zip(columns, turns, strict=True)]
    unit = list(columns).index("unit") if "unit" in columns else None
    shown_rows = []
    for row in rows:
        chosen = turns if unit is None or row[unit] in (None, "", "mm") else own
        shown_rows.append([round(turn(v), 9) if turn and isinstance(v, (int, float)) else v
                           for v, turn in zip(row, chosen, strict=True)])  # fmt: skip
    return names, shown_rows


def as_typed(columns: Sequence[str], rows: Sequence[list[Any]], typed: Sequence[str | None]) -> None:
    """Put readings back to the digits that were typed (24.0600), where they were typed in the unit that is shown.

    rows   changed in place;  typed  of each row, what its input looked like (JSON)
    """
    for row, text in zip(rows, typed, strict=True):
        if not text:
            continue
        given = json.loads(text)
        for place, name in enumerate(columns):
            if name.startswith("value") and name in given and row[place] is not None:
                row[place] = given[name]


def _is_difference(name: str) -> bool:
    return name in _DIFFERENCE_COLUMNS or any(w in name for w in ("spread", "lead", "overshoot", "scatter", "lag"))
