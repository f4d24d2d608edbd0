"""Units of temperature above the heading, in a list of channels or by a word: offered where the file asks for one, and
held against the one that is stated for all channels."""

from __future__ import annotations

import re
from dataclasses import replace

from loadbook.core.errors import IntakeError

from .layout import Layout
from .names import Heading, unit_of
from .options import Question
from .source import Source
from .start_said import HEAD_BYTES
from .table import open_table

_TEMPERATURES = ("c", "f", "k")
_WORD = re.compile(
    r"\b(?:units?|einheit|unité|unidad)\b\W{0,3}(?P<unit>[°º]\s?[CFK]|deg(?:rees?)?\.?\s?[CFK]|celsius|fahrenheit|kelvin|[CFK])\b",
    re.IGNORECASE,
)


def with_units_said(
    questions: list[Question], notes: list[str], headings: list[Heading], source: Source, layout: Layout,
    temperatures: set[str],
) -> list[Question]:  # fmt: skip
    """The questions, with what the lines above the heading say of units of temperature.

    Where they say several, one unit for all channels settles nothing: each channel is asked about. notes gets a word
    where they say another one than the layout. temperatures are the names of the channels that are one.
    """
    asked = [q for q in questions if q.option.startswith("--unit c, f or k")]
    bare = [
        h for h in headings
        if h.name in temperatures and not h.unit and not getattr(layout.rule(h.name, h.full), "unit", "")
    ]  # fmt: skip
    if not asked and not (layout.unit and bare):
        return questions
    said = _said(source, layout)
    units = {u for _, u in said.values()}
    told = ", ".join(f"line {line} {text!r}" for text, (line, _) in list(said.items())[:4])
    if len(units) > 1:
        each = "--channel NAME=ROLE,UNIT for each"
        text = f"{', '.join(repr(h.name) for h in bare[:4])}: the units above the heading differ ({told})"
        return [q for q in questions if q not in asked] + [Question(text, each)]
    if len(units) == 1 and asked:
        unit = next(iter(units))
        return [
            replace(q, text=f"{q.text} ({told}: is that it?)", option=q.option.replace("c, f or k", unit, 1))
            if q in asked
            else q
            for q in questions
        ]
    if len(units) == 1 and layout.unit not in units:
        notes.append(f"{told}; the temperatures are taken in °{layout.unit.upper()}, as --unit or the layout says")
    return questions


def _said(source: Source, layout: Layout) -> dict[str, tuple[int, str]]:
    """What stands above the heading -> (its line, the unit that it says), each once."""
    try:
        table = open_table(source, layout, most_bytes=HEAD_BYTES)
    except IntakeError:
        return {}
    found: dict[str, tuple[int, str]] = {}
    for line, row in zip(table.grid.lines, [*table.head.preamble, *table.head.rows], strict=False):
        for cell in filter(None, row):
            worded = _WORD.search(cell)
            unit = unit_of(worded["unit"]) if worded else unit_of(cell) if len(cell.strip("[](){} ")) > 1 else ""
            if unit in _TEMPERATURES:
                found.setdefault(worded.group().strip() if worded else cell, (line, unit))
    return found
