"""The records that calculation works on: a trace, its channels, a cycle, and what is found.

Every field name is a column name of the book (schema/current.sql); the keeping floor builds these
from rows, and the calculation floor never sees a file, a connection or a terminal.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
import numpy.typing as npt

from loadbook.core.remarks import Remark

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.uint8]

# Flags of one sample; several may be set together. 0 is a sample as good as the recorder wrote it.
MISSING = np.uint8(1)  # blank, or a row too short to hold the channel
OPEN = np.uint8(2)  # an open-circuit sentinel, as text or as the number the recorder writes for it
OUT_OF_RANGE = np.uint8(4)  # outside the range of the sensor's type
DUPLICATE_TIME = np.uint8(8)  # a second sample with the time of an earlier one (the first is kept as it is)
BACKWARD_TIME = np.uint8(16)  # stood in the file out of order; sorted into place
NOT_SAMPLED = np.uint8(32)  # another recorder of the run had a sample at this moment, this channel had none
INVALID = np.uint8(MISSING | OPEN | OUT_OF_RANGE)

Role = Literal["control", "over-temperature", "work", "setpoint", "pressure", "dew point", "oxygen", "other"]
TEMPERATURE_ROLES = ("control", "over-temperature", "work", "setpoint")

DEFAULT_BAND_C = 5.0  # half-width of a hold's band where the cycle states none
HAIR = 1e-11  # share by which a figure can miss its limit that equals it in the unit it was written in: 1135 °F is in
# a band of 15 °F about 1150 °F, though the three differ in the last digit as °C
HAIR_C = 1e-9  # the same of temperatures beside the edge of a band [°C]


@dataclass(frozen=True)
class Channel:
    """One recorder channel of one run.

    quantity    'temperature' [°C], 'pressure' [mbar], 'dew point' [°C], 'oxygen' [unit as recorded] or 'other'
    serial      the piece that a work TC is fixed to; part is that piece's part number
    correction  calibration points (at_c, correction_c), sorted, added to the reading (linear between, held outside)
    as_found    the same of a calibration made after the run: never added, unless a drift is confirmed (repair)
    uses        how often this thermocouple had been used before; hottest_c the hottest it has been
    expanded_uncertainty_c  k = 2, of the whole chain as far as recorded; None where not recorded
    """

    number: int
    name: str
    role: Role = "other"
    quantity: str = "temperature"
    unit: str = "c"
    zone: str | None = None
    part: str | None = None
    serial: str | None = None
    place: str | None = None
    attachment: str | None = None
    depth_mm: float | None = None
    tc_type: str | None = None
    calibration: str | None = None
    correction: tuple[tuple[float, float], ...] = ()
    expanded_uncertainty_c: float | None = None
    x_mm: float | None = None
    y_mm: float | None = None
    z_mm: float | None = None
    uses: int | None = None
    hottest_c: float | None = None
    as_found: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True)
class Event:
    """Something done at a moment of a run. event is a vocabulary word: 'gas backfill', 'fan on',
    'door opened', 'thermocouples unplugged', 'aborted', 'power lost', or the shop's own."""

    t_s: float
    event: str
    note: str | None = None


@dataclass
class Trace:
    """What the recorder kept for one run, on one time axis.

    t_s       (n,) seconds from the trace's start, strictly rising
    values    (channels, n) temperatures in °C, other quantities in their own unit; NaN where missing or open
    flags     (channels, n) bit set of the sample flags above
    channels  one record per row of values, same order
    events    sorted by time
    """

    t_s: Floats
    values: Floats
    flags: Flags
    channels: tuple[Channel, ...]
    events: tuple[Event, ...] = ()
    run: str = ""
    started: str | None = None  # UTC, as times.stored writes it

    def rows(self, role: str) -> list[int]:
        """Indexes (into values) of the channels with a role."""
        return [i for i, c in enumerate(self.channels) if c.role == role]

    def row(self, name: str) -> int:
        """Index of the channel with a name. Raises KeyError."""
        for i, c in enumerate(self.channels):
            if c.name == name:
                return i
        raise KeyError(name)


