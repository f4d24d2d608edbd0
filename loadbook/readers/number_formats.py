"""What a workbook's number formats show around a number: a unit, leading zeros, a percent sign.

The workbook reader gives bare values: `0.000" in"` comes as 24.06, `0000` as 7. A person reads what the sheet shows.

Form: ECMA-376 part 1, sections 18.8.30 and 18.8.31; the same codes stand in .xls.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache

from loadbook.core import units

_BUILTIN = {0: "General", 49: "@", 1: "0", 2: "0.00", 3: "#,##0", 4: "#,##0.00", 9: "0%", 10: "0.00%"}
_PIECE = re.compile(
    r'"([^"]*)"|\\(.)|\[\$([^\]-]*)(?:-[^\]]*)?\]|\[[^\]]*\]|_.|\*.|(General)|([0#?.,%Ee+/@-])|(.)', re.DOTALL
)


@dataclass(frozen=True)
class Shown:
    """What a number format makes of a number.

    digits  least digits before the point ("0000": 4);  decimals  of them behind it, None where it does not say
    percent  is it shown a hundredfold;  thousands  by which power of 1000 it is shown smaller
    powers   is it shown with a power of ten, so that no name is to be made of it
    before, after  the words around it
    """

    digits: int
    decimals: int | None
    percent: bool
    thousands: int
    before: str
    after: str
    powers: bool = False

    @property
    def unit(self) -> str:
        """The unit behind the number, '' where there is none that is known; the unit of a time is the time's to say."""
        if self.percent:
            return "%"
        unit = self.after.strip()
        timed = units.unit_key(unit) in units.DIMENSIONS["duration"]
        return unit if not self.thousands and units.known(unit) and not timed else ""

    def value(self, number: float) -> float:
        """The number as it is shown, none of its digits lost."""
        if self.percent:
            return float(f"{number * 100.0:.15g}")
        return float(f"{number / 1000.0**self.thousands:.15g}") if self.thousands else number

    def text(self, number: float) -> str:
        """The whole of what the cell shows.

        >>> shown("0000").text(7.0), shown("0.00").text(1.1), shown('"S-"000').text(8.0), shown("General").text(7.5)
        ('0007', '1.10', 'S-008', '7.5')
        """
        value = self.value(abs(number))
        plain = f"{value:.15g}" if self.decimals is None else f"{value:.{self.decimals}f}"
        whole, point, rest = plain.partition(".")
        sign = "-" if number < 0 else ""
        return f"{sign}{self.before}{whole.zfill(self.digits)}{point}{rest}{self.after}{'%' if self.percent else ''}"


@lru_cache(512)
def shown(form: str) -> Shown | None:
    """What a format code shows of a positive number; None for dates, fractions and text.

    >>> shown('0.0" °C"').unit, shown('#,##0.000\\\\ "in"').unit, shown("0.0%").unit, shown('0" pcs"').unit
    ('°C', 'in', '%', '')
    >>> shown("yyyy-mm-dd hh:mm") is None, shown('0.0E+00" torr"').unit
    (True, 'torr')
    """
    first = re.split(r';(?=(?:[^"]*"[^"]*")*[^"]*$)', form)[0]
    powers = re.search(r"[0#.][Ee][+-]0+", first)
    if powers:
        first = first[: powers.start() + 1] + first[powers.end() :]
    before, after, marks, general = "", "", "", False
    for quoted, escaped, currency, whole, mark, other in _PIECE.findall(first):
        words = quoted or escaped or currency
        general = general or bool(whole)
        if mark in ("", "-", "+"):
            words += mark
            if other and not (other.isspace() or other in "°º℃℉µμ$€£()'’" or ord(other) > 127):
                return None  # a letter outside of quotes is of a date
            words += other
            if marks or general:
                after += words
            else:
                before += words
        elif mark in "Ee/@":
            return None
        else:
            if after.strip() and mark != "%":
                return None  # words among the digits
            marks += mark
    percent, digits = "%" in marks, marks.replace("%", "")
    if not (digits or general):
        return None
    scaled = len(digits) - len(digits.rstrip(","))
    whole_part, point, rest = digits.rstrip(",").partition(".")
    decimals = None if general or (point and rest.strip("0")) else len(rest)
    return Shown(whole_part.count("0"), decimals, percent, scaled, before.lstrip(), after.rstrip(), powers is not None)


def shown_of_styles(numbers: Iterable[int], own: dict[int, str]) -> dict[int, Shown | None]:
    """Place of a cell style -> what its number format shows (None: nothing that is known), but for General and text.

    numbers  of each style the number of its format;  own  codes that the workbook brings
    """
    codes = {**_BUILTIN, **own}
    forms = ((place, codes.get(number, "odd")) for place, number in enumerate(numbers))
    return {place: shown(form) for place, form in forms if form.casefold() not in ("general", "@")}
