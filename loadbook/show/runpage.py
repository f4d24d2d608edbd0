"""The record of one run as a page."""

from __future__ import annotations

from loadbook.ask.judge import JudgedRun
from loadbook.keep.book import BookFolder

from .judged import figure
from .page import mark, page, paragraph, section, table


def run_page(judged: JudgedRun, book: BookFolder, system: str) -> str:
    """The whole page of a judged run, in units 'si' or 'us'."""
    rows = [
        [c.clause, mark(c.verdict), figure(c.value, c.unit, system), figure(c.limit, c.unit, system), c.channel]
        for c in judged.clauses
    ]
    clauses = section(
        "Verdict on every clause",
        table(["clause", "verdict", "value", "limit", "channel"], rows, caption="Clauses", figures=("value", "limit")),
        name="clauses",
    )
    return page(f"Run {judged.run}", [clauses], kind="Run record", summary=paragraph(mark(judged.verdict)))
