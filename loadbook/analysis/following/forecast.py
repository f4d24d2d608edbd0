"""When will it be soaked, and when is it done: a forecast while the run goes on, with an interval from past runs.

The furnace goes on by its program: the segment that is on at the pace it shows, later ones as long as in earlier runs
by this cycle (without any, as the cycle asks). Each work TC takes up heat as dT = k (furnace - T) dt, with the k of
its own last hour and a half, that radiation raises with the furnace. Beside it stands the forecast by how long loads
like this one lagged in earlier runs (`usual`). The ratio of what was still to come to what was forecast at the same
distance, in earlier runs, moves the forecast to its middle, as far towards the second one as those runs show that it
is to be trusted, and gives its interval: nine in ten.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from scipy.special import stdtrit

from loadbook.analysis.planning.stock import Line
from loadbook.analysis.trace.model import Cycle, Floats, Segment, Trace
from loadbook.analysis.trace.phases import Phases
from loadbook.analysis.trace.soak import soak

from .usual import RUN_END, SOAK_END, SOAK_START, Typical, Whole, move_asked_s, rate_asks_s, work_rows

STEP_S, MOST_STEP_S = 60.0, 300.0
MOST_LAG_S = 2 * 86400.0
COLD_C = 20.0  # of a furnace before it is started, where nothing is recorded yet
FIT_S, LATEST_S = 5400.0, 1800.0
LONGEST_S = 7 * 86400.0
SLOWEST, QUICKEST = 1.0 / 36000.0, 1.0 / 30.0  # k [1/s] that a work TC can have
LEAST_LEFT_S = 300.0
MOST_APART = 3.0  # of a run's own pace and that of earlier runs
HALF_K = 873.15  # in air half the heat comes by radiation here: colder with a strong fan, hotter without one
LEVEL = 0.9
FEWEST = 5  # earlier runs that an interval needs
LAG_TRUST = 0.5  # as `planning.stock.Line` has it, of the forecast by lags (chosen by tests/trials/replay.py)


@dataclass(frozen=True)
class Ahead:
    """One thing to come. at_s, low_s, high_s: seconds from the trace's start; low and high None without enough past.

    level   how often such an interval is to hold;  runs  by how many earlier runs
    by_lags_s  the same by how long loads like this one lagged
    """

    what: str
    segment: int | None
    at_s: float
    low_s: float | None = None
    high_s: float | None = None
    level: float | None = None
    runs: int = 0
    by_lags_s: float | None = None


@dataclass(frozen=True)
class Replayed:
    """One forecast made on an earlier run: seconds that it said were still to come, and those that were. during: the
    segment that was on when it was made; by_lags_s: what the lags of loads like its own said."""

    run: str
    what: str
    segment: int | None
    said_s: float
    was_s: float
    during: int | None = None
    by_lags_s: float | None = None


def _own_pace(cycle: Cycle, phases: Phases, usual: Typical, pace: float) -> float:
    """How much longer this run took for its last heating than earlier ones did: a program that is set slower, or a load
    that is heavier, is so on the next heating too. pace of the furnace now [°C/s]."""
    heats = [x for x in phases.intervals if x.kind == "heat"]
    asked_s = move_asked_s(cycle, heats[-1], phases) if heats else None
    if not asked_s:
        return 1.0
    last = heats[-1]
    took_s = last.end_s - last.start_s
    if last is phases.intervals[-1] and not last.reached:
        if took_s < LATEST_S or pace <= 0.0 or last.target_c is None:
            return 1.0
        took_s = (last.target_c - float(phases.reference_c[last.start])) / pace
    elif not last.reached:
        return 1.0
    return float(np.clip(took_s / asked_s / usual.moves.get(last.segment, 1.0), 1.0 / MOST_APART, MOST_APART))


def ahead(trace: Trace, cycle: Cycle | None, phases: Phases, usual: Typical, *, radiant: bool = False) -> list[Ahead]:
    """What is still to come, without intervals. trace prepared, faults repaired; radiant: a vacuum furnace."""
    if cycle is None or not phases.intervals or phases.ended_by is not None or phases.until < 10:
        return []
    run = _Run(trace, phases, radiant)
    running = phases.intervals[-1].segment
    own = _own_pace(cycle, phases, usual, run.pace)
    now_s, later_s = run.t, 0.0  # later_s: by how much what is to come is later by the lags of earlier loads
    out: list[Ahead] = []
    for s in cycle.segments:
        if s.number < running or run.t > LONGEST_S:
            continue
        if s.kind != "hold":
            begun = phases.intervals[-1] if s.number == running else None
            took = usual.moves.get(s.number, 1.0) * (own if s.kind == "heat" else 1.0)
            run.move(s, took, (begun.start_s, move_asked_s(cycle, begun, phases)) if begun else None)
            continue
        began = phases.hold_of(s.number)
        start_s = _soaked(trace, phases, s) if began is not None else None
        if start_s is None:
            there_s = began.start_s if began is not None else run.t
            start_s = run.until_inside(s)
            if start_s is None:
                return out
            if s.number in usual.lags:
                later_s = max(there_s + later_s + usual.lags[s.number], now_s + LEAST_LEFT_S) - start_s
            out.append(Ahead(SOAK_START, s.number, start_s, by_lags_s=start_s + later_s))
        end_s = start_s + 60.0 * (s.minutes or 0.0)
        if s.minutes and end_s > now_s:
            out.append(Ahead(SOAK_END, s.number, end_s, by_lags_s=end_s + later_s))
        run.stay(end_s + usual.after.get(s.number, 0.0))
    return out if run.t <= now_s else [*out, Ahead(RUN_END, None, run.t, by_lags_s=run.t + later_s)]


def beforehand(cycle: Cycle, usual: Typical) -> list[Ahead]:
    """The same before the run begins, without intervals: its program from a cold furnace, each move and each lag as
    earlier runs of loads like this one took. Nothing beyond a segment without a target, or a hold of unknown lag."""
    at_s, at_c = usual.shut_s, COLD_C
    out: list[Ahead] = []
    for s in cycle.segments:
        if s.target_c is None or (s.kind == "hold" and s.minutes and s.number not in usual.lags):
            return out
        if s.kind != "hold":
            at_s += rate_asks_s(s, s.target_c - at_c) * usual.moves.get(s.number, 1.0)
            at_c = s.target_c
        elif s.minutes:
            at_s += usual.lags[s.number]
            out.append(Ahead(SOAK_START, s.number, at_s))
            at_s += 60.0 * s.minutes
            out.append(Ahead(SOAK_END, s.number, at_s))
            at_s += usual.after.get(s.number, 0.0)
    return [*out, Ahead(RUN_END, None, at_s)]


def with_intervals(
    found: Sequence[Ahead], now_s: float, past: Sequence[Replayed], during: int | None = None
) -> tuple[Ahead, ...]:
    """Forecasts with the interval that the same forecasts of earlier runs would have needed: of each run the one that
    was made at the nearest distance, in the segment that is on now where there is one."""
    return tuple(_with(a, now_s, past, during) for a in found)


def _with(a: Ahead, now_s: float, past: Sequence[Replayed], during: int | None) -> Ahead:
    left = max(a.at_s - now_s, LEAST_LEFT_S)

    def far(p: Replayed) -> tuple[bool, float]:
        return p.during != during, abs(float(np.log(p.said_s / left)))

    nearest: dict[str, Replayed] = {}
    for p in past:
        if (p.what, p.segment) == (a.what, a.segment):
            other = nearest.get(p.run)
            if other is None or far(p) < far(other):
                nearest[p.run] = p
    used = list(nearest.values())
    n = len(used)
    if n < FEWEST:
        return replace(a, runs=n)
    x = np.log([[_by_lags(p.by_lags_s, p.said_s) / p.said_s] for p in used])
    own = np.log([_by_lags(None if a.by_lags_s is None else a.by_lags_s - now_s, left) / left])
    # one more of the same kind, by Student's distribution (also held to its word: tests/trials/replay.py)
    line = Line(x, np.log([p.was_s / p.said_s for p in used]), LAG_TRUST)
    middle, half = line.at(own), float(stdtrit(n - 1, (1.0 + LEVEL) / 2.0)) * line.sd(own)
    low, high = min(line.expected(own) - half, middle), max(line.expected(own) + half, middle)
    at, first, last = (now_s + left * float(np.exp(x)) for x in (middle, low, high))
    return replace(a, at_s=at, low_s=first, high_s=last, level=LEVEL, runs=n)


def _by_lags(left_s: float | None, otherwise_s: float) -> float:
    return otherwise_s if left_s is None else max(left_s, LEAST_LEFT_S)


def replayed(run: str, whole: Whole, found: Sequence[tuple[float, int | None, Sequence[Ahead]]]) -> list[Replayed]:
    """What forecasts made at some moments of a whole run said, beside what came.

    found  (moment [s], segment that was on, forecasts)
    """
    out = []
    for now_s, during, said in found:
        for a in said:
            at = whole.ends.get((a.what, a.segment))
            if at is not None and at > now_s:
                left_s = max(a.at_s - now_s, LEAST_LEFT_S)
                by_lags_s = None if a.by_lags_s is None else a.by_lags_s - now_s
                out.append(Replayed(run, a.what, a.segment, left_s, at - now_s, during, by_lags_s))
    return out


def _soaked(trace: Trace, phases: Phases, s: Segment) -> float | None:
    """When the soak that is counted now began; None where the work is not inside."""
    hold = phases.hold_of(s.number)
    work = work_rows(trace)
    if hold is None or not work:
        return None
    found = soak(trace, hold, phases.until, work)
    inside = found.end_s is not None and phases.until_s - found.end_s < 3.0 * STEP_S + float(np.diff(trace.t_s).max())
    return found.start_s if inside or (s.minutes and found.minutes >= s.minutes) else None


class _Run:
    """The furnace and its work TCs carried on from the last sample, minute by minute."""

    def __init__(self, trace: Trace, phases: Phases, radiant: bool) -> None:
        until = phases.until
        t, furnace = trace.t_s[:until], phases.reference_c[:until]
        self.t = float(t[-1])
        first = int(np.searchsorted(t, self.t - FIT_S))
        y, f = trace.values[work_rows(trace), first:until], furnace[first:]
        good = np.isfinite(f)
        self.furnace = float(f[good][-1])
        self.radiant = 1.0 if radiant else 0.5
        known = [row for row in y if np.isfinite(row).sum() > 5 and np.isfinite(row[-10:]).any()]
        self.work = np.array([row[np.isfinite(row)][-1] for row in known])
        self.k = np.array([_k(t[first:], row, f, self._hotter(f)) for row in known])
        recent = int(np.searchsorted(t, self.t - LATEST_S))
        both = np.isfinite(furnace[recent:])
        self.pace = float(np.polyfit(t[recent:][both], furnace[recent:][both], 1)[0]) if both.sum() > 5 else 0.0

    def _hotter(self, furnace_c: Any) -> Any:
        """How readily heat is taken up at a temperature of the furnace, as a share of that at HALF_K."""
        return (1.0 - self.radiant) + self.radiant * ((furnace_c + 273.15) / HALF_K) ** 3

    def _go(self, to_c: float, seconds: float) -> None:
        """To a temperature of the furnace in a straight line: exact but for k, which is that of the middle."""
        k = self.k * self._hotter(0.5 * (self.furnace + to_c))
        behind = (to_c - self.furnace) / (k * seconds)  # where a work TC comes to rest behind a ramp
        self.work = to_c - behind + (self.work - self.furnace + behind) * np.exp(-k * seconds)
        self.furnace = to_c
        self.t += seconds

    def move(self, s: Segment, usual: float, begun: tuple[float, float | None] | None) -> None:
        """To a segment's target.

        usual  the time of this move in earlier runs over that asked for
        begun  of a move that is on: (since when [s], seconds asked for in all). It goes on at its pace, and a cooling,
               which gets slower by itself, at least as long as usual
        """
        if s.target_c is None:
            return
        away = s.target_c - self.furnace
        if away * (1.0 if s.kind == "heat" else -1.0) <= 0.0:
            return
        asked_s = rate_asks_s(s, away)
        seconds = asked_s * usual
        if begun is not None and self.pace * away > 0.0 and 0.2 < abs(away / self.pace) / asked_s < 5.0:
            seconds = abs(away / self.pace)
            since_s, whole_s = begun
            if s.kind == "cool" and whole_s:
                seconds = max(seconds, usual * whole_s - (self.t - since_s))
        seconds = max(min(seconds, LONGEST_S), STEP_S)
        steps = math.ceil(seconds / MOST_STEP_S)
        for target in np.linspace(self.furnace, s.target_c, steps + 1)[1:]:
            self._go(float(target), seconds / steps)

    def until_inside(self, s: Segment) -> float | None:
        """Holds until every work TC is inside the band, edges included; None where that is not to be seen."""
        if s.target_c is None or not self.work.size:
            return None
        low = s.edges(s.target_c)[0]
        if (self.work < low).any() and self.furnace != s.target_c:
            self._go(s.target_c, STEP_S)
        late = self.work < low
        if late.any():
            if s.target_c <= low:
                return None
            far, k = s.target_c - self.work[late], self.k[late] * self._hotter(s.target_c)
            seconds = float((np.log(far / (s.target_c - low)) / k).max())
            if seconds > MOST_LAG_S:
                return None
            self._go(s.target_c, seconds)
        return self.t

    def stay(self, until_s: float) -> None:
        """Holds up to a moment."""
        if until_s > self.t:
            self._go(self.furnace, until_s - self.t)


def _k(t: Floats, y: Floats, furnace: Floats, hotter: Floats) -> float:
    """How quickly a TC takes up heat [1/s] at HALF_K, by least squares over the samples."""
    good = np.isfinite(y) & np.isfinite(furnace)
    t, y, f, h = t[good], y[good], furnace[good], hotter[good]
    wide = max(1, t.size // 18)
    moved = y[wide:] - y[:-wide]
    drive = h * (f - y)
    total = np.concatenate(([0.0], np.cumsum(0.5 * (drive[1:] + drive[:-1]) * np.diff(t))))
    driven = total[wide:] - total[:-wide]
    square = float(driven @ driven)
    return float(np.clip(moved @ driven / square if square > 0 else QUICKEST, SLOWEST, QUICKEST))
