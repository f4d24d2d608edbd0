"""Where the scatter comes from: nested variance components, each run counted as one piece of luck."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from loadbook.analysis.quantiles import Floats, codes_of, grouped_mean
from loadbook.core.errors import CalculationError


@dataclass(frozen=True)
class Stratum:
    """One line of a nested analysis of variance. mean_square is NaN where df is 0."""

    level: str
    df: int
    sum_of_squares: float

    @property
    def mean_square(self) -> float:
        return self.sum_of_squares / self.df if self.df else float("nan")


@dataclass(frozen=True)
class Components:
    """Variance components of nested data.

    levels     names, coarsest first; the last is the residual
    variances  one per level [unit squared], never negative; a level whose estimate came out negative is 0
    shares     of their sum, 0..1
    table      the nested analysis of variance
    mean, mean_se   mean of all values and its standard error with the coarsest level as the unit
    """

    levels: tuple[str, ...]
    variances: tuple[float, ...]
    table: tuple[Stratum, ...]
    n: int
    mean: float
    mean_se: float

    @property
    def shares(self) -> tuple[float, ...]:
        total = sum(self.variances)
        return tuple(v / total if total > 0 else 0.0 for v in self.variances)

    @property
    def total(self) -> float:
        return sum(self.variances)


def components(values: Floats, levels: Sequence[tuple[str, Any]], residual: str = "piece") -> Components:
    """Variance components of values nested in levels.

    values    (n,) without NaN;  levels  (name, (n,) labels) coarsest first; each is read as nested in the ones before
    Returns   Components; on balanced data the variances equal REML, zero where REML gives zero
    Raises    CalculationError where fewer than two values or where no level can be told from its parent
    Formula   T_i = sum n_g mean_g^2 over the groups of level i;  E T_i = N mu^2 + sum_j var_j sum_gh n_gh^2 / n_g;
              solve the differences T_i - T_(i-1); a negative component is set to 0 and its level joined to the next
    Source    Searle, Casella & McCulloch, Variance Components (1992), chapter 5 (Henderson's method 1)

    >>> c = components(np.array([1.0, 3.0, 11.0, 13.0]), [("run", ["a", "a", "b", "b"])])
    >>> [round(v, 6) for v in c.variances]
    [49.0, 2.0]
    """
    y = np.asarray(values, dtype=np.float64)
    if y.size < 2:
        raise CalculationError(f"scatter needs at least two values, here {y.size}")
    names = [name for name, _ in levels]
    codes: list[np.ndarray[Any, np.dtype[np.intp]]] = []
    for i in range(len(levels)):
        codes.append(codes_of(*[labels for _, labels in levels[: i + 1]])[0])
    codes.append(np.arange(y.size, dtype=np.intp))
    names.append(residual)
    table = _table(y, codes, names)
    keep = [i for i, line in enumerate(table) if line.df > 0]
    if not keep:
        raise CalculationError("no level of the scatter can be separated from the one above it")
    variances = dict.fromkeys(range(len(names)), 0.0)
    while True:
        estimate = _solve(y, [codes[i] for i in keep])
        lowest = int(np.argmin(estimate[:-1])) if len(keep) > 1 else -1
        if lowest < 0 or estimate[lowest] >= 0.0:
            break
        keep.pop(lowest)
    for i, value in zip(keep, estimate, strict=True):
        variances[i] = max(float(value), 0.0)
    mean = float(y.mean())
    return Components(
        tuple(names), tuple(variances[i] for i in range(len(names))), tuple(table), int(y.size), mean,
        clustered_mean(y, codes[0])[1],
    )  # fmt: skip


def apart(found: Components, level: str, variance: float, df: int) -> Components:
    """The components with part of the residual as a level of its own, whose variance was learned elsewhere.

    variance  of that level [unit squared], at most the residual;  df what it rests on

    >>> c = components(np.array([1.0, 3.0, 11.0, 13.0]), [("run", ["a", "a", "b", "b"])])
    >>> [round(v, 6) for v in apart(c, "reading", 0.5, 20).variances]
    [49.0, 1.5, 0.5]
    """
    own = min(variance, found.variances[-1])
    return replace(
        found, levels=(*found.levels, level), variances=(*found.variances[:-1], found.variances[-1] - own, own),
        table=(*found.table, Stratum(level, df, own * df)),
    )  # fmt: skip


def _table(y: Floats, codes: Sequence[Any], names: Sequence[str]) -> list[Stratum]:
    lines = []
    parent_fit, parent_groups = np.full(y.size, y.mean()), 1
    for name, code in zip(names, codes, strict=True):
        groups = int(code.max()) + 1
        fit = grouped_mean(y, code, groups)[code]
        lines.append(Stratum(name, groups - parent_groups, float(np.sum((fit - parent_fit) ** 2))))
        parent_fit, parent_groups = fit, groups
    return lines


def _solve(y: Floats, codes: Sequence[Any]) -> Floats:
    """Components from the differences of uncorrected sums of squares (all centred first: the sums stay small)."""
    centred = y - y.mean()
    k = len(codes)
    sums, expect = np.zeros(k + 1), np.zeros((k + 1, k))
    whole = np.zeros(y.size, dtype=np.intp)
    for i, outer in enumerate([whole, *codes]):
        n_outer = np.bincount(outer).astype(np.float64)
        means = np.bincount(outer, weights=centred) / n_outer
        sums[i] = float(np.sum(n_outer * means**2))
        for j, inner in enumerate(codes):
            n_inner = np.bincount(inner).astype(np.float64)
            if j < i:  # the inner level is the coarser one, or the same
                expect[i, j] = float(y.size)
            else:
                first = np.zeros(n_inner.size, dtype=np.intp)
                first[inner] = outer
                expect[i, j] = float(np.sum(n_inner**2 / n_outer[first]))
    return np.asarray(np.linalg.solve(np.diff(expect, axis=0), np.diff(sums)), dtype=np.float64)


def clustered_mean(values: Floats, runs: Any) -> tuple[float, float, int]:
    """Mean, its standard error with the run as the unit, and the number of runs.

    values   (n,) without NaN;  runs  (n,) run of each value
    Returns  (mean, standard error, runs); the error is NaN for one run: its luck cannot be told
    Formula  se^2 = R/(R-1) sum_r (n_r (mean_r - mean))^2 / N^2;  balanced: MS_run / N
    Source   NIST/SEMATECH e-Handbook 3.5.1.4 for the nested case; Cameron & Miller, J. Human Resources 50 (2015)

    >>> mean, se, runs = clustered_mean(np.array([1.0, 3.0, 11.0, 13.0]), np.array([0, 0, 1, 1]))
    >>> mean, round(se, 6), runs
    (7.0, 5.0, 2)
    """
    y = np.asarray(values, dtype=np.float64)
    code, count = codes_of(runs)
    mean = float(y.mean())
    if count < 2:
        return mean, float("nan"), count
    sums = np.bincount(code, weights=y - mean)
    return mean, float(np.sqrt(count / (count - 1) * np.sum(sums**2)) / y.size), count
