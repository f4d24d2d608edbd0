"""Slopes against analytic traces, numpy.polyfit and scipy; what noise does to a peak."""

from __future__ import annotations

import tracemalloc

import numpy as np
import pytest
from scipy.stats import linregress

from loadbook.analysis.trace import rates
from loadbook.analysis.trace.rates import line, noise_peak, rates_of, slopes


@pytest.mark.parametrize("rate", [-350.0, -1.0, 0.0, 42.0, 2000.0])
def test_a_ramp_gives_its_rate(rate: float) -> None:
    """Error bound: 1e-6 °C/h per 1000 °C of climb, on an exact ramp over 24 h at 10 s."""
    t = np.arange(0.0, 86400.0, 10.0)
    slope, se = slopes(t, 20.0 + rate * t / 3600.0)
    inside = np.isfinite(slope)
    assert inside[50:-50].all()
    assert np.abs(slope[inside] - rate).max() < 1e-6 * max(1.0, abs(rate) * 24.0 / 1000.0)
    assert se[inside].max() < 0.01 + 1e-5 * abs(rate)  # rounding of sums of squares; see the docstring


def test_a_sine_is_flattened_by_the_known_factor() -> None:
    """A least-squares slope over w of A sin(2 pi t/P) is the true slope times 3 (sin x - x cos x) / x^3, x = pi w/P.

    Error bound against the continuous formula: 0.1 °C/h of 63 (10 s samples stand for slightly more than 15 min)."""
    t = np.arange(0.0, 36000.0, 10.0)
    period, window = 3600.0, 900.0
    y = 600.0 + 10.0 * np.sin(2 * np.pi * t / period)
    slope, _ = slopes(t, y, window)
    x = np.pi * window / period
    factor = 3.0 * (np.sin(x) - x * np.cos(x)) / x**3
    true = 10.0 * 2 * np.pi / period * 3600.0 * np.cos(2 * np.pi * t / period)
    inner = slice(60, -60)
    assert np.abs(slope[inner] - factor * true[inner]).max() < 0.1
    assert factor == pytest.approx(0.9395, abs=1e-3)  # a 15 min window hides 6 % of a swing of one hour


@pytest.mark.parametrize("seed", range(4))
def test_against_polyfit_on_irregular_sampling_with_missing_samples(seed: int) -> None:
    """Independent computation: numpy.polyfit on each window's own samples. Bound 1e-6 relative."""
    rng = np.random.default_rng(seed)
    t = np.cumsum(rng.uniform(5.0, 90.0, 700))
    y = 600.0 + 40.0 * np.sin(t / 5000.0) + rng.normal(0.0, 0.5, t.size)
    y[rng.random(t.size) < 0.1] = np.nan
    window = 900.0
    slope, se = slopes(t, y, window)
    ok = np.flatnonzero(np.isfinite(y))
    pick = rng.choice(ok, 60, replace=False)
    checked = 0
    for i in pick:
        inside = ok[np.abs(t[ok] - t[i]) <= window / 2]
        if np.diff(t[inside]).max() > window / 3:
            continue
        if t[inside][-1] - t[inside][0] < window / 2:
            assert np.isnan(slope[i])
            continue
        coefficients, covariance = np.polyfit(t[inside] - t[i], y[inside], 1, cov=True)
        assert slope[i] == pytest.approx(coefficients[0] * 3600.0, rel=1e-6, abs=1e-6)
        assert se[i] == pytest.approx(np.sqrt(covariance[0, 0]) * 3600.0, rel=1e-5)
        checked += 1
    assert checked > 40


def test_precision_holds_on_a_long_fine_trace() -> None:
    """11 days at 1 s around 1000 °C: cumulative sums keep the slope within 1e-4 °C/h of polyfit."""
    t = np.arange(0.0, 950_000.0, 1.0)
    y = 1000.0 + 3.0 * np.sin(t / 3000.0) + 0.1 * np.sin(t * 1.7)
    slope, _ = slopes(t, y)
    for i in (5000, 400_000, 940_000):
        part = slice(i - 450, i + 451)
        assert slope[i] == pytest.approx(np.polyfit(t[part] - t[i], y[part], 1)[0] * 3600.0, abs=1e-4)


def test_a_window_never_bridges_a_long_gap() -> None:
    t = np.concatenate([np.arange(0.0, 3600.0, 60.0), np.arange(3600.0 + 301.0, 7200.0, 60.0)])
    y = np.where(t < 3600.0, 100.0, 200.0)  # flat on both sides: any bridge shows as a slope
    slope, _ = slopes(t, y, 900.0)
    assert np.nanmax(np.abs(slope)) < 1e-6
    near = np.concatenate([np.arange(0.0, 3600.0, 60.0), np.arange(3600.0 + 200.0, 7200.0, 60.0)])
    bridged, _ = slopes(near, np.where(near < 3600.0, 100.0, 200.0), 900.0)
    assert np.nanmax(np.abs(bridged)) > 100.0  # 260 s is under a third of the window: it is bridged


