"""One run as a worker needs it to compute it again: a text that holds its cycle, channels, pieces and decisions.

The record goes with the publication, so that a worker opens nothing but it and the trace file. It holds no customer,
no person and no free note.
"""

from __future__ import annotations

import json
import sqlite3
from dataclasses import asdict
from typing import Any

from loadbook.analysis.trace.model import Channel, Cycle, Event, Limit, PieceRecord, Segment
from loadbook.store.run_records import Confirmation, RunRecord

COLUMNS = {
    "run": "VARCHAR", "trace": "VARCHAR", "sha256": "VARCHAR", "started": "VARCHAR", "guard_factor": "DOUBLE",
    "guard_decides": "BOOLEAN", "record": "VARCHAR",
}  # fmt: skip


def as_text(conn: sqlite3.Connection, record: RunRecord) -> str:
    """The record as canonical JSON; figures keep every digit."""
    assert record.trace is not None
    events = record.trace_events(record.trace["started"])
    taken = conn.execute(
        "SELECT parameter, ifnull(channel, ''), source FROM parameter WHERE run = ? AND intake_id IS NOT NULL"
        " ORDER BY parameter_id",
        (record.run,),
    )
    told = {
        "cycle": {**asdict(record.cycle), "title": ""} if record.cycle else None,
        "channels": [asdict(c) for c in record.channels],
        "pieces": [asdict(p) for p in record.pieces],
        "events": [[e.t_s, e.event] for e in events],
        "decided": sorted(record.confirmed()),
        "taken": [list(r) for r in taken],
    }
    return json.dumps(told, ensure_ascii=False, sort_keys=True, separators=(",", ":"))


def from_text(run: str, started: str, text: str) -> tuple[RunRecord, tuple[Event, ...], set[tuple[str, str, str]]]:
    """(the record as derived rows need it, its events on the trace's clock, the keys of its taken parameters)."""
    told = json.loads(text)
    events = tuple(Event(float(t), str(event)) for t, event in told["events"])
    record = RunRecord(
        run=run,
        row={},
        cycle=_cycle(told["cycle"]),
        channels=tuple(
            Channel(**{**c, **{key: _points(c[key]) for key in ("correction", "as_found")}}) for c in told["channels"]
        ),
        pieces=tuple(PieceRecord(**p) for p in told["pieces"]),
        events=(),
        furnace={},
        checks=(),
        trace={"run": run, "started": started},
        confirmations=tuple(Confirmation(c, fault, decision, "", "", "") for c, fault, decision in told["decided"]),
        calibrations={},
    )
    return record, events, {(p, c, s) for p, c, s in told["taken"]}


def _points(given: list[list[float]]) -> tuple[tuple[float, float], ...]:
    return tuple((float(at), float(by)) for at, by in given)


def _cycle(told: dict[str, Any] | None) -> Cycle | None:
    if told is None:
        return None
    segments = tuple(Segment(**s) for s in told["segments"])
    limits = tuple(Limit(**x) for x in told["limits"])
    return Cycle(**{**told, "segments": segments, "limits": limits})
