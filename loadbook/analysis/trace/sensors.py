"""Thermocouple types as data: where a type's reading can be true, and how far it may be off by its class.

Ranges: IEC 60584-1 reference functions at the hot end, the coldest temperature for which IEC 60584-1 states a
tolerance (class 3) at the cold end. Tolerances: IEC 60584-1 classes 1 and 2, ASTM E230 standard and special limits.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from loadbook.core.errors import UsageError

from .model import Floats

# type letter -> (coldest, hottest) reading that can be true [°C]
TC_RANGES_C: dict[str, tuple[float, float]] = {
    "B": (0.0, 1820.0),
    "E": (-200.0, 1000.0),
    "J": (-40.0, 1200.0),
    "K": (-200.0, 1372.0),
    "N": (-200.0, 1300.0),
    "R": (-50.0, 1768.1),
    "S": (-50.0, 1768.1),
    "T": (-200.0, 400.0),
}
ANY_RANGE_C = (-200.0, 1820.0)  # a temperature channel whose type is not recorded


@dataclass(frozen=True)
class Tolerance:
    """The error that a class allows, computed from °C: the greater of a fixed amount and a share of |t|.

    beyond_c   where set, the fixed amount holds up to it and grows by fraction per °C beyond it
    """

    low_c: float
    high_c: float
    fixed_c: float
    fraction: float
    beyond_c: float | None = None


_IEC: dict[tuple[str, str], Tolerance] = {
    ("KN", "1"): Tolerance(-40, 1000, 1.5, 0.004),
    ("KN", "2"): Tolerance(-40, 1200, 2.5, 0.0075),
    ("J", "1"): Tolerance(-40, 750, 1.5, 0.004),
    ("J", "2"): Tolerance(-40, 750, 2.5, 0.0075),
    ("T", "1"): Tolerance(-40, 350, 0.5, 0.004),
    ("T", "2"): Tolerance(-40, 350, 1.0, 0.0075),
    ("E", "1"): Tolerance(-40, 800, 1.5, 0.004),
    ("E", "2"): Tolerance(-40, 900, 2.5, 0.0075),
    ("RS", "1"): Tolerance(0, 1600, 1.0, 0.003, beyond_c=1100),
    ("RS", "2"): Tolerance(0, 1600, 1.5, 0.0025),
    ("B", "2"): Tolerance(600, 1700, 0.0, 0.0025),
}
_ASTM: dict[tuple[str, str], Tolerance] = {
    ("KN", "standard"): Tolerance(0, 1260, 2.2, 0.0075),
    ("KN", "special"): Tolerance(0, 1260, 1.1, 0.004),
    ("J", "standard"): Tolerance(0, 760, 2.2, 0.0075),
    ("J", "special"): Tolerance(0, 760, 1.1, 0.004),
    ("T", "standard"): Tolerance(0, 370, 1.0, 0.0075),
    ("T", "special"): Tolerance(0, 370, 0.5, 0.004),
    ("E", "standard"): Tolerance(0, 870, 1.7, 0.005),
    ("E", "special"): Tolerance(0, 870, 1.0, 0.004),
    ("RS", "standard"): Tolerance(0, 1480, 1.5, 0.0025),
    ("RS", "special"): Tolerance(0, 1480, 0.6, 0.001),
    ("B", "standard"): Tolerance(870, 1700, 0.0, 0.005),
}
TOLERANCES: dict[str, dict[tuple[str, str], Tolerance]] = {"IEC 60584-1": _IEC, "ASTM E230": _ASTM}


def type_letter(tc_type: str | None) -> str | None:
    """The letter of a thermocouple type as people write it ('K', 'type k'); None where it is none of the eight.

    >>> type_letter("Type N"), type_letter("Pt100"), type_letter(None)
    ('N', None, None)
    """
    if not tc_type:
        return None
    word = tc_type.strip().upper().removeprefix("TYPE").strip(" -_:")
    letter = word.split()[0] if word else ""
    return letter if letter in TC_RANGES_C else None


def range_c(tc_type: str | None) -> tuple[float, float]:
    """Coldest and hottest reading [°C] that a type can truly give; the widest range where the type is unknown."""
    letter = type_letter(tc_type)
    return TC_RANGES_C[letter] if letter else ANY_RANGE_C


def tolerance_c(tc_type: str, at_c: float | Floats, grade: str = "2", standard: str = "IEC 60584-1") -> Floats:
    """The error [°C difference, plus or minus] that a new thermocouple of a class may have at a temperature.

    at_c      temperature [°C], scalar or array; NaN comes back where the class states no tolerance there
    grade     '1' or '2' (IEC), 'standard' or 'special' (ASTM)
    Raises    UsageError for a type, grade or standard that is not in the table
    Source    IEC 60584-1; ASTM E230 (computed in °C, then converted)

    >>> [float(tolerance_c("K", t)) for t in (300.0, 600.0)]
    [2.5, 4.5]
    >>> round(float(tolerance_c("S", 1200.0, "1")), 6)
    1.3
    """
    letter = type_letter(tc_type)
    for (letters, known_grade), rule in TOLERANCES.get(standard, {}).items():
        if letter and letter in letters and known_grade == grade:
            t = np.asarray(at_c, dtype=float)
            if rule.beyond_c is not None:
                wide = rule.fixed_c + rule.fraction * np.maximum(t - rule.beyond_c, 0.0)
            else:
                wide = np.maximum(rule.fixed_c, rule.fraction * np.abs(t))
            return np.asarray(np.where((t >= rule.low_c) & (t <= rule.high_c), wide, np.nan))
    raise UsageError(
        f"no tolerance is known for type {tc_type!r}, grade {grade!r} of {standard!r}",
        remedy="Types B E J K N R S T; grades 1, 2 (IEC 60584-1) or standard, special (ASTM E230)",
    )
