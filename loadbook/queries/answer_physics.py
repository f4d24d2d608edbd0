"""What physics says where the shop's history cannot answer: which mechanisms act, with their numbers, and no figure of
movement."""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from loadbook.analysis.physics.checks import SIZE, Check
from loadbook.analysis.physics.tables import MARKS
from loadbook.analysis.planning.hours import varied
from loadbook.analysis.planning.plan import Plan
from loadbook.analysis.planning.plan import plan as integrate
from loadbook.analysis.planning.review import Subject as Reviewed
from loadbook.analysis.trace.model import Cycle, Segment
from loadbook.core.errors import CalculationError
from loadbook.core.figures import shown
from loadbook.core.vocabulary.parameters import PLANNABLE
from loadbook.store.run_records import load_cycle

from . import mechanism
from .cycles import ELEMENTS, subject_of
from .enquiry import Question, Subject
from .evidence_words import words

HEATING, HOLD, SOAK, COOLING = PLANNABLE
RAMP_LAG_C = 15.0  # lag [°C difference] at which a ramp without a rate is run, as `cycle plan` does
_RECORDED = {
    "section_thick_mm": "its thickest section (--section)",
    "conductivity_w_mk": "the material's conductivity",
    "density_kg_m3": "its density",
    "specific_heat_j_kgk": "its specific heat",
}


@dataclass(frozen=True)
class Physics:
    """Checks of mechanism for one question; none where something is `missing`.

    under    the cycle in words;  assumed  the cycle is one that nobody named: the part's last
    no_rate_c_per_h  what heats at a rate that nobody asked for is taken at this one [°C/h]
    """

    under: str = ""
    checks: tuple[Check, ...] = ()
    assumed: bool = False
    no_rate_c_per_h: float | None = None
    missing: list[str] = field(default_factory=list)

    def as_dict(self, system: str) -> dict[str, Any]:
        """For machines, and as it is kept: each check as its code, its figures and its words."""
        return {
            "under": self.under or None, "assumed": self.assumed, "missing": self.missing,
            "mechanisms": [
                {"mechanism": c.mechanism, "acts": c.acts, "code": c.said.code, "figures": dict(c.said.figures),
                 "text": words(c.said, system),
                 "sources": [{"source": s.text, "mark": MARKS[s.mark]} for s in c.sources]}
                for c in self.checks
            ],
        }  # fmt: skip


def physics_of(conn: sqlite3.Connection, question: Question, about: Subject, process: str) -> Physics:
    """What physics says of a question, its cycle's asked settings filled in."""
    cycle, under, assumed = _cycle(conn, question, process)
    row, subject = _part(conn, about)
    missing = [_RECORDED[name] for name in mechanism.missing(row)] if row else ["a material of the book (--material)"]
    if cycle is None:
        missing.append("the cycle (--cycle), or heating rate, hold temperature and soak (--with)")
    if cycle is None or row is None or missing:
        return Physics(missing=missing)
    outline = mechanism.outline_of(conn, row)
    sections = mechanism.sections_of(row, outline, cycle.atmosphere)
    try:
        done = integrate(cycle, sections, RAMP_LAG_C, None)
    except CalculationError as e:
        return Physics(under, assumed=assumed, missing=[f"a course to work with ({e})"])
    found = mechanism.mechanisms(subject, row, outline, cycle, done, sections)
    checks = tuple(map(_no_movement, found.checks))
    return Physics(under, checks, assumed, _taken_at(done))


def _no_movement(check: Check) -> Check:
    """A check without what could be read as a movement: a published share stays a share."""
    if check.mechanism != SIZE or "length_mm" not in check.said.figures:
        return check
    return replace(check, said=replace(check.said, figures={**check.said.figures, "length_mm": None}))


def _taken_at(plan: Plan) -> float | None:
    return next((r.figures["rate_c_per_h"] for r in plan.assumptions if r.code == "plan_no_rate"), None)


