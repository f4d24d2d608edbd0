"""The whole workbook of a span: first sheet, what needs attention, runs, clauses, movement, charts, definitions."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from loadbook.core import writing
from loadbook.core.vocabulary.lookup import terms
from loadbook.queries.office import Office, cycle_of
from loadbook.queries.result import records
from loadbook.render.attention import points

from . import columns
from .charts import blocks, charts_sheet
from .columns import Column
from .file import ENDINGS, Workbook
from .first import first_sheet

_TABLES = {
    "Attention": columns.ATTENTION, "Runs": columns.RUNS, "Clauses": columns.CLAUSES, "Movement": columns.MOVEMENT,
    "By treatment": columns.TREATMENTS, "Set aside": columns.ASIDE,
}  # fmt: skip


def check_workbook(path: Path, *, force: bool = False) -> None:
    """See before any work that a workbook can be written there. Raises UsageError."""
    writing.check_target(path, ENDINGS, what="a workbook", force=force)


def write_office(path: Path, office: Office, system: str, *, keys: bool = False, force: bool = False) -> None:
    """Write a span's figures as a workbook, whole or not at all.

    keys   the tables' headings are the names of `loadbook sql`, for a program that reads them
    force  a file of that name may be replaced
    Raises UsageError (ending, folder, a name that is taken), LoadbookError (it cannot be written)
    """
    with writing.disk_errors("the workbook", path):
        book = Workbook(path, system, office.period.zone, force=force)
        try:
            verdicts, treatments = records(office.month.verdicts), records(office.month.treatments)
            found, charted = points(office, verdicts, system), blocks(office)
            first_sheet(book, office, found, charted)
            rows: dict[str, Sequence[dict[str, Any]]] = {
                "Attention": [vars(p) for p in found], "Runs": office.runs,
                "Clauses": [v | {"cycle": cycle_of(v)} for v in verdicts],
                "Movement": office.movement, "By treatment": treatments, "Set aside": records(office.month.set_aside),
            }  # fmt: skip
            for name, wanted in _TABLES.items():
                _sheet(book, name, wanted, rows[name], keys)
            charts_sheet(book, office, charted, treatments)
            _definitions(book, system)
            book.close()
        finally:
            book.abandon()


def _sheet(book: Workbook, name: str, wanted: Sequence[Column], rows: Sequence[dict[str, Any]], keys: bool) -> None:
    heads, cells = columns.table(wanted, rows, book.system, keys)
    widths = (
        [max(c.wide, len(h) + 3.0) for c, h in zip(wanted, heads, strict=True)] if keys else [c.wide for c in wanted]
    )
    book.sheet(
        name, heads, cells, forms=[c.form(book.system) for c in wanted], widths=widths,
        total=[i for i, c in enumerate(wanted) if c.total], marks={i: c.mark for i, c in enumerate(wanted) if c.mark},
        printed=sum(not c.screen for c in wanted),
    )  # fmt: skip


def _definitions(book: Workbook, system: str) -> None:
    """Each column of the tables: what it means, its formula and source, and the key that `--keys` writes."""
    known = terms(system)
    rows: dict[tuple[str, ...], list[str]] = {}
    for sheet, wanted in _TABLES.items():
        for c in wanted:
            term = known.get(c.term)
            said = "; ".join(x for x in (c.said, term.definition.replace("\n", " ") if term else "") if x)
            formula, source = (term.formula, term.source) if term else ("", "")
            if said:
                rows.setdefault((c.heading(system), said, formula, source, c.key_in(system)), []).append(sheet)
    heads = ["Column", "What it means", "Sheets", "Formula", "Source", "Key"]
    listed = [[head, said, ", ".join(sheets), *rest] for (head, said, *rest), sheets in rows.items()]
    book.sheet("Definitions", heads, listed, widths=(22, 72, 18, 26, 22, 28))
