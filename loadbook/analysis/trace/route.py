"""The dose of a piece's whole route: the doses of its runs together, expressed at the hottest hold.

At one temperature doses add as hours: each run's dose is so many hours there (`dose.equivalent_hours`). A run that
austenitizes or dissolves begins the count anew. Standard library alone: a record is shown without numerical libraries.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass

from loadbook.core.units import ZERO_C_IN_K

_ANEW = re.compile("harden|anneal|normal|carburi|carbonitrid|austenit|austemper|martemper|quench|solution|braz|sinter")
_AGES = re.compile(r"\b(age|aging|precipit)")
# what those words are in, of processes that leave the steel as it is
_BELOW = re.compile(r"(\bage|\baging|ageing|precipitation)[ -]*harden|(reli\w+|sub-?critical)[ -]*anneal|nitrocarburi")


def begins_anew(process: str | None) -> bool:
    """Does a run of this process wipe out the tempering and relief before it?

    >>> [p for p in ("harden", "quench and temper", "solution treat and age harden", "austemper") if not begins_anew(p)]
    []
    >>> below = "stress relief anneal", "subcritical anneal", "Age-hardening", "nitrocarburise", "temper", "", None
    >>> [p for p in below if begins_anew(p)]
    []
    """
    return bool(_ANEW.search(_BELOW.sub("", (process or "").casefold())))


def heats_again(process: str | None) -> bool:
    """May a run of this process be hotter than the last tempering, since it begins anew or tempers?"""
    return begins_anew(process) or "temper" in (process or "").casefold()


def ages(process: str) -> bool:
    """Does a process age what it treats?

    >>> ages("solution treat and age"), ages("Precipitation hardening"), ages("two-stage stress relief")
    (True, True, False)
    """
    return bool(_AGES.search(process.casefold()))


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
