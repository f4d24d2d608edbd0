"""The picture of a letter: what is expected on an axis, the tolerance's lines, and every own run by its name."""

from __future__ import annotations

from collections.abc import Sequence

from loadbook.analysis.effects.words import figure
from loadbook.queries.letter.picture import Interval
from loadbook.render.charts.drawing import Drawing, clipped, width_of
from loadbook.render.charts.scale import Scale, room
from loadbook.render.charts.style import FONT, GROUND, INK, MUTED, SHADE

WIDE, PHONE = 640.0, 350.0  # px on paper and on a desk; on a phone
_LEFT, _RIGHT = 132.0, 14.0  # what the names of the runs take; beside the axis
_BAR, _STEP, _SIZE = 42.0, 11.0, 9.0
_FILL = "#9aa7b5"


def interval_picture(i: Interval, font: str = FONT, wide: float = WIDE) -> str:
    """The picture as SVG text, so many px wide; the page and the PDF hold the same one, each in its own letters."""
    first = _BAR + 20  # of the own runs
    narrow = wide < WIDE
    names, left, step, small = (11.0, 150.0, 14.0, 11.0) if narrow else (_SIZE, _LEFT, _STEP, 10.0)
    foot = first + (step * len(i.own) + 4 if i.own else 8)
    d = Drawing(wide, foot + (48 if narrow and i.own else 34), font)
    left = left if i.own else _RIGHT
    inner = [0.0, i.low, i.high, *([i.bound] if i.bound is not None else [])]
    inner += [v for r in i.own for v in (r.low, r.high)]
    reach = max(inner) - min(inner)
    near = [(v, words) for v, words in i.limits if min(inner) - reach <= v <= max(inner) + reach]
    sx = Scale(*room([*inner, *(v for v, _ in near)], 0.04), left, wide - _RIGHT)
    for value in sx.ticks(4 if narrow else 8):
        d.line(sx(value), 20, sx(value), foot, SHADE)
        d.line(sx(value), foot, sx(value), foot + 4, MUTED)
        d.text(sx(value), foot + 15, figure(value), small, anchor="middle")
    d.line(left, foot, wide - _RIGHT, foot, INK)
    d.text(wide - _RIGHT, foot + 29, i.axis, small, MUTED, anchor="end")
    if len(near) < len(i.limits):
        beyond = "; ".join(words for _, words in i.limits if words not in [w for _, w in near])
        d.text(left, foot + 29, f"→ {beyond}", small, MUTED)
    for value, words in near:
        x = sx(value)
        d.line(x, 16, x, foot, INK, 1.6, (5, 3))
        half = width_of(words, small) / 2
        at = min(max(x, 4 + half), wide - 4 - half)
        d.text(at, 11, words, small, weight="bold", anchor="middle")
    _bar(d, i, sx, [sx(value) for value, _ in near])
    if i.own:
        d.text(4, foot + (43 if narrow else 29), i.own_words, small, MUTED)
        for k, r in enumerate(i.own):
            y = first + 4 + step * k
            d.text(4, y, clipped(f"× {r.label}" if r.broken else r.label, names, left - 8), names, middle=True,
                   weight="bold" if r.broken else None)  # fmt: skip
            d.line(sx(r.low), y, sx(r.high), y, MUTED, 1.3)
            if r.broken:  # told by its shape, not by colour
                for dy in (-3.2, 3.2):
                    d.line(sx(r.mean) - 3.2, y - dy, sx(r.mean) + 3.2, y + dy, INK, 1.8)
            else:
                d.mark("circle", sx(r.mean), y, 2.6, INK, GROUND)
    return d.svg()


def _bar(d: Drawing, i: Interval, sx: Scale, lines: Sequence[float]) -> None:
    """The interval with its figures; lines: where those of the tolerance stand, which no figure may be struck by."""
    a, b = sx(i.low), sx(i.high)
    low, middle, high = i.texts
    d.rect(a, _BAR - 7, b - a, 14, _FILL)
    d.rect(a - 1, _BAR - 10, 2, 20)
    d.rect(b - 1, _BAR - 10, 2, 20)
    d.mark("diamond", sx(i.median), _BAR, 5.5, INK, GROUND)
    y = _BAR - 14
    halves = [width_of(t, 11) / 2 for t in (low, middle, high)]
    apart = max(0.0, (halves[0] + halves[2] + 4 - (b - a)) / 2)  # a bar too short for both its figures
    for x, words, half in ((a - apart, low, halves[0]), (b + apart, high, halves[2])):
        if any(abs(line - x) < half + 3 for line in lines):
            d.rect(x - half - 2, y - 10, 2 * half + 4, 12, GROUND)
        d.text(x, y, words, 11, weight="bold", anchor="middle")
    if sx(i.median) - halves[1] > a + halves[0] + 6 and sx(i.median) + halves[1] < b - halves[2] - 6:
        d.text(sx(i.median), y, middle, 11, anchor="middle")
    if i.bound is not None:
        x = sx(i.bound)
        d.line(x, _BAR - 6, x, _BAR + 6, INK, 1.3)
        d.line(min(b, x), _BAR, max(b, x), _BAR, INK, 1.3) if x > b else d.line(x, _BAR, a, _BAR, INK, 1.3)
        wide_bound = width_of(i.bound_words, 9)
        at = min(max(x, sx.start + wide_bound / 2), d.width - _RIGHT - wide_bound / 2)
        d.text(at, _BAR + 16, i.bound_words, 9, MUTED, anchor="middle")
