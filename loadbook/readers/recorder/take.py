"""Taking a recorder's file in as the trace of a run: read, settle, write, judge, and one transaction for all of it."""

from __future__ import annotations

import json
import sqlite3
from dataclasses import dataclass, replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import numpy as np

from loadbook.analysis.trace.model import INVALID, OUT_OF_RANGE, Channel, Trace
from loadbook.analysis.trace.validity import marked
from loadbook.core import times
from loadbook.core.errors import LoadbookError
from loadbook.core.times import zone_of
from loadbook.store import derived, trace_files
from loadbook.store.book import BookFolder
from loadbook.store.records import add_intake
from loadbook.store.run_records import RunRecord, load_run

from .channels import ChannelSpec
from .kept_layouts import KeptLayout
from .names import read_heading
from .normalise import Counts
from .options import Options, stop
from .read import Read, look
from .source import Source, open_source

FAR_HOURS = 12.0


@dataclass
class TakenTrace:
    """What became of a file. already is True where it was in the book before, and nothing was added.

    verdict   the run's, and `broken` / `untold` / `faults` the names of what led to it
    """

    run: str
    trace_id: str
    already: bool = False
    started: str = ""
    zone: str = ""
    seconds: float = 0.0
    channels: tuple[ChannelSpec, ...] = ()
    new_channels: int = 0
    counts: Counts | None = None
    out_of_range: int = 0
    parameters: int = 0
    verdict: str = ""
    broken: tuple[str, ...] = ()
    untold: tuple[str, ...] = ()
    faults: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()


class ChangedMeanwhile(LoadbookError):
    """Another command changed the run, its cycle or its channels between our reading and our lock."""


def take_trace(
    book: BookFolder, path: Path, run: str, options: Options | None = None, layout: KeptLayout | None = None
) -> TakenTrace:
    """Take one recorder's file in as the trace of a run.

    Raises NotFoundError (no such run or file), OpenQuestion (something is not settled), IntakeError (rows that
    cannot be read), LoadbookError where the run has another trace already. Nothing is left behind by an error.
    """
    for _ in range(2):
        try:
            return _take(book, path, run, options or Options(), layout)
        except ChangedMeanwhile:
            continue  # it is read and judged once more, by what stands there now
    return _take(book, path, run, options or Options(), layout)


def _take(book: BookFolder, path: Path, run: str, options: Options, layout: KeptLayout | None) -> TakenTrace:
    source = open_source(path)
    conn = book.read()
    record = seen = load_run(conn, run)
    taken = _already(conn, record, source)
    if taken is not None:
        return taken
    known, canonical = recorded_channels(record)
    read = look(
        source, options, layout=layout.layout if layout else None, zone=book.zone,
        run_started=times.from_stored(record.row["started"]), known=known,
    )  # fmt: skip
    stop(read.questions, source.name)
    _far_from_run(read, record, source.name)
    trace, specs, missing_rows = as_trace(read, record, canonical)
    valid = marked(trace)
    trace.flags = np.where(valid.flags & OUT_OF_RANGE, trace.flags | OUT_OF_RANGE, trace.flags)
    record = replace(record, channels=trace.channels)
    assert trace.started is not None
    trace.events = record.trace_events(trace.started)
    before = conn.execute("SELECT count(*) FROM trace WHERE run = ?", (run,)).fetchone()[0]
    trace_id = trace_files.trace_id_of(run, source.sha256, before)
    parameter_rows, finding_rows = _derived(book, record, trace)
    rows = trace_rows(read, trace, valid, specs, source, trace_id, layout)
    prepared = trace_files.prepare(book, trace, trace_id)
    rows["trace"][0].update(path=prepared.path, sha256=prepared.sha256, bytes=prepared.bytes)
    try:
        with book.write() as writing:
            _unchanged(writing, seen, trace_id)
            try:
                prepared.place()
                add_intake(
                    writing, "traces", {"channel": missing_rows, **rows}, rows_read=read.reading.counts.rows,
                    file_name=source.name, file_sha256=source.sha256,
                )  # fmt: skip
                derived.store(writing, run, parameter_rows, finding_rows)
            except BaseException:
                prepared.discard(placed=True)  # nothing was committed: a file without its row is of no use
                raise
    finally:
        prepared.discard()  # a file that was placed stays: the commit may have reached the disk
    return _summary(read, trace, trace_id, specs, len(missing_rows), rows["trace"][0], parameter_rows, finding_rows)


