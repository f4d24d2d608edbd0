"""The checks of mechanism for one plan: each says whether a thing acts, with its figures and sources, as coded remarks.

Their words are made at the edge (`queries/mechanism_words.py`). A check whose values nobody published says what is
missing instead of a figure. All take the integrated plan, so that transients, the film and both sections are in them.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field

from loadbook.analysis.trace.route import ages
from loadbook.core.remarks import Remark, remark

from . import growth, relief, sag, surface
from .metal import ONSET, TRANSFORMS, Metal
from .tables import Source

SECTION, PAIR, RELIEF, SAG, SIZE, SCALE, VACUUM = (
    "section stress", "thick and thin", "stress relief", "sag", "size change", "scale", "vacuum",
)  # fmt: skip

SOFT_MPA = 50.0  # no part that is worth a furnace yields below this at 20 °C (common practice)


@dataclass(frozen=True)
class Step:
    """One step of a planned course: its segment, hours, and temperatures [°C] at its end. thin_c: mean of the thin
    section; gas: what the furnace holds, in lower case; pressure_mbar: the highest that the cycle allows there."""

    segment: int
    kind: str
    hours: float
    furnace_c: float
    surface_c: float
    middle_c: float
    mean_c: float
    thin_c: float | None = None
    gas: str = ""
    pressure_mbar: float | None = None


@dataclass(frozen=True)
class Part:
    """What the checks need of a part. Lengths mm; None where not recorded.

    form       'bar', 'plate', 'ring' or '' (none of these: no sag is told)
    thin_mm    the thinnest section, which sags most;  outside_mm  a ring's diameter;  high_mm  its height lying flat
    pct        composition, mass % by element symbol;  words  names and conditions, in lower case
    """

    form: str
    length_mm: float | None
    thick_mm: float | None
    thin_mm: float | None
    density_kg_m3: float | None
    outside_mm: float | None = None
    high_mm: float | None = None
    pct: tuple[tuple[str, float], ...] = ()
    words: str = ""


@dataclass(frozen=True)
class Check:
    """One check. acts: whether the mechanism does something here; None where that cannot be told."""

    mechanism: str
    acts: bool | None
    said: Remark
    sources: tuple[Source, ...] = field(default=())


@dataclass(frozen=True)
class Limit:
    """What stays elastic at one temperature: where yielding begins [MPa], and the largest lag of the middle behind the
    surface, spread between thick and thin section, and lead of the furnace over the thick one's middle [°C difference].
    With no yield stated onset_mpa is that of a metal of 100 MPa at 20 °C (per_100: True): all figures go with it."""

    at_c: float
    onset_mpa: float
    lag_c: float
    spread_c: float
    lead_c: float | None
    per_100: bool


def elastic_limits(
    metal: Metal, power: float, at_c: Sequence[float], lead_over_lag: Sequence[float],
    lead_over_spread: Sequence[float] | None = None,
) -> list[Limit]:  # fmt: skip
    """The largest differences that stay elastic, for each temperature at which the metal's values are known.

    power             0 slab, 1 cylinder, 2 sphere, between for a bar (`Body.power`)
    lead_over_lag     furnace lead over section lag, settled, at each temperature; lead_over_spread the same with the
                      spread of thick and thin section, where there is a thin one: it binds first
    """
    found = []
    for i, t in enumerate(at_c):
        factor, line = metal.factor(t), metal.line_factor(t)
        onset, share = metal.onset_mpa(t), metal.onset_per_yield(t)
        per_100 = onset is None
        if onset is None and share is not None:
            onset = 100.0 * share
        if factor is None or line is None or onset is None:
            continue
        lag, spread = onset / factor * (power + 3.0) / 2.0, onset / line
        lead = lag * lead_over_lag[i] if lead_over_spread is None else spread * lead_over_spread[i]
        found.append(Limit(t, onset, lag, spread, lead, per_100))
    return found


@dataclass(frozen=True)
class Worst:
    """The moment of a course that is nearest to yielding. needs_mpa: the yield at 20 °C with which it stays elastic."""

    segment: int
    at_c: float
    ahead_c: float
    stress_mpa: float
    onset_mpa: float | None
    needs_mpa: float | None


def section_stress(steps: Sequence[Step], power: float, metal: Metal) -> Check:
    """The section's own lag against the onset of yielding, at the worst moment of the course."""
    moments = (
        (s, s.surface_c, s.surface_c - s.middle_c, metal.factor(s.surface_c), s.surface_c - s.mean_c) for s in steps
    )
    worst = _worst(metal, moments)
    factor = metal.factor(worst.at_c) if worst else None
    per_lag = factor * 2.0 / (power + 3.0) if factor else None
    return _stress_check(SECTION, "section", worst, per_lag, metal, _hottest(steps))


