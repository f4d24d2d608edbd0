"""Which way to run a part takes the fewest furnace hours and still keeps its tolerance.

Every way is scored against the part's present treatment: the answer's own model says how much more or less it moves,
runs alone say how sure that is (`answers.difference`), and what a way seems to save is told only as far as runs that
were held out, when the ways were chosen, bear it out (`held_out`): of many ways the best-looking one is partly luck.
A way counts as kept where the share of pieces inside is at least `keep` with 95 % confidence.

Source of the shrinkage: Copas 1983, J. R. Statist. Soc. B 45, 311-354; by cross-validation, van Houwelingen & le Cessie
1990, Statistics in Medicine 9, 1303-1325.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt
import pandas as pd

from loadbook.analysis.answers.beyond import beyond
from loadbook.analysis.answers.bound import Predicted
from loadbook.analysis.answers.cells import FACTORS, Asked
from loadbook.analysis.answers.difference import Difference, by_runs_alone, dense, difference, judged
from loadbook.analysis.answers.estimate import History, Reply
from loadbook.analysis.answers.inside import CAP_DF, MOST_UNKNOWN, Inside, Starts, share
from loadbook.analysis.trace.model import Floats
from loadbook.core.errors import CalculationError
from loadbook.core.vocabulary.parameters import PLANNABLE

FOLDS = 5
LUCK = 0.5  # standard deviation about 1 of what held-out runs bear out, before any of them is looked at
TOGETHER = 0.9  # share of a setting's changes that another explains: what either does cannot be told
REACH = 1.0  # usual deviations beyond the part number's own runs that a way may lie
NEAR = 1.0  # usual deviations within which a run was run like a way
MORE_RUNS = (2, 4, 8)
DRAWS, FEW_STARTS = 300, 5
STEP_UP = 0.01  # how much more must stay inside for a way of more hours to stand on the edge
SETTINGS = "settings within part"

OFFERED, PRESENT, OUTSIDE, UNTOLD, BREAKS = (
    "offered", "present", "outside the evidence", "not to be told", "breaks a limit",
)  # fmt: skip


@dataclass(frozen=True)
class Way:
    """One way to run the part. asked: as the model is asked; hours: of the furnace; breaks: it breaks a limit entered.

    key  whatever the caller knows it by
    """

    asked: Asked
    hours: float
    breaks: bool = False
    key: int = 0


@dataclass(frozen=True)
class Scored:
    """A way with what is to be expected of it, on the working scale.

    state    offered, present, outside the evidence, breaks a limit; not to be told: its change went with another
    median, low, high   the interval that holds `content` of pieces;  inside  share that stays within the tolerance
    less     expected movement less that of the present way, as told;  apart  the same from runs alone, None untold
    own_near, near      runs of this part number, and of all, that were run like it in what is varied
    """

    way: Way
    state: str
    median: float
    low: float
    high: float
    inside: Inside
    less: float
    apart: Difference | None
    own_near: int
    near: int


@dataclass(frozen=True)
class HeldOut:
    """What held-out runs bear out of the savings in movement that the ways chosen without them promised.

    share  0 .. 1;  folds  how often ways were chosen anew;  runs  held out
    """

    share: float
    folds: int
    runs: int


@dataclass(frozen=True)
class NextTrial:
    """Runs of one way that would be expected to settle whether it keeps the tolerance; outside: never run so."""

    way: Way
    runs: int
    outside: bool


@dataclass(frozen=True)
class Choice:
    """The ways worth showing (fewest hours first), the one chosen (None: none keeps the tolerance), the present one."""

    scored: tuple[Scored, ...]
    chosen: Scored | None
    present: Scored
    held_out: HeldOut
    trial: NextTrial | None
    matters: tuple[str, ...] = ()
    ways: int = 0
    states: dict[str, int] = field(default_factory=dict)


def setting_range(history: History, asked: Asked, name: str, reach: float = REACH) -> tuple[float, float] | None:
    """(lowest, highest) of a setting inside the evidence: as the part number was run, a usual deviation more either
    side, never beyond what any part number was; None where the setting never varied inside part numbers."""
    design, series = history.design, history.series(asked)
    if series is None or name not in design.active:
        return None
    everything = history.cells.frame[name].to_numpy(dtype=float)
    own = everything[history.cells.series == series]
    own, everything = own[np.isfinite(own)], everything[np.isfinite(everything)]
    if not len(own):
        return None
    more = reach * design.within_sd[name]
    return max(float(own.min()) - more, float(everything.min())), min(float(own.max()) + more, float(everything.max()))


def goes_with(history: History, name: str) -> str | None:
    """What else changed whenever this setting did, inside part numbers: another setting, or the setup, atmosphere or
    furnace; None where nothing did so closely."""
    c, design = history.cells, history.design
    x = c.frame[name].to_numpy(dtype=float)
    use = np.isfinite(x)

    def inside(values: Floats) -> Floats:
        """Deviations from the part number's mean."""
        many = np.maximum(np.bincount(c.series[use], minlength=c.many), 1)
        return np.asarray(values - (np.bincount(c.series[use], weights=values, minlength=c.many) / many)[c.series[use]])

    y = inside(x[use])
    total = float((y**2).sum())
    best, told = None, TOGETHER
    for other in (*(n for n in design.active if n != name), *FACTORS):
        if other in FACTORS:
            labels = c.frame[other].to_numpy().astype(str)[use]
            columns = [inside((labels == v).astype(float)) for v in np.unique(labels)]
        else:
            columns = [inside(np.nan_to_num(c.frame[other].to_numpy(dtype=float)[use]))]
        X = np.column_stack(columns)
        fitted = X @ np.linalg.lstsq(X, y, rcond=None)[0]
        if total > 0.0 and float((fitted**2).sum()) / total > told:
            best, told = other, float((fitted**2).sum()) / total
    return best


