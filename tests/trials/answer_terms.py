"""The trial of answers on families of shops beside the first: known and new parts, beyond, tolerance, stock, jumps.

    python -m tests.trials.answer_terms second 60 12 30        (family, runs, part numbers, histories)
    python -m tests.trials.answer_terms stock 60 12 20         stock in µm of form errors, three laws of before
    python -m tests.trials.answer_terms jump 60 12 30          an undeclared jump of 20 after four fifths, or none
    python -m tests.trials.answer_terms drift 60 12 30         a slow slope over two years, a jump, or neither

A further number is the first seed (0): histories that nothing was chosen on.

One process; set OPENBLAS_NUM_THREADS=1. Monte Carlo errors count histories.
"""

from __future__ import annotations

import sys
import time
from collections import defaultdict
from dataclasses import replace

import numpy as np

from loadbook.analysis.answers.cells import Asked
from loadbook.analysis.answers.inside import Starts
from loadbook.analysis.answers.refusal import Refusal
from loadbook.analysis.answers.stock import bound_um
from loadbook.analysis.answers.working import fitted
from tests.othershops import FAMILIES, OtherShop
from tests.shops import SETTINGS, WITHIN, Part, Shop

QUESTIONS = 5
Figures = dict[str, list[float]]


def told(found: list[Figures]) -> None:
    """Means over histories with their Monte Carlo errors."""
    names = list(dict.fromkeys(n for f in found for n in f))
    for name in names:
        means = np.array([np.nanmean(f[name]) for f in found if name in f and np.isfinite(f[name]).any()])
        if len(means):
            error = means.std(ddof=1) / np.sqrt(len(means)) if len(means) > 1 else float("nan")
            print(f"{name:40s} {means.mean():7.3f} ({error:.3f})  {len(means)} histories")


def question(p: Part, settings: np.ndarray, furnace: str, known: bool) -> Asked:
    return Asked(
        part=p.name if known else None, characteristic="C1" if known else None, material=p.material,
        shape=p.shape, condition=p.condition, section_mm=p.section, day=730.0, setup="laid", furnace=furnace,
        settings=dict(zip(SETTINGS, map(float, settings), strict=True)),
    )  # fmt: skip


def one(family: str, runs: int, parts: int, seed: int) -> Figures:
    """One history: coverage and width of known, new and beyond, both bounds, share in tolerance, flags."""
    shop = OtherShop(family, runs, parts, seed)
    frame = shop.history()
    history = fitted(frame)
    named = {p.name: p for p in shop.parts}
    by_run = frame.drop_duplicates("run")
    rng = np.random.default_rng([seed, runs, 3])
    out: Figures = defaultdict(list)
    for _ in range(QUESTIONS):
        part = named[str(by_run["part"].iloc[int(rng.integers(len(by_run)))])]
        settings = part.usual + rng.normal(size=4) * WITHIN
        top = by_run[by_run["part"] == part.name][SETTINGS[0]].max()
        far = np.array([top + 2.0 * WITHIN[0], *settings[1:]])
        new = shop.new_part("new")
        cases = (
            ("known", part, settings, True, shop.pick_furnace(part, float(settings[0]))),
            ("beyond", part, far, True, "F2"),
            ("new", new, new.usual, False, "F1"),
        )  # fmt: skip
        for kind, about, x, known, furnace in cases:
            truth = shop.draws(about, x, furnace)
            oracle = truth if known else np.concatenate(
                [shop.draws(shop.like(new), x, furnace, 15) for _ in range(80)]
            )  # fmt: skip
            asked = question(about, x, furnace, known)
            replies = {side: history.ask(asked, 0.90, side) for side in (1, -1)}
            reply = replies[1]
            out[f"{kind}: refused"].append(float(isinstance(reply, Refusal)))
            if isinstance(reply, Refusal):
                continue
            low, high = np.quantile(oracle, [0.05, 0.95])
            out[f"{kind}: flagged"].append(float(bool(reply.outside)))
            out[f"{kind}: 90 % holds"].append(float(((truth >= reply.low) & (truth <= reply.high)).mean()))
            if kind == "beyond" and reply.outside:
                out["beyond and flagged: 90 % holds"].append(out["beyond: 90 % holds"][-1])
            out[f"{kind}: width/oracle"].append(float((reply.high - reply.low) / (high - low)))
            for side, name in ((1, "up"), (-1, "down")):
                r = replies[side]
                if not isinstance(r, Refusal) and np.isfinite(r.bound):
                    held = (truth <= r.bound) if side > 0 else (truth >= r.bound)
                    out[f"{kind}: bound {name} holds"].append(float(held.mean() >= 0.95))
            if kind == "beyond":
                continue
            wide = rng.uniform(0.8, 3.5) * float(truth.std())
            centre = reply.median + 0.7 * float(truth.std()) * rng.normal()
            limits = np.array([centre - wide]), np.array([centre + wide])
            starts = Starts(history.warp.all_to(limits[0]), history.warp.all_to(limits[1]), np.zeros(1))
            found = history.inside(asked, reply, starts)
            true = float(((truth >= limits[0][0]) & (truth <= limits[1][0])).mean())
            out[f"{kind}: share's interval holds"].append(float(found.low <= true <= found.high))
            out[f"{kind}: share told less true"].append(found.share - true)
            out[f"{kind}: share's interval wide"].append(found.high - found.low)
    return out


