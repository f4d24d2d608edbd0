"""How much more or less the pieces of one part number scatter than others: a spread factor per part number.

Every run of a part number gives q, the mean of its squared left-out scores. Their sum over n runs is judged against
two laws: most part numbers scatter much alike, m·F(n, nu0), and some as they like, m·F(n, OWN). What the common level m
is, how much alike (nu0) and how many do as they like is learned from all of them; each part number's own runs say which
law it follows, and it is drawn towards m by that law: f² = m·(nu + S/m)/(nu + n), over the laws. One that scatters four
times as much as thirty others is so no longer taken for one of them. A run's own score is judged by a factor that left
it out. Of few runs the factor is itself uncertain: `wider` is what Student's t adds for its degrees.

Source: squeezed variances after Smyth 2004, Statistical Applications in Genetics and Molecular Biology 3(1), article 3;
of a mixture of laws after Lönnstedt & Speed 2002, Statistica Sinica 12, 31-46.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import betaln, stdtrit

from loadbook.analysis.trace.model import Floats

from .backtest import Scores
from .cells import Ints

PRIOR_DF = (3.0, 5.0, 8.0, 12.0, 20.0, 35.0, 60.0, 1000.0)
OWN = 2.0  # degrees of the law of part numbers that scatter as they like
SHARES = (0.03, 0.1, 0.3)  # of them among all
LEVELS = tuple(float(m) for m in np.exp(np.linspace(-1.8, 0.4, 12)))  # m, in the mean of all scores
BLUNDER = 36.0  # a squared score beyond this, in squares of its part number's own scatter, is a blunder
MIDDLE = 0.4549  # the middle square of a normal law


@dataclass(frozen=True)
class PartSpread:
    """Spread factors: f and its degrees of freedom for each series; of_pieces with their own run left out."""

    of_series: Floats
    degrees: Floats
    most: float
    of_pieces: Floats

    def factor(self, series: int | None) -> float:
        """f of a part number's series; 1 for one without runs."""
        return 1.0 if series is None else float(self.of_series[series])

    def df(self, series: int | None) -> float:
        """Degrees of freedom behind that factor."""
        return self.most if series is None else float(self.degrees[series])


def wider(df: Floats | float) -> Floats:
    """What an interval for nine in ten is wider by where its spread has so many degrees of freedom.

    >>> wider(np.array([5.0, 20.0, 1000.0])).round(3).tolist()
    [1.225, 1.049, 1.001]
    """
    return np.asarray(stdtrit(df, 0.95) / 1.6448536269514722, dtype=np.float64)


def part_spread(found: Scores, factor: Floats, series: Ints, run: Ints, s2: float) -> PartSpread:
    """Spread factors from left-out scores.

    factor (pieces,) class factors;  series, run (pieces,) codes;  s2  variance inside a cell
    """
    square = (found.score / factor) ** 2
    square = np.minimum(square, BLUNDER * np.maximum(_middle(square, series) / MIDDLE, 1.0)[series])
    overall = max(float(np.average(square, weights=found.weight)), 1e-9)
    pair = series.astype(np.int64) * (int(run.max()) + 1) + run
    _, first, code, count = np.unique(pair, return_index=True, return_inverse=True, return_counts=True)
    q = np.asarray(np.bincount(code, weights=square) / count / overall, dtype=np.float64)
    owner = series[first]
    many = int(series.max()) + 1
    shared = 1.0 - np.minimum(s2 / found.sd[first] ** 2, 1.0)  # of the variance of a run's pieces
    told = 1.0 / (shared**2 + (1.0 - shared**2) / count)  # degrees of freedom that one run's q has
    total: Floats = np.bincount(owner, weights=told * q, minlength=many).astype(np.float64)
    df: Floats = np.bincount(owner, weights=told, minlength=many).astype(np.float64)
    if np.count_nonzero(df) < 2:  # nothing to be more or less than
        return PartSpread(np.ones(many), np.full(many, PRIOR_DF[-1]), PRIOR_DF[-1], np.ones(len(code)))
    laws = _learned(total, df)
    f, df_f = laws.factors(total, df)
    rest, rest_df = laws.factors(np.maximum(total[owner] - told * q, 0.0), np.maximum(df[owner] - told, 0.0))
    return PartSpread(f, df_f, laws.nu0, (rest * wider(rest_df))[code])


def _middle(x: Floats, group: Ints) -> Floats:
    """The middle value of each group."""
    order = np.lexsort((x, group))
    size = np.bincount(group)
    first = np.cumsum(size) - size
    at = np.minimum(first + size // 2, len(x) - 1)
    return np.where(size > 0, x[order[at]], 0.0)


@dataclass(frozen=True)
class _Laws:
    """m, nu0, and the share of part numbers that scatter as they like."""

    level: float
    nu0: float
    share: float

    def factors(self, total: Floats, runs: Floats) -> tuple[Floats, Floats]:
        """(f, degrees of freedom) of part numbers by their scores and runs."""
        x = total / self.level
        alike = np.log1p(-self.share) + _log_f(x, runs, self.nu0)
        own = np.log(self.share) + _log_f(x, runs, OWN)
        w = 1.0 / (1.0 + np.exp(np.clip(alike - own, -700.0, 700.0)))
        square = self.level * ((1.0 - w) * (self.nu0 + x) / (self.nu0 + runs) + w * (OWN + x) / (OWN + runs))
        return np.sqrt(square), runs + (1.0 - w) * self.nu0 + w * OWN


def _learned(total: Floats, runs: Floats) -> _Laws:
    """The laws that make these sums the likeliest."""
    best, found = -np.inf, _Laws(1.0, PRIOR_DF[-1], SHARES[0])
    for level in LEVELS:
        x = total / level
        own = _log_f(x, runs, OWN)
        for nu0 in PRIOR_DF:
            alike = _log_f(x, runs, nu0)
            for share in SHARES:
                value = float(np.logaddexp(np.log1p(-share) + alike, np.log(share) + own).sum())
                value -= len(x) * np.log(level)
                if value > best:
                    best, found = value, _Laws(level, nu0, share)
    return found


def _log_f(total: Floats, runs: Floats, nu0: float) -> Floats:
    """Log density of F(runs, nu0) at total/runs; 0 of one without runs."""
    n = np.maximum(runs, 1.0)
    x = np.maximum(total / n, 1e-9)
    a, b = n / 2.0, nu0 / 2.0
    out = a * np.log(n / nu0) + (a - 1.0) * np.log(x) - (a + b) * np.log1p(n * x / nu0) - betaln(a, b)
    return np.where(runs > 0, out, 0.0)
