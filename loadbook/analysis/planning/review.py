"""Reading a cycle like a careful metallurgist: a list of small checks, each remark with its reason and source.

First come remarks on a cycle as written: what it does not say, and where it contradicts itself. Then those for one
part: what the cycle would do to its material, its surface and its history.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from loadbook.analysis.clauses.limits import resolve
from loadbook.analysis.clauses.recorded import gases_in
from loadbook.analysis.clauses.timed import SOAK_START
from loadbook.analysis.trace.model import Cycle, Limit, PieceRecord, Segment
from loadbook.analysis.trace.route import ages, begins_anew, heats_again
from loadbook.core.remarks import Remark, remark

BURNS_C = 60.0  # bare metal at this temperature burns skin within seconds


@dataclass(frozen=True)
class Found:
    """One thing to say of a cycle: its code and figures, and where in the cycle it is."""

    said: Remark
    where: str


def _found(code: str, where: str, **figures: Any) -> Found:
    return Found(remark(code, **figures), where)


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

    def marked(self, pattern: str) -> list[str]:
        """Conditions and operations that hold a word which begins like this."""
        return [t for t in (*self.conditions, *self.operations) if re.search(rf"\b(?:{pattern})", t.casefold())]


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
    def hottest_c(self) -> float | None:
        """The hottest that it is at: a cool where it begins."""
        return max((c for c in (self.from_c, self.to_c) if c is not None), default=None)


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


def no_start(cycle: Cycle, subject: Subject | None) -> Iterator[Found]:
    if not limits_of(cycle, "start_control", "start_work"):
        yield _found("no_start", "limits")


def no_ramp_limit(cycle: Cycle, subject: Subject | None) -> Iterator[Found]:
    """A ramp that nothing holds back; a quench that nothing holds to be quick."""
    for s in cycle.segments:
        if s.kind == "hold":
            continue
        stated = {x.relation for x in _rate_limits(cycle, s)}
        stated |= {"max"} if s.rate_max_c_per_h is not None else set()
        stated |= {"min"} if s.rate_min_c_per_h is not None else set()
        if not quenches(cycle, s):
            if "max" not in stated:
                yield _found("no_ramp_limit", f"segment {s.number}", kind=s.kind)
        elif not stated:
            yield _found("no_quench_rate", f"segment {s.number}")
    if ends_with_hold(cycle) and not begins_anew(cycle.process) and not limits_of(cycle, *_rates("cool")):
        yield _found("no_ramp_limit", f"behind segment {cycle.segments[-1].number}", kind="cool")


def ends_with_hold(cycle: Cycle) -> bool:
    """Does the program end hot: with the way into a bath, or with a cooling that it says nothing of?"""
    return bool(cycle.segments) and cycle.segments[-1].kind == "hold"


def quenches(cycle: Cycle, s: Segment) -> bool:
    """Is this segment the quench of a cycle that hardens or dissolves: the cooling behind its main hold?"""
    words = f"{cycle.process} {cycle.title}".casefold()
    hot = cycle.main_hold
    behind = hot is not None and s.number > hot[0].number and s.kind == "cool"
    return behind and begins_anew(cycle.process) and any(w in words for w in QUENCHED)


def asked_against_limit(cycle: Cycle, subject: Subject | None) -> Iterator[Found]:
    for stage in stages(cycle):
        s = stage.segment
        own = [("max", s.rate_max_c_per_h, s.rate_above_c, s.rate_below_c),
               ("min", s.rate_min_c_per_h, s.rate_above_c, s.rate_below_c)]  # fmt: skip
        stated = [(x.relation, x.value, x.above_c, x.below_c) for x in _rate_limits(cycle, s) if x.rule is None]
        yield from _asked_rate(stage, [*own, *stated])


def _rate_limits(cycle: Cycle, s: Segment) -> list[Limit]:
    """Limits on the rate of one segment beside its own."""
    return [x for x in cycle.limits if x.quantity in _rates(s.kind) and x.segment in (None, s.number)]


def _rates(kind: str) -> tuple[str, str]:
    return f"{kind}ing_rate", f"{kind}ing_rate_work"


def _asked_rate(
    stage: Stage, limits: Sequence[tuple[str, float | None, float | None, float | None]]
) -> Iterator[Found]:  # fmt: skip
    """What a segment asks against limits (relation, value, above, below) that bind somewhere on its way."""
    asked = stage.segment.asked_rate_c_per_h
    if asked is None or stage.from_c is None or stage.to_c is None:
        return
    low, high = sorted((stage.from_c, stage.to_c))
    binding = [
        (relation, value)
        for relation, value, above, below in limits
        if value is not None and (above is None or above < high) and (below is None or below > low)
    ]
    most = min((v for relation, v in binding if relation == "max"), default=None)
    least = max((v for relation, v in binding if relation == "min"), default=None)
    if most is not None and asked > most:
        yield _found("asks_above_limit", stage.where, asked_c_per_h=asked, most_c_per_h=most)
    if least is not None and asked < least:
        yield _found("asks_below_limit", stage.where, asked_c_per_h=asked)


def hold_against_limits(cycle: Cycle, subject: Subject | None) -> Iterator[Found]:
    over = limits_of(cycle, "over_temperature")
    asked = [s for s in cycle.segments if over and s.target_c is not None and s.target_c > min(over)]
    for s in asked:
        if s.number - 1 not in [x.number for x in asked if x.target_c == s.target_c]:  # its ramp said so
            yield _found("target_over_limit", f"segment {s.number}", target_c=s.target_c, limit_c=min(over))
    for s in cycle.segments:
        if s.kind != "hold" or s.target_c is None:
            continue
        top = s.target_c + (s.band_high_c or 0.0)
        if over and s.target_c <= min(over) < top:
            yield _found("band_over_limit", f"segment {s.number}", top_c=top, limit_c=min(over))
        spreads = [
            x.value
            for x in cycle.limits  # before the soak's start work is below the band, and it may well bind
            if x.quantity == "spread" and x.event == SOAK_START and x.scope == "load"
        ]
        if spreads and s.band_low_c is not None and s.band_high_c is not None:
            width = s.band_low_c + s.band_high_c
            if min(spreads) > width:
                yield _found("spread_over_band", f"segment {s.number}", spread_c_diff=min(spreads), band_c_diff=width)


def direction(cycle: Cycle, subject: Subject | None) -> Iterator[Found]:
    for stage in stages(cycle):
        if stage.from_c is None or stage.to_c is None or stage.segment.target_c is None:
            continue
        rises = stage.to_c > stage.from_c
        kind = stage.segment.kind
        if (kind == "heat" and not rises) or (kind == "cool" and rises):
            yield _found("wrong_direction", stage.where, kind=kind, from_c=stage.from_c, to_c=stage.to_c)


def hold_elsewhere(cycle: Cycle, subject: Subject | None) -> Iterator[Found]:
    """A hold at another temperature than the segment before it goes to: the way between has no segment of its own."""
    before: Segment | None = None
    for s in cycle.segments:
        if s.kind == "hold" and before is not None and before.target_c is not None and s.target_c is not None:
            edge = s.band_high_c if before.target_c > s.target_c else s.band_low_c
            if abs(before.target_c - s.target_c) > (edge or 0.0) + 1e-6:
                yield _found("hold_elsewhere", f"segment {s.number}", hold_c=s.target_c, kind=before.kind,
                             to_c=before.target_c)  # fmt: skip
        before = s


def door_above_backfill(cycle: Cycle, subject: Subject | None) -> Iterator[Found]:
    doors = [x.value for x in cycle.limits if x.event == "door opened" and x.relation == "max"]
    fills = [x.value for x in cycle.limits if x.event == "gas backfill" and x.relation == "max"]
    if doors and fills and min(doors) > max(fills):
        yield _found("door_over_backfill", "limits", door_c=min(doors), backfill_c=max(fills))


def no_band(cycle: Cycle, subject: Subject | None) -> Iterator[Found]:
    for s in cycle.segments:
        if s.kind == "hold" and (s.band_low_c is None or s.band_high_c is None):
            yield _found("band_not_stated", f"segment {s.number}")


def no_soak_time(cycle: Cycle, subject: Subject | None) -> Iterator[Found]:
    for s in cycle.segments:
        stated = {"soak", "time_in_range"} & {x.quantity for x in cycle.limits if x.segment in (None, s.number)}
        if s.kind == "hold" and s.minutes is None and not stated:
            yield _found("no_soak_time", f"segment {s.number}")


def no_low_hold(cycle: Cycle, subject: Subject | None) -> Iterator[Found]:
    if cycle.main_hold is None:
        return
    main, target_c = cycle.main_hold
    early = [
        s for s in cycle.segments
        if s.kind == "hold" and s.number < main.number and s.target_c is not None and s.target_c < target_c
    ]  # fmt: skip
    if not early:
        yield _found("no_low_hold", f"before segment {main.number}")


def no_event_limits(cycle: Cycle, subject: Subject | None) -> Iterator[Found]:
    events = {x.event for x in cycle.limits if x.quantity == "event_work"}
    vacuum = any("vacuum" in stage.atmosphere for stage in stages(cycle))
    if vacuum and "gas backfill" not in events:
        yield _found("no_backfill_limit", "limits")
    into_bath = begins_anew(cycle.process) and ends_with_hold(cycle)
    if not events & {"door opened", "thermocouples unplugged"} and not into_bath:
        yield _found("no_door_limit", "limits")


def never_binds(cycle: Cycle, subject: Subject | None) -> Iterator[Found]:
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
            over = above is not None and above >= high
            if over or (below is not None and below <= low):
                yield _found(
                    "never_binds",
                    stage.where,
                    relation=relation,
                    above_c=above if over else None,
                    below_c=None if over else below,
                    from_c=stage.from_c,
                    to_c=stage.to_c,
                )


def door_burns(cycle: Cycle, subject: Subject | None) -> Iterator[Found]:
    for limit in cycle.limits:
        if limit.event in ("door opened", "thermocouples unplugged") and limit.value >= BURNS_C:
            yield _found("door_burns", "limits", event=limit.event, at_c=limit.value, burns_c=BURNS_C)


def no_spread_or_lead(cycle: Cycle, subject: Subject | None) -> Iterator[Found]:
    if not limits_of(cycle, "spread"):
        yield _found("no_spread_limit", "limits")
    if not limits_of(cycle, "lead"):
        yield _found("no_lead_limit", "limits")


def no_evidence_limits(cycle: Cycle, subject: Subject | None) -> Iterator[Found]:
    if not limits_of(cycle, "work_tcs"):
        yield _found("no_work_tcs_limit", "limits")
    if not limits_of(cycle, "gap"):
        yield _found("no_gap_limit", "limits")


def vacuum_pressure(cycle: Cycle, subject: Subject | None) -> Iterator[Found]:
    stated = limits_of(cycle, "pressure") or any(s.pressure_max_mbar is not None for s in cycle.segments)
    if any("vacuum" in stage.atmosphere for stage in stages(cycle)) and not stated:
        yield _found("no_pressure_limit", "limits")


CYCLE_CHECKS = (
    no_start, no_ramp_limit, asked_against_limit, hold_against_limits, direction, hold_elsewhere,
    door_above_backfill, no_band,
    no_soak_time, no_low_hold, no_event_limits, no_spread_or_lead, no_evidence_limits, vacuum_pressure,
    never_binds, door_burns,
)  # fmt: skip


ANDREWS = "Andrews, JISI 203 (1965) 721-727"
SENSITISING_C = (425.0, 815.0)
EMBRITTLING_C = (375.0, 575.0)
SLOW_THROUGH_H = 2.0  # longer than this in the range counts as slow
LOWEST_AC1_C = 600.0  # of common steels: those with much nickel (common practice)
ALUMINIUM_LOST_C = 120.0
TITANIUM_AIR_C = 540.0
# °C above which the metal leaves in a hard vacuum (common practice)
VOLATILE = {"cadmium": 200.0, "zinc": 250.0, "brass": 400.0, "magnesium": 350.0, "lead": 550.0, "manganese": 900.0,
            "chromium": 980.0}  # fmt: skip
CHLORINE = r"\w*chlor|degreas"
COATED = r"(?:electro)?plat(?:ed|ing)\b|electroless|galvan|cadmium|zinc|braz|silver|solder|chrom(?:e|ed|ing)\b"
TAKEN_UP = {"nitrogen", "hydrogen", "ammonia", "endothermic gas", "exothermic gas", "carbon dioxide", "steam"}
QUENCHED = ("harden", "quench", "solution", "oil", "carburi")


# mass % up to which the formula is taken: its steels were low-alloyed (about 5 % of Cr and Ni at most; from memory)
FITTED = {"mn": 2.0, "si": 2.0, "ni": 5.0, "cr": 5.5, "w": 5.0}


def ac1_c(pct: dict[str, float]) -> float | None:
    """Start of austenite on heating, from the composition: Andrews' formula; None without carbon, Mn and Si, and for
    steels with more of something than those it was fitted to.

    >>> ac1_c({"c": 0.40, "mn": 0.85, "si": 0.25, "cr": 0.95, "mo": 0.20})
    737.235
    """
    if (
        "c" not in pct
        or "mn" not in pct
        or "si" not in pct
        or any(pct.get(e, 0.0) > most for e, most in FITTED.items())
    ):
        return None
    factor = {"mn": -10.7, "ni": -16.9, "si": 29.1, "cr": 16.9, "as": 290.0, "w": 6.38}
    return round(723.0 + sum(k * pct.get(e, 0.0) for e, k in factor.items()), 6)


def hottest(cycle: Cycle) -> tuple[float, str] | None:
    """The hottest that a hold's band, or a segment's target, reaches, and where."""
    tops = [
        (s.target_c + ((s.band_high_c or 0.0) if s.kind == "hold" else 0.0), f"segment {s.number}")
        for s in cycle.segments
        if s.target_c is not None
    ]
    return max(tops, default=None)


def above_tempering(cycle: Cycle, p: Subject, margin_c: float) -> Iterator[Found]:
    top = hottest(cycle)
    if top is None or p.tempered_at_c is None or heats_again(cycle.process):
        return
    if top[0] > p.tempered_at_c - margin_c:
        yield _found(
            "above_tempering",
            top[1],
            top_c=top[0],
            part=p.part,
            tempered_c=p.tempered_at_c,
            margin_c_diff=margin_c,
            low_c_diff=14.0,
            high_c_diff=30.0,  # margins in use
        )


def above_ac1(cycle: Cycle, p: Subject, margin_c: float) -> Iterator[Found]:
    top = hottest(cycle)
    if top is None or begins_anew(cycle.process):
        return
    transforms = p.is_of("steel") and not p.austenitic
    known, source = p.ac1_c, "the material's record"
    if known is None and transforms:
        known, source = ac1_c(dict(p.pct)), ANDREWS
    if known is not None and top[0] > known - margin_c:
        yield _found("above_ac1", top[1], top_c=top[0], austenite_c=known, source=source)
    if known is None and transforms and top[0] > LOWEST_AC1_C - margin_c:
        yield _found("ac1_unknown", top[1], top_c=top[0], material=p.material)


def above_max_soak(cycle: Cycle, p: Subject, margin_c: float) -> Iterator[Found]:
    top = hottest(cycle)
    binds = hottest_hold_binds(p.family, cycle.process)
    if top is not None and p.max_soak_c is not None and top[0] > p.max_soak_c and binds:
        yield _found("above_max_soak", top[1], top_c=top[0], material=p.material, most_c=p.max_soak_c)


def hottest_hold_binds(family: str, process: str) -> bool:
    """A steel's hottest harmless hold is one below its transformation: what transforms it is not held to it."""
    return not ("steel" in family.casefold() and begins_anew(process))


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
    return inside / s.pace_c_per_h if s.pace_c_per_h else None