def pair_stress(steps: Sequence[Step], metal: Metal) -> Check | None:
    """Thin section against thick one: at most E a dT in the thin one, which the thick one holds wholly. None where the
    part has no thin section."""
    moments = [
        (
            s,
            max(s.thin_c, s.mean_c),
            s.thin_c - s.mean_c,
            metal.line_factor(max(s.thin_c, s.mean_c)),
            s.thin_c - s.mean_c,
        )
        for s in steps
        if s.thin_c is not None
    ]
    if not moments:
        return None
    worst = _worst(metal, moments)
    per_c = metal.line_factor(worst.at_c) if worst else None
    return _stress_check(PAIR, "pair", worst, per_c, metal, _hottest(steps))


def _hottest(steps: Sequence[Step]) -> float:
    return max((s.surface_c for s in steps), default=0.0)


def _worst(metal: Metal, moments: Iterable[tuple[Step, float, float, float | None, float]]) -> Worst | None:
    """Of (step, temperature, ahead, factor, difference) the moment nearest to yielding: by the onset where it is known,
    else by the yield at 20 °C that it would need, else by stress. None where no factor is known."""
    best: Worst | None = None
    most = -1.0
    for step, at_c, ahead_c, factor, difference_c in moments:
        if factor is None:
            continue
        stress = factor * abs(difference_c)
        onset, share = metal.onset_mpa(at_c), metal.onset_per_yield(at_c)
        needs = stress / share if share else None
        by = stress / onset if onset else (needs if needs is not None else stress)
        if by > most:
            most, best = by, Worst(step.segment, at_c, ahead_c, stress, onset, needs)
    return best


def _stress_check(
    mechanism: str, which: str, worst: Worst | None, per_c: float | None, metal: Metal, hottest_c: float
) -> Check:
    """per_c: stress for each °C that the surface, or the thin section, is ahead; hottest_c: of the course."""
    if worst is None:
        missing = _missing(metal)
        return Check(mechanism, None, remark("stress_unknown", which=which, metal=metal.name, missing=missing))
    onset = worst.onset_mpa
    code = (
        "stress_against_yield" if onset is None else "stress_yields" if worst.stress_mpa > onset else "stress_elastic"
    )
    said = remark(
        code, which=which, segment=worst.segment, at_c=worst.at_c, ahead_c_diff=abs(worst.ahead_c),
        behind=worst.ahead_c < 0.0, stress_mpa=worst.stress_mpa, onset_mpa=onset, needs_mpa=worst.needs_mpa,
        limit_c_diff=onset / per_c if onset is not None and per_c else None, basis=ONSET.get(metal.group, ""),
        stated=metal.onset is not None, cold=metal.cold, above_c=_not_above(metal, hottest_c),
    )  # fmt: skip
    acts = None if onset is None else worst.stress_mpa > onset
    if onset is None and worst.needs_mpa is not None and worst.needs_mpa < SOFT_MPA:
        acts = False
    return Check(mechanism, acts, said, metal.sources())


def _not_above(metal: Metal, hottest_c: float) -> float | None:
    """The temperature above which a course is not covered: the metal transforms there, or no value is published."""
    tops = [TRANSFORMS.get(metal.group, 1e9)]
    tops += [metal.strain[2]] if metal.strain else []
    tops += [metal.modulus.points[-1][0]] if metal.modulus and not metal.cold else []
    return min(tops) if hottest_c > min(tops) + 1.0 else None


def _missing(metal: Metal) -> list[str]:
    """What no table and no record says of a metal."""
    return [name for name, value in (("modulus", metal.modulus), ("expansion", metal.strain or metal.expansion_per_k))
            if value is None]  # fmt: skip


