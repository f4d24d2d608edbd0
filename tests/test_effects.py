"""Effects: the regression core against published fits and brute force, refusals as sentences, joint fits, p values."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from loadbook.analysis.effects.cells import Cells, Column, cells_of, indicators
from loadbook.analysis.effects.estimate import one_at_a_time
from loadbook.analysis.effects.joint import effects
from loadbook.analysis.effects.regression import NotEstimable, adjusted, familywise, fit_within, t_interval
from loadbook.analysis.movement.scatter import clustered_mean
from loadbook.queries.effect_words import verdict

from .published import table


def straight(x: np.ndarray, y: np.ndarray):  # type: ignore[no-untyped-def]
    """One part number, every row a run of its own: the core as an ordinary straight-line fit."""
    n = y.size
    return fit_within(y, x.reshape(n, -1), np.zeros(n, dtype=np.intp), np.arange(n, dtype=np.intp))


def test_norris() -> None:
    """A-NORRIS: NIST StRD Norris, certified: B1, its standard deviation, B0, residual standard deviation."""
    rows = table("nist_norris")
    y, x = rows["y"].to_numpy(dtype=float), rows["x"].to_numpy(dtype=float)
    fit = straight(x, y)
    assert fit.slopes[0] == pytest.approx(1.00211681802045, rel=1e-9)
    assert y.mean() - fit.slopes[0] * x.mean() == pytest.approx(-0.262323073774029, rel=1e-9)
    assert fit.residual_sd == pytest.approx(0.884796396144373, rel=1e-9)
    assert fit.residual_sd * np.sqrt(fit.unscaled[0, 0]) == pytest.approx(0.429796848199937e-03, rel=1e-9)


def test_longley() -> None:
    """A-LONGLEY: NIST StRD Longley (six columns that move almost as one), certified coefficients."""
    from statsmodels import datasets

    data = datasets.longley.load_pandas()
    y, x = data.endog.to_numpy(dtype=float), data.exog.to_numpy(dtype=float)
    fit = straight(x, y)
    certified = [15.0618723, -0.0358191793, -2.02022980, -1.03322687, -0.0511041057, 1829.15146]
    assert fit.slopes == pytest.approx(certified, rel=1e-6)
    assert fit.residual_sd == pytest.approx(304.854073562, rel=1e-9)
    assert y.mean() - fit.slopes @ x.mean(axis=0) == pytest.approx(-3482258.63, rel=1e-6)


def test_pressure_and_temperature_prediction() -> None:
    """A-PRED: NIST e-Handbook 4.5.1: mean and prediction intervals of a straight line, from the core's pieces."""
    rows = table("nist_pressure_temperature")
    x, y = rows["temperature"].to_numpy(dtype=float), rows["pressure"].to_numpy(dtype=float)
    fit = straight(x, y)
    assert fit.slopes[0] == pytest.approx(3.93014, abs=5e-6)
    assert fit.residual_sd == pytest.approx(4.299099, abs=5e-7)
    for at, value, of_mean, of_one, half in (
        (25.0, 106.0025, 1.1976162, 4.462795, 9.034455),
        (45.0, 184.6053, 0.6803245, 4.352596, 8.811369),
        (65.0, 263.2081, 1.2441620, 4.475510, 9.060197),
    ):
        told = y.mean() + fit.slopes[0] * (at - x.mean())
        se = fit.residual_sd * np.sqrt(1 / x.size + fit.unscaled[0, 0] * (at - x.mean()) ** 2)
        assert told == pytest.approx(value, rel=1e-6)
        assert se == pytest.approx(of_mean, rel=1e-6)
        assert np.hypot(se, fit.residual_sd) == pytest.approx(of_one, rel=1e-6)
        low, high, _ = t_interval(told, float(np.hypot(se, fit.residual_sd)), fit.residual_df, 0.95)
        assert (high - low) / 2 == pytest.approx(half, rel=1e-6)


def test_shrinkage_experiment() -> None:
    """A-SHRINK: Montgomery DOE example 8.4: y = 27.3125 + 6.9375 x1 + 17.8125 x2 + 5.9375 x1 x2; holding time
    scatters 3.5 x."""
    rows = table("injection_moulding_shrinkage")
    y = rows["shrinkage_x10_pct"].to_numpy(dtype=float)
    x1, x2, hold = (rows[c].to_numpy(dtype=float) for c in ("mold_temp", "screw_speed", "holding_time"))
    fit = straight(np.column_stack([x1, x2, x1 * x2]), y)
    assert y.mean() == pytest.approx(27.3125, abs=1e-9)
    assert fit.slopes == pytest.approx([6.9375, 17.8125, 5.9375], abs=1e-9)
    left = y - y.mean() - np.column_stack([x1, x2, x1 * x2]) @ fit.slopes
    assert left[hold > 0].std(ddof=1) == pytest.approx(5.69578, abs=1e-5)
    assert left[hold < 0].std(ddof=1) == pytest.approx(1.62980, abs=1e-5)