def slow_through(cycle: Cycle, low_c: float, high_c: float, kinds: Sequence[str]) -> Iterator[tuple[float, str]]:
    """Each slow stay between two temperatures: its hours, and the segments of these kinds that make it."""
    hours, of = 0.0, list[int]()
    for stage in stages(cycle):
        own = hours_inside(stage, low_c, high_c) if stage.segment.kind in kinds else None
        if own:
            hours, of = hours + own, [*of, stage.segment.number]
        leaves = stage.to_c is None or not low_c <= stage.to_c <= high_c or stage.segment is cycle.segments[-1]
        if leaves and hours > SLOW_THROUGH_H:
            yield hours, f"segment {of[0]}" if len(of) == 1 else f"segments {of[0]} to {of[-1]}"
        if leaves:
            hours, of = 0.0, []


def sensitising(cycle: Cycle, p: Subject, margin_c: float) -> Iterator[Found]:
    if not p.austenitic or (p.share("c") is not None and (p.share("c") or 0.0) <= 0.03):
        return
    for hours, where in slow_through(cycle, *SENSITISING_C, ("heat", "hold", "cool")):
        yield _found("sensitising", where, inside_h=hours, low_c=SENSITISING_C[0], high_c=SENSITISING_C[1])


def embrittling(cycle: Cycle, p: Subject, margin_c: float) -> Iterator[Found]:
    if not p.is_of("low-alloy", "alloy steel") or (p.share("mo") or 0.0) >= 0.15:
        return
    for hours, where in slow_through(cycle, *EMBRITTLING_C, ("hold", "cool")):
        yield _found("embrittling", where, inside_h=hours, low_c=EMBRITTLING_C[0], high_c=EMBRITTLING_C[1])


