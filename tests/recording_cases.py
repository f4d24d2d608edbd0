"""Several treatments in one recording, and gaps of the recorder where it matters: planted runs, as test_run_cases."""

from __future__ import annotations

from functools import partial

import numpy as np

from loadbook.analysis.trace.model import Trace

from .runcase import BROKEN, KEPT, OPEN, Must, Points, RunCase, Tc, Zone, cool, cycle, heat, hold, path, run

FAST = {"rate_max": "120 C/h"}
TEMPERS = cycle(
    heat("560 C", **FAST), hold("560 C", minutes=60), cool("80 C", rate_max="260 C/h", rate_min="120 C/h"),
    heat("560 C", **FAST), hold("560 C", minutes=60), cool("80 C", rate_max="260 C/h"), process="temper",
)  # fmt: skip
# cold from 8 to 9.5 h, and the second hold 2 °C below its target
LOW_SECOND = path(20.0, (560.0, 100.0), 1.6, (40.0, 200.0), 1.5, (558.0, 100.0), 1.6, (40.0, 200.0), 0.5)
SLOW_BETWEEN = path(20.0, (560.0, 100.0), 1.6, (40.0, 90.0), 1.5, (558.0, 100.0), 1.6, (40.0, 200.0), 0.5)

HARDEN = cycle(heat("650 C", rate_max="250 C/h"), hold("650 C", minutes=20), heat("850 C", rate_max="250 C/h"),
               hold("850 C", minutes=20), cool("80 C"), process="harden")  # fmt: skip
# 850 °C from 4.8 h to 5.7 h
HARDENED = path(20.0, (650.0, 200.0), 0.65, (850.0, 200.0), 0.9, (60.0, 900.0), 0.5)
QUENCH = cycle(heat("540 C", rate_max="250 C/h"), hold("540 C", minutes=60), cool("60 C"), hold("60 C", minutes=30),
               heat("190 C", rate_max="120 C/h"), hold("190 C", minutes=60), process="age")  # fmt: skip
# at 60 °C from 4.59 h; the load comes into the band at 5.3 h
AGED = path(20.0, (540.0, 200.0), 1.5, (60.0, 1000.0), 2.0, (190.0, 100.0), 2.0)
QUICK = (Tc(0.0, 5.0), Tc(0.0, 8.0))
SLOW_LOAD = (Tc(0.0, 12.0), Tc(0.0, 15.0))


def gap(program: Points, from_h: float, to_h: float, work: tuple[Tc, ...] = QUICK,
        step_s: float = 60.0) -> Trace:  # fmt: skip
    """A run whose recorder stood still."""
    trace = run(program, (Zone(), Zone(-1.0, 2.0)), work, step_s=step_s)
    kept = np.flatnonzero((trace.t_s <= from_h * 3600.0) | (trace.t_s >= to_h * 3600.0))
    return Trace(trace.t_s[kept], trace.values[:, kept], trace.flags[:, kept], trace.channels, trace.events, trace.run)


RECORDINGS = [
    RunCase("two tempers in one recording, the second a little low", TEMPERS, partial(run, LOW_SECOND), KEPT),
    RunCase("two tempers in one recording, too slow between them", TEMPERS, partial(run, SLOW_BETWEEN), BROKEN,
            {"cool 3 slowest rate": Must(BROKEN, 7.0, 7.6)}),
    RunCase("the hold lies in a gap", HARDEN, partial(gap, HARDENED, 4.0, 5.8), OPEN,
            {name: Must(OPEN) for name in ("heat 3 rate", "heat 3 target", "soak 4", "hold 4 upper edge")}),
    RunCase("the hold was left out", HARDEN,
            partial(run, path(20.0, (650.0, 200.0), 0.65, (800.0, 200.0), (60.0, 900.0), 0.5), work=QUICK), BROKEN,
            {"heat 3 target": Must(BROKEN), "soak 4": Must(BROKEN), "hold 4 upper edge": Must(OPEN)}),
    RunCase("the load comes into the band in a gap that lasts to the next program", QUENCH,
            partial(gap, AGED, 5.0, 6.7, SLOW_LOAD), OPEN,
            {"soak 4": Must(OPEN), "hold 4 upper edge": Must(OPEN), "heat 5 rate": Must(OPEN)}),
    RunCase("one reading lost by a recorder of five minutes", HARDEN,
            partial(gap, HARDENED, 1.51, 1.61, step_s=300.0), KEPT),
]  # fmt: skip
