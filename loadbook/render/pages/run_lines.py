"""Which lines a run's chart has, in which panel, how each looks, and on which scale: numbers in the units shown."""

from __future__ import annotations

import warnings
from dataclasses import dataclass, replace

import numpy as np

from loadbook.analysis.trace.asked_lines import DrawnLimit, RunPicture
from loadbook.analysis.trace.model import Channel, Trace, channels_in
from loadbook.analysis.trace.thinning import Indexes, Thinning, kept, strokes, thinning
from loadbook.analysis.trace.validity import interval_s
from loadbook.core import units
from loadbook.queries.run_record import RunSheet
from loadbook.render.charts.scale import Floats, Scale, scale_over
from loadbook.render.charts.style import DASHES, INK, MOST_WORK, channel_style

TEMPERATURE, APART = "temperature", "apart"
_RANK = {"control": 0, "over-temperature": 1, "work": 2, "setpoint": 4}
_TITLES = {TEMPERATURE: "temperature", APART: "spread and lead"}
STRETCHES, STRETCHES_OF_MANY = 1000, 600  # a line has twice as many points; many lines must still hide at once
FAR = 3.5  # a limit further off than so many times the largest value is told in words, so that the lines stay readable


@dataclass(frozen=True)
class Line:
    """One line. values (n,) in the unit shown; about is what is recorded of the channel, in words.

    hidden  True where it lies inside the shaded envelope and is drawn when a reader asks for it
    """

    name: str
    about: str
    role: str
    quantity: str
    unit: str
    decimals: int
    panel: int
    values: Floats
    strokes: tuple[Indexes, ...]
    colour: str
    dash: tuple[int, ...]
    width: float
    hidden: bool = False


@dataclass(frozen=True)
class Envelope:
    """From the coldest to the hottest of many work thermocouples: low, high (n,) in the unit shown.

    coldest, hottest  the two that are so at the main hold (else over the run);  count  how many there are
    """

    low: Floats
    high: Floats
    strokes: tuple[Indexes, ...]
    coldest: str
    hottest: str
    count: int


@dataclass(frozen=True)
class LimitLine:
    """A limit in the unit shown: its name, and how far it allows ('at most 50 °C'); off the scale where drawn is
    False."""

    name: str
    at: str
    value: float
    spans: tuple[tuple[float, float], ...]
    drawn: bool


@dataclass(frozen=True)
class Panel:
    """One panel: its title with the unit, its scale, its limits."""

    key: str
    title: str
    unit: str
    scale: Scale
    limits: tuple[LimitLine, ...]


@dataclass(frozen=True)
class RunLines:
    """All that the chart draws. thin says what was left out; envelope stands for more work TCs than can be followed."""

    trace: Trace
    thin: Thinning
    gap_s: float
    lines: tuple[Line, ...]
    panels: tuple[Panel, ...]
    envelope: Envelope | None = None


def run_lines(sheet: RunSheet, system: str) -> RunLines | None:
    """The lines of a run's chart in units 'si' or 'us'; None where there is no trace, or nothing in it to draw."""
    worked, picture = sheet.judged.worked, sheet.picture
    if worked is None or picture is None or worked.trace.t_s.size == 0:
        return None
    trace = worked.trace
    thin = thinning(trace.t_s, STRETCHES if len(trace.channels) <= 20 else STRETCHES_OF_MANY)
    usual = interval_s(trace.t_s)
    gap_s = 3.0 * usual if np.isfinite(usual) else np.inf
    keys: list[str] = []
    ranks: dict[str, int] = {}
    wanted: list[tuple[str, str, str, str, int, str, Floats]] = []  # key, name, about, role, rank, unit, values inside
    for channel, values in zip(trace.channels, trace.values, strict=True):
        key, unit = _panel_of(channel)
        rank = ranks.setdefault(channel.role, 0)
        ranks[channel.role] += 1
        wanted.append((key, channel.name, about(channel), channel.role, rank, unit, values))
    wanted.sort(key=lambda w: _RANK.get(w[3], 3))
    wanted += [(APART, name, "computed", "series", k, "c_diff", v) for k, (name, v) in enumerate(picture.apart)]
    for key in (TEMPERATURE, APART, *(w[0] for w in wanted)):
        if key not in keys and any(w[0] == key for w in wanted):
            keys.append(key)
    lines = []
    for key, name, words, role, rank, unit, values in wanted:
        shown, label, decimals = shown_values(values, unit, system)
        drawn = tuple(strokes(trace.t_s, values, kept(values, thin), gap_s))
        quantity = "difference" if key == APART else key.split(":")[0]
        lines.append(Line(name, words, role, quantity, label, decimals, keys.index(key), shown, drawn,
                          *_style(role, rank)))  # fmt: skip
    lines, envelope = _enveloped(sheet, lines, trace, thin, gap_s)
    panels = [_panel(key, i, lines, picture, system) for i, key in enumerate(keys)]
    return RunLines(trace, thin, gap_s, tuple(lines), tuple(panels), envelope) if panels else None


