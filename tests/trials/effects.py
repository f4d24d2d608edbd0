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
from tests.shops import COOL, RATE, SETTINGS, WITHIN, WORLDS, Shop

FURNACES = ("furnace", "furnace lots")
GAP = 8.0  # µm that the second furnace adds
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


def with_furnaces(shop: Shop, world: str) -> pd.DataFrame:
    """A plain history in two furnaces: the faster a run is for its part number, the likelier the second one."""
    rng, pieces = np.random.default_rng([shop.runs, int(shop.rng.integers(1 << 31))]), shop.history()
    usual = pieces["part"].map({p.name: p.usual[0] for p in shop.parts})
    runs = pieces.assign(faster=(pieces[RATE] - usual) / WITHIN[0]).drop_duplicates("run").set_index("run")["faster"]
    second = pd.Series(rng.random(len(runs)) < 1.0 / (1.0 + np.exp(-3.0 * runs.to_numpy())), index=runs.index)
    pieces["furnace"] = np.where(pieces["run"].map(second), "F2", "F1")
    pieces["z"] += GAP * (pieces["furnace"] == "F2")
    if world == "furnace lots":
        lots = pd.Series(np.exp(rng.normal(0.0, 0.12, len(runs))), index=runs.index)
        tails = pd.Series(rng.standard_t(4, len(runs)) * 2.0, index=runs.index)
        pieces["z"] = 2.0 * np.round((pieces["z"] * pieces["run"].map(lots) + pieces["run"].map(tails)) / 2.0)
    return pieces


def cells_of_shop(shop: Shop, furnaces: str | None = None) -> tuple[Cells, list[Column]]:
    """One history as `effect` sees it: cells, the plannable four, setup and furnace where they vary."""
    pieces = shop.history() if furnaces is None else with_furnaces(shop, furnaces)
    pieces["started"] = pd.Timestamp("2024-01-01") + pd.to_timedelta(pieces["day"], unit="D")
    split = ["setup"] if furnaces is None else ["setup", "furnace"]
    cells, head = cells_of(pieces, "z", split=split)
    by = pieces.drop_duplicates(["run", "part"]).set_index(["run", "part"])
    keys = list(zip(head["run"], head["part"], strict=True))
    columns = [Column(name, by.loc[keys, name].to_numpy(dtype=np.float64), "c_per_h") for name in SETTINGS]
    return cells, columns + [c for factor in split for c in indicators(head[factor], factor)]


def score(world: str, runs: int, histories: int, first_seed: int = 0) -> Score:
    """The figures of one world over seeded histories."""
    held, pooled, wrong_sign, false, power, half = [], [], [], [], [], []
    refused = 0
    for seed in range(first_seed, first_seed + histories):
        furnaces = world if world in FURNACES else None
        shop = Shop("plain" if furnaces else world, runs, seed=seed)
        rate, *others = effects(*cells_of_shop(shop, furnaces), "um")
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
    worlds = words[2].split(",") if len(words) > 2 else [*WORLDS, *FURNACES]
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
