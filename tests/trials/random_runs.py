"""Random whole runs against the program that made them: cycles in one to three steps, large and small furnaces, coarse
recorders. A run that follows its program, and one with a planted break, must not be told otherwise.

python -m tests.trials.random_runs [FIRST [LAST]]

Limits lie 15 to 30 % above the program's rate; a planted break is 30 % beyond its limit, or a soak of a third. 'Open'
counts apart: a segment of minutes on a recorder of minutes tells no rate.
"""

from __future__ import annotations

import sys
from collections import Counter
from functools import partial

import numpy as np

from loadbook.analysis.trace.model import Trace
from tests.runcase import BROKEN, OPEN, Points, RunCase, Tc, Zone, cool, cycle, heat, hold, run, tell
from tests.shop_cases import rounded
from tests.week_cases import in_whole

Step = tuple[str, float, float]  # kind, target °C, rate °C/h or minutes
FINE_S = 30.0


def steps(rng: np.random.Generator) -> list[Step]:
    """A cycle's segments by their program: a low hold, an approach in one to three rates, cooling in one or two."""
    top, base = float(rng.choice([540, 595, 620, 650, 720, 850, 1010])), float(rng.choice([60, 80, 100, 120, 150, 200]))
    out: list[Step] = []
    if rng.random() < 0.5:
        low = float(rng.choice([150, 200, 315]))
        out += [("heat", low, base), ("hold", low, float(rng.choice([20, 30, 45])))]
    approach = rng.choice([1, 2, 3], p=[0.5, 0.3, 0.2])
    if approach == 2:
        out.append(("heat", top - float(rng.choice([20, 30, 50])), base))
        base *= float(rng.uniform(0.25, 0.5))
    elif approach == 3:
        out.append(("heat", round(top - float(rng.uniform(120, 200))), base))
        out.append(("heat", round(top - float(rng.uniform(30, 60))), 0.6 * base))
        base *= 0.25
    out += [("heat", top, base), ("hold", top, float(rng.choice([30, 45, 60, 90])))]
    fall = float(rng.choice([50, 80, 100, 150]))
    if rng.random() < 0.4:
        out.append(("cool", round(top * float(rng.uniform(0.5, 0.8))), fall))
        fall *= float(rng.choice([0.6, 1.4]))
    return [*out, ("cool", 100.0, fall)]


def program(
    asked: list[Step], zones: tuple[Zone, ...], work: tuple[Tc, ...], band: float, vacuum: bool, short: int | None
) -> list[tuple[float, float]] | None:  # fmt: skip
    """Breakpoints that keep every soak (short: but that one); a hold counts when the load is in the band."""
    points = [(0.0, 20.0)]
    for k, (kind, target, x) in enumerate(asked):
        hour, level = points[-1]
        if kind != "hold":
            end = 88.0 if k + 1 == len(asked) else target
            points.append((hour + abs(end - level) / x, end))
            continue
        seen = run([*points, (hour + 8.0, target)], zones, work, vacuum=vacuum, noise_c=0.0)
        out = (np.abs(seen.values[seen.rows("work")] - target) > band - 0.6).any(axis=0)
        wait = max(float(seen.t_s[np.flatnonzero(out)[-1]]) / 3600.0 - hour, 0.0)
        if wait > 6.0:
            return None
        points.append((hour + wait + (0.35 * x if k == short else 1.12 * x + 7.0) / 60.0, target))
    return [*points, (points[-1][0] + 0.5, 86.0)]