def relief_reached(steps: Sequence[Step], hold_c: float, metal: Metal) -> Iterator[Check]:
    """What the course does to residual stress: by heating alone, and by creep where a law is published."""
    share = metal.onset_per_yield(hold_c)
    cold, hot = metal.modulus_gpa(20.0), metal.modulus_gpa(hold_c)
    if share is not None and cold and hot and hold_c <= TRANSFORMS.get(metal.group, 1e9):
        left = relief.after_heating(1.0, share, hot / cold)
        yield Check(RELIEF, left < 0.99, remark("relief_by_heating", at_c=hold_c, left=left,
                                                basis=ONSET.get(metal.group, "")), metal.sources())  # fmt: skip
    if metal.group == "carbon steel" and relief.CREEP_LOW_C - 20.0 <= hold_c <= TRANSFORMS[metal.group]:
        middle = [(s.hours, s.middle_c) for s in steps]
        outside = [(s.hours, s.surface_c) for s in steps]
        left_mpa = [relief.relaxed_along(middle, start)[0] for start in (200.0, 400.0)]
        _, inside, beyond = relief.relaxed_along(middle)
        at_surface = relief.relaxed_along(outside, 200.0)[0]
        if inside > 0.0:
            yield Check(
                RELIEF, True,
                remark("relief_by_creep", left_low_mpa=left_mpa[0], left_high_mpa=left_mpa[1], from_low_mpa=200.0,
                       from_high_mpa=400.0, surface_mpa=at_surface, inside_h=inside, beyond_h=beyond,
                       low_c=relief.CREEP_LOW_C, high_c=relief.CREEP_HIGH_C), (relief.CREEP_SOURCE,),
            )  # fmt: skip
    if metal.group in ("grey iron", "ductile iron"):
        found = remark("relief_of_iron", iron=metal.group, at_c=hold_c, slow_below_c=538.0, nothing_c=316.0)
        yield Check(RELIEF, hold_c >= 538.0, found, (Source("DTIC AD0620556, abstract", "V"),))  # fmt: skip


def sags(part: Part, hold_c: float, metal: Metal, limit_mm: float | None = None) -> Check:
    """Sag under own weight at the hold, by how the piece is set."""
    modulus = None if metal.cold else metal.modulus_gpa(hold_c)
    depth = part.thin_mm or part.thick_mm
    missing = [name for name, value in (
        ("its longest dimension", part.length_mm), ("its section", depth), ("its density", part.density_kg_m3),
        (f"a modulus of {metal.name} at the hold", modulus),
    ) if value is None]  # fmt: skip
    if not part.form:
        return Check(SAG, None, remark("sag_unknown", missing=[]))
    if missing or modulus is None or depth is None or part.length_mm is None or part.density_kg_m3 is None:
        return Check(SAG, None, remark("sag_unknown", missing=missing))
    figures: dict[str, float | str | bool | None] = {"form": part.form, "at_c": hold_c, "depth_mm": depth,
                                                     "limit_mm": limit_mm}  # fmt: skip
    sources = (metal.modulus.source,) if metal.modulus else ()
    if part.form == "ring":
        outside = part.outside_mm or part.length_mm
        radius = 0.5 * (outside - depth)
        high = part.high_mm or depth
        figures |= {f"flat_{n}_mm": sag.flat_ring_mm(radius, depth, high, n, part.density_kg_m3, modulus)
                    for n in (3, 4, 6)}  # fmt: skip
        figures |= {"stood_mm": -sag.standing_ring_mm(radius, depth, part.density_kg_m3, modulus),
                    "outside_mm": outside, "wall_mm": depth, "high_mm": high}  # fmt: skip
        least = figures["flat_6_mm"]
    else:
        over = sag.weight_over_stiffness("round" if part.form == "bar" else "flat", depth, part.density_kg_m3, modulus)
        best = sag.best_span()
        figures |= {
            "length_mm": part.length_mm, "ends_mm": sag.beam_sag_mm(part.length_mm, over, sag.worst(1.0)),
            "quarter_mm": sag.beam_sag_mm(part.length_mm, over, sag.worst(0.5)),
            "best_mm": sag.beam_sag_mm(part.length_mm, over, sag.worst(best)), "best_span_mm": best * part.length_mm,
            "widest_mm": None if limit_mm is None else sag.widest_span_mm(part.length_mm, over, limit_mm),
            "slender": part.length_mm > 10.0 * depth,
        }  # fmt: skip
        least = figures["best_mm"]
    acts = None if limit_mm is None else float(least or 0.0) > limit_mm
    return Check(SAG, acts, remark("sag_ring" if part.form == "ring" else "sag_beam", **figures), sources)


def size_change(part: Part, hold_c: float, process: str, metal: Metal) -> Iterator[Check]:
    """What the material's own size does at a hold: published ageing ranges, and retained austenite of hardened
    steels."""
    if ages(process):
        known = [c for c in growth.changes(metal.name, part.words) if c.at_c is None or c.at_c > 0.0]
        aged = [c for c in known if c.at_c is None or abs(c.at_c - hold_c) <= 10.0]
        if not aged and known and min(c.at_c or 0.0 for c in known) <= hold_c <= max(c.at_c or 0.0 for c in known):
            aged = known
        if aged:
            low, high = min(c.low for c in aged), max(c.high for c in aged)
            length = part.length_mm
            yield Check(
                SIZE, True,
                remark("size_published", alloy=aged[0].alloy, before=aged[0].before, after=[c.after for c in aged],
                       low=low, high=high, length_mm=length, low_um=None if length is None else low * length * 1e3,
                       high_um=None if length is None else high * length * 1e3),
                tuple(dict.fromkeys(c.source for c in aged)),
            )  # fmt: skip
        else:
            yield Check(SIZE, None, remark("size_unknown", metal=metal.name))
    carbon = dict(part.pct).get("c")
    hardened = any(w in process.casefold() for w in ("temper", "harden"))
    if hardened and metal.group in ("carbon steel", "tool steel") and carbon is not None and carbon >= 0.25:
        least, most = growth.retained_austenite(min(carbon, 1.0))
        yield Check(SIZE, None, remark("size_retained", low=least, high=most, carbon_pct=carbon,
                                       length_mm=part.length_mm), (growth.MARTENSITE,))  # fmt: skip


