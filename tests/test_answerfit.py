"""The answer's model: the structured path equals the dense one, the gradient is right, published components fit."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest

from loadbook.analysis.answers import backtest
from loadbook.analysis.answers import fit as answerfit
from loadbook.analysis.answers.cells import Grouping, Slopes
from loadbook.analysis.answers.fit import Fit, dense_covariance, fit
from loadbook.analysis.answers.sums import Sums
from loadbook.core.errors import CalculationError
from tests.published import table

ROOT = Path(__file__).resolve().parent.parent


def made(cells: int, parts: int, runs: int, seed: int = 1, within: float = 200.0) -> tuple[np.ndarray, np.ndarray, Fit]:
    """A fitted history with shared runs, two factors in one term, and two slopes."""
    rng = np.random.default_rng(seed)
    part = rng.integers(0, parts, cells)
    run = np.unique(np.sort(rng.integers(0, runs, cells)), return_inverse=True)[1]
    slopes = rng.normal(size=(cells, 2))
    n = rng.integers(1, 6, cells).astype(float)
    z = rng.normal(size=parts)[part] * 5 + slopes @ [1.0, 2.0] + rng.normal(size=run.max() + 1)[run] * 2
    z = z + rng.normal(size=cells) / np.sqrt(n) + 40.0
    terms = [
        Grouping("family", ([f"m{p % 3}" for p in part], [f"s{p % 2}" for p in part])),
        Grouping("part", (part.tolist(),)),
        Slopes("settings", slopes),
    ]
    return part, run, fit(z, n, run, terms, within, within)


@pytest.mark.parametrize("fixed", [1.3, None])
def test_the_gradient_is_that_of_the_value(fixed: float | None) -> None:
    _, run, f = made(50, 7, 35)
    sums = Sums(f.z - f.centre, f.n, run, f.terms)
    given = answerfit._Given(3, 1e3, fixed, (5.0, 4.0), 2.0)
    at = np.random.default_rng(3).normal(size=4 + (fixed is None)) * 0.5
    value = answerfit._evaluate(sums, at, given)
    step = 1e-5
    for k, e in enumerate(np.eye(len(at)) * step):
        up, down = answerfit._evaluate(sums, at + e, given).value, answerfit._evaluate(sums, at - e, given).value
        assert value.gradient[k] == pytest.approx((up - down) / (2 * step), rel=1e-5, abs=1e-6)


def test_the_structured_path_equals_the_dense_one() -> None:
    """Likelihood, prediction and variance through group sums and Woodbury against K itself, 300 cells."""
    _, _, f = made(300, 25, 180)
    K, zc = dense_covariance(f), f.z - f.centre
    sign, log_det = np.linalg.slogdet(K)
    dense = -0.5 * (log_det + zc @ np.linalg.solve(K, zc) + len(zc) * np.log(2 * np.pi))
    assert sign == 1 and f.log_likelihood == pytest.approx(dense, rel=1e-10)
    for labels, columns in (
        ({"family": ("m1", "s0"), "part": (3,)}, {"settings": np.array([0.5, 1.0])}),
        ({"family": ("m2", "never seen"), "part": (None,)}, {"settings": np.array([0.0, -2.0])}),
    ):
        row = f.row(labels, columns)
        u = np.zeros(len(f.g))
        u[row.at] = row.values
        k = f.U.toarray() @ (f.g * u)
        assert f.mean(row) == pytest.approx(f.centre + k @ np.linalg.solve(K, zc), rel=1e-9)
        own = float(u @ (f.g * u)) + row.unknown
        assert f.mean_variance(row) == pytest.approx(own - k @ np.linalg.solve(K, k), rel=1e-6)
    assert row.unknown == pytest.approx(f.theta["family"] + f.theta["part"])


@pytest.mark.parametrize("direct", [250, 0])
@pytest.mark.parametrize("by", ["run", "part"])
def test_left_out_errors_equal_those_of_the_dense_inverse(
    by: str, direct: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """(S_gg)⁻¹ α_g from K⁻¹ itself, and from predicting the group with the others' covariance alone."""
    part, run, f = made(80, 9, 50)
    monkeypatch.setattr(backtest, "_DIRECT", direct)
    group = run if by == "run" else part
    error, variance = backtest.left_out(f, group)
    K, zc = dense_covariance(f), f.z - f.centre
    for g in np.unique(group):
        i, o = group == g, group != g
        across = K[np.ix_(i, o)] @ np.linalg.inv(K[np.ix_(o, o)])
        np.testing.assert_allclose(error[i], zc[i] - across @ zc[o], rtol=1e-6, atol=1e-8)
        np.testing.assert_allclose(variance[i], np.diag(K[np.ix_(i, i)] - across @ K[np.ix_(o, i)]), rtol=1e-6)


