"""The `page` commands: what is known of a run, an answer or a month as one self-contained HTML file."""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any, TypeVar

import click

from loadbook.render.pages.links import file_name, piece_name
from loadbook.render.tables import plain
from loadbook.store.book import BookFolder

from .common import LoadbookCommand, LoadbookGroup, book_option, note_empty_span, to_stderr
from .precheck import plan_option, planned_file
from .progress import progress

F = TypeVar("F", bound=Callable[..., Any])


@click.group(cls=LoadbookGroup)
def page() -> None:
    """One self-contained HTML file, to look at, print or send: it needs no network and no other file."""


def page_options(function: F) -> F:
    """Adds --output, --force and --units, the same for every page."""
    for option in (
        click.option(
            "--units", type=click.Choice(["si", "us"]), help="Units shown in the page (default: the book's own)."
        ),
        click.option("--force", is_flag=True, help="Write over a file of that name."),
        click.option(
            "-o", "--output", metavar="FILE.html", type=click.Path(path_type=Path), help="The page (default: by name)."
        ),
    ):
        function = option(function)
    return function


@page.command("run", cls=LoadbookCommand)
@click.argument("run")
@click.option(
    "--for", "customer", metavar="CUSTOMER", help="Only what is this customer's, in words that may go to them."
)
@click.option(
    "--internal", is_flag=True, help="The whole record of a mixed or confidential load, INTERNAL on each page."
)
@page_options
@book_option
def run_page(
    run: str, customer: str | None, internal: bool, output: Path | None, force: bool, units: str | None,
    book: BookFolder,
) -> None:  # fmt: skip
    """The record of a run: what was asked and what was done, chart, verdict, pieces, checks, approvals, provenance.

    A load of several customers, or with a confidential or export-controlled job, takes --for or --internal. With --for,
    free text of the book stays out: the customer's own keys and words of the trade go in.

    Example: loadbook page run R25-086 -o R25-086.html
    """
    from loadbook.core import times
    from loadbook.core.errors import UsageError
    from loadbook.queries.run_record import private, run_sheet
    from loadbook.render.pages.run import run_page as made
    from loadbook.render.pages.shell import check_page, write_page

    if customer is not None and internal:
        raise UsageError("--for goes to a customer, --internal stays in the shop", remedy="Give one of the two")
    path = output or Path(file_name("run", run) if customer is None else file_name("run", f"{run} for {customer}"))
    check_page(path, force=force)
    now, system = times.stored(times.now()), units or book.units
    if customer is not None:
        from loadbook.queries.customer_run import customer_sheet, refuse_leaks

        sheet = customer_sheet(book, run, customer)
        source = made(sheet, book, system, now)
        refuse_leaks(book, str(sheet.customer), source)
    else:
        sheet = run_sheet(book, run)
        if not internal and (why := private(sheet)):
            first = why[0].rstrip(".")
            raise UsageError(
                f"the page of {run} is not for everybody: {first[:1].lower()}{first[1:]}",
                remedy="Write one customer's page with --for CUSTOMER, or the shop's own with --internal",
            )
        source = made(sheet, book, system, now, internal=internal)
    write_page(path, source, force=force)
    click.echo(plain(str(path)))


@page.command("precheck", cls=LoadbookCommand)
@click.argument("run")
@plan_option
@page_options
@book_option
def precheck_page(
    run: str, plan: tuple[str, ...], output: Path | None, force: bool, units: str | None, book: BookFolder
) -> None:
    """The sheet before the door closes, to print: a box for every point, and room for a name.

    The sheet that was kept last, where one was; else as the book stands. With --plan of a load that the book does not
    hold.

    Example: loadbook page precheck R26-135 -o before-R26-135.html

    Example: loadbook page precheck PLAN-1 --plan runs=run.csv --plan pieces=pieces.csv
    """
    from loadbook.core import times
    from loadbook.core.errors import NotFoundError
    from loadbook.queries import precheck as asked
    from loadbook.render.pages.precheck import precheck_page as made
    from loadbook.render.pages.shell import check_page, write_page

    path = output or Path(file_name("precheck", run))
    check_page(path, force=force)
    if plan:
        sheet = asked.planned(book, run, [planned_file(text) for text in plan])
    else:
        sheet = asked.precheck(book, run)
        with contextlib.suppress(NotFoundError):
            sheet = replace(asked.kept(book, run), started=sheet.started, ahead=sheet.ahead)
    write_page(path, made(sheet, book, units or book.units, times.stored(times.now())), force=force)
    click.echo(plain(str(path)))