def aluminium(cycle: Cycle, p: Subject, margin_c: float) -> Iterator[Found]:
    top = hottest(cycle)
    meant = ages(cycle.process) or begins_anew(cycle.process)
    if top and p.is_of("alumin") and top[0] > ALUMINIUM_LOST_C and not meant:
        yield _found("aluminium", top[1], top_c=top[0])


def plated(cycle: Cycle, p: Subject, margin_c: float) -> Iterator[Found]:
    found = p.marked(COATED)
    if found:
        top = hottest(cycle)
        yield _found(
            "plated", "the part", part=p.part, recorded=list(dict.fromkeys(found)), top_c=top[0] if top else None
        )


def titanium(cycle: Cycle, p: Subject, margin_c: float) -> Iterator[Found]:
    if not p.is_of("titan"):
        return
    for stage in stages(cycle):
        gases = gases_in(stage.atmosphere)
        if gases & TAKEN_UP:
            yield _found("titanium_gas", stage.where, atmosphere=stage.atmosphere)
        elif "air" in gases and (stage.hottest_c or 0.0) > TITANIUM_AIR_C:
            yield _found("titanium_air", stage.where, at_c=stage.hottest_c)
    inert = any("argon" in stage.atmosphere or "helium" in stage.atmosphere for stage in stages(cycle))
    if inert and not any(x.quantity == "dew_point" for x in cycle.limits):
        yield _found("no_dew_point_limit", "limits", dew_c=-54.0)
    residue = p.marked(CHLORINE)
    if residue:
        yield _found("chlorine", "the part", part=p.part, recorded=residue)