def _with_another(history: History, present: Asked, ways: Sequence[Way]) -> npt.NDArray[np.bool_]:
    """(ways,) whether a way changes a setting and not what always changed with it."""
    out = np.zeros(len(ways), dtype=bool)
    for name in history.design.active:
        other = goes_with(history, name)
        if other is None:
            continue
        for i, way in enumerate(ways):
            moved = way.asked.settings.get(name) != present.settings.get(name)
            same = (
                getattr(way.asked, other) == getattr(present, other)
                if other in FACTORS
                else way.asked.settings.get(other) == present.settings.get(other)
            )
            out[i] |= moved and same
    return out


class _Model:
    """A history's prediction of many ways of one part at once: rows of the model, in columns as dense vectors."""

    def __init__(self, history: History, present: Asked, ways: Sequence[Way]) -> None:
        self.history, f, design = history, history.fit, history.design
        series = history.series(present)
        assert series is not None
        self.at = f.offsets.get(SETTINGS, [0])[0]
        bases: dict[tuple[str | None, ...], Floats] = {}
        unknown: dict[tuple[str | None, ...], float] = {}
        W, more = [], []
        for asked in (present, *(w.asked for w in ways)):
            factors = tuple(getattr(asked, name) for name in FACTORS)
            if factors not in bases:
                row = history.row(replace(asked, settings={}))
                bases[factors], unknown[factors] = dense(row, len(f.g)), row.unknown
            w = bases[factors].copy()
            for k, name in enumerate(design.active):
                mean = design.series_mean[name][series]
                if name in asked.settings and np.isfinite(mean):
                    w[self.at + k] = (asked.settings[name] - mean) / design.within_sd[name]
            for term, columns in design.of_deviations(asked, w[self.at : self.at + len(design.active)]).items():
                first = f.offsets[term][0]
                w[first : first + len(columns)] = columns
            W.append(w)
            more.append(unknown[factors])
        self.ref, self.W = W[0], np.array(W[1:]).reshape(len(ways), len(f.g))
        self.more = np.array(more[1:])
        free = by_runs_alone(history)
        away = self.W - self.ref
        self.alone = free.C.quadratic(away)
        drawn = f.C.quadratic(away)
        known = judged_all(history, present, ways)
        self.untold = (self.alone > free.untold) | ~known | _with_another(history, present, ways)
        self.variance = f.C.quadratic(self.W) + self.more + np.maximum(self.alone - drawn, 0.0)
        self.parts = self._parts(away)

    def _parts(self, away: Floats) -> Floats:
        """(ways, components) what each setting and factor adds to the movement of the present way."""
        f = self.history.fit
        owner = np.zeros(len(f.g), dtype=int)
        names: list[str] = ["rest"]
        for term in f.terms:
            starts = f.offsets[term.name]
            if term.name == SETTINGS:
                for k in range(term.columns.shape[1]):  # type: ignore[union-attr]
                    names.append(f"{SETTINGS} {k}")
                    owner[starts[0] + k] = len(names) - 1
                continue
            of_settings = self.history.design.settings_of(term.name)
            if of_settings:
                owner[starts[0] : starts[0] + len(of_settings)] = [names.index(f"{SETTINGS} {k}") for k in of_settings]
                continue
            label = term.name.removesuffix(" within part").removeprefix("part and ").removeprefix("usual ")
            if label in FACTORS:
                if label not in names:
                    names.append(label)
                width = term.columns.shape[1] if hasattr(term, "columns") else sum(len(x) for x in term.levels)
                owner[starts[0] : starts[0] + width] = names.index(label)
        out = np.zeros((len(away), len(names)))
        np.add.at(out.T, owner, (away * f.beta).T)
        return out

    def mean(self, worth: float, harm: float) -> Floats:
        """(ways,) expected movement: what saves movement counted as far as held-out runs bear it out."""
        told = np.where(harm * self.parts < 0.0, worth * self.parts, self.parts).sum(axis=1)
        return np.asarray(self.history.fit.centre + float(self.ref @ self.history.fit.beta) + told)


