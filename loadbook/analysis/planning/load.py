"""The load against the cycle: what the cycle, or the furnace, would do to these pieces, whatever the trace says.

Findings are coded remarks with figures; their words are made at the edge (`queries/remark_words.py`). A figure's source
stands among its figures: a publication, the shop's own record, or common practice.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from loadbook.analysis.clauses.recorded import SURVEY, gases_in, survey_covers
from loadbook.analysis.trace.model import Cycle, FurnaceCheck
from loadbook.analysis.trace.route import begins_anew, heats_again
from loadbook.core.remarks import COMMON, Remark, remark

from .review import MARGIN_C, TAKEN_UP, TITANIUM_AIR_C, hottest_hold_binds, stages

MIL_H_81200 = "MIL-H-81200B (1991)"
RECORD = "the material's record"
# °C above which a hold in air does harm that has to be machined away, and whose word that is
AIR_LIMIT_C = {
    "titanium": (TITANIUM_AIR_C, MIL_H_81200),
    "zirconium": (540.0, COMMON),
    "niobium": (230.0, COMMON),
    "tantalum": (260.0, COMMON),
    "refractory": (400.0, COMMON),
}
AIR_LIMIT_OTHER_C = 200.0  # a material that its record calls reactive, and that is none of these: common practice
# cast iron, all common practice: above the first its pearlite decomposes and it grows and softens; castings with thin
# and thick sections crack or are left with new stress where they are heated, or cooled above CAST_IRON_COOL_C, faster
CAST_IRON_HOLD_C, CAST_IRON_HEAT_C_PER_H, CAST_IRON_COOL_C_PER_H, CAST_IRON_COOL_C = 620.0, 100.0, 55.0, 300.0
# families that say nothing
NO_FAMILY = {"", "-", "?", "other", "unknown", "n/a", "na", "none", "tbd", "not known", "not recorded"}


@dataclass(frozen=True)
class LoadPiece:
    """One part of the load with what is known of its material; serials are those it is run with.

    tempered_at_c  the lowest last tempering among them
    """

    part: str
    material: str
    family: str
    serials: tuple[str, ...] = ()
    max_soak_c: float | None = None
    reactive: bool | None = None
    tempered_at_c: float | None = None

    @property
    def cast_iron(self) -> bool:
        text = f"{self.family} {self.material}".casefold()
        return any(w in text for w in ("cast iron", "grey iron", "gray iron", "ductile iron", "nodular iron"))

    @property
    def air_limit(self) -> tuple[float, str] | None:
        """The hottest [°C] that it may be held in air, and its source; None where it does not react."""
        text = f"{self.family} {self.material}".casefold()
        known = next((limit for metal, limit in AIR_LIMIT_C.items() if metal in text), None)
        return known or ((AIR_LIMIT_OTHER_C, COMMON) if self.reactive else None)


@dataclass(frozen=True)
class LoadFurnace:
    """The furnace of the run, with its checks as they stood on the run's day (of the shop's calendar)."""

    furnace: str
    uniformity_c: float | None = None
    max_temp_c: float | None = None
    checks: tuple[FurnaceCheck, ...] = ()


def load_findings(
    cycle: Cycle | None, atmosphere: str, pieces: Sequence[LoadPiece], furnace: LoadFurnace,
    margin_c: float = MARGIN_C, reached_c: float | None = None,
) -> tuple[Remark, ...]:  # fmt: skip
    """What speaks against running this load by this cycle in this furnace on that day, the checks first.

    cycle       None where the run was asked to follow none: then only what was reached counts
    atmosphere  the run's own, in words; '' takes the cycle's
    margin_c    least distance [°C difference] of a hold below the last tempering: the shop's own
    reached_c   the hottest that a work TC was [°C], where there is a trace: it counts then, not what was asked. How far
                a band may reach is for the cycle's review
    """
    out = [*_checks(cycle, furnace), *_furnace(cycle, furnace)]
    for piece in pieces:
        out += _family(piece)
        out += _in_gas(cycle, atmosphere, piece, reached_c)
        out += _too_hot(cycle, piece, margin_c, reached_c)
        if piece.cast_iron:
            out += _cast_iron(cycle, piece, reached_c)
    return tuple(out)


def _checks(cycle: Cycle | None, furnace: LoadFurnace) -> Iterator[Remark]:
    """Checks that had failed or were past due; one at another temperature does not count where a current one of its
    kind covers the main hold and those after it."""
    holds = cycle.surveyed_c if cycle else ()
    for c in furnace.checks:
        if c.state not in ("failed", "past due"):
            continue
        current = [x for x in furnace.checks if x.kind == c.kind and x.state == "current" and x.done_on >= c.done_on]
        if c.at_c is not None and holds and current and all(survey_covers(current, at_c) for at_c in holds):
            continue
        yield remark("check_failed" if c.state == "failed" else "check_past_due", furnace=furnace.furnace, kind=c.kind,
                     done_on=c.done_on, due_on=c.due_on, at_c=c.at_c)  # fmt: skip
    surveys = [c for c in furnace.checks if c.kind == SURVEY and c.state == "current"]
    for at_c in holds:
        if surveys and survey_covers(surveys, at_c) is False:
            yield remark("survey_elsewhere", furnace=furnace.furnace, at_c=at_c, source=COMMON,
                         surveyed_c=sorted(c.at_c for c in surveys if c.at_c is not None))  # fmt: skip


def _furnace(cycle: Cycle | None, furnace: LoadFurnace) -> Iterator[Remark]:
    bands = [(b, s.number) for s in (cycle.segments if cycle else ()) if s.kind == "hold"
             for b in (s.band_low_c, s.band_high_c) if b is not None]  # fmt: skip
    narrowest = min(bands, default=None)
    if narrowest and furnace.uniformity_c is not None and furnace.uniformity_c > narrowest[0]:
        yield remark("furnace_wider", furnace=furnace.furnace, class_c=furnace.uniformity_c, band_c=narrowest[0],
                     segment=narrowest[1], source="the furnace's record")  # fmt: skip
    targets = [(s.target_c, s.number) for s in (cycle.segments if cycle else ()) if s.target_c is not None]
    for at_c, segment in [max(targets)] if targets else []:
        if furnace.max_temp_c is not None and at_c > furnace.max_temp_c:
            yield remark("furnace_too_hot", furnace=furnace.furnace, at_c=at_c, limit_c=furnace.max_temp_c,
                         segment=segment, source="the furnace's record")  # fmt: skip


def _family(p: LoadPiece) -> Iterator[Remark]:
    if p.family.strip().casefold() in NO_FAMILY:
        yield remark("family_missing", part=p.part, material=p.material)


def _in_gas(cycle: Cycle | None, atmosphere: str, p: LoadPiece, reached_c: float | None) -> Iterator[Remark]:
    limit = p.air_limit
    if limit is None:
        return
    basis = "asked" if reached_c is None else "reached"
    met = [(atmosphere or stage.atmosphere, stage.hottest_c) for stage in (stages(cycle) if cycle else ())]
    if reached_c is not None:  # no stage was hotter than the load
        met = [(gas, reached_c if at is None else min(at, reached_c)) for gas, at in met] or [(atmosphere, reached_c)]
        top = max(at or 0.0 for _, at in met)
        met = [(gas, reached_c if at == top else at) for gas, at in met]
    worst: dict[str, tuple[float, str]] = {}
    for gas, at_c in met:
        named = gases_in(gas)
        code = "reactive_in_air" if "air" in named else "reactive_in_gas" if named & TAKEN_UP else None
        if code and at_c is not None and at_c > limit[0] and at_c > worst.get(code, (-1e9,))[0]:
            worst[code] = (at_c, gas)
    for code, (at_c, gas) in worst.items():
        yield remark(code, part=p.part, material=p.material, gas=gas, at_c=at_c, limit_c=limit[0], basis=basis,
                     source=limit[1])  # fmt: skip


def _hottest(cycle: Cycle | None, reached_c: float | None) -> tuple[float, str] | None:
    """The hottest that the load was, else that it is to be held at; and which of the two."""
    if reached_c is not None:
        return reached_c, "reached"
    return (cycle.main_hold[1], "asked") if cycle and cycle.main_hold else None


def _too_hot(cycle: Cycle | None, p: LoadPiece, margin_c: float, reached_c: float | None) -> Iterator[Remark]:
    top = _hottest(cycle, reached_c)
    if top is None:
        return
    process = cycle.process if cycle else ""
    if p.tempered_at_c is not None and not heats_again(process) and top[0] > p.tempered_at_c - margin_c:
        yield remark("above_temper", part=p.part, pieces=len(p.serials), at_c=top[0], basis=top[1],
                     tempered_c=p.tempered_at_c, margin_c=margin_c, source=COMMON)  # fmt: skip
    if p.max_soak_c is not None and top[0] > p.max_soak_c and hottest_hold_binds(p.family, process):
        yield remark("above_hottest_hold", part=p.part, material=p.material, at_c=top[0], basis=top[1],
                     limit_c=p.max_soak_c, source=RECORD)  # fmt: skip


def _cast_iron(cycle: Cycle | None, p: LoadPiece, reached_c: float | None) -> Iterator[Remark]:
    top = _hottest(cycle, reached_c)
    if cycle and begins_anew(cycle.process):
        return
    if top and top[0] > CAST_IRON_HOLD_C:
        yield remark("cast_iron_hot", part=p.part, at_c=top[0], basis=top[1], limit_c=CAST_IRON_HOLD_C,
                     source=COMMON)  # fmt: skip
    for stage in stages(cycle) if cycle else ():
        kind, rate = stage.segment.kind, stage.segment.pace_c_per_h
        limit = {"heat": CAST_IRON_HEAT_C_PER_H, "cool": CAST_IRON_COOL_C_PER_H}.get(kind)
        cold = kind == "cool" and (stage.from_c or 0.0) <= CAST_IRON_COOL_C
        if limit is not None and rate is not None and rate > limit and not cold:
            yield remark("cast_iron_fast", part=p.part, kind=kind, rate_c_per_h=rate, limit_c_per_h=limit,
                         above_c=CAST_IRON_COOL_C if kind == "cool" else None, segment=stage.segment.number,
                         asked=stage.segment.asked_rate_c_per_h is not None, source=COMMON)  # fmt: skip