@dataclass(frozen=True)
class Segment:
    """One segment of a cycle. Temperatures °C, rates °C/h (positive for heating and for cooling), minutes.

    band_low_c, band_high_c   differences, both >= 0: the hold is inside [target - band_low_c, target + band_high_c]
    on_leaving                what leaving the band does to the soak: 'restart', 'pause' or 'end'
    soak_by                   'work' (every valid work TC) or 'furnace' (control TCs only)
    rate_max_c_per_h, rate_min_c_per_h   limits; asked_rate_c_per_h what the program was set to
    rate_of                   'control' or 'work' (the fastest valid work TC)
    rate_above_c, rate_below_c  the rate limits bind only while the measured channel is above / below these
    rate_window_min           window of the least-squares slope; None = 15 min
    """

    number: int
    kind: Literal["heat", "hold", "cool"]
    target_c: float | None = None
    asked_rate_c_per_h: float | None = None
    rate_max_c_per_h: float | None = None
    rate_min_c_per_h: float | None = None
    rate_of: Literal["control", "work"] = "control"
    rate_window_min: float | None = None
    rate_above_c: float | None = None
    rate_below_c: float | None = None
    minutes: float | None = None
    minutes_max: float | None = None
    band_low_c: float | None = None
    band_high_c: float | None = None
    on_leaving: Literal["restart", "pause", "end"] = "restart"
    soak_by: Literal["work", "furnace"] = "work"
    purpose: str | None = None  # 'low hold to check thermocouples', 'soak', ...
    atmosphere: str | None = None
    pressure_max_mbar: float | None = None
    pressure_min_mbar: float | None = None

    @property
    def pace_c_per_h(self) -> float | None:
        """The rate that it is asked to run at, else the fastest allowed."""
        return self.asked_rate_c_per_h if self.asked_rate_c_per_h is not None else self.rate_max_c_per_h

    def edges(self, target_c: float) -> tuple[float, float]:
        """Lower and upper edge [°C] of a hold's band about a target, the default one where the cycle states none; a
        reading at an edge is inside.

        >>> Segment(1, "hold", 620.0, band_low_c=8.0).edges(620.0)
        (611.999999999, 625.000000001)
        """
        low, high = (DEFAULT_BAND_C if b is None else b for b in (self.band_low_c, self.band_high_c))
        return target_c - low - HAIR_C, target_c + high + HAIR_C


@dataclass(frozen=True)
class Limit:
    """One checkable limit of a cycle; each becomes a clause.

    quantity  'spread' [°C diff], 'lead' [°C diff], 'over_temperature' [°C], 'start_control' [°C], 'start_work' [°C],
              'heating_rate' [°C/h], 'cooling_rate' [°C/h], 'event_work' [°C: hottest valid work TC at the event],
              'pressure' [mbar], 'leak_rate' [mbar/h], 'dew_point' [°C], 'oxygen' [as recorded],
              'work_tcs' [count], 'gap' [s], 'soak' [min], 'time_in_range' [min between above_c and below_c],
              'place_tcs' [count], 'pressure_to_cool' [mbar], 'furnace_uniformity' [°C diff], 'gas', 'surface'
    relation  'max': the quantity must not exceed value; 'min': must not fall below it
    phase     'start', 'heating', 'hold', 'cooling' or 'any'; segment restricts it to one segment number
    scope     for spread: 'load', 'piece' or 'distance' (with distance_mm between the two TCs)
    event     the word it is about: the event of event_work, the place of place_tcs, the gas, the surface; for others
              the moment from which it binds: 'soak start', or an event
    above_c, below_c   binds only while the control TC is above / below these temperatures
    window_min         window of the slope for rates; None = 15 min
    rule      None, or how value follows from the thickest section of the pieces [mm]:
              'rate/thickness'  value / (thickness / per_mm), never above cap, never below floor
              'time*thickness'  value * (thickness / per_mm) up to knee_mm, then value_beyond per per_mm; at least floor
    rounding  for rules: 'proportion' or 'fraction' ("per inch or fraction thereof": rounded up)
    typed     the limit as the cycle's author wrote it
    """

    number: int
    quantity: str
    relation: Literal["max", "min"]
    value: float
    phase: Literal["start", "heating", "hold", "cooling", "any"] = "any"
    segment: int | None = None
    scope: Literal["load", "piece", "distance"] = "load"
    distance_mm: float | None = None
    event: str | None = None
    above_c: float | None = None
    below_c: float | None = None
    window_min: float | None = None
    rule: str | None = None
    per_mm: float | None = None
    cap: float | None = None
    floor: float | None = None
    knee_mm: float | None = None
    value_beyond: float | None = None
    rounding: Literal["proportion", "fraction"] = "proportion"
    typed: str | None = None