def scaling(steps: Sequence[Step], metal: Metal) -> Check | None:
    """Stock lost per side in air. None where the course is not in air, or the metal's scale is not on record."""
    if metal.group not in ("carbon steel", "tool steel", "grey iron", "ductile iron"):
        return None
    course = [(s.hours, s.surface_c) for s in steps if _air(s.gas)]
    if not course:
        return None
    top = max(t for _, t in course)
    inside, most = surface.scale_um(course)
    hot_h = sum(h for h, t in course if t >= surface.SCALE_BEGINS_C)
    code = "scale_thin" if most == 0.0 else "scale_law" if inside > 0.6 * most else "scale_at_most"
    return Check(
        SCALE, most > 0.0,
        remark(code, at_c=top, hot_h=hot_h, begins_c=surface.SCALE_BEGINS_C, low_c=surface.SCALE_LOW_C,
               scale_um=most, lost_um=surface.metal_lost_um(most), colour_low_c=427.0, colour_high_c=482.0),
        (surface.SCALE_SOURCE,) if most else (Source("Industrial Heating, note on stress relieving", "V"),),
    )  # fmt: skip


def _air(gas: str) -> bool:
    return "air" in gas.replace(",", " ").split()


PUMPED_MBAR = 1e-6  # furnaces of the trade pump no lower (common practice)
_PLATED = {"Cd": "cadmium", "Zn": "zinc|galvan|brass", "Ag": "silver", "Pb": r"\blead(ed)?\b"}


def evaporating(steps: Sequence[Step], part: Part, metal: Metal) -> Check | None:
    """The metal that leaves first in vacuum: alloyed chromium and manganese by their atom share, plated or brazed ones
    as pure. None outside vacuum, and where no vapour pressure comes near what furnaces pump to."""
    hot = [(s.surface_c, s.pressure_mbar) for s in steps if "vacuum" in s.gas]
    if not hot:
        return None
    top_c = max(t for t, _ in hot)
    pressure = min((p for t, p in hot if p is not None and t >= top_c - 20.0), default=None)
    base = "Ni" if "nickel" in metal.group else "Fe"
    shares = surface.atom_shares(part.pct, base) if part.pct and metal.group not in ("aluminium", "Ti-6Al-4V") else {}
    found = [(e, shares[e], "alloyed") for e in ("Mn", "Cr") if shares.get(e, 0.0) > 0.0]
    found += [(e, 1.0, "plated") for e, names in _PLATED.items() if re.search(names, part.words)]
    of_all = [(surface.vapour_mbar(e, top_c) * share, e, share, how) for e, share, how in found]
    vapour, element, share, how = max(of_all, default=(0.0, "", 0.0, ""))  # the first to go speaks for the others
    if vapour < PUMPED_MBAR:
        return None
    acts = None if pressure is None else vapour > pressure
    said = remark(
        "evaporates" if acts else "evaporates_not", element=element, how=how, at_c=top_c, vapour_mbar=vapour,
        pressure_mbar=pressure, most_g_m2h=surface.evaporation_g_m2h(element, top_c, share),
    )  # fmt: skip
    return Check(VACUUM, acts, said, (surface.vapours()[element][0].source,))


def all_checks(
    steps: Sequence[Step], power: float, metal: Metal, part: Part, hold_c: float, process: str,
    sag_limit_mm: float | None = None,
) -> list[Check]:  # fmt: skip
    """Every check of a planned course, in the order in which they are shown.

    steps     the course;  power  of the thick section (`Body.power`);  hold_c  the main hold's temperature
    """
    pair = pair_stress(steps, metal)
    scale = scaling(steps, metal)
    vacuum = evaporating(steps, part, metal)
    relieving = any(w in process.casefold() for w in ("relie", "temper", "anneal", "normal"))
    return [
        section_stress(steps, power, metal),
        *([pair] if pair else []),
        *(relief_reached(steps, hold_c, metal) if relieving else ()),
        sags(part, hold_c, metal, sag_limit_mm),
        *size_change(part, hold_c, process, metal),
        *([scale] if scale else []),
        *([vacuum] if vacuum else []),
    ]
