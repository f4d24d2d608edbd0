"""Whole runs with a planted truth: a week of a heat-treat shop as a pyrometrist would audit it, good twins beside bad.

Each stands in CASES of test_run_cases.py and is judged in °C and in °F.
"""

from __future__ import annotations

from functools import partial

import numpy as np

from loadbook.analysis.trace.its90 import shown_c
from loadbook.analysis.trace.model import FurnaceCheck, RunFacts, Trace

from .runcase import BROKEN, KEPT, OPEN, Must, RunCase, Tc, Zone, cool, cycle, heat, hold, limit, path, run

FAST = {"rate_max": "110 C/h"}
COOL = {"rate_max": "90 C/h"}
PLAIN = cycle(heat("620 C", **FAST), hold("620 C", minutes=60), cool("100 C", **COOL))
GOOD = path(20.0, (620.0, 100.0), 1.6, (90.0, 80.0), 0.5)  # 620 °C at 6 h, cooling from 7.6 h, 100 °C at 14.1 h
LONG = path(20.0, (620.0, 100.0), 4.6, (90.0, 80.0), 0.5)  # cooling from 10.6 h
ONE_ZONE = (Zone(0.0, 1.0),)

# ---- approach and cooling in several programs ------------------------------------------------------------------------
CREEP = cycle(heat("612 C", **FAST), hold("620 C", band="10 C diff", minutes=60), cool("100 C", **COOL))
STEPS = cycle(heat("620 C", **FAST), hold("620 C", minutes=60), cool("480 C", rate_max="65 C/h"),
              cool("300 C", rate_max="110 C/h"), cool("80 C", rate_max="220 C/h"))  # fmt: skip
STEPS_RUN = path(20.0, (620.0, 100.0), 1.6, (480.0, 60.0), (300.0, 100.0), (70.0, 200.0), 0.5)
APART = (Zone(), Zone(-4.0, 10.0), Zone(3.0, 4.0))
DOWN = cycle(heat("620 C", **FAST), hold("620 C", minutes=60), cool("480 C", **COOL),
             hold("480 C", band="5 C diff", minutes=30), cool("100 C", **COOL))  # fmt: skip
WINDOW = cycle(heat("620 C", rate_max="60 C/h", rate_above="300 C", rate_below="500 C"), hold("620 C", minutes=60),
               cool("100 C", **COOL), limit("cooling_rate", segment=3, above="300 C", below="500 C",
                                      max="50 C/h"))  # fmt: skip
MAY_SLOW_HEAT = cycle(heat("620 C", rate_max="110 C/h", rate_min="80 C/h", may_slow_above="560 C"),
                      hold("620 C", minutes=60), cool("100 C", **COOL))  # fmt: skip
# ---- spread and lead, each in its own part of the run ----------------------------------------------------------------
SPREAD = cycle(heat("620 C", **FAST), hold("620 C", minutes=60), cool("100 C", **COOL), spread_heating="60 C diff",
               spread_hold="10 C diff", spread_from="soak start", spread_cooling="60 C diff")  # fmt: skip
SPREAD_LOAD = (Tc(1.0, 5.0), Tc(2.0, 9.0), Tc(2.0, 30.0))
SPREAD_RUN = path(20.0, (620.0, 100.0), 3.0, (90.0, 80.0), 0.5)
LEAD = cycle(heat("620 C", **FAST), hold("620 C", minutes=60), cool("100 C", rate_max="150 C/h"),
             lead_heating="40 C diff", lead_cooling="40 C diff")  # fmt: skip
# ---- quench, ageing, cold, tempers -----------------------------------------------------------------------------------
HARDEN = cycle(heat("650 C", rate_max="250 C/h"), hold("650 C", minutes=20), heat("850 C", rate_max="250 C/h"),
               hold("850 C", minutes=25, minutes_max=60), cool(), process="harden", unplug="860 C")  # fmt: skip
QUENCHED = (Tc(1.0, 4.0), Tc(1.0, 5.0), Tc(2.0, 6.0))
GAS_QUENCH = cycle(heat("1030 C", rate_max="350 C/h"), hold("1030 C", minutes=25), cool("60 C"),
                   limit("cooling_rate_work", segment=3, above="540 C", min="1500 C/h", window="2 min"),
                   process="harden", atmosphere="vacuum")  # fmt: skip
