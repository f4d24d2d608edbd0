"""What every fault detector looks at: the temperature channels up to the end of judging, their resolution and
noise, and the same channels on a coarse even grid beside the furnace.

The detectors never see the whole trace again; a channel that one of them has caught is blanked on the grid for
the slower ones by `Scene.blanked`.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from .model import Channel, Fault, Flags, Floats, Trace

Bools = npt.NDArray[np.bool_]
THERMOCOUPLES = ("control", "over-temperature", "work")
GRID_S = 60.0  # grid step: a minute, or more on a long run
GRID_POINTS = 2400  # most points of the grid
JUDGED = 8.0  # °C; differences below this are too small to tell one body's place from another's


@dataclass(frozen=True)
class Grid:
    """The channels on an even grid, each point the mean of its valid samples (NaN where there are none).

    t        (m,) seconds, centres of the cells; step_s their width
    y        (c, m) °C
    furnace  (m,) °C: median of the valid control TCs, else the set point; NaN where there is neither
    setpoint (m,) °C or NaN
    """

    t: Floats
    y: Floats
    furnace: Floats
    setpoint: Floats
    step_s: float


@dataclass(frozen=True)
class Scene:
    """Temperature channels of a prepared trace up to the end of judging.

    t, y, flags   (n,), (c, n), (c, n): seconds, °C (NaN where invalid), sample flags
    channels      (c,) records; work and control mark their rows
    resolution    (c,) smallest step the recorder writes [°C]
    noise         (c,) standard deviation of one sample about a local line [°C], at least 0.3 of the resolution
    interval_s    median sample interval
    """

    t: Floats
    y: Floats
    flags: Flags
    channels: tuple[Channel, ...]
    work: Bools
    control: Bools
    resolution: Floats
    noise: Floats
    interval_s: float
    grid: Grid
    setpoint: Floats = field(repr=False, default_factory=lambda: np.empty(0))

    def peers(self, row: int) -> list[int]:
        """Rows that should move as this one does: the other work TCs, or for a control TC the other control
        TCs and, where there are fewer than two of those, the work TCs too."""
        if self.work[row]:
            return [i for i in range(len(self.channels)) if self.work[i] and i != row]
        near = [i for i in range(len(self.channels)) if not self.work[i] and i != row]
        return near if len(near) >= 2 else near + [i for i in range(len(self.channels)) if self.work[i]]

    def blanked(self, faults: list[Fault]) -> Scene:
        """The same scene with the samples inside these faults made invalid, on the samples and on the grid."""
        if not faults:
            return self
        y = self.y.copy()
        for fault in faults:
            for row, channel in enumerate(self.channels):
                if channel.name == fault.channel:
                    y[row, (self.t >= fault.start_s) & (self.t <= fault.end_s)] = np.nan
        return replace(self, y=y, grid=_grid(self.t, y, self.control, self.setpoint))

    def shifted(self, steps: list[Fault]) -> Scene:
        """The same scene with the jumps of these steps taken out again."""
        y = self.y.copy()
        for step in steps:
            for row, channel in enumerate(self.channels):
                if channel.name == step.channel:
                    y[row, (self.t >= step.start_s) & (self.t <= step.end_s)] -= step.figures["jump_c"]
        return replace(self, y=y, grid=_grid(self.t, y, self.control, self.setpoint))


def scene(trace: Trace, phases: Any = None) -> Scene | None:
    """The scene of a prepared trace, or None where it has no temperature channel or fewer than three samples.

    phases  what phases.find_phases gave (its until_s ends the judging), or None for the whole trace
    """
    rows = [i for i, c in enumerate(trace.channels) if c.role in THERMOCOUPLES and c.quantity == "temperature"]
    until = getattr(phases, "until_s", None)
    stop = len(trace.t_s) if until is None else int(np.searchsorted(trace.t_s, until, side="right"))
    if not rows or stop < 3:
        return None
    t = np.asarray(trace.t_s[:stop], dtype=np.float64)
    y = np.asarray(trace.values[rows, :stop], dtype=np.float64)
    channels = tuple(trace.channels[i] for i in rows)
    work = np.array([c.role == "work" for c in channels])
    control = np.array([c.role == "control" for c in channels])
    programmed = [i for i, c in enumerate(trace.channels) if c.role == "setpoint" and c.quantity == "temperature"]
    setpoint = np.asarray(trace.values[programmed[0], :stop]) if programmed else np.full(stop, np.nan)
    resolution = _resolutions(y)
    return Scene(
        t=t,
        y=y,
        flags=trace.flags[rows, :stop],
        channels=channels,
        work=work,
        control=control,
        resolution=resolution,
        noise=_noises(t, y, resolution),
        interval_s=float(np.median(np.diff(t))),
        grid=_grid(t, y, control, setpoint),
        setpoint=setpoint,
    )


def _resolutions(y: Floats) -> Floats:
    """Smallest step of each channel: the lowest hundredth of its nonzero changes, so that one odd step of a
    correction table does not count."""
    found = np.zeros(len(y))
    for row, values in enumerate(y):
        steps = np.abs(np.diff(values))
        steps = steps[steps > 1e-6]
        if len(steps):
            found[row] = np.partition(steps, len(steps) // 100)[len(steps) // 100]
    return found


def residuals(t: Floats, y: Floats) -> Floats:
    """Each sample less the straight line between its two neighbours, scaled to one sample's own deviation.

    t (n,), y (c, n) -> (c, n), NaN at the ends and beside invalid samples. For even times and independent
    noise of standard deviation s the result has standard deviation s: the plain residual has variance 1.5 s².

    >>> residuals(np.arange(4.0), np.array([[0.0, 1.0, 2.0, 3.0]]))[0, 1:3].tolist()
    [0.0, 0.0]
    """
    out = np.full_like(y, np.nan)
    if len(t) < 3:
        return out
    share = (t[1:-1] - t[:-2]) / (t[2:] - t[:-2])
    line = y[:, :-2] * (1.0 - share) + y[:, 2:] * share
    out[:, 1:-1] = (y[:, 1:-1] - line) / np.sqrt(1.0 + share**2 + (1.0 - share) ** 2)
    return out


def _noises(t: Floats, y: Floats, resolution: Floats) -> Floats:
    """Robust standard deviation of each channel's samples about a local line, never under 0.3 of its resolution
    (a rectangle of width q has standard deviation q/sqrt(12) = 0.29 q)."""
    found = np.maximum(0.3 * resolution, 0.01)
    for row, e in enumerate(np.abs(residuals(t, y))):
        e = e[np.isfinite(e)]
        if len(e):
            found[row] = max(found[row], 1.4826 * float(np.partition(e, len(e) // 2)[len(e) // 2]))
    return found


def _grid(t: Floats, y: Floats, control: Bools, setpoint: Floats) -> Grid:
    length = float(t[-1] - t[0])
    step = max(GRID_S, length / GRID_POINTS, float(np.median(np.diff(t))))
    count = int(length / step) + 1
    cell = np.minimum(((t - t[0]) / step).astype(np.intp), count - 1)
    edges = np.searchsorted(cell, np.arange(count))
    both = np.vstack([y, setpoint[None, :]])
    good = np.isfinite(both)
    sums = np.add.reduceat(np.where(good, both, 0.0), np.minimum(edges, len(t) - 1), axis=1)
    numbers = np.add.reduceat(good.astype(np.float64), np.minimum(edges, len(t) - 1), axis=1)
    # reduceat gives a cell without samples the next sample: mark those cells empty
    empty = np.diff(np.append(edges, len(t))) == 0
    numbers[:, empty] = 0.0
    with np.errstate(invalid="ignore", divide="ignore"):
        means = np.where(numbers > 0, sums / numbers, np.nan)
    cells = means[:-1]
    programmed = means[-1]
    centres = t[0] + (np.arange(count) + 0.5) * step
    return Grid(centres, cells, _furnace(cells[control], programmed), programmed, step)


def _furnace(control: Floats, setpoint: Floats) -> Floats:
    """Median of the valid control TCs at each moment, else the set point."""
    if not len(control):
        return setpoint.copy()
    middle = row_median(control)
    return np.where(np.isfinite(middle), middle, setpoint)


def row_median(y: Floats) -> Floats:
    """Median over the channels (first axis) of the valid values at each moment; NaN where there is none.

    Many times quicker than numpy.nanmedian on a few channels: sorting puts NaN last.

    >>> row_median(np.array([[1.0, np.nan], [3.0, 5.0], [9.0, np.nan]])).tolist()
    [3.0, 5.0]
    """
    ranked = np.sort(y, axis=0)
    count = np.isfinite(ranked).sum(axis=0)
    column = np.arange(y.shape[1])
    low = ranked[np.maximum(count - 1, 0) // 2, column]
    high = ranked[np.minimum(count // 2, len(y) - 1), column]
    return np.where(count > 0, 0.5 * (low + high), np.nan)


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


def clock(seconds: float) -> str:
    """A moment of the run as hours and minutes from its start, for evidence.

    >>> clock(3 * 3600 + 7 * 60)
    '3 h 07 min'
    """
    minutes = round(seconds / 60.0)
    return f"{minutes // 60} h {minutes % 60:02d} min"
