"""The words of the low hold check: what is likely of a thermocouple, and what would settle it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from loadbook.core import units
from loadbook.core.figures import clock, share_words

Figures = Mapping[str, Any]

# fault -> what it likely is, and what settles it while the run can still be stopped
_LIKELY = {
    "open": ("its circuit is open", "reseat plug and jack, measure the loop"),
    "detached": ("it follows the furnace, not the part: likely pulled out", "look whether it is still in its hole"),
    "frozen": ("the recorder shows the same value on and on", "unplug it: the reading must go; check the input"),
    "step": ("it jumped", "plug it into another channel: does the jump go with it?"),
    "noisy": ("its reading jumps about", "pull at plug, jack and lead; look for a shield that lost its ground"),
    "reversed": ("it falls while the load warms: its wires are reversed", "swap the wires at the plug"),
    "swapped": ("two are plugged into each other's jack", "follow both leads to their parts"),
    "wrong type": ("it reads by another type's table", "compare wire colours with the channel's setting"),
    "shorted": ("its wires touch short of the bead", "look along the lead, at the door seal first"),
}


def _difference(value: float, system: str) -> str:
    shown, label, _ = units.show(value, "c_diff", system)
    return f"{shown:.0f} {label}"


def _fault(f: Figures, system: str) -> str:
    likely, settle = _LIKELY.get(f["fault"], (f"suspected {f['fault']}", "check plug, jack and lead"))
    who = f"{f['channel']} and {f['other']}" if f["other"] else f["channel"]
    return f"{who}: {likely} (since {f.get('at') or clock(f['from_s'])}); {settle}"


def _behind(f: Figures, system: str) -> str:
    return (
        f"{f['channel']} is {_difference(f['lag_c'], system)} behind the furnace, {_difference(f['more_c'], system)} "
        f"more than this place in {f['loads']} loads: poor contact, or a colder corner than usual; wait until it has "
        "caught up, or look how it is fixed"
    )


def _ahead(f: Figures, system: str) -> str:
    return (
        f"{f['channel']} is only {_difference(f['lag_c'], system)} behind the furnace, where this place was "
        f"{_difference(f['usual_c'], system)} behind in {f['loads']} loads: likely out of its hole; look at it"
    )


def _loose(f: Figures, system: str) -> str:
    where = "a thick section" if f["thick"] else "a section"
    return (
        f"{f['channel']} takes {share_words(f['share'])} of the furnace's movement at once, as {where} does not: "
        "likely loose since the start; look whether it is still in its hole"
    )


def _falls(f: Figures, system: str) -> str:
    start, now = (units.show(f[k], "c", system) for k in ("start_c", "now_c"))
    return (
        f"{f['channel']} reads {now[0]:.0f} {now[1]} and began at {start[0]:.0f} {start[1]}: its wires are likely "
        "reversed; swap them at the plug"
    )


def _still(f: Figures, system: str) -> str:
    return (
        f"{f['channel']} has not moved while the furnace rose by {_difference(f['risen_c'], system)}: likely not "
        "plugged in, or its input is stuck; unplug it and see whether the reading goes"
    )


def _hotter(f: Figures, system: str) -> str:
    return (
        f"{f['channel']} was {_difference(f['above_c'], system)} above the furnace while it heated, as no part can be: "
        "likely the furnace's own TC is in its jack, or it reads by another type's table; follow the lead"
    )


FOLLOWING_WORDS: dict[str, str | Callable[[Figures, str], str]] = {
    "low_hold_fault": _fault,
    "low_hold_behind": _behind,
    "low_hold_ahead": _ahead,
    "low_hold_loose": _loose,
    "low_hold_falls": _falls,
    "low_hold_still": _still,
    "low_hold_hotter": _hotter,
}
