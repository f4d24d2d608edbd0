"""A moment that stands above the heading: offered where the file asks when it began, and never taken by itself."""

from __future__ import annotations

import re
from dataclasses import replace

from ..ground.errors import IntakeError
from .layout import Layout
from .recorderoptions import Question
from .recordersource import Source
from .recordertable import Table, open_table
from .recordertimes import date_orders, format_of, kind_of, parse_cell

HEAD_BYTES = 8_192
_MOMENT = re.compile(
    r"(?:\d{1,4}[-/.]\d{1,2}[-/.]\d{1,4}|\d{1,2}[- ][A-Za-z]{3}[- ]\d{4})"
    r"(?:T|,?\s+)\d{1,2}:\d{2}(?::\d{2})?(?:\s*[AP]M)?",
    re.IGNORECASE,
)
_BEGIN = re.compile(r"\b(start|started|begin|began|begun|beginn|inicio|début|debut|inizio)\b", re.IGNORECASE)


def with_hint(questions: list[Question], source: Source, layout: Layout) -> list[Question]:
    """The questions, with what the lines above the heading say of the start beside the one that asks for it."""
    if not any(q.option.startswith("--start MOMENT") for q in questions):
        return questions
    try:
        found = moment_above(open_table(source, layout, most_bytes=HEAD_BYTES))
    except IntakeError:
        return questions
    if found is None:
        return questions
    line, text, option = found
    hint = f" (line {line} says {text!r}: is that it?)"
    return [
        replace(q, text=q.text + hint, option=option or q.option) if q.option.startswith("--start MOMENT") else q
        for q in questions
    ]


def moment_above(table: Table) -> tuple[int, str, str] | None:
    """(line, the text, the option that takes it as the start) of the one moment above the heading; the one in a line
    that speaks of a start where there are several; None where there is none, or no telling which. The option is ''
    where the order of day and month is not clear."""
    found = []
    for line, row in zip(table.grid.lines, table.head.preamble, strict=False):
        text = " ".join(c for c in row if c)
        match = _MOMENT.search(text)
        if match and kind_of(match.group()) == "moment":
            found.append((line, match.group(), bool(_BEGIN.search(text))))
    named = [f for f in found if f[2]]
    if len(named or found) != 1:
        return None
    line, text, _ = (named or found)[0]
    orders, example = date_orders([text])
    order = "ymd" if not example else next(iter(orders)) if len(orders) == 1 else ""
    moment = parse_cell(text, format_of(text, order)) if order else None
    option = "" if moment is None else f"--start {moment.isoformat(timespec='seconds')}, or --start run"
    return line, text, option
