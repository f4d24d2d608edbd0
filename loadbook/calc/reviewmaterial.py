"""Remarks on a cycle for one part: what the cycle would do to its material, its surface and its history."""

from __future__ import annotations

from collections.abc import Iterator

from .limits import resolve
from .model import Cycle, PieceRecord
from .reviewed import COMMON, Remark, Stage, Subject, main_hold, stages

AUSTENITIZES = ("harden", "anneal", "normal", "carburi", "austenit", "solution", "braz")
ANDREWS = "Andrews, JISI 203 (1965) 721-727"
SENSITISING_C = (425.0, 815.0)
EMBRITTLING_C = (375.0, 575.0)
SLOW_THROUGH_H = 2.0  # longer than this in the range counts as slow
ALUMINIUM_LOST_C = 120.0
TITANIUM_AIR_C = 540.0
# °C above which the metal leaves in a hard vacuum (common practice)
VOLATILE = {"cadmium": 200.0, "zinc": 250.0, "brass": 400.0, "magnesium": 350.0, "lead": 550.0, "manganese": 900.0,
            "chromium": 980.0}  # fmt: skip
CHLORINE = ("chlor", "perchlor", "trichlor", "degreas")


def ac1_c(pct: dict[str, float]) -> float | None:
    """Start of austenite on heating, from the composition: Andrews' formula; None without carbon, Mn and Si.

    >>> ac1_c({"c": 0.40, "mn": 0.85, "si": 0.25, "cr": 0.95, "mo": 0.20})
    737.235
    """
    if "c" not in pct or "mn" not in pct or "si" not in pct:
        return None
    factor = {"mn": -10.7, "ni": -16.9, "si": 29.1, "cr": 16.9, "as": 290.0, "w": 6.38}
    return round(723.0 + sum(k * pct.get(e, 0.0) for e, k in factor.items()), 6)


def hottest(cycle: Cycle) -> tuple[float, str] | None:
    """The hottest that a hold's band reaches, and where."""
    tops = [
        (s.target_c + (s.band_high_c or 0.0), f"segment {s.number}")
        for s in cycle.segments
        if s.kind == "hold" and s.target_c is not None
    ]
    return max(tops, default=None)


def above_tempering(cycle: Cycle, p: Subject, margin_c: float) -> Iterator[Remark]:
    top = hottest(cycle)
    softens = any(w in cycle.process.casefold() for w in (*AUSTENITIZES, "temper"))
    if top is None or p.tempered_at_c is None or softens:
        return
    if top[0] > p.tempered_at_c - margin_c:
        yield Remark(
            "above tempering",
            f"the hold reaches {top[0]:.0f} °C; {p.part} was last tempered or aged at {p.tempered_at_c:.0f} °C",
            top[1],
            f"it must stay {margin_c:.0f} °C (the shop's own margin) below, or the piece loses hardness",
            "common practice (margins of 14 to 30 °C are in use)",
        )


def above_ac1(cycle: Cycle, p: Subject, margin_c: float) -> Iterator[Remark]:
    top = hottest(cycle)
    if top is None or any(w in cycle.process.casefold() for w in AUSTENITIZES):
        return
    known, source = p.ac1_c, "the material's record"
    if known is None and p.is_of("steel") and not p.austenitic:
        known, source = ac1_c(dict(p.pct)), ANDREWS
    if known is not None and top[0] > known - margin_c:
        yield Remark(
            "near or above Ac1", f"the hold reaches {top[0]:.0f} °C; austenite begins at about {known:.0f} °C", top[1],
            "part of the section would transform and harden or soften on cooling; the estimate is good to some tens"
            " of degrees",
            source,
        )  # fmt: skip