@page.command("month", cls=LoadbookCommand)
@click.argument("month", metavar="YYYY-MM")
@page_options
@book_option
def month_page(month: str, output: Path | None, force: bool, units: str | None, book: BookFolder) -> None:
    """A month: runs and verdicts, furnaces against their own past, movement, thermocouple faults, answers.

    Example: loadbook page month 2025-09 -o september.html
    """
    from loadbook.queries.month import bounds, month_seen
    from loadbook.render.pages.month import month_page as made
    from loadbook.render.pages.shell import check_page, write_page

    path = output or Path(file_name("month", month))
    bounds(month, book)
    check_page(path, force=force)
    seen = month_seen(book, month)
    write_page(path, made(seen, book, units or book.units), force=force)
    click.echo(plain(str(path)))
    if not len(seen.month.runs):
        note_empty_span(month, book)


def _written(path: Path, force: bool, source: Callable[[], str]) -> None:
    """Write a page, refusing a name that is taken before the work."""
    from loadbook.render.pages.shell import check_page, write_page

    check_page(path, force=force)
    write_page(path, source(), force=force)
    click.echo(plain(str(path)))


@page.command("part", cls=LoadbookCommand)
@click.argument("part")
@page_options
@book_option
def part_page(part: str, output: Path | None, force: bool, units: str | None, book: BookFolder) -> None:
    """A part's past: how it moved over time by treatment, settings, runs and verdicts, answers, open points.

    Example: loadbook page part PN-1004 -o PN-1004.html
    """
    from loadbook.queries.past import past_of
    from loadbook.render.pages.past import part_page as made

    path = output or Path(file_name("part", part))
    _written(path, force, lambda: made(past_of(book, part), part, book, units or book.units))


@page.command("customer", cls=LoadbookCommand)
@click.argument("customer", metavar="NAME")
@page_options
@book_option
def customer_page(customer: str, output: Path | None, force: bool, units: str | None, book: BookFolder) -> None:
    """A customer's past, for the shop: movement of their parts, runs and verdicts, jobs, answers, open points.

    It stays in the shop. What goes to a customer: page run RUN --for NAME, page answer N.

    Example: loadbook page customer "Customer A" -o customer-a.html
    """
    from loadbook.queries.past import past_of
    from loadbook.render.pages.past import customer_page as made

    path = output or Path(file_name("customer", customer))
    _written(path, force, lambda: made(past_of(book), customer, book, units or book.units))


@page.command("piece", cls=LoadbookCommand)
@click.argument("part")
@click.argument("serial")
@page_options
@book_option
def piece_page(part: str, serial: str, output: Path | None, force: bool, units: str | None, book: BookFolder) -> None:
    """A piece's passport: its route, every run with its verdict, readings, dose, what was promised and what came.

    Example: loadbook page piece PN-1004 0012 -o piece.html
    """
    from loadbook.queries.past import past_of
    from loadbook.render.pages.passport import piece_page as made

    path = output or Path(file_name("piece", piece_name(part, serial)))
    _written(path, force, lambda: made(past_of(book, part), part, serial, book, units or book.units))


@page.command("furnace", cls=LoadbookCommand)
@click.argument("furnace")
@page_options
@book_option
def furnace_page(furnace: str, output: Path | None, force: bool, units: str | None, book: BookFolder) -> None:
    """A furnace's past: control charts of the last year, checks, thermocouple faults, runs and verdicts, open points.

    Example: loadbook page furnace F1 -o F1.html
    """
    from loadbook.queries.furnaces import charts_of_last_year
    from loadbook.queries.past import past_of
    from loadbook.render.pages.past import furnace_page as made

    path = output or Path(file_name("furnace", furnace))

    def source() -> str:
        charts = [c for c in charts_of_last_year(book) if c.furnace == furnace]
        return made(past_of(book), furnace, charts, book, units or book.units)

    _written(path, force, source)


