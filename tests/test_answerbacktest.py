"""What the back-test earns: quantiles with the mass at infinity, coverage by runs, classes."""

from __future__ import annotations

import math

import numpy as np
import pytest

from loadbook.analysis.answers import backtest
from loadbook.analysis.answers.backtest import Scores
from loadbook.analysis.answers.bound import Predicted, one_sided, satterthwaite


@pytest.mark.parametrize("alpha", [0.10, 0.05, 0.01])
def test_the_rank_is_that_of_split_conformal_prediction(alpha: float) -> None:
    """A-CONF: with one piece per group the quantile is the score of rank ceil((n+1)(1−a)); none below n = 9, 19, 99."""
    for n in range(1, 240):
        t = np.random.default_rng(n).permutation(np.arange(1.0, n + 1))
        found = backtest.weighted_quantile(t, np.full(n, 1.0 / (n + 1)), 1 - alpha)
        rank = math.ceil((n + 1) * (1 - alpha) - 1e-9)
        assert found == (rank if rank <= n else math.inf)
    assert backtest.groups_needed(1 - alpha) == {0.10: 9, 0.05: 19, 0.01: 99}[alpha]


def test_a_conf_known_ranks() -> None:
    """A-CONF (PMLR 329, 2026): n = 50, 10 % has rank 46; n = 100 rank 91."""
    for n, rank in ((50, 46), (100, 91)):
        assert backtest.weighted_quantile(np.arange(1.0, n + 1), np.full(n, 1 / (n + 1)), 0.90) == rank


def test_clopper_pearson() -> None:
    """9 of 10: 0.5550 to 0.9975 (Clopper & Pearson 1934, as tabled in textbooks); none and all end at 0 and 1."""
    assert backtest.binomial_interval(9, 10) == pytest.approx((0.5550, 0.9975), abs=1e-4)
    assert backtest.binomial_interval(0, 20)[0] == 0.0 and backtest.binomial_interval(20, 20)[1] == 1.0
    assert backtest.binomial_interval(0, 20)[1] == pytest.approx(1 - 0.025 ** (1 / 20), rel=1e-9)


def scores(groups: int, seed: int) -> tuple[Scores, np.ndarray]:
    rng = np.random.default_rng(seed)
    size = rng.integers(1, 9, groups)
    group = np.repeat(np.arange(groups), size)
    t = rng.normal(size=len(group)) + rng.normal(size=groups)[group]
    weight = 1.0 / ((groups + 1) * size[group])
    return Scores(t, weight, np.arange(len(t)), group, groups, np.ones(len(t))), group


@pytest.mark.parametrize("content", [0.80, 0.90, 0.95])
def test_no_group_sets_the_width_that_it_is_judged_by(content: float) -> None:
    """Against the definition: for every group the quantile of all other groups, done one by one."""
    for seed in range(4):
        found, group = scores(25, seed)
        held = backtest.held_shares(found, np.ones(len(group)), content)
        for g in range(25):
            other = group != g
            weights = found.weight[other] * 26 / 25
            limit = backtest.weighted_quantile(np.abs(found.score[other]), weights, content)
            assert (held[group == g] == (np.abs(found.score[group == g]) <= limit)).all()


@pytest.mark.parametrize("content", [0.80, 0.90, 0.95])
def test_no_part_number_sets_the_width_that_it_is_judged_by(content: float) -> None:
    """The same of part numbers: for each the whole rule of `reach` on the others, done one by one."""
    for seed in range(4):
        for groups in (7, 25):
            found, group = scores(groups, seed)
            factor = 1.0 + 0.3 * (group % 2)
            held = backtest.held_shares(found, factor, content, few=True)
            for g in range(groups):
                o = group != g
                others = np.unique(group[o], return_inverse=True)[1]
                weight = found.weight[o] * (groups + 1) / groups
                left = Scores(found.score[o], weight, np.arange(int(o.sum())), others, groups - 1, found.sd[o])
                limit = backtest.reach(left, factor[o], content, few=True)
                assert (held[group == g] == (np.abs(found.score[group == g]) / factor[group == g] <= limit)).all()


