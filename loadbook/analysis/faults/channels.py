"""A run's channels on a coarse even grid, beside the furnace: what the slower detectors look at.

What every fault detector looks at: the temperature channels up to the end of judging, their resolution and
noise, and the same channels on a coarse even grid beside the furnace.

The detectors never see the whole trace again; a channel that one of them has caught is blanked on the grid for
the slower ones by `ChannelView.blanked`.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from loadbook.analysis.quantiles import median_of, middle, ranked
from loadbook.analysis.trace.model import Channel, Fault, Flags, Floats, Trace
from loadbook.analysis.trace.validity import interval_s, picked

THERMOCOUPLES = ("control", "over-temperature", "work")
BLOCK_S = 600.0  # scatter is told for blocks of this length, or ten samples


STIRRING = ("gas backfill", "fan on")


@dataclass(frozen=True)
class ChannelView:
    """Temperature channels of a prepared trace up to the end of judging.

    t, y, flags   (n,), (c, n), (c, n): seconds, °C (NaN where invalid), sample flags; not to be changed in place
    channels      (c,) records; work and control mark their rows
    resolution    (c,) smallest step the recorder writes [°C]
    largest_step  (c,) largest change between two samples [°C], NaN where the channel has invalid samples
    noise         (c,) standard deviation of one sample about a local line [°C], at least 0.3 of the resolution
    scatter       (c, blocks) the same within each block of per_block samples (about ten minutes)
    interval_s    median sample interval
    cells         which samples each cell of the grid has
    stirred_s     moments at which gas was let in or a fan went on, as recorded: every body takes on another rate
    memo          what several detectors ask for

    resolution, largest_step, noise and scatter stay those of the whole channel when a part of it is blanked.
    """

    t: Floats
    y: Floats
    flags: Flags
    channels: tuple[Channel, ...]
    work: Bools
    control: Bools
    resolution: Floats
    largest_step: Floats
    noise: Floats
    scatter: Floats
    per_block: int
    interval_s: float
    cells: Cells
    grid: Grid
    stirred_s: tuple[float, ...] = ()
    memo: dict[str, Any] = field(default_factory=dict, init=False, repr=False, compare=False)

    def peers(self, row: int) -> list[int]:
        """Rows that should move as this one does: the other work TCs, or for a control TC the other control
        TCs and, where there are fewer than two of those, the work TCs too."""
        if self.work[row]:
            return [i for i in range(len(self.channels)) if self.work[i] and i != row]
        near = [i for i in range(len(self.channels)) if not self.work[i] and i != row]
        return near if len(near) >= 2 else near + [i for i in range(len(self.channels)) if self.work[i]]

    def rows_of(self, faults: list[Fault]) -> dict[int, list[Fault]]:
        """The faults by the rows of their channels."""
        found: dict[int, list[Fault]] = {}
        for row, channel in enumerate(self.channels):
            own = [f for f in faults if f.channel == channel.name]
            if own:
                found[row] = own
        return found

    def blanked(self, faults: list[Fault]) -> ChannelView:
        """The same scene with the samples inside these faults made invalid, on the samples and on the grid."""
        if not faults:
            return self
        y, changed = self.y.copy(), self.rows_of(faults)
        for row, own in changed.items():
            for fault in own:
                y[row, fault.covers(self.t)] = np.nan
        return self._with(y, list(changed))

    def shifted(self, steps: list[Fault]) -> ChannelView:
        """The same scene with the jumps of these steps taken out again."""
        y, changed = self.y.copy(), self.rows_of(steps)
        for row, own in changed.items():
            for step in own:
                y[row, step.covers(self.t)] -= step.figures["jump_c"]
        return self._with(y, list(changed))

    def _with(self, y: Floats, changed: list[int]) -> ChannelView:
        """The same scene with other samples in some rows."""
        old = self.grid
        means = old.y.copy()
        for row in changed:
            means[row] = self.cells.means(y[row])
        furnace = old.furnace
        if self.control[changed].any():
            furnace = np.where(old.outside, np.nan, furnace_of(means[self.control], old.setpoint))
        return replace(self, y=y, grid=replace(old, y=means, furnace=furnace))


def channel_view(trace: Trace, phases: Any = None) -> ChannelView | None:
    """The scene of a prepared trace, or None where it has no temperature channel or fewer than three samples.

    phases  what phases.find_phases gave (its until_s ends the judging), or None for the whole trace
    """
    rows = [i for i, c in enumerate(trace.channels) if c.role in THERMOCOUPLES and c.quantity == "temperature"]
    until = getattr(phases, "until_s", None)
    stop = len(trace.t_s) if until is None else int(np.searchsorted(trace.t_s, until, side="right"))
    if not rows or stop < 3:
        return None
    t = np.asarray(trace.t_s[:stop], dtype=np.float64)
    y = np.asarray(picked(trace.values, rows)[:, :stop], dtype=np.float64)
    channels = tuple(trace.channels[i] for i in rows)
    control = np.array([c.role == "control" for c in channels])
    programmed = [i for i, c in enumerate(trace.channels) if c.role == "setpoint" and c.quantity == "temperature"]
    setpoint = np.asarray(trace.values[programmed[0], :stop]) if programmed else None
    interval = interval_s(t)
    per_block = max(10, int(BLOCK_S / interval))
    resolution, largest_step = _steps(y)
    noise, scatter = _noises(t, y, resolution, per_block)
    work = np.array([c.role == "work" for c in channels])
    cells, grid = grid_of(t, y, control, work, setpoint, interval)
    return ChannelView(
        t=t,
        y=y,
        flags=picked(trace.flags, rows)[:, :stop],
        channels=channels,
        work=work,
        control=control,
        resolution=resolution,
        largest_step=largest_step,
        noise=noise,
        scatter=scatter,
        per_block=per_block,
        interval_s=interval,
        cells=cells,
        grid=grid,
        stirred_s=tuple(e.t_s for e in trace.events if e.event.strip().casefold() in STIRRING),
    )


def _steps(y: Floats) -> tuple[Floats, Floats]:
    """Smallest and largest step of each channel. The smallest is the lowest hundredth of its nonzero changes, so that
    one odd step of a correction table does not count."""
    changes = np.abs(y[:, 1:] - y[:, :-1])
    largest, moved = changes.max(axis=1), changes > 1e-6
    smallest = np.zeros(len(y))
    for row, steps in enumerate(changes):
        number = int(np.count_nonzero(moved[row]))
        if not number:
            continue
        if np.isnan(largest[row]):
            steps = steps[steps > 1e-6]
        smallest[row] = ranked(steps, len(steps) - number + number // 100)
    return smallest, largest


def residuals(t: Floats, y: Floats) -> Floats:
    """Each sample less the straight line between its two neighbours, scaled to one sample's own deviation.

    t (n,), y (..., n) -> (..., n), NaN at the ends and beside invalid samples. For even times and independent
    noise of standard deviation s the result has standard deviation s: the plain residual has variance 1.5 s².

    >>> residuals(np.arange(4.0), np.array([[0.0, 1.0, 2.0, 3.0]]))[0, 1:3].tolist()
    [0.0, 0.0]
    """
    return _off_line(y, *_line_shares(t))


def _line_shares(t: Floats) -> tuple[Floats, Floats, Floats]:
    """The shares of the sample before and the one after in the line between them, and the residual's scale."""
    after = (t[1:-1] - t[:-2]) / (t[2:] - t[:-2])
    before = 1.0 - after
    return before, after, np.sqrt(1.0 + after**2 + before**2)


