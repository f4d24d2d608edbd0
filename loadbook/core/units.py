"""Units: °C, °C differences, °C/h, mm, seconds inside; anything the trade writes outside.

A temperature and a temperature difference are different quantities and have different functions:
250 °F is 121.11 °C, but 250 °F apart is 138.889 °C apart. Factors: NIST SP 811, appendix B.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from dataclasses import dataclass

from .errors import UsageError
from .vocabulary.scales import scale_of

F_PER_C = 9.0 / 5.0
ZERO_C_IN_K = 273.15
LARGEST = 1e12  # of any number that is typed: more is a slip of the keyboard


def c_from_f(temperature_f: float) -> float:
    """Temperature in °C of a temperature in °F.

    >>> round(c_from_f(1100.0), 3)
    593.333
    """
    return (temperature_f - 32.0) / F_PER_C


def f_from_c(temperature_c: float) -> float:
    """Temperature in °F of a temperature in °C.

    >>> f_from_c(20.0)
    68.0
    """
    return temperature_c * F_PER_C + 32.0


def c_from_k(temperature_k: float) -> float:
    """Temperature in °C of a temperature in K."""
    return temperature_k - ZERO_C_IN_K


def c_diff_from_f_diff(difference_f: float) -> float:
    """Difference in °C of a temperature difference in °F.

    >>> round(c_diff_from_f_diff(250.0), 3)
    138.889
    """
    return difference_f / F_PER_C


def f_diff_from_c_diff(difference_c: float) -> float:
    """Difference in °F of a temperature difference in °C."""
    return difference_c * F_PER_C


Convert = Callable[[float], float]


def _times(factor: float) -> Convert:
    return lambda value: value * factor


# One table per dimension: unit as written (lower case) -> conversion into the unit kept inside.
# The first entry of each is the unit kept inside.
DIMENSIONS: dict[str, dict[str, Convert]] = {
    "temperature": {"c": _times(1.0), "f": c_from_f, "k": c_from_k},
    "difference": {"c": _times(1.0), "f": c_diff_from_f_diff, "k": _times(1.0)},
    "rate": {
        "c_per_h": _times(1.0),
        "f_per_h": c_diff_from_f_diff,
        "k_per_h": _times(1.0),
        "c_per_min": _times(60.0),
        "f_per_min": _times(60.0 / F_PER_C),
        "k_per_min": _times(60.0),
    },
    "length": {
        "mm": _times(1.0),
        "um": _times(1e-3),
        "cm": _times(10.0),
        "m": _times(1000.0),
        "in": _times(25.4),
        "mil": _times(0.0254),
        "ft": _times(304.8),
    },
    "mass": {"kg": _times(1.0), "g": _times(1e-3), "t": _times(1000.0), "lb": _times(0.45359237)},
    "pressure": {
        "mbar": _times(1.0),
        "pa": _times(0.01),
        "hpa": _times(1.0),
        "kpa": _times(10.0),
        "bar": _times(1000.0),
        "torr": _times(1013.25 / 760.0),
        "mtorr": _times(1.01325 / 760.0),
        "mmhg": _times(1.33322387415),
        "micron": _times(1.01325 / 760.0),
        "um_hg": _times(1.01325 / 760.0),
        "psi": _times(68.94757293168),
        "inhg": _times(33.86388640341),
    },
    "leak": {
        "mbar_per_h": _times(1.0),
        "pa_per_h": _times(0.01),
        "torr_per_h": _times(1013.25 / 760.0),
        "mtorr_per_h": _times(1.01325 / 760.0),
        "micron_per_h": _times(1.01325 / 760.0),
    },
    "stress": {
        "mpa": _times(1.0),
        "n_per_mm2": _times(1.0),
        "gpa": _times(1000.0),
        "ksi": _times(6.894757293168),
        "psi": _times(6.894757293168e-3),
        "msi": _times(6894.757293168),
    },
    "duration": {"min": _times(1.0), "h": _times(60.0), "s": _times(1.0 / 60.0)},
}

_SPELLINGS = {
    "°c": "c", "degc": "c", "deg c": "c", "celsius": "c", "c": "c", "℃": "c",
    "°f": "f", "degf": "f", "deg f": "f", "fahrenheit": "f", "f": "f", "℉": "f",
    "kelvin": "k", "k": "k", "µm": "um", "μm": "um", "inch": "in", "inches": "in", '"': "in", "in.": "in",
    "thou": "mil", "thous": "mil", "thousandths": "mil", "mils": "mil", "millimetre": "mm", "millimeter": "mm",
    "millimetres": "mm", "millimeters": "mm", "lbs": "lb", "lb.": "lb", "lbs.": "lb", "pounds": "lb", "kgs": "kg",
    "hours": "h", "hour": "h", "hr": "h", "minutes": "min", "minute": "min", "mins": "min",
    "seconds": "s", "second": "s", "sec": "s", "microns": "micron", "mm hg": "mmhg",
}  # fmt: skip


def unit_key(text: str) -> str:
    """The key of a unit as people write it: '°F/h' and 'F/hr' are both 'f_per_h', 'Â°C' is 'c'."""
    text = text.strip().lower()
    if not text.isascii():
        text = text.replace("â", "").replace("º", "°").replace("° ", "°")  # UTF-8 read as Latin-1: Â°C
    for word in (" diff", " difference", "difference", "diff"):
        if text.endswith(word):
            text = text[: -len(word)].strip()
            break
    if "/" in text or " per " in text:
        top, bottom = re.split(r"/| per ", text, maxsplit=1)
        return f"{_SPELLINGS.get(top.strip(), top.strip())}_per_{_SPELLINGS.get(bottom.strip(), bottom.strip())}"
    return _SPELLINGS.get(text, text)


def known(text: str) -> bool:
    """Is a text a unit of any dimension, a scale of hardness or the like, or a percent sign.

    >>> known("°F"), known("in"), known("HRC"), known("%"), known("pcs")
    (True, True, True, True, False)
    """
    key = unit_key(text)
    return any(key in table for table in DIMENSIONS.values()) or scale_of(text) is not None


def converter(unit: str, dimension: str) -> Convert:
    """The conversion from a unit into the one kept inside for a dimension of DIMENSIONS.

    Raises UsageError for a unit that the dimension does not know.
    """
    table = DIMENSIONS[dimension]
    key = unit_key(unit)
    if key not in table:
        raise UsageError(
            f"{unit!r} is not a unit of {dimension}", remedy=f"Write one of: {', '.join(table).replace('_per_', '/')}"
        )
    return table[key]


def convert(value: float, unit: str, dimension: str) -> float:
    """Value in the unit kept inside for a dimension of DIMENSIONS.

    Raises UsageError for a unit that the dimension does not know.

    >>> convert(75.0, "F diff", "difference")
    41.666666666666664
    """
    return converter(unit, dimension)(value)


@dataclass(frozen=True)
class Quantity:
    """A number with its unit as typed, and its value in the unit kept inside."""

    value: float
    typed: str
    dimension: str


_QUANTITY = re.compile(r"^\s*([-+]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][-+]?\d+)?)\s*(.*?)\s*$")


def parse_quantity(text: str, dimension: str) -> Quantity:
    """A quantity written with its unit, such as "1150 F", "40 C diff", "110 C/h", "1e-3 mbar".

    A difference must say so ("40 C diff"), a temperature must not.
    Raises UsageError where the number or the unit is missing or of another dimension.

    >>> round(parse_quantity("250 F diff", "difference").value, 3)
    138.889
    """
    match = _QUANTITY.match(text) if len(text) <= 100 else None
    if (mend := _mend(text[:100], dimension)) is not None:
        raise UsageError(f"{text[:100]!r} is not a {dimension} as it is written here", remedy=mend)
    if not match or not match.group(2) or not math.isfinite(float(match.group(1))):
        raise UsageError(
            f"{text[:100]!r} is not a {dimension} with its unit", remedy=f"Write it like {_EXAMPLE[dimension]!r}"
        )
    number, unit = match.groups()
    says_difference = bool(re.search(r"diff", unit, re.IGNORECASE))
    if dimension == "difference" and not says_difference:
        raise UsageError(
            f"{text!r} is a temperature where a difference is needed", remedy=f"Write '{text.strip()} diff'"
        )
    if dimension == "temperature" and says_difference:
        raise UsageError(f"{text!r} is a difference where a temperature is needed", remedy="Leave out 'diff'")
    value = convert(float(number), unit, dimension)
    if dimension == "temperature" and value < -ZERO_C_IN_K:
        raise UsageError(f"{text!r} is below absolute zero", remedy="Check the value and its unit")
    return Quantity(value, text.strip(), dimension)


_TWO_SIDED = re.compile(r"±|\+\s*/\s*-|\+-")
_DIFFERENCE = re.compile(r"^\s*(?:Δ|delta)?\s*([-+]?[\d.]+)\s*([^\d\s.,;Δ]+)\s*(?:Δ|delta)?\s*$", re.IGNORECASE)
_SPANS = re.compile(r"^\s*(\d+)\s*(?:h|:)\s*(\d+)\s*(?:m|min)?\.?\s*$", re.IGNORECASE)


def _mend(text: str, dimension: str) -> str | None:
    """How to write a quantity that people write in another way, None for any other.

    >>> _mend("± 25 F", "difference"), _mend("2 h 30 min", "duration"), _mend("25 F", "difference")
    ("Write '25 F diff': each side of a band has its own", "Write '150 min'", None)
    """
    if two := _TWO_SIDED.search(text):
        if dimension != "difference":
            alone = text[: two.start()].strip()
            return f"Write {alone!r}; a tolerance has keys of its own, such as band_low = '25 F diff'"
        side = text[two.end() :].strip()
        return f"Write '{side} diff': each side of a band has its own"
    if dimension == "difference" and ("delta" in text.lower() or "Δ" in text):
        found = _DIFFERENCE.match(text)
        return f"Write '{found[1]} {found[2]} diff'" if found else None
    if dimension == "duration" and re.search(r"(?:/|\bper)\s*(?:in|inch|mm|25)\b", text.lower()):
        return (
            "A soak by the section is a [[limit]] with quantity = 'soak', rule = 'time*thickness', min and per"
            " (loadbook template cycles shows one)"
        )
    if dimension == "duration" and (span := _SPANS.match(text)):
        return f"Write '{60 * int(span[1]) + int(span[2])} min'"
    if "," in text and (number := re.match(r"\s*([-+]?\d+),(\d+)(\D.*)$", text)):
        point = f"{number[1]}.{number[2]}{number[3]}"
        either = f"'{number[1]}{number[2]}{number[3]}' or " if len(number[2]) == 3 else ""
        return f"Write {either}{point!r}, without a comma"
    return None


_EXAMPLE = {
    "temperature": "620 C",
    "difference": "40 C diff",
    "rate": "110 C/h",
    "length": "25 mm",
    "mass": "12 kg",
    "pressure": "1e-3 mbar",
    "leak": "0.01 mbar/h",
    "stress": "450 MPa",
    "duration": "120 min",
}

# How a unit kept inside is shown under each of the book's two displays: (label, conversion, digits).
SHOWN: dict[str, dict[str, tuple[str, Convert, int]]] = {
    "si": {
        "c": ("°C", _times(1.0), 1),
        "c_diff": ("°C", _times(1.0), 1),
        "c_per_h": ("°C/h", _times(1.0), 1),
        "mm": ("mm", _times(1.0), 4),
        "um": ("µm", _times(1.0), 1),
        "kg": ("kg", _times(1.0), 2),
        "min": ("min", _times(1.0), 1),
        "h": ("h", _times(1.0), 2),
        "mbar": ("mbar", _times(1.0), 3),
        "mbar_per_h": ("mbar/h", _times(1.0), 4),
        "mpa": ("MPa", _times(1.0), 0),
    },
    "us": {
        "c": ("°F", f_from_c, 1),
        "c_diff": ("°F", f_diff_from_c_diff, 1),
        "c_per_h": ("°F/h", f_diff_from_c_diff, 1),
        "mm": ("in", _times(1 / 25.4), 5),
        "um": ("0.001 in", _times(1 / 25.4), 2),
        "kg": ("lb", _times(1 / 0.45359237), 2),
        "min": ("min", _times(1.0), 1),
        "h": ("h", _times(1.0), 2),
        "mbar": ("torr", _times(760.0 / 1013.25), 3),
        "mbar_per_h": ("micron/h", _times(760.0 / 1.01325), 4),
        "mpa": ("ksi", _times(1 / 6.894757293168), 1),
    },
}


def show(value: float, unit: str, system: str = "si") -> tuple[float, str, int]:
    """A value kept inside as the book shows it: (number, label, digits after the point).

    unit is one of c, c_diff, c_per_h, mm, um, kg, min, h, mbar, mbar_per_h, mpa; any other is given back unchanged.
    """
    known = SHOWN[system].get(unit)
    if known is None:
        return value, unit, 4
    label, conversion, digits = known
    return conversion(value), label, digits


def line(unit: str, system: str) -> tuple[float, float, str]:
    """(factor, offset, label) of what the book shows for a unit; the factor alone turns differences.

    >>> line("c", "us"), line("c_diff", "us"), line("min", "us")
    ((1.8, 32.0, '°F'), (1.8, 0.0, '°F'), (1.0, 0.0, 'min'))
    """
    zero, label, _ = show(0.0, unit, system)
    return show(1.0, {"c": "c_diff"}.get(unit, unit), system)[0], zero, label
