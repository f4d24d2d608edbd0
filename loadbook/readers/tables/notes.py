"""What is said at once of readings and runs as they are taken in: nothing stops at these, nothing is guessed from them.

Of readings: times that do not fit the run or the other stage, temperatures that nobody measures at, gauges past due on
that day of the shop's calendar. Of runs: another load in the furnace at that time. Each is a coded remark with the
lines that it is of.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Sequence
from datetime import timedelta
from functools import cache
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
    runs = {r[0]: (r[1], r[2]) for r in conn.execute("SELECT run, started, ended FROM run")}
    due = dict(conn.execute("SELECT gauge, calibrated_until FROM gauge WHERE calibrated_until IS NOT NULL"))
    # many rows are read alike: each way is looked at once
    when = cache(lambda run, stage, at, before: [*_when(stage, at, before, run, *runs[run], zone)] if at else [])
    warm = cache(lambda *temperatures: [*_warm(*temperatures)])
    past = cache(lambda gauge, run, stage, at: [*_past_due(gauge, due[gauge], stage, at, *runs[run], zone)])
    said: dict[tuple[str, tuple[tuple[str, Any], ...]], list[int]] = {}
    names = ("run", "stage", "read_at", "gauge", "piece_temp_c", "gauge_temp_c")
    columns = [[column[i] for i in chosen] for column in map(rows.column, names)]
    before = _first_before(conn, rows, chosen)
    for i, run, stage, at, gauge, *temperatures in zip(chosen, *columns, strict=True):
        notes = when(run, stage, at, before.get(i)) + warm(*temperatures)
        if gauge in due:
            notes += past(gauge, run, stage, at)
        for code, figures in notes:
            said.setdefault((code, tuple(figures.items())), []).append(rows.lines[i])
    if sided := sorted({*rows.sided} & {*chosen}):
        said["tolerance_left", ()] = [rows.lines[i] for i in sided]
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


def _first_before(conn: sqlite3.Connection, rows: Rows, chosen: Sequence[int]) -> dict[int, str]:
    """Readings after a run -> when the same was first read before it, by the file or the book."""
    stages, times_read = rows.column("stage"), rows.column("read_at")
    timed = [i for i in chosen if times_read[i] is not None]
    columns = [rows.column(name) for name in ("run", "part", "serial", "characteristic")]
    what = dict(zip(timed, zip(*([column[i] for i in timed] for column in columns), strict=True), strict=True))
    read = [(*what[i], times_read[i]) for i in timed if stages[i] == "before"]
    for run, part in {of[:2] for of in what.values()}:
        read += conn.execute(
            "SELECT run, part, serial, characteristic, read_at FROM reading"
            " WHERE run = ? AND part = ? AND stage = 'before' AND read_at IS NOT NULL", (run, part),
        )  # fmt: skip
    first: dict[tuple[Any, ...], str] = {}
    for *of, at in read:
        key = tuple(of)
        if at < first.get(key, "~"):
            first[key] = at
    return {i: first[of] for i, of in what.items() if stages[i] == "after" and of in first}


def _when(
    stage: str, at: str, before: str | None, run: str, started: str, ended: str | None, zone: ZoneInfo
) -> Iterator[tuple[str, dict[str, Any]]]:
    day, moment = times.local_day(at, zone), times.from_stored(at)
    if stage == "after":
        if before is not None and at < before:
            yield "after_before_before", {}
        if at < (ended or started):
            yield "after_in_run", {"run": run, "at": times.shown(ended or started, zone)}
    elif at > started:
        yield "before_in_run", {"run": run, "at": times.shown(started, zone)}
    if moment > times.now() + timedelta(hours=1):
        yield "read_in_future", {"day": day}
    reference = times.from_stored(started if stage == "before" else ended or started)
    days = abs((moment - reference).days)
    if days > FAR_DAYS:
        yield "read_far_from_run", {"run": run, "day": day, "days": days}


def _warm(piece_c: float | None, gauge_c: float | None) -> Iterator[tuple[str, dict[str, Any]]]:
    for at_c, word in ((piece_c, "piece"), (gauge_c, "gauge")):
        if at_c is not None and not COLDEST_C <= at_c <= HOTTEST_C:
            fits = COLDEST_C <= units.c_from_f(at_c) <= HOTTEST_C
            said = {"of": word, "at_c": at_c, "meant_f": at_c if fits else None}
            if at_c < COLDEST_C <= units.f_from_c(at_c) <= HOTTEST_C:
                said["meant_c"] = units.f_from_c(at_c)
            yield "read_hot", said


def _past_due(
    gauge: str, until: str, stage: str, at: str | None, started: str, ended: str | None, zone: ZoneInfo
) -> Iterator[tuple[str, dict[str, Any]]]:
    day = times.local_day(at or (started if stage == "before" else ended or started), zone)
    if day > until:
        yield "gauge_past_due", {"gauge": gauge, "until": until, "day": day}