def above_max_soak(cycle: Cycle, p: Subject, margin_c: float) -> Iterator[Remark]:
    top = hottest(cycle)
    if top is not None and p.max_soak_c is not None and top[0] > p.max_soak_c:
        yield Remark(
            "above the material's hottest hold",
            f"the hold reaches {top[0]:.0f} °C; {p.material} may be held at {p.max_soak_c:.0f} °C at most",
            top[1], "the material's record says so", "the material's record",
        )  # fmt: skip


def hours_inside(stage: Stage, low_c: float, high_c: float) -> float | None:
    """Hours that a stage spends between two temperatures; None where its rate is not stated."""
    s = stage.segment
    if stage.from_c is None or stage.to_c is None:
        return None
    if s.kind == "hold":
        return (s.minutes or 0.0) / 60.0 if low_c <= stage.to_c <= high_c else 0.0
    a, b = sorted((stage.from_c, stage.to_c))
    inside = max(0.0, min(b, high_c) - max(a, low_c))
    if inside == 0.0:
        return 0.0
    return inside / stage.rate_c_per_h if stage.rate_c_per_h else None


def sensitising(cycle: Cycle, p: Subject, margin_c: float) -> Iterator[Remark]:
    if not p.austenitic or (p.share("c") is not None and (p.share("c") or 0.0) <= 0.03):
        return
    for stage in stages(cycle):
        hours = hours_inside(stage, *SENSITISING_C)
        if hours is not None and hours > SLOW_THROUGH_H:
            yield Remark(
                "sensitising range", f"{hours:.1f} h between {SENSITISING_C[0]:.0f} and {SENSITISING_C[1]:.0f} °C",
                stage.where, "chromium carbides form at the grain boundaries, and the steel corrodes there",
            )  # fmt: skip


def embrittling(cycle: Cycle, p: Subject, margin_c: float) -> Iterator[Remark]:
    if not p.is_of("low-alloy", "alloy steel") or (p.share("mo") or 0.0) >= 0.15:
        return
    for stage in stages(cycle):
        if stage.segment.kind == "heat":
            continue
        hours = hours_inside(stage, *EMBRITTLING_C)
        if hours is not None and hours > SLOW_THROUGH_H:
            yield Remark(
                "temper embrittlement", f"{hours:.1f} h between {EMBRITTLING_C[0]:.0f} and {EMBRITTLING_C[1]:.0f} °C",
                stage.where,
                "alloy steels without molybdenum lose toughness when they stay or cool slowly through this range",
            )  # fmt: skip


def aluminium(cycle: Cycle, p: Subject, margin_c: float) -> Iterator[Remark]:
    top = hottest(cycle)
    purposes = ("age", "ageing", "aging", "solution", "anneal")
    if (
        top
        and p.is_of("alumin")
        and top[0] > ALUMINIUM_LOST_C
        and not any(w in cycle.process.casefold() for w in purposes)
    ):
        yield Remark(
            "aluminium temper lost", f"the hold reaches {top[0]:.0f} °C", top[1],
            "artificially aged aluminium overages and cold-worked aluminium softens: relief by heat and the temper"
            " exclude each other; stretching or compressing relieves without heat",
        )  # fmt: skip


def plated(cycle: Cycle, p: Subject, margin_c: float) -> Iterator[Remark]:
    found = p.marked("plat", "galvan", "cadmium", "zinc", "braze", "brazed", "silver", "solder", "chrome")
    if found:
        top = hottest(cycle)
        at = f" at {top[0]:.0f} °C" if top else ""
        yield Remark(
            "plating or braze", f"{p.part} is recorded as: {', '.join(dict.fromkeys(found))}", "the part",
            f"what is on the piece may melt, diffuse, blister or evaporate{at}: ask what it is before heating",
        )  # fmt: skip