def _off_line(y: Floats, before: Floats, after: Floats, scale: Floats) -> Floats:
    out = np.full(y.shape, np.nan)
    if y.shape[-1] >= 3:
        inner = out[..., 1:-1]
        np.multiply(y[..., :-2], before, out=inner)
        inner += y[..., 2:] * after
        np.subtract(y[..., 1:-1], inner, out=inner)
        inner /= scale
    return out


def _noises(t: Floats, y: Floats, resolution: Floats, per_block: int) -> tuple[Floats, Floats]:
    """Robust standard deviation of each channel's samples about a local line, never under 0.3 of its resolution
    (a rectangle of width q has standard deviation q/sqrt(12) = 0.29 q); and by blocks, from the mean residual."""
    blocks = len(t) // per_block
    e = np.abs(_off_line(y, *_line_shares(t)))
    good = np.isfinite(e)
    whole = np.asarray(good[:, 1:-1].all(axis=1))
    e[~good] = 0.0
    counted, inside = good[:1] if whole.all() else good, slice(0, blocks * per_block)
    sums, number = (x[:, inside].reshape(len(x), blocks, per_block).sum(axis=2) for x in (e, counted))
    scatter = sums / np.maximum(number, 1) * 1.2533  # of a normal deviate: mean |e| = 0.798 s
    found = np.maximum(0.3 * resolution, 0.01)
    for row, own in enumerate(e):
        own = own[1:-1] if whole[row] else own[good[row]]
        if len(own):
            found[row] = max(found[row], 1.4826 * ranked(own, len(own) // 2))
    return found, scatter


def runs_of(mask: Bools) -> list[tuple[int, int]]:
    """First and last index of each run of True.

    >>> runs_of(np.array([True, False, True, True]))
    [(0, 0), (2, 3)]
    """
    edges = np.flatnonzero(np.diff(np.concatenate(([0], mask.view(np.int8), [0]))))
    return [(int(a), int(b) - 1) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def line_fit(t: Floats, y: Floats, at_s: float) -> tuple[float, float, float] | None:
    """Least-squares line through the valid samples: (value at at_s, slope per second, standard error of the
    value), or None with fewer than three."""
    good = np.isfinite(y)
    count = int(good.sum())
    if count < 3:
        return None
    x = t[good] - at_s
    v = y[good]
    mean = float(x.mean())
    spread = float(((x - mean) ** 2).sum())
    if spread <= 0:
        return None
    slope = float(((x - mean) * (v - v.mean())).sum()) / spread
    value = float(v.mean()) - slope * mean
    rest = float(((v - value - slope * x) ** 2).sum()) / (count - 2)
    return value, slope, float(np.sqrt(rest * (1.0 / count + mean**2 / spread)))


Bools = npt.NDArray[np.bool_]
GRID_S = 60.0  # grid step: a minute, or more on a long run
GRID_POINTS = 2400  # most points of the grid


@dataclass(frozen=True)
class Grid:
    """The channels on an even grid, each point the mean of its valid samples (NaN where there are none).

    t        (m,) seconds, centres of the cells; step_s their width
    y        (c, m) °C
    furnace  (m,) °C: median of the valid control TCs, else the set point; NaN where there is neither, and while the
             load is outside: then the furnace heats nothing, and says nothing of what the load should do
    setpoint (m,) °C or NaN
    outside  (m,) where the load is not in the furnace
    """

    t: Floats
    y: Floats
    furnace: Floats
    setpoint: Floats
    step_s: float
    outside: Bools


@dataclass(frozen=True)
class Cells:
    """Which samples each cell of the grid has: the first one, and how many, in (m,) each.

    full  there is no cell without a sample;  even  how many samples each cell has, 0 where they differ
    at    of an uneven recorder that is as slow as the grid: the mean time of each cell's samples [s], and the moment in
          the cell that they mostly have; its means are carried along their slope from the one to the other
    """

    first: npt.NDArray[np.intp]
    number: Floats
    full: bool
    even: int
    at: tuple[Floats, Floats] | None = None

    def means(self, values: Floats) -> Floats:
        """Mean of the valid samples of each cell, NaN where there is none: (..., n) -> (..., m)."""
        found = self._means(values)
        if self.at is None:
            return found
        own, usual = self.at
        slopes = np.diff(found, axis=-1) / np.diff(own)
        before, after = slopes[..., :-1], slopes[..., 1:]
        bends = ~(before * after > 0.0)  # no jump is carried into the cell beside it
        gentler = np.where(bends, 0.0, np.where(np.abs(before) < np.abs(after), before, after))
        found[..., 1:-1] += gentler * (usual - own)[1:-1]
        # a cell that no sample fell into, between two that have one, is no gap
        lone = 1 + np.flatnonzero((self.number[1:-1] == 0) & (self.number[:-2] > 0) & (self.number[2:] > 0))
        found[..., lone] = 0.5 * (found[..., lone - 1] + found[..., lone + 1])
        return found

    def _means(self, values: Floats) -> Floats:
        good = np.isfinite(values)
        whole = bool(good.all())
        sums = self._sums(values if whole else np.where(good, values, 0.0))
        if whole and self.full:
            return np.asarray(sums / self.number)
        number = self.number if whole else self._sums(good.astype(np.float64))
        # reduceat gives a cell without samples the next sample
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.where((number > 0) & (self.number > 0), sums / number, np.nan)

    def _sums(self, values: Floats) -> Floats:
        """The sum of each cell; of few samples a cell by steps over all cells, much quicker and in the same order."""
        if not 2 <= self.even <= 8:
            return np.asarray(np.add.reduceat(values, self.first, axis=-1))
        first, second, *others = (values[..., k :: self.even] for k in range(self.even))
        rest = second
        for one in others:
            rest = rest + one
        return np.asarray(first + rest)


def grid_of(
    t: Floats, y: Floats, control: Bools, work: Bools, setpoint: Floats | None, interval: float
) -> tuple[Cells, Grid]:  # fmt: skip
    """The channels (c, n) and the set point (n,), where there is one, on a grid; interval is the samples' [s]."""
    length = float(t[-1] - t[0])
    step = max(GRID_S, length / GRID_POINTS, interval)
    count = int(length / step) + 1
    cell = np.minimum(((t - t[0]) / step).astype(np.intp), count - 1)
    number = np.bincount(cell, minlength=count)
    even = int(number[0]) if (number == number[0]).all() else 0
    first = np.minimum(np.cumsum(number) - number, len(t) - 1)
    centres = t[0] + (np.arange(count) + 0.5) * step
    off = (np.add.reduceat(t, first) / np.maximum(number, 1) - centres)[number > 0]
    uneven = not even and off.size > 2 and bool((np.abs(off - middle(off)) > 0.1 * step).mean() > 0.1)
    at = None
    if uneven:
        usual = centres + middle(off)
        at = np.where(number > 0, np.add.reduceat(t, first) / np.maximum(number, 1), usual), usual
    cells = Cells(first, number.astype(np.float64), bool(number.all()), even, at)
    means = cells.means(y)
    programmed = np.full(count, np.nan) if setpoint is None else cells.means(setpoint)
    furnace = furnace_of(means[control], programmed)
    out = outside(means[work], furnace, step)
    return cells, Grid(centres, means, np.where(out, np.nan, furnace), programmed, step, out)


STANDS_C, FAR_C = 5.0, 150.0  # not in yet: no TC moves, and the furnace is so far above
MOST_OF = 0.6  # of the work TCs: one of three may be at fault
GONE_SHARE, KEPT_SHARE = 0.35, 0.25  # taken out: they have lost so much of their way from the start, the furnace less
OUT_C_PER_S = 600.0 / 3600.0  # and the quickest of them went as no furnace cools
AGAIN_C = 60.0  # what has warmed by so much was in the furnace, and is again


def outside(y: Floats, furnace: Floats, step_s: float) -> Bools:
    """Where a load is not in the furnace: it stands cold beside a hot one, or was taken out of it to air or a quench
    while the furnace stays hot. y (work TCs, m) and furnace (m,) on the grid -> (m,); nothing is told of one TC."""
    out = np.zeros(furnace.size, dtype=bool)
    begun = np.isfinite(y).any(axis=1)
    if begun.sum() < 2:
        return out
    y = y[begun]
    start = y[np.arange(len(y)), np.isfinite(y).argmax(axis=1)][:, None]
    level = median_of(y)
    far = furnace - y > FAR_C
    waits = _most(far & (np.abs(y - start) <= STANDS_C), y)
    first = int(np.argmin(waits)) if not waits.all() else 0
    out[:first] = True
    span = max(1, round(300.0 / step_s))
    while first < furnace.size:
        hottest = np.fmax.accumulate(y[:, first:], axis=1)
        way = hottest - start
        gone = far[:, first:] & (way > AGAIN_C) & (y[:, first:] < hottest - GONE_SHARE * way)
        gone = _most(gone, y[:, first:])
        if not gone.any():
            break
        at = first + int(np.argmax(gone))
        left = np.flatnonzero(level[first : at + 1] >= np.nanmax(level[first : at + 1]) - STANDS_C)[-1] + first
        fell = np.fmax.reduce(y[:, left] - y[:, min(left + span, at)]) / (step_s * min(span, max(at - left, 1)))
        lost = (furnace[left] - furnace[at]) / (furnace[left] - float(median_of(start)[0]))
        if not (fell >= OUT_C_PER_S and lost <= KEPT_SHARE):
            break
        last = at + int(np.nanargmin(level[at:]))
        if not np.nanmax(level[last:]) - level[last] > AGAIN_C:
            last = furnace.size - 1
        out[left + 1 : last + 1] = True
        first = last + 1
    return out


def _most(condition: Bools, y: Floats) -> Bools:
    """Where a condition (TCs, m) holds for most of the TCs that have a reading."""
    seen = np.isfinite(y).sum(axis=0)
    return np.asarray((seen >= 2) & (condition.sum(axis=0) >= MOST_OF * seen))


def furnace_of(control: Floats, setpoint: Floats) -> Floats:
    """Median of the valid control TCs at each moment, else the set point."""
    if not len(control):
        return setpoint.copy()
    found = median_of(control)
    return np.where(np.isfinite(found), found, setpoint)
