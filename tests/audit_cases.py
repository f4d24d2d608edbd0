"""Whole runs with a planted truth: what an auditor pulls out of the drawer, good twins beside bad.

Soaks that pause, TCs of two types and survey TCs beside, calibrations, sub-zero between tempers, limits by section,
piece and distance, dew point and oxygen, recorders so coarse that the figure stands at its limit. Each stands in CASES
of test_run_cases.py and is judged in °C and in °F.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import partial

import numpy as np

from loadbook.analysis.trace.model import Channel, PieceRecord, Trace

from .runcase import BROKEN, KEPT, OPEN, WORK, Must, RunCase, Tc, Zone, cool, cycle, heat, hold, limit, path, run
from .shop_cases import dies, dipped, rounded, touched
from .week_cases import in_whole

FAST = {"rate_max": "110 C/h"}
COOL = {"rate_max": "90 C/h"}
HEAT, SOAK, COOLED = heat("620 C", **FAST), hold("620 C", minutes=60), cool("100 C", **COOL)
PLAIN = cycle(HEAT, SOAK, COOLED)
GOOD = path(20.0, (620.0, 100.0), 1.6, (90.0, 80.0), 0.5)  # 620 °C at 6 h, cooling from 7.6 h, 100 °C at 14.1 h


def held(hours: float) -> list[tuple[float, float]]:
    return path(20.0, (620.0, 100.0), hours, (90.0, 80.0), 0.5)


def named(**roles: Callable[[Channel], Channel]) -> Callable[[Trace], None]:
    """Channels changed by name ('_' for the blank)."""

    def touch(trace: Trace) -> None:
        change = {name.replace("_", " "): how for name, how in roles.items()}
        trace.channels = tuple(change.get(c.name, lambda x: x)(c) for c in trace.channels)

    return touch


def every_work(trace: Trace, **fields: tuple[object, ...]) -> None:
    """Fields of the work TCs, in their order."""
    work = iter(range(99))
    made = []
    for c in trace.channels:
        k = next(work) if c.role == "work" else None
        made.append(c if k is None else replace(c, **{f: v[k] for f, v in fields.items()}))  # type: ignore[arg-type]
    trace.channels = tuple(made)


def added(trace: Trace, channel: Channel, values: np.ndarray) -> None:
    trace.channels = (*trace.channels, channel)
    trace.values = np.vstack([trace.values, values])
    trace.flags = np.zeros(trace.values.shape, np.uint8)


def beside(trace: Trace, role: str, off_c: float) -> None:
    """One more thermocouple that stands so far from Zone 1 at 620 °C."""
    y = trace.values[trace.row("Zone 1")]
    added(trace, Channel(60, "Beside", role, tc_type="N"), y + off_c * (y - 20.0) / 600.0)  # type: ignore[arg-type]


def gauge(trace: Trace, role: str, quantity: str, points: list[tuple[float, float]], unit: str = "c") -> None:
    """A channel of another quantity, through (hour, value) points."""
    hours, level = zip(*points, strict=True)
    added(trace, Channel(61, role.title(), role, quantity, unit),  # type: ignore[arg-type]
          np.interp(trace.t_s / 3600.0, hours, level))  # fmt: skip


def gap(trace: Trace, from_h: float, to_h: float) -> None:
    """The recorder writes nothing for a while."""
    keep = (trace.t_s <= from_h * 3600.0) | (trace.t_s >= to_h * 3600.0)
    trace.t_s, trace.values, trace.flags = trace.t_s[keep], trace.values[:, keep], trace.flags[:, keep]


def reads_low(trace: Trace, by_c: float, correction: bool) -> None:
    """Zone 2 reads low in proportion; its calibration says so, or nobody entered it."""
    row = trace.row("Zone 2")
    trace.values[row] -= by_c * (trace.values[row] - 20.0) / 600.0
    if correction:
        points = ((20.0, 0.0), (620.0 - by_c, by_c))
        named(Zone_2=lambda c: replace(c, correction=points))(trace)


def pulled(trace: Trace, name: str, at_h: float) -> None:
    """The TC is pulled out of the load and reads the shop within two minutes."""
    hours = trace.t_s / 3600.0
    row = trace.row(name)
    y = trace.values[row]
    out = hours >= at_h
    y[out] = 25.0 + (y[np.argmax(out)] - 25.0) * np.exp(-(hours[out] - at_h) * 60.0)


def relabelled(trace: Trace, at_h: float = 4.0) -> None:
    """TC 2 goes on as TC 9 from a moment on: somebody moved its plug."""
    row = trace.row("TC 2")
    late = trace.t_s >= at_h * 3600.0
    added(trace, replace(trace.channels[row], number=69, name="TC 9"), np.where(late, trace.values[row], np.nan))
    trace.values[row, late] = np.nan


def overshot(trace: Trace, at_h: float, by_c: float, for_min: float) -> None:
    """The control TCs overshoot while the load does not feel it."""
    dipped(trace, at_h, -by_c, for_min, tuple(c.name for c in trace.channels if c.role == "control"))


def without_control(trace: Trace) -> None:
    """The control TCs were never written to the recorder."""
    keep = [i for i, c in enumerate(trace.channels) if c.role != "control"]
    trace.channels = tuple(trace.channels[i] for i in keep)
    trace.values, trace.flags = trace.values[keep], trace.flags[keep]


# ---- approach, holds, soaks ------------------------------------------------------------------------------------------
SHORT_MIDDLE = cycle(heat("315 C", **FAST), hold("315 C", minutes=30), heat("480 C", **FAST), hold("480 C", minutes=10),
                     HEAT, SOAK, COOLED)  # fmt: skip
NEAR = cycle(heat("600 C", **FAST), hold("600 C", minutes=30), heat("620 C", rate_max="30 C/h"), SOAK, COOLED)
NEAR_RUN = path(20.0, (600.0, 100.0), 1.4, (620.0, 20.0), 1.6, (90.0, 80.0), 0.5)  # 600 at 5.8, on at 7.2, 620 at 8.2


def leaving(rule: str) -> str:
    return PLAIN.replace("minutes = 60", f'minutes = 60\non_leaving = "{rule}"')


SECTION = PLAIN + limit("soak", segment=2, min="60 min", rule="time*thickness", per="25.4 mm") + "\n"
THICK = (PieceRecord("A", "1", 40.0),)  # 94.5 min
BY_SECTION_RATE = cycle(heat("620 C"), SOAK, COOLED, limit("heating_rate", max="400 C/h", rule="rate/thickness",
                                                          per="25.4 mm", floor="60 C/h"))  # fmt: skip

# ---- bands of °F books -----------------------------------------------------------------------------------------------
US = cycle(heat("1125 F", rate_max="200 F/h"), hold("1125 F", "20 F diff", minutes=60), cool("212 F",
               rate_max="165 F/h"),
           over_temperature="1200 F", spread_hold="60 F diff", spread_from="soak start")  # fmt: skip
US_LOW = US.replace("1125 F", "1100 F")


def c(fahrenheit: float) -> float:
    return (fahrenheit - 32.0) / 1.8


QUICK = tuple(replace(w, lag_min=6.0) for w in WORK)


def at_edge(fahrenheit: float, target: float = 1125.0) -> Trace:
    """A recorder in steps of 1 °F; TC 1 comes to stand at a figure to the degree."""
    made = run(path(20.0, (c(target), 100.0), 2.6, (90.0, 80.0), 0.5), noise_c=0.05, work=QUICK)
    row, hours = made.row("TC 1"), made.t_s / 3600.0
    y = made.values[row]
    stands = y[(hours > 7.2) & (hours < 8.2)].mean()
    made.values[row] = y + (c(fahrenheit) - stands) * (y - 20.0) / (stands - 20.0)
    in_whole(made, 1.0)
    return made


# ---- cold between tempers, ageing in steps ---------------------------------------------------------------------------
SUB_ZERO = cycle(heat("540 C", rate_max="300 C/h"), hold("540 C", minutes=60), cool("30 C"), cool("-80 C"),
                 hold("-80 C", minutes=60), heat("20 C"), heat("540 C", rate_max="300 C/h"), hold("540 C", minutes=60),
                 cool("60 C"), process="temper")  # fmt: skip
ONE = (540.0, 200.0)
STEP_AGE = cycle(heat("720 C", rate_max="200 C/h"), hold("720 C", minutes=120),
                 cool("620 C", rate_max="60 C/h", rate_min="40 C/h"), hold("620 C", minutes=120), cool("100 C"),
                 process="age")  # fmt: skip


def step_aged(fall_c_per_h: float, second_h: float = 3.0) -> Trace:
    return run(path(20.0, (720.0, 150.0), 2.8, (620.0, fall_c_per_h), second_h, (90.0, 200.0), 0.5))


EMBRITTLED = cycle(HEAT, SOAK, COOLED, limit("time_in_range", above="375 C", below="575 C", max="240 min"))
BANDS = cycle(heat("620 C", rate_max="60 C/h", rate_above="450 C"), SOAK,
              cool("100 C", rate_max="45 C/h", rate_above="480 C"),
              limit("cooling_rate", segment=3, below="300 C", max="60 C/h"))  # fmt: skip


def banded(heat_top: float, cool_top: float, cool_low: float) -> Trace:
    return run(path(20.0, (445.0, 150.0), (620.0, heat_top), 1.6, (475.0, cool_top), (305.0, 100.0), (90.0, cool_low),
                    0.5))  # fmt: skip


# ---- vacuum and atmosphere -------------------------------------------------------------------------------------------
VACUUM_HEAT = cycle(heat("620 C", rate_max="110 C/h", pressure_max="5e-2 mbar"), SOAK, cool("100 C",
               rate_max="140 C/h"),
                    atmosphere="vacuum")  # fmt: skip
SOAK_PRESSURE = cycle(HEAT, SOAK, cool("100 C", rate_max="140 C/h"),
                      limit("pressure", max="1e-3 mbar", from_="soak start"), atmosphere="vacuum")  # fmt: skip
GASES = cycle(HEAT, SOAK, cool("100 C", rate_max="140 C/h"), gas="argon", atmosphere="vacuum")
LEAKS = cycle(HEAT, SOAK, cool("100 C", rate_max="140 C/h"), limit("leak_rate", max="1e-2 mbar/h"), atmosphere="vacuum")
STEP_VACUUM = cycle(HEAT, SOAK, cool("500 C", **COOL), hold("500 C", minutes=30), cool("100 C", rate_max="140 C/h"),
                    limit("pressure_to_cool", segment=3, max="1e-2 mbar"), atmosphere="vacuum")  # fmt: skip
FALL = path(20.0, (620.0, 100.0), 1.6, (500.0, 80.0), (90.0, 120.0), 0.5)
FALL_STEP = path(20.0, (620.0, 100.0), 1.6, (500.0, 80.0), 1.2, (90.0, 120.0), 0.5)  # 500 at 9.1, on at 10.3


def two_leaks(second_mbar_per_h: float) -> Trace:
    level = [(0.0, 1e-2), (0.02, 1e-2), (0.52, 1.2e-2), (0.6, 1e-3), (6.8, 1e-3), (7.3, 1e-3 + 0.5 * second_mbar_per_h),
             (7.35, 1e-3), (20.0, 1e-3)]  # fmt: skip
    return run(FALL, vacuum=True, pressure=level,
               events=[(0.02, "leak-up started", None), (0.52, "leak-up ended", None), (6.8, "leak-up started", None),
                       (7.3, "leak-up ended", None)])  # fmt: skip


DRY = cycle(HEAT, SOAK, COOLED, dew_point_hold="-40 C", atmosphere="nitrogen")
LEAN = cycle(HEAT, SOAK, COOLED, oxygen_hold=50, atmosphere="nitrogen")
PIECE = cycle(HEAT, SOAK, COOLED, spread_hold="10 C diff", spread_scope="piece", spread_from="soak start")
CLOSE = cycle(HEAT, hold("620 C", "20 C diff", minutes=60), COOLED, spread_hold="10 C diff", spread_scope="distance",
              spread_within="300 mm", spread_from="soak start")  # fmt: skip
PIECE_WIDE = PIECE.replace("8 C diff", "20 C diff")
UNEVEN = (Tc(1.0, 6.0), Tc(14.0, 9.0), Tc(1.0, 6.0), Tc(14.0, 9.0))
UNEVEN_BY_PIECE = partial(every_work, serial=("1", "2", "1", "2"), part=("A",) * 4)
UNEVEN_IN_PIECE = partial(every_work, serial=("1", "1", "2", "2"), part=("A",) * 4)
FAR_APART = partial(every_work, x_mm=(0.0, 900.0, 100.0, 1000.0), y_mm=(0.0,) * 4, z_mm=(0.0,) * 4)
NEAR_BY = partial(every_work, x_mm=(0.0, 200.0, 900.0, 1100.0), y_mm=(0.0,) * 4, z_mm=(0.0,) * 4)
ASYMMETRIC = PLAIN.replace('band_low = "8 C diff"\nband_high = "8 C diff"',
                           'band_low = "3 C diff"\nband_high = "12 C diff"')  # fmt: skip

# ---- loaded hot, carried over, lagging -------------------------------------------------------------------------------
LAGS = (Zone(0.0, 7.0), Zone(-1.0, 8.0), Zone(1.0, 7.0))
HOT = cycle(hold("850 C", minutes=30), cool("120 C"), process="harden")
HOT_NAMED = cycle(heat("850 C"), hold("850 C", minutes=30), cool("120 C"), process="harden")
TRANSFER = cycle(heat("840 C"), hold("840 C", minutes=30), cool("30 C"), cool("-70 C"), hold("-70 C", minutes=60),
                 heat("15 C"), limit("time_in_range", above="-50 C", below="60 C", phase="cooling", max="120 min"),
                 process="harden")  # fmt: skip
HOT_SPREAD = cycle(HEAT, SOAK, COOLED, limit("spread", above="500 C", phase="heating", max="25 C diff"))
ONE_SLOW = (Tc(0.0, 3.0), Tc(1.0, 8.0), Tc(1.0, 10.0), Tc(2.0, 24.0))
TWO_HOLDS = cycle(heat("450 C", **FAST), hold("450 C", minutes=30), HEAT, SOAK, COOLED, spread_hold="10 C diff",
                  spread_from="soak start")  # fmt: skip
LEAST = cycle(heat("620 C", rate_max="110 C/h", rate_min="85 C/h", rate_above="100 C"), SOAK,
              cool("100 C", rate_max="90 C/h", rate_min="60 C/h"))  # fmt: skip
FAN = cycle(HEAT, SOAK, cool("400 C", **COOL), cool(), fan_on="380 C")
SLOWER = cycle(heat("400 C", rate_max="160 C/h"), heat("620 C", rate_max="60 C/h"), SOAK, COOLED)
TEN_APART = cycle(heat("600 C", **FAST), hold("600 C", minutes=30), heat("610 C", rate_max="30 C/h"),
                  hold("610 C", minutes=60), COOLED)  # fmt: skip
STEP_20 = cycle(HEAT, SOAK, cool("600 C", **COOL), hold("600 C", minutes=30), COOLED)
FOUR_IN_HOLD = cycle(HEAT, SOAK, COOLED, limit("work_tcs", phase="hold", min=4))


def hot_charge(dip_c: float, hours: float = 1.5) -> Trace:
    """The furnace stands at 850 °C and dips as the cold load goes in."""
    work = (Tc(1.0, 6.0), Tc(2.0, 9.0), Tc(2.0, 8.0), Tc(1.0, 7.0))
    made = run(path(850.0, hours, (100.0, 400.0), 0.5), work=work)
    hours_gone = made.t_s / 3600.0
    for i, channel in enumerate(made.channels):
        if channel.role == "control":
            made.values[i] -= dip_c * np.exp(-hours_gone / 0.15)
        else:
            made.values[i] -= 830.0 * np.exp(-60.0 * hours_gone / work[int(channel.name[-1]) - 1].lag_min)
    return made


def carried_over(hours: float) -> Trace:
    """Quenched to 25 °C, and into the cold so many hours later."""
    program = path(20.0, (840.0, 300.0), 1.0, (25.0, 1500.0), hours, (-70.0, 100.0), 1.6, (20.0, 100.0), 0.5)
    return run(program, work=(Tc(1.0, 4.0), Tc(1.0, 5.0), Tc(0.5, 4.0), Tc(1.0, 3.0)))


CREEPING = cycle(heat("570 C", rate_max="165 C/h"), heat("620 C", rate_max="50 C/h"), SOAK, COOLED)
TIGHT = cycle(HEAT, SOAK, cool("400 C", **COOL), cool("100 C", rate_max="35 C/h"))


def traded(trace: Trace, a: str, b: str, from_h: float, to_h: float = 99.0) -> None:
    """Two channels show each other's thermocouple for a while."""
    i, j, hours = trace.row(a), trace.row(b), trace.t_s / 3600.0
    part = (hours >= from_h) & (hours < to_h)
    trace.values[np.ix_([i, j], part)] = trace.values[np.ix_([j, i], part)]