def brute(y: np.ndarray, x: np.ndarray, group: np.ndarray, cluster: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Slopes with each cluster left out, by fitting again without it."""
    z = np.column_stack([x, np.eye(int(group.max()) + 1)[group]])
    k = x.shape[1]
    whole = np.linalg.lstsq(z, y, rcond=None)[0][:k]
    left = [np.linalg.lstsq(z[cluster != c], y[cluster != c], rcond=None)[0][:k] for c in range(cluster.max() + 1)]
    return whole, np.array(left)


@pytest.mark.parametrize("shared", [1, 3])
def test_leave_one_run_out_is_exact_without_refits(shared: int) -> None:
    """The block formula equals fitting again without each run; the covariance is the sum of those steps squared."""
    rng = np.random.default_rng(shared)
    n = 45
    group, cluster = rng.integers(0, 5, n), np.arange(n) // shared
    x = rng.normal(size=(n, 2))
    y = x @ [1.0, -2.0] + group + rng.normal(size=n)
    fit = fit_within(y, x, group, cluster)
    whole, left = brute(y, x, group, cluster)
    assert fit.slopes == pytest.approx(whole, abs=1e-10)
    assert np.abs(fit.left_out - left).max() < 1e-10
    assert np.abs(fit.covariance - (left - whole).T @ (left - whole)).max() < 1e-10


def test_one_part_number_a_run_is_hc3_of_statsmodels() -> None:
    import statsmodels.api as sm

    rng = np.random.default_rng(8)
    n = 40
    group = rng.integers(0, 6, n)
    x = rng.normal(size=(n, 2))
    y = x @ [0.5, 1.0] + rng.normal(size=n) * (1 + np.abs(x[:, 0]))
    fit = fit_within(y, x, group, np.arange(n))
    other = sm.OLS(y, np.column_stack([x, np.eye(6)[group]])).fit(cov_type="HC3")
    assert np.abs(fit.covariance - other.cov_params()[:2, :2]).max() < 1e-12


def test_benjamini_hochberg() -> None:
    """A-FDR: Benjamini & Hochberg 1995, the 15 p values of their example: four are called at 5 %."""
    p = [.0001, .0004, .0019, .0095, .0201, .0278, .0298, .0344, .0459, .3240, .4262, .5719, .6528, .7590,
         1.0]  # fmt: skip
    told = [.0015, .003, .0095, .035625, .0603, .06385714, .06385714, .0645, .0765, .486, .58118182, .714875,
            .75323077, .81321429, 1.0]  # fmt: skip
    found = adjusted(p)
    assert found == pytest.approx(told, abs=1e-8)
    assert int(np.sum(found < 0.05)) == 4
    shuffled = np.random.default_rng(1).permutation(15)
    assert adjusted(np.array(p)[shuffled]) == pytest.approx(found[shuffled])
    with_refused = adjusted([*p, np.nan])
    assert np.isnan(with_refused[-1]) and with_refused[:-1] == pytest.approx(told, abs=1e-8)


def test_holm_beside_the_same_example() -> None:
    """Of the 15 p values Holm calls three, as Bonferroni does; figures as statsmodels has them; NaN is not counted."""
    from statsmodels.stats.multitest import multipletests

    p = [.0001, .0004, .0019, .0095, .0201, .0278, .0298, .0344, .0459, .3240, .4262, .5719, .6528, .7590,
         1.0]  # fmt: skip
    found = familywise([*p[::-1], np.nan])
    assert found[:-1][::-1] == pytest.approx(multipletests(p, method="holm")[1]) and np.isnan(found[-1])
    assert int(np.nansum(found < 0.05)) == 3


def test_with_one_true_effect_no_useless_one_gets_in_more_often_than_it_may() -> None:
    """Beside an effect that is always found, three useless parameters: Holm 5 %, Benjamini-Hochberg over 6 %."""
    raw = np.column_stack([np.full(20_000, 1e-9), np.random.default_rng(7).random((20_000, 3))])
    holm = np.mean([(familywise(p)[1:] < 0.05).any() for p in raw])
    share = np.mean([(adjusted(p)[1:] < 0.05).any() for p in raw])
    assert holm == pytest.approx(0.05, abs=0.006) and share > 0.064


def test_errors_by_cluster_on_petersens_data() -> None:
    """A-CLUST: Petersen (2009), 500 firms x 10 years: coefficients .0297 and 1.0348; intercept by firm .0670, by year
    .0234; slope without clusters .0286, White .0284, by firm .0506, by year .0334.

    A run is a firm here. The published figures by firm and year scale the plain residuals (CR1); leaving each cluster
    out (CR3) is a little wider on the same data: by half a per cent with 500 clusters, by five with ten.
    """
    rows = table("petersen_clustered")
    y, x = rows["y"].to_numpy(dtype=float), rows["x"].to_numpy(dtype=float)
    alone, n = np.zeros(y.size, dtype=np.intp), y.size
    firm, year = (np.unique(rows[c], return_inverse=True)[1].astype(np.intp) for c in ("firm", "year"))
    white = fit_within(y, x[:, None], alone, np.arange(n, dtype=np.intp))
    assert white.slopes[0] == pytest.approx(1.0348, abs=5e-5)
    assert white.residual_sd * np.sqrt(white.unscaled[0, 0]) == pytest.approx(0.0286, abs=5e-5)
    assert white.se[0] == pytest.approx(0.0284, abs=5e-5)
    left = y - white.slopes[0] * x
    for clusters, of_mean, of_slope, wider in ((firm, 0.0670, 0.0506, 1.01), (year, 0.0234, 0.0334, 1.06)):
        mean, se, _ = clustered_mean(left, clusters)
        assert mean == pytest.approx(0.0297, abs=5e-5)
        assert se == pytest.approx(of_mean, abs=5e-5)
        assert of_slope < fit_within(y, x[:, None], alone, clusters).se[0] < of_slope * wider


def history(runs: int = 60, parts: int = 6, slope: float = 0.5, seed: int = 0, **more: float) -> pd.DataFrame:
    """Delicate parts (that move more) got slow ramps; inside a part number a faster ramp moves more."""
    rng = np.random.default_rng(seed)
    usual = np.linspace(60.0, 160.0, parts)
    part = rng.integers(0, parts, runs)
    rate = usual[part] + rng.normal(0, 10, runs)
    mean = slope * (rate - usual[part]) - 1.0 * (usual[part] - 110.0) + rng.normal(0, more.get("run_sd", 3.0), runs)
    pieces = 4
    run = np.repeat(np.arange(runs), pieces)
    return pd.DataFrame(
        {
            "run": [f"R{r:03d}" for r in run], "part": [f"PN-{p}" for p in part[run]], "characteristic": "bore",
            "serial": [str(i) for i in range(run.size)], "rate": rate[run],
            "started": pd.Timestamp("2024-01-01") + pd.to_timedelta(run * 9, unit="D"),
            "y": mean[run] + rng.normal(0, 2.0, run.size),
        }
    )  # fmt: skip


def rate_of(frame: pd.DataFrame, name: str = "rate") -> tuple[Cells, Column]:
    cells, head = cells_of(frame)
    by_run = frame.drop_duplicates("run").set_index("run")[name]
    return cells, Column("heating_rate_peak_c_per_h", head["run"].map(by_run).to_numpy(dtype=float), "c_per_h")


def test_inside_part_numbers_the_sign_is_right_and_the_pooled_picture_is_warned_of() -> None:
    cells, rate = rate_of(history())
    (e,) = effects(cells, [rate], "um")
    assert e.refused is None and e.effect_low is not None and e.effect_high is not None
    assert e.effect_low < 0.5 < e.effect_high and e.effect_low > 0
    assert e.pooled is not None and e.pooled < 0
    assert (e.runs, e.pieces, e.parts) == (60, 240, 6)
    assert e.df == min(60 - 6 - 2, 59)
    assert e.left_out_low is not None and e.left_out_high is not None and e.effect is not None
    assert e.left_out_low <= e.effect <= e.left_out_high
    assert "Goes with movement" in verdict(e) and "opposite" in verdict(e) and "Do not read" in verdict(e)
    assert "°C/h more of heating rate peak" in verdict(e)


def test_verdict_speaks_the_books_units() -> None:
    cells, rate = rate_of(history())
    (e,) = effects(cells, [rate], "um")
    us = verdict(e, 1, "us")
    assert "thousandths" in us and "°F/h" in us and "µm" not in us


def test_calendar_takes_a_drift_out() -> None:
    """A furnace that drifts while ramps get faster: without the date the slope takes the drift for the ramp."""
    frame = history(runs=120, slope=0.0, seed=3)
    day = (frame["started"] - frame["started"].min()).dt.days / 1080.0
    frame["rate"] = frame["rate"] + 20.0 * day
    frame["y"] = frame["y"] + 40.0 * day
    cells, rate = rate_of(frame)
    (e,) = effects(cells, [rate], "um")
    assert e.effect is not None and e.without_calendar is not None
    assert e.effect_low is not None and e.effect_high is not None
    assert e.effect_low < 0.0 < e.effect_high
    assert e.without_calendar > 0.4


def test_a_bend_shows_in_the_halves() -> None:
    frame = history(runs=200, parts=1, slope=0.0, seed=4, run_sd=1.0)
    frame["y"] = frame["y"] + 2.0 * np.maximum(frame["rate"] - frame["rate"].median(), 0.0)
    cells, rate = rate_of(frame)
    (e,) = effects(cells, [rate], "um")
    assert e.lower_half == pytest.approx(0.0, abs=0.2)
    assert e.upper_half == pytest.approx(2.0, abs=0.2)


def only(frame: pd.DataFrame, name: str = "rate") -> str:
    cells, rate = rate_of(frame, name)
    (e,) = effects(cells, [rate], "um")
    assert e.refused is not None and e.effect is None and e.p is None and e.p_adjusted is None
    assert verdict(e).startswith("Cannot tell: ") and verdict(e).endswith(".")
    return verdict(e)


def test_refusals_are_sentences() -> None:
    whole = history()
    runs = whole["run"].unique()
    assert "at least 6" in only(whole[whole["run"].isin(runs[:1])])
    assert "at least 6" in only(whole.drop_duplicates("part"))
    every_run_another = whole.assign(part=whole["run"])
    assert "at least 6" in only(every_run_another)
    few = history(runs=7, parts=3)
    assert "degrees of freedom" in only(few) and "more part numbers would not" in only(few)
    assert "all movements are equal" in only(whole.assign(y=3.25))
    constant = whole.assign(rate=whole["part"].str[-1].astype(float) * 10)
    assert "never changed inside a part number" in only(constant)
    with_date = whole.assign(rate=(whole["started"] - whole["started"].min()).dt.days * 2.0)
    assert "in step with the calendar date" in only(with_date)
    alone = whole.assign(rate=np.where(whole["run"] == "R007", 150.0, 100.0))
    assert "hangs on run R007 alone" in only(alone)
    assert "at least 6" in only(whole.assign(rate=np.nan))


def test_no_rows_at_all() -> None:
    cells, head = cells_of(history().assign(y=np.nan))
    assert len(head) == 0
    e = one_at_a_time(cells, Column("soak_minutes", np.zeros(0), "min"))
    assert e.refused is not None and (e.refused.code, e.refused.figures["means"]) == ("effect_few_means", 0)


def test_parts_with_one_run_and_missing_values_are_dropped_and_counted() -> None:
    frame = history()
    lone = frame[frame["run"] == "R000"].assign(part="PN-lone", run="R999")
    frame = pd.concat([frame, lone])
    frame.loc[frame["run"].isin(["R001", "R002"]), "rate"] = np.nan
    cells, rate = rate_of(frame)
    (e,) = effects(cells, [rate], "um")
    assert (e.dropped_missing, e.dropped_single) == (2, 1)
    assert (e.runs, e.parts) == (58, 6)


def test_a_piece_with_two_characteristics_counts_once() -> None:
    frame = history()
    both = pd.concat([frame, frame.assign(characteristic="second bore", y=frame["y"] + 5.0)])
    cells, rate = rate_of(both)
    (e,) = effects(cells, [rate], "um")
    assert (e.runs, e.pieces, e.parts, e.cells, e.df) == (60, 240, 6, 60, 52)
    single = one_at_a_time(*rate_of(frame))
    assert e.effect == pytest.approx(single.effect)
    assert e.effect_high == pytest.approx(single.effect_high, rel=0.05)  # the same runs: no narrower for the copies


def test_two_parameters_that_move_together_are_fitted_jointly() -> None:
    """Soak follows the ramp and does nothing; alone it looks guilty, jointly it is cleared."""
    frame = history(runs=160, slope=0.8, seed=6, run_sd=2.0)
    rng = np.random.default_rng(2)
    runs = frame["run"].unique()
    luck = pd.Series(rng.normal(0, 5, runs.size), index=runs)
    frame["soak"] = frame["rate"] + frame["run"].map(luck)
    cells, rate = rate_of(frame)
    soak = Column("soak_minutes", rate_of(frame, "soak")[1].values, "min")
    a, b = effects(cells, [rate, soak], "um")
    assert a.fit == b.fit == "joint" and a.confounded_with == ["soak_minutes"]
    assert b.alone is not None and b.alone_p is not None and b.alone_p < 0.001
    assert b.p_adjusted is not None and b.p_adjusted > 0.05
    assert a.p_adjusted is not None and a.p_adjusted < 0.001
    assert "moves together with heating rate peak" in verdict(b) and "caused" not in verdict(b)


def test_dose_is_left_out_beside_temperature_and_time() -> None:
    frame = history(runs=120)
    cells, rate = rate_of(frame)
    dose = Column("dose_hj", rate.values * 2.0 + np.random.default_rng(1).normal(0, 1, rate.values.size), "")
    hold = Column("hold_mean_c", rate.values, "c")
    found = {e.parameter: e for e in effects(cells, [hold, dose], "um")}
    assert found["hold_mean_c"].fit == "alone" and found["dose_hj"].fit == "alone"
    assert found["dose_hj"].confounded_with == ["hold_mean_c"]


def test_exact_copies_cannot_be_told_apart() -> None:
    cells, rate = rate_of(history())
    twin = Column("cooling_rate_peak_c_per_h", rate.values * 0.5, "c_per_h")
    for e in effects(cells, [rate, twin], "um"):
        assert e.fit == "not separable" and verdict(e).startswith("Cannot tell: moves together with")


def test_a_hundred_parameters_for_twelve_runs_say_nothing() -> None:
    frame = history(runs=12, parts=2)
    cells, _ = rate_of(frame)
    rng = np.random.default_rng(9)
    columns = [Column(f"parameter_{i}", rng.normal(size=cells.y.size)) for i in range(100)]
    found = effects(cells, columns, "um")
    assert len(found) == 100
    assert all(verdict(e).startswith(("Cannot tell", "Not settled")) for e in found)


def test_setup_as_a_factor_against_its_most_frequent_level() -> None:
    frame = history(runs=80, seed=5)
    rng = np.random.default_rng(4)
    hung = pd.Series(rng.random(80) < 0.3, index=frame["run"].unique())
    frame["setup"] = frame["run"].map(hung).map({True: "hung", False: "laid"})
    frame["y"] = frame["y"] + np.where(frame["setup"] == "hung", 12.0, 0.0)
    cells, head = cells_of(frame, split=["setup"])
    (column,) = indicators(head["setup"], "setup")
    assert (column.name, column.against) == ("setup: hung", "laid")
    (e,) = effects(cells, [column], "um")
    assert e.effect == pytest.approx(12.0, abs=3.0)
    assert "setup: hung instead of laid" in verdict(e)


def test_core_says_which_column_or_run_is_to_blame() -> None:
    n = 10
    x = np.column_stack([np.arange(n, dtype=float), np.r_[1.0, np.zeros(n - 1)]])
    with pytest.raises(NotEstimable) as caught:
        fit_within(np.arange(n, dtype=float), x, np.zeros(n, dtype=np.intp), np.arange(n))
    assert (caught.value.why, caught.value.cluster) == ("one run", 0)
    with pytest.raises(NotEstimable) as caught:
        fit_within(np.arange(n, dtype=float), np.ones((n, 1)), np.zeros(n, dtype=np.intp), np.arange(n))
    assert (caught.value.why, caught.value.column) == ("constant", 0)


def in_furnaces(frame: pd.DataFrame, how_much: float, gap: float = 15.0, seed: int = 8) -> tuple[Cells, list[Column]]:
    """The history in two furnaces: the second gets the faster ramps (`how_much` 1: always) and moves `gap` more."""
    rng = np.random.default_rng(seed)
    usual = frame["part"].map(frame.groupby("part")["rate"].mean())
    fast = (frame["rate"] > usual).groupby(frame["run"]).first()
    luck = pd.Series(rng.random(len(fast)), index=fast.index)
    second = frame["run"].map(fast.where(luck < how_much, ~fast))
    frame = frame.assign(furnace=np.where(second, "F2", "F1"), y=frame["y"] + gap * second)
    cells, head = cells_of(frame, split=["furnace"])
    rate = head["run"].map(frame.drop_duplicates("run").set_index("run")["rate"]).to_numpy(dtype=float)
    if how_much == 1.0:
        rate = np.where(head["furnace"] == "F2", 100.0, 60.0)
    column = Column("heating_rate_peak_c_per_h", rate, "c_per_h")
    return cells, [column, *indicators(head["furnace"], "furnace")]


def test_a_furnace_that_goes_with_the_rate_stands_beside_it() -> None:
    """The truth is 0.5 µm per °C/h; without the furnace beside it the rate gets the furnace's 15 µm too."""
    rate, furnace = effects(*in_furnaces(history(), 0.85), "um")
    assert rate.fit == furnace.fit == "beside factors"
    assert rate.alone_low is not None and rate.alone_low > 0.5
    assert rate.effect_low is not None and rate.effect_high is not None and rate.effect_low < 0.5 < rate.effect_high
    assert furnace.effect is not None and abs(furnace.effect) == pytest.approx(15.0, abs=5.0)
    assert "furnace" in rate.confounded_with and "moves together with furnace" in verdict(rate)


def test_a_furnace_that_is_the_rate_leaves_no_figure() -> None:
    for e in effects(*in_furnaces(history(slope=0.0), 1.0), "um"):
        assert e.effect is None and e.effect_low is None and e.p is None and e.fit == "not separable"
        assert "do not tell which of them it was" in verdict(e) and e.alone is not None
    rate, _ = effects(*in_furnaces(history(slope=0.0), 1.0), "um")
    assert "heating rate peak went with furnace" in verdict(rate) and "the same furnace" in verdict(rate)


def test_a_level_that_ran_once_costs_its_run_and_no_more() -> None:
    frame = history()
    cells, columns = in_furnaces(frame, 0.5)
    head = pd.Series(np.where(cells.run == 7, "F3", np.where(columns[1].values == 1.0, "F2", "F1")))
    rate, *_ = effects(cells, [columns[0], *indicators(head, "furnace")], "um")
    assert rate.fit == "beside factors" and rate.runs == 59
    assert rate.effect_low is not None and rate.effect_high is not None and rate.effect_low < 0.5 < rate.effect_high


def test_one_part_number_is_never_thrown_together() -> None:
    rng = np.random.default_rng(11)
    for seed in range(10):
        frame = history(runs=12, parts=1, slope=0.0, seed=seed)
        cells, rate = rate_of(frame.assign(y=frame["y"] + rng.normal()))
        (e,) = effects(cells, [rate], "um")
        assert e.pooled is None and "thrown together" not in verdict(e)


def test_noise_of_known_size_in_a_parameter_is_corrected() -> None:
    """Rates spread by 10 and known to 8: least squares finds about 100/164 of the true 0.5; the correction undoes it.

    Attenuation: Fuller 1987, Measurement Error Models, section 1.1.
    """
    plain, corrected, held = [], [], []
    for seed in range(30):
        frame = history(runs=100, seed=seed)
        rng = np.random.default_rng([seed, 1])
        cells, rate = rate_of(frame)
        seen = rate.values + rng.normal(0.0, 8.0, rate.values.size)
        (e,) = effects(cells, [Column(rate.name, seen, rate.unit, se=np.full(seen.size, 8.0))], "um")
        assert e.effect is not None and e.corrected is not None and e.reliability is not None
        assert e.corrected_low is not None and e.corrected_high is not None
        plain.append(e.effect)
        corrected.append(e.corrected)
        held.append(e.corrected_low <= 0.5 <= e.corrected_high)
        assert "is measuring noise" in verdict(e)
    assert np.mean(plain) == pytest.approx(0.5 * 100 / 164, abs=0.03)
    assert np.mean(corrected) == pytest.approx(0.5, abs=0.04)
    assert sum(held) >= 26


def test_noise_as_large_as_the_variation_is_not_corrected() -> None:
    cells, rate = rate_of(history())
    (e,) = effects(cells, [Column(rate.name, rate.values, rate.unit, se=np.full(rate.values.size, 30.0))], "um")
    assert e.reliability == 0.0 and e.corrected is None and "Try --asked" in verdict(e)


def test_exact_values_need_no_word_about_noise() -> None:
    cells, rate = rate_of(history())
    (e,) = effects(cells, [Column(rate.name, rate.values, rate.unit, se=np.full(rate.values.size, 0.5))], "um")
    assert e.reliability is not None and e.reliability > 0.99 and "noise" not in verdict(e)
