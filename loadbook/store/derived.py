"""What is computed of a run from its trace: parameters, verdicts and faults, as rows of the book.

Derived rows are never part of an intake: they can be computed again at any time, and each names its algorithm.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta
from operator import itemgetter
from typing import Any

from loadbook.analysis.clauses import judge
from loadbook.analysis.faults import find as faults
from loadbook.analysis.parameters import compute as parameters
from loadbook.analysis.trace import phases, repair, validity
from loadbook.analysis.trace.model import ClauseResult, Fault, Judgement, Parameter, Trace
from loadbook.analysis.trace.repair import Repair
from loadbook.core import times
from loadbook.core.remarks import remark, stored

from . import derived_checksum
from .run_records import RunRecord

ALGORITHM = "6"  # of the clauses; a parameter row names parameters.ALGORITHM
Row = dict[str, Any]


@dataclass(frozen=True)
class RunResults:
    """A run worked through: the prepared trace as recorded, what was repaired, its phases, and what was found."""

    trace: Trace
    repaired: Trace
    repairs: tuple[Repair, ...]
    phases: phases.Phases
    faults: tuple[Fault, ...]
    parameters: tuple[Parameter, ...]
    asked: tuple[Parameter, ...]
    judgement: Judgement


def work(
    record: RunRecord, trace: Trace, *, guard_factor: float = 1.0, guard_decides: bool = False, figures: bool = True
) -> RunResults:
    """Prepare a trace, find its phases and faults, judge it and measure its parameters.

    trace    as read from the book (corrections not applied), with the record's channels and events
    figures  False leaves the parameters out (judging alone)
    """
    prepared = validity.prepared(trace)
    found_phases = phases.find_phases(prepared, record.cycle)
    found = tuple(faults.find_faults(prepared, found_phases))
    found += _known_swaps(record, prepared, found)
    decided = record.confirmed()
    out, _ = repair.sorted_out(found, decided)
    repaired, repairs = repair.repaired(prepared, out)
    if not all(f.certain for f in out):  # what a person confirmed may be a control TC, and change where segments end
        found_phases = phases.find_phases(repaired, record.cycle)
    judgement = judge.judge(
        prepared, record.cycle, record.pieces, found_phases, found, decided, guard_factor, guard_decides, record.facts
    )
    measured: tuple[Parameter, ...] = ()
    if figures:
        measured = tuple(parameters.run_parameters(prepared, record.cycle, record.pieces, found_phases, found, decided))
    asked = tuple(parameters.asked_parameters(record.cycle)) if record.cycle else ()
    return RunResults(prepared, repaired, repairs, found_phases, found, measured, asked, judgement)


def _known_swaps(record: RunRecord, trace: Trace, found: Sequence[Fault]) -> tuple[Fault, ...]:
    """Channels that lay in each other's jack from the start on: alike in the trace, so only a person knows it."""
    shown = {frozenset((f.channel, f.other)) for f in found if f.kind == "swapped"}
    known: dict[frozenset[str | None], Fault] = {}
    for c in record.decided():
        pair = frozenset((c.channel, c.partner))
        if c.fault == "swapped" and c.decision == "confirmed" and c.partner and pair not in shown | known.keys():
            span = (float(trace.t_s[0]), float(trace.t_s[-1]))
            evidence = (remark("known_swap", person=c.person, why=c.why),)
            known[pair] = Fault("swapped", c.channel, *span, 1.0, False, evidence, other=c.partner)
    return tuple(known.values())


def derived_rows(
    record: RunRecord, trace: Trace, *, guard_factor: float = 1.0, guard_decides: bool = False
) -> tuple[list[Row], list[Row]]:
    """(rows of `parameter`, rows of `finding`) of one run, computed from its trace and its cycle."""
    done = work(record, trace, guard_factor=guard_factor, guard_decides=guard_decides)
    return parameter_rows(record.run, done.parameters, done.asked), finding_rows(record, done.judgement, trace.started)


def parameter_rows(run: str, measured: Sequence[Parameter], asked: Sequence[Parameter]) -> list[Row]:
    """Rows of `parameter`: source 'trace' with the algorithm's version, and source 'asked'."""
    rows = [_parameter(run, p, "trace", parameters.ALGORITHM) for p in measured]
    return rows + [_parameter(run, p, "asked", None) for p in asked]


