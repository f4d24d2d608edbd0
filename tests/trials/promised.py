"""Do promised widths come true? Of one further run of an answer, and of a trial's runs, on shops whose truth is known.

    python -m tests.trials.promised 30            (histories)

Each history plays what was promised (its best next run; a trial of eight runs) in the shop it came from, and asks
again.
Figures are ratios, what came over what was promised; Monte Carlo errors count histories.
"""

from __future__ import annotations

import sys
from collections.abc import Mapping

import numpy as np
import pandas as pd

from loadbook.analysis.answers.cells import Asked
from loadbook.analysis.answers.estimate import History
from loadbook.analysis.answers.need import need
from loadbook.analysis.answers.refusal import Refusal
from loadbook.analysis.effects.cells import Column, cells_of
from loadbook.analysis.effects.joint import effects
from loadbook.analysis.planning.trial import alone, plan_trial
from tests.shops import RATE, SETTINGS, WITHIN, Shop

WORLDS = ("plain", "drift", "mixed")
DAY = 740.0
RUNS = 8


def played(shop: Shop, frame: pd.DataFrame, runs: list[tuple[str, Mapping[str, float], int]]) -> pd.DataFrame:
    """Pieces of new runs, each (part number, settings, pieces), as the shop's history has them."""
    named, rows = {p.name: p for p in shop.parts}, []
    for k, (part, settings, pieces) in enumerate(runs):
        own = frame[frame["part"] == part].iloc[0].to_dict()
        at = np.array([settings[n] for n in SETTINGS])
        for i, z in enumerate(shop.draws(named[part], at, 0.0, 1, pieces)[0]):
            rows.append({**own, **settings, "run": f"T{k}", "day": DAY + k, "serial": f"T{k}-{i}", "z": z})
    return pd.DataFrame(rows)


def further_run(shop: Shop, seed: int) -> float | None:
    """Width after the best next run over the width promised; None where there is none to weigh."""
    frame = shop.history()
    history = History(frame)
    rng = np.random.default_rng([seed, 4])
    part = shop.parts[int(rng.integers(len(shop.parts)))]
    if part.name not in set(frame["part"]):
        return None
    settings = dict(zip(SETTINGS, map(float, part.usual + rng.normal(size=4) * WITHIN), strict=True))
    asked = Asked(
        part=part.name, characteristic="C1", material=part.material, shape=part.shape, condition=part.condition,
        section_mm=part.section, day=DAY, setup="laid", settings=settings,
    )  # fmt: skip
    reply = history.ask(asked, 0.90)
    if isinstance(reply, Refusal):
        return None
    best = need(history, asked, reply).next_runs[0]
    assert best.part is not None
    more = played(shop, frame, [(best.part, {**settings, **best.settings}, best.pieces)])
    after = History(pd.concat([frame, more], ignore_index=True)).ask(asked, 0.90)
    return None if isinstance(after, Refusal) else (after.high - after.low) / best.width


def trial(shop: Shop) -> tuple[float, float, bool]:
    """(half width with all that is on record, and by the runs alone, over what was promised; does the latter hold)."""
    frame = shop.history()
    plan = plan_trial(History(frame), RATE, RUNS, 60.0, 160.0, day=DAY)
    usual = {p.name: dict(zip(SETTINGS, map(float, p.usual), strict=True)) for p in shop.parts}
    runs = [(r.part, {**usual[r.part], RATE: r.setting}, plan.pieces) for r in plan.runs]
    more = played(shop, frame, runs)
    after = plan_trial(History(pd.concat([frame, more], ignore_index=True)), RATE, 1, 60.0, 160.0)
    started = pd.to_datetime("2024-01-01") + pd.to_timedelta(more["day"], unit="D")
    cells, head = cells_of(more.assign(started=started.astype("datetime64[s]")), "z")
    setting = head["run"].map(more.drop_duplicates("run").set_index("run")[RATE]).to_numpy(dtype=float)
    (own,) = effects(cells, [Column(RATE, setting, "c_per_h")], "um", named=True, assigned=True)
    assert own.effect is not None and own.effect_low is not None and own.effect_high is not None
    truth = shop.slope / WITHIN[0]
    held = own.effect_low <= truth <= own.effect_high
    return after.now / plan.then, (own.effect_high - own.effect) / alone(plan)[0], held


def told(name: str, ratios: list[float]) -> None:
    error = np.std(ratios, ddof=1) / np.sqrt(len(ratios))
    print(f"{name:44s} {np.mean(ratios):6.3f} ({error:.3f})  {len(ratios)} histories", flush=True)


def main(histories: int) -> None:
    for world in WORLDS:
        runs = [further_run(Shop(world, 60, 12, seed=s), s) for s in range(histories)]
        told(f"{world}: next run, came over promised", [r for r in runs if r is not None])
        found = [trial(Shop(world, 60, 12, seed=s)) for s in range(histories)]
        told(f"{world}: trial with all on record", [f[0] for f in found])
        told(f"{world}: trial by its runs alone", [f[1] for f in found])
        told(f"{world}: its interval holds the true slope", [float(f[2]) for f in found])


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 30)
