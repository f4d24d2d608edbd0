"""Tolerance factors and quantiles against published tables; the functions are those that `moved` uses."""

from __future__ import annotations

import numpy as np
import pytest

from loadbook.analysis import tolerance as tol
from loadbook.analysis.movement.content import content_interval
from loadbook.analysis.quantiles import grouped_quantiles, quantile
from loadbook.core.errors import CalculationError

from .published import table


def test_two_sided_against_iso_16269_6_annex_f() -> None:
    """A-TOL2: ISO 16269-6:2014 Annex F, 690 values, m = 1..10 pooled samples; rounded up at four places."""
    rows = table("tol_iso16269_6_2014_annexF")
    assert len(rows) == 690
    short = [
        r.k_rounded_up_4dp - tol.two_sided_factor(float(r.n), r.coverage, r.confidence, r.m_samples * (float(r.n) - 1))
        for r in rows.itertuples()
    ]
    assert min(short) >= -1e-6 and max(short) < 1e-4 + 1e-6


def test_two_sided_against_meeker_hahn_escobar() -> None:
    """A-TOL2b: Meeker, Hahn & Escobar 2017, tables J.5a and J.5b, 1,110 values, rounded to nearest; n = inf too."""
    rows = table("tol_mhe2017_J5_twosided")
    assert len(rows) == 1110 and np.isinf(rows["n"].astype(float)).any()
    gaps = [abs(r.k_3dp - tol.two_sided_factor(float(r.n), r.coverage, r.confidence)) for r in rows.itertuples()]
    assert max(gaps) < 6e-4


def test_one_sided_against_montgomery_runger() -> None:
    """A-TOL1: Montgomery & Runger 7th ed., table XII, 288 values."""
    rows = table("tol_montgomery_runger7_tableXII_onesided")
    gaps = [abs(r.k_3dp - tol.one_sided_factor(float(r.n), r.coverage, r.confidence)) for r in rows.itertuples()]
    assert len(gaps) == 288 and max(gaps) < 6e-4


def test_worked_example_and_the_erratum() -> None:
    """A-TOL-NIST: NIST e-Handbook 7.2.6.3: one-sided 1.8740 and 4.4111; two-sided 2.2102 is an erratum (2.22283)."""
    assert tol.one_sided_factor(43, 0.90, 0.99) == pytest.approx(1.873954, abs=5e-5)
    assert tol.one_sided_factor(6, 0.90, 0.99) == pytest.approx(4.4111, abs=5e-5)
    k = tol.two_sided_factor(43, 0.90, 0.99)
    assert k == pytest.approx(2.22283, abs=5e-5) and abs(k - 2.2102) > 0.01


def test_distribution_free_sizes_and_confidence() -> None:
    """A-TOL-NP: NIST e-Handbook 7.2.6.4 (46, 473 and the table for 25 values); 93, 59, 29, 299 from its formula."""
    assert [tol.free_size(p, 0.95) for p in (0.90, 0.99, 0.95)] == [46, 473, 93]
    assert [tol.free_size(p, 0.95, sides=1) for p in (0.95, 0.90, 0.99)] == [59, 29, 299]
    printed = {0.5: 1.0, 0.75: 0.993, 0.9: 0.729, 0.95: 0.358, 0.975: 0.129, 0.99: 0.026, 0.995: 0.007}
    for p, confidence in printed.items():
        assert tol.free_confidence(25, p) == pytest.approx(confidence, abs=5e-4)


def test_distribution_free_ranks_and_the_impossible() -> None:
    """A-TOL-NP2: Meeker, Hahn & Escobar 2017, table J.11, 216 cells; blank where no rank will do."""
    rows = table("tol_mhe2017_J11_nonparametric_onesided")
    rank = rows.columns[3]
    assert len(rows) == 216 and rows[rank].isna().any()
    for r in rows.to_dict("records"):
        expected = None if np.isnan(r[rank]) else int(r[rank])
        assert tol.free_rank(int(r["n"]), r["coverage"], r["confidence"]) == expected, r