def _parameter(run: str, p: Parameter, source: str, algorithm: str | None) -> Row:
    return {
        "run": run, "parameter": p.parameter, "channel": p.channel, "value": p.value, "unit": p.unit,
        "source": source, "se": p.se, "at_s": p.at_s, "note": p.note, "algorithm": algorithm,
    }  # fmt: skip


def finding_rows(record: RunRecord, judgement: Judgement, started: str | None) -> list[Row]:
    """Rows of `finding`: one for the run's verdict, one per clause, one per suspected fault."""
    decided = {(channel, kind): decision for channel, kind, decision in record.confirmed()}
    verdict = judgement.verdict if record.cycle else "no cycle"
    rows = [_blank(record.run, "run", "run", verdict, stored(judgement.remarks))]
    rows += [_clause(record.run, c, started) for c in judgement.clauses]
    for fault in judgement.faults:
        state = decided.get((fault.channel, fault.kind)) or fault_state(fault)
        row = _blank(record.run, "fault", fault.kind, state, stored(fault.evidence))
        row.update(channel=fault.channel, first_s=fault.start_s, lasted_s=fault.end_s - fault.start_s)
        row.update(first_at=moment(started, fault.start_s), confidence=fault.confidence)
        rows.append(row)
    return rows


def fault_state(fault: Fault) -> str:
    """How a fault counts before anybody decided: 'certain' (left out), 'suspected', or 'reported' (never left out)."""
    if fault.certain:
        return "certain"
    return "reported" if fault.kind in repair.REPORTED_ONLY else "suspected"


def _blank(run: str, what: str, name: str, verdict: str, text: str | None) -> Row:
    row: Row = dict.fromkeys(FINDING_COLUMNS)
    row.update(run=run, what=what, name=name, verdict=verdict, text=text or "", algorithm=ALGORITHM)
    return row


def _clause(run: str, c: ClauseResult, started: str | None) -> Row:
    row = _blank(run, "clause", c.clause, c.verdict, stored([c.text]))
    row.update(
        channel=c.channel, first_s=c.first_s, worst_s=c.worst_s, lasted_s=c.lasted_s, value=c.value,
        limit_value=c.limit, unit=c.unit, asked=c.asked, missing=stored([c.missing] if c.missing else ()),
        without=c.without, uncertain=int(c.uncertain), uncertainty=c.uncertainty, segment=c.segment,
        first_at=moment(started, c.first_s), worst_at=moment(started, c.worst_s),
    )  # fmt: skip
    return row


def moment(started: str | None, seconds: float | None) -> str | None:
    """UTC text of a moment of the trace; None where either is unknown."""
    if started is None or seconds is None:
        return None
    return times.stored(times.from_stored(started) + timedelta(seconds=round(seconds, 3)))


FINDING_COLUMNS, PARAMETER_COLUMNS = derived_checksum.FINDING, derived_checksum.PARAMETER


def store(conn: sqlite3.Connection, run: str, parameter_rows: Sequence[Row], finding_rows: Sequence[Row]) -> None:
    """Replace a run's derived rows. Call inside `BookFolder.write()`: the run's rows change together or not at all.

    Rows that came in from a file or by hand (stated or asked parameters with an intake) stay as they are; where
    such a row gives an asked parameter already, the cycle's own figure is not added beside it. Where a table has
    these very rows already, nothing is written.
    """
    taken_in = conn.execute(
        "SELECT parameter, ifnull(channel, ''), source FROM parameter WHERE run = ? AND intake_id IS NOT NULL", (run,)
    )
    kept = {(r[0], r[1], r[2]) for r in taken_in}
    new = [r for r in parameter_rows if (r["parameter"], r["channel"] or "", r["source"]) not in kept]
    _replace(conn, "parameter", PARAMETER_COLUMNS, "run = ? AND intake_id IS NULL", run, new)
    _replace(conn, "finding", FINDING_COLUMNS, "run = ?", run, finding_rows)
    derived_checksum.of_run(conn, run)


def _replace(
    conn: sqlite3.Connection, table: str, columns: Sequence[str], where: str, run: str, rows: Sequence[Row]
) -> None:
    names, new = ", ".join(columns), list(map(itemgetter(*columns), rows))
    cursor = conn.cursor()
    cursor.row_factory = None
    there = cursor.execute(f"SELECT {names} FROM {table} WHERE {where} ORDER BY {table}_id", (run,)).fetchall()
    if there == new:
        return
    conn.execute(f"DELETE FROM {table} WHERE {where}", (run,))
    marks = ", ".join("?" * len(columns))
    conn.executemany(f"INSERT INTO {table} ({names}) VALUES ({marks})", new)
