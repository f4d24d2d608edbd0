"""Corrections, ranges, flags, tolerances, and what is set aside."""

from __future__ import annotations

import csv
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from loadbook.analysis.trace import sensors
from loadbook.analysis.trace.model import MISSING, OPEN, OUT_OF_RANGE, Channel, Fault, Trace
from loadbook.analysis.trace.repair import repaired, sorted_out
from loadbook.analysis.trace.validity import (
    corrected,
    cut,
    hottest_coldest,
    marked,
    prepared,
    without,
)
from loadbook.core.errors import UsageError


def raw(values: list[list[float]], *channels: Channel) -> Trace:
    v = np.array(values, dtype=float)
    return Trace(np.arange(v.shape[1]) * 60.0, v, np.zeros(v.shape, np.uint8), channels)


def test_correction_is_linear_between_points_and_held_beyond() -> None:
    tc = Channel(1, "TC1", "work", correction=((300.0, -1.5), (100.0, -0.5)))  # order does not matter
    out = corrected(raw([[50.0, 100.0, 150.0, 300.0, 900.0]], tc))
    assert out.values[0].tolist() == [49.5, 99.5, 149.25, 298.5, 898.5]


def test_correction_is_never_applied_twice_and_leaves_the_raw_trace_alone() -> None:
    trace = raw([[100.0, 200.0]], Channel(1, "TC1", "work", correction=((100.0, 2.0),)))
    once = prepared(trace)
    assert prepared(once).values.tolist() == once.values.tolist() == [[102.0, 202.0]]
    assert corrected(replace(once)).values.tolist() == [[102.0, 202.0]]
    assert trace.values.tolist() == [[100.0, 200.0]]


def test_correction_touches_no_pressure_channel() -> None:
    gauge = Channel(1, "P", "pressure", quantity="pressure", correction=((0.0, 5.0),))
    assert corrected(raw([[1e-3]], gauge)).values.tolist() == [[1e-3]]


@pytest.mark.parametrize(
    ("tc_type", "reading", "valid"),
    [("K", 1372.0, True), ("K", 1372.1, False), ("T", 401.0, False), ("J", -60.0, False), (None, 1819.0, True),
     ("S", 1768.0, True), ("n", 1301.0, False), ("Pt100", 1900.0, False)],
)  # fmt: skip
def test_range_of_the_sensor_type(tc_type: str | None, reading: float, valid: bool) -> None:
    out = marked(raw([[20.0, reading]], Channel(1, "TC1", "work", tc_type=tc_type)))
    assert bool(np.isfinite(out.values[0, 1])) is valid
    assert bool(out.flags[0, 1] & OUT_OF_RANGE) is not valid
    assert out.values[0, 0] == 20.0


def test_missing_is_flagged_and_sentinel_keeps_its_flag() -> None:
    trace = raw([[20.0, np.nan, 30.0]], Channel(1, "TC1", "work"))
    trace.flags[0, 2] = OPEN
    out = marked(trace)
    assert out.flags[0].tolist() == [0, MISSING, OPEN]
    assert np.isnan(out.values[0]).tolist() == [False, True, True]


def test_negative_absolute_pressure_is_no_pressure() -> None:
    out = marked(raw([[-1e-6, 0.0, 1e-3]], Channel(1, "P", "pressure", quantity="pressure")))
    assert np.isnan(out.values[0]).tolist() == [True, False, False]


def test_only_certain_faults_take_samples_out() -> None:
    trace = prepared(raw([[1.0, 2.0, 3.0]], Channel(1, "TC1", "work")))
    sure = Fault("open", "TC1", 60.0, 60.0, 1.0, True, ())
    assert np.isnan(repaired(trace, [sure])[0].values[0]).tolist() == [False, True, False]
    assert sorted_out([replace(sure, certain=False)], ()) == ([], [replace(sure, certain=False)])
    assert np.isnan(without(trace, ["TC1"]).values).all()


def test_hottest_coldest_against_numpy() -> None:
    rng = np.random.default_rng(3)
    values = rng.normal(size=(7, 200))
    values[rng.random(values.shape) < 0.4] = np.nan
    values[:, 5] = np.nan
    trace = raw(values.tolist(), *(Channel(i, f"TC{i}", "work") for i in range(7)))
    hot, cold = hottest_coldest(trace, list(range(7)))
    ok = np.isfinite(values).any(axis=0)
    np.testing.assert_array_equal(hot[ok], np.nanmax(values[:, ok], axis=0))
    np.testing.assert_array_equal(cold[ok], np.nanmin(values[:, ok], axis=0))
    assert np.isnan([hot[5], cold[5]]).all()


def test_cut_ends_at_the_last_sample_before() -> None:
    trace = prepared(raw([[1.0, 2.0, 3.0]], Channel(1, "TC1", "work")))
    assert cut(trace, 100.0).t_s.tolist() == [0.0, 60.0]
    assert cut(trace, 100.0) is cut(trace, 119.0)  # worked out once
    assert cut(trace, 120.0) is trace


# IEC 60584-1 and ASTM E230 as listed with the published check values (B-TCTOL)
@pytest.mark.parametrize(
    ("tc", "t", "grade", "standard", "expected"),
    [("K", 375.0, "1", "IEC 60584-1", 1.5), ("K", 1000.0, "1", "IEC 60584-1", 4.0),
     ("N", 333.0, "2", "IEC 60584-1", 2.5), ("K", 1200.0, "2", "IEC 60584-1", 9.0),
     ("S", 1100.0, "1", "IEC 60584-1", 1.0), ("R", 1200.0, "1", "IEC 60584-1", 1.3),
     ("B", 1000.0, "2", "IEC 60584-1", 2.5), ("K", 1000.0, "standard", "ASTM E230", 7.5),
     ("K", 200.0, "special", "ASTM E230", 1.1), ("E", 800.0, "standard", "ASTM E230", 4.0)],
)  # fmt: skip
def test_tolerance_classes(tc: str, t: float, grade: str, standard: str, expected: float) -> None:
    assert float(sensors.tolerance_c(tc, t, grade, standard)) == pytest.approx(expected, abs=1e-12)


def test_tolerance_outside_its_class_is_not_stated() -> None:
    assert np.isnan(sensors.tolerance_c("K", 1100.0, "1"))
    with pytest.raises(UsageError, match="type 'X'"):
        sensors.tolerance_c("X", 100.0)


def test_tolerances_are_the_whole_published_table() -> None:
    """Every row of the published table (IEC 60584-1, ASTM E230)."""
    path = Path(__file__).parents[1] / "fixtures" / "published" / "thermocouple_tolerances.csv"
    rows = list(csv.DictReader(path.read_text(encoding="utf-8").splitlines()))
    assert len(rows) == sum(len(t) for t in sensors.TOLERANCES.values())
    for row in rows:
        table = sensors.TOLERANCES[{"IEC60584": "IEC 60584-1", "ASTM_E230": "ASTM E230"}[row["standard"]]]
        rule = table[row["type"].replace("/", ""), row["class"]]
        assert (rule.low_c, rule.high_c) == (float(row["range_lo_C"]), float(row["range_hi_C"]))
        assert rule.fixed_c == float(row["fixed_C"] or 0.0)
