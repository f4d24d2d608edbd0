"""By how much two treatments of the same pieces differ, with an interval of its own.

Two answers share their part number, level and run scatter, which cancel in the difference: two intervals subtracted by
eye are far too wide. Settings and factors are judged by the runs alone, as in a trial: what shrinks them towards no
effect in an answer would make a difference look smaller and surer than it is.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import stdtrit

from loadbook.analysis.trace.model import Floats
from loadbook.core.vocabulary.parameters import PLANNABLE

from .blocks import Covariance
from .cells import FACTORS, Asked
from .estimate import History
from .fit import Row

WITHIN = " within part"  # the terms of settings and factors inside part numbers
NEVER = 1e6  # prior variance of a term that only runs inform, in variances of the cells


@dataclass(frozen=True)
class Difference:
    """Expected movement of one question less that of another, on the working scale; df degrees of its t interval."""

    difference: float
    low: float
    high: float
    df: int


def difference(history: History, asked: Asked, less: Asked, confidence: float = 0.95) -> Difference | None:
    """The mean movement of `asked` less that of `less`; None where no runs inside a part number bear on it.

    asked, less  the same piece under two treatments
    Formula      w'beta with w the difference of the two rows, beta and its covariance with the prior of the terms
                 inside part numbers taken away; t with cells - part numbers - such terms, at most runs - 1, degrees
    """
    f = history.fit
    if not judged(history, asked, less):
        return None
    w = dense(history.row(asked), len(f.g)) - dense(history.row(less), len(f.g))
    free = by_runs_alone(history)
    unknown = abs(history.row(asked).unknown - history.row(less).unknown)
    variance = float(free.C.quadratic(w[None, :])[0]) + unknown
    df = min(history.df2 - free.columns, history.cells.runs - 1)
    if variance > free.untold or df < 1:
        return None
    middle = float(w @ free.beta)
    half = float(stdtrit(df, (1.0 + confidence) / 2.0)) * float(np.sqrt(max(variance, 0.0)))
    return Difference(middle, middle - half, middle + half, df)


@dataclass(frozen=True)
class ByRuns:
    """The fit's columns as runs alone inform them: what settings and factors do is not drawn towards nothing.

    beta (q,), C its covariance;  columns  how many of them are settings and factors inside part numbers
    untold  variance from which a contrast is one that no run bears on
    """

    beta: Floats
    C: Covariance
    columns: int
    untold: float


def by_runs_alone(history: History) -> ByRuns:
    """The posterior with the prior of the terms inside part numbers taken away."""
    f = history.fit
    columns = [
        k
        for term in f.terms
        if term.name.endswith(WITHIN)
        for k in range(f.offsets[term.name][0], f.offsets[term.name][0] + term.columns.shape[1])  # type: ignore[union-attr]
    ]
    vague = NEVER * float(np.var(f.z))
    C, beta = f.C.with_prior(np.array(columns, dtype=np.int64), 1.0 / vague - 1.0 / f.g[columns], f.beta)
    return ByRuns(beta, C, len(columns), 0.01 * vague)


def judged(history: History, asked: Asked, less: Asked) -> bool:
    """Whether every setting and factor that the two differ in was varied inside some part number."""
    d = history.design
    settings = {n for n in PLANNABLE if asked.settings.get(n) != less.settings.get(n)}
    if any(n not in asked.settings or n not in less.settings for n in settings):
        return False
    factors = {n for n in FACTORS if getattr(asked, n) != getattr(less, n)}
    levels = {**d.new_levels(asked), **d.new_levels(less)}
    return settings <= set(d.active) and factors <= set(d.factors) and not factors & set(levels)


def dense(row: Row, columns: int) -> np.ndarray:
    out = np.zeros(columns)
    np.add.at(out, row.at, row.values)
    return out
