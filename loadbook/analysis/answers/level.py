"""Whether the level changed or drifted in the history without a declared break: where, and by how much.

The model's own level (steps at every fifth run, `design`) says it: the step, or two steps next to each other, whose
estimate lies furthest from zero in its own standard deviations. The alarm of `forward` looks at the newest runs alone
and is silent on what lies further back; the answer follows that level, and a reader must know why it does not agree
with the mean of all runs.

Measured on 120 histories without a change (14 to 45 runs, 1 to 6 part numbers): 2.5 % are said to have one.

A drift is the date's own slope where no step is clear: its estimate without the prior that draws it to nothing, in its
own standard deviations, in the model that has no steps to share it with (tests/trials/MEASURED.md). Where one step in
its place explains more, it was that step.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.linalg import solve_triangular

from .design import Design
from .fit import Fit, dense_covariance

SURE = 3.0  # standard deviations of a step's estimate
SLOPE_SURE = 2.5  # of a slope's
DRIFT_RUNS, DRIFT_DAYS = 12, 120.0  # fewer, or less time, show no drift
MOST_CELLS = 1500  # of a longer history a drift is not told from a step


@dataclass(frozen=True)
class Step:
    """A change of level. day, run: about where the later runs begin; runs: how many since; by: on the fitted scale."""

    day: float
    run: str
    runs: int
    by: float


@dataclass(frozen=True)
class Drift:
    """A slow change of level. first: the day of the first runs;  runs in all;  per_day: on the fitted scale."""

    first: float
    runs: int
    per_day: float


def drifted(fitted: Fit, design: Design) -> Drift | Step | None:
    """The drift of the level, or the one step that tells it better than a slope; None where it could be chance.

    fitted  of the model with the date and without steps
    """
    days = design.cells.frame["day"].to_numpy(dtype=float)
    if "date" not in fitted.offsets or design.cells.runs < DRIFT_RUNS or float(np.ptp(days)) < DRIFT_DAYS:
        return None
    at = fitted.offsets["date"][0]
    variance, prior = float(fitted.C.block(np.array([at]))[0, 0]), float(fitted.g[at])
    precision = 1.0 / variance - 1.0 / prior  # what the runs say, the prior taken away
    if precision <= 0.0:
        return None
    slope = float(fitted.beta[at]) / variance / precision
    reached = abs(slope) * float(np.sqrt(precision))
    if reached <= SLOPE_SURE:
        return None
    drift = Drift(float(days.min()), design.cells.runs, slope / design.day_at[1])
    if len(days) > MOST_CELLS or not len(design.steps):
        return drift
    date = (days - design.day_at[0]) / design.day_at[1]
    L = np.linalg.cholesky(dense_covariance(fitted) - prior * np.outer(date, date))
    e = solve_triangular(L, fitted.z - fitted.centre, lower=True)
    W = solve_triangular(L, (days[:, None] >= design.steps[None, :]).astype(float), lower=True)
    along, size = e @ W, np.sqrt((W**2).sum(axis=0))
    best = int(np.argmax(np.abs(along) / size))
    if abs(along[best]) / size[best] <= reached:
        return drift
    return _step(design, best, best, float(along[best] / size[best] ** 2))


def changed(fitted: Fit, design: Design) -> Step | None:
    """The clearest step of the level; None where none is clear or a break is declared beside it.

    fitted  of the model with its level
    """
    many = len(design.steps)
    if "level" not in fitted.offsets or many == 0:
        return None
    at = fitted.offsets["level"][0]
    beta, covariance = fitted.beta[at : at + many], fitted.C.block(np.arange(at, at + many))
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
    return _step(design, first, last, float(beta[first : last + 1].sum()))


def _step(design: Design, first: int, last: int, by: float) -> Step | None:
    """The step at these places of the design's, None where a break is declared beside it."""
    days = design.steps
    before = float(days[first - 1]) if first else -np.inf
    after = float(days[last + 1]) if last + 1 < len(days) else np.inf
    if any(before < b.day < after for b in design.breaks):
        return None
    frame = design.cells.frame
    day = float((days[first] + days[last]) / 2.0)
    since = frame[frame["day"] >= day].sort_values("day", kind="stable")["run"]
    return Step(day, str(since.iloc[0]), int(since.nunique()), by)
