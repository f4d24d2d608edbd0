"""The words of the sheet before the door closes: `following/ready.py` makes the codes."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from loadbook.core import units
from loadbook.core.phrases import few, many

Figures = Mapping[str, Any]


def _shown(value: float, unit: str, system: str) -> str:
    shown, label, digits = units.show(value, unit, system)
    return f"{shown:.{digits}f} {label}"


def _first_not(f: Figures, system: str) -> str:
    if not f["recorded"]:
        return f"{f['part']}: this book records no approvals of first pieces; is one on file elsewhere?"
    return f"{f['part']}: no first piece by this revision is approved; treat this load as one that needs it"


def _failed(f: Figures, system: str) -> str:
    said = "; ".join(f"{fault} in {run}" for fault, run in f["faults"])
    return f"{f['channel']} failed lately ({said}): pull at plug, jack and lead, measure the loop"


def _correction(f: Figures, system: str) -> str:
    return (
        f"{f['channel']}: corrected by {_shown(f['correction_c'], 'c_diff', system)} at "
        f"{_shown(f['at_c'], 'c', system)}; is the calibration that of this thermocouple?"
    )


_PLACES = {
    "tc_thickest": "the thickest section", "tc_thinnest": "the thinnest section", "tc_middle": "the middle of the load",
    "tc_coldest_corner": "the coldest surveyed corner",
}  # fmt: skip

PRECHECK_WORDS: dict[str, str | Callable[[Figures, str], str]] = {
    "no_cycle_asked": "the run names no cycle: there is nothing to check it against",
    "cycle_asked": lambda f, s: f"{f['cycle']} revision {f['revision']}",
    "later_revision": lambda f, s: (
        f"{f['cycle']}: the book has revision {f['later']} as well; does the order ask for {f['revision']}?"
    ),
    "cycle_reviewed": lambda f, s: (
        f"{many(len(f['names']), 'remark')} on the cycle: {few(f['names'])}; "
        f"see loadbook cycle review {f['cycle']} --revision {f['revision']}"
    ),
    "first_not_approved": _first_not,
    "first_approved": lambda f, s: f"{f['part']}: first piece {f['said']}",
    "first_refused": lambda f, s: f"{f['part']}: the last word on its first piece is {f['said']!r}",
    "temper_not_known": lambda f, s: f"{f['part']}: its last tempering temperature is not recorded; ask before it runs",
    "no_pieces": "no pieces are recorded for this run: loadbook take pieces FILE",
    "dry_and_clean": "dry, free of oil, paint and plastic; no plating or coating that nobody asked about",
    "class_not_known": lambda f, s: f"the class of {f['furnace']} is not recorded: is it good enough for the band?",
    "no_checks": lambda f, s: f"no survey and no accuracy test of {f['furnace']} is recorded by that day",
    "no_channels": lambda f, s: (
        f"no thermocouples are recorded for this run; the cycle asks for {many(f['least'], 'work TC')} at least"
    ),
    "too_few_tcs": lambda f, s: f"{many(f['work'], 'work TC')} planned, the cycle asks for {f['least']} at least",
    "tcs_planned": lambda f, s: f"{many(f['work'], 'work TC')} planned, {f['least']} needed",
    "place_not_planned": lambda f, s: f"no TC is recorded at {_PLACES[f['place']]}: is one there?",
    "place_short": lambda f, s: f"{f['place']}: {many(f['work'], 'work TC')} planned, the cycle asks for {f['least']}",
    "tcs_fixed": "every TC tight on metal at the place on the plan, inside hollow parts too, leads clear of the door",
    "not_calibrated": lambda f, s: f"no calibration is recorded of {', '.join(f['channels'])}",
    "calibration_ended": lambda f, s: (
        f"calibration {f['calibration']} ended on {f['until']}: {', '.join(f['channels'])}"
    ),
    "correction_large": _correction,
    "channel_failed": _failed,
    "nothing_read_before": lambda f, s: (
        f"nothing was measured before on {few(f['pieces'])}: it cannot be made up afterwards"
    ),
    "not_read_before": lambda f, s: f"{f['piece']}: not measured before: {', '.join(f['characteristics'])}",
    "reading_odd": lambda f, s: (
        f"{f['piece']}: {f['characteristic']} reads {_shown(f['value_mm'], 'mm', s)}, nominal "
        f"{_shown(f['nominal_mm'], 'mm', s)}: measure it again"
    ),
    "gauge_late": lambda f, s: f"gauge {f['gauge']} was past due ({f['until']}) when these pieces were measured",
    "finished_in_air": lambda f, s: f"{f['part']} is finish machined and the load runs in air: it will scale",
    "scale_not_known": lambda f, s: f"{f['part']} runs in air: may it scale?",
    "stock_not_recorded": lambda f, s: (
        f"{f['part']}: answer {f['answer']} asks for {_shown(f['needs_mm'], 'mm', s)} a side, the stock left is not "
        "recorded"
    ),
    "stock_short": lambda f, s: (
        f"{f['part']}: {_shown(f['stock_mm'], 'mm', s)} a side is left, answer {f['answer']} asks for "
        f"{_shown(f['needs_mm'], 'mm', s)}"
    ),
    "repeats": lambda f, s: f"repeats {f['run']}, as recorded",
    "treated_before": lambda f, s: (
        f"{few(f.get('pieces') or [f['piece']])} went through this cycle already in "
        f"{', '.join(f['runs'])}: is a second time meant?"
    ),
    "pieces_counted": "pieces, count and serials agree with the traveller",
    "racked": "racked as on the plan: supports, gaps, nothing leaning, nothing against wall or elements",
    "recorder_on": "recorder running, channels as listed, chart speed and clock right",
    "gas_and_protection": "gas, vacuum, over-temperature protection and door as the shop's own rules say",
}
