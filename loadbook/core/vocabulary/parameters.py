"""The parameters of a run: one definition each, read by `explain`, help texts, reports and the workbook.

A name in the book may be a variant of the one defined here: `_segment_3` (one segment of the cycle),
`_above_427c` (only samples above a temperature), `event_door_opened_...`. `term_name` leads back to the definition.
"""

from __future__ import annotations

import re
from typing import NamedTuple

from .lookup import Term


class Plannable(NamedTuple):
    """A parameter that a treatment is planned by: what its values are."""

    dimension: str
    unit: str


PLANNED: dict[str, Plannable] = {
    "heating_rate_peak_c_per_h": Plannable("rate", "c_per_h"),
    "hold_mean_c": Plannable("temperature", "c"),
    "soak_minutes": Plannable("duration", "min"),
    "cooling_rate_peak_c_per_h": Plannable("rate", "c_per_h"),
}
PLANNABLE = tuple(PLANNED)

_LS = "ordinary least squares; common practice"
_COMMON = "common practice"
_HJ = "Hollomon & Jaffe, Trans. AIME 162 (1945) 223-249; EN 13445-4:2021 (11.1-1)"

_RATE = (
    "Slopes are least-squares lines over a centred window (the clause's own, else 15 min) on the real timestamps, from "
    "three or more valid samples that span at least half of it; a window never bridges a gap longer than a third of "
    "it (of a recorder whose interval is about as long: longer than one and a half intervals). The peak is taken where the whole window holds samples, and only where there is no such moment from shorter "
    "ones. A peak picks the luckiest noise: it comes with its standard error, and the note says what noise of that "
    "size adds to a peak. A wider window lowers both, and flattens a true rate that lasts less than the window."
)
_HOLD = (
    "The main hold is the one with the hottest target, of equal ones the longest, of the cycle where there is one; a run "
    "that never came to it has no such figure. It runs from the first sample at "
    "which the furnace is inside the band to the last one before it (or the setpoint) leaves for the next segment. "
    "Where the cycle states no band, {5 c_diff} either side is used and the note says so."
)
_SEEN = "Moments are those of samples; time between samples further apart than a third of 15 min is not counted."


def _p(name: str, unit: str, definition: str, formula: str = "", source: str = _COMMON) -> Term:
    return Term(name, "parameter", definition, formula, unit, source)