@pytest.mark.parametrize(("step_s", "window_s"), [(120.0, 900.0), (300.0, 900.0), (300.0, 1500.0), (600.0, 1800.0)])
@pytest.mark.parametrize("uneven_s", [0.0, 1.0, 20.0])
def test_a_recorder_that_keeps_its_interval_to_a_second_or_so_has_no_gaps(
    step_s: float, window_s: float, uneven_s: float
) -> None:
    """At 120 s the third sample stands at four fifths of half the window, at 300 s an interval is a third of it."""
    rng = np.random.default_rng(3)
    t = np.arange(0.0, 40_000.0, step_s)
    t += rng.uniform(-uneven_s, uneven_s, t.size)
    found = rates_of(t, (t / 36.0)[None, :], window_s)
    inside = (t > 0.5 * window_s + step_s) & (t < t[-1] - 0.5 * window_s - step_s)
    assert found.slope[0, inside] == pytest.approx(100.0) and found.full[0, inside].all()
    missing = np.delete(t, np.arange(20, 20 + int(window_s / step_s)))  # but what is missing is never bridged
    y = np.where(missing < t[20], 100.0, 200.0)
    assert np.nanmax(np.abs(slopes(missing, y, window_s)[0])) < 1e-6


def test_too_thin_a_window_has_no_slope() -> None:
    t = np.array([0.0, 450.0, 900.0, 1350.0])
    assert np.isnan(slopes(t, t, 900.0)[0]).all()  # 450 s apart is a gap over a third of the window
    t = np.arange(0.0, 300.0, 60.0)
    assert np.isnan(slopes(t, t, 900.0)[0]).all()  # 240 s is under half of it
    assert np.isnan(slopes(t[:2], t[:2], 100.0)[0]).all()


def test_a_missing_sample_has_no_slope_and_the_others_keep_theirs() -> None:
    t = np.arange(0.0, 7200.0, 60.0)
    y = t / 36.0
    y[40] = np.nan
    slope, _ = slopes(t, np.stack([y, t / 36.0]))
    assert np.isnan(slope[0, 40])
    assert slope[0, 39] == pytest.approx(100.0, abs=1e-7)
    assert np.isfinite(slope[1]).sum() == np.isfinite(slope[0]).sum() + 1


def test_line_against_scipy() -> None:
    rng = np.random.default_rng(5)
    t = np.sort(rng.uniform(0.0, 4000.0, 50))
    y = 3.0 + t / 70.0 + rng.normal(size=50)
    expected = linregress(t / 3600.0, y)
    slope, se = line(t, np.where(np.arange(50) == 7, y, y))
    assert slope == pytest.approx(expected.slope, rel=1e-10)
    assert se == pytest.approx(expected.stderr, rel=1e-9)


@pytest.mark.parametrize(("hours", "step", "window"), [(8, 60.0, 900.0), (8, 10.0, 900.0), (8, 60.0, 3600.0)])
def test_noise_peak_is_what_simulated_noise_shows(hours: int, step: float, window: float) -> None:
    """The formula's median peak is within 7 % of 300 simulated traces of white noise."""
    rng = np.random.default_rng(11)
    t = np.arange(0.0, hours * 3600.0, step)
    slope, se = slopes(t, rng.normal(0.0, 0.5, (300, t.size)), window)
    inner = (t >= window / 2) & (t <= t[-1] - window / 2)
    typical = float(np.median(se[:, inner]))
    seen = float(np.median(slope[:, inner].max(axis=1))) / typical
    assert noise_peak(inner.sum() * step, step, window) == pytest.approx(seen, rel=0.07)


def test_half_a_degree_of_noise_shows_several_degrees_per_hour() -> None:
    """Design: 0.5 °C noise at one sample a minute over 8 h shows several °C/h though nothing heats."""
    rng = np.random.default_rng(2)
    t = np.arange(0.0, 8 * 3600.0, 60.0)
    slope, se = slopes(t, 600.0 + rng.normal(0.0, 0.5, t.size))
    peak = float(np.nanmax(slope[20:-20]))
    assert 3.0 < peak < 8.0
    assert se[20 + int(np.nanargmax(slope[20:-20]))] == pytest.approx(1.75, rel=0.5)


def test_cost_grows_with_samples_not_with_the_window() -> None:
    """Told by the memory taken, which is the same each time: no window's samples are put side by side."""
    t = np.arange(0.0, 86400.0, 10.0)
    y = np.random.default_rng(0).normal(size=(12, t.size))

    def bytes_taken(window: float) -> int:
        tracemalloc.start()
        try:
            slopes(t, y, window)
            return tracemalloc.get_traced_memory()[1]
        finally:
            tracemalloc.stop()

    assert bytes_taken(36000.0) < 1.1 * bytes_taken(600.0) < 40 * y.nbytes


@pytest.mark.parametrize("jitter", [0.0, 1e-9, 0.4])
@pytest.mark.parametrize("samples", [2, 3, 40, 89, 90, 91, 400])
def test_windows_of_an_even_recorder_are_those_that_looking_up_gives(samples: int, jitter: float) -> None:
    """Against numpy.searchsorted, with windows that end exactly on a sample, at the axis' ends and beyond them."""
    t = np.arange(samples) * 10.0 + jitter * np.random.default_rng(samples).uniform(-1.0, 1.0, samples)
    for window in (60.0, 65.0, 900.0, 905.0):
        low = np.searchsorted(t, t - 0.5 * window * (1.0 + 1e-12), side="left")
        high = np.searchsorted(t, t + 0.5 * window * (1.0 + 1e-12), side="right")
        found = rates._Windows.of(t, window)
        assert found.low.tolist() == low.tolist() and found.high.tolist() == high.tolist()
        assert jitter or samples < 91 or found.even is not None
        sums = np.concatenate(([0.0], np.cumsum(t)))
        assert found.over(sums).tolist() == (sums[high] - sums[low]).tolist()