def reactive(cycle: Cycle, p: Subject, margin_c: float) -> Iterator[Found]:
    if not p.reactive or p.is_of("titan"):
        return
    for stage in stages(cycle):
        if not any(w in stage.atmosphere for w in ("vacuum", "argon", "helium")):
            yield _found("reacts", stage.where, atmosphere=stage.atmosphere, material=p.material)


def volatile(cycle: Cycle, p: Subject, margin_c: float) -> Iterator[Found]:
    top = max((s.hottest_c or 0.0 for s in stages(cycle) if "vacuum" in s.atmosphere), default=None)
    if top is None:
        return
    words = " ".join((p.family, p.material, *p.conditions, *p.operations)).casefold()
    for metal, at_c in VOLATILE.items():
        if top > at_c and re.search(rf"\b{metal}(ed)?\b", words):
            yield _found("volatile_in_vacuum", "the part", metal=metal, at_c=top)


def soak_by_section(cycle: Cycle, p: Subject, margin_c: float) -> Iterator[Found]:
    piece = PieceRecord(p.part, "", p.section_thick_mm, p.section_thin_mm)
    for limit in cycle.limits:
        if limit.quantity != "soak" or limit.rule is None:
            continue
        needed = resolve(limit, [piece])
        segment = next((s for s in cycle.segments if s.number == limit.segment), None)
        if needed.value is None:
            yield _found("soak_by_section", f"segment {limit.segment}", part=p.part)
        elif segment is not None and (segment.minutes or 0.0) < needed.value:
            yield _found(
                "soak_short", f"segment {limit.segment}", asked_min=segment.minutes or 0.0, needed_min=needed.value
            )


