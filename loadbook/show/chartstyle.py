"""The look that every picture shares: fonts, inks, eight colours with a dash and a shape each, axes.

Nothing is told by colour alone: a series takes the colour, the dash and the shape of its place, so that a grey
print, or an eye that sees no red, still tells them apart. Contrast against white is at least 3 to 1 for marks and
7 to 1 for text.
"""

from __future__ import annotations

from typing import Any

FONT = "system-ui, 'DejaVu Sans', 'Liberation Sans', Arial, sans-serif"
TEXT_PX = 12
SMALL_PX = 11

INK = "#1b1f24"  # text, points
SOFT = "#4d555e"  # secondary text, ticks
LINE = "#8b939c"  # axis lines
GRID = "#e3e6ea"
SHADE = "#eceff3"  # a band behind the data
ALARM = "#a3220e"  # what breaks a limit; always with a shape or a word
PAPER = "#ffffff"

PALETTE = ("#1f4e79", "#c8571b", "#2f7d4f", "#8a3b6e", "#9a7400", "#21808f", "#5b3f8c", "#6b6b6b")
DASHES: tuple[tuple[int, ...], ...] = (
    (), (6, 3), (2, 2), (8, 3, 2, 3), (1, 3), (12, 4), (5, 2, 1, 2, 1, 2), (3, 5)
)  # fmt: skip
SHAPES = ("circle", "square", "triangle-up", "diamond", "cross", "triangle-down", "triangle-right", "triangle-left")


def series(number: int) -> tuple[str, tuple[int, ...], str]:
    """Colour, dash and shape of the series at a place (from 0); a ninth takes the first's colour and the next shape."""
    turn, place = divmod(number, len(PALETTE))
    return PALETTE[place], DASHES[(place + turn) % len(DASHES)], SHAPES[(place + 3 * turn) % len(SHAPES)]


def config() -> dict[str, Any]:
    """The same look as a Vega-Lite configuration."""
    axis = {
        "labelFont": FONT, "titleFont": FONT, "labelFontSize": SMALL_PX, "titleFontSize": TEXT_PX,
        "titleFontWeight": "normal", "labelColor": SOFT, "titleColor": INK, "domainColor": LINE, "tickColor": LINE,
        "gridColor": GRID, "labelOverlap": True,
    }  # fmt: skip
    return {
        "background": PAPER,
        "font": FONT,
        "view": {"stroke": None},
        "axis": axis,
        "legend": {"labelFont": FONT, "titleFont": FONT, "labelFontSize": SMALL_PX, "titleFontSize": TEXT_PX,
                   "labelColor": INK, "titleColor": INK, "titleFontWeight": "normal", "labelLimit": 320},
        "title": {"font": FONT, "fontSize": 14, "fontWeight": "bold", "color": INK, "anchor": "start",
                  "subtitleFont": FONT, "subtitleFontSize": TEXT_PX, "subtitleColor": SOFT},
        "header": {"labelFont": FONT, "titleFont": FONT, "labelColor": INK, "titleColor": SOFT},
        "range": {"category": list(PALETTE), "symbol": list(SHAPES)},
        "point": {"size": 36, "filled": True, "color": INK},
        "line": {"strokeWidth": 1.6},
        "rule": {"color": LINE},
    }  # fmt: skip
