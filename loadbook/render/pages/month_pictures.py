"""The small pictures of a month: a furnace against its own past, the month's runs day by day, movement by treatment."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import numpy as np

from loadbook.analysis.effects.words import figure
from loadbook.core import units
from loadbook.core.phrases import many
from loadbook.queries.furnaces import FurnaceChart
from loadbook.render.charts.drawing import Drawing, clipped, width_of
from loadbook.render.charts.plot import spread_out
from loadbook.render.charts.scale import Scale, room
from loadbook.render.charts.style import GRID, GROUND, INK, MUTED, SHADE, WARN

SHOWN = 48  # so many newest points of a control chart are drawn
WIDE, HIGH = 366.0, 158.0
TYPE = 12.5  # px: a phone shows the pictures at 0.98 of their size
EDGE = 56.0  # room for the figures at the right
_GOOD, _OPEN = "#00533f", "#5c4300"
# verdict -> (mark, fill, stroke)
VERDICTS = {
    "kept": ("circle", _GOOD, None),
    "broken": ("triangle-up", WARN, None),
    "cannot be told": ("diamond", GROUND, _OPEN),
    "no trace": ("diamond", GROUND, _OPEN),
}
_OTHER = ("cross", MUTED, None)


def unit_label(chart: FurnaceChart, system: str) -> str:
    """The unit a control chart is drawn in: a delay in minutes."""
    return _drawn_in(chart, system)[1]


def _drawn_in(chart: FurnaceChart, system: str) -> tuple[float, str]:
    """(factor from the unit kept inside, label)."""
    return (60.0, "min") if chart.unit == "h" else units.show(1.0, chart.unit, system)[:2]


def drawn_values(chart: FurnaceChart, system: str) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """(values, low, high) as drawn: differences from what is usual, or (leak-up) the values; in the units shown."""
    c = chart.chart
    base = np.zeros_like(c.difference) if chart.measure != "leak-up" else c.usual
    told = [c.difference + base, c.low + base, c.high + base]
    if chart.unit == "mbar_per_h":
        told[1] = np.maximum(told[1], 0.0)  # no pressure rises by less than nothing
    one = _drawn_in(chart, system)[0]
    return told[0] * one, told[1] * one, told[2] * one


def drawn_points(chart: FurnaceChart) -> np.ndarray:
    """Which points are drawn: the newest SHOWN that have a usual value, and never less than the whole month."""
    told = np.flatnonzero(np.isfinite(chart.chart.difference))
    return told[-max(SHOWN, int(chart.in_month[told].sum())) :]


def control_picture(chart: FurnaceChart, system: str, zone: ZoneInfo) -> str:
    """One measure of one furnace run by run: centre line, limits, the month shaded, what failed a test marked."""
    y, low, high = drawn_values(chart, system)
    kept = drawn_points(chart)
    d = Drawing(WIDE, HIGH)
    left, right, top, bottom = 6.0, WIDE - EDGE, 26.0, HIGH - 24.0
    d.text(left, 14, f"{chart.measure}, {unit_label(chart, system)}", TYPE, weight="bold")
    if not len(kept):
        d.text(left, 60, chart.chart.why or "no run with a usual value", TYPE, MUTED)
        return d.svg()
    limits = chart.chart.limits is not None
    sx = Scale(0, max(len(kept) - 1, 1), left + 6, right - 8)
    sy = _vertical(y[kept], low[kept], high[kept], bottom, top, limits)
    month = np.flatnonzero(chart.in_month[kept])
    if len(month):
        half = (sx(1) - sx(0)) / 2
        first = max(sx(float(month[0])) - min(half, 6), left)
        d.rect(first, top, right - first, bottom - top, SHADE)
    _lines(d, sx, sy, low[kept], high[kept], left, right, limits)
    joined = [(sx(float(k)), sy.at(y[i])) for k, i in enumerate(kept)]
    d.polyline(joined, "#9aa1a8", 0.8)
    _points(d, chart, kept, joined, y, system, zone)
    d.line(left, bottom, right, bottom, MUTED, 0.8)
    d.text(left, HIGH - 6, _day(chart, int(kept[0]), zone), TYPE, MUTED)
    d.text(right, HIGH - 6, _day(chart, int(kept[-1]), zone), TYPE, MUTED, anchor="end")
    return d.svg()


def _vertical(
    y: np.ndarray, low: np.ndarray, high: np.ndarray, bottom: float, top: float, limits: bool
) -> Scale:  # fmt: skip
    """The scale up the page: all the points, but no more than half the limits' width beyond them."""
    if not limits:
        return Scale(*room([float(v) for v in y], 0.12), bottom, top)
    lo, hi = float(np.nanmin(low)), float(np.nanmax(high))
    reach = (hi - lo) / 2
    return Scale(
        max(min(float(y.min()), lo) - 0.15 * reach, lo - reach),
        min(max(float(y.max()), hi) + 0.15 * reach, hi + reach), bottom, top,
    )  # fmt: skip


