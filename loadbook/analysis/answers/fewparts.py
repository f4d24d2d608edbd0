"""New part numbers where few are on record: how far part numbers spread is learned from the shop's other kinds too.

In units of the piece's standard deviation the spread between part numbers (a, as a logarithm) and between runs (b) lie
on grids. A kind's likelihood of them is exact; other kinds of the shop make a prior whose centre and width are open
themselves; three part numbers then give a wide interval, and not the thousandfold one of a t law with one degree.

Source: Gelman 2006, Bayesian Analysis 1, 515-534 (priors for few groups); figures in
tests/trials/MEASURED.md.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import sparse
from scipy.special import logsumexp, ndtr

from loadbook.analysis.trace.model import Floats

from .cells import Ints

A = np.linspace(-3.0, 4.0, 57)  # log(sd between part numbers / sd of pieces)
B = np.linspace(-3.0, 3.0, 31)  # log(sd between runs / sd of pieces)
WIDTHS = np.array([0.1, 0.2, 0.3, 0.45, 0.65, 0.9, 1.3, 2.0])
CENTRES = float(np.log(2.5)), 0.0  # of a and of b where nothing else is on record
AT_ONCE = 250  # part numbers whose likelihoods are held at once
OWN_PARTS = 10.0  # how many part numbers the model's own answer needs to weigh as much as this one


@dataclass(frozen=True)
class Kind:
    """One kind's part numbers: sd of pieces, and the grids' log likelihoods Lw (b) and Lb (a, b)."""

    sd: float
    Lw: Floats
    Lb: Floats
    mu: Floats  # (a, b) general mean, in piece sd
    V: Floats  # (a, b) its precision
    parts: int


def kind(y: Floats, n: Floats, part: Ints, sd: float) -> Kind:
    """Likelihoods of one kind.

    y, n, part (runs,) run mean, pieces, code of the part number;  sd  of pieces inside a run
    """
    y = y / sd
    codes = np.unique(part, return_inverse=True)[1]
    parts = int(codes.max()) + 1
    w = 1.0 / (np.exp(2.0 * B)[:, None] + 1.0 / n[None, :])  # (b, runs)
    onto = sparse.csr_array((np.ones(len(codes)), (np.arange(len(codes)), codes)), shape=(len(codes), parts))
    W = np.asarray(w @ onto)
    m = np.asarray((w * y) @ onto) / W
    rest = (w * (y[None, :] - m[:, codes]) ** 2).sum(axis=1)
    Lw = 0.5 * np.log(w).sum(axis=1) - 0.5 * np.log(W).sum(axis=1) - 0.5 * rest
    some = [slice(k, k + AT_ONCE) for k in range(0, parts, AT_ONCE)]

    def precision(which: slice) -> Floats:  # (a, b, part numbers)
        return np.asarray(1.0 / (np.exp(2.0 * A)[:, None, None] + 1.0 / W[None, :, which]), dtype=np.float64)

    V, mean, logs, apart = np.zeros((4, len(A), len(B)))
    for which in some:
        v = precision(which)
        V += v.sum(axis=2)
        mean += (v * m[None, :, which]).sum(axis=2)
        logs += np.log(v).sum(axis=2)
    mu = mean / V
    for which in some:
        apart += (precision(which) * (m[None, :, which] - mu[:, :, None]) ** 2).sum(axis=2)
    Lb = 0.5 * logs - 0.5 * np.log(V) - 0.5 * apart
    return Kind(sd, Lw, Lb, mu, V, parts)


def prior(logs: Sequence[Floats], grid: Floats, centre: float) -> Floats:
    """Log prior on a grid from other kinds' log likelihoods; without any the default one remains."""
    t = (grid[:, None, None] - grid[None, :, None]) / WIDTHS[None, None, :]
    K = -3.0 * np.log1p(t**2 / 5.0)  # t with five degrees about each centre
    K -= logsumexp(K, axis=0, keepdims=True)
    weight = -0.5 * (grid[:, None] - centre) ** 2 - 0.5 * (WIDTHS[None, :] / 0.6) ** 2 + np.log(np.gradient(WIDTHS))
    for L in logs:
        weight = weight + logsumexp(K + (L - L.max())[:, None, None], axis=0)
    weight -= logsumexp(weight)
    return np.asarray(logsumexp(K + weight[None, :, :], axis=(1, 2)), dtype=np.float64)


def pooled(others: Sequence[Kind]) -> tuple[Floats, Floats]:
    """(log prior of a, log prior of b) that the shop's other kinds and processes make."""
    prior_b = prior([k.Lw for k in others], B, CENTRES[1])
    spread = []
    for k in others:
        log_b = k.Lw + prior_b
        spread.append(np.asarray(logsumexp(k.Lb + (log_b - logsumexp(log_b))[None, :], axis=1)))
    return prior(spread, A, CENTRES[0]), prior_b


@dataclass(frozen=True)
class Mixture:
    """A new part number's movement: weights of grid points, their means and the three variances (working scale)."""

    weight: Floats
    mean: Floats
    v_mean: Floats
    v_piece: Floats

    def quantile(self, p: float) -> float:
        """By bisection on the mixture's distribution."""
        sd = np.sqrt(self.v_mean + self.v_piece)
        low, high = float((self.mean - 40 * sd).min()), float((self.mean + 40 * sd).max())
        for _ in range(80):
            middle = (low + high) / 2.0
            low, high = (middle, high) if float(self.weight @ ndtr((middle - self.mean) / sd)) < p else (low, middle)
        return (low + high) / 2.0

    def draws(self, count: int, rng: np.random.Generator) -> tuple[Floats, Floats]:
        """(level of the part number, standard deviation of its pieces in new runs), count of each."""
        at = rng.choice(len(self.weight), size=count, p=self.weight / self.weight.sum())
        level = self.mean[at] + rng.standard_normal(count) * np.sqrt(self.v_mean[at])
        return level, np.sqrt(self.v_piece[at])


def predictive(asked: Kind, priors: tuple[Floats, Floats]) -> Mixture:
    """What a new part number of this kind will do."""
    log_w = asked.Lw[None, :] + asked.Lb + priors[0][:, None] + priors[1][None, :]
    w = np.exp(log_w - log_w.max())
    keep = w > 1e-7
    spread_a, spread_b = np.broadcast_to(np.exp(2 * A)[:, None], w.shape), np.broadcast_to(np.exp(2 * B), w.shape)
    s2 = asked.sd**2
    return Mixture(
        w[keep] / w[keep].sum(), asked.mu[keep] * asked.sd, (1.0 / asked.V + spread_a)[keep] * s2,
        (spread_b + 1.0)[keep] * s2,
    )  # fmt: skip
