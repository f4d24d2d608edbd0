"""Size change of the material itself: what ageing, hardening and retained austenite do to a length, as ranges.

A length change [mm/mm] is negative where the piece shrinks. Only published ranges stand here: of nickel alloys,
maraging and aluminium none is on record, and none is shown. Never derive a length change from handbook densities: they
are rounded, and for 17-4PH they would give four to five times what is measured.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from .tables import Source, rows

MARTENSITE = Source("4.64 - 0.53 C volume %, ASM Handbook vol. 4 as quoted; checked by lattice parameters at 1.0 % C",
                    "V+R")  # fmt: skip
# the volume of martensite by two published forms differs by a quarter: what to show on either side of the first
VOLUME_DOUBT = 0.006


@dataclass(frozen=True)
class Change:
    """A published range of linear change [mm/mm] from one condition to another. at_c: the ageing temperature [°C]."""

    alloy: str
    before: str
    after: str
    at_c: float | None
    low: float
    high: float
    source: Source


def changes(*names: str) -> Iterator[Change]:
    """The published changes of an alloy, by any of its names.

    >>> [(c.after, c.low, c.high) for c in changes("X5CrNiCuNb16-4")]
    [('H900', -0.0006, -0.0004), ('H1150', -0.0012, -0.0009)]
    """
    text = " ".join(names).casefold()
    for row in rows("size_change"):
        if any(word in text for word in _NAMES[row["alloy"]]):
            yield Change(
                row["alloy"], row["from"], row["to"], float(row["at_c"]) if row["at_c"] else None,
                float(row["low"]), float(row["high"]), Source(row["source"], row["mark"]),
            )  # fmt: skip


_NAMES = {
    "17-4PH": ("17-4", "x5crnicunb16-4", "1.4542", "s17400"),
    "15-5PH": ("15-5", "x5crnicunb15-5", "1.4545", "s15500"),
    "C17200": ("c17200", "cube2", "alloy 25"),
}


def martensite_volume(dissolved_carbon_pct: float) -> float:
    """Volume change [1] of austenite that turns to martensite: (4.64 - 0.53 C) %.

    >>> round(martensite_volume(0.4), 5)
    0.04428
    """
    return (4.64 - 0.53 * dissolved_carbon_pct) / 100.0


def linear(volume_change: float) -> float:
    """Linear change [mm/mm] of a volume change.

    >>> round(100.0 * linear(martensite_volume(0.4)), 4)
    1.4547
    """
    return float((1.0 + volume_change) ** (1.0 / 3.0) - 1.0)


def retained_austenite(dissolved_carbon_pct: float) -> tuple[float, float]:
    """Growth in length [mm/mm] for each 1 % by volume of retained austenite that turns to martensite: (low, high), the
    doubt about the volume in it.

    >>> [round(1e6 * x) for x in retained_austenite(1.0)]
    [116, 157]
    """
    volume = martensite_volume(dissolved_carbon_pct)
    return linear(volume - VOLUME_DOUBT) / 100.0, (volume + VOLUME_DOUBT) / 300.0
