"""Which samples count: corrections applied first, then samples that cannot be true set aside.

A sample is valid unless it is missing, an open-circuit sentinel, outside the range of its sensor's type, or inside
a fault taken as certain. A duplicate or backward time is a flag to show, not a reason to drop a sample.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from loadbook.analysis.quantiles import middle

from .model import INVALID, MISSING, NOT_SAMPLED, OUT_OF_RANGE, Channel, Floats, Trace
from .one_clock import on_one_clock
from .sensors import range_c

Mask = npt.NDArray[np.bool_]

DEW_POINT_RANGE_C = (-120.0, 100.0)


@dataclass
class Corrected(Trace):
    """A trace whose thermocouple corrections are already in its values, so that they cannot be applied twice.

    Not to be changed in place: memo keeps what several callers ask for (slopes, hottest and coldest).
    `dataclasses.replace` starts a new memo.
    """

    memo: dict[Any, Any] = field(default_factory=dict, init=False, repr=False, compare=False)


def correction_at(channel: Channel, reading_c: Floats) -> Floats:
    """Correction [°C difference] of a channel at its readings [°C]: linear between the calibration's points,
    held at the outermost one beyond them; zero where the channel has no calibration.

    >>> tc = Channel(1, "TC1", correction=((100.0, -0.5), (300.0, -1.5)))
    >>> correction_at(tc, np.array([50.0, 200.0, 700.0])).tolist()
    [-0.5, -1.0, -1.5]
    """
    if not channel.correction or channel.quantity != "temperature":
        return np.zeros_like(reading_c)
    points = sorted(channel.correction)
    return np.asarray(np.interp(reading_c, [p[0] for p in points], [p[1] for p in points]))


def corrected(trace: Trace) -> Corrected:
    """The trace with each channel's calibration corrections added to its readings (design: before anything else).

    A trace that comes from here is given back unchanged: a correction is never applied twice.
    """
    if isinstance(trace, Corrected):
        return trace
    values = np.ascontiguousarray(trace.values, dtype=float)  # what follows goes along the channels
    which = [i for i, c in enumerate(trace.channels) if c.correction and c.quantity == "temperature"]
    if which:
        values = values.copy()
        for i in which:
            values[i] += correction_at(trace.channels[i], values[i])
    return Corrected(trace.t_s, values, trace.flags, trace.channels, trace.events, trace.run, trace.started)


def valid_range(channel: Channel) -> tuple[float, float]:
    """The range outside which a reading of this channel cannot be true, in the channel's own unit.

    Pressure is absolute, so never negative; oxygen and other quantities have no range of their own.

    >>> valid_range(Channel(1, "TC1", tc_type="T")), valid_range(Channel(2, "P", quantity="pressure"))
    ((-200.0, 400.0), (0.0, inf))
    """
    if channel.quantity == "temperature":
        return range_c(channel.tc_type)
    if channel.quantity == "pressure":
        return 0.0, np.inf
    if channel.quantity == "dew point":
        return DEW_POINT_RANGE_C
    return -np.inf, np.inf


def marked(trace: Trace) -> Trace:
    """The trace with OUT_OF_RANGE set where a reading cannot be true, MISSING where it is no number though the
    channel was read, and every invalid sample's value NaN. The kind of trace (corrected or not) is kept."""
    values = np.asarray(trace.values, dtype=float)
    low, high = np.array([valid_range(c) for c in trace.channels]).reshape(-1, 2).T[:, :, None]
    with np.errstate(invalid="ignore"):
        outside = (values < low) | (values > high)
    flags = trace.flags
    if outside.any():
        flags = np.where(outside, flags | OUT_OF_RANGE, flags)
    unnumbered = np.isnan(values) & ((flags & (INVALID | NOT_SAMPLED)) == 0)
    if unnumbered.any():
        flags = np.where(unnumbered, flags | MISSING, flags)
    invalid = (flags & INVALID) != 0
    if invalid.any():
        values = np.where(invalid, np.nan, values)
    return replace(trace, values=values, flags=flags)