def judged_all(history: History, present: Asked, ways: Sequence[Way]) -> npt.NDArray[np.bool_]:
    """(ways,) whether all that a way changes was varied inside some part number."""
    return np.array([judged(history, w.asked, present) for w in ways], dtype=bool)


def _lowest(
    history: History, mean: Floats, variance: Floats, about: Predicted, starts: Starts, widened: float
) -> Floats:
    """(ways,) the share inside that holds with 95 % confidence, from few draws: to choose by."""
    shape, k = history.law(True)
    rng = np.random.Generator(np.random.PCG64(5))
    few = np.linspace(0, len(starts.low) - 1, min(FEW_STARTS, len(starts.low))).round().astype(int)
    some = Starts(starts.low[few], starts.high[few], starts.shift[few], starts.narrow)
    t, chi = rng.standard_t(about.df1, DRAWS), rng.chisquare(min(about.df2, CAP_DF), DRAWS)
    sd = about.sd * k * widened * np.sqrt(min(about.df2, CAP_DF) / chi)
    g = rng.uniform(0.0, MOST_UNKNOWN, DRAWS) * (1.0 - history.fit.s2 / history.scatter())
    luck = rng.standard_normal(DRAWS) * sd * np.sqrt(g)
    level = mean[:, None] + t * np.sqrt(variance)[:, None] + luck
    spread = np.broadcast_to(sd * np.sqrt(1.0 - g), level.shape)
    found = share(shape, some, level.ravel(), spread.ravel()).reshape(level.shape)
    return np.asarray(np.quantile(found, 0.05, axis=1), dtype=np.float64)


def _side(about: Predicted, starts: Starts) -> float:
    """+1 where the upper limit is the nearer one, -1 where the lower is: the side on which movement harms."""
    middle = len(starts.low) // 2
    up = starts.high[middle] - about.mean if np.isfinite(starts.high[middle]) else np.inf
    down = about.mean - starts.low[middle] if np.isfinite(starts.low[middle]) else np.inf
    return 1.0 if up <= down else -1.0


