"""What clauses look at: one value per sample, which channel it belongs to, and how uncertain it is.

A series is NaN where it cannot be known. Everything here works on a View: a prepared trace, cut where judging ends,
with the rows of each role picked out.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np
import numpy.typing as npt

from loadbook.analysis.trace.model import NOT_SAMPLED, Channel, Fault, Floats, Trace
from loadbook.analysis.trace.rates import gap_s, line, rates_of
from loadbook.analysis.trace.repair import repaired
from loadbook.analysis.trace.soak import came_in
from loadbook.analysis.trace.validity import hottest_coldest, interval_s, picked

Mask = npt.NDArray[np.bool_]
Who = Callable[[int], str]
Uncertainty = Callable[[int], float | None]


@dataclass(frozen=True)
class Series:
    """value (n,); who names the channel(s) behind sample i; uncertainty is expanded (k = 2), None if not recorded.

    thin  does the value at sample i rest on fewer readings than its definition asks?
    """

    value: Floats
    who: Who
    uncertainty: Uncertainty = lambda i: None
    thin: Callable[[int], bool] = lambda i: False


SLOWING = 0.75  # a furnace whose second half of a short stretch is slower than this share of the first slows down


@dataclass(frozen=True)
class Settling:
    """How a furnace may come to its pace at the start of a segment: what is beyond the limit [°C/h] in the first window
    of a TC's stretch does not count, if the TC is within it by that window's end and was never faster than `pace`.

    follows  the stretch may begin within the samples looked at (where another program went before), not only with them
    half_c   half the way from the target before to this one: a large furnace may take two windows, if it is within the
             limit by there (later on it slows down for its target, however fast it came)
    """

    limit: float
    relation: str
    pace: float = math.inf
    follows: bool = False
    half_c: float | None = None


@dataclass
class View:
    """A prepared trace as the clauses see it; fewest_work is the least number of valid work TCs a figure needs."""

    trace: Trace
    until_s: float
    fewest_work: int = 1
    memo: dict[Any, Any] = field(default_factory=dict, repr=False)

    @property
    def t_s(self) -> Floats:
        return self.trace.t_s

    def rows(self, role: str) -> list[int]:
        """Rows of temperature channels with a role."""
        return [i for i in self.trace.rows(role) if self.trace.channels[i].quantity == "temperature"]

    @cached_property
    def work(self) -> list[int]:
        return self.rows("work")

    @cached_property
    def control(self) -> list[int]:
        return self.rows("control")

    @cached_property
    def judged(self) -> Mask:
        """Samples at or before the moment at which judging ends."""
        return np.asarray(self.t_s <= self.until_s)

    @cached_property
    def count(self) -> npt.NDArray[np.int64]:
        """Number of valid work TCs at each sample."""
        valid = np.isfinite(picked(self.trace.values, self.work))
        return np.full(self.t_s.size, len(self.work)) if valid.all() else np.asarray(valid.sum(axis=0), dtype=np.int64)

    @cached_property
    def step_s(self) -> float:
        """The usual time between two samples."""
        return interval_s(self.t_s) if self.t_s.size > 1 else 0.0

    @cached_property
    def resolution_c(self) -> float:
        """The step in which the recorder writes temperatures [°C]: the least that more than a few changes have."""
        changes = np.abs(np.diff(picked(self.trace.values, self.control or self.work), axis=1)).ravel()
        changes = changes[changes > 1e-6]
        return float(np.quantile(changes, 0.01)) if changes.size else 0.0

    @cached_property
    def noise_c(self) -> float:
        """Standard deviation of one sample about the line between its neighbours [°C]: the middle channel's."""
        y = picked(self.trace.values, self.control or self.work)
        off = np.abs(y[:, 1:-1] - 0.5 * (y[:, :-2] + y[:, 2:]))
        off = off[np.isfinite(off)]
        return 1.4826 * float(np.median(off)) / math.sqrt(1.5) if off.size else 0.0

    @cached_property
    def longest_step_s(self) -> float:
        """The longest time between two samples."""
        return float(np.diff(self.t_s).max()) if self.t_s.size > 1 else 0.0

    @cached_property
    def cell_s(self) -> Floats:
        """Time that each sample stands for: half the way to its neighbours, never more than 1.5 usual steps a side."""
        half = np.minimum(np.diff(self.t_s), 1.5 * self.step_s) / 2.0
        cell = np.zeros(self.t_s.size)
        cell[:-1] += half
        cell[1:] += half
        return cell

    def repaired(self, faults: Sequence[Fault]) -> View:
        """The same trace with these faults put right or, where that cannot be, left out (trace.repair)."""
        return View(repaired(self.trace, faults)[0], self.until_s, self.fewest_work)


