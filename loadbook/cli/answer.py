"""Commands that answer enquiries: answer, trial, backtest.

The options that describe an enquiry: a part on record or what is known of a new one, and how it will be run.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import click

from loadbook.queries.filters import Filters
from loadbook.render.tables import exact, plain, write_words
from loadbook.store.book import BookFolder

from .charts import ChartFile, chart_option, check_chart, write_chart
from .common import LoadbookCommand, book_option, emit, filter_options, format_option, say_revision, to_stderr

if TYPE_CHECKING:
    from loadbook.queries.source import Source


def enquiry_options(command: Callable[..., Any]) -> Any:
    """Adds the options that put an enquiry, in order."""
    options = (
        click.option("--part", metavar="PART", help="A part number on record."),
        click.option("--characteristic", metavar="NAME", help="Which of its characteristics."),
        click.option("--material", metavar="M", help="A new part: its material."),
        click.option("--shape", metavar="S", help="A new part: its shape."),
        click.option("--condition", metavar="C", help="How the pieces arrive, e.g. 'forged;rough machined'."),
        click.option("--kind", metavar="K", help="A new part: the kind of characteristic, e.g. 'outside diameter'."),
        click.option("--size", metavar="MM", help="Reference length (diameter, length, span): 250 or '10 in'."),
        click.option("--section", metavar="MM", help="Thickest section: 40 or '1.5 in'."),
        click.option("--cycle", metavar="CYCLE", help="The cycle planned; its asked settings are taken."),
        click.option("--cycle-revision", metavar="R", help="Its revision (default: the one in use)."),
        click.option("--with", "settings", multiple=True, metavar="PARAMETER=VALUE", help="A planned setting; repeat."),
        click.option("--setup", metavar="S", help="How the pieces will stand or hang."),
        click.option("--atmosphere", metavar="A", help="What it will run in."),
        click.option("--process", metavar="P", help="Which process, where the cycle does not say."),
        click.option(
            "--furnace", metavar="F", help="Which furnace (its runs differ, and a break may be declared for one)."
        ),
        click.option("--before", metavar="MM", help="The reading before the run: 0.12 or '0.005 in' (default: usual)."),
        click.option(
            "--tolerance",
            metavar="MM",
            help="Instead of the drawing's: a form error's limit, a size's width of limits.",
        ),
        click.option("--on", metavar="DATE", help="Day of the run (default: that of the last comparable run)."),
        click.option(
            "--content", type=float, default=0.90, show_default=True, help="Share of pieces the interval holds."
        ),
        click.option(
            "--scale", type=click.Choice(["um", "um per 100 mm", "log"]), help="Working scale (default: its own)."
        ),
    )
    for option in reversed(options):
        command = option(command)
    return command


@click.command(cls=LoadbookCommand)
@enquiry_options
@click.option(
    "--compare",
    "against",
    multiple=True,
    metavar="TREATMENT",
    help="Treatments side by side, e.g. setup=stood or heating_rate_peak_c_per_h=60; repeat.",
)
@click.option("--job", metavar="JOB", help="The job it is for: a saved answer is scored by it.")
@click.option("--save", "keep", is_flag=True, help="Keep the answer, to be scored when its parts are measured.")
@click.option("--next", "further", is_flag=True, help="Also which next runs would narrow it most, and by how much.")
@click.option("--show", "number", type=int, metavar="N", help="Show a kept answer exactly as it was given.")
@format_option
@book_option
def answer(
    number: int | None,
    keep: bool,
    against: tuple[str, ...],
    further: bool,
    fmt: str | None,
    book: BookFolder,
    **given: Any,
) -> None:
    """How much will it move? An interval from the shop's own history, what it rests on, how often such intervals held.

    Where the history is too thin there is no figure, but what to measure, and which mechanisms physics sees at work.
    Kept answers are scored by `backtest`.

    Example: loadbook answer --part PN-1004 --characteristic flatness --cycle SR-600 --cycle-revision C
    """
    if number is not None:
        _show(book, number, fmt)
        return
    from loadbook.queries.source import BookSource

    say_revision(book, given.get("cycle"), given.get("cycle_revision"))
    if against:
        _compare(BookSource(book), given, against, keep, fmt)
        return
    found = _asked(BookSource(book), given)
    if keep:
        from loadbook.queries.kept_answers import save

        save(book, found)
    _print_answer(found, fmt)
    if further and fmt in (None, "table"):
        _print_next(found)
    if keep:
        job = found.question.job
        if job and not book.read().execute("SELECT 1 FROM job WHERE job = ?", (job,)).fetchone():
            to_stderr(
                f"The book has no job {job!r} yet: the answer is scored once its pieces are taken in under that name"
            )
        to_stderr(
            f"Kept as answer {found.answer_id}. Again: loadbook answer --show {found.answer_id}; as a letter: "
            f"loadbook page answer {found.answer_id}"
        )


@enquiry_options
@format_option
def ask_answer(source: Source, fmt: str | None, **given: Any) -> None:
    """How much will it move? An interval from the history of all plants, and which of them it rests on.

    Where the history is too thin there is no figure, but what to measure.
    """
    _print_answer(_asked(source, given), fmt)


def _asked(source: Source, given: dict[str, Any]) -> Any:
    """The answer to the enquiry that the options put."""
    from loadbook.queries.answer import answer as ask

    return ask(source, _question(given))


def _question(given: dict[str, Any]) -> Any:
    from loadbook.queries.enquiry import Question, planned

    settings = planned(given.pop("settings"))
    size, section, before, tolerance = (
        length(given.pop(name), name) for name in ("size", "section", "before", "tolerance")
    )
    return Question(
        **given, settings=settings, size_mm=size, section_mm=section, before_mm=before, tolerance_mm=tolerance
    )


def _compare(source: Source, given: dict[str, Any], against: tuple[str, ...], keep: bool, fmt: str | None) -> None:
    """Treatments side by side: the table, then what differs."""
    from loadbook.core.errors import UsageError
    from loadbook.queries.answer_compare import compare
    from loadbook.render.answer import comparison_table

    if keep:
        raise UsageError("a comparison is not kept", remedy="Ask for the treatment that is chosen, and --save that")
    found = compare(source, _question(given), against)
    rows = found.rows()
    if fmt not in (None, "table"):
        emit(list(rows[0]), [list(r.values()) for r in rows], fmt)
        return
    for line in found.text:
        write_words(plain(line))
    columns, shown = comparison_table(rows, source.units)
    emit(columns, shown, None)


def _print_answer(found: Any, fmt: str | None) -> None:
    if fmt not in (None, "table"):
        print_for_machines(found.to_json(), fmt)
        return
    _print_for_people(found.text, found.comparables, found.advice, found.cautions, found.system)


def _print_next(found: Any) -> None:
    from loadbook.render.answer import next_table

    if not found.need.get("next_runs"):
        to_stderr("No next run can be weighed: there is no figure to narrow")
        return
    title, columns, rows = next_table(found.need, found.bound, found.unit, found.system)
    emit(columns, rows, None, title=title)


def _print_for_people(
    text: list[str], comparables: list[dict[str, Any]], advice: dict[str, Any], cautions: list[str], system: str
) -> None:
    from loadbook.queries.answer_words import advice_lines
    from loadbook.render.answer import comparables_table

    for line in filter(None, text):
        write_words(plain(line))
    if comparables:
        title, columns, shown = comparables_table(comparables, system)
        emit(columns, shown, None, title=title)
    for line in (*advice_lines(advice, system), *(f"Caution: {caution}" for caution in cautions)):
        write_words(plain(line))


def length(text: str | None, name: str) -> float | None:
    """A length in mm; a bare number is mm, another unit is written behind it."""
    from loadbook.core import units
    from loadbook.core.errors import UsageError

    if text is None:
        return None
    try:
        value = float(text)
    except ValueError:
        value = units.parse_quantity(text, "length").value
    if not 0 < value < 1e6:
        raise UsageError(f"--{name} must be a length above zero, not {text!r}")
    return value


def _show(book: BookFolder, number: int, fmt: str | None) -> None:
    from loadbook.core import times
    from loadbook.queries.kept_answers import saved

    kept = saved(book, number)
    if fmt not in (None, "table"):
        print_for_machines(kept.result, fmt)
        return
    click.echo(f"Answer {number}, given {times.shown(kept.answered_at, book.zone)}, method {plain(kept.method)}")
    told = kept.result
    _print_for_people(kept.text, told["comparables"], told["advice"], told["cautions"], book.units)
    if kept.outcomes:
        rows = [list(o.values()) for o in kept.outcomes]
        emit(["run", "pieces", "inside", "within_bound"], rows, None, title="Measured since")


def print_for_machines(result: dict[str, Any], fmt: str | None) -> None:
    """One answer: JSON is the object itself; other formats have one row, nested values as JSON text."""
    if fmt == "json":
        click.echo(json.dumps(exact(result), ensure_ascii=False, indent=1))
        return
    emit(list(result), [list(result.values())], fmt)


@click.command(cls=LoadbookCommand)
@click.argument("characteristic", required=False)
@click.option("--of", "parameter", metavar="PARAMETER", help="The setting to learn about.")
@click.option("--runs", type=click.IntRange(1, 200), metavar="N", help="How many runs can be spared.")
@click.option("--low", metavar="VALUE", help="Lowest setting allowed (default: the lowest ever run).")
@click.option("--high", metavar="VALUE", help="Highest setting allowed (default: the highest ever run).")
@click.option("--also", multiple=True, metavar="FACTOR=A/B", help="Varied with it, e.g. setup=laid/stood; repeat.")
@click.option("--confidence", type=float, default=0.95, show_default=True, help="Confidence of the interval.")
@click.option("--save", "keep", is_flag=True, help="Keep the plan: its runs are recognised when they are recorded.")
@click.option("--purpose", metavar="TEXT", help="With --save: what the trial is to show.")
@click.option("--person", metavar="NAME", help="With --save or --run: who planned it, who says so.")
@click.option("--on", metavar="DATE", help="With --save: the day it was planned (default: now).")
@click.option("--show", "number", type=int, metavar="N", help="Show a kept trial and what has been done of it.")
@click.option(
    "--run", "named", metavar="ORDER=RUN", help="With --show: that run was this planned one ('3=-': none was)."
)
@click.option("--why", metavar="TEXT", help="With --run: the reason; it is kept for ever.")
@filter_options
@format_option
@book_option
def trial(
    characteristic: str | None,
    parameter: str | None,
    runs: int | None,
    low: str | None,
    high: str | None,
    also: tuple[str, ...],
    confidence: float,
    keep: bool,
    purpose: str | None,
    person: str | None,
    on: str | None,
    number: int | None,
    named: str | None,
    why: str | None,
    filters: Filters,
    fmt: str | None,
    book: BookFolder,
) -> None:
    """Which next runs would teach most: part numbers and settings that shrink an effect's interval most.

    CHARACTERISTIC is a name or a kind. Settings stay within --low and --high; --part names what may be run. Of a kept
    trial --show says which runs are done, and `loadbook effect --trial N` what its settings did.

    Example: loadbook trial flatness --process "stress relief" --of heating_rate_peak_c_per_h --runs 6 --high "100 C/h"
    """
    from loadbook.core.errors import UsageError

    if number is not None:
        _show_trial(book, number, named, why, person, fmt)
        return
    if named is not None or why is not None:
        raise UsageError("--run and --why are of a kept trial", remedy="Name it: --show N")
    if characteristic is None or parameter is None or runs is None:
        raise UsageError(
            "a plan needs what is measured, the setting and how many runs",
            remedy='loadbook trial flatness --of "heating rate" --runs 6; a kept one: loadbook trial --show N',
        )
    if not keep and (purpose or person or on):
        raise UsageError("--purpose, --person and --on belong to a plan that is kept", remedy="Add --save")
    if keep and not (purpose and person):
        raise UsageError("a plan is kept with its purpose and who made it", remedy="Add --purpose TEXT --person NAME")
    from loadbook.queries.enquiry import planned
    from loadbook.queries.trial import trial as ask

    if not 0.5 <= confidence < 1:
        raise UsageError(f"--confidence {confidence:g} is not a share", remedy="Give 0.5 to 0.99")
    limits = [planned([f"{parameter}={text}"]) if text is not None else {} for text in (low, high)]
    name = next((k for k in {**limits[0], **limits[1]}), parameter)
    found = ask(
        book, characteristic, name, runs, limits[0].get(name), limits[1].get(name), filters, confidence, also=also
    )
    rows = found.rows()
    people = fmt in (None, "table")
    if people:
        for line in found.text:
            write_words(plain(line))
        emit(*found.shown(book.units), None)
    else:
        emit(list(rows[0]), [list(r.values()) for r in rows], fmt)
        for line in found.text:
            to_stderr(plain(line))
    if keep:
        from loadbook.queries.kept_trials import save

        kept = save(book, found, purpose or "", person or "", on)
        to_stderr(
            f"Kept as trial {kept}; its runs are recognised as they are recorded. What is done: loadbook trial --show "
            f"{kept}; what the settings did: loadbook effect --trial {kept}"
        )
    elif people:
        write_words('To have its runs recognised and fitted together, keep it: --save --purpose "..." --person NAME')


def _show_trial(
    book: BookFolder, number: int, named: str | None, why: str | None, person: str | None, fmt: str | None
) -> None:
    from loadbook.core import times
    from loadbook.core.errors import UsageError
    from loadbook.queries.kept_trials import kept, name_run
    from loadbook.render.trial import kept_table

    if named is not None:
        place, equals, run = (t.strip() for t in named.partition("="))
        if not equals or not place.isdigit() or not run:
            raise UsageError(f"--run {named!r} names no planned run", remedy="Write it like --run 3=R26-150")
        if not why:
            raise UsageError("naming a run needs its reason", remedy='Say it: --why "..."')
        name_run(book, number, int(place), run, why, person)
    found = kept(book, number)
    if fmt not in (None, "table"):
        rows = found.rows()
        emit(list(rows[0]), [list(r.values()) for r in rows], fmt)
        return
    planned = times.local_day(found.planned_at, book.zone)
    click.echo(f"Trial {number}, planned {planned} by {plain(found.person)}: {plain(found.purpose)}")
    for line in found.sentences(book.units):
        write_words(plain(line))
    emit(*kept_table(found, book), None)


@click.command(cls=LoadbookCommand)
@click.option("--content", "contents", type=float, multiple=True, help="Nominal share (repeat; default 0.90 and 0.95).")
@chart_option
@filter_options
@format_option
@book_option
def backtest(
    contents: tuple[float, ...], chart_file: ChartFile | None, filters: Filters, fmt: str | None, book: BookFolder
) -> None:
    """How often would the answers of the past have been right, for known and new part numbers, classes and lately.

    Each run (known part numbers) or part number (new ones) is left out in turn; the interval beside a coverage counts
    runs, not pieces. Saved answers are linked with what was measured since and scored too.

    Example: loadbook backtest --kind "outside diameter" --process "stress relief"
    """
    check_chart(chart_file)
    from loadbook.core.errors import UsageError
    from loadbook.queries.backtest import CONTENTS
    from loadbook.queries.backtest import backtest as ask

    for value in contents:
        if not 0.5 <= value <= 0.99:
            raise UsageError(f"--content {value:g} is not offered", remedy="Give 0.5 to 0.99")
    found = ask(book, filters, contents or CONTENTS)
    if fmt in (None, "table"):
        from loadbook.render.answer import BACKTEST, backtest_table

        emit(BACKTEST, backtest_table(found.rows()), fmt)
    else:
        emit(list(found.table.columns), [list(r.values()) for r in found.rows()], fmt)
    for warning in found.warnings:
        to_stderr(warning)
    if chart_file is not None:
        from loadbook.queries.charts.backtest import backtest_picture

        write_chart(chart_file, lambda: backtest_picture(found))
