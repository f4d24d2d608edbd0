"""Commands that look after a book: verify, backup, restore, upgrade."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from loadbook.ground.errors import EXIT_SOMETHING_WRONG
from loadbook.keep.book import BookFolder

from .common import LoadbookCommand, book_option, say


@click.command(cls=LoadbookCommand)
@click.option("--head", metavar="DIGEST", help="A chain head kept elsewhere, to compare with.")
@book_option
def verify(head: str | None, book: BookFolder) -> None:
    """Check every checksum, key and file; exit 3 if anything is wrong.

    The digest chain finds every later edit made around the triggers, unless whoever made it recomputed the
    whole chain: keep the head that is printed somewhere else, and compare with --head.

    Example: loadbook verify
    """
    from loadbook.keep.chain import GENESIS
    from loadbook.keep.verify import verify as check

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
            else "the head given is not in the chain: something before it was changed and the chain recomputed"
        )
        if head in digests:
            say(wrong.pop())
    for line in wrong:
        click.echo(f"wrong: {line}")
    for line in found.leftover:
        click.echo(f"left over: {line}")
    click.echo(f"{found.links} links of the chain and {found.traces} trace files are as they were written")
    click.echo(f"head {found.head or '(not reached)'}")
    if wrong:
        click.echo(f"{len(wrong)} wrong")
        sys.exit(EXIT_SOMETHING_WRONG)
    click.echo("nothing wrong")


@click.command(cls=LoadbookCommand)
@click.argument("file", type=click.Path(path_type=Path))
@book_option
def backup(file: Path, book: BookFolder) -> None:
    """Write the whole book into one file, taken while others write and read back before it counts.

    Example: loadbook backup ../book-2026-11-25.zip
    """
    from loadbook.keep.backup import backup as write

    count = write(book, file)
    click.echo(f"{file}: {count} files written and read back ({file.stat().st_size / 1e6:.1f} MB)")


@click.command(cls=LoadbookCommand)
@click.argument("file", type=click.Path(path_type=Path))
@click.argument("folder", metavar="BOOK", type=click.Path(path_type=Path))
def restore(file: Path, folder: Path) -> None:
    """Make a book from a backup, in a new folder; nothing is ever overwritten.

    Example: loadbook restore book-2026-11-25.zip restored-book
    """
    from loadbook.keep.backup import restore as unpack

    with unpack(file, folder) as book:
        click.echo(f"{book.path}: restored. Check it with: loadbook verify --book {book.path}")


@click.command(cls=LoadbookCommand)
@click.option("--book", "book_name", metavar="FOLDER", help="The book's folder.")
def upgrade(book_name: str | None) -> None:
    """Bring a book to this program's schema. A backup is written beside it first.

    Example: loadbook upgrade --book shop-book
    """
    from loadbook.ground import times
    from loadbook.keep import migrate
    from loadbook.keep.backup import backup as write

    with BookFolder.find(book_name, any_version=True) as book:
        has, newest = migrate.version(book.read()), migrate.newest()
        if has == newest:
            click.echo(f"The book has schema {has} already")
            return
        stamp = times.stored(times.now()).replace(":", "").replace("-", "")
        saved = book.path.resolve().parent / f"{book.path.resolve().name}-schema{has}-{stamp}.zip"
        write(book, saved)
        say(f"Backup: {saved}")
        for step in migrate.apply(book.read()):
            click.echo(f"applied step {step.number}: {step.name}")
