"""The `precheck` command: is this load ready for its cycle."""

from __future__ import annotations

from pathlib import Path

import click

from loadbook.core.errors import EXIT_SOMETHING_WRONG, UsageError
from loadbook.store.book import BookFolder

from .common import LoadbookCommand, book_option, emit, format_option
from .records import kind_named


def planned_file(text: str) -> tuple[str, Path]:
    """(kind, file) of one --plan. Raises UsageError."""
    name, sign, path = text.partition("=")
    if not sign or not path:
        raise UsageError(f"--plan {text!r} is not of the form kind=file", remedy="Write it like --plan pieces=plan.csv")
    return kind_named(name.strip()).kind, Path(path)


plan_option = click.option(
    "--plan",
    multiple=True,
    metavar="KIND=FILE",
    help="A planned load that the book does not hold: its run, pieces, channels, as files (repeat).",
)


@click.command(cls=LoadbookCommand)
@click.argument("run")
@click.option("--tick", multiple=True, metavar="POINT|all", help="A box ticked by hand, by its point's name.")
@click.option("--person", metavar="NAME", help="Who went through the sheet: keeps it with the run.")
@click.option("--note", metavar="TEXT", help="Kept with it: why the load runs in spite of a stop, who allowed it.")
@plan_option
@click.option("--kept", "show", is_flag=True, help="Show the newest kept sheet of the run as it was.")
@format_option
@book_option
def precheck(
    run: str, tick: tuple[str, ...], person: str | None, note: str | None, plan: tuple[str, ...], show: bool,
    fmt: str | None, book: BookFolder,
) -> None:  # fmt: skip
    """Before the door closes: one sheet, pass or stop with reasons, and a box for all that the book cannot know.

    It advises: it is not an alarm or interlock. Take the run, its pieces, channels and before readings in first, or
    name their files with --plan, which leaves the book as it is. Print the sheet with `loadbook page precheck RUN`,
    with the same --plan. Exit 3 on a stop.

    Example: loadbook precheck R26-135 --person "initials AB" --tick all

    Example: loadbook precheck PLAN-1 --plan runs=run.csv --plan pieces=pieces.csv
    """
    from loadbook.queries import precheck as asked
    from loadbook.render.precheck import print_precheck

    if show and (tick or person or note):
        raise UsageError("--kept shows a sheet that was kept", remedy="Leave out --tick, --person and --note")
    if (tick or note) and person is None:
        raise UsageError("a ticked box needs the name of who ticked it", remedy="Add --person NAME")
    if plan and (show or person is not None):
        raise UsageError(
            "a planned load is not in the book: its sheet cannot be kept", remedy="Take its files in first"
        )
    if plan:
        sheet = asked.planned(book, run, [planned_file(text) for text in plan])
    else:
        sheet = asked.kept(book, run) if show else asked.precheck(book, run, tick)
    if person is not None:
        sheet = asked.keep(book, sheet, person, note)
    if fmt in (None, "table"):
        print_precheck(sheet, book)
    else:
        emit(asked.COLUMNS, [list(r.values()) for r in sheet.rows(book.units)], fmt)
    if sheet.verdict == "stop":
        raise SystemExit(EXIT_SOMETHING_WRONG)
