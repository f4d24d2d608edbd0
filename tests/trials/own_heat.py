"""Loads with heat of their own, all of them sound: wet parts, curing resin, steel that transforms. What is suspected?

python -m tests.trials.own_heat [FIRST [LAST]]

Each body has a surface and a core and is integrated in steps of five seconds. Water boils off at 96 to 100.5 °C; resin
warms itself by 20 to 170 °C as it cures (an Arrhenius rate, autocatalytic); steel takes 50 to 200 °C worth of heat as
it turns to austenite above 728 °C, and gives it back from 698 °C down. One, some or all of the bodies do.
"""

from __future__ import annotations

import sys
from collections import Counter

import numpy as np

from loadbook.analysis.faults.find import find_faults
from loadbook.analysis.trace.model import Channel, Fault, Trace
from loadbook.analysis.trace.phases import find_phases
from loadbook.analysis.trace.validity import prepared

KELVIN, INNER_S, EXCHANGE = 273.15, 5.0, 0.15
# (hold °C, heating °C/h, hold h, cooling °C/h, heat of its own as °C of the body, where the chart ends °C)
KINDS = {
    "wet": ((150, 650), (40, 200), (1, 3), (40, 150), (20, 200), 80.0),
    "curing": ((110, 190), (20, 120), (2, 5), (20, 80), (20, 120), 80.0),
    "transforming": ((820, 950), (80, 250), (1, 3), (25, 250), (80, 140), 350.0),
}


def load(kind: str, seed: int) -> Trace:
    """A load of one kind as its recorder kept it."""
    rng = np.random.default_rng([991, seed, 1 + list(KINDS).index(kind)])
    hold_c, rate, hours, fall, heat, end_c = KINDS[kind]
    top, up, hold_h, down = (float(rng.uniform(*x)) for x in (hold_c, rate, hours, fall))
    step_s, start, slowest = float(rng.choice([15, 30, 60, 60, 120])), rng.uniform(15, 30), 60.0 * rng.uniform(10, 60)
    at = np.cumsum([0.0, (top - start) / up * 3600.0, hold_h * 3600.0 + 1.5 * slowest, (top - end_c) / down * 3600.0])
    t = np.arange(0.0, at[-1], step_s)
    furnace = _behind(np.interp(t, at, [start, top, top, end_c]), step_s, rng.uniform(90, 300))
    bodies, zones, who = int(rng.integers(1, 10)), int(rng.integers(1, 4)), rng.choice(["all", "some", "one"])
    rows = []
    for i in range(bodies):
        tau = np.exp(rng.uniform(np.log(240.0), np.log(slowest)))
        has = who == "all" or (who == "some" and rng.random() < 0.5) or (who == "one" and i == 0)
        own = rng.uniform(*heat) * (0.6 + 0.8 * rng.random()) if has else 0.0
        around = furnace - rng.normal(0.0, 1.0) * np.clip((furnace - 20.0) / 600.0, 0.0, 1.0)
        body = _body(t, around, tau, start, kind if has else "", own, rng)
        mix = rng.uniform(0.0, 1.0)
        rows.append(mix * body[0] + (1.0 - mix) * body[1])
    rows += [furnace + rng.normal(0.0, 1.0) * np.clip((furnace - start) / 300.0, 0.0, 1.0) for _ in range(zones)]
    values = np.array(rows) + rng.normal(0.0, rng.uniform(0.05, 0.4), (len(rows), len(t)))
    step_c = float(rng.choice([0.1, 0.1, 0.5, 1.0]))
    channels = [Channel(20 + i, f"W{i + 1}", "work", tc_type="K") for i in range(bodies)]
    channels += [Channel(i + 1, f"Z{i + 1}", "control", tc_type="K") for i in range(zones)]
    values = np.round(values / step_c) * step_c
    return Trace(t, values, np.zeros(values.shape, np.uint8), tuple(channels))


def _behind(program: np.ndarray, step_s: float, lag_s: float) -> np.ndarray:
    out, y, share = np.empty_like(program), float(program[0]), 1.0 - np.exp(-step_s / lag_s)
    for k, aim in enumerate(program.tolist()):
        y += (aim - y) * share
        out[k] = y
    return out


def _body(
    t: np.ndarray, around: np.ndarray, tau: float, start: float, kind: str, heat: float, rng: np.random.Generator
) -> np.ndarray:
    """(2, n): surface and core."""
    steps = max(1, int(np.ceil((t[1] - t[0]) / INNER_S)))
    h, core, boils = (t[1] - t[0]) / steps, rng.uniform(0.3, 0.6), rng.uniform(96, 100.5)
    skin = 1.0 - core
    out, a, b, left, done = np.empty((2, len(t))), float(start), float(start), heat, 1e-3 if kind == "curing" else 0.0
    outside = around.tolist()
    for k, now in enumerate(outside):
        before = outside[k - 1] if k else now
        for s in range(steps):
            e = before + (now - before) * (s + 1) / steps
            taken = (e - a) / tau * (0.7 + 0.3 * ((e + KELVIN) / 873.0) ** 3) * h
            inward = (a - b) / (EXCHANGE * tau) * core * skin * h
            a, b = a + (taken - inward) / skin, b + inward / core
            mean = skin * a + core * b
            own = 0.0
            if kind == "wet" and left > 0.0:
                over = skin * max(a - boils, 0.0) + core * max(b - boils, 0.0)
                share = min(left, over) / over if over > 0.0 else 0.0
                a, b, left = a - share * max(a - boils, 0.0), b - share * max(b - boils, 0.0), left - share * over
            elif kind == "curing":
                speed = 1e7 * np.exp(-72000.0 / 8.314 / (mean + KELVIN)) * (1.0 - done) ** 1.5 * (done + 0.01) ** 0.5
                own = heat * (min(1.0, done + speed * h) - done)
                done += own / heat
            elif kind == "transforming" and mean > 728.0:
                own = -heat * min(1.0 - done, 4e-4 * (mean - 728.0) * (1.05 - done) * h)
                done -= own / heat
            elif kind == "transforming" and mean < 698.0:
                own = heat * min(done, 2.5e-4 * (698.0 - mean) ** 1.3 * (done * (1.0 - done) + 0.03) * h)
                done -= own / heat
            a, b = a + own, b + own
        out[0, k], out[1, k] = a, b
    return out


def suspected(trace: Trace) -> list[Fault]:
    """What is suspected of a load, but drift, which is only reported."""
    ready = prepared(trace)
    return [f for f in find_faults(ready, find_phases(ready)) if f.kind != "drifting"]


def main(first: int = 0, last: int = 60) -> None:
    for kind in KINDS:
        count: Counter[str] = Counter()
        for seed in range(first, last):
            found = suspected(load(kind, seed))
            count["loads with a suspicion"] += bool(found)
            count.update(f"{f.kind} ({f.evidence[0].code})" for f in found)
        print(f"{kind}: {last - first} loads, {dict(count)}")


if __name__ == "__main__":
    main(*(int(x) for x in sys.argv[1:]))
