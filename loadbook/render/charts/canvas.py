"""Letters on a grid: what every chart in the terminal is drawn on.

Our own, because the plotting libraries for terminals tell series apart by colour or dots; here a letter names its
series, and the few signs beyond ASCII are those that every console font has had since code page 437.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from .scale import round_step, ticks

BEYOND_ASCII = "─│└┬┼·░═"
_ASCII = {ord(a): b for a, b in zip(BEYOND_ASCII, "-|+++.:=", strict=True)} | {ord("°"): "", ord("µ"): "u"}
SEVERAL = "*"  # marks of different series on one place
LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789"


def letter(number: int) -> str:
    """The letter of series 0, 1, 2, ...; '?' beyond what can be told apart."""
    return LETTERS[number] if number < len(LETTERS) else "?"


def ascii_only(line: str) -> str:
    """The same line for a terminal that writes ASCII alone."""
    return line.translate(_ASCII).encode("ascii", "replace").decode("ascii")


@dataclass
class Canvas:
    """A grid of characters over a range of x and y.

    width, height  characters of the field, without its axes
    """

    width: int
    height: int
    x: tuple[float, float]
    y: tuple[float, float]
    cells: list[list[str]] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.cells = [[" "] * self.width for _ in range(self.height)]

    def column(self, x: float) -> int:
        """The column of an x."""
        low, high = self.x
        return round((x - low) / ((high - low) or 1.0) * (self.width - 1))

    def row(self, y: float) -> int:
        """The row of a y, 0 at the top."""
        low, high = self.y
        return self.height - 1 - round((y - low) / ((high - low) or 1.0) * (self.height - 1))

    def put(self, x: float, y: float, mark: str, over: str | None = None) -> None:
        """A mark at a point. over  the marks it may cover; None = all. What lies outside is left out."""
        if math.isfinite(x) and math.isfinite(y):
            self.set(self.row(y), self.column(x), mark, over)

    def set(self, row: int, column: int, mark: str, over: str | None = None) -> None:
        """A mark on a cell of the grid."""
        if 0 <= row < self.height and 0 <= column < self.width:
            here = self.cells[row][column]
            if over is None or here in over:
                self.cells[row][column] = mark

    def point(self, x: float, y: float, mark: str) -> None:
        """A point of a series; where another series has one already, SEVERAL."""
        if math.isfinite(x) and math.isfinite(y):
            row, column = self.row(y), self.column(x)
            if 0 <= row < self.height and 0 <= column < self.width:
                here = self.cells[row][column]
                taken = here in LETTERS or here == SEVERAL
                self.cells[row][column] = mark if not taken or here == mark else SEVERAL

    def line(self, ends: list[tuple[float, float]], mark: str, over: str, every: int = 1) -> None:
        """A line between two points, on every n-th column."""
        (x0, y0), (x1, y1) = ends[0], ends[-1]
        first, last = sorted((self.column(x0), self.column(x1)))
        for column in range(first, last + 1, every):
            share = (
                0.0
                if self.column(x1) == self.column(x0)
                else (column - self.column(x0)) / (self.column(x1) - self.column(x0))
            )
            self.set(self.row(y0 + share * (y1 - y0)), column, mark, over)

    def lines(self, ticks: list[float], digits: int) -> list[str]:
        """The rows with their y axis: labels where a tick falls."""
        told = {self.row(t): f"{t:.{digits}f}" for t in ticks}
        wide = max((len(t) for t in told.values()), default=0)
        out = []
        for number, cells in enumerate(self.cells):
            mark = "┼" if number in told else "│"
            out.append(f"{told.get(number, ''):>{wide}} {mark}{''.join(cells)}".rstrip())
        return out


def ticks_of(low: float, high: float, most: int) -> tuple[list[float], int]:
    """Round values inside a range, no more than `most`, and how many digits they need.

    >>> ticks_of(0.0, 100.0, 6)
    ([0.0, 20.0, 40.0, 60.0, 80.0, 100.0], 0)
    """
    found = ticks(low, high, most)
    return found, max(0, -math.floor(math.log10(round_step(low, high, most)) + 1e-9)) if low < high < math.inf else 1


def x_axis(
    canvas: Canvas, left: int, ticks: list[float], labels: list[str], heavy: tuple[float, float] | None = None
) -> list[str]:
    """The axis below a field: a rule with its ticks, and their labels; heavy marks a range on it."""
    rule = ["─"] * canvas.width
    if heavy is not None:
        first, last = sorted((canvas.column(heavy[0]), canvas.column(heavy[1])))
        for column in range(max(first, 0), min(last, canvas.width - 1) + 1):
            rule[column] = "═"
    text = [" "] * (canvas.width + left + 1)
    for value, label in zip(ticks, labels, strict=True):
        column = canvas.column(value)
        if not 0 <= column < canvas.width:
            continue
        start = max(min(column + left + 1 - len(label) // 2, canvas.width + left + 1 - len(label)), 0)
        if all(c == " " for c in text[max(start - 1, 0) : start + len(label) + 1]):
            rule[column] = "┬"
            text[start : start + len(label)] = label
    return [" " * left + "└" + "".join(rule), "".join(text).rstrip()]