def dyestuff() -> tuple[np.ndarray, np.ndarray]:
    with (ROOT / "fixtures/published/dyestuff.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    return np.array([float(r["Yield"]) for r in rows]), np.array([ord(r["Batch"]) - 65 for r in rows], dtype=np.int64)


def test_dyestuff_components_are_the_optimum_of_this_likelihood() -> None:
    """A-DYE (lme4 tests; Bates et al. 2015): REML criterion 319.654276842 at batch 1764.05, residual 49.5101².

    A batch is a run here, a preparation a piece; with a vague intercept the likelihood is the restricted one up to
    log(2π c0), and its gradient (without the penalty) vanishes there.
    """
    z, batch = dyestuff()
    sums = Sums(z - z.mean(), np.ones(len(z)), batch, [])
    vague = 1e12
    given = answerfit._Given(0, vague, None, (0.0, 0.0), np.inf)
    state = answerfit._evaluate(sums, np.log([1764.05, 49.5101**2]), given)
    assert -2 * state.log_likelihood - np.log(2 * np.pi * vague) == pytest.approx(319.654276842, abs=1e-5)
    np.testing.assert_allclose(state.gradient + 0.5, 0.0, atol=1e-4)
    mean, se2 = state.beta[0] + z.mean(), state.C.block(np.array([0]))[0, 0]
    assert mean == pytest.approx(1527.5, rel=1e-9) and se2 == pytest.approx(375.7147, rel=1e-4)


def test_random_slopes_of_the_sleep_study() -> None:
    """A-SLEEP (lme4 `sleepstudy`): REML criterion 1743.6282722 at variances 612.09, 35.07, covariance 9.605, residual
    654.94; fixed 251.405 (6.825), 10.467 (1.546); the optimum is the one that statsmodels MixedLM finds.

    Levels and slopes have no covariance in this model. Counted from the day on which the published ones have none
    (-9.605/35.07), they are the same model: level 612.09 - 9.605²/35.07 there, slope 35.07. A subject is a part here.
    """
    from statsmodels.regression.mixed_linear_model import MixedLM

    vague = 1e10  # the variance that leaves intercept and common slope free
    rows = table("sleepstudy")
    z, day = rows["reaction_ms"].to_numpy(dtype=float), rows["days"].to_numpy(dtype=float)
    subject = rows["subject"].to_numpy()
    own = (subject[:, None] == np.unique(subject)[None, :]).astype(float)

    def at(cov: np.ndarray, s2: float) -> tuple[answerfit._State, int]:
        days = day + cov[0, 1] / cov[1, 1]
        terms = [
            Grouping("level", (subject.tolist(),)), Slopes("slope", own * days[:, None]), Slopes("all", days[:, None])
        ]  # fmt: skip
        sums = Sums(z - z.mean(), np.ones(len(z)), np.arange(len(z)), terms)
        given = answerfit._Given(3, vague, None, (0.0, 0.0), np.inf)
        variances = [cov[0, 0] - cov[0, 1] ** 2 / cov[1, 1], cov[1, 1], vague, 1e-9, s2]
        return answerfit._evaluate(sums, np.log(variances), given), sums.offsets["all"][0]

    published, slope = at(np.array([[612.09, 9.605], [9.605, 35.07]]), 654.94)
    assert -2 * published.log_likelihood - 2 * np.log(2 * np.pi * vague) == pytest.approx(1743.6282722, abs=1e-3)
    assert published.beta[slope] == pytest.approx(10.467, abs=1e-3)
    assert np.sqrt(published.C.block(np.array([slope]))[0, 0]) == pytest.approx(1.546, abs=1e-3)
    shift = 9.605 / 35.07  # the level counts from that day
    assert published.beta[0] + z.mean() + shift * published.beta[slope] == pytest.approx(251.405, abs=1e-2)

    other = MixedLM(z, np.column_stack([np.ones(180), day]), subject, np.column_stack([np.ones(180), day])).fit()
    found, _ = at(np.asarray(other.cov_re), float(other.scale))
    assert other.scale == pytest.approx(654.94, rel=1e-3)
    np.testing.assert_allclose(found.gradient[[0, 1, 4]] + 0.5, 0.0, atol=2e-3)


def test_no_variance_between_runs_is_no_crash() -> None:
    """The case of A-DYE2: runs closer together than their pieces allow; the component falls away, nothing breaks."""
    rng = np.random.default_rng(5)
    run = np.repeat(np.arange(12), 5)
    z = rng.normal(size=60)
    z -= np.bincount(run, weights=z)[run] / 5  # every run has the same mean
    f = fit(z, np.ones(60), run, [], 0.0, 0.0)
    assert f.run_var < 0.2 * f.s2 and f.s2 == pytest.approx(z @ z / 59, rel=0.35)
    sums = Sums(z - z.mean(), np.ones(60), run, [])
    given = answerfit._Given(0, 1e6, None, (0.0, 0.0), np.inf)
    low = answerfit._evaluate(sums, np.log([1e-9, f.s2]), given).log_likelihood
    high = answerfit._evaluate(sums, np.log([0.05, f.s2]), given).log_likelihood
    assert low > high


def test_all_equal_has_no_model() -> None:
    with pytest.raises(CalculationError, match="every movement recorded is the same"):
        fit(np.full(12, 3.0), np.ones(12), np.arange(12), [])


def test_a_furnace_can_join_the_list() -> None:
    """The terms are a list: a furnace level left out shows in the run's variance, and joins as one more term."""
    rng = np.random.default_rng(8)
    furnace = rng.integers(0, 6, 200)
    run = np.arange(200)
    z = rng.normal(size=6)[furnace] * 8 + rng.normal(size=200)
    without = fit(z, np.ones(200), run, [], 0.0, 0.0)
    joined = fit(z, np.ones(200), run, [Grouping("furnace", (furnace.tolist(),))], 0.0, 0.0)
    assert without.run_var + without.s2 > 20 and joined.run_var + joined.s2 < 3
    assert joined.theta["furnace"] > 15