@dataclass(frozen=True)
class Cycle:
    """A written thermal cycle at one revision."""

    cycle: str
    revision: str = ""
    title: str = ""
    process: str = ""
    atmosphere: str = ""
    segments: tuple[Segment, ...] = ()
    limits: tuple[Limit, ...] = ()

    @property
    def main_hold(self) -> tuple[Segment, float] | None:
        """The hold that the cycle is for, and its target [°C]: the hottest, of equal ones the longest."""
        best: tuple[Segment, float] | None = None
        before: float | None = None
        for s in self.segments:
            target = s.target_c if s.target_c is not None else (before if s.kind == "hold" else None)
            before = target if target is not None else before
            if s.kind == "hold" and target is not None:
                longer = best is None or (target, s.minutes or 0.0) > (best[1], best[0].minutes or 0.0)
                best = (s, target) if longer else best
        return best

    @property
    def surveyed_c(self) -> tuple[float, ...]:
        """Temperatures [°C] at which the furnace's uniformity counts: those of the main hold and of holds after it.
        A lower hold before it is there to let the load even out, and to see that the TCs track."""
        main = self.main_hold
        if main is None:
            return ()
        later = [s for s in self.segments if s.kind == "hold" and s.number > main[0].number and s.target_c is not None]
        return tuple(dict.fromkeys([main[1], *(s.target_c for s in later if s.target_c is not None)]))


@dataclass(frozen=True)
class PieceRecord:
    """What judging needs to know of a piece in the load."""

    part: str
    serial: str
    section_thick_mm: float | None = None
    section_thin_mm: float | None = None
    family: str | None = None
    dose_constant: float | None = None
    diffusivity_m2_per_s: float | None = None
    shape: str | None = None
    tempered_at_c: float | None = None


@dataclass(frozen=True)
class Parameter:
    """One number that describes a run (or one of its channels, then channel is its name).

    se is the standard error where the figure has one (peak rates); at_s the moment it was reached.
    unit is a key of units.SHOWN ('c', 'c_diff', 'c_per_h', 'min', 'h'), or 'mbar', 'mbar_per_h', '' for counts.
    """

    parameter: str
    value: float
    unit: str
    channel: str | None = None
    se: float | None = None
    at_s: float | None = None
    note: str | None = None  # as remarks.stored keeps it


@dataclass(frozen=True)
class FurnaceCheck:
    """The latest check of one kind (at one temperature) that was done by the day of the run.

    state  'current', 'past due', 'failed' or 'no due date'
    """

    kind: str
    done_on: str
    due_on: str | None
    at_c: float | None
    worst_c: float | None
    passed: bool | None
    state: str


@dataclass(frozen=True)
class RunFacts:
    """What is recorded of a run beside its trace, as far as clauses ask for it.

    stopped       the run was aborted: by its status, or by an event
    atmosphere    '' where not recorded
    uniformity_c  the furnace's class, plus or minus [°C difference];  checks  those of its furnace by that day
    holds_c       the temperatures [°C] that a survey must cover (Cycle.surveyed_c), as judging fills them in
    """

    stopped: bool = False
    atmosphere: str = ""
    furnace: str = ""
    uniformity_c: float | None = None
    checks: tuple[FurnaceCheck, ...] = ()
    holds_c: tuple[float, ...] = ()


