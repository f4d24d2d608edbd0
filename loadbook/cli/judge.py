"""Commands about one run or one cycle: judge, recompute, confirm fault, cycle review, cycle plan."""

from __future__ import annotations

import re
import sys
from pathlib import Path

import click

from loadbook.core.errors import EXIT_SOMETHING_WRONG, NotFoundError, UsageError
from loadbook.core.phrases import many
from loadbook.queries.filters import Filters
from loadbook.render.tables import lines_kept, plain, write_words
from loadbook.store.book import BookFolder

from .common import (
    LoadbookCommand,
    LoadbookGroup,
    book_option,
    emit,
    filter_options,
    format_option,
    say_revision,
    to_stderr,
)
from .progress import progress


@click.command(cls=LoadbookCommand)
@click.argument("runs", nargs=-1, metavar="[RUN...]")
@click.option("--every", is_flag=True, help="Also print the sentence of each clause.")
@filter_options
@format_option
@book_option
def judge(runs: tuple[str, ...], every: bool, filters: Filters, fmt: str | None, book: BookFolder) -> None:
    """Judge runs: each clause of the cycle kept, broken, or cannot be told; thermocouple faults; furnace checks.

    One run is shown whole, several as one line each (all runs with no name and no filter). Exit 3 when a clause is
    broken. A cycle is kept; whether parts are acceptable takes a recorded approval.

    Example: loadbook judge R25-086
    """
    from loadbook.queries import judge as asked
    from loadbook.queries.run_choice import chosen_runs

    names = chosen_runs(book, runs, filters)
    if not names:
        raise NotFoundError("no run fits", remedy="See: loadbook list runs")
    broken = False
    if len(names) == 1 and (runs or fmt is None):
        found = asked.judge_run(book, names[0])
        broken = found.verdict == "broken"
        if fmt in (None, "table"):
            from loadbook.render.judged import print_judged

            print_judged(found, book, every=every)
        else:
            rows = found.rows()
            emit(asked.COLUMNS, [list(r.values()) for r in rows], fmt)
    else:
        lines = []
        with progress() as show:
            for i, found in enumerate(asked.judge_runs(book, names), start=1):
                show("judging", i, len(names))
                broken = broken or found.verdict == "broken"
                lines.append(found.summary())
        if fmt in (None, "table"):
            from loadbook.render.judged import print_many

            print_many(lines, book)
        else:
            emit(asked.SUMMARY_COLUMNS, [list(line.values()) for line in lines], fmt)
    if broken:
        sys.exit(EXIT_SOMETHING_WRONG)


@click.command(cls=LoadbookCommand)
@click.argument("runs", nargs=-1, metavar="[RUN...]")
@filter_options
@format_option
@book_option
def recompute(runs: tuple[str, ...], filters: Filters, fmt: str | None, book: BookFolder) -> None:
    """Compute parameters and verdicts again from the traces; only derived rows are replaced, run by run.

    Example: loadbook recompute --since 2026-09-01
    """
    from loadbook.queries.recompute import recompute as work
    from loadbook.queries.run_choice import chosen_runs

    names = chosen_runs(book, runs, filters)
    lines, damaged = [], 0
    with progress() as show:
        for i, one in enumerate(work(book, names), start=1):
            show("recomputing", i, len(names))
            damaged += one.damage is not None
            lines.append([one.run, one.parameters, one.findings, one.verdict, one.damage])
    columns = ["run", "parameters", "findings", "verdict", "damage"]
    if fmt is None and len(lines) > 1:
        done = sum(1 for line in lines if line[1])
        to_stderr(f"{done} of {len(lines)} runs recomputed" + (f", {damaged} damaged" if damaged else ""))
        lines = [line for line in lines if line[4]]
    if lines:
        emit(columns, lines, fmt)
    if damaged:
        sys.exit(EXIT_SOMETHING_WRONG)


@click.command(cls=LoadbookCommand)
@click.argument("run")
@click.argument("channel")
@click.option("--kind", required=True, help="The fault as judge names it: detached, frozen, step, ...")
@click.option("--decision", required=True, type=click.Choice(["confirmed", "refused"]), help="Is it a fault, or not.")
@click.option("--person", required=True, help="Who decided.")
@click.option("--why", required=True, help="On what grounds.")
@click.option("--with", "partner", metavar="CHANNEL", help="Of two in each other's jack from the start: the other.")
@book_option
def confirm_fault(
    run: str, channel: str, kind: str, decision: str, person: str, why: str, partner: str | None, book: BookFolder
) -> None:  # fmt: skip
    """Record a named person's decision on a suspected thermocouple fault of RUN's CHANNEL, and judge the run again.

    \b
    Example: loadbook confirm fault R25-077 "TC 5" --kind frozen --decision confirmed \\
                 --person "initials AB" --why "the recorder input was stuck"
    """
    from loadbook.queries.confirm import confirm_fault as put

    verdict = put(book, run, channel, kind, decision, person, why, partner)
    click.echo(plain(f"{decision}: {kind} of {channel} in {run}. The run's verdict is now: {verdict}"))


@click.group(cls=LoadbookGroup)
def cycle() -> None:
    """Review a cycle like a careful metallurgist, or plan one for a part."""


