"""The trial of `effect` on simulated shops: python -m tests.trials.effects HISTORIES RUNS[,RUNS...] [WORLD,...]

Prints, per world and size: how often the 95 % interval of the heating rate's slope holds the truth, the same for the
pooled slope, how often any parameter without an effect is called real (adjusted p), power, and the interval's half
width per within-part standard deviation.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass

import numpy as np
import pandas as pd

from loadbook.analysis.effects.cells import Cells, Column, cells_of, indicators
from loadbook.analysis.effects.joint import effects
from tests.shops import COOL, SETTINGS, WITHIN, WORLDS, Shop

NO_SLOPE = ("threshold", "noisy")  # no one true slope: a step, and parameters that are not what happened


@dataclass(frozen=True)
class Score:
    """Shares over the histories of one world; NaN where a world has no truth of that kind."""

    world: str
    runs: int
    held: float
    pooled_held: float
    pooled_wrong_sign: float
    false_positive: float
    power: float
    half: float
    refused: int
    error: float
    false_error: float


def cells_of_shop(shop: Shop) -> tuple[Cells, list[Column]]:
    """One history as `effect` sees it: cells, the plannable four, and setup where it varies."""
    pieces = shop.history()
    pieces["started"] = pd.Timestamp("2024-01-01") + pd.to_timedelta(pieces["day"], unit="D")
    cells, head = cells_of(pieces, "z", split=["setup"])
    by = pieces.drop_duplicates(["run", "part"]).set_index(["run", "part"])
    keys = list(zip(head["run"], head["part"], strict=True))
    columns = [Column(name, by.loc[keys, name].to_numpy(dtype=np.float64), "c_per_h") for name in SETTINGS]
    return cells, columns + indicators(head["setup"], "setup")


def score(world: str, runs: int, histories: int, first_seed: int = 0) -> Score:
    """The figures of one world over seeded histories."""
    held, pooled, wrong_sign, false, power, half = [], [], [], [], [], []
    refused = 0
    for seed in range(first_seed, first_seed + histories):
        shop = Shop(world, runs, seed=seed)
        rate, *others = effects(*cells_of_shop(shop), "um")
        truth = (shop.slope / 2 if world == "dose" else shop.slope) / WITHIN[0]
        nulls = [e for e in others if e.p_adjusted is not None and e.against is None]
        if world == "dose":  # hold and soak make the dose there
            nulls = [e for e in nulls if e.parameter == COOL]
        if nulls:
            false.append(any(e.p_adjusted < 0.05 and e.fit != "not separable" for e in nulls))  # type: ignore[operator]
        if rate.effect_low is None or rate.effect_high is None:
            refused += 1
            continue
        power.append(rate.p_adjusted is not None and rate.p_adjusted < 0.05)
        half.append((rate.effect_high - rate.effect_low) / 2 * WITHIN[0])
        if world not in NO_SLOPE:
            held.append(rate.effect_low <= truth <= rate.effect_high)
            if rate.pooled_low is not None and rate.pooled_high is not None:
                pooled.append(rate.pooled_low <= truth <= rate.pooled_high)
                wrong_sign.append((rate.pooled or 0.0) < 0.0)
    share = _mean(held)
    wrong = _mean(false)
    return Score(
        world, runs, share, _mean(pooled), _mean(wrong_sign), wrong, _mean(power),
        float(np.median(half)) if half else np.nan, refused, _error(share, len(held)), _error(wrong, len(false)),
    )  # fmt: skip


def _error(share: float, count: int) -> float:
    """Monte Carlo standard error of a share of `count` histories."""
    return float(np.sqrt(share * (1 - share) / count)) if count else float("nan")


def _mean(values: list[bool]) -> float:
    return float(np.mean(values)) if values else float("nan")


def main(words: list[str]) -> None:
    """The table, one line per world and size."""
    histories, sizes = int(words[0]), [int(w) for w in words[1].split(",")]
    worlds = words[2].split(",") if len(words) > 2 else list(WORLDS)
    print("runs  world         held    ±      pooled  false+  ±      power  half width  refused")
    for runs in sizes:
        for world in worlds:
            s = score(world, runs, histories)
            print(
                f"{runs:4d}  {world:12s}  {s.held:.3f}  {s.error:.3f}  {s.pooled_held:.3f}   {s.false_positive:.3f}"
                f"   {s.false_error:.3f}   {s.power:.3f}  {s.half:8.2f}  {s.refused:7d}",
                flush=True,
            )


if __name__ == "__main__":
    main(sys.argv[1:])