Verdict = Literal["kept", "broken", "cannot be told"]


@dataclass(frozen=True)
class ClauseResult:
    """How one clause ended.

    clause     short name, unique within the cycle: 'soak 3', 'spread while heating', 'door opened'
    text       the clause as a sentence: its code and figures
    first_s, worst_s  moments of the first and the worst breach (seconds from the trace's start); where the
               clause is kept, worst_s is the moment it came closest
    channel    the channel(s) of the worst moment
    value, limit, unit   the worst value beside its limit
    lasted_s   total time in breach
    missing    for 'cannot be told': what is missing, as a code with figures
    without    the verdict with suspected channels left out, where it differs
    uncertain  True where the recorded sensor uncertainty could turn the verdict
    above_c, below_c   the temperatures between which alone the limit binds, as the cycle states them
    """

    clause: str
    verdict: Verdict
    text: Remark
    value: float | None = None
    limit: float | None = None
    unit: str = ""
    first_s: float | None = None
    worst_s: float | None = None
    channel: str | None = None
    lasted_s: float | None = None
    asked: float | None = None
    missing: Remark | None = None
    without: Verdict | None = None
    uncertain: bool = False
    uncertainty: float | None = None
    segment: int | None = None
    above_c: float | None = None
    below_c: float | None = None


def channels_in(said: str, known: Collection[str] = ()) -> tuple[str, ...]:
    """The channels that a clause's or a fault's `channel` names: of "TC 6 over TC 1" the hotter first.

    known  names of channels: one that holds such a word itself is one

    >>> channels_in("TC 6 over TC 1"), channels_in("Load 2, Load 4"), channels_in("over, left", {"over, left"})
    (('TC 6', 'TC 1'), ('Load 2', 'Load 4'), ('over, left',))
    """
    between = next((b for b in (" over ", ", ") if b in said), None)
    return tuple(said.split(between)) if between and said not in known else (said,)


@dataclass(frozen=True)
class Fault:
    """A suspected sensor fault of one channel over one interval.

    kind        'open', 'frozen', 'step', 'noisy', 'spike', 'detached', 'reversed', 'swapped', 'wrong type', 'shorted'
                or 'drifting'
    confidence  0..1;  certain is True only for faults removed outright (open circuit and sentinels)
    evidence    codes with figures, worded at the edge
    spans       of a fault that comes and goes: its parts, (from, to) each; () where it lasts from start to end
    began       where the start is an estimate: the earliest and the latest moment at which it may have begun
    other       of two channels that traded places: the other one
    wire, table  of a thermocouple read by a wrong table: the type of its wires, and the type it was read as
    """

    kind: str
    channel: str
    start_s: float
    end_s: float
    confidence: float
    certain: bool
    evidence: tuple[Remark, ...]
    figures: dict[str, float] = field(default_factory=dict)
    spans: tuple[tuple[float, float], ...] = ()
    began: tuple[float, float] | None = None
    other: str | None = None
    wire: str | None = None
    table: str | None = None

    def covers(self, t_s: Floats) -> npt.NDArray[np.bool_]:
        """Which moments are inside the fault; (n,)."""
        inside = np.zeros(t_s.shape, dtype=bool)
        for first, last in self.spans or ((self.start_s, self.end_s),):
            inside |= (t_s >= first) & (t_s <= last)
        return inside


@dataclass(frozen=True)
class Judgement:
    """A run judged: every clause, every suspected fault, and what the verdict rests on."""

    verdict: Verdict
    clauses: tuple[ClauseResult, ...]
    faults: tuple[Fault, ...]
    judged_until_s: float
    remarks: tuple[Remark, ...] = ()
