"""Listings in the book's units: columns whose names end in a unit, shown under the US name where the book says so."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from typing import Any

from loadbook.core import units
from loadbook.core.figures import scale_words
from loadbook.core.vocabulary.parameter_names import spoken
from loadbook.queries.evidence_words import row_in_words
from loadbook.readers.cycles.keys import QUANTITY_DIMENSION
from loadbook.store.chain import literal

# columns of keys that people know by another name
_WORDED: dict[str, Callable[[str, str], str]] = {"parameter": spoken, "scale": scale_words}
# suffix inside -> (suffix shown, conversion): longest first
_TEMPERATURE = ("_f", units.f_from_c)
_DIFFERENCE = ("_f", units.f_diff_from_c_diff)
_US = (
    ("_c_per_h", "_f_per_h", units.f_diff_from_c_diff),
    ("_um_per_100mm", "_0.0001in_per_10in", lambda v: v),  # 1 µm per 100 mm is 1e-5 either way
    ("_um", "_thou", lambda v: v / 25.4),
    ("_mm", "_in", lambda v: v / 25.4),
    ("_mbar_per_h", "_micron_per_h", lambda v: units.show(v, "mbar_per_h", "us")[0]),
    ("_mbar", "_torr", lambda v: units.show(v, "mbar", "us")[0]),
    ("_kg", "_lb", lambda v: round(v / 0.45359237, 2 if abs(v) >= 0.5 else 5)),
)
# lengths, or figures in the row's own unit (a hardness): the column `unit` says which
_READ = {"before_mm", "after_mm", "movement_mm", "before_scatter_mm", "after_scatter_mm", "nominal_mm", "lower_mm",
         "upper_mm"}  # fmt: skip
_DIFFERENCE_COLUMNS = ("uniformity_c", "worst_c", "correction_c", "expanded_uncertainty_c", "band_low_c", "band_high_c")


def in_units(columns: Sequence[str], rows: Sequence[Sequence[Any]], system: str) -> tuple[list[str], list[list[Any]]]:
    """Columns and rows as the book shows them; what stands in a cell as codes and figures is worded.

    A figure whose unit stands beside it in a column `unit` is turned with that unit, and the unit written out.

    >>> in_units(["part", "length_mm", "at_c"], [["A", 25.4, 100.0]], "us")
    (['part', 'length_in', 'at_f'], [['A', 1.0, 212.0]])
    >>> in_units(["load_mass_kg"], [[92.0], [0.25]], "us")
    (['load_mass_lb'], [[202.83], [0.55116]])
    >>> in_units(["before_mm", "unit"], [[25.4, "mm"], [60.0, "HRC"]], "us")
    (['before_in', 'unit'], [[1.0, 'in'], [60.0, 'HRC']])

    Limits of a cycle get such a column, for their quantity says the unit.

    >>> in_units(["quantity", "relation", "value"], [["start_control", "max", 37.7777777777]], "us")
    (['quantity', 'relation', 'value', 'unit'], [['start_control', 'max', 100.0, '°F']])
    """
    table = [row_in_words(row, system) for row in rows]
    if {"quantity", "relation", "value"} <= set(columns):
        columns = _with_units_of_limits(columns, table)
    for i, name in enumerate(columns):
        if name in _WORDED:
            for row in table:
                cell = row[i]
                row[i] = _WORDED[name](cell, system) if isinstance(cell, str) else cell
    kept_units = [row[list(columns).index("unit")] if "unit" in columns else None for row in table]
    if "unit" in columns:
        _beside_their_unit(columns, table, system)
    if system != "us":
        return list(columns), table
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
    shown_rows = []
    for row, unit in zip(table, kept_units, strict=True):
        chosen = turns if unit in (None, "", "mm") else own
        shown_rows.append([_readable(turn(v)) if turn and isinstance(v, (int, float)) else v
                           for v, turn in zip(row, chosen, strict=True)])  # fmt: skip
    return names, shown_rows


def _readable(value: float) -> float:
    """A turned figure without a tail: five places, finer than any gauge reads inches; two digits of what is smaller.

    >>> _readable(80.01 / 25.4), _readable(0.0005 / 25.4)
    (3.15, 2e-05)
    """
    if abs(value) < 1e-12:  # what is left of sums that cancel
        return 0.0
    return round(value, 5) if abs(value) >= 0.001 else float(f"{value:.2g}")


# records whose figures the program worked out -> digits that a listing for people shows of them
_WORKED_OUT = {"answer": 3, "finding": 5, "parameter": 5}


def without_tails(table: str, columns: Sequence[str], rows: Sequence[list[Any]]) -> None:
    """Round, in place, what the program worked out and a listing shows; what a person typed stays as it is.

    >>> rows = [[44.23808452, 206.7762552, "%"]]
    >>> without_tails("answer", ["low", "high", "unit"], rows)
    >>> rows
    [[44.2, 207.0, '%']]
    """
    digits = _WORKED_OUT.get(table)
    if digits is None:
        return
    for row in rows:
        for place, name in enumerate(columns):
            if isinstance(row[place], float) and name in (*_BESIDE_UNIT, *_WIDTHS):
                whole = float(f"{row[place]:.{digits}g}")
                row[place] = whole if abs(whole) < 10.0**digits else round(row[place])


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


def amended_in_units(row: Any, system: str) -> list[Any]:
    """[column, was, became] of an amendment, as the book shows such a column."""
    old, new = literal(row["old_value"]), literal(row["new_value"])
    (name,), ((was,), (became,)) = in_units([row["column_name"]], [[old], [new]], system)
    return [name, was, became]


_BESIDE_UNIT = ("value", "limit_value", "nominal", "low", "high", "lowest", "highest", "bound", "asked", "achieved",
                "mean", "mean_low", "mean_high", "median", "worst", "cap", "floor", "value_beyond")  # fmt: skip
_WIDTHS = ("se", "uncertainty")  # differences, where the figure is a temperature


_LIMIT_UNITS = {"temperature": "c", "difference": "c_diff", "rate": "c_per_h", "pressure": "mbar", "leak": "mbar_per_h",
                "duration": "min", "seconds": "s"}  # fmt: skip


def _with_units_of_limits(columns: Sequence[str], table: list[list[Any]]) -> list[str]:
    """A column `unit` behind the value of a cycle's limits; table is changed in place."""
    names = list(columns)
    at, of = names.index("value") + 1, names.index("quantity")
    for row in table:
        row.insert(at, _LIMIT_UNITS.get(QUANTITY_DIMENSION.get(row[of], ""), ""))
    names.insert(at, "unit")
    return names


def _beside_their_unit(columns: Sequence[str], table: list[list[Any]], system: str) -> None:
    at = list(columns).index("unit")
    for row in table:
        unit = row[at]
        if unit not in units.SHOWN[system]:
            continue
        for i, name in enumerate(columns):
            if isinstance(row[i], (int, float)) and name in (*_BESIDE_UNIT, *_WIDTHS):
                kept = "c_diff" if unit == "c" and name in _WIDTHS else unit
                row[i] = _readable(units.show(row[i], kept, system)[0]) if system == "us" else row[i]
        row[at] = units.show(0.0, unit, system)[1]


def _is_difference(name: str) -> bool:
    return name in _DIFFERENCE_COLUMNS or any(w in name for w in ("spread", "lead", "overshoot", "scatter", "lag"))
