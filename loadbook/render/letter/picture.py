"""The picture of a letter: the interval on an axis, the tolerance's room, the bound, the customer's own runs."""

from __future__ import annotations

from loadbook.analysis.effects.words import figure
from loadbook.queries.letter.picture import Interval
from loadbook.render.charts.drawing import Drawing, width_of
from loadbook.render.charts.scale import Scale, room
from loadbook.render.charts.style import FONT, GROUND, INK, MUTED, SHADE

WIDE = 640.0
MOST_ROWS = 20  # newest runs drawn
_LANE, _STEP = 62.0, 7.0


def short(value: float, digits: int = 4) -> str:
    """Three digits that mean something, no more than `digits` after the point, with a true minus sign."""
    return figure(round(value, digits)).replace("-", "−")


def interval_picture(i: Interval, font: str = FONT) -> str:
    """The picture as SVG text; the page and the PDF hold the same one, each in its own letters."""
    own = i.own[-MOST_ROWS:]
    foot = _LANE + (16 + _STEP * len(own) if own else 0) + 6
    d = Drawing(WIDE, foot + 34 + (15 if i.room else 0), font)
    edges = [v for v in (i.room or ()) if v is not None]
    inner = [0.0, i.low, i.high, *([i.bound] if i.bound is not None else [])]
    inner += [v for r in own for v in (r.low, r.high)]
    reach = max(inner) - min(inner)
    near = [v for v in edges if min(inner) - reach <= v <= max(inner) + reach]  # a wide tolerance ends off the picture
    sx = Scale(*room([*inner, *near], 0.05), 10, WIDE - 10)
    if i.room:
        low, high = (sx.low if i.room[0] is None else i.room[0]), (sx.high if i.room[1] is None else i.room[1])
        a, b = sx(max(low, sx.low)), sx(min(high, sx.high))
        d.rect(a, 6, b - a, foot - 6, SHADE)
        for value in near:
            d.line(sx(value), 6, sx(value), foot, MUTED, 1.0, (2, 2))
    for value in sx.ticks(9):
        d.line(sx(value), foot, sx(value), foot + 4, MUTED)
        d.text(sx(value), foot + 16, short(value), 11, anchor="middle")
    d.line(10, foot, WIDE - 10, foot, INK)
    d.line(sx(0), 21, sx(0), _LANE - 5 if own else foot, MUTED)
    if own:  # the words between stay clear
        d.line(sx(0), _LANE + 10, sx(0), foot, MUTED)
    d.text(WIDE - 10, foot + 30, i.label, 11, MUTED, anchor="end")
    _bar(d, i, sx)
    if own:
        d.text(10, _LANE + 6, "your runs, oldest on top: lowest to highest piece, mean", 10, MUTED)
        for k, r in enumerate(own):
            y = _LANE + 15 + _STEP * k
            d.line(sx(r.low), y, sx(r.high), y, MUTED, 1.2)
            d.mark("circle", sx(r.mean), y, 2.2, INK, hint=f"{r.run}, {r.date}: {short(r.mean, i.digits)} {i.label}")
    if i.room:
        y = foot + 38
        d.rect(10, y - 8, 16, 10, SHADE)
        d.text(32, y + 1, i.room_words + _off(i, sx), 11, MUTED)
    return d.svg()


def _bar(d: Drawing, i: Interval, sx: Scale) -> None:
    a, b = sx(i.low), sx(i.high)
    d.rect(a, 24, b - a, 12, "#9aa7b5")
    d.rect(a, 22, 2, 16)
    d.rect(b - 2, 22, 2, 16)
    d.mark("diamond", sx(i.median), 30, 5.5, INK, GROUND)
    low, high = short(i.low, i.digits), short(i.high, i.digits)
    middle = f"{i.content:.0%} of pieces"
    d.text(max(a - 4 - width_of(low, 12), 2) if a > width_of(low, 12) + 8 else a, 17, low, 12, weight="bold")
    d.text(b + 4, 17, high, 12, weight="bold", anchor="start" if b + width_of(high, 12) < WIDE - 8 else "end")
    if width_of(middle, 11) < b - a - 8:
        d.text((a + b) / 2, 17, middle, 11, anchor="middle")
    if i.bound is not None:
        x = sx(i.bound)
        d.mark("triangle-up", x, 44, 4.5, INK)
        words = f"{i.bound_words} ({short(i.bound, i.digits)})"
        wide = width_of(words, 11)
        right = x + 10 + wide < WIDE - 4
        d.text(x + 9 if right else x - 9, 49, words, 11, anchor="start" if right else "end")


def _off(i: Interval, sx: Scale) -> str:
    """The tolerance's edges that lie off the picture, in figures."""
    assert i.room is not None
    low, high = i.room
    if low is not None and high is not None and low < sx.low and high > sx.high:
        return f" ({short(low, i.digits)} to {short(high, i.digits)}, wider than the picture)"
    for value, beyond, word in ((low, sx.low, "from"), (high, sx.high, "up to")):
        if value is not None and (value < beyond if word == "from" else value > beyond):
            return f" ({word} {short(value, i.digits)}, off the picture)"
    return ""


def alternative(i: Interval) -> str:
    """The picture in words."""

    def say(value: float) -> str:
        return short(value, i.digits)

    text = f"Interval {say(i.low)} to {say(i.high)} {i.label} on an axis, middle {say(i.median)}"
    if i.bound is not None:
        text += f"; {i.bound_words}: {say(i.bound)}"
    if i.room:
        edges = [f"{w} {say(v)}" for w, v in zip(("from", "to"), i.room, strict=True) if v is not None]
        text += f"; shaded {i.room_words}, {' '.join(edges)}"
    if i.own:
        text += (
            f"; {len(i.own)} own runs between {say(min(r.low for r in i.own))} and {say(max(r.high for r in i.own))}"
        )
    return text
