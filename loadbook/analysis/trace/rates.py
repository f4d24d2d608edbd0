"""Rates: least-squares slopes over a centred time window on the real timestamps, and their peaks.

A sample's window is [t - window/2, t + window/2], cut off at the ends of the trace and at any gap between valid
samples longer than a third of the window (a window never bridges one; a recorder whose usual interval is no longer
than that has no gap where one interval is half as long again). It needs three valid samples that span at least half
the window; else the slope is NaN. Sums run over cumulative sums of centred values: O(n) for any window.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from .model import NOT_SAMPLED, Floats, Trace
from .validity import Corrected, Mask, picked

WINDOW_S = 900.0  # where the clause states no window: 15 min
SPAN_SHARE = 0.5  # the valid samples must span this share of the window
GAP_SHARE = 1.0 / 3.0  # a gap longer than this share of the window is never bridged
# no recorder keeps its interval to the second: its usual one may be a little over a third of the window, and so many
# usual ones are still no gap
NEARLY, UNEVEN = 1.1, 1.5
FULL_SHARE = 0.8  # a window counts as full where samples reach this far to both sides of its middle, or beyond it
FEWEST = 3
SECONDS_PER_HOUR = 3600.0
THERMOCOUPLES = ("control", "work")
Sums = npt.NDArray[np.complex128]


def slopes(t_s: Floats, y: Floats, window_s: float = WINDOW_S) -> tuple[Floats, Floats]:
    """Rate of change at each sample, per hour, and its standard error.

    t_s       (n,) seconds, strictly rising, any spacing
    y         (n,) or (channels, n); NaN where not valid
    window_s  width of the centred window [s], > 0
    Returns   slope and standard error per hour, shaped like y; NaN where the window is too thin (module docstring)
              or the sample itself is not valid. The standard error is that of ordinary least squares: it takes the
              residuals as independent, and curvature inside the window counts as scatter. Rounding alone leaves
              below 1e-6 per h in the slope and about 1e-3 in the standard error (24 h at 1 s, 1000 °C).
    Source    ordinary least squares

    >>> t = np.arange(0.0, 3600.0, 60.0)
    >>> slope, se = slopes(t, 20.0 + t / 36.0, 900.0)
    >>> round(float(slope[30]), 6)
    100.0
    """
    y = np.asarray(y, dtype=float)
    rates = rates_of(t_s, np.atleast_2d(y), window_s)
    return rates.slope.reshape(y.shape), rates.errors().reshape(y.shape)


@dataclass
class Rates:
    """Slopes of some channels under one window; standard errors are worked out where they are asked for.

    slope   (channels, n) per hour, NaN as in `slopes`;  full  (channels, n) where samples fill the whole window
    """

    slope: Floats
    full: Mask
    _lines: dict[int, _Line]
    _begin: int = 0  # the sample at which the lines do

    def error(self, channel: int, sample: int) -> float:
        """Standard error per hour of one channel's slope at one sample; NaN where it has none."""
        line, at = self._lines.get(channel), sample - self._begin
        return line.error(at) if line is not None and 0 <= at < line.y.size else math.nan

    def errors(self) -> Floats:
        """All standard errors, shaped like slope."""
        out = np.full(self.slope.shape, np.nan)
        for channel, line in self._lines.items():
            out[channel, self._begin : self._begin + line.y.size] = line.errors()
        return out


@dataclass
class _Line:
    """What the standard errors of one channel follow from."""

    windows: _Windows
    y: Floats  # less its mean, 0.0 where it has none
    sums: Sums  # of y and t y

    @cached_property
    def square_sums(self) -> Floats:
        out = np.zeros(self.y.size + 1)
        np.cumsum(self.y * self.y, out=out[1:])
        return out

    def error(self, at: int) -> float:
        """The standard error at one sample: as `errors`, in plain numbers."""
        w, squares = self.windows, self.square_sums
        low, high, count, sxx = int(w.low[at]), int(w.high[at]), float(w.count[at]), float(w.sxx[at])
        if not sxx > 0.0:
            return math.nan
        held = complex(self.sums[high]) - complex(self.sums[low])
        y_sum, sxy = held.real, held.imag - float(w.t_mean[at]) * held.real
        residual = float(squares[high]) - float(squares[low]) - y_sum * y_sum / count - sxy / sxx * sxy
        return math.sqrt(max(residual, 0.0) / ((count - 2.0) * sxx))

    def errors(self) -> Floats:
        """Standard errors at all samples."""
        w, squares = self.windows, self.square_sums
        with np.errstate(invalid="ignore", divide="ignore"):
            held = self.sums[w.high] - self.sums[w.low]
            y_sum, sxy = held.real, held.imag - w.t_mean * held.real
            residual = squares[w.high] - squares[w.low] - y_sum * y_sum / w.count - sxy / w.sxx * sxy
            return np.asarray(np.sqrt(np.maximum(residual, 0.0) / ((w.count - 2.0) * w.sxx)))


