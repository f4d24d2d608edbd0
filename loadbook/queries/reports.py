"""The named reports: SQL files whose headers say what they ask and what may be given.

Shipped reports run in this process; a file of the book's own `reports/` folder is a stranger's SQL and runs
behind the guard.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from typing import TYPE_CHECKING, Any

from loadbook.core import times, units
from loadbook.core.errors import UsageError
from loadbook.core.phrases import did_you_mean
from loadbook.store import session_samples, sql_files
from loadbook.store.book import BookFolder
from loadbook.store.session_samples import LeftOut
from loadbook.store.sql_files import REQUIRED, SqlFile, SqlParameter

from .month import Clock, bounds
from .source import Source, source_of
from .sql import ask_sql

if TYPE_CHECKING:
    import pandas as pd

# unit of a parameter -> (dimension that a typed unit may have, factor from the unit kept inside)
_DIMENSIONS = {
    "c": ("temperature", 1.0), "c_diff": ("difference", 1.0), "c_per_h": ("rate", 1.0), "mm": ("length", 1.0),
    "um": ("length", 1000.0), "kg": ("mass", 1.0), "min": ("duration", 1.0), "h": ("duration", 1 / 60),
}  # fmt: skip
_COMMENT = re.compile(r"--[^\n]*")


@dataclass
class ReportResult:
    """A report's rows, with what was asked. Numbers are in the units that the columns' names say."""

    name: str
    title: str
    question: str
    given: dict[str, Any]
    columns: list[str]
    rows: list[tuple[Any, ...]]
    left_out: list[LeftOut] = field(default_factory=list)

    def frame(self) -> pd.DataFrame:
        """The rows as a frame."""
        import pandas as pd

        return pd.DataFrame(self.rows, columns=self.columns)


def available(asked_of: BookFolder | Source) -> tuple[dict[str, SqlFile], list[str]]:
    """Every report by name, shipped ones first, and what is wrong with files of the book's own."""
    return sql_files.reports(source_of(asked_of).own_reports)


def report_named(asked_of: BookFolder | Source, name: str) -> SqlFile:
    """A report by name. Raises UsageError."""
    reports, _ = available(asked_of)
    if name not in reports:
        hint = did_you_mean(name, list(reports))
        raise UsageError(f"there is no report {name!r}", remedy=f"{hint}List them with: loadbook report")
    return reports[name]


def run_report(
    asked_of: BookFolder | Source,
    name: str,
    given: Mapping[str, str] | None = None,
    *,
    seconds: float | None = None,
    memory_mb: int | None = None,
    without_damaged: bool = False,
) -> ReportResult:
    """Run a report with the values given as text (a number may carry its unit: '200 F/h').

    Raises UsageError for an unknown report or parameter, a missing one, or a value that is not of its type.
    """
    source = source_of(asked_of)
    file = report_named(source, name)
    values = values_of(source, file, given or {})
    sent = sent_of(source, file, values)
    if file.path.parent == source.own_reports:
        typed = {n: ("date" if isinstance(v, date) else "text", v) for n, v in sent.items()}
        answer = ask_sql(
            source, file.text, typed, seconds=seconds, memory_mb=memory_mb, without_damaged=without_damaged
        )
        columns, rows, left_out = answer.columns, list(answer.rows()), answer.left_out
    else:
        with source.records(file.needs) as records:
            left_out = list(getattr(records, "left_out", []))
            if not without_damaged:
                session_samples.refuse(left_out, file.text)
            columns, rows = records.table(file.text, sent)
    return ReportResult(name, file.title, file.question, values, columns, rows, left_out)


def sent_of(book: Clock, file: SqlFile, values: Mapping[str, Any]) -> dict[str, Any]:
    """The values that a report's text names, as an engine takes them."""
    used = _COMMENT.sub("", file.text)
    return {n: v for n, v in expanded(book, file.parameters, values).items() if re.search(rf"\${n}\b", used)}


def values_of(book: Clock, file: SqlFile, given: Mapping[str, str]) -> dict[str, Any]:
    """Each declared parameter's value, from what was given or the default."""
    known = {p.name: p for p in file.parameters}
    for name in given:
        if name not in known:
            hint = did_you_mean(name, list(known))
            raise UsageError(
                f"the report {file.name} has no parameter {name!r}", remedy=f"{hint}{_offered(file.parameters)}"
            )
    values = {}
    for p in file.parameters:
        text = given.get(p.name, "" if p.default == REQUIRED else p.default).strip()
        if text == "" and p.default == REQUIRED:
            raise UsageError(f"the report {file.name} needs {p.name}", remedy=_offered(file.parameters))
        values[p.name] = _parsed(book, p, text) if text else None
    return values


def _offered(parameters: Sequence[SqlParameter]) -> str:
    if not parameters:
        return "It takes none"
    return "It takes: " + "; ".join(f"{p.name}={p.type.upper()} ({p.meaning})" for p in parameters)


def _parsed(book: Clock, p: SqlParameter, text: str) -> Any:
    """A value of the parameter's type from its text. Raises UsageError."""
    if p.type == "text":
        return text
    if p.type == "date":
        return datetime.now(book.zone).date() if text == "today" else times.parse_date(text)
    if p.type == "month":
        bounds(text, book)
        return text
    try:
        if p.type == "integer":
            return int(text)
        number = float(text)
        if math.isfinite(number):
            return number
    except ValueError:
        pass
    if p.type == "number" and p.unit in _DIMENSIONS:
        dimension, factor = _DIMENSIONS[p.unit]
        return units.parse_quantity(text, dimension).value * factor
    raise UsageError(
        f"{p.name} is {'an' if p.type == 'integer' else 'a'} {p.type}, not {text!r}", remedy=f"It is: {p.meaning}"
    )


def expanded(book: Clock, parameters: Sequence[SqlParameter], values: Mapping[str, Any]) -> dict[str, Any]:
    """A month becomes two moments in UTC, $NAME_start and $NAME_end, on the shop's clock; $zone is that clock's."""
    sent: dict[str, Any] = {"zone": book.zone.key}
    for p in parameters:
        value = values[p.name]
        if p.type == "month":
            ends = bounds(value, book) if value else (None, None)
            for end, moment in zip(("start", "end"), ends, strict=True):
                sent[f"{p.name}_{end}"] = moment.astimezone(UTC).isoformat(" ")[:19] if moment else None
        else:
            sent[p.name] = value
    return sent
