"""Rates: least-squares slopes over a centred time window on the real timestamps, and their peaks.

A sample's window is [t - window/2, t + window/2], cut off at the ends of the trace and at any gap between valid
samples longer than a third of the window (a window never bridges one). It needs three valid samples that span at
least half the window; else the slope is NaN. Sums run over cumulative sums of centred values: O(n) for any window.
"""

from __future__ import annotations

import math

import numpy as np

from .model import Floats, Trace
from .validity import Corrected, Mask

WINDOW_S = 900.0  # where the clause states no window: 15 min
SPAN_SHARE = 0.5  # the valid samples must span this share of the window
GAP_SHARE = 1.0 / 3.0  # a gap longer than this share of the window is never bridged
FULL_SHARE = 0.8  # a window counts as full where samples reach this far to both sides of its middle
FEWEST = 3
SECONDS_PER_HOUR = 3600.0
THERMOCOUPLES = ("control", "over-temperature", "work")


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
    if y.ndim == 1:
        slope, se, _ = slopes_full(t_s, y[None, :], window_s)
        return slope[0], se[0]
    slope, se, _ = slopes_full(t_s, y, window_s)
    return slope, se


def slopes_full(t_s: Floats, y: Floats, window_s: float) -> tuple[Floats, Floats, Mask]:
    """As slopes, of (channels, n), and where the samples fill the whole window; (channels, n) each."""
    slope = np.full(y.shape, np.nan)
    se = np.full(y.shape, np.nan)
    full = np.zeros(y.shape, dtype=bool)
    valid = np.isfinite(y)
    unbroken = valid.all(axis=1)
    if unbroken.all():
        return _slopes(t_s, y, window_s)
    if unbroken.any():
        slope[unbroken], se[unbroken], full[unbroken] = _slopes(t_s, y[unbroken], window_s)
    for i in np.flatnonzero(~unbroken):
        ok = valid[i]
        if ok.sum() >= FEWEST:
            a, b, c = _slopes(t_s[ok], y[i, ok][None, :], window_s)
            slope[i, ok], se[i, ok], full[i, ok] = a[0], b[0], c[0]
    return slope, se, full


def _windows(t_s: Floats, window_s: float) -> tuple[np.ndarray, np.ndarray]:
    """First index and one-past-last index of each sample's window."""
    n = t_s.size
    half = 0.5 * window_s * (1.0 + 1e-12)
    low = np.searchsorted(t_s, t_s - half, side="left")
    high = np.searchsorted(t_s, t_s + half, side="right")
    gaps = np.flatnonzero(np.diff(t_s) > window_s * GAP_SHARE) + 1  # first index after each gap
    if gaps.size:
        piece = np.searchsorted(gaps, np.arange(n), side="right")
        first = np.concatenate(([0], gaps))
        last = np.concatenate((gaps, [n]))
        low = np.maximum(low, first[piece])
        high = np.minimum(high, last[piece])
    return low, high


def _slopes(t_s: Floats, y: Floats, window_s: float) -> tuple[Floats, Floats, Mask]:
    """Slopes of rows without a missing value on one time axis."""
    n = t_s.size
    if n < FEWEST:
        return np.full(y.shape, np.nan), np.full(y.shape, np.nan), np.zeros(y.shape, dtype=bool)
    low, high = _windows(t_s, window_s)
    t = (t_s - t_s.mean()) / SECONDS_PER_HOUR
    y = y - y.mean(axis=1, keepdims=True)
    count = (high - low).astype(float)
    too_thin = (count < FEWEST) | (t_s[high - 1] - t_s[low] < SPAN_SHARE * window_s * (1.0 - 1e-12))
    ends = np.minimum(t_s - t_s[low], t_s[high - 1] - t_s)
    full = (ends >= FULL_SHARE * 0.5 * window_s) & ~too_thin

    def window_sum(x: Floats) -> Floats:
        total = np.zeros((*x.shape[:-1], n + 1))
        np.cumsum(x, axis=-1, out=total[..., 1:])
        return np.asarray(np.take(total, high, axis=-1) - np.take(total, low, axis=-1))  # far faster than indexing

    with np.errstate(invalid="ignore", divide="ignore"):
        t_mean = window_sum(t) / count
        sxx = window_sum(t * t) - count * t_mean * t_mean
        sxx[too_thin] = np.nan
        y_sum = window_sum(y)
        sxy = window_sum(t * y) - t_mean * y_sum
        slope = sxy / sxx
        residual = window_sum(y * y) - y_sum * y_sum / count - slope * sxy
        se = np.sqrt(np.maximum(residual, 0.0) / ((count - 2.0) * sxx))
    return slope, se, np.broadcast_to(full, y.shape)


def trace_slopes(trace: Trace, window_s: float = WINDOW_S) -> tuple[Floats, Floats, Mask]:
    """Slopes [°C/h], standard errors, and where the whole window holds samples, of the rows that `thermocouples`
    names; (those rows, n) each. Computed once per corrected trace and window.
    """
    memo = trace.memo if isinstance(trace, Corrected) else {}
    key = ("slopes", float(window_s))
    if key not in memo:
        rows = thermocouples(trace)
        memo[key] = slopes_full(trace.t_s, trace.values[rows], window_s)
    slope, se, full = memo[key]
    return slope, se, full


def thermocouples(trace: Trace) -> list[int]:
    """Rows of the control, over-temperature and work TCs, in order: those that trace_slopes has."""
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
    for _ in range(50):
        u = 0.5 * (low + high)
        density = math.exp(-0.5 * u * u) / math.sqrt(2.0 * math.pi)
        crossings = 3.0 * seconds / window_s * u * density * math.exp(-0.583 * u * math.sqrt(6.0 * step_s / window_s))
        crossings += 0.5 * math.erfc(u / math.sqrt(2.0))  # a single look already exceeds u this often
        low, high = (u, high) if crossings > math.log(2.0) else (low, u)
        if high - low < 1e-4:
            break
    return 0.5 * (low + high) if low > 0.0 else 0.0


def line(t_s: Floats, y: Floats) -> tuple[float, float]:
    """Slope per hour and its standard error of one straight line through the valid samples; NaN below three.

    >>> line(np.array([0.0, 1800.0, 3600.0]), np.array([0.0, 5.0, 10.0]))
    (10.0, 0.0)
    """
    ok = np.isfinite(y)
    t, v = t_s[ok] / SECONDS_PER_HOUR, y[ok]
    if t.size < FEWEST:
        return float("nan"), float("nan")
    t, v = t - t.mean(), v - v.mean()
    sxx = float(t @ t)
    slope = float(t @ v) / sxx
    left = v - slope * t
    return slope, float(np.sqrt(float(left @ left) / (t.size - 2) / sxx))
