"""Reading a cycle like a careful metallurgist: a list of small checks, each remark with its reason and source.

What a review works on and gives: the cycle, what is known of the part, and remarks with their reason and source.

Remarks on a cycle as written: what it does not say, and where it contradicts itself.

Remarks on a cycle for one part: what the cycle would do to its material, its surface and its history.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from loadbook.analysis.clauses.limits import resolve
from loadbook.analysis.trace.model import Cycle, PieceRecord, Segment
from loadbook.core import units

COMMON = "common practice"
BURNS_C = 60.0  # bare metal at this temperature burns skin within seconds


@dataclass(frozen=True)
class Remark:
    """One remark. name is its kind, always the same; source a citation or "common practice"."""

    name: str
    remark: str
    where: str
    why: str
    source: str = COMMON


@dataclass(frozen=True)
class Subject:
    """What the book knows of a part that the cycle is for. None where not recorded; temperatures °C, lengths mm.

    conditions   words of its pieces' conditions;  operations  words of what was done to them before
    tempered_at_c  the lowest last tempering (or ageing) temperature among its pieces
    pct          composition, mass % by element symbol
    """

    part: str
    material: str = ""
    family: str = ""
    shape: str | None = None
    section_thick_mm: float | None = None
    section_thin_mm: float | None = None
    tempered_at_c: float | None = None
    max_soak_c: float | None = None
    ac1_c: float | None = None
    reactive: bool | None = None
    pct: tuple[tuple[str, float], ...] = ()
    conditions: tuple[str, ...] = ()
    operations: tuple[str, ...] = ()

    def share(self, element: str) -> float | None:
        """Mass % of an element, None where not recorded."""
        return dict(self.pct).get(element)

    def is_of(self, *words: str) -> bool:
        """Does the family or the material's name hold any of these words?"""
        text = f"{self.family} {self.material}".casefold()
        return any(w in text for w in words)

    @property
    def austenitic(self) -> bool:
        """A stainless steel that never transforms: by its family's or its own name, or by its nickel."""
        named = self.is_of("austenitic", "304", "316", "1.43", "1.44")
        return named or (self.is_of("stainless") and (self.share("ni") or 0.0) >= 7.0)

    def marked(self, *words: str) -> list[str]:
        """Conditions and operations that hold any of these words."""
        return [t for t in (*self.conditions, *self.operations) if any(w in t.casefold() for w in words)]


@dataclass(frozen=True)
class Stage:
    """A segment with the temperature it starts from, the one it goes to, and the atmosphere that it runs in."""

    segment: Segment
    from_c: float | None
    to_c: float | None
    atmosphere: str

    @property
    def where(self) -> str:
        return f"segment {self.segment.number}"

    @property
    def rate_c_per_h(self) -> float | None:
        """The rate it is asked to run at, else the fastest allowed."""
        s = self.segment
        return s.asked_rate_c_per_h if s.asked_rate_c_per_h is not None else s.rate_max_c_per_h


def stages(cycle: Cycle, start_c: float = 20.0) -> list[Stage]:
    """The cycle's segments in order with where each begins; a last cool without a target goes to the start."""
    out = []
    at: float | None = start_c
    for s in cycle.segments:
        target = s.target_c
        if target is None:
            target = at if s.kind == "hold" else start_c
        out.append(Stage(s, at, target, (s.atmosphere or cycle.atmosphere).casefold()))
        at = target
    return out


def limits_of(cycle: Cycle, *quantities: str) -> list[float]:
    """Values of the limits on some quantities."""
    return [x.value for x in cycle.limits if x.quantity in quantities]


def no_start(cycle: Cycle, subject: Subject | None) -> Iterator[Remark]:
    if not limits_of(cycle, "start_control", "start_work"):
        yield Remark(
            "no start temperature", "the cycle does not say how hot furnace and work may be at the start", "limits",
            "a load put into a hot furnace is heated faster than any ramp limit allows before the ramp begins",
        )  # fmt: skip


