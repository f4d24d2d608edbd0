"""Dose as it was published and as it is carried step by step: what the quick form is compared with."""

from __future__ import annotations

import math
from collections.abc import Iterable


def hollomon_jaffe(temperature_c: float, hours: float, constant: float = 20.0) -> float:
    """Dose [thousands] of a time at one temperature."""
    return (temperature_c + 273.15) * (constant + math.log10(hours)) / 1000.0


def route_dose(steps: Iterable[tuple[float, float]], constant: float = 20.0) -> float:
    """Dose [thousands] of a sequence of (temperature [°C], hours): the time that would have given the state so far at
    the next temperature, and the next hours on top of it."""
    dose = 0.0
    for temperature_c, hours in steps:
        if hours > 0.0:
            before = 10.0 ** (1000.0 * dose / (temperature_c + 273.15) - constant) if dose else 0.0
            dose = hollomon_jaffe(temperature_c, before + hours, constant)
    return dose
