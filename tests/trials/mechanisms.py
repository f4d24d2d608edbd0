"""The trial of thermal stress as a feature of the answer's model: does it make new parts' intervals narrower, and never
worse where something else acts?

    python -m tests.trials.mechanisms acting 100 20 60        (world, runs, part numbers, histories, first seed)

The stress of every run and part goes with rate and section squared, as a book feeds it: the yields are not known, each
material's is taken wrongly by a lognormal factor (sd 0.35). Worlds: the first family (the stress means nothing), the
second (yielding as in the study, strong, and acting: four times as much), the third, and "misleading": one material
yields twice as much, one not at all, one the other way, and sections are on record wrongly by 40 %.
"""

from __future__ import annotations

import sys
import time
from collections import defaultdict
from dataclasses import replace

import numpy as np

from loadbook.analysis.answers.estimate import History
from loadbook.analysis.answers.refusal import Refusal
from loadbook.analysis.answers.working import fitted
from loadbook.analysis.trace.model import Floats
from tests.othershops import OtherShop
from tests.shops import WITHIN, WORLDS, Part, Shop
from tests.trials import answer_terms, answers

QUESTIONS = 16
ONSET = 1.6  # where yielding begins in the second family
YIELD_MPA = 250.0  # what the stress of that onset asks for
UNKNOWN_YIELD = 0.35  # sd of the log of what yields are taken wrongly by, a material
WAYS = ("without", "with")


class Misleading(OtherShop):
    """One material moves twice as far by yielding, one not at all, one the other way."""

    def mean(self, part: Part, x: Floats, when: Floats, furnace: str) -> Floats:
        gradient = x[:, 0] / 100.0 * (part.section / 25.0) ** 2
        yielding = self.strong * 9.0 * np.maximum(gradient - ONSET, 0.0) ** 1.2
        times = {"M1": -1.0, "M2": -2.0, "M3": 1.0}[part.material]  # added to the once that is in it
        return np.asarray(super().mean(part, x, when, furnace) + times * yielding)


def shop_of(world: str, runs: int, parts: int, seed: int) -> Shop | OtherShop:
    if world in WORLDS:
        return Shop(world, runs, parts, seed=seed)
    if world == "misleading":
        return Misleading("second, strong", runs, parts, seed)
    shop = OtherShop(
        "second" if world == "second" else "third" if world == "third" else "second, strong", runs, parts, seed
    )
    shop.strong = 4.0 if world == "acting" else shop.strong
    return shop


def one(world: str, runs: int, parts: int, seed: int) -> dict[str, float]:
    """Coverage and width of known and new parts without and with the stress in one history, and whether it was kept."""
    rng = np.random.default_rng([seed, runs, 31])
    shop = shop_of(world, runs, parts, seed)
    frame = shop.history()
    named = {p.name: p for p in shop.parts}
    wrong = {n: rng.lognormal(0.0, 0.4) if world == "misleading" else 1.0 for n in named}
    frame["section_mm"] *= frame["part"].map(wrong)
    off = {m: YIELD_MPA * rng.lognormal(0.0, UNKNOWN_YIELD) for m in ("M1", "M2", "M3")}

    def per_rate(section: Floats, material: Floats) -> Floats:
        return np.asarray((section / 25.0) ** 2 / 100.0 / ONSET * material)

    frame["stress_per_rate"] = per_rate(frame["section_mm"].to_numpy(), frame["material"].map(off).to_numpy())
    histories = dict(zip(WAYS, (fitted(frame), fitted(frame, stress=True)), strict=True))
    by_run, out = frame.drop_duplicates("run"), defaultdict(list)
    for _ in range(QUESTIONS):
        part = named[str(by_run["part"].iloc[int(rng.integers(len(by_run)))])]
        new = shop.new_part("new")
        for kind, about, x in (("known", part, part.usual + rng.normal(size=4) * WITHIN), ("new", new, new.usual)):
            known = kind == "known"
            if isinstance(shop, Shop):
                asked, where = answers.question(shop, about, x, 0.0, known), 0.0
            else:
                where = shop.pick_furnace(part, float(x[0])) if known else "F1"
                asked = answer_terms.question(about, x, where, known)
            asked = replace(asked, stress_per_rate=float(per_rate(np.array(about.section), off[about.material])))
            truth = shop.draws(about, x, where)  # type: ignore[arg-type]
            oracle = truth if known else np.concatenate(
                [shop.draws(shop.like(new), x, where, 15) for _ in range(60)]  # type: ignore[arg-type]
            )  # fmt: skip
            low, high = np.quantile(oracle, [0.05, 0.95])
            for way, history in histories.items():
                reply = history.ask(asked, 0.90)
                if not isinstance(reply, Refusal):
                    out[f"{kind} {way} held"].append(float(((truth >= reply.low) & (truth <= reply.high)).mean()))
                    out[f"{kind} {way} width"].append((reply.high - reply.low) / float(high - low))
    return {"kept": float(kept(histories["with"])), **{k: float(np.mean(v)) for k, v in out.items()}}


def kept(history: History) -> bool:
    return history.gained is not None


def main(words: list[str]) -> None:
    world, runs, parts, histories = words[0], *map(int, words[1:4])
    first = int(words[4]) if len(words) > 4 else 0
    began = time.process_time()
    found = [one(world, runs, parts, first + s) for s in range(histories)]

    def of(key: str) -> Floats:
        return np.array([f.get(key, np.nan) for f in found])

    print(f"{world}, {runs} runs of {parts} part numbers, {histories} histories from seed {first}: "
          f"kept {of('kept').mean():.2f}")  # fmt: skip
    for kind in ("known", "new"):
        before, after = (of(f"{kind} {way} held") for way in WAYS)
        narrow, wide = (of(f"{kind} {way} width") for way in WAYS)
        several = np.sqrt(np.isfinite(before).sum())
        told = [f"{np.nanmean(x):.3f} ({np.nanstd(x) / several:.3f})" for x in (before, after, after - before)]
        ratio = np.nanmean(wide) / np.nanmean(narrow)
        print(f"  {kind}: {told[0]} x {np.nanmean(narrow):.2f}, with {told[1]}, change {told[2]}, width x {ratio:.3f}")
    print(f"{time.process_time() - began:.0f} s of processor", flush=True)


if __name__ == "__main__":
    main(sys.argv[1:])
