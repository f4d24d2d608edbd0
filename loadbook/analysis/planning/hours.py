"""Furnace hours of a cycle, quoted before the run from what this furnace needed for what it was asked.

A program asks for hours before, at and after its main hold. Each is turned into hours of the furnace by a line through
its own past runs (slope near 1: a furnace keeps its program; intercept: the load lags, the door stays shut), and the
interval is that of past runs over what the others would have quoted for them: it promises no more than they kept.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from loadbook.analysis.quantiles import MAD_TO_SD
from loadbook.analysis.trace.model import Cycle, Floats
from loadbook.core.vocabulary.parameters import PLANNABLE

from .stock import UNKNOWN, Line, Stock, beside

START_C = 20.0
FEWEST = 6  # past runs that a quotation needs
LEVEL = 0.9
NEAR = 0.02  # a program that asks for so little less or more than others is within them
LOAD_TRUST = 1.0  # as `stock.Line` has it; chosen on the demo's runs (tests/trials/MEASURED.md)
SLOPE_SD, EXTRA_SD = 0.2, 0.3  # how far a furnace's slope is from 1, and its extra hours (in hours asked) from none
HEATING, HOLD, SOAK, COOLING = PLANNABLE


@dataclass(frozen=True)
class Asked:
    """Hours that a program asks for: before its main hold, at it, after it."""

    before: float
    hold: float
    after: float

    @property
    def total(self) -> float:
        return self.before + self.hold + self.after


@dataclass(frozen=True)
class Done:
    """A past run: what its program asked, the hours it took before, at and after its main hold, and its load."""

    run: str
    asked: Asked
    took: Asked
    stock: Stock = UNKNOWN


@dataclass(frozen=True)
class Quote:
    """Furnace hours of one program. low, high None where too few past runs stand behind it: then `at` is the program's.

    level  the share of past runs for which such an interval would have held;  runs  how many they are
    by     what of the load it goes by, in words;  were_asked  the fewest and the most hours that those programs ask
    """

    at: float
    low: float | None
    high: float | None
    level: float | None
    runs: int
    asked: float
    by: tuple[str, ...] = ()
    were_asked: tuple[float, float] | None = None

    @property
    def beyond(self) -> bool:
        """Does the program ask for fewer or more hours than any of those runs?"""
        return self.were_asked is not None and not (
            self.were_asked[0] * (1.0 - NEAR) <= self.asked <= self.were_asked[1] * (1.0 + NEAR)
        )


def varied(cycle: Cycle, settings: Mapping[str, float]) -> Cycle:
    """The cycle with these plannable settings asked: all heat (cool) segments at the new rate in proportion to the
    fastest one's, the main hold at the new temperature for the new minutes. What is not named stays."""
    main = cycle.main_hold
    at = None if main is None else main[0].number
    hold_c, minutes = settings.get(HOLD), settings.get(SOAK)
    faster = {}
    for kind, name in (("heat", HEATING), ("cool", COOLING)):
        rates = [r for s in cycle.segments if s.kind == kind and (r := s.pace_c_per_h)]
        if name in settings and rates:
            faster[kind] = settings[name] / max(rates)
    out = []
    for k, s in enumerate(cycle.segments):
        asked = s.pace_c_per_h
        if s.kind in faster and asked is not None:
            s = replace(s, asked_rate_c_per_h=asked * faster[s.kind])
        ahead = cycle.segments[k + 1].number if k + 1 < len(cycle.segments) else None
        if hold_c is not None and at is not None and (s.number == at or (s.kind == "heat" and ahead == at)):
            s = replace(s, target_c=hold_c)
        if minutes is not None and s.number == at:
            s = replace(s, minutes=minutes)
        out.append(s)
    return replace(cycle, segments=tuple(out))


