"""Thermal strain and specific heat by the formulas of the fire codes.

Sources: EN 1993-1-2:2005, 3.4.1 (carbon steel) and Annex C (stainless, 1.4301); EN 1999-1-2:2007, 3.3.1 (aluminium);
each read in open implementations. Temperatures °C.
"""

from __future__ import annotations

from itertools import pairwise


def steel_strain(temperature_c: float) -> float:
    """Thermal strain of carbon steel from 20 °C, 20 to 1200 °C; flat from 750 to 860 °C, where it transforms.

    >>> round(steel_strain(600.0), 7)
    0.0083984
    """
    t = temperature_c
    if t < 750.0:
        return 1.2e-5 * t + 0.4e-8 * t * t - 2.416e-4
    return 1.1e-2 if t <= 860.0 else 2e-5 * t - 6.2e-3


def steel_heat(temperature_c: float) -> float:
    """Specific heat of carbon steel [J/(kg K)], 20 to 1200 °C; a peak of 5000 at 735 °C.

    >>> round(steel_heat(600.0), 3), steel_heat(735.0)
    (760.217, 5000.0)
    """
    t = temperature_c
    if t < 600.0:
        return 425.0 + 0.773 * t - 1.69e-3 * t**2 + 2.22e-6 * t**3
    if t <= 735.0:
        return 666.0 + 13002.0 / (738.0 - t)
    return 545.0 + 17820.0 / (t - 731.0) if t <= 900.0 else 650.0


def steel_enthalpy(from_c: float, to_c: float) -> float:
    """Heat that carbon steel takes up between two temperatures [J/kg]: the integral of `steel_heat`, split at 600 and
    735 °C so that the peak is not missed."""
    steps = 200
    edges = [from_c, *(t for t in (600.0, 735.0, 900.0) if from_c < t < to_c), to_c]
    total = 0.0
    for low, high in pairwise(edges):
        width = (high - low) / steps
        total += width * sum(steel_heat(low + (k + 0.5) * width) for k in range(steps))
    return total


def stainless_strain(temperature_c: float) -> float:
    """Thermal strain of stainless steel (Annex C) from 20 °C, 20 to 1200 °C.

    >>> round(stainless_strain(1000.0), 7)
    0.0191561
    """
    t = temperature_c
    return (16.0 + 4.79e-3 * t - 1.243e-6 * t * t) * (t - 20.0) * 1e-6


def aluminium_strain(temperature_c: float) -> float:
    """Thermal strain of aluminium alloys, 0 to 500 °C, less the formula's own 0.004 mm/m at 20 °C.

    >>> round(aluminium_strain(200.0) * 1000.0, 3)
    4.446
    """
    t = temperature_c
    return 0.1e-7 * t * t + 22.5e-6 * t - 4.5e-4 - 4e-6