def rates_of(t_s: Floats, y: Floats, window_s: float) -> Rates:
    """As slopes, of (channels, n), with standard errors on demand and where the samples fill the whole window."""
    valid = np.isfinite(y)
    whole = valid.all(axis=1) & (t_s.size >= FEWEST)
    if whole.size and whole.all():
        windows = _Windows.of(t_s, window_s)
        slope, found = _slopes(windows, y)
        return Rates(slope, np.broadcast_to(windows.full, y.shape), dict(enumerate(found)))
    slope = np.full(y.shape, np.nan)
    full = np.zeros(y.shape, dtype=bool)
    seen = np.flatnonzero(valid.any(axis=0))
    part = slice(int(seen[0]), int(seen[-1]) + 1) if seen.size else slice(0, 0)
    t_s, y, valid = t_s[part], y[:, part], valid[:, part]
    lines: dict[int, _Line] = {}
    for rows, gaps in _alike(t_s, valid, np.flatnonzero(valid.sum(axis=1) >= FEWEST).tolist(), window_s):
        windows = _Windows.of(t_s, window_s, valid[rows], gaps)
        slope[rows, part], found = _slopes(windows, y[rows], valid[rows])
        full[rows, part] = windows.full
        lines.update(zip(rows, found, strict=True))
    return Rates(slope, full, lines, part.start)


def _alike(t_s: Floats, valid: Mask, rows: Sequence[int], window_s: float) -> list[tuple[list[int], Gaps]]:
    """Some rows with missing samples, those together whose windows end nowhere at a gap of their own, each other one by
    itself with its gaps."""
    none = np.array([], dtype=np.intp)
    together: list[int] = []
    longest: list[float] = []
    alone: list[tuple[list[int], Gaps]] = []
    for row in rows:
        own = np.flatnonzero(valid[row])
        t = t_s[own]
        gap = gap_s(t, window_s)
        far = t[1:] - t[:-1] > gap
        if far.any():
            alone.append(([row], Gaps(own[1:][far], np.array([[gap]]))))
        else:
            together.append(row)
            longest.append(gap)
    return [(together, Gaps(none, np.array(longest)[:, None])), *alone] if together else alone


def _slopes(w: _Windows, y: Floats, seen: Mask | None = None) -> tuple[Floats, list[_Line]]:
    """Slopes of some channels (channels, n), of their samples `seen` (None: all)."""
    if seen is None:
        y = y - y.mean(axis=1, keepdims=True)
        each = [w] * len(y)
    else:
        means = [values[own].mean() for values, own in zip(y, seen, strict=True)]
        y = np.where(seen, y - np.array(means)[:, None], 0.0)
        each = w.each()
    sums = _sums(y, w.t)
    held = w.over(sums)
    with np.errstate(invalid="ignore", divide="ignore"):
        slope = w.t_mean * held.real
        np.subtract(held.imag, slope, out=slope)
        slope /= w.sxx
    return slope, [_Line(*one) for one in zip(each, y, sums, strict=True)]


def _sums(x: Floats, factor: Floats) -> Sums:
    """Sums up to each sample, from 0.0, of x as real and of factor x as imaginary part: (..., n) -> (..., n + 1). Each
    sum waits for the one before it: two at a time take the time of one."""
    out = np.empty((*x.shape[:-1], x.shape[-1] + 1), dtype=complex)
    out[..., 0] = 0.0
    out.real[..., 1:] = x
    np.multiply(x, factor, out=out.imag[..., 1:])
    np.cumsum(out, axis=-1, out=out)
    return out


@dataclass
class Gaps:
    """after  the first samples after a gap;  longest_s  (channels, 1) the longest time that is none, `gap_s`"""

    after: npt.NDArray[np.intp]
    longest_s: Floats


