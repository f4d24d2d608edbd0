"""What a person must look at in a span of time: pieces that left their tolerance, runs that broke their cycle or that
nobody can tell, what waits for somebody. The month's page and the workbook's first sheet say the same."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from loadbook.core.phrases import few, many
from loadbook.queries.evidence_words import of_stored
from loadbook.queries.furnaces import signalled
from loadbook.queries.office import Office
from loadbook.queries.past import left_tolerance, word_of

from .judged import clause_figures, close_figure, figure
from .pages.month_furnaces import beyond

Row = dict[str, Any]
# how the office reads what waits (the keys of queries.needs.SETTLED); a decision stands with its run
_WAITS = {
    "nonconformance": "Nonconformance open", "suspected fault": "Thermocouple suspected",
    "suspected reading": "Reading suspected", "check past due": "Furnace check past due",
    "after reading": "After reading missing", "first piece": "First piece not approved",
}  # fmt: skip
OPEN = "open"


@dataclass(frozen=True)
class Left:
    """Pieces of one part, run and job that were inside their tolerance before the run and outside after it.

    worst, limit  the reading farthest out, and the limit it passed, in words
    customer, purchase_order  whose pieces they are
    """

    part: str
    run: str
    job: str
    customer: str
    purchase_order: str
    serials: list[str]
    characteristics: list[str]
    worst: str
    limit: str


def left_by_part(movement: Sequence[Row], system: str) -> list[Left]:
    """What left its tolerance by part, run and job, most pieces first."""
    groups: dict[tuple[str, str, str], list[Row]] = {}
    for m in movement:
        if left_tolerance(m):
            groups.setdefault((m["part"], m["run"], m["job"] or ""), []).append(m)
    out = []
    for (part, run, job), members in sorted(groups.items(), key=lambda g: (-len({m["serial"] for m in g[1]}), g[0])):
        worst = max(members, key=_beyond_by)
        over = worst["upper_mm"] is not None and worst["after_mm"] > worst["upper_mm"]
        unit, bound = worst["unit"], worst["upper_mm" if over else "lower_mm"]
        out.append(
            Left(
                part, run, job, str(worst["customer"] or ""), str(worst.get("purchase_order") or ""),
                sorted({m["serial"] for m in members}),
                sorted({m["characteristic"] for m in members}),
                f"{worst['characteristic']} {close_figure(worst['after_mm'], bound, unit, system)}",
                f"{'at most' if over else 'at least'} {figure(bound, unit, system)}",
            )
        )  # fmt: skip
    return out


def _beyond_by(m: Row) -> float:
    """How far outside, in shares of the tolerance where it has two sides."""
    low, high = m["lower_mm"], m["upper_mm"]
    over = max(m["after_mm"] - high if high is not None else 0.0, low - m["after_mm"] if low is not None else 0.0)
    return float(over / (high - low)) if low is not None and high is not None and high > low else float(over)


def untold(runs: Sequence[Row], verdicts: Sequence[Row], system: str) -> dict[str, list[str]]:
    """Each run that nobody can tell, and what is missing."""
    missing: dict[str, list[str]] = {}
    for v in verdicts:
        if v["verdict"] == "cannot be told" and v["missing"]:
            missing.setdefault(str(v["run"]), []).append(str(of_stored(v["missing"], system)))
    for r in runs:
        if word_of(r) == "no trace":
            missing.setdefault(str(r["run"]), []).append("it has no trace to hold against its cycle")
    return {run: list(dict.fromkeys(why)) for run, why in missing.items()}


@dataclass(frozen=True)
class Point:
    """One thing to look at: what, the run, whose (customer, order), which piece, channel or furnace, why, and how it
    stands: OPEN, or what was decided."""

    what: str
    run: str
    customer: str
    purchase_order: str
    subject: str
    why: str
    stands: str


def points(office: Office, verdicts: Sequence[Row], system: str) -> list[Point]:
    """What needs attention in a span, the gravest first."""
    runs = {r["run"]: r for r in office.runs}

    def point(what: str, run: str, subject: str, why: str, stands: str = OPEN) -> Point:
        row = runs[run]
        return Point(what, run, row["customer"] or "", row["purchase_order"] or "", subject, why, stands)

    out = []
    for left in left_by_part(office.movement, system):
        why = f"{many(len(left.serials), 'piece')} ({few(left.serials)}): {left.worst}, {left.limit}"
        subject = f"{left.part} ({left.job})" if left.job else left.part
        stands = office.nonconformances.get(left.run, OPEN)  # an approval of the run may be older than the readings
        out.append(Point("Left tolerance", left.run, left.customer, left.purchase_order, subject, why, stands))
    broken: dict[str, list[Row]] = {}
    for v in verdicts:
        if v["verdict"] == "broken":
            broken.setdefault(v["run"], []).append(v)
    for run, clauses in broken.items():
        said = "; ".join(_broken(v, system) for v in clauses)
        out.append(point("Cycle broken", run, runs[run]["part"] or "", said, office.decided.get(run, OPEN)))
    for run, missing in untold(office.runs, verdicts, system).items():
        stands = office.decided.get(run, OPEN)
        out.append(point("Cannot be told", run, runs[run]["part"] or "", "; ".join(missing), stands))
    for run, row in runs.items():
        if row["status"] == "aborted":
            out.append(point("Aborted", run, row["part"] or "", "", office.decided.get(run, OPEN)))
    signals: dict[str, list[str]] = {}
    for chart, signal in signalled(office.charts):
        told = f"{chart.measure}: {chart.words(signal)}{beyond(chart, signal, system)}"
        signals.setdefault(chart.furnace, []).append(told)
    out += [
        Point("Furnace beyond its usual", "", "", "", furnace, "; ".join(s), OPEN) for furnace, s in signals.items()
    ]
    grouped: dict[tuple[str, str], list[Any]] = {}
    for need in office.needs:
        if need.what in _WAITS and need.run is not None:
            grouped.setdefault((need.what, need.run), []).append(need)
    order = list(_WAITS)
    for (what, run), mine in sorted(grouped.items(), key=lambda g: order.index(g[0][0])):
        subjects = [str(n.subject) for n in mine if n.subject]
        why = few(list(dict.fromkeys(n.why for n in mine)), 3)
        out.append(point(_WAITS[what], run, few(subjects, 3), why))
    return out


def _broken(v: Row, system: str) -> str:
    """A broken clause with its value and its limit."""
    value, limit = clause_figures(v["clause"], v["value"], v["limit_value"], v["unit"], system)
    return f"{v['clause']}: {value or 'not kept'}" + (f", limit {limit}" if limit else "")
