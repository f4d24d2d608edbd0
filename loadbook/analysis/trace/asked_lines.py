"""What a picture of a run is made of: what was asked, as lines and bands, and each limit where it binds.

Nothing is judged or measured here: series, soaks and the samples at which a limit binds are those of the clauses.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from loadbook.analysis.clauses.check import Frame, Guard, stretches
from loadbook.analysis.clauses.judge import seen
from loadbook.analysis.clauses.limits import SCOPE, UNITS, binding, lead_of, name_of, resolve, spread_of
from loadbook.analysis.clauses.series import Mask, View
from loadbook.analysis.clauses.soak import hold_soak

from .model import Cycle, Fault, Floats, Limit, PieceRecord, Trace
from .phases import Hold, Phases
from .repair import sorted_out
from .soak import soak

Span = tuple[float, float]  # from, to [s]
DRAWN = ("spread", "lead", "over_temperature", "pressure", "dew_point", "oxygen")


@dataclass(frozen=True)
class DrawnLimit:
    """A limit and the stretches of time in which it binds. name as the clause's; unit as in model.Parameter.

    of  the series of RunPicture.apart that it limits; '' where it limits channels
    """

    name: str
    quantity: str
    of: str
    relation: str
    value: float
    unit: str
    spans: tuple[Span, ...]


@dataclass(frozen=True)
class AskedLine:
    """The temperature asked in one segment: points (t_s, °C) along the ramp asked, then at the target, as far as the
    segment really lasted."""

    segment: int
    kind: str
    points: tuple[tuple[float, float], ...]


@dataclass(frozen=True)
class SoakSpan:
    """A soak as it was counted, with its minutes; of_furnace where no work TC was there to be asked."""

    segment: int
    span: Span
    minutes: float
    of_furnace: bool


@dataclass(frozen=True)
class RunPicture:
    """Series over all samples (n,), NaN where not known, and what was asked.

    apart    (name, series) of differences [°C]: 'spread' over the load, 'spread of a piece' and 'spread within a
             distance'
             where the cycle limits them, and 'lead' (hottest control minus coldest work TC; while cooling hottest work
             minus coldest control TC), up to where judging ends; with suspected channels once more without them, as
             'spread without TC 3'
    holds    of `phases`, with their bands;  soaks  as counted
    """

    apart: tuple[tuple[str, Floats], ...]
    limits: tuple[DrawnLimit, ...]
    asked: tuple[AskedLine, ...]
    holds: tuple[Hold, ...]
    soaks: tuple[SoakSpan, ...]


def run_picture(
    trace: Trace, cycle: Cycle | None, pieces: Sequence[PieceRecord], phases: Phases, faults: Sequence[Fault],
    confirmed: Iterable[tuple[str, str, str]] = (),
) -> RunPicture:  # fmt: skip
    """The picture of one run. Arguments as for clauses.judge; without a cycle there are no limits and no ramps."""
    out, suspected = sorted_out(faults, confirmed)
    view = seen(trace, cycle, phases, out)
    frame = Frame(phases, Guard())
    wanted = {"spread": Limit(0, "spread", "max", 0.0), "lead": Limit(0, "lead", "max", 0.0)}
    wanted |= {_of(x): x for x in (cycle.limits if cycle else ()) if x.quantity == "spread"}
    views = [("", view)]
    if suspected:
        names = " and ".join(dict.fromkeys(f.channel for f in suspected))
        views.append((f" without {names}", view.repaired(suspected)))
    apart = []
    for without, looked in views:
        for name, limit in wanted.items():
            series = lead_of(looked, limit, frame) if limit.quantity == "lead" else spread_of(looked, limit, frame)
            value = None if series is None else np.where(looked.judged, series.value, np.nan)
            if value is not None and np.isfinite(value).any():
                apart.append((name + without, value))
    limits = _limits(view, cycle, pieces, frame) if cycle else []
    asked = _asked(cycle, phases) if cycle else []
    soaks = _soaks(view, cycle, frame)
    return RunPicture(tuple(apart), tuple(limits), tuple(asked), phases.holds, tuple(soaks))


def _of(limit: Limit) -> str:
    """The series that a limit is about; '' for a limit on channels."""
    if limit.quantity not in ("spread", "lead"):
        return ""
    return limit.quantity + (SCOPE[limit.scope] if limit.quantity == "spread" else "")


def _limits(view: View, cycle: Cycle, pieces: Sequence[PieceRecord], frame: Frame) -> list[DrawnLimit]:
    out = []
    for limit in cycle.limits:
        resolved = resolve(limit, pieces)
        if limit.quantity not in DRAWN or resolved.value is None:
            continue
        spans = _spans(view, binding(view, limit, frame))
        if spans:
            name = name_of(limit)
            unit = UNITS[limit.quantity]
            out.append(DrawnLimit(name, limit.quantity, _of(limit), limit.relation, resolved.value, unit, spans))
    for s in cycle.segments:
        where = frame.samples(frame.phases.interval(s.number), view.t_s.size) & view.judged
        for relation, value in (("max", s.pressure_max_mbar), ("min", s.pressure_min_mbar)):
            if value is not None and where.any():
                name = f"{s.kind} {s.number} {'pressure' if relation == 'max' else 'least pressure'}"
                out.append(DrawnLimit(name, "pressure", "", relation, value, "mbar", _spans(view, where)))
    return out


def _spans(view: View, where: Mask) -> tuple[Span, ...]:
    starts, ends = stretches(where)
    return tuple((float(view.t_s[a]), float(view.t_s[b - 1])) for a, b in zip(starts, ends, strict=True))


def _asked(cycle: Cycle, phases: Phases) -> list[AskedLine]:
    """Ramps start where and when the furnace really was as the segment began; without a rate there is no ramp."""
    known = {s.number: s for s in cycle.segments}
    out = []
    for interval in phases.intervals:
        s = known.get(interval.segment)
        if s is None or s.target_c is None:
            continue
        points = [(interval.start_s, s.target_c), (interval.end_s, s.target_c)]
        if s.kind != "hold":
            from_c = float(phases.reference_c[interval.start])
            if not s.asked_rate_c_per_h or not np.isfinite(from_c):
                continue
            hours = abs(s.target_c - from_c) / s.asked_rate_c_per_h
            arrives = interval.start_s + hours * 3600.0
            points = [(interval.start_s, from_c), (arrives, s.target_c), (interval.end_s, s.target_c)]
            if arrives > interval.end_s:
                share = (interval.end_s - interval.start_s) / (arrives - interval.start_s)
                points = [points[0], (interval.end_s, from_c + share * (s.target_c - from_c))]
        out.append(AskedLine(s.number, s.kind, tuple(points)))
    return out


def _soaks(view: View, cycle: Cycle | None, frame: Frame) -> list[SoakSpan]:
    """Of each hold of the cycle that asks minutes; without a cycle, of the main hold that was found."""
    out = []
    known = {s.number: s for s in cycle.segments} if cycle else {}
    for hold in frame.phases.holds:
        s = known.get(hold.segment)
        if s is not None:
            story = hold_soak(s, view, frame) if s.minutes else None
            found = story.found if story else None
            of_furnace = s.soak_by == "furnace" or not view.work
        elif cycle is None and hold is frame.phases.main_hold:
            rows = view.work or view.control
            found, of_furnace = (soak(view.trace, hold, frame.phases.until, rows) if rows else None), not view.work
        else:
            continue
        if found is not None and found.start_s is not None and found.end_s is not None and found.minutes > 0:
            out.append(SoakSpan(hold.segment, (found.start_s, found.end_s), found.minutes, of_furnace))
    return out
