"""Which scale a history is fitted on: the one whose left-out runs it predicts best; and whether thermal stress takes
part (yielding.py): where part numbers left out are predicted better with it.

Score of a scale: over the runs, the mean over their pieces of log t6(t) − log sd + log |dw/dz|, with t and sd of the
piece with its run (part number) left out. The working scale itself stays unless another beats it by more than 2.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from loadbook.analysis.trace.model import Floats

from . import yielding
from .cells import Break, Warp
from .estimate import History
from .fewparts import Kind

TIMES = (3.0, 1.5, 0.75, 0.4, 0.2)  # c in root mean squares of the cell means
BETTER = 2.0


def left_out_score(history: History, jacobian: Floats | None = None, parts: bool = False) -> float:
    """Log score of runs left out (parts: of part numbers left out); jacobian (pieces,) log |dz/dx| where scales of
    another quantity x are compared."""
    scores, c = history.scores(not parts), history.cells
    value = -3.5 * np.log1p(scores.score**2 / 6.0) - np.log(scores.sd)
    if np.isfinite(history.warp.c):
        value -= 0.5 * np.log1p((c.piece_told / history.warp.c) ** 2)
    if jacobian is not None:
        value += jacobian
    out = c.part[c.piece_cell] if parts else history.piece_run
    count = np.bincount(out)
    return float((np.bincount(out, weights=value)[count > 0] / count[count > 0]).sum())


def fitted(
    pieces: pd.DataFrame, breaks: Sequence[Break] = (), extra: Sequence[str] = (), others: Sequence[Kind] = (),
    suspected: np.ndarray | None = None, stress: bool = False,
) -> History:  # fmt: skip
    """The history on the scale that predicts it best, with thermal stress where that helps.

    suspected  (rows,) which look like blunders: they count, and choose neither
    stress     the thermal stress of what is asked about is known
    """
    if suspected is not None and suspected.any():
        clean = fitted(pieces[~suspected].reset_index(drop=True), breaks, extra, others, stress=stress)
        return History(pieces, breaks, extra, warp=clean.warp, others=others, gained=clean.gained)
    plain = _on_its_scale(pieces, breaks, extra, others)
    if not stress or not yielding.considered(plain.cells):
        return plain
    helped = History(pieces, breaks, extra, warp=plain.warp, others=others, gained=0.0)
    helped.gained = left_out_score(helped, parts=True) - left_out_score(plain, parts=True)
    return helped if helped.gained > yielding.BETTER else plain


def _on_its_scale(
    pieces: pd.DataFrame, breaks: Sequence[Break], extra: Sequence[str], others: Sequence[Kind]
) -> History:
    """Searched from the plain scale on while it gets better."""
    plain = History(pieces, breaks, extra, others=others)
    if plain.cells.runs < 9 or plain.df2 < 4 or len(np.unique(plain.cells.z)) < 3:
        return plain
    size = float(np.sqrt(np.mean(plain.cells.z**2)))
    if not size > 0.0:
        return plain
    first = left_out_score(plain)
    best, reached, last = plain, first + BETTER, first
    for times in TIMES:
        tried = plain.on(Warp(times * size))
        score = left_out_score(tried)
        if score > reached:
            best, reached = tried, score
        if score < last - BETTER:
            break
        last = score
    return best
