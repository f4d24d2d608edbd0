"""Working scales of movement, and the direction in which a movement harms.

plain µm; µm per 100 mm of the reference length; or, for form errors that cannot be negative, the logarithm of
after over before (100·ln). `analysis.movement.scale.with_value` turns pieces into these scales; here a figure of the
scale is turned back into what is shown.
"""

from __future__ import annotations

from dataclasses import dataclass

from loadbook.analysis.movement import percent
from loadbook.core.errors import CalculationError
from loadbook.core.vocabulary.intake_kinds import FORM_KINDS, KEPT_ONLY_KINDS

HALVED = ("outside diameter", "inside diameter", "circular runout", "total runout")


def harm(kind: str) -> int:
    """+1 where growing harms (a bore, a form error), −1 where shrinking does (an outside size), 0 for neither.

    >>> harm("inside diameter"), harm("flatness"), harm("length"), harm("angle")
    (1, 1, -1, 0)
    """
    if kind in FORM_KINDS or kind == "inside diameter":
        return 1
    return 0 if kind == "angle" or kind in KEPT_ONLY_KINDS else -1


def sides(kind: str) -> int:
    """2 where the stock of one side takes half of the movement (a diameter, a runout), else 1."""
    return 2 if kind in HALVED else 1


@dataclass(frozen=True)
class Scale:
    """How movement is worked with, and how a figure gets back to the unit it is told in.

    name      'um', 'um per 100 mm' or 'log'
    length_mm the reference length of what is asked about (for 'um per 100 mm')
    before_um a typical reading before (for 'log', to tell a percentage in µm as well)
    """

    name: str
    length_mm: float | None = None
    before_um: float | None = None

    @property
    def unit(self) -> str:
        """Unit of `displayed`: 'um', or '%' of the reading before for the log scale."""
        return "%" if self.name == "log" else "um"

    def displayed(self, z: float) -> float:
        """A figure of the working scale in the unit it is told in; rises with z.

        >>> Scale("um per 100 mm", length_mm=250.0).displayed(8.0), round(Scale("log").displayed(69.3147180559945), 6)
        (20.0, 100.0)
        """
        if self.name == "log":
            return percent.of_log(z)
        if self.name == "um per 100 mm":
            if not self.length_mm:
                raise CalculationError(
                    "this characteristic works per reference length, and its reference length is not known",
                    remedy="Give it with --size, or amend the characteristic's reference_length_mm",
                )
            return z * self.length_mm / 100.0
        return z