def prepared(trace: Trace) -> Corrected:
    """Corrections applied, invalid samples marked, channels on one clock: what every calculation starts from."""
    done = on_one_clock(marked(corrected(trace)))
    assert isinstance(done, Corrected)  # both keep the kind
    return done


def without(trace: Trace, names: Iterable[str]) -> Trace:
    """The trace as if the named channels had recorded nothing (for a verdict with and without a suspected TC)."""
    left_out = set(names)
    rows = [i for i, c in enumerate(trace.channels) if c.name in left_out]
    if not rows:
        return trace
    values, flags = trace.values.copy(), trace.flags.copy()
    values[rows] = np.nan
    flags[rows] |= MISSING
    return replace(trace, values=values, flags=flags)


def cut(trace: Trace, until_s: float) -> Trace:
    """The trace up to and with the last sample at or before until_s."""
    n = int(np.searchsorted(trace.t_s, until_s, side="right"))
    if n >= trace.t_s.size:
        return trace
    memo = trace.memo if isinstance(trace, Corrected) else {}
    if ("cut", n) not in memo:
        short = replace(trace, t_s=trace.t_s[:n], values=trace.values[:, :n], flags=trace.flags[:, :n])
        if isinstance(short, Corrected):
            short.memo.update({k: (v[0][:n], v[1][:n]) for k, v in memo.items() if k[0] == "extremes"})
        memo["cut", n] = short
    shorter: Trace = memo["cut", n]
    return shorter


def interval_s(t_s: Floats) -> float:
    """The usual time between two samples [s]: the median; NaN for fewer than two samples."""
    if t_s.size < 2:
        return float("nan")
    steps = np.diff(t_s)
    return float(steps[0]) if (steps == steps[0]).all() else middle(steps)


def picked(values: npt.NDArray[Any], rows: Sequence[int]) -> npt.NDArray[Any]:
    """Some rows of (channels, n); a view where they stand together, as they mostly do. Not to be changed in place."""
    some = list(rows)
    if some and some == list(range(some[0], some[0] + len(some))):
        return values[some[0] : some[-1] + 1]
    return values[some]


def hottest(values: Floats) -> Floats:
    """Highest valid value of (k, n) at each column, NaN where none is; k > 0."""
    found = np.maximum.reduce(values, axis=0)  # much faster than fmax, and NaN where any is
    return np.fmax.reduce(values, axis=0) if np.isnan(found).any() else np.asarray(found)


def coldest(values: Floats) -> Floats:
    """Lowest valid value of (k, n) at each column, NaN where none is; k > 0."""
    found = np.minimum.reduce(values, axis=0)
    return np.fmin.reduce(values, axis=0) if np.isnan(found).any() else np.asarray(found)


def hottest_coldest(trace: Trace, rows: Sequence[int]) -> tuple[Floats, Floats]:
    """Hottest and coldest valid reading at each sample among some channels; (n,) each, NaN where none is valid."""
    key = ("extremes", tuple(rows))
    memo = trace.memo if isinstance(trace, Corrected) else {}
    if key not in memo:
        if len(rows) == 1:
            memo[key] = trace.values[rows[0]], trace.values[rows[0]]
        elif rows:
            memo[key] = hottest(picked(trace.values, rows)), coldest(picked(trace.values, rows))
        else:
            nothing = np.full(trace.t_s.size, np.nan)
            memo[key] = nothing, nothing
    hot, cold = memo[key]
    return hot, cold


def first_where(mask: Mask) -> int | None:
    """The first True; None where there is none."""
    k = int(mask.argmax()) if mask.size else 0
    return k if mask.size and mask[k] else None


def last_where(mask: Mask) -> int | None:
    """The last True; None where there is none."""
    k = first_where(mask[::-1])
    return None if k is None else mask.size - 1 - k