AGE = cycle(heat("480 C", rate_max="300 C/h"), hold("480 C", band="5 C diff", minutes=240), cool(), process="age")
COLD = cycle(cool("-80 C", rate_max="130 C/h"), hold("-80 C", band="5 C diff", minutes=120),
             heat("20 C", rate_max="130 C/h"), process="deep freeze", atmosphere="nitrogen")  # fmt: skip
TEMPERS = cycle(*[t for _ in range(3) for t in (heat("560 C", rate_max="300 C/h"), hold("560 C", minutes=120),
                                                 cool("60 C"))], process="temper")  # fmt: skip
FORTY = cycle(heat("480 C", **FAST), hold("480 C", minutes=2400), cool("100 C", **COOL))
QUARTER = cycle(heat("300 C", rate_max="250 C/h"), hold("300 C", minutes=15), cool("100 C"))
# ---- vacuum ----------------------------------------------------------------------------------------------------------
LEAK = cycle(heat("620 C", **FAST), hold("620 C", minutes=60), cool("100 C", rate_max="140 C/h"),
             limit("leak_rate", max="1e-2 mbar/h"), atmosphere="vacuum")  # fmt: skip
PARTIAL = cycle(heat("620 C", **FAST), hold("620 C", minutes=60, pressure_min="0.5 mbar", pressure_max="2 mbar"),
                cool("100 C", rate_max="140 C/h"), atmosphere="vacuum")  # fmt: skip
PUMPED = path(20.0, (620.0, 100.0), 1.6, (500.0, 80.0), (90.0, 120.0), 0.5)
CLASSED = PLAIN + '[limits]\nfurnace_uniformity = "8 C diff"\n'


def tempers(*hours: float) -> Trace:
    """So many tempers at 560 °C of these hours each, cooled to 45 °C between and after."""
    moves: list[tuple[float, float] | float] = []
    for held in hours:
        moves += [(560.0, 250.0), held, (45.0, 250.0), 0.6]
    return run(path(20.0, *moves))


def leak_up(rise_mbar_per_h: float) -> Trace:
    """Half an hour with the pumps shut off, at the beginning."""
    level = [(0.0, 1e-2), (0.02, 1e-2), (0.52, 1e-2 + 0.5 * rise_mbar_per_h), (0.6, 1e-2), (20.0, 1e-2)]
    return run(PUMPED, vacuum=True, pressure=level, events={"leak-up started": 0.02, "leak-up ended": 0.52})


def partial_pressure(mbar: float) -> Trace:
    return run(PUMPED, vacuum=True, pressure=[(0, 1e-2), (5, 1e-2), (5.1, mbar), (7.8, mbar), (8.0, 1e-2), (20, 1e-2)])


def out(trace: Trace, name: str = "TC 2", from_h: float = 7.0, to_h: float = 7.17) -> None:
    """No contact for ten minutes."""
    trace.values[trace.row(name), (trace.t_s >= from_h * 3600.0) & (trace.t_s < to_h * 3600.0)] = np.nan


def read_as(trace: Trace, table: str, name: str = "TC 2") -> None:
    """The recorder's input is set to another type than the type K wire that is connected to it."""
    row = trace.row(name)
    trace.values[row] = shown_c("K", table, trace.values[row], 25.0)


def in_whole(trace: Trace, fahrenheit: float) -> None:
    """A recorder that writes steps of so many °F."""
    trace.values[:] = (np.round((trace.values * 1.8 + 32.0) / fahrenheit) * fahrenheit - 32.0) / 1.8


def surveyed(state: str, worst_c: float, due_on: str = "2026-06-30") -> dict[str, RunFacts]:
    check = FurnaceCheck("uniformity survey", "2026-01-01", due_on, 620.0, worst_c, state != "failed", state)
    return {"facts": RunFacts(furnace="F1", uniformity_c=6.0, checks=(check,), holds_c=(620.0,))}