def stock(runs: int, parts: int, seed: int) -> Figures:
    """Stock of form errors: the ratio independent of before, rising with it, or the movement independent of it."""
    out: Figures = defaultdict(list)
    for law in ("ratio", "rising", "difference"):
        shop = Shop("form", runs, parts, seed=seed)
        frame = shop.history()
        rng = np.random.default_rng([seed, 11])
        level = {p.name: float(rng.normal(3.0, 0.4)) for p in shop.parts}

        def before(name: str, n: int, level: dict[str, float] = level, rng: np.random.Generator = rng) -> np.ndarray:
            return np.exp(level[name] + rng.normal(0.0, 0.3, n))

        def after(
            b: np.ndarray, z: np.ndarray, name: str, law: str = law, level: dict[str, float] = level
        ) -> np.ndarray:  # fmt: skip
            if law == "difference":
                return np.maximum(b + 20.0 * np.expm1(z / 100.0), 0.5)
            lean = 25.0 * (np.log(b) - level[name]) if law == "rising" else 0.0
            return b * np.exp((z + lean) / 100.0)

        starts = np.concatenate([before(name, 1) for name in frame["part"]])
        ends = np.array(
            [
                after(np.array([b]), np.array([z]), n)[0]
                for b, z, n in zip(starts, frame["z"], frame["part"], strict=True)
            ]
        )
        told_frame = frame.assign(before_mm=starts / 1000.0, z=100.0 * np.log(ends / starts))
        history = fitted(told_frame)
        for k in rng.choice(len(frame), size=QUESTIONS):
            part = next(p for p in shop.parts if p.name == frame["part"].iloc[int(k)])
            asked = replace(question(part, part.usual, "", True), furnace=None)
            reply = history.ask(asked, 0.90, 1)
            if isinstance(reply, Refusal):
                continue
            found = bound_um(history, told_frame, asked, reply, None)
            z = shop.draws(part, part.usual, 0.0, 600).ravel()
            b = before(part.name, len(z))
            moved = after(b, z, part.name) - b
            median = float(np.median(told_frame[told_frame["part"] == part.name]["before_mm"])) * 1000.0
            if found.um is not None:
                q = float(np.quantile(moved, 0.95))
                out[f"{law}: stock holds"].append(float((moved <= found.um).mean() >= 0.95))
                out[f"{law}: excess"].append((found.um - q) / (q - float(np.median(moved))))
                out[f"{law}: per cent of the median before held"].append(
                    float((moved <= np.expm1(reply.bound / 100.0) * median).mean() >= 0.95)
                )
                out[f"{law}: ratio chosen"].append(float(found.how == "ratio"))
    return out


