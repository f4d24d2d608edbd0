"""Sag under own weight, elastic at temperature: beams, flat and standing rings and tubes.

Sources: closed forms of beam and ring theory (Timoshenko; Roark), derived again; the rings compared with frames
and a grillage. Slender beams (length over depth above 10), two lines of support, small sag. With three or more supports
the level of the hearth decides. Units: lengths mm, E in GPa, density kg/m³, sag mm.

Not covered, and so never shown as a figure: creep at the stresses of own weight (1 to 5 MPa: the creep laws on record
were measured at many times that and do not explain sag), and what a transformation does to a loaded piece.
"""

from __future__ import annotations

import math

from loadbook.core.errors import CalculationError

GRAVITY = 9.80665
POISSON = 0.3
STANDING = (-0.46737, 0.42918)  # change of the vertical and the horizontal diameter, per w R^4/(E I)


def beam(span_share: float) -> tuple[float, float]:
    """Coefficients (middle, ends) of a beam of length L on two supports, span_share L apart and equally far in: sag is
    coefficient w L^4/(E I), down positive, from the level of the supports.

    >>> [round(1e4 * c, 4) for c in beam(0.5)]
    [-1.6276, 11.3932]
    """
    if not 0.0 < span_share <= 1.0:
        raise CalculationError("supports stand between no distance and the whole length apart")
    s, b = span_share, 0.5 * (1.0 - span_share)
    return (5.0 * s**4 - 24.0 * b**2 * s**2) / 384.0, b * (3.0 * b**3 + 6.0 * b**2 * s - s**3) / 24.0


def worst(span_share: float) -> float:
    """The larger of the two coefficients' sizes."""
    return max(abs(c) for c in beam(span_share))


def best_span() -> float:
    """The span, as a share of the length, at which the largest sag is least: middle and ends sag alike.

    >>> round(best_span(), 4), round(1e4 * worst(best_span()), 3)
    (0.5537, 2.697)
    """
    low, high = 0.53, 0.57
    for _ in range(60):
        s = 0.5 * (low + high)
        middle, end = beam(s)
        low, high = (s, high) if middle < end else (low, s)
    return 0.5 * (low + high)


def weight_over_stiffness(form: str, depth_mm: float, density_kg_m3: float, modulus_gpa: float) -> float:
    """w/(E I) [1/m³] of a beam: 'round' (depth its diameter) or 'flat' (rectangle of that depth)."""
    gyration2 = (depth_mm / 1000.0) ** 2 / (16.0 if form == "round" else 12.0)
    return density_kg_m3 * GRAVITY / (modulus_gpa * 1e9 * gyration2)


def beam_sag_mm(length_mm: float, over_stiffness_per_m3: float, coefficient: float) -> float:
    """Sag [mm]: coefficient w L^4/(E I).

    >>> w = weight_over_stiffness("round", 40.0, 7850.0, 210.0)
    >>> round(beam_sag_mm(1500.0, w, beam(1.0)[0]), 4)
    0.2416
    """
    return coefficient * over_stiffness_per_m3 * (length_mm / 1000.0) ** 4 * 1000.0


def widest_span_mm(length_mm: float, over_stiffness_per_m3: float, limit_mm: float) -> float | None:
    """The widest span between two supports, equally far from the ends, whose largest sag stays within a limit; None
    where none does. The ends overhang by half of the rest each.

    >>> w = weight_over_stiffness("round", 40.0, 7850.0, 46.2)
    >>> round(widest_span_mm(1500.0, w, 0.10) or 0.0)
    943
    """
    best = best_span()
    if beam_sag_mm(length_mm, over_stiffness_per_m3, worst(best)) > limit_mm:
        return None
    low, high = best, 1.0
    if beam_sag_mm(length_mm, over_stiffness_per_m3, worst(1.0)) <= limit_mm:
        return length_mm
    for _ in range(50):
        s = 0.5 * (low + high)
        low, high = (s, high) if beam_sag_mm(length_mm, over_stiffness_per_m3, worst(s)) <= limit_mm else (low, s)
    return low * length_mm


def flat_ring(supports: int) -> tuple[float, float]:
    """Coefficients (bending, torsion) of a flat ring on equally spaced points: the drop between two of them is
    w R^4 (bending/(E I) + torsion/(G J)).

    Moments per w R²: M = h cos f/sin h - 1, T = h sin f/sin h - f, f from midspan, h = pi/supports. Virtual ones, of a
    unit load at each midspan: m = k cos f - sin f/2, t = k sin f + cos f/2 - 1/2, k = (1 - cos h)/(2 sin h); the drop
    is 2 R^4 times the integrals of M m/(E I) and T t/(G J) from midspan to support.

    >>> [round(c, 5) for c in flat_ring(3)]
    [0.06324, 0.00695]
    """
    if supports < 2:
        raise CalculationError("a ring stands on two points or more")
    h = math.pi / supports
    k = 0.5 * (1.0 - math.cos(h)) / math.sin(h)
    steps = 200
    bend = twist = 0.0
    for i in range(steps):
        f = (i + 0.5) * h / steps
        sine, cosine = math.sin(f), math.cos(f)
        bend += (h * cosine / math.sin(h) - 1.0) * (k * cosine - 0.5 * sine)
        twist += (h * sine / math.sin(h) - f) * (k * sine + 0.5 * cosine - 0.5)
    return 2.0 * bend * h / steps, 2.0 * twist * h / steps


def flat_ring_mm(radius_mm: float, wide_mm: float, high_mm: float, supports: int, density_kg_m3: float,
                 modulus_gpa: float) -> float:  # fmt: skip
    """Drop [mm] between two of the points that a flat ring lies on; its section wide_mm (radial) by high_mm (axial).

    >>> round(flat_ring_mm(500.0, 40.0, 40.0, 4, 7850.0, 46.2), 4)
    0.0154
    """
    bending, torsion = flat_ring(supports)
    b, h = wide_mm / 1000.0, high_mm / 1000.0
    load, stiff = density_kg_m3 * GRAVITY * b * h, modulus_gpa * 1e9
    over = bending / (stiff * b * h**3 / 12.0)
    over += torsion / (stiff / (2.0 * (1.0 + POISSON)) * torsion_constant(b, h))
    return load * (radius_mm / 1000.0) ** 4 * over * 1000.0


def torsion_constant(wide_mm: float, thick_mm: float) -> float:
    """J [mm^4] of a rectangle (Roark's formula): 0.1406 a^4 for a square.

    >>> round(torsion_constant(1.0, 1.0), 4)
    0.1408
    """
    a, b = max(wide_mm, thick_mm), min(wide_mm, thick_mm)
    return a * b**3 * (1.0 / 3.0 - 0.21 * b / a * (1.0 - b**4 / (12.0 * a**4)))


def standing_ring_mm(radius_mm: float, wall_mm: float, density_kg_m3: float, modulus_gpa: float) -> float:
    """Change of the vertical diameter [mm] of a ring or tube standing on a line, whatever its width (negative: less).

    >>> round(standing_ring_mm(500.0, 10.0, 7850.0, 140.0), 3)
    -1.927
    """
    over = weight_over_stiffness("flat", wall_mm, density_kg_m3, modulus_gpa)
    return STANDING[0] * over * (radius_mm / 1000.0) ** 4 * 1000.0
