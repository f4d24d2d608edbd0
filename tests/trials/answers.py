"""The trial of answers on shops whose truth is known (tests/shops.py); that of effects is tests/trials/effects.py.

    python -m tests.trials.answers            a short table (a minute)
    python -m tests.trials.answers --full     all histories; --share 0.2 a fifth of them

Every history is asked several questions: a known part number inside what it was run at, the same beyond it, and a
new part number of the shop's population. Coverage is the share of new pieces in new runs that the interval holds,
from many draws of the truth; width is against the interval of an oracle that knows the truth (for a known part number
its own level; for a new one the population, its family's level and every effect, but not that part number's own level).
The Monte Carlo error counts histories.
"""

from __future__ import annotations

import argparse
import json
import time
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from loadbook.analysis.answers.cells import Asked
from loadbook.analysis.answers.estimate import History
from loadbook.analysis.answers.refusal import Refusal
from loadbook.analysis.answers.working import fitted
from tests.shops import RATE, SETTINGS, SETUPS, WITHIN, WORLDS, Part, Shop

FULL = {(10, 4): 30, (30, 8): 25, (30, 14): 25, (100, 20): 20, (100, 40): 15, (400, 80): 8}  # (runs, parts): histories
SHORT = {(30, 8): 3, (100, 20): 2}
QUESTIONS = 6


@dataclass(frozen=True)
class Result:
    """One question: coverage, width over the oracle's, does the bound hold (NaN: withheld)
    model_only; NaN coverage where refused."""

    world: str
    runs: int
    parts: int
    seed: int
    kind: str
    content: float
    covered: float
    width: float
    bound_holds: float
    model_only: bool
    marked: bool


def question(shop: Shop, part: Part, settings: np.ndarray, hung: float, known: bool) -> Asked:
    """The question as a shop would put it."""
    return Asked(
        part=part.name if known else None, characteristic="C1" if known else None, material=part.material,
        shape=part.shape, condition=part.condition, section_mm=part.section, day=730.0,
        setup=SETUPS[int(hung)] if shop.world == "setup" else "laid",
        settings=dict(zip(SETTINGS, map(float, settings), strict=True)),
    )  # fmt: skip


def play(
    world: str, runs: int, seed: int, contents: Iterable[float] = (0.90, 0.95), parts: int | None = None
) -> Iterator[Result]:
    """One history, asked `QUESTIONS` times in each of the three ways."""
    shop = Shop(world, runs, parts, seed=seed)
    frame = shop.history()
    history = fitted(frame)
    by_run = frame.drop_duplicates(["run", "part"])
    named = {p.name: p for p in shop.parts}
    rng = np.random.default_rng([seed, runs, 1])
    for _ in range(QUESTIONS):
        part = named[str(by_run["part"].iloc[int(rng.integers(len(by_run)))])]  # as often as it was run
        own = by_run[by_run["part"] == part.name][list(SETTINGS)]
        low, high = own.min().fillna(pd.Series(part.usual, SETTINGS)), own.max().fillna(pd.Series(part.usual, SETTINGS))
        inside = np.clip(part.usual + rng.normal(size=4) * WITHIN, low.to_numpy(), high.to_numpy())
        beyond = inside.copy()
        beyond[0] = high[RATE] + 2.0 * WITHIN[0]
        hung = float(rng.random() < 0.4)
        for kind, settings in (("known", inside), ("beyond", beyond)):
            truth = shop.draws(part, settings, hung)
            yield from _score(
                shop, history, kind, question(shop, part, settings, hung, True), truth, truth, seed, contents
            )
        new = shop.new_part("new")
        own_truth = shop.draws(new, new.usual, hung, 300)
        population = np.concatenate([shop.draws(shop.like(new), new.usual, hung, 15) for _ in range(80)])
        asked = question(shop, new, new.usual, hung, False)
        yield from _score(shop, history, "new", asked, own_truth, population, seed, contents)


def _score(
    shop: Shop, history: History, kind: str, asked: Asked, truth: np.ndarray, oracle: np.ndarray, seed: int,
    contents: Iterable[float],
) -> Iterator[Result]:  # fmt: skip
    for content in contents:
        reply = history.ask(asked, content, harm=1)
        if isinstance(reply, Refusal):
            yield Result(
                shop.world, shop.runs, len(shop.parts), seed, kind, content, np.nan, np.nan, np.nan, False, False
            )
            continue
        low, high = np.quantile(oracle, [(1 - content) / 2, (1 + content) / 2])
        yield Result(
            shop.world, shop.runs, len(shop.parts), seed, kind, content,
            float(((truth >= reply.low) & (truth <= reply.high)).mean()),
            float((reply.high - reply.low) / (high - low)),
            float((truth <= reply.bound).mean() >= 0.95) if np.isfinite(reply.bound) else np.nan,
            reply.model_only, bool(reply.outside),
        )  # fmt: skip


