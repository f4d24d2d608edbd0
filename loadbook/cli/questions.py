"""The commands `sql` and `report`."""

from __future__ import annotations

import re
import sys
from typing import TYPE_CHECKING, Any

import click

from loadbook.core.errors import EXIT_SOMETHING_WRONG

from .common import emit, format_option, to_stderr
from .sources import of_book

if TYPE_CHECKING:
    from loadbook.queries.source import Source

_SECONDS = click.option(
    "--seconds", type=click.FloatRange(min=0.1, max=86400), help="End the query after this time (60)."
)
_MEMORY = click.option(
    "--memory-mb", type=click.IntRange(min=256), help="End the query where it needs more memory (2048)."
)
_DAMAGED = click.option("--without-damaged", is_flag=True, help="Leave out damaged files, and name them.")


@click.argument("query", metavar="QUERY|-")
@_SECONDS
@_MEMORY
@_DAMAGED
@format_option
def ask_sql(
    query: str, seconds: float | None, memory_mb: int | None, without_damaged: bool, fmt: str | None, source: Source
) -> None:
    """Ask read-only SQL over records, views and trace samples.

    One SELECT in DuckDB's dialect, over the tables and the views movement, runs, pieces, parameters, verdicts,
    faults, readings and samples. SHOW TABLES lists them, DESCRIBE movement its columns. Moments are UTC.

    Example: loadbook sql "SELECT part, count(*), median(movement_um) FROM movement GROUP BY part"
    """
    from loadbook.queries.evidence_words import row_in_words
    from loadbook.queries.sql import ask_sql as ask

    text = sys.stdin.read() if query == "-" else query
    answer = ask(source, text, seconds=seconds, memory_mb=memory_mb, without_damaged=without_damaged)
    people = fmt in (None, "table")
    emit(answer.columns, (row_in_words(row, source.units) for row in answer) if people else answer, fmt)
    _left_out(answer.left_out, source)


@click.argument("name", required=False)
@click.argument("values", nargs=-1, metavar="[name=value]...")
@click.option("--about", is_flag=True, help="Say what the report asks, takes and gives, without running it.")
@_SECONDS
@_MEMORY
@_DAMAGED
@format_option
def ask_report(
    name: str | None,
    values: tuple[str, ...],
    about: bool,
    seconds: float | None,
    memory_mb: int | None,
    without_damaged: bool,
    fmt: str | None,
    source: Source,
) -> None:
    """Run a named report; with no name, list them. A .sql file in the book's reports folder joins the list.

    Example: loadbook report heating_rate_bands slow="110 F/h" fast="200 F/h"
    """
    from loadbook.core.errors import UsageError
    from loadbook.queries import reports
    from loadbook.render.book_units import in_units

    if name is None:
        known, wrong = reports.available(source)
        rows = [[f.name, f.title or "(no title)", _takes(f), f.question] for f in known.values()]
        emit(["report", "title", "takes", "question"], rows, fmt)
        for text in wrong:
            to_stderr(f"left out: {text}")
        if wrong:
            sys.exit(EXIT_SOMETHING_WRONG)
        return
    given = {}
    for value in values:
        key, sign, text = value.partition("=")
        if not sign:
            raise UsageError(f"{value!r} is not of the form name=value", remedy=f"See: loadbook report {name} --about")
        if key in given:
            raise UsageError(f"{key} is given twice")
        given[key] = text
    file = reports.report_named(source, name)
    if about:
        _about(file, source.units if fmt in (None, "table") else "si", fmt)
        return
    if source.units == "us":
        _with_unit(file, given)
    found = reports.run_report(
        source, name, given, seconds=seconds, memory_mb=memory_mb, without_damaged=without_damaged
    )
    columns, shown = found.columns, list(found.rows)
    people = fmt in (None, "table")
    if people:
        columns, rows = in_units(columns, shown, source.units)
        days = {i for i in range(len(columns)) if all(_midnight(row[i]) for row in rows)}
        shown = [tuple(_for_people(v, source, i in days) for i, v in enumerate(row)) for row in rows]
    units_of = {p.name: p.unit for p in file.parameters}
    system = source.units if people else "si"
    said = ", ".join(f"{k}={_in_unit(v, units_of[k], system)}" for k, v in found.given.items() if v is not None)
    emit(columns, shown, fmt, title=found.title, note=f"{found.question}{f' ({said})' if said else ''}")
    if people and not shown:
        to_stderr(f"Nothing fits: the {source.name} has no such rows")
    _left_out(found.left_out, source)


