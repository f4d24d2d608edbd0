"""Small pictures of a past: one value over time, run by run, with the treatment as a shape and its limits as lines."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from loadbook.render.charts.drawing import Drawing, clipped, width_of
from loadbook.render.charts.scale import Scale, room
from loadbook.render.charts.style import GRID, GROUND, INK, MUTED, PALETTE, SHAPES, WARN

WIDE, HIGH = 366.0, 168.0
TYPE = 12.5  # px; a phone shows the picture at 0.98 of its size
MOST_TREATMENTS = len(PALETTE)


@dataclass(frozen=True)
class Point:
    """One run's value [unit shown]: middle, lowest and highest of its pieces; treatment is an index into the key.

    kept  its cycle was kept;  left  a piece of it left its tolerance
    """

    run: str
    day: str
    middle: float
    low: float
    high: float
    treatment: int
    kept: bool = True
    left: bool = False


def over_time(
    title: str,
    unit: str,
    points: Sequence[Point],
    days: tuple[str, str],
    limits: Sequence[tuple[float, str]] = (),
    *,
    zero: bool = False,
) -> tuple[str, bool]:
    """Points over the days, oldest left. limits: (value, words) of lines; zero: a line where nothing moved.

    Gives the picture, and whether a limit lies so far away that it is not drawn.
    """
    d = Drawing(WIDE, HIGH)
    left, right, top, foot = 8.0, WIDE - 52.0, 30.0, HIGH - 24.0
    d.text(left, 15, clipped(title, TYPE, WIDE - 24 - width_of(unit, TYPE)), TYPE, weight="bold")
    d.text(WIDE - 6, 15, unit, TYPE, MUTED, anchor="end")
    seen = [v for p in points for v in (p.low, p.high)] + ([0.0] if zero else [])
    reach = max(seen) - min(seen) or 1.0
    near = [x for x in limits if min(seen) - 0.6 * reach <= x[0] <= max(seen) + 0.6 * reach]
    sy = Scale(*room([*seen, *(v for v, _ in near)], 0.1), foot - 4, top + 4)
    first, last = (date.fromisoformat(x).toordinal() for x in days)
    sx = Scale(first, max(last, first + 1), left + 8, right - 8)
    _years(d, sx, (first, last), top, foot)
    for value in sy.ticks(5):
        at_zero = zero and value == 0
        d.line(left, sy(value), right, sy(value), MUTED if at_zero else GRID, 1.0 if at_zero else 0.8)
        d.text(right + 5, sy(value), f"{value:g}", TYPE, MUTED, middle=True)
    for value, _ in near:
        d.line(left, sy(value), right, sy(value), WARN, 1.2, (6, 3))
    for p in points:
        x = sx(date.fromisoformat(p.day).toordinal())
        colour, shape = PALETTE[p.treatment % len(PALETTE)], SHAPES[p.treatment % len(SHAPES)]
        hint = f"{p.run}, {p.day}: {p.middle:g} {unit}"
        if p.high > p.low:
            d.line(x, sy(p.low), x, sy(p.high), colour, 1.2)
        d.mark(shape, x, sy(p.middle), 4.0, colour if p.kept else GROUND, colour, hint=hint)
        if p.left:
            d.line(x - 5, top + 1, x + 5, top + 1, WARN, 3.0)
    d.line(left, foot, right, foot, MUTED, 0.8)
    d.text(left, HIGH - 6, days[0], TYPE, MUTED)
    if days[1] != days[0]:
        d.text(right, HIGH - 6, days[1], TYPE, MUTED, anchor="end")
    return d.svg(), bool(limits) and not near


def _years(d: Drawing, sx: Scale, days: tuple[int, int], top: float, foot: float) -> None:
    """A line where each year begins, with its name where the first and the last day leave room for it."""
    first, last = (date.fromordinal(day) for day in days)
    ends = width_of("2025-12-31", TYPE) + width_of("2025", TYPE) / 2 + 6
    for year in range(first.year + 1, last.year + 1):
        x = sx(date(year, 1, 1).toordinal())
        d.line(x, top, x, foot, GRID, 0.8)
        if sx(days[0]) + ends < x < sx(days[1]) - ends:
            d.text(x, HIGH - 6, str(year), TYPE, MUTED, anchor="middle")


def key_mark(treatment: int) -> str:
    """A treatment's mark, for the key below the pictures."""
    d = Drawing(14, 14)
    d.mark(SHAPES[treatment % len(SHAPES)], 7, 7, 4.0, PALETTE[treatment % len(PALETTE)])
    return d.svg()


def sign(kind: str) -> str:
    """Signs of the key: 'hollow' for a cycle not kept, 'left' for a piece that left tolerance, 'bar' for a span."""
    d = Drawing(14, 14)
    if kind == "hollow":
        d.mark("circle", 7, 7, 4.0, GROUND, INK)
    elif kind == "left":
        d.line(1, 7, 13, 7, WARN, 3.0)
    else:
        d.line(7, 1, 7, 13, INK, 1.2)
    return d.svg()