def rate_by_section(cycle: Cycle, p: Subject, margin_c: float) -> Iterator[Found]:
    piece = PieceRecord(p.part, "", p.section_thick_mm, p.section_thin_mm)
    for stage in stages(cycle):
        rules = [x for x in _rate_limits(cycle, stage.segment) if x.rule is not None]
        yield from _asked_rate(stage, [(x.relation, resolve(x, [piece]).value, x.above_c, x.below_c) for x in rules])


def no_main_hold_target(cycle: Cycle, p: Subject, margin_c: float) -> Iterator[Found]:
    if cycle.main_hold is None:
        yield _found("no_hold", "segments")


PART_CHECKS = (
    above_tempering, above_ac1, above_max_soak, sensitising, embrittling, aluminium, plated, titanium, reactive,
    volatile, soak_by_section, rate_by_section, no_main_hold_target,
)  # fmt: skip


MARGIN_C = 30.0  # least distance of a hold below the last tempering temperature; the shop's own setting


def band_of_furnace(cycle: Cycle, furnace: str, uniformity_c: float) -> Iterator[Found]:
    """Holds whose band is narrower than the class that the furnace is surveyed to."""
    for s in cycle.segments:
        widths = [w for w in (s.band_low_c, s.band_high_c) if w is not None]
        if s.kind == "hold" and widths and min(widths) < uniformity_c:
            yield _found(
                "band_of_furnace",
                f"segment {s.number}",
                band_c_diff=min(widths),
                furnace=furnace,
                class_c_diff=uniformity_c,
            )


