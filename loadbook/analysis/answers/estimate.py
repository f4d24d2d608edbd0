"""How much will it move? A shrinkage model's mean, and a width that its own back-test has earned.

One process, one kind of characteristic, one side (bores and outside sizes apart) at a time. See `fit` for the model,
`cells` and `design` for its columns, `backtest` for the scores, `spread` for part numbers that scatter more than
others, `forward` for the test on later runs, `beyond` for questions outside what was run, `fewparts` for new part
numbers, `yielding` for thermal stress, `bound` for stock, `inside` for tolerances, `need` for what would narrow it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
import pandas as pd
from scipy.special import stdtrit

from loadbook.analysis.trace.model import Floats
from loadbook.core.errors import CalculationError

from . import backtest, fewparts
from .beyond import NOTHING, WIDER, Beyond, beyond, wider_columns, wider_terms
from .bound import Predicted, one_sided, satterthwaite
from .cells import PLAIN, Asked, Break, Cells, Ints, Warp, class_of, make_cells, spread_classes
from .design import LOTS, Design, make_design
from .fit import Fit, Row, fit
from .forward import WIDENED_UNTIL, YEAR, Forward, forward, moved_since, share, stretch
from .inside import Inside, Law, Starts, drawn, known, law
from .level import Drift, Step, changed, drifted
from .refusal import Refusal, refusal, untold
from .spread import PartSpread, part_spread, wider

METHOD = "shrinkage 5"
BOUND_PARTS = 10  # part numbers from which a new one has a bound: fewer cannot show how lopsided they are


@dataclass(frozen=True)
class Reply:
    """An answer on the working scale.

    low, high       the interval that holds `content` of pieces; median its centre
    bound           one-sided, on the side that harms; NaN where the kind has none, or `no_bound` says why:
                    'beyond' what was run, or too 'few parts'
    known           the part number has runs of its own in this history
    model_only      the width is the model's own: too few runs to back-test it
    groups          how many runs (known) or part numbers (new) the back-test leaves out in turn
    quantile        q, in standard deviations;  factor f of the spread class and part number
    v_mean, v       variance of the mean, and of one new piece in a new run
    tested          share of later pieces that such intervals held, each predicted from its past; None where too few
    last_year       the same of the last year alone
    widened         how much wider than asked for it is because the forward test fell short (1: not)
    moved_since     runs since the level seems to have moved, undeclared; None
    beyond          what of the question was never run;  new_levels  setup or furnace never run, or not with this part
                    number while none changed it (Design.unjudged)
    assumed         setup, atmosphere, furnace that nobody named, taken as the part number's usual ones
    borrowed        other kinds and processes that the spread of new part numbers is learned from; None where not
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
    v_mean: float
    v: float
    df: float
    tested: backtest.Coverage | None
    last_year: backtest.Coverage | None
    runs: int
    pieces: int
    parts: int
    own_runs: int
    own_pieces: int
    evidence: str
    beyond: Beyond = NOTHING
    new_levels: dict[str, str] = field(default_factory=dict)
    assumed: dict[str, str] = field(default_factory=dict)
    since_break: int | None = None
    widened: float = 1.0
    moved_since: int | None = None
    no_bound: str | None = None
    borrowed: int | None = None

    @property
    def outside(self) -> bool:
        """Whether it was never run so: no bound, no stock."""
        return bool(self.beyond) or bool(self.new_levels)


