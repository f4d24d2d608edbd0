"""The commands `sql` and `report`."""

from __future__ import annotations

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

    Example: loadbook report heating_rate_bands slow=60 fast="200 F/h"
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
    if about:
        _about(reports.report_named(source, name), fmt)
        return
    found = reports.run_report(
        source, name, given, seconds=seconds, memory_mb=memory_mb, without_damaged=without_damaged
    )
    columns, shown = found.columns, list(found.rows)
    people = fmt in (None, "table")
    if people:
        columns, rows = in_units(columns, shown, source.units)
        days = {i for i in range(len(columns)) if all(_midnight(row[i]) for row in rows)}
        shown = [tuple(_for_people(v, source, i in days) for i, v in enumerate(row)) for row in rows]
    said = ", ".join(f"{k}={v}" for k, v in found.given.items() if v is not None)
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


def _about(file: Any, fmt: str | None) -> None:
    rows = [
        ["takes", p.name, p.type, p.unit, "must be given" if p.default == "-" else p.default, p.meaning]
        for p in file.parameters
    ]
    rows += [["gives", c.name, c.type, c.unit, "", c.meaning] for c in file.columns]
    emit(["what", "name", "type", "unit", "default", "meaning"], rows, fmt, title=file.title, note=file.question)


def _left_out(left_out: list[Any], source: Source) -> None:
    """Say which files were not read; then something is wrong."""
    for x in left_out:
        to_stderr(f"left out: {f'run {x.run}, ' if x.run else ''}{x.path}: {x.why}. Run: {source.verify}")
    if left_out:
        sys.exit(EXIT_SOMETHING_WRONG)
