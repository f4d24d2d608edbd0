"""What is known of a metal when it is hot: modulus, expansion, Poisson's ratio, and where yielding begins.

Tables give the course with temperature of the group that an alloy belongs to; the shop's own figures overrule them.
What nobody published is None, never guessed. Yielding begins at the proportional limit (carbon steel) or the 0.2 %
proof stress (others), never at the strength at 2 % strain, which at 400 °C is still all of the yield at 20 °C.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from . import expansion
from .tables import NEAR_C, Curve, Source, properties

OWN = Source("as stated", "own")
_POISSON = Curve(((20.0, 0.3),), Source("common practice", "V"))
_STRAINS: dict[str, tuple[Callable[[float], float], float, float, Source]] = {
    "carbon steel": (expansion.steel_strain, 20.0, 730.0, Source("EN 1993-1-2:2005, 3.4.1", "V+R")),
    "austenitic stainless": (expansion.stainless_strain, 20.0, 1200.0, Source("EN 1993-1-2:2005, Annex C", "V+R")),
    "aluminium": (expansion.aluminium_strain, 0.0, 500.0, Source("EN 1999-1-2:2007", "V+R")),
}
# groups that turn to austenite on heating: above this [°C] their strain is the transformation's
TRANSFORMS = {"carbon steel": 720.0, "tool steel": 720.0, "martensitic stainless": 620.0, "grey iron": 700.0,
              "ductile iron": 700.0}  # fmt: skip
# what the onset of yielding is measured by, and for what
ONSET = {"carbon steel": "proportional limit of structural steel", "austenitic stainless": "0.2 % proof of 1.4301",
         "aluminium": "0.2 % proof of 6061-T6"}  # fmt: skip


@dataclass(frozen=True)
class Metal:
    """One alloy.

    modulus         [GPa] against temperature;  cold: only its value at 20 °C is known, an upper figure when hot
    strain          thermal strain from 20 °C, with the temperatures it is for;  expansion_per_k  where there is none
    onset_share     where yielding begins over the yield at 20 °C;  onset  in MPa, as stated by the shop
    yield_20_mpa    the alloy's yield at 20 °C in its condition; None where nobody stated it
    """

    name: str
    group: str
    modulus: Curve | None
    cold: bool
    poisson: Curve
    strain: tuple[Callable[[float], float], float, float, Source] | None
    expansion_per_k: float | None
    onset_share: Curve | None
    onset: Curve | None
    yield_20_mpa: float | None

    def modulus_gpa(self, at_c: float) -> float | None:
        return None if self.modulus is None else self.modulus.at(at_c)

    def expansion_at(self, at_c: float) -> float | None:
        """Expansion of a small difference about a temperature [1/K]; scaled to the shop's own figure near 20 °C."""
        if self.strain is None:
            return self.expansion_per_k
        f, low, high, _ = self.strain
        if not low <= at_c <= high:
            return None
        a, b = max(low, at_c - 5.0), min(high, at_c + 5.0)
        slope = (f(b) - f(a)) / (b - a)
        if self.expansion_per_k is not None:
            slope *= self.expansion_per_k / ((f(low + 15.0) - f(low)) / 15.0)
        return slope

    def onset_per_yield(self, at_c: float) -> float | None:
        return None if self.onset_share is None else self.onset_share.at(at_c)

    def onset_mpa(self, at_c: float) -> float | None:
        """Where yielding begins [MPa]: the shop's own figures (the coldest holds for all colder: metals do not soften
        on cooling), else the share of the yield at 20 °C."""
        if self.onset is not None:
            first, last = self.onset.points[0], self.onset.points[-1]
            if at_c > last[0] + NEAR_C:
                return None
            return first[1] if at_c <= first[0] else self.onset.at(at_c)
        share = self.onset_per_yield(at_c)
        return None if share is None or self.yield_20_mpa is None else share * self.yield_20_mpa

    def factor(self, at_c: float) -> float | None:
        """E a/(1 - nu) [MPa/K] at a temperature; None where a value is not known or the metal transforms."""
        e, a, nu = self.modulus_gpa(at_c), self.expansion_at(at_c), self.poisson.at(at_c)
        if e is None or a is None or at_c > TRANSFORMS.get(self.group, 1e9):
            return None
        return e * 1000.0 * a / (1.0 - (0.3 if nu is None else nu))

    def line_factor(self, at_c: float) -> float | None:
        """E a [MPa/K], for members held to one length."""
        whole, nu = self.factor(at_c), self.poisson.at(at_c)
        return None if whole is None else whole * (1.0 - (0.3 if nu is None else nu))

    def sources(self) -> tuple[Source, ...]:
        """Whose values are used, each once."""
        found = [c.source for c in (self.modulus, self.onset or self.onset_share) if c is not None]
        found += [self.strain[3]] if self.strain else []
        return tuple(dict.fromkeys(found))


