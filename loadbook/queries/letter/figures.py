"""A letter's figures in one unit and with one rounding rule: the resolution of the gauge that read the pieces."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date

from loadbook.core import units
from loadbook.core.figures import shown, true_minus
from loadbook.core.vocabulary.parameters import PLANNED

from .sentences import say

USUAL_STEP = {"si": 1.0, "us": 0.1}  # µm, thousandths: where no gauge's resolution is on record


@dataclass(frozen=True)
class Figures:
    """How a letter shows figures: 'si' or 'us', and the gauge's resolution [µm], None where it is not on record.

    width_um  the width of what is told [µm]: digits below a hundredth of it would say nothing
    """

    system: str
    resolution_um: float | None = None
    width_um: float | None = None

    @property
    def step(self) -> float:
        """What figures are rounded to [µm or thousandths]: the nearest 1, 2 or 5 that is no finer than the gauge.

        >>> Figures("si", 1.0).step, Figures("us", 1.0).step, Figures("us", 2.54).step, Figures("si", 0.1, 56.0).step
        (1.0, 0.05, 0.1, 1.0)
        """
        gauge = self.shown(self.resolution_um) if self.resolution_um else USUAL_STEP[self.system]
        least = float(f"{max(gauge, self.shown(self.width_um or 0.0) / 100.0):.6g}")
        power = math.floor(math.log10(least))
        return next(m * 10.0**p for p in (power, power + 1) for m in (1, 2, 5) if m * 10.0**p >= least * (1 - 1e-9))

    def shown(self, um: float) -> float:
        """µm in the unit shown, not rounded."""
        return um if self.system == "si" else um / 25.4

    def number(self, um: float, up: bool = False) -> str:
        """A movement as a number without its unit, rounded (or rounded up), with a true minus sign.

        >>> Figures("si", 1.0).number(-12.4), Figures("us", 1.0).number(12.7), Figures("si", 0.5).number(0.2)
        ('−12', '0.50', '0.0')
        """
        turns = self.shown(um) / self.step
        value = (math.ceil(turns - 1e-9) if up else round(turns)) * self.step
        return true_minus(f"{value:.{self._places}f}") if round(value, 9) else f"{0.0:.{self._places}f}"

    @property
    def _places(self) -> int:
        return max(0, -math.floor(math.log10(self.step) + 1e-9))

    def um(self, um: float, first: bool = False) -> str:
        """A movement with its unit: '38 µm', '1.50 thousandths'; the first of a text says of what thousandths are."""
        number = self.number(um)
        return say("um.us.first", n=number) if first and self.system == "us" else self._labelled(number)

    def between(self, low: float, high: float) -> float:
        """The width of an interval as its two ends are shown [µm]: a reader takes one from the other.

        >>> x = Figures("us", 1.0)
        >>> x.um(-107.2), x.um(-96.3), x.um(x.between(-107.2, -96.3)), x.um(107.2 - 96.3)
        ('−4.20 thousandths', '−3.80 thousandths', '0.40 thousandths', '0.45 thousandths')
        """
        steps = round(self.shown(high) / self.step) - round(self.shown(low) / self.step)
        return steps * self.step * (25.4 if self.system == "us" else 1.0)

    def span(self, low: float, high: float) -> str:
        """An interval with its unit once: '17 to 67 µm'."""
        return self._labelled(say("to", low=self.number(low), high=self.number(high)))

    def _labelled(self, number: str) -> str:
        one = self.system == "us" and number.lstrip("−") == "1"
        return say(f"um.{self.system}.one" if one else f"um.{self.system}", n=number)

    def length(self, um: float) -> str:
        """A length of a drawing, in mm or inches: '0.12 mm', '0.0047 in'.

        >>> Figures("si", 1.0).length(120.0), Figures("us", 1.0).length(120.0), Figures("us", 1.0).length(381.0)
        ('0.12 mm', '0.0047 in', '0.015 in')
        """
        if self.system == "us":
            return f"{um / 25400.0:.4f} in".replace("0 in", " in")
        return f"{um / 1000.0:.6g} mm"

    def stock(self, um: float) -> str:
        """Stock to be left, rounded up to two digits, and to a µm or a ten-thousandth of an inch at the finest.

        >>> Figures("si").stock(107.0), Figures("si").stock(12.2), Figures("us").stock(107.0)
        ('0.11 mm', '0.013 mm', '0.0043 in')
        """
        value, finest = (um / 25400.0, 1e-4) if self.system == "us" else (um / 1000.0, 1e-3)
        step = max(finest, 10.0 ** (math.floor(math.log10(value)) - 1)) if value > 0 else finest
        return f"{math.ceil(value / step - 1e-6) * step:.4g} {'in' if self.system == 'us' else 'mm'}"

    def thickness(self, mm: float) -> str:
        """A thickness of a piece, as people say it."""
        return shown(mm, "mm", self.system)

    def setting(self, name: str, value: float) -> str:
        """A planned setting with its unit.

        >>> Figures("si").setting("hold_mean_c", 600.0), Figures("us").setting("heating_rate_peak_c_per_h", 47.7)
        ('600 °C', '85.9 °F/h')
        """
        shown, label, _ = units.show(value, PLANNED[name].unit, self.system)
        return f"{shown:.1f}".removesuffix(".0") + f" {label}"

    def percent(self, share: float) -> str:
        """A share; what is not all is not called 100 %.

        >>> Figures("si").percent(0.938), Figures("si").percent(0.998), Figures("us").percent(1.0)
        ('94 %', 'over 99 %', '100 %')
        """
        key = "percent"
        if 0.995 <= share < 1:
            return say("over", n=say(key, n=99))
        if 0 < share < 0.005:
            return say("under", n=say(key, n=1))
        return say(key, n=true_minus(f"{100 * share:.0f}"))

    def percents(self, low: float, high: float) -> tuple[str, str]:
        """The two ends of a range of shares, the unit with the last alone.

        >>> Figures("si").percents(0.85, 0.99)
        ('85', '99 %')
        """
        first, last = self.percent(low), self.percent(high)
        plain = first[:1].isdigit() and last[:1].isdigit()
        return f"{100 * low:.0f}" if plain else first, last

    def ratio(self, percent: float, unit: bool = True) -> str:
        """A change in per cent: '44 %', or its number alone."""
        number = true_minus(f"{percent:.0f}")
        return say("percent", n=number) if unit else number

    def day(self, iso: str) -> str:
        """A date in words: '28 November 2026', 'November 28, 2026'."""
        on = date.fromisoformat(iso)
        return say(f"date.{self.system}", day=on.day, month=say("months").split()[on.month - 1], year=on.year)

    def short_day(self, iso: str) -> str:
        """A date in few letters: '9 Sept 2025'."""
        on = date.fromisoformat(iso)
        month = say("months.short").split()[on.month - 1]
        return say(f"date.{self.system}", day=on.day, month=month, year=on.year)

    @property
    def room(self) -> str:
        """The temperature at which pieces are measured."""
        return "20 °C" if self.system == "si" else "68 °F"
