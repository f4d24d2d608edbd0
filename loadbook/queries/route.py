"""The dose that a piece has seen over its whole route, run by run and together."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass

from loadbook.analysis.trace.route import RouteDose, begins_anew, over_route
from loadbook.core.phrases import many

USUAL_CONSTANT = 20.0


@dataclass(frozen=True)
class RunDose:
    """One run of a piece's route: its dose [thousands] with the constant it was taken with, its hold [°C] and process.
    None where not known."""

    run: str
    dose: float | None
    constant: float | None
    hold_c: float | None
    process: str | None = None


def together(runs: Sequence[RunDose], constant: float | None) -> RouteDose | str | None:
    """The doses of a route as one, or why there is no sum; None where no run of it has a dose. A run that hardens,
    anneals or solution treats begins the count anew.

    constant  the material's, where the doses do not say theirs
    """
    if all(r.dose is None for r in runs):
        return None
    last = max((i for i, r in enumerate(runs) if begins_anew(r.process)), default=-1)
    after, runs = runs[last].run if last >= 0 else None, runs[last + 1 :]
    if not runs:
        return f"{after} started the count afresh: what the piece saw before it counts no more."
    known = [(r.dose, r.hold_c) for r in runs if r.dose is not None and r.hold_c is not None]
    if len(known) < len(runs):
        return f"Of {many(len(runs) - len(known), 'run')} no dose is known: there is no sum."
    constants = {r.constant for r in runs}
    if len(constants) > 1:
        return "The runs' doses were taken with different constants: there is no sum."
    used = next(iter(constants)) or constant or USUAL_CONSTANT
    return over_route([d for d, _ in known], max(c for _, c in known), used, after)


def route_of(conn: sqlite3.Connection, part: str, serial: str) -> list[RunDose]:
    """Every run that a piece went through, oldest first."""
    rows = conn.execute(
        "SELECT run, process, max(value) FILTER (WHERE parameter = 'dose_hj') AS dose,"
        " max(note) FILTER (WHERE parameter = 'dose_hj') AS note,"
        " coalesce(max(value) FILTER (WHERE parameter = 'hold_mean_c' AND source = 'trace'),"
        " max(value) FILTER (WHERE parameter = 'hold_mean_c' AND source = 'stated')) AS hold"
        " FROM (SELECT DISTINCT run, started, process FROM piece JOIN run USING (run) LEFT JOIN cycle ON cycle.cycle ="
        " run.cycle AND cycle.revision = run.cycle_revision WHERE part = ? AND serial = ?)"
        " LEFT JOIN (SELECT run, parameter, value, note, source FROM parameter WHERE channel IS NULL"
        " AND parameter IN ('dose_hj', 'hold_mean_c')) USING (run) GROUP BY run ORDER BY started, run",
        (part, serial),
    )
    return [RunDose(r["run"], r["dose"], constant_of(r["note"]), r["hold"], r["process"]) for r in rows]


def constant_of(note: str | None) -> float | None:
    """The constant that a dose was taken with, out of its note ('constant 20, 4 work TCs')."""
    words = (note or "").replace(",", "").split()
    return float(words[1]) if len(words) > 1 and words[0] == "constant" else None
