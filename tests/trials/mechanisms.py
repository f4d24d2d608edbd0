"""The trial of mechanism indices as features of the answer's model: do they make new parts' intervals narrower?

    python -m tests.trials.mechanisms acting 60 14 30        (world, runs, part numbers, histories, first seed)

Indices of every run and part: thermal stress of its heating over yield (it goes with rate and section squared), and the
share relieved by a published law that is not the true one. They join as shrunken slopes beside what the model has,
either with the yield known (what passes it counts) or not (a line with bends at the part numbers' own quantiles), and
are kept in a history where part numbers left out are told better by a log score of `KEPT`. Worlds: the first family
(plain, drift, setup, heavy: the indices mean nothing), the second (yielding as in the study, strong, and acting: four
times as much), and "misleading": one material yields twice as much, one not at all, one the other way, and sections are
on record wrongly by 40 %. The product has no such features: see MEASURED.md.
"""

from __future__ import annotations

import sys
import time
from collections import defaultdict

import numpy as np
import pandas as pd

from loadbook.analysis.answers.cells import Asked, Slopes
from loadbook.analysis.answers.estimate import History
from loadbook.analysis.answers.refusal import Refusal
from loadbook.analysis.answers.working import fitted
from loadbook.analysis.trace.model import Floats
from tests.othershops import OtherShop
from tests.shops import SETTINGS, WITHIN, WORLDS, Part, Shop
from tests.trials import answer_terms, answers

QUESTIONS = 6
KEPT = (0.0, 1.0, 2.0, 3.0)  # gains of the log score from which the indices are kept
ONSET = 1.6  # where yielding begins in the second family
UNKNOWN_YIELD = 0.35  # sd of the log of what yields are taken wrongly by, a material
WAYS = ("yield known", "yield unknown")
Figures = dict[str, list[float]]


class Misleading(OtherShop):
    """One material moves twice as far by yielding, one not at all, one the other way."""

    def mean(self, part: Part, x: Floats, when: Floats, furnace: str) -> Floats:
        gradient = x[:, 0] / 100.0 * (part.section / 25.0) ** 2
        yielding = self.strong * 9.0 * np.maximum(gradient - ONSET, 0.0) ** 1.2
        times = {"M1": -1.0, "M2": -2.0, "M3": 1.0}[part.material]  # added to the once that is in it
        return np.asarray(super().mean(part, x, when, furnace) + times * yielding)


class Indices:
    """What is worked out of a section and settings; off[material]: how wrongly its yield is taken."""

    def __init__(self, way: str, off: dict[str, float]) -> None:
        self.way, self.off = way, off

    def of(self, section: Floats, settings: Floats, material: list[str]) -> Floats:
        """(m, 2) stress over yield, what of it counts; share relieved."""
        soak = np.maximum(settings[:, 2], 5.0)
        taken = np.array([self.off.get(m, 1.0) for m in material])
        stress = settings[:, 0] / 100.0 * (section / 25.0) ** 2 / ONSET * taken
        creep = np.exp(-24000.0 * (1.0 / (settings[:, 1] + 273.15) - 1.0 / 873.15)) * (soak / 120.0) ** 0.4
        if self.way == "yield known":
            stress = np.maximum(stress - 1.0, 0.0)
            stress = stress / (1.0 + 0.3 * stress)
        return np.column_stack([stress, creep / (1.0 + creep)])


class Helped(History):
    """A history with indices as further slopes; `pieces` has the section as it is on record."""

    def __init__(self, pieces: pd.DataFrame, like: History, indices: Indices) -> None:
        super().__init__(pieces, warp=like.warp)
        frame, self.indices, design = self.cells.frame, indices, self.design
        raw = indices.of(frame["section_mm"].to_numpy(), frame[list(SETTINGS)].to_numpy(), list(frame["material"]))
        parts = pd.DataFrame(raw).groupby(self.cells.part).mean()[0].to_numpy()
        self.bends = np.quantile(parts, [0.5, 0.75]) if indices.way == "yield unknown" else np.zeros(0)
        columns = self._bent(raw)
        self.at = columns.mean(axis=0), np.maximum(columns.std(axis=0), 1e-9)
        own = {"index stress": slice(0, -1), "index relief": slice(-1, None)}
        scaled = (columns - self.at[0]) / self.at[1]
        design.terms += [Slopes(name, scaled[:, part]) for name, part in own.items()]
        plain = design.columns

        def with_indices(asked: Asked) -> dict[str, Floats]:
            known = design.series_of.get((asked.part or "", asked.characteristic or ""))
            settings = np.array([[asked.settings[n] for n in SETTINGS]])
            section = np.array([float(asked.section_mm or np.nan)])
            if known is not None:
                section = frame["section_mm"].to_numpy()[self.cells.series == known][:1]
            bent = (self._bent(indices.of(section, settings, [asked.material or ""]))[0] - self.at[0]) / self.at[1]
            return {**plain(asked), **{name: bent[part] for name, part in own.items()}}

        design.columns = with_indices  # type: ignore[method-assign]

    def _bent(self, raw: Floats) -> Floats:
        return np.column_stack([raw[:, :1], *(np.maximum(raw[:, :1] - b, 0.0) for b in self.bends), raw[:, 1:]])