def jump(runs: int, parts: int, seed: int, size: float, after: int | None) -> Figures:
    """A jump after four fifths of the runs, asked at the end or so many runs after it."""
    shop = Shop("plain", runs, parts, seed=seed)
    frame = shop.history()
    days = np.sort(frame["day"].unique())
    at = int(0.8 * len(days))
    shifted = frame.assign(z=frame["z"] + size * (frame["day"] >= days[at]))
    end = len(days) if after is None else at + after
    known = shifted[shifted["day"] <= days[end - 1]]
    history = fitted(known.reset_index(drop=True))
    out: Figures = defaultdict(list)
    out["alarm"].append(float(history.moved_since is not None))
    rng = np.random.default_rng([seed, 5])
    for _ in range(QUESTIONS):
        name = str(known["part"].iloc[int(rng.integers(len(known)))])
        part = next(p for p in shop.parts if p.name == name)
        asked = replace(question(part, part.usual, "", True), furnace=None, day=float(days[end - 1]))
        reply = history.ask(asked, 0.90)
        out["refused"].append(float(isinstance(reply, Refusal)))
        if not isinstance(reply, Refusal):
            truth = shop.draws(part, part.usual, 0.0) + size
            out["90 % holds"].append(float(((truth >= reply.low) & (truth <= reply.high)).mean()))
            if reply.tested is not None:
                out["told by the forward test"].append(reply.tested.held)
                out["last year"].append(reply.last_year.held if reply.last_year else np.nan)
    return out


DRIFTS = (("plain", 0.0, 0.0), ("heavy", 0.0, 0.0), ("mixed", 0.0, 0.0), ("growing", 0.0, 0.0), ("second", 0.0, 0.0),
          ("plain", 10.0, 0.0), ("plain", 20.0, 0.0), ("second", 20.0, 0.0), ("plain", 0.0, 20.0))  # fmt: skip


def drift(world: str, runs: int, parts: int, seed: int, slope: float, step: float) -> Figures:
    """What is said of the level: drifted by `slope` over the two years, or changed by `step` in their middle."""
    shop = OtherShop(world, runs, parts, seed) if world in FAMILIES else Shop(world, runs, parts, seed=seed)
    frame = shop.history()
    days = np.sort(frame["day"].unique())
    moved = slope * frame["day"] / 730.0 + step * (frame["day"] >= days[len(days) // 2])
    history = fitted(frame.assign(z=frame["z"] + moved))
    found = history.level_drift
    out: Figures = defaultdict(list)
    out["drift said"].append(float(found is not None))
    out["step said"].append(float(history.level_step is not None))
    out["alarm"].append(float(history.moved_since is not None))
    if found is not None and slope:
        out["drift over the true one"].append(found.per_day * 730.0 / slope)
    return out


def main(words: list[str]) -> None:
    what, runs, parts, histories = words[0], *map(int, words[1:4])
    first = int(words[4]) if len(words) > 4 else 0
    seeds = range(first, first + histories)
    began = time.process_time()
    if what == "stock":
        told([stock(runs, parts, s) for s in seeds])
    elif what == "jump":
        for size, after in ((0.0, None), (20.0, 2), (20.0, 4), (20.0, 8), (20.0, None)):
            print(f"jump of {size:g}, {'at the end' if after is None else f'{after} runs after'}")
            told([jump(runs, parts, s, size, after) for s in seeds])
    elif what == "drift":
        for world, slope, step in DRIFTS:
            print(f"{world}: drift of {slope:g} over all, step of {step:g}", flush=True)
            told([drift(world, runs, parts, s, slope, step) for s in seeds])
    else:
        assert what in FAMILIES
        told([one(what, runs, parts, s) for s in seeds])
    print(f"{time.process_time() - began:.0f} s of processor")


if __name__ == "__main__":
    main(sys.argv[1:])
