"""A small pen for still pictures: SVG text out of lines, marks and words.

For pictures that stand by the dozen on a page, or in a letter: they come out the same on every machine, in
milliseconds, with their text as text, no ids to collide, and as well-formed XML, so that the same picture goes into a
page and into a PDF. (The chart library took 0.05 s and 21 kB for such a picture, against 4 kB here.) Charts of whole
tables are made with that library; the look is shared (style.py).
"""

from __future__ import annotations

import html
from collections.abc import Sequence
from dataclasses import dataclass, field

from rich.cells import get_character_cell_size, split_graphemes

from loadbook.core.figures import true_minus
from loadbook.render.tables import plain

from .style import CORNERS, FONT, GROUND, INK, SMALL_PX

_CELLS = {0: 0.0, 1: 0.58, 2: 1.1}  # marks over a letter, letters, wide scripts and emoji


def width_of(text: str, size: float) -> float:
    """About how wide a text is in the usual sans-serif letters [px]."""
    return size * sum(
        0.34 if c in "iljtfI.,:;'|!() " else 0.9 if c in "mwMW%@" else _CELLS[get_character_cell_size(c)] for c in text
    )


def clipped(text: str, size: float, width: float) -> str:
    """A text that fits a width, cut with an ellipsis between two characters as a reader counts them.

    >>> clipped("Welle 👩‍🔧👩‍🔧", 10, 60)
    'Welle 👩\u200d🔧…'
    """
    if width_of(text, size) <= width:
        return text
    left, end = width - width_of("…", size), 0
    for start, stop, _ in split_graphemes(text)[0]:
        left -= width_of(text[start:stop], size)
        if left < 0:
            break
        end = stop
    return text[:end].rstrip() + "…"


@dataclass
class Drawing:
    """A picture of a size in px that grows by what is drawn on it, last on top."""

    width: float
    height: float
    font: str = FONT
    parts: list[str] = field(default_factory=list)

    def line(self, x1: float, y1: float, x2: float, y2: float, stroke: str = INK, wide: float = 1.0,
             dash: Sequence[int] = ()) -> None:  # fmt: skip
        self._add("line", x1=x1, y1=y1, x2=x2, y2=y2, stroke=stroke, stroke_width=wide, stroke_dasharray=_dash(dash))

    def polyline(self, points: Sequence[tuple[float, float]], stroke: str = INK, wide: float = 1.0,
                 dash: Sequence[int] = ()) -> None:  # fmt: skip
        listed = " ".join(f"{_n(x)},{_n(y)}" for x, y in points)
        self._add(
            "polyline", points=listed, fill="none", stroke=stroke, stroke_width=wide, stroke_dasharray=_dash(dash)
        )

    def rect(self, x: float, y: float, width: float, height: float, fill: str = INK, stroke: str | None = None,
             hint: str | None = None) -> None:  # fmt: skip
        self._add("rect", hint, x=x, y=y, width=max(width, 0), height=max(height, 0), fill=fill, stroke=stroke)

    def mark(self, shape: str, x: float, y: float, size: float = 3.5, fill: str = INK, stroke: str | None = None,
             hint: str | None = None) -> None:  # fmt: skip
        """A mark of chartstyle.SHAPES around a point; hint is shown by a browser where the pointer rests on it."""
        wide = None if stroke is None else 1.3
        if shape == "circle":
            self._add("circle", hint, cx=x, cy=y, r=size, fill=fill, stroke=stroke, stroke_width=wide)
        else:
            corners = " ".join(f"{_n(x + a * size)},{_n(y + b * size)}" for a, b in CORNERS[shape])
            self._add("polygon", hint, points=corners, fill=fill, stroke=stroke, stroke_width=wide)

    def text(self, x: float, y: float, words: str, size: float = SMALL_PX, fill: str = INK, anchor: str = "start",
             weight: str | None = None, middle: bool = False) -> None:  # fmt: skip
        """Words at a point: y is their base line, or (middle) their middle."""
        self._add(
            "text", None, plain(words), x=x, y=y + (0.35 * size if middle else 0), font_size=size, fill=fill,
            text_anchor=None if anchor == "start" else anchor, font_weight=weight,
        )  # fmt: skip

    def svg(self, alt: str | None = None) -> str:
        """The whole picture; alt becomes its title, which makes it an image with a name."""
        size = f'viewBox="0 0 {_n(self.width)} {_n(self.height)}" width="{_n(self.width)}" height="{_n(self.height)}"'
        role = ' role="img"' if alt else ""
        title = f"<title>{_escaped(alt)}</title>" if alt else ""
        ground = f'<rect width="{_n(self.width)}" height="{_n(self.height)}" fill="{GROUND}"/>'
        return (
            f'<svg xmlns="http://www.w3.org/2000/svg" {size} font-family="{html.escape(self.font)}"{role}>'
            f"{title}{ground}{''.join(self.parts)}</svg>"
        )

    def _add(self, name: str, hint: str | None = None, words: str | None = None, **attributes: object) -> None:
        told = "".join(
            f' {key.replace("_", "-")}="{_n(v) if isinstance(v, (int, float)) else html.escape(str(v))}"'
            for key, v in attributes.items()
            if v is not None
        )
        inside = (f"<title>{_escaped(hint)}</title>" if hint else "") + (_escaped(words) if words else "")
        self.parts.append(f"<{name}{told}>{inside}</{name}>" if inside else f"<{name}{told}/>")


def _escaped(text: str) -> str:
    return html.escape(true_minus(plain(text)), quote=False)


def _n(value: float) -> str:
    """A coordinate to a tenth of a pixel, without a tail of zeros."""
    return f"{value:.1f}".removesuffix(".0")


def _dash(dash: Sequence[int]) -> str | None:
    return " ".join(str(d) for d in dash) or None