ALWAYS = ("asks_above_limit", "asks_below_limit", "soak_short")  # breaks of a limit, whoever asks
OF_ITS_OWN = (
    "band_over_limit",
    "target_over_limit",
    "above_max_soak",
)  # breaks where the present cycle is not remarked on for the same


def broken(found: Sequence[Found], present: Sequence[Found] = ()) -> list[Found]:
    """Of the remarks on a cycle, those that say that it breaks a limit entered in the book.

    present  remarks on the cycle that it would replace, which people know
    """
    known = {(one.said.code, one.where) for one in present}
    return [
        one
        for one in found
        if one.said.code in ALWAYS or (one.said.code in OF_ITS_OWN and (one.said.code, one.where) not in known)
    ]


def review(
    cycle: Cycle, subjects: Sequence[Subject] = (), margin_c: float = MARGIN_C,
    furnaces: Sequence[tuple[str, float]] = (),
) -> list[Found]:  # fmt: skip
    """Remarks on a cycle, and on what it would do to each part it is reviewed for.

    margin_c  difference [°C] that a hold must stay below the last tempering (and below Ac1)
    furnaces  (name, class as plus or minus °C difference) of those it may run in
    Returns   remarks in the order of the checks; a remark said of several parts is said once, naming them
    """
    found: list[Found] = []
    for check in CYCLE_CHECKS:
        found.extend(check(cycle, None))
    for furnace, uniformity_c in furnaces:
        found.extend(band_of_furnace(cycle, furnace, uniformity_c))
    for subject in subjects:
        for about in PART_CHECKS:
            for one in about(cycle, subject, margin_c):
                named = len(subjects) == 1 or subject.part in one.where
                found.append(one if named else Found(one.said, f"{one.where}, {subject.part}"))
    return [one for i, one in enumerate(found) if one not in found[:i]]
