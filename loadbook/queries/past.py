"""A book's whole past in rows, gathered once: what the pages of a part, a customer, a piece and a furnace choose from.

Rows are dicts with values as kept inside (mm, °C, UTC text); nothing is judged or computed anew.
"""

from __future__ import annotations

import json
import sqlite3
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

from loadbook.core import times
from loadbook.store.book import BookFolder
from loadbook.store.session import start

from .needs import Need, needs
from .route import constant_of
from .run_record import Row

_RUNS = """
SELECT run, strftime(started, '%Y-%m-%dT%H:%M:%SZ') AS started, furnace, atmosphere, process, cycle, cycle_revision,
       status, setup, pieces, verdict, clauses, clauses_broken, clauses_untold, heating_rate_peak_c_per_h, hold_mean_c,
       soak_minutes, cooling_rate_peak_c_per_h
FROM runs WHERE {some} ORDER BY started, run
"""
_MOVEMENT = """
SELECT run, part, serial, characteristic, kind, unit, setup, atmosphere, condition, before_mm, after_mm, movement_mm,
       movement_um, movement_um_per_100mm, movement_share_of_tolerance, below_gauge,
       gauge, corrected_20c, way, nominal_mm, lower_mm, upper_mm, expanded_uncertainty_mm, set_aside
FROM movement WHERE part = $part OR $part IS NULL ORDER BY started, run, part, serial, characteristic
"""
_PIECES = """
SELECT p.run, p.part, p.serial, p.quantity, p.job, p.heat_number, coalesce(p.setup, r.setup) AS setup, p.position,
       p.machining, p.condition, coalesce(j.customer, t.customer) AS customer, j.confidential, j.export_controlled
FROM piece AS p JOIN run AS r ON r.run = p.run JOIN part AS t ON t.part = p.part LEFT JOIN job AS j ON j.job = p.job
WHERE {some} ORDER BY r.started, p.piece_id
"""
_PARTS = """
SELECT part.*, material.family, material.dose_constant FROM part LEFT JOIN material USING (material) ORDER BY part
"""
_OPERATIONS = "SELECT * FROM operation WHERE part = $part OR $part IS NULL ORDER BY part, serial, sequence"
_NONCONFORMANCES = "SELECT * FROM nonconformance WHERE {some} ORDER BY nonconformance_id"
_DOSES = "SELECT run, value, note FROM parameter WHERE parameter = 'dose_hj' AND channel IS NULL AND {some}"
_FAULTS = "SELECT run, channel, name, verdict FROM finding WHERE what = 'fault' AND {some} ORDER BY finding_id"
SETTINGS = (
    ("heating_rate_peak_c_per_h", "heating rate", "c_per_h"),
    ("hold_mean_c", "hold", "c"),
    ("soak_minutes", "soak", "min"),
    ("cooling_rate_peak_c_per_h", "cooling rate", "c_per_h"),
)


@dataclass
class Past:
    """What happened, by what it happened to.

    runs       by name, oldest first; with `word` (what it is marked with), `day` (on the shop's clock) and `customers`
    pieces     by run;  of_part, of_piece, of_customer, of_furnace  run names, oldest first, each once
    moved      movement rows by run
    answers    with how they turned out, answered  the same by part;  needs  what waits for a person, by run
    """

    runs: dict[str, Row]
    parts: dict[str, Row]
    furnaces: dict[str, Row]
    pieces: dict[str, list[Row]]
    moved: dict[str, list[Row]]
    jobs: dict[str, Row]
    answers: list[Row]
    needs: dict[str, list[Need]]
    operations: dict[tuple[str, str], list[Row]]
    nonconformances: dict[str, list[Row]]
    checks: dict[str, list[Row]]
    doses: dict[str, tuple[float, float | None]]
    faults: dict[str, list[Row]]
    of_part: dict[str, list[str]] = field(default_factory=dict)
    of_piece: dict[tuple[str, str], list[str]] = field(default_factory=dict)
    of_customer: dict[str, list[str]] = field(default_factory=dict)
    of_furnace: dict[str, list[str]] = field(default_factory=dict)
    answered: dict[str, list[Row]] = field(default_factory=dict)

    def moved_of(self, runs: Iterable[str], **only: str) -> list[Row]:
        """Movement rows of some runs, of one part, serial, ..."""
        return [m for r in runs for m in self.moved.get(r, ()) if all(m[k] == v for k, v in only.items())]

    def waiting(self, runs: Iterable[str]) -> list[Need]:
        """What waits for a person in some runs."""
        return [n for r in runs for n in self.needs.get(r, ())]


def left_tolerance(m: Row) -> bool:
    """Was a piece inside its tolerance before, and outside after? Only where the movement counts."""
    if m["set_aside"] is not None or m["before_mm"] is None or m["after_mm"] is None:
        return False
    return _inside(m, m["before_mm"]) and not _inside(m, m["after_mm"])


def outside(m: Row) -> bool:
    """Was the last reading after outside the tolerance, wherever it came from?"""
    return m["after_mm"] is not None and not _inside(m, m["after_mm"])


def _inside(m: Row, value: float) -> bool:
    low, high = m["lower_mm"], m["upper_mm"]
    return (low is None or value >= low) and (high is None or value <= high)


def word_of(run: Row) -> str:
    """What a run is marked with: its verdict, or why it has none."""
    if run["status"] != "done":
        return str(run["status"])
    return str(run["verdict"] or ("no cycle" if run["cycle"] is None else "no trace"))


