"""One series against one limit: kept, broken or cannot be told, with the moments. No hidden tolerance: a figure that
equals its limit in the unit it was written in equals it in °C too.

Broken: at any judged sample the value is beyond the limit. Kept: it never was, and no stretch longer than `BLIND_S`
(or the cycle's own longest gap) went unseen. Cannot be told: not broken as far as seen, and not seen well enough.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from loadbook.analysis.trace.model import HAIR, ClauseResult, Floats, RunFacts
from loadbook.analysis.trace.phases import Interval, Phases
from loadbook.core.remarks import Remark, remark

from .series import Mask, Series, View

NO_READING = remark("no_reading")
BLIND_S = 900.0  # a stretch without a figure longer than this leaves a clause open (the cycle's longest_gap overrides)


@dataclass(frozen=True)
class Guard:
    """How the sensors' uncertainty is used (the thinking of ISO 14253-1: inside, outside, or not to be told).

    factor   a value within factor x expanded uncertainty of its limit is marked as one that could turn
    decides  False: the mark is shown beside a verdict that stays; True: such a clause cannot be told
    """

    factor: float = 1.0
    decides: bool = False


@dataclass(frozen=True)
class Demand:
    """What a clause asks of a series. relation 'max' or 'min'; unit as in model.Parameter."""

    clause: str
    text: Remark
    unit: str
    relation: str
    limit: float
    segment: int | None = None
    asked: float | None = None
    blind_s: float = BLIND_S
    nothing: Remark = NO_READING  # what is missing where the series has no value at all

    @property
    def kept(self) -> ClauseResult:
        """The clause as kept, without a figure."""
        return ClauseResult(self.clause, "kept", self.text, limit=self.limit, unit=self.unit, segment=self.segment,
                            asked=self.asked)  # fmt: skip


def beyond(value: Floats | float, limit: float, relation: str) -> Any:
    """Which figures lie beyond a limit ('max' or 'min'); what conversion alone makes unequal does not.

    >>> bool(beyond((1140 - 32) / 1.8 - (1110 - 32) / 1.8, 30 / 1.8, "max")), bool(beyond(59.5, 60.0, "min"))
    (False, True)
    """
    return (value - limit if relation == "max" else limit - value) > HAIR * abs(limit)


def untold(found: ClauseResult, missing: str, **figures: Any) -> ClauseResult:
    """A clause as one that cannot be told, and what is missing: a code with its figures."""
    return replace(found, verdict="cannot be told", missing=remark(missing, **figures))


@dataclass(frozen=True)
class Clause:
    """One checkable sentence: decide gives its verdict on a view of the trace."""

    name: str
    decide: Callable[[View], ClauseResult]


@dataclass(frozen=True)
class Frame:
    """What every clause of one judgement shares."""

    phases: Phases
    guard: Guard
    blind_s: float = BLIND_S
    facts: RunFacts = field(default_factory=RunFacts)

    def cut_off(self, interval: Interval | None, segment: int) -> bool:
        """Did the chart simply end in a segment, or before it? Then what came after is not known: no event ended the
        judging, and nothing later of the cycle was seen."""
        p = self.phases
        if p.ended_by is not None or any(i.segment > segment for i in p.intervals):
            return False
        return interval is None or interval.end >= p.until

    def samples(self, interval: Interval | None, n: int) -> Mask:
        """Samples of one segment as it happened."""
        where = np.zeros(n, dtype=bool)
        if interval is not None:
            where[interval.start : interval.end] = True
        return where


def never_began(name: str, text: Remark, segment: int, frame: Frame) -> ClauseResult:
    """A clause of a segment that the run did not come to, as far as its chart goes."""
    ends = frame.cut_off(None, segment) and not frame.facts.stopped
    found = ClauseResult(name, "cannot be told", text, segment=segment)
    return untold(found, "ends_before_segment" if ends else "never_came_to_segment", segment=segment)


def hidden(view: View, frame: Frame, segment: int, for_s: float) -> bool:
    """Was nothing recorded for so long where a segment that was not found should lie, between those found beside it?"""
    before = [i.start_s for i in frame.phases.intervals if i.segment < segment]
    after = [i.start_s for i in frame.phases.intervals if i.segment > segment]
    begins, ends = before[-1] if before else -np.inf, after[0] if after else np.inf
    t = view.t_s[view.judged]
    return bool(((np.diff(t) >= for_s) & (t[1:] >= begins) & (t[:-1] <= ends)).any())


def compare(view: View, demand: Demand, series: Series | None, where: Mask, guard: Guard) -> ClauseResult:
    """The verdict on one demand over the samples where it binds.

    where  (n,) True where the demand binds; a demand that never bound is kept, with no value
    """
    d = demand
    asked = np.count_nonzero(where)
    if not asked:
        return d.kept
    known = where & np.isfinite(series.value) if series is not None else None
    if series is None or known is None or not (told := np.count_nonzero(known)):
        return replace(d.kept, verdict="cannot be told", missing=d.nothing)
    excess = np.where(known, series.value - d.limit if d.relation == "max" else d.limit - series.value, -np.inf)
    worst = int(excess.argmax())
    uncertainty = series.uncertainty(worst)
    result = ClauseResult(
        d.clause, "kept", d.text, float(series.value[worst]), d.limit, d.unit, None, float(view.t_s[worst]),
        series.who(worst) or None, asked=d.asked, uncertainty=uncertainty, segment=d.segment,
    )  # fmt: skip
    if excess[worst] > HAIR * abs(d.limit):
        breach = excess > HAIR * abs(d.limit)
        first, lasted_s = int(breach.argmax()), float(view.cell_s[breach].sum())
        result = replace(result, verdict="broken", first_s=float(view.t_s[first]), lasted_s=lasted_s)
    elif told < asked or view.longest_step_s > d.blind_s:
        blind = longest_blind(view, where, known)
        if blind is not None and blind[1] - blind[0] > d.blind_s:
            minutes = (blind[1] - blind[0]) / 60.0
            unseen = untold(result, "unseen", rate=d.unit == "c_per_h", for_min=minutes)
            return replace(unseen, first_s=blind[0])
    return guarded(result, guard)


def guarded(result: ClauseResult, guard: Guard) -> ClauseResult:
    """The mark, or under a deciding guard the verdict, where the uncertainty could turn it."""
    if result.value is None or result.limit is None or result.uncertainty is None:
        return result
    if abs(result.value - result.limit) > guard.factor * result.uncertainty:
        return result
    result = replace(result, uncertain=True)
    return untold(result, "could_turn", verdict=result.verdict) if guard.decides else result


def longest_blind(view: View, where: Mask, known: Mask) -> tuple[float, float] | None:
    """Start and end of the longest stretch inside `where` without a known value; gaps of the recorder count too, also
    those at its ends, in which it may have begun or gone on."""
    starts, ends = stretches(where)
    worst: tuple[float, float] | None = None
    t, last = view.t_s, int(view.judged.sum()) - 1
    for a, b in zip(starts, ends, strict=True):
        seen = t[a:b][known[a:b]]
        marks = np.concatenate(([t[a]], seen, [t[b - 1]]))
        k = int(np.argmax(np.diff(marks)))
        beside = ((t[max(a - 1, 0)], t[a]), (marks[k], marks[k + 1]), (t[b - 1], t[max(min(b, last), b - 1)]))
        longest = max(beside, key=lambda s: s[1] - s[0])
        if worst is None or longest[1] - longest[0] > worst[1] - worst[0]:
            worst = (float(longest[0]), float(longest[1]))
    return worst


def stretches(where: Mask) -> tuple[list[int], list[int]]:
    """First and one-past-last index of every run of True."""
    edges = np.flatnonzero(np.diff(np.concatenate(([0], where.astype(np.int8), [0]))))
    return edges[::2].tolist(), edges[1::2].tolist()
