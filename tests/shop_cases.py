"""More whole runs with a planted truth, of ordinary shop reality: any Tuesday's, good twins beside bad ones.

Each stands in CASES of test_run_cases.py and is judged in °C and in °F.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

import numpy as np

from loadbook.analysis.trace.model import Trace

from .runcase import BROKEN, KEPT, OPEN, Must, RunCase, Tc, Zone, cool, cycle, heat, hold, limit, path, run

FAST = {"rate_max": "110 C/h"}
COOL = {"rate_max": "90 C/h"}
PLAIN = cycle(heat("620 C", **FAST), hold("620 C", minutes=60), cool("100 C", **COOL))
GOOD = path(20.0, (620.0, 100.0), 1.6, (90.0, 80.0), 0.5)  # 620 °C at 6 h, cooling from 7.6 h, 100 °C at 14.1 h
THREE = cycle(heat("315 C", **FAST), hold("315 C", minutes=30), heat("480 C", **FAST), hold("480 C", minutes=30),
              heat("620 C", **FAST), hold("620 C", minutes=60), cool("100 C", **COOL))  # fmt: skip
THREE_GOOD = path(20.0, (315.0, 100.0), 1.0, (480.0, 100.0), 1.0, (620.0, 100.0), 1.6, (90.0, 80.0), 0.5)
LONG = path(20.0, (620.0, 100.0), 4.5, (90.0, 80.0), 0.5)  # cooling from 10.5 h
THICK = (Tc(1.0, 60.0), Tc(2.0, 90.0))
ONE_LATE = (Tc(0.0, 5.0), Tc(1.0, 6.0), Tc(3.0, 25.0))
TWO_COOLS = cycle(heat("620 C", **FAST), hold("620 C", minutes=60), cool("400 C", **COOL),
                  cool("100 C", rate_max="250 C/h"))  # fmt: skip
RATE_ABOVE = cycle(heat("620 C", **FAST), hold("620 C", minutes=60), cool("100 C", **COOL),
                   limit("heating_rate", segment=1, above="400 C", max="60 C/h"))  # fmt: skip
VACUUM = cycle(heat("620 C", **FAST), hold("620 C", minutes=60), cool("100 C", rate_max="140 C/h"),
               limit("pressure", max="1e-2 mbar", phase="hold"), backfill="540 C",
               atmosphere="vacuum")  # fmt: skip


def touched(*changes: Callable[[Trace], None]) -> Callable[[Trace], None]:
    """Several changes of a trace, one after the other."""

    def touch(trace: Trace) -> None:
        for change in changes:
            change(trace)

    return touch


def spike(trace: Trace, name: str = "TC 2", at_h: float = 6.9, by_c: float = 45.0) -> None:
    """One sample that no load can follow."""
    trace.values[trace.row(name), np.searchsorted(trace.t_s, at_h * 3600.0)] += by_c


def all_up(trace: Trace, by_c: float, from_h: float = 6.2, to_h: float = 7.5) -> None:
    """The whole furnace creeps up at the hold, load and zones alike, and comes back as it cools."""
    hours = trace.t_s / 3600.0
    shape = np.interp(hours, [from_h, to_h, to_h + 5.0], [0.0, 1.0, 0.0])
    for i, c in enumerate(trace.channels):
        if c.quantity == "temperature":
            trace.values[i] += by_c * shape


def sparse(trace: Trace, name: str = "TC 4", every: int = 5) -> None:
    """A channel that the recorder writes only every few rows."""
    kept = np.arange(trace.t_s.size) % every == 0
    trace.values[trace.row(name), ~kept] = np.nan


def dies(trace: Trace, name: str = "TC 3", at_h: float = 11.0) -> None:
    """Open circuit from a moment on."""
    trace.values[trace.row(name), trace.t_s >= at_h * 3600.0] = np.nan


def rounded(trace: Trace, to_c: float = 1.0) -> None:
    """A recorder that shows whole degrees."""
    trace.values[:] = np.round(trace.values / to_c) * to_c


def dipped(trace: Trace, at_h: float, by_c: float, for_min: float = 12.0, names: tuple[str, ...] = ()) -> None:
    """The door is opened a crack, or the power is off for minutes: what feels it falls and comes back."""
    hours = trace.t_s / 3600.0
    wide = for_min / 60.0
    shape = np.interp(hours, [at_h, at_h + wide, at_h + 3.0 * wide], [0.0, 1.0, 0.0])
    for i, c in enumerate(trace.channels):
        if c.quantity == "temperature" and (not names or c.name in names):
            trace.values[i] -= by_c * shape


SHOP = [
    # three holds
    RunCase("three holds", THREE, partial(run, THREE_GOOD), KEPT),
    RunCase("three holds in vacuum", THREE,
            partial(run, path(20.0, (315.0, 100.0), 3.5, (480.0, 100.0), 2.0, (620.0, 100.0), 1.6, (90.0, 80.0), 0.5),
                    work=(Tc(1.0, 4.0), Tc(2.0, 6.0)), vacuum=True), KEPT, vacuum=True),
    RunCase("three holds, the middle one cut short", THREE,
            partial(run, path(20.0, (315.0, 100.0), 1.0, (480.0, 100.0), 0.45, (620.0, 100.0), 1.6, (90.0, 80.0), 0.5)),
            BROKEN, {"soak 4": Must(BROKEN, 6.0, 6.4)}),
    RunCase("three holds, the middle one passed over", THREE,
            partial(run, path(20.0, (315.0, 100.0), 1.0, (620.0, 100.0), 1.6, (90.0, 80.0), 0.5)), BROKEN,
            {"soak 4": Must(BROKEN, 5.3, 6.0)}),
    # the door, the power
    RunCase("door opened a crack in the soak, soaked anew", PLAIN, partial(run, LONG, touch=partial(dipped, at_h=7.0,
            by_c=30.0)), KEPT),
    RunCase("door opened a crack in the soak, too short afterwards", PLAIN,
            partial(run, path(20.0, (620.0, 100.0), 2.2, (90.0, 80.0), 0.5), touch=partial(dipped, at_h=7.0,
                    by_c=30.0)), BROKEN, {"soak 2": Must(BROKEN, 6.9, 7.3)}),
    RunCase("door event in the soak, shut again, soaked anew", PLAIN,
            partial(run, LONG, touch=partial(dipped, at_h=7.0, by_c=30.0),
                    events=[(7.0, "door opened", "to look at a part"), (7.1, "door closed", None),
                            (17.4, "door opened", None)]), KEPT),
    RunCase("door event in the soak, shut again, too short afterwards", PLAIN,
            partial(run, path(20.0, (620.0, 100.0), 2.2, (90.0, 80.0), 0.5), touch=partial(dipped, at_h=7.0, by_c=30.0),
                    events=[(7.0, "door opened", None), (7.1, "door closed", None), (15.2, "door opened", None)]),
            BROKEN, {"soak 2": Must(BROKEN, 6.9, 7.3)}),
    RunCase("power dip within the band", PLAIN, partial(run, GOOD, touch=partial(dipped, at_h=6.8, by_c=3.0)), KEPT),
    RunCase("power dip while cooling", PLAIN.replace('rate_max = "90 C/h"', 'rate_max = "260 C/h"'),
            partial(run, GOOD, power_h=(9.0, 9.3)), KEPT),
    RunCase("power dip while cooling, falling too fast", PLAIN.replace('rate_max = "90 C/h"', 'rate_max = "160 C/h"'),
            partial(run, GOOD, power_h=(9.0, 9.3)), BROKEN, {"cool 3 rate": Must(BROKEN, 8.7, 9.3)}),
    RunCase("power dip while heating, back too fast", PLAIN, partial(run, LONG, power_h=(3.0, 3.6)), BROKEN,
            {"heat 1 rate": Must(BROKEN, 3.5, 4.5)}),
    # the recorder
    RunCase("recorder at one minute", PLAIN, partial(run, GOOD, step_s=60.0), KEPT),
    RunCase("recorder at ten minutes", PLAIN, partial(run, GOOD, step_s=600.0), KEPT),
    RunCase("recorder at ten minutes, soak short", PLAIN,
            partial(run, path(20.0, (620.0, 100.0), 0.7, (90.0, 80.0), 0.5), step_s=600.0), BROKEN,
            {"soak 2": Must(BROKEN, 6.3, 7.0)}),
    RunCase("recorder at five minutes, heated too fast", PLAIN,
            partial(run, path(20.0, (620.0, 125.0), 1.6, (90.0, 80.0), 0.5), step_s=300.0), BROKEN,
            {"heat 1 rate": Must(BROKEN, 0.0, 1.5)}),
    RunCase("recorder in whole degrees", PLAIN, partial(run, GOOD, touch=rounded), KEPT),
    RunCase("recorder in whole degrees, six times a minute", PLAIN, partial(run, GOOD, step_s=10.0, touch=rounded),
            KEPT),
    RunCase("recorder in whole degrees, heated too fast", PLAIN,
            partial(run, path(20.0, (620.0, 125.0), 1.6, (90.0, 80.0), 0.5), touch=rounded), BROKEN,
            {"heat 1 rate": Must(BROKEN, 0.0, 1.5)}),
    RunCase("noisy recorder", PLAIN, partial(run, GOOD, noise_c=0.8), KEPT),
    # gas
    RunCase("vacuum, backfilled to cool", VACUUM,
            partial(run, path(20.0, (620.0, 100.0), 1.6, (500.0, 80.0), (90.0, 120.0), 0.5), vacuum=True,
                    pressure=[(0, 1e-3), (9.2, 1e-3), (9.3, 900.0), (20.0, 900.0)], events={"gas backfill": 9.2}),
            KEPT, vacuum=True),
    RunCase("vacuum, backfilled too hot", VACUUM,
            partial(run, path(20.0, (620.0, 100.0), 1.6, (500.0, 80.0), (90.0, 120.0), 0.5), vacuum=True,
                    pressure=[(0, 1e-3), (7.9, 1e-3), (8.0, 900.0), (20.0, 900.0)], events={"gas backfill": 7.9}),
            BROKEN, {"gas backfill": Must(BROKEN, 7.8, 8.0)}, vacuum=True),
    RunCase("vacuum lost in the hold", VACUUM,
            partial(run, path(20.0, (620.0, 100.0), 1.6, (500.0, 80.0), (90.0, 120.0), 0.5), vacuum=True,
                    pressure=[(0, 1e-3), (6.8, 1e-3), (6.9, 8e-2), (9.2, 8e-2), (9.3, 900.0), (20.0, 900.0)],
                    events={"gas backfill": 9.2}),
            BROKEN, {"pressure during holds": Must(BROKEN, 6.7, 7.0)}, vacuum=True),
    # when the program went on
    RunCase("cool started late", PLAIN, partial(run, LONG), KEPT),
    RunCase("cool started late, longest soak stated", PLAIN.replace("minutes = 60", "minutes = 60\nminutes_max = 150"),
            partial(run, LONG), BROKEN, {"soak 2 at most": Must(BROKEN, 8.3, 9.2)}),
    RunCase("cool started in time, longest soak stated",
            PLAIN.replace("minutes = 60", "minutes = 60\nminutes_max = 150"), partial(run, GOOD), KEPT),
    RunCase("a wait at 400 that no cycle asked for", PLAIN,
            partial(run, path(20.0, (400.0, 100.0), 0.8, (620.0, 100.0), 1.6, (90.0, 80.0), 0.5)), KEPT),
    RunCase("a wait at 400 where a slowest rate was asked",
            PLAIN.replace('"110 C/h"', '"110 C/h"\nrate_min = "60 C/h"'),
            partial(run, path(20.0, (400.0, 100.0), 0.8, (620.0, 100.0), 1.6, (90.0, 80.0), 0.5)), BROKEN,
            {"heat 1 slowest rate": Must(BROKEN, 3.7, 4.7)}),
    # rates
    RunCase("ramp in two rates", RATE_ABOVE,
            partial(run, path(20.0, (395.0, 100.0), (620.0, 50.0), 1.6, (90.0, 80.0), 0.5)), KEPT),
    RunCase("ramp in two rates, the change forgotten", RATE_ABOVE, partial(run, GOOD), BROKEN,
            {"heating rate in segment 1": Must(BROKEN, 3.7, 4.3)}),
    RunCase("fan on below 400", TWO_COOLS,
            partial(run, path(20.0, (620.0, 100.0), 1.6, (395.0, 80.0), (90.0, 200.0), 0.5)), KEPT),
    RunCase("fan on too early", TWO_COOLS,
            partial(run, path(20.0, (620.0, 100.0), 1.6, (500.0, 80.0), (90.0, 200.0), 0.5)), BROKEN,
            {"cool 3 rate": Must(BROKEN, 9.0, 9.6)}),
    # the hold
    RunCase("one sample that no load can follow", PLAIN, partial(run, GOOD, touch=spike), OPEN, {
        "hold 2 upper edge": Must(OPEN, words=("TC 2",)), "soak 2": Must(OPEN, words=("TC 2",))}),
    RunCase("one sample that no load can follow, confirmed", PLAIN, partial(run, GOOD, touch=spike), KEPT,
            more={"confirmed": frozenset({("TC 2", "spike", "confirmed")})}),
    RunCase("one sample that no load can follow, refused", PLAIN, partial(run, GOOD, touch=spike), BROKEN, {
        "hold 2 upper edge": Must(BROKEN, 6.85, 6.95), "soak 2": Must(BROKEN)},
        more={"confirmed": frozenset({("TC 2", "spike", "refused")})}),
    RunCase("one sample that no load can follow, while heating", PLAIN,
            partial(run, GOOD, touch=partial(spike, at_h=3.0, by_c=-60.0)), KEPT),
    RunCase("one sample of a zone", PLAIN.replace('minutes = 60', 'minutes = 60\nsoak_by = "furnace"'),
            partial(run, GOOD, touch=partial(spike, name="Zone 2")), OPEN, {
                "hold 2 upper edge": Must(OPEN, words=("Zone 2",)), "soak 2": Must(OPEN, words=("Zone 2",))}),
    RunCase("over the band for a quarter of an hour", PLAIN,
            partial(run, GOOD, touch=partial(dipped, at_h=6.8, by_c=-14.0, for_min=6.0)), BROKEN,
            {"hold 2 upper edge": Must(BROKEN, 6.8, 7.0), "soak 2": Must(BROKEN)}),
    RunCase("slow creep at the hold, inside the band", PLAIN, partial(run, GOOD, touch=partial(all_up, by_c=5.0)),
            KEPT),
    RunCase("slow creep at the hold, out of the band", PLAIN.replace("minutes = 60", "minutes = 30"),
            partial(run, GOOD, touch=partial(all_up, by_c=14.0)), BROKEN,
            {"hold 2 upper edge": Must(BROKEN, 6.7, 7.4)}),
    RunCase("coldest place just inside the band", PLAIN,
            partial(run, GOOD, work=(Tc(1.0, 6.0), Tc(2.0, 9.0), Tc(6.3, 9.0))), KEPT),
    RunCase("coldest place just outside the band", PLAIN,
            partial(run, GOOD, work=(Tc(1.0, 6.0), Tc(2.0, 9.0), Tc(9.5, 9.0))), BROKEN, {"soak 2": Must(BROKEN)}),
    RunCase("thick sections, waited for", PLAIN,
            partial(run, path(20.0, (620.0, 100.0), 7.0, (90.0, 80.0), 2.0), work=THICK), KEPT),
    RunCase("thick sections, not waited for", PLAIN,
            partial(run, path(20.0, (620.0, 100.0), 3.0, (90.0, 80.0), 2.0), work=THICK),
            BROKEN, {"soak 2": Must(BROKEN)}),
    RunCase("soak counted by the coldest TC", PLAIN,
            partial(run, path(20.0, (620.0, 100.0), 1.6, (90.0, 80.0), 0.5), work=ONE_LATE),
            BROKEN, {"soak 2": Must(BROKEN, 7.5, 8.2)}),
    RunCase("soak counted by the coldest TC, waited for", PLAIN,
            partial(run, path(20.0, (620.0, 100.0), 3.2, (90.0, 80.0), 0.5), work=ONE_LATE),
            KEPT),
    # thermocouples
    RunCase("a TC written every fifth row", PLAIN, partial(run, GOOD, touch=sparse), KEPT),
    RunCase("a TC that dies while cooling", PLAIN, partial(run, GOOD, touch=dies), KEPT),
    RunCase("a zone that dies while cooling", PLAIN, partial(run, GOOD, touch=partial(dies, name="Zone 2")), KEPT),
    RunCase("a TC that dies in the soak", PLAIN, partial(run, GOOD, touch=partial(dies, at_h=6.8)), KEPT),
    RunCase("a TC that dies while cooling, all four asked for", PLAIN + "[limits]\nwork_tcs = 4\n",
            partial(run, GOOD, touch=dies), BROKEN, {"work TCs": Must(BROKEN, 10.9, 11.1)}),
    RunCase("one zone, one TC", PLAIN, partial(run, GOOD, (Zone(),), (Tc(1.0, 9.0),)), KEPT),
    # the cycle's revision changed in the middle of the week: each run by the one that it was asked to follow
    RunCase("by the old revision's time, judged by it", PLAIN.replace("minutes = 60", "minutes = 30"),
            partial(run, path(20.0, (620.0, 100.0), 1.0, (90.0, 80.0), 0.5)), KEPT),
    RunCase("by the old revision's time, judged by the new one", PLAIN,
            partial(run, path(20.0, (620.0, 100.0), 1.0, (90.0, 80.0), 0.5)), BROKEN,
            {"soak 2": Must(BROKEN, 6.9, 7.4)}),
    RunCase("new revision with a low hold, old program", THREE, partial(run, GOOD), BROKEN,
            {"soak 2": Must(BROKEN, 2.8, 3.4), "soak 4": Must(BROKEN, 4.4, 5.1)}),
    # the day
    RunCase("a cold morning", PLAIN, partial(run, path(2.0, (620.0, 100.0), 1.6, (90.0, 80.0), 0.5)), KEPT),
    RunCase("taken out at 112 where 100 was asked", PLAIN, partial(run, GOOD, events={"door opened": 13.9}), BROKEN,
            {"cool 3 target": Must(BROKEN, 13.8, 14.0)}),
    RunCase("taken out cold enough", PLAIN, partial(run, GOOD, events={"door opened": 14.7}), KEPT),
]  # fmt: skip