def past_of(book: BookFolder, part: str | None = None) -> Past:
    """Gather the book's past. Reads only; kept answers are scored in passing.

    part  the past of this part number alone is wanted: its runs, with all that lay in them, and `moved` of it; where
          it never ran, all runs
    """
    conn = book.read()
    only = _runs_of(conn, part) if part is not None else []
    with start(book, {"runs", "movement"}) as session:
        some = "run IN (SELECT unnest($runs))" if only else "true"
        told = [
            session.table(_RUNS.format(some=some), {"runs": only} if only else None),
            session.table(_MOVEMENT, {"part": part}),
        ]
    runs, movement = ([dict(zip(columns, r, strict=True)) for r in rows] for columns, rows in told)

    def chosen(sql: str, run: str = "run") -> sqlite3.Cursor:
        """The rows of the runs that are wanted."""
        some = f"{run} IN (SELECT value FROM json_each(?))" if only else "true"
        return conn.execute(sql.format(some=some), (json.dumps(only),) if only else ())

    found = Past(
        runs={r["run"]: r | {"word": word_of(r), "day": day} for r, day in zip(runs, _days(book, runs), strict=True)},
        parts={r["part"]: dict(r) for r in conn.execute(_PARTS)},
        furnaces={r["furnace"]: dict(r) for r in conn.execute("SELECT * FROM furnace ORDER BY furnace")},
        pieces=_by(chosen(_PIECES, "p.run"), "run"),
        moved=_grouped(movement),
        jobs={r["job"]: dict(r) for r in conn.execute("SELECT * FROM job ORDER BY job")},
        answers=_answers(book),
        needs=_by_run(needs(book)),
        operations=_by(conn.execute(_OPERATIONS, {"part": part if only else None}), "part", "serial"),
        nonconformances=_by(chosen(_NONCONFORMANCES), "run"),
        checks=_by(conn.execute("SELECT * FROM furnace_check ORDER BY done_on DESC"), "furnace"),
        doses={r["run"]: (r["value"], constant_of(r["note"])) for r in chosen(_DOSES)},
        faults=_by(chosen(_FAULTS), "run"),
    )
    _index(found)
    return found


def _runs_of(conn: sqlite3.Connection, part: str) -> list[str]:
    """The runs that pieces of a part number went through, and with them those that its operations name."""
    runs = [r[0] for r in conn.execute("SELECT DISTINCT run FROM piece WHERE part = ?", (part,))]
    also = conn.execute("SELECT DISTINCT run FROM operation WHERE part = ? AND run IS NOT NULL", (part,))
    return list(dict.fromkeys([*runs, *(r[0] for r in also)])) if runs else []


def _days(book: BookFolder, runs: Iterable[Row]) -> list[str]:
    zone = book.zone
    return [times.local_day(r["started"], zone) for r in runs]


def _by(rows: Iterable[sqlite3.Row], *keys: str) -> dict[Any, list[Row]]:
    out: dict[Any, list[Row]] = defaultdict(list)
    for row in rows:
        out[tuple(row[k] for k in keys) if len(keys) > 1 else row[keys[0]]].append(dict(row))
    return dict(out)


def _grouped(rows: list[Row]) -> dict[str, list[Row]]:
    out: dict[str, list[Row]] = defaultdict(list)
    for row in rows:
        out[row["run"]].append(row)
    return dict(out)


def _by_run(found: list[Need]) -> dict[str, list[Need]]:
    out: dict[str, list[Need]] = defaultdict(list)
    for need in found:
        if need.run is not None:
            out[need.run].append(need)
    return dict(out)


def _index(found: Past) -> None:
    """Run names by part, piece, customer and furnace; answers by part."""
    for answer in found.answers:
        found.answered.setdefault(answer["part"], []).append(answer)
    for run, row in found.runs.items():
        found.of_furnace.setdefault(row["furnace"], []).append(run)
        mine = found.pieces.get(run, ())
        row["customers"] = list(dict.fromkeys(p["customer"] for p in mine if p["customer"]))
        row["parts"] = list(dict.fromkeys(p["part"] for p in mine))
        for part in row["parts"]:
            found.of_part.setdefault(part, []).append(run)
        for customer in row["customers"]:
            found.of_customer.setdefault(customer, []).append(run)
        for piece in dict.fromkeys((p["part"], p["serial"]) for p in mine):
            found.of_piece.setdefault(piece, []).append(run)


def _answers(book: BookFolder) -> list[Row]:
    """Kept answers, oldest first, with what was measured of them since."""
    from . import kept_answers

    out = []
    for r, since in kept_answers.with_scores(book):
        told = json.loads(r["result"])["answer"]
        asked = json.loads(r["question"])
        out.append(
            {
                "answer_id": r["answer_id"],
                "answered_at": r["answered_at"],
                "part": r["part"],
                "job": r["job"],
                "characteristic": r["characteristic"],
                "low": r["low"],
                "high": r["high"],
                "unit": r["unit"],
                "content": told["content"],
                "refused": told["refused"],
                "cycle": asked.get("cycle"),
                "setup": asked.get("setup"),
                "process": asked.get("process"),
                "reference_length_mm": asked.get("reference_length_mm"),
                "runs": [s[1] for s in since],
                "pieces": sum(s[2] for s in since),
                "inside": sum(s[3] for s in since),
            }
        )
    return out