def gain(plain: History, helped: History) -> float:
    """How much better part numbers left out are told: the sum over them of the mean log score of their pieces."""
    totals = []
    for history in (plain, helped):
        scores, part = history.scores(False), history.cells.part[history.cells.piece_cell]
        value = -3.5 * np.log1p(scores.score**2 / 6.0) - np.log(scores.sd)
        totals.append(float((np.bincount(part, weights=value) / np.bincount(part)).sum()))
    return totals[1] - totals[0]


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


def one(world: str, runs: int, parts: int, seed: int) -> tuple[dict[str, float], Figures]:
    """(gain of each way, coverage and width of known and new parts without and with indices) of one history."""
    rng = np.random.default_rng([seed, runs, 31])
    shop = shop_of(world, runs, parts, seed)
    frame = shop.history()
    named = {p.name: p for p in shop.parts}
    wrong = {n: rng.lognormal(0.0, 0.4) if world == "misleading" else 1.0 for n in named}
    frame["section_mm"] *= frame["part"].map(wrong)
    off = {m: rng.lognormal(0.0, UNKNOWN_YIELD) for m in ("M1", "M2", "M3")}
    plain = fitted(frame)
    helped = {way: Helped(frame, plain, Indices(way, {} if way == "yield known" else off)) for way in WAYS}
    gains = {way: gain(plain, h) for way, h in helped.items()}
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
            truth = shop.draws(about, x, where)  # type: ignore[arg-type]
            oracle = truth if known else np.concatenate(
                [shop.draws(shop.like(new), x, where, 15) for _ in range(60)]  # type: ignore[arg-type]
            )  # fmt: skip
            low, high = np.quantile(oracle, [0.05, 0.95])
            for way, history in (("none", plain), *helped.items()):
                reply = history.ask(asked, 0.90)
                if not isinstance(reply, Refusal):
                    out[f"{kind} {way} held"].append(float(((truth >= reply.low) & (truth <= reply.high)).mean()))
                    out[f"{kind} {way} width"].append((reply.high - reply.low) / float(high - low))
    return gains, {k: [float(np.mean(v))] for k, v in out.items()}


def main(words: list[str]) -> None:
    world, runs, parts, histories = words[0], *map(int, words[1:4])
    first = int(words[4]) if len(words) > 4 else 0
    began = time.process_time()
    found = [one(world, runs, parts, first + s) for s in range(histories)]
    print(f"{world}, {runs} runs of {parts} part numbers, {histories} histories from seed {first}")

    def means(key: str) -> Floats:
        return np.array([f.get(key, [np.nan])[0] for _, f in found])

    for kind in ("known", "new"):
        held, width = means(f"{kind} none held"), means(f"{kind} none width")
        several = np.sqrt(np.isfinite(held).sum())
        print(f"  {kind}: without {np.nanmean(held):.3f} ({np.nanstd(held) / several:.3f}) x {np.nanmean(width):.2f}")
        for way in WAYS:
            score = np.array([g[way] for g, _ in found])
            for least in KEPT:
                kept = score > least
                h = np.where(kept, means(f"{kind} {way} held"), held)
                w = np.where(kept, means(f"{kind} {way} width"), width)
                print(
                    f"    {way}, kept above {least:g} ({kept.mean():.2f}): {np.nanmean(h):.3f} "
                    f"({np.nanmean(h - held):+.3f}, {np.nanstd(h - held) / several:.3f}), "
                    f"width x {np.nanmean(w) / np.nanmean(width):.3f}"
                )
    print(f"{time.process_time() - began:.0f} s of processor", flush=True)


if __name__ == "__main__":
    main(sys.argv[1:])