# steels and alloys that are like none of the groups, though their names say so
_OTHERS = ("maraging", "duplex", "hadfield", "manganese steel", "invar", "nilo", "a-286", "a286")


def group_of(family: str, material: str, austenitic: bool = False) -> str:
    """The group of alloys whose tables serve a material; '' where none does.

    >>> group_of("low-alloy steel", "42CrMo4"), group_of("nickel alloy", "NiCr19Fe19Nb5Mo3"), group_of("copper", "")
    ('carbon steel', 'nickel alloy 718', '')
    """
    text = f"{family} {material}".casefold()
    if any(word in text for word in _OTHERS):
        return ""
    if "tool" in text or "high-speed" in text or "high speed" in text:
        return "tool steel"
    if "stainless" in text or "corrosion" in text:
        return "austenitic stainless" if austenitic else "martensitic stainless"
    if "titan" in text or "ti-6al" in text:
        return "Ti-6Al-4V" if "6al" in text else ""
    if "nickel" in text or "718" in text:
        return "nickel alloy 718" if any(n in text for n in ("718", "nicr19fe19nb5mo3", "2.4668")) else ""
    if "alumin" in text:
        return "aluminium"
    if any(word in text for word in ("cast iron", "gjs", "gjl", "grey iron", "gray iron", "ductile", "nodular")):
        return "ductile iron" if any(n in text for n in ("gjs", "ductile", "nodular", "spher")) else "grey iron"
    return "carbon steel" if "steel" in text else ""


def metal(
    name: str, family: str, austenitic: bool = False, expansion_per_k: float | None = None,
    yields: Sequence[tuple[float | None, float]] = (), moduli: Sequence[tuple[float | None, float]] = (),
) -> Metal:  # fmt: skip
    """A material as the checks need it.

    expansion_per_k  the shop's own mean expansion near 20 °C
    yields, moduli   the shop's own figures (temperature [°C], MPa and GPa): they overrule the tables. A temperature of
                     None is 20 °C: alone, it scales the table's course

    >>> steel = metal("42CrMo4", "low-alloy steel", yields=[(None, 500.0)])
    >>> round(steel.onset_mpa(400.0)), steel.modulus_gpa(600.0)
    (210, 65.1)
    """
    group = group_of(family, name, austenitic)
    known = properties()
    modulus = known.get((group, "modulus"))
    if moduli:
        cold = [v for t, v in moduli if t is None]
        points = tuple(sorted((20.0 if t is None else t, v) for t, v in moduli))
        modulus = modulus.scaled(cold[0], OWN) if len(points) == len(cold) and modulus else Curve(points, OWN)
    mean = known.get((group, "mean expansion"))
    strain = _STRAINS.get(group)
    if strain is None and mean is not None and len(mean.points) > 1:
        strain = (lambda t, mean=mean: (t - 20.0) * (mean.at(t) or 0.0) * 1e-6, mean.points[0][0], mean.points[-1][0],
                  mean.source)  # fmt: skip
    own = expansion_per_k
    if own is None and mean is not None:
        own = mean.points[0][1] * 1e-6 if strain is None else None
    hot = [(t, v) for t, v in yields if t is not None]
    at_20 = next((v for t, v in yields if t is None), None)
    onset = Curve(tuple(sorted([*hot, *([(20.0, at_20)] if at_20 is not None else [])])), OWN) if hot else None
    share = known.get((group, "onset share"))
    if group == "aluminium" and "6061" in name:
        share = known.get(("aluminium 6061-T6", "onset share"))
    return Metal(
        name, group, modulus, modulus is not None and len(modulus.points) == 1, known.get((group, "poisson"), _POISSON),
        strain, own, share, onset, at_20,
    )  # fmt: skip
