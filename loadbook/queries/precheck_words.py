"""The words of the sheet before the door closes: `following/ready.py` makes the codes."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

from loadbook.core import units
from loadbook.core.figures import shown
from loadbook.core.phrases import few, many
from loadbook.core.typed import quote

Figures = Mapping[str, Any]


def _shown(value: float, unit: str, system: str) -> str:
    shown, label, digits = units.show(value, unit, system)
    return f"{shown:.{digits}f} {label}"


def _segments(numbers: Sequence[int]) -> str:
    return f"hold{'s' if len(numbers) > 1 else ''} {', '.join(map(str, numbers))}"


def _at(f: Figures, system: str) -> str:
    return f" at {shown(f['at_c'], 'c', system)}" if f["at_c"] is not None else ""


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
        f"see loadbook cycle review {quote(f['cycle'])} --revision {quote(f['revision'])}"
    ),
    "first_not_approved": _first_not,
    "first_approved": lambda f, s: f"{f['part']}: first piece {f['said']}",
    "first_refused": lambda f, s: f"{f['part']}: the last word on its first piece is {f['said']!r}",
    "temper_not_known": lambda f, s: f"{f['part']}: its last tempering temperature is not recorded; ask before it runs",
    "no_pieces": "no pieces are recorded for this run: loadbook take pieces FILE",
    "dry_and_clean": "dry, free of oil, paint and plastic; no plating or coating that nobody asked about",
    "class_not_known": lambda f, s: f"the class of {f['furnace']} is not recorded: is it good enough for the band?",
    "no_checks": lambda f, s: f"no survey and no accuracy test of {f['furnace']} is recorded by that day",
    "band_not_stated": lambda f, s: (
        f"the cycle states no whole band for {_segments(f['segments'])}: is the furnace's class good enough?"
    ),
    "check_not_known": lambda f, s: f"no {' and no '.join(f['kinds'])} of {f['furnace']} is recorded by that day",
    "check_not_dated": lambda f, s: f"{f['kind']}{_at(f, s)} of {f['done_on']}: until when it counts is not recorded",
    "check_last_day": lambda f, s: (
        f"{f['kind']}{_at(f, s)} is due on {f['due_on']}, the day of the run: done before the run ends?"
    ),
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
    "calibrations_not_known": "no thermocouples are recorded for this run: are theirs and the furnace's in date?",
    "calibration_not_held": lambda f, s: (
        f"calibration {f['calibration']} is not in the book: {', '.join(f['channels'])}"
    ),
    "calibration_not_dated": lambda f, s: (
        f"calibration {f['calibration']} has no date on record to which it is valid: {', '.join(f['channels'])}"
    ),
    "calibration_last_day": lambda f, s: (
        f"calibration {f['calibration']} ends on {f['until']}, the day of the run: {', '.join(f['channels'])}"
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
    "gauges_not_known": "no reading is recorded yet: with which gauges, and are they in date?",
    "gauge_not_named": lambda f, s: (
        f"{f['piece']}: no gauge is recorded for {', '.join(f['characteristics'])}: which one, and is it in date?"
    ),
    "gauge_not_dated": lambda f, s: f"until when it is calibrated is not recorded: gauge {', '.join(f['gauges'])}",
    "nothing_due_before": lambda f, s: (
        f"the book has no characteristic of {few(f['parts'])}: is there nothing to measure before?"
    ),
    "finished_in_air": lambda f, s: f"{f['part']} is finish machined and the load runs in air: it will scale",
    "scale_not_known": lambda f, s: f"{f['part']} runs in air: may it scale?",
    "stock_not_asked": lambda f, s: (
        f"no answer on record says what stock to leave on {few(f['parts'])}: is there enough for how much it moves?"
    ),
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
    "several_customers": lambda f, s: (
        f"pieces of {f['customers']} customers: kept apart and tagged, each with its own traveller"
    ),
    "confidential_load": "a confidential job is in it: no names on tags, no photographs, this sheet stays inside",
    "racked": "racked as on the plan: supports, gaps, nothing leaning, nothing against wall or elements",
    "recorder_on": "recorder running, channels as listed, chart speed and clock right",
    "gas_of_another": lambda f, s: (
        f"the load is to run in {f['asked']}, the record of {f['furnace']} says {f['has']}: is it the right furnace?"
    ),
    "gas_and_protection": "gas, vacuum, over-temperature protection and door as the shop's own rules say",
}
