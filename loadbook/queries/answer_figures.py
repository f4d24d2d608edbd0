"""The figures of an answer as words: movements, intervals and settings with their units, counts with their nouns."""

from __future__ import annotations

from collections.abc import Mapping
from math import floor, inf, log10
from typing import Any

from loadbook.analysis.effects.words import figure, spoken
from loadbook.core import units
from loadbook.core.figures import share_range, share_words, shown, spoken_unit
from loadbook.core.vocabulary.parameters import PLANNED


def moved_by(value: float | None, unit: str, system: str) -> str:
    """A movement with its unit, as the book shows it, with no more digits than mean something.

    >>> moved_by(-25.4, "um", "us"), moved_by(12.345, "%", "si"), moved_by(-0.0005, "%", "si")
    ('-1 thousandth', '12.3 %', '0 %')
    >>> moved_by(0.02341, "deg", "si")
    '0.0234 deg'
    """
    if value is None:
        return "not known"
    turned, label, digits = units.show(value, unit, system)
    number = figure(round(turned, digits if unit == "um" else 1)) if unit in ("um", "%") else figure(turned)
    return f"{number} {spoken_unit(label, number)}".strip()


def number(value: float | None, unit: str, system: str) -> float | None:
    """The same as a number for a table, without its unit.

    >>> number(-36.553, "%", "si"), number(0.02344, "deg", "si"), number(1071.4, "um", "si"), number(2.544, "um", "us")
    (-36.6, 0.0234, 1071.4, 0.1)
    """
    if value is None:
        return None
    turned, _, digits = units.show(value, unit, system)
    return round(turned, digits) if unit == "um" else round(float(f"{turned:.3g}"), 1 if unit == "%" else 6)


def span(low: float, high: float, unit: str, system: str) -> str:
    """An interval with its unit once, neither end with more digits than the larger one means.

    >>> span(-12.5, 4.0, "um", "si"), span(-83.3, 0.547, "%", "si"), span(5.21, 482.0, "%", "us")
    ('-12.5 to 4 µm', '-83.3 to 0.5 %', '5 to 482 %')
    """
    (first, label, digits), (last, _, _) = (units.show(value, unit, system) for value in (low, high))
    larger = max(abs(first), abs(last))
    places = max(0, 2 - floor(log10(larger))) if 0.0 < larger < inf else 0
    places = min(places, digits) if unit == "um" else places
    ends = (figure(round(value, places)) for value in (first, last))
    return f"{' to '.join(ends)} {spoken_unit(label)}".strip()


def apart(middle: float, low: float, high: float, unit: str, system: str) -> tuple[str, str]:
    """(a clear difference of means as an amount and its direction, its interval in that direction).

    >>> apart(-52.8, -90.5, -3.3, "%", "si"), apart(4.0, 1.0, 7.0, "um", "si")
    (('52.8 % of the form error before less', '3.3 to 90.5 %'), ('4 µm more', '1 to 7 µm'))
    """
    of = " of the form error before" if unit == "%" else ""
    word, ends = ("more", (low, high)) if middle > 0 else ("less", (-high, -low))
    return f"{moved_by(abs(middle), unit, system)}{of} {word}", span(*ends, unit, system)


def setting(name: str, value: float | None, system: str) -> str:
    """A plannable setting in the book's units: 'hold mean 1150 °F'."""
    if value is None:
        return spoken(name)
    turned, label, _ = units.show(value, PLANNED[name].unit if name in PLANNED else "", system)
    return f"{spoken(name)} {figure(turned)} {label}".strip()


def setting_span(name: str, low: float, high: float, system: str) -> str:
    """What a setting ran at, its unit once.

    >>> setting_span("heating_rate_peak_c_per_h", 77.4, 118.0, "us"), setting_span("soak_minutes", 60.0, 60.0, "si")
    ('heating rate peak 139 to 212 °F/h', 'soak 60 min')
    """
    if low == high:
        return setting(name, low, system)
    (first, label, _), (last, _, _) = (units.show(v, PLANNED[name].unit, system) for v in (low, high))
    return f"{spoken(name)} {figure(first)} to {figure(last)} {label}"


def within(low_um: float | None, high_um: float | None, system: str) -> str:
    """Limits in words; None where one side is open, as a form error's is. A size's only limit is counted from itself.

    >>> within(None, 120.0, "si"), within(-30.0, 30.0, "si"), within(0.0, None, "si"), within(None, 0.0, "us")
    ('within 0.12 mm', 'within limits 0.06 mm apart', 'above the lower limit', 'below the upper limit')
    """
    if high_um is None:
        return "above the lower limit"
    if low_um is None and high_um == 0.0:
        return "below the upper limit"
    wide = shown((high_um if low_um is None else high_um - low_um) / 1000.0, "mm", system)
    return f"within {wide}" if low_um is None else f"within limits {wide} apart"


def inside(share: Mapping[str, Any], before_mm: float | None, system: str) -> str:
    """What stays inside a tolerance, and what was inside before: '82 % (70 to 91 %) should stay within 0.1 mm'.

    before_mm  the reading before that the question named: the share is then of pieces that begin there
    """
    limit = within(share["lower_um"], share["upper_um"], system)
    told = share_range(share["share"], share["low"], share["high"])
    if share["low"] >= 0.995:
        told = "More than 99 %"
    before = share["before"]
    if share["from"] == "question" and before_mm is not None:
        at = shown(before_mm, "mm", system, ".4f" if system == "us" else ".3f")
        if before == 0:
            return f"{told} of pieces that are {at} before, which is outside, should come out {limit}"
        return f"{told} of pieces that are {at} before should stay {limit}"
    if share["from"] == "middle" and 0.0 not in (share["lower_um"], share["upper_um"]):
        return f"{told} of pieces from the middle should stay {limit}"
    if before is not None and before < 0.5:
        return f"{told} should come out {limit}; {'none' if before == 0 else f'only {share_words(before)}'} went in so"
    text = f"{told} should stay {limit}"
    return text if before is None else f"{text}; {share_words(before)} were before"


def settings_shown(row: Mapping[str, Any], system: str) -> str:
    """The settings of a comparable run in one cell."""
    return ", ".join(setting(name, row[name], system) for name in PLANNED if row.get(name) is not None)
