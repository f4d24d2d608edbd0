"""Reviewing a cycle, and planning one for a part: what the book knows is brought to the calculation."""

from __future__ import annotations

import json
import sqlite3
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from statistics import median
from typing import TYPE_CHECKING, Any

from loadbook.analysis.parameters.compute import asked_parameters
from loadbook.analysis.planning.plan import Plan
from loadbook.analysis.planning.plan import plan as integrate
from loadbook.analysis.planning.review import Subject
from loadbook.analysis.planning.review import review as read_through
from loadbook.analysis.planning.softening import Hardness, softens
from loadbook.analysis.trace import lag
from loadbook.analysis.trace.model import Cycle
from loadbook.core.errors import CalculationError, NotFoundError
from loadbook.readers.cycles.file import read_cycle_file
from loadbook.store.book import BookFolder
from loadbook.store.run_records import load_cycle

from . import mechanism
from .evidence_words import words
from .hours import Hours, Quotes
from .review_words import Said, said
from .stock import stock_of_part

if TYPE_CHECKING:
    import pandas as pd

PLAN_COLUMNS = (
    "segment", "kind", "from_c", "to_c", "rate_c_per_h", "hours", "section_lag_c", "difference_peak_c", "lead_peak_c",
    "soak_through_min", "soak_minutes",
)  # fmt: skip
COMPARED = ("cycle_hours", "soak_minutes", "spread_heating_peak_c", "lead_heating_peak_c", "section_lag_c",
            "heating_rate_peak_c_per_h", "dose_hj")  # fmt: skip
ELEMENTS = ("c", "mn", "si", "ni", "cr", "mo")


@dataclass(frozen=True)
class Reviewed:
    """A cycle's name and the remarks on it, in the book's units."""

    name: str
    remarks: tuple[Said, ...]


@dataclass(frozen=True)
class Shown:
    """What runs of the part showed of one parameter: how many runs, their middle and their range."""

    parameter: str
    unit: str
    runs: int
    median: float
    low: float
    high: float


@dataclass(frozen=True)
class AskedOtherwise:
    """A plannable parameter as the cycle asks for it, and the range that its runs were asked for."""

    parameter: str
    unit: str
    value: float
    low: float
    high: float


@dataclass(frozen=True)
class Loads:
    """Loads of a cycle on record: runs with a mass and its range [kg]; how the pieces stood, by runs, the commonest
    first; of_part: they held the part itself. kwh: heat that the middle one takes up to the hold."""

    runs: int
    low_kg: float
    middle_kg: float
    high_kg: float
    setups: tuple[tuple[str, int], ...]
    of_part: bool
    kwh: float | None = None


@dataclass(frozen=True)
class PartPlan:
    """A plan for one part: the calculation, its limits, and what the part's runs under this cycle showed.

    assumptions  what the calculation rests on, in the book's units
    mechanisms   what physics says of it: checks of mechanism, not a prediction of movement
    shown_of     the revision that these runs were of: its own; where none was, every other
    otherwise    what their run sheets all asked less, or all more, than the cycle does: `value` is the cycle's
    left_out     runs whose figures are left out of `shown`: a thermocouple of theirs is suspected
    load         what else stood in the furnace in these runs
    fastest      (furnace, °C/h): the fastest heating on record in each furnace that the cycle ran in, the fastest first
    hours        of the furnace that ran this cycle (with this part) most, from its own past runs; None where none did
    """

    part: str
    cycle: Cycle
    plan: Plan
    lag_c: float
    difference_c: float | None
    shown: tuple[Shown, ...]
    runs: int
    assumptions: tuple[str, ...] = ()
    mechanisms: mechanism.Mechanisms | None = None
    shown_of: tuple[str, ...] = ()
    otherwise: tuple[AskedOtherwise, ...] = ()
    left_out: int = 0
    load: Loads | None = None
    fastest: tuple[tuple[str, float], ...] = ()
    dose_constant: float | None = None
    hours: Hours | None = None

    def rows(self) -> list[dict[str, Any]]:
        """One row per segment, with the keys of PLAN_COLUMNS."""
        out = []
        for s in self.plan.segments:
            values = (s.number, s.kind, s.from_c, s.to_c, s.rate_c_per_h, s.hours, s.lag_peak_c, s.difference_peak_c,
                      s.lead_peak_c, s.soak_through_min, s.soak_minutes)  # fmt: skip
            out.append(dict(zip(PLAN_COLUMNS, values, strict=True)))
        return out

    def frame(self) -> pd.DataFrame:
        """`rows` as a frame."""
        import pandas as pd

        return pd.DataFrame(self.rows(), columns=list(PLAN_COLUMNS))


