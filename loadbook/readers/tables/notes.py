"""What is said at once of readings and runs as they are taken in: nothing stops at these, nothing is guessed from them.

Of readings: times that do not fit the run or the other stage, temperatures that nobody measures at, gauges past due on
that day of the shop's calendar. Of runs: another load in the furnace at that time. Each is a coded remark with the
lines that it is of.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Sequence
from datetime import timedelta
from typing import Any
from zoneinfo import ZoneInfo

from loadbook.core import times, units
from loadbook.core.remarks import Remark, remark

from .rows import Rows

COLDEST_C, HOTTEST_C = 0.0, 45.0  # pieces and gauges are measured between these (common practice)
SAME_TIME_S = 3600.0  # runs of one furnace may be written down so far into each other
FAR_DAYS = 300  # from the run: most likely another year


def reading_notes(conn: sqlite3.Connection, rows: Rows, chosen: Sequence[int], zone: ZoneInfo) -> list[Remark]:
    """Remarks on some rows of a file of readings or runs; one remark for all lines that it is said of alike."""
    if rows.kind.kind == "runs":
        return _at_the_same_time(conn, rows, chosen)
    if rows.kind.kind != "readings" or not chosen:
        return []
    columns = {c.name: rows.column(c.name) for c in rows.kind.columns}
    runs = {r[0]: (r[1], r[2]) for r in conn.execute("SELECT run, started, ended FROM run")}
    due = dict(conn.execute("SELECT gauge, calibrated_until FROM gauge WHERE calibrated_until IS NOT NULL"))
    others = _times(conn, columns, chosen)
    said: dict[tuple[str, tuple[tuple[str, Any], ...]], list[int]] = {}
    for i in chosen:
        row = {name: values[i] for name, values in columns.items()}
        for code, figures in (*_when(row, runs, others, zone), *_how(row, runs, due, zone)):
            said.setdefault((code, tuple(figures.items())), []).append(rows.lines[i])
    return [
        remark(code, **dict(figures), lines=lines if rows.by_line else []) for (code, figures), lines in said.items()
    ]


def _at_the_same_time(conn: sqlite3.Connection, rows: Rows, chosen: Sequence[int]) -> list[Remark]:
    """Runs whose furnace was running another load: one of them has a wrong date, or a wrong furnace."""
    new = set(chosen)
    names = ("furnace", "started", "ended", "run", "status")
    ours = [(*(rows.column(n)[i] for n in names), i) for i in chosen]
    furnaces, named = {r[0] for r in ours}, {r[3] for r in ours}
    known = [
        (*row, None)
        for row in conn.execute("SELECT furnace, started, ended, run, status FROM run WHERE ended IS NOT NULL")
        if row[0] in furnaces and row[3] not in named
    ]
    said: dict[tuple[str, str], list[int]] = {}
    last: dict[str, tuple[str, str, int | None]] = {}  # furnace -> end, run and row of the one that ends last so far
    for furnace, started, ended, run, status, i in sorted([*ours, *known], key=lambda r: (r[0], r[1], r[3])):
        if not started or not ended or status == "void":
            continue
        until, other, j = last.get(furnace, ("", "", None))
        into = (times.from_stored(until) - times.from_stored(started)).total_seconds() if until else 0.0
        if min(into, (times.from_stored(ended) - times.from_stored(started)).total_seconds()) > SAME_TIME_S:
            line, name = (i, other) if i in new else (j, run)
            if line is not None:
                said.setdefault((furnace, name), []).append(rows.lines[line])
        if ended > until:
            last[furnace] = ended, run, i
    return [
        remark("furnace_running", furnace=furnace, run=run, lines=sorted(lines) if rows.by_line else [])
        for (furnace, run), lines in said.items()
    ]


def _times(
    conn: sqlite3.Connection, columns: dict[str, list[Any]], chosen: Sequence[int]
) -> dict[tuple[Any, ...], tuple[str, str]]:
    """(run, part, serial, characteristic, stage) -> first and last time read, of the file and of the book."""
    key = ("run", "part", "serial", "characteristic", "stage")
    found: dict[tuple[Any, ...], tuple[str, str]] = {}

    def put(name: tuple[Any, ...], at: str) -> None:
        low, high = found.get(name, (at, at))
        found[name] = min(low, at), max(high, at)

    for i in chosen:
        if columns["read_at"][i] is not None:
            put(tuple(columns[c][i] for c in key), columns["read_at"][i])
    pieces = {(columns["run"][i], columns["part"][i]) for i in chosen} if found else set()
    for run, part in pieces:
        for *name, at in conn.execute(
            f"SELECT {', '.join(key)}, read_at FROM reading WHERE run = ? AND part = ? AND read_at IS NOT NULL",
            (run, part),
        ):
            put(tuple(name), at)
    return found


def _when(
    row: dict[str, Any], runs: dict[str, tuple[str, str | None]], others: dict[tuple[Any, ...], tuple[str, str]],
    zone: ZoneInfo,
) -> Iterator[tuple[str, dict[str, Any]]]:  # fmt: skip
    at = row["read_at"]
    if at is None:
        return
    started, ended = runs[row["run"]]
    day, moment = times.local_day(at, zone), times.from_stored(at)
    if row["stage"] == "after":
        before = others.get((row["run"], row["part"], row["serial"], row["characteristic"], "before"))
        if before is not None and at < before[0]:
            yield "after_before_before", {}
        if at < (ended or started):
            yield "after_in_run", {"run": row["run"], "at": times.shown(ended or started, zone)}
    elif at > started:
        yield "before_in_run", {"run": row["run"], "at": times.shown(started, zone)}
    if moment > times.now() + timedelta(hours=1):
        yield "read_in_future", {"day": day}
    reference = times.from_stored(started if row["stage"] == "before" else ended or started)
    days = abs((moment - reference).days)
    if days > FAR_DAYS:
        yield "read_far_from_run", {"run": row["run"], "day": day, "days": days}


def _how(
    row: dict[str, Any], runs: dict[str, tuple[str, str | None]], due: dict[str, str], zone: ZoneInfo
) -> Iterator[tuple[str, dict[str, Any]]]:
    for column, word in (("piece_temp_c", "piece"), ("gauge_temp_c", "gauge")):
        at_c = row[column]
        if at_c is not None and not COLDEST_C <= at_c <= HOTTEST_C:
            fits = COLDEST_C <= units.c_from_f(at_c) <= HOTTEST_C
            said = {"of": word, "at_c": at_c, "meant_f": at_c if fits else None}
            if at_c < COLDEST_C <= units.f_from_c(at_c) <= HOTTEST_C:
                said["meant_c"] = units.f_from_c(at_c)
            yield "read_hot", said
    until = due.get(row["gauge"])
    started, ended = runs[row["run"]]
    moment = row["read_at"] or (started if row["stage"] == "before" else ended or started)
    if until is not None and times.local_day(moment, zone) > until:
        yield "gauge_past_due", {"gauge": row["gauge"], "until": until, "day": times.local_day(moment, zone)}