def _u(channel: Channel) -> float | None:
    return channel.expanded_uncertainty_c if channel.quantity == "temperature" else None


def _rss(*parts: float | None) -> float | None:
    """Root sum of squares; what is not recorded is left out, None where nothing is recorded."""
    known = [p for p in parts if p is not None]
    return math.hypot(*known) if known else None


def _pick(view: View, rows: Sequence[int], hottest: bool) -> tuple[Floats, Callable[[int], int]]:
    """Hottest or coldest valid value among rows at each sample, and the row it came from."""
    index = list(rows)

    def row(i: int) -> int:
        column = view.trace.values[:, i].tolist()
        known = [r for r in index if column[r] == column[r]] or index[:1]
        return (max if hottest else min)(known, key=column.__getitem__)

    return hottest_coldest(view.trace, rows)[0 if hottest else 1], row


def extreme(view: View, rows: Sequence[int], hottest: bool = True) -> Series | None:
    """The hottest (or coldest) valid value among rows; None without rows."""
    if not rows:
        return None
    value, row = _pick(view, rows, hottest)
    channels = view.trace.channels
    return Series(value, lambda i: channels[row(i)].name, lambda i: _u(channels[row(i)]))


def difference(view: View, hot: Sequence[int], cold: Sequence[int], *, of_work: bool = True) -> Series | None:
    """Hottest of some rows minus coldest of others; unknown where fewer work TCs are valid than the cycle asks.

    of_work  True where the work TCs stand on either side
    """
    if not hot or not cold:
        return None
    high, high_row = _pick(view, hot, True)
    low, low_row = _pick(view, cold, False)
    value = high - low
    if of_work and view.fewest_work > 1:
        value = np.where(view.count >= view.fewest_work, value, np.nan)
    channels = view.trace.channels

    def who(i: int) -> str:
        return f"{channels[high_row(i)].name} over {channels[low_row(i)].name}"

    return Series(value, who, lambda i: _rss(_u(channels[high_row(i)]), _u(channels[low_row(i)])))


def spread(view: View) -> Series | None:
    """Hottest minus coldest valid work TC of the load; needs two valid ones at the same moment."""
    found = difference(view, view.work, view.work)
    if found is None or len(view.work) < 2:
        return None
    value = np.where(view.count >= max(2, view.fewest_work), found.value, np.nan)
    return Series(value, found.who, found.uncertainty)


def _largest(parts: list[Series]) -> Series | None:
    if not parts:
        return None
    stack = np.array([np.where(np.isfinite(p.value), p.value, -np.inf) for p in parts])
    which = stack.argmax(axis=0)
    value = stack.max(axis=0)
    value[~np.isfinite(value)] = np.nan
    return Series(value, lambda i: parts[which[i]].who(i), lambda i: parts[which[i]].uncertainty(i))


def _pairwise(view: View, rows: Sequence[int]) -> Series:
    """Hottest minus coldest among a few rows, two of which must be valid."""
    high, high_row = _pick(view, rows, True)
    low, low_row = _pick(view, rows, False)
    two = np.isfinite(view.trace.values[list(rows)]).sum(axis=0) >= 2
    channels = view.trace.channels
    return Series(
        np.where(two, high - low, np.nan),
        lambda i: f"{channels[high_row(i)].name} over {channels[low_row(i)].name}",
        lambda i: _rss(_u(channels[high_row(i)]), _u(channels[low_row(i)])),
    )


def spread_piece(view: View) -> Series | None:
    """The largest hottest-minus-coldest within one piece; None where no piece carries two work TCs."""
    groups: dict[tuple[str | None, str], list[int]] = {}
    for i in view.work:
        channel = view.trace.channels[i]
        if channel.serial:
            groups.setdefault((channel.part, channel.serial), []).append(i)
    return _largest([_pairwise(view, rows) for rows in groups.values() if len(rows) > 1])