WEEK = [
    RunCase("creep into the soak", CREEP,
            partial(run, path(20.0, (612.0, 100.0), (620.0, 12.0), 1.2, (90.0, 80.0), 0.5)), KEPT),
    RunCase("creep into the soak, cooled too soon", CREEP,
            partial(run, path(20.0, (606.0, 100.0), (620.0, 12.0), 0.2, (90.0, 80.0), 0.5)), BROKEN,
            {"soak 2": Must(BROKEN, 7.3, 7.8)}),
    RunCase("cooled in three programs", STEPS, partial(run, STEPS_RUN), KEPT),
    RunCase("cooled in three programs, zones apart", STEPS, partial(run, STEPS_RUN, APART), KEPT),
    RunCase("cooled in three programs, the second too fast", STEPS,
            partial(run, path(20.0, (620.0, 100.0), 1.6, (480.0, 60.0), (300.0, 130.0), (70.0, 200.0), 0.5)), BROKEN,
            {"cool 4 rate": Must(BROKEN, 9.9, 10.3)}),
    RunCase("noise at the upper edge as the load comes down", DOWN,
            partial(run, path(20.0, (620.0, 100.0), 1.6, (480.0, 80.0), 2.0, (90.0, 80.0), 0.5), noise_c=0.5), KEPT),
    RunCase("noise as it comes in, a soak that leaving ends",
            PLAIN.replace("minutes = 60", 'minutes = 60\non_leaving = "end"'),
            partial(run, path(20.0, (620.0, 100.0), 2.6, (90.0, 80.0), 0.5), noise_c=0.5,
                    work=(Tc(1.0, 6.0), Tc(2.0, 30.0))), KEPT),
    RunCase("too warm once it had come down", DOWN,
            partial(run, path(20.0, (620.0, 100.0), 1.6, (480.0, 80.0), 1.2, (489.0, 60.0), 0.5, (90.0, 80.0), 0.5)),
            BROKEN, {"hold 4 upper edge": Must(BROKEN, 10.5, 10.9)}),
    RunCase("rates within a range of temperature", WINDOW,
            partial(run, path(20.0, (295.0, 150.0), (505.0, 50.0), (620.0, 150.0), 1.6, (505.0, 80.0), (295.0, 40.0),
                              (90.0, 80.0), 0.5)), KEPT),
    RunCase("too fast within the range, heating", WINDOW,
            partial(run, path(20.0, (295.0, 150.0), (400.0, 50.0), (505.0, 100.0), (620.0, 150.0), 1.6, (505.0, 80.0),
                              (295.0, 40.0), (90.0, 80.0), 0.5)), BROKEN, {"heat 1 rate": Must(BROKEN, 3.8, 4.1)}),
    RunCase("too fast within the range, cooling", WINDOW,
            partial(run, path(20.0, (295.0, 150.0), (505.0, 50.0), (620.0, 150.0), 1.6, (505.0, 80.0), (400.0, 40.0),
                              (295.0, 80.0), (90.0, 80.0), 0.5)), BROKEN,
            {"cooling rate in segment 3": Must(BROKEN, 12.3, 12.7)}),
    RunCase("may slow near the top", MAY_SLOW_HEAT,
            partial(run, path(20.0, (565.0, 100.0), (620.0, 40.0), 1.6, (90.0, 80.0), 0.5)), KEPT),
    RunCase("slow long before it may", MAY_SLOW_HEAT,
            partial(run, path(20.0, (480.0, 100.0), (620.0, 40.0), 1.6, (90.0, 80.0), 0.5)), BROKEN,
            {"slowest heating rate in segment 1": Must(BROKEN, 4.5, 4.9)}),
    # spread, lead
    RunCase("spread wide on the ramp, narrow in the soak", SPREAD, partial(run, SPREAD_RUN, work=SPREAD_LOAD), KEPT),
    RunCase("spread too wide on the ramp", SPREAD.replace('heating = "60', 'heating = "30'),
            partial(run, SPREAD_RUN, work=SPREAD_LOAD), BROKEN, {"spread while heating": Must(BROKEN, 0.4, 1.5)}),
    RunCase("lead within its limits", LEAD, partial(run, GOOD), KEPT),
    RunCase("load too far behind while heating", LEAD,
            partial(run, path(20.0, (620.0, 108.0), 2.6, (90.0, 60.0), 0.5), work=(Tc(1.0, 6.0), Tc(2.0, 24.0))),
            BROKEN, {"lead while heating": Must(BROKEN, 0.8, 1.8)}),
    RunCase("load too far behind while cooling", LEAD,
            partial(run, path(20.0, (620.0, 60.0), 2.6, (90.0, 140.0), 0.5), work=(Tc(1.0, 6.0), Tc(2.0, 24.0))),
            BROKEN, {"lead while cooling": Must(BROKEN, 12.6, 13.6)}),
    # quench, ageing, cold, tempers
    RunCase("oil quench, unplugged at the quench", HARDEN,
            partial(run, path(20.0, (650.0, 200.0), 0.8, (850.0, 200.0), 0.9, (60.0, 3000.0), 0.5), step_s=15.0,
                    work=QUENCHED, events={"thermocouples unplugged": 5.8}, stops_h=5.85), KEPT),
    RunCase("oil quench too soon", HARDEN,
            partial(run, path(20.0, (650.0, 200.0), 0.8, (850.0, 200.0), 0.45, (60.0, 3000.0), 0.5), step_s=15.0,
                    work=QUENCHED, events={"thermocouples unplugged": 5.38}, stops_h=5.4), BROKEN,
            {"soak 4": Must(BROKEN, 5.3, 5.4)}),
    RunCase("gas quench fast enough", GAS_QUENCH,
            partial(run, path(20.0, (1030.0, 300.0), 0.9, (50.0, 4000.0), 0.5), ONE_ZONE, (Tc(1.0, 1.0), Tc(1.0, 1.5)),
                    step_s=5.0), KEPT),
    RunCase("gas quench too slow", GAS_QUENCH,
            partial(run, path(20.0, (1030.0, 300.0), 0.9, (50.0, 1100.0), 0.5), ONE_ZONE, (Tc(1.0, 1.0), Tc(1.0, 1.5)),
                    step_s=5.0), BROKEN, {"slowest cooling rate of work in segment 3": Must(BROKEN, 4.2, 4.5)}),
    RunCase("aged four hours at 480", AGE, partial(run, path(20.0, (480.0, 250.0), 4.8, (60.0, 400.0), 0.5)), KEPT),
    RunCase("aged three hours at 480", AGE, partial(run, path(20.0, (480.0, 250.0), 3.8, (60.0, 400.0), 0.5)), BROKEN,
            {"soak 2": Must(BROKEN, 5.6, 5.8)}),
    RunCase("two hours at -80", COLD, partial(run, path(20.0, (-80.0, 100.0), 2.7, (22.0, 100.0), 0.8)), KEPT),
    RunCase("never colder than -72", COLD, partial(run, path(20.0, (-72.0, 100.0), 2.7, (22.0, 100.0), 0.8),
            events={"door opened": 5.1}), BROKEN,
            {"cool 1 target": Must(BROKEN), "soak 2": Must(BROKEN), "hold 2 upper edge": Must(OPEN)}),
    RunCase("tempered three times", TEMPERS, partial(tempers, 2.6, 2.6, 2.6), KEPT),
    RunCase("tempered three times, the second too short", TEMPERS, partial(tempers, 2.6, 1.2, 2.6), BROKEN,
            {"soak 5": Must(BROKEN, 10.1, 10.9)}),
    RunCase("tempered twice, and the chart ends", TEMPERS, partial(tempers, 2.6, 2.6), OPEN, {
        "heat 7 rate": Must(OPEN, words=("the chart ends before segment 7 began",)), "heat 7 target": Must(OPEN),
        "hold 8 upper edge": Must(OPEN), "soak 8": Must(OPEN), "cool 9 target": Must(OPEN)}),
    RunCase("forty hours at 480", FORTY, partial(run, path(20.0, (480.0, 100.0), 40.7, (90.0, 80.0), 0.5), step_s=60.0),
            KEPT),
    RunCase("forty hours less twenty minutes", FORTY,
            partial(run, path(20.0, (480.0, 100.0), 39.8, (90.0, 80.0), 0.5), step_s=60.0), BROKEN,
            {"soak 2": Must(BROKEN, 44.3, 44.7)}),
    RunCase("a quarter of an hour, one row in five minutes", QUARTER,
            partial(run, path(20.0, (300.0, 200.0), 0.75, (90.0, 200.0), 0.5), step_s=300.0), KEPT),
    RunCase("a quarter of an hour, cut short", QUARTER,
            partial(run, path(20.0, (300.0, 200.0), 0.35, (90.0, 200.0), 0.5), step_s=60.0), BROKEN,
            {"soak 2": Must(BROKEN, 1.7, 1.9)}),
    # vacuum
    RunCase("leak-up within its limit", LEAK, partial(leak_up, 0.005), KEPT, vacuum=True),
    RunCase("leaks too much", LEAK, partial(leak_up, 0.03), BROKEN, {"leak-up": Must(BROKEN, 0.0, 0.6)}, vacuum=True),
    RunCase("partial pressure held", PARTIAL, partial(partial_pressure, 1.0), KEPT, vacuum=True),
    RunCase("partial pressure lost", PARTIAL, partial(partial_pressure, 0.2), BROKEN,
            {"hold 2 least pressure": Must(BROKEN, 5.9, 6.1)}, vacuum=True),
    # recorder, thermocouples
    RunCase("one row a second", PLAIN, partial(run, path(20.0, (620.0, 100.0), 1.6, (550.0, 80.0)), step_s=1.0,
            stops_h=8.4), OPEN, {"cool 3 target": Must(OPEN, words=("chart ends",))}),
    RunCase("recorder in steps of 5 °F", PLAIN.replace("8 C diff", "10 C diff"),
            partial(run, GOOD, touch=partial(in_whole, fahrenheit=5.0)), KEPT),
    RunCase("recorder in steps of 5 °F, soak short", PLAIN.replace("8 C diff", "10 C diff"),
            partial(run, path(20.0, (620.0, 100.0), 0.6, (90.0, 80.0), 0.5), touch=partial(in_whole, fahrenheit=5.0)),
            BROKEN, {"soak 2": Must(BROKEN, 6.6, 7.1)}),
    RunCase("no contact for ten minutes of the soak", PLAIN, partial(run, GOOD, touch=out), KEPT),
    RunCase("no contact for ten minutes, four TCs asked for", PLAIN + "[limits]\nwork_tcs = 4\n",
            partial(run, GOOD, touch=out), BROKEN, {"work TCs": Must(BROKEN, 6.95, 7.05), "soak 2": Must(OPEN)}),
    RunCase("twenty TCs", PLAIN, partial(run, path(20.0, (620.0, 100.0), 1.8, (90.0, 80.0), 0.5),
            work=tuple(Tc(0.25 * i - 1.0, 5.0 + 0.6 * i) for i in range(20))), KEPT),
    RunCase("twenty TCs, one place cold", PLAIN, partial(run, path(20.0, (620.0, 100.0), 1.8, (90.0, 80.0), 0.5),
            work=tuple(Tc(13.0 if i == 7 else 0.25 * i - 1.0, 5.0 + 0.6 * i) for i in range(20))), BROKEN,
            {"soak 2": Must(BROKEN)}),
    RunCase("K read as J", PLAIN, partial(run, GOOD, touch=partial(read_as, table="J")), OPEN,
            {"soak 2": Must(OPEN, words=("type J",))}),
    RunCase("K read as S, with an over-temperature limit", PLAIN + '[limits]\nover_temperature = "650 C"\n',
            partial(run, GOOD, touch=partial(read_as, table="S")), OPEN,
            {"over-temperature": Must(OPEN, words=("TC 2",))}),
    RunCase("K read as K, with an over-temperature limit", PLAIN + '[limits]\nover_temperature = "650 C"\n',
            partial(run, GOOD), KEPT),
    # the furnace on the day
    RunCase("survey current", CLASSED, partial(run, GOOD), KEPT, more=surveyed("current", 4.2)),
    RunCase("survey past due on the day", CLASSED, partial(run, GOOD), BROKEN, {"furnace class": Must(BROKEN)},
            more=surveyed("past due", 4.2)),
    RunCase("survey failed", CLASSED, partial(run, GOOD), BROKEN, {"furnace class": Must(BROKEN)},
            more=surveyed("failed", 9.1)),
]  # fmt: skip