@page.command("book", cls=LoadbookCommand)
@click.argument("folder", type=click.Path(path_type=Path))
@click.option("--units", type=click.Choice(["si", "us"]), help="Units shown in the pages (default: the book's own).")
@book_option
def book_pages(folder: Path, units: str | None, book: BookFolder) -> None:
    """A folder of linked pages: every run, part, customer, piece and furnace, and an index that filters them.

    Open FOLDER/index.html in a browser: it needs no server and no network. Repeat the command to bring the folder up to
    date: only what changed is written again. It holds everybody's records and stays in the shop.

    Example: loadbook page book pages
    """
    from loadbook.core.phrases import many
    from loadbook.render.pages.book import write_book

    with progress() as show:
        done = write_book(book, folder, units or book.units, show)
    click.echo(plain(str(folder / "index.html")))
    told = f"{many(done.made, 'page')} written, {done.kept} as they were" + (
        f", {done.removed} removed" if done.removed else ""
    )
    to_stderr(told + ".")
    for run, why in done.failed:
        to_stderr(f"No page of {plain(run)}: {plain(why)}")


@page.command("answer", cls=LoadbookCommand)
@click.argument("number", type=int, metavar="N")
@click.option("--pdf", is_flag=True, help="A PDF instead of HTML (a name ending in .pdf says it too).")
@click.option(
    "--paper", type=click.Choice(["a4", "letter"]), help="Paper of the PDF (default: letter with --units us)."
)
@click.option("--to", metavar="NAME", help="Who it is written to (default: the customer on record).")
@click.option("--attention", metavar="NAME", help="The person there.")
@click.option("--address", multiple=True, metavar="LINE", help="A line of their address; repeat.")
@click.option("--salutation", metavar="TEXT", help="The whole line (default: Dear, and the person).")
@click.option("--from", "sender", metavar="NAME", help="Who writes it (default: the name that loadbook shop keeps).")
@click.option("--about", metavar="TEXT", help="What it is about, in your words (default: part and characteristic).")
@click.option("--question", metavar="TEXT", help="The question in the customer's words.")
@click.option("--asked-on", metavar="DATE", help="The day of their enquiry.")
@page_options
@book_option
def answer_page(
    number: int, pdf: bool, paper: str | None, to: str | None, attention: str | None, address: tuple[str, ...],
    salutation: str | None, sender: str | None, about: str | None, question: str | None, asked_on: str | None,
    output: Path | None, force: bool, units: str | None, book: BookFolder,
) -> None:  # fmt: skip
    """A kept answer as a letter to the customer who asked, as it was given.

    Its head, signature and numbering are what `loadbook shop` keeps. It rests on the customer's own pieces and says no
    free text of the book: words of the trade, their own keys, and what is typed here. Where it would name another
    customer, or a part, job, piece or run of one, it is not written. N is the number that `loadbook answer ... --save`
    told.

    Example: loadbook page answer 1 --pdf --attention "Ms Example" -o answer-1.pdf
    """
    from loadbook.core.errors import UsageError
    from loadbook.queries.letter.build import Typed, letter
    from loadbook.render.pages.shell import check_page, write_page
    from loadbook.render.tables import plain
    from loadbook.store.shop import Shop, shop_of, take_reference

    system = units or book.units
    ending = output.suffix.lower() if output else ""
    if pdf and ending in (".html", ".htm"):
        raise UsageError(f"--pdf would write a PDF into {output.name!r}", remedy="Let its name end in .pdf")  # type: ignore[union-attr]
    pdf = pdf or ending == ".pdf"
    if paper and not pdf:
        raise UsageError("--paper belongs to a PDF", remedy="Add --pdf")
    path = output or Path(f"answer-{number}.{'pdf' if pdf else 'html'}")
    check_page(path, force=force, endings=(".pdf",) if pdf else (".html", ".htm", ".pdf"))
    typed = Typed(to, sender, question, about, attention, address, salutation, asked_on)
    found = letter(book, number, system=system, typed=typed)
    if reference := take_reference(book, number):
        found = letter(book, number, system=system, typed=typed, reference=reference)
    if pdf:
        from loadbook.render.letter.pdf import letter_pdf

        write_page(path, letter_pdf(found, paper or ("letter" if system == "us" else "a4")), force=force)
    else:
        from loadbook.render.letter.page import letter_page

        write_page(path, letter_page(found), force=force)
    if shop_of(book) == Shop():
        to_stderr("The letter has no head: loadbook shop says who the shop is.")
    if found.left_out:
        to_stderr(f"Left out of the letter: {plain('; '.join(found.left_out))}.")
        to_stderr(
            "Coded words and the customer's own keys go in by themselves; type the rest with --about or --question."
        )
    click.echo(plain(str(path)))
