"""Does a parameter go with movement? Runs of the same part number compared with each other, by the run.

One row per run and part number (and characteristic): the mean of its pieces. Least squares of that mean on part
number (fixed effects), the parameter and the calendar date; an interval that leaves each run out in turn.
Method and measured coverage: `loadbook explain effect`.
"""

from __future__ import annotations

import contextlib
from dataclasses import dataclass, field

import numpy as np
from scipy.special import stdtrit

from loadbook.analysis.quantiles import Codes, Floats, codes_of
from loadbook.core.remarks import Remark, remark

from .cells import Cells, Column
from .regression import NotEstimable, WithinFit, fit_within, inside, t_interval

FEWEST_CELLS = 6
FEWEST_DF = 4
DAYS_PER_YEAR = 365.25
SHORT_DAYS = 90.0  # a part number's runs within this time: a drift over it cannot be told from the order of the runs
NOISY = 0.95  # reliability of a parameter's values below which their noise is spoken of
HOPELESS = 0.3  # ... below which nothing can be corrected
EXACT = 1e-5  # scatter below this share of the movement is rounding, not scatter
_NOT_ESTIMABLE = {
    "exact": "effect_exact", "constant": "effect_constant", "calendar": "effect_with_date",
    "collinear": "effect_in_step",
}  # fmt: skip


@dataclass
class Effect:
    """What one parameter goes with. Numbers are None where refused; `finding` says what they come to.

    effect       movement per unit of the parameter, with effect_low, effect_high at `confidence`
    fit          'alone' (this parameter and the date), 'beside factors' (and setup, atmosphere), 'joint' (with the
                 parameters it moves together with), 'trial' (all settings that a trial assigned) or 'not separable'
    fitted_with  what stood beside it in that fit
    alone, alone_low, alone_high, alone_p   the one-at-a-time slope where fit is another
    p_adjusted   Holm's, over everything asked in one command
    pooled       slope over all part numbers thrown together (shown only to warn)
    lower_half, upper_half   slope below and above the middle of the evidence
    bend, bend_low, bend_high   of a trial: how far runs in the middle moved off the line between the ends
    reliability  share of the parameter's variation in this fit that is no measuring noise; None where its standard
                 errors are not known. corrected, corrected_low, corrected_high: the slope without the pull to zero
                 that such noise makes;  effect_asked, effect_asked_low, effect_asked_high  the slope on asked values
    left_out_low, left_out_high   smallest and largest slope with one run left out, and which run
    refused      why there is no figure;  cautions  what it must not be taken for
    """

    parameter: str
    unit: str
    effect_unit: str = ""
    against: str | None = None
    effect: float | None = None
    effect_low: float | None = None
    effect_high: float | None = None
    p: float | None = None
    p_adjusted: float | None = None
    df: float | None = None
    fit: str = "alone"
    fitted_with: list[str] = field(default_factory=list)
    runs: int = 0
    pieces: int = 0
    parts: int = 0
    parts_varying: int = 0
    cells: int = 0
    range_low: float | None = None
    range_high: float | None = None
    confounded_with: list[str] = field(default_factory=list)
    alone: float | None = None
    alone_low: float | None = None
    alone_high: float | None = None
    alone_p: float | None = None
    pooled: float | None = None
    pooled_low: float | None = None
    pooled_high: float | None = None
    without_calendar: float | None = None
    left_out_low: float | None = None
    left_out_low_run: str | None = None
    left_out_high: float | None = None
    left_out_high_run: str | None = None
    reliability: float | None = None
    corrected: float | None = None
    corrected_low: float | None = None
    corrected_high: float | None = None
    effect_asked: float | None = None
    effect_asked_low: float | None = None
    effect_asked_high: float | None = None
    lower_half: float | None = None
    upper_half: float | None = None
    bend: float | None = None
    bend_low: float | None = None
    bend_high: float | None = None
    dropped_missing: int = 0
    dropped_single: int = 0
    stated: float = 0.0
    confidence: float = 0.95
    refused: Remark | None = None
    cautions: list[Remark] = field(default_factory=list)
    assigned: bool = False

    @property
    def finding(self) -> str:
        """What the figures come to, one of 'differs', 'goes_with', 'not_settled', 'cannot_tell', 'not_separable',
        'refused'."""
        if self.refused is not None:
            return "refused"
        if self.fit == "not separable":
            return "not_separable"
        if self.differs is not None:
            return "differs"
        least = 1.0 - self.confidence
        if self.p_adjusted is not None and self.p_adjusted < least:
            return "goes_with"
        return "not_settled" if self.p is not None and self.p < least else "cannot_tell"

    @property
    def differs(self) -> Remark | None:
        """By what, and how far, its slopes differ beyond chance (differing.py)."""
        return next((c for c in self.cautions if c.code == "effect_differs"), None)

    @property
    def misleads(self) -> bool:
        """Whether all part numbers thrown together lean the other way than runs of the same part number."""
        reference = self.alone if self.alone is not None else self.effect
        return self.pooled is not None and reference is not None and self.pooled * reference < 0


