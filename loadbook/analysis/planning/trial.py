"""Which next runs would teach most about the effect of one setting.

From the answer's own model: the variance of the setting's within-part slope (its own prior taken away, so that only
runs inform it) after adding candidate runs. Every part number of a trial gets a low and a high setting inside the
user's limits, so that the lot decides which comes first and a part number's own level cancels; from five runs on one or
two stand in the middle, where a threshold would show. The pairs are chosen one after the other and then exchanged until
nothing improves (Fedorov's exchange; Atkinson, Donev & Tobias 2007, Optimum Experimental Designs, ch. 12).
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.linalg import hadamard
from scipy.special import gammaln, stdtrit

from loadbook.analysis.answers.cells import Asked
from loadbook.analysis.answers.estimate import History
from loadbook.analysis.answers.need import KNOWN_WITHIN
from loadbook.analysis.movement.repeats import Readings
from loadbook.analysis.trace.model import Floats
from loadbook.core.errors import CalculationError
from loadbook.core.vocabulary.parameters import PLANNABLE

FARTHEST = 2.0  # no part number is sent further beyond its own settings than this many usual deviations
HARDLY = 0.21  # more pieces a run cannot narrow an interval by a tenth once they are this share of what runs differ by
MOST_PIECES = 20
MOST_REPEATS = 4
NEVER = 1e6  # prior variance of a slope that nothing informs, in units of the cells' variance


@dataclass(frozen=True)
class Planned:
    """One run to do: this part number at this setting."""

    part: str
    characteristic: str
    setting: float
    own_low: float
    own_high: float


@dataclass(frozen=True)
class TrialPlan:
    """The runs to do, and what they would give.

    effect           the present estimate, movement (working scale) per unit of the setting
    now, then        half width of its interval per unit, before and after the runs; now is infinite where the
                     setting never varied inside a part number
    steps            half width after each further run of the list
    df_now, df_then  degrees of freedom of the two
    pieces, twice    pieces a run that `then` counts on (the usual number), and the half width with twice as many
    enough           pieces a run beyond which more of them hardly narrow it: the runs themselves differ; None where
                     too few runs held several pieces to tell
    noise            variance of the mean of one run of the trial
    """

    parameter: str
    runs: tuple[Planned, ...]
    effect: float
    now: float
    then: float
    steps: tuple[float, ...]
    confidence: float
    df_now: int
    df_then: int
    pieces: int
    twice: float
    enough: int | None
    noise: float


def plan_trial(
    history: History,
    parameter: str,
    runs: int,
    low: float,
    high: float,
    parts: Sequence[tuple[str, str]] | None = None,
    day: float | None = None,
    confidence: float = 0.95,
    grid: tuple[float, float] | None = None,
) -> TrialPlan:
    """The settings of the next runs that shrink the interval of a setting's effect most.

    parameter  a plannable one;  runs how many;  low, high the limits the settings must stay within; no part number is
               sent further than two usual deviations beyond what it was run at, because the model is a straight line
    parts      (part, characteristic) that may be run; None: every one on record
    day        the day of the new runs (default: the last of the history)
    grid       (a setting, step): settings are brought to whole steps from it, as a recipe has them
    Raises     CalculationError where the limits leave no room, or no part may be run
    """
    if parameter not in PLANNABLE:
        remedy = "Plannable are: " + ", ".join(PLANNABLE)
        raise CalculationError(f"{parameter} is not planned before a run", remedy=remedy)
    if not low < high:
        raise CalculationError("the limits leave no two settings", remedy="Give a lower and a higher limit")
    if runs < 1:
        raise CalculationError("a trial needs at least one run", remedy="Give --runs 4, for example")
    history = history.together()
    fit, design = history.fit, history.design
    allowed = [p for p in (parts if parts is not None else list(design.series_of)) if p in design.series_of]
    if not allowed:
        raise CalculationError(
            "no part number on record may be run in this trial", remedy="Name part numbers with runs"
        )

    active = parameter in design.active
    scale = design.within_sd[parameter] if active else (high - low) / 2.0
    column = fit.offsets["settings within part"][0] + design.active.index(parameter) if active else len(fit.g)
    C = fit.C.block(np.arange(len(fit.g)))
    C = C if active else np.pad(C, (0, 1))
    vague, effect = NEVER * float(np.var(fit.z)), float("nan")
    if active:  # only runs may inform the slope: its prior is swapped for a vague one
        delta = 1.0 / fit.g[column] - 1.0 / vague
        left = 1.0 - delta * float(C[column, column])
        effect = float(fit.beta[column]) / left / scale
        C = C + np.outer(C[:, column], C[:, column]) * delta / left
    else:
        C[column, column] = vague

    candidates: list[Planned] = []
    rows: list[Floats] = []
    for part, characteristic in allowed:
        series = design.series_of[(part, characteristic)]
        own = history.cells.frame[parameter].to_numpy(dtype=float)[history.cells.series == series]
        own = own[np.isfinite(own)]
        middle = float(own.mean()) if len(own) else (low + high) / 2.0
        reach = FARTHEST * scale if active and len(own) else np.inf
        least = max(low, float(own.min()) - reach) if len(own) else low
        most = min(high, float(own.max()) + reach) if len(own) else high
        if least >= most:
            continue  # this part number cannot be brought inside the limits without a leap
        least, middle, most = _rounded(least, min(max(middle, least), most), most, grid)
        for setting in sorted({least, middle, most}):
            row = fit.row(*_described(history, part, characteristic, {parameter: setting}, day))
            dense = np.zeros(len(C))
            dense[row.at] = row.values
            dense[column] = (setting - middle) / scale
            rows.append(dense)
            ends = (float(own.min()), float(own.max())) if len(own) else (float("nan"), float("nan"))
            candidates.append(Planned(part, characteristic, float(setting), *ends))
    if not candidates:
        raise CalculationError(
            "no part number on record was run near these limits",
            remedy="Widen --low and --high, or name other part numbers",
        )
    pieces = max(int(np.median(fit.n)), 1)
    noise = fit.run_var + fit.s2 / pieces
    chosen = _choose(C, np.array(rows), noise, column, runs, _places(candidates))

    slopes = max(len(design.active), 1) + 1
    df_now = max(min(history.df2 - slopes, history.cells.runs - 1), 0)
    df_then = max(min(history.df2 + len(chosen) - slopes, history.cells.runs + len(chosen) - 1), 1)
    now = float("inf")
    if active and df_now > 0:
        now = float(stdtrit(df_now, (1 + confidence) / 2)) * float(np.sqrt(C[column, column])) / scale
    steps, at = [], C
    for k, index in enumerate(chosen):
        at = _added(at, rows[index], noise)
        df = max(df_then - len(chosen) + k + 1, 1)
        steps.append(float(stdtrit(df, (1 + confidence) / 2)) * float(np.sqrt(at[column, column])) / scale)
    planned = tuple(candidates[i] for i in chosen)
    at = C
    for index in chosen:
        at = _added(at, rows[index], fit.run_var + fit.s2 / (2 * pieces))
    twice = float(stdtrit(df_then, (1 + confidence) / 2)) * float(np.sqrt(at[column, column])) / scale
    enough = None
    if history.cells.within_df >= KNOWN_WITHIN:
        enough = min(max(int(np.ceil(fit.s2 / (HARDLY * fit.run_var))), 1), MOST_PIECES)
    return TrialPlan(
        parameter, planned, effect, now, steps[-1], tuple(steps), confidence, df_now, df_then, pieces, twice, enough,
        noise,
    )  # fmt: skip


def alone(plan: TrialPlan, factors: Sequence[Sequence[float]] = ()) -> tuple[float, int]:
    """(half width of the setting's interval per unit, degrees of freedom) as the runs of the trial alone will judge it.

    factors  levels of further factors, each of every run of the plan
    Returns  infinite where nothing is left over to judge by: as many unknowns as runs
    Formula  t·E[s]·√(X'X)⁻¹ inside part numbers; E[s] = σ·√(2/df)·Γ((df+1)/2)/Γ(df/2)
    """
    parts = {key: i for i, key in enumerate(dict.fromkeys((r.part, r.characteristic) for r in plan.runs))}
    group = np.array([parts[(r.part, r.characteristic)] for r in plan.runs])
    x = np.column_stack([np.array([r.setting for r in plan.runs]), *(np.asarray(f, dtype=float) for f in factors)])
    x = np.asarray(x - np.array([x[group == g].mean(axis=0) for g in range(len(parts))])[group], dtype=float)
    df = len(plan.runs) - len(parts) - x.shape[1]
    if df < 1 or np.linalg.matrix_rank(x) < x.shape[1]:
        return float("inf"), max(df, 0)
    expected = float(np.sqrt(2.0 / df) * np.exp(gammaln((df + 1) / 2) - gammaln(df / 2)))
    spread = float(np.sqrt(plan.noise * np.linalg.inv(x.T @ x)[0, 0]))
    return float(stdtrit(df, (1 + plan.confidence) / 2)) * expected * spread, df


def repeats(read: Readings | None, s2: float) -> int | None:
    """How often to read each piece at each stage so that readings scatter no more than pieces; None: not known.

    s2  variance of pieces inside a run, as they were read
    """
    if read is None:
        return None
    own = max(s2 - read.as_read, 0.0)
    if read.once <= own:
        return 1
    return min(max(int(np.ceil(read.once / own)), 1), MOST_REPEATS) if own > 0 else MOST_REPEATS


def beside(plan: TrialPlan, factors: int) -> list[list[int]]:
    """Levels (0 or 1) of further factors for each run of a plan, factor by factor.

    Inside a pair the two runs have the two levels, and pairs turn which of them goes with the higher setting after the
    columns of a Hadamard matrix: each factor is judged inside part numbers, and none goes with the setting or another.
    Runs in the middle take turns. Raises CalculationError where the pairs are too few to tell the factors apart
    Source  Plackett & Burman, Biometrika 33 (1946); Box, Hunter & Hunter 2005, ch. 6
    """
    pairs = _pairs(len(plan.runs))
    if factors and pairs <= factors:
        raise CalculationError(
            f"{len(plan.runs)} runs do not tell {factors + 1} factors apart",
            remedy=f"Give --runs {next(n for n in range(2, 99) if _pairs(n) > factors)} or more",
        )
    order = 1
    while order < max(pairs, factors + 1):
        order *= 2
    signs = hadamard(order)[:pairs, 1 : factors + 1] if factors else np.zeros((pairs, 0), dtype=int)
    out = []
    for k in range(factors):
        levels = [int(v) for s in signs[:, k] for v in ((1 - s) // 2, (1 + s) // 2)]
        out.append(levels + [(i + k) % 2 for i in range(len(plan.runs) - 2 * pairs)])
    return out


def _rounded(least: float, middle: float, most: float, grid: tuple[float, float] | None) -> tuple[float, float, float]:
    """The three settings on whole steps, inside where they were; as they are where that leaves no two."""
    if grid is None:
        return least, middle, most
    zero, step = grid
    low, high = np.ceil((least - zero) / step - 1e-9), np.floor((most - zero) / step + 1e-9)
    if high - low < 1:
        return least, middle, most
    between = min(max(round((middle - zero) / step), low), high)
    return float(zero + low * step), float(zero + between * step), float(zero + high * step)


def _pairs(runs: int) -> int:
    """How many pairs of a low and a high setting stand first in a plan of so many runs."""
    middles = 2 - runs % 2 if runs >= 5 else runs % 2
    return (runs - middles) // 2


def _places(candidates: Sequence[Planned]) -> list[list[int]]:
    """Positions of the candidates of each part number, the lowest setting first."""
    found: dict[tuple[str, str], list[int]] = {}
    for i, c in enumerate(candidates):
        found.setdefault((c.part, c.characteristic), []).append(i)
    return list(found.values())


def _described(
    history: History, part: str, characteristic: str, settings: Mapping[str, float], day: float | None
) -> tuple[dict[str, list[Hashable | None]], dict[str, Floats]]:
    first = history.cells.frame[history.cells.series == history.design.series_of[(part, characteristic)]].iloc[-1]
    material, family, shape, condition, furnace = (
        str(first[name]) or None for name in ("material", "family", "shape", "condition", "furnace")
    )
    asked = Asked(
        part, characteristic, material, family, shape, condition, furnace=furnace, day=day, settings=dict(settings)
    )
    return history.design.labels(asked), history.design.columns(asked)


def _added(C: Floats, row: Floats, noise: float) -> Floats:
    """Posterior covariance with one more run of that row."""
    along = C @ row
    return np.asarray(C - np.outer(along, along) / (noise + float(row @ along)), dtype=float)


def _removed(C: Floats, row: Floats, noise: float) -> Floats:
    along = C @ row
    return np.asarray(C + np.outer(along, along) / (noise - float(row @ along)), dtype=float)


def _choose(C: Floats, rows: Floats, noise: float, column: int, runs: int, places: list[list[int]]) -> list[int]:
    """Indexes of the rows to add: low and high of a part number together, greedily and then exchanged while the
    slope's variance falls, and middles between them; a single run is the one that tells most."""
    if runs == 1:
        along = rows @ C
        return [int(np.argmax(along[:, column] ** 2 / (noise + np.einsum("ij,ij->i", along, rows))))]
    pairs = [(p[0], p[-1]) for p in places if len(p) > 1]
    if not pairs:
        raise CalculationError(
            "no part number can be run at two settings inside these limits", remedy="Widen --low and --high"
        )

    def best(at: Floats) -> tuple[int, int]:
        left = [_added(_added(at, rows[a], noise), rows[b], noise)[column, column] for a, b in pairs]
        return pairs[int(np.argmin(left))]

    at, chosen = C, []
    for _ in range(_pairs(runs)):
        chosen.append(best(at))
        at = _added(_added(at, rows[chosen[-1][0]], noise), rows[chosen[-1][1]], noise)
    for _ in range(3):
        before = float(at[column, column])
        for i, (a, b) in enumerate(chosen):
            without = _removed(_removed(at, rows[a], noise), rows[b], noise)
            chosen[i] = best(without)
            at = _added(_added(without, rows[chosen[i][0]], noise), rows[chosen[i][1]], noise)
        if at[column, column] >= before * (1 - 1e-9):
            break
    out = [k for pair in chosen for k in pair]
    between = [p[1] if len(p) > 2 else p[0] for p in places if (p[0], p[-1]) in chosen and len(p) > 1]
    return out + [between[k % len(between)] for k in range(runs - len(out))]
