"""Answers of small shops, one or two part numbers, few runs: python -m tests.trials.small_shops HISTORIES [WORLD,...]

Each world is one thing that a small shop has: a fixture changed in the middle (on record as a setup, or not), runs that
come in bursts and share a lot, readings below 12 µm written as 0, a gauge that reads 10 µm, heavy tails (t of 2.2), a
trend. Asked is the part's next run at its usual settings. Printed: refusals, how many of the next pieces 90 % intervals
held, their width over that of the truth, and how often the 95/95 bound held.
"""

from __future__ import annotations

import sys
from collections.abc import Callable

import numpy as np
import pandas as pd

from loadbook.analysis.answers.cells import Asked
from loadbook.analysis.answers.refusal import Refusal
from loadbook.analysis.answers.working import fitted
from tests.shops import SETTINGS, WITHIN

WORLDS = ("plain", "step", "step on record", "bursts", "censored", "coarse", "tails", "trend")
SIZES = ((5, 1), (9, 1), (12, 1), (12, 2), (24, 2))  # runs, part numbers
USUAL = np.array([100.0, 600.0, 120.0, 80.0])
CHANGED, NOW = 400.0, 760.0  # days


def shop(world: str, runs: int, parts: int, seed: int) -> tuple[pd.DataFrame, Callable[[], np.ndarray]]:
    """A history, and a function that draws the pieces of one next run of its first part number."""
    rng = np.random.default_rng([seed, WORLDS.index(world), runs, parts])
    level, lots = rng.normal(20.0, 8.0, parts), {}
    days = np.sort(rng.uniform(0.0, 730.0, runs))
    if world == "bursts":
        begins = rng.uniform(0.0, 730.0, max(2, runs // 3))
        days = np.sort(np.repeat(begins, 3)[:runs] + rng.uniform(0.0, 2.0, min(runs, 3 * len(begins))))

    def noise(count: int) -> np.ndarray:
        return np.asarray(rng.standard_t(2.2, count) / 2.0 if world == "tails" else rng.normal(size=count))

    def pieces(part: int, day: float, x: np.ndarray, count: int, lot: float) -> np.ndarray:
        z = level[part] + 3.0 * (x[0] - USUAL[0]) / WITHIN[0] + lot + 5.0 * noise(1) + 5.0 * noise(count)
        if world.startswith("step"):
            z += 14.0 * (day > CHANGED)
        elif world == "trend":
            z += 20.0 * (day / 730.0 - 0.5)
        if world == "censored":
            z = np.where(np.abs(z) < 12.0, 0.0, z)
        return 10.0 * np.round(z / 10.0) if world == "coarse" else z

    rows = []
    for r, day in enumerate(days.tolist()):
        x = USUAL + rng.normal(size=4) * WITHIN
        lot = lots.setdefault(int(day // 20), rng.normal(0.0, 6.0)) if world == "bursts" else 0.0
        hung = "hung" if world == "step on record" and day > CHANGED else "laid"
        rows += [
            (f"R{r:04d}", f"PN-{r % parts}", "C1", f"{r}-{k}", v, day, "M1", "ring", "from bar", hung, 20.0, *x)
            for k, v in enumerate(pieces(r % parts, day, x, int(rng.integers(2, 6)), lot))
        ]
    names = ("run", "part", "characteristic", "serial", "z", "day", "material", "shape", "condition", "setup",
             "section_mm", *SETTINGS)  # fmt: skip
    frame = pd.DataFrame(rows, columns=names).assign(kind="outside diameter", furnace="F1")
    return frame, lambda: pieces(0, NOW, USUAL, 4, rng.normal(0.0, 6.0) if world == "bursts" else 0.0)


def trial(world: str, runs: int, parts: int, histories: int) -> str:
    """One line of the table."""
    held, width, bound, refused = [], [], [], 0
    asked = Asked(
        part="PN-0", characteristic="C1", material="M1", shape="ring", condition="from bar", section_mm=20.0, day=NOW,
        setup="hung" if world == "step on record" else "laid", settings=dict(zip(SETTINGS, USUAL, strict=True)),
    )  # fmt: skip
    for seed in range(histories):
        frame, following = shop(world, runs, parts, seed)
        reply = fitted(frame).ask(asked, harm=1)
        if isinstance(reply, Refusal):
            refused += 1
            continue
        truth = np.array([following() for _ in range(400)])
        held.append(float(((truth >= reply.low) & (truth <= reply.high)).mean()))
        width.append((reply.high - reply.low) / float(np.diff(np.quantile(truth, [0.05, 0.95]))[0]))
        bound.append(float((truth <= reply.bound).mean()) >= 0.95)
    if not held:
        return f"{world:14s} {runs:3d}/{parts}  refused {refused}"
    error = np.std(held) / np.sqrt(len(held))
    return (
        f"{world:14s} {runs:3d}/{parts}  refused {refused:3d}  held {np.mean(held):.3f} ({error:.3f})"
        f"  width {np.mean(width):.2f}  bound {np.mean(bound):.2f}"
    )


def main(words: list[str]) -> None:
    for world in words[1].split(",") if len(words) > 1 else WORLDS:
        for runs, parts in SIZES:
            print(trial(world, runs, parts, int(words[0])), flush=True)


if __name__ == "__main__":
    main(sys.argv[1:])
