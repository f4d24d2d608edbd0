"""The trial of answers in shops whose part numbers are not alike: slopes, lots, scatter, a furnace's drift, a bend.

    python -m tests.trials.apart 30            (histories a world; a further number is the first seed)

Two materials; run and piece sd 5 µm; 60 runs of 8 part numbers unless said. Four questions a history: a part number as
often as it ran (the first one, where it alone scatters otherwise), at the fastest rate that it was run at; a new run of
a new material lot. Width over that of an oracle that knows all but luck; Monte Carlo errors count histories.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass

import numpy as np
import pandas as pd

from loadbook.analysis.answers.cells import Asked
from loadbook.analysis.answers.refusal import Refusal
from loadbook.analysis.answers.working import fitted
from loadbook.analysis.trace.model import Floats
from tests.shops import RATE, SETTINGS, WITHIN

QUESTIONS, DAYS = 4, 730.0


@dataclass(frozen=True)
class World:
    """slopes of the two materials (µm per sd of the rate), own sd of part numbers' slopes, lot sd (five runs of a part
    number each; lots on record or not), scatter of the first part number, drift of F1 over all (of two furnaces), bend
    (µm per squared sd)."""

    runs: int = 60
    parts: int = 8
    slopes: tuple[float, float] = (3.0, 3.0)
    own: float = 0.0
    lot: float = 0.0
    recorded: bool = False
    scatter: float = 1.0
    drift: float = 0.0
    bend: float = 0.0


WORLDS = {
    "alike": World(), "alike, lots on record": World(recorded=True), "alike, 24 runs of 2": World(24, 2),
    "opposite slopes": World(slopes=(5.0, -5.0)), "opposite, 24 runs of 2": World(24, 2, (6.0, -6.0)),
    "slope in one material": World(slopes=(8.0, 0.0)), "own slopes": World(own=5.0),
    "lots": World(lot=8.0, recorded=True), "lots, 30 runs of 3": World(30, 3, lot=8.0, recorded=True),
    "one scatters 4 x": World(scatter=4.0), "one of 30 scatters 4 x, 200 runs": World(200, 30, scatter=4.0),
    "one scatters a quarter": World(scatter=0.25), "one furnace drifts 15": World(drift=15.0), "bend": World(bend=3.0),
}  # fmt: skip


def one(world: World, seed: int) -> list[tuple[float, float]]:
    """(share held, width over the oracle's) of each question answered."""
    rng, w = np.random.default_rng([seed, 31]), world
    usual = np.array([110.0, 600.0, 120.0, 80.0]) + rng.normal(size=(w.parts, 4)) * np.array([25.0, 15.0, 25.0, 15.0])
    level = rng.normal(0.0, 12.0, w.parts) - 8.0 * (usual[:, 0] - 110.0) / 25.0
    slope = np.array([w.slopes[p % 2] for p in range(w.parts)]) + w.own * rng.normal(size=w.parts)
    lots = w.lot * rng.normal(size=(w.parts, w.runs))
    scatter = np.where(np.arange(w.parts) == 0, w.scatter, 1.0)

    def mean(p: int, d: Floats, when: float, furnace: str) -> float:
        return float(level[p] + slope[p] * d[0] - d[1] + w.bend * d[0] ** 2 + w.drift * when * (furnace == "F1"))

    turns = [*range(w.parts), *rng.choice(w.parts, w.runs - w.parts, p=rng.dirichlet(np.full(w.parts, 2.0)))]
    rng.shuffle(turns)
    days, rows, ran = np.sort(rng.uniform(0.0, DAYS, w.runs)), [], [0] * w.parts
    for r, p in enumerate(turns):
        d, furnace = rng.normal(size=4), str(rng.choice(["F1", "F2"])) if w.drift else "F1"
        lot, ran[p] = ran[p] // 5, ran[p] + 1
        expected = mean(p, d, days[r] / DAYS, furnace) + lots[p, lot]
        z = expected + scatter[p] * (rng.normal(0.0, 5.0) + rng.normal(0.0, 5.0, int(rng.integers(3, 7))))
        rows += [(f"R{r:04d}", f"P{p}", "C1", v, days[r], f"M{p % 2}", furnace,
                  f"H{p}-{lot}" if w.recorded else "", *(usual[p] + d * WITHIN)) for v in z]  # fmt: skip
    names = ["run", "part", "characteristic", "z", "day", "material", "furnace", "heat_number", *SETTINGS]
    frame = pd.DataFrame(rows, columns=names)
    history, by_run, out = fitted(frame), frame.drop_duplicates("run"), []
    for _ in range(QUESTIONS):
        p = 0 if w.scatter != 1.0 else int(str(by_run["part"].iloc[int(rng.integers(len(by_run)))])[1:])
        own = by_run[by_run["part"] == f"P{p}"][list(SETTINGS)]
        x = own.mean().to_numpy(copy=True)
        x[0] = own[RATE].max()
        settings = dict(zip(SETTINGS, map(float, x), strict=True))
        told = history.ask(Asked(f"P{p}", "C1", f"M{p % 2}", furnace="F1", day=DAYS, settings=settings))
        if isinstance(told, Refusal):
            continue
        luck = scatter[p] * (rng.normal(0.0, 5.0, (1500, 1)) + rng.normal(0.0, 5.0, (1500, 3)))
        true = mean(p, (x - usual[p]) / WITHIN, 1.0, "F1") + w.lot * rng.normal(size=(1500, 1)) + luck
        low, high = np.quantile(true, [0.05, 0.95])
        out.append((float(((true >= told.low) & (true <= told.high)).mean()), (told.high - told.low) / (high - low)))
    return out


def main(histories: int, first: int) -> None:
    for name, world in WORLDS.items():
        found = [f for seed in range(first, first + histories) if (f := one(world, seed))]
        held = np.array([np.mean([h for h, _ in f]) for f in found])
        width = np.mean([width for f in found for _, width in f])
        asked = QUESTIONS * histories
        refused = asked - sum(map(len, found))
        error = held.std(ddof=1) / np.sqrt(len(held))
        print(f"{name:34s} {held.mean():.3f} ({error:.3f}) x {width:.2f}   refused {refused} of {asked}", flush=True)


if __name__ == "__main__":
    main(int(sys.argv[1]), int(sys.argv[2]) if len(sys.argv) > 2 else 0)