def one_at_a_time(cells: Cells, column: Column, confidence: float = 0.95, why_not: Remark | None = None) -> Effect:
    """The effect of one parameter, with its companions; `refused` says why where there is none.

    cells       means per run and part number;  column  the parameter beside them
    confidence  of the two-sided interval
    why_not     a reason known beforehand (the gauge is coarser than the movement): only counts are given beside it
    """
    e = Effect(column.name, column.unit, against=column.against, confidence=confidence, stated=column.stated)
    used, x = usable(cells, column.values, e)
    _count(e, used, x)
    e.refused = _refusal(e, used) or why_not
    if e.refused is None:
        try:
            fit = with_calendar(used, x[:, None])
            check_scatter(fit, used)
        except NotEstimable as error:
            e.refused = not_estimable(error, used, column.name)
        else:
            e.df = degrees(e.cells, e.parts, e.runs, 1, dated(used))
            e.effect = float(fit.slopes[0])
            e.effect_low, e.effect_high, e.p = t_interval(e.effect, float(fit.se[0]), e.df, confidence)
            _left_out(e, used, fit)
            correct(e, column.se, usable_rows(cells, column.values), fit, 0)
            _companions(e, used, x, confidence)
    return e


def correct(e: Effect, se: Floats | None, rows: Codes, fit: WithinFit, at: int) -> None:
    """The reliability of the parameter's values in this fit, and its slope without the pull to zero of their noise.

    se       standard errors of its values;  rows  the cells of the fit;  at  its column there
    Formula  reliability 1 - mean(se²) / (variance of the parameter inside part numbers that the other columns do not
             explain); the slope divided by it, its interval widened by what the reliability is uncertain by
    Source   Fuller 1987, Measurement Error Models, 1.1
    """
    e.reliability = e.corrected = e.corrected_low = e.corrected_high = None
    if se is None or e.effect is None or e.effect_low is None or e.effect_high is None:
        return
    known = se[rows][np.isfinite(se[rows])]
    if 2 * known.size < rows.size or not np.any(known > 0):
        return
    free = fit.residual_df + 1  # rows less part numbers and the other columns
    own = 1.0 / float(fit.unscaled[at, at]) / free
    e.reliability = max(1.0 - float(np.mean(known**2)) * known.size / rows.size / own, 0.0)
    if e.reliability >= HOPELESS:
        e.corrected = e.effect / e.reliability
        half = (e.effect_high - e.effect_low) / 2.0
        own_error = (1.0 - e.reliability) / e.reliability * float(np.sqrt(2.0 / free))  # of the reliability, relative
        t = float(stdtrit(e.df or free, 0.5 + e.confidence / 2.0))
        half = float(np.hypot(half / e.reliability, t * e.corrected * own_error))
        e.corrected_low, e.corrected_high = e.corrected - half, e.corrected + half


def degrees(cells: int, parts: int, runs: int, parameters: int, date: bool = True) -> float:
    """Degrees of freedom of the interval: min(cells - part numbers - parameters - 1 for the date, runs - 1)."""
    return float(min(cells - parts - parameters - int(date), runs - 1))


def dated(cells: Cells) -> bool:
    """Whether the date stands beside the parameters: not in a trial of a few weeks, where it would take the order of
    the runs for a drift."""
    if not cells.y.size:
        return False
    group, count = cells.group_codes
    first, last = np.full(count, np.inf), np.full(count, -np.inf)
    np.minimum.at(first, group, cells.day)
    np.maximum.at(last, group, cells.day)
    return bool(np.max(last - first) > SHORT_DAYS)


def usable_rows(cells: Cells, values: Floats) -> Codes:
    """Positions of the cells that have the parameter (or all of several) and whose part number was in two runs."""
    known = ~np.isnan(values) if values.ndim == 1 else ~np.isnan(values).any(axis=1)
    have = np.flatnonzero(known & ~np.isnan(cells.y))
    group, runs = cells.group[have], len(cells.runs)
    of_pairs = np.unique(group * runs + cells.run[have]) // max(runs, 1)  # the group of each pair of group and run
    runs_per_group = np.bincount(of_pairs, minlength=int(cells.group.max(initial=-1)) + 1)
    return np.asarray(have[runs_per_group[group] >= 2], dtype=np.intp)


def usable(cells: Cells, values: Floats, e: Effect | None = None) -> tuple[Cells, Floats]:
    """The cells of `usable_rows`, and the parameter's values there; what was left out is counted in e."""
    rows = usable_rows(cells, values)
    if e is not None:
        have = np.flatnonzero(~np.isnan(values) & ~np.isnan(cells.y))
        e.dropped_missing = int(cells.y.size - have.size)
        e.dropped_single = len(set(cells.part[have].tolist()) - set(cells.part[rows].tolist()))
    return cells.take(rows), values[rows]