sql = of_book("sql", ask_sql)
report = of_book("report", ask_report)


def _midnight(value: Any) -> bool:
    """Whether a value is a whole day (or nothing): a column of these holds days, such as the first of each month."""
    return value is None or (hasattr(value, "hour") and value.strftime("%H%M%S") == "000000")


def _for_people(value: Any, source: Source, day: bool) -> Any:
    """A cell as it is read: four significant digits, moments on the shop's clock. Machines get the whole of it."""
    from datetime import UTC, datetime

    if isinstance(value, float):
        return round(value) if abs(value) >= 1000 else float(f"{value:.4g}")
    if isinstance(value, datetime):
        if day:
            return value.strftime("%Y-%m-%d")
        return value.replace(tzinfo=value.tzinfo or UTC).astimezone(source.zone).strftime("%Y-%m-%d %H:%M")
    return value


def _takes(file: Any) -> str:
    return " ".join(f"{p.name}={p.type}" if p.default == "-" else f"[{p.name}={p.type}]" for p in file.parameters)


def _with_unit(file: Any, given: dict[str, str]) -> None:
    """Refuse a bare number where a report works in a unit that a US book never shows. Raises UsageError."""
    from loadbook.core.errors import UsageError
    from loadbook.core.units import show

    for p in file.parameters:
        label = show(0.0, p.unit, "us")[1]
        turned = p.unit in ("c", "c_diff", "c_per_h", "mm", "um", "kg")
        if turned and re.fullmatch(r"\s*[-+.\d][\d.eE+-]*\s*", given.get(p.name, "")):
            unit = {"°F": "F", "°F/h": "F/h", "0.001 in": "mil"}.get(label, label) + " diff" * p.unit.endswith("_diff")
            raise UsageError(f"{p.name}={given[p.name]} has no unit", remedy=f'Write {p.name}="{given[p.name]} {unit}"')


def _in_unit(value: Any, unit: str, system: str) -> str:
    """A report's value as the book shows it, with its unit.

    >>> _in_unit(60.0, "c_per_h", "us"), _in_unit(20, "", "us")
    ('108 °F/h', '20')
    """
    from loadbook.core.units import show

    if not unit or not isinstance(value, (int, float)):
        return str(value)
    shown, label, _ = show(float(value), unit, system)
    return f"{shown:.6g} {label}"


def _about(file: Any, system: str, fmt: str | None) -> None:
    from loadbook.core.units import show
    from loadbook.render.book_units import in_units

    def default(p: Any) -> str:
        if p.default == "-":
            return "must be given"
        try:
            return _in_unit(float(p.default), p.unit, system) if p.unit else p.default
        except ValueError:
            return str(p.default)

    def unit(name: str) -> str:
        return show(0.0, name, system)[1] if name else ""

    rows = [["takes", p.name, p.type, unit(p.unit), default(p), p.meaning] for p in file.parameters]
    rows += [["gives", in_units([c.name], [], system)[0][0], c.type, unit(c.unit), "", c.meaning] for c in file.columns]
    emit(["what", "name", "type", "unit", "default", "meaning"], rows, fmt, title=file.title, note=file.question)


def _left_out(left_out: list[Any], source: Source) -> None:
    """Say which files were not read; then something is wrong."""
    for x in left_out:
        to_stderr(f"left out: {f'run {x.run}, ' if x.run else ''}{x.path}: {x.why}. Run: {source.verify}")
    if left_out:
        sys.exit(EXIT_SOMETHING_WRONG)
