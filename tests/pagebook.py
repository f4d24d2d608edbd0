"""A book whose runs are each hard for a page in one way: no trace, no cycle, forty channels, faults, wild names."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from loadbook.analysis.trace.model import Channel, Event, Trace
from loadbook.render.pages.packed_values import unpacked
from loadbook.store.book import BookFolder
from loadbook.store.records import add_intake

from .judgedbook import STARTED, book_with, put_run
from .test_clauses_vacuum import CYCLE, Load

# tags, quotes, control and direction characters, right-to-left letters, an emoji of several characters, a formula
WILD = "<script>alert('x')</script> \"q\" & \x07\x1b[31m \u202egnp \u05d0\u05d1\u05d2 👩\u200d🔧 =1+1"
WILD_RUN = f"R/{WILD}"
LONG = "N" * 120
RUNS = ("R-kept", "R-broken", "R-no-cycle", "R-paper", "R-no-pieces", "R-aborted", "R-forty", "R-faults", "R-big",
        "R-gap", WILD_RUN)  # fmt: skip
_READ = {"gauge": "G1", "held": "free", "datum": "A", "surface": "cleaned", "already_at_20c": 1, "repeat": 1}


def page_book(path: Path, units: str = "si") -> BookFolder:
    """The book; every run of RUNS is in it."""
    book = book_with(path, CYCLE, units)
    made = Load().trace()
    put_run(book, CYCLE, made, "R-kept")
    put_run(book, CYCLE, Load(door_f=262.0, fast_cool=(1100.0, 1030.0, 150.0)).trace(), "R-broken")
    put_run(book, None, made, "R-no-cycle")
    put_run(book, CYCLE, _cut(made, 2.2), "R-aborted", status="aborted", note="pump failed")
    put_run(book, CYCLE, _many(made, 40), "R-forty")
    put_run(book, CYCLE, _faulty(made), "R-faults")
    put_run(book, None, _big(), "R-big")
    put_run(book, CYCLE, _gap(made), "R-gap")
    put_run(book, CYCLE, _wild(made), WILD_RUN, operator=WILD, note=WILD)
    with book.write() as conn:
        for run in ("R-paper", "R-no-pieces"):
            head = {"run": run, "furnace": "F2", "started": STARTED, "status": "done", "cycle": CYCLE.cycle,
                    "cycle_revision": CYCLE.revision, "note": "chart on paper"}  # fmt: skip
            add_intake(conn, "test", {"run": [head]}, rows_read=1)
        stated = {"run": "R-paper", "parameter": "soak_minutes", "value": 130.0, "unit": "min", "source": "stated"}
        add_intake(conn, "test", {"parameter": [stated]}, rows_read=1)
        add_intake(conn, "test", _records(), rows_read=1)
    return book


def chart_told(data: dict[str, Any]) -> dict[str, Any]:
    """A page's block chart-data as its script unpacks it: with t_s [s] and every line's values."""
    t_s = (np.cumsum(np.array(unpacked(data["t_ms"], 0), dtype=float)) / 1000.0).tolist()
    lines = [
        x | {"values": unpacked(x["values"], x["decimals"])} if isinstance(x["values"], str) else x
        for x in data["lines"]
    ]
    return data | {"t_s": t_s, "lines": lines}


def _records() -> dict[str, list[dict[str, Any]]]:
    """Jobs, readings, approvals and the like of R-kept, and wild text wherever a page shows text."""
    reading = {"part": "00123", "serial": "S 1", "characteristic": "bore", "run": "R-kept", **_READ}
    return {
        "gauge": [{"gauge": "G1", "kind": "bore gauge", "expanded_uncertainty_mm": 0.002}],
        "job": [
            {"job": "J-1", "customer": "Customer A", "purchase_order": "PO-77", "quantity": 12, "confidential": 1,
             "drawing_revision": "C", "specification": "HT-1", "specification_revision": "4"},
            {"job": WILD, "customer": WILD, "purchase_order": LONG, "specification": WILD},
        ],
        "characteristic": [{"part": "00123", "characteristic": "bore", "kind": "inside diameter", "scale": "um",
                            "nominal_mm": 80.0, "lower_mm": 79.9, "upper_mm": 80.1, "reference_length_mm": 80.0}],
        "piece": [
            {"run": "R-kept", "part": "00123", "serial": "S 1", "quantity": 1, "job": "J-1", "heat_number": "H-55"},
            {"run": WILD_RUN, "part": "00123", "serial": WILD, "quantity": 3, "job": WILD, "heat_number": LONG,
             "position": WILD},
        ],
        "reading": [
            {**reading, "stage": "before", "value_mm": 80.01, "read_at": "2026-02-28T08:00:00Z"},
            {**reading, "stage": "after", "value_mm": 80.034, "read_at": "2026-03-03T08:00:00Z"},
        ],
        "approval": [
            {"run": "R-kept", "role": "metallurgist", "person": "person 1", "decision": "accepted",
             "at": "2026-03-02T09:00:00Z"},
            {"run": WILD_RUN, "role": WILD, "person": WILD, "decision": WILD, "at": "2026-03-02T09:00:00Z",
             "note": LONG},
        ],
        "nonconformance": [{"run": "R-broken", "what": "door opened too hot", "disposition": "measured"},
                           {"run": WILD_RUN, "what": WILD, "note": WILD}],
    }  # fmt: skip


def _cut(trace: Trace, hours: float) -> Trace:
    n = int(np.searchsorted(trace.t_s, hours * 3600.0))
    kept = (Event(float(trace.t_s[n - 1]), "aborted"),)
    return replace(trace, t_s=trace.t_s[:n], values=trace.values[:, :n], flags=trace.flags[:, :n], events=kept)


def _many(trace: Trace, channels: int) -> Trace:
    """So many channels: work TCs a little apart from one another, two more control zones, a pressure."""
    rows, named = [trace.values[0]], [trace.channels[0]]
    for i in range(channels - 2):
        rows.append(trace.values[1 + i % 8] - 0.3 * (i // 8))
        named.append(Channel(2 + i, f"TC {i + 1}", "work"))
    rows.append(1e-3 * (1.0 + trace.values[0] / 100.0))
    named.append(Channel(channels, "Vacuum", "pressure", "pressure", "mbar"))
    values = np.array(rows)
    return replace(trace, values=values, flags=np.zeros(values.shape, np.uint8), channels=tuple(named))


def _faulty(trace: Trace) -> Trace:
    """TC 2 and TC 5 trade places, TC 3 stands still, TC 4 opens for an hour, TC 6 falls when heated."""
    values, flags, n = trace.values.copy(), trace.flags.copy(), trace.t_s.size
    half = n // 3
    values[[2, 5], half:] = values[[5, 2], half:]
    values[3, half:] = values[3, half]
    values[4, half : half + 120], flags[4, half : half + 120] = np.nan, 2
    values[6] = 2 * values[6, 0] - values[6]
    return replace(trace, values=values, flags=flags)


def _big() -> Trace:
    """12 channels of 8,640 samples: a day at ten seconds, with noise."""
    rng = np.random.default_rng(5)
    t = np.arange(8640) * 10.0
    level = np.interp(t / 3600.0, [0, 6, 12, 24], [20.0, 900.0, 900.0, 100.0])
    rows = [level, *(level - 3.0 * i for i in range(1, 12))]
    values = np.round(np.array(rows) + rng.normal(0.0, 0.4, (12, t.size)), 1)
    channels = (Channel(1, "C 1", "control"), *(Channel(i + 1, f"TC {i}", "work") for i in range(1, 12)))
    return Trace(t, values, np.zeros(values.shape, np.uint8), channels, (), "R-big")


def _gap(trace: Trace) -> Trace:
    """An hour in which the recorder wrote nothing."""
    keep = (trace.t_s < 4 * 3600.0) | (trace.t_s > 5 * 3600.0)
    return replace(trace, t_s=trace.t_s[keep], values=trace.values[:, keep], flags=trace.flags[:, keep])


def _wild(trace: Trace) -> Trace:
    channels = (*trace.channels[:-1], replace(trace.channels[-1], name=WILD))
    return replace(trace, channels=channels, events=(*trace.events, Event(3600.0, WILD, WILD)))