def plain_normal(world: str, runs: int, seed: int, content: float = 0.90) -> list[float]:
    """Coverage of the interval that takes every piece for independent: own mean ± z·s·√(1 + 1/n) from own pieces."""
    shop = Shop(world, runs, seed=seed)
    frame = shop.history()
    named = {p.name: p for p in shop.parts}
    rng = np.random.default_rng([seed, runs, 2])
    out = []
    for _ in range(QUESTIONS):
        part = named[str(frame.drop_duplicates("run")["part"].sample(1, random_state=rng.integers(2**31)).iloc[0])]
        own = frame[frame["part"] == part.name]
        z = own["z"].to_numpy()
        inside = own.groupby("run")["z"].transform("mean").to_numpy()
        df = len(z) - own["run"].nunique()
        sd = float(np.sqrt(((z - inside) ** 2).sum() / max(df, 1)))
        half = {0.90: 1.6449, 0.95: 1.96}[content] * sd * np.sqrt(1 + 1 / len(z))
        truth = shop.draws(part, part.usual, 0.0, 300)
        out.append(float((np.abs(truth - z.mean()) <= half).mean()))
    return out


def summary(results: list[Result], together: bool = False) -> pd.DataFrame:
    """Coverage, its Monte Carlo error by history, width and bound; per size, kind and content."""
    frame = pd.DataFrame([r.__dict__ for r in results])
    frame["size"] = frame["runs"].astype(str) + "/" + frame["parts"].astype(str)
    if together:
        frame["runs"], frame["parts"] = 0, 0
    out = []
    for (runs, parts, kind, content), some in frame.groupby(["runs", "parts", "kind", "content"]):
        answered = some[some["covered"].notna()]
        row = {
            "runs": runs,
            "parts": parts,
            "kind": kind,
            "content": content,
            "asked": len(some),
            "refused": len(some) - len(answered),
        }
        if len(answered):
            by = answered.groupby(["world", "size", "seed"])["covered"].mean()
            bound = answered.groupby(["world", "size", "seed"])["bound_holds"].mean()
            row |= {
                "held": by.mean(), "held_error": by.std() / np.sqrt(len(by)), "width": answered["width"].mean(),
                "width_median": answered["width"].median(), "bound": bound.mean(),
                "bound_error": bound.std() / np.sqrt(bound.notna().sum()),
                "withheld": answered["bound_holds"].isna().mean(),
                "model_only": answered["model_only"].mean(), "marked": answered["marked"].mean(),
            }  # fmt: skip
        out.append(row)
    return pd.DataFrame(out)


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--full", action="store_true")
    parser.add_argument("--share", type=float, default=1.0, help="of the histories of --full")
    parser.add_argument("--worlds", default=",".join(WORLDS))
    parser.add_argument("--keep", type=Path, help="folder that keeps each world's results, to go on after a stop")
    chosen = parser.parse_args()
    sizes = {k: max(1, round(chosen.share * v)) for k, v in FULL.items()} if chosen.full else SHORT
    began = time.time()
    results: list[Result] = []
    for world in chosen.worlds.split(","):
        results += _world(world, sizes, chosen.keep)
        print(f"{world}: {time.time() - began:.0f} s", flush=True)
    with pd.option_context("display.width", 200, "display.max_columns", 20, "display.float_format", "{:.3f}".format):
        table = summary(results)
        print(table.to_string(index=False))
        by_world = summary_by_world(results)
        print(by_world.to_string(index=False))
        late = [r for r in results if r.runs >= 30]
        print("\nfrom 30 runs on, all worlds")
        print(summary(late, together=True).to_string(index=False))
    print(f"{time.time() - began:.0f} s")


def _world(world: str, sizes: dict[tuple[int, int], int], keep: Path | None) -> list[Result]:
    """One world's results, computed or, where they were kept, read."""
    file = keep / f"{world}-{sum(sizes.values())}.json" if keep else None
    if file is not None and file.exists():
        return [Result(**row) for row in json.loads(file.read_text(encoding="utf-8"))]
    found = [r for (runs, parts), histories in sizes.items() for seed in range(histories)
             for r in play(world, runs, seed, parts=parts)]  # fmt: skip
    if file is not None:
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_text(json.dumps([r.__dict__ for r in found]), encoding="utf-8")
    return found


def summary_by_world(results: list[Result]) -> pd.DataFrame:
    """Coverage at 90 % per world, from 30 runs on."""
    frame = pd.DataFrame([r.__dict__ for r in results if r.content == 0.90 and r.runs >= 30])
    frame = frame[frame["covered"].notna()]
    wide = frame.pivot_table(index="world", columns="kind", values=["covered", "width", "bound_holds"], aggfunc="mean")
    wide.columns = [f"{b} {a}" for a, b in wide.columns]
    return wide.reset_index()


if __name__ == "__main__":
    main()
