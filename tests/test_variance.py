"""Variance components and run-clustered errors against published analyses and statsmodels."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from loadbook.analysis.movement.describe import scatter_shares
from loadbook.analysis.movement.scatter import clustered_mean, components
from loadbook.core.errors import CalculationError

from .published import table


def furnace() -> tuple[np.ndarray, pd.DataFrame]:
    rows = table("nist_furnace_oxide")
    return rows.iloc[:, 3].to_numpy(dtype=float), rows


def test_furnace_nested_analysis_of_variance() -> None:
    """A-FURN: NIST/SEMATECH e-Handbook 3.5.1.4: run, zone in run, wafer; components 312.557, 225.383, 120.893."""
    y, rows = furnace()
    found = components(y, [("run", rows["run"]), ("zone", rows["zone"])], residual="wafer")
    run, zone, wafer = found.table
    assert (run.df, zone.df, wafer.df) == (20, 63, 84)
    assert run.sum_of_squares == pytest.approx(61442.29, abs=0.005)
    assert zone.sum_of_squares == pytest.approx(36014.5, abs=0.05)
    assert wafer.sum_of_squares == pytest.approx(10155.0, abs=1e-6)
    assert run.mean_square / zone.mean_square == pytest.approx(5.37404, abs=5e-6)
    assert zone.mean_square / wafer.mean_square == pytest.approx(4.72864, abs=5e-6)
    assert found.variances == pytest.approx((312.55694, 225.38294, 120.89286), rel=1e-6)
    assert found.shares == pytest.approx((0.4744, 0.3421, 0.1835), abs=5e-5)
    assert np.sqrt(found.variances) == pytest.approx((17.679, 15.013, 10.995), abs=5e-4)


def test_furnace_run_clustered_error_is_more_than_twice_the_naive() -> None:
    """A-FURN-b: e-Handbook 3.5.1.2 prints the naive interval (se 1.9585); by the run it is sqrt(MS_run/N)."""
    y, rows = furnace()
    mean, se, runs = clustered_mean(y, rows["run"])
    assert (mean, runs) == (pytest.approx(563.0357, abs=5e-5), 21)
    assert y.std(ddof=1) / np.sqrt(y.size) == pytest.approx(1.9585, abs=1e-4)
    assert se == pytest.approx(4.27626, abs=1e-5)


def test_dyestuff() -> None:
    """A-DYE: Bates et al., J. Stat. Software 67(1): REML batch variance 1764.05, sigma 49.5101, vcov 375.7147."""
    rows = table("dyestuff")
    found = components(rows["Yield"].to_numpy(dtype=float), [("batch", rows["Batch"])])
    assert found.variances[0] == pytest.approx(1764.05, rel=1e-4)
    assert np.sqrt(found.variances[1]) == pytest.approx(49.5101, rel=1e-4)
    assert found.mean == pytest.approx(1527.5)
    assert found.mean_se**2 == pytest.approx(375.7147, rel=1e-4)


# lme4 `Dyestuff2` (Box & Tiao 1973, simulated so that the batch variance comes out zero)
DYESTUFF2 = [
    [7.298, 3.846, 2.434, 9.566, 7.990], [5.220, 6.556, 0.608, 11.788, -0.892], [0.110, 10.386, 13.434, 5.510, 8.166],
    [2.212, 4.852, 7.092, 9.288, 4.980], [0.282, 9.014, 4.458, 9.446, 7.198], [1.722, 4.782, 8.106, 0.758, 3.758],
]  # fmt: skip


def test_zero_component_is_zero() -> None:
    """A-DYE2: lme4 `Dyestuff2`: mean 5.6656, batch variance 0, ML sigma 3.653231 (REML: x sqrt(30/29))."""
    y = np.array(DYESTUFF2).ravel()
    found = components(y, [("batch", np.repeat(np.arange(6), 5))])
    assert found.mean == pytest.approx(5.6656, abs=1e-5)
    assert found.variances[0] == 0.0
    assert np.sqrt(found.variances[1] * 29 / 30) == pytest.approx(3.653231, abs=1e-5)
    assert found.shares == (0.0, 1.0)


def test_pastes_and_statsmodels() -> None:
    """A-PASTES: lme4 `Pastes` REML: batch 1.657, cask² 2.904², residual 0.678; the same from statsmodels MixedLM."""
    from statsmodels.regression.mixed_linear_model import MixedLM

    rows = table("pastes")
    found = components(rows["strength"].to_numpy(dtype=float), [("batch", rows["batch"]), ("cask", rows["cask"])])
    assert found.mean == pytest.approx(60.0533, abs=1e-4)
    assert found.mean_se == pytest.approx(0.6769, abs=1e-4)
    assert found.variances[0] == pytest.approx(1.657, abs=1e-3)
    assert np.sqrt(found.variances[1]) == pytest.approx(2.904, abs=1e-3)
    assert found.variances[2] == pytest.approx(0.678, abs=1e-3)
    fit = MixedLM.from_formula(
        "strength ~ 1", rows, groups="batch", re_formula="1", vc_formula={"cask": "0 + C(cask)"}
    ).fit()
    assert found.variances[0] == pytest.approx(float(fit.cov_re.iloc[0, 0]), rel=2e-3)
    assert found.variances[1] == pytest.approx(float(fit.vcomp[0]), rel=2e-3)
    assert found.variances[2] == pytest.approx(float(fit.scale), rel=2e-3)


def test_unbalanced_components_are_unbiased() -> None:
    """Unequal runs (1 to 12 pieces), truth 4 and 1: the mean of 400 estimates lies within three standard errors."""
    rng = np.random.default_rng(5)
    sizes = rng.integers(1, 13, 25)
    run = np.repeat(np.arange(25), sizes)
    found = np.array(
        [
            components(rng.normal(0, 2, 25)[run] + rng.normal(0, 1, run.size), [("run", run)]).variances
            for _ in range(400)
        ]
    )
    error = found.std(axis=0, ddof=1) / np.sqrt(400)
    assert np.all(np.abs(found.mean(axis=0) - [4.0, 1.0]) < 3 * error)


def test_one_value_or_one_run_is_a_sentence() -> None:
    with pytest.raises(CalculationError, match="at least two"):
        components(np.array([1.0]), [("run", ["a"])])
    mean, se, runs = clustered_mean(np.array([1.0, 2.0]), ["a", "a"])
    assert (mean, runs) == (1.5, 1) and np.isnan(se)


def test_shares_of_a_frame_use_position_only_where_it_is_recorded() -> None:
    y, rows = furnace()
    frame = pd.DataFrame(
        {
            "process": "oxidation", "kind": "thickness", "side": "outside", "unit": "um", "part": "wafer",
            "characteristic": "film", "run": rows["run"].astype(str), "position": rows["zone"].astype(str), "y": y,
        }
    )  # fmt: skip
    ((_, found),) = scatter_shares(frame)
    assert found.levels == ("part", "run", "position", "piece")
    assert found.variances[1:] == pytest.approx((312.55694, 225.38294, 120.89286), rel=1e-6)
    ((_, plain),) = scatter_shares(frame.assign(position=None))
    assert plain.levels == ("part", "run", "piece")


# Sokal & Rohlf, Biometry, the glycogen of rat livers: treatment, rat, preparation, reading (the beginning of the data
# read in a copy of the example; the rest and the sums of squares from memory, and they agree)
GLYCOGEN = [
    131, 130, 131, 125, 136, 142, 150, 148, 140, 143, 160, 150, 157, 145, 154, 142, 147, 153,
    151, 155, 147, 147, 162, 152, 134, 125, 138, 138, 135, 136, 138, 140, 139, 138, 134, 127,
]  # fmt: skip


def test_four_levels_of_nesting() -> None:
    """Rat livers: sums of squares 1557.56, 797.67, 594.0, 381.0; components 36.06 (rats), 14.17, 21.17 (readings)."""
    y = np.array(GLYCOGEN, dtype=float)
    levels = [(name, np.arange(36) // size) for name, size in (("treatment", 12), ("rat", 6), ("preparation", 2))]
    found = components(y, levels, residual="reading")
    assert [line.df for line in found.table] == [2, 3, 12, 18]
    squares = [line.sum_of_squares for line in found.table]
    assert squares == pytest.approx([1557.56, 797.67, 594.0, 381.0], abs=0.005)
    assert [line.mean_square for line in found.table] == pytest.approx([778.78, 265.89, 49.50, 21.17], abs=0.005)
    assert found.variances[1:] == pytest.approx((36.06, 14.17, 21.17), abs=0.005)
    assert found.variances[0] == pytest.approx((778.78 - 265.89) / 12, abs=0.005)


def test_readings_stand_apart_where_pieces_were_read_again() -> None:
    """Planted: runs 6 µm, pieces 4 µm, a reading 3 µm, read twice before and after."""
    rng = np.random.default_rng(11)
    run = np.repeat(np.arange(120), 5)
    true = np.repeat(rng.normal(0, 6.0, 120), 5) + rng.normal(0, 4.0, run.size)
    before = rng.normal(0.0, 3.0, (2, run.size))
    after = true + rng.normal(0.0, 3.0, (2, run.size))
    frame = pd.DataFrame(
        {
            "process": "stress relief", "kind": "flatness", "side": "form", "unit": "um", "part": "P",
            "characteristic": "face", "run": run.astype(str), "y": after.mean(0) - before.mean(0),
            "before_scatter_mm": before.std(0, ddof=1) / 1000.0, "after_scatter_mm": after.std(0, ddof=1) / 1000.0,
            "repeats": 2, "before_mm": 0.1, "after_mm": 0.1,
        }
    )  # fmt: skip
    frame["movement_mm"] = frame["y"] / 1000.0
    ((_, found),) = scatter_shares(frame)
    assert found.levels == ("part", "run", "piece", "reading")
    sd = np.sqrt(found.variances)
    assert sd[1:] == pytest.approx([6.0, 4.0, 3.0], rel=0.12)  # each reading's mean of two: 3 µm for a movement
    ((_, once),) = scatter_shares(frame.assign(repeats=1, before_scatter_mm=None, after_scatter_mm=None))
    assert once.levels == ("part", "run", "piece")
