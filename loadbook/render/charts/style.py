"""The look that every picture shares: colours, shapes, dashes, font, axes. Plain data for every renderer.

The eight colours keep 3 to 1 contrast against white, stand on a ladder of lightness (so that grey print keeps them
apart) and stay at least 20 units of CIE 1976 colour difference from one another for every common colour vision
(simulated after Machado, Oliveira and Fernandes, IEEE Trans. Vis. Comput. Graph. 15 (2009)); tests/test_chartstyle.py
computes this. Colour is never the only carrier: series n also has SHAPES[n], DASHES[n] and a label.
"""

from __future__ import annotations

from typing import Any

PALETTE = ("#5E5FFC", "#972E00", "#142244", "#D67D5B", "#5D6567", "#601899", "#AD6EB5", "#58211A")
# marks of series; none of them points anywhere, so that none is read as more or less (a triangle is a warning's)
SHAPES = ("circle", "square", "diamond", "cross", "hexagon", "bar", "post", "star")
# dash patterns in pixels: on, off, ...; () is a solid line
DASHES: tuple[tuple[int, ...], ...] = (
    (), (8, 3), (2, 2), (10, 3, 2, 3), (5, 2), (1, 3), (12, 4), (6, 2, 1, 2, 1, 2),
)  # fmt: skip
MOST_SERIES = len(PALETTE)
FURNACE, GUARD = PALETTE[2], PALETTE[4]  # control and over-temperature thermocouples
WORK = tuple(c for c in PALETTE if c not in (FURNACE, GUARD))
MOST_WORK = 8  # work thermocouples that are still told apart as lines

# half-sizes: (dx, dy) of a mark's corners, in units of its size
CORNERS: dict[str, tuple[tuple[float, float], ...]] = {
    "square": ((-0.85, -0.85), (0.85, -0.85), (0.85, 0.85), (-0.85, 0.85)),
    "diamond": ((0, -1.2), (1.2, 0), (0, 1.2), (-1.2, 0)),
    "cross": ((-0.35, -1.1), (0.35, -1.1), (0.35, -0.35), (1.1, -0.35), (1.1, 0.35), (0.35, 0.35), (0.35, 1.1),
             (-0.35, 1.1), (-0.35, 0.35), (-1.1, 0.35), (-1.1, -0.35), (-0.35, -0.35)),
    "hexagon": ((-1.1, 0), (-0.55, -0.95), (0.55, -0.95), (1.1, 0), (0.55, 0.95), (-0.55, 0.95)),
    "bar": ((-1.25, -0.5), (1.25, -0.5), (1.25, 0.5), (-1.25, 0.5)),
    "post": ((-0.5, -1.25), (0.5, -1.25), (0.5, 1.25), (-0.5, 1.25)),
    "star": ((0, -1.25), (0.35, -0.6), (1.1, -0.62), (0.7, 0), (1.1, 0.62), (0.35, 0.6), (0, 1.25), (-0.35, 0.6),
             (-1.1, 0.62), (-0.7, 0), (-1.1, -0.62), (-0.35, -0.6)),
    "triangle-up": ((0, -1.2), (1.15, 0.85), (-1.15, 0.85)),
}  # fmt: skip

# Liberation Sans comes inside vl-convert, so that a picture is drawn and measured in it on every machine, without any
# font installed; Arial, which a reader's browser has instead, has the same widths
FONT = "'Liberation Sans', Arial, Helvetica, sans-serif"
INK, MUTED, GRID, GROUND = "#1E2226", "#565C62", "#DDE0E3", "#FFFFFF"
WARN = "#972E00"  # warnings and what must not be read as a result; always with words beside it
SHADE = "#EEF0F2"  # the range of the evidence, a soak, a band
TEXT_PX, SMALL_PX, TITLE_PX = 12, 11, 14


def series_style(number: int) -> tuple[str, str, tuple[int, ...]]:
    """(colour, shape, dash) of series 0, 1, 2, ...; after eight the colours come round with the next shape."""
    return (
        PALETTE[number % MOST_SERIES],
        SHAPES[(number + number // MOST_SERIES) % len(SHAPES)],
        DASHES[(number + number // MOST_SERIES) % len(DASHES)],
    )


def channel_style(role: str, rank: int) -> tuple[str, tuple[int, ...], float]:
    """(colour, dash, width) of a trace's channel: of its role and its rank among the channels of that role, so that a
    thermocouple looks the same in every run of a furnace, in whichever picture it stands.

    >>> channel_style("work", 0)[0] == channel_style("work", 6)[0]
    True
    """
    if role == "setpoint":
        return MUTED, (1, 3), 1.6
    if role == "control":
        return FURNACE, DASHES[rank % len(DASHES)], 2.4
    if role == "over-temperature":
        return GUARD, DASHES[rank % len(DASHES)], 2.0
    colours = WORK if role == "work" else PALETTE
    return colours[rank % len(colours)], DASHES[(rank + rank // len(colours)) % len(DASHES)], 1.6


def shape_path(shape: str) -> str:
    """A mark as a path inside a square from -1 to 1, for the drawing library.

    >>> shape_path("square")
    'M-0.66 -0.66L0.66 -0.66L0.66 0.66L-0.66 0.66Z'
    """
    if shape == "circle":
        return "circle"
    return "M" + "L".join(f"{x / 1.28:.2f} {y / 1.28:.2f}" for x, y in CORNERS[shape]) + "Z"


def vega_config(larger: int = 0) -> dict[str, Any]:
    """The same look as a Vega-Lite `config` object, its letters so many pixels larger. No limit on any text: the engine
    would cut inside a character."""
    text = {"labelFont": FONT, "titleFont": FONT, "labelColor": INK, "titleColor": INK}
    sizes = {"labelFontSize": SMALL_PX + larger, "titleFontSize": TEXT_PX + larger, "titleFontWeight": "normal",
             "labelLimit": 0, "titleLimit": 0}  # fmt: skip
    return {
        "font": FONT,
        "background": GROUND,
        "view": {"stroke": None},
        "axis": {**text, **sizes, "gridColor": GRID, "domainColor": MUTED, "tickColor": MUTED, "titlePadding": 8},
        "axisX": {"labelFlush": False, "labelOverlap": "greedy", "labelSeparation": 4},
        "legend": {**text, **sizes, "symbolSize": 90},
        "title": {
            "font": FONT, "subtitleFont": FONT, "color": INK, "subtitleColor": MUTED, "anchor": "start",
            "fontSize": TITLE_PX, "subtitleFontSize": SMALL_PX, "fontWeight": "bold", "subtitlePadding": 6,
        },
        "range": {"category": list(PALETTE), "symbol": [shape_path(s) for s in SHAPES]},
        "text": {"font": FONT, "fontSize": SMALL_PX + larger, "color": INK},
    }  # fmt: skip
