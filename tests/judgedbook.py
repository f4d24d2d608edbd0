"""A book with one run of the vacuum stress relief of test_clauses_vacuum, for tests of judge, recompute and confirm."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

from loadbook.analysis.trace.model import Cycle, Trace
from loadbook.core import times
from loadbook.store.book import BookFolder
from loadbook.store.records import add_intake
from loadbook.store.run_records import cycle_tables
from loadbook.store.trace_files import write_trace

STARTED = "2026-03-01T07:00:00Z"


def book_with(path: Path, cycle: Cycle, units: str = "si") -> BookFolder:
    """A book with a furnace and its checks, a part and the cycle; no run yet."""
    book = BookFolder.create(path, units=units, zone="Europe/Madrid")
    tables: dict[str, list[dict[str, Any]]] = {
        "material": [{"material": "42CrMo4", "family": "low-alloy steel", "dose_constant": 20.0, "ac1_c": 735.0,
                      "conductivity_w_mk": 42.0, "density_kg_m3": 7850.0, "specific_heat_j_kgk": 560.0}],
        "part": [{"part": "00123", "material": "42CrMo4", "shape": "ring", "section_thick_mm": 40.0,
                  "section_thin_mm": 15.0}],
        "furnace": [{"furnace": "F2", "atmosphere": "vacuum"}],
        "furnace_check": [
            {"furnace": "F2", "kind": "uniformity survey", "done_on": "2026-01-10", "due_on": "2026-04-10",
             "at_c": 650.0, "worst_c": 4.0, "passed": 1},
            {"furnace": "F2", "kind": "system accuracy", "done_on": "2026-01-02", "due_on": "2026-02-02", "passed": 1},
            {"furnace": "F2", "kind": "leak-up", "done_on": "2026-03-05", "due_on": "2026-06-05", "passed": 1},
        ],
        **cycle_tables(cycle, "test"),
    }  # fmt: skip
    with book.write() as conn:
        add_intake(conn, "test", tables, rows_read=1)
    return book


def put_run(
    book: BookFolder, cycle: Cycle | None, trace: Trace, run: str = "R-1", started: str = STARTED, **more: Any
) -> None:
    """A run with one piece, its channels, its events and its trace, without derived rows; more goes to the run."""
    trace = replace(trace, run=run, started=started)
    zero = times.from_stored(started)
    trace_id = re.sub("[^a-z0-9]+", "-", run.lower()).strip("-")
    path, sha256, size = write_trace(book, trace, trace_id)
    channels = [
        {"run": run, "channel": c.name, "role": c.role, "expanded_uncertainty_c": c.expanded_uncertainty_c,
         "serial": "007" if c.role == "work" else None, "tc_type": "K"}
        for c in trace.channels
    ]  # fmt: skip
    head = {"run": run, "furnace": "F2", "started": started, "status": "done", **more}
    if cycle is not None:
        head |= {"cycle": cycle.cycle, "cycle_revision": cycle.revision}
    trace_row = {
        "trace_id": trace_id, "run": run, "state": "current", "path": path, "sha256": sha256, "bytes": size,
        "source_name": "a.csv", "source_sha256": "0", "layout": "x", "started": started, "zone": "UTC",
        "interval_s": 30.0, "seconds": float(trace.t_s[-1]), "samples": trace.t_s.size, "missing": 0, "open": 0,
        "out_of_range": 0, "duplicates": 0, "backwards": 0, "gaps": 0, "longest_gap_s": 30.0,
    }  # fmt: skip
    events = [{"run": run, "at": times.stored(zero + timedelta(seconds=e.t_s)), "event": e.event} for e in trace.events]
    numbered = [
        {"trace_id": trace_id, "number": c.number, "channel": c.name, "quantity": c.quantity, "unit": c.unit,
         "valid": trace.t_s.size}
        for c in trace.channels
    ]  # fmt: skip
    with book.write() as conn:
        add_intake(
            conn, "test",
            {"run": [head], "piece": [{"run": run, "part": "00123", "serial": "007", "quantity": 1}],
             "channel": channels, "event": events, "trace": [trace_row], "trace_channel": numbered},
            rows_read=1,
        )  # fmt: skip
