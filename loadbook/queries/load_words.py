"""The words of what speaks against a load: `analysis/planning/load.py` makes the codes, the shop reads these.

They stand alone or below a verdict, without a full stop.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from loadbook.core.figures import shown
from loadbook.core.typed import quote

Figures = Mapping[str, Any]


def _hot(f: Figures, system: str) -> str:
    """How hot the load gets, or got."""
    if f["basis"] == "reached":
        return f"the load reached {shown(f['at_c'], 'c', system, '.1f')}"
    return f"the cycle holds at {shown(f['at_c'], 'c', system)}"


def _check(word: str) -> Callable[[Figures, str], str]:
    def said(f: Figures, system: str) -> str:
        at = f" at {shown(f['at_c'], 'c', system)}" if f["at_c"] is not None else ""
        due = f", due {f['due_on']}" if f["due_on"] else ""
        return f"{word}: {f['kind']} of {f['done_on']}{at}{due}"

    return said


def _elsewhere(f: Figures, system: str) -> str:
    made = " and ".join(shown(t, "c", system) for t in f["surveyed_c"])
    return (
        f"No current survey of {f['furnace']} covers the hold at {shown(f['at_c'], 'c', system)}: surveyed at {made} "
        f"({f['source']})"
    )


def _in_air(f: Figures, system: str) -> str:
    titanium = "titan" in f["material"].casefold() or f["source"].startswith("MIL")
    harm = "a hard, brittle case grows, to be machined or etched off" if titanium else "it takes up oxygen"
    return f"{f['part']} ({f['material']}) in air: {_hot(f, system)}; above {_limit(f, system)} {harm} ({f['source']})"


def _in_gas(f: Figures, system: str) -> str:
    return (
        f"{f['part']} ({f['material']}) in {f['gas']}: {_hot(f, system)}; above {_limit(f, system)} it takes the gas up"
        f" and turns brittle: vacuum, argon or helium ({f['source']})"
    )


def _limit(f: Figures, system: str) -> str:
    return shown(f["limit_c"], "c", system)


def _above_temper(f: Figures, system: str) -> str:
    pieces = f", {f['pieces']} pieces" if f["pieces"] > 1 else ""
    return (
        f"{f['part']}{pieces}: {_hot(f, system)}; last tempered at {shown(f['tempered_c'], 'c', system)}, and the shop "
        f"stays {shown(f['margin_c'], 'c_diff', system)} below ({f['source']}): check the hardness"
    )


def _cast_iron_fast(f: Figures, system: str) -> str:
    above = f" above {shown(f['above_c'], 'c', system)}" if f["above_c"] is not None else ""
    does = "asks" if f.get("asked") else "allows"
    return (
        f"{f['part']} is cast iron: segment {f['segment']} {does} {shown(f['rate_c_per_h'], 'c_per_h', system)}, and "
        f"{f['kind']}ing{above} faster than {shown(f['limit_c_per_h'], 'c_per_h', system)} cracks or strains castings "
        f"of uneven section ({f['source']})"
    )


LOAD_WORDS: dict[str, str | Callable[[Figures, str], str]] = {
    "check_failed": _check("FAILED"),
    "check_past_due": _check("PAST DUE"),
    "survey_elsewhere": _elsewhere,
    "furnace_wider": lambda f, s: (
        f"{f['furnace']} is a ±{shown(f['class_c'], 'c_diff', s, '.3g')} furnace, and hold {f['segment']} allows "
        f"±{shown(f['band_c'], 'c_diff', s, '.3g')}: a place without a TC may have been outside"
    ),
    "furnace_too_hot": lambda f, s: (
        f"Segment {f['segment']} goes to {shown(f['at_c'], 'c', s)}; {f['furnace']} may run at {_limit(f, s)} at most"
    ),
    "family_missing": lambda f, s: (
        f"{f['material']} ({f['part']}) has no family on record: whether the cycle suits it was not looked at. "
        f"loadbook amend materials {quote(f['material'])} family=... --why TEXT"
    ),
    "reactive_in_air": _in_air,
    "reactive_in_gas": _in_gas,
    "above_temper": _above_temper,
    "above_hottest_hold": lambda f, s: (
        f"{f['part']} ({f['material']}): {_hot(f, s)}; its hottest harmless hold is {_limit(f, s)} ({f['source']})"
    ),
    "cast_iron_hot": lambda f, s: (
        f"{f['part']} is cast iron: {_hot(f, s)}; above {_limit(f, s)} its pearlite breaks down, it grows and softens "
        f"({f['source']})"
    ),
    "cast_iron_fast": _cast_iron_fast,
}