def test_few_part_numbers_have_a_finite_width_that_the_scores_still_set() -> None:
    """Six part numbers at 95 %: finite; scores twice as far make it wider, in the measure in which they count."""
    found, group = scores(6, 1)
    twice = Scores(2 * found.score, found.weight, found.cell, found.group, 6, found.sd)
    one, two = (backtest.reach(s, np.ones(len(group)), 0.95, few=True) for s in (found, twice))
    assert np.isinf(backtest.reach(found, np.ones(len(group)), 0.95, few=False))
    assert two / one == pytest.approx(2 ** (6 / 16))


def test_coverage_counts_runs_not_pieces() -> None:
    run = np.repeat([0, 1, 2, 3], [100, 1, 1, 1])
    held = np.array([False] * 100 + [True] * 3)
    found = backtest.coverage(held, run)
    assert found.held == 0.75 and found.runs == 4 and found.pieces == 103
    assert found.low == pytest.approx(0.194, abs=1e-3)  # 3 of 4, not 3 of 103


def test_coverage_of_part_numbers_is_as_uncertain_as_they_are_few() -> None:
    """Thirty runs of six part numbers, five of them held whole: six units, not thirty."""
    run, part = np.arange(30), np.repeat(np.arange(6), 5)
    found = backtest.coverage(part > 0, run, part)
    assert found.held == pytest.approx(5 / 6) and found.runs == 30
    assert (found.low, found.high) == pytest.approx(backtest.binomial_interval(5, 6))


def test_class_factors_shrink_to_one() -> None:
    rng = np.random.default_rng(2)
    runs = np.repeat(np.arange(60), 5)
    wide = np.where(runs < 30, "thick", "thin")
    t = rng.normal(size=300) * np.where(runs < 30, 2.0, 0.5)
    found = Scores(t, np.full(300, 1 / (61 * 5)), np.arange(300), runs, 60, np.ones(300))
    many = backtest.class_factors(found, runs, wide.tolist())
    assert many["thick"] > 1.2 and many["thin"] < 0.75
    few = Scores(t[145:155], np.full(10, 1 / 15), np.arange(10), runs[145:155] - 29, 2, np.ones(10))
    less = backtest.class_factors(few, runs[145:155], wide[145:155].tolist())
    assert abs(less["thick"] - 1) < abs(many["thick"] - 1)


def test_the_bound_of_a_plain_sample_is_near_the_exact_factor() -> None:
    """n = 10 and 30 pieces of one population: 95/95 factors 2.911 and 2.220 (A-TOL1, Montgomery & Runger, Table XII).

    The bound takes mean and spread as independent and adds the mean's own t, so it lies a little on the safe side.
    """
    for n, exact in ((10, 2.911), (30, 2.220)):
        bound, ratio = one_sided(Predicted(0.0, 1 / n, n - 1, 1.0, n - 1), 1, np.zeros(n), np.full(n, 1 / n), n)
        assert ratio == 1.0 and bound == pytest.approx(exact, rel=0.05)
    low, _ = one_sided(Predicted(5.0, 0.1, 9, 1.0, 9), -1, np.zeros(10), np.full(10, 1 / 11), 10)
    high, _ = one_sided(Predicted(5.0, 0.1, 9, 1.0, 9), 1, np.zeros(10), np.full(10, 1 / 11), 10)
    assert low + high == pytest.approx(10.0)


def test_the_bound_widens_where_the_back_test_has_long_tails() -> None:
    weight, about = np.full(40, 1 / 41), Predicted(0.0, 0.1, 30, 1.0, 30)
    plain, one = one_sided(about, 1, np.linspace(-1.6, 1.6, 40), weight, 40)
    tailed, ratio = one_sided(about, 1, np.concatenate([np.zeros(37), [4.0] * 3]), weight, 40)
    assert one == 1.0 and ratio == pytest.approx(4.0 / 1.6449, rel=1e-3) and tailed == pytest.approx(plain * ratio)


def test_degrees_of_freedom_after_satterthwaite() -> None:
    assert satterthwaite([(1.0, 4.0), (1.0, 4.0)]) == pytest.approx(8.0)
    assert satterthwaite([(0.0, 4.0), (0.0, 4.0)]) == 1.0
