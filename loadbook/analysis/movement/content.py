"""Intervals for a share of all pieces (not for their mean): exact for normal values, and free of any shape."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from scipy import special

from loadbook.analysis.quantiles import Codes, Floats, codes_of, grouped_mean, quantile
from loadbook.analysis.tolerance import (
    free_confidence,
    free_rank,
    free_size,
    half_width,
    one_sided_factor,
    two_sided_factor,
)


@dataclass(frozen=True)
class Content:
    """An interval for a share of all pieces, not for their mean.

    low, high          mean ± k s, exact for normal values; None where refused
    below, above       one-sided bounds of the same content and confidence
    evidence           'runs' (run and piece scatter both counted) or 'pieces' (one run's pieces only)
    free_low, free_high   one-sided distribution-free bounds (order statistics); None where too few
    seen_confidence    confidence that the smallest to the largest seen hold this content;  need: pieces for that
    """

    content: float
    confidence: float
    evidence: str
    low: float | None = None
    high: float | None = None
    below: float | None = None
    above: float | None = None
    k: float | None = None
    free_low: float | None = None
    free_high: float | None = None
    seen_confidence: float | None = None
    need: int | None = None
    refused: str | None = None


def content_interval(
    values: Floats, runs: Any, content: float = 0.95, confidence: float = 0.95, plain: bool = False
) -> Content:
    """The interval that holds `content` of such pieces with `confidence`.

    values  (n,) pieces without NaN;  runs  (n,) run of each
    Several runs: scatter of runs and of pieces are both in it, and that neither is known; each run weighs the same.
    One run: refused, unless these are plain readings, which describe themselves.
    Formula one piece a run, or plain readings of one run: mean ± k s with the exact factor. Several runs: with
            chi² and normal draws U1, U2, Z: variance of run means V = SS_means / U1, of pieces
            T = V + (1 - mean 1/n) SS_within / U2; the `confidence` quantile of the half
            width that holds `content` of N(Z sqrt(V/runs), T)
    Source  ISO 16269-6:2014 Annex F; Krishnamoorthy & Mathew, Statistical Tolerance Regions (2009), section 5.3
    """
    y = np.asarray(values, dtype=np.float64)
    run, count = codes_of(runs) if y.size else (np.zeros(0, dtype=np.intp), 0)
    alone = count == y.size
    if y.size < 2 or (count < 2 and not plain):
        why = "one run (or one piece): the scatter of runs cannot be told"
        return Content(content, confidence, "runs", refused=why)
    if float(np.ptp(y)) == 0.0:
        why = "all figures are equal: there is no scatter to build an interval on"
        return Content(content, confidence, "runs", refused=why)
    if count > 1 and not alone:
        return _of_runs(y, run, count, content, confidence)
    n, mean, sd = int(y.size), float(y.mean()), float(y.std(ddof=1))
    k, one = two_sided_factor(n, content, confidence), one_sided_factor(n, content, confidence)
    rank, ordered = free_rank(n, content, confidence), np.sort(y)
    return Content(
        content,
        confidence,
        "runs" if count > 1 else "pieces",
        low=mean - k * sd,
        high=mean + k * sd,
        below=mean - one * sd,
        above=mean + one * sd,
        k=k,
        free_low=float(ordered[rank - 1]) if rank else None,
        free_high=float(ordered[-rank]) if rank else None,
        seen_confidence=free_confidence(n, content),
        need=free_size(content, confidence),
    )


def _of_runs(y: Floats, run: Codes, count: int, content: float, confidence: float) -> Content:
    """Runs and pieces both scatter: the width that `confidence` of the pivotal draws of mean and scatter need."""
    means, sizes = grouped_mean(y, run, count), np.bincount(run).astype(np.float64)
    within = float(np.sum((y - means[run]) ** 2))
    mean, pieces_df = float(means.mean()), float(sizes.sum() - count)
    between = float(np.sum((means - mean) ** 2))
    of_means = between / _chi2(count - 1.0, 0)  # variance of a run's mean
    total = of_means + (1.0 - float(np.mean(1.0 / sizes))) * within / _chi2(pieces_df, 1)
    off = special.ndtri(_points()[2]) * np.sqrt(of_means / count)
    sd = np.sqrt(total)
    half = quantile(half_width(np.abs(off) / sd, content) * sd, confidence)
    one = quantile(off + float(special.ndtri(content)) * sd, confidence)
    return Content(
        content, confidence, "runs", low=mean - half, high=mean + half, below=mean - one, above=mean + one
    )  # fmt: skip


@lru_cache(maxsize=64)  # groups of as many runs and pieces ask for the same, and it is most of the work
def _chi2(df: float, row: int) -> Floats:
    """Chi² of so many degrees of freedom at one row of the points, from above."""
    return np.asarray(special.chdtri(df, _points()[row]))


@lru_cache(maxsize=1)
def _points() -> Floats:
    """(3, 4096) evenly spread points of the unit cube, the same every time (powers of the cubic golden ratio)."""
    ratio = 1.2207440846057596
    steps = np.arange(1, 4097, dtype=np.float64)
    return np.asarray([np.mod(0.5 + steps / ratio**d, 1.0) for d in (1, 2, 3)], dtype=np.float64)
