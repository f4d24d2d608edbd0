"""The command `group`: several plants published to one place, and the same questions asked of all of them."""

from __future__ import annotations

import sys
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import click

from loadbook.core import times
from loadbook.core.errors import EXIT_SOMETHING_WRONG
from loadbook.core.times import parse_month
from loadbook.render.tables import plain
from loadbook.store.book import BookFolder

from .answer import ask_answer
from .common import LoadbookCommand, LoadbookGroup, book_option, emit, format_option, to_stderr
from .movement import ask_effect, ask_moved
from .progress import progress
from .questions import ask_report, ask_sql
from .sources import WITHOUT, engine_option, of_group

if TYPE_CHECKING:
    from loadbook.group.read import Plant


@click.group(cls=LoadbookGroup)
def group() -> None:
    """Publish plants to one place, and ask the same questions of all of them.

    TARGET is a folder, or an address that fsspec knows, such as s3://bucket/group (its own package must be there).
    The engine duckdb is this machine; spark is Apache Spark, which needs Java and: pip install 'loadbook[spark]'.
    """


@group.command(cls=LoadbookCommand)
@click.argument("target")
@click.option("--plant", required=True, metavar="NAME", help="What the group calls this plant.")
@click.option("--with-customers", is_flag=True, help="Publish customers' names, orders and specifications too.")
@click.option("--with-people", is_flag=True, help="Publish the names of operators, inspectors and deciders too.")
@click.option(
    "--with-notes", is_flag=True, help="Publish free notes, descriptions and titles too; they may hold names."
)
@click.option(
    "--with-words",
    is_flag=True,
    help="Publish the shop's own words for setups, positions, operations ... as written, but for known names.",
)
@click.option("--with-confidential", is_flag=True, help="Publish runs with pieces of confidential jobs too.")
@click.option("--with-export-controlled", is_flag=True, help="Publish parts and runs of export-controlled jobs too.")
@click.option("--again", is_flag=True, help="Write every file again, including those already there.")
@click.option("--may-name", multiple=True, metavar="NAME", help="A known name that tells nothing here (repeat).")
@format_option
@book_option
def publish(
    target: str,
    plant: str,
    with_customers: bool,
    with_people: bool,
    with_notes: bool,
    with_words: bool,
    with_confidential: bool,
    with_export_controlled: bool,
    again: bool,
    may_name: tuple[str, ...],
    fmt: str | None,
    book: BookFolder,
) -> None:
    """Publish the book as one plant of a group: its tables and traces as Parquet, only what changed.

    Customers, people and free notes are left out, and of confidential and export-controlled jobs everything but
    counts, unless an option says otherwise. Names and numbers of records go as they are; of the shop's own words for
    setups, positions, operations and the like a number goes instead. Every text is searched last for what is withheld,
    for customers and for people, and one that names any stops the publication. Readers see the new publication when
    all of it is there; until then, and after a stop, the old one. What was published cannot be called back.

    Example: loadbook group publish ../group --plant Linz
    """
    from loadbook.group.publish import publish as put
    from loadbook.group.published import PublishOptions

    keep = PublishOptions(
        with_customers, with_people, with_notes, with_confidential, with_export_controlled, with_words, may_name
    )
    with progress() as show:
        done = put(book, target, plant, keep, show, again=again)
    columns = ["plant", "runs", "traces", "files_written", "bytes_written", "files_there", "files_removed", "changed"]
    row = [
        done.plant, done.runs, done.traces, done.files, done.bytes, done.already, done.removed,
        "yes" if done.changed else "no",
    ]  # fmt: skip
    emit(columns, [row], fmt)
    kept = {"customers": keep.customers, "people": keep.people, "notes": keep.notes}
    said = [f"{name} {'published' if yes else 'left out'}" for name, yes in kept.items()]
    to_stderr("; ".join(said).capitalize() + ".")
    if done.numbered:
        many = ", ".join(f"{many} of {column}" for column, many in done.numbered.items())
        to_stderr(f"The shop's own words went as numbers: {many}. As written: --with-words.")
    w = done.withheld
    if w.jobs:
        to_stderr(
            f"Not published, of {w.jobs} confidential or export-controlled jobs: {w.runs} runs, {w.parts} part numbers,"
            f" {w.pieces} pieces, {w.readings} readings."
        )
    for x in done.left_out:
        to_stderr(f"left out: run {x.run}, {x.path}: {x.why}. Run: loadbook verify")
    if done.left_out:
        sys.exit(EXIT_SOMETHING_WRONG)