def spread_distance(view: View, distance_mm: float) -> Series | None:
    """The largest difference between two work TCs whose places are no further apart; None where no such pair is
    recorded (places are x_mm, y_mm, z_mm; one that is missing on both counts as the same)."""
    parts = []
    for k, i in enumerate(view.work):
        for j in view.work[k + 1 :]:
            apart = _apart_mm(view.trace.channels[i], view.trace.channels[j])
            if apart is not None and apart <= distance_mm:
                parts.append(_pairwise(view, [i, j]))
    return _largest(parts)


def _apart_mm(a: Channel, b: Channel) -> float | None:
    steps = []
    for p, q in ((a.x_mm, b.x_mm), (a.y_mm, b.y_mm), (a.z_mm, b.z_mm)):
        if p is None and q is None:
            continue
        if p is None or q is None:
            return None
        steps.append(p - q)
    return math.hypot(*steps) if steps else None


def rate(
    view: View, rows: Sequence[int], window_s: float, where: Mask, *, rising: bool, fastest: bool,
    above_c: float | None = None, below_c: float | None = None, settling: Settling | None = None,
) -> Series | None:  # fmt: skip
    """Heating (rising) or cooling rate [°C/h, positive] of the fastest, or slowest, of some rows.

    Only samples inside `where`, and where the row itself is above / below the temperatures given, go into the
    slopes: a window never reaches into another segment or across a threshold at which the limit stops binding. At the
    ends of a stretch, where samples do not fill the window, there is no figure, unless the stretch is shorter than
    the window: noise would otherwise break a limit there. The samples themselves count in the nearest full window.
    A gap of the readings that no window bridges, and that is no longer than one, is bridged by one straight line.
    A stretch too short for any slope has that of one straight line through its samples (three or more, none missing),
    and is thin. Uncertainty is twice the slope's standard error. Slopes are those of readings alone, not of the lines
    between the readings of a slower recorder (one_clock); there they go straight from one to the next.
    """
    if not rows or not where.any():
        return None
    first, last = int(np.flatnonzero(where)[0]), int(np.flatnonzero(where)[-1]) + 1
    y = picked(view.trace.values, rows)[:, first:last]
    if not where[first:last].all():
        y = np.where(where[first:last], y, np.nan)
    with np.errstate(invalid="ignore"):
        if above_c is not None:
            y = np.where(y > above_c, y, np.nan)
        if below_c is not None:
            y = np.where(y < below_c, y, np.nan)
    t_s, seen = view.t_s[first:last], np.isfinite(y)
    drawn = seen & (picked(view.trace.flags, rows)[:, first:last] & NOT_SAMPLED > 0)
    if drawn.any():
        y = np.where(drawn, np.nan, y)
    rates = rates_of(t_s, y, window_s)
    signed = np.where(_usable(seen, rates.full), rates.slope if rising else -rates.slope, np.nan)
    _between(t_s, seen & ~drawn, drawn, signed)
    lone = _lone_lines(t_s, y, seen, signed, window_s, rising)
    _bridged(t_s, y, where[first:last], signed, window_s, rising)
    if settling is not None:
        _settle(t_s, y, rising, seen, signed, window_s, settling)
    ranked = np.where(np.isfinite(signed), signed, -np.inf if fastest else np.inf)
    which = ranked.argmax(axis=0) if fastest else ranked.argmin(axis=0)
    steepest = np.take_along_axis(ranked, which[None, :], axis=0)[0]
    value = np.full(view.t_s.size, np.nan)
    value[first:last] = np.where(np.isfinite(steepest), steepest, np.nan)
    names = [view.trace.channels[r].name for r in rows]

    def error(i: int) -> float | None:
        row = int(which[i - first])
        if row in lone:
            found = lone[row]
        else:
            own = np.flatnonzero(~drawn[row])
            found = rates.error(row, int(own[np.abs(own - (i - first)).argmin()]))
        return 2.0 * found if math.isfinite(found) else None

    return Series(value, lambda i: names[which[i - first]], error, lambda i: int(which[i - first]) in lone)


def _between(t_s: Floats, own: Mask, drawn: Mask, signed: Floats) -> None:
    """Fills in the slopes at moments drawn between two readings."""
    for row in np.flatnonzero(drawn.any(axis=1) & own.any(axis=1)):
        signed[row, drawn[row]] = np.interp(
            t_s[drawn[row]], t_s[own[row]], signed[row, own[row]], left=np.nan, right=np.nan
        )


