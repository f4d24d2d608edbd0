"""Figures as words: a value kept inside in the reader's units, with its label; and sentences with figures in them.

The key of a figure ends in its quantity, as a column's name does (`top_c`, `spread_c_diff`, `rate_c_per_h`, `wide_mm`,
`moved_um`, `pressure_mbar`), so that one sentence serves both systems and no figure can be shown in the wrong one.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from math import ceil, floor
from string import Formatter
from typing import Any

from . import units

# the longest first; a length of some minutes, or a moment of a run, reads the same in both systems
_ENDS = ("mbar_per_h", "c_per_h", "c_diff", "mbar", "mpa", "um", "mm", "kg", "min", "c", "h", "s")
_QUANTITY = re.compile(rf"_({'|'.join(_ENDS)})$")
# digits after the point where a sentence asks for none: (si, us)
_DIGITS = {"mm": ("g", "inches"), "um": (".0f", ".3g"), "mbar": (".3g", ".3g"), "mbar_per_h": (".3g", ".3g"),
           "mpa": (".3g", ".3g")}  # fmt: skip


_MINUS = re.compile(r"(?<![\w=-])-(?=\d+(?:[.,]\d+)*(?:[\s%),;:]|$))")


def true_minus(text: str) -> str:
    """A text with true minus signs before its figures, as pages, pictures and letters show it; names and dates keep
    their hyphens. A terminal, CSV and JSON keep '-', which other programs read.

    >>> true_minus("PN-10 moves -0.5 to 3 µm (-1 before) on 2026-03-01, on TC -3A")
    'PN-10 moves −0.5 to 3 µm (−1 before) on 2026-03-01, on TC -3A'
    """
    return _MINUS.sub("−", text) if "-" in text else text


def clock(seconds: float) -> str:
    """A moment of the run as hours and minutes from its start, for evidence.

    >>> clock(3 * 3600 + 7 * 60)
    '3 h 07 min'
    """
    minutes = round(seconds / 60.0)
    return f"{minutes // 60} h {minutes % 60:02d} min"


def quantity(key: str) -> str | None:
    """The unit that a figure of this key is kept in; None for a count, a share or a name.

    >>> quantity("rate_c_per_h"), quantity("top_c"), quantity("runs")
    ('c_per_h', 'c', None)
    """
    found = _QUANTITY.search(key)
    return found.group(1) if found else None


def shown(value: float, unit: str, system: str, spec: str = "") -> str:
    """A value with its label, as a sentence says it. spec is a format's, such as '+.1f'.

    >>> shown(620.0, "c", "us"), shown(20.0, "c_diff", "us", "+.1f"), shown(152.4, "mm", "us"), shown(30.0, "mm", "si")
    ('1148 °F', '+36.0 °F', '6 in', '30 mm')
    >>> shown(1.0, "mm", "us"), shown(0.12, "mm", "us")
    ('0.039 in', '0.0047 in')
    >>> shown(1450.0, "mpa", "si"), shown(1013.25, "mbar", "si"), shown(2e-6, "mbar", "si")
    ('1450 MPa', '1010 mbar', '2e-06 mbar')
    """
    turned, label, _ = units.show(value, unit, system)
    usual = spec or _DIGITS.get(unit, (".0f", ".0f"))[system == "us"]
    if usual == "inches":  # thousandths, as a rule reads; ten-thousandths of what is finer than ten of them
        number = f"{turned:.{3 if abs(turned) >= 0.01 else 4}f}".rstrip("0").rstrip(".")
    else:
        number = format(turned, usual)
    if "e+" in number:  # 1450 MPa, not 1.45e+03
        number = f"{float(number):.0f}"
    if float(number) == 0.0:  # no '-0'
        number = "0" if usual == "inches" else format(0.0, usual)
    return f"{number} {spoken_unit(label.replace('_per_', '/'), number)}".rstrip()


def spoken_unit(label: str, number: str = "") -> str:
    """A unit's label as it follows a figure: what heads a column as '0.001 in' is counted in thousandths.

    >>> spoken_unit("0.001 in"), spoken_unit("0.001 in", "-1"), spoken_unit("0.0001 in per 10 in"), spoken_unit("µm")
    ('thousandths', 'thousandth', 'ten-thousandths per 10 in', 'µm')
    """
    many = "" if number.lstrip("+-") == "1" else "s"
    return label.replace("0.0001 in", f"ten-thousandth{many}").replace("0.001 in", f"thousandth{many}")


class _Sentence(Formatter):
    """A template's fields as figures: {top_c}, {off_c_diff:+.1f}, {low_c:number} (no label), {at_s:clock}."""

    def __init__(self, system: str) -> None:
        self.system = system

    def get_field(self, field_name: str, args: Any, kwargs: Any) -> Any:
        value = kwargs[field_name]
        return (value, quantity(field_name)), field_name

    def format_field(self, value: Any, format_spec: str) -> str:
        given, unit = value
        if given is None:
            return "not known"
        if format_spec == "clock":
            return clock(given)
        if format_spec.endswith("number") and unit:
            return shown(given, unit, self.system, format_spec.removesuffix("number")).split(" ")[0]
        if unit is None or isinstance(given, str):
            return format(given, format_spec)
        return shown(given, unit, self.system, format_spec)


