"""How much will it move? A shrinkage model's mean, and a width that its own back-test has earned.

One process, one kind of characteristic, one side (bores and outside sizes apart) at a time. See answerfit for the
model, answercells and answerdesign for its columns, backtest for the scores, answerbound for the stock bound,
answerneed for what would narrow it.

When there is no answer: too few runs, part numbers or repeats, or nothing that scatters; and what to measure.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy.special import stdtrit

from loadbook.analysis.trace.model import Floats
from loadbook.core.errors import CalculationError
from loadbook.core.remarks import Remark, remark

from . import backtest
from .bound import one_sided, satterthwaite
from .cells import Asked, Break, Cells, Ints, class_of, make_cells, spread_classes
from .design import Design, make_design
from .fit import Fit, Row, fit

if TYPE_CHECKING:
    from .cells import Asked, Cells

LEAST_RUNS = 8  # of the whole history, for a known part number
LEAST_DF = 4  # cells − part numbers, for a known part number
LEAST_PARTS = 6  # for a new part number
EXACT = 1e-5  # a variance of runs and pieces below this share of the whole is rounding, not scatter


@dataclass(frozen=True)
class Refusal:
    """Why there is no answer, its figures saying what is missing; how many runs, pieces and part numbers there are."""

    why: Remark
    runs: int
    pieces: int
    parts: int


def refusal(history: History, asked: Asked) -> Refusal | None:
    """Why this question cannot be answered from this history, or None."""
    why = _why(history, asked)
    c = history.cells
    return None if why is None else Refusal(why, c.runs, len(c.piece_z), c.parts)


def _why(history: History, asked: Asked) -> Remark | None:
    """The plainest reason first."""
    c, known = history.cells, history.known(asked)
    if float(np.ptp(c.piece_z)) == 0.0:
        return remark("no_scatter")
    if still(c):
        return remark("no_scatter_inside_parts")
    if known and c.runs < LEAST_RUNS:
        return remark("too_few_runs", runs=c.runs, needed=LEAST_RUNS)
    if known and history.df2 < LEAST_DF:
        return remark("too_few_repeats", runs=len(c.z), parts=c.many, repeats=history.df2, needed=LEAST_DF)
    if not known and c.parts < LEAST_PARTS:
        return remark("too_few_parts", parts=c.parts, needed=LEAST_PARTS, runs=LEAST_RUNS, repeats=LEAST_DF)
    if exact(history):
        return remark("computed_figures")
    return None


def still(cells: Cells) -> bool:
    """Whether no piece moved otherwise than the others of its part number and characteristic."""
    series = cells.series[cells.piece_cell]
    if cells.many == len(cells.piece_z):
        return False  # one piece each: nothing was repeated
    first = cells.piece_z[np.unique(series, return_index=True)[1]]
    return float(np.max(np.abs(cells.piece_z - first[series]))) <= 1e-6 * float(np.max(np.abs(cells.piece_z)))


def exact(history: History) -> bool:
    """Whether part numbers and settings leave no scatter between runs and pieces."""
    return history.fit.run_var + history.fit.s2 <= EXACT * float(np.var(history.cells.z))


METHOD = "shrinkage 2"


@dataclass(frozen=True)
class Reply:
    """An answer on the working scale.

    low, high       the interval that holds `content` of pieces; median its centre; NaN where refused
    bound           one-sided, on the side that harms (NaN where the kind has none)
    known           the part number has runs of its own in this history
    model_only      the width is the model's own: too few runs to back-test it
    groups          how many runs (known) or part numbers (new) the back-test leaves out in turn
    quantile        q, in standard deviations;  factor f of the spread class;  spread_class its name
    v_mean, v       variance of the mean, and of one new piece in a new run
    coverage        back-tested coverage, or None where model only, or too few groups to judge by the others
    outside         planned settings outside what was run: name -> (asked, lowest run, highest run)
    """

    low: float
    high: float
    median: float
    content: float
    bound: float
    bound_content: float
    bound_confidence: float
    harm: int
    known: bool
    model_only: bool
    groups: int
    quantile: float
    factor: float
    spread_class: str
    v_mean: float
    v: float
    df: float
    bound_ratio: float
    coverage: backtest.Coverage | None
    runs: int
    pieces: int
    parts: int
    own_runs: int
    own_pieces: int
    evidence: str
    outside: dict[str, tuple[float, float, float]] = field(default_factory=dict)
    new_levels: dict[str, str] = field(default_factory=dict)
    since_break: int | None = None


class History:
    """A fitted history that questions can be put to.

    pieces   one row per piece and characteristic (columns: see make_cells)
    breaks   declared breaks;  extra: further grouping columns;  spread_class: declared class column
             (default: thin and thick section, parted at the median part number)
    Raises   CalculationError where no model can be fitted: nothing measured, one cell, or no spread at all
    """

    def __init__(
        self,
        pieces: pd.DataFrame,
        breaks: Sequence[Break] = (),
        extra: Sequence[str] = (),
        spread_class: str | None = None,
    ) -> None:
        self.cells: Cells = make_cells(pieces)
        if len(self.cells.z) == 0:
            raise CalculationError(
                "no piece of this kind has a movement on record", remedy="Take in readings before and after"
            )
        self.breaks = tuple(breaks)
        self.design: Design = make_design(self.cells, breaks, extra)
        self.edge, self.classes = spread_classes(self.cells, spread_class)

    @cached_property
    def fit(self) -> Fit:
        c = self.cells
        return fit(c.z, c.n, c.run, self.design.terms, c.within_df, c.within_ss)

    @cached_property
    def piece_run(self) -> Ints:
        return self.cells.run[self.cells.piece_cell]

    @cached_property
    def piece_class(self) -> Sequence[str]:
        return [self.classes[c] for c in self.cells.piece_cell]

    def scores(self, known: bool) -> backtest.Scores:
        return self._scores_known if known else self._scores_new

    @cached_property
    def _scores_known(self) -> backtest.Scores:
        return backtest.scores(self.fit, self.cells.run, self.cells.piece_z, self.cells.piece_cell)

    @cached_property
    def _scores_new(self) -> backtest.Scores:
        return backtest.scores(self.fit, self.cells.part, self.cells.piece_z, self.cells.piece_cell)

    @cached_property
    def factors(self) -> dict[str, float]:
        """Spread factor per class, from the runs left out."""
        return backtest.class_factors(self._scores_known, self.piece_run, self.piece_class)

    @cached_property
    def piece_factor(self) -> Floats:
        return np.array([self.factors[c] for c in self.piece_class])

    @property
    def df2(self) -> int:
        return len(self.cells.z) - self.cells.many

    def known(self, asked: Asked) -> bool:
        return (asked.part or "", asked.characteristic or "") in self.design.series_of

    def row(self, asked: Asked) -> Row:
        row = self.fit.row(self.design.labels(asked), self.design.columns(asked))
        extra = sum(self.fit.theta.get(f"{factor} within part", 0.0) for factor in self.design.new_levels(asked))
        return replace(row, unknown=row.unknown + extra) if extra else row

    def ask(
        self,
        asked: Asked,
        content: float = 0.90,
        harm: int = 0,
        bound_content: float = 0.95,
        bound_confidence: float = 0.95,
    ) -> Reply | Refusal:
        """The reply to one question, or the refusal.

        content  share of pieces that the interval is to hold, 0.5 .. 0.99
        harm     +1, −1 or 0: the side of the one-sided bound
        """
        if not 0.5 <= content <= 0.99:
            raise CalculationError(f"an interval for {content} of pieces is not offered", remedy="Ask for 0.5 to 0.99")
        refused = refusal(self, asked)
        if refused is not None:
            return refused
        known, c, f = self.known(asked), self.cells, self.fit
        row = self.row(asked)
        mean, v_mean = f.mean(row), f.mean_variance(row)
        v = v_mean + f.run_var + f.s2
        scores = self.scores(known)
        df2 = max(self.df2, 1)
        df1 = df2 if known else max(c.parts - 2, 1)
        model_only = known and scores.groups < backtest.groups_needed(content)
        name = self.spread_class_of(asked)
        if model_only:
            factor, df = 1.0, satterthwaite([(v_mean, df1), (f.run_var, df2), (f.s2, max(c.within_df, df2))])
            quantile = float(stdtrit(df, (1.0 + content) / 2.0))
            held = None
        else:
            factor, df = self.factors.get(name, 1.0), float(df1)
            quantile = backtest.reach(scores, self.piece_factor, content, few=not known)
            # one run fewer must still have a finite quantile, or every left-out interval would hold by being endless
            enough = not known or scores.groups > backtest.groups_needed(content)
            held = self.coverage(known, content) if enough else None
        half = quantile * factor * float(np.sqrt(v))
        ratio, bound = 1.0, float("nan")
        if harm:
            signed = harm * scores.score / self.piece_factor
            bound, ratio = one_sided(
                mean, v_mean, f.run_var + f.s2, factor, df1, df2, harm, signed, scores.weight, bound_content,
                bound_confidence,
            )  # fmt: skip
        own = c.series == self.design.series_of.get((asked.part or "", asked.characteristic or ""), -1)
        return Reply(
            mean - half, mean + half, mean, content, bound, bound_content, bound_confidence, harm, known, model_only,
            scores.groups, quantile, factor, name, v_mean, v, df, ratio, held, c.runs, len(c.piece_z), c.parts,
            len(np.unique(c.run[own])), int(c.n[own].sum()), self.evidence(asked), self.outside(asked),
            self.design.new_levels(asked), self.since_break(asked),
        )  # fmt: skip

    def coverage(self, known: bool, content: float, where: Ints | None = None) -> backtest.Coverage:
        """Back-tested coverage; where: a mask or indexes of pieces to look at (all when None)."""
        held, run, group = self.held(known, content), self.piece_run, self.scores(known).group
        chosen = np.arange(len(held)) if where is None else where
        return backtest.coverage(held[chosen], run[chosen], group[chosen])

    def held(self, known: bool, content: float) -> np.ndarray:
        """(pieces,) which of them the interval would have held with their run (part number) left out."""
        return backtest.held_shares(self.scores(known), self.piece_factor, content, few=not known)

    def spread_class_of(self, asked: Asked) -> str:
        if self.edge is None:
            return "all"
        known = self.design.series_of.get((asked.part or "", asked.characteristic or ""))
        if known is not None:
            return self.classes[int(np.flatnonzero(self.cells.series == known)[0])]
        return class_of(asked.section_mm, self.edge)

    def evidence(self, asked: Asked) -> str:
        """The nearest history there is: same part, same material, same family, or all."""
        frame = self.cells.frame
        if self.known(asked) or (asked.part and (frame["part"] == asked.part).any()):
            return "same part"
        if asked.material and (frame["material"] == asked.material).any():
            return "same material"
        if asked.family and (frame["family"] == asked.family).any():
            return "same family"
        return "all"

    def outside(self, asked: Asked) -> dict[str, tuple[float, float, float]]:
        """Planned settings beyond what this part number (a new one: any) was ever run at.

        A quarter of the usual deviation inside part numbers (or half a percent) counts as the same setting.
        """
        out = {}
        series = self.design.series_of.get((asked.part or "", asked.characteristic or ""))
        for name, value in asked.settings.items():
            if name not in self.cells.frame:
                continue
            run = self.cells.frame[name].to_numpy(dtype=float)
            run = run[np.isfinite(run) & ((self.cells.series == series) | (series is None))]
            if len(run) == 0:
                continue
            near = max(0.25 * self.design.within_sd.get(name, 0.0), 0.005 * abs(value))
            if not run.min() - near <= value <= run.max() + near:
                out[name] = (float(value), float(run.min()), float(run.max()))
        return out

    def since_break(self, asked: Asked) -> int | None:
        """Runs since the last declared break before the day asked about; None where there is none."""
        day = self.design.day(asked)
        passed = [b.day for b in self.breaks if b.day <= day and b.furnace in (None, asked.furnace)]
        if not passed:
            return None
        return len(np.unique(self.cells.run[self.cells.frame["day"].to_numpy() >= max(passed)]))
