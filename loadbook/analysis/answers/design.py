"""A history and a question in the same columns: the list of terms, and how a question fills them.

The terms: labels for groupings, deviations of the plannable settings from their part number's mean (D), part numbers'
mean settings (B), the date (d), and indicators of setup and atmosphere wherever the history varies them inside a part
number.
"""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import numpy.typing as npt
import pandas as pd

from loadbook.analysis.quantiles import codes_of
from loadbook.analysis.trace.model import Floats
from loadbook.core.vocabulary.parameters import PLANNABLE

from . import yielding
from .cells import FACTORS, FAMILY, LOT, PART, Asked, Break, Cells, Grouping, Ints, Slopes, Term
from .differing import TERM as OWN_SLOPES
from .differing import Differing, curved, differing, drifting, left_over

EVERY_RUNS, MOST_STEPS = 5, 24  # the level may step at every fifth run, at so many places at most
FACTOR_RUNS = 40  # a history of fewer runs has one effect per furnace, and none inside part numbers
# runs that had all the same other level than the usual one: it is done so now (of the part; of all with that usual one)
LAST_OWN, LAST_RUNS = 3, 5
OWN_DATE, CURVES = "date of furnaces", "squares of settings"
LOTS, LEAST_LOTS = "part and lot", 2  # so many lots more than part numbers
HARDLY = 1e-3  # a setting whose deviations stay under this share of its size is switched off


