"""A run in the terminal: the load as a shaded band between its coldest and hottest thermocouple, spread below."""

from __future__ import annotations

import itertools
import textwrap
import warnings
from typing import TYPE_CHECKING

import numpy as np

from loadbook.core import units
from loadbook.render.tables import plain

from .canvas import SEVERAL, Canvas, ascii_only, letter, ticks_of, x_axis

if TYPE_CHECKING:
    from loadbook.analysis.trace.model import Floats
    from loadbook.queries.charts.run import RunChart

LOAD, CONTROL, ASKED, LIMIT = "░", "─", "·", "═"
SPREAD_ROWS = 4


def draw_run(
    found: RunChart, system: str, width: int = 80, height: int = 24, more_than_ascii: bool = True
) -> list[str]:
    """The lines of a run's chart: temperatures with what was asked, then the spread with its limit where it binds.

    Of the work thermocouples the hottest and the coldest stand as letters wherever they lie on different rows; with
    channels asked for by name, each of them is a letter all along. A channel keeps its letter in all charts of a run.
    """
    head = textwrap.wrap(plain(f"{found.run}, began {found.began}. {found.headline}"), width)
    spread = next((s for name, s in found.picture.apart if name == "spread"), None) if not found.picked else None
    below = SPREAD_ROWS + 2 if spread is not None else 0
    field = max(height - len(head) - below - 6, 8)
    hours = found.t_s / 3600.0
    ends = (0.0, float(hours[-1]) or 1.0)
    shown = _shown(found.values, "c", system)
    low, high = float(np.nanmin(shown)), float(np.nanmax(shown))
    asked = [
        [(t / 3600.0, units.show(c, "c", system)[0]) for t, c in line.points if t / 3600.0 <= ends[1] * 1.001]
        for line in found.picture.asked
    ]
    high = max([high, *(c for line in asked for _, c in line)])
    y_ticks, digits = ticks_of(low, high, max(field // 2, 3))
    left = max(5, *(len(f"{t:.{digits}f}") for t in y_ticks)) + 1
    canvas = Canvas(width - left - 2, field, ends, (low, high))
    for line in asked:
        for a, b in itertools.pairwise(line):
            canvas.line([a, b], ASKED, " ")
    column = np.minimum((hours / ends[1] * (canvas.width - 1)).round().astype(int), canvas.width - 1)
    used = _picked(found, canvas, shown, column) if found.picked else _band(found, canvas, shown, column)
    unit = units.show(0.0, "c", system)[1]
    ticks, x_digits = ticks_of(*ends, max(canvas.width // 9, 3))
    labels = [f"{t:.{x_digits}f} h" for t in ticks]
    pad = " " * left
    out = [
        *head,
        f"temperature, {unit}",
        *_wide(canvas.lines(y_ticks, digits), left),
        *x_axis(canvas, left, ticks, labels),
    ]
    if spread is not None:
        out += _spread(found, spread, column, canvas.width, left, system, ends)
    key = [f"{letter(found.numbers[i])} {plain(found.names[i])}" for i in sorted(used)]
    if not found.picked:
        key += [f"{LOAD} load, coldest to hottest"] * bool(found.rows("work"))
        key += [f"{CONTROL} control"] * bool(found.rows("control"))
    else:
        key += [f"{SEVERAL} several"] * (len(used) > 1)
    key += [f"{ASKED} asked"] * bool(asked)
    out += [
        pad + line.replace("\0", " ")
        for line in textwrap.wrap("   ".join(k.replace(" ", "\0") for k in key), width - left)
    ]
    return out if more_than_ascii else [ascii_only(line) for line in out]


def _shown(values: Floats, unit: str, system: str) -> Floats:
    zero, one = units.show(0.0, unit, system)[0], units.show(1.0, unit, system)[0]
    return np.asarray(values * (one - zero) + zero, dtype=np.float64)


def _wide(lines: list[str], left: int) -> list[str]:
    """Rows with their axis at a column: labels may be narrower than the panel below needs."""
    out = []
    for line in lines:
        at = next(i for i, c in enumerate(line) if c in "│┼")
        out.append(" " * (left - at) + line)
    return out


def _per_column(values: Floats, column: np.ndarray, width: int) -> tuple[Floats, Floats]:
    """Lowest and highest of each column, NaN where it has none: extremes are kept."""
    low, high = np.full(width, np.inf), np.full(width, -np.inf)
    known = np.isfinite(values)
    np.minimum.at(low, column[known], values[known])
    np.maximum.at(high, column[known], values[known])
    return np.where(np.isfinite(low), low, np.nan), np.where(np.isfinite(high), high, np.nan)


def _known(values: Floats) -> list[int]:
    """The columns that have a value."""
    return [int(i) for i in np.flatnonzero(np.isfinite(values))]


def _picked(found: RunChart, canvas: Canvas, shown: Floats, column: np.ndarray) -> set[int]:
    """Each channel as its letter, at the mean of each column."""
    for i, mark in enumerate(letter(n) for n in found.numbers):
        known = np.isfinite(shown[i])
        count = np.bincount(column[known], minlength=canvas.width)
        total = np.bincount(column[known], weights=shown[i][known], minlength=canvas.width)
        for at in np.flatnonzero(count).tolist():
            here = canvas.row(total[at] / count[at])
            canvas.set(here, at, mark, f" {ASKED}{mark}")
            if canvas.cells[here][at] != mark:
                canvas.set(here, at, SEVERAL)
    return set(range(len(found.names)))


def _band(found: RunChart, canvas: Canvas, shown: Floats, column: np.ndarray) -> set[int]:
    """The load as a band with its extremes by letter, the control TCs' median as a line; the letters used."""
    used: set[int] = set()
    control, work = found.rows("control"), found.rows("work")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # a column without a valid sample
        if control:
            low, high = _per_column(np.nanmedian(shown[control], axis=0), column, canvas.width)
            for at in _known(low):
                for row in range(canvas.row(high[at]), canvas.row(low[at]) + 1):
                    canvas.set(row, at, CONTROL, " " + ASKED)
        middle = np.full((len(found.names), canvas.width), np.nan)
        for at in range(canvas.width):
            here = column == at
            if here.any():
                middle[:, at] = np.nanmean(shown[:, here], axis=1)
    for at in range(canvas.width):
        some = [i for i in work if np.isfinite(middle[i, at])]
        if not some:
            continue
        hot, cold = max(some, key=lambda i: middle[i, at]), min(some, key=lambda i: middle[i, at])
        top, bottom = canvas.row(middle[hot, at]), canvas.row(middle[cold, at])
        for row in range(top, bottom + 1):
            canvas.set(row, at, LOAD)
        if bottom > top:
            canvas.set(top, at, letter(found.numbers[hot]))
            canvas.set(bottom, at, letter(found.numbers[cold]))
            used |= {hot, cold}
    return used


def _spread(
    found: RunChart, spread: Floats, column: np.ndarray, width: int, left: int, system: str, ends: tuple[float, float]
) -> list[str]:
    """Hottest minus coldest work thermocouple as columns, with its limit where that binds."""
    shown = _shown(spread, "c_diff", system)
    limits = [x for x in found.picture.limits if x.of == "spread"]
    values = [units.show(x.value, "c_diff", system)[0] for x in limits]
    top = max([float(np.nanmax(shown)), *values]) or 1.0
    canvas = Canvas(width, SPREAD_ROWS, ends, (0.0, top))
    _, high = _per_column(shown, column, width)
    for at in _known(high):
        for row in range(canvas.row(high[at]), SPREAD_ROWS):
            canvas.set(row, at, LOAD)
    for limit, value in zip(limits, values, strict=True):
        for start, end in limit.spans:
            for at in range(canvas.column(start / 3600.0), canvas.column(end / 3600.0) + 1):
                canvas.set(canvas.row(value), at, LIMIT, " ")
    unit = units.show(0.0, "c_diff", system)[1]
    told = f"{LIMIT} its limit" if limits else "no limit"
    worst = float(np.nanmax(shown))
    lines = _wide(canvas.lines([0.0, top], 0), left)
    return [f"spread of the load, {unit}: at most {worst:.1f}   {told}", *lines]