def _first(hours: Floats, low: Floats, may: npt.NDArray[np.bool_], keep: float) -> int | None:
    """The way of fewest hours that keeps the share; where none does, the one that keeps most. None: none may be run."""
    if not may.any():
        return None
    good = may & (low >= keep)
    if good.any():
        index = np.flatnonzero(good)
        return int(index[np.lexsort((-low[index], np.round(hours[index], 3)))[0]])
    return int(np.flatnonzero(may)[np.argmax(low[may])])


def held_out(
    pieces: pd.DataFrame, refit: Callable[[pd.DataFrame], History], history: History, present: Asked,
    ways: Sequence[Way], may: npt.NDArray[np.bool_], starts: Starts, keep: float, widened: float,
) -> HeldOut:  # fmt: skip
    """Ways are chosen anew from four fifths of the runs, five times; what such a way promised to save is held against
    the runs left out: share = Σw p q / Σw p², p what the settings and factors that it changes were to do in a run left
    out, q what that run did beside all else, w one over the variance of q; drawn to 1 as far as they are few."""
    runs = pieces.drop_duplicates("run").sort_values(["part", "day", "run"])
    fold = dict(zip(runs["run"], np.arange(len(runs)) % FOLDS, strict=True))
    code = pieces["run"].map(fold).to_numpy()
    hours = np.array([w.hours for w in ways])
    top = bottom = 1.0 / LUCK**2
    done = seen = 0
    for k in range(FOLDS):
        try:
            train = refit(pieces[code != k].reset_index(drop=True))
            if not train.known(present):
                continue
            model, about = _Model(train, present, ways), train.predicted(present)
        except (CalculationError, np.linalg.LinAlgError):
            continue
        may_here = may & ~model.untold
        side = _side(about, starts)
        low = _lowest(train, model.mean(1.0, side), model.variance, about, starts, widened)
        first = _first(hours, low, may_here, keep)
        if first is None:
            continue
        done += 1
        chosen = ways[first].asked
        names = [n for n in train.design.active if chosen.settings.get(n) != present.settings.get(n)]
        factors = [n for n in FACTORS if getattr(chosen, n) != getattr(present, n)]
        left = history.cells.frame[history.cells.frame["run"].map(fold).to_numpy() == k]
        for cell in left.to_dict("records"):
            if (cell["part"], cell["characteristic"]) not in train.design.series_of:
                continue
            own = {n: float(cell[n]) for n in PLANNABLE if np.isfinite(cell[n])}
            labels = {n: cell[n] or None for n in (*FACTORS, "material", "family", "shape", "condition")}
            ran = Asked(cell["part"], cell["characteristic"], day=float(cell["day"]), settings=own, **labels)
            usual = replace(ran, settings={n: v for n, v in own.items() if n not in names}, **dict.fromkeys(factors))
            row = train.row(usual)
            rest, variance = train.fit.mean(row), train.fit.mean_variance(row)
            p = train.fit.mean(train.row(ran)) - rest
            w = 1.0 / (train.fit.run_var + train.fit.s2 / float(cell["n"]) + variance)
            q = history.warp.to(float(cell["z"])) - rest
            top, bottom, seen = top + w * p * q, bottom + w * p * p, seen + 1
    return HeldOut(float(np.clip(top / bottom, 0.0, 1.0)), done, len(runs) if done else 0)


