"""Thermocouple types as reference functions: what one type's wires show on a recorder that is set to another.

Source: ITS-90 reference functions of NIST Monograph 175 (IEC 60584-1 has the same), through the library
`thermocouple-its90`. Columns of whole traces go through a table at every degree: within 0.001 °C of the functions.
"""

from __future__ import annotations

from functools import cache
from itertools import permutations

import numpy as np
import thermocouple_its90

from .model import Floats
from .sensors import TC_RANGES_C, tolerance_c

JUNCTION_C = 25.0  # where the wires end in the recorder, as long as nobody measured it
JUNCTION_U_C = 8.0  # expanded (k = 2): a recorder in a shop stands between 15 and 35 °C; common practice
_FROM_C = {"B": 60.0}  # below, type B gives next to nothing, and the same voltage at two temperatures


@cache
def _table(letter: str) -> tuple[Floats, Floats]:
    """(temperatures [°C], voltages [mV]) at every degree of a type's range, both rising."""
    kind = thermocouple_its90.get(letter)
    low, high = kind.range
    t = np.arange(max(TC_RANGES_C[letter][0], _FROM_C.get(letter, low)), high + 0.5)
    t = np.append(t[t < high], high)
    return t, np.array([kind.emf(float(x)) for x in t])


def emf_mv(letter: str, t_c: Floats | float) -> Floats:
    """Voltage [mV] of a type at temperatures [°C] against 0 °C; NaN outside its range.

    >>> [round(float(emf_mv(letter, 500.0)), 3) for letter in "KJN"]
    [20.644, 27.393, 16.748]
    """
    t, mv = _table(letter)
    return np.asarray(np.interp(t_c, t, mv, left=np.nan, right=np.nan))


def temperature_c(letter: str, mv: Floats | float) -> Floats:
    """Temperature [°C] at which a type has a voltage [mV] against 0 °C; NaN outside its range."""
    t, known = _table(letter)
    return np.asarray(np.interp(mv, known, t, left=np.nan, right=np.nan))


def shown_c(wire: str, table: str, t_c: Floats | float, junction_c: float = JUNCTION_C) -> Floats:
    """What a recorder set to type `table` shows [°C] where wires of type `wire` are at t_c; NaN beyond either type.

    The recorder adds its own junction's voltage by the table that it is set to.

    >>> round(float(shown_c("K", "N", 600.0, 0.0)), 0), round(float(shown_c("J", "K", 600.0, 0.0)), 0)
    (710.0, 796.0)
    """
    at = {letter: emf_mv(letter, max(junction_c, _FROM_C.get(letter, junction_c))) for letter in (wire, table)}
    return temperature_c(table, emf_mv(wire, t_c) - at[wire] + at[table])


def true_c(wire: str, table: str, shown: Floats | float, junction_c: float = JUNCTION_C) -> Floats:
    """The temperature [°C] of wires of type `wire` where a recorder set to `table` shows `shown`: `shown_c` undone.

    >>> round(float(true_c("K", "N", shown_c("K", "N", 600.0))), 3)
    600.0
    """
    return shown_c(table, wire, shown, junction_c)


def uncertainty_c(wire: str, table: str, shown: float) -> float:
    """Expanded uncertainty (k = 2) [°C difference] of `true_c` at a reading: the junction's temperature that nobody
    measured, and the class limit of wires whose calibration is not known; NaN where it cannot be had."""
    junction = [float(true_c(wire, table, shown, JUNCTION_C + d)) for d in (-JUNCTION_U_C, JUNCTION_U_C)]
    at = float(true_c(wire, table, shown))
    limit = float(tolerance_c(wire, at))
    return float(np.hypot(0.5 * abs(junction[1] - junction[0]), limit if np.isfinite(limit) else 0.0075 * abs(at)))


def mixed_up(letter: str | None) -> list[tuple[str, str]]:
    """(wire, table) pairs that a channel recorded as a type may be: wires of another type, or a recorder set to
    another; without a recorded type, every pair."""
    return [pair for pair in permutations(sorted(TC_RANGES_C), 2) if letter is None or letter in pair]
