"""What an hour of a furnace costs: the setting `furnace_hour` of a book, for all furnaces and for single ones."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from .errors import UsageError

SETTING = "furnace_hour"
LIKE = "85 EUR, or 85 EUR; F2=120"


@dataclass(frozen=True)
class Price:
    """The price of a furnace hour: `usual` (None: of the furnaces named only), or a furnace's own."""

    currency: str
    usual: float | None
    own: Mapping[str, float]

    def of(self, furnace: str | None, hours: float) -> float | None:
        """What so many hours of a furnace cost; None where no price is set for it."""
        hour = self.own.get(furnace or "", self.usual)
        return None if hour is None else hour * hours

    def said(self, money: float) -> str:
        """An amount with its currency, in whole units from a hundred on.

        >>> Price("EUR", 85.0, {}).said(1904.2), Price("$", 85.0, {}).said(95.5)
        ('1,904 EUR', '95.50 $')
        """
        return f"{money:,.0f} {self.currency}" if money >= 100 else f"{money:.2f} {self.currency}"


def price(text: str) -> Price | None:
    """The price that a setting's text states; None for an empty one. Raises UsageError.

    >>> p = price("85 EUR; F2=120"); p.currency, p.usual, p.of("F2", 10.0), p.of("F1", 10.0)
    ('EUR', 85.0, 1200.0, 850.0)
    >>> price("F2=120 USD").of("F1", 1.0) is None
    True
    """
    usual, currency, own = None, "", {}
    for word in (w.strip() for w in text.split(";") if w.strip()):
        furnace, equals, amount = word.rpartition("=")
        number, _, unit = amount.strip().partition(" ")
        try:
            value = float(number)
        except ValueError:
            value = -1.0
        unit = unit.strip()
        if not 0.0 < value < 1e9 or (unit and currency and unit != currency) or (equals and not furnace.strip()):
            raise _wrong(text)
        currency = unit or currency
        if equals:
            own[furnace.strip()] = value
        elif usual is None:
            usual = value
        else:
            raise _wrong(text)
    if usual is None and not own:
        return None
    if not currency or any(c.isdigit() for c in currency):
        raise _wrong(text)
    return Price(currency, usual, own)


def _wrong(text: str) -> UsageError:
    return UsageError(
        f"{text!r} is not a price for a furnace hour", remedy=f"Write a number and the currency, like: {LIKE}"
    )
