"""Thermal stress from temperature differences inside a section, between sections, and what yielding leaves behind.

S = E a / (1 - nu). Elastic, constant properties, away from ends and edges by about a thickness. Tension is positive:
while a piece is heated its surface is in compression. The settled forms belong to a surface that rises at a steady
rate; `lag_stress` takes any course, from the surface, middle and mean temperatures that an integration gives.

Sources: Boley & Weiner, Theory of Thermal Stresses (1960), ch. 9; Timoshenko & Goodier, Theory of Elasticity, ch. 13;
the forms were derived again and compared with finite differences (tests/test_physics.py).
Units: E and stresses MPa, lengths mm, temperatures °C, rates °C/h, diffusivity m²/s.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from loadbook.analysis.trace.lag import DIVISOR, Shape, section_lag_c
from loadbook.core.errors import CalculationError

# surface minus mean, and the centre's stress, as shares: see the table of `settled`
_MEAN = {"slab": 3.0, "cylinder": 8.0, "sphere": 15.0}
_CENTRE = {"slab": 0.5, "cylinder": 1.0, "sphere": 1.0}


@dataclass(frozen=True)
class Settled:
    """A section heated at a steady rate for long: differences [°C], stresses [MPa] at the surface and in the middle."""

    lag_c: float
    surface_to_mean_c: float
    surface_mpa: float
    middle_mpa: float


def modulus_factor(modulus_mpa: float, expansion_per_k: float, poisson: float) -> float:
    """S = E a / (1 - nu) [MPa/K].

    >>> round(modulus_factor(200e3, 12e-6, 0.3), 4)
    3.4286
    """
    return modulus_mpa * expansion_per_k / (1.0 - poisson)


def settled(
    shape: Shape, half_mm: float, rate_c_per_h: float, diffusivity_m2_per_s: float, factor_mpa_per_k: float
) -> Settled:
    """Stress of a steady heating rate; a cooling rate is negative.

    half_mm           half-thickness of a slab heated on both sides, or the radius
    factor_mpa_per_k  `modulus_factor`
    Formula           surface minus mean: B L²/(3 D) slab, B R²/(8 D) cylinder, B R²/(15 D) sphere; surface -S times it;
                      middle half of that in a slab, all of it in a cylinder (axial) and a sphere, with the other sign

    >>> round(settled("slab", 50.0, 200.0, 1e-5, modulus_factor(200e3, 12e-6, 0.3)).surface_mpa, 3)
    -15.873
    """
    lag = section_lag_c(shape, half_mm, rate_c_per_h, diffusivity_m2_per_s)
    mean = lag * DIVISOR[shape] / _MEAN[shape]
    surface = -factor_mpa_per_k * mean
    return Settled(lag, mean, surface, -surface * _CENTRE[shape])


def rate_for_stress(
    shape: Shape, half_mm: float, stress_mpa: float, diffusivity_m2_per_s: float, factor_mpa_per_k: float
) -> float:
    """Steady heating rate [°C/h] whose settled surface stress has this size.

    >>> round(rate_for_stress("slab", 50.0, 50.0, 1e-5, modulus_factor(200e3, 12e-6, 0.3)), 1)
    630.0
    """
    one = settled(shape, half_mm, 1.0, diffusivity_m2_per_s, factor_mpa_per_k)
    return stress_mpa / -one.surface_mpa


def settled_share(fourier_number: float, shape: Shape = "slab") -> float:
    """Share of the settled surface stress that has built up since the surface began to rise.

    fourier_number  D t / L²
    Source          the series of Carslaw & Jaeger, ch. III, VII, IX, averaged over the section

    >>> [round(settled_share(0.5, s), 3) for s in ("slab", "cylinder", "sphere")]
    [0.713, 0.947, 0.993]
    """
    if shape == "slab":
        left = [(6.0 / x**4, x) for x in ((k + 0.5) * math.pi for k in range(60))]
    elif shape == "cylinder":
        from scipy.special import jn_zeros  # here: its import costs much, and only tests of start-up need it

        left = [(32.0 / x**4, x) for x in map(float, jn_zeros(0, 60))]
    else:
        left = [(90.0 / x**4, x) for x in (k * math.pi for k in range(1, 60))]
    return 1.0 - sum(c * math.exp(-x * x * fourier_number) for c, x in left)


def lag_stress(
    shape: Shape, surface_c: float, middle_c: float, mean_c: float, factor_mpa_per_k: float
) -> tuple[float, float]:
    """Stress at the surface and in the middle [MPa] of a section free to expand, whatever its course was.

    mean_c   the mean over the section's volume
    Returns  surface: biaxial, S (mean - surface) in all three bodies; middle: S (mean - middle), in a sphere 2/3 of it
             from all sides. In a cylinder the middle's radial and hoop stresses are half its axial one.

    >>> round(lag_stress("sphere", 8.0, 3.0, 6.0, 3.0)[1], 1)
    6.0
    """
    middle = factor_mpa_per_k * (mean_c - middle_c) * (2.0 / 3.0 if shape == "sphere" else 1.0)
    return factor_mpa_per_k * (mean_c - surface_c), middle


def one_sided(
    thickness_mm: float, rate_c_per_h: float, diffusivity_m2_per_s: float, modulus_mpa: float, expansion_per_k: float,
    poisson: float, length_mm: float,
) -> tuple[float, float]:  # fmt: skip
    """A plate heated on one face, insulated on the other and free to bend: stress of both faces [MPa] and the bow over
    a length [mm].

    Formula  stress -S B L²/(12 D); curvature a B L/(2 D), bow curvature X²/8
    """
    rise = rate_c_per_h / 3600.0
    m = thickness_mm / 1000.0
    face = -modulus_factor(modulus_mpa, expansion_per_k, poisson) * rise * m * m / (12.0 * diffusivity_m2_per_s)
    curvature = expansion_per_k * rise * m / (2.0 * diffusivity_m2_per_s)
    return face, curvature * (length_mm / 1000.0) ** 2 / 8.0 * 1000.0


def film_lag_c(rate_c_per_h: float, volume_per_area_mm: float, heat_j_m3k: float, film_w_m2k: float) -> float:
    """Furnace ahead of a thin-walled body [°C difference] at a steady rate: B rho c V/(h A).

    heat_j_m3k  density times specific heat

    >>> round(film_lag_c(200.0, 50.0, 7850.0 * 500.0, 50.0) - film_lag_c(200.0, 10.0, 7850.0 * 500.0, 50.0), 2)
    174.44
    """
    if not film_w_m2k > 0.0:
        raise CalculationError("a film of heat transfer is above zero W/(m² K)")
    return rate_c_per_h / 3600.0 * heat_j_m3k * volume_per_area_mm / 1000.0 / film_w_m2k


def conduction_difference_c(thick_mm: float, thin_mm: float, rate_c_per_h: float, diffusivity_m2_per_s: float) -> float:
    """Thin slab's mean ahead of the thick one's [°C difference] when both surfaces rise at the same rate. What the film
    does is mostly far larger (`film_lag_c`): never take this alone.

    >>> round(conduction_difference_c(100.0, 20.0, 200.0, 1e-5), 3)
    4.444
    """
    return rate_c_per_h / 3600.0 * (thick_mm**2 - thin_mm**2) * 1e-6 / (12.0 * diffusivity_m2_per_s)


@dataclass(frozen=True)
class Member:
    """One of two members forced to one length: its area (any unit), modulus [MPa] and expansion [1/K]."""

    area: float
    modulus_mpa: float
    expansion_per_k: float


def pair_stress(one: Member, other: Member, one_c: float, other_c: float) -> tuple[float, float]:
    """Stress [MPa] in each of two parallel members of one length, from how far each stands above the stress-free
    temperature [°C difference].

    >>> same = Member(1.0, 200e3, 12e-6)
    >>> round(pair_stress(same, same, 0.0, 174.444)[1], 2)
    -209.33
    """
    wanted = one.expansion_per_k * one_c - other.expansion_per_k * other_c
    stiff = one.modulus_mpa * one.area + other.modulus_mpa * other.area
    first = -wanted * one.modulus_mpa * other.modulus_mpa * other.area / stiff
    return first, -first * one.area / other.area


@dataclass(frozen=True)
class Residual:
    """What an uneven cycle leaves in the lighter of two members: its elastic demand [MPa], the difference [°C] at which
    yielding begins, and the stress left once both are equally warm [MPa], as if elastic and capped at yield."""

    demand_mpa: float
    yields_at_c: float
    left_uncapped_mpa: float
    left_mpa: float


def two_bars(heavy_area: float, light_area: float, modulus_mpa: float, expansion_per_k: float, difference_c: float,
             yield_mpa: float) -> Residual:  # fmt: skip
    """The two-bar model: heavy and light member, the light one ahead by difference_c, E and yield of the hot state.

    >>> found = two_bars(3.0, 1.0, 165e3, 14e-6, 300.0, 150.0)
    >>> round(found.demand_mpa, 2), round(found.yields_at_c, 2), found.left_mpa
    (519.75, 86.58, -150.0)
    """
    share = heavy_area / (heavy_area + light_area)
    demand = modulus_mpa * expansion_per_k * difference_c * share
    beyond = max(0.0, demand - yield_mpa)
    return Residual(demand, yield_mpa / (modulus_mpa * expansion_per_k * share), -beyond, -min(beyond, yield_mpa))