@dataclass
class Design:
    """The model's columns for a set of cells, and the same columns for any question."""

    cells: Cells
    terms: list[Term]
    active: tuple[str, ...]  # plannable settings that vary inside part numbers
    between: tuple[str, ...]  # ... and between part numbers
    within_sd: dict[str, float]
    between_at: dict[str, tuple[float, float]]  # mean and sd of the part numbers' mean settings
    series_mean: dict[str, Floats]
    series_of: dict[tuple[str, str], int]
    day_at: tuple[float, float]
    factors: dict[str, list[str]]  # factor -> its levels, where it varies inside part numbers
    usual_factors: tuple[str, ...]
    shares: dict[str, Floats]  # factor -> (series, levels) share of cells
    breaks: tuple[Break, ...]
    extra: tuple[str, ...]
    steps: Floats  # first days of the level's steps
    step_share: Floats  # share of cells at or after each
    bent: yielding.Bent | None = None  # of thermal stress, where it takes part
    apart: Differing | None = None  # by what the slopes of the settings differ
    lot_df: int = 0  # degrees of freedom of what material lots differ by; 0 where that is not known

    drifts: dict[object, int] = field(default_factory=dict)  # furnaces that drifted each in its own way
    curves: tuple[int, ...] = ()  # settings (among the active) whose movement is no straight line
    square_at: Floats = field(default_factory=lambda: np.zeros(0))  # mean square of each

    def labels(self, asked: Asked) -> dict[str, list[Hashable | None]]:
        """Labels of every grouping for a question; None where nothing is known of it."""
        known = self.series_of.get((asked.part or "", asked.characteristic or ""))
        out: dict[str, list[Hashable | None]] = {
            "same family": [self._label(name, asked, known) for name in FAMILY],
            PART: [known],
            "same part number": [asked.part],
        }
        for factor in self.usual_factors:
            usual = self.usual(factor, known) if known is not None else getattr(asked, factor)
            out[f"usual {factor}"] = [usual]
        for factor in self.factors:
            level = self.level(factor, asked, known)
            out[f"part and {factor}"] = [None if known is None or level is None else (known, level)]
        if self.breaks:
            age = era(self.day(asked), asked.furnace or "", self.breaks)
            out["since the break"] = [age]
            out["part since the break"] = [None if known is None else (known, age)]
        for name in self.extra:
            label = self.level(name, asked, known) if name in FACTORS else self._label(name, asked, known)
            out[f"same {name}"] = [label]
        return out

    def columns(self, asked: Asked) -> dict[str, Floats]:
        """Slope columns for a question: D, B, d and the setup and atmosphere indicators."""
        known = self.series_of.get((asked.part or "", asked.characteristic or ""))
        deviations = [
            0.0 if known is None or name not in asked.settings or not np.isfinite(self.series_mean[name][known])
            else (asked.settings[name] - self.series_mean[name][known]) / self.within_sd[name]
            for name in self.active
        ]  # fmt: skip
        means = []
        for name in self.between:
            at, sd = self.between_at[name]
            value = self.series_mean[name][known] if known is not None else asked.settings.get(name, np.nan)
            means.append((value - at) / sd if np.isfinite(value) else 0.0)
        at, sd = self.day_at
        out = {
            "settings within part": np.array(deviations),
            "mean settings": np.array(means),
            "date": np.array([(self.day(asked) - at) / sd]),
            "level": (self.day(asked) >= self.steps) - self.step_share,
        }
        out |= self.of_deviations(asked, out["settings within part"])
        if self.drifts:
            level = self.level("furnace", asked, known)
            out[OWN_DATE] = np.array([float(level == name) for name in self.drifts]) * out["date"]
        if self.bent is not None:
            out[yielding.TERM] = self.bent.columns(np.array([self.stress(asked)]))[0]
        for factor, levels in self.factors.items():
            level = self.level(factor, asked, known)
            own = np.array([float(name == level) for name in levels])
            share = self.shares[factor][known] if known is not None else self._usual_share(factor, level)
            out[f"{factor} within part"] = own - share if share is not None and level is not None else own * 0.0
        return out

    def of_deviations(self, asked: Asked, d: Floats) -> dict[str, Floats]:
        """What else follows from the settings' deviations d: the slopes of its group, and squares (differing.py)."""
        out = {}
        if self.apart is not None:
            name, known = self.apart.label, self.series_of.get((asked.part or "", asked.characteristic or ""))
            level = asked.part if name == "part" else self._label(name, asked, known)
            out[OWN_SLOPES] = self.apart.row(level, d)
        if self.curves:
            out[CURVES] = d[list(self.curves)] ** 2 - self.square_at
        return out

    def settings_of(self, term: str) -> list[int]:
        """Which setting each column of such a term belongs to: positions among the active ones."""
        if term == OWN_SLOPES and self.apart is not None:
            return list(self.apart.settings) * len(self.apart.levels)
        return list(self.curves) if term == CURVES else []

    def stress(self, asked: Asked) -> float:
        """What the heating asked about asks of the section: a yield at 20 °C [MPa]; NaN where that is not known."""
        known = self.series_of.get((asked.part or "", asked.characteristic or ""))
        per, usual = asked.stress_per_rate, np.nan
        if known is not None:
            per = float(self.cells.frame["stress_per_rate"].to_numpy()[self.cells.series == known][0])
            usual = self.series_mean[yielding.RATE][known]
        return float("nan") if per is None else per * asked.settings.get(yielding.RATE, usual)

    def _usual_share(self, factor: str, level: str | None) -> Floats | None:
        """What a new part number's level counts from: how the part numbers divide over the levels on average.

        None where most part numbers kept to one level (their difference is then told by "usual"), or the level is new.
        """
        if factor in self.usual_factors or level not in self.factors[factor]:
            return None
        return np.asarray(self.shares[factor].mean(axis=0), dtype=np.float64)

    def _label(self, name: str, asked: Asked, series: int | None) -> Hashable | None:
        """The label asked for, else what a known part number's last cell had."""
        given = getattr(asked, name, None)
        if given or series is None:
            return given or None
        return self.newest(name)[series] or ("not recorded", series)

    def newest(self, name: str) -> npt.NDArray[np.object_]:
        """(series,) the label that the last cell of each has."""
        order, ends = self._of_series
        return np.asarray(self.cells.frame[name].to_numpy()[order[ends[1:] - 1]], dtype=object)

    def own(self, series: int) -> Ints:
        """Its cells, in the order of the days."""
        order, ends = self._of_series
        return order[ends[series] : ends[series + 1]]

    @cached_property
    def _of_series(self) -> tuple[Ints, Ints]:
        ends = np.concatenate([[0], np.cumsum(np.bincount(self.cells.series, minlength=self.cells.many))])
        return np.argsort(self.cells.series, kind="stable"), ends

    @cached_property
    def _days(self) -> Floats:
        return self.cells.frame["day"].to_numpy(dtype=float)

    @cached_property
    def _last_day(self) -> float:
        return float(np.nanmax(self._days))

    @cached_property
    def ran(self) -> dict[str, set[str]]:
        """The levels of setup, atmosphere and furnace on record."""
        return {factor: {*self.cells.frame[factor]} - {""} for factor in FACTORS}

    def new_levels(self, asked: Asked) -> dict[str, str]:
        """Setup, atmosphere or furnace asked for that no run of the history had, where it has any on record."""
        return {
            factor: value
            for factor in FACTORS
            if (value := getattr(asked, factor)) and self.ran[factor] and value not in self.ran[factor]
        }

    def unjudged(self, asked: Asked) -> dict[str, str]:
        """Levels asked for that this part number never had and no part number changed to: what they do cannot be told
        from what differs between part numbers."""
        series = self.series_of.get((asked.part or "", asked.characteristic or ""))
        if series is None:
            return {}
        own = self.cells.frame.iloc[self.own(series)]
        return {
            factor: value
            for factor in FACTORS
            if (value := getattr(asked, factor)) and factor not in self.factors and factor not in self.extra
            and (ran := {*own[factor]} - {""}) and value not in ran
        }  # fmt: skip

    def not_recorded(self, asked: Asked) -> list[str]:
        """What is asked about and on record for no run."""
        return [f for f in FACTORS if getattr(asked, f) and not self.ran[f]]

    def assumed(self, asked: Asked) -> dict[str, str]:
        """What nobody named and was taken as the part number's own: factor -> level, where the history varies it."""
        series = self.series_of.get((asked.part or "", asked.characteristic or ""))
        if series is None:
            return {}
        return {
            factor: usual
            for factor in FACTORS
            if not getattr(asked, factor) and len(self.ran[factor]) > 1 and (usual := self.level(factor, asked, series))
        }

    def day(self, asked: Asked) -> float:
        return asked.day if asked.day is not None else self._last_day

    def usual(self, factor: str, series: int) -> str | None:
        """The level that a part number had most often."""
        return self._usual[factor][series]

    @cached_property
    def _usual(self) -> dict[str, list[str | None]]:
        """The same of every series; of equally frequent levels the first by its letters."""
        out: dict[str, list[str | None]] = {}
        for factor in FACTORS:
            levels, code = np.unique(self.cells.frame[factor].to_numpy().astype(str), return_inverse=True)
            pair, often = np.unique(self.cells.series * len(levels) + code, return_counts=True)
            owner, level = np.divmod(pair, len(levels))
            best = np.lexsort((level, -often, owner))[np.searchsorted(owner, np.arange(self.cells.many))]
            out[factor] = [str(v) or None for v in levels[level[best]]]
        return out

    def now(self, factor: str, series: int, day: float) -> str | None:
        """The level that had replaced a part number's usual one by a day: its own last runs all had it, or the last
        runs of all part numbers with that usual one."""
        usual = self.usual(factor, series)
        alike = np.flatnonzero(np.array([u == usual for u in self._usual[factor]])[self.cells.series])
        alike = alike[np.argsort(self._days[alike], kind="stable")]
        for cells, runs in ((self.own(series), LAST_OWN), (alike, LAST_RUNS)):
            level = self._level_of_last(factor, cells[self._days[cells] <= day], runs)
            if level not in (None, usual):
                return level
        return None

    def _level_of_last(self, factor: str, cells: Ints, runs: int) -> str | None:
        """The one level that the last so many runs had; cells in the order of their days."""
        level, had, seen = self.cells.frame[factor].to_numpy(), set[str](), set[int]()
        for cell in cells[::-1]:
            run = int(self.cells.run[cell])
            if run not in seen and len(seen) == runs:
                break
            seen.add(run)
            had.add(level[cell])
        return (had.pop() or None) if len(seen) == runs and len(had) == 1 else None

    def level(self, factor: str, asked: Asked, series: int | None) -> str | None:
        """The level planned; where none was named, that of the last runs, else the part's usual one."""
        named: str | None = getattr(asked, factor)
        return named or (
            None if series is None else self.now(factor, series, self.day(asked)) or self.usual(factor, series)
        )


