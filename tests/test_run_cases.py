"""Whole runs with a planted truth: each must get the right verdict, at the right moment, in the right words.

Cases are data: add yours to a list. `python -m tests.trials.run_cases` prints false and missed breaks of all of them.
"""

from __future__ import annotations

from functools import partial

import numpy as np
import pytest

from loadbook.analysis.trace.model import FurnaceCheck, PieceRecord, RunFacts, Trace

from .audit_cases import AUDIT
from .recording_cases import RECORDINGS
from .runcase import (
    BROKEN,
    KEPT,
    OPEN,
    Must,
    RunCase,
    Tc,
    Zone,
    cool,
    cycle,
    heat,
    hold,
    limit,
    path,
    run,
    tell,
    wrong,
)
from .shop_cases import SHOP
from .week_cases import WEEK

FAST = {"rate_max": "110 C/h"}
COOL = {"rate_max": "90 C/h"}

# ---- two programs to one temperature ---------------------------------------------------------------------------------
TWO_STEP = cycle(
    heat("600 C", **FAST), heat("620 C", rate_max="30 C/h"), hold("620 C", minutes=60),
    cool("400 C", **COOL), cool("100 C", rate_max="130 C/h"),
)  # fmt: skip
# 600 °C at 5.8 h, 620 °C at 6.8 h, cooling from 8.8 h, 400 °C at 11.55 h, 90 °C at 14.65 h
CREEP = path(20.0, (600.0, 100.0), (620.0, 20.0), 2.0, (400.0, 80.0), (90.0, 100.0), 0.5)
HOTTER = (Tc(-7.0, 6.0), Tc(-6.0, 9.0))  # their places are hotter than the mean of three zones of which one is cold
APART = (Zone(0.0, 3.0), Zone(-4.0, 8.0), Zone(3.0, 4.0))
SHORT = (Zone(), Zone(-25.0, 5.0), Zone(1.0))
SLOWEST = cycle(
    heat("600 C", rate_max="110 C/h", rate_min="85 C/h", rate_above="120 C"), heat("620 C", rate_max="40 C/h"),
    hold("620 C", minutes=60), cool("400 C", rate_max="90 C/h", rate_min="60 C/h", rate_below="580 C"),
    cool("100 C", rate_max="130 C/h"),
)  # fmt: skip
LAGS = (Zone(0.0, 7.0), Zone(-1.0, 8.0), Zone(1.0, 7.0))
SLOW_HEAT = path(20.0, (600.0, 75.0), (620.0, 20.0), 2.0, (400.0, 80.0), (90.0, 100.0), 0.5)
THREE = cycle(
    heat("400 C", **FAST), heat("550 C", rate_max="60 C/h"), heat("620 C", rate_max="30 C/h"),
    hold("620 C", minutes=60), cool("100 C", **COOL),
)  # fmt: skip
THREE_STEPS = path(20.0, (400.0, 100.0), (550.0, 50.0), (620.0, 25.0), 1.6, (90.0, 80.0), 0.5)

SLOW_FIRST = cycle(heat("200 C", rate_max="45 C/h"), heat("620 C", rate_max="170 C/h"), hold("620 C", minutes=60),
                   cool("100 C", **COOL))  # fmt: skip
MAY_SLOW = cycle(heat("620 C", **FAST), hold("620 C", minutes=60),
                 cool("100 C", rate_max="90 C/h", rate_min="65 C/h", may_slow_below="425 C"))  # fmt: skip
GOOD_COOL = path(20.0, (620.0, 100.0), 1.6, (90.0, 75.0), 0.5)

