"""The one-sided bound that stock is sized by, and the degrees of freedom where nothing could be back-tested.

Source: the bound is a generalised (fiducial) confidence bound for a quantile of a mixed model (Krishnamoorthy &
Mathew 2009, Statistical Tolerance Regions, ch. 4 to 6), widened by what the back-test shows;
degrees of freedom after Satterthwaite 1946, Biometrics Bulletin 2, 110-114.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtri

from loadbook.analysis.trace.model import Floats

from .backtest import weighted_quantile
from .cells import PLAIN, Warp

DRAWS = 20_000
SEED = 20_260_101
RAISED = 0.7  # standard errors of its own that the back-tested quantile is raised by
JOINT_DRAWS, JOINT_PIECES = 400, 4000


def satterthwaite(parts: Sequence[tuple[float, float]]) -> float:
    """Degrees of freedom of a sum of variances, each with its own.

    parts  (variance, degrees of freedom) each

    >>> satterthwaite([(4.0, 10.0)]), round(satterthwaite([(4.0, 10.0), (1.0, 5.0)]), 2)
    (10.0, 13.89)
    """
    total = sum(v for v, _ in parts)
    below = sum(v * v / max(df, 1.0) for v, df in parts)
    return max(total * total / below, 1.0) if below > 0 else 1.0


def raised(content: float, groups: int) -> float:
    """The level at which a back-tested quantile is read: its own uncertainty lifts it.

    >>> round(raised(0.95, 60), 4), round(raised(0.95, 10), 4)
    (0.9697, 0.9982)
    """
    return min(content + RAISED * float(np.sqrt(content * (1.0 - content) / max(groups, 1))), 1.0)


@dataclass(frozen=True)
class Predicted:
    """What one more piece will do, before any width is earned: everything on the working scale.

    mean, v_mean, df1  expectation, its variance and degrees
    sd, df2            standard deviation of a new piece in a new run, spread factors in it, and its degrees
    """

    mean: float
    v_mean: float
    df1: float
    sd: float
    df2: float


def one_sided(
    about: Predicted, side: int, signed: Floats, weight: Floats, groups: int, content: float = 0.95,
    confidence: float = 0.95, ratio: float | None = None,
) -> tuple[float, float]:  # fmt: skip
    """Bound that `content` of pieces stay within on one side, with `confidence`.

    m + side·r·Q_confidence[ t_df1·√v_mean + z_content·sd·√(df2/χ²_df2) ]

    side             +1 upper, −1 lower
    signed, weight   back-tested scores over their spread factors, positive towards the side, and their weights
    groups           runs (or part numbers) left out in turn
    ratio            r, where the same scores gave it before
    Returns          (bound, r); r = max(1, the signed scores' quantile at the raised level over z_content), the worst
                     score where the level lies beyond it. Draws have a fixed seed.
    """
    z = float(ndtri(content))
    if ratio is None:
        whole = weight / weight.sum()
        reached = weighted_quantile(signed, whole, min(raised(content, groups), 1.0 - 1e-9))
        if not np.isfinite(reached):
            reached = float(signed.max())
        ratio = max(1.0, reached / z)
    rng = np.random.Generator(np.random.PCG64(SEED))
    shift = rng.standard_t(about.df1, DRAWS) * np.sqrt(about.v_mean)
    spread = z * about.sd * np.sqrt(about.df2 / rng.chisquare(about.df2, DRAWS))
    return about.mean + side * ratio * float(np.quantile(shift + spread, confidence)), ratio


def joint(
    change: Predicted, start: Predicted, pairs: Floats, weight: Floats, side: int, groups: int, content: float = 0.95,
    confidence: float = 0.95, warp: Warp = PLAIN,
) -> float:  # fmt: skip
    """Bound of the movement in µm where the ratio is what repeats: before and change drawn together.

    change, start  of 100·ln(after/before) and of 100·ln(before in µm)
    pairs          (pieces, 2) scaled left-out scores of both, piece by piece;  weight (pieces,)
    warp           the scale that the change was fitted on
    Returns        [µm] the `confidence` quantile of the raised `content` quantile of e^(l/100)·(e^(z/100) − 1)
    """
    rng = np.random.Generator(np.random.PCG64(SEED))
    at = rng.choice(len(pairs), size=JOINT_PIECES, p=weight / weight.sum())
    e_z, e_l = pairs[at, 0], pairs[at, 1]
    level = raised(content, groups)
    found = np.empty(JOINT_DRAWS)
    for j in range(JOINT_DRAWS):
        z, low = (
            x.mean + rng.standard_t(x.df1) * np.sqrt(x.v_mean) + x.sd * np.sqrt(x.df2 / rng.chisquare(x.df2)) * e
            for x, e in ((change, e_z), (start, e_l))
        )
        z = warp.all_back(z)
        moved = np.exp(np.clip(low, -2000.0, 2000.0) / 100.0) * np.expm1(np.clip(z, -2000.0, 2000.0) / 100.0)
        found[j] = np.quantile(side * moved, level)
    return side * float(np.quantile(found, confidence))
