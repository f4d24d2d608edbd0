"""What the surface loses: scale in air by the parabolic law, and metals that evaporate in a vacuum.

Scale of steel: x² = k t with k = 6.1 exp(-169452/(R T)) cm²/s, 700 to 1250 °C, pure iron (Paidassi, as quoted by Chen &
Yuen, Oxid. Met. 59 (2003) 433; constants from memory). Along the course of Materials 18 (2025) 2463 (5 K/min to 1000
°C, 15 min, 5 K/min) it gives 420 µm where 401 µm were measured. Steels often grow half of it; silicon, chromium and
burned gas change it. Vapour pressure: log10(p/atm) = A + B/T + C log10 T + D T/1000 (see data/vapour.csv).
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache

from loadbook.core.errors import CalculationError
from loadbook.core.units import ZERO_C_IN_K

from .tables import Source, rows

GAS = 8.314462618  # J/(mol K), CODATA 2018
SCALE_SOURCE = Source(
    "Paidassi, as quoted by Chen & Yuen, Oxid. Met. 59 (2003) 433; within 5 % of the scale in Materials 18 (2025) 2463",
    "M",
)
SCALE_LOW_C, SCALE_HIGH_C = 700.0, 1250.0
SCALE_BEGINS_C = 570.0  # below it no wustite forms and scale stays thin
METAL_SHARE = 1.0 / 1.78  # metal lost per thickness of scale: iron in wustite of 5.2 to 5.6 g/cm³
MBAR_PER_ATM = 1013.25
MOLAR = {"Cr": 51.996, "Mn": 54.938, "Zn": 65.38, "Cd": 112.414, "Cu": 63.546, "Mg": 24.305, "Pb": 207.2, "Ag": 107.868,
         "Fe": 55.845, "Ni": 58.693, "Mo": 95.95, "Si": 28.085, "C": 12.011}  # fmt: skip


def scale_constant(temperature_c: float) -> float:
    """Parabolic constant of iron in air [cm²/s].

    >>> f"{scale_constant(900.0):.3g}"
    '1.74e-07'
    """
    return 6.1 * math.exp(-169452.0 / (GAS * (temperature_c + ZERO_C_IN_K)))


def scale_um(course: Iterable[tuple[float, float]]) -> tuple[float, float]:
    """Scale on steel in air along a course [µm]: (what the law gives, what it gives at most where it is not published).

    course   (hours, temperature [°C]) of each step
    Returns  from the hours in 700 to 1250 °C alone; and with those between 570 and 700 °C counted as at 700 °C, hotter
             ones by the same law

    >>> round(scale_um([(1.0, 900.0)])[0])
    250
    """
    inside = most = 0.0
    for hours, temperature_c in course:
        if temperature_c < SCALE_BEGINS_C:
            continue
        grown = scale_constant(max(temperature_c, SCALE_LOW_C)) * hours * 3600.0
        most += grown
        inside += grown if SCALE_LOW_C <= temperature_c <= SCALE_HIGH_C else 0.0
    return 1e4 * math.sqrt(inside), 1e4 * math.sqrt(most)


def metal_lost_um(scale: float) -> float:
    """Metal lost per side [µm] under a thickness of scale [µm].

    >>> round(metal_lost_um(250.3))
    141
    """
    return scale * METAL_SHARE


@dataclass(frozen=True)
class Vapour:
    """The vapour pressure equation of one phase of an element, with the temperatures [K] that it is for."""

    a: float
    b: float
    c: float
    d: float
    from_k: float
    to_k: float
    source: Source

    def mbar(self, kelvin: float) -> float:
        lg = self.a + self.b / kelvin + self.c * math.log10(kelvin) + self.d * kelvin / 1000.0
        return float(10.0**lg * MBAR_PER_ATM)


@lru_cache(maxsize=1)
def vapours() -> dict[str, tuple[Vapour, ...]]:
    """The equations by element, the colder phase first."""
    found: dict[str, tuple[Vapour, ...]] = {}
    for r in rows("vapour"):
        a, b, c, d, low, high = (float(r[k]) for k in ("a", "b", "c", "d", "from_k", "to_k"))
        one = Vapour(a, b, c, d, low, high, Source(r["source"], r["mark"]))
        found[r["element"]] = tuple(sorted((*found.get(r["element"], ()), one), key=lambda v: v.from_k))
    return found


def vapour_mbar(element: str, temperature_c: float) -> float:
    """Vapour pressure [mbar] of a pure metal. Above its last equation's range that one goes on (a caution, not a figure
    to work with). Raises CalculationError for an element that is not in the table.

    >>> f"{vapour_mbar('Cr', 1050.0) * 100:.3g} Pa"
    '0.000923 Pa'
    """
    if element not in vapours():
        raise CalculationError(f"no vapour pressure of {element!r} is on record", remedy=", ".join(vapours()))
    kelvin = temperature_c + ZERO_C_IN_K
    equations = vapours()[element]
    return next((v for v in equations if kelvin <= v.to_k), equations[-1]).mbar(kelvin)


def atom_shares(mass_pct: Iterable[tuple[str, float]], base: str) -> dict[str, float]:
    """Atom shares of an alloy's elements from mass %, the rest being the base.

    >>> round(atom_shares([("Mn", 2.0)], "Fe")["Mn"], 5)
    0.02032
    """
    given = {e.capitalize(): w for e, w in mass_pct if e.capitalize() in MOLAR}
    rest = max(0.0, 100.0 - sum(given.values()))
    given[base] = given.get(base, 0.0) + rest
    moles = {e: w / MOLAR[e] for e, w in given.items()}
    return {e: m / sum(moles.values()) for e, m in moles.items()}


def evaporation_g_m2h(element: str, temperature_c: float, atom_share: float = 1.0) -> float:
    """Free evaporation [g/(m² h)] into a perfect vacuum, p sqrt(M/(2 pi R T)): the most there can be; a partial
    pressure of gas cuts it strongly.

    >>> round(evaporation_g_m2h("Cr", 1050.0), 2), round(evaporation_g_m2h("Cr", 1050.0, 0.194), 2)
    (2.88, 0.56)
    """
    pascal = vapour_mbar(element, temperature_c) * 100.0 * atom_share
    kelvin = temperature_c + ZERO_C_IN_K
    return pascal * math.sqrt(MOLAR[element] / 1000.0 / (2.0 * math.pi * GAS * kelvin)) * 1000.0 * 3600.0