def no_ramp_limit(cycle: Cycle, subject: Subject | None) -> Iterator[Remark]:
    of = {"heat": ("heating_rate", "heating_rate_work"), "cool": ("cooling_rate", "cooling_rate_work")}
    for s in cycle.segments:
        if s.kind in of and s.rate_max_c_per_h is None:
            general = [x for x in cycle.limits if x.quantity in of[s.kind] and x.relation == "max"]
            if not any(x.segment in (None, s.number) for x in general):
                yield Remark(
                    "no ramp limit", f"{s.kind}ing without a fastest rate", f"segment {s.number}",
                    "uneven heating and cooling is what makes temperature differences, and these make movement",
                )  # fmt: skip


def asked_against_limit(cycle: Cycle, subject: Subject | None) -> Iterator[Remark]:
    for s in cycle.segments:
        asked = s.asked_rate_c_per_h
        least = [s.rate_min_c_per_h] + [
            x.value for x in cycle.limits if x.segment == s.number and x.relation == "min" and "ing_rate" in x.quantity
        ]
        if asked is None:
            continue
        if s.rate_max_c_per_h is not None and asked > s.rate_max_c_per_h:
            yield _contradiction(f"asks {asked:.0f} °C/h and allows {s.rate_max_c_per_h:.0f} °C/h at most", s.number)
        if any(x is not None and asked < x for x in least):
            yield _contradiction(f"asks {asked:.0f} °C/h, slower than it allows", s.number)


def hold_against_limits(cycle: Cycle, subject: Subject | None) -> Iterator[Remark]:
    over = limits_of(cycle, "over_temperature")
    for s in cycle.segments:
        if s.kind != "hold" or s.target_c is None:
            continue
        top = s.target_c + (s.band_high_c or 0.0)
        if over and top > min(over):
            yield _contradiction(
                f"its band reaches {top:.0f} °C, and the over-temperature limit is {min(over):.0f} °C", s.number
            )
        spreads = [x.value for x in cycle.limits if x.quantity == "spread" and x.phase == "hold" and x.scope == "load"]
        if spreads and s.band_low_c is not None and s.band_high_c is not None:
            width = s.band_low_c + s.band_high_c
            if min(spreads) > width:
                yield _contradiction(
                    f"a spread of {min(spreads):.0f} °C is allowed during holds, but the band is {width:.0f} °C wide",
                    s.number,
                )


def direction(cycle: Cycle, subject: Subject | None) -> Iterator[Remark]:
    for stage in stages(cycle):
        if stage.from_c is None or stage.to_c is None or stage.segment.target_c is None:
            continue
        rises = stage.to_c > stage.from_c
        kind = stage.segment.kind
        if (kind == "heat" and not rises) or (kind == "cool" and rises):
            yield _contradiction(
                f"a {kind} that goes from {stage.from_c:.0f} to {stage.to_c:.0f} °C", stage.segment.number
            )


def door_above_backfill(cycle: Cycle, subject: Subject | None) -> Iterator[Remark]:
    doors = [x.value for x in cycle.limits if x.event == "door opened" and x.relation == "max"]
    fills = [x.value for x in cycle.limits if x.event == "gas backfill" and x.relation == "max"]
    if doors and fills and min(doors) > max(fills):
        yield Remark(
            "contradiction", f"the door may open at {min(doors):.0f} °C, gas may be let in only at {max(fills):.0f} °C",
            "limits", "one of the two limits can never bind",
        )  # fmt: skip


def _contradiction(what: str, segment: int) -> Remark:
    why = "a run that does as it is asked would break the cycle, or the limit can never bind"
    return Remark("contradiction", what, f"segment {segment}", why)


def no_band(cycle: Cycle, subject: Subject | None) -> Iterator[Remark]:
    for s in cycle.segments:
        if s.kind == "hold" and (s.band_low_c is None or s.band_high_c is None):
            yield Remark(
                "no band", "the hold does not state both edges of its band", f"segment {s.number}",
                "without both edges nobody can say when the soak began or whether it was left",
            )  # fmt: skip


