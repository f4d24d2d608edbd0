"""`demo --play`: a run of the demo's book once more, its recorder's file written as if the furnace ran now."""

from __future__ import annotations

import time
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import click
import numpy as np

from loadbook.analysis.trace.model import OPEN, Trace
from loadbook.core import times, writing
from loadbook.core.errors import UsageError
from loadbook.core.typed import quote
from loadbook.render.tables import plain
from loadbook.store.book import BookFolder
from loadbook.store.records import add_intake
from loadbook.store.run_records import RunRecord, load_run
from loadbook.store.trace_files import read_trace

_UNITS = {"temperature": "°C", "pressure": "mbar", "oxygen": "ppm", "dew point": "°C"}
OFF_SHARE = 0.7  # of its distance to the furnace that a bead closes as it comes off


def play(book: BookFolder, run: str, speed: float, comes_off: str | None, file: Path) -> str:
    """Adds a run like another one that starts now, and writes its recorder's file row by row; gives the run's name.

    speed      seconds of the recorder per second;  comes_off  a work TC that leaves its hole half-way to the first hold
    Raises UsageError (the run has no trace, no such TC, the file is there), KeyboardInterrupt on Ctrl-C
    """
    record = load_run(book.read(), run)
    if record.trace is None:
        raise UsageError(f"run {run!r} has no trace to play", remedy="Choose another: loadbook list runs")
    writing.check(file, taken="Name another with --to")
    trace = read_trace(book, record.trace, record.channels, ())
    if comes_off is not None:
        trace = _off(trace, record, comes_off)
    began = times.now().replace(microsecond=0)
    name = _add_run(book, record, began)
    click.echo(f"Run {plain(name)} starts now. In another terminal, in the book's folder:")
    click.echo(f"  loadbook follow {quote(plain(str(file.resolve())))} --run {plain(name)} --page now.html")
    click.echo(f"{trace.t_s[-1] / 3600:.1f} h take {trace.t_s[-1] / speed / 60:.1f} min; Ctrl-C ends it")
    _write(trace, began.astimezone(book.zone), speed, file)
    return name


def _off(trace: Trace, record: RunRecord, name: str) -> Trace:
    from loadbook.analysis.trace.phases import find_phases
    from loadbook.analysis.trace.validity import prepared

    work = [c.name for c in trace.channels if c.role == "work"]
    if name not in work:
        raise UsageError(f"run {record.run!r} has no work TC {name!r}", remedy=f"It has: {', '.join(work)}")
    phases = find_phases(prepared(trace), record.cycle)
    first = phases.holds[0].start if phases.holds else trace.t_s.size
    row, values = trace.row(name), trace.values.copy()
    values[row, first // 2 :] += OFF_SHARE * (phases.reference_c - values[row])[first // 2 :]
    return replace(trace, values=np.round(values, 1))


def _add_run(book: BookFolder, record: RunRecord, began: datetime) -> str:
    """A run with the pieces, channels and readings before of another one."""
    conn = book.read()
    number = conn.execute("SELECT count(*) FROM run WHERE run LIKE ? || '-play%'", (record.run,)).fetchone()[0] + 1
    name = f"{record.run}-play{number}"
    started = times.stored(began)
    own = ("intake_id", "typed")
    run = {k: v for k, v in record.row.items() if k not in (*own, "run_id", "ended", "repeats_run", "note")}
    tables = {"run": [{**run, "run": name, "started": started, "status": "done"}]}
    for table in ("piece", "channel"):
        rows = conn.execute(f"SELECT * FROM {table} WHERE run = ?", (record.run,)).fetchall()
        tables[table] = [{k: r[k] for k in r.keys() if k not in (*own, f"{table}_id")} | {"run": name} for r in rows]  # noqa: SIM118
    read = conn.execute("SELECT * FROM reading WHERE run = ? AND stage = 'before'", (record.run,)).fetchall()
    tables["reading"] = [{k: r[k] for k in r.keys() if k not in (*own, "reading_id")}  # noqa: SIM118
                         | {"run": name, "read_at": started} for r in read]  # fmt: skip
    with book.write() as conn:
        add_intake(conn, "play", tables, rows_read=sum(map(len, tables.values())))
    return name


def lines(trace: Trace, began: datetime) -> list[str]:
    """The recorder's file, line by line, its heading first; began is the recorder's wall clock."""
    head = ["Time", *(f"{c.name} [{_UNITS.get(c.quantity, c.unit)}]" for c in trace.channels)]
    out = [",".join(head)]
    for k, t in enumerate(trace.t_s.tolist()):
        cells = [(began + timedelta(seconds=t)).strftime("%Y-%m-%d %H:%M:%S")]
        for i, c in enumerate(trace.channels):
            value = trace.values[i, k]
            blank = "OPEN" if trace.flags[i, k] & OPEN else ""
            cells.append(blank if np.isnan(value) else f"{value:.2E}" if c.quantity == "pressure" else f"{value:.1f}")
        out.append(",".join(cells))
    return out


def _write(trace: Trace, began: datetime, speed: float, file: Path) -> None:
    """Rows as their time comes, by a clock that runs `speed` times as fast; the last half line is never long alone."""
    head, *rows = lines(trace, began)
    start = time.monotonic()
    with writing.create(file) as out:
        out.write(f"{head}\n".encode())
        out.flush()
        done = 0
        while done < len(rows):
            due = int(np.searchsorted(trace.t_s, (time.monotonic() - start) * speed, side="right"))
            if due > done:
                out.write(("\n".join(rows[done:due]) + "\n").encode())
                out.flush()
                done = due
            time.sleep(0.2)
