"""The command that looks for words in what people wrote."""

from __future__ import annotations

import sys

import click

from loadbook.store.book import BookFolder

from .common import LoadbookCommand, book_option, emit, format_option, to_stderr

_ON_TERMINAL = 50


@click.command(cls=LoadbookCommand)
@click.argument("words", nargs=-1, required=True)
@click.option("--kind", "kinds", multiple=True, metavar="KIND", help="Only records of this kind (may be repeated).")
@click.option("--limit", type=click.IntRange(min=0), help="At most so many hits (0: all; a terminal shows 50).")
@format_option
@book_option
def find(words: tuple[str, ...], kinds: tuple[str, ...], limit: int | None, fmt: str | None, book: BookFolder) -> None:
    """Find words in notes, nonconformances, events, jobs, parts, answers and every other text of the book.

    A record must hold all the words; a word is found by its beginning (crack finds cracked), capitals and accents do
    not matter. Words between quotes inside the quotes are found only as they stand: '"door opened"'. loadbook show
    takes a hit's kind and id (in quotes, where it begins with #).

    Example: loadbook find "door opened"
    """
    from loadbook.queries.find import find as look

    hits = look(book, " ".join(words), kinds)
    if limit is None and fmt in (None, "table") and sys.stdout.isatty():
        limit = _ON_TERMINAL
    shown = hits[: limit or None]
    if not hits and fmt in (None, "table"):
        to_stderr(f"Nothing in the book holds {' '.join(words)}")
        return
    note = f"{len(shown)} of {len(hits)} hits; --limit 0 lists all" if len(shown) < len(hits) else None
    emit(
        ["kind", "id", "of", "column", "text"], [(h.kind, h.id, h.of, h.column, h.text) for h in shown], fmt, note=note
    )
