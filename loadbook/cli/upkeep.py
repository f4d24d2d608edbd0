"""Commands that look after a book: verify, keep-links, backup, pack, restore, upgrade."""

from __future__ import annotations

import re
import sys
from datetime import timedelta
from pathlib import Path
from typing import TYPE_CHECKING

import click

from loadbook.core.errors import EXIT_SOMETHING_WRONG, UsageError
from loadbook.core.phrases import many
from loadbook.core.times import from_stored, now, parse_month
from loadbook.core.typed import quote
from loadbook.render.tables import plain
from loadbook.store.book import BookFolder

from .common import LoadbookCommand, book_option, to_stderr
from .progress import progress

if TYPE_CHECKING:
    from loadbook.store.verify import Before

WHOLE_DAYS = 31  # from one whole check to the next


@click.command(cls=LoadbookCommand)
@click.option("--last-link", metavar="DIGEST", help="A last link of the chain kept elsewhere, to compare with.")
@click.option("--links", type=click.Path(path_type=Path), metavar="FILE",
              help="A file of links to compare with (default: the one that the book keeps).")  # fmt: skip
@click.option("--signed-by", metavar="KEY", help="The public key that must have signed the file of links.")
@click.option("--since", metavar="DIGEST", help="Only what was taken in after this link, the last of a whole check.")
@book_option
def verify(
    last_link: str | None, links: Path | None, signed_by: str | None, since: str | None, book: BookFolder
) -> None:  # fmt: skip
    """Check every checksum, key and file; exit 3 if anything is wrong.

    The digest chain finds every later edit made around the triggers, unless whoever made it recomputed the
    whole chain or cut off its end: note the last link it prints
    somewhere else, and compare with --last-link; or have it kept there after each intake (loadbook keep-links), and it
    is compared each time. Name that file with --links, and its key with --signed-by: the book's own word for them can
    be changed like all of it.

    What stood before can be damaged at any time: with --since, which takes a part of the time, the last lines say what
    was not looked at, and when a whole check is due.

    Example: loadbook verify
    """
    from loadbook.store import kept_links
    from loadbook.store.chain import GENESIS
    from loadbook.store.verify import LOST_LINK
    from loadbook.store.verify import verify as check

    signed_by = _hex(signed_by, "a public key") if signed_by is not None else None
    if last_link is not None:
        last_link = _hex(last_link, "a link of a digest chain")
    since = _hex(since, "a link of a digest chain") if since is not None else None
    with progress() as show:
        found = check(book, lambda done, whole: show("trace files", done, whole), since)
    wrong = list(found.wrong)
    if last_link is not None and last_link != found.last_link:
        digests = {r[0] for r in book.read().execute("SELECT digest FROM chain")} | {GENESIS}
        wrong.append(
            "the chain has grown since that link, and holds it: nothing before it was changed"
            if last_link in digests
            else LOST_LINK
        )
        if last_link in digests:
            to_stderr(wrong.pop())
    kept = links or (Path(named) if (named := found.links_file) else None)
    if kept is not None and found.last_link:
        more, said = kept_links.against(book.read(), kept, signed_by)
        wrong += more
        found.noted += said
    elif signed_by is not None:
        raise UsageError("the book keeps no links", remedy="Name the file with --links")
    for line in wrong:
        click.echo(f"wrong: {plain(line)}")
    for line in found.noted:
        click.echo(f"noted: {plain(line)}")
    for line in found.leftover:
        click.echo(f"left over: {plain(line)}")
    click.echo(f"{found.links} links of the chain and {found.traces} trace files are as they were written")
    if found.snapshot:
        click.echo(f"{found.snapshot} files of the snapshot agree with the book")
    if found.before is None:
        click.echo(f"last link {found.last_link or '(not reached)'}")
    else:
        _say_the_rest(found.before)
    if wrong:
        click.echo(f"{len(wrong)} wrong")
        sys.exit(EXIT_SOMETHING_WRONG)
    click.echo("nothing wrong" if found.before is None else "nothing wrong in what was looked at")


def _say_the_rest(before: Before) -> None:
    """What was not looked at, and when that is due."""
    click.echo(
        f"not looked at: what the {many(before.links, 'link')} up to the one given put in,"
        f" {many(before.traces, 'trace file')}, what was computed of their runs, files without a row, the snapshot, and"
        " SQLite's own check of the file"
    )
    due = from_stored(before.at) + timedelta(days=WHOLE_DAYS)
    when = "is due" if due <= now() else f"is due by {due:%Y-%m-%d}"
    click.echo(f"a whole check {when}, {WHOLE_DAYS} days after that link was made: loadbook verify")


