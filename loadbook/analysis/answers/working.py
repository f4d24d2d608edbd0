"""Which scale a history is fitted on: the one whose left-out runs it predicts best.

Score of a scale: over the runs, the mean over their pieces of log t6(t) − log sd + log |dw/dz|, with t and sd of the
piece with its run left out. The working scale itself stays unless another beats it by more than 2.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from loadbook.analysis.trace.model import Floats

from .cells import Break, Warp
from .estimate import History
from .fewparts import Kind

TIMES = (3.0, 1.5, 0.75, 0.4, 0.2)  # c in root mean squares of the cell means
BETTER = 2.0


def left_out_score(history: History, jacobian: Floats | None = None) -> float:
    """Log score of runs left out; jacobian (pieces,) log |dz/dx| where scales of another quantity x are compared."""
    scores, c = history.scores(True), history.cells
    value = -3.5 * np.log1p(scores.score**2 / 6.0) - np.log(scores.sd)
    if np.isfinite(history.warp.c):
        value -= 0.5 * np.log1p((c.piece_told / history.warp.c) ** 2)
    if jacobian is not None:
        value += jacobian
    run = history.piece_run
    count = np.bincount(run)
    return float((np.bincount(run, weights=value)[count > 0] / count[count > 0]).sum())


def fitted(
    pieces: pd.DataFrame, breaks: Sequence[Break] = (), extra: Sequence[str] = (), others: Sequence[Kind] = (),
    suspected: np.ndarray | None = None,
) -> History:  # fmt: skip
    """The history on the scale that predicts it best; searched from the plain one on while it gets better.

    suspected  (rows,) which look like blunders: they count, and do not choose the scale
    """
    if suspected is not None and suspected.any():
        clean = fitted(pieces[~suspected].reset_index(drop=True), breaks, extra, others)
        return History(pieces, breaks, extra, warp=clean.warp, others=others)
    plain = History(pieces, breaks, extra, others=others)
    if plain.cells.runs < 9 or plain.df2 < 4 or len(np.unique(plain.cells.z)) < 3:
        return plain
    size = float(np.sqrt(np.mean(plain.cells.z**2)))
    if not size > 0.0:
        return plain
    first = left_out_score(plain)
    best, reached, last = plain, first + BETTER, first
    for times in TIMES:
        tried = History(pieces, breaks, extra, warp=Warp(times * size), others=others)
        score = left_out_score(tried)
        if score > reached:
            best, reached = tried, score
        if score < last - BETTER:
            break
        last = score
    return best
