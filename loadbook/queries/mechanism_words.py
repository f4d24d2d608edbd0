"""The words of what physics says of a plan: for each code of `analysis/physics/checks.py` one sentence.

They stand alone, without a full stop, behind the name of the mechanism.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from loadbook.analysis.physics.checks import SOFT_MPA
from loadbook.core import units
from loadbook.core.figures import share_words, shown

Figures = Mapping[str, Any]
Template = str | Callable[[Figures, str], str]


LEAST_MM = 0.0005  # less than any gauge shows


def _ahead(f: Figures, system: str) -> str:
    """Who is how far ahead, when."""
    who, side = ("thin section" if f["which"] == "pair" else "surface"), "behind" if f["behind"] else "ahead"
    text = f"segment {f['segment']}, {who} {shown(f['ahead_c_diff'], 'c_diff', system, '.1f')} {side} at "
    return text + shown(f["at_c"], "c", system)


def _stress(f: Figures, system: str) -> str:
    most = "at most " if f["which"] == "pair" or f["cold"] else ""
    return f"{_ahead(f, system)}: {most}{pressed(f['stress_mpa'], system)}"


def _covered(f: Figures, system: str) -> str:
    return "" if f["above_c"] is None else f"; hotter than {shown(f['above_c'], 'c', system)} is not covered"


def pressed(mpa: float, system: str) -> str:
    """A stress; what is next to nothing as that.

    >>> pressed(1320.0, "si"), pressed(1320.0, "us"), pressed(6.92, "si"), pressed(0.04, "us")
    ('1320 MPa', '191 ksi', '6.9 MPa', '0.0058 ksi')
    """
    return shown(mpa, "mpa", system, ".0f" if units.show(mpa, "mpa", system)[0] >= 10.0 else ".2g")


def _elastic(f: Figures, system: str) -> str:
    stress = _stress(f, system).rsplit(" ", 1)[0]
    onset, limit = pressed(f["onset_mpa"], system), _limit(f, system)
    return f"{stress} of {onset}: elastic, adds no movement (from {limit} it would yield)"


def _limit(f: Figures, system: str) -> str:
    return shown(f["limit_c_diff"], "c_diff", system)


def _yields(f: Figures, system: str) -> str:
    moves = "can itself move" if f["which"] == "pair" else "itself moves"
    return (
        f"{_stress(f, system)} where yielding begins at {pressed(f['onset_mpa'], system)}: from {_limit(f, system)} "
        f"on this ramp {moves} the part"
    )


def _against(f: Figures, system: str) -> str:
    if f["needs_mpa"] is None:
        return f"{_stress(f, system)}; its yield when hot is not on record (--yield)"
    needs, cold = pressed(f["needs_mpa"], system), shown(20.0, "c", system)
    if f["needs_mpa"] < SOFT_MPA:
        return f"{_stress(f, system)}: elastic, adds no movement (any yield at {cold} above {needs} will do)"
    return f"{_stress(f, system)}: elastic if the yield at {cold} is above {needs} (--yield)"


def _unknown(f: Figures, system: str) -> str:
    missing = " and ".join(f["missing"]) or "values at these temperatures"
    return f"not given: no {missing} of {f['metal']} on record (--modulus, or amend the material)"


def _heating(f: Figures, system: str) -> str:
    if f["left"] >= 0.99:
        return (
            f"heating to {shown(f['at_c'], 'c', system)} alone relieves nothing; what creep does there is not on record"
        )
    return (
        f"heating to {shown(f['at_c'], 'c', system)} alone brings a stress as high as the yield down to "
        f"{share_words(f['left'])} ({f['basis']})"
    )


def _creep(f: Figures, system: str) -> str:
    low, high = sorted((f["left_low_mpa"], f["left_high_mpa"]))
    left = pressed(high, system)
    if pressed(low, system) != left:
        left = f"{pressed(low, system).split(' ')[0]} to {left}"
    start = f"{pressed(f['from_low_mpa'], system).split(' ')[0]} to {pressed(f['from_high_mpa'], system)}"
    surface = pressed(f["surface_mpa"], system)
    places = "" if surface == pressed(f["left_low_mpa"], system) else f" in the middle, {surface} at the surface,"
    hotter = f", {f['beyond_h']:.1f} h of it hotter than the law goes" if f["beyond_h"] > 0.05 else ""
    return (
        f"2.25Cr-1Mo would keep {left} of {start}{places} by its creep law ({f['inside_h']:.1f} h above "
        f"{shown(f['low_c'], 'c', system)}{hotter}); other steels differ, and a piece relaxes faster at first: it ranks"
        " cycles"
    )


def _iron(f: Figures, system: str) -> str:
    slow, nothing = shown(f["slow_below_c"], "c", system), shown(f["nothing_c"], "c", system)
    quick = f["at_c"] >= f["slow_below_c"]
    told = f"above {slow}, where relief is quick" if quick else f"below {slow}, where relief is slow"
    other = "" if f["iron"] == "grey iron" else f" (published for it alone; {f['iron']} is not on record)"
    return (
        f"grey iron{other}: {told}, most of it in the first hour; {nothing} did nothing; cooled in the furnace it keeps"
        " less stress than in air"
    )


def _beam(f: Figures, system: str) -> str:
    what = "round bar" if f["form"] == "bar" else "plate"
    text = (
        f"elastic, as a {what} {shown(f['depth_mm'], 'mm', system)} thick and {shown(f['length_mm'], 'mm', system)} "
        "long at "
        f"{shown(f['at_c'], 'c', system)}: {_small(f['ends_mm'], system)} on its ends, "
        f"{_small(f['quarter_mm'], system)} on the quarter points, {_small(f['best_mm'], system)} on supports "
        f"{shown(f['best_span_mm'], 'mm', system, '.0f' if system == 'si' else '.3g')} apart; stood or hung: none"
    )
    if f["limit_mm"] is not None:
        limit = _small(f["limit_mm"], system)
        if f["widest_mm"] is None:
            text += f"; two supports never keep it under {limit}"
        else:
            widest = shown(f["widest_mm"], "mm", system, ".0f" if system == "si" else ".3g")
            text += f"; under {limit} with supports up to {widest} apart"
    return text + ("" if f["slender"] else "; stubby: an upper figure")


def _ring(f: Figures, system: str) -> str:
    size = f"{shown(f['wall_mm'], 'mm', system).split(' ')[0]} x {shown(f['high_mm'], 'mm', system)}"
    least = f["flat_3_mm"] < LEAST_MM
    flat = ", ".join(f"{_small(f[f'flat_{n}_mm'], system)} on {n}" for n in (3, 4, 6))
    return (
        f"elastic, as a ring {shown(f['outside_mm'], 'mm', system)} across, {size}, at "
        f"{shown(f['at_c'], 'c', system)}: laid, "
        f"{'nothing on 3 points or more' if least else f'{flat} points'}; stood, {_small(f['stood_mm'], system)} lower"
    )


def _small(mm: float, system: str) -> str:
    """A sag: no more digits than it deserves, and nothing where it is less than any gauge shows."""
    if abs(mm) < LEAST_MM:
        return "nothing"
    return shown(mm * 1000.0, "um", system, ".2g") if abs(mm) < 0.1 else shown(mm, "mm", system, ".2g")


def _sag_unknown(f: Figures, system: str) -> str:
    if not f["missing"]:
        return "not given: it is worked out for bars, plates and rings only"
    return f"not given: {', '.join(f['missing'])} not on record"


def _published(f: Figures, system: str) -> str:
    after = f"to {f['after'][0]}" if len(f["after"]) == 1 else f"to between {' and '.join(f['after'])}"
    share = (
        f"{100.0 * f['low']:+.2f} to {100.0 * f['high']:+.2f} %"
        if f["low"] != f["high"]
        else f"{100.0 * f['low']:+.2f} %"
    )
    text = f"{f['alloy']}, {f['before']} {after}: {share} in length"
    if f["length_mm"] is not None:
        low, high = shown(f["low_um"], "um", system, "+.3g"), shown(f["high_um"], "um", system, "+.3g")
        text += f", {low} to {high} on {shown(f['length_mm'], 'mm', system)}"
    return text + "; none where it was aged before"


def _retained(f: Figures, system: str) -> str:
    return (
        f"each 1 % of retained austenite that still turns to martensite adds {100.0 * f['low']:.3f} to "
        f"{100.0 * f['high']:.3f} % in length"
    )


def _scale_law(f: Figures, system: str) -> str:
    return (
        f"{shown(f['lost_um'], 'um', system, '.2g')} of stock a side in air ({f['hot_h']:.1f} h above "
        f"{shown(f['begins_c'], 'c', system)}, up to {shown(f['at_c'], 'c', system)}), by the law of pure iron; steels "
        "often lose half of it"
    )


def _scale_most(f: Figures, system: str) -> str:
    return (
        f"less than {shown(f['lost_um'], 'um', system, '.2g')} of stock a side in air: {f['hot_h']:.1f} h above "
        f"{shown(f['begins_c'], 'c', system)}, counted as at {shown(f['low_c'], 'c', system)}, where the law of pure "
        "iron begins"
    )


def _scale_thin(f: Figures, system: str) -> str:
    colour = f"{shown(f['colour_low_c'], 'c', system).split(' ')[0]} to {shown(f['colour_high_c'], 'c', system)}"
    told = f"colours, no heavy scale ({colour} is advised for critical surfaces)"
    return f"air up to {shown(f['at_c'], 'c', system)}: {told}"


ELEMENTS = {"Cr": "chromium", "Mn": "manganese", "Zn": "zinc", "Cd": "cadmium", "Ag": "silver", "Pb": "lead"}


def _vapour(f: Figures, system: str) -> str:
    over = "over this alloy" if f["how"] == "alloyed" else "as a coat or braze"
    at, hot = shown(f["vapour_mbar"], "mbar", system, ".1g"), shown(f["at_c"], "c", system)
    return f"{ELEMENTS[f['element']]} {over} has a vapour pressure of {at} at {hot}"


def _leaves(f: Figures, system: str) -> str:
    most = f["most_g_m2h"]
    loss = f"{most / 305.15:.2g} oz/ft² an hour" if system == "us" else f"{most:.2g} g/m² an hour"
    return (
        f"{_vapour(f, system)}, above the {shown(f['pressure_mbar'], 'mbar', system)} allowed: it leaves the surface, "
        f"at most {loss}; a partial pressure of argon or nitrogen holds it"
    )


def _stays(f: Figures, system: str) -> str:
    told = "the cycle states no pressure"
    if f["pressure_mbar"] is not None:
        told = f"up to {shown(f['pressure_mbar'], 'mbar', system)} are allowed"
    return f"{_vapour(f, system)}: pumped lower, it leaves the surface ({told})"


WORDS: dict[str, Template] = {
    "stress_elastic": lambda f, s: _elastic(f, s) + _covered(f, s),
    "stress_yields": lambda f, s: _yields(f, s) + _covered(f, s),
    "stress_against_yield": lambda f, s: _against(f, s) + _covered(f, s),
    "stress_unknown": _unknown,
    "relief_by_heating": _heating,
    "relief_by_creep": _creep,
    "relief_of_iron": _iron,
    "sag_beam": _beam,
    "sag_ring": _ring,
    "sag_unknown": _sag_unknown,
    "size_published": _published,
    "size_unknown": lambda f, s: f"ageing of {f['metal']}: no published range on record, so none is given",
    "size_retained": _retained,
    "scale_thin": _scale_thin,
    "scale_law": _scale_law,
    "scale_at_most": _scale_most,
    "evaporates": _leaves,
    "evaporates_not": _stays,
}
