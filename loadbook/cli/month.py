"""The `export` command: a month as a workbook."""

from __future__ import annotations

from pathlib import Path

import click

from loadbook.render.tables import plain
from loadbook.store.book import BookFolder

from .common import LoadbookCommand, book_option, note_empty_month


@click.command(cls=LoadbookCommand)
@click.argument("month", metavar="YYYY-MM")
@click.option(
    "-o", "--output", required=True, metavar="FILE.xlsx", type=click.Path(path_type=Path), help="The workbook."
)
@book_option
def export(month: str, output: Path, book: BookFolder) -> None:
    """Write a month as a workbook: summary, runs, verdicts, movement, definitions.

    Example: loadbook export 2025-09 -o september.xlsx
    """
    from loadbook.core import writing
    from loadbook.core.errors import UsageError
    from loadbook.queries.month import month_of
    from loadbook.render.workbook import write_month

    if output.suffix.lower() != ".xlsx":
        raise UsageError(f"{output.name!r} is not a workbook's name", remedy="Let it end in .xlsx")
    writing.check(output)
    found = month_of(book, month)
    write_month(output, found, system=book.units, zone=book.zone)
    click.echo(
        f"{plain(output)}: {len(found.runs)} runs, {len(found.verdicts)} clauses, {len(found.movement)} characteristics"
    )
    if not len(found.runs):
        note_empty_month(month, book)