STEPS = [
    RunCase("two-step approach", TWO_STEP, partial(run, CREEP), KEPT),
    RunCase("two-step approach, zones apart", TWO_STEP, partial(run, CREEP, APART), KEPT),
    RunCase("two-step approach, setpoint recorded", TWO_STEP, partial(run, CREEP, APART, setpoint=True), KEPT),
    RunCase("two-step approach in vacuum", TWO_STEP, partial(run, CREEP, APART, vacuum=True), KEPT, vacuum=True),
    RunCase("two-step approach, one zone never arrives", TWO_STEP, partial(run, CREEP, SHORT, HOTTER), BROKEN, {
        "heat 1 target": Must(BROKEN, 8.6, 9.0), "heat 2 target": Must(BROKEN, 8.6, 9.0)}),
    RunCase("creep too fast", TWO_STEP,
            partial(run, path(20.0, (600.0, 100.0), (620.0, 45.0), 2.0, (400.0, 80.0), (90.0, 100.0), 0.5)), BROKEN,
            {"heat 2 rate": Must(BROKEN, 5.8, 6.2)}),
    RunCase("second cooling program never ends, door at 250", TWO_STEP,
            partial(run, CREEP, events={"door opened": 13.05}), BROKEN, {"cool 5 target": Must(BROKEN, 13.0, 13.1)}),
    RunCase("slowest rate up to where the program goes on", SLOWEST, partial(run, CREEP, LAGS), KEPT),
    RunCase("slowest rate, setpoint recorded", SLOWEST, partial(run, CREEP, LAGS, setpoint=True), KEPT),
    RunCase("slower than the slowest", SLOWEST, partial(run, SLOW_HEAT, LAGS), BROKEN,
            {"heat 1 slowest rate": Must(BROKEN, 1.2, 1.7)}),
    RunCase("slow first, then faster", SLOW_FIRST,
            partial(run, path(20.0, (200.0, 40.0), (620.0, 150.0), 1.6, (90.0, 80.0), 0.5), LAGS), KEPT),
    RunCase("slow first, too fast there", SLOW_FIRST,
            partial(run, path(20.0, (200.0, 60.0), (620.0, 150.0), 1.6, (90.0, 80.0), 0.5), LAGS), BROKEN,
            {"heat 1 rate": Must(BROKEN, 0.0, 0.4)}),
    RunCase("slowest cooling while the furnace gets going", MAY_SLOW, partial(run, GOOD_COOL, LAGS), KEPT),
    RunCase("cooling slower than the slowest", MAY_SLOW,
            partial(run, path(20.0, (620.0, 100.0), 1.6, (90.0, 48.0), 0.5), LAGS), BROKEN,
            {"slowest cooling rate in segment 3": Must(BROKEN, 7.6, 8.2)}),
    RunCase("three-step heat", THREE, partial(run, THREE_STEPS, APART), KEPT),
    RunCase("three-step heat in vacuum", THREE, partial(run, THREE_STEPS, APART, vacuum=True), KEPT, vacuum=True),
    RunCase("three-step heat, third too fast", THREE,
            partial(run, path(20.0, (400.0, 100.0), (550.0, 50.0), (620.0, 50.0), 1.6, (90.0, 80.0), 0.5)), BROKEN,
            {"heat 3 rate": Must(BROKEN, 6.8, 7.2)}),
]  # fmt: skip

# ---- holds, overshoot, restarts --------------------------------------------------------------------------------------
PLAIN = cycle(heat("620 C", **FAST), hold("620 C", minutes=60), cool("100 C", **COOL))
GOOD = path(20.0, (620.0, 100.0), 1.6, (90.0, 80.0), 0.5)  # 620 °C at 6 h, cooling from 7.6 h, 100 °C at 14.1 h
STABLE = cycle(heat("620 C", **FAST), hold("620 C", minutes=20, purpose="stabilise"),
               hold("620 C", minutes=60), cool("100 C", **COOL))  # fmt: skip
AGAIN = cycle(heat("620 C", **FAST), hold("620 C", minutes=20), heat("620 C", **FAST), hold("620 C", minutes=60),
              cool("100 C", **COOL))  # fmt: skip
OVER = path(20.0, (634.0, 100.0), 0.1, (620.0, 60.0), 1.6, (90.0, 80.0), 0.5)
TWICE = cycle(heat("450 C", **FAST), hold("450 C", minutes=45), heat("620 C", **FAST), hold("620 C", minutes=60),
              cool("100 C", **COOL))  # fmt: skip
TWO_SOAKS = path(20.0, (450.0, 100.0), 1.3, (620.0, 100.0), 1.6, (90.0, 80.0), 0.5)
TEMPERS = cycle(heat("560 C", **FAST), hold("560 C", minutes=60), cool("80 C"), heat("560 C", **FAST),
                hold("560 C", minutes=60), cool("80 C"), process="temper")  # fmt: skip
BOTH = path(20.0, (560.0, 100.0), 1.6, (60.0, 200.0), 1.0, (560.0, 100.0), 1.6, (60.0, 200.0), 1.0)
STEP_DOWN = cycle(heat("620 C", **FAST), hold("620 C", minutes=30), cool("560 C", **COOL), hold("560 C", minutes=60),
                  cool("100 C", **COOL))  # fmt: skip
DEEP = cycle(cool("-80 C"), hold("-80 C", minutes=60), heat("15 C", rate_max="70 C/h"), process="deep freeze")
FROZEN = path(20.0, (-80.0, 50.0), 1.8, (20.0, 50.0), 0.5)  # -80 °C at 2 h, up from 3.8 h, 15 °C at 5.7 h
WARM = cycle(heat("150 C", **FAST), heat("620 C", **FAST), hold("620 C", minutes=60), cool("100 C", **COOL))
WARM_HOLD = cycle(heat("150 C", **FAST), hold("150 C", minutes=30), heat("620 C", **FAST), hold("620 C", minutes=60),
                  cool("100 C", **COOL))  # fmt: skip

