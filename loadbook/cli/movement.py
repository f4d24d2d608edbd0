"""Commands on movement: moved, effect, confirm reading."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from loadbook.core.errors import UsageError
from loadbook.core.phrases import many
from loadbook.core.vocabulary.parameter_names import headings
from loadbook.queries.filters import Filters
from loadbook.store.book import BookFolder

from .charts import ChartFile, chart_option, check_chart, effect_options, moved_options, write_chart
from .common import LoadbookCommand, book_option, emit, filter_options, format_option, to_stderr
from .sources import of_book

if TYPE_CHECKING:
    from loadbook.queries.source import Source

PARTS_OF_MOVED = ("moved", "differences", "content", "scatter", "lots", "set-aside", "flagged")


@moved_options
@click.option("--confidence", type=float, default=0.95, show_default=True, help="Confidence of the intervals.")
@click.option("--content", type=float, default=0.95, show_default=True, help="Share of pieces in the content interval.")
@click.option("--what", type=click.Choice(PARTS_OF_MOVED), help="Only this table (--format: default moved).")
@chart_option
@filter_options
@format_option
def ask_moved(
    by: tuple[str, ...],
    stage: Any,
    confidence: float,
    content: float,
    what: str | None,
    chart_file: ChartFile | None,
    filters: Filters,
    fmt: str | None,
    source: Source,
) -> None:
    """How much did parts move, under which treatment, and how much of the record could not be used.

    Runs, not pieces, are the unit of evidence of every interval. Different processes, and inside and outside
    sizes, are never put together. With --stage after, plain readings are described where there are no pairs.

    Example: loadbook moved --kind flatness --by setup,heating_rate_peak_c_per_h:60,90
    """
    check_chart(chart_file)
    from loadbook.queries.charts.moved import moved_picture
    from loadbook.queries.moved import DEFAULT_BY
    from loadbook.queries.moved import moved as ask
    from loadbook.queries.result import records

    found = ask(source, filters, by or DEFAULT_BY, stage, confidence, content)
    people = fmt in (None, "table")
    if not people or what is not None:
        frame = {
            "moved": found.table,
            "differences": found.differences,
            "content": found.content,
            "scatter": found.scatter,
            "lots": found.lots,
            "set-aside": found.set_aside,
            "flagged": found.flagged,
        }[what or "moved"]
        rows = records(frame)
        emit(list(frame.columns), [list(r.values()) for r in rows], fmt)
    else:
        _print_moved(found, source.units)
    for warning in found.warnings:
        to_stderr(warning)
    write_chart(chart_file, lambda: moved_picture(found))


def _print_moved(found: Any, system: str) -> None:
    from loadbook.core.figures import scale_words
    from loadbook.queries.result import records
    from loadbook.render import movement as shown
    from loadbook.render.tables import plain, write_words

    what = "Movement" if found.stage is None else f"Readings {found.stage} the run (not movement)"
    counts = ((found.runs, "run"), (found.pieces, "piece"), (found.parts, "part number"))
    title = f"{what}: " + ", ".join(many(n, word) for n, word in counts)
    told = shown.moved_sentences(found.rows(), records(found.differences), found.by, system, found.stage is None)
    for line in told:
        write_words(plain(line))
    if told:
        click.echo("")
    columns, rows = shown.moved_table(found.rows(), found.by, system)
    emit(columns, rows, None, title=title)
    percent = f"{100 * found.confidence:g} %"
    if len(found.differences):
        click.echo("")
        columns, rows = shown.difference_table(records(found.differences), system)
        emit(columns, rows, None, title=f"Differences between treatments ({percent} interval, the run as the unit)")
    if len(found.scatter):
        click.echo("")
        columns, rows = shown.scatter_table(records(found.scatter), system)
        emit(columns, rows, None, title="Where the scatter comes from")
    if len(found.lots):
        click.echo("")
        columns, rows = shown.lots_table(records(found.lots), found.by, system)
        emit(columns, rows, None, title=f"Lots without serials, unpaired: after less before ({percent} interval)")
    if len(found.set_aside):
        click.echo("")
        aside = found.set_aside
        emit(headings(list(aside.columns), system), aside.to_numpy().tolist(), None, title="Set aside, by reason")
    if len(found.flagged):
        click.echo("")
        rows = [
            [r["run"], r["part"], r["serial"], r["characteristic"], shown.in_unit(r["value"], r["unit"], system),
             scale_words(r["unit"], system)]
            for r in records(found.flagged)
        ]  # fmt: skip
        emit(["run", "part", "serial", "characteristic", "value", "unit"], rows, None, title="Looks like a blunder")


@effect_options
@click.option("--confidence", type=float, default=0.95, show_default=True, help="Confidence of the intervals.")
@click.option(
    "--trial", "number", type=int, metavar="N", help="What a kept trial's runs show, all its factors in one fit."
)
@click.option("--companions", is_flag=True, help="Also the other fits of each slope: pooled, without calendar, ...")
@chart_option
@filter_options
@format_option
def ask_effect(
    characteristic: str | None,
    of: tuple[str, ...],
    asked: bool,
    assigned: bool,
    stage: Any,
    confidence: float,
    number: int | None,
    companions: bool,
    chart_file: ChartFile | None,
    filters: Filters,
    fmt: str | None,
    source: Source,
) -> None:
    """Which cycle parameters go with movement, comparing runs of the same part number with each other.

    Every parameter gets an interval and a sentence; "cannot tell" is an answer. Achieved values are used, from the
    trace, or stated from paper where there is no trace; --asked takes what was asked for.

    Example: loadbook effect flatness --process "stress relief" --of heating_rate_peak_c_per_h,soak_minutes
    """
    check_chart(chart_file)
    from loadbook.queries.charts.effect import effect_picture
    from loadbook.queries.effect import effect as ask

    if number is not None:
        if characteristic or of or asked or assigned or filters.given():
            raise UsageError("a kept trial names its own runs and factors", remedy="Give --trial alone")
        found = _of_trial(source, number, stage, confidence)
    else:
        found = ask(source, characteristic, filters, of, stage, asked, confidence, assigned=assigned)
    rows = found.rows()
    if fmt not in (None, "table"):
        emit(list(found.table.columns), [list(r.values()) for r in rows], fmt)
    else:
        _print_effects(found, companions)
    for warning in found.warnings:
        to_stderr(warning)
    write_chart(chart_file, lambda: effect_picture(found))


def _of_trial(source: Source, number: int, stage: Any, confidence: float) -> Any:
    from loadbook.queries.kept_trials import effect_of_trial
    from loadbook.queries.source import BookSource

    if not isinstance(source, BookSource):
        raise UsageError("a kept trial is a book's own", remedy="Ask its plant: loadbook effect --trial N")
    return effect_of_trial(source.book, number, stage, confidence)


MOST_ROWS = 12  # effects that are shown in full; of more a page has the clearest
CLEAREST = 15
MOST_VERDICTS = 5


def _print_effects(found: Any, companions: bool) -> None:
    from loadbook.core.vocabulary.parameter_names import spoken
    from loadbook.render import movement as shown
    from loadbook.render.tables import plain, write_words

    rows = found.rows()
    if not rows:
        return
    page = len(rows) > MOST_ROWS and not companions
    listed = shown.clearest(rows)[:CLEAREST] if page else rows
    if page:
        write_words(plain(shown.effects_sentence(rows, found.confidence, found.system)))
        click.echo("")
    columns, table = shown.effect_table(listed, found.system)
    inside = "part numbers and plants" if len(found.plants or ()) > 1 else "part numbers"
    title = f"Effects inside {inside} ({100 * found.confidence:g} % interval)"
    if page:
        title += f", the {len(listed)} clearest of {len(rows)}"
    emit(columns, table, None, title=title)
    if companions:
        click.echo("")
        columns, table = shown.companion_table(rows, found.system)
        emit(columns, table, None, title="The same slopes, otherwise fitted")
    click.echo("")
    said: dict[tuple[str, str], list[str]] = {}  # what is said of several parameters is said once
    for r in listed[:MOST_VERDICTS] if page else listed:
        of = f"{r['kind']} ({r['process'] or 'no process'})"
        said.setdefault((of, r["verdict"]), []).append(spoken(r["parameter"], found.system))
    for (of, verdict), names in said.items():
        write_words(plain(f"{of}, {'; '.join(names)}: {verdict}"))
    if page:
        write_words("All of one kind, with a sentence each: loadbook effect KIND --process PROCESS")


moved = of_book("moved", ask_moved)
effect = of_book("effect", ask_effect)


@click.command("reading", cls=LoadbookCommand)
@click.argument("reading_id", type=int, required=False)
@click.option("--part", metavar="PART", help="Part of the reading, instead of its number.")
@click.option("--serial", metavar="SERIAL", help="Serial of the reading.")
@click.option("--characteristic", metavar="NAME", help="Characteristic that was read.")
@click.option("--stage", type=click.Choice(["before", "after"]), help="Before or after the run.")
@click.option("--run", metavar="RUN", help="Run, where the piece went through several.")
@click.option("--repeat", type=int, help="Which of repeated readings.")
@click.option("--decision", type=click.Choice(["confirmed", "refused"]), default="confirmed", show_default=True,
              help="confirmed: it is a blunder, leave it out; refused: it is real, stop asking.")  # fmt: skip
@click.option("--person", metavar="NAME", help="Who decides (else LOADBOOK_WHO, else the user name).")
@click.option("--why", required=True, metavar="TEXT", help="The reason; it is kept for ever.")
@book_option
def confirm_reading(
    reading_id: int | None,
    part: str | None,
    serial: str | None,
    characteristic: str | None,
    stage: str | None,
    run: str | None,
    repeat: int | None,
    decision: str,
    person: str | None,
    why: str,
    book: BookFolder,
) -> None:
    """Say whether a suspected reading is a blunder (left out from now on) or real.

    The reading is named by part, serial, characteristic and stage, or by its number (loadbook list readings prints
    it). It stays in the book.

    Example: loadbook confirm reading --part PN-1001 --serial 0007 --characteristic "bore A" --stage after --why misread
    """
    from loadbook.queries.confirm import confirm_reading as record
    from loadbook.queries.confirm import reading_named

    named = {"part": part, "serial": serial, "characteristic": characteristic, "stage": stage, "run": run,
             "repeat": repeat}  # fmt: skip
    if reading_id is None:
        reading_id = reading_named(book, named)
    elif any(v is not None for v in named.values()):
        raise UsageError("a reading is named by its number or by its part, not both", remedy="Leave one out")
    to_stderr(record(book, reading_id, decision, person, why))
