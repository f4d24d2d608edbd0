"""What an intake file looks like: header, one example row, and what each column means."""

from __future__ import annotations

import csv
import io

from loadbook.core.figures import inline
from loadbook.core.vocabulary.intake_kinds import Column, Kind

_US = {"length": "in", "temperature": "f", "difference": "f", "mass": "lb"}
# of texts that name a unit
_US_EXAMPLES = {"C/h": "F/h", "°C": "°F", "900 x 600 x 600 mm": "36 x 24 x 24 in"}


def header_and_example(kind: Kind, *, system: str = "si") -> str:
    """A CSV text with the header and one example row; it can be taken in as it is, once its references exist.

    system 'us' puts the US unit into the names of lengths, temperatures and masses, with the example converted.
    """
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    names, cells = [], []
    for column in kind.columns:
        name, cell = _in_system(column, system)
        names.append(name)
        cells.append(cell)
    writer.writerow(names)
    writer.writerow(cells)
    return out.getvalue()


def _in_system(column: Column, system: str) -> tuple[str, str]:
    if system == "us" and column.example in _US_EXAMPLES:
        return column.name, _US_EXAMPLES[column.example]
    if system != "us" or column.dimension not in _US:
        return column.name, column.example
    unit = _US[column.dimension]
    name = f"{column.stem}_{unit}"
    if not column.example:
        return name, ""
    inside = float(column.example)
    value = {
        "length": inside / 25.4,
        "temperature": inside * 1.8 + 32,
        "difference": inside * 1.8,
        "mass": inside / 0.45359237,
    }[column.dimension]
    return name, f"{value:.5g}"


def meanings(kind: Kind, *, system: str = "si") -> list[tuple[str, str, str]]:
    """(column, required or optional, meaning with choices and units) for every column of `header_and_example`."""
    found = []
    for column in kind.columns:
        name, text = _in_system(column, system)[0], inline(column.meaning, system)
        if column.choices:
            text += ". One of: " + ", ".join(column.choices)
        if column.type == "yesno":
            text += " (yes or no)"
        elif column.type == "date":
            text += " (like 2026-04-03)"
        elif column.type == "moment":
            text += " (like 2026-04-03T08:00, the shop's clock; or with an offset)"
        if column.dimension:
            others = [other for other, _ in column.spellings() if other != name]
            text += f". Other units by name: {', '.join(others)}"
        if column.scales:
            text += f". Its scale by name: {', '.join(scaled for scaled, scale in column.spellings() if scale)}"
        if column.default is not None:
            text += f". Empty: {column.default}"
        found.append((name, "required" if column.required else "optional", text))
    return found
