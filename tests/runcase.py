"""Whole runs with a planted truth: a cycle file, a furnace that follows a program (or does not), and what must be said.

A run is made from breakpoints of its program; zones follow it with a lag and an offset, work TCs follow the mean zone
with a lag (in vacuum one that grows as the cube of 873 K over the furnace's temperature). The same case is judged with
its cycle file in °C and in °F.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from loadbook.analysis.clauses.judge import judge
from loadbook.analysis.faults.find import find_faults
from loadbook.analysis.parameters.compute import run_parameters
from loadbook.analysis.trace.model import Channel, ClauseResult, Event, Judgement, Parameter, PieceRecord, Trace
from loadbook.analysis.trace.phases import find_phases
from loadbook.analysis.trace.validity import prepared
from loadbook.queries.evidence_words import worded
from loadbook.readers.cycles.file import parse_cycle
from loadbook.render.judged import figure, lacks

STEP_S = 30.0
KELVIN = 273.15
Points = Sequence[tuple[float, float]]


# ---- the cycle file -----------------------------------------------------------------------------------------------
def segment(kind: str, target: str | None = None, **keys: Any) -> str:
    lines = [f'kind = "{kind}"'] + ([f'target = "{target}"'] if target else [])
    return "\n".join(["[[segment]]", *lines, *_lines(keys)])


def heat(target: str | None = None, **keys: Any) -> str:
    return segment("heat", target, **keys)


def hold(target: str | None = None, band: str = "8 C diff", **keys: Any) -> str:
    return segment("hold", target, band_low=band, band_high=band, **keys)


def cool(target: str | None = None, **keys: Any) -> str:
    return segment("cool", target, **keys)


def limit(quantity: str, **keys: Any) -> str:
    """A [[limit]]; a keyword that is a word of Python ends in '_'."""
    return "\n".join(["[[limit]]", f'quantity = "{quantity}"', *_lines(keys)])


def _lines(keys: Mapping[str, Any]) -> list[str]:
    return [f"{k.rstrip('_')} = {_value(v)}" for k, v in keys.items()]


def _value(value: Any) -> str:
    return f'"{value}"' if isinstance(value, str) else str(value).lower() if isinstance(value, bool) else f"{value}"


def cycle(*tables: str, atmosphere: str = "air", process: str = "stress relief", **limits: Any) -> str:
    """A cycle file: segments and [[limit]] tables in order; keywords make [limits]."""
    head = ["[cycle]", 'id = "X"', 'revision = "A"', 'title = "X"', f'process = "{process}"',
            f'atmosphere = "{atmosphere}"']  # fmt: skip
    plain = ["[limits]", *_lines(limits)] if limits else []
    return "\n".join([*head, *(t for t in tables if "[[segment]]" in t), *plain,
                      *(t for t in tables if "[[limit]]" in t)]) + "\n"  # fmt: skip


_FIGURE = re.compile(r'"(-?[\d.]+) C( diff|/h)?"')


def in_fahrenheit(text: str) -> str:
    """The same cycle file as a US shop writes it."""

    def turn(found: re.Match[str]) -> str:
        value, kind = float(found[1]), found[2] or ""
        return f'"{value * 1.8 + (0.0 if kind else 32.0):.6f} F{kind}"'

    return _FIGURE.sub(turn, text)


# ---- the run ------------------------------------------------------------------------------------------------------
@dataclass(frozen=True)
class Zone:
    """A control TC: how far it reads from the program at 620 °C, and how far behind it comes."""

    offset_c: float = 0.0
    lag_min: float = 3.0


@dataclass(frozen=True)
class Tc:
    """A work TC: how much colder its place is at 620 °C, its lag, and what is recorded of it."""

    colder_c: float = 0.0
    lag_min: float = 10.0
    place: str | None = None
    serial: str | None = None


ZONES = (Zone(), Zone(-1.5, 4.0), Zone(1.0, 3.0))
WORK = (Tc(1.0, 6.0), Tc(2.0, 9.0), Tc(3.0, 12.0), Tc(2.0, 14.0))


def run(
    program: Points, zones: Sequence[Zone] = ZONES, work: Sequence[Tc] = WORK, *, vacuum: bool = False,
    setpoint: bool = False, events: Mapping[str, float] | Sequence[tuple[float, str, str | None]] = (),
    stops_h: float | None = None, pressure: Points | None = None, step_s: float = STEP_S, noise_c: float = 0.15,
    touch: Callable[[Trace], None] | None = None, power_h: tuple[float, float] | None = None,
) -> Trace:  # fmt: skip
    """A run. program (hours, °C); events name -> hour, or (hour, name, note); stops_h: the recorder's last sample.

    power_h  from, to: the furnace loses power and cools by 250 °C/h at 620 °C, then follows its program again
    """
    hours, level = zip(*program, strict=True)
    t = np.arange(0.0, hours[-1] * 3600.0 + 1.0, step_s)
    asked = np.interp(t / 3600.0, hours, level)
    start = level[0]
    rng = np.random.default_rng(7)
    controls = [_follow(asked, start, z.lag_min, z.offset_c, step_s, power_h) for z in zones]
    around = np.mean(controls, axis=0)
    bodies = [_behind(around, start, w.lag_min, w.colder_c, step_s, vacuum) for w in work]
    rows = [y + noise_c * rng.normal(size=t.size) for y in (*controls, *bodies)]
    channels = [Channel(i + 1, f"Zone {i + 1}", "control", tc_type="K") for i in range(len(zones))]
    channels += [Channel(20 + i, f"TC {i + 1}", "work", tc_type="K", place=w.place, serial=w.serial)
                 for i, w in enumerate(work)]  # fmt: skip
    if setpoint:
        channels.append(Channel(90, "Set point", "setpoint"))
        rows.append(asked)
    if pressure is not None:
        at, mbar = zip(*pressure, strict=True)
        channels.append(Channel(91, "Vacuum", "pressure", "pressure", "mbar"))
        rows.append(10.0 ** np.interp(t / 3600.0, at, np.log10(mbar)))
    said = [(h, name, None) for name, h in events.items()] if isinstance(events, Mapping) else list(events)
    kept = t <= (stops_h * 3600.0 if stops_h is not None else t[-1])
    values = np.array(rows)[:, kept]
    found = tuple(Event(h * 3600.0, name, note) for h, name, note in sorted(said, key=lambda e: e[0]))
    made = Trace(t[kept], values, np.zeros(values.shape, np.uint8), tuple(channels), found, "R")
    if touch is not None:
        touch(made)
    return made


def _follow(
    asked: np.ndarray, start: float, lag_min: float, offset_c: float, step_s: float, power_h: tuple[float, float] | None
) -> np.ndarray:
    keep = np.exp(-step_s / (60.0 * lag_min))
    out = np.empty_like(asked)
    y = start
    for k, aim in enumerate(asked):
        hour = k * step_s / 3600.0
        if power_h is not None and power_h[0] <= hour < power_h[1]:
            y -= 250.0 * (y - 20.0) / 600.0 * step_s / 3600.0
        elif power_h is not None and hour >= power_h[1]:
            y += float(np.clip((aim - y) * (1.0 - keep), -1e9, 140.0 * step_s / 3600.0))
        else:
            y = keep * y + (1.0 - keep) * aim
        out[k] = y
    return out + offset_c * np.clip((out - 20.0) / 600.0, -0.2, 1.2)


def _behind(
    around: np.ndarray, start: float, lag_min: float, colder_c: float, step_s: float, vacuum: bool
) -> np.ndarray:
    out = np.empty_like(around)
    y = start
    for k, aim in enumerate(around):
        aim = aim - colder_c * (aim - 20.0) / 600.0
        lag = lag_min * min((873.0 / (aim + KELVIN)) ** 3, 6.0) if vacuum else lag_min
        y += (aim - y) * (1.0 - np.exp(-step_s / (60.0 * lag)))
        out[k] = y
    return out


# ---- what must be said ----------------------------------------------------------------------------------------------
@dataclass(frozen=True)
class Must:
    """What one clause must end as. from_h..to_h holds its first moment (of a kept clause: nothing is asked);
    words must all stand in its name, its sentence or what is missing."""

    verdict: str
    from_h: float | None = None
    to_h: float | None = None
    words: tuple[str, ...] = ()


BROKEN, OPEN, KEPT = "broken", "cannot be told", "kept"


@dataclass(frozen=True)
class RunCase:
    """One planted run. clauses: those named must end as stated; every other one must be kept.

    never   parameters that must not be there;  has  parameters that must, with their value and how near it must come
    more    further arguments of judge
    """

    name: str
    cycle: str
    made: Callable[[], Trace]
    verdict: str
    clauses: Mapping[str, Must] = field(default_factory=dict)
    never: tuple[str, ...] = ()
    has: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    pieces: tuple[PieceRecord, ...] = ()
    more: Mapping[str, Any] = field(default_factory=dict)
    vacuum: bool = False


@dataclass(frozen=True)
class Told:
    """What was found of one case."""

    judgement: Judgement
    parameters: tuple[Parameter, ...]

    def clause(self, name: str) -> ClauseResult | None:
        return next((c for c in self.judgement.clauses if c.clause == name), None)


def tell(case: RunCase, system: str = "si") -> Told:
    """Judge one case, its cycle file as a shop of that system of units writes it."""
    text = in_fahrenheit(case.cycle) if system == "us" else case.cycle
    asked = parse_cycle(text).cycle
    trace = prepared(_made(case))
    phases = find_phases(trace, asked)
    faults = find_faults(trace, phases)
    judgement = judge(trace, asked, case.pieces, phases, faults, **case.more)
    return Told(judgement, tuple(run_parameters(trace, asked, case.pieces, phases, faults)))


_KEPT: dict[str, Trace] = {}


def _made(case: RunCase) -> Trace:
    if case.name not in _KEPT:
        _KEPT[case.name] = case.made()
    return replace(_KEPT[case.name])


def wrong(case: RunCase, found: Told, system: str = "si") -> list[str]:
    """Everything that was said otherwise than planted; empty where all is right."""
    out = []
    if found.judgement.verdict != case.verdict:
        out.append(f"the run is {found.judgement.verdict!r}, not {case.verdict!r}")
    names = {c.clause for c in found.judgement.clauses}
    out += [f"no clause {name!r}" for name in case.clauses if name not in names]
    for c in found.judgement.clauses:
        must = case.clauses.get(c.clause, Must(KEPT))
        said = " | ".join(w for w in (c.clause, worded([c.text], system), lacks(c, system)) if w)
        if c.verdict != must.verdict:
            value = f"{figure(c.value, c.unit, system)} / {figure(c.limit, c.unit, system)}"
            out.append(f"{c.clause}: {c.verdict!r} ({value}; {lacks(c, system)}), not {must.verdict!r}")
        elif must.from_h is not None and must.to_h is not None:
            first_h = (c.first_s if c.first_s is not None else -1.0) / 3600.0
            if not must.from_h <= first_h <= must.to_h:
                out.append(f"{c.clause}: first at {first_h:.3f} h, not {must.from_h} to {must.to_h}")
        out += [f"{c.clause}: {word!r} is not said in {said!r}" for word in must.words if word not in said]
    figures = {p.parameter: p.value for p in found.parameters if p.channel is None}
    out += [f"{name} is {figures[name]:g}, and must not be there" for name in case.never if name in figures]
    for name, (value, near) in case.has.items():
        if name not in figures or abs(figures[name] - value) > near:
            out.append(f"{name} is {figures.get(name)}, not {value:g} within {near:g}")
    return out


def path(start: float, *moves: tuple[float, float] | float) -> list[tuple[float, float]]:
    """Breakpoints of a program: (target, rate per hour) moves, a bare number holds for so many hours.

    >>> path(20.0, (120.0, 100.0), 0.5)
    [(0.0, 20.0), (1.0, 120.0), (1.5, 120.0)]
    """
    out = [(0.0, start)]
    for move in moves:
        hour, level = out[-1]
        if isinstance(move, tuple):
            out.append((hour + abs(move[0] - level) / move[1], move[0]))
        else:
            out.append((hour + move, level))
    return out
