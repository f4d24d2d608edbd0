"""The difference between treatments, with the run as the unit of evidence.

Which treatments to compare, stratum by stratum, and what the comparison cannot tell apart.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy import special

from loadbook.analysis.effects.regression import adjusted, t_interval
from loadbook.analysis.quantiles import Bools, Codes, Floats, codes_of, grouped_mean
from loadbook.core.phrases import many

from .scale import STRATUM

if TYPE_CHECKING:
    import pandas as pd

PAIRS_UP_TO = 4  # treatments; with more, each is compared with the one that has most runs


@dataclass(frozen=True)
class Compared:
    """All differences of one stratum: pairs, and whether the treatments differ at all (means, spread of run means)."""

    stratum: dict[str, Any]
    pairs: list[Difference]
    overall: OneWay | None
    spread: OneWay | None


def differences(
    frame: pd.DataFrame,
    by: Sequence[str],
    confidence: float = 0.95,
    plain: bool = False,
    strata: Sequence[str] = STRATUM,
) -> list[Compared]:
    """Differences between treatments inside each stratum; p values adjusted over all of them.

    All pairs up to four treatments; with more, each against the one with most runs. Every stratum takes the same one
    from the other: the lower band, else the treatment with more runs in the whole frame. Where the two sides did not
    hold the same part numbers, the note says so: what differs between the parts is then in the difference.
    """
    rows = frame.loc[frame["y"].notna(), list(dict.fromkeys([*strata, *by, "y", "run", "part"]))]
    out: list[Compared] = []
    if not len(rows) or not by:
        return out
    rank = _ranked(rows, by)
    for key, part in rows.groupby(list(strata), sort=True, dropna=False):
        code, values = _treatments(part, by)
        treatments = len(values)
        if treatments < 2:
            continue
        y, run = part["y"].to_numpy(dtype=np.float64), codes_of(part["run"])[0]
        names = [_joined(v) for v in values]
        runs = _runs_of(code, run)
        cell, cells = codes_of(code, run)
        owner = np.zeros(cells, dtype=np.intp)
        owner[cell] = code
        means = grouped_mean(y, cell, cells)
        order = sorted(range(treatments), key=lambda t: rank[values[t]])
        if treatments <= PAIRS_UP_TO:
            chosen = [(a, b) for i, a in enumerate(order) for b in order[i + 1 :]]
        else:
            base = int(np.argmax(runs))
            chosen = [(base, b) for b in order if b != base]
        pairs = []
        for a, b in chosen:
            two = (code == a) | (code == b)
            found = compare(y[two], run[two], code[two] == b, (names[a], names[b]), confidence, plain)
            found.values_a, found.values_b = values[a], values[b]
            same_parts(found, set(part["part"].to_numpy()[code == a]), set(part["part"].to_numpy()[code == b]))
            pairs.append(found)
        overall = one_way(means, owner) if cells > treatments else None
        spread = spread_test(means, owner) if np.bincount(owner).min() >= 4 else None
        out.append(Compared(dict(zip(strata, key, strict=True)), pairs, overall, spread))
    adjust([d for c in out for d in c.pairs])
    return out


def _ranked(rows: pd.DataFrame, by: Sequence[str]) -> dict[tuple[str, ...], tuple[Any, ...]]:
    """Treatment -> its place: bands rise, others with most runs first, then as the record has them."""
    code, values = _treatments(rows, by)
    bands = [band_order(rows[name]) for name in by]
    if all(b is not None for b in bands):
        return {name: tuple(b[v] for b, v in zip(bands, name, strict=True) if b is not None) for name in values}
    runs = _runs_of(code, rows["run"]).tolist()
    return {name: (-runs[k], k) for k, name in enumerate(values)}


def _treatments(rows: pd.DataFrame, by: Sequence[str]) -> tuple[Codes, list[tuple[str, ...]]]:
    """Treatment of each row, and the texts of each, as they first come."""
    texts = [rows[name].astype(str) for name in by]
    code, _ = codes_of(*texts)
    first = np.unique(code, return_index=True)[1]
    return code, list(zip(*([str(t) for t in text.iloc[first]] for text in texts), strict=True))


def _runs_of(code: Codes, run: Any) -> Codes:
    """How many runs held each treatment."""
    return np.bincount(code[np.unique(codes_of(code, run)[0], return_index=True)[1]])


def band_order(column: pd.Series) -> dict[str, int] | None:
    """The place of each band of a column of bands (scale.band_labels); None for any other column."""
    of_bands = getattr(column.dtype, "ordered", False)
    return {str(name): k for k, name in enumerate(column.cat.categories)} if of_bands else None


def _joined(values: tuple[str, ...]) -> str:
    """A treatment's columns as one text, from which they can still be told.

    >>> _joined(("laid / turned", "Linz")), _joined(("laid / turned",))
    ('"laid / turned" / Linz', 'laid / turned')
    """
    return values[0] if len(values) == 1 else " / ".join(f'"{v}"' if " / " in v else v for v in values)


def same_parts(found: Difference, a: set[str], b: set[str]) -> None:
    """Say where the sides held different part numbers."""
    if found.evidence in ("runs", "pieces") and a != b and found.refused is None:
        lone = len(a ^ b)
        text = (
            f"{many(lone, 'part number')} stood on one side only: what differs between parts is in "
            "this difference (loadbook effect compares inside part numbers)"
        )
        found.note = f"{found.note}; {text}" if found.note else text


@dataclass
class Difference:
    """Treatment b less treatment a. difference, low, high are None where `refused` says why.

    a, b          treatments as texts; values_a, values_b the values of each column they are made of
    evidence      'runs' (means of runs), 'runs that held both' (paired inside them), 'pieces of one run' or 'pieces'
    spread_ratio  standard deviation of b over that of a, between the same units; spread_p by Levene's test (median)
    """

    a: str
    b: str
    mean_a: float
    mean_b: float
    runs_a: int
    runs_b: int
    pieces_a: int
    pieces_b: int
    confidence: float
    evidence: str = ""
    difference: float | None = None
    low: float | None = None
    high: float | None = None
    se: float | None = None
    df: float | None = None
    p: float | None = None
    p_adjusted: float | None = None
    spread_ratio: float | None = None
    spread_p: float | None = None
    refused: str | None = None
    note: str | None = None
    values_a: tuple[str, ...] = ()
    values_b: tuple[str, ...] = ()

    def as_dict(self) -> dict[str, Any]:
        """The fields that are figures and words, by name."""
        return {k: v for k, v in self.__dict__.items() if k not in ("values_a", "values_b")}


@dataclass(frozen=True)
class OneWay:
    """One-way analysis of variance of units over treatments; f is NaN where nothing varies inside."""

    f: float
    df_between: int
    df_within: int
    p: float
    ss_between: float
    ss_within: float


def one_way(values: Floats, codes: Codes) -> OneWay:
    """Do the groups differ more than their scatter explains.

    values  (n,) one figure per unit of evidence;  codes  (n,) group of each
    Source  NIST/SEMATECH e-Handbook 1.3.5.4

    >>> round(one_way(np.array([1.0, 2.0, 3.0, 5.0, 6.0, 7.0]), np.array([0, 0, 0, 1, 1, 1])).f, 6)
    24.0
    """
    codes, k = codes_of(codes)
    centred = values - values.mean()
    means = grouped_mean(centred, codes, k)
    inside = centred - means[codes]
    # a second pass takes out what rounding left in the group means: stiff data keep their digits
    slip = grouped_mean(inside, codes, k)
    means, inside = means + slip, inside - slip[codes]
    n = np.bincount(codes, minlength=k).astype(np.float64)
    grand = float(np.sum(n * means) / n.sum())
    between, within = float(np.sum(n * (means - grand) ** 2)), float(np.sum(inside**2))
    df1, df2 = k - 1, int(values.size) - k
    if df1 < 1 or df2 < 1 or within <= 0.0:
        return OneWay(float("nan"), df1, df2, float("nan"), between, within)
    f = (between / df1) / (within / df2)
    return OneWay(f, df1, df2, float(special.fdtrc(df1, df2, f)), between, within)


def spread_test(values: Floats, codes: Codes) -> OneWay:
    """Do the groups scatter differently: Levene's test on distances from each group's median.

    Source  Brown & Forsythe (1974); NIST/SEMATECH e-Handbook 1.3.5.10
    """
    codes, k = codes_of(codes)
    medians = np.array([np.median(values[codes == g]) for g in range(k)])
    return one_way(np.abs(values - medians[codes]), codes)


def welch(a: Floats, b: Floats, confidence: float) -> tuple[float, float, float, float, float, float]:
    """(difference b - a, low, high, standard error, df, p) with unequal scatter; each array at least 2 long.

    Source  Welch, Biometrika 34 (1947), degrees after Satterthwaite

    >>> [round(v, 3) for v in welch(np.array([1.0, 2.0, 3.0]), np.array([4.0, 6.0, 8.0]), 0.95)[:3]]
    [4.0, -0.155, 8.155]
    """
    va, vb = float(a.var(ddof=1)) / a.size, float(b.var(ddof=1)) / b.size
    difference = float(b.mean() - a.mean())
    se = float(np.sqrt(va + vb))
    df = (va + vb) ** 2 / (va**2 / (a.size - 1) + vb**2 / (b.size - 1)) if se > 0 else float(a.size + b.size - 2)
    low, high, p = t_interval(difference, se, df, confidence)
    return difference, low, high, se, df, p


def paired(differences: Floats, confidence: float) -> tuple[float, float, float, float, float, float]:
    """(mean difference, low, high, standard error, df, p) of one difference per run; at least 2.

    >>> [round(v, 3) for v in paired(np.array([1.0, 2.0, 3.0]), 0.95)[:3]]
    [2.0, -0.484, 4.484]
    """
    n = differences.size
    mean, se = float(differences.mean()), float(differences.std(ddof=1) / np.sqrt(n))
    low, high, p = t_interval(mean, se, n - 1, confidence)
    return mean, low, high, se, float(n - 1), p


def compare(
    values: Floats,
    runs: Codes,
    b_side: Bools,
    names: tuple[str, str],
    confidence: float = 0.95,
    plain: bool = False,
) -> Difference:
    """Difference of two treatments with the run as the unit.

    values  (n,) one per piece, without NaN;  runs (n,) codes;  b_side (n,) bool, True for the second treatment
    plain   True for plain readings: where one run stands behind each side, the pieces are compared and it is said
    Order   runs that held both: paired inside them (two such runs or more); else means of runs, two or more a side;
            else pieces inside the one run that held both; else refused: one run's luck cannot be told from a treatment
    """
    a, b = values[~b_side], values[b_side]
    run, count = codes_of(runs)
    has_a = np.bincount(run[~b_side], minlength=count) > 0
    has_b = np.bincount(run[b_side], minlength=count) > 0
    d = Difference(
        names[0], names[1], _run_mean(a, run[~b_side]), _run_mean(b, run[b_side]), int(has_a.sum()), int(has_b.sum()),
        int(a.size), int(b.size), confidence,
    )  # fmt: skip
    both = np.flatnonzero(has_a & has_b)
    mean_a, mean_b = grouped_mean(a, run[~b_side], count), grouped_mean(b, run[b_side], count)
    if both.size >= 2:
        _fill(d, "runs that held both", paired(mean_b[both] - mean_a[both], confidence))
        d.note = f"compared inside the {both.size} runs that held both, so that a run's luck cancels"
        if both.size < has_a.sum() or both.size < has_b.sum():
            d.note += "; the other runs are described but not compared"
        _spread(d, *_deviations(values, run, b_side, both))
    elif has_a.sum() >= 2 and has_b.sum() >= 2:
        _fill(d, "runs", welch(mean_a[has_a], mean_b[has_b], confidence))
        if min(has_a.sum(), has_b.sum()) >= 4:
            _spread(d, mean_a[has_a], mean_b[has_b])
    elif both.size == 1 and min(np.sum(run[~b_side] == both[0]), np.sum(run[b_side] == both[0])) >= 2:
        inside_a, inside_b = a[run[~b_side] == both[0]], b[run[b_side] == both[0]]
        _fill(d, "pieces of one run", welch(inside_a, inside_b, confidence))
        d.note = "pieces of one run that held both: a fair comparison in that run, which another run may not repeat"
        _spread(d, inside_a, inside_b)
    elif plain and a.size >= 2 and b.size >= 2:
        _fill(d, "pieces", welch(a, b, confidence))
        d.note = (
            "one run stands behind each side: the pieces are compared as measured, and the scatter of runs is not in it"
        )
        _spread(d, a, b)
    else:
        d.refused = (
            f"{many(d.runs_a, 'run')} against {d.runs_b}, none holding both: the luck of a run "
            "cannot be told from the treatment. Two runs a side, or both treatments in one run, are needed"
        )
    return d


def _run_mean(values: Floats, run: Codes) -> float:
    if values.size == 0:
        return float("nan")
    codes, count = codes_of(run)
    return float(grouped_mean(values, codes, count).mean())


def _fill(d: Difference, evidence: str, figures: tuple[float, float, float, float, float, float]) -> None:
    d.evidence = evidence
    d.difference, d.low, d.high, d.se, d.df, d.p = figures
    if figures[3] <= 1e-9 * max(abs(d.mean_a), abs(d.mean_b)):
        d.refused = "all figures of a side are equal, to the last digit: there is no scatter to judge a difference by"
        d.low = d.high = d.p = None


def _deviations(values: Floats, run: Codes, b_side: Bools, both: Codes) -> tuple[Floats, Floats]:
    """Pieces less the mean of their run and treatment, for the spread inside mixed runs."""
    inside = np.isin(run, both)
    codes, count = codes_of(run[inside], b_side[inside])
    left = values[inside] - grouped_mean(values[inside], codes, count)[codes]
    return left[~b_side[inside]], left[b_side[inside]]


def _spread(d: Difference, a: Floats, b: Floats) -> None:
    sa, sb = float(a.std(ddof=1)) if a.size > 1 else 0.0, float(b.std(ddof=1)) if b.size > 1 else 0.0
    if sa > 0 and sb > 0 and min(a.size, b.size) >= 4:
        d.spread_ratio = sb / sa
        test = spread_test(np.concatenate([a, b]), np.repeat(np.array([0, 1], dtype=np.intp), [a.size, b.size]))
        d.spread_p = None if np.isnan(test.p) else test.p


def adjust(found: Sequence[Difference]) -> None:
    """Benjamini-Hochberg over all differences of one command."""
    raw = [np.nan if d.p is None else d.p for d in found]
    for d, p in zip(found, adjusted(raw), strict=True):
        d.p_adjusted = None if np.isnan(p) else float(p)