@dataclass
class _Windows:
    """The windows on one time axis: first and one-past-last index at each sample, and the sums of the times.

    even  (samples before, samples from here on) where all windows reach equally far, but for the ends of the axis
    t     hours from their mean;  sxx  NaN where the window is too thin;  full  where the samples fill it

    Of channels that miss samples: count, t, t_mean, sxx, full (channels, n), of the samples that each has; t is 0.0
    where it has none, so that sums over a window are the same as over its samples alone.
    """

    low: npt.NDArray[np.intp]
    high: npt.NDArray[np.intp]
    even: tuple[int, int] | None
    count: Floats
    t: Floats
    t_mean: Floats
    sxx: Floats
    full: Mask

    @classmethod
    def of(cls, t_s: Floats, window_s: float, seen: Mask | None = None, gaps: Gaps | None = None) -> _Windows:
        """seen, gaps  of channels that miss some: the samples of each (channels, n), and where their windows end"""
        n, even = t_s.size, None if gaps is not None and gaps.after.size else _even_reach(t_s, window_s)
        if even is None:
            low, high = _window_ends(t_s, window_s, None if gaps is None else gaps.after)
        else:
            places = np.arange(n)
            low, high = np.maximum(places - even[0], 0), np.minimum(places + even[1], n)
        w = cls(low, high, even, t_s, t_s, t_s, t_s, t_s > t_s)
        if seen is None or gaps is None:
            w.count = (high - low).astype(float)
            first, last = t_s[low], t_s[high - 1]
            goes_on = np.concatenate(([False], t_s[1:] - t_s[:-1] <= gap_s(t_s, window_s), [False]))  # before each
            begins, ends = ~goes_on[low], ~goes_on[high]
            w.t = (t_s - t_s.mean()) / SECONDS_PER_HOUR
        else:
            # of each channel the last sample before, and the first one from each sample on
            before, after = np.full((2, len(seen), n + 1), -np.inf)
            after[:, -1] = np.inf
            np.maximum.accumulate(np.where(seen, t_s, -np.inf), axis=1, out=before[:, 1:])
            np.minimum.accumulate(np.where(seen, t_s, np.inf)[:, ::-1], axis=1, out=after[:, -2::-1])
            first, last = np.take(after, low, axis=1), np.take(before, high, axis=1)
            begins = ~(first - np.take(before, low, axis=1) <= gaps.longest_s)
            ends = ~(np.take(after, high, axis=1) - last <= gaps.longest_s)
            means = np.array([t_s[own].mean() for own in seen])
            w.t = np.where(seen, (t_s - means[:, None]) / SECONDS_PER_HOUR, 0.0)
            number = np.zeros((len(seen), n + 1))
            np.cumsum(seen, axis=1, out=number[:, 1:])
            w.count = np.take(number, high, axis=1) - np.take(number, low, axis=1)
        with np.errstate(invalid="ignore", divide="ignore"):
            too_thin = (w.count < FEWEST) | (last - first < SPAN_SHARE * window_s * (1.0 - 1e-12))
            if seen is not None:
                too_thin |= ~seen
            reach = FULL_SHARE * 0.5 * window_s
            w.full = ((t_s - first >= reach) | ~begins) & ((last - t_s >= reach) | ~ends) & ~too_thin
            held = w.over(_sums(w.t, w.t))
            w.t_mean = held.real / w.count
            w.sxx = held.imag - w.count * w.t_mean * w.t_mean
        w.sxx[too_thin] = np.nan
        return w

    def each(self) -> list[_Windows]:
        """The windows of each channel by itself, where channels miss samples."""
        own = zip(self.count, self.t, self.t_mean, self.sxx, self.full, strict=True)
        return [_Windows(self.low, self.high, self.even, *one) for one in own]

    def over(self, sums: Sums) -> Sums:
        """What each window holds of something that `_sums` has summed: (..., n + 1) -> (..., n)."""
        if self.even is None:
            return np.asarray(np.take(sums, self.high, axis=-1) - np.take(sums, self.low, axis=-1))
        (before, after), n = self.even, self.low.size
        out = np.empty((*sums.shape[:-1], n), dtype=complex)
        out[..., :before] = sums[..., after : before + after]
        middle = out[..., before : n - after + 1]
        np.subtract(sums[..., before + after :], sums[..., : n - after - before + 1], out=middle)
        out[..., n - after + 1 :] = sums[..., n:] - sums[..., n - after - before + 1 : n - before]
        return out


def gap_s(t_s: Floats, window_s: float) -> float:
    """The longest time between two samples that a window bridges [s]; where none is longer, a third of the window."""
    share, steps = window_s * GAP_SHARE, t_s[1:] - t_s[:-1]
    if not steps.size or steps.max() <= share:
        return share
    usual = float(np.median(steps))
    return max(share, UNEVEN * usual) if usual <= NEARLY * share else share


def _half_s(window_s: float) -> float:
    return 0.5 * window_s * (1.0 + 1e-12)


