"""What physics says of a part under a plan: its record as an outline, its material as a metal, and the checks."""

from __future__ import annotations

import math
import sqlite3
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from loadbook.analysis.physics import checks, expansion
from loadbook.analysis.physics.checks import Check, Limit, Part, Step
from loadbook.analysis.physics.metal import Metal, group_of, metal
from loadbook.analysis.planning.plan import Plan, Sections, film_of
from loadbook.analysis.planning.review import Subject, stages
from loadbook.analysis.trace import lag
from loadbook.analysis.trace.conduction import Body
from loadbook.analysis.trace.model import Cycle
from loadbook.core.remarks import Remark, remark

_TOLD_AT = (100.0, 200.0, 300.0, 400.0, 500.0, 600.0, 800.0, 1000.0)
NOT_RINGS = ("flange",)
Row = sqlite3.Row | Mapping[str, Any]  # a part with its material, as the book or a question tells of them
_WEAK = ("own", "V+R", "R", "V", "M")  # marks, the weakest last


@dataclass(frozen=True)
class Stated:
    """What the user says for himself: the two sides of a bar's or ring's section [mm], yields [MPa] and moduli [GPa] as
    (temperature [°C] or None for 20 °C, value), and the largest sag allowed [mm]."""

    section_mm: tuple[float, float] | None = None
    yields: tuple[tuple[float | None, float], ...] = ()
    moduli: tuple[tuple[float | None, float], ...] = ()
    sag_mm: float | None = None


NOTHING_STATED = Stated()


@dataclass(frozen=True)
class Outline:
    """A part's shape as far as its record tells: the body of its thick section, and what a sag needs.

    across_mm  the other side of a ring's or bar's section; None: it is heated from both sides only (a slab)
    said       where across_mm comes from
    """

    form: str
    shape: lag.Shape
    thick_mm: float
    across_mm: float | None = None
    outside_mm: float | None = None
    said: Remark | None = None


@dataclass(frozen=True)
class Mechanisms:
    """The checks of a plan, and the largest differences that stay elastic, coldest first."""

    checks: tuple[Check, ...]
    limits: tuple[Limit, ...]
    metal: Metal


def outline_of(conn: sqlite3.Connection, row: Row, stated: Stated = NOTHING_STATED) -> Outline:
    """The outline of a part (a row of part with its material). A ring's section has two sides: the thick one is on
    record, the other follows from its mass and diameter where these are."""
    words = (row["shape"] or "").casefold()
    shape = lag.shape_of(words)
    thick = row["section_thick_mm"]
    form = (
        "ring" if "ring" in words and not any(w in words for w in NOT_RINGS)
        else "bar" if shape == "cylinder"
        else "plate" if "plate" in words or "flat" in words
        else ""
    )  # fmt: skip
    outside = None
    if form == "ring":
        sizes = dict(
            conn.execute(
                "SELECT kind, max(nominal_mm) FROM characteristic WHERE part = ? AND kind IN ('outside diameter',"
                " 'inside diameter') AND nominal_mm IS NOT NULL GROUP BY kind",
                (row["part"],),
            ).fetchall()
        )
        outside = sizes.get("outside diameter") or row["length_mm"]
    if stated.section_mm is not None:
        small, large = sorted(stated.section_mm)
        said = remark("plan_outline", thick_mm=small, across_mm=large, how=", as stated")
        return Outline(form, "slab", small, large, outside, said)
    if outside is not None and row["mass_kg"] is not None:
        inside = sizes.get("inside diameter") or outside - 2.0 * thick
        middle = 0.5 * (outside + inside)
        area = row["mass_kg"] / (row["density_kg_m3"] * 1e-9 * math.pi * middle)
        across = area / thick
        if 0.2 * thick <= across <= 20.0 * thick:
            small, large = sorted((thick, round(across, 1)))
            said = remark("plan_outline", thick_mm=small, across_mm=large, how=", from its mass and diameter")
            return Outline(form, "slab", small, large, outside, said)
    return Outline(form, shape, thick, None, outside)


NEEDED = ("section_thick_mm", "conductivity_w_mk", "density_kg_m3", "specific_heat_j_kgk")


def missing(row: Row) -> list[str]:
    """What a part's record (with its material's) does not tell and a plan needs."""
    return [name for name in NEEDED if row[name] is None]


def sections_of(row: Row, outline: Outline, atmosphere: str, film_w_m2k: float | None = None) -> Sections:
    """The sections of a part as they heat; nothing may be `missing`. film_w_m2k: the user's own figure."""
    k = row["conductivity_w_mk"]
    diffusivity = lag.diffusivity(k, row["density_kg_m3"], row["specific_heat_j_kgk"])

    def section(thickness_mm: float) -> Body:
        return Body(outline.shape, thickness_mm / 2.0, k, diffusivity, outline.across_mm)

    thin = section(row["section_thin_mm"]) if row["section_thin_mm"] is not None else None
    return Sections(section(outline.thick_mm), thin, *film_of(atmosphere, film_w_m2k))