@group.command(cls=LoadbookCommand)
@click.argument("target")
@engine_option
@click.option("--again", is_flag=True, help="Also what was computed from the same records by the same algorithms.")
@format_option
def recompute(target: str, engine: str, master: str | None, again: bool, fmt: str | None) -> None:
    """Compute parameters, faults and verdicts of all plants again from their traces.

    The results stand beside the publications and are read in their place, until a plant publishes again.

    Example: loadbook group recompute ../group --engine spark --master "local[2]"
    """
    from loadbook.group.recompute import recompute_group

    with progress() as show:
        done = recompute_group(target, engine, master=master, again=again, progress=show)
    columns = ["plants", "periods", "periods_there", "runs", "samples", "files_written", "trace_bytes", "worker_s"]
    row = [
        done.plants, done.periods, done.already, done.runs, done.samples, done.files, done.bytes_read,
        round(done.seconds, 1),
    ]  # fmt: skip
    emit(columns, [row], fmt)
    for plant, run, why in done.damage:
        to_stderr(f"left as published: {plant}, run {run}: {why}")
    if done.damage:
        sys.exit(EXIT_SOMETHING_WRONG)


@group.command(cls=LoadbookCommand)
@click.argument("target")
def verify(target: str) -> None:
    """Read every published file and compare it with its plant's manifest; exit 3 if anything is wrong.

    Questions refuse a damaged file by themselves. Publishing again from the plant's book (to an object store with
    --again) puts it right.

    Example: loadbook group verify ../group
    """
    from loadbook.group.verify import verify_group

    with progress() as show:
        found = verify_group(target, show)
    for line in found.wrong:
        click.echo(f"wrong: {plain(line)}")
    click.echo(f"{found.files} files of {found.plants} plants are as they were published")
    if found.unnamed:
        click.echo(f"{found.unnamed} files of former publications wait to be removed")
    click.echo(f"{len(found.wrong)} wrong" if found.wrong else "nothing wrong")
    if found.wrong:
        sys.exit(EXIT_SOMETHING_WRONG)


@group.command(cls=LoadbookCommand)
@click.argument("target")
@WITHOUT
@click.option("--month", metavar="YYYY-MM", help="What each plant published of one month.")
@format_option
def plants(target: str, without: tuple[str, ...], month: str | None, fmt: str | None) -> None:
    """Say which plants there are, what each published, and whether it was computed again since.

    Example: loadbook group plants ../group
    """
    from loadbook.group.read import open_group

    found = open_group(target, without).plants
    if month is not None:
        parse_month(month)
        columns = ["plant", "month", "runs", "readings", "traces", "trace_bytes"]
        emit(columns, [[p.name, month, *_of_month(p, month)] for p in found], fmt, title=f"Plants in {month}")
        return
    rows = []
    for p in found:
        head = p.current.manifest.head
        state = "yes" if p.recomputed else "of an older publication" if p.stale else "no"
        rows.append(
            [p.name, head["runs"], _day(head, "first_run"), _day(head, "last_run"),
             head["withheld"]["runs"], p.current.manifest.files, state]
        )  # fmt: skip
    emit(["plant", "runs", "first_run", "last_run", "runs_withheld", "files", "recomputed"], rows, fmt, title="Plants")


def _day(head: Mapping[str, Any], name: str) -> str:
    """A moment of a plant's head as the day on that plant's own clock."""
    at = head[name]
    return times.local_day(str(at), times.zone_of(str(head["zone"]))) if at else ""


def _of_month(plant: Plant, month: str) -> list[int]:
    """Runs, readings, traces and the traces' bytes that a plant published of a month."""
    from loadbook.group.manifest import TRACE

    traces = plant.of(TRACE, [month])
    runs, readings = (sum(e.rows_of(month) for e in plant.of(table, [month])) for table in ("run", "reading"))
    return [runs, readings, sum(len(e.runs) for e in traces), sum(e.bytes for e in traces)]


for _command in (
    of_group(
        "report", ask_report, '../group furnaces_compared process="stress relief"',
        text="Run a named report over all plants; with no name, list the reports.",
    ),
    of_group("sql", ask_sql, '../group "SELECT plant, count(*) AS runs FROM runs GROUP BY plant"'),
    of_group("moved", ask_moved, '../group --kind flatness --process "stress relief" --by plant,setup'),
    of_group("effect", ask_effect, "../group flatness --of heating_rate_peak_c_per_h"),
    of_group(
        "answer", ask_answer, "../group --part PN-1004 --characteristic flatness --plant Linz --setup stood",
        plant=click.option(
            "--plant", metavar="NAME", help="Which plant will run it (default: the one that ran the part most)."
        ),
    ),
):  # fmt: skip
    group.add_command(_command)