def choose(
    history: History, pieces: pd.DataFrame, refit: Callable[[pd.DataFrame], History], present: Way, ways: Sequence[Way],
    reply: Reply, starts: Starts, keep: float = 0.90,
) -> Choice:  # fmt: skip
    """The way of fewest furnace hours at which at least `keep` of pieces stay inside with 95 % confidence.

    history, pieces, refit   a fitted history, the pieces it was fitted on, and how such pieces are fitted
    present   the way it is run now, and the answer's reply to it;  ways  the others
    starts    the tolerance on the fitted scale
    """
    everything = [present, *ways]
    model, about = _Model(history, present.asked, everything), history.predicted(present.asked)
    side = _side(about, starts)
    varied = [n for n in history.design.active if len({w.asked.settings.get(n) for w in everything}) > 1]
    hours = np.array([w.hours for w in everything])
    outside = np.array([not _inside_evidence(history, w.asked) for w in everything])
    breaks = np.array([w.breaks for w in everything])
    states = np.where(breaks, BREAKS, np.where(outside, OUTSIDE, np.where(model.untold, UNTOLD, OFFERED)))
    states[0] = PRESENT
    may = (states == OFFERED) | ((states == PRESENT) & ~breaks)
    widened = reply.widened
    worth = held_out(pieces, refit, history, present.asked, everything, may, starts, keep, widened)
    mean = model.mean(worth.share, side)
    low = _lowest(history, mean, model.variance, about, starts, widened)
    edge = [0]
    best = -1.0
    for i in np.lexsort((-low, np.round(hours, 3))):
        if may[i] and low[i] > best + STEP_UP:
            best = float(low[i])
            edge.append(int(i))
    good = may & (low >= keep)
    reached = float(hours[good].min(initial=np.inf))
    trial = _trial(history, everything, states, mean, model, about, reply, starts, keep, hours, reached)
    shown = list(dict.fromkeys([*edge, *_examples(states, hours, low, keep, reached), *([trial[0]] if trial else [])]))
    scored = {
        i: _scored(
            history, everything[i], str(states[i]), float(mean[i]), float(model.variance[i]), about, reply, starts,
            present.asked, float(mean[0]), varied,
        )
        for i in shown
    }  # fmt: skip
    kept = [i for i in dict.fromkeys(edge) if may[i] and scored[i].inside.low >= keep]
    first = min(kept, key=lambda i: (round(float(hours[i]), 3), i != 0), default=None)
    chosen = scored[first] if first is not None else None
    names, counts = np.unique(states[1:], return_counts=True)
    return Choice(
        tuple(sorted(scored.values(), key=lambda s: s.way.hours)), chosen, scored[0], worth,
        trial[1] if trial else None,
        _matters(history, present.asked, [w.asked for w, m in zip(everything, may, strict=True) if m]), len(ways),
        {str(n): int(c) for n, c in zip(names, counts, strict=True)},
    )  # fmt: skip


def _examples(
    states: npt.NDArray[np.str_], hours: Floats, low: Floats, keep: float, reached: float
) -> list[int]:  # fmt: skip
    """Of each kind that is not offered, those that would take fewer hours than what is offered (`reached`) and keep."""
    out: list[int] = []
    for state, most in ((BREAKS, 2), (OUTSIDE, 2), (UNTOLD, 1)):
        here = np.flatnonzero((states == state) & ((low >= keep) | (state == UNTOLD)) & (hours < reached))
        out += [int(i) for i in here[np.lexsort((-low[here], np.round(hours[here], 3)))][:most]]
    return out


def _inside_evidence(history: History, asked: Asked) -> bool:
    """Whether it lies inside what was run: each setting in its range, and all of them together ordinary."""
    for name, value in asked.settings.items():
        span = setting_range(history, asked, name)
        if span is not None and not span[0] - 1e-9 <= value <= span[1] + 1e-9:
            return False
    return not beyond(history.design, asked) and not history.design.new_levels(asked)


def _scored(
    history: History, way: Way, state: str, mean: float, variance: float, about: Predicted, reply: Reply,
    starts: Starts, present: Asked, present_mean: float, varied: Sequence[str],
) -> Scored:  # fmt: skip
    f, back = history.fit, history.warp.back
    if state == PRESENT:  # as `answer` tells it
        inside, low, middle, high = history.inside(way.asked, reply, starts), reply.low, reply.median, reply.high
    else:
        told = replace(about, mean=mean, v_mean=variance)
        inside = history.inside(way.asked, reply, starts, told)
        half = reply.quantile * reply.factor * reply.widened * float(np.sqrt(variance + f.run_var + f.s2))
        low, middle, high = back(mean - half), back(mean), back(mean + half)
    apart = None if state == PRESENT else _apart(history, way.asked, present, present_mean)
    own, near = _near(history, way.asked, varied)
    return Scored(way, state, middle, low, high, inside, back(mean) - back(present_mean), apart, own, near)


