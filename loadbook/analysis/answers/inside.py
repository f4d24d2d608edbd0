"""What share of pieces will stay inside a tolerance, with an interval for that share.

The limits are carried to the working scale for every reading before that a piece may start from; the pieces' law is
that of the left-out scores, drawn to the normal one; the part number's mean and spread are drawn as far as the history
leaves them open. The interval also lets a part of the run scatter belong to the settings asked about, which no history
can tell apart from luck.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr

from loadbook.analysis.trace.model import Floats

DRAWS = 4000
SEED = 20_261_128
NORMAL_RUNS = 10.0  # how many runs the normal law speaks for
CAP_DF = 12.0
MOST_UNKNOWN = 0.8  # share of the run variance that may belong to the settings asked about
STARTS = 25  # readings before that stand for all


@dataclass(frozen=True)
class Inside:
    """Share of pieces inside after the run, its interval; before: the share that was inside before it, or None."""

    share: float
    low: float
    high: float
    before: float | None = None


@dataclass(frozen=True)
class Law:
    """The law of scaled left-out scores: values in order, cumulative weights (to 1), runs behind it."""

    values: Floats
    reached: Floats
    runs: int

    def below(self, x: Floats) -> Floats:
        """F(x), the empirical law drawn to the normal one."""
        at = np.searchsorted(self.values, x, side="right")
        own = np.where(at > 0, self.reached[np.maximum(at, 1) - 1], 0.0)
        return np.asarray((self.runs * own + NORMAL_RUNS * ndtr(x)) / (self.runs + NORMAL_RUNS), dtype=np.float64)


def law(scaled: Floats, weight: Floats, runs: int) -> tuple[Law, float]:
    """(the law of scores over their rms, that rms)."""
    total = float(weight.sum())
    k = float(np.sqrt(np.sum(weight * np.minimum(scaled**2, 36.0)) / total))
    order = np.argsort(scaled, kind="stable")
    return Law(scaled[order] / k, np.cumsum(weight[order]) / total, runs), k


@dataclass(frozen=True)
class Starts:
    """Limits on the working scale, one pair for each reading before; shift (n,) what such a start adds to the mean and
    narrow (1: nothing) how much it narrows the spread, both in standard deviations of a piece."""

    low: Floats
    high: Floats
    shift: Floats
    narrow: float = 1.0


def share(shape: Law, starts: Starts, level: Floats, sd: Floats) -> Floats:
    """(draws,) share inside for each drawn level and spread, averaged over the starts."""
    out = np.zeros(len(level))
    for low, high, shift in zip(starts.low, starts.high, starts.shift, strict=True):
        middle, wide = level + shift * sd, sd * starts.narrow
        out += shape.below((high - middle) / wide) - shape.below((low - middle) / wide)
    return out / len(starts.low)


def known(
    shape: Law, starts: Starts, mean: float, v_mean: float, df1: float, sd: float, df: float, run_share: float
) -> Inside:  # fmt: skip
    """Share and its 90 % interval.

    mean, v_mean, df1  expectation, its variance and degrees;  sd, df  spread of a new piece in a new run
    run_share  S2/(S2 + s²)
    """
    rng = np.random.Generator(np.random.PCG64(SEED))
    level = mean + rng.standard_t(df1, DRAWS) * np.sqrt(v_mean)
    spread = sd * np.sqrt(df / rng.chisquare(df, DRAWS))
    told = float(share(shape, starts, level, spread).mean())
    capped = min(df, CAP_DF)
    spread = sd * np.sqrt(capped / rng.chisquare(capped, DRAWS))
    return _interval(told, shape, starts, level, spread, run_share, rng)


def drawn(shape: Law, starts: Starts, level: Floats, spread: Floats, run_share: float) -> Inside:
    """The same from draws of level and spread."""
    rng = np.random.Generator(np.random.PCG64(SEED + 1))
    told = float(share(shape, starts, level, spread).mean())
    return _interval(told, shape, starts, level, spread, run_share, rng)


def _interval(
    told: float, shape: Law, starts: Starts, level: Floats, spread: Floats, run_share: float, rng: np.random.Generator
) -> Inside:  # fmt: skip
    g = rng.uniform(0.0, MOST_UNKNOWN, len(level)) * run_share
    level = level + rng.standard_normal(len(level)) * spread * np.sqrt(g)
    found = share(shape, starts, level, spread * np.sqrt(1.0 - g))
    low, high = (float(v) for v in np.quantile(found, [0.05, 0.95]))
    return Inside(told, min(low, told), max(high, told))
