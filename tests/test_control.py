"""Control charts for individual values against a published example, and the tests against sequences made by hand."""

from __future__ import annotations

import numpy as np
import pytest

from loadbook.analysis.planning import control
from loadbook.core.errors import CalculationError


def test_limits_of_a_published_example() -> None:
    """NIST/SEMATECH e-Handbook 6.3.2.2: flow rate of ten batches; mean 50.81, mean moving range 1.8778,
    limits 45.8159 and 55.8041 (values as quoted from the handbook, and computed again)."""
    found = control.individuals([49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1])
    assert found.centre == pytest.approx(50.81, abs=5e-5)
    assert found.mean_range == pytest.approx(1.8778, abs=5e-5)
    assert (found.low, found.high) == (pytest.approx(45.8159, abs=5e-5), pytest.approx(55.8041, abs=5e-5))


def test_two_finite_values_are_needed() -> None:
    for values in ([], [1.0], [1.0, float("nan")]):
        with pytest.raises(CalculationError):
            control.individuals(values)


def rules(values: list[float], limit: float = 3.0) -> list[tuple[str, int, int]]:
    n = len(values)
    found = control.signals(np.array(values), np.full(n, -limit), np.full(n, limit))
    return [(s.rule, s.first, s.last) for s in found]


@pytest.mark.parametrize(
    "values, expected",
    [
        ([0.1, -0.1, 3.01, 0.1], [("beyond", 2, 2)]),
        ([0.1, -0.1, 3.0, 0.1], []),  # on the limit is not beyond it
        ([0.1, -0.1, -3.5], [("beyond", 2, 2)]),
        ([1, 2, 1, 2, 1, 2], []),  # six on one side
        ([1, 2, 1, 2, 1, 2, 1], [("side", 0, 6)]),
        ([-1, 1, 2, 1, 2, 1, 2, 1, 2, -1], [("side", 1, 8)]),  # told once, whole
        ([1, 2, 1, 0, 2, 1, 2, 1], []),  # a point on the line breaks the run
        ([-2.5, -2, -1, 0.5, 1, 2], []),  # six that rise
        ([-2.5, -2, -1, 0.5, 1, 2, 2.5], [("trend", 0, 6)]),
        ([2.5, 2, 1, 0.5, -1, -2, -2.5, 0], [("trend", 0, 6)]),
        ([-2, -1, -0.5, -0.5, 0.5, 1, 2], []),  # two equal ones break it
    ],
)
def test_rules(values: list[float], expected: list[tuple[str, int, int]]) -> None:
    assert rules(values) == expected


def test_a_run_without_a_value_neither_counts_nor_breaks() -> None:
    assert rules([1, 2, float("nan"), 1, 2, 1, 2, 1]) == [("side", 0, 7)]
    assert rules([float("nan")] * 9) == [] and rules([]) == []


def test_a_plain_chart_is_the_textbook_one() -> None:
    values = np.random.default_rng(3).normal(100, 4, 30)
    found = control.chart(values)
    textbook = control.individuals(values)
    assert found.limits is not None and found.baseline.all() and not found.left_out.any()
    assert found.usual[0] + found.low[0] == pytest.approx(textbook.low)
    assert found.usual[-1] + found.high[-1] == pytest.approx(textbook.high)


def test_too_few_runs_have_no_limits_and_say_so() -> None:
    values = np.random.default_rng(1).normal(0, 1, 19)
    found = control.chart(values)
    assert found.limits is None and found.why == "too few runs for limits: 19 of 20" and not found.signals
    assert np.isnan(found.low).all() and np.isfinite(found.difference).all()
    grouped = control.chart(np.append(values, 1.0), ["A"] * 10 + ["B"] * 8 + ["C", "D"])
    assert grouped.why == "too few runs for limits: 18 of 20"  # C and D have no usual value
    assert np.isnan(grouped.difference[-2:]).all()
    same = control.chart(np.full(25, 7.0))
    assert same.limits is None and same.why is not None and "do not vary" in same.why


def test_a_change_of_work_is_no_change_of_the_furnace() -> None:
    """Two cycles whose usual leads are 200 apart, run in turn: no signal; plainly charted, limits of no use."""
    rng = np.random.default_rng(5)
    cycles = [("A", "B")[k % 2] for k in range(50)]
    values = np.array([60.0 if c == "A" else 260.0 for c in cycles]) + rng.normal(0, 5, 50)
    before = np.arange(50) < 40
    found = control.chart(values, cycles, before)
    assert found.limits is not None and found.limits.sigma == pytest.approx(5, rel=0.4)
    assert found.baseline.sum() == 20 and not found.baseline[20:].any()
    plain = control.chart(values)
    assert plain.limits is not None and plain.limits.sigma > 20 * found.limits.sigma


def test_a_drifting_furnace_is_seen() -> None:
    rng = np.random.default_rng(8)
    cycles = ["AB"[k % 2] for k in range(45)]
    drift = np.where(np.arange(45) < 30, 0.0, 2.0 * (np.arange(45) - 29))
    found = control.chart(50.0 + drift + rng.normal(0, 4, 45), cycles, np.arange(45) < 30)
    told = {s.rule for s in found.signals if s.last >= 38}
    assert "beyond" in told and "side" in told
    quiet = control.chart(50.0 + rng.normal(0, 4, 45), cycles, np.arange(45) < 30)
    assert not [s for s in quiet.signals if s.rule == "beyond"]


def test_a_wild_baseline_point_is_left_out_once() -> None:
    rng = np.random.default_rng(2)
    values = rng.normal(60, 5, 40)
    values[4] = 660.0
    found = control.chart(values, ["A"] * 20 + ["B"] * 20, np.arange(40) < 38)
    assert found.left_out[4] and found.left_out.sum() == 1 and not found.baseline[4]
    assert found.limits is not None and found.limits.count == 19  # twenty were there before
    more = control.chart(np.append(values, rng.normal(60, 5, 12)), ["A"] * 20 + ["B"] * 20 + ["C"] * 12)
    assert more.limits is not None and more.limits.sigma == pytest.approx(5, rel=0.4)
    assert [s for s in more.signals if s.rule == "beyond" and s.first == 4]  # still told


def test_sigma_is_right_whatever_the_sizes_of_the_groups() -> None:
    """Groups of 3 to 10: without the factor for a group's own mean sigma would come out 20 % low for groups of 3."""
    rng = np.random.default_rng(11)
    found = []
    for _ in range(300):
        groups = list(rng.permutation(["A"] * 3 + ["B"] * 3 + ["C"] * 4 + ["D"] * 3 + ["E"] * 10))
        chart = control.chart(rng.normal(0, 1, len(groups)) + [ord(g) for g in groups], groups)
        if not chart.left_out.any() and chart.limits is not None:
            found.append(chart.limits.sigma)
    assert len(found) > 250 and np.mean(found) == pytest.approx(1.0, abs=0.03)


def test_new_points_of_a_small_group_have_wider_limits() -> None:
    values = np.random.default_rng(4).normal(0, 1, 30)
    found = control.chart(values, ["A"] * 3 + ["B"] * 27, np.arange(30) < 25)
    assert found.limits is None  # 3 + 10 baseline runs
    groups = ["A"] * 4 + ["B"] * 10 + ["C"] * 10 + ["A", "B"]
    found = control.chart(np.random.default_rng(4).normal(0, 1, 26), groups, np.arange(26) < 24)
    assert found.limits is not None
    small, large = found.high[-2], found.high[-1]
    assert small / large == pytest.approx(np.sqrt(1.25 / 1.1)) and found.high[0] < small