def _unchanged(conn: sqlite3.Connection, seen: RunRecord, trace_id: str) -> None:
    """Raises ChangedMeanwhile where the run is no longer what was read (it may even have this very trace by now)."""
    taken = conn.execute("SELECT 1 FROM trace WHERE trace_id = ?", (trace_id,)).fetchone()
    if taken or load_run(conn, seen.run) != seen:
        raise ChangedMeanwhile(
            f"other commands went on changing {seen.run!r}; nothing was taken in",
            where=seen.run,
            remedy="Repeat the command: it is judged by what stands there now",
        )


def _derived(book: BookFolder, record: RunRecord, trace: Trace) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    """Rows of `parameter` and `finding`, with the book's guard settings."""
    factor, decides = book.guard()
    return derived.derived_rows(record, trace, guard_factor=factor, guard_decides=decides)


def _already(conn: sqlite3.Connection, record: RunRecord, source: Source) -> TakenTrace | None:
    """The earlier intake of this very file for this run. Raises LoadbookError where it, or the run, is taken."""
    other = conn.execute(
        "SELECT run, trace_id FROM trace WHERE source_sha256 = ? AND state = 'current'", (source.sha256,)
    ).fetchall()
    here = [r for r in other if r["run"] == record.run]
    if here:
        return TakenTrace(record.run, here[0]["trace_id"], already=True)
    if other:
        raise LoadbookError(
            f"this very file is the trace of run {other[0]['run']!r}", where=source.name,
            remedy=f"If it belongs to {record.run!r}: "
            f"loadbook amend traces {other[0]['trace_id']} state=withdrawn --why TEXT",
        )  # fmt: skip
    if record.trace is not None:
        raise LoadbookError(
            f"run {record.run!r} has a trace already, from {record.trace['source_name']}", where=source.name,
            remedy=f"Withdraw it first: loadbook amend traces {record.trace['trace_id']} state=withdrawn --why TEXT",
        )  # fmt: skip
    return None


def _far_from_run(read: Read, record: RunRecord, where: str) -> None:
    """Refuse a file that lies wholly outside the run's own times, and say so where it begins far from its start.

    It is a wrong file or a wrong run, or its dates were read in the wrong order. Raises LoadbookError.
    """
    if read.reading.started is None:
        return
    started, seconds = read.reading.started, float(read.reading.t_s[-1]) if len(read.reading.t_s) else 0.0
    apart = record.apart(started, seconds)
    if apart is not None:
        zone = zone_of(read.reading.zone)
        begins, ends = (
            (started + timedelta(seconds=s)).astimezone(zone).strftime("%Y-%m-%d %H:%M") for s in (0, seconds)
        )
        raise LoadbookError(
            f"the file goes from {begins} to {ends}, wholly {apart} run {record.run!r}",
            where=where,
            remedy="Give the run that it belongs to; or, where the run's times are wrong: "
            f"loadbook amend runs {record.run} {'started' if apart == 'before' else 'ended'}=... --why TEXT",
        )
    hours = (read.reading.started - times.from_stored(record.row["started"])).total_seconds() / 3600
    if abs(hours) > FAR_HOURS:
        way = "after" if hours > 0 else "before"
        read.notes.append(f"the file begins {abs(hours):.1f} h {way} the run's start: is it this run's?")


def recorded_channels(record: RunRecord) -> tuple[dict[str, tuple[str, str]], dict[str, Channel]]:
    """What the run's channel records say, found by the name as it stands there or without the unit in it."""
    known: dict[str, tuple[str, str]] = {}
    canonical: dict[str, Channel] = {}
    for channel in record.channels:
        for name in (read_heading(channel.name).name.casefold(), channel.name.casefold()):
            known[name] = (channel.role, "")
            canonical[name] = channel
    return known, canonical