def _apart(history: History, asked: Asked, present: Asked, at: float) -> Difference | None:
    """How much more one way moves than the present one, from runs alone, on the working scale."""
    found, back = difference(history, asked, present), history.warp.back
    if found is None:
        return None
    middle, low, high = (back(at + d) - back(at) for d in (found.difference, found.low, found.high))
    return Difference(middle, low, high, found.df)


def _near(history: History, asked: Asked, varied: Sequence[str]) -> tuple[int, int]:
    """Runs of this part number, and of all, near to what is asked in what is varied, its setup and atmosphere."""
    c, design = history.cells, history.design
    like = np.ones(len(c.z), dtype=bool)
    for name in varied:
        if name in design.active and name in asked.settings:
            x = c.frame[name].to_numpy(dtype=float)
            like &= ~(np.abs(x - asked.settings[name]) > NEAR * design.within_sd[name])
    for name in ("setup", "atmosphere"):
        if getattr(asked, name):
            like &= c.frame[name].to_numpy() == getattr(asked, name)
    return len(np.unique(c.run[like & (c.series == history.series(asked))])), len(np.unique(c.run[like]))


def _matters(history: History, present: Asked, ways: Sequence[Asked]) -> tuple[str, ...]:
    """Settings and factors that were varied and of which runs alone can tell that they do something; with 95 %
    confidence that none is named by chance (Bonferroni's inequality)."""
    tries: dict[str, list[Asked]] = {}
    for name in (*history.design.active, *history.design.factors):
        if name in PLANNABLE:
            told = [a.settings[name] for a in ways if name in a.settings]
            ends = {min(told), max(told)} - {present.settings.get(name)} if told else set()
            tries[name] = [replace(present, settings={**present.settings, name: value}) for value in sorted(ends)]
        else:
            levels = {str(getattr(a, name)) for a in ways if getattr(a, name) is not None} - {getattr(present, name)}
            tries[name] = [replace(present, **{name: level}) for level in sorted(levels)]  # type: ignore[arg-type]
    confidence = 1.0 - 0.05 / max(1, sum(map(len, tries.values())))
    out = []
    for name, changed in tries.items():
        gaps = [difference(history, one, present, confidence) for one in changed]
        if any(g is not None and not g.low <= 0.0 <= g.high for g in gaps):
            out.append(name)
    return tuple(out)


def _trial(
    history: History, ways: Sequence[Way], states: npt.NDArray[np.str_], mean: Floats, model: _Model, about: Predicted,
    reply: Reply, starts: Starts, keep: float, hours: Floats, reached: float,
) -> tuple[int, NextTrial] | None:  # fmt: skip
    """The way of fewest hours that a few runs of it would be expected to settle, if it moves as is expected now."""
    f = history.fit
    per_run = f.run_var + f.s2 / float(np.median(f.n))
    possible = np.flatnonzero(((states == OFFERED) | (states == OUTSIDE)) & ~model.untold & (hours < reached - 0.05))
    best: tuple[float, int, int] | None = None
    for runs in MORE_RUNS if len(possible) else ():
        v = model.variance[possible]
        low = _lowest(history, mean[possible], v / (1.0 + runs * v / per_run), about, starts, reply.widened)
        good = possible[low >= keep]
        if len(good):
            i = int(good[np.argmin(hours[good])])
            if best is None or hours[i] < best[0] - 0.25:  # more runs for a quarter of an hour at least
                best = (float(hours[i]), runs, i)
    return None if best is None else (best[2], NextTrial(ways[best[2]], best[1], bool(states[best[2]] == OUTSIDE)))
