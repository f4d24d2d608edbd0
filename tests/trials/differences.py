"""The trial of `answer --compare`: python -m tests.trials.differences HISTORIES RUNS[,RUNS...]

How often the 95 % interval of a difference between two treatments of one part number holds the true one, and its width
beside that of two answers subtracted by eye.
"""

from __future__ import annotations

import sys

import numpy as np

from loadbook.analysis.answers.cells import Asked
from loadbook.analysis.answers.difference import difference
from loadbook.analysis.answers.estimate import History, Reply
from tests.shops import RATE, SETTINGS, WITHIN, Part, Shop


def asked_of(shop: Shop, history: History, world: str) -> tuple[Part, Asked, Asked]:
    """A known part number (the one with most runs), one treatment and another of it."""
    counts = history.cells.frame["part"].value_counts()
    part = next(p for p in shop.parts if p.name == str(counts.index[0]))
    usual = dict(zip(SETTINGS, (float(v) for v in part.usual), strict=True))
    base = Asked(part.name, "C1", part.material, None, part.shape, part.condition, settings=usual, setup="laid")
    if world == "setup":
        return part, _with(base, setup="hung"), base
    faster, slower = ({**usual, RATE: usual[RATE] + d * WITHIN[0]} for d in (1.0, -1.0))
    return part, _with(base, settings=faster), _with(base, settings=slower)


def _with(asked: Asked, **changed: object) -> Asked:
    from dataclasses import replace

    return replace(asked, **changed)  # type: ignore[arg-type]


def truth(shop: Shop, part: Part, world: str) -> float:
    """The true difference of `asked_of`."""
    return part.setup_gap if world == "setup" else 2.0 * shop.slope


def main(words: list[str]) -> None:
    print("runs  world    held    ±      width  two answers  none")
    for runs in (int(w) for w in words[1].split(",")):
        for world in ("plain", "setup", "mixed", "drift", "heavy"):
            held, width, eye, none = [], [], [], 0
            for seed in range(int(words[0])):
                shop = Shop(world, runs, seed=seed)
                history = History(shop.history())
                part, one, other = asked_of(shop, history, world)
                found, reply = difference(history, one, other), history.ask(one)
                if found is None or not isinstance(reply, Reply):
                    none += 1
                    continue
                held.append(found.low <= truth(shop, part, world) <= found.high)
                width.append(found.high - found.low)
                eye.append(2 * (reply.high - reply.low))
            share = float(np.mean(held))
            error = float(np.sqrt(share * (1 - share) / len(held)))
            both = f"{np.mean(width):5.1f}  {np.mean(eye):11.1f}"
            print(f"{runs:4d}  {world:7s}  {share:.3f}  {error:.3f}  {both}  {none:4d}", flush=True)


if __name__ == "__main__":
    main(sys.argv[1:])
