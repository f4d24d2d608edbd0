"""The one-sided bound that stock is sized by, and the degrees of freedom where nothing could be back-tested.

Source: the bound is a generalised (fiducial) confidence bound for a quantile of a mixed model (Krishnamoorthy &
Mathew 2009, Statistical Tolerance Regions, ch. 4 to 6), widened by what the back-test shows;
degrees of freedom after Satterthwaite 1946, Biometrics Bulletin 2, 110-114.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy.special import ndtri

from loadbook.analysis.trace.model import Floats

from .backtest import weighted_quantile

DRAWS = 20_000
SEED = 20_260_101


def satterthwaite(parts: Sequence[tuple[float, float]]) -> float:
    """Degrees of freedom of a sum of variances, each with its own.

    parts  (variance, degrees of freedom) each

    >>> satterthwaite([(4.0, 10.0)]), round(satterthwaite([(4.0, 10.0), (1.0, 5.0)]), 2)
    (10.0, 13.89)
    """
    total = sum(v for v, _ in parts)
    below = sum(v * v / max(df, 1.0) for v, df in parts)
    return max(total * total / below, 1.0) if below > 0 else 1.0


def one_sided(
    mean: float,
    v_mean: float,
    v_piece: float,
    factor: float,
    df1: float,
    df2: float,
    side: int,
    signed: Floats,
    weight: Floats,
    content: float = 0.95,
    confidence: float = 0.95,
) -> tuple[float, float]:
    """Bound that `content` of pieces stay within on one side, with `confidence`.

    m + side·r·Q_confidence[ t_df1·√v_mean + z_content·f·√v_piece·√(df2/χ²_df2) ]

    mean, v_mean     expectation and its variance;  v_piece = S2 + s²: a new run and a new piece
    factor           spread factor f;  df1, df2 degrees of freedom of the mean and of the spread
    side             +1 upper, −1 lower
    signed, weight   back-tested scores over f, counted positive towards the side, and their weights
    Returns          (bound, r); r = max(1, back-tested quantile of the signed score over z_content), where
                     too few groups reach the quantile their worst score stands in for it. Draws have a fixed seed.
    """
    z = float(ndtri(content))
    reached = weighted_quantile(signed, weight, content)
    if not np.isfinite(reached):
        reached = float(signed.max()) if len(signed) else z
    ratio = max(1.0, reached / z)
    rng = np.random.Generator(np.random.PCG64(SEED))
    shift = rng.standard_t(df1, DRAWS) * np.sqrt(v_mean)
    spread = z * factor * np.sqrt(v_piece) * np.sqrt(df2 / rng.chisquare(df2, DRAWS))
    return mean + side * ratio * float(np.quantile(shift + spread, confidence)), ratio
