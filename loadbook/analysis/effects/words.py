"""An effect's figures as people read them: digits, steps and units."""

from __future__ import annotations

import math

from loadbook.core import units
from loadbook.core.figures import scale_words
from loadbook.core.vocabulary import parameter_names


def spoken(name: str, system: str = "si") -> str:
    """A parameter's name inside a sentence, without its unit.

    >>> spoken("heating_rate_peak_c_per_h"), spoken("soak_minutes"), spoken("setup: hung")
    ('heating rate peak', 'soak', 'setup: hung')
    >>> spoken("hours_above_600c_work", "us"), spoken("tc_faults")
    ('hours of the coldest work TC above 1112 °F', 'TC faults')
    """
    words = parameter_names.spoken(name, system).replace("_", " ").replace(",", "")
    return words if words[1:2].isupper() else words[:1].lower() + words[1:]


def figure(value: float, digits: int = 3) -> str:
    """A number to three significant digits, without an exponent where it can be avoided.

    >>> figure(1234.5), figure(0.012345), figure(-2.0)
    ('1234', '0.0123', '-2')
    """
    if value == 0.0 or not math.isfinite(value):
        return "0" if value == 0.0 else str(value)
    places = max(0, digits - 1 - math.floor(math.log10(abs(value))))
    text = f"{value:.{min(places, 12)}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def p_text(p: float) -> str:
    """A p value that never claims to be nothing.

    >>> p_text(0.0000001), p_text(0.0314)
    ('<0.0005', '0.031')
    """
    return "<0.0005" if p < 0.0005 else f"{p:.3f}"


def nice_step(width: float) -> float:
    """A round step of about a third of a range: 1, 2 or 5 times a power of ten.

    >>> nice_step(100.0), nice_step(7.0)
    (20.0, 2.0)
    """
    if width <= 0 or not math.isfinite(width):
        return 1.0
    third = width / 3.0
    power = 10.0 ** math.floor(math.log10(third))
    return float(max(m * power for m in (1.0, 2.0, 5.0) if m * power <= third * (1 + 1e-9)))


def effect_shown(unit: str, system: str) -> tuple[float, str]:
    """Factor and label that show a movement in the book's units."""
    if unit in ("um", "mm"):
        factor, label, _ = units.show(1.0, unit, system)
        return factor, label
    return 1.0, scale_words(unit, system)
