"""The trial of `choose` on shops whose truth is known (tests/shops.py, tests/othershops.py).

    python -m tests.trials.choose             ten shops of each kind (a few minutes)
    python -m tests.trials.choose 50          fifty of each

Of every shop the part number that ran most is asked about, with a tolerance on one side that its present way keeps
well, barely or not. Ways are its settings inside the evidence; furnace hours follow from the program. `promise` is the
share of shops with a choice in which the true share inside was at least the lower end that was told; `kept` in which it
was at least the 90 % asked for; `told` and `true` the shares on average; `hours` what the choice saves against the
present way, `possible` what somebody who knows the truth would save on the same ways.
"""

from __future__ import annotations

import itertools
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd

from loadbook.analysis.answers.cells import Asked
from loadbook.analysis.answers.inside import Starts
from loadbook.analysis.answers.refusal import Refusal
from loadbook.analysis.answers.working import fitted
from loadbook.analysis.planning.choose import OUTSIDE, Choice, Way, choose, setting_range
from tests.othershops import OtherShop
from tests.shops import COOL, RATE, SETTINGS, SETUPS, Part, Shop

WORLDS = ("plain", "unconfounded", "threshold", "setup", "drift", "heavy", "noisy", "second")
SIZES = ((40, 6), (90, 10))
KEEP = 0.90


@dataclass(frozen=True)
class Result:
    """One shop. held, kept: the promise, the share asked for; NaN where no way was chosen."""

    world: str
    runs: int
    seed: int
    held: float
    kept: float
    told: float
    true: float
    low: float
    saved: float
    possible: float
    worth: float
    seconds: float


def hours(settings: dict[str, float]) -> float:
    """What a furnace that keeps its program needs."""
    return 580.0 / settings[RATE] + settings["soak_minutes"] / 60.0 + 500.0 / settings[COOL]


def ways_of(history: object, present: Asked, setups: tuple[str | None, ...] = (None,)) -> list[Way]:
    """The present part at six heating and five cooling rates of its range, and a little beyond it."""
    out = []
    grids = []
    for name, steps in ((RATE, 6), (COOL, 5)):
        inside = setting_range(history, present, name)  # type: ignore[arg-type]
        low, high = inside if inside is not None else (present.settings[name], present.settings[name])
        grids.append(sorted({*np.linspace(low, high, steps).round(1), present.settings[name]}))
    for setup, heat, cool in itertools.product(setups, *grids):
        settings = {**present.settings, RATE: float(heat), COOL: float(cool)}
        asked = Asked(**{**vars(present), "settings": settings, "setup": setup or present.setup})
        out.append(Way(asked, hours(settings)))
    return out


def play(world: str, runs: int, parts: int, seed: int) -> Result | None:
    """One shop."""
    second = world == "second"
    shop: Shop | OtherShop = OtherShop("second", runs, parts, seed) if second else Shop(world, runs, parts, seed=seed)
    frame = shop.history()
    by_run = frame.drop_duplicates(["run", "part"])
    name = str(by_run["part"].value_counts().index[0])
    part: Part = next(p for p in shop.parts if p.name == name)
    rng = np.random.default_rng([seed, runs, 4])
    usual = dict(zip(SETTINGS, map(float, part.usual), strict=True))
    furnace = str(by_run[by_run["part"] == name]["furnace"].mode().iloc[0]) if second else None
    present = Asked(part=name, characteristic="C1", material=part.material, shape=part.shape, condition=part.condition,
                    section_mm=part.section, day=730.0, setup="laid", furnace=furnace, settings=usual)  # fmt: skip

    def truth(asked: Asked) -> np.ndarray:
        settings = np.array([asked.settings[n] for n in SETTINGS])
        hung = float(asked.setup == SETUPS[1])
        if isinstance(shop, OtherShop):
            return np.asarray(shop.draws(part, settings, furnace or "F1", 400))
        return np.asarray(shop.draws(part, settings, hung, 400))

    now = truth(present)
    limit = float(now.mean() + rng.uniform(1.2, 3.0) * now.std())
    history = fitted(frame)
    reply = history.ask(present)
    if isinstance(reply, Refusal) or reply.outside:
        return None
    began = time.perf_counter()
    ways = ways_of(history, present, SETUPS if world == "setup" else (None,))
    starts = Starts(np.array([-np.inf]), history.warp.all_to(np.array([limit])), np.zeros(1))
    warp = history.warp

    def refit(some: pd.DataFrame) -> object:
        from loadbook.analysis.answers.estimate import History

        return History(some, warp=warp)

    here = Way(present, hours(usual))
    found: Choice = choose(history, frame, refit, here, ways, reply, starts, KEEP)  # type: ignore[arg-type]
    seconds = time.perf_counter() - began
    could = [w.hours for w in [here, *ways] if (truth(w.asked) <= limit).mean() >= KEEP]
    possible = here.hours - min(could) if could else np.nan
    if found.chosen is None:
        return Result(world, runs, seed, *[np.nan] * 6, possible, found.held_out.share, seconds)
    assert found.chosen.state != OUTSIDE
    true = float((truth(found.chosen.way.asked) <= limit).mean())
    inside = found.chosen.inside
    return Result(
        world, runs, seed, float(true >= inside.low - 1e-9), float(true >= KEEP), inside.share, true, inside.low,
        here.hours - found.chosen.way.hours, possible, found.held_out.share, seconds,
    )  # fmt: skip


def results(worlds: tuple[str, ...], seeds: range) -> Iterator[Result]:
    for world, (runs, parts), seed in itertools.product(worlds, SIZES, seeds):
        found = play(world, runs, parts, seed)
        if found is not None:
            yield found


def table(found: list[Result]) -> pd.DataFrame:
    """Shops, those with a choice, and the shares of the module's docstring, by world and together."""
    frame = pd.DataFrame([r.__dict__ for r in found])
    rows = []
    for name, some in [*frame.groupby("world", sort=False), ("all", frame)]:
        chosen = some[some["held"].notna()]
        rows.append(
            {"world": name, "shops": len(some), "chosen": len(chosen), "promise": chosen["held"].mean(),
             "kept": chosen["kept"].mean(), "told": chosen["told"].mean(), "true": chosen["true"].mean(),
             "hours": chosen["saved"].mean(), "possible": some["possible"].mean(), "worth": some["worth"].mean(),
             "seconds": some["seconds"].mean()}
        )  # fmt: skip
    return pd.DataFrame(rows)


def main(words: list[str]) -> None:
    seeds = range(int(words[0]) if words else 10)
    worlds = tuple(words[1:]) or WORLDS
    found: list[Result] = []
    for one in results(worlds, seeds):
        found.append(one)
        if one.seed == seeds[-1]:
            print(one.world, one.runs, flush=True)
    with pd.option_context("display.width", 200, "display.max_columns", 20, "display.float_format", "{:.3f}".format):
        print(table(found).to_string(index=False))


if __name__ == "__main__":
    main(sys.argv[1:])
