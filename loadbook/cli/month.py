"""The `export` command: a month, or another span, as a workbook."""

from __future__ import annotations

from pathlib import Path

import click

from loadbook.core.phrases import many
from loadbook.render.tables import plain
from loadbook.store.book import BookFolder

from .common import LoadbookCommand, book_option, note_empty_span


@click.command(cls=LoadbookCommand)
@click.argument("month", metavar="YYYY-MM", required=False)
@click.option("--from", "first", metavar="DATE", help="From this day or month on, in place of one month.")
@click.option("--to", "last", metavar="DATE", help="Up to the end of this day or month (default: today).")
@click.option("--customer", metavar="NAME", help="Only this customer's pieces, and the runs that held them.")
@click.option("--keys", is_flag=True, help="Column names of loadbook sql in place of headings, for other programs.")
@click.option(
    "-o", "--output", metavar="FILE.xlsx", type=click.Path(path_type=Path), help="The workbook (default: by name)."
)
@click.option("--force", is_flag=True, help="Write over a file of that name.")
@book_option
def export(
    month: str | None, first: str | None, last: str | None, customer: str | None, keys: bool, output: Path | None,
    force: bool, book: BookFolder,
) -> None:  # fmt: skip
    """Write a month, or another span, as a workbook: what needs attention, runs, clauses, movement, definitions.

    Example: loadbook export 2025-09 -o september.xlsx
    """
    from loadbook.queries.office import office_of, period
    from loadbook.render.pages.links import file_name
    from loadbook.render.workbook.office import check_workbook, write_office

    span = period(book, month, first, last)
    named = month or span.name
    path = output or Path(file_name("export", f"{named} {customer}" if customer else named)).with_suffix(".xlsx")
    check_workbook(path, force=force)
    office = office_of(book, span, customer)
    write_office(path, office, book.units, keys=keys, force=force)
    counts = (many(len(office.runs), "run"), many(len(office.month.verdicts), "clause"),
              many(len(office.movement), "movement"))  # fmt: skip
    click.echo(f"{plain(path)}: {', '.join(counts)}")
    if not office.runs:
        note_empty_span(named if customer is None else f"{named} for {office.customer}", book)
