"""The words of a cycle's review: for each code its kind, what is remarked, why, and its source."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from loadbook.analysis.planning.review import Found
from loadbook.core.figures import sentence, shown
from loadbook.core.phrases import many
from loadbook.core.remarks import COMMON

MATERIAL = "the material's record"
TITANIUM = "MIL-H-81200B (1991)"
_BREAKS = "a run that does as it is asked would break the cycle, or the limit can never bind"


@dataclass(frozen=True)
class Said:
    """A remark as a person reads it. name is its kind, always the same; source a citation or "common practice"."""

    code: str
    name: str
    remark: str
    where: str
    why: str
    source: str
    figures: Mapping[str, Any]


def said(found: Found, system: str) -> Said:
    """The words of one remark. Raises KeyError for a code whose words do not stand here."""
    code, figures = found.said.code, {**found.said.figures}
    for name, made in _MADE.get(code, {}).items():
        figures[name] = made(found.said.figures, system)
    name, remark, why, *source = WORDS[code]
    return Said(
        code, name, sentence(remark, figures, system), found.where, sentence(why, figures, system),
        sentence(source[0], figures, system) if source else COMMON, found.said.figures,
    )  # fmt: skip


# words that hang on a figure's being there
_MADE: dict[str, dict[str, Any]] = {
    "never_binds": {
        "which": lambda f, s: "fastest" if f["relation"] == "max" else "slowest",
        "side": lambda f, s: (
            f"above {shown(f['above_c'], 'c', s)}"
            if f["above_c"] is not None
            else f"below {shown(f['below_c'], 'c', s)}"
        ),
    },
    "plated": {
        "list": lambda f, s: ", ".join(f["recorded"]),
        "at": lambda f, s: f" at {shown(f['top_c'], 'c', s)}" if f["top_c"] is not None else "",
    },
    "chlorine": {"list": lambda f, s: ", ".join(f["recorded"])},
    "softens": {
        "fell": lambda f, s: f"{f['before']:.3g} to {f['after']:.3g} {f['unit']}",
        "of": lambda f, s: f"{many(f['pieces'], 'piece')} in {many(f['runs'], 'run')}",
        "lost": lambda f, s: (
            f"; {f['below']} of {many(f['pieces'], 'piece')} fell below {f['lower']:g} {f['unit']}"
            if f["below"]
            else ""
        ),
    },
}

# code: (kind, remark, why[, source; else common practice])
WORDS: dict[str, tuple[str, ...]] = {
    "softens": (
        "softens", "{characteristic} fell from {fell} (middle of {of}){lost}",
        "a treatment below the last tempering leaves the hardness alone; where it falls, the pieces were tempered on,"
        " or lost carbon at the surface",
        "the book's readings before and after",
    ),
    "no_start": (
        "no start temperature", "the cycle does not say how hot furnace and work may be at the start",
        "a load put into a hot furnace is heated faster than any ramp limit allows before the ramp begins",
    ),
    "no_ramp_limit": (
        "no ramp limit", "{kind}ing without a fastest rate",
        "uneven heating and cooling is what makes temperature differences, and these make movement",
    ),
    "no_soak_time": (
        "no soak time", "the hold does not say how long it must soak",
        "a run that only touches the band keeps it: the middle of a section may never have got there",
    ),
    "no_quench_rate": (
        "no quench rate", "the quench has neither a slowest nor a fastest rate",
        "too slow leaves the piece soft, too quick moves and cracks it; which it was, nobody can say afterwards",
    ),
    "asks_above_limit": ("contradiction", "asks {asked_c_per_h} and allows {most_c_per_h} at most", _BREAKS),
    "asks_below_limit": ("contradiction", "asks {asked_c_per_h}, slower than it allows", _BREAKS),
    "band_over_limit": (
        "contradiction", "its band reaches {top_c}, and the over-temperature limit is {limit_c}", _BREAKS,
    ),
    "target_over_limit": (
        "contradiction", "it goes to {target_c}, and the over-temperature limit is {limit_c}", _BREAKS,
    ),
    "spread_over_band": (
        "contradiction", "a spread of {spread_c_diff} is allowed during the soak, but the band is {band_c_diff} wide",
        _BREAKS,
    ),
    "wrong_direction": ("contradiction", "a {kind} that goes from {from_c:number} to {to_c}", _BREAKS),
    "hold_elsewhere": (
        "contradiction", "a hold at {hold_c} behind a {kind} to {to_c}",
        "the way between has no segment, so no rate limit binds on it",
    ),
    "door_over_backfill": (
        "contradiction", "the door may open at {door_c}, gas may be let in only at {backfill_c}",
        "one of the two limits can never bind",
    ),
    "band_not_stated": (
        "no band", "the hold does not state both edges of its band",
        "without both edges nobody can say when the soak began or whether it was left",
    ),
    "no_low_hold": (
        "no low hold", "no early hold to see that the thermocouples track",
        "a thermocouple that is loose or crossed can still be put right, and the run stopped, while it is cool",
    ),
    "no_backfill_limit": (
        "no backfill temperature", "the cycle does not say how cool the work must be when gas is let in",
        "gas quenches the thin sections first; hot metal also reacts with what the gas carries",
    ),
    "no_door_limit": (
        "no door temperature", "the cycle does not say how cool the work must be when the door opens",
        "thin sections cool first in the draught, the surface takes colour, and hot parts burn people",
    ),
    "never_binds": (
        "limit never binds", "the {which} rate binds only {side}; the segment goes from {from_c:number} to {to_c}",
        "a run of any rate keeps such a limit: it looks like a demand and is none",
    ),
    "door_burns": (
        "door temperature burns", "'{event}' is allowed with the work at {at_c}",
        "bare metal burns the hand from about {burns_c} on, within seconds, and the hottest work TC is not the hottest "
        "point of the load: gloves, a marked area, or a lower limit",
        "common practice (contact burn thresholds as in ISO 13732-1)",
    ),
    "no_spread_limit": (
        "no spread limit", "nothing limits how far apart the work TCs may be",
        "temperature differences within the load and within a piece are what moves it",
    ),
    "no_lead_limit": (
        "no lead limit", "nothing limits how far the furnace may be ahead of the work",
        "in vacuum, where radiation is weak when cold, the furnace can be hundreds of degrees ahead",
    ),
    "no_work_tcs_limit": (
        "no fewest work TCs", "the cycle does not say how many work TCs must be valid",
        "with one left, every spread is small",
    ),
    "no_gap_limit": (
        "no longest gap", "the cycle does not say how long the recorder may be silent",
        "what was not recorded cannot be judged; without a limit 15 min is used",
    ),
    "no_pressure_limit": (
        "no pressure limit", "a vacuum cycle without a highest pressure",
        "a leak or wet load shows in the pressure before it shows on the parts",
    ),
    "above_tempering": (
        "above tempering",
        "the cycle reaches {top_c}; {part} was last tempered or aged at {tempered_c}",
        "it must stay {margin_c_diff} (the shop's own margin) below, or the piece loses hardness",
        "common practice (margins of {low_c_diff:number} to {high_c_diff} are in use)",
    ),
    "above_ac1": (
        "near or above Ac1", "the cycle reaches {top_c}; austenite begins at about {austenite_c}",
        "part of the section would transform and harden or soften on cooling; the estimate is good to some tens of "
        "degrees",
        "{source}",
    ),
    "ac1_unknown": (
        "Ac1 not known", "the cycle reaches {top_c}; where austenite begins in {material} is not known",
        "its record has neither Ac1 nor a composition that the formula is good for: amend materials, ac1_c",
    ),
    "above_max_soak": (
        "above the material's hottest hold",
        "the cycle reaches {top_c}; {material} may be held at {most_c} at most",
        "the material's record says so", MATERIAL,
    ),
    "sensitising": (
        "sensitising range", "{inside_h:.1f} between {low_c:number} and {high_c}",
        "chromium carbides form at the grain boundaries, and the steel corrodes there",
    ),
    "embrittling": (
        "temper embrittlement", "{inside_h:.1f} between {low_c:number} and {high_c}",
        "alloy steels without molybdenum lose toughness when they stay or cool slowly through this range",
    ),
    "aluminium": (
        "aluminium temper lost", "the cycle reaches {top_c}",
        "artificially aged aluminium overages and cold-worked aluminium softens: relief by heat and the temper exclude "
        "each other; stretching or compressing relieves without heat",
    ),
    "plated": (
        "plating or braze", "{part} is recorded as: {list}",
        "what is on the piece may melt, diffuse, blister or evaporate{at}: ask what it is before heating",
    ),
    "titanium_gas": (
        "titanium in a gas it takes up", "{atmosphere} on titanium",
        "hot titanium takes up nitrogen and hydrogen and becomes brittle: argon, helium or vacuum only", TITANIUM,
    ),
    "titanium_air": (
        "titanium in air", "air at {at_c} on titanium",
        "a hard, brittle alpha case grows: it must be machined or etched away", TITANIUM,
    ),
    "no_dew_point_limit": (
        "no dew point limit", "inert gas on titanium without a highest dew point",
        "wet gas oxidises and hydrides titanium: {dew_c} or drier is asked for", TITANIUM,
    ),
    "chlorine": (
        "chlorinated residue", "{part} is recorded as: {list}",
        "chlorides left on titanium crack it under stress when hot: wash them off and say so", TITANIUM,
    ),
    "reacts": (
        "reactive metal", "{atmosphere} on {material}",
        "the material's record says that it reacts: vacuum or dry inert gas", MATERIAL,
    ),
    "volatile_in_vacuum": (
        "volatile metal in vacuum", "{metal} in vacuum at {at_c}",
        "it evaporates and settles on everything in the furnace; use a partial pressure of gas, or keep it out",
    ),
    "soak_by_section": (
        "soak by section unknown", "the thickest section of part {part}, from which the limit follows",
        "the shop's soak rule needs the thickest section",
    ),
    "soak_short": (
        "soak short for the section", "{asked_min} are asked; {needed_min} follow from its section",
        "the shop's own rule asks for more", "the cycle's own rule",
    ),
    "no_hold": (
        "no hold", "the cycle has no hold with a temperature", "nothing can be said of what it does to the material",
    ),
    "band_of_furnace": (
        "band narrower than the furnace", "the band is ±{band_c_diff}; {furnace} is surveyed to ±{class_c_diff}",
        "some place of its working zone may leave the band with no TC there", "the furnace's record",
    ),
}  # fmt: skip