def era(day: float, furnace: str, breaks: Sequence[Break]) -> tuple[int, str]:
    """Which stretch of the history a day lies in: breaks passed, counted for all furnaces and for its own.

    >>> era(12.0, "F1", [Break(10.0, "new lining", "F1")]), era(12.0, "F2", [Break(10.0, "new lining", "F1")])
    ((1, 'F1'), (0, ''))
    """
    shared = sum(1 for b in breaks if b.furnace is None and day >= b.day)
    own = sum(1 for b in breaks if b.furnace is not None and b.furnace == furnace and day >= b.day)
    return shared + own, furnace if own else ""


def make_design(
    cells: Cells, breaks: Sequence[Break] = (), extra: Sequence[str] = (), furnace_inside: bool = False,
    stress: bool = False,
) -> Design:  # fmt: skip
    """The list of terms for these cells.

    breaks  declared breaks; each gives a level to all cells since, and to each part since
    extra   further label columns that join as groupings ("furnace", "shift", "plant")
    furnace_inside  the furnace is a factor inside part numbers however few the runs: its differences are asked for
    stress  thermal stress of heating takes part (yielding.py)
    """
    frame, series, many = cells.frame, cells.series, cells.many
    first = np.unique(series, return_index=True)[1]
    count = np.bincount(series, minlength=many)
    within_sd: dict[str, float] = {}
    between_at: dict[str, tuple[float, float]] = {}
    series_mean: dict[str, Floats] = {}
    D: list[Floats] = []
    B: list[Floats] = []
    for name in PLANNABLE:
        x = frame[name].to_numpy(dtype=float)
        have = np.isfinite(x)
        known = np.bincount(series, weights=have.astype(float), minlength=many)
        total = np.bincount(series, weights=np.where(have, x, 0.0), minlength=many)
        mean = np.divide(total, known, out=np.full(many, np.nan), where=known > 0)
        series_mean[name] = mean
        if not have.any():
            continue
        deviation = np.where(have, x - mean[series], 0.0)
        df = float(have.sum() - (known > 0).sum())
        sd = float(np.sqrt((deviation**2).sum() / df)) if df > 0 else 0.0
        size = abs(float(x[have].mean()))
        if sd > HARDLY * size and (np.abs(deviation) > HARDLY * size).sum() >= 3:
            within_sd[name] = sd
            D.append(deviation / sd)
        spread = float(np.nanstd(mean, ddof=1)) if (known > 0).sum() > 1 else 0.0
        if spread > HARDLY * size:
            between_at[name] = (float(np.nanmean(mean)), spread)
            B.append(np.nan_to_num((mean - between_at[name][0]) / spread)[series])
    day = frame["day"].to_numpy(dtype=float)
    day_at = (float(day.mean()), float(day.std(ddof=1)) if len(day) > 1 and day.std() > 0 else 1.0)
    first_day = np.full(cells.runs, np.inf)
    np.minimum.at(first_day, cells.run, day)
    wanted = np.sort(first_day)[EVERY_RUNS :: max(EVERY_RUNS, -(-cells.runs // (MOST_STEPS + 1)))]
    steps = np.unique(wanted[wanted > day.min()])
    since = (day[:, None] >= steps[None, :]).astype(float)
    step_share = since.mean(axis=0)
    terms: list[Term] = [
        Grouping("same family", tuple(_or_own(frame[name], series) for name in FAMILY)),
        Grouping(PART, (series.tolist(),)),
    ]
    if cells.parts < many:
        terms.append(Grouping("same part number", (frame["part"].tolist(),)))
    terms += [
        Slopes("settings within part", np.column_stack(D) if D else np.zeros((len(day), 0))),
        Slopes("mean settings", np.column_stack(B) if B else np.zeros((len(day), 0))),
        Slopes("date", ((day - day_at[0]) / day_at[1])[:, None] if day.std() > 0 else np.zeros((len(day), 0))),
        Slopes("level", since - step_share),
    ]
    left = left_over(cells, np.column_stack(D)) if D else None
    apart = differing(left) if left else None
    drifts = (drifting(left) if left else None) or {}
    curves = curved(left) if left else ()
    if apart is not None:
        terms.append(apart.term(cells, np.column_stack(D)))
    if drifts:
        own = frame["furnace"].to_numpy()[:, None] == np.array([*drifts], dtype=object)[None, :]
        terms.append(Slopes(OWN_DATE, own * ((day - day_at[0]) / day_at[1])[:, None]))
    square_at = np.array([(D[j] ** 2).mean() for j in curves])
    if curves:
        terms.append(Slopes(CURVES, np.column_stack([D[j] ** 2 for j in curves]) - square_at))
    factors: dict[str, list[str]] = {}
    shares: dict[str, Floats] = {}
    usual_factors: list[str] = []
    several = [f for f in FACTORS if len({*frame[f]} - {""}) > 1]
    if "furnace" in several and cells.runs < FACTOR_RUNS and not furnace_inside:
        several.remove("furnace")
        extra = tuple(dict.fromkeys([*extra, "furnace"]))
    for factor in several:
        labels = frame[factor].to_numpy().astype(str)
        levels = [v for v in np.unique(labels) if v]
        own = np.column_stack([(labels == v).astype(float) for v in levels])
        held = np.column_stack([np.bincount(series, weights=own[:, k], minlength=many) for k in range(len(levels))])
        share = np.asarray(held / count[:, None], dtype=np.float64)
        varies = (share.max(axis=1) < 1.0) & (share.sum(axis=1) > 0.0) & (count > 1)
        often = (
            2 * varies.sum() >= (count > 1).sum()
        )  # then a level is judged inside part numbers alone, as settings are
        if varies.any():
            factors[factor], shares[factor] = levels, share
            terms.append(Slopes(f"{factor} within part", own - share[series]))
            terms.append(Grouping(f"part and {factor}", ([(int(s), v) for s, v in zip(series, labels, strict=True)],)))
        best = np.array(levels)[np.argmax(share, axis=1)]
        if len(np.unique(best)) > 1 and not often:
            usual_factors.append(factor)
            terms.append(Grouping(f"usual {factor}", (best[series].tolist(),)))
    lots = _lots(cells)
    if lots is not None:
        terms.append(Grouping(LOTS, (lots[0],)))
    passed = [b for b in breaks if day[0] < b.day]
    if passed:
        ages = [era(t, f, passed) for t, f in zip(day, frame["furnace"], strict=True)]
        terms.append(Grouping("since the break", (ages,)))
        terms.append(Grouping("part since the break", (list(zip(series.tolist(), ages, strict=True)),)))
    terms += [Grouping(f"same {name}", (_or_own(frame[name], series),)) for name in extra]
    bent = yielding.bent(cells) if stress else None
    if bent is not None:
        terms.append(Slopes(yielding.TERM, bent.columns(yielding.stress_of(cells))))
    names = zip(frame["part"].to_numpy()[first], frame["characteristic"].to_numpy()[first], strict=True)
    return Design(
        cells, terms, tuple(within_sd), tuple(between_at), within_sd, between_at, series_mean,
        {(str(p), str(c)): k for k, (p, c) in enumerate(names)}, day_at, factors, tuple(usual_factors), shares,
        tuple(passed), tuple(extra), steps, step_share, bent, apart, lots[1] if lots else 0,
        drifts, curves, square_at,
    )  # fmt: skip


def _lots(cells: Cells) -> tuple[list[Hashable | None], int] | None:
    """The material lot of each cell of a part number, and how many lots beyond the first of each tell what lots
    differ by.

    None where those are too few, where each lot was one run's own and is in what runs differ by, or where lots of a
    part number differ no more than the runs of one lot do (an F ratio of one at most).
    """
    lot = cells.frame[LOT].to_numpy()
    named = np.flatnonzero(lot != "")
    series, run, z = cells.series[named], cells.run[named], cells.z[named]
    code, many = codes_of(series, lot[named])
    parts, both, runs = len(np.unique(series)), codes_of(code, run)[1], codes_of(series, run)[1]
    if many < parts + LEAST_LOTS or both == many == runs or len(z) <= many:
        return None
    within = float(((z - (np.bincount(code, z) / np.bincount(code))[code]) ** 2).sum())
    whole = np.bincount(series, z) / np.maximum(np.bincount(series), 1)
    between = float(((z - whole[series]) ** 2).sum()) - within
    if between / (many - parts) <= within / (len(z) - many):
        return None
    free = min(many - parts, len(np.unique(lot[named])) - 1)  # a lot of several part numbers is one lot
    return [(int(s), v) if v else None for s, v in zip(cells.series, lot, strict=True)], free


def _or_own(labels: pd.Series, series: Ints) -> list[Hashable]:
    """Labels, and where none was recorded a level of the part number's own."""
    return [v if v else ("not recorded", int(s)) for v, s in zip(labels, series, strict=True)]