def random_case(seed: int) -> tuple[RunCase, str] | None:
    """(a run, what was planted); None where the load would take a day to come in."""
    rng = np.random.default_rng([20261129, seed])
    vacuum, band = bool(rng.random() < 0.4), float(rng.choice([5, 6, 8, 10, 14]))
    zones = tuple(
        Zone(float(rng.uniform(-0.3, 0.3) * band), float(rng.uniform(1, 8))) for _ in range(rng.integers(1, 5))
    )
    slowest = 15.0 if vacuum else 25.0
    work = tuple(Tc(float(rng.uniform(-0.15, 0.5) * band), float(rng.uniform(3, slowest)))
                 for _ in range(rng.integers(3, 9)))  # fmt: skip
    asked = steps(rng)
    limits = [x if kind == "hold" else round(x * float(rng.uniform(1.15, 1.3)), 2) for kind, _, x in asked]
    planted = str(rng.choice(["nothing", "nothing", "short soak", "too fast", "chart ends", "door early"]))
    bad = int(rng.choice([k for k, s in enumerate(asked) if (s[0] == "hold") == (planted == "short soak")]))
    driven = list(asked)
    if planted == "too fast":
        kind, target, _ = asked[bad]
        way = abs(target - (asked[bad - 1][1] if bad else 20.0))
        if way < limits[bad] or (bad + 1 < len(asked) and asked[bad + 1][0] == kind):
            planted = "nothing"  # too short to show, or the next program would begin too fast as well
        else:
            driven[bad] = (kind, target, 1.3 * limits[bad])
    points = program(driven, zones, work, band, vacuum, bad if planted == "short soak" else None)
    if points is None:
        return None
    clean = run(points, zones, work, vacuum=vacuum, noise_c=0.0)
    if planted == "short soak" and not _is_short(asked[bad], clean, band):
        return None
    tables = [heat(f"{t:g} C", rate_max=f"{m:g} C/h") if kind == "heat" else cool(f"{t:g} C", rate_max=f"{m:g} C/h")
              if kind == "cool" else hold(f"{t:g} C", f"{band:g} C diff", minutes=m)
              for (kind, t, _), m in zip(asked, limits, strict=True)]  # fmt: skip
    end = points[-1][0]
    made = partial(_made, points, zones, work, vacuum, float(rng.choice([10, 30, 60, 60, 120, 300])),
                   str(rng.choice(["", "C", "F"])), float(rng.uniform(0.03, 0.3)),
                   {"stops_h": end - 1.3} if planted == "chart ends" else
                   {"events": {"door opened": end - 1.4}} if planted == "door early" else {})  # fmt: skip
    verdict = {"nothing": "kept", "chart ends": OPEN}.get(planted, BROKEN)
    return RunCase(f"random {seed}", cycle(*tables), made, verdict, vacuum=vacuum), planted


def _is_short(hold_: Step, seen: Trace, band: float) -> bool:
    """Is the longest time that all of the load was in the band twelve minutes short, on the way out too?"""
    inside = (np.abs(seen.values[seen.rows("work")] - hold_[1]) <= band).all(axis=0)
    edges = np.flatnonzero(np.diff(np.concatenate(([0], inside.astype(np.int8), [0]))))
    longest = float(np.max(edges[1::2] - edges[::2], initial=0)) * FINE_S / 60.0
    return longest < hold_[2] - 12.0


def _made(
    points: Points, zones: tuple[Zone, ...], work: tuple[Tc, ...], vacuum: bool, step_s: float, whole: str,
    noise_c: float, more: dict[str, object],
) -> Trace:  # fmt: skip
    touch = {"": None, "C": rounded, "F": partial(in_whole, fahrenheit=1.0)}[whole]
    return run(points, zones, work, vacuum=vacuum, step_s=step_s, noise_c=noise_c, touch=touch, **more)  # type: ignore[arg-type]


def main(first: int = 0, last: int = 200) -> None:
    count: Counter[str] = Counter()
    for seed in range(first, last):
        drawn = random_case(seed)
        if drawn is None:
            continue
        case, planted = drawn
        system = "us" if seed % 2 else "si"
        found = tell(case, system).judgement
        count[planted] += 1
        if found.verdict == case.verdict:
            continue
        word = "false break" if found.verdict == BROKEN else "missed" if found.verdict == "kept" else "open"
        count[word] += 1
        bad = [(c.clause, c.verdict, c.value, c.limit, c.missing) for c in found.clauses if c.verdict != "kept"]
        print(f"{case.name} ({planted}): {word}: {bad}")
    print(dict(count))


if __name__ == "__main__":
    main(*(int(x) for x in sys.argv[1:]))
