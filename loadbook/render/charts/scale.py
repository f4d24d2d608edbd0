"""From values to places, and the round values that are marked on the way: one rule for every picture of our own."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Scale:
    """From values to places: low is drawn at `start`, high at `end`; logarithmic where log.

    Without start and end a place is the share of the height, 0 at the top.
    """

    low: float
    high: float
    start: float = 1.0
    end: float = 0.0
    log: bool = False

    def __call__(self, value: float) -> float:
        """The place of a value; beyond low and high it lies outside."""
        return float(self.places(np.asarray(value, dtype=float)))

    def at(self, value: float) -> float:
        """The place of a value; beyond low and high it stays at the end."""
        return float(self.held(np.asarray(value, dtype=float)))

    def held(self, values: Floats) -> Floats:
        """The places of many values; beyond low and high they stay at the end."""
        return self.places(np.clip(values, self.low, self.high))

    def places(self, values: Floats) -> Floats:
        """The places of many values; beyond low and high they lie outside."""
        low, high, v = (np.log10(np.fmax(x, 1e-30)) if self.log else x for x in (self.low, self.high, values))
        return np.asarray(self.start + (v - low) / (high - low) * (self.end - self.start))

    def ticks(self, most: int = 8) -> list[float]:
        """Round values inside the scale, no more than `most`."""
        if not self.log:
            return ticks(self.low, self.high, most)
        first, last = math.ceil(math.log10(self.low) - 1e-9), math.floor(math.log10(self.high) + 1e-9)
        return [10.0**k for k in range(first, last + 1, max(1, math.ceil((last - first + 1) / most)))]


def round_step(low: float, high: float, most: int) -> float:
    """The smallest of 1, 2 and 5 times a power of ten of which no more than `most` multiples lie from low to high.

    >>> round_step(0.0, 100.0, 6), round_step(-3.2, 11.0, 4)
    (20.0, 5.0)
    """
    power = 10.0 ** math.floor(math.log10((high - low) / max(most, 1)))
    steps = [m * power for m in (1.0, 2.0, 5.0, 10.0, 20.0, 50.0)]
    return next((x for x in steps if math.floor(high / x + 1e-9) - math.ceil(low / x - 1e-9) < most), steps[-1])


def ticks(low: float, high: float, most: int) -> list[float]:
    """Round values from low to high, no more than `most`; low alone where the range has no width.

    >>> ticks(0.0, 100.0, 6)
    [0.0, 20.0, 40.0, 60.0, 80.0, 100.0]
    """
    if not low < high < math.inf:
        return [low]
    step = round_step(low, high, most)
    first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
    return [round(k * step, 12) + 0.0 for k in range(first, last + 1)]


def room(values: Sequence[float], share: float = 0.06) -> tuple[float, float]:
    """Lowest and highest of the values with some room at both ends; never of no width."""
    low, high = min(values), max(values)
    pad = (high - low) * share or abs(high) * 0.1 or 1.0
    return low - pad, high + pad


def scale_over(values: Iterable[float], *, log: bool = False, from_zero: bool = False) -> Scale:
    """A scale of shares that holds all values, with a little room and round ends."""
    known = [v for v in values if math.isfinite(v) and (v > 0 or not log)]
    if not known:
        return Scale(0.1, 1.0, log=True) if log else Scale(0.0, 1.0)
    low, high = min(known), max(known)
    if log:
        bottom = math.floor(math.log10(low))
        return Scale(10.0**bottom, 10.0 ** max(math.ceil(math.log10(high)), bottom + 1), log=True)
    if from_zero:
        low = min(low, 0.0)
    if high - low < 1e-9:
        low, high = low - 1.0, high + 1.0
    step = round_step(low, high, 8)
    return Scale(math.floor(low / step) * step, math.ceil((high + 0.02 * (high - low)) / step) * step)
