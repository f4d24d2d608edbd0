"""The `needs` command: what waits for a person."""

from __future__ import annotations

import sys

import click

from loadbook.core.phrases import many
from loadbook.queries.filters import Filters
from loadbook.render.tables import plain
from loadbook.store.book import BookFolder

from .common import LoadbookCommand, book_option, emit, filter_options, format_option, to_stderr

SHOWN = 12  # rows of one kind on a terminal


def _files(book: BookFolder) -> int:
    """How many recorders' files wait."""
    if not (book.path / "watch").is_dir():
        return 0
    from loadbook.readers.recorder.standing import notes_of

    return sum(len(notes.waiting) for notes in notes_of(book))


@click.command(cls=LoadbookCommand)
@click.option("--what", metavar="KIND", help="One kind alone, all of it: decision, suspected fault, ...")
@filter_options
@format_option
@book_option
def needs(what: str | None, filters: Filters, fmt: str | None, book: BookFolder) -> None:
    """List what needs a person: broken or undecided runs that nobody decided about, open nonconformances, suspected
    faults, readings that look like slips, runs made past due, after readings that are missing, first pieces not
    approved.

    A run that was declared void, or that another run repeats, waits for no decision.

    Example: loadbook needs --since 2026-03-01
    """
    from loadbook.queries.needs import COLUMNS, SETTLED, rows_of
    from loadbook.queries.needs import needs as waiting

    found = waiting(book, filters, what)
    if fmt not in (None, "table"):
        emit(COLUMNS, rows_of(found), fmt)
        return
    if (files := _files(book)) and not what and not filters.given():
        wait = f"{many(files, 'recorder file')} {'waits' if files == 1 else 'wait'}"
        to_stderr(f"{wait} to be settled: loadbook watch status")
    if not found:
        to_stderr("nothing waits for a person")
        return
    kinds = [kind for kind in SETTLED if any(n.what == kind for n in found)]
    for i, kind in enumerate(kinds):
        rows = [[cell or "" for cell in row[1:]] for row in rows_of([n for n in found if n.what == kind])]
        shown = rows if what or not sys.stdout.isatty() else rows[-SHOWN:]
        kept = [c for c in range(len(COLUMNS) - 1) if any(row[c] for row in rows)]
        if i:
            click.echo("")
        title = f"{kind[0].upper()}{kind[1:]} ({len(rows)})"
        emit([COLUMNS[1:][c] for c in kept], [[row[c] for c in kept] for row in shown], None, title=title)
        if len(shown) < len(rows):
            click.echo(f'the newest {len(shown)} of {len(rows)}; all of them: loadbook needs --what "{kind}"')
        click.echo(plain(f"  {SETTLED[kind]}"))
