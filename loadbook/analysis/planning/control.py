"""Control charts for individual values: one value a run, limits from the average moving range, tests by a named rule.

Values of several cycles are charted as differences from what is usual for their cycle (a chart for mixed batches):
else a change of work looks like a change of the furnace. Pure functions of arrays; explained under
`loadbook explain "control chart"`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from loadbook.analysis.trace.model import Floats
from loadbook.core.errors import CalculationError

D2 = 1.128  # mean range of two values from a normal distribution, in standard deviations, as published tables round it
SIGMAS = 3.0
IN_A_ROW = 7  # points on one side of the centre line; points that steadily rise or fall
PER_GROUP = 10  # a cycle's baseline: its first runs
LEAST_GROUP = 3  # below this a cycle has no usual value
LEAST = 20  # baseline runs below which there are no limits
LEAST_LEFT = 15  # of them, once those beyond the first limits are left out
RULES = {
    "beyond": "beyond the limits",
    "side": f"{IN_A_ROW} or more in a row on one side of the centre line",
    "trend": f"{IN_A_ROW} or more in a row that steadily rise or fall",
}


@dataclass(frozen=True)
class Limits:
    """centre and control limits in the unit of the values; sigma = mean_range / 1.128; count values made them."""

    centre: float
    mean_range: float
    count: int

    @property
    def sigma(self) -> float:
        return self.mean_range / D2

    @property
    def low(self) -> float:
        return self.centre - SIGMAS * self.sigma

    @property
    def high(self) -> float:
        return self.centre + SIGMAS * self.sigma


@dataclass(frozen=True)
class Signal:
    """A test that points failed: which of RULES, and the first and last point of it (indices)."""

    rule: str
    first: int
    last: int


@dataclass
class Chart:
    """A chart of n values in the order of their runs.

    difference  value minus the usual value of its group [unit of the values]; NaN where the group has none
    usual       that usual value;  low, high  limits of the difference, NaN where there are none
    baseline    which points made the limits;  left_out  baseline points beyond the first limits, left out of them
    limits      None where `why` says why there are none;  signals  in the order of their last point
    """

    difference: Floats
    usual: Floats
    low: Floats
    high: Floats
    baseline: NDArray[np.bool_]
    left_out: NDArray[np.bool_]
    limits: Limits | None = None
    why: str | None = None
    signals: list[Signal] = field(default_factory=list)


def individuals(values: Sequence[float] | Floats) -> Limits:
    """Limits of a chart for individuals: mean plus and minus three times the mean moving range of two over 1.128.

    values  n >= 2 finite values in time order. Raises CalculationError for fewer.
    Source  NIST/SEMATECH e-Handbook 6.3.2.2; the factor 3/1.128 = 2.66 is E2 of ISO 7870-2 (from memory)

    >>> found = individuals([49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1])
    >>> round(found.centre, 2), round(found.low, 4), round(found.high, 4)
    (50.81, 45.8159, 55.8041)
    """
    x = np.asarray(values, dtype=float)
    if len(x) < 2 or not np.isfinite(x).all():
        raise CalculationError("a control chart needs two values at least, all of them finite")
    return Limits(float(x.mean()), float(np.abs(np.diff(x)).mean()), len(x))


def signals(values: Floats, low: Floats, high: Floats, centre: float = 0.0) -> list[Signal]:
    """Which points fail which of RULES; each run of points is given once, whole.

    values, low, high  n values and their limits. A value that is NaN is passed over, not counted.
    Source  tests 1 to 3 as in ISO 7870-2 (from memory: one point beyond the limits; seven or more on one side; seven
            or more steadily rising or falling). Its fourth, any other unusual pattern, is left to the eye.

    >>> import numpy as np
    >>> signals(np.array([0.0, 5.0, 1, 1, 1, 1, 1, 1]), np.full(8, -3.0), np.full(8, 3.0))
    [Signal(rule='beyond', first=1, last=1), Signal(rule='side', first=1, last=7)]
    """
    at = np.flatnonzero(np.isfinite(values))
    x = values[at]
    out = [Signal("beyond", int(i), int(i)) for i in at if values[i] < low[i] or values[i] > high[i]]
    sides = np.sign(x - centre)
    out += [Signal("side", int(at[a]), int(at[b])) for a, b, s in _runs(sides) if s != 0 and b - a + 1 >= IN_A_ROW]
    steps = np.sign(np.diff(x))
    # k equal steps join k + 1 points
    out += [Signal("trend", int(at[a]), int(at[b + 1])) for a, b, s in _runs(steps) if s != 0 and b - a + 2 >= IN_A_ROW]
    return sorted(out, key=lambda s: (s.last, s.first, s.rule))


def chart(
    values: Sequence[float] | Floats,
    groups: Sequence[str] | None = None,
    may_be_baseline: NDArray[np.bool_] | None = None,
) -> Chart:
    """A control chart of runs in time order, each compared with what is usual for its group (its cycle).

    groups           None: one group, a plain chart for individuals
    may_be_baseline  which points may make the limits (runs before the period looked at, without a known fault);
                     None: all. Of each group the first PER_GROUP of them do, if there are LEAST_GROUP.

    Baseline points beyond the first limits are left out of them, once. A usual value from m runs is itself uncertain:
    the limits of a group are sqrt(1 + 1/m) wider, for the baseline's own points sqrt(1 - 1/m) narrower.
    Source  charts of mixed batches as differences: ISO 7870-8 (named from memory); the widening: variance of a
            difference from a mean of m
    """
    x = np.asarray(values, dtype=float)
    names = np.asarray(["" for _ in x] if groups is None else list(groups), dtype=object)
    allowed = np.isfinite(x) if may_be_baseline is None else may_be_baseline & np.isfinite(x)
    base = _baseline(names, allowed, plain=groups is None)
    out = _of(x, names, base, plain=groups is None)
    if out.limits is not None:
        beyond = base & ((out.difference < out.low) | (out.difference > out.high))
        if beyond.any():
            out = _of(x, names, base & ~beyond, plain=groups is None, least=LEAST_LEFT)
            out.left_out = beyond
    if out.limits is not None:
        out.signals = signals(out.difference, out.low, out.high)
    return out


def _baseline(names: NDArray[np.object_], allowed: NDArray[np.bool_], plain: bool) -> NDArray[np.bool_]:
    base = allowed.copy()
    if not plain:
        for name in set(names):
            members = np.flatnonzero((names == name) & allowed)
            base[members[PER_GROUP:]] = False
    return base


def _of(x: Floats, names: NDArray[np.object_], base: NDArray[np.bool_], plain: bool, least: int = LEAST) -> Chart:
    n = len(x)
    usual, factor, share = np.full(n, np.nan), np.ones(n), np.ones(n)
    used = base.copy()
    for name in set(names):
        mine = names == name
        m = int((mine & base).sum())
        if m < (1 if plain else LEAST_GROUP):
            used[mine] = False
            continue
        usual[mine] = x[mine & base].mean()
        if not plain:
            factor[mine] = np.where(base[mine], np.sqrt(1 - 1 / m), np.sqrt(1 + 1 / m))
            share[mine] = np.sqrt(1 - 1 / m)
    difference = x - usual
    out = Chart(difference, usual, np.full(n, np.nan), np.full(n, np.nan), used, np.zeros(n, dtype=bool))
    count = int(used.sum())
    if count < least:
        out.why = f"too few runs for limits: {count} of {least}"
        return out
    limits = individuals(difference[used] / share[used])
    if limits.mean_range == 0:
        out.why = "the values do not vary: no limits"
        return out
    out.limits = Limits(0.0, limits.mean_range, count)
    told = np.where(np.isfinite(difference), SIGMAS * limits.sigma * factor, np.nan)
    out.low, out.high = -told, told
    return out


def _runs(signs: Floats) -> list[tuple[int, int, float]]:
    """(first, last, value) of each stretch of equal values."""
    if len(signs) == 0:
        return []
    cuts = np.flatnonzero(np.diff(signs) != 0) + 1
    starts = [0, *(int(c) for c in cuts)]
    ends = [*(s - 1 for s in starts[1:]), len(signs) - 1]
    return [(a, b, float(signs[a])) for a, b in zip(starts, ends, strict=True)]