class History:
    """A fitted history that questions can be put to.

    pieces   one row per piece and characteristic (columns: see make_cells)
    breaks   declared breaks;  extra: further grouping columns;  spread_class: declared class column
             (default: thin and thick section, parted at the median part number)
    warp     the scale it is fitted on (see `cells.Warp`); before_um (pieces,) readings before, where there are any
     others: the shop's other kinds, for new part numbers
     furnace_inside  see make_design: for differences between furnaces
     gained  the log score that thermal stress gains with part numbers left out; None: it takes no part (yielding.py)
    Raises   CalculationError where no model can be fitted: nothing measured, one cell, or no spread at all
    """

    def __init__(
        self,
        pieces: pd.DataFrame,
        breaks: Sequence[Break] = (),
        extra: Sequence[str] = (),
        spread_class: str | None = None,
        warp: Warp = PLAIN,
        others: Sequence[fewparts.Kind] = (),
        furnace_inside: bool = False,
        gained: float | None = None,
    ) -> None:
        self.cells: Cells = make_cells(pieces, warp)
        if len(self.cells.z) == 0:
            raise CalculationError(
                "no piece of this kind has a movement on record", remedy="Take in readings before and after"
            )
        self.breaks, self.extra, self.others, self.warp = tuple(breaks), tuple(extra), tuple(others), warp
        self.gained = gained
        self.design: Design = make_design(self.cells, breaks, extra, furnace_inside, gained is not None)
        self.edge, self.classes = spread_classes(self.cells, spread_class)
        kept = pieces[pieces["z"].notna()]
        self.before_um = kept["before_mm"].to_numpy(dtype=float) * 1000.0 if "before_mm" in kept else None
        self._same: Fit | None = None

    def on(self, warp: Warp) -> History:
        """The same history fitted on another scale; its cells and columns are those of this one."""
        computed = {name for name, of in vars(History).items() if isinstance(of, cached_property)}
        other = object.__new__(History)
        vars(other).update({name: value for name, value in vars(self).items() if name not in computed})
        other.cells, other.warp, other._same = self.cells.on(warp), warp, self.fit
        other.design = replace(self.design, cells=other.cells)
        return other

    def together(self) -> History:
        """The same history with one straight slope of each setting for all: where what all share is asked for."""
        if self.design.apart is None and not self.design.curves:
            return self
        other = self.on(self.warp)
        terms = [t for t in self.design.terms if not self.design.settings_of(t.name)]
        other.design, other._same = replace(other.design, terms=terms, apart=None, curves=()), None
        return other

    @cached_property
    def fit(self) -> Fit:
        c = self.cells
        return fit(c.z, c.n, c.run, self.design.terms, c.within_df, c.within_ss, same=self._same)

    @cached_property
    def _fit_level(self) -> Fit:
        """Without a level of its own in time: what an undeclared change shows against."""
        c = self.cells
        terms = [t for t in self.design.terms if t.name != "level"]
        return fit(c.z, c.n, c.run, terms, c.within_df, c.within_ss, like=self.fit)

    @cached_property
    def _fit_wide(self) -> Fit:
        """With own slopes and squares: for questions beyond what was run."""
        c = self.cells
        return fit(c.z, c.n, c.run, wider_terms(self.design), c.within_df, c.within_ss, like=self.fit)

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
    def class_factor(self) -> Floats:
        return np.array([self.factors[c] for c in self.piece_class])

    @cached_property
    def spread(self) -> PartSpread:
        """Spread factors of the part numbers."""
        series = self.cells.series[self.cells.piece_cell]
        return part_spread(self._scores_known, self.class_factor, series, self.piece_run, self.fit.s2)

    def piece_factor(self, known: bool) -> Floats:
        """(pieces,) spread factor of each piece's class and, for known part numbers, of its part number."""
        return self.class_factor * self.spread.of_pieces if known else self.class_factor

    @cached_property
    def forward(self) -> Forward:
        return forward(self.fit, self.cells)

    @cached_property
    def moved_since(self) -> int | None:
        """Runs since the level seems to have moved without a declared break."""
        return moved_since(forward(self._fit_level, self.cells))

    @cached_property
    def level_step(self) -> Step | None:
        """Where the level changed undeclared, however long ago."""
        return self._level_moved if isinstance(self._level_moved, Step) else None

    @cached_property
    def level_drift(self) -> Drift | None:
        """Whether the level drifted slowly and undeclared; a clear step is no drift."""
        return self._level_moved if isinstance(self._level_moved, Drift) else None

    @cached_property
    def _level_moved(self) -> Step | Drift | None:
        return changed(self.fit, self.design) or drifted(self._fit_level, self.design)

    def scatter(self, f: Fit | None = None) -> float:
        """Variance of a new piece, in a new run and of a new material lot, about what is expected of its part."""
        f = f or self.fit
        return f.run_var + f.s2 + f.theta.get(LOTS, 0.0)

    def scatter_df(self, series: int | None) -> float:
        """Degrees of freedom behind that: few where few lots are on record."""
        rest, lots = self.fit.run_var + self.fit.s2, self.fit.theta.get(LOTS, 0.0)
        df = min(max(self.df2, 1), self.spread.df(series))
        return satterthwaite([(lots, self.design.lot_df), (rest, df)]) if lots else df

    def _wider(self, series: int | None) -> float:
        """What an interval is wider by since its spread is that of few runs of the part number, and few lots."""
        df = min(max(self.df2, 1), self.spread.df(series))
        return float(wider(self.spread.df(series)) * wider(self.scatter_df(series)) / wider(df))

    @property
    def df2(self) -> int:
        return len(self.cells.z) - self.cells.many

    def known(self, asked: Asked) -> bool:
        return (asked.part or "", asked.characteristic or "") in self.design.series_of

    def series(self, asked: Asked) -> int | None:
        return self.design.series_of.get((asked.part or "", asked.characteristic or ""))

    def row(self, asked: Asked) -> Row:
        row = self.fit.row(self.design.labels(asked), self.design.columns(asked))
        extra = sum(self.fit.theta.get(f"{factor} within part", 0.0) for factor in self.design.new_levels(asked))
        return replace(row, unknown=row.unknown + extra) if extra else row

    def predicted(self, asked: Asked) -> Predicted:
        """Expectation and spread of one more piece treated so."""
        f, series = self.fit, self.series(asked)
        if series is not None and beyond(self.design, asked):
            f = self._fit_wide
            row = f.row(self.design.labels(asked), wider_columns(self.design, asked))
        else:
            row = self.row(asked)
        df2 = max(self.df2, 1)
        df1 = df2 if series is not None else max(self.cells.parts - 2, 1)
        factor = self.factors.get(self.spread_class_of(asked), 1.0) * self.spread.factor(series)
        sd = factor * float(np.sqrt(self.scatter(f)))
        mean = f.mean(row)
        if series is None and self.cells.parts >= BOUND_PARTS:
            mean += (1.0 - self._own_weight) * (self.few.quantile(0.5) + self._treated(asked) - mean)
        return Predicted(mean, f.mean_variance(row), df1, sd, self.scatter_df(series))

    @property
    def _own_weight(self) -> float:
        """What the model's own answer of a new part number weighs beside that of part numbers alone, which knows
        nothing of materials and settings and is not fooled by them either."""
        return self.cells.parts / (self.cells.parts + fewparts.OWN_PARTS)

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
        reply = self._known(asked, content) if self.known(asked) else self._new(asked, content)
        why = "beyond" if reply.outside else "few parts" if not reply.known and reply.parts < BOUND_PARTS else None
        if harm and why is None:
            scores = self.scores(reply.known)
            signed = harm * scores.score / self.piece_factor(reply.known)
            about = self.predicted(asked)
            about = replace(about, v_mean=about.v_mean * max(1.0, self.spread.factor(self.series(asked))) ** 2)
            bound, _ = one_sided(
                about, harm, signed, scores.weight, scores.groups, bound_content, bound_confidence
            )  # fmt: skip
            bound += (bound - about.mean) * (reply.widened - 1.0)
            # a bound that fewer pieces pass than the interval's end is no nearer: one blunder could make it seem so
            if content <= 2.0 * bound_content - 1.0 + 1e-9:
                bound = max(bound, reply.high) if harm > 0 else min(bound, reply.low)
            reply = replace(reply, bound=bound)
        reply = replace(reply, harm=harm, no_bound=why, bound_content=bound_content, bound_confidence=bound_confidence)
        reply = self._told(reply)
        return (untold(self.cells, reply.high - reply.low) if reply.outside else None) or reply

    def _told(self, reply: Reply) -> Reply:
        """Figures back from the scale that was fitted to the working scale."""
        back = self.warp.back
        return replace(
            reply, low=back(reply.low), high=back(reply.high), median=back(reply.median), bound=back(reply.bound)
        )  # fmt: skip

    def _known(self, asked: Asked, content: float) -> Reply:
        about, f = self.predicted(asked), self.fit
        scores = self._scores_known
        factor = about.sd / float(np.sqrt(self.scatter())) * self._wider(self.series(asked))
        v = about.v_mean + self.scatter()
        model_only = scores.groups < backtest.groups_needed(content)
        if model_only:
            factor, df = 1.0, satterthwaite(
                [(about.v_mean, about.df1), (f.run_var, self.df2), (f.s2, max(self.cells.within_df, self.df2))]
            )  # fmt: skip
            quantile = float(stdtrit(df, (1.0 + content) / 2.0))
        else:
            df = float(max(self.df2, 1))
            quantile = backtest.reach(scores, self.piece_factor(True), content, few=False)
        outside = beyond(self.design, asked)
        never = outside or self.design.new_levels(asked) or self.design.unjudged(asked)
        half = quantile * factor * float(np.sqrt(v)) * (WIDER if never else 1.0)
        since = self.moved_since
        tested, year, scaled, chosen = self.test(True, quantile)
        short = tested is not None and tested.high < content
        widened = 1.0
        if short or (since is not None and since < WIDENED_UNTIL):
            widened = stretch(self.forward, scaled, chosen, content)
        half *= widened
        return self._reply(
            asked, about, content, half, known=True, model_only=model_only, groups=scores.groups, quantile=quantile,
            factor=factor, df=df, v=v, tested=tested, last_year=year, widened=widened, moved_since=since,
            beyond=outside,
        )  # fmt: skip

    def test(
        self, known: bool, quantile: float
    ) -> tuple[backtest.Coverage | None, backtest.Coverage | None, Floats, np.ndarray]:
        """(share of later pieces held, that of the last year, |t| over the reach of each piece, which pieces count)."""
        found = self.forward
        chosen = ~found.new if known else found.new
        scaled = np.abs(found.score) / (quantile * self.piece_factor(known)[found.piece])
        late = chosen & (found.day > float(np.max(self.cells.frame["day"])) - YEAR)
        return share(found, scaled <= 1.0, chosen), share(found, scaled <= 1.0, late, None), scaled, chosen

    def _new(self, asked: Asked, content: float) -> Reply:
        """A new part number: from the spread of few, and from ten on together with the model's own answer."""
        few = self.few
        tail = (1.0 - content) / 2.0
        low, high = few.quantile(tail), few.quantile(1.0 - tail)
        about = self.predicted(asked)
        half, df = (high - low) / 2.0, float(max(self.cells.parts - 2, 1))
        factor = self.factors.get(self.spread_class_of(asked), 1.0)
        v = about.v_mean + self.scatter()
        groups = self.cells.parts
        if groups >= BOUND_PARTS:
            scores = self._scores_new
            q = backtest.reach(scores, self.class_factor, content, few=True)
            w = self._own_weight
            half = float(np.exp(w * np.log(q * factor * np.sqrt(v)) + (1.0 - w) * np.log(half)))
        else:
            shift = self._treated(asked)
            low, high, centre = low + shift, high + shift, few.quantile(0.5) + shift
            v_piece = float(few.weight @ few.v_piece)
            about = Predicted(centre, float(few.weight @ few.v_mean), about.df1, float(np.sqrt(v_piece)), about.df2)
            v, factor = about.v_mean + v_piece, 1.0
            half = max(high - centre, centre - low)
        quantile = half / (factor * float(np.sqrt(v)))
        tested, year, *_ = self.test(False, quantile)
        if groups < BOUND_PARTS:
            tested, year = self.few_left_out(content), None
        return self._reply(
            asked, about, content, half, known=False, model_only=False, groups=groups, quantile=quantile,
            factor=factor, df=df, v=v, tested=tested, last_year=year, beyond=beyond(self.design, asked),
            borrowed=len(self.others),
        )  # fmt: skip

    def _treated(self, asked: Asked) -> float:
        """What the setup, atmosphere and furnace asked about add, as they do inside part numbers."""
        out = 0.0
        for name, values in self.design.columns(asked).items():
            if name in self.fit.offsets and name.removesuffix(" within part") in self.design.factors:
                first = self.fit.offsets[name][0]
                out += float(values @ self.fit.beta[first : first + len(values)])
        return out

    def kind(self, without: int | None = None) -> fewparts.Kind:
        """What its part numbers (one left out) say of how far part numbers and runs differ."""
        c = self.cells
        keep = np.ones(len(c.z), dtype=bool) if without is None else c.part != without
        return fewparts.kind(c.z[keep], c.n[keep], c.part[keep], float(np.sqrt(self.fit.s2)))

    @cached_property
    def _priors(self) -> tuple[Floats, Floats]:
        return fewparts.pooled(self.others)

    @cached_property
    def few(self) -> fewparts.Mixture:
        """What a new part number will do, its spread learned from few and from the shop's other kinds."""
        return fewparts.predictive(self.kind(), self._priors)

    def few_left_out(self, content: float) -> backtest.Coverage | None:
        """Share of pieces that such intervals held with each part number left out in turn; None under four."""
        c = self.cells
        if c.parts < 4:
            return None
        held = np.zeros(len(c.piece_z), dtype=bool)
        part = c.part[c.piece_cell]
        for p in range(c.parts):
            mixture = fewparts.predictive(self.kind(p), self._priors)
            tail = (1.0 - content) / 2.0
            z = c.piece_z[part == p]
            held[part == p] = (z >= mixture.quantile(tail)) & (z <= mixture.quantile(1.0 - tail))
        return backtest.coverage(held, self.piece_run, part)

    def _reply(
        self, asked: Asked, about: Predicted, content: float, half: float, *, known: bool, **told: object
    ) -> Reply:  # fmt: skip
        c = self.cells
        own = c.series == (-1 if (series := self.series(asked)) is None else series)
        return Reply(
            low=about.mean - half, high=about.mean + half, median=about.mean, content=content, bound=float("nan"),
            bound_content=0.95, bound_confidence=0.95, harm=0, known=known,
            v_mean=about.v_mean, runs=c.runs, pieces=len(c.piece_z),
            parts=c.parts, own_runs=len(np.unique(c.run[own])), own_pieces=int(c.n[own].sum()),
            evidence=self.evidence(asked), new_levels=self.design.new_levels(asked) | self.design.unjudged(asked),
            assumed=self.design.assumed(asked), since_break=self.since_break(asked),
            **told,  # type: ignore[arg-type]
        )  # fmt: skip

    def coverage(self, known: bool, content: float, where: Ints | None = None) -> backtest.Coverage:
        """Back-tested coverage; where: a mask or indexes of pieces to look at (all when None)."""
        held, run, group = self.held(known, content), self.piece_run, self.scores(known).group
        chosen = np.arange(len(held)) if where is None else where
        return backtest.coverage(held[chosen], run[chosen], group[chosen])

    def held(self, known: bool, content: float) -> np.ndarray:
        """(pieces,) which of them the interval would have held with their run (part number) left out."""
        return backtest.held_shares(self.scores(known), self.piece_factor(known), content, few=not known)

    def law(self, known: bool) -> tuple[Law, float]:
        """The law of the left-out scores over their spread factors, and their rms."""
        scores = self.scores(known)
        return law(scores.score / self.piece_factor(known), scores.weight, scores.groups)

    def inside(self, asked: Asked, reply: Reply, starts: Starts, about: Predicted | None = None) -> Inside:
        """Share of pieces that stay inside limits given on the fitted scale.

        about  what is expected, where that is not this history's own prediction (a known part number's only)
        """
        shape, k = self.law(True)
        f, about = self.fit, about or self.predicted(asked)
        run_share = 1.0 - f.s2 / self.scatter()
        wider = reply.widened * (WIDER if reply.outside else 1.0)
        if reply.known or reply.parts >= BOUND_PARTS:
            return known(shape, starts, about.mean, about.v_mean, about.df1, about.sd * k * wider, about.df2, run_share)
        level, sd = self.few.draws(4000, np.random.Generator(np.random.PCG64(1)))
        return drawn(shape, starts, level + self._treated(asked), sd * k, run_share)

    def spread_class_of(self, asked: Asked) -> str:
        if self.edge is None:
            return "all"
        known = self.series(asked)
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

    def since_break(self, asked: Asked) -> int | None:
        """Runs since the last declared break before the day asked about; None where there is none."""
        day = self.design.day(asked)
        passed = [b.day for b in self.breaks if b.day <= day and b.furnace in (None, asked.furnace)]
        if not passed:
            return None
        return len(np.unique(self.cells.run[self.cells.frame["day"].to_numpy() >= max(passed)]))