def titanium(cycle: Cycle, p: Subject, margin_c: float) -> Iterator[Remark]:
    if not p.is_of("titan"):
        return
    source = "MIL-H-81200B (1991)"
    for stage in stages(cycle):
        if "nitrogen" in stage.atmosphere or "hydrogen" in stage.atmosphere:
            yield Remark(
                "titanium in a gas it takes up", f"{stage.atmosphere} on titanium", stage.where,
                "hot titanium takes up nitrogen and hydrogen and becomes brittle: argon, helium or vacuum only", source,
            )  # fmt: skip
        elif stage.atmosphere == "air" and (stage.to_c or 0.0) > TITANIUM_AIR_C:
            yield Remark(
                "titanium in air", f"air at {stage.to_c:.0f} °C on titanium", stage.where,
                "a hard, brittle alpha case grows: it must be machined or etched away", source,
            )  # fmt: skip
    inert = any("argon" in stage.atmosphere or "helium" in stage.atmosphere for stage in stages(cycle))
    if inert and not any(x.quantity == "dew_point" for x in cycle.limits):
        yield Remark(
            "no dew point limit", "inert gas on titanium without a highest dew point", "limits",
            "wet gas oxidises and hydrides titanium: -54 °C (-65 °F) or drier is asked for", source,
        )  # fmt: skip
    residue = p.marked(*CHLORINE)
    if residue:
        yield Remark(
            "chlorinated residue", f"{p.part} is recorded as: {', '.join(residue)}", "the part",
            "chlorides left on titanium crack it under stress when hot: wash them off and say so", source,
        )  # fmt: skip


def reactive(cycle: Cycle, p: Subject, margin_c: float) -> Iterator[Remark]:
    if not p.reactive or p.is_of("titan"):
        return
    for stage in stages(cycle):
        if not any(w in stage.atmosphere for w in ("vacuum", "argon", "helium")):
            yield Remark(
                "reactive metal", f"{stage.atmosphere} on {p.material}", stage.where,
                "the material's record says that it reacts: vacuum or dry inert gas", "the material's record",
            )  # fmt: skip


def volatile(cycle: Cycle, p: Subject, margin_c: float) -> Iterator[Remark]:
    top = max((s.to_c or 0.0 for s in stages(cycle) if "vacuum" in s.atmosphere), default=None)
    if top is None:
        return
    words = " ".join((p.family, p.material, *p.conditions, *p.operations)).casefold()
    for metal, at_c in VOLATILE.items():
        if metal in words and top > at_c:
            yield Remark(
                "volatile metal in vacuum", f"{metal} in vacuum at {top:.0f} °C", "the part",
                "it evaporates and settles on everything in the furnace; use a partial pressure of gas, or keep it out",
            )  # fmt: skip


def soak_by_section(cycle: Cycle, p: Subject, margin_c: float) -> Iterator[Remark]:
    piece = PieceRecord(p.part, "", p.section_thick_mm, p.section_thin_mm)
    for limit in cycle.limits:
        if limit.quantity != "soak" or limit.rule is None:
            continue
        needed = resolve(limit, [piece])
        segment = next((s for s in cycle.segments if s.number == limit.segment), None)
        if needed.value is None:
            yield Remark("soak by section unknown", f"{needed.missing}", f"segment {limit.segment}",
                         "the shop's soak rule needs the thickest section")  # fmt: skip
        elif segment is not None and (segment.minutes or 0.0) < needed.value:
            yield Remark(
                "soak short for the section",
                f"{segment.minutes or 0:.0f} min are asked; {needed.value:.0f} min follow from its section",
                f"segment {limit.segment}", "the shop's own rule asks for more", "the cycle's own rule",
            )  # fmt: skip


def no_main_hold_target(cycle: Cycle, p: Subject, margin_c: float) -> Iterator[Remark]:
    if main_hold(cycle) is None:
        yield Remark("no hold", "the cycle has no hold with a temperature", "segments",
                     "nothing can be said of what it does to the material", COMMON)  # fmt: skip


CHECKS = (
    above_tempering, above_ac1, above_max_soak, sensitising, embrittling, aluminium, plated, titanium, reactive,
    volatile, soak_by_section, no_main_hold_target,
)  # fmt: skip
