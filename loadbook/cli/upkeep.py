"""Commands that look after a book: verify, backup, restore, upgrade."""

from __future__ import annotations

import re
import sys
from pathlib import Path

import click

from loadbook.ground.errors import EXIT_SOMETHING_WRONG, UsageError
from loadbook.keep.book import BookFolder
from loadbook.show.tables import plain

from .common import LoadbookCommand, book_option, say


@click.command(cls=LoadbookCommand)
@click.option("--head", metavar="DIGEST", help="A chain head kept elsewhere, to compare with.")
@book_option
def verify(head: str | None, book: BookFolder) -> None:
    """Check every checksum, key and file; exit 3 if anything is wrong.

    The digest chain finds every later edit made around the triggers, unless whoever made it recomputed the
    whole chain or cut off its end: keep the head that is printed somewhere else, and compare with --head.

    Example: loadbook verify
    """
    from loadbook.keep.chain import GENESIS
    from loadbook.keep.verify import verify as check

    if head is not None:
        head = head.strip().lower()
        if not re.fullmatch("[0-9a-f]{64}", head):
            raise UsageError(
                f"{head!r} is no chain head", mend="A head has 64 digits and letters a to f: copy all of it"
            )
    on_terminal = sys.stderr.isatty()

    def progress(done: int, total: int) -> None:
        if on_terminal and (done % 25 == 0 or done == total):
            click.echo(f"\r{done} of {total} trace files", nl=done == total, err=True)

    found = check(book, progress)
    wrong = list(found.wrong)
    if head is not None and head != found.head:
        digests = {r[0] for r in book.read().execute("SELECT digest FROM chain")} | {GENESIS}
        wrong.append(
            "the chain has grown since that head, and holds it: nothing before it was changed"
            if head in digests
            else "the head given is not in the chain: something before it was changed and the chain recomputed, or"
            " the chain's end was cut off"
        )
        if head in digests:
            say(wrong.pop())
    for line in wrong:
        click.echo(f"wrong: {plain(line)}")
    for line in found.noted:
        click.echo(f"noted: {plain(line)}")
    for line in found.leftover:
        click.echo(f"left over: {plain(line)}")
    click.echo(f"{found.links} links of the chain and {found.traces} trace files are as they were written")
    click.echo(f"head {found.head or '(not reached)'}")
    if wrong:
        click.echo(f"{len(wrong)} wrong")
        sys.exit(EXIT_SOMETHING_WRONG)
    click.echo("nothing wrong")


@click.command(cls=LoadbookCommand)
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--as-it-is", is_flag=True, help="Also of a damaged book: all of it that is there (then exit 3).")
@book_option
def backup(file: Path, as_it_is: bool, book: BookFolder) -> None:
    """Write the whole book into one file, taken while others write and read back before it counts.

    Example: loadbook backup ../book-2026-11-25.zip
    """
    from loadbook.keep.backup import backup as write

    done = write(book, file, as_it_is=as_it_is)
    click.echo(
        f"{plain(str(file))}: {len(done.digests)} files written and read back ({file.stat().st_size / 1e6:.1f} MB)"
    )
    for line in done.wrong:
        say(f"wrong: {plain(line)}")
    if done.wrong:
        sys.exit(EXIT_SOMETHING_WRONG)


@click.command(cls=LoadbookCommand)
@click.argument("file", type=click.Path(path_type=Path))
@click.argument("folder", metavar="BOOK", type=click.Path(path_type=Path))
@click.option("--lost-traces", is_flag=True, help="Bring back only the trace files that BOOK lacks or has damaged.")
def restore(file: Path, folder: Path, lost_traces: bool) -> None:
    """Make a book from a backup, in a new folder; nothing is ever overwritten.

    With --lost-traces the book stays, and those of its trace files come back that are missing or damaged (a damaged
    one is kept beside it, named .damaged).

    Example: loadbook restore book-2026-11-25.zip restored-book
    """
    from loadbook.keep.backup import bring_back
    from loadbook.keep.backup import restore as unpack

    if not lost_traces:
        with unpack(file, folder) as book:
            shown = plain(str(book.path))
            click.echo(f"{shown}: restored. Check it with: loadbook verify --book {shown}")
        return
    with BookFolder.find(str(folder)) as book:
        done = bring_back(book, file)
    for line in done.back:
        click.echo(f"brought back: the trace of run {plain(line)}")
    for line in done.still_lost:
        click.echo(f"wrong: the backup does not hold the trace of run {plain(line)} as it was written")
    if not done.back and not done.still_lost:
        click.echo("no trace is lost")
    if done.still_lost:
        sys.exit(EXIT_SOMETHING_WRONG)


@click.command(cls=LoadbookCommand)
@click.option("--book", "book_name", metavar="FOLDER", help="The book's folder.")
def upgrade(book_name: str | None) -> None:
    """Bring a book to this program's schema, and make lost guards anew. A backup is written beside it first.

    Example: loadbook upgrade --book shop-book
    """
    from loadbook.keep.upgrade import upgrade as bring

    with BookFolder.find(book_name, any_version=True) as book:
        done = bring(book, say)
        for step in done.steps:
            click.echo(f"applied step {step.number}: {step.name}")
        for name in done.guards:
            click.echo(f"made anew: {name}")
        if not done.steps and not done.guards:
            click.echo(f"The book has schema {done.schema} already")