def metal_of(subject: Subject, row: Row, stated: Stated = NOTHING_STATED) -> Metal:
    """A part's material as the checks need it."""
    return metal(row["material"], row["family"], subject.austenitic, row["cte_per_k"], stated.yields, stated.moduli)


def heat_to(row: Row, cycle: Cycle) -> float | None:
    """Heat that a kilogram of the material takes up from 20 °C to the main hold [J/kg]; None without a hold."""
    if cycle.main_hold is None:
        return None
    to_c = cycle.main_hold[1]
    if group_of(row["family"], row["material"]) in ("carbon steel", "tool steel"):
        return expansion.steel_enthalpy(20.0, to_c)
    return None if row["specific_heat_j_kgk"] is None else float(row["specific_heat_j_kgk"] * (to_c - 20.0))


def steps_of(cycle: Cycle, plan: Plan) -> list[Step]:
    """The integrated course of a plan, step by step, with what the furnace holds in each segment."""
    of_cycle = [x.value for x in cycle.limits if x.quantity == "pressure" and x.relation == "max" and not x.event]
    gas = {stage.segment.number: stage.atmosphere for stage in stages(cycle)}
    pressure = {s.number: s.pressure_max_mbar for s in cycle.segments}
    ends, at = [], 0.0
    for planned in plan.segments:
        at += planned.hours * 3600.0
        ends.append((at + 1e-6, planned))
    out, k = [], 0
    for i in range(1, plan.t_s.size):
        t = float(plan.t_s[i])
        while k < len(ends) - 1 and t > ends[k][0]:
            k += 1
        one = ends[k][1]
        out.append(
            Step(
                one.number, one.kind, (t - float(plan.t_s[i - 1])) / 3600.0, float(plan.furnace_c[i]),
                float(plan.surface_c[i]), float(plan.middle_c[i]), float(plan.mean_c[i]),
                None if plan.thin_c is None else float(plan.thin_c[i]), gas.get(one.number, ""),
                pressure.get(one.number) or min(of_cycle, default=None),
            )
        )  # fmt: skip
    return out


def mechanisms(
    subject: Subject, row: Row, outline: Outline, cycle: Cycle, plan: Plan, sections: Sections,
    stated: Stated = NOTHING_STATED,
) -> Mechanisms:  # fmt: skip
    """The checks of a plan for a part. row: the part with its material, as the book keeps them."""
    found = metal_of(subject, row, stated)
    hold_c = cycle.main_hold[1] if cycle.main_hold else float(plan.furnace_c.max())
    part = Part(
        outline.form, row["length_mm"], row["section_thick_mm"], row["section_thin_mm"], row["density_kg_m3"],
        outline.outside_mm, outline.across_mm, subject.pct,
        " ".join((row["family"], row["material"], *subject.conditions, *subject.operations)).casefold(),
    )  # fmt: skip
    steps = steps_of(cycle, plan)
    told = checks.all_checks(steps, sections.thick.power, found, part, hold_c, cycle.process, stated.sag_mm)
    at = [*(t for t in _TOLD_AT if t < hold_c - 20.0), hold_c]
    over_spread = [lead_over_spread(sections, t) for t in at] if sections.thin else None
    limits = checks.elastic_limits(
        found, sections.thick.power, at, [lead_over_lag(sections, t) for t in at], over_spread
    )
    return Mechanisms(tuple(told), tuple(limits), found)


def _film(sections: Sections, at_c: float) -> float:
    return math.inf if sections.film is None else sections.film(at_c, at_c)


def _seconds(body: Body, film_w_m2k: float) -> tuple[float, float, float]:
    """For each °C/s of a settled rate [s]: furnace over surface, surface over middle, surface over mean."""
    half = body.half_mm / 1000.0
    film = body.conductivity_w_mk / body.diffusivity_m2_per_s * half / (body.power + 1.0) / film_w_m2k
    middle = half * half / (body.divisor * body.diffusivity_m2_per_s)
    return film, middle, middle * 2.0 / (body.power + 3.0)


def lead_over_lag(sections: Sections, at_c: float) -> float:
    """Furnace ahead of the thick section's middle, over its surface ahead of it; settled."""
    film, middle, _ = _seconds(sections.thick, _film(sections, at_c))
    return (film + middle) / middle


def lead_over_spread(sections: Sections, at_c: float) -> float:
    """Furnace ahead of the thick section's middle, over the thin one's mean ahead of the thick one's; settled."""
    assert sections.thin is not None
    film = _film(sections, at_c)
    thick, thin = _seconds(sections.thick, film), _seconds(sections.thin, film)
    apart = thick[0] + thick[2] - thin[0] - thin[2]
    return (thick[0] + thick[1]) / apart if apart > 0.0 else math.inf


def sources(found: Sequence[Check]) -> list[tuple[str, str]]:
    """The sources of checks, each once, in order, with the weakest of its marks."""
    marks: dict[str, str] = {}
    for source in (s for c in found for s in c.sources):
        marks[source.text] = max(marks.get(source.text, source.mark), source.mark, key=_WEAK.index)
    return list(marks.items())