HOLDS = [
    RunCase("plain run", PLAIN, partial(run, GOOD), KEPT, has={"soak_minutes": (85.0, 20.0)}),
    RunCase("plain run in vacuum", PLAIN, partial(run, GOOD, vacuum=True), KEPT, vacuum=True),
    RunCase("plain run, soak short", PLAIN, partial(run, path(20.0, (620.0, 100.0), 0.7, (90.0, 80.0), 0.5)), BROKEN,
            {"soak 2": Must(BROKEN, 6.6, 7.0)}),
    RunCase("two holds at one temperature", STABLE, partial(run, path(20.0, (620.0, 100.0), 2.2, (90.0, 80.0), 0.5)),
            KEPT),
    RunCase("a heat to where it is already", AGAIN, partial(run, path(20.0, (620.0, 100.0), 2.2, (90.0, 80.0), 0.5)),
            KEPT),
    RunCase("overshoot and back", PLAIN, partial(run, OVER, work=(Tc(2.0, 25.0), Tc(3.0, 20.0), Tc(4.0, 28.0))), KEPT),
    RunCase("overshoot that reached the work", PLAIN, partial(run, OVER, work=(Tc(0.0, 2.0), Tc(1.0, 3.0))), BROKEN,
            {"hold 2 upper edge": Must(BROKEN, 6.0, 6.4), "soak 2": Must(KEPT)}),
    RunCase("power cut in the soak, soaked anew", PLAIN,
            partial(run, path(20.0, (620.0, 100.0), 4.0, (90.0, 80.0), 0.5), power_h=(6.5, 6.9)), KEPT),
    RunCase("power cut in the soak, too short afterwards", PLAIN,
            partial(run, path(20.0, (620.0, 100.0), 2.2, (90.0, 80.0), 0.5), power_h=(6.8, 7.2)), BROKEN,
            {"soak 2": Must(BROKEN, 6.8, 7.0)}),
    RunCase("power cut while heating, then on", PLAIN.replace('rate_max = "110 C/h"', 'rate_max = "160 C/h"'),
            partial(run, path(20.0, (620.0, 100.0), 3.5, (90.0, 80.0), 0.5), power_h=(3.0, 3.6)), KEPT),
    RunCase("program begun again after cooling back", PLAIN,
            partial(run, path(20.0, (420.0, 100.0), (150.0, 80.0), (620.0, 100.0), 1.6, (90.0, 80.0), 0.5)), KEPT),
    RunCase("guaranteed soak: the program waits for the load", PLAIN,
            partial(run, path(20.0, (620.0, 100.0), 3.6, (90.0, 80.0), 0.5), work=(Tc(3.0, 25.0), Tc(4.0, 40.0)),
                    setpoint=True), KEPT),
    RunCase("two soaks", TWICE, partial(run, TWO_SOAKS), KEPT),
    RunCase("two soaks, the second short", TWICE,
            partial(run, path(20.0, (450.0, 100.0), 1.3, (620.0, 100.0), 0.8, (90.0, 80.0), 0.5)), BROKEN,
            {"soak 4": Must(BROKEN, 8.0, 8.7)}),
    RunCase("two soaks, the first passed over", TWICE, partial(run, GOOD), BROKEN, {"soak 2": Must(BROKEN, 4.0, 4.7)}),
    RunCase("tempered twice", TEMPERS, partial(run, BOTH), KEPT),
    RunCase("tempered once where twice was asked", TEMPERS,
            partial(run, path(20.0, (560.0, 100.0), 1.6, (60.0, 200.0), 2.0), events={"door opened": 10.9}), BROKEN, {
                "soak 5": Must(BROKEN, 10.8, 11.0), "heat 4 target": Must(BROKEN), "cool 6 target": Must(BROKEN),
                "heat 4 rate": Must(OPEN), "hold 5 upper edge": Must(OPEN)}),
    RunCase("step down to a second hold", STEP_DOWN,
            partial(run, path(20.0, (620.0, 100.0), 1.2, (560.0, 80.0), 1.7, (90.0, 80.0), 0.5)), KEPT),
    RunCase("deep freeze ends with a heat", DEEP, partial(run, FROZEN), KEPT),
    RunCase("deep freeze, taken out cold", DEEP, partial(run, FROZEN, events={"door opened": 4.5}), BROKEN,
            {"heat 3 target": Must(BROKEN, 4.4, 4.6)}),
    RunCase("warm furnace, first target passed already", WARM,
            partial(run, path(210.0, (620.0, 100.0), 1.6, (90.0, 80.0), 0.5)), KEPT),
    RunCase("warm furnace, low hold never made", WARM_HOLD,
            partial(run, path(210.0, (620.0, 100.0), 1.6, (90.0, 80.0), 0.5)), BROKEN,
            {"soak 2": Must(BROKEN), "hold 2 upper edge": Must(OPEN)}),
    RunCase("zones 20 degrees apart, load in the band", PLAIN.replace("8 C diff", "12 C diff"),
            partial(run, GOOD, (Zone(10.0), Zone(-10.0)), (Tc(1.0, 6.0), Tc(3.0, 9.0))), KEPT),
    RunCase("zones 20 degrees apart, one never in the band", PLAIN,
            partial(run, GOOD, (Zone(10.0), Zone(-10.0)), (Tc(1.0, 6.0), Tc(3.0, 9.0))), BROKEN,
            {"heat 1 target": Must(BROKEN, 7.4, 7.8)}),
]  # fmt: skip