@cycle.command("review", cls=LoadbookCommand)
@click.argument("cycle_or_file", metavar="CYCLE|FILE")
@click.option("--revision", help="Revision (default: the one in use).")
@click.option("--part", "parts", multiple=True, help="Review it for this part's material, section and pieces.")
@click.option("--margin", help="Least distance below the last tempering (default: the shop's own, 30 C diff at first).")
@format_option
@book_option
def review(
    cycle_or_file: str,
    revision: str | None,
    parts: tuple[str, ...],
    margin: str | None,
    fmt: str | None,
    book: BookFolder,
) -> None:
    """Remarks on a cycle of the book, or on a cycle file: what is missing, contradicts itself, or harms the parts.

    Example: loadbook cycle review SR-600 --revision C --part PN-1001
    """
    from loadbook.core.units import parse_quantity
    from loadbook.queries import cycles

    path = Path(cycle_or_file)
    read = cycles.cycle_of_file(path) if path.suffix.lower() == ".toml" else None
    apart_c = parse_quantity(margin, "difference").value if margin else None
    say_revision(book, None if read else cycle_or_file, revision)
    found = cycles.review(book, read or cycle_or_file, revision, parts, apart_c)
    columns = ["name", "remark", "where", "why", "source"]
    rows: list[list[object]] = [[r.name, r.remark, r.where, r.why, r.source] for r in found.remarks]
    if fmt in ("json", "ndjson"):
        columns += ["code", "figures"]
        rows = [[*row, r.code, dict(r.figures)] for row, r in zip(rows, found.remarks, strict=True)]
    if fmt in (None, "table") and sys.stdout.isatty():
        for r in found.remarks:
            write_words(lines_kept(f"{r.name}: {r.remark} ({r.where})\n    {r.why} [{r.source}]"))
    elif rows or fmt not in (None, "table"):
        emit(columns, rows, fmt)
    to_stderr(f"{many(len(rows), 'remark')} on {found.name}" if rows else f"no remark on {found.name}")


@cycle.command("plan", cls=LoadbookCommand)
@click.argument("part")
@click.option("--cycle", "cycle_name", required=True, help="Cycle of the book, or a cycle file (.toml).")
@click.option("--revision", help="Revision (default: the one in use).")
@click.option("--max-lag", default="10 C diff", show_default=True, help="Surface ahead of the section's middle.")
@click.option("--max-difference", help="Thin section ahead of the thick one's middle (default: no limit).")
@click.option("--film", type=float, help="Heat transfer at the surface, W/(m² K) (default: by atmosphere).")
@click.option("--body", type=click.Choice(["slab", "cylinder", "sphere"]), help="Body (default: by the part's shape).")
@click.option("--section", help="Both sides of a bar's or ring's section (default: by its mass and diameter).")
@click.option(
    "--yield", "yields", multiple=True, help="Yield, at 20 °C or 'at' a temperature: it overrules the tables."
)
@click.option("--modulus", "moduli", multiple=True, help="Elastic modulus, in the same way.")
@click.option("--max-sag", help="Sag allowed: tells how far apart supports may stand.")
@format_option
@book_option
def plan(
    part: str, cycle_name: str, revision: str | None, max_lag: str, max_difference: str | None, film: float | None,
    body: str | None, section: str | None, yields: tuple[str, ...], moduli: tuple[str, ...], max_sag: str | None,
    fmt: str | None, book: BookFolder,
) -> None:  # fmt: skip
    """What a cycle does to a part's section: the heating rate that keeps its lag, soak-through, hours, dose; and what
    physics says of it: stress against yield, relief, sag, size change, scale.

    Example: loadbook cycle plan PN-1001 --cycle SR-600 --revision C --max-lag "15 C diff"

    Example: loadbook cycle plan PN-1003 --cycle SR-600 --revision C --yield "650 MPa"
    """
    from loadbook.core.units import parse_quantity
    from loadbook.queries import cycles
    from loadbook.queries.mechanism import Stated
    from loadbook.render.planned import print_plan

    if film is not None and film <= 0:
        raise UsageError("--film must be above zero")
    path = Path(cycle_name)
    read = cycles.cycle_of_file(path) if path.suffix.lower() == ".toml" else cycle_name
    lag = parse_quantity(max_lag, "difference").value
    difference = parse_quantity(max_difference, "difference").value if max_difference else None
    say_revision(book, None if path.suffix.lower() == ".toml" else cycle_name, revision)
    stated = Stated(
        _two_sides(section) if section else None,
        tuple(_at(y, "--yield") for y in yields),
        tuple((t, mpa / 1000.0) for t, mpa in (_at(m, "--modulus") for m in moduli)),
        parse_quantity(max_sag, "length").value if max_sag else None,
    )
    found = cycles.plan(book, part, read, revision, lag, difference, film, body, stated)  # type: ignore[arg-type]
    if fmt in (None, "table"):
        print_plan(found, book)
    else:
        emit(cycles.PLAN_COLUMNS, [list(r.values()) for r in found.rows()], fmt)


def _at(text: str, option: str) -> tuple[float | None, float]:
    """'180 MPa at 600 C' as (600.0, 180.0), in °C and MPa; without a temperature (None, ...)."""
    from loadbook.core.units import parse_quantity

    value, sign, where = text.partition(" at ")
    pressed = parse_quantity(value, "stress").value
    if pressed <= 0.0:
        raise UsageError(f"{option} must be above zero", remedy="Write it like '180 MPa at 600 C'")
    return (parse_quantity(where, "temperature").value if sign else None), pressed


def _two_sides(text: str) -> tuple[float, float]:
    """'46 x 52 mm' as (46.0, 52.0), in mm."""
    from loadbook.core.units import parse_quantity

    found = re.fullmatch(r"\s*([\d.]+)\s*[xX×]\s*([\d.]+)\s*(\D+)", text)
    if found is None:
        raise UsageError(f"--section {text!r} is not two sides with a unit", remedy="Write it like '46 x 52 mm'")
    one, other, unit = found.groups()
    sides = parse_quantity(f"{one} {unit}", "length").value, parse_quantity(f"{other} {unit}", "length").value
    if min(sides) <= 0.0:
        raise UsageError("--section must be above zero", remedy="Write it like '46 x 52 mm'")
    return sides