def cycle_of_file(path: Path) -> Cycle:
    """A cycle that is not in the book (yet). Raises IntakeError with every fault and its line."""
    return read_cycle_file(path).cycle


def _cycle(book: BookFolder, cycle: str | Cycle, revision: str | None) -> Cycle:
    return load_cycle(book.read(), cycle, revision) if isinstance(cycle, str) else cycle


def review(
    book: BookFolder, cycle: str | Cycle, revision: str | None = None, parts: Sequence[str] = (),
    margin_c: float | None = None,
) -> Reviewed:  # fmt: skip
    """Remarks on a cycle. parts empty: the parts of the runs that used it (none for a cycle from a file). Furnaces are
    those of these runs; where there are none, all of the book with the cycle's atmosphere. margin_c None: the shop's
    own, as the book keeps it."""
    conn = book.read()
    margin_c = book.temper_margin_c if margin_c is None else margin_c
    found = _cycle(book, cycle, revision)
    names = list(parts)
    if not names and isinstance(cycle, str):
        names = [
            r[0]
            for r in conn.execute(
                "SELECT DISTINCT part FROM piece JOIN run USING (run) WHERE cycle = ? AND cycle_revision = ?"
                " ORDER BY part",
                (found.cycle, found.revision),
            )
        ]
    subjects = [subject_of(conn, part) for part in names]
    remarks = read_through(found, subjects, margin_c, furnaces_of(conn, found))
    remarks += softens(_hardness(conn, found, names), found.process)
    return Reviewed(f"{found.cycle} revision {found.revision}", tuple(said(r, book.units) for r in remarks))


def furnaces_of(conn: sqlite3.Connection, cycle: Cycle) -> list[tuple[str, float]]:
    """(name, class as plus or minus °C difference) of the furnaces that a cycle ran in, else of those it may run in."""
    rows = conn.execute(
        "SELECT DISTINCT furnace, uniformity_c FROM furnace JOIN run USING (furnace)"
        " WHERE cycle = ? AND cycle_revision = ? AND uniformity_c IS NOT NULL ORDER BY furnace",
        (cycle.cycle, cycle.revision),
    ).fetchall() or conn.execute(
        "SELECT furnace, uniformity_c FROM furnace WHERE atmosphere = ? AND uniformity_c IS NOT NULL ORDER BY furnace",
        (cycle.atmosphere,),
    ).fetchall()  # fmt: skip
    return [(r[0], r[1]) for r in rows]


def _hardness(conn: sqlite3.Connection, cycle: Cycle, parts: Sequence[str]) -> list[Hardness]:
    """Hardness before and after the cycle's runs, of some parts; readings confirmed as blunders left out."""
    rows = conn.execute(
        "WITH said AS (SELECT reading_id, decision, max(confirmation_id) FROM confirmation WHERE subject = 'reading'"
        " GROUP BY reading_id),"
        " kept AS (SELECT d.* FROM reading d LEFT JOIN said USING (reading_id) WHERE said.decision IS NOT 'confirmed')"
        " SELECT b.part, b.characteristic, c.unit, c.lower, b.run, avg(b.value) AS before, avg(a.value) AS after"
        " FROM run JOIN kept b USING (run) JOIN kept a USING (run, part, serial, characteristic)"
        " JOIN characteristic c USING (part, characteristic)"
        " WHERE run.cycle = ? AND run.cycle_revision = ? AND run.status = 'done' AND c.kind = 'hardness'"
        " AND b.stage = 'before' AND a.stage = 'after'"
        " GROUP BY b.run, b.part, b.serial, b.characteristic ORDER BY b.part, b.characteristic",
        (cycle.cycle, cycle.revision),
    )
    found: dict[tuple[str, str], Hardness] = {}
    for r in rows:
        if r["part"] not in parts:
            continue
        of = found.setdefault(
            (r["part"], r["characteristic"]),
            Hardness(r["part"], r["characteristic"], r["unit"] or "", [], r["lower"]),
        )
        found[of.part, of.characteristic] = replace(of, pairs=[*of.pairs, (r["run"], r["before"], r["after"])])
    return list(found.values())