TRIMMED = path(20.0, (620.0, 100.0), 2.2, (90.0, 80.0), 0.5)
TRIM_LOW = path(20.0, (150.0, 100.0), 1.5, (620.0, 100.0), 2.2, (90.0, 80.0), 0.5)
HIGHER = (Zone(13.0), Zone(13.0))
BY_FURNACE = cycle(heat("620 C", **FAST), hold("620 C", minutes=60, soak_by="furnace"), cool("100 C", **COOL))
STEP_UP = cycle(heat("560 C", **FAST), hold("560 C", minutes=30), hold("620 C", minutes=60), cool("100 C", **COOL))
PEAK = cycle(heat("620 C", **FAST), cool("400 C", **COOL), cool("100 C", **COOL))
DIP = cycle(heat("620 C", **FAST), hold("620 C", minutes=45), cool("450 C", **COOL), heat("620 C", **FAST),
            hold("620 C", minutes=45), cool("100 C", **COOL))  # fmt: skip
DIPPED = path(20.0, (620.0, 100.0), 1.3, (446.0, 80.0), 0.2, (620.0, 100.0), 1.3, (90.0, 80.0), 0.5)

TURNS = [
    RunCase("control set above the band to bring the load in", PLAIN,
            partial(run, TRIMMED, HIGHER, (Tc(12.0, 6.0), Tc(14.0, 9.0))), KEPT, {}),
    RunCase("door opened to load, before the chart and at its beginning", PLAIN,
            partial(run, path(20.0, 0.3, (620.0, 100.0), 1.6, (90.0, 80.0), 0.5),
                    events=[(-0.3, "door opened", "loading"), (0.2, "door opened", "one more part"),
                            (14.6, "door opened", None)]), KEPT),
    RunCase("door limit with the door opened to load", PLAIN + '[limits]\ndoor = "120 C"\n',
            partial(run, path(20.0, 0.3, (620.0, 100.0), 1.6, (90.0, 80.0), 0.5),
                    events=[(-0.3, "door opened", "loading"), (14.6, "door opened", None)]), KEPT),
    RunCase("soak by the furnace, load far behind", BY_FURNACE, partial(run, GOOD, work=(Tc(2.0, 70.0),)), KEPT),
    RunCase("soak by the furnace, short", BY_FURNACE, partial(run, path(20.0, (620.0, 100.0), 0.6, (90.0, 80.0), 0.5)),
            BROKEN, {"soak 2": Must(BROKEN, 6.5, 6.8)}),
    RunCase("a hold that follows a hold, with no heat between", STEP_UP,
            partial(run, path(20.0, (560.0, 100.0), 1.2, (620.0, 100.0), 1.6, (90.0, 80.0), 0.5)), KEPT),
    RunCase("a peak without a hold", PEAK,
            partial(run, path(20.0, (630.0, 100.0), 0.2, (90.0, 80.0), 0.5), APART), KEPT),
    RunCase("a peak that one zone never came to", PEAK,
            partial(run, path(20.0, (630.0, 100.0), 0.2, (90.0, 80.0), 0.5), SHORT), BROKEN,
            {"heat 1 target": Must(BROKEN, 6.0, 6.4)}),
    RunCase("cooled between and heated again", DIP, partial(run, DIPPED), KEPT),
    RunCase("cooled between, the second soak cut short", DIP,
            partial(run, path(20.0, (620.0, 100.0), 1.3, (446.0, 80.0), 0.2, (620.0, 100.0), 0.6, (90.0, 80.0), 0.5)),
            BROKEN, {"soak 5": Must(BROKEN, 11.9, 12.3)}),
    RunCase("turned before it was cool enough between", DIP,
            partial(run, path(20.0, (620.0, 100.0), 1.3, (480.0, 80.0), 0.2, (620.0, 100.0), 1.3, (90.0, 80.0), 0.5)),
            BROKEN, {"cool 3 target": Must(BROKEN, 9.0, 9.4)}),
    RunCase("never cooled between", DIP,
            partial(run, path(20.0, (620.0, 100.0), 4.6, (90.0, 80.0), 0.5), events={"door opened": 17.5}), BROKEN, {
                "soak 5": Must(BROKEN), "heat 4 target": Must(BROKEN, 17.4, 17.6), "cool 6 target": Must(BROKEN),
                "heat 4 rate": Must(OPEN), "cool 6 rate": Must(OPEN), "hold 5 upper edge": Must(OPEN)}),
    RunCase("power cut in the low hold", TWICE,
            partial(run, path(20.0, (450.0, 100.0), 2.8, (620.0, 100.0), 1.6, (90.0, 80.0), 0.5), power_h=(4.7, 5.1)),
            KEPT),
    RunCase("slow recorder", PLAIN, partial(run, GOOD, step_s=300.0), KEPT),
    RunCase("recorder begun late", PLAIN, partial(run, path(330.0, (620.0, 100.0), 1.6, (90.0, 80.0), 0.5)), KEPT),
    RunCase("one control zone open all run long", PLAIN,
            partial(run, GOOD, touch=lambda trace: trace.values[1].fill(np.nan)), KEPT),
    RunCase("air hardening by the door", cycle(
        heat("850 C", rate_max="220 C/h"), hold("850 C", minutes=30, band="10 C diff"), process="harden"),
        partial(run, path(20.0, (850.0, 200.0), 1.2), events={"door opened": 5.3}), KEPT),
    RunCase("air hardening, pulled early", cycle(
        heat("850 C", rate_max="220 C/h"), hold("850 C", minutes=30, band="10 C diff"), process="harden"),
        partial(run, path(20.0, (850.0, 200.0), 1.2), events={"door opened": 4.7}), BROKEN,
        {"soak 2": Must(BROKEN, 4.6, 4.8)}),
]  # fmt: skip