def asked_hours(cycle: Cycle) -> Asked | None:
    """The hours that a cycle's program asks for; None without a main hold or where a heat segment has no rate.

    Furnace at 20 °C at the start, and at the end of a cool without a target; one without a rate (a quench) is asked no
    hours.
    """
    main = cycle.main_hold
    if main is None:
        return None
    at, hours = START_C, [0.0, 0.0, 0.0]
    phase = 0
    for s in cycle.segments:
        if s.number == main[0].number:
            phase = 1
        elif phase == 1:
            phase = 2
        if s.kind == "hold":
            hours[phase] += (s.minutes or 0.0) / 60.0
            continue
        target, pace = START_C if s.kind == "cool" and s.target_c is None else s.target_c, s.pace_c_per_h
        if target is None or (pace is None and s.kind == "heat"):
            return None
        hours[phase] += abs(target - at) / pace if pace else 0.0
        at = target
    return Asked(*hours)


class Pace:
    """What a furnace made of its programs, with a load like `stock`. done: its past runs, of programs like the one that
    is to be quoted."""

    def __init__(self, done: Sequence[Done], stock: Stock | None = None) -> None:
        self.runs = len(done)
        self.by: tuple[str, ...] = ()
        self._asked = np.array([[d.asked.before, d.asked.hold, d.asked.after] for d in done]).reshape(-1, 3)
        self._took = np.array([[d.took.before, d.took.hold, d.took.after] for d in done]).reshape(-1, 3)
        self.middle = 1.0
        self.ratios: Floats = np.ones(0)
        if self.runs >= FEWEST:
            kept = ~np.eye(self.runs, dtype=bool)
            said = [self._quoted(self._asked[i], kept[i]) for i in range(self.runs)]
            over = np.log(self._took.sum(axis=1) / np.array(said))
            own, others, self.by = beside(stock or UNKNOWN, [d.stock for d in done])
            line = Line(others, over, LOAD_TRUST)
            # what each run took over what the others tell of a load like its own, in the measure in which without
            # anything known of the load it is what they took over what was quoted
            rest = np.array([over[i] - Line(others[kept[i]], over[kept[i]], LOAD_TRUST).expected(others[i])
                             for i in range(self.runs)]) * (1.0 - 1.0 / self.runs)  # fmt: skip
            self.middle = float(np.exp(line.at(own)))
            self.ratios = np.asarray(np.exp(line.expected(own) + np.sort(rest)), dtype=np.float64)

    def _quoted(self, asked: Floats, of: np.ndarray) -> float:
        return max(sum(_line(self._asked[of, k], self._took[of, k], float(asked[k])) for k in range(3)), 0.1)

    def quote(self, asked: Asked) -> Quote:
        """Hours of the furnace for such a program."""
        if self.runs < FEWEST:
            return Quote(asked.total, None, None, None, self.runs, asked.total)
        everything = np.ones(self.runs, dtype=bool)
        said = self._quoted(np.array([asked.before, asked.hold, asked.after]), everything)
        at, n = said * self.middle, self.runs
        cut = max(int((1.0 - LEVEL) / 2.0 * (n + 1)), 1)  # whole ranks at each end, so never fewer than promised
        low, high = said * float(self.ratios[cut - 1]), said * float(self.ratios[n - cut])
        totals = self._asked.sum(axis=1)
        were = float(totals.min()), float(totals.max())
        return Quote(at, min(low, at), max(high, at), 1.0 - 2.0 * cut / (n + 1), n, asked.total, self.by, were)


def _line(x: Floats, y: Floats, at: float) -> float:
    """y at `at` by a straight line, drawn towards y = x as far as the runs leave it open; single slow runs count less.

    x, y  (n,) hours asked and taken
    """
    size = float(np.median(x)) if float(np.median(x)) > 0 else 1.0
    A = np.column_stack([np.ones(len(x)), x])
    prior = np.diag([1.0 / (EXTRA_SD * size) ** 2, 1.0 / SLOPE_SD**2])
    centre, weight = np.array([0.0, 1.0]), np.ones(len(x))
    if not np.any(x > 0):  # nothing was asked: what it took, is all there is
        return float(np.median(y))
    b = centre
    for _ in range(8):
        rest = y - A @ b
        sd = max(MAD_TO_SD * float(np.median(np.abs(rest))), 0.01 * size)
        weight = np.minimum(1.0, 1.5 * sd / np.maximum(np.abs(rest), 1e-12))  # Huber
        W = weight / sd**2
        b = np.linalg.solve(A.T @ (A * W[:, None]) + prior, A.T @ (W * y) + prior @ centre)
    return float(b[0] + b[1] * at)
