"""What is in a load, and what loads like it took: a line through earlier runs by mass, thickest section and racking."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from loadbook.analysis.trace.model import Floats

FARTHEST = 2.5  # usual differences: a load that is farther from earlier ones counts as one that far


@dataclass(frozen=True)
class Stock:
    """What went in, as far as the book has it: mass, thickest section and how it was racked ('' or None: unknown)."""

    mass_kg: float | None = None
    section_mm: float | None = None
    setup: str | None = None


UNKNOWN = Stock()


def beside(stock: Stock, others: Sequence[Stock]) -> tuple[Floats, Floats, tuple[str, ...]]:
    """What a load and earlier ones are compared by, (p,) and (n, p): the logarithms of mass and section, and whether an
    earlier one was racked alike; and the words for these. Only what is known of this load; where it is not known of an
    earlier one, the middle stands there."""
    own, columns, words = [], [], []
    for name, word in (("mass_kg", "mass"), ("section_mm", "section")):
        value, past = getattr(stock, name), [getattr(o, name) for o in others]
        known = np.log([v for v in past if v])
        if value and known.size:
            words.append(word)
            own.append(float(np.log(value)))
            columns.append([float(np.log(v)) if v else float(known.mean()) for v in past])
    if stock.setup:
        words.append("racking")
        own.append(1.0)
        columns.append([float((o.setup or "").casefold() == stock.setup.casefold()) for o in others])
    return np.array(own), np.array(columns, dtype=float).reshape(len(own), len(others)).T, tuple(words)


class Line:
    """y by x over some runs, and where one run more is to be expected.

    x  (n, p);  y  (n,);  trust  variance of what one usual difference of x does to y, in that of the rest: how far x is
    believed before many runs show what it does (slopes normal about none: a ridge, with its predictive distribution)
    """

    def __init__(self, x: Floats, y: Floats, trust: float) -> None:
        self.mean, self._centre, spread = float(y.mean()), x.mean(axis=0), x.std(axis=0)
        self._varied = spread > 1e-6
        self._spread = spread[self._varied]
        z, away = self._usual(x), y - self.mean
        self._square = z.T @ z + np.eye(z.shape[1]) / trust
        self._slopes = np.linalg.solve(self._square, z.T @ away)
        self._rest = away - z @ self._slopes
        self._variance = float(away @ self._rest) / max(y.size - 1, 1)
        self._runs = y.size

    def _usual(self, x: Floats) -> Floats:
        usual: Floats = np.clip((x - self._centre)[..., self._varied] / self._spread, -FARTHEST, FARTHEST)
        return usual

    def expected(self, x: Floats) -> float:
        """The mean at x (p,)."""
        return self.mean + float(self._usual(x) @ self._slopes)

    def at(self, x: Floats) -> float:
        """The middle at x: single odd runs do not move it far."""
        return self.expected(x) + float(np.median(self._rest))

    def sd(self, x: Floats) -> float:
        """Standard deviation of one run more at x, by Student's distribution with n - 1 degrees of freedom."""
        z = self._usual(x)
        return float(np.sqrt(self._variance * (1.0 + 1.0 / self._runs + z @ np.linalg.solve(self._square, z))))
