"""What an answer must say beside its figures, as remarks: why it refuses, and what it must not be taken for."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np

from loadbook.analysis.answers.cells import LOT
from loadbook.analysis.answers.design import LEAST_LOTS, LOTS
from loadbook.analysis.answers.estimate import BOUND_PARTS
from loadbook.analysis.answers.forward import WIDENED_UNTIL
from loadbook.analysis.quantiles import codes_of
from loadbook.core.phrases import nearest
from loadbook.core.remarks import Remark, remark

from . import history as answerdata
from .movement_data import gauges_apart

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    import pandas as pd

    from loadbook.analysis.answers.cells import Asked
    from loadbook.analysis.answers.estimate import History, Reply
    from loadbook.analysis.answers.scale import Scale

    from .enquiry import Subject
    from .history import Pieces

OLD_DAYS = 365.0
BURST_DAYS, BURST_SPAN_DAYS = 3.0, 10.0  # runs no further apart are one burst, which lasts no longer
FEW_BURSTS, ALIKE = 12, 2.0  # so many; and their means differ by so much more than their runs do (an F ratio)
UNREAD = 0.25  # share of pieces read before and not after, from which on it is said first
SAID_BY = {"family": "material family", "part": "part number"}
CLEARLY = 0.005  # chance of slopes that differ so, below which it is said
LOTS_MATTER = 0.1  # of the variance of a new piece
FEW_BEFORE, FAR = 5, 5.0  # readings before; so many times as much as all of them
LATELY, LATELY_OWN = 4, 2  # runs in a row, of the kind or of the part itself, that tell of another habit


def of_history(pieces: Pieces, settings: Mapping[str, float]) -> list[Remark]:
    """What was set aside, and settings that were not asked but achieved."""
    out = []
    read, unread = len(pieces.frame), pieces.set_aside.get("no after reading", 0)
    if read and unread > UNREAD * (read + unread):
        out.append(remark("few_read_after", read=read, of=read + unread))
    if pieces.set_aside:
        out.append(remark("set_aside", count=sum(pieces.set_aside.values()), reasons=dict(pieces.set_aside)))
    out += gauges_apart(pieces.frame)
    if pieces.achieved > 0 and settings:
        out.append(remark("settings_achieved", share=pieces.achieved))
    return out


def before_far(frame: pd.DataFrame, about: Subject, before_mm: float | None) -> list[Remark]:
    """Where the reading before that was named is several times all of the part's own, or a small share of them: a slip,
    such as a shifted point or another unit."""
    own = frame[(frame["part"] == about.part) & (frame["characteristic"] == about.characteristic)]
    read = own["before_mm"].dropna().to_numpy(dtype=float)
    if before_mm is None or len(read) < FEW_BEFORE:
        return []
    low, high = float(read.min()), float(read.max())
    if low / FAR <= before_mm <= high * FAR:
        return []
    return [remark("before_far", before_mm=before_mm, low_mm=low, high_mm=high, pieces=len(read))]


def nothing_measured(pieces: Pieces) -> Remark:
    """Where no piece has a movement."""
    process = None if pieces.process == answerdata.NO_PROCESS else pieces.process
    if pieces.set_aside:
        count = sum(pieces.set_aside.values())
        return remark(
            "all_set_aside", kind=pieces.kind, process=process, count=count, reasons=dict(pieces.set_aside)
        )  # fmt: skip
    return remark("never_measured", kind=pieces.kind, process=process)


def gauge_too_coarse(pieces: Pieces) -> Remark:
    return remark("gauge_too_coarse", share=pieces.below_gauge, gauge_um=pieces.gauge_um)


def of_reply(history: History, reply: Reply, asked: Asked, scale: Scale, zone: ZoneInfo) -> list[Remark]:
    """What this answer must not be taken for, its dates on the shop's calendar."""
    out = [
        remark("setting_never_run", parameter=name, asked=value, low=low, high=high, known=reply.known)
        for name, (value, low, high) in reply.beyond.settings.items()
    ]
    out += _lately(history, reply, asked)
    out += [remark("factor_not_recorded", factor=factor) for factor in history.design.not_recorded(asked)]
    if reply.beyond.together:
        out.append(remark("together_never_run"))
    elsewhere = history.design.unjudged(asked).keys() - history.design.new_levels(asked).keys()
    out += [
        remark(
            "level_never_run",
            factor=factor,
            level=level,
            elsewhere=factor in elsewhere,
            like=nearest(level, history.design.ran[factor] - {level}),
        )
        for factor, level in reply.new_levels.items()
    ]
    if reply.model_only:
        out.append(remark("model_only"))
    if reply.moved_since is not None and reply.moved_since < WIDENED_UNTIL:
        out.append(remark("level_widened", runs=reply.moved_since, times=reply.widened))
    elif reply.tested is not None and reply.tested.high < reply.content:
        out.append(remark("test_short", held=reply.tested.held, content=reply.content, times=reply.widened))
    if reply.known and (reply.moved_since is None or reply.moved_since >= WIDENED_UNTIL):
        out += _changed_long_ago(history, reply, asked, scale, zone)
    if reply.known:
        out += in_bursts(*_own_runs(history, asked))
    if reply.known:
        out += _differing(history) + _of_lots(history, asked)
    if reply.borrowed is not None and reply.parts < BOUND_PARTS:
        out.append(remark("spread_borrowed", parts=reply.parts, kinds=reply.borrowed))
    if reply.since_break is not None:
        out.append(remark("since_break", runs=reply.since_break))
    newest = float(history.cells.frame["day"].max())
    if asked.day is not None and asked.day - newest > OLD_DAYS:
        out.append(remark("looks_further", newest=answerdata.date_of(newest, zone)))
    if reply.v_mean > reply.v - reply.v_mean and reply.known and not reply.outside:
        out.append(remark("own_mean_uncertain"))
    return out