def _part_row(conn: sqlite3.Connection, part: str) -> sqlite3.Row:
    row: sqlite3.Row | None = conn.execute(
        "SELECT * FROM part JOIN material USING (material) WHERE part = ?", (part,)
    ).fetchone()
    if row is None:
        raise NotFoundError(f"the book has no part {part!r}", remedy="See: loadbook list parts")
    return row


def subject_of(conn: sqlite3.Connection, part: str) -> Subject:
    """What the book knows of a part, for a review."""
    row = _part_row(conn, part)
    pieces = conn.execute("SELECT DISTINCT condition, machining, tempered_at_c FROM piece WHERE part = ?", (part,))
    conditions: list[str] = []
    tempered: list[float] = []
    for piece in pieces:
        conditions += [w.strip() for w in (piece["condition"] or "").split(";") if w.strip()]
        if piece["tempered_at_c"] is not None:
            tempered.append(piece["tempered_at_c"])
    operations = [r[0] for r in conn.execute("SELECT DISTINCT operation FROM operation WHERE part = ?", (part,))]
    notes = [
        r[0] for r in conn.execute("SELECT DISTINCT note FROM operation WHERE part = ? AND note IS NOT NULL", (part,))
    ]
    return Subject(
        part, row["material"], row["family"], row["shape"], row["section_thick_mm"], row["section_thin_mm"],
        min(tempered, default=None), row["max_soak_c"], row["ac1_c"],
        None if row["reactive"] is None else bool(row["reactive"]),
        tuple((e, row[f"{e}_pct"]) for e in ELEMENTS if row[f"{e}_pct"] is not None),
        tuple(dict.fromkeys(conditions)), tuple(dict.fromkeys(operations + notes)),
    )  # fmt: skip


def plan(
    book: BookFolder, part: str, cycle: str | Cycle, revision: str | None, lag_c: float,
    difference_c: float | None = None, film_w_m2k: float | None = None, body: lag.Shape | None = None,
    stated: mechanism.Stated = mechanism.NOTHING_STATED,
) -> PartPlan:  # fmt: skip
    """Plan a cycle for a part of the book.

    lag_c, difference_c  limits [°C difference] on surface minus middle, and thin section minus thick middle
    film_w_m2k, body     the user's own figures in the place of those by atmosphere and shape
    stated               the user's own section, yield and modulus, and the sag allowed
    Raises CalculationError where the part's section or its material's figures are not recorded.
    """
    conn = book.read()
    found = _cycle(book, cycle, revision)
    row = _part_row(conn, part)
    missing = mechanism.missing(row)
    if missing:
        raise CalculationError(
            f"a plan needs {', '.join(missing)}", where=f"part {part} of {row['material']}",
            remedy="Record it: loadbook amend parts or materials",
        )  # fmt: skip
    outline = mechanism.outline_of(conn, row, stated)
    heated = outline if body is None else replace(outline, shape=body, across_mm=None, said=None)
    sections = mechanism.sections_of(row, heated, found.atmosphere, film_w_m2k)
    done = integrate(found, sections, lag_c, difference_c, row["dose_constant"])
    shown, runs, of, left_out = _shown(conn, part, found)
    notes = [done.assumptions[0], *([heated.said] if heated.said else []), *done.assumptions[1:]]
    assumptions = tuple(words(r, book.units) for r in notes)
    subject = subject_of(conn, part)
    told = mechanism.mechanisms(subject, row, outline, found, done, sections, stated)
    quotes = Quotes(conn, book.furnace_hour)
    return PartPlan(
        part, found, done, lag_c, difference_c, shown, runs, assumptions, told, of,
        _asked_otherwise(conn, part, found, of), left_out,
        _loads(conn, part, found, mechanism.heat_to(row, found)), _fastest(conn, found), row["dose_constant"],
        quotes.of(found, quotes.furnace_of(found, part), stock=stock_of_part(conn, part)),
    )  # fmt: skip


# runs with a thermocouple that is suspected and that nobody decided on; faults that are certain are repaired already
_SUSPECTED = (
    "SELECT f.run FROM finding f WHERE f.what = 'fault' AND f.verdict = 'suspected' AND NOT EXISTS (SELECT 1 FROM"
    " confirmation k WHERE k.subject = 'fault' AND k.run = f.run AND k.channel IS f.channel AND k.fault = f.name)"
)


