"""Relief of residual stress: what heating alone can do, what creep does in the hold, and what is not known.

Two mechanisms: a stress cannot exceed the strength of the hot state, and what is left of it creeps away. A
time-temperature parameter orders cycles; it is not a percentage.

Sources: Dong, Song & Zhang, Int. J. Press. Vess. Piping 122 (2014) 6 (abstract: the plastic part follows the ratio of
yield to modulus and is limited; creep does most, much of it already while heating); creep law of 2.25Cr-1Mo as printed
in the documentation of an open material library (NEML, Argonne). Stresses MPa, E GPa where so named, time h.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from itertools import pairwise

from loadbook.core.units import ZERO_C_IN_K

from .tables import Source

CREEP_SOURCE = Source("minimum creep of 2.25Cr-1Mo as printed in the documentation of NEML (Argonne)", "V+R")
# the law's table U(T) [K]; the row at 823.15 K (634) breaks the trend, so nothing is taken between its neighbours
_U = ((644.15, 471.0), (673.15, 468.0), (723.15, 452.0), (773.15, 418.0), (873.15, 284.0), (894.15, 300.0),
      (922.15, 270.0))  # fmt: skip
CREEP_LOW_C, CREEP_HIGH_C = 590.0, 649.0
# dynamic modulus of 2.25Cr-1Mo [GPa] that its relaxation was worked with
CREEP_MODULUS = ((600.0, 163.0), (621.0, 160.0), (649.0, 157.0))


def after_heating(stress_mpa: float, onset_mpa: float, modulus_share: float) -> float:
    """Residual stress [MPa] left after heating and cooling without any creep: min(s E_hot/E, onset)/(E_hot/E).

    onset_mpa      where yielding begins at temperature (the proportional limit, not the strength at 2 % strain)
    modulus_share  modulus at temperature over that at 20 °C

    >>> round(after_heating(355.0, 0.18 * 355.0, 0.31), 2)
    206.13
    """
    return min(stress_mpa * modulus_share, onset_mpa) / modulus_share


def creep_rate(stress_mpa: float, temperature_c: float) -> float | None:
    """Minimum creep of 2.25Cr-1Mo [1/h]; None outside 590 to 649 °C, where its table is whole, and at no stress.

    >>> round(creep_rate(100.0, 600.0) * 1e4, 3), round(creep_rate(100.0, 649.0) * 1e3, 3)
    (6.808, 4.274)
    """
    if not CREEP_LOW_C <= temperature_c <= CREEP_HIGH_C or stress_mpa <= 0.0:
        return None
    kelvin = temperature_c + ZERO_C_IN_K
    u = _between(_U, kelvin)
    lg = math.log10(stress_mpa)
    if stress_mpa > 60.0 and kelvin <= 13.571 * stress_mpa**0.68127 - 1.8 * stress_mpa + 437.63:
        exponent = 6.7475 + 0.011426 * stress_mpa + 987.72 / u * lg - 13494.0 / kelvin
    else:
        exponent = 11.498 - 8.2226 * u / kelvin - 20448.0 / kelvin + 5862.4 / kelvin * lg
    return float(10.0**exponent / 100.0)


def _between(points: tuple[tuple[float, float], ...], at: float) -> float:
    for (x0, y0), (x1, y1) in pairwise(points):
        if at <= x1:
            return y0 + (y1 - y0) * (at - x0) / (x1 - x0)
    return points[-1][1]


def relaxed(stress_mpa: float, hours: float, constant: float, exponent: float, modulus_mpa: float) -> float:
    """Stress [MPa] left by Norton creep (rate = constant s^exponent per h, exponent over 1) at a fixed strain.

    Secondary creep only: a real piece relaxes faster in its first hour, so this is the least relief.

    >>> round(relaxed(300.0, 1.0, 2.5401992e-17, 6.7140812, 163e3), 1)
    72.4
    """
    n = exponent - 1.0
    return float((stress_mpa**-n + n * modulus_mpa * constant * hours) ** (-1.0 / n))


def relaxed_along(course: Iterable[tuple[float, float]], stress_mpa: float = 300.0) -> tuple[float, float, float]:
    """2.25Cr-1Mo relaxing along a course: (stress left [MPa], hours inside the law's range, hours hotter than it).

    course  (hours, temperature [°C]) of each step
    Method  within a step the law is a power law at the stress reached, solved in closed form (`relaxed`). Time below
            the range is not counted, time above it counts as at its top: the least relief either way.
    """
    inside = beyond = 0.0
    for hours, temperature_c in course:
        if temperature_c < CREEP_LOW_C or hours <= 0.0:
            continue
        beyond += hours if temperature_c > CREEP_HIGH_C else 0.0
        inside += hours
        at = min(temperature_c, CREEP_HIGH_C)
        kelvin = at + ZERO_C_IN_K
        exponent = 5862.4 / kelvin
        modulus = 1000.0 * _between(CREEP_MODULUS, max(at, CREEP_MODULUS[0][0]))
        rate = creep_rate(stress_mpa, at)
        if rate is not None:
            stress_mpa = relaxed(stress_mpa, hours, rate / stress_mpa**exponent, exponent, modulus)
    return stress_mpa, inside, beyond