def test_known_spread_and_senseless_questions() -> None:
    # s known and mean known: the plain normal quantile
    assert tol.two_sided_factor(float("inf"), 0.95, 0.9) == pytest.approx(1.959964, abs=1e-6)
    for n, p in ((1.0, 0.9), (10.0, 1.5)):
        with pytest.raises(CalculationError):
            tol.two_sided_factor(n, p, 0.95)


def test_quantile_definition_on_the_furnace_data() -> None:
    """A-FURN-q: NIST e-Handbook 3.5.1.2: nine quantiles of 168 thicknesses; by (n+1)p, not numpy's default."""
    y = table("nist_furnace_oxide").iloc[:, 3].to_numpy(dtype=float)
    ps = [0.005, 0.025, 0.10, 0.25, 0.50, 0.75, 0.90, 0.975, 0.995]
    printed = [487.00, 514.23, 532.90, 546.25, 562.50, 582.75, 595.00, 615.10, 634.00]
    at_once = grouped_quantiles(y, np.zeros(y.size, dtype=np.intp), 1, ps)[:, 0]
    for p, value, grouped in zip(ps, printed, at_once, strict=True):
        assert quantile(y, p) == pytest.approx(value, abs=0.005)
        assert grouped == pytest.approx(value, abs=0.005)
    assert quantile([], 0.5) != quantile([], 0.5)


def test_grouped_quantiles_equal_one_group_at_a_time() -> None:
    rng = np.random.default_rng(3)
    codes = rng.integers(0, 9, 400)
    values = rng.normal(size=400)
    at_once = grouped_quantiles(values, codes, 10, [0.05, 0.5, 0.95])
    for g in range(9):
        for row, p in enumerate((0.05, 0.5, 0.95)):
            assert at_once[row, g] == pytest.approx(np.quantile(values[codes == g], p, method="weibull"), abs=1e-12)
    assert np.isnan(at_once[:, 9]).all()


def test_content_interval_of_the_laid_gears() -> None:
    """A-GEAR-HT-b: exact 95 %/95 % interval of 38 laid gears, 3.136..22.127 (0.0001 in).

    Source: data of Vardeman & Jobe, chapter 1, example 1; the 3.0 to 22.2 printed there fits a nearby table row.
    """
    gears = table("gear_runout_laid_hung")
    laid = gears.iloc[:, 1][gears["loading"] == "laid"].to_numpy(dtype=float)
    found = content_interval(laid, np.zeros(laid.size), 0.95, 0.95, plain=True)
    assert found.k == pytest.approx(2.46550, abs=1e-5)
    assert (found.low, found.high) == (pytest.approx(3.136, abs=1e-3), pytest.approx(22.127, abs=1e-3))
    assert found.evidence == "pieces" and found.free_low is None and found.need == 93
    assert content_interval(laid, np.zeros(laid.size)).refused  # as movement, one run says nothing of others


def test_content_interval_counts_runs_not_pieces() -> None:
    """12 runs of 10 pieces, runs scattering as much as pieces: about 95 of 100 intervals must hold 95 % of pieces."""
    from scipy.special import ndtr

    rng = np.random.default_rng(11)
    runs = np.repeat(np.arange(12), 10)
    held, naive = 0, 0
    for _ in range(400):
        y = rng.normal(0, 1, 12)[runs] + rng.normal(0, 1, 120)
        found = content_interval(y, runs, 0.95, 0.95)
        assert found.low is not None and found.high is not None
        sd = np.sqrt(2.0)
        held += ndtr(found.high / sd) - ndtr(found.low / sd) >= 0.95
        k = tol.two_sided_factor(120, 0.95, 0.95)
        low, high = y.mean() - k * y.std(ddof=1), y.mean() + k * y.std(ddof=1)
        naive += ndtr(high / sd) - ndtr(low / sd) >= 0.95
    assert held / 400 > 0.91
    assert naive / 400 < 0.85