def with_calendar(cells: Cells, columns: Floats, calendar: bool = True) -> WithinFit:
    """Fit with the date beside the parameters, where the runs of some part number span more than a quarter."""
    group, _ = cells.group_codes
    run, _ = cells.run_codes
    if calendar and dated(cells):
        try:
            return fit_within(cells.y, np.column_stack([columns, cells.day / DAYS_PER_YEAR]), group, run)
        except NotEstimable as error:
            if error.why == "collinear" and error.column == columns.shape[1]:
                raise NotEstimable("it moved with the calendar date exactly", "calendar") from error
            raise
    return fit_within(cells.y, columns, group, run)


def check_scatter(fit: WithinFit, cells: Cells) -> None:
    """Raises NotEstimable ('exact') where nothing is left over by which an interval could be judged."""
    if fit.residual_sd <= EXACT * float(np.std(cells.y)):
        raise NotEstimable("nothing is left over to judge an interval by", "exact")


def not_estimable(error: NotEstimable, cells: Cells, name: str) -> Remark:
    """Why the data do not determine a slope."""
    if error.why == "one run" and error.cluster is not None:
        run = cells.runs[int(cells.run[np.flatnonzero(cells.run_codes[0] == error.cluster)[0]])]
        return remark("effect_one_run", parameter=name, run=run)
    return remark(_NOT_ESTIMABLE.get(error.why, "effect_few_runs"), parameter=name)


def _count(e: Effect, used: Cells, x: Floats) -> None:
    e.runs, e.parts = len(set(used.run.tolist())), len(set(used.part.tolist()))
    e.cells = codes_of(used.run, used.part)[1] if used.y.size else 0
    e.pieces = pieces_behind(used)
    if x.size:
        e.range_low, e.range_high = float(x.min()), float(x.max())
        low = np.full(len(used.parts), np.inf)
        high = np.full(len(used.parts), -np.inf)
        np.minimum.at(low, used.part, x)
        np.maximum.at(high, used.part, x)
        e.parts_varying = int(np.sum(high > low))


def pieces_behind(cells: Cells) -> int:
    """Pieces behind the cells; a piece with several characteristics counts once."""
    if not cells.y.size:
        return 0
    per_group, count = codes_of(cells.run, cells.group)
    pieces = np.bincount(per_group, weights=cells.pieces.astype(np.float64), minlength=count)
    first = np.unique(per_group, return_index=True)[1]
    pair, pairs = codes_of(cells.run[first], cells.part[first])
    most = np.zeros(pairs)
    np.maximum.at(most, pair, pieces)
    return int(most.sum())


def _refusal(e: Effect, used: Cells) -> Remark | None:
    if e.cells < FEWEST_CELLS:
        return remark("effect_few_means", parameter=e.parameter, means=e.cells, needed=FEWEST_CELLS)
    left = degrees(e.cells, e.parts, e.runs, 1, dated(used))
    if left < FEWEST_DF:
        return remark(
            "effect_few_degrees", means=e.cells, parts=e.parts, runs=e.runs, degrees=max(int(left), 0),
            needed=FEWEST_DF,
        )  # fmt: skip
    if float(np.ptp(used.y)) == 0.0:
        return remark("effect_all_equal")
    group, count = used.group_codes
    if float(np.max(np.abs(inside(used.y, group, count)))) <= EXACT * float(np.max(np.abs(used.y))):
        return remark("effect_runs_equal")
    if e.parts_varying == 0:
        return remark("effect_constant", parameter=e.parameter)
    return None


def _left_out(e: Effect, used: Cells, fit: WithinFit) -> None:
    first = np.full(fit.clusters, used.y.size, dtype=np.intp)
    np.minimum.at(first, used.run_codes[0], np.arange(used.y.size, dtype=np.intp))
    slopes = fit.left_out[:, 0]
    low, high = int(np.argmin(slopes)), int(np.argmax(slopes))
    e.left_out_low, e.left_out_low_run = float(slopes[low]), used.runs[int(used.run[first[low]])]
    e.left_out_high, e.left_out_high_run = float(slopes[high]), used.runs[int(used.run[first[high]])]


def _companions(e: Effect, used: Cells, x: Floats, confidence: float) -> None:
    run, _ = used.run_codes
    if e.parts > 1:
        with contextlib.suppress(NotEstimable):  # nothing pooled to warn of
            pooled = fit_within(used.y, x[:, None], np.zeros(x.size, dtype=np.intp), run)
            e.pooled = float(pooled.slopes[0])
            e.pooled_low, e.pooled_high, _ = t_interval(e.pooled, float(pooled.se[0]), max(e.runs - 2, 1), confidence)
    with contextlib.suppress(NotEstimable):
        e.without_calendar = float(with_calendar(used, x[:, None], calendar=False).slopes[0])
    distinct = np.unique(x)
    if distinct.size >= 4 and e.against is None:
        middle = float(np.median(x))
        try:
            bent = with_calendar(used, np.column_stack([x, np.maximum(x - middle, 0.0)]))
        except NotEstimable:
            return  # one half holds too little to have a slope of its own
        e.lower_half, e.upper_half = float(bent.slopes[0]), float(bent.slopes[0] + bent.slopes[1])
