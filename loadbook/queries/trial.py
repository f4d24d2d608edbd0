"""Which next runs would teach most about a setting: asked of a book."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from loadbook.analysis.answers import refusal
from loadbook.analysis.answers.estimate import History
from loadbook.analysis.effects.words import figure, nice_step, spoken
from loadbook.analysis.movement import percent, scale
from loadbook.analysis.movement.repeats import readings
from loadbook.analysis.planning.trial import TrialPlan, alone, beside, plan_trial, repeats
from loadbook.core import units
from loadbook.core.errors import CalculationError, NotFoundError, UsageError
from loadbook.core.figures import scale_words, spoken_unit, unit_words
from loadbook.core.phrases import many
from loadbook.core.vocabulary.intake_kinds import CHARACTERISTIC_KINDS, KINDS_SAID, kinds_of
from loadbook.core.vocabulary.parameter_names import parameter_of
from loadbook.core.vocabulary.parameter_names import spoken as spoken_name
from loadbook.core.vocabulary.parameters import PLANNED

from . import answer_remarks, remark_words
from . import history as answerdata
from .answer_figures import setting
from .effect import FACTORS
from .enquiry import planned
from .filters import Filters

if TYPE_CHECKING:
    import pandas as pd

    from loadbook.store.book import BookFolder

SEED = 20_260_102
STEPS = 15  # between the limits of a setting, at least
Level = str | float


@dataclass
class Trial:
    """A plan of runs; `order` is drawn by lot so that nothing else goes with the setting.

    also     further factors: name -> the level of each run of the plan (a number in the unit kept inside, or a word)
    repeats  how often to read each piece at each stage; None where no piece was read twice, so that it is not known
    plan     figures on the working scale (`unit`) per unit of the setting;  text sentences in the book's units
    """

    plan: TrialPlan
    process: str
    kind: str
    unit: str
    low: float
    high: float
    order: list[int]
    text: list[str]
    also: dict[str, list[Level]] = field(default_factory=dict)
    repeats: int | None = None

    def rows(self) -> list[dict[str, Any]]:
        """One row per run, in the order drawn: part, characteristic, setting, further factors, what it was run at."""
        out = []
        for at, k in enumerate(self.order):
            run = self.plan.runs[k]
            levels = {name: of_runs[k] for name, of_runs in self.also.items()}
            out.append(
                {"order": at + 1, "part": run.part, "characteristic": run.characteristic,
                 self.plan.parameter: run.setting, **levels, "own_low": run.own_low, "own_high": run.own_high}
            )  # fmt: skip
        return [{k: None if isinstance(v, float) and not np.isfinite(v) else v for k, v in r.items()} for r in out]

    def shown(self, system: str) -> tuple[list[str], list[list[Any]]]:
        """The rows as a person reads them: settings, and the range that each part number was run at, in one unit."""
        name = self.plan.parameter
        columns = ["order", "part", "characteristic", *(heading(n, system) for n in (name, *self.also))]
        columns += ["lowest it was run at", "highest it was run at"]
        rows = [
            [r["order"], r["part"], r["characteristic"], level_shown(name, r[name], system),
             *(level_shown(n, r[n], system) for n in self.also),
             *(level_shown(name, r[end], system) for end in ("own_low", "own_high"))]
            for r in self.rows()
        ]  # fmt: skip
        return columns, rows

    def frame(self) -> pd.DataFrame:
        import pandas as pd

        return pd.DataFrame(self.rows())


def heading(name: str, system: str) -> str:
    """A factor as the head of a column: a setting with its unit."""
    if name not in PLANNED:
        return name
    return f"{spoken_name(name)} [{unit_words(PLANNED[name].unit, system)}]"


def level_shown(name: str, value: Level | None, system: str) -> Level | None:
    """A factor's level in the book's units, without its unit."""
    if name not in PLANNED or value is None:
        return value
    return float(f"{units.show(float(value), PLANNED[name].unit, system)[0]:.4g}")


def trial(
    book: BookFolder,
    characteristic: str,
    parameter: str,
    runs: int,
    low: float | None = None,
    high: float | None = None,
    filters: Filters | None = None,
    confidence: float = 0.95,
    system: str | None = None,
    also: Sequence[str] = (),
) -> Trial:
    """The settings of the next runs that shrink the interval of a parameter's effect most.

    characteristic  a characteristic's name, or a kind;  low, high limits of the setting (default: what was ever run)
    also            further factors with two levels each, varied with it: 'setup=laid/stood', 'soak=60 min/120 min'
    filters         part numbers that may be run (part), the process, and what of the history counts
    Raises          UsageError, NotFoundError, CalculationError
    """
    parameter = parameter_of(parameter)
    if parameter not in PLANNED:
        raise UsageError(f"{parameter} is not planned before a run", remedy="Plannable are: " + ", ".join(PLANNED))
    filters = filters or Filters()
    given = Filters(**{**filters.given(), "part": None, "process": None})
    source = answerdata.load(book, given)
    kind, own = _kind(source, characteristic)
    allowed = [p.strip() for p in filters.part.split(",")] if filters.part else None
    process = answerdata.choose_process(source, kind, allowed[0] if allowed else None, filters.process, None)
    pieces = source.pieces(process, kind)
    if pieces.below_gauge >= scale.MOSTLY_GAUGE:
        coarse, system = answer_remarks.gauge_too_coarse(pieces), system or book.units
        raise CalculationError(remark_words.words(coarse, system), remedy=remark_words.needed(coarse, system))
    history = History(pieces.frame, source.breaks, source.extra)
    if len(history.cells.z) < 3:
        raise CalculationError(
            f"{len(history.cells.z)} means of a run and part number are too few to plan from",
            remedy="Measure more runs",
        )
    if refusal.still(history.cells) or refusal.exact(history):
        raise CalculationError(
            "part numbers and settings leave no scatter, to the last digit: there is nothing to plan by",
            remedy="Measure with a gauge that resolves the movement, or look where the readings come from",
        )
    seen = history.cells.frame[parameter].to_numpy(dtype=float)
    seen = seen[np.isfinite(seen)]
    if low is None or high is None:
        if len(seen) == 0 or seen.min() == seen.max():
            raise CalculationError(
                f"{spoken_name(parameter)} never varied, so there are no limits to take from the history",
                remedy="Give --low and --high",
            )
        low, high = (float(seen.min()) if low is None else low), (float(seen.max()) if high is None else high)
    count = np.bincount(history.cells.series)
    parts: list[tuple[str, str]] = []  # of a part number's characteristics the most measured: one run shows them all
    for key in sorted(history.design.series_of, key=lambda k: -count[history.design.series_of[k]]):
        wanted = (allowed is None or key[0] in allowed) and (own is None or key[1].lower() == own.lower())
        if wanted and key[0] not in {part for part, _ in parts}:
            parts.append(key)
    missing = [p for p in allowed or [] if p not in {key[0] for key in parts}]
    if missing:
        raise NotFoundError(f"no run of {', '.join(missing)} with {characteristic} on record in {process}",
                            remedy="loadbook moved --by part lists the part numbers with movement")  # fmt: skip
    grid = _grid(parameter, low, high, system or book.units)
    plan = plan_trial(history, parameter, runs, low, high, parts, confidence=confidence, grid=grid)
    factors = _factors(also, parameter)
    levels = beside(plan, len(factors))
    order = [int(i) for i in np.random.default_rng(SEED).permutation(len(plan.runs))]
    again = repeats(readings(pieces.frame), history.fit.s2)
    text = _sentences(plan, levels, again, process, pieces.unit, low, high, system or book.units)
    named = {name: [two[v] for v in column] for (name, two), column in zip(factors.items(), levels, strict=True)}
    return Trial(plan, process, kind, pieces.unit, low, high, order, text, named, again)


def _grid(parameter: str, low: float, high: float, system: str) -> tuple[float, float]:
    """Whole steps of a setting in the book's units, about twenty of them between the limits, as kept inside."""
    unit = PLANNED[parameter].unit
    zero, one = (units.show(v, unit, system)[0] for v in (0.0, 1.0))
    return -zero / (one - zero), nice_step((high - low) * (one - zero) * 3.0 / STEPS) / (one - zero)


