"""How much more or less the pieces of one part number scatter than others: a spread factor per part number.

Every run of a part number gives q, the mean of its squared left-out scores over that of all. Their sum over n runs is
judged against an F law with (n, nu0) degrees: nu0 says how far part numbers differ in spread, is learned from all of
them, and draws each towards 1: f² = (nu0 + S)/(nu0 + n). A run's own score is judged by a factor that left it out.

Source: squeezed variances after Smyth 2004, Statistical Applications in Genetics and Molecular Biology 3(1), article 3.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import betaln

from loadbook.analysis.trace.model import Floats

from .backtest import Scores
from .cells import Ints

PRIOR_DF = (3.0, 5.0, 8.0, 12.0, 20.0, 35.0, 60.0, 1000.0)
BLUNDER = 36.0  # a squared score beyond this is a blunder, not a spread


@dataclass(frozen=True)
class PartSpread:
    """Spread factors. nu0 what other part numbers speak for; total, runs per series; of_pieces own run left out."""

    nu0: float
    total: Floats
    runs: Floats
    of_pieces: Floats

    def factor(self, series: int | None) -> float:
        """f of a part number's series; 1 for one without runs."""
        if series is None:
            return 1.0
        return float(np.sqrt((self.nu0 + self.total[series]) / (self.nu0 + self.runs[series])))

    def df(self, series: int | None) -> float:
        """Degrees of freedom behind that factor."""
        return self.nu0 + (0.0 if series is None else float(self.runs[series]))


def part_spread(found: Scores, factor: Floats, series: Ints, run: Ints) -> PartSpread:
    """Spread factors from left-out scores.

    factor (pieces,) class factors;  series, run (pieces,) codes
    """
    square = np.minimum((found.score / factor) ** 2, BLUNDER)
    overall = max(float(np.average(square, weights=found.weight)), 1e-9)
    pair = series.astype(np.int64) * (int(run.max()) + 1) + run
    _, first, code, count = np.unique(pair, return_index=True, return_inverse=True, return_counts=True)
    q = np.asarray(np.bincount(code, weights=square) / count / overall, dtype=np.float64)
    owner = series[first]
    many = int(series.max()) + 1
    total: Floats = np.bincount(owner, weights=q, minlength=many).astype(np.float64)
    runs: Floats = np.bincount(owner, minlength=many).astype(np.float64)
    several = runs >= 2
    best = max(PRIOR_DF, key=lambda nu0: _log_f(total[several], runs[several], nu0)) if several.any() else PRIOR_DF[-1]
    own = q[code]
    rest = np.maximum(best + total[series] - own, 1e-9) / (best + runs[series] - 1.0)
    return PartSpread(best, total, runs, np.sqrt(rest))


def _log_f(total: Floats, runs: Floats, nu0: float) -> float:
    """Log density of F(runs, nu0) at total/runs, summed."""
    x = np.maximum(total / runs, 1e-9)
    a, b = runs / 2.0, nu0 / 2.0
    return float(
        np.sum(a * np.log(runs / nu0) + (a - 1.0) * np.log(x) - (a + b) * np.log1p(runs * x / nu0) - betaln(a, b))
    )