def no_low_hold(cycle: Cycle, subject: Subject | None) -> Iterator[Remark]:
    if cycle.main_hold is None:
        return
    main, target_c = cycle.main_hold
    early = [
        s for s in cycle.segments
        if s.kind == "hold" and s.number < main.number and s.target_c is not None and s.target_c < target_c
    ]  # fmt: skip
    if not early:
        yield Remark(
            "no low hold", "no early hold to see that the thermocouples track", f"before segment {main.number}",
            "a thermocouple that is loose or crossed can still be put right, and the run stopped, while it is cool",
        )  # fmt: skip


def no_event_limits(cycle: Cycle, subject: Subject | None) -> Iterator[Remark]:
    events = {x.event for x in cycle.limits if x.quantity == "event_work"}
    vacuum = any("vacuum" in stage.atmosphere for stage in stages(cycle))
    if vacuum and "gas backfill" not in events:
        yield Remark(
            "no backfill temperature", "the cycle does not say how cool the work must be when gas is let in", "limits",
            "gas quenches the thin sections first; hot metal also reacts with what the gas carries",
        )  # fmt: skip
    if not events & {"door opened", "thermocouples unplugged"}:
        yield Remark(
            "no door temperature", "the cycle does not say how cool the work must be when the door opens", "limits",
            "thin sections cool first in the draught, the surface takes colour, and hot parts burn people",
        )  # fmt: skip


def never_binds(cycle: Cycle, subject: Subject | None) -> Iterator[Remark]:
    """Rate limits whose temperature range a segment never enters, such as may_slow_below above where it starts."""
    for stage in stages(cycle):
        s = stage.segment
        if s.kind == "hold" or stage.from_c is None or stage.to_c is None:
            continue
        low, high = sorted((stage.from_c, stage.to_c))
        stated = [(x.relation, x.above_c, x.below_c) for x in cycle.limits
                  if x.segment == s.number and "ing_rate" in x.quantity]  # fmt: skip
        own = (("max", s.rate_max_c_per_h), ("min", s.rate_min_c_per_h))
        stated += [(relation, s.rate_above_c, s.rate_below_c) for relation, value in own if value]  # type: ignore[misc]
        for relation, above, below in stated:
            side = f"above {above:.0f} °C" if above is not None and above >= high else ""
            side = side or (f"below {below:.0f} °C" if below is not None and below <= low else "")
            if side:
                yield Remark(
                    "limit never binds",
                    f"the {'fastest' if relation == 'max' else 'slowest'} rate binds only {side}; the segment goes from"
                    f" {stage.from_c:.0f} to {stage.to_c:.0f} °C",
                    stage.where, "a run of any rate keeps such a limit: it looks like a demand and is none",
                )  # fmt: skip


def _both(temperature_c: float) -> str:
    """A temperature that concerns people, in both units."""
    return f"{temperature_c:.0f} °C ({units.f_from_c(temperature_c):.0f} °F)"


def door_burns(cycle: Cycle, subject: Subject | None) -> Iterator[Remark]:
    for limit in cycle.limits:
        if limit.event in ("door opened", "thermocouples unplugged") and limit.value >= BURNS_C:
            yield Remark(
                "door temperature burns", f"'{limit.event}' is allowed with the work at {_both(limit.value)}", "limits",
                f"bare metal burns the hand from about {_both(BURNS_C)} on, within seconds, and the hottest work TC is"
                " not the hottest point of the load: gloves, a marked area, or a lower limit",
                "common practice (contact burn thresholds as in ISO 13732-1)",
            )  # fmt: skip


def no_spread_or_lead(cycle: Cycle, subject: Subject | None) -> Iterator[Remark]:
    if not limits_of(cycle, "spread"):
        yield Remark(
            "no spread limit", "nothing limits how far apart the work TCs may be", "limits",
            "temperature differences within the load and within a piece are what moves it",
        )  # fmt: skip
    if not limits_of(cycle, "lead"):
        yield Remark(
            "no lead limit", "nothing limits how far the furnace may be ahead of the work", "limits",
            "in vacuum, where radiation is weak when cold, the furnace can be hundreds of degrees ahead",
        )  # fmt: skip


