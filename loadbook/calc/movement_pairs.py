"""Which treatments to compare, stratum by stratum, and what the comparison cannot tell apart."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from .movement import STRATUM
from .movement_compare import Difference, OneWay, adjust, compare, one_way, spread_test
from .quantiles import codes_of, grouped_mean

if TYPE_CHECKING:
    import pandas as pd

PAIRS_UP_TO = 4  # treatments; with more, each is compared with the one that has most runs


@dataclass(frozen=True)
class Compared:
    """All differences of one stratum: pairs, and whether the treatments differ at all (means, spread of run means)."""

    stratum: dict[str, Any]
    pairs: list[Difference]
    overall: OneWay | None
    spread: OneWay | None


def differences(
    frame: pd.DataFrame,
    by: Sequence[str],
    confidence: float = 0.95,
    plain: bool = False,
    strata: Sequence[str] = STRATUM,
) -> list[Compared]:
    """Differences between treatments inside each stratum; p values adjusted over all of them.

    All pairs up to four treatments; with more, each against the one with most runs. Where the two sides did not
    hold the same part numbers, the note says so: what differs between the parts is then in the difference.
    """
    rows = frame[frame["y"].notna()]
    out: list[Compared] = []
    if not len(rows) or not by:
        return out
    for key, part in rows.groupby(list(strata), sort=True, dropna=False):
        text = part[by[0]].astype(str)
        for name in by[1:]:
            text = text + " / " + part[name].astype(str)
        label = text.to_numpy()
        code, treatments = codes_of(label)
        if treatments < 2:
            continue
        y, run = part["y"].to_numpy(dtype=np.float64), codes_of(part["run"])[0]
        names = [str(label[np.flatnonzero(code == t)[0]]) for t in range(treatments)]
        runs = np.bincount(code[np.unique(codes_of(code, run)[0], return_index=True)[1]], minlength=treatments)
        cell, cells = codes_of(code, run)
        owner = np.zeros(cells, dtype=np.intp)
        owner[cell] = code
        means = grouped_mean(y, cell, cells)
        level = grouped_mean(means, owner, treatments)
        order = sorted(range(treatments), key=lambda t: (level[t], names[t]))  # the smaller first: differences rise
        if treatments <= PAIRS_UP_TO:
            chosen = [(a, b) for i, a in enumerate(order) for b in order[i + 1 :]]
        else:
            base = int(np.argmax(runs))
            chosen = [(base, b) for b in order if b != base]
        pairs = []
        for a, b in chosen:
            two = (code == a) | (code == b)
            found = compare(y[two], run[two], code[two] == b, (names[a], names[b]), confidence, plain)
            same_parts(found, set(part["part"].to_numpy()[code == a]), set(part["part"].to_numpy()[code == b]))
            pairs.append(found)
        overall = one_way(means, owner) if cells > treatments else None
        spread = spread_test(means, owner) if np.bincount(owner).min() >= 4 else None
        out.append(Compared(dict(zip(strata, key, strict=True)), pairs, overall, spread))
    adjust([d for c in out for d in c.pairs])
    return out


def same_parts(found: Difference, a: set[str], b: set[str]) -> None:
    """Say where the sides held different part numbers."""
    if found.evidence in ("runs", "pieces") and a != b and found.refused is None:
        lone = len(a ^ b)
        text = (
            f"{lone} part number{'s' if lone != 1 else ''} stood on one side only: what differs between parts is in "
            "this difference (loadbook effect compares inside part numbers)"
        )
        found.note = f"{found.note}; {text}" if found.note else text
