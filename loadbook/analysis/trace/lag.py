"""Section lag: how far the middle of a section is behind its surface while it is heated at a steady rate.

Half-thickness (or radius) L, rate r, thermal diffusivity a: once steady, surface minus centre is r L^2 / (k a) with
k = 2 for a slab heated on both sides, 4 for a long cylinder, 6 for a sphere.
Source: Carslaw & Jaeger, Conduction of Heat in Solids, 2nd ed. (1959), ch. III, VII, IX.
"""

from __future__ import annotations

from typing import Literal

from loadbook.core.errors import CalculationError

Shape = Literal["slab", "cylinder", "sphere"]
DIVISOR: dict[Shape, float] = {"slab": 2.0, "cylinder": 4.0, "sphere": 6.0}

_CYLINDERS = ("shaft", "bar", "rod", "pin", "roll", "round", "spindle", "axle", "mandrel", "bolt", "stud", "cylinder")
_SPHERES = ("ball", "sphere")
_NOT_SOLID = ("ring", "tube", "sleeve", "bush", "pipe", "hollow", "flat")


def shape_of(words: str | None) -> Shape:
    """The body whose section a part's shape is likest: solid rounds are cylinders, balls spheres, all else a slab
    (rings, tubes and sleeves are heated through their wall from both sides).

    >>> shape_of("stepped shaft"), shape_of("ring"), shape_of(None)
    ('cylinder', 'slab', 'slab')
    """
    text = (words or "").casefold()
    if any(w in text for w in _NOT_SOLID):
        return "slab"
    if any(w in text for w in _SPHERES):
        return "sphere"
    return "cylinder" if any(w in text for w in _CYLINDERS) else "slab"


def section_lag_c(shape: Shape, half_mm: float, rate_c_per_h: float, diffusivity_m2_per_s: float) -> float:
    """Surface minus centre [°C difference] once heating at a steady rate has settled.

    half_mm   half-thickness of a slab heated on both sides, or the radius [mm]
    Raises    CalculationError where the diffusivity is not above zero

    >>> [round(section_lag_c(s, 25.0, 100.0, 1.2e-5), 4) for s in ("slab", "cylinder", "sphere")]
    [0.7234, 0.3617, 0.2411]
    """
    if not diffusivity_m2_per_s > 0.0:
        raise CalculationError(
            f"a thermal diffusivity of {diffusivity_m2_per_s!r} m2/s is none",
            remedy="Record the material's conductivity, density and specific heat",
        )
    return rate_c_per_h / 3600.0 * (half_mm / 1000.0) ** 2 / (DIVISOR[shape] * diffusivity_m2_per_s)


def diffusivity(conductivity_w_mk: float, density_kg_m3: float, specific_heat_j_kgk: float) -> float:
    """Thermal diffusivity [m2/s] from a material's record.

    >>> round(diffusivity(42.0, 7850.0, 475.0) * 1e6, 2)
    11.26
    """
    return conductivity_w_mk / (density_kg_m3 * specific_heat_j_kgk)