TERMS: tuple[Term, ...] = (
    _p("heating_rate_peak_c_per_h", "c_per_h",
       f"Steepest rise of the control TC (of several zones the fastest) while heating. {_RATE}",
       "max over heating of sum (t - t')(T - T') / sum (t - t')^2;  se = s / sqrt(sum (t - t')^2)", _LS),
    _p("heating_rate_peak_work_c_per_h", "c_per_h", f"The same of the fastest valid work TC. {_RATE}", "", _LS),
    _p("heating_rate_peak_above_<T>c_c_per_h", "c_per_h",
       "Heating rate, peak, from the samples at which that TC is above T alone, for every threshold that the cycle names.",
       "", _LS),
    _p("heating_rate_peak_above_<T>c_work_c_per_h", "c_per_h",
       "Heating rate, peak, of work, from the samples at which that TC is above T alone.", "", _LS),
    _p("heating_rate_mean_c_per_h", "c_per_h",
       "Rise over time between the samples at which the furnace passes 10 % and 90 % of the climb from its start "
       "temperature to the main hold's target; only time in heating counts, holds on the way are left out.",
       "sum of changes / sum of hours, both over heating"),
    _p("heating_rate_mean_work_c_per_h", "c_per_h",
       "The same of each work TC over its own climb; the run's figure is the fastest one."),
    _p("approach_rate_c_per_h", "c_per_h",
       "Slope of one straight line through the furnace's last {50 c_diff} below the main hold's target, up to the sample at "
       "which it enters the band.", "least squares, with standard error", _LS),
    _p("approach_rate_work_c_per_h", "c_per_h", "The same of the work TC that came in fastest.", "", _LS),
    _p("cooling_rate_peak_c_per_h", "c_per_h",
       f"Steepest fall of the control TC while cooling, as a positive number. {_RATE}",
       "max over cooling of -slope", _LS),
    _p("cooling_rate_peak_work_c_per_h", "c_per_h", f"The same of the fastest valid work TC. {_RATE}", "", _LS),
    _p("cooling_rate_peak_above_<T>c_c_per_h", "c_per_h",
       "Cooling rate, peak, from the samples at which that TC is above T alone, for every threshold that the cycle names.",
       "", _LS),
    _p("cooling_rate_peak_above_<T>c_work_c_per_h", "c_per_h",
       "Cooling rate, peak, of work, from the samples at which that TC is above T alone.", "", _LS),
    _p("cooling_rate_mean_c_per_h", "c_per_h",
       "Fall over time between the samples at which the furnace passes 10 % and 50 % of the way down from the main "
       "hold's target to its start temperature, cooling time only; positive."),
    _p("cooling_rate_mean_work_c_per_h", "c_per_h", "The same of each work TC; the run's figure is the fastest one."),
    _p("hold_start_h", "h", f"Hours from the trace's start to the main hold's first sample. {_HOLD}"),
    _p("hold_end_h", "h", f"Hours from the trace's start to the main hold's last sample. {_HOLD}"),
    _p("hold_minutes", "min", f"Time during the main hold at which the furnace (median of the control TCs) is inside "
       f"the band. {_HOLD} {_SEEN}"),
    _p("hold_longest_excursion_min", "min",
       "Longest time during the main hold from the furnace's last sample inside the band to its next one inside."),
    _p("hold_mean_c", "c",
       f"Mean over time of the furnace (median of the control TCs) during the main hold. Asked: the hold's target. "
       f"{_HOLD}", "trapezoid over time / time"),
    _p("hold_mean_work_c", "c", "Mean over time of the mean of the valid work TCs during the main hold."),
    _p("hold_min_c", "c", "Coldest sample of any control TC during the main hold."),
    _p("hold_max_c", "c", "Hottest sample of any control TC during the main hold."),
    _p("hold_min_work_c", "c", "Coldest sample of any valid work TC during the main hold."),
    _p("hold_max_work_c", "c", "Hottest sample of any valid work TC during the main hold."),
    _p("hold_overshoot_c", "c_diff", "Hottest control sample of the main hold above its target; 0 where none is.",
       "max(hold_max - target, 0)"),
    _p("hold_overshoot_work_c", "c_diff", "Hottest work sample of the main hold above its target; 0 where none is."),
    _p("hold_pressure_mean_mbar", "mbar", "Pressure during the main hold, averaged over decades (the mean of its "
       "logarithm over time); of each gauge where there are several.", "10^mean(log10 p)"),
    _p("hold_pressure_max_mbar", "mbar", "Highest valid pressure during the main hold."),
    _p("leak_up_mbar_per_h", "mbar_per_h",
       "Slope of the pressure between the events 'leak-up started' and 'leak-up ended' (chamber closed, pumps off), "
       "with its standard error.", "least squares", _LS),
    _p("early_hold_scatter_c", "c_diff",
       "Standard deviation between the work TCs at the early hold (the first hold at least {50 c_diff} below the main one): "
       "of each TC's mean over the last ten minutes. It shows whether the thermocouples agree while one can still be "
       "put right.", "s of the TCs' means, n - 1"),
    _p("soak_minutes", "min",
       "Time during which every valid work TC is inside the main hold's band, both edges. It starts at the sample at "
       "which the last one enters, and runs on after the hold until the first one leaves. Leaving the band restarts "
       "(the longest unbroken stretch counts), pauses (all stretches) or ends it (the first), as the cycle says; "
       "at a band that no cycle states less than 5 min outside restarts nothing. It "
       f"can read short by one sampling interval at each end, never long. {_SEEN}"),
    _p("furnace_soak_minutes", "min", "The same time of all control TCs, and all that can be told without work TCs."),
    _p("spread_heating_peak_c", "c_diff",
       "Largest spread over the load while heating: hottest minus coldest valid work TC at the same sample, with the "
       "moment and the two channels.", "max over heating of (hottest - coldest)"),
    _p("spread_soak_peak_c", "c_diff", "Largest spread over the load from the sample at which every work TC is inside "
       "the main hold's band for the first time, to the end of the hold."),
    _p("spread_cooling_peak_c", "c_diff", "Largest spread over the load while cooling, until judging ends."),
    _p("spread_heating_peak_piece_c", "c_diff", "Largest spread within one piece while heating, of the pieces that "
       "carry two or more work TCs."),
    _p("spread_soak_peak_piece_c", "c_diff", "Largest spread within one piece during the soak."),
    _p("spread_cooling_peak_piece_c", "c_diff", "Largest spread within one piece while cooling."),
    _p("lead_heating_peak_c", "c_diff",
       "Largest lead while heating: hottest control zone minus coldest valid work TC at the same sample. Not given "
       "without a control TC of its own.", "max over heating of (hottest control - coldest work)"),
    _p("lead_cooling_peak_c", "c_diff", "Largest lead while cooling: hottest valid work TC minus coldest control zone.",
       "max over cooling of (hottest work - coldest control)"),
    _p("start_control_c", "c", "Hottest control TC at the first sample at which one is valid."),
    _p("start_work_c", "c", "Hottest work TC at the first sample at which one is valid."),
    _p("event_<name>_work_c", "c", "Hottest valid work TC at the last sample at or before an event (the first of its "
       "name). The hottest work TC is not the hottest point of the load."),
    _p("event_<name>_control_c", "c", "Hottest valid control TC at the last sample at or before an event."),
    _p("hours_above_<T>c", "h", "Hours at which the furnace is at or above T, for every full {100 c_diff} that it reached. A "
       f"step between samples counts where both ends are. {_SEEN}"),
    _p("hours_above_<T>c_work", "h", "Hours at which the coldest valid work TC, and so all of them, is at or above T."),
    _p("cycle_hours", "h", "Hours from the trace's first sample to where judging ends: door opened or thermocouples "
       "unplugged, else the last sample."),
    _p("dose_hj", "",
       "Time-temperature exposure as a Hollomon-Jaffe parameter in thousands, with the state carried: from P follows "
       "the time that would have given it at the new temperature, the step is added, P is taken again. The run's "
       "figure is the median of its work TCs; without work TCs that of the furnace. The constant is the material's; "
       "where it has none, or the load mixes constants, or a TC is unseen for longer than a third of 15 min, it is "
       "undefined.", "P = T_K (C + log10 t_h) / 1000", _HJ),
    _p("dose_hj_coldest", "", "The smallest dose of the work TCs.", "", _HJ),
    _p("dose_hj_hottest", "", "The largest dose of the work TCs.", "", _HJ),
    _p("dose_equivalent_minutes", "min", "Minutes at the main hold's target that give the run's dose: the hold plus "
       "what heating and cooling were worth.", "60 * 10^(1000 P / T_K - C)", _HJ),
    _p("section_lag_c", "c_diff",
       "Estimated surface minus centre of the thickest section in the load, heated at the run's peak rate r with "
       "thermal diffusivity a: half-thickness or radius L, k = 2 for a slab heated on both sides, 4 for a solid "
       "round, 6 for a ball. The steady value: it builds up over some L^2/a.", "r L^2 / (k a)",
       "Carslaw & Jaeger, Conduction of Heat in Solids, 2nd ed. (1959)"),
    _p("section_lag_measured_c", "c_diff",
       "Largest difference while heating between a TC on the thin section or the surface and one on the thick section "
       "or the core of the same piece, by the places recorded; shown beside the estimate."),
    _p("tc_faults", "", "Number of sensor faults found on control, over-temperature and work TCs, certain and "
       "suspected."),
)  # fmt: skip

_VARIANTS = (
    (re.compile(r"_segment_\d+$"), ""),
    (re.compile(r"^((?:heating|cooling)_rate_peak)_above_(?:minus)?\d+c"), r"\1_above_<T>c"),
    (re.compile(r"^hours_above_\d+c"), "hours_above_<T>c"),
    (re.compile(r"^event_.+_(work|control)_c$"), r"event_<name>_\1_c"),
)


def term_name(parameter: str) -> str:
    """The name under which a parameter's definition stands.

    >>> term_name("soak_minutes_segment_4"), term_name("hours_above_600c_work")
    ('soak_minutes', 'hours_above_<T>c_work')
    >>> term_name("cooling_rate_peak_above_427c_c_per_h"), term_name("event_door_opened_work_c")
    ('cooling_rate_peak_above_<T>c_c_per_h', 'event_<name>_work_c')
    """
    for pattern, name in _VARIANTS:
        parameter = pattern.sub(name, parameter)
    return parameter