def _shown(
    conn: sqlite3.Connection, part: str, cycle: Cycle
) -> tuple[tuple[Shown, ...], int, tuple[str, ...], int]:  # fmt: skip
    """What the runs of a part under a cycle really showed; how many runs, of which revisions, how many are left out.
    A revision that asks for something else shows something else: another one counts only where its own has no run."""
    all_runs = conn.execute(
        f"SELECT DISTINCT run, cycle_revision, run IN ({_SUSPECTED}) FROM piece JOIN run USING (run)"
        " WHERE part = ? AND cycle = ? AND status = 'done'",
        (part, cycle.cycle),
    ).fetchall()
    runs = [r for r in all_runs if r[1] == cycle.revision] or all_runs
    of = tuple(sorted({r[1] for r in runs}))
    out = []
    for name in COMPARED:
        rows = conn.execute(
            "SELECT value, unit FROM parameter p JOIN run USING (run) WHERE parameter = ? AND channel IS NULL"
            " AND source IN ('trace', 'stated') AND cycle = ? AND status = 'done'"
            " AND cycle_revision IN (SELECT value FROM json_each(?))"
            " AND EXISTS (SELECT 1 FROM piece WHERE piece.run = p.run AND piece.part = ?)"
            f" AND run NOT IN ({_SUSPECTED}) ORDER BY value",
            (name, cycle.cycle, json.dumps(of), part),
        ).fetchall()
        if rows:
            values = [r["value"] for r in rows]
            out.append(Shown(name, rows[0]["unit"], len(values), median(values), values[0], values[-1]))
    return tuple(out), len(runs), of, sum(bool(r[2]) for r in runs)


def _asked_otherwise(
    conn: sqlite3.Connection, part: str, cycle: Cycle, revisions: Sequence[str]
) -> tuple[AskedOtherwise, ...]:  # fmt: skip
    """What the cycle asks that lies outside all that its runs of the part were asked for."""
    out = []
    for asked in asked_parameters(cycle):
        low, high = conn.execute(
            "SELECT min(value), max(value) FROM parameter p JOIN run USING (run) WHERE parameter = ? AND source ="
            " 'asked' AND cycle = ? AND status = 'done' AND cycle_revision IN (SELECT value FROM json_each(?))"
            " AND EXISTS (SELECT 1 FROM piece WHERE piece.run = p.run AND piece.part = ?)",
            (asked.parameter, cycle.cycle, json.dumps(revisions), part),
        ).fetchone()
        near = 0.02 * abs(asked.value)
        if low is not None and not low - near <= asked.value <= high + near:
            out.append(AskedOtherwise(asked.parameter, asked.unit, asked.value, low, high))
    return tuple(out)


def _loads(conn: sqlite3.Connection, part: str, cycle: Cycle, j_per_kg: float | None) -> Loads | None:
    """The loads that the part ran in under the cycle, else those of the cycle; None where no mass is on record."""
    for of_part in (True, False):
        rows = conn.execute(
            "SELECT DISTINCT run, load_mass_kg, coalesce(piece.setup, run.setup) AS how FROM run LEFT JOIN piece USING"
            " (run) WHERE cycle = ? AND status = 'done' AND (NOT ? OR part = ?)",
            (cycle.cycle, of_part, part),
        ).fetchall()
        masses = sorted({r["run"]: r["load_mass_kg"] for r in rows if r["load_mass_kg"] is not None}.values())
        if masses:
            setups = Counter(how for _, how in {(r["run"], r["how"]) for r in rows if r["how"]})
            middle = median(masses)
            kwh = None if j_per_kg is None else middle * j_per_kg / 3.6e6
            return Loads(len(masses), masses[0], middle, masses[-1], tuple(setups.most_common()), of_part, kwh)
    return None


def _fastest(conn: sqlite3.Connection, cycle: Cycle) -> tuple[tuple[str, float], ...]:
    """The fastest heating on record in each furnace that the cycle ran in, whatever the cycle."""
    return tuple(
        (r[0], r[1])
        for r in conn.execute(
            "SELECT furnace, max(value) AS rate FROM parameter JOIN run USING (run) WHERE channel IS NULL AND source ="
            " 'trace' AND parameter = 'heating_rate_peak_c_per_h' AND status = 'done'"
            f" AND run NOT IN ({_SUSPECTED}) AND furnace IN (SELECT furnace FROM run WHERE cycle = ?)"
            " GROUP BY furnace ORDER BY rate DESC",
            (cycle.cycle,),
        )
    )
