"""Holds of runs without a cycle against what was planted: the program's segmentation beside change points of ruptures.

    python -m tests.trials.plateaus [COURSES]

Both get the same straight courses (a sample a minute, noise 0 to 1.5 °C): legs of heating, controlled cooling down to
5 °C/h, and holds of 20 minutes to 8 hours. Change points are found with PELT in a piecewise linear cost on every fifth
sample; a piece is a hold by the same words (15 minutes, below 12 °C/h, 40 °C above the coldest, drift below 5 °C).
A hold is found where begin and end are within 12 minutes (more by the noise) and its level within 3 °C.
"""

from __future__ import annotations

import sys
import time

import numpy as np

from loadbook.analysis.trace.follow import steady_stretches

Hold = tuple[float, float, float]  # begin, end in hours, °C


def course(rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray, list[Hold], float]:
    hours, level, holds = [0.0], [25.0], []
    for _ in range(int(rng.integers(1, 4))):
        target = float(rng.uniform(150, 950))
        rate = float(rng.choice([5.0, 10.0, 60.0, 150.0, 400.0])) if target < level[-1] else float(rng.uniform(60, 400))
        hours.append(hours[-1] + max(abs(target - level[-1]) / rate, 0.1))
        level.append(target)
        if rng.random() < 0.8:
            begin = hours[-1]
            hours.append(begin + float(rng.uniform(1 / 3, 8)))
            level.append(target)
            holds.append((begin, hours[-1], target))
    hours.append(hours[-1] + float(rng.uniform(1, 5)))
    level.append(30.0)
    noise = float(rng.uniform(0, 1.5))
    t = np.arange(0.0, hours[-1] * 3600.0, 60.0)
    return t, np.interp(t / 3600.0, hours, level) + rng.normal(0, noise, t.size), holds, noise


def ours(t: np.ndarray, y: np.ndarray) -> list[Hold]:
    found = steady_stretches(t, y)
    return [(t[f.start] / 3600, t[f.end - 1] / 3600, float(f.target_c or 0)) for f in found if f.kind == "hold"]


def by_change_points(t: np.ndarray, y: np.ndarray, noise: float) -> list[Hold]:
    import ruptures

    t, y = t[::5], y[::5]
    signal = np.column_stack([y, t / 3600.0, np.ones(t.size)])
    ends = ruptures.Pelt(model="linear", min_size=4, jump=1).fit(signal).predict(pen=10.0 * max(noise, 0.1) ** 2)
    out, begin = [], 0
    for end in ends:
        hours, part = t[begin:end] / 3600.0, y[begin:end]
        if len(part) > 2:
            slope = abs(np.polyfit(hours, part, 1)[0])
            lasts = hours[-1] - hours[0]
            if lasts >= 0.25 and slope < 12 and slope * lasts < 5 and part.mean() > y.min() + 40:
                out.append((hours[0], hours[-1], float(np.median(part))))
        begin = end
    return out


def score(found: list[Hold], planted: list[Hold], noise: float) -> tuple[int, int]:
    """(planted holds found, found ones that were not planted)."""
    room, left = 0.2 + 0.4 * noise, list(found)
    hits = 0
    for begin, end, level in planted:
        near = [f for f in left if abs(f[0] - begin) < room and abs(f[1] - end) < room and abs(f[2] - level) < 3.0]
        if near:
            hits += 1
            left.remove(near[0])
    return hits, len(left)


def main(count: int) -> None:
    rng = np.random.default_rng(20261128)
    tally = {"ours": np.zeros(3), "change points": np.zeros(3)}
    total = 0
    for _ in range(count):
        t, y, planted, noise = course(rng)
        planted = [h for h in planted if h[2] > y.min() + 40]
        total += len(planted)
        for name in ("ours", "change points"):
            began = time.perf_counter()
            found = ours(t, y) if name == "ours" else by_change_points(t, y, noise)
            tally[name] += [*score(found, planted, noise), time.perf_counter() - began]
    for name in ("ours", "change points"):
        hits, false, seconds = tally[name]
        print(f"{name}: {hits:.0f} of {total} found, {false:.0f} not planted, {1000 * seconds / count:.0f} ms a course")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 200)