# ---- stopped, aborted, cut off ---------------------------------------------------------------------------------------
LOW = cycle(heat("315 C", **FAST), hold("315 C", minutes=45), heat("620 C", **FAST), hold("620 C", minutes=60),
            cool("100 C", **COOL), door="120 C")  # fmt: skip
# 315 °C at 2.95 h, on from 4.25 h, 475 °C at 5.85 h
STOPPED = path(20.0, (315.0, 100.0), 1.3, (475.0, 100.0), (80.0, 80.0), 0.5)
WHOLE = path(20.0, (315.0, 100.0), 1.3, (620.0, 100.0), 1.6, (90.0, 80.0), 0.5)  # 620 at 7.3, from 8.9, 90 at 15.525
NOT_REACHED = ("soak_minutes", "hold_mean_c", "dose_equivalent_minutes", "spread_soak_peak_c")

CUT_OFF = [
    RunCase("run with low hold", LOW, partial(run, WHOLE, events={"door opened": 15.6}), KEPT,
            has={"soak_minutes": (85.0, 20.0), "soak_minutes_segment_2": (70.0, 20.0)}),
    RunCase("aborted at 475", LOW, partial(run, STOPPED, events={"aborted": 5.85, "door opened": 10.9}), BROKEN, {
        "heat 3 target": Must(BROKEN, 5.7, 6.1), "soak 4": Must(BROKEN), "hold 4 upper edge": Must(OPEN),
    }, NOT_REACHED, {"soak_minutes_segment_2": (70.0, 20.0), "hold_mean_c_segment_2": (315.0, 2.0)},
        (PieceRecord("A", "1", 40.0, dose_constant=20.0),)),
    RunCase("aborted at 475 in vacuum", LOW,
            partial(run, STOPPED, events={"aborted": 5.85, "door opened": 10.9}, work=(Tc(1.0, 4.0), Tc(2.0, 5.0)),
                    vacuum=True), BROKEN,
            {"heat 3 target": Must(BROKEN, 5.7, 6.1), "soak 4": Must(BROKEN), "hold 4 upper edge": Must(OPEN),
             }, NOT_REACHED, vacuum=True),
    RunCase("aborted at 475, chart ends there", LOW, partial(run, STOPPED, events={"aborted": 5.8}, stops_h=5.85),
            BROKEN, {"heat 3 target": Must(BROKEN, 5.7, 5.9), "soak 4": Must(BROKEN, 5.7, 5.9),
                     "hold 4 upper edge": Must(OPEN), "cool 5 rate": Must(OPEN), "cool 5 target": Must(OPEN),
                     "door opened": Must(OPEN)}, NOT_REACHED),
    RunCase("recorder stopped at 250", LOW, partial(run, WHOLE, stops_h=13.5), OPEN, {
        "cool 5 target": Must(OPEN, words=("chart ends",)), "door opened": Must(OPEN)},
        has={"soak_minutes": (85.0, 20.0)}),
    RunCase("door opened at 250", LOW, partial(run, WHOLE, events={"door opened": 13.5}), BROKEN, {
        "cool 5 target": Must(BROKEN, 13.4, 13.6), "door opened": Must(BROKEN, 13.4, 13.6)}),
    RunCase("door opened after the chart's end", LOW, partial(run, WHOLE, stops_h=13.5, events={"door opened": 15.6}),
            OPEN, {"cool 5 target": Must(OPEN, words=("chart ends",)), "door opened": Must(OPEN)}),
    RunCase("door opened ten minutes after the chart's end", LOW,
            partial(run, WHOLE, stops_h=15.0, events={"door opened": 15.17}), OPEN,
            {"cool 5 target": Must(OPEN), "door opened": Must(OPEN)}),
    RunCase("recorder stopped in the soak", PLAIN, partial(run, GOOD, stops_h=6.7), OPEN, {
        "soak 2": Must(OPEN, words=("chart ends",)), "cool 3 rate": Must(OPEN), "cool 3 target": Must(OPEN)}),
    RunCase("door opened in the soak", PLAIN, partial(run, GOOD, events={"door opened": 6.7}), BROKEN, {
        "soak 2": Must(BROKEN, 6.6, 6.8), "cool 3 rate": Must(OPEN), "cool 3 target": Must(BROKEN)}),
    RunCase("recorder stopped while heating", PLAIN, partial(run, GOOD, stops_h=5.0), OPEN, {
        "heat 1 target": Must(OPEN, words=("chart ends",)), "soak 2": Must(OPEN, words=("chart ends",)),
        "hold 2 upper edge": Must(OPEN), "cool 3 rate": Must(OPEN), "cool 3 target": Must(OPEN)}),
    RunCase("recorder stopped in a deep freeze's heat", DEEP, partial(run, FROZEN, stops_h=4.8), OPEN,
            {"heat 3 target": Must(OPEN, words=("chart ends",))}),
    RunCase("too slow before the recorder stopped", PLAIN.replace('rate_max = "90 C/h"', 'rate_min = "70 C/h"'),
            partial(run, path(20.0, (620.0, 100.0), 1.6, (300.0, 55.0)), stops_h=11.0), BROKEN,
            {"cool 3 slowest rate": Must(BROKEN, 7.6, 8.1), "cool 3 target": Must(OPEN)}),
    RunCase("soak at most, recorder stopped inside", PLAIN.replace("minutes = 60", "minutes = 20\nminutes_max = 90"),
            partial(run, GOOD, stops_h=7.0), OPEN,
            {"soak 2 at most": Must(OPEN), "cool 3 rate": Must(OPEN), "cool 3 target": Must(OPEN)}),
]  # fmt: skip

