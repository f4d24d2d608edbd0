"""Published values, kept as data beside the modules: each with its source and a mark of how it was verified."""

from __future__ import annotations

import csv
from bisect import bisect_right
from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import files

NEAR_C = 2.0  # room temperature is 20 °C in one table and 21 °C (70 °F) in another
# how a value was verified, as people read it
MARKS = {
    "V": "read in its source",
    "V+R": "read in its source and recomputed",
    "R": "recomputed from its formula",
    "M": "from memory: informs, never decides",
    "own": "the shop's own figure",
}


@dataclass(frozen=True)
class Source:
    """Where a value comes from, and its mark (a key of MARKS)."""

    text: str
    mark: str


@dataclass(frozen=True)
class Curve:
    """A property against temperature [°C], linear between its points; one point holds at every temperature.

    points  (temperature [°C], value), rising
    """

    points: tuple[tuple[float, float], ...]
    source: Source

    def at(self, temperature_c: float) -> float | None:
        """The value at a temperature; None outside the points, which nobody published.

        >>> Curve(((100.0, 1.0), (200.0, 2.0)), Source("a book", "V")).at(150.0)
        1.5
        """
        if len(self.points) == 1:
            return self.points[0][1]
        first, last = self.points[0][0], self.points[-1][0]
        if not first - NEAR_C <= temperature_c <= last + NEAR_C:
            return None
        temperature_c = min(max(temperature_c, first), last)
        i = min(max(bisect_right(self.points, (temperature_c, float("inf"))), 1), len(self.points) - 1)
        (t0, v0), (t1, v1) = self.points[i - 1], self.points[i]
        return v0 + (v1 - v0) * (temperature_c - t0) / (t1 - t0)

    def scaled(self, at_20c: float, source: Source) -> Curve:
        """The same course with another value at 20 °C."""
        factor = at_20c / self.points[0][1]
        return Curve(tuple((t, v * factor) for t, v in self.points), source)


def rows(name: str) -> list[dict[str, str]]:
    """The rows of one of the data files, as text."""
    text = (files(__package__) / "data" / f"{name}.csv").read_text(encoding="utf-8")
    return list(csv.DictReader(text.splitlines()))


@lru_cache(maxsize=1)
def properties() -> dict[tuple[str, str], Curve]:
    """Properties by (group of alloys, property): modulus [GPa], onset share of the yield at 20 °C, Poisson's ratio,
    mean expansion [1e-6/K]."""
    points: dict[tuple[str, str], list[tuple[float, float]]] = {}
    sources: dict[tuple[str, str], Source] = {}
    for row in rows("properties"):
        key = row["group"], row["property"]
        points.setdefault(key, []).append((float(row["temperature_c"]), float(row["value"])))
        sources[key] = Source(row["source"], row["mark"])
    return {key: Curve(tuple(sorted(found)), sources[key]) for key, found in points.items()}
