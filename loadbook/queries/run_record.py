"""Everything on record of one run, gathered once: what a page of the run shows. Nothing is judged or measured anew."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from loadbook.analysis.trace.model import Parameter
from loadbook.core import cautions
from loadbook.store import chain, derived
from loadbook.store.book import BookFolder
from loadbook.store.lookup import row_key
from loadbook.store.run_records import RunRecord

from .judge import JudgedRun, judge_run

if TYPE_CHECKING:
    from loadbook.analysis.trace.asked_lines import RunPicture

Row = dict[str, Any]

MOVEMENT = """
SELECT part, serial, characteristic, kind, unit, before_mm, after_mm, movement_mm, movement_um, movement_um_per_100mm,
       movement_share_of_tolerance, expanded_uncertainty_mm, below_gauge, gauge, corrected_20c, way, set_aside
FROM movement WHERE run = ? ORDER BY part, serial, characteristic
"""
_PIECES = """
SELECT piece.*, part.revision, part.description, part.customer, part.material, part.section_thick_mm, material.family,
       material.reactive
FROM piece JOIN part USING (part) LEFT JOIN material USING (material) WHERE run = ? ORDER BY piece_id
"""
# tables whose amendments belong to a run: those of its own rows, then those of what it refers to
_OWN = ("run", "piece", "channel", "event", "reading", "parameter", "approval", "nonconformance", "trace")


@dataclass(frozen=True)
class RunSheet:
    """One run with all that is on record of it. Rows are those of the tables, with values as kept inside.

    picture      series, limits and what was asked, for the chart; None without a trace
    stated       parameters that a person or the furnace's program gave (source 'stated' or 'asked'), not computed
    movement     rows of the view `movement`;  pieces  with their part's revision and material
    amendments   of the run's own rows, and of the jobs, parts, cycle and furnace that it refers to
    customer     whose pieces alone it holds (customer_run), None where it holds everybody's;  others  whether the
                 load held pieces of others that are left out
    intakes      by intake_id: file, SHA-256, who took it in and when
    """

    judged: JudgedRun
    picture: RunPicture | None
    stated: tuple[Row, ...]
    pieces: tuple[Row, ...]
    jobs: tuple[Row, ...]
    movement: tuple[Row, ...]
    channels: tuple[Row, ...]
    approvals: tuple[Row, ...]
    nonconformances: tuple[Row, ...]
    amendments: tuple[Row, ...]
    intakes: dict[int, Row]
    withdrawn: tuple[Row, ...]  # earlier traces of the run that no longer count
    last_link: str
    algorithm: str
    cautions: tuple[str, ...]
    customer: str | None = None
    others: bool = False

    @property
    def parameters(self) -> tuple[Parameter, ...]:
        """What the trace shows, as computed for this sheet; none without a trace."""
        return self.judged.worked.parameters if self.judged.worked else ()


def run_sheet(
    book: BookFolder, run: str, reworded: Callable[[RunRecord], RunRecord] | None = None,
    movement: Iterable[Row] | None = None,
) -> RunSheet:  # fmt: skip
    """Gather one run. Raises NotFoundError (no such run), DamageError (its trace is not what was written).

    reworded  as for `judge_run`;  movement  the run's rows of the view, where the caller has read them
    """
    judged = judge_run(book, run, reworded=reworded)
    conn = book.read()
    record = judged.record

    def rows(sql: str, *values: Any) -> tuple[Row, ...]:
        return tuple(dict(r) for r in conn.execute(sql, values))

    pieces = rows(_PIECES, run)
    jobs = rows("SELECT * FROM job WHERE job IN (SELECT job FROM piece WHERE run = ?) ORDER BY job", run)
    trace_intake = record.trace["intake_id"] if record.trace else None
    taken = {int(i) for i in (record.row["intake_id"], trace_intake) if i is not None}
    return RunSheet(
        judged=judged,
        picture=_picture(judged),
        stated=rows("SELECT * FROM parameter WHERE run = ? AND intake_id IS NOT NULL ORDER BY parameter_id", run),
        pieces=pieces,
        jobs=jobs,
        movement=tuple(_movement(book, run) if movement is None else movement) if pieces else (),
        channels=rows("SELECT * FROM channel WHERE run = ? ORDER BY channel_id", run),
        approvals=rows("SELECT * FROM approval WHERE run = ? ORDER BY at, approval_id", run),
        nonconformances=rows("SELECT * FROM nonconformance WHERE run = ? ORDER BY nonconformance_id", run),
        amendments=tuple(_amendments(conn, run, book.once(_amended_kinds))),
        intakes={i: rows("SELECT * FROM intake WHERE intake_id = ?", i)[0] for i in sorted(taken)},
        withdrawn=tuple(book.once(_withdrawn).get(run, ())),
        last_link=chain.last_link(conn),
        algorithm=f"parameters {_parameters_algorithm()}, clauses {derived.ALGORITHM}",
        cautions=tuple(_cautions(judged, pieces)),
    )


def private(sheet: RunSheet) -> list[str]:
    """Why a run's whole record may not leave the shop: whose pieces are in it, and what is to be kept from others."""
    out = []
    customers = {j["customer"] for j in sheet.jobs}
    customers |= {p["customer"] for p in sheet.pieces if p["job"] is None and p["customer"]}
    if len(customers) > 1:
        out.append(f"This run holds pieces of {len(customers)} customers: do not send it to one of them as it is.")
    for key, words in (("confidential", "Confidential"), ("export_controlled", "Export controlled")):
        named = [j["job"] for j in sheet.jobs if j[key]]
        if named:
            out.append(f"{words}: job {', '.join(named)}.")
    return out