SLOW_2 = (Tc(1.0, 6.0), Tc(6.0, 22.0), Tc(3.0, 12.0), Tc(2.0, 14.0), Tc(1.5, 10.0))
TRADED = {"confirmed": frozenset({("Zone 2", "swapped", "confirmed"), ("TC 2", "swapped", "confirmed")})}


def plugged_late(trace: Trace, at_h: float = 1.0) -> None:
    """TC 2 is plugged in an hour after heating began."""
    trace.values[trace.row("TC 2"), trace.t_s < at_h * 3600.0] = np.nan


AUDIT = [
    # approach and holds
    RunCase("a middle hold of ten minutes", SHORT_MIDDLE,
            partial(run, path(20.0, (315.0, 100.0), 1.0, (480.0, 100.0), 0.6, (620.0, 100.0), 1.6, (90.0, 80.0), 0.5)),
            KEPT),
    RunCase("a middle hold of ten minutes, gone on too soon", SHORT_MIDDLE,
            partial(run, path(20.0, (315.0, 100.0), 1.0, (480.0, 100.0), 0.22, (620.0, 100.0), 1.6, (90.0, 80.0), 0.5)),
            BROKEN, {"soak 4": Must(BROKEN, 5.7, 6.2)}),
    RunCase("overshoot of the hold below into the band of the one above", NEAR,
            partial(run, NEAR_RUN, touch=partial(overshot, at_h=5.85, by_c=18.0, for_min=4.0)), KEPT),
    RunCase("hold below the soak cut short", NEAR,
            partial(run, path(20.0, (600.0, 100.0), 0.1, (620.0, 20.0), 1.6, (90.0, 80.0), 0.5)), BROKEN,
            {"soak 2": Must(BROKEN, 6.2, 6.6)}),
    RunCase("soak that pauses, long enough in two parts", leaving("pause"),
            partial(run, held(2.2), touch=partial(dipped, at_h=7.0, by_c=30.0)), KEPT),
    RunCase("soak that pauses, too short in two parts", leaving("pause"),
            partial(run, held(1.5), touch=partial(dipped, at_h=6.8, by_c=30.0)), BROKEN,
            {"soak 2": Must(BROKEN, 6.7, 8.0)}),
    RunCase("soak that leaving ends, left too soon", leaving("end"),
            partial(run, held(3.5), touch=partial(dipped, at_h=6.9, by_c=30.0)), BROKEN,
            {"soak 2": Must(BROKEN, 6.85, 7.1)}),
    RunCase("soak that leaving ends, left when it was long enough", leaving("end"),
            partial(run, held(2.6), touch=partial(dipped, at_h=7.8, by_c=30.0)), KEPT),
    RunCase("set five degrees high, inside the band", PLAIN, partial(run, path(20.0, (625.0, 100.0), 1.6, (90.0, 80.0),
            0.5), setpoint=True), KEPT),
    RunCase("soak by the section", SECTION, partial(run, held(2.2)), KEPT, pieces=THICK),
    RunCase("soak by the section, too short for it", SECTION, partial(run, held(1.6)), BROKEN,
            {"soak 2 by section": Must(BROKEN, 7.5, 8.0)}, pieces=THICK),
    RunCase("soak by a section that nobody recorded", SECTION, partial(run, held(2.2)), OPEN,
            {"soak 2 by section": Must(OPEN, words=("thickest section of part A",))},
            pieces=(PieceRecord("A", "1"),)),
    RunCase("heating rate by the section", BY_SECTION_RATE, partial(run, GOOD), KEPT,
            pieces=(PieceRecord("A", "1", 90.0),)),
    RunCase("heating rate by the section, too fast for it", BY_SECTION_RATE, partial(run, GOOD), BROKEN,
            {"heating rate": Must(BROKEN, 0.0, 1.0)}, pieces=(PieceRecord("A", "1", 130.0),)),
    RunCase("band wider above than below", ASYMMETRIC,
            partial(run, GOOD, work=(Tc(-7.0, 6.0), Tc(1.0, 9.0))), KEPT),
    RunCase("band wider above than below, too hot", ASYMMETRIC,
            partial(run, GOOD, work=(Tc(-14.5, 6.0), Tc(1.0, 9.0))), BROKEN,
            {"hold 2 upper edge": Must(BROKEN, 6.0, 7.0), "soak 2": Must(BROKEN)}),
    RunCase("band wider above than below, too cold", ASYMMETRIC,
            partial(run, GOOD, work=(Tc(-2.0, 6.0), Tc(5.0, 9.0))), BROKEN, {"soak 2": Must(BROKEN)}),
    RunCase("low hold at most an hour and a half", PLAIN.replace(HEAT, "\n".join([
            heat("315 C", **FAST), hold("315 C", minutes=30, minutes_max=90), HEAT])),
            partial(run, path(20.0, (315.0, 100.0), 1.2, (620.0, 100.0), 1.6, (90.0, 80.0), 0.5)), KEPT),
    RunCase("low hold waited at for three hours", PLAIN.replace(HEAT, "\n".join([
            heat("315 C", **FAST), hold("315 C", minutes=30, minutes_max=90), HEAT])),
            partial(run, path(20.0, (315.0, 100.0), 3.2, (620.0, 100.0), 1.6, (90.0, 80.0), 0.5)), BROKEN,
            {"soak 2 at most": Must(BROKEN, 4.5, 5.1)}),
    RunCase("a furnace soak, one zone out for a quarter of an hour",
            PLAIN.replace("minutes = 60", 'minutes = 60\nsoak_by = "furnace"'),
            partial(run, GOOD, touch=partial(dipped, at_h=6.7, by_c=20.0, for_min=15.0, names=("Zone 2",))), BROKEN,
            {"soak 2": Must(BROKEN, 6.7, 6.95)}),
    # at the edge, in °F
    RunCase("coldest TC at the band's lower edge to the degree", US_LOW, partial(at_edge, 1080.0, 1100.0), KEPT),
    RunCase("coldest TC a degree below the band", US_LOW, partial(at_edge, 1079.0, 1100.0), BROKEN,
            {"soak 2": Must(BROKEN), "spread during holds from soak start": Must(OPEN, words=("never began",))}),
    RunCase("hottest TC at the band's upper edge to the degree", US, partial(at_edge, 1145.0), KEPT),
    RunCase("hottest TC a degree above the band", US, partial(at_edge, 1146.0), BROKEN,
            {"hold 2 upper edge": Must(BROKEN, 5.9, 8.4), "soak 2": Must(BROKEN)}),
    RunCase("spread at its limit to the degree", US.replace("60 F", "26 F"), partial(at_edge, 1145.0), KEPT),
    RunCase("spread above its limit by a degree", US.replace("60 F", "25 F"), partial(at_edge, 1145.0), BROKEN,
            {"spread during holds from soak start": Must(BROKEN, 5.9, 8.4)}),
    RunCase("over-temperature to the degree", US.replace("1200 F", "1145 F"), partial(at_edge, 1145.0), KEPT),
    RunCase("over-temperature by a degree", US.replace("1200 F", "1144 F"), partial(at_edge, 1145.0), BROKEN,
            {"over-temperature": Must(BROKEN, 5.9, 8.4)}),
    RunCase("one row in five minutes, a soak of an hour and a minute",
            PLAIN, partial(run, path(20.0, 0.034, (620.0, 100.0), 73.0 / 60.0, (90.0, 80.0), 0.5), step_s=300.0), OPEN,
            {"soak 2": Must(OPEN, words=("between the recorder's samples", "55 min were seen, 65 at most"))}),
    RunCase("one row in five minutes, a soak of three quarters of an hour",
            PLAIN, partial(run, path(20.0, 0.034, (620.0, 100.0), 58.0 / 60.0, (90.0, 80.0), 0.5), step_s=300.0),
                BROKEN,
            {"soak 2": Must(BROKEN, 6.8, 7.2)}),
    RunCase("steps of a degree F, one row a minute, work's rate", cycle(
            heat("620 C", rate_max="120 C/h", rate_of="work"), SOAK, COOLED),
            partial(run, GOOD, step_s=60.0, touch=partial(in_whole, fahrenheit=1.0)), KEPT),
    RunCase("steps of a degree F, one row a minute, work too fast", cycle(
            heat("620 C", rate_max="120 C/h", rate_of="work"), SOAK, COOLED),
            partial(run, path(20.0, (300.0, 100.0), (450.0, 150.0), (620.0, 100.0), 1.6, (90.0, 80.0), 0.5),
                    step_s=60.0, touch=partial(in_whole, fahrenheit=1.0)), BROKEN, {"heat 1 rate": Must(BROKEN, 2.7,
                        3.3)}),
    # thermocouples
    RunCase("work TCs of two types", PLAIN,
            partial(run, GOOD, touch=partial(every_work, tc_type=("K", "N", "S", "N"))), KEPT),
    RunCase("a survey TC in a cold corner beside",
            PLAIN, partial(run, GOOD, touch=partial(beside, role="other", off_c=-25.0)),
            KEPT),
    RunCase("the over-temperature TC below its limit", PLAIN + '[limits]\nover_temperature = "660 C"\n',
            partial(run, GOOD, touch=partial(beside, role="over-temperature", off_c=30.0)), KEPT),
    RunCase("the over-temperature TC above its limit", PLAIN + '[limits]\nover_temperature = "640 C"\n',
            partial(run, GOOD, touch=partial(beside, role="over-temperature", off_c=30.0)), BROKEN,
            {"over-temperature": Must(BROKEN, 5.6, 6.1)}),
    RunCase("a zone reads low, its calibration entered", PLAIN,
            partial(run, GOOD, touch=partial(reads_low, by_c=12.0, correction=True)), KEPT),
    RunCase("a zone reads low, no calibration entered", PLAIN,
            partial(run, GOOD, touch=partial(reads_low, by_c=12.0, correction=False)), BROKEN,
            {"heat 1 target": Must(BROKEN, 7.5, 8.0)}),
    RunCase("the controller overshoots, below the limit", PLAIN + '[limits]\nover_temperature = "640 C"\n',
            partial(run, GOOD, touch=partial(overshot, at_h=6.1, by_c=12.0, for_min=4.0)), KEPT),
    RunCase("the controller overshoots the limit", PLAIN + '[limits]\nover_temperature = "640 C"\n',
            partial(run, GOOD, touch=partial(overshot, at_h=6.1, by_c=35.0, for_min=4.0)), BROKEN,
            {"over-temperature": Must(BROKEN, 6.1, 6.2)}),
    RunCase("a TC's plug moved to another channel", PLAIN + "[limits]\nwork_tcs = 4\n",
            partial(run, GOOD, touch=relabelled), KEPT),
    RunCase("a TC pulled while the rest cools, nobody wrote it down",
            PLAIN + '[limits]\nspread_cooling = "60 C diff"\n',
            partial(run, GOOD, touch=partial(pulled, name="TC 2", at_h=11.0)), OPEN,
            {"spread while cooling": Must(OPEN, words=("TC 2",))}),
    RunCase("cooled in the furnace, then unplugged and taken to air",
            cycle(HEAT, SOAK, cool("400 C", **COOL), cool(), spread_cooling="60 C diff"),
            partial(run, GOOD, touch=touched(*(partial(pulled, name=f"TC {i}", at_h=10.6 + 0.02 * i) for i in range(1,
                5))),
                    events={"thermocouples unplugged": 10.6}), KEPT),
    RunCase("fewer TCs while cooling, where the hold asks for four",
            cycle(HEAT, SOAK, COOLED, limit("work_tcs", segment=2, min=4)),
            partial(run, GOOD, touch=partial(dies, at_h=9.0)), KEPT),
    RunCase("no control TC recorded", PLAIN, partial(run, GOOD, touch=without_control), OPEN, {
        "heat 1 rate": Must(OPEN), "heat 1 target": Must(OPEN, words=("control TC",)), "cool 3 rate": Must(OPEN),
        "cool 3 target": Must(OPEN)}),
    # sub-zero, ageing, time in range
    RunCase("sub-zero between two tempers", SUB_ZERO,
            partial(run, path(20.0, ONE, 1.6, (25.0, 200.0), 0.5, (-80.0, 100.0), 1.8, (22.0, 100.0), 0.5, ONE, 1.6,
                              (50.0, 200.0), 0.5)), KEPT),
    RunCase("sub-zero left out between two tempers", SUB_ZERO,
            partial(run, path(20.0, ONE, 1.6, (25.0, 200.0), 1.5, ONE, 1.6, (50.0, 200.0), 0.5)), BROKEN,
            {"cool 4 target": Must(BROKEN), "soak 5": Must(BROKEN), "hold 5 upper edge": Must(OPEN)}),
    RunCase("sub-zero too short between two tempers", SUB_ZERO,
            partial(run, path(20.0, ONE, 1.6, (25.0, 200.0), 0.5, (-80.0, 100.0), 0.9, (22.0, 100.0), 0.5, ONE, 1.6,
                              (50.0, 200.0), 0.5)), BROKEN, {"soak 5": Must(BROKEN, 9.2, 9.5)}),
    RunCase("aged in two steps", STEP_AGE, partial(step_aged, 50.0), KEPT),
    RunCase("aged in two steps, stepped down too fast", STEP_AGE, partial(step_aged, 90.0), BROKEN,
            {"cool 3 rate": Must(BROKEN, 7.3, 7.8)}),
    RunCase("aged in two steps, stepped down too slowly", STEP_AGE, partial(step_aged, 25.0), BROKEN,
            {"cool 3 slowest rate": Must(BROKEN, 7.4, 8.0)}),
    RunCase("aged in two steps, the second too short", STEP_AGE, partial(step_aged, 50.0, 1.5), BROKEN,
            {"soak 4": Must(BROKEN, 10.8, 11.4)}),
    RunCase("in the embrittling range, heating and cooling together too long", EMBRITTLED, partial(run, GOOD), BROKEN,
            {"time in range": Must(BROKEN, 10.0, 10.8)}),
    RunCase("in the embrittling range, cooling alone", EMBRITTLED + 'phase = "cooling"\n',
            partial(run, GOOD), KEPT),
    RunCase("three rates in three ranges", BANDS, partial(banded, 50.0, 40.0, 50.0), KEPT),
    RunCase("too fast in the hot range of heating", BANDS, partial(banded, 80.0, 40.0, 50.0), BROKEN,
            {"heat 1 rate": Must(BROKEN, 2.7, 3.3)}),
    RunCase("too fast in the hot range of cooling", BANDS, partial(banded, 50.0, 70.0, 50.0), BROKEN,
            {"cool 3 rate": Must(BROKEN, 7.8, 8.4)}),
    RunCase("too fast in the cold range of cooling", BANDS, partial(banded, 50.0, 40.0, 90.0), BROKEN,
            {"cooling rate in segment 3": Must(BROKEN, 13.2, 13.8)}),
    # recorder
    RunCase("ten minutes missing on the ramp",
            PLAIN, partial(run, GOOD, touch=partial(gap, from_h=3.0, to_h=3.17)), KEPT),
    RunCase("half an hour missing on the ramp",
            PLAIN, partial(run, GOOD, touch=partial(gap, from_h=3.0, to_h=3.5)), OPEN,
            {"heat 1 rate": Must(OPEN, 2.8, 3.1, ("no rate could be taken",))}),
    RunCase("ten minutes missing where five are allowed", PLAIN + '[limits]\nlongest_gap = "5 min"\n',
            partial(run, GOOD, touch=partial(gap, from_h=10.0, to_h=10.17)), BROKEN,
            {"longest gap": Must(BROKEN, 9.9, 10.05), "cool 3 rate": Must(KEPT)}),
    RunCase("four minutes missing where five are allowed", PLAIN + '[limits]\nlongest_gap = "5 min"\n',
            partial(run, GOOD, touch=partial(gap, from_h=10.0, to_h=10.06)), KEPT),
    RunCase("recorder begun on the ramp, a start asked for", PLAIN + '[limits]\nstart_work = "40 C"\n',
            partial(run, path(330.0, (620.0, 100.0), 1.6, (90.0, 80.0), 0.5)), OPEN,
            {"start temperature of the work": Must(OPEN, words=("chart begins",))}),
    RunCase("loaded into a furnace that is too warm", PLAIN + '[limits]\nstart_control = "60 C"\n',
            partial(run, path(180.0, 0.5, (620.0, 100.0), 1.6, (90.0, 80.0), 0.5)), BROKEN,
            {"start temperature of the furnace": Must(BROKEN, 0.0, 0.01)}),
    RunCase("the next load heats on the same chart", PLAIN,
            partial(run, [*GOOD, (GOOD[-1][0] + 1.0, 60.0), (GOOD[-1][0] + 5.0, 700.0)],
                    events={"door opened": GOOD[-1][0] + 0.4}), KEPT),
    # vacuum and atmosphere
    RunCase("outgassing below the limit while heating", VACUUM_HEAT,
            partial(run, FALL, vacuum=True, pressure=[(0, 2e-2), (2.0, 1e-3), (3.0, 3e-2), (4.0, 1e-3), (20, 1e-3)]),
                KEPT,
            vacuum=True),
    RunCase("outgassing above the limit while heating", VACUUM_HEAT,
            partial(run, FALL, vacuum=True, pressure=[(0, 2e-2), (2.0, 1e-3), (3.0, 3e-1), (4.0, 1e-3), (20, 1e-3)]),
            BROKEN, {"heat 1 pressure": Must(BROKEN, 2.5, 2.9)}, vacuum=True),
    RunCase("vacuum from the soak on", SOAK_PRESSURE,
            partial(run, FALL, vacuum=True, work=(Tc(1.0, 4.0), Tc(2.0, 6.0)),
                    pressure=[(0, 1e-1), (6.0, 1e-2), (6.1, 5e-4), (20, 5e-4)]), KEPT, vacuum=True),
    RunCase("vacuum lost within the soak", SOAK_PRESSURE,
            partial(run, FALL, vacuum=True, work=(Tc(1.0, 4.0), Tc(2.0, 6.0)),
                    pressure=[(0, 1e-1), (6.0, 1e-2), (6.1, 5e-4), (7.0, 5e-4), (7.1, 5e-3), (20, 5e-3)]), BROKEN,
            {"pressure from soak start": Must(BROKEN, 7.0, 7.1)}, vacuum=True),
    RunCase("argon let in twice", GASES, partial(run, FALL, vacuum=True, events=[
        (9.2, "gas backfill", "argon"), (11.0, "gas backfill", "argon 5.0")]), KEPT, vacuum=True),
    RunCase("argon, then nitrogen let in", GASES, partial(run, FALL, vacuum=True, events=[
        (9.2, "gas backfill", "argon"), (11.0, "gas backfill", "nitrogen")]), BROKEN,
        {"gas": Must(BROKEN, 10.9, 11.1)}, vacuum=True),
    RunCase("leak-up before and after, both within the limit", LEAKS, partial(two_leaks, 0.008), KEPT, vacuum=True),
    RunCase("leak-up within the limit cold, above it hot", LEAKS, partial(two_leaks, 0.03), BROKEN,
            {"leak-up": Must(BROKEN, 6.75, 6.85)}, vacuum=True),
    RunCase("gas to the second cooling, where the first alone asked for vacuum", STEP_VACUUM,
            partial(run, FALL_STEP, vacuum=True, work=(Tc(1.0, 4.0), Tc(2.0, 6.0)),
                    pressure=[(0, 1e-3), (9.9, 1e-3), (10.0, 900.0), (20.0, 900.0)]), KEPT, vacuum=True),
    RunCase("gas to the first cooling", STEP_VACUUM,
            partial(run, FALL_STEP, vacuum=True, work=(Tc(1.0, 4.0), Tc(2.0, 6.0)),
                    pressure=[(0, 1e-3), (7.4, 1e-3), (7.5, 900.0), (20.0, 900.0)]), BROKEN,
            {"pressure to cool in segment 3": Must(BROKEN, 7.5, 7.7)}, vacuum=True),
    RunCase("dry enough in the hold", DRY, partial(run, GOOD, touch=partial(
        gauge, role="dew point", quantity="dew point", points=[(0, 5.0), (5.0, -45.0), (20.0, -50.0)])), KEPT),
    RunCase("too damp for a quarter of an hour of the hold", DRY, partial(run, GOOD, touch=partial(
        gauge, role="dew point", quantity="dew point",
        points=[(0, 5.0), (5.0, -45.0), (6.8, -45.0), (6.9, -30.0), (7.1, -45.0), (20.0, -50.0)])), BROKEN,
        {"dew point during holds": Must(BROKEN, 6.8, 6.9)}),
    RunCase("no dew point recorded", DRY, partial(run, GOOD), OPEN,
            {"dew point during holds": Must(OPEN, words=("dew point channel",))}),
    RunCase("little oxygen in the hold", LEAN, partial(run, GOOD, touch=partial(
        gauge, role="oxygen", quantity="oxygen", points=[(0, 2000.0), (5.0, 20.0), (20.0, 20.0)], unit="ppm")), KEPT),
    RunCase("too much oxygen in the hold", LEAN, partial(run, GOOD, touch=partial(
        gauge, role="oxygen", quantity="oxygen", unit="ppm",
        points=[(0, 2000.0), (5.0, 20.0), (7.0, 20.0), (7.2, 120.0), (20.0, 120.0)])), BROKEN,
        {"oxygen during holds": Must(BROKEN, 7.0, 7.1)}),
    # spread where it counts
    RunCase("two pieces apart, each even in itself", PIECE_WIDE,
            partial(run, GOOD, work=UNEVEN, touch=UNEVEN_BY_PIECE), KEPT),
    RunCase("a piece uneven in itself", PIECE_WIDE, partial(run, GOOD, work=UNEVEN, touch=UNEVEN_IN_PIECE), BROKEN,
            {"spread of a piece during holds from soak start": Must(BROKEN, 5.9, 7.0)}),
    RunCase("apart over a metre, even within a foot", CLOSE, partial(run, GOOD, work=UNEVEN, touch=FAR_APART), KEPT),
    RunCase("apart within a foot", CLOSE, partial(run, GOOD, work=UNEVEN, touch=NEAR_BY), BROKEN,
            {"spread within a distance during holds from soak start": Must(BROKEN, 5.9, 7.0)}),
    # loaded hot, carried over, lagging
    RunCase("loaded hot, the cycle begins with the hold", HOT, partial(hot_charge, 60.0), KEPT),
    RunCase("loaded hot, pulled too soon", HOT, partial(hot_charge, 60.0, 0.9), BROKEN,
            {"soak 1": Must(BROKEN, 0.85, 1.1)}),
    RunCase("loaded hot, the furnace far down", HOT_NAMED, partial(hot_charge, 200.0, 2.0), KEPT),
    RunCase("loaded hot, the furnace hardly down", HOT_NAMED, partial(hot_charge, 5.0), KEPT),
    RunCase("loaded hot, a heat named, pulled too soon", HOT_NAMED, partial(hot_charge, 60.0, 0.9), BROKEN,
            {"soak 2": Must(BROKEN, 0.85, 1.1)}),
    RunCase("into the cold soon after the quench", TRANSFER, partial(carried_over, 0.3), KEPT),
    RunCase("into the cold three hours after the quench", TRANSFER, partial(carried_over, 3.0), BROKEN,
            {"time in range while cooling": Must(BROKEN, 6.0, 7.5)}),
    RunCase("spread bound above 500, waited for there", HOT_SPREAD,
            partial(run, path(20.0, (480.0, 100.0), 1.0, (620.0, 50.0), 2.0, (90.0, 80.0), 0.5), work=ONE_SLOW), KEPT),
    RunCase("spread bound above 500, not waited for", HOT_SPREAD, partial(run, held(2.0), work=ONE_SLOW), BROKEN,
            {"spread while heating": Must(BROKEN, 4.7, 5.2)}),
    RunCase("a TC plugged in after an hour", FOUR_IN_HOLD, partial(run, GOOD, touch=plugged_late), KEPT),
    RunCase("a TC plugged in after an hour, four asked for all day", PLAIN + "[limits]\nwork_tcs = 4\n",
            partial(run, GOOD, touch=plugged_late), BROKEN, {"work TCs": Must(BROKEN, 0.0, 0.01)}),
    RunCase("spread in the second of two holds", TWO_HOLDS,
            partial(run, path(20.0, (450.0, 100.0), 1.2, (620.0, 100.0), 2.2, (90.0, 80.0), 0.5),
                    touch=partial(dipped, at_h=8.9, by_c=9.0, for_min=30.0, names=("TC 3",))), BROKEN,
            {"spread during holds from soak start": Must(BROKEN, 8.9, 9.5)}),
    RunCase("a weekend on the chart after the cooling", PLAIN,
            partial(run, [*GOOD, (GOOD[-1][0] + 60.0, 25.0)], step_s=120.0), KEPT),
    RunCase("slowest rates where the zones lag", LEAST, partial(run, GOOD, LAGS), KEPT),
    RunCase("slowest rates where the zones lag, set point recorded", LEAST, partial(run, GOOD, LAGS, setpoint=True),
            KEPT),
    RunCase("slower than the slowest rate before the end", LEAST,
            partial(run, path(20.0, (620.0, 100.0), 1.6, (250.0, 80.0), (90.0, 40.0), 0.5), LAGS), BROKEN,
            {"cool 3 slowest rate": Must(BROKEN, 12.0, 12.6)}),
    RunCase("the program waits twice on the ramp for the load", PLAIN,
            partial(run, path(20.0, (300.0, 100.0), 0.4, (500.0, 100.0), 0.4, (620.0, 100.0), 2.0, (90.0, 80.0), 0.5),
                    setpoint=True), KEPT),
    RunCase("furnace soak without work TCs", PLAIN.replace("minutes = 60", 'minutes = 60\nsoak_by = "furnace"'),
            partial(run, GOOD, work=()), KEPT),
    RunCase("no work TCs", PLAIN, partial(run, GOOD, work=()), OPEN,
            {"soak 2": Must(OPEN, words=("valid work TC", "the furnace alone")), "hold 2 upper edge": Must(OPEN)}),
    RunCase("fan on below its limit, then the door", FAN,
            partial(run, GOOD, events=[(10.9, "fan on", None), (12.0, "door opened", None)]), KEPT),
    RunCase("fan on above its limit, then the door", FAN,
            partial(run, GOOD, events=[(9.9, "fan on", None), (12.0, "door opened", None)]), BROKEN,
            {"fan on": Must(BROKEN, 9.85, 9.95)}),
    RunCase("looked in at 300, shut again", PLAIN + '[limits]\ndoor = "120 C"\n',
            partial(run, GOOD, events=[(11.6, "door opened", None), (11.63, "door closed", None),
                                       (14.6, "door opened", None)]), BROKEN,
            {"door opened": Must(BROKEN, 11.5, 11.7)}),
    RunCase("the chart ends as it is quenched", HOT_NAMED,
            partial(run, path(20.0, (850.0, 200.0), 1.2), work=(Tc(1.0, 6.0), Tc(2.0, 9.0), Tc(2.0, 8.0))), OPEN,
            {"cool 3 target": Must(OPEN)}),
    RunCase("soak that pauses through a power failure", leaving("pause"), partial(run, held(3.4), power_h=(6.8, 7.1)),
            KEPT),
    RunCase("a step of twenty down, undershot", STEP_20,
            partial(run, path(20.0, (620.0, 100.0), 1.6, (600.0, 80.0), 1.2, (90.0, 80.0), 0.5),
                    touch=partial(overshot, at_h=7.9, by_c=-9.0, for_min=3.0)), KEPT),
    RunCase("a step of twenty down, cut short", STEP_20,
            partial(run, path(20.0, (620.0, 100.0), 1.6, (600.0, 80.0), 0.2, (90.0, 80.0), 0.5)), BROKEN,
            {"soak 4": Must(BROKEN, 7.9, 8.3)}),
    RunCase("holds ten degrees apart", TEN_APART,
            partial(run, path(20.0, (600.0, 100.0), 1.2, (610.0, 20.0), 1.6, (90.0, 80.0), 0.5)), KEPT),
    RunCase("holds ten degrees apart, the first too short", TEN_APART.replace("minutes = 30", "minutes = 60"),
            partial(run, path(20.0, (600.0, 100.0), 0.4, (610.0, 20.0), 2.6, (90.0, 80.0), 0.5)), BROKEN,
            {"soak 2": Must(BROKEN)}),
    RunCase("a band of three degrees on a recorder in whole °F", PLAIN.replace("8 C diff", "3 C diff"),
            partial(run, GOOD, work=(Tc(0.5, 6.0), Tc(1.0, 9.0), Tc(0.8, 8.0), Tc(1.0, 7.0)),
                    touch=partial(in_whole, fahrenheit=1.0)), KEPT),
    RunCase("soak given up, cooled and heated again", PLAIN,
            partial(run, path(20.0, (620.0, 100.0), 0.3, (90.0, 200.0), 1.0, (620.0, 100.0), 1.6, (90.0, 80.0), 0.5)),
            BROKEN, {"soak 2": Must(BROKEN, 6.2, 6.5), "cool 3 rate": Must(BROKEN, 6.2, 6.6)}),
    RunCase("one row in ten minutes, slower after faster", SLOWER,
            partial(run, path(20.0, (400.0, 140.0), (620.0, 50.0), 2.0, (90.0, 80.0), 0.5), step_s=600.0), KEPT),
    RunCase("one row in ten minutes, too fast after faster", SLOWER,
            partial(run, path(20.0, (400.0, 140.0), (620.0, 75.0), 2.0, (90.0, 80.0), 0.5), step_s=600.0), BROKEN,
            {"heat 2 rate": Must(BROKEN, 2.5, 3.6)}),
    RunCase("ten minutes missing where the rate changes", SLOWER,
            partial(run, path(20.0, (400.0, 140.0), (620.0, 50.0), 2.0, (90.0, 80.0), 0.5),
                    touch=partial(gap, from_h=2.65, to_h=2.82)), KEPT),
    RunCase("ten minutes missing, too fast meanwhile", PLAIN,
            partial(run, path(20.0, (300.0, 100.0), (340.0, 240.0), (620.0, 100.0), 1.6, (90.0, 80.0), 0.5),
                    touch=partial(gap, from_h=2.8, to_h=2.967)), BROKEN, {"heat 1 rate": Must(BROKEN, 2.6, 3.1)}),
    RunCase("half an hour missing as cooling begins", PLAIN,
            partial(run, held(2.2), touch=partial(gap, from_h=8.0, to_h=8.5)), OPEN,
            {"cool 3 rate": Must(OPEN), "hold 2 upper edge": Must(OPEN, words=("30 min",))}),
    # a zone and a work TC in each other's channel, from a moment on
    RunCase("a zone and a TC trade places on the ramp, confirmed", PLAIN,
            partial(run, held(2.4), work=SLOW_2, touch=partial(traded, a="Zone 2", b="TC 2", from_h=3.0)), KEPT,
            more=TRADED),
    RunCase("a zone and a TC trade places for two hours", PLAIN,
            partial(run, held(2.4), work=SLOW_2, touch=partial(traded, a="Zone 2", b="TC 2", from_h=3.0, to_h=5.0)),
            OPEN, {"heat 1 rate": Must(OPEN, words=("have TC 2 and Zone 2 traded places?", "relabelled kept"))}),
    RunCase("a zone and a TC trade places for two hours, confirmed", PLAIN,
            partial(run, held(2.4), work=SLOW_2, touch=partial(traded, a="Zone 2", b="TC 2", from_h=3.0, to_h=5.0)),
            KEPT, more=TRADED),
    RunCase("a zone and a TC in each other's channel, the soak too short", PLAIN,
            partial(run, held(1.0), work=SLOW_2, touch=partial(traded, a="Zone 2", b="TC 2", from_h=3.0)), BROKEN,
            {"soak 2": Must(BROKEN, 6.8, 7.4)}, more=TRADED),
    # a large furnace that comes slowly to a slower pace; a tight rate on a recorder in whole degrees
    RunCase("a large furnace slows down into the creep", CREEPING,
            partial(run, path(20.0, (570.0, 150.0), (620.0, 40.0), 2.0, (90.0, 80.0), 0.5), LAGS), KEPT),
    RunCase("a large furnace creeps too fast", CREEPING,
            partial(run, path(20.0, (570.0, 150.0), (620.0, 65.0), 2.0, (90.0, 80.0), 0.5), LAGS), BROKEN,
            {"heat 2 rate": Must(BROKEN, 3.7, 4.3)}),
    RunCase("a tight rate on a recorder in whole degrees", TIGHT,
            partial(run, path(20.0, (620.0, 100.0), 1.6, (400.0, 80.0), (90.0, 30.0), 0.5), step_s=120.0,
                    touch=rounded), KEPT),
    RunCase("a tight rate broken on a recorder in whole degrees", TIGHT,
            partial(run, path(20.0, (620.0, 100.0), 1.6, (400.0, 80.0), (90.0, 42.0), 0.5), step_s=120.0,
                    touch=rounded), BROKEN, {"cool 4 rate": Must(BROKEN, 10.3, 11.0)}),
]  # fmt: skip
