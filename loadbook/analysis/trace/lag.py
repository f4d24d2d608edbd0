"""Section lag: how far the middle of a section is behind its surface while it is heated at a steady rate.

Half-thickness (or radius) L, rate r, thermal diffusivity a: once steady, surface minus centre is r L^2 / (k a) with
k = 2 for a slab heated on both sides, 4 for a long cylinder, 6 for a sphere.
Source: Carslaw & Jaeger, Conduction of Heat in Solids, 2nd ed. (1959), ch. III, VII, IX; one-term coefficients as in
Cengel, Heat and Mass Transfer, table 4-2.
"""

from __future__ import annotations

import math
from typing import Literal

import numpy as np

from loadbook.core.errors import CalculationError

from .model import Floats

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


def mean_lag_c(half_mm: float, rate_c_per_h: float, diffusivity_m2_per_s: float) -> float:
    """Surface minus a slab's mean temperature [°C difference], steady rate: r L^2 / (3 a).

    >>> round(mean_lag_c(25.0, 100.0, 1.2e-5), 4)
    0.4823
    """
    return section_lag_c("slab", half_mm, rate_c_per_h, diffusivity_m2_per_s) * 2.0 / 3.0


def fourier(seconds: float | Floats, half_mm: float, diffusivity_m2_per_s: float) -> Floats:
    """Fourier number a t / L^2.

    >>> round(float(fourier(52.083333, 25.0, 1.2e-5)), 6)
    1.0
    """
    return np.asarray(diffusivity_m2_per_s * np.asarray(seconds) / (half_mm / 1000.0) ** 2)


def settled_share(fourier_number: float | Floats, shape: Shape = "slab") -> Floats:
    """Share of the steady centre lag that has built up since the surface began to rise at a steady rate.

    >>> [round(float(settled_share(fo)), 5) for fo in (0.1, 0.5, 2.0)]
    [0.19775, 0.69945, 0.99258]
    """
    fo = np.asarray(fourier_number, dtype=float)[..., None]
    k = np.arange(60)
    if shape == "slab":
        odd = 2 * k + 1
        left = 32.0 / math.pi**3 * (-1.0) ** k / odd**3 * np.exp(-((odd * math.pi / 2.0) ** 2) * fo)
    elif shape == "cylinder":
        from scipy.special import j1, jn_zeros  # here: its import costs as much as ten runs, and no run needs it

        root = jn_zeros(0, 60)
        left = 8.0 / (root**3 * j1(root)) * np.exp(-(root**2) * fo)
    else:
        one = k + 1
        left = 12.0 / math.pi**2 * (-1.0) ** k / one**2 * np.exp(-((one * math.pi) ** 2) * fo)
    return np.asarray(np.where(fo[..., 0] > 0.0, 1.0 - left.sum(axis=-1), 0.0))


def one_term(shape: Shape, biot: float) -> tuple[float, float]:
    """First eigenvalue and coefficient of a body that is put into surroundings of another temperature.

    biot      h L / k with L the half-thickness or radius, > 0
    Returns   lambda1, A1: centre excess over start excess is A1 exp(-lambda1^2 Fo) for Fo > 0.2
    Source    the transcendental equations in Carslaw & Jaeger; checked against Cengel, table 4-2

    >>> [round(x, 4) for x in one_term("slab", 1.0)]
    [0.8603, 1.1191]
    """
    from scipy.special import j0, j1, jn_zeros

    if not biot > 0.0:
        raise CalculationError(
            f"a Biot number of {biot!r} is none", remedy="Give a heat-transfer coefficient above zero"
        )
    top = {"slab": math.pi / 2.0, "cylinder": float(jn_zeros(0, 1)[0]), "sphere": math.pi}[shape]
    low, high = 0.0, top

    def excess(x: float) -> float:
        """Rises from -biot through zero at the eigenvalue."""
        if shape == "slab":
            return x * math.sin(x) - biot * math.cos(x)
        if shape == "cylinder":
            return float(x * j1(x) - biot * j0(x))
        return math.sin(x) * (1.0 - biot) - x * math.cos(x) if x > 0.0 else -biot

    for _ in range(80):
        x = 0.5 * (low + high)
        low, high = (low, x) if excess(x) > 0.0 else (x, high)
    x = 0.5 * (low + high)
    if shape == "slab":
        return x, 4.0 * math.sin(x) / (2.0 * x + math.sin(2.0 * x))
    if shape == "cylinder":
        return x, float(2.0 / x * j1(x) / (j0(x) ** 2 + j1(x) ** 2))
    return x, 4.0 * (math.sin(x) - x * math.cos(x)) / (2.0 * x - math.sin(2.0 * x))


def diffusivity(conductivity_w_mk: float, density_kg_m3: float, specific_heat_j_kgk: float) -> float:
    """Thermal diffusivity [m2/s] from a material's record.

    >>> round(diffusivity(42.0, 7850.0, 475.0) * 1e6, 2)
    11.26
    """
    return conductivity_w_mk / (density_kg_m3 * specific_heat_j_kgk)