def _cycle(conn: sqlite3.Connection, question: Question, process: str) -> tuple[Cycle | None, str, bool]:
    """(the cycle with the settings asked, its name in words, whether nobody named it)."""
    named, revision, assumed = question.cycle, question.cycle_revision, False
    if named is None and {HEATING, HOLD, SOAK} <= set(question.settings):
        return _of_settings(question, process), "the settings asked", False
    if named is None:
        last = conn.execute(
            "SELECT cycle, cycle_revision FROM run JOIN cycle AS c USING (cycle) JOIN piece USING (run)"
            " WHERE part = ? AND c.process = ? ORDER BY started DESC LIMIT 1",
            (question.part, process),
        ).fetchone()
        if last is None:
            return None, "", False
        named, revision, assumed = last["cycle"], last["cycle_revision"], True
    cycle = load_cycle(conn, named, revision)
    name = f"{cycle.cycle} revision {cycle.revision}"
    cycle = varied(cycle, question.settings)
    gas = question.atmosphere
    if gas and gas.casefold() != cycle.atmosphere.casefold():
        cycle = replace(cycle, atmosphere=gas, segments=tuple(replace(s, atmosphere=None) for s in cycle.segments))
        name += f" in {gas}"
    return cycle, name, assumed


def _of_settings(question: Question, process: str) -> Cycle:
    """A cycle of one ramp and one hold, from settings alone."""
    rate, hold_c, minutes, down = (question.settings.get(n) for n in PLANNABLE)
    segments = (
        Segment(1, "heat", target_c=hold_c, asked_rate_c_per_h=rate),
        Segment(2, "hold", target_c=hold_c, minutes=minutes),
        Segment(3, "cool", target_c=20.0, asked_rate_c_per_h=down or rate),
    )
    return Cycle("", process=process, atmosphere=question.atmosphere or "", segments=segments)


def _part(conn: sqlite3.Connection, about: Subject) -> tuple[Mapping[str, Any] | None, Reviewed]:
    """(the part with its material as a plan reads it, None where the material is not on record; what it is)."""
    material = conn.execute("SELECT * FROM material WHERE material = ?", (about.material,)).fetchone()
    if material is None:
        return None, Reviewed("")
    sections = {"section_thick_mm": about.section_thick_mm, "section_thin_mm": about.section_thin_mm}
    if about.part is not None:
        part = dict(conn.execute("SELECT * FROM part WHERE part = ?", (about.part,)).fetchone())
        return {**part, **dict(material), **sections}, subject_of(conn, about.part)
    row = {**dict(material), **sections, "part": None, "shape": about.shape, "length_mm": about.reference_length_mm,
           "mass_kg": None}  # fmt: skip
    pct = tuple((e, material[f"{e}_pct"]) for e in ELEMENTS if material[f"{e}_pct"] is not None)
    conditions = tuple((about.condition or "").split(";")) if about.condition else ()
    return row, Reviewed(
        "", material["material"], material["family"] or "", about.shape, about.section_thick_mm, None, None,
        material["max_soak_c"], material["ac1_c"], about.reactive, pct, conditions,
    )  # fmt: skip


def sentences(found: Physics, system: str) -> list[str]:
    """What physics says, one line a mechanism."""
    if found.missing:
        return [f"Physics can say which mechanisms act, but not without {', '.join(found.missing)}."]
    how = f"{found.under}, its last cycle" if found.assumed else found.under
    if found.no_rate_c_per_h is not None:
        how += f" (a ramp without a rate taken at {shown(found.no_rate_c_per_h, 'c_per_h', system)})"
    lines = [
        f"What physics says under {how} (checks of mechanism, no figure of movement):",
        *(f"  {c.mechanism}{_ACTS[c.acts]}: {words(c.said, system)}." for c in found.checks),
    ]
    if any(c.acts is None and c.said.code in ("stress_against_yield", "stress_unknown") for c in found.checks):
        lines.append("  With --yield and --modulus, for a part on record: loadbook cycle plan.")
    return lines


_ACTS = {True: ", acts", False: ", does not act", None: ""}