def _differing(history: History) -> list[Remark]:
    """Settings whose slope is the part number's material's, or its own, clearly unlike that of others."""
    apart, active = history.design.apart, history.design.active
    if apart is None:
        return []
    return [
        remark("slopes_differ", parameter=active[j], by=SAID_BY.get(apart.label, apart.label))
        for j, chance in zip(apart.settings, apart.chances, strict=True)
        if chance < CLEARLY
    ]


def _of_lots(history: History, asked: Asked) -> list[Remark]:
    """Where material lots are in the width, or are on record and too few to be."""
    cells, design = history.cells, history.design
    lot = cells.frame[LOT].to_numpy()
    named = np.flatnonzero(lot != "")
    if not len(named):
        return []
    if design.lot_df:
        share = history.fit.theta.get(LOTS, 0.0) / history.scatter()
        return [remark("lots_differ", lots=len(np.unique(lot[named])))] if share > LOTS_MATTER else []
    own = lot[named[cells.series[named] == history.series(asked)]]
    parts, many = len(np.unique(cells.series[named])), codes_of(cells.series[named], lot[named])[1]
    return [remark("few_lots", lots=len(np.unique(own)))] if len(own) and many < parts + LEAST_LOTS else []


def _own_runs(history: History, asked: Asked) -> tuple[np.ndarray, np.ndarray]:
    """Day and mean movement of each run of the part itself, (runs,) each."""
    cells = history.cells
    own = np.flatnonzero(cells.series == history.series(asked))
    code, runs = codes_of(cells.run[own])
    first = np.unique(code, return_index=True)[1]
    weight = np.bincount(code, cells.n[own], runs)
    day = cells.frame["day"].to_numpy(dtype=float)[own]
    return day[first], np.bincount(code, cells.n[own] * cells.z[own], runs) / weight


def in_bursts(day: np.ndarray, moved: np.ndarray) -> list[Remark]:
    """Where the runs came in a few bursts of days, and those of one burst moved alike: they count as runs in the
    model, and tell hardly more than the bursts do.

    day, moved  (runs,) when each was, and how much its pieces moved
    """
    order = np.argsort(day, kind="stable")
    day, moved = day[order], moved[order]
    burst = np.concatenate([[0], np.cumsum(np.diff(day) > BURST_DAYS)]) if len(day) else np.zeros(0, int)
    many = int(burst[-1]) + 1 if len(day) else 0
    if not 2 <= many <= min(FEW_BURSTS, len(day) / 2):
        return []
    size = np.bincount(burst)
    middle = np.bincount(burst, moved) / size
    longest = max(float(np.ptp(day[burst == k])) for k in range(many))
    between = float(size @ (middle - moved.mean()) ** 2) / (many - 1)
    within = float(((moved - middle[burst]) ** 2).sum()) / (len(day) - many)
    if longest > BURST_SPAN_DAYS or between <= ALIKE * within:
        return []
    return [remark("runs_in_bursts", runs=len(day), bursts=many)]


def _changed_long_ago(history: History, reply: Reply, asked: Asked, scale: Scale, zone: ZoneInfo) -> list[Remark]:
    """Where the level changed too long ago to widen anything: why the answer is not the mean of all runs."""
    step, drift, warp = history.level_step, history.level_drift, history.warp
    day, now = history.design.day(asked), scale.displayed(reply.median)

    def without(by: float) -> float:
        return scale.displayed(warp.back(warp.to(reply.median) - by))

    if drift is not None:
        first, before = answerdata.date_of(drift.first, zone), without(drift.per_day * (day - drift.first))
        return [remark("level_drifted", since=first, runs=drift.runs, before=before, now=now, unit=scale.unit)]
    if step is None or day < step.day:
        return []
    before = without(step.by)
    at = answerdata.date_of(step.day, zone)
    return [remark("level_changed", run=step.run, at=at, runs=step.runs, before=before, now=now, unit=scale.unit)]


def _lately(history: History, reply: Reply, asked: Asked) -> list[Remark]:
    """Where nobody named the setup, atmosphere or furnace, and the last runs had another than the usual one: the
    figures are for what the part's own last runs had, where there are enough of them."""
    frame, series = history.cells.frame, history.series(asked)
    out = []
    for factor, level in reply.assumed.items():
        if series is not None and history.design.now(factor, series, history.design.day(asked)) == level:
            out.append(remark("as_lately", factor=factor, level=level, usual=history.design.usual(factor, series)))
            continue
        for own, least in ((history.cells.series == series, LATELY_OWN), (history.cells.series >= 0, LATELY)):
            ran = frame.loc[own, ["day", "run", factor]].sort_values("day", kind="stable")
            code, runs = codes_of(ran["run"])
            had = ran[factor].to_numpy()[np.argsort(code, kind="stable")]  # run by run
            ends = np.cumsum(np.bincount(code, minlength=runs))
            streak = []
            for run in reversed(range(runs)):
                levels = {*had[ends[run - 1] if run else 0 : ends[run]]}
                if level in levels:
                    break
                streak += sorted(levels - {""})[:1]
            if len(streak) >= least:
                now = max(dict.fromkeys(streak), key=streak.count)
                whose = "part" if least == LATELY_OWN else "kind"
                out.append(
                    remark("otherwise_lately", factor=factor, level=level, now=now, runs=len(streak), whose=whose)
                )
                break
    return out