def _kind(source: answerdata.Measured, characteristic: str) -> tuple[str, str | None]:
    """The kind, and the characteristic's name where one was given."""
    if characteristic.lower() in CHARACTERISTIC_KINDS:
        return characteristic.lower(), None
    rows = source.movement[source.movement["characteristic"].astype("str").str.lower() == characteristic.lower()]
    kinds = sorted(rows["kind"].unique())
    if not kinds and characteristic.lower() in KINDS_SAID:
        said = kinds_of(characteristic)
        if len(said) > 1:
            raise UsageError(f"{characteristic} may be several kinds", remedy=f"Name one: {' or '.join(said)}")
        return said[0], None
    if not kinds:
        raise NotFoundError(
            f"no reading of a characteristic {characteristic!r}", remedy="loadbook list characteristics"
        )
    if len(kinds) > 1:
        raise UsageError(f"{characteristic!r} is of several kinds: {', '.join(kinds)}", remedy="Name the kind instead")
    return str(kinds[0]), str(rows["characteristic"].iloc[0])


def _factors(also: Sequence[str], parameter: str) -> dict[str, tuple[Level, Level]]:
    """Further factors as a user writes them, each with its two levels. Raises UsageError"""
    out: dict[str, tuple[Level, Level]] = {}
    known = (*FACTORS, *(p for p in PLANNED if p != parameter))
    for text in also:
        name, _, levels = text.partition("=")
        name, two = parameter_of(name.strip()), [v.strip() for v in levels.split("/")]
        name = name if name in PLANNED else name.lower()
        if name not in known or name in out or len(two) != 2 or not all(two) or two[0] == two[1]:
            raise UsageError(
                f"--also {text!r} is not a factor with two levels",
                remedy="Write it like --also setup=laid/stood; factors are: " + ", ".join(known),
            )
        if name in PLANNED:
            low, high = (planned([f"{name}={v}"])[name] for v in two)
            out[name] = (low, high)
        else:
            out[name] = (two[0], two[1])
    return out