def _hex(text: str, what: str) -> str:
    text = text.strip().lower()
    if not re.fullmatch("[0-9a-f]{64}", text):
        raise UsageError(
            f"{text!r} is not {what}", remedy="It has 64 characters, digits and letters a to f: copy all of it"
        )
    return text


@click.command("keep-links", cls=LoadbookCommand)
@click.argument("file", required=False, type=click.Path(path_type=Path))
@click.option("--new-key", type=click.Path(path_type=Path), metavar="KEY", help="Make a key there, and sign with it.")
@click.option("--key", type=click.Path(path_type=Path), metavar="KEY", help="Sign with this key (Ed25519, PEM).")
@click.option("--stop", is_flag=True, help="Keep no links any more.")
@book_option
def keep_links(file: Path | None, new_key: Path | None, key: Path | None, stop: bool, book: BookFolder) -> None:
    """Keep the chain's last link in FILE, on another drive, after each intake and amendment.

    Whoever can write the book could cut off its chain's end, or recompute it: verify finds both by that file. It should
    be where its users may add to it and not change it. Signed lines (needs: pip install 'loadbook[signed]') cannot be
    made without the key, which belongs outside the book: note the public key that is printed. A drive that is missing
    stops no intake: it is said, and the next link written stands for those before it.

    Example: loadbook keep-links ../book-links.txt --new-key ../links-key.pem
    """
    from loadbook.store.keeping import keep, stop_keeping

    if stop == (file is not None) or (new_key and key):
        raise UsageError("name the file, or say --stop; and one key at most", remedy="See: loadbook keep-links --help")
    if file is None:
        stop_keeping(book)
        click.echo("No links are kept any more")
        return
    signer = keep(book, file, key=key, new_key=new_key)
    click.echo(f"The last link is kept in {plain(str(file.absolute()))}")
    if signer is not None:
        click.echo(f"signed by {signer}")
        to_stderr("Note this public key outside the book: loadbook verify --signed-by compares with it.")


@click.command(cls=LoadbookCommand)
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--as-it-is", is_flag=True, help="Also of a damaged book: all of it that is there (then exit 3).")
@book_option
def backup(file: Path, as_it_is: bool, book: BookFolder) -> None:
    """Write the whole book into one file, taken while others write and read back before it counts.

    Example: loadbook backup ../book-2026-11-25.zip
    """
    from loadbook.store.backup import backup as write

    done = write(book, file, as_it_is=as_it_is)
    click.echo(
        f"{plain(str(file))}: {len(done.digests)} files written and read back ({file.stat().st_size / 1e6:.1f} MB)"
    )
    for line in done.wrong:
        to_stderr(f"wrong: {plain(line)}")
    if done.wrong:
        sys.exit(EXIT_SOMETHING_WRONG)


@click.command(cls=LoadbookCommand)
@click.option("--before", required=True, metavar="YYYY-MM", help="The month that stays as it is, with all after it.")
@book_option
def pack(before: str, book: BookFolder) -> None:
    """Put the trace files of months before --before together, one file for each month.

    Thousands of small files are slow to copy and to open. In its pack each trace stays as it was written, checked by
    its own digest as before; the small files go only after the pack was read back. A run that is taken in again later
    has its own file, which counts. Stop it whenever you like: the same command goes on. A question that reads samples
    meanwhile may have to be asked again.

    Example: loadbook pack --before 2025-01
    """
    from loadbook.store.packing import pack as put_together

    parse_month(before)
    with progress() as show:
        done = put_together(book, before, show)
    if not done.removed and not done.left:
        click.echo(f"no trace file before {before} is left to pack")
        return
    click.echo(f"{done.traces} traces put into {done.packs} packs ({done.bytes / 1e6:.1f} MB)")
    click.echo(f"{done.removed} files of single traces removed")
    for line in done.left:
        to_stderr(f"left as they are: {plain(line)}")
    if done.left:
        to_stderr("See: loadbook verify")
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
    from loadbook.store.backup import bring_back
    from loadbook.store.backup import restore as unpack

    if not lost_traces:
        with unpack(file, folder) as book:
            shown = plain(str(book.path))
            click.echo(f"{shown}: restored. Check it with: loadbook verify --book {quote(shown)}")
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
    """Bring a book to this program's schema, and restore lost guards. A backup is written beside it first.

    Example: loadbook upgrade --book shop-book
    """
    from loadbook.store.upgrade import upgrade as bring

    with BookFolder.find(book_name, any_version=True) as book:
        done = bring(book, to_stderr)
        for step in done.steps:
            click.echo(f"applied step {step.number}: {step.name}")
        for name in done.guards:
            click.echo(f"restored: {name}")
        if not done.steps and not done.guards:
            click.echo(f"The book has schema {done.schema} already")