_MARK = re.compile(r"\{([^{}|]*)\|([^{}|]*)\}|\{(-?[\d.]+) (" + "|".join(_ENDS) + r")\}")


def inline(text: str, system: str) -> str:
    """A text of the vocabulary in the reader's units: {5 c_diff} is a figure, {si|us} one of two wordings.

    >>> inline("the last {50 c_diff}, in {mm|inches}", "us"), inline("the last {50 c_diff}", "si")
    ('the last 90 °F, in inches', 'the last 50 °C')
    """

    def word(found: re.Match[str]) -> str:
        metric, us, number, unit = found.groups()
        if number is None:
            return str(us if system == "us" else metric)
        turned = units.show(float(number), unit, system)[0]
        return shown(float(number), unit, system, "" if turned == round(turned) else ".3g")

    return _MARK.sub(word, text)


def unit_words(unit: str, system: str) -> str:
    """A unit that figures are kept in, as people write the one that they are shown in; any other as it is.

    >>> unit_words("c_diff", "us"), unit_words("mbar_per_h", "si"), unit_words("HRC", "us"), unit_words("um", "us")
    ('°F difference', 'mbar/h', 'HRC', '0.001 in')
    """
    if unit not in units.SHOWN[system]:
        return unit
    label = units.SHOWN[system][unit][0]
    return f"{label} difference" if unit == "c_diff" else label


def scale_words(unit: str, system: str) -> str:
    """A working scale, or the unit of a movement, as people write it.

    >>> scale_words("um", "us"), scale_words("um per 100 mm", "si"), scale_words("percent", "us")
    ('0.001 in', 'µm per 100 mm', '%')
    """
    if unit == "um per 100 mm":  # 1 µm per 100 mm is 1e-5 either way
        return "0.0001 in per 10 in" if system == "us" else "µm per 100 mm"
    return "%" if unit in ("percent", "log") else unit_words(unit, system)


def share_words(share: float) -> str:
    """A share for people: whole per cent; one digit more where that would make all of nearly all, or none of a few.

    >>> share_words(0.9), share_words(-0.13), share_words(0.9972), share_words(1.0), share_words(0.002)
    ('90 %', '-13 %', '99.7 %', '100 %', '0.2 %')
    """
    near_all, near_none = 0.995 <= share < 1.0, 0.0 < share < 0.005
    if near_all or near_none:
        return f"{(floor(1000.0 * share + 1e-6) if near_all else ceil(1000.0 * share - 1e-6)) / 10.0:g} %"
    return f"{round(100.0 * share)} %"


def share_range(share: float, low: float, high: float) -> str:
    """A share with the range it may have, the unit where it is needed.

    >>> share_range(0.94, 0.85, 0.992)
    '94 % (85 to 99 %)'
    """
    return f"{share_words(share)} ({share_words(low).removesuffix(' %')} to {share_words(high)})"


def sentence(template: str, figures: Mapping[str, Any], system: str) -> str:
    """A template with its figures in the reader's units. Raises KeyError for a figure that is not there.

    >>> sentence("from {low_c:number} to {top_c}, {rate_c_per_h}", {"low_c": 20, "top_c": 99, "rate_c_per_h": 50}, "us")
    'from 68 to 210 °F, 90 °F/h'
    """
    return _Sentence(system).vformat(template, (), dict(figures))