def as_trace(
    read: Read, record: RunRecord, canonical: dict[str, Channel]
) -> tuple[Trace, list[ChannelSpec], list[dict[str, Any]]]:
    """The trace, its channels under the names that the book knows, and rows for the channels new to the run."""
    reading = read.reading
    channels, specs, rows = [], [], []
    for number, spec in enumerate(reading.channels, start=1):
        known = canonical.get(spec.name.casefold())
        if known is None:
            channels.append(Channel(number, spec.name, spec.role, spec.quantity, spec.unit))  # type: ignore[arg-type]
            rows.append({"run": record.run, "channel": spec.name, "role": spec.role, "unit": spec.unit_read or None})
        else:
            channels.append(replace(known, number=number, quantity=spec.quantity, unit=spec.unit))
        specs.append(replace(spec, name=channels[-1].name))
    found = {c.name for c in channels}
    absent = [c.name for c in record.channels if c.name not in found]
    if absent:
        read.notes.append(f"the run's channels {', '.join(absent)} are not in the file")
    assert reading.started is not None
    return (
        Trace(
            reading.t_s,
            reading.values,
            reading.flags,
            tuple(channels),
            run=record.run,
            started=times.stored(reading.started),
        ),
        specs,
        rows,
    )


def trace_rows(
    read: Read,
    trace: Trace,
    valid: Trace,
    specs: list[ChannelSpec],
    source: Source,
    trace_id: str,
    layout: KeptLayout | None,
) -> dict[str, list[dict[str, Any]]]:
    """Rows of `trace` (its file's path still to come) and `trace_channel`."""
    counts = read.reading.counts
    unchanged = layout is not None and layout.layout == read.layout
    label = "as proposed" if layout is None else layout.label if unchanged else f"{layout.label}, with options"
    typed = {"layout": read.layout.to_toml()}
    head = {
        "trace_id": trace_id, "run": trace.run, "state": "current", "source_name": source.name,
        "source_sha256": source.sha256, "layout": label, "started": trace.started, "zone": read.reading.zone,
        "interval_s": counts.interval_s, "seconds": float(trace.t_s[-1]), "samples": counts.samples,
        "missing": counts.missing, "open": counts.open,
        "out_of_range": int((valid.flags & OUT_OF_RANGE > 0).sum()), "duplicates": counts.duplicates + counts.repeated,
        "backwards": counts.backwards, "gaps": counts.gaps, "longest_gap_s": counts.longest_gap_s,
        "typed": json.dumps(typed, ensure_ascii=False),
    }  # fmt: skip
    good = (valid.flags & INVALID) == 0
    channels = []
    for i, (channel, spec) in enumerate(zip(trace.channels, specs, strict=True)):
        some = valid.values[i][good[i]]
        channels.append(
            {
                "trace_id": trace_id,
                "number": channel.number,
                "channel": channel.name,
                "quantity": channel.quantity,
                "unit": channel.unit,
                "resolution": spec.resolution,
                "valid": len(some),
                "lowest": float(some.min()) if len(some) else None,
                "highest": float(some.max()) if len(some) else None,
            }
        )
    return {"trace": [head], "trace_channel": channels}


def _summary(
    read: Read, trace: Trace, trace_id: str, specs: list[ChannelSpec], new: int, row: dict[str, Any],
    parameters: list[dict[str, Any]], findings: list[dict[str, Any]],
) -> TakenTrace:  # fmt: skip
    clauses = [f for f in findings if f["what"] == "clause"]
    return TakenTrace(
        trace.run, trace_id, False, trace.started or "", read.reading.zone, float(trace.t_s[-1]), tuple(specs), new,
        read.reading.counts, row["out_of_range"], sum(1 for p in parameters if p["source"] == "trace"),
        next(f["verdict"] for f in findings if f["what"] == "run"),
        tuple(f["name"] for f in clauses if f["verdict"] == "broken"),
        tuple(f["name"] for f in clauses if f["verdict"] == "cannot be told"),
        tuple(f"{f['channel']} {f['name']}" for f in findings if f["what"] == "fault"),
        tuple(dict.fromkeys(read.notes)),
    )  # fmt: skip