def _lines(
    d: Drawing, sx: Scale, sy: Scale, low: np.ndarray, high: np.ndarray, left: float, right: float, limits: bool,
) -> None:  # fmt: skip
    if not limits:
        for value in sy.ticks(5):
            d.line(left, sy(value), right, sy(value), GRID)
            d.text(right + 5, sy(value), short(value), TYPE, MUTED, middle=True)
        return
    centre = float((low[-1] + high[-1]) / 2)
    d.line(left, sy(centre), right, sy(centre), INK, 0.9)
    half = (sx(1) - sx(0)) / 2
    for edge in (low, high):
        points = []
        for k, value in enumerate(edge):
            points += [(max(sx(k) - half, left), sy(float(value))), (min(sx(k) + half, right), sy(float(value)))]
        d.polyline(points, INK, 0.9, (5, 3))
    told = spread_out([sy(float(v)) for v in (high[-1], centre, low[-1])], TYPE, HIGH - 24.0)
    for y, value in zip(told, (float(high[-1]), centre, float(low[-1])), strict=True):
        d.text(right + 5, y, short(value), TYPE, middle=True)


def _points(
    d: Drawing, chart: FurnaceChart, kept: np.ndarray, at: Sequence[tuple[float, float]], y: np.ndarray,
    system: str, zone: ZoneInfo,
) -> None:  # fmt: skip
    beyond = {s.first for s in chart.chart.signals if s.rule == "beyond"}
    patterned = {k for s in chart.chart.signals if s.rule != "beyond" for k in range(s.first, s.last + 1)}
    label = unit_label(chart, system)
    for (px, py), i in zip(at, (int(k) for k in kept), strict=True):
        hint = f"{chart.names[i]}, {_day(chart, i, zone)}: {short(float(y[i]))} {label}"
        if chart.cycles[i]:
            hint += f", {chart.cycles[i]}"
        strong = bool(chart.in_month[i])
        if i in beyond:
            d.mark("triangle-up", px, py, 5, WARN, hint=hint)
        elif i in patterned:
            d.mark("diamond", px, py, 3.4, WARN if strong else GROUND, WARN, hint=hint)
        elif strong:
            d.mark("circle", px, py, 3.6, INK, hint=hint)
        elif chart.chart.baseline[i]:
            d.mark("circle", px, py, 2.4, GROUND, MUTED, hint=hint)
        else:
            d.mark("circle", px, py, 2.4, MUTED, hint=hint)


def key_marks() -> list[tuple[str, str]]:
    """What the marks of the control charts mean: (a small picture, words)."""
    out = []
    for shape, fill, stroke, size, words in (
        ("circle", GROUND, MUTED, 2.6, "baseline run"), ("circle", MUTED, None, 2.6, "later run"),
        ("circle", INK, None, 3.6, "in the period"), ("triangle-up", WARN, None, 5.0, "beyond the limits"),
        ("diamond", GROUND, WARN, 3.6, "one of seven or more on one side, or steadily rising or falling"),
    ):  # fmt: skip
        d = Drawing(14, 14)
        d.mark(shape, 7, 7, size, fill, stroke)
        out.append((d.svg(), words))
    for dash, words in (((), "centre line"), ((5, 3), "limits: three standard deviations either side")):
        d = Drawing(24, 14)
        d.line(0, 7, 24, 7, INK, 0.9, dash)
        out.append((d.svg(), words))
    d = Drawing(20, 14)
    d.rect(0, 0, 20, 14, SHADE)
    return [*out, (d.svg(), "the period")]


@dataclass(frozen=True)
class Lane:
    """A run on a month's strip: furnace, name, begin and end (UTC), what is marked ('kept', 'aborted', ...)."""

    furnace: str
    run: str
    began: datetime
    ended: datetime | None
    word: str


def halves(
    lanes: Sequence[Lane], since: datetime, until: datetime, zone: ZoneInfo
) -> list[tuple[int, int, list[Lane]]]:  # fmt: skip
    """A month in two pictures that fit a phone: (first day, day after the last, runs that stand in it), from day 0."""
    days = round((until.astimezone(zone) - since.astimezone(zone)).total_seconds() / 86400)
    middle = (days + 1) // 2
    out = []
    for first, last in ((0, middle), (middle, days)):
        out.append((first, last, [r for r in lanes if first <= _days(r.began, since) < last]))
    return out


def _days(moment: datetime, since: datetime) -> float:
    return (moment.replace(tzinfo=UTC) - since).total_seconds() / 86400