# ---- the spread from the soak's start --------------------------------------------------------------------------------
SPREAD = cycle(heat("620 C", **FAST), hold("620 C", minutes=60), cool("100 C", **COOL), spread_hold="12 C diff",
               spread_from="soak start")  # fmt: skip
LAGGING = (Tc(1.0, 4.0), Tc(2.0, 20.0), Tc(3.0, 26.0))
SLOWLY = path(20.0, (620.0, 100.0), 3.0, (90.0, 80.0), 0.5)


def cold_corner(trace: Trace, from_h: float = 8.0, by_c: float = 16.0) -> None:
    """TC 3 falls within a quarter of an hour and stays low, as where a part was moved into a cold corner."""
    trace.values[trace.row("TC 3")] -= by_c * np.clip((trace.t_s / 3600.0 - from_h) / 0.25, 0.0, 1.0)


SPREADS = [
    RunCase("spread evens out before the soak", SPREAD, partial(run, SLOWLY, work=LAGGING), KEPT, {
        "spread during holds from soak start": Must(KEPT)}),
    RunCase("spread evens out before the soak, in vacuum", SPREAD, partial(run, SLOWLY, work=LAGGING, vacuum=True),
            KEPT, vacuum=True),
    RunCase("the same by the whole hold", SPREAD.replace('spread_from = "soak start"\n', ""),
            partial(run, SLOWLY, work=LAGGING), BROKEN, {"spread during holds": Must(BROKEN, 5.8, 6.1)}),
    RunCase("spread in the soak", SPREAD.replace("minutes = 60", "minutes = 40"),
            partial(run, SLOWLY, work=LAGGING, touch=cold_corner), BROKEN,
            {"spread during holds from soak start": Must(BROKEN, 8.05, 8.3)}),
    RunCase("spread where the soak never began", SPREAD,
            partial(run, SLOWLY, work=(Tc(1.0, 4.0), Tc(12.0, 12.0))), BROKEN, {
                "soak 2": Must(BROKEN), "spread during holds from soak start": Must(OPEN, words=("never began",))}),
    RunCase("pressure from the backfill on", cycle(
        heat("620 C", **FAST), hold("620 C", minutes=60), cool("100 C", rate_max="90 C/h"),
        limit("pressure", max="1200 mbar", from_="gas backfill"), atmosphere="vacuum"),
        partial(run, GOOD, vacuum=True, pressure=[(0, 1e-3), (11.9, 1e-3), (12.0, 900.0), (15.0, 950.0)],
                events={"gas backfill": 11.9}), KEPT, vacuum=True),
    RunCase("pressure from a backfill that nobody recorded", cycle(
        heat("620 C", **FAST), hold("620 C", minutes=60), cool("100 C", rate_max="90 C/h"),
        limit("pressure", max="1200 mbar", from_="gas backfill"), atmosphere="vacuum"),
        partial(run, GOOD, vacuum=True, pressure=[(0, 1e-3), (15.0, 1e-3)]), OPEN,
        {"pressure from gas backfill": Must(OPEN, words=("no event 'gas backfill'",))}, vacuum=True),
]  # fmt: skip

# ---- clauses on time, place, gas, surface, pressure and furnace ------------------------------------------------------
SENSITISED = cycle(
    heat("1050 C", rate_max="420 C/h"), hold("1050 C", minutes=20), cool("100 C"),
    limit("time_in_range", above="425 C", below="815 C", phase="cooling", max="30 min"), process="solution anneal",
)  # fmt: skip


def anneal(fall_c_per_h: float, **more: object) -> Trace:
    program = path(20.0, (1050.0, 400.0), 0.8, (60.0, fall_c_per_h), 0.5)
    return run(program, (Zone(0.0, 1.5),), (Tc(0.0, 2.0), Tc(1.0, 4.0)), **more)  # type: ignore[arg-type]


PLACED = (Tc(1.0, 6.0, "rim, thin"), Tc(2.0, 9.0, "thick section"), Tc(2.0, 9.0, "hub, thick section"))
AT_PLACE = cycle(heat("620 C", **FAST), hold("620 C", minutes=60), cool("100 C", **COOL),
                 limit("place_tcs", place="thick section", min=1))  # fmt: skip
