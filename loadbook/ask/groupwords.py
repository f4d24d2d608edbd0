"""Where a group's evidence comes from, as a sentence."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import pandas as pd


def evidence(plants: pd.DataFrame, without: Sequence[str]) -> str:
    """Which plants the evidence comes from, with runs and pieces, and which were left out.

    plants  plant, runs, pieces
    """
    rows = [
        f"{plant} ({_many(int(runs), 'run')}, {_many(int(pieces), 'piece')})"
        for plant, runs, pieces in plants[["plant", "runs", "pieces"]].to_numpy().tolist()
    ]
    text = "Evidence from " + (", ".join(rows) if rows else "no plant") + "."
    if without:
        text += f" Left out: {', '.join(without)}."
    return text


def _many(count: int, word: str) -> str:
    return f"{count} {word}" if count == 1 else f"{count} {word}s"
