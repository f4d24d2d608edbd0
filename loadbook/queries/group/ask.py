"""Reports and SQL over a group, on DuckDB or on Spark."""

from __future__ import annotations

import threading
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any
from zoneinfo import ZoneInfo

from loadbook.core import times
from loadbook.core.errors import LoadbookError, UsageError
from loadbook.core.phrases import did_you_mean
from loadbook.core.writing import scratch
from loadbook.group import views as groupviews
from loadbook.group.read import Group, open_group
from loadbook.queries.reports import ReportResult, sent_of, values_of
from loadbook.queries.sql import in_words
from loadbook.store import sandbox, sql_files
from loadbook.store.session import named_in

from .cells import start


@dataclass(frozen=True)
class _Clock:
    zone: ZoneInfo


def report_group(
    target: str,
    name: str,
    given: Mapping[str, str] | None = None,
    *,
    engine: str = "duckdb",
    without: Sequence[str] = (),
    master: str | None = None,
    spark: Any = None,
) -> ReportResult:
    """A shipped report over the plants of a group. Runs, furnaces and gauges have their plant before them.

    Raises UsageError for an unknown report, a parameter or value that it does not take, or a plant that is not there
    """
    file = shipped_report(name)
    group = open_group(target, without)
    clock = _Clock(times.zone_of(group.zone()))
    values = values_of(clock, file, given or {})
    made = start(group, set(file.needs), engine, master, spark)
    try:
        columns, rows = made.rows(file.text, sent_of(clock, file, values))
    finally:
        made.close()
    return ReportResult(name, file.title, file.question, values, columns, rows)


def shipped_report(name: str) -> sql_files.SqlFile:
    """A shipped report by name. Raises UsageError."""
    known = sql_files.reports()[0]
    if name not in known:
        hint = did_you_mean(name, list(known))
        raise UsageError(f"there is no report {name!r}", remedy=f"{hint}List them with: loadbook report")
    return known[name]


@dataclass
class GroupRows:
    """What a query gave."""

    columns: list[str]
    rows: list[tuple[Any, ...]]


def sql_group(
    target: str,
    text: str,
    *,
    engine: str = "duckdb",
    without: Sequence[str] = (),
    master: str | None = None,
    spark: Any = None,
    seconds: float | None = None,
    memory_mb: int | None = None,
) -> GroupRows:
    """The answer to one read-only query, in DuckDB's dialect on both engines.

    On DuckDB it goes through the guard of `sql`: a child process that may read the published files and nothing else.
    On Spark the text is parsed, looked through and rebuilt: one select over the group's tables and views, functions
    that only compute; its jobs are cancelled at the deadline. What the cluster's own user may read is Spark's matter.
    Raises UsageError for anything that is not one select; LoadbookError where it fails or reaches a limit
    """
    group = open_group(target, without)
    if engine == "spark":
        return _on_spark(group, text, master, spark, seconds or sandbox.SECONDS)
    tables, views = groupviews.names()
    if group.store.in_this_process_only or (not group.store.local and "samples" in named_in(text, {*tables, *views})):
        raise UsageError(
            "a stranger's query may open no network, and samples are read where they lie",
            where=target,
            remedy="Use --engine spark, or copy the target to a folder",
        )
    with scratch() as copies:
        try:
            of = {"target": group.store.address, "without": list(without), "copies": copies}
            answer = sandbox.run_over("loadbook.group.duck:for_query", of, text, seconds=seconds, memory_mb=memory_mb)
        except LoadbookError as exc:
            helped = in_words(text, exc, tables, views)
            if helped is exc:
                raise
            raise helped from exc
    return GroupRows(answer.columns, list(answer.rows()))


def _on_spark(group: Group, text: str, master: str | None, spark: Any, seconds: float) -> GroupRows:
    from loadbook.group.spark import SparkEngine

    tables, views = groupviews.names()
    known = {*tables, *views}
    engine = SparkEngine(group, named_in(text, known) or {"run"}, spark, master)
    late = threading.Event()
    found: list[Any] = []

    def run() -> None:
        try:
            found.append(engine.users_query(text, known, sandbox.MOST_ROWS))
        except Exception as exc:
            found.append(exc)
        finally:
            late.set()

    worker = threading.Thread(target=run, daemon=True)
    worker.start()
    if not late.wait(seconds):
        engine.cancel()
        raise LoadbookError(
            f"the query ran longer than {seconds:g} s and was ended",
            remedy="Ask for less, or allow more with --seconds",
        )
    if isinstance(found[0], Exception):
        raise found[0]
    columns, rows = found[0]
    if len(rows) > sandbox.MOST_ROWS:
        raise UsageError(f"the answer has more than {sandbox.MOST_ROWS} rows", remedy="Ask for less, or for sums")
    return GroupRows(columns, rows)