def no_evidence_limits(cycle: Cycle, subject: Subject | None) -> Iterator[Remark]:
    if not limits_of(cycle, "work_tcs"):
        yield Remark(
            "no fewest work TCs", "the cycle does not say how many work TCs must be valid", "limits",
            "with one left, every spread is small",
        )  # fmt: skip
    if not limits_of(cycle, "gap"):
        yield Remark(
            "no longest gap", "the cycle does not say how long the recorder may be silent", "limits",
            "what was not recorded cannot be judged; without a limit 15 min is used",
        )  # fmt: skip


def vacuum_pressure(cycle: Cycle, subject: Subject | None) -> Iterator[Remark]:
    stated = limits_of(cycle, "pressure") or any(s.pressure_max_mbar is not None for s in cycle.segments)
    if any("vacuum" in stage.atmosphere for stage in stages(cycle)) and not stated:
        yield Remark(
            "no pressure limit", "a vacuum cycle without a highest pressure", "limits",
            "a leak or wet load shows in the pressure before it shows on the parts",
        )  # fmt: skip


CYCLE_CHECKS = (
    no_start, no_ramp_limit, asked_against_limit, hold_against_limits, direction, door_above_backfill, no_band,
    no_low_hold, no_event_limits, no_spread_or_lead, no_evidence_limits, vacuum_pressure, never_binds, door_burns,
)  # fmt: skip


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
    if cycle.main_hold is None:
        yield Remark("no hold", "the cycle has no hold with a temperature", "segments",
                     "nothing can be said of what it does to the material", COMMON)  # fmt: skip


PART_CHECKS = (
    above_tempering, above_ac1, above_max_soak, sensitising, embrittling, aluminium, plated, titanium, reactive,
    volatile, soak_by_section, no_main_hold_target,
)  # fmt: skip


MARGIN_C = 30.0  # least distance of a hold below the last tempering temperature; the shop's own setting


def band_of_furnace(cycle: Cycle, furnace: str, uniformity_c: float) -> Iterator[Remark]:
    """Holds whose band is narrower than the class that the furnace is surveyed to."""
    for s in cycle.segments:
        widths = [w for w in (s.band_low_c, s.band_high_c) if w is not None]
        if s.kind == "hold" and widths and min(widths) < uniformity_c:
            yield Remark(
                "band narrower than the furnace",
                f"the band is ±{min(widths):.0f} °C; {furnace} is surveyed to ±{uniformity_c:.0f} °C",
                f"segment {s.number}", "some place of its working zone may leave the band with no TC there",
                "the furnace's record",
            )  # fmt: skip


def review(
    cycle: Cycle, subjects: Sequence[Subject] = (), margin_c: float = MARGIN_C,
    furnaces: Sequence[tuple[str, float]] = (),
) -> list[Remark]:  # fmt: skip
    """Remarks on a cycle, and on what it would do to each part it is reviewed for.

    margin_c  difference [°C] that a hold must stay below the last tempering (and below Ac1)
    furnaces  (name, class as plus or minus °C difference) of those it may run in
    Returns   remarks in the order of the checks; a remark said of several parts is said once, naming them
    """
    found: list[Remark] = []
    for check in CYCLE_CHECKS:
        found.extend(check(cycle, None))
    for furnace, uniformity_c in furnaces:
        found.extend(band_of_furnace(cycle, furnace, uniformity_c))
    for subject in subjects:
        for about in PART_CHECKS:
            for remark in about(cycle, subject, margin_c):
                where = (
                    remark.where
                    if len(subjects) == 1 or subject.part in remark.where
                    else f"{remark.where}, {subject.part}"
                )
                found.append(Remark(remark.name, remark.remark, where, remark.why, remark.source))
    return list(dict.fromkeys(found))
