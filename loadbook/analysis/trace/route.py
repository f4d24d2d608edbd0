"""The dose of a piece's whole route: the doses of its runs together, expressed at the hottest hold.

At one temperature doses add as hours: each run's dose is so many hours there (`dose.equivalent_hours`). A run that
austenitizes or dissolves begins the count anew. Standard library alone: a record is shown without numerical libraries.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from loadbook.core.units import ZERO_C_IN_K

# words of processes after which nothing is left of the tempering and relief before; an anneal of the others stays below
AUSTENITIZES = ("harden", "anneal", "normal", "carburi", "austenit", "solution", "braz")
BELOW_AC1 = ("relie", "subcritical", "sub-critical")


def begins_anew(process: str | None) -> bool:
    """Does a run of this process wipe out what the runs before it did?

    >>> begins_anew("harden"), begins_anew("stress relief"), begins_anew("stress relief anneal"), begins_anew(None)
    (True, False, False, False)
    """
    words = (process or "").casefold()
    below = any(word in words for word in BELOW_AC1)
    return any(word in words for word in AUSTENITIZES if not (below and word == "anneal"))


def heats_again(process: str | None) -> bool:
    """May a run of this process be hotter than the last tempering, since it begins anew or tempers?"""
    return begins_anew(process) or "temper" in (process or "").casefold()


@dataclass(frozen=True)
class RouteDose:
    """Dose [thousands] over a route, as hours [h] at the hottest hold [°C], with the constant it was taken with. after:
    the run that began the count anew."""

    dose: float
    hours: float
    at_c: float
    constant: float
    after: str | None = None


def over_route(doses: Sequence[float], at_c: float, constant: float, after: str | None = None) -> RouteDose:
    """Doses [thousands] of runs, one after the other, together at a temperature [°C]. Raises ValueError for none.

    >>> found = over_route([17.463, 17.463], 600.0, 20.0)  # twice an hour at 600 °C
    >>> round(found.hours, 2), round(found.dose, 3)
    (2.0, 17.726)
    """
    kelvin = at_c + ZERO_C_IN_K
    hours = sum(10.0 ** (1000.0 * dose / kelvin - constant) for dose in doses)
    if hours <= 0.0:
        raise ValueError("a route without a dose")
    return RouteDose(kelvin * (constant + math.log10(hours)) / 1000.0, hours, at_c, constant, after)