GASSED = cycle(heat("620 C", **FAST), hold("620 C", minutes=60), cool("100 C", **COOL), atmosphere="vacuum",
               gas="argon", pressure_to_cool="1e-2 mbar", surface="bright or straw")  # fmt: skip
PUMPED = [(0.0, 1e-1), (2.0, 1e-3), (11.9, 1e-3), (12.0, 900.0), (15.0, 950.0)]
LEAKY = [(0.0, 1e-1), (2.0, 1e-2), (5.0, 5e-2), (11.9, 5e-2), (12.0, 900.0), (15.0, 950.0)]


def gassed(gas: str | None = "argon 4.6", found: str | None = "bright, no stains", pumped: object = PUMPED,
           word: str = "surface checked") -> Trace:  # fmt: skip
    events = [(11.9, "gas backfill", gas), (20.0, word, found)]
    return run(GOOD, vacuum=True, pressure=pumped, events=events)  # type: ignore[arg-type]


CLASSED = cycle(heat("620 C", **FAST), hold("620 C", minutes=60), cool("100 C", **COOL), furnace_class=2,
                furnace_class_unit="C")  # fmt: skip


def furnace(uniformity_c: float | None = 6.0, worst_c: float | None = 4.5, state: str = "current",
            passed: bool = True) -> dict[str, RunFacts]:  # fmt: skip
    due = None if state == "no due date" else "2026-06-01"
    check = FurnaceCheck("uniformity survey", "2026-03-01", due, 620.0, worst_c, passed, state)
    return {"facts": RunFacts(furnace="F1", uniformity_c=uniformity_c, checks=(check,))}


CLAUSES = [
    RunCase("time in the sensitising range", SENSITISED, partial(anneal, 1200.0), KEPT),
    RunCase("too long in the sensitising range", SENSITISED, partial(anneal, 500.0), BROKEN,
            {"time in range while cooling": Must(BROKEN, 4.2, 4.5)}),
    RunCase("recorder stopped above the range", SENSITISED, partial(anneal, 1200.0, stops_h=3.5), OPEN,
            {"time in range while cooling": Must(OPEN, words=("chart's end",)), "cool 3 target": Must(OPEN)}),
    RunCase("taken out above the range", SENSITISED.replace('target = "100 C"\n', ""),
            partial(anneal, 1200.0, events={"door opened": 3.45}), OPEN,
            {"time in range while cooling": Must(OPEN, words=("door opened",))}),
    RunCase("a TC at the thick section", AT_PLACE, partial(run, GOOD, work=PLACED), KEPT),
    RunCase("no TC at the thick section", AT_PLACE, partial(run, GOOD, work=(PLACED[0], Tc(2.0, 9.0, "web"))), BROKEN,
            {"TCs at 'thick section'": Must(BROKEN, 0.0, 0.01)}),
    RunCase("nobody wrote where the TCs were", AT_PLACE, partial(run, GOOD), OPEN,
            {"TCs at 'thick section'": Must(OPEN, words=("no place is recorded",))}),
    RunCase("argon, bright, pumped down before cooling", GASSED, gassed, KEPT, vacuum=True),
    RunCase("nitrogen for argon", GASSED, partial(gassed, "N2"), BROKEN, {"gas": Must(BROKEN, 11.8, 12.0)},
            vacuum=True),
    RunCase("gas not named", GASSED, partial(gassed, None), OPEN, {"gas": Must(OPEN, words=("names it",))},
            vacuum=True),
    RunCase("gas named by the run's atmosphere", GASSED, partial(gassed, None), KEPT,
            more={"facts": RunFacts(atmosphere="vacuum, argon backfill")}, vacuum=True),
    RunCase("scale where bright was asked", GASSED, partial(gassed, found="scale, loose"), BROKEN,
            {"surface": Must(BROKEN, 19.9, 20.1)}, vacuum=True),
    RunCase("nobody looked at the surface", GASSED, partial(gassed, word="unloaded"), OPEN,
            {"surface": Must(OPEN, words=("no event 'surface checked'",))}, vacuum=True),
    RunCase("cooling begun at a high pressure", GASSED, partial(gassed, pumped=LEAKY), BROKEN,
            {"pressure to cool": Must(BROKEN, 7.4, 7.8)}, vacuum=True),
    RunCase("cooling with no gauge", cycle(heat("620 C", **FAST), hold("620 C", minutes=60), cool("100 C", **COOL),
                                           pressure_to_cool="1e-2 mbar"), partial(run, GOOD), OPEN,
            {"pressure to cool": Must(OPEN, words=("a pressure channel",))}),
    RunCase("furnace class and survey", CLASSED, partial(run, GOOD), KEPT, more=furnace()),
    RunCase("furnace of a wider class", CLASSED, partial(run, GOOD), BROKEN, {"furnace class": Must(BROKEN)},
            more=furnace(14.0)),
    RunCase("surveyed at another temperature long ago, and lately here", CLASSED, partial(run, GOOD), KEPT,
            more={"facts": RunFacts(furnace="F1", uniformity_c=6.0, checks=(
                FurnaceCheck("uniformity survey", "2019-03-01", "2019-06-01", 300.0, 9.0, True, "past due"),
                FurnaceCheck("uniformity survey", "2026-03-01", "2026-06-01", 620.0, 4.5, True, "current")))}),
    RunCase("survey past due", CLASSED, partial(run, GOOD), BROKEN, {"furnace class": Must(BROKEN)},
            more=furnace(state="past due")),
    RunCase("survey wider than the class", CLASSED, partial(run, GOOD), BROKEN, {"furnace class": Must(BROKEN)},
            more=furnace(6.0, 7.5)),
    RunCase("no survey recorded", CLASSED, partial(run, GOOD), OPEN,
            {"furnace class": Must(OPEN, words=("no uniformity survey",))},
            more={"facts": RunFacts(furnace="F1", uniformity_c=6.0)}),
]  # fmt: skip