def _bridged(t_s: Floats, y: Floats, where: Mask, signed: Floats, window_s: float, rising: bool) -> None:
    """Fills in the slope beside a gap of the readings no longer than the window: that of one straight line through the
    readings up to half a window before and after it."""
    readings = np.isfinite(y)
    if readings.all() and not (t_s[1:] - t_s[:-1] > gap_s(t_s, window_s)).any():
        return
    for row, values in enumerate(y):
        inside = np.flatnonzero(readings[row])
        steps = np.diff(t_s[inside])
        gaps = (steps > gap_s(t_s[inside], window_s)) & (steps <= window_s)
        for k in np.flatnonzero(gaps & (steps > 1.5 * np.median(steps))).tolist() if gaps.any() else ():
            a, b = int(inside[k]), int(inside[k + 1])
            if not where[a : b + 1].all():
                continue
            near = inside[(t_s[inside] >= t_s[a] - 0.5 * window_s) & (t_s[inside] <= t_s[b] + 0.5 * window_s)]
            slope = line(t_s[near], values[near])[0]
            blank = near[~np.isfinite(signed[row, near])]
            signed[row, blank] = slope if rising else -slope


def _lone_lines(t_s: Floats, y: Floats, seen: Mask, signed: Floats, window_s: float, rising: bool) -> dict[int, float]:
    """Fills in the slope of rows whose whole stretch is too short for any; row -> standard error."""
    out = {}
    for row in np.flatnonzero(~np.isfinite(signed).any(axis=1)).tolist():
        values = y[row]
        inside = np.flatnonzero(np.isfinite(values))
        if inside.size < 3 or not seen[row, inside[0] : inside[-1] + 1].all():
            continue
        if t_s[inside[-1]] - t_s[inside[0]] >= 0.5 * window_s:
            continue
        slope, out[row] = line(t_s[inside], values[inside])
        signed[row, inside[0] : inside[-1] + 1] = slope if rising else -slope
    return out


def _settle(
    t_s: Floats, y: Floats, rising: bool, seen: Mask, signed: Floats, window_s: float, settling: Settling
) -> None:
    """Blanks what does not count while the furnace comes to its pace; a stretch shorter than a window, all the while
    the furnace slows down in it, has no pace of its own."""
    for row, valid in enumerate(seen):
        stretch = np.flatnonzero(valid)
        if not stretch.size or (stretch[0] > 0 and not settling.follows):
            continue
        gone = t_s - t_s[stretch[0]]
        soon = gone <= window_s
        if settling.half_c is not None:
            with np.errstate(invalid="ignore"):
                soon |= (gone <= 2.0 * window_s) & (y[row] <= settling.half_c if rising else y[row] >= settling.half_c)
        early = np.flatnonzero(np.isfinite(signed[row]) & soon)
        slopes = signed[row, early]
        at_pace = slopes <= settling.limit if settling.relation == "max" else slopes >= settling.limit
        came = came_in(t_s[early], at_pace)
        if came is not None and (slopes[:came] <= settling.pace).all():
            signed[row, early[:came]] = np.nan
        elif settling.half_c is not None and gone[stretch[-1]] < window_s and (slopes <= settling.pace).all():
            middle_of = stretch.size // 2
            first, second = (abs(line(t_s[k], y[row, k])[0]) for k in (stretch[:middle_of], stretch[middle_of:]))
            if not second >= max(SLOWING * first, settling.limit):  # nor is it seen with two samples a half (NaN)
                signed[row, early] = np.nan


def _usable(seen: Mask, full: Mask) -> Mask:
    """Per row: samples whose whole window is filled; all samples of a stretch in which no window is."""
    whole = np.asarray(seen.all(axis=1))
    out = full | (whole & ~np.asarray(full.any(axis=1)))[:, None]
    for row in np.flatnonzero(~whole).tolist():
        filled = full[row]
        edges = np.flatnonzero(np.diff(np.concatenate(([0], seen[row].astype(np.int8), [0]))))
        for a, b in zip(edges[::2], edges[1::2], strict=True):
            if not filled[a:b].any():
                out[row, a:b] = True
    return out


def fewest(view: View) -> Series:
    """How many work TCs are valid; who names those that are not."""
    names = [view.trace.channels[r].name for r in view.work]

    def who(i: int) -> str:
        bad = [n for n, v in zip(names, view.trace.values[view.work, i], strict=True) if not math.isfinite(v)]
        return ", ".join(bad)

    return Series(view.count.astype(float), who)