def _enveloped(
    sheet: RunSheet, lines: list[Line], trace: Trace, thin: Thinning, gap_s: float
) -> tuple[list[Line], Envelope | None]:
    """More work thermocouples than can be followed become a band with its two extremes; those that a fault or a broken
    clause names stay lines beside these."""
    work = [i for i, x in enumerate(lines) if x.role == "work" and x.quantity == "temperature" and x.strokes]
    if len(work) <= MOST_WORK:
        return lines, None
    stack = np.array([lines[i].values for i in work])
    hold = sheet.judged.worked.phases.main_hold if sheet.judged.worked else None
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # a moment, or a channel, without a valid sample
        means = np.nanmean(stack[:, hold.start : hold.end] if hold else stack, axis=1)
        low, high = np.nanmin(stack, axis=0), np.nanmax(stack, axis=0)
    if not np.isfinite(means).any():
        means = np.nanmean(stack, axis=1)
    cold, hot = work[int(np.nanargmin(means))], work[int(np.nanargmax(means))]
    told = [*(f.channel for f in sheet.judged.faults), *(c.channel or "" for c in sheet.judged.of("broken"))]
    named = {name for words in told for name in channels_in(words, [x.name for x in lines])}
    shown = {cold, hot, *(i for i in work if lines[i].name in named)}
    out = [replace(x, hidden=True) if i in work and i not in shown else x for i, x in enumerate(lines)]
    chosen = np.union1d(kept(low, thin), kept(high, thin))
    drawn = tuple(strokes(trace.t_s, low, chosen, gap_s))
    return out, Envelope(low, high, drawn, lines[cold].name, lines[hot].name, len(work))


def shown_values(values: Floats, unit: str, system: str) -> tuple[Floats, str, int]:
    """Values kept inside as they are shown: (values, label, decimals told)."""
    known = units.SHOWN[system].get(unit)
    if known is None:
        return values, unit, 3
    label, conversion, decimals = known
    return np.asarray(conversion(values), dtype=float), label, decimals  # type: ignore[arg-type]


def about(channel: Channel) -> str:
    """What is recorded of a channel, in a few words."""
    where = [
        channel.zone and f"zone {channel.zone.removeprefix('zone ')}",
        channel.place,
        channel.serial and f"piece {channel.serial}",
    ]
    return ", ".join([channel.role, *(w for w in where if w)])


def _panel_of(channel: Channel) -> tuple[str, str]:
    if channel.quantity == "temperature":
        return TEMPERATURE, "c"
    if channel.quantity == "dew point":
        return "dew point", "c"
    if channel.quantity == "pressure":
        return "pressure", "mbar"
    return f"{channel.quantity}:{channel.unit}", channel.unit


def _style(role: str, rank: int) -> tuple[str, tuple[int, ...], float]:
    return (INK, DASHES[rank % len(DASHES)], 1.5) if role == "series" else channel_style(role, rank)


def _panel(key: str, number: int, lines: list[Line], picture: RunPicture, system: str) -> Panel:
    mine = [x for x in lines if x.panel == number]
    limits = [x for x in picture.limits if _limited(x, key)]
    log = key == "pressure"
    values = [float(v) for x in mine for v in (_low(x.values), _high(x.values))]
    told = []
    for words, limit in _merged(limits):
        value = float(shown_values(np.array([limit.value]), limit.unit, system)[0][0])
        highest = max((abs(v) for v in values if np.isfinite(v)), default=0.0)
        near = log or key == TEMPERATURE or abs(value) <= FAR * highest
        told.append((words, value, limit, near))
        if near:
            values.append(value)
    for hold in picture.holds if key == TEMPERATURE else ():
        values += [float(v) for v in shown_values(np.array([hold.low_c, hold.high_c]), "c", system)[0]]
    unit = mine[0].unit
    drawn = tuple(LimitLine(w, _allowed(v, x, unit), v, x.spans, near) for w, v, x, near in told)
    scale = scale_over(values, log=log, from_zero=key == APART)
    return Panel(key, _TITLES.get(key, key.split(":")[0]), unit, scale, drawn)


def _limited(limit: DrawnLimit, key: str) -> bool:
    where = {"spread": APART, "lead": APART, "over_temperature": TEMPERATURE, "dew_point": "dew point"}
    return where.get(limit.quantity, limit.quantity) == key.split(":")[0]


def _merged(limits: list[DrawnLimit]) -> list[tuple[str, DrawnLimit]]:
    """Limits of the same series at the same value as one line over all their spans."""
    groups: dict[tuple[str, str, str, float], list[DrawnLimit]] = {}
    for x in limits:
        groups.setdefault((x.quantity, x.of, x.relation, x.value), []).append(x)
    out = []
    for (_, of, _, _), same in groups.items():
        first, *more = [x.name for x in same]
        rest = [name.removeprefix(of).strip() if of else name for name in more]
        spans = tuple(sorted({span for x in same for span in x.spans}))
        out.append((", ".join([first, *rest]), DrawnLimit(same[0].name, same[0].quantity, of, same[0].relation,
                                                         same[0].value, same[0].unit, spans)))  # fmt: skip
    return out


def _allowed(value: float, limit: DrawnLimit, unit: str) -> str:
    digits = f"{value:.3g}" if limit.unit in ("mbar", "") else f"{value:.1f}".removesuffix(".0")
    return f"{'at most' if limit.relation == 'max' else 'at least'} {digits} {unit}".strip()


def _low(values: Floats) -> float:
    return float(np.fmin.reduce(values)) if values.size else float("nan")


def _high(values: Floats) -> float:
    return float(np.fmax.reduce(values)) if values.size else float("nan")