# ---- labels that say what they bind to -------------------------------------------------------------------------------
RANGED = cycle(
    heat("620 C", rate_max="200 C/h"), hold("620 C", minutes=60), cool("100 C", rate_max="90 C/h", rate_above="300 C"),
    limit("heating_rate", segment=1, above="585 C", max="60 C/h"),
)  # fmt: skip
LABELS = [
    RunCase("two rates in one segment", RANGED,
            partial(run, path(20.0, (570.0, 150.0), (620.0, 40.0), 1.6, (90.0, 80.0), 0.5)), KEPT),
    RunCase("the slower of two rates broken", RANGED, partial(run, path(20.0, (620.0, 150.0), 1.6, (90.0, 80.0), 0.5)),
            BROKEN, {"heating rate in segment 1": Must(BROKEN, 3.7, 4.1)}),
]  # fmt: skip

CASES = [*SHOP, *WEEK, *AUDIT, *RECORDINGS, *STEPS, *HOLDS, *TURNS, *CUT_OFF, *SPREADS, *CLAUSES, *LABELS]


IN_BOTH = [pytest.param(c, s, id=f"{c.name}-{s}", marks=pytest.mark.thorough if s == "us" and c not in WEEK else ())
           for c in CASES for s in ("si", "us")]  # fmt: skip


@pytest.mark.parametrize(("case", "system"), IN_BOTH)
def test_a_planted_run_is_told_right(case: RunCase, system: str) -> None:
    assert wrong(case, tell(case, system), system) == []


def test_samples_five_minutes_apart_blame_no_quick_tc() -> None:
    """A section that follows within minutes has followed before the next sample: it is not loose for that."""
    work = (Tc(1.0, 3.0), Tc(2.0, 4.0), Tc(3.0, 15.0), Tc(2.0, 20.0))
    quick = RunCase("quick TCs", PLAIN, partial(run, TRIMMED, (Zone(),), work, step_s=300.0), KEPT)
    found = tell(quick)
    assert (found.judgement.verdict, [f.kind for f in found.judgement.faults]) == (KEPT, [])


STEPPED = path(20.0, (300.0, 100.0), (600.0, 60.0), (620.0, 20.0), 2.0, (300.0, 50.0), (90.0, 180.0), 0.5)


def test_a_peak_of_a_segment_or_above_a_temperature_is_of_that_pace_alone() -> None:
    """A window that reached into the faster program beside would show 60 to 110 °C/h for what its clause calls kept."""
    text = cycle(heat("600 C", rate_max="70 C/h", rate_above="300 C"), heat("620 C", rate_max="30 C/h"),
                 hold("620 C", minutes=60), cool("300 C", rate_max="60 C/h"), cool("100 C"),
                 limit("cooling_rate", above="320 C", max="60 C/h"))  # fmt: skip
    found = tell(RunCase("stepped", text, partial(run, STEPPED), KEPT))
    figures = {p.parameter: p.value for p in found.parameters if p.channel is None}
    assert found.judgement.verdict == KEPT
    for parameter, clause, pace in (
        ("heating_rate_peak_above_300c_c_per_h", "heat 1 rate", 60.0),
        ("heating_rate_peak_c_per_h_segment_2", "heat 2 rate", 20.0),
        ("cooling_rate_peak_c_per_h_segment_4", "cool 4 rate", 50.0),
        ("cooling_rate_peak_above_320c_c_per_h", "cooling rate", 50.0),
    ):
        judged = found.clause(clause)
        assert judged is not None and figures[parameter] == pytest.approx(pace, abs=5.0), parameter
        assert figures[parameter] == pytest.approx(judged.value, abs=3.0), parameter


def test_a_soak_that_never_began_blames_who_was_outside_longest() -> None:
    """TC 2 stands above the band from its first minutes on; that a slower TC came in a little later is no reason."""

    def too_hot(trace: Trace) -> None:
        trace.values[trace.row("TC 2")] += 14.0 * (trace.values[trace.row("TC 2")] - 20.0) / 600.0

    found = tell(RunCase("one too hot", PLAIN, partial(run, GOOD, touch=too_hot), BROKEN))
    soak = found.clause("soak 2")
    assert soak is not None and (soak.verdict, soak.value, soak.channel) == (BROKEN, 0.0, "TC 2")
