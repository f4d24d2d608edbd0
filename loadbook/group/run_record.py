"""One run as a worker needs it to compute it again: a text that holds its cycle, channels, pieces and decisions.

The record goes with the publication, so that a worker opens nothing but it and the trace file. It holds no customer,
no person and no free note, and its coded texts as they are published.
"""

from __future__ import annotations

import json
import sqlite3
from typing import Any

from loadbook.analysis.clauses.recorded import judged_words
from loadbook.analysis.trace.model import Channel, Cycle, Event, FurnaceCheck, Limit, PieceRecord, Segment
from loadbook.store.run_records import Confirmation, RunRecord

from .words import Words

COLUMNS = {
    "run": "VARCHAR", "trace": "VARCHAR", "sha256": "VARCHAR", "started": "VARCHAR", "guard_factor": "DOUBLE",
    "guard_decides": "BOOLEAN", "record": "VARCHAR",
}  # fmt: skip


def as_text(conn: sqlite3.Connection, record: RunRecord, words: Words) -> str:
    """The record as canonical JSON; figures keep every digit."""
    assert record.trace is not None
    events = record.trace_events(record.trace["started"])
    taken = conn.execute(
        "SELECT parameter, ifnull(channel, ''), source FROM parameter WHERE run = ? AND intake_id IS NOT NULL"
        " ORDER BY parameter_id",
        (record.run,),
    )
    cycle: dict[str, Any] | None = None
    if record.cycle is not None:
        cycle = {
            **words.put(vars(record.cycle), "cycle"),
            "title": "",
            "segments": [words.put(vars(s), "cycle_segment") for s in record.cycle.segments],
            "limits": [{**words.put(vars(x), "cycle_limit"), "typed": None} for x in record.cycle.limits],
        }
    told = {
        "cycle": cycle,
        "channels": [words.put(vars(c), "channel", "trace_channel") for c in record.channels],
        "pieces": [words.put(vars(p), "material", "part") for p in record.pieces],
        "events": [[e.t_s, words.of("event", "event", e.event), _noted(e, words)] for e in events],
        "facts": {
            **words.put({**vars(record.facts)}, "run"),
            "checks": [words.put(vars(c), "furnace_check") for c in record.facts.checks],
        },
        "decided": [
            [c.channel, words.of("confirmation", "fault", c.fault), c.decision, c.partner] for c in record.decided()
        ],
        "taken": [[words.of("parameter", "parameter", p), channel, source] for p, channel, source in taken],
    }
    return json.dumps(told, ensure_ascii=False, sort_keys=True, separators=(",", ":"))


def _noted(event: Event, words: Words) -> str | None:
    """What clauses take from an event's note, as it may be published."""
    noted = judged_words(event)
    return None if noted is None else words.of("event", "event", noted)


def from_text(run: str, started: str, text: str) -> tuple[RunRecord, tuple[Event, ...], set[tuple[str, str, str]]]:
    """(the record as derived rows need it, its events on the trace's clock, the keys of its taken parameters)."""
    told = json.loads(text)
    events = tuple(Event(float(e[0]), str(e[1]), *e[2:]) for e in told["events"])
    facts = told.get("facts", {})  # a publication of an earlier version has none
    checks = tuple(FurnaceCheck(**c) for c in facts.get("checks", ()))
    record = RunRecord(
        run=run,
        row={"status": "aborted" if facts.get("stopped") else "done", "atmosphere": facts.get("atmosphere")},
        cycle=_cycle(told["cycle"]),
        channels=tuple(
            Channel(**{**c, **{key: _points(c[key]) for key in ("correction", "as_found")}}) for c in told["channels"]
        ),
        pieces=tuple(PieceRecord(**p) for p in told["pieces"]),
        events=(),
        furnace={"furnace": facts.get("furnace", ""), "uniformity_c": facts.get("uniformity_c")},
        checks=checks,
        trace={"run": run, "started": started},
        confirmations=tuple(_decided(*d) for d in told["decided"]),
        calibrations={},
    )
    return record, events, {(p, c, s) for p, c, s in told["taken"]}


def _decided(channel: str, fault: str, decision: str, partner: str | None = None) -> Confirmation:
    return Confirmation(channel, fault, decision, "", "", "", partner)


def _points(given: list[list[float]]) -> tuple[tuple[float, float], ...]:
    return tuple((float(at), float(by)) for at, by in given)


def _cycle(told: dict[str, Any] | None) -> Cycle | None:
    if told is None:
        return None
    segments = tuple(Segment(**s) for s in told["segments"])
    limits = tuple(Limit(**x) for x in told["limits"])
    return Cycle(**{**told, "segments": segments, "limits": limits})