def _sentences(
    plan: TrialPlan, levels: Sequence[Sequence[int]], again: int | None, process: str, unit: str, low: float,
    high: float, system: str,
) -> list[str]:  # fmt: skip
    key = PLANNED[plan.parameter].unit
    one, label, _ = units.show(1.0, {"c": "c_diff"}.get(key, key), system)
    step = nice_step((high - low) * one)
    factor = step / one  # setting units inside the book per shown step
    shown, movement_label, _ = units.show(1.0, unit, system) if unit == "um" else (1.0, scale_words(unit, system), 0)
    show = percent.shown(unit, shown)

    def amount(value: float) -> str:
        return figure(float(show(value * factor)))

    per = f"{spoken_unit(movement_label)} per {figure(step)} {label}"
    name = spoken(plan.parameter)
    percents = f"{100 * plan.confidence:g} %"
    out = []
    if np.isfinite(plan.now):
        goes = "goes with" if abs(plan.effect) > plan.now else "is not settled in sign:"
        out.append(
            f"So far {name} {goes} {amount(plan.effect)} ± {amount(plan.now)} {per} in {process} "
            f"({percents}, {plan.df_now} degrees of freedom)."
        )
    else:
        out.append(f"Nothing can be said yet of {name} in {process}: it never varied inside a part number.")
    one_run = len(plan.runs) == 1
    these = "this run" if one_run else f"these {len(plan.runs)} runs"
    steps = "" if one_run else f" (step by step: {', '.join(amount(v) for v in plan.steps)})"
    out.append(
        f"After {these} expect about ± {amount(plan.then)} {per} with all that is on record{steps}, "
        "if runs differ as they did."
    )
    half, df = alone(plan, levels)
    if np.isfinite(half):
        out.append(
            f"Judged by these runs alone, which shows cause, about ± {amount(half)} {per} "
            f"({many(df, 'degree')} of freedom{': more runs narrow it fast' if df < 4 else ''})."
        )
    else:
        alone_ = "One run alone leaves" if one_run else "These runs alone leave"
        out.append(f"{alone_} nothing to judge scatter by: to show cause takes {4 + 2 * len(levels)} runs or more.")
    out.append(_pieces(plan, again, amount))
    beyond = [r for r in plan.runs if np.isfinite(r.own_low) and not r.own_low <= r.setting <= r.own_high]
    if beyond:
        listed = "; ".join(sorted({f"{r.part} at {setting(plan.parameter, r.setting, system)}" for r in beyond}))
        out.append(f"Beyond what that part number was run at, so agree it first: {listed}.")
    out.append(
        "The order is drawn by lot. Keep it, keep everything else as it is, and measure before and after (after alone "
        "also does, with more scatter)."
    )
    return out


def _pieces(plan: TrialPlan, again: int | None, amount: Callable[[float], str]) -> str:
    """How many pieces to measure in each run, and how often to read each."""
    text = f"That counts on {many(plan.pieces, 'piece')} a run, as usual"
    if plan.enough is None:
        text += "; measure three or more: how pieces of one run differ is not on record"
    elif plan.enough > plan.pieces:
        text += f"; {2 * plan.pieces} would give ± {amount(plan.twice)}, and above {plan.enough} more hardly help"
    else:
        text += ", and more would hardly help: the runs themselves differ"
    if again is None:
        return f"{text}. Read some pieces twice: how far readings repeat is not on record."
    if again == 1:
        return f"{text}. One reading a stage is enough: pieces differ by more than readings do."
    return f"{text}. Read each piece {again} times before and after: readings differ by more than pieces do."
