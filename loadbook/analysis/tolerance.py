"""Tolerance factors: how wide must an interval be to hold a stated share of all pieces, with stated confidence.

Exact for normal values (no approximation of Howe or Natrella), and distribution-free by order statistics.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
from scipy import special

from loadbook.core.errors import CalculationError

from .quantiles import Floats


@lru_cache(maxsize=1)
def _nodes() -> tuple[Floats, Floats]:
    """Nodes and weights on -1..1; made when first needed, since it takes 15 ms."""
    return np.polynomial.legendre.leggauss(120)


def _checked(n: float, coverage: float, confidence: float, df: float | None) -> float:
    """The degrees of freedom of a tolerance factor, its arguments checked."""
    _check(coverage, confidence)
    df = n - 1.0 if df is None else float(df)
    if not (n > 0 and df > 0):
        raise CalculationError(f"a tolerance factor needs at least 2 values, here n = {n:g} and df = {df:g}")
    return df


def _check(coverage: float, confidence: float) -> None:
    if not (0.0 < coverage < 1.0 and 0.0 < confidence < 1.0):
        raise CalculationError(
            f"coverage {coverage:g} and confidence {confidence:g} must lie between 0 and 1",
            remedy="Write them as fractions, like 0.95",
        )


@lru_cache(maxsize=512)
def two_sided_factor(n: float, coverage: float, confidence: float, df: float | None = None) -> float:
    """k such that mean ± k s holds `coverage` of a normal population with `confidence`.

    n           number of values behind the mean (may be an effective number), > 0, inf allowed
    df          degrees of freedom of s; None = n - 1.  Pooled s of m samples of n: df = m (n - 1)
    Returns     k [-]
    Formula     confidence = E_z P(chi2_df > df r(z)^2 / k^2), z ~ N(0, 1/n), Phi(z + r) - Phi(z - r) = coverage
    Raises      CalculationError where df < 1 or a share is not inside 0..1
    Source      ISO 16269-6:2014, Annex F (the pooled case m > 1 included)

    >>> round(two_sided_factor(10, 0.95, 0.95), 3)
    3.393
    """
    df = _checked(n, coverage, confidence, df)
    if math.isinf(n):
        half = np.array([float(special.ndtri(0.5 + coverage / 2.0))])
        weight = np.array([1.0])
    else:
        reach = 8.5 / math.sqrt(n)
        nodes, weights = _nodes()
        z = 0.5 * reach * (nodes + 1.0)
        weight = weights * reach * math.sqrt(n / (2.0 * math.pi)) * np.exp(-0.5 * n * z * z)
        half = half_width(z, coverage)
    if math.isinf(df):
        # s is known: k is the half width that `confidence` of all means need.
        if math.isinf(n):
            return float(half[0])
        return float(half_width(np.array([-special.ndtri((1.0 - confidence) / 2.0) / math.sqrt(n)]), coverage)[0])

    def short(k: float) -> float:
        held = special.chdtrc(df, df * half * half / (k * k))
        return float(np.dot(weight, held)) - confidence

    low, high = 1e-3, 10.0
    while short(high) < 0.0:
        low, high = high, high * 4.0
    for _ in range(80):
        middle = math.sqrt(low * high)
        low, high = (middle, high) if short(middle) < 0.0 else (low, middle)
        if high / low - 1.0 < 1e-13:
            break
    return math.sqrt(low * high)


def half_width(z: Floats, coverage: float) -> Floats:
    """r with Phi(z + r) - Phi(z - r) = coverage, by Newton from above (the function is concave there)."""
    r = np.abs(z) + float(special.ndtri(0.5 + coverage / 2.0))
    for _ in range(60):
        gap = special.ndtr(z + r) - special.ndtr(z - r) - coverage
        slope = (np.exp(-0.5 * (z + r) ** 2) + np.exp(-0.5 * (z - r) ** 2)) / math.sqrt(2.0 * math.pi)
        step = gap / slope
        r = r - np.clip(step, -0.5, 0.5)
        if float(np.max(np.abs(step))) < 1e-14:
            break
    return np.asarray(r, dtype=np.float64)


@lru_cache(maxsize=512)
def one_sided_factor(n: float, coverage: float, confidence: float, df: float | None = None) -> float:
    """k such that mean + k s lies above `coverage` of a normal population with `confidence`.

    n, df    as in two_sided_factor
    Formula  k = t'(confidence; df, z_coverage sqrt(n)) / sqrt(n), t' the noncentral t quantile
    Source   NIST/SEMATECH e-Handbook 7.2.6.3

    >>> round(one_sided_factor(10, 0.95, 0.95), 3)
    2.911
    """
    df = _checked(n, coverage, confidence, df)
    shift = float(special.ndtri(coverage)) * math.sqrt(n)
    return float(special.nctdtrit(df, shift, confidence)) / math.sqrt(n)


def free_rank(n: int, coverage: float, confidence: float) -> int | None:
    """Rank from the extreme of the order statistic that bounds `coverage` of any population with `confidence`.

    n        number of independent values
    Returns  1 for the extreme value itself, 2 for the next, ...; None where n is too small
    Formula  largest r with P(Binomial(n, 1 - coverage) >= r) >= confidence
    Source   Meeker, Hahn & Escobar, Statistical Intervals (2017), section 5.3

    >>> free_rank(60, 0.95, 0.95), free_rank(10, 0.90, 0.90)
    (1, None)
    """
    _check(coverage, confidence)
    ranks = np.arange(1, n + 1)
    good = special.bdtrc(ranks - 1, n, 1.0 - coverage) >= confidence
    return int(ranks[good][-1]) if good.any() else None


def free_confidence(n: int, coverage: float, sides: int = 2) -> float:
    """Confidence that n values, smallest to largest (or the largest alone, sides = 1), hold `coverage` of all.

    Formula  1 - n p^(n-1) + (n-1) p^n;  one side 1 - p^n
    Source   NIST/SEMATECH e-Handbook 7.2.6.4

    >>> round(free_confidence(25, 0.90), 3)
    0.729
    """
    if n < sides:
        return 0.0
    power = coverage ** (n - 1)
    return 1.0 - n * power + (n - 1) * power * coverage if sides == 2 else 1.0 - power * coverage


def free_size(coverage: float, confidence: float, sides: int = 2) -> int:
    """Fewest values whose extremes hold `coverage` of any population with `confidence`.

    >>> free_size(0.90, 0.95), free_size(0.95, 0.95, sides=1)
    (46, 59)
    """
    _check(coverage, confidence)
    low, high = 1, 2
    while free_confidence(high, coverage, sides) < confidence:
        low, high = high, high * 2
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (middle, high) if free_confidence(middle, coverage, sides) < confidence else (low, middle)
    return high
