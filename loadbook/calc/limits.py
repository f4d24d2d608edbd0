"""Limits that follow from the thickest section of the load.

The figures are the user's, from whatever rule the shop works to; rounding, cap, floor and knee are always stated,
never implied. An edition of a code states US or metric figures: they are entered as printed, not converted.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from ..ground.errors import CalculationError
from .model import Limit, PieceRecord


@dataclass(frozen=True)
class Resolved:
    """A limit's value for one load: value is None where it cannot be told, missing says why.

    thickness_mm, part   the thickest section and whose it is, where a rule asked for it
    """

    value: float | None
    missing: str | None = None
    thickness_mm: float | None = None
    part: str | None = None


def steps(thickness_mm: float, per_mm: float, rounding: str) -> float:
    """How many times `per_mm` a thickness counts.

    rounding  'proportion', or 'fraction' ("per inch or fraction thereof": rounded up)

    >>> steps(1.25 * 25.4, 25.4, "proportion"), steps(1.25 * 25.4, 25.4, "fraction")
    (1.25, 2.0)
    """
    if thickness_mm <= 0 or per_mm <= 0:
        raise CalculationError("a thickness rule needs a thickness above zero")
    ratio = round(thickness_mm / per_mm, 9)  # 2 in is 2.000000000 times 25.4 mm, not a hair more
    return float(math.ceil(ratio)) if rounding == "fraction" else ratio


def rule_value(limit: Limit, thickness_mm: float) -> float:
    """The limit's value for one thickness.

    'rate/thickness'   value / steps, never above cap, never below floor
    'time*thickness'   value * steps up to knee_mm, then value_beyond for each further step; at least floor
    Raises CalculationError for another rule, or a rule without per_mm.

    >>> rule = Limit(1, "heating_rate", "max", 400.0, rule="rate/thickness", per_mm=25.4, cap=400.0, floor=100.0)
    >>> [round(rule_value(rule, inches * 25.4), 2) for inches in (0.5, 1.25, 3.0, 6.0)]
    [400.0, 320.0, 133.33, 100.0]
    """
    if limit.rule is None:
        return limit.value
    if limit.per_mm is None:
        raise CalculationError(f"the rule {limit.rule!r} does not say per which thickness")
    if limit.rule == "rate/thickness":
        value = limit.value / steps(thickness_mm, limit.per_mm, limit.rounding)
    elif limit.rule == "time*thickness":
        value = _time(limit, thickness_mm, limit.per_mm)
    else:
        raise CalculationError(f"there is no rule {limit.rule!r}")
    if limit.cap is not None:
        value = min(value, limit.cap)
    if limit.floor is not None:
        value = max(value, limit.floor)
    return value


def _time(limit: Limit, thickness_mm: float, per_mm: float) -> float:
    if limit.knee_mm is None or limit.value_beyond is None or thickness_mm <= limit.knee_mm:
        return limit.value * steps(thickness_mm, per_mm, limit.rounding)
    beyond = steps(thickness_mm - limit.knee_mm, per_mm, limit.rounding)
    return limit.value * steps(limit.knee_mm, per_mm, limit.rounding) + limit.value_beyond * beyond


def thickest(pieces: Sequence[PieceRecord]) -> tuple[float, str] | None:
    """(section_thick_mm, part) of the thickest piece; None where any piece's section is not recorded."""
    known = [(p.section_thick_mm, p.part) for p in pieces if p.section_thick_mm is not None]
    if not pieces or len(known) < len(pieces):
        return None
    return max(known)


def resolve(limit: Limit, pieces: Sequence[PieceRecord]) -> Resolved:
    """The value that a limit has for this load."""
    if limit.rule is None:
        return Resolved(limit.value)
    if not pieces:
        return Resolved(None, "no piece of the load is recorded, and the limit follows from the thickest section")
    thick = thickest(pieces)
    if thick is None:
        unknown = sorted({p.part for p in pieces if p.section_thick_mm is None})
        return Resolved(None, f"section_thick_mm of part {', '.join(unknown)}, from which the limit follows")
    return Resolved(rule_value(limit, thick[0]), None, thick[0], thick[1])