def _parameters_algorithm() -> str:
    from loadbook.analysis.parameters.compute import ALGORITHM

    return ALGORITHM


def _picture(judged: JudgedRun) -> RunPicture | None:
    from loadbook.analysis.trace.asked_lines import run_picture

    worked, record = judged.worked, judged.record
    if worked is None:
        return None
    return run_picture(worked.trace, record.cycle, record.pieces, worked.phases, worked.faults, record.confirmed())


def _movement(book: BookFolder, run: str) -> Iterable[Row]:
    from loadbook.store.session import start

    with start(book, {"movement"}) as session:
        found = session.connection.execute(MOVEMENT, [run])
        names = [d[0] for d in found.description or ()]
        return [dict(zip(names, row, strict=True)) for row in found.fetchall()]


def _withdrawn(conn: sqlite3.Connection) -> dict[str, list[Row]]:
    """By run, its traces that no longer count, oldest first."""
    out: dict[str, list[Row]] = {}
    for r in conn.execute("SELECT * FROM trace WHERE state <> 'current' ORDER BY trace_number"):
        out.setdefault(r["run"], []).append(dict(r))
    return out


def _amended_kinds(conn: sqlite3.Connection) -> set[str]:
    return {r[0] for r in conn.execute("SELECT DISTINCT kind FROM amendment")}


def _amendments(conn: sqlite3.Connection, run: str, kinds: set[str]) -> list[Row]:
    """Oldest first; of tables in which none was made nothing is asked."""
    chosen: dict[str, str] = {t: f"SELECT {row_key(conn, t)} FROM {t} WHERE run = :run" for t in _OWN if t in kinds}
    chosen |= {
        "job": "SELECT job_id FROM job WHERE job IN (SELECT job FROM piece WHERE run = :run)",
        "part": "SELECT part_id FROM part WHERE part IN (SELECT part FROM piece WHERE run = :run)",
        "furnace": "SELECT furnace_id FROM furnace WHERE furnace = (SELECT furnace FROM run WHERE run = :run)",
        "furnace_check": "SELECT furnace_check_id FROM furnace_check"
                         " WHERE furnace = (SELECT furnace FROM run WHERE run = :run)",
        "calibration": "SELECT calibration_id FROM calibration"
                       " WHERE calibration IN (SELECT calibration FROM channel WHERE run = :run)",
    }  # fmt: skip
    out: list[Row] = []
    for table in kinds & set(chosen):
        keys = chosen[table]
        found = conn.execute(f"SELECT * FROM amendment WHERE kind = '{table}' AND row_id IN ({keys})", {"run": run})
        out += [dict(r) for r in found]
    return sorted(out, key=lambda a: int(a["amendment_id"]))


def _cautions(judged: JudgedRun, pieces: tuple[Row, ...]) -> list[str]:
    record = judged.record
    cycle = record.cycle
    gases = [record.atmosphere, record.furnace["atmosphere"]]
    gases += [s.atmosphere for s in cycle.segments] if cycle else []
    gases += [event for _, event, _ in record.events]
    families = [p["family"] for p in pieces]
    described = [p[c] for p in pieces for c in ("description", "condition", "machining")]
    found = cautions.of_load(", ".join(g for g in gases if g), families, any(p["reactive"] for p in pieces), described)
    return [*(cautions.LOAD[code] for code in found), cautions.HOT, cautions.NO_ALARM, cautions.CODE]
