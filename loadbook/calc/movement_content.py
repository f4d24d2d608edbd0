"""Intervals for a share of all pieces (not for their mean): exact for normal values, and free of any shape."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from .quantiles import Floats, codes_of, grouped_mean
from .tolerance import free_confidence, free_rank, free_size, one_sided_factor, two_sided_factor


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
    n: float | None = None
    df: float | None = None
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
    Several runs: scatter of runs and of pieces are both in s; the number behind the mean is s² / se², the degrees
    of s are Satterthwaite's. One run: refused, unless these are plain readings, which describe themselves.
    Source  ISO 16269-6:2014 Annex F for the factor; Hoffman & Kringle, Statist. Sinica 15 (2005) for several runs
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
    if count < 2 or alone:
        n, df, mean, s, evidence = float(y.size), float(y.size - 1), float(y.mean()), float(y.std(ddof=1)), "pieces"
        evidence = "runs" if alone and count > 1 else "pieces"
    else:
        sizes = np.bincount(run).astype(np.float64)
        means = grouped_mean(y, run, count)
        mean = float(means.mean())
        pieces_df = float(y.size - count)
        within = float(np.sum((y - means[run]) ** 2)) / pieces_df
        between, shrink = float(means.var(ddof=1)), float(np.mean(1.0 / sizes))
        total = between + (1.0 - shrink) * within
        s, n, evidence = float(np.sqrt(total)), total / (between / count) if between > 0 else float(y.size), "runs"
        df = total**2 / (between**2 / (count - 1) + ((1.0 - shrink) * within) ** 2 / pieces_df)
    k, one = two_sided_factor(n, content, confidence, df), one_sided_factor(n, content, confidence, df)
    free: dict[str, Any] = {}
    if evidence == "pieces" or alone:
        rank, ordered = free_rank(y.size, content, confidence), np.sort(y)
        free = {
            "free_low": float(ordered[rank - 1]) if rank else None,
            "free_high": float(ordered[-rank]) if rank else None,
            "seen_confidence": free_confidence(int(y.size), content),
            "need": free_size(content, confidence),
        }
    return Content(
        content, confidence, evidence, mean - k * s, mean + k * s, mean - one * s, mean + one * s, k, n, df, **free
    )  # fmt: skip