def strip_picture(every: Sequence[Lane], mine: Sequence[Lane], since: datetime, first: int, last: int) -> str:
    """Days of a month, first to before last: a lane for each furnace of the month, a bar for each run of `mine` with
    the mark of its verdict. Its name stands below it where there is room; hovering, and the list, tell every one."""
    names = sorted({r.furnace for r in every})
    label = min(max([width_of(n, TYPE) for n in names] or [0]) + 14, 110)
    step = 62.0
    d = Drawing(WIDE, 30 + step * max(len(names), 1))
    sx = Scale(first, last, label, WIDE - 6)
    for day in range(first, last + 1):
        d.line(sx(day), 20, sx(day), d.height - 2, GRID, 0.8)
        if day < last and (day - first) % 2 == 0:
            d.text((sx(day) + sx(day + 1)) / 2, 14, str(day + 1), TYPE, MUTED, anchor="middle")
    ends: dict[tuple[str, int], float] = {}
    for run in sorted(mine, key=lambda r: (r.furnace, r.began)):
        y = 30 + step * names.index(run.furnace)
        x1 = sx(_days(run.began, since))
        x2 = min(max(sx(_days(run.ended or run.began, since)), x1 + 2), WIDE - 6)
        shape, fill, stroke = VERDICTS.get(run.word, _OTHER)
        d.rect(x1, y + 5, x2 - x1, 6, "#b9c0c7")
        d.mark(shape, (x1 + x2) / 2, y + 8, 5, fill, stroke, hint=f"{run.run}: {run.word}")
        text = clipped(run.run, TYPE, 90)
        half = width_of(text, TYPE) / 2
        middle = min(max((x1 + x2) / 2, label + half), WIDE - half - 2)
        level = next((k for k in range(3) if ends.get((run.furnace, k), -1e9) < middle - half), None)
        if level is not None:
            ends[(run.furnace, level)] = middle + half + 4
            d.rect(middle - half - 1, y + 27 + 13 * level - TYPE, 2 * half + 2, TYPE + 3, GROUND)  # no line through it
            d.text(middle, y + 27 + 13 * level, text, TYPE, INK, anchor="middle")
    for row, name in enumerate(names):
        d.text(4, 30 + step * row + 8, clipped(name, TYPE, label - 8), TYPE, weight="bold", middle=True)
    return d.svg()


@dataclass(frozen=True)
class Span:
    """One treatment of a month: what it is called, 5 % to 95 % and middle [unit shown], n; the same before."""

    name: str
    low: float
    median: float
    high: float
    runs: int
    pieces: int
    earlier: tuple[float, float, float, int] | None  # low, median, high, runs
    flagged: int = 0


def movement_picture(title: str, label: str, spans: Sequence[Span]) -> str:
    """Treatments of one process and kind: the month's 5 % to 95 % and middle as a dark bar, earlier runs light."""
    step, wide = 56.0, WIDE
    d = Drawing(wide, 44 + step * len(spans))
    d.text(4, 14, clipped(f"{title}, {label}", TYPE, wide - 8), TYPE, weight="bold")
    seen = [v for s in spans for v in (s.low, s.high, *(s.earlier[:3] if s.earlier else ()))]
    sx = Scale(*room([0.0, *seen]), 8, wide - 8)
    foot = 24 + step * len(spans)
    marks = sx.ticks(5)
    for value in marks:
        if 20 < sx(value) < wide - 20:
            d.text(sx(value), foot + 13, short(value), TYPE, MUTED, anchor="middle")
    for row, s in enumerate(spans):
        y = 24 + step * row
        for value in marks:
            d.line(sx(value), y + 35, sx(value), y + 50, MUTED if value == 0 else GRID, 1.0 if value == 0 else 0.8)
        count = f"{many(s.runs, 'run')}, {many(s.pieces, 'piece')}"
        count += f"; before {many(s.earlier[3], 'run')}" if s.earlier else "; none before"
        d.text(8, y + 13, clipped(s.name, TYPE, wide - 16), TYPE)
        d.text(8, y + 28, count, TYPE, MUTED)
        if s.earlier:
            d.rect(sx(s.earlier[0]), y + 38, max(sx(s.earlier[2]) - sx(s.earlier[0]), 1.5), 9, "#d5dade")
            d.line(sx(s.earlier[1]), y + 37, sx(s.earlier[1]), y + 48, MUTED, 1.4)
        d.rect(sx(s.low), y + 41, max(sx(s.high) - sx(s.low), 1.5), 3, INK)
        d.mark("diamond", sx(s.median), y + 42.5, 3.8, INK, GROUND, hint=f"median {short(s.median)} {label}")
    return d.svg()


def _day(chart: FurnaceChart, i: int, zone: ZoneInfo) -> str:
    moment = chart.started[i]
    return moment.date().isoformat() if chart.of_checks else _local(moment, zone).date().isoformat()


def _local(moment: datetime, zone: ZoneInfo) -> datetime:
    return moment.replace(tzinfo=UTC).astimezone(zone)


def short(value: float) -> str:
    """A figure with three digits that mean something, never as a power of ten below 100,000.

    >>> short(1104.3), short(-0.00471)
    ('1100', '-0.00471')
    """
    return figure(float(f"{value:.3g}")) if abs(value) < 1e5 else f"{value:.3g}"