def _even_reach(t_s: Floats, window_s: float) -> tuple[int, int] | None:
    """(samples before, samples from here on) where `_window_ends` would give each sample's window this reach, but for
    the ends of the axis; None where it would not. Much quicker than looking each window's ends up."""
    n = t_s.size
    if n < FEWEST or (t_s[1:] - t_s[:-1]).max() > gap_s(t_s, window_s):
        return None
    first, last = t_s - _half_s(window_s), t_s + _half_s(window_s)
    middle = n // 2
    b = middle - int(np.searchsorted(t_s, first[middle], side="left"))
    a = int(np.searchsorted(t_s, last[middle], side="right")) - middle
    if a + b > n or a < 1 or b < 0:
        return None
    begins = (t_s[: n - b] >= first[b:]).all() and (t_s[: n - b - 1] < first[b + 1 :]).all()
    ends = (t_s[a:] > last[: n - a]).all() and (t_s[a - 1 :] <= last[: n - a + 1]).all()
    beyond = (b == 0 or t_s[0] >= first[b - 1]) and t_s[-1] <= last[n - a]
    return (b, a) if begins and ends and beyond else None


def _window_ends(
    t_s: Floats, window_s: float, gaps: npt.NDArray[np.intp] | None = None
) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.intp]]:
    """First index and one-past-last index of each sample's window; gaps: the first samples after one (None: look)."""
    n = t_s.size
    low = np.searchsorted(t_s, t_s - _half_s(window_s), side="left")
    high = np.searchsorted(t_s, t_s + _half_s(window_s), side="right")
    if gaps is None:
        gaps = np.flatnonzero(np.diff(t_s) > gap_s(t_s, window_s)) + 1
    if gaps.size:
        piece = np.searchsorted(gaps, np.arange(n), side="right")
        first = np.concatenate(([0], gaps))
        last = np.concatenate((gaps, [n]))
        low = np.maximum(low, first[piece])
        high = np.minimum(high, last[piece])
    return low, high


def trace_rates(trace: Trace, window_s: float = WINDOW_S) -> Rates:
    """Rates [°C/h] of the rows that `thermocouples` names, once per corrected trace and window; from readings alone,
    not from the lines between those of a slower recorder (one_clock)."""
    memo = trace.memo if isinstance(trace, Corrected) else {}
    key = ("rates", float(window_s))
    if key not in memo:
        rows = thermocouples(trace)
        y, drawn = picked(trace.values, rows), picked(trace.flags, rows) & NOT_SAMPLED > 0
        memo[key] = rates_of(trace.t_s, np.where(drawn, np.nan, y) if drawn.any() else y, window_s)
    found: Rates = memo[key]
    return found


def thermocouples(trace: Trace) -> list[int]:
    """Rows of the control and work TCs, in order: those that trace_rates has."""
    return [i for i, c in enumerate(trace.channels) if c.role in THERMOCOUPLES and c.quantity == "temperature"]


def noise_peak(seconds: float, step_s: float, window_s: float = WINDOW_S) -> float:
    """The peak that noise alone shows, in standard errors: the median of the largest of the slopes of white noise.

    seconds   how long the slope is watched;  step_s  sampling interval;  window_s  slope window
    Near its own peak the slope process has the correlation 1 - 3|tau|/window, so the number of crossings of u in
    T is (3T/window) u phi(u), less the discrete-sampling factor exp(-0.583 u sqrt(6 step/window)); median: = ln 2.
    Source    D. Siegmund, Sequential Analysis (1985), ch. VIII to X; J. Pickands, Trans. AMS 145 (1969) 51-73

    >>> round(noise_peak(8 * 3600.0, 60.0, 900.0), 1)
    2.8
    """
    low, high = 0.0, 12.0
    watched, sampled = 3.0 * seconds / window_s, math.sqrt(6.0 * step_s / window_s)
    half, root_2, root_2pi = math.log(2.0), math.sqrt(2.0), math.sqrt(2.0 * math.pi)
    for _ in range(50):
        u = 0.5 * (low + high)
        density = math.exp(-0.5 * u * u) / root_2pi
        crossings = watched * u * density * math.exp(-0.583 * u * sampled)
        crossings += 0.5 * math.erfc(u / root_2)  # a single look already exceeds u this often
        low, high = (u, high) if crossings > half else (low, u)
        if high - low < 1e-4:
            break
    return 0.5 * (low + high) if low > 0.0 else 0.0


def line(t_s: Floats, y: Floats) -> tuple[float, float]:
    """Slope per hour and its standard error of one straight line through the valid samples; NaN below three.

    >>> line(np.array([0.0, 1800.0, 3600.0]), np.array([0.0, 5.0, 10.0]))
    (10.0, 0.0)
    """
    ok = np.isfinite(y)
    t, v = (t_s, y) if ok.all() else (t_s[ok], y[ok])
    t = t / SECONDS_PER_HOUR
    if t.size < FEWEST:
        return float("nan"), float("nan")
    t, v = t - t.mean(), v - v.mean()
    sxx = float(t @ t)
    slope = float(t @ v) / sxx
    left = v - slope * t
    return slope, float(np.sqrt(float(left @ left) / (t.size - 2) / sxx))
