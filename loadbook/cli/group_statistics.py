"""Statistics over a group: moved, effect, answer."""

from __future__ import annotations

from typing import Any

import click

from loadbook.queries.filters import Filters
from loadbook.render.tables import plain

from .answer import answer_lines, enquiry_options, one_thread, print_comparables, print_for_machines, question_of
from .common import LoadbookCommand, emit, format_option, to_stderr
from .group_options import engine_option, filters_option, note_stale, without_option


@click.command(cls=LoadbookCommand)
@click.argument("target")
@click.option("--by", multiple=True, metavar="COLUMNS", help="Treatment: setup,atmosphere (default), plant, furnace, "
              "...; a parameter in bands: soak_minutes:q4.")  # fmt: skip
@click.option("--confidence", type=float, default=0.95, show_default=True, help="Of the intervals.")
@click.option("--content", type=float, default=0.95, show_default=True, help="Share of pieces in the content interval.")
@filters_option
@engine_option
@without_option
@format_option
def moved(
    target: str,
    by: tuple[str, ...],
    confidence: float,
    content: float,
    plant: str | None,
    filters: Filters,
    engine: str,
    master: str | None,
    without: tuple[str, ...],
    fmt: str | None,
) -> None:
    """How much did parts move in all plants, by treatment. Only sums by run and part number leave the engine.

    Example: loadbook group moved ../group --kind flatness --process "stress relief" --by plant,setup
    """
    from loadbook.queries.group.cells import Asking
    from loadbook.queries.group.moved import moved_group
    from loadbook.queries.moved import DEFAULT_BY, records
    from loadbook.render import movement as shown

    asking = Asking(target, filters, engine, without, plant, master)
    found = moved_group(asking, by or DEFAULT_BY, confidence, content)
    rows = found.rows()
    if fmt not in (None, "table"):
        emit(list(found.table.columns), [list(r.values()) for r in rows], fmt)
    else:
        columns, table = shown.moved_table(rows, found.by, found.units)
        emit(columns, table, None, title="Movement")
        if len(found.differences):
            click.echo("")
            columns, table = shown.difference_table(records(found.differences), found.units)
            emit(columns, table, None, title=f"Differences between treatments ({100 * confidence:g} % interval)")
        if len(found.set_aside):
            click.echo("")
            aside = found.set_aside
            emit(list(aside.columns), aside.to_numpy().tolist(), None, title="Set aside, by reason")
    for warning in found.warnings:
        to_stderr(warning)
    note_stale(target, without)


@click.command(cls=LoadbookCommand)
@click.argument("target")
@click.argument("characteristic", required=False)
@click.option("--of", multiple=True, metavar="PARAMETER", help="Parameters or factors; 'all': every one.")
@click.option("--asked", is_flag=True, help="Use what was asked for, not what the traces show was achieved.")
@click.option("--confidence", type=float, default=0.95, show_default=True, help="Of the intervals.")
@filters_option
@engine_option
@without_option
@format_option
def effect(
    target: str,
    characteristic: str | None,
    of: tuple[str, ...],
    asked: bool,
    confidence: float,
    plant: str | None,
    filters: Filters,
    engine: str,
    master: str | None,
    without: tuple[str, ...],
    fmt: str | None,
) -> None:
    """Which cycle parameters go with movement, comparing runs of the same part number in the same plant.

    Example: loadbook group effect ../group flatness --of heating_rate_peak_c_per_h
    """
    from loadbook.queries.group.cells import Asking
    from loadbook.queries.group.effect import effect_group
    from loadbook.render import movement as shown

    found = effect_group(
        Asking(target, filters, engine, without, plant, master), characteristic, of, asked, confidence
    )  # fmt: skip
    rows = found.rows()
    if fmt not in (None, "table"):
        emit(list(found.table.columns), [list(r.values()) for r in rows], fmt)
    elif rows:
        columns, table = shown.effect_table(rows, found.units)
        emit(columns, table, None, title=f"Effects inside part numbers and plants ({100 * confidence:g} % interval)")
        click.echo("")
        for r in rows:
            click.echo(plain(f"{r['kind']} ({r['process'] or 'no process'}), {r['parameter']}: {r['verdict']}"))
    for warning in found.warnings:
        to_stderr(warning)
    note_stale(target, without)


@click.command(cls=LoadbookCommand)
@click.argument("target")
@enquiry_options(
    part="A part number on record at any plant.",
    cycle="The cycle planned, of --plant (or PLANT/CYCLE).",
    revision="Its revision, where the plant has several.",
    furnace="Which furnace, of --plant (or PLANT/FURNACE).",
)
@click.option("--plant", metavar="NAME", help="Which plant will run it (default: the one that ran the part most).")
@engine_option
@without_option
@format_option
def answer(
    target: str,
    plant: str | None,
    engine: str,
    master: str | None,
    without: tuple[str, ...],
    fmt: str | None,
    **given: Any,
) -> None:
    """How much will it move, from the history of all plants. The answer says which plants it rests on.

    Example: loadbook group answer ../group --part PN-1004 --characteristic flatness --plant Linz --setup stood
    """
    one_thread()
    from loadbook.group.read import open_group
    from loadbook.queries.group.answer import answer_group
    from loadbook.queries.group.cells import Asking

    for name in ("cycle", "furnace"):
        if given[name] and plant and "/" not in given[name]:
            given[name] = f"{plant}/{given[name]}"
    question = question_of(given)
    found = answer_group(Asking(target, Filters(), engine, without, plant, master), question)
    if fmt in (None, "table"):
        for line in answer_lines(found.text):
            click.echo(line)
        print_comparables(found.comparables, open_group(target, without).units())
        for caution in found.cautions:
            click.echo(plain(f"Caution: {caution}"))
    else:
        print_for_machines(found.to_json(), fmt)
    note_stale(target, without)
