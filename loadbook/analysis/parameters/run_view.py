"""One run, laid out for its parameters: the judged part of its trace, its rows by role."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from loadbook.analysis.trace.model import Cycle, Fault, Floats, Parameter, PieceRecord, Trace
from loadbook.analysis.trace.phases import Hold, Phases, gap_limit_s
from loadbook.analysis.trace.rates import WINDOW_S
from loadbook.analysis.trace.repair import REPORTED_ONLY, Decided, repaired, sorted_out
from loadbook.analysis.trace.validity import (
    Corrected,
    Mask,
    cut,
    first_where,
    hottest_coldest,
    last_where,
    prepared,
)
from loadbook.core.remarks import Remark, stored


@dataclass
class Look:
    """What every parameter is computed from.

    trace    corrected, certain and confirmed faults repaired, invalid samples NaN, cut where judging ends; n samples
    control, work, pressure   rows by role (control and work: temperatures only)
    doubted  the faults that nobody decided about
    followed (n,) the furnace's reference temperature of the phases
    found    the parameters so far
    """

    trace: Trace
    phases: Phases
    cycle: Cycle | None
    pieces: Sequence[PieceRecord]
    faults: Sequence[Fault]
    doubted: Sequence[Fault]
    control: list[int]
    work: list[int]
    pressure: list[int]
    followed: Floats
    gap_s: float
    found: list[Parameter] = field(default_factory=list)

    @property
    def t_s(self) -> Floats:
        """Seconds of the judged samples."""
        return self.trace.t_s

    @property
    def n(self) -> int:
        """Judged samples."""
        return int(self.trace.t_s.size)

    @property
    def main(self) -> Hold | None:
        """The hold that the run is for."""
        return self.phases.main_hold

    def mask(self, phase: str) -> Mask:
        """A phase's samples, judged part only."""
        return self.phases.mask(phase)[: self.n]

    def extremes(self, rows: Sequence[int]) -> tuple[Floats, Floats]:
        """Hottest and coldest of some rows at each sample."""
        return hottest_coldest(self.trace, rows)

    def name(self, row: int) -> str:
        """A row's channel name."""
        return self.trace.channels[row].name

    def hottest_at(self, rows: Sequence[int], sample: int) -> str:
        """Name of the hottest of some rows at one sample."""
        return self.name(max((v, -k, row) for k, row, v in self._valid(rows, sample))[2])

    def coldest_at(self, rows: Sequence[int], sample: int) -> str:
        """Name of the coldest of some rows at one sample."""
        return self.name(min((v, k, row) for k, row, v in self._valid(rows, sample))[2])

    def _valid(self, rows: Sequence[int], sample: int) -> list[tuple[int, int, float]]:
        """(position among the rows, row, value) of those that have a value at a sample."""
        values = self.trace.values[:, sample].tolist()
        return [(k, row, values[row]) for k, row in enumerate(rows) if values[row] == values[row]]

    def suspected(self, channel: str, at_s: float) -> str | None:
        """'TC4 is suspected: detached' where a suspected fault of a channel covers a moment."""
        kinds = [f.kind for f in self.doubted if f.channel == channel and f.covers(np.asarray(at_s))]
        return f"{channel} is suspected: {', '.join(kinds)}" if kinds else None

    def add(
        self,
        name: str,
        value: float,
        unit: str,
        *,
        channel: str | None = None,
        se: float | None = None,
        sample: int | None = None,
        note: Remark | str | Sequence[Remark | str] | None = None,
        about: Sequence[str] = (),
    ) -> None:
        """Keeps one parameter, if it is a number. about: channels whose suspected faults belong into the note."""
        value = float(value)
        if not math.isfinite(value):
            return
        at_s = float(self.t_s[sample]) if sample is not None else None
        notes = [note] if isinstance(note, (Remark, str)) else list(note or ())
        if self.doubted and at_s is not None:
            notes += [s for s in (self.suspected(c, at_s) for c in about) if s]
        error = float(se) if se is not None and math.isfinite(se) else None
        self.found.append(Parameter(name, value, unit, channel, error, at_s, stored(filter(None, notes))))

    def windows(self) -> Floats:
        """Window [s] of the clause that binds at each sample, 15 min where none states one; (n,)."""
        windows = np.full(self.n, WINDOW_S)
        if self.cycle is not None:
            for one in self.phases.intervals:
                stated = next((s.rate_window_min for s in self.cycle.segments if s.number == one.segment), None)
                if stated is None and one.kind in ("heat", "cool"):
                    stated = limit_window_min(self.cycle, one.kind, one.segment)
                if stated is not None:
                    windows[one.start : min(one.end, self.n)] = 60.0 * stated
        return windows


def limit_window_min(cycle: Cycle, kind: str, segment: int) -> float | None:
    """The window [min] that a rate limit of the cycle states for a segment of this kind."""
    quantity, phase = ("heating_rate", "heating") if kind == "heat" else ("cooling_rate", "cooling")
    for limit in cycle.limits:
        here = limit.quantity == quantity and limit.phase in (phase, "any") and limit.segment in (None, segment)
        if here and limit.window_min is not None:
            return limit.window_min
    return None


def look_at(
    trace: Trace, cycle: Cycle | None, pieces: Sequence[PieceRecord], phases: Phases, faults: Sequence[Fault],
    confirmed: Decided = (),
) -> Look:  # fmt: skip
    """A Look at a run; the trace is prepared here if it was not."""
    confirmed = tuple(confirmed)
    decided = {(channel, kind) for channel, kind, _ in confirmed}
    out, suspected = sorted_out(faults, confirmed)
    told = [f for f in faults if f.kind in REPORTED_ONLY and (f.channel, f.kind) not in decided]
    judged = cut(repaired(prepared_once(trace), out)[0], phases.until_s)
    channels = judged.channels
    usable = {i for i in range(len(channels)) if np.isfinite(judged.values[i]).any()}

    def rows(role: str, quantity: str) -> list[int]:
        return [i for i, c in enumerate(channels) if c.role == role and c.quantity == quantity and i in usable]

    return Look(
        judged,
        phases,
        cycle,
        tuple(pieces),
        tuple(faults),
        (*suspected, *told),
        rows("control", "temperature"),
        rows("work", "temperature"),
        rows("pressure", "pressure"),
        phases.reference_c[: judged.t_s.size],
        gap_limit_s(judged),
    )


def prepared_once(trace: Trace) -> Trace:
    """The trace itself where it was prepared already, else prepared."""
    return trace if isinstance(trace, Corrected) else prepared(trace)


def degrees(value_c: float) -> str:
    """A temperature as part of a name: whole °C ('427'), a minus sign written out.

    >>> degrees(426.667), degrees(-80.0)
    ('427', 'minus80')
    """
    whole = round(value_c)
    return str(whole) if whole >= 0 else f"minus{-whole}"


def slug(words: str) -> str:
    """An event's words as part of a parameter's name.

    >>> slug("Gas backfill"), slug("Fan on (2)")
    ('gas_backfill', 'fan_on_2')
    """
    return re.sub(r"\W+", "_", words.casefold()).strip("_")


def last_rise_through(values: Floats, level: float, before: int) -> int | None:
    """The first sample of the last stretch at or above a level that reaches up to `before`; None where that stretch
    begins with the trace (the level was never crossed) or the sample before is not above the level."""
    below = last_where(values[: before + 1] < level)
    return None if below is None or below + 1 > before else below + 1


def first_fall_through(values: Floats, level: float, after: int) -> int | None:
    """The first sample at or below a level at or after `after`; None where it never comes."""
    k = first_where(values[after:] <= level)
    return None if k is None else after + k
