"""A picture in the terminal: the rows of `queries.charts` as letters on a grid, legible without colour in 80 by 24."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from rich.cells import set_cell_size

from loadbook.analysis.effects.words import figure
from loadbook.queries.charts.frame import (
    ALONE,
    EDGE,
    LIMIT,
    MIDDLE,
    NOMINAL,
    NOT_OFFERED,
    OFFERED,
    PIECE,
    POOLED,
    RUN,
    WITHIN,
    Panel,
    Picture,
)
from loadbook.render.tables import cells_of, plain

from .canvas import SEVERAL, Canvas, ascii_only, letter, ticks_of, x_axis

if TYPE_CHECKING:
    import pandas as pd

PIECE_MARK, POOLED_MARK, ALONE_MARK, ZERO_MARK = "·", "~", "o", "─"


def draw(picture: Picture, width: int = 80, height: int = 24, more_than_ascii: bool = True) -> list[str]:
    """The lines of a picture; each panel fits width by height, with its title, axis and key."""
    letters = {name: letter(i) for i, name in enumerate(picture.series)}
    out: list[str] = []
    for panel in picture.panels:
        if out:
            out.append("")
        out += _PANELS[panel.shape](picture, panel, letters, width, height)
    lines = [plain(line) for line in out]
    return lines if more_than_ascii else [ascii_only(line) for line in lines]


def _head(panel: Panel, width: int, most: int) -> list[str]:
    """Title, counts and the first words of the verdict; the rest stands in the command itself."""
    lines = [plain(f"{panel.title}: {panel.said[0]}" if panel.said else panel.title)]
    for sentence in panel.said[1:2]:  # signs of the drawn picture are none of the letters'
        lines += textwrap.wrap(plain(sentence), width)
    lines = [part for line in lines for part in (textwrap.wrap(line, width) or [""])]
    if len(lines) > most:
        lines = [*lines[: most - 1], textwrap.shorten(" ".join(lines[most - 1 :]), width, placeholder=" ...")]
    return lines


def _key(panel: Panel, letters: dict[str, str], more: list[str], width: int) -> list[str]:
    words = [f"{letters[name]} {plain(name)}" for name in panel.series] + more
    return textwrap.wrap("   ".join(w.replace(" ", "\0") for w in words), width)


def _spaced(lines: list[str]) -> list[str]:
    return [line.replace("\0", " ") for line in lines]


def _against(picture: Picture, panel: Panel, letters: dict[str, str], width: int, height: int) -> list[str]:
    rows = picture.rows[picture.rows["panel"] == panel.number]
    x, y = rows["x"].dropna(), rows["y"].dropna()
    wide = 0.04 * float(x.max() - x.min()) or 1.0
    head = _head(panel, width, 4)
    more = [f"{PIECE_MARK} pieces", "small letters: line inside a part number"]
    if len(picture.of(panel, POOLED)):
        more.append(f"{POOLED_MARK} all thrown together: a warning")
    if len(picture.of(panel, ALONE)):
        more.append(f"{ALONE_MARK} not compared")
    more.append(f"{SEVERAL} several")
    key = _spaced(_key(panel, letters, more, width))
    said = plain(panel.x)
    if panel.low is not None and panel.high is not None:
        said += f"; double rule: the range of the evidence, {figure(panel.low)} to {figure(panel.high)}"
    below = textwrap.wrap(said, width - 8)
    field = max(height - len(head) - len(key) - len(below) - 3, 8)
    low, high = float(y.min()), float(y.max())
    y_ticks, y_digits = ticks_of(low, high, max(field // 2, 3))
    left = max(len(f"{t:.{y_digits}f}") for t in y_ticks) + 1
    canvas = Canvas(width - left - 2, field, (float(x.min()) - wide, float(x.max()) + wide), (low, high))
    if low <= 0.0 <= high:
        for column in range(canvas.width):
            canvas.set(canvas.row(0.0), column, ZERO_MARK)
    free = " " + ZERO_MARK
    for r in _rows(picture.of(panel, PIECE)):
        canvas.put(r.x, r.y, PIECE_MARK, free)
    pooled = picture.of(panel, POOLED)
    if len(pooled):
        ends = list(zip(pooled["x"], pooled["y"], strict=True))
        canvas.line(ends, POOLED_MARK, free + PIECE_MARK, every=2)
    for _, some in picture.of(panel, WITHIN).groupby("label", sort=False):
        mark = letters[str(some["series"].iloc[0])].lower()
        canvas.line(list(zip(some["x"], some["y"], strict=True)), mark, free + PIECE_MARK + POOLED_MARK)
    for r in _rows(picture.of(panel, ALONE)):
        canvas.put(r.x, r.y, ALONE_MARK)
    for r in _rows(picture.of(panel, RUN)):
        canvas.point(r.x, r.y, letters[str(r.series)])
    if panel.levels:
        ticks, labels, heavy = [0.0, 1.0], [plain(v) for v in panel.levels], None
    else:
        ticks, digits = ticks_of(*canvas.x, max(canvas.width // 12, 3))
        labels = [f"{t:.{digits}f}" for t in ticks]
        heavy = None if panel.low is None or panel.high is None else (panel.low, panel.high)
    out = [*head, plain(panel.y), *canvas.lines(y_ticks, y_digits)]
    out += x_axis(canvas, left, ticks, labels, heavy)
    return [*out, *(" " * left + line for line in below), *key]


def _between(picture: Picture, panel: Panel, letters: dict[str, str], width: int, height: int) -> list[str]:
    rows = picture.rows[picture.rows["panel"] == panel.number]
    values = rows["y"].dropna()
    names = [plain(v) for v in panel.levels]
    left = min(max((cells_of(n) for n in names), default=0), width // 3) + 1
    low, high = float(values.min()), float(values.max())
    wide = 0.02 * (high - low) or 1.0
    out = _head(panel, width, 2)
    canvas = Canvas(width - left - 2, 2, (low - wide, high + wide), (0.0, 1.0))
    ticks, digits = ticks_of(*canvas.x, max(canvas.width // 10, 3))
    for level, name in zip(panel.levels, names, strict=True):
        canvas = Canvas(width - left - 2, 2, (low - wide, high + wide), (0.0, 1.0))
        if low <= 0.0 <= high:
            for row in (0, 1):
                canvas.set(row, canvas.column(0.0), "│")
        middle = picture.of(panel, MIDDLE)
        middle = middle[middle["level"] == level]
        for r in _rows(middle):
            for column in range(canvas.column(r.low), canvas.column(r.high) + 1):
                canvas.set(1, column, "░", " │")
        for r in _rows(_of_level(picture, panel, PIECE, level)):
            column = canvas.column(r.y)
            here = canvas.cells[1][column]
            canvas.set(1, column, str(min(int(here) + 1, 9)) if here.isdigit() else "1")
        for r in _rows(middle):
            canvas.set(1, canvas.column(r.y), "M")
        for r in _rows(_of_level(picture, panel, RUN, level)):
            canvas.point(r.y, 1.0, letters[str(r.series)])
        runs, pieces = ("".join(cells).rstrip() for cells in canvas.cells)
        told = "; ".join(str(v) for v in middle["label"])
        out.append(f"{set_cell_size(name, left - 1)} │{runs}")
        out.append(f"{'':<{left}}│{pieces}")
        out.append(f"{'':<{left}}│{plain(told)}")
    out += x_axis(canvas, left, ticks, [f"{t:.{digits}f}" for t in ticks])
    out.append(" " * left + plain(panel.y))
    more = ["1-9 pieces there", "M median of pieces", "░ 5 to 95 %", f"{SEVERAL} several"]
    return [*out, *_spaced(_key(panel, letters, more, width))]


def _rows(frame: pd.DataFrame) -> Iterator[Any]:
    """The rows, with the columns as attributes."""
    yield from frame.itertuples()


def _of_level(picture: Picture, panel: Panel, what: str, level: str) -> pd.DataFrame:
    some = picture.of(panel, what)
    return some[some["level"] == level]


def _coverage(picture: Picture, panel: Panel, letters: dict[str, str], width: int, height: int) -> list[str]:
    rows = picture.rows[picture.rows["panel"] == panel.number]
    left = min(max(cells_of(plain(v)) for v in panel.levels), width // 2) + 1
    low, high = float(rows[["y", "low"]].min().min()), 100.0
    canvas = Canvas(width - left - 2, 1, (low, high), (0.0, 1.0))
    ticks, digits = ticks_of(low, high, 7)
    out = _head(panel, width, 2)
    for level in panel.levels:
        name = plain(level)
        for series in panel.series:
            canvas = Canvas(width - left - 2, 1, (low, high), (0.0, 1.0))
            some = _of_level(picture, panel, MIDDLE, level)
            some = some[some["series"] == series]
            if not len(some):
                continue
            goal = _of_level(picture, panel, NOMINAL, level)
            for r in _rows(some):
                for column in range(canvas.column(r.low), canvas.column(r.high) + 1):
                    canvas.set(0, column, "─")
                for g in _rows(goal[goal["series"] == series]):
                    canvas.set(0, canvas.column(g.y), "│")
                canvas.set(0, canvas.column(r.y), letters[series])
            out.append(f"{set_cell_size(name, left - 1)} │{''.join(canvas.cells[0]).rstrip()}")
            name = ""
    out += x_axis(canvas, left, ticks, [f"{t:.{digits}f}" for t in ticks])
    out.append(" " * left + plain(panel.x))
    return [*out, *_spaced(_key(panel, letters, ["─ 95 % interval", "│ nominal"], width))]


WAY_MARKS = {"chosen": "C", "present": "P", "efficient edge": "e", "not offered": "o"}


def _ways(picture: Picture, panel: Panel, letters: dict[str, str], width: int, height: int) -> list[str]:
    rows = picture.rows[picture.rows["panel"] == panel.number]
    x, y = rows["x"].dropna(), rows[["y", "low", "high"]].to_numpy(dtype=float)
    y = y[y == y]
    wide = 0.06 * float(x.max() - x.min()) or 1.0
    head = _head(panel, width, 4)
    more = [f"{WAY_MARKS[name]} {name}" for name in panel.series]
    more += ["│ interval of pieces", "═ tolerance", f"{SEVERAL} several"]
    key = _spaced(textwrap.wrap("   ".join(w.replace(" ", "\0") for w in more), width))
    field = max(height - len(head) - len(key) - 4, 8)
    low, high = float(y.min()), float(y.max())
    y_ticks, y_digits = ticks_of(low, high, max(field // 2, 3))
    left = max(len(f"{t:.{y_digits}f}") for t in y_ticks) + 1
    canvas = Canvas(width - left - 2, field, (float(x.min()) - wide, float(x.max()) + wide), (low, high))
    for r in _rows(picture.of(panel, LIMIT)):
        for column in range(canvas.width):
            canvas.set(canvas.row(r.y), column, "═")
    edge = picture.of(panel, EDGE)
    canvas.line(list(zip(edge["x"], edge["y"], strict=True)), "·", " ", every=2)
    for what in (NOT_OFFERED, OFFERED):
        for r in _rows(picture.of(panel, what)):
            top, bottom = sorted((canvas.row(r.low), canvas.row(r.high)))
            for row in range(top, bottom + 1):
                canvas.set(row, canvas.column(r.x), "│" if what == OFFERED else ":", " ·═")
    for what in (NOT_OFFERED, OFFERED):
        for r in _rows(picture.of(panel, what)):
            canvas.set(canvas.row(r.y), canvas.column(r.x), WAY_MARKS[str(r.series)])
    ticks, digits = ticks_of(*canvas.x, max(canvas.width // 12, 3))
    out = [*head, plain(panel.y), *canvas.lines(y_ticks, y_digits)]
    out += x_axis(canvas, left, ticks, [f"{t:.{digits}f}" for t in ticks])
    return [*out, " " * left + plain(panel.x), *key]


_PANELS = {"against": _against, "between": _between, "coverage": _coverage, "ways": _ways}
