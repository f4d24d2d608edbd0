"""The bound in µm for kinds whose movement is told as a ratio: from the joint scatter of before and change.

Whether the ratio or the difference is what repeats is asked of the history: the scale on which left-out runs' readings
after are predicted better. Where it is the difference, its own bound is the one. Where it is the ratio, before and
change are drawn together, with what they have in common piece by piece; or, where the form error before is known, the
ratio's bound is taken of that error.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from loadbook.analysis.movement import percent
from loadbook.analysis.quantiles import Floats
from loadbook.core.errors import CalculationError

from .bound import joint
from .cells import Asked
from .estimate import History, Reply
from .refusal import Refusal
from .working import fitted, left_out_score


@dataclass(frozen=True)
class Bound:
    """um [µm], None where it cannot be told; how: 'difference', 'ratio', or 'before' where that reading was given."""

    um: float | None
    how: str


def bound_um(history: History, pieces: pd.DataFrame, asked: Asked, reply: Reply, before_um: float | None) -> Bound:
    """Bound of a form error's movement in µm, on the side that harms.

    history, reply  of 100·ln(after/before);  pieces  their frame, before_mm among its columns;  before_um  if known
    """
    z = pieces["z"].to_numpy(dtype=float)
    if not np.isfinite(reply.bound):
        return Bound(None, "ratio")
    before = pieces["before_mm"].to_numpy(dtype=float) * 1000.0
    usable = pieces[np.isfinite(before) & (before > 0.0) & np.isfinite(z)].reset_index(drop=True)
    content = (reply.bound_content, reply.bound_confidence)
    try:
        before, z = usable["before_mm"].to_numpy(dtype=float) * 1000.0, usable["z"].to_numpy(dtype=float)
        after = before * np.exp(z / 100.0)
        plain = fitted(usable.assign(z=after - before), history.breaks, history.extra)
        ratio = History(usable, history.breaks, history.extra, warp=history.warp)
        if left_out_score(ratio, np.log(100.0 / after)) < left_out_score(plain):
            told = plain.ask(asked, reply.content, reply.harm, *content)
            return Bound(None if isinstance(told, Refusal) or not np.isfinite(told.bound) else told.bound, "difference")
        if before_um is not None:
            return Bound(percent.of_log(reply.bound) / 100.0 * before_um, "before")
        start = History(usable.assign(z=100.0 * np.log(before)), history.breaks, history.extra)
        scores = ratio.scores(reply.known)
        pairs = np.column_stack([_scaled(h, reply.known) for h in (ratio, start)])
        return Bound(
            joint(
                ratio.predicted(asked), start.predicted(asked), pairs, scores.weight, reply.harm, scores.groups,
                *content, warp=ratio.warp,
            ),
            "ratio",
        )  # fmt: skip
    except CalculationError:
        return Bound(None, "ratio")


def _scaled(history: History, known: bool) -> Floats:
    return np.asarray(history.scores(known).score / history.piece_factor(known), dtype=np.float64)
