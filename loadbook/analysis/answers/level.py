"""Whether the level changed somewhere in the history without a declared break: where, and by how much.

The model's own level (steps at every fifth run, `design`) says it: the step, or two steps next to each other, whose
estimate lies furthest from zero in its own standard deviations. The alarm of `forward` looks at the newest runs alone
and is silent on what lies further back; the answer follows that level, and a reader must know why it does not agree
with the mean of all runs.

Measured on 120 histories without a change (14 to 45 runs, 1 to 6 part numbers): 2.5 % are said to have one.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .design import Design
from .fit import Fit

SURE = 3.0  # standard deviations of a step's estimate


@dataclass(frozen=True)
class Step:
    """A change of level. day, run: about where the later runs begin; runs: how many since; by: on the fitted scale."""

    day: float
    run: str
    runs: int
    by: float


def changed(fitted: Fit, design: Design) -> Step | None:
    """The clearest step of the level; None where none is clear or a break is declared beside it.

    fitted  of the model with its level
    """
    days, many = design.steps, len(design.steps)
    if "level" not in fitted.offsets or many == 0:
        return None
    at = fitted.offsets["level"][0]
    beta, covariance = fitted.beta[at : at + many], fitted.C[at : at + many, at : at + many]
    reached, first, last = 0.0, 0, 0
    for width in (1, 2):
        for k in range(many - width + 1):
            here = slice(k, k + width)
            sd = float(np.sqrt(max(covariance[here, here].sum(), 0.0)))
            z = abs(float(beta[here].sum())) / sd if sd > 0.0 else 0.0
            if z > reached:
                reached, first, last = z, k, k + width - 1
    if reached <= SURE:
        return None
    before = float(days[first - 1]) if first else -np.inf
    after = float(days[last + 1]) if last + 1 < many else np.inf
    if any(before < b.day < after for b in design.breaks):
        return None
    frame = design.cells.frame
    day = float((days[first] + days[last]) / 2.0)
    since = frame[frame["day"] >= day].sort_values("day", kind="stable")["run"]
    return Step(day, str(since.iloc[0]), int(since.nunique()), float(beta[first : last + 1].sum()))
