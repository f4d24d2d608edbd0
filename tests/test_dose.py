"""Dose: published values, step-size independence, the fast form against the exact recursion and an ODE solver."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from loadbook.analysis.trace.dose import (
    doses,
    equivalent_hours,
    filled_for_dose,
)
from loadbook.analysis.trace.route import RouteDose, over_route
from loadbook.queries.route import RunDose, together

from .exactdose import hollomon_jaffe, route_dose


# EN 13445-4:2021 (11.1-1), Hollomon & Jaffe 1945 (B-HJ), with 0 °C = 273.15 K
@pytest.mark.parametrize(
    ("at_c", "hours", "expected"),
    [(600, 1, 17.463), (580, 2, 17.320), (620, 0.5, 17.594), (595, 1, 17.363), (650, 2, 18.741), (600, 10, 18.336)],
)
def test_published_values(at_c: float, hours: float, expected: float) -> None:
    at_once = doses(np.array([0.0, 3600.0 * hours]), np.full((1, 2), float(at_c)))[0]
    assert at_once == pytest.approx(expected, abs=1e-3) and at_once == pytest.approx(hollomon_jaffe(at_c, hours))


def test_published_equivalents_of_an_hour_at_600() -> None:
    hour = hollomon_jaffe(600.0, 1.0)
    assert float(equivalent_hours(hour, 580.0)) == pytest.approx(2.943, abs=1e-3)
    assert float(equivalent_hours(hour, 620.0)) == pytest.approx(0.3566, abs=1e-4)


def test_larson_miller_has_the_same_form() -> None:
    """Larson & Miller 1952 (B-LMP): 1150 °F, 1 h: 32.193 in Rankine, 1.8 times the kelvin form (17.885)."""
    kelvin_form = hollomon_jaffe((1150.0 - 32.0) / 1.8, 1.0)
    assert kelvin_form == pytest.approx(17.885, abs=1e-3)
    assert 1.8 * kelvin_form == pytest.approx(32.193, abs=1e-3)


@pytest.mark.parametrize(
    ("rate", "formula", "hours"), [(55, 0.3780, 0.345), (100, 0.2109, 0.192), (220, 0.0977, 0.0890)]
)
def test_what_a_ramp_is_worth(rate: float, formula: float, hours: float) -> None:
    """B-HJ-RAMP: direct integration of the parameter; the time-equivalent formula of practice, T/(2.3 r (20 - log10
    r)), says up to 12 % more."""
    t = np.arange(0.0, 580.0 / rate * 3600.0 + 1.0, 5.0)
    dose = doses(t, 20.0 + t[None, :] * rate / 3600.0)
    assert float(equivalent_hours(dose[0], 600.0)) == pytest.approx(hours, abs=1e-3)
    assert float(equivalent_hours(dose[0], 600.0)) == pytest.approx(formula, rel=0.12)


@pytest.mark.parametrize("step", [1.0, 10.0, 60.0, 600.0, 3600.0])
def test_an_isothermal_hour_is_one_hour_however_it_is_cut(step: float) -> None:
    t = np.arange(0.0, 3600.0 + step / 2, step)
    assert doses(t, np.full((1, t.size), 600.0))[0] == pytest.approx(hollomon_jaffe(600.0, 1.0), abs=1e-9)
    assert route_dose([(600.0, step / 3600.0)] * round(3600 / step)) == pytest.approx(17.46300, abs=1e-9)


def furnace_histories(seed: int, n: int = 4000) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    t = np.cumsum(rng.uniform(2.0, 18.0, n))
    shape = np.interp(t / t[-1], [0.0, 0.2, 0.3, 0.4, 0.7, 1.0], [20.0, 350.0, 350.0, 600.0, 610.0, 60.0])
    return t, shape + rng.normal(0.0, 15.0, (6, 1)) + rng.normal(0.0, 0.7, (6, n))


@pytest.mark.parametrize("seed", range(3))
def test_fast_form_against_the_exact_recursion(seed: int) -> None:
    """Bound 2e-5 (thousands) against `route_dose` stepping over every sample; constants differ by channel."""
    t, y = furnace_histories(seed)
    constant = np.array([20.0, 18.0, 20.0, 21.0, 15.0, 20.0])
    fast = doses(t, y, constant)
    middle = 0.5 * (y[:, 1:] + y[:, :-1])
    for k in range(6):
        exact = route_dose(zip(middle[k], np.diff(t) / 3600.0, strict=True), float(constant[k]))
        assert fast[k] == pytest.approx(exact, abs=2e-5)


def test_few_long_steps_use_the_exact_recursion() -> None:
    t = np.array([0.0, 7200.0, 7200.0 + 1e-6, 10800.0])
    y = np.array([[580.0, 580.0, 600.0, 600.0]])
    assert doses(t, y)[0] == pytest.approx(route_dose([(580.0, 2.0), (590.0, 1e-6 / 3600.0), (600.0, 1.0)]), abs=1e-6)


def test_against_a_differential_equation_solver() -> None:
    """Independent: dP/dt = T/ln10 10^(C - P/T) by scipy's solve_ivp on a smooth history. Bound 5e-4 (thousands)."""
    hours = np.linspace(0.0, 6.0, 4001)

    def at_c(h: float | np.ndarray) -> float | np.ndarray:
        return 400.0 + 220.0 * np.sin(np.pi * np.asarray(h) / 6.0)

    def slope(h: float, p: np.ndarray) -> np.ndarray:
        kelvin = at_c(h) + 273.15
        return np.asarray([kelvin / np.log(10.0) * 10.0 ** (20.0 - p[0] / kelvin)])

    start = hollomon_jaffe(400.0, 1e-4) * 1000.0
    solved = solve_ivp(slope, (0.0, 6.0), [start], method="LSODA", rtol=1e-9, atol=1e-6)
    assert doses(hours * 3600.0, np.asarray(at_c(hours))[None, :])[0] == pytest.approx(
        solved.y[0, -1] / 1000.0, abs=5e-4
    )


def test_coarser_sampling_changes_little() -> None:
    """60 s instead of 5 s on ramps of 300 °C/h: under 1e-3 (thousands)."""
    t = np.arange(0.0, 4 * 3600.0, 5.0)
    y = np.interp(t, [0, 7000, 9000, 14400], [20, 603, 603, 150])[None, :]
    assert doses(t[::12], y[:, ::12])[0] == pytest.approx(doses(t, y)[0], abs=1e-3)


def test_half_a_history_has_no_dose() -> None:
    t = np.arange(0.0, 36000.0, 60.0)
    y = np.full((4, t.size), 600.0)
    y[1, 100:103] = np.nan  # short: crossed by a straight line
    y[2, 100:130] = np.nan  # half an hour unseen
    y[3, 500:] = np.nan  # died
    filled, good = filled_for_dose(t, y, 300.0)
    assert good.tolist() == [True, True, False, False]
    assert doses(t, filled[good])[1] == pytest.approx(hollomon_jaffe(600.0, t[-1] / 3600.0), abs=1e-9)
    t[300:] += 1000.0  # the recorder itself stopped
    assert not filled_for_dose(t, y, 300.0)[1].any()


def test_no_time_no_dose() -> None:
    assert doses(np.array([0.0]), np.array([[600.0]])).tolist() == [0.0]


def test_a_route_is_the_state_carried_from_run_to_run() -> None:
    """Doses together at the hottest hold are what carrying the state gives; hardening and annealing begin anew."""
    first, second = hollomon_jaffe(580.0, 2.0), hollomon_jaffe(600.0, 1.0)
    whole = over_route([first, second], 600.0, 20.0)
    assert whole.dose == pytest.approx(route_dose([(580.0, 2.0), (600.0, 1.0)]), abs=1e-9)
    hardened = RunDose("R1", 22.4, 20.0, 850.0, "harden")
    runs = [hardened, RunDose("R2", first, 20.0, 580.0, "temper"), RunDose("R3", second, 20.0, 600.0, "stress relief")]
    found = together(runs, None)
    assert isinstance(found, RouteDose) and found.after == "R1" and found.dose == pytest.approx(whole.dose)
    assert together([hardened], None) == "R1 started the count afresh: what the piece saw before it counts no more."
    assert together([RunDose("R4", None, None, None)], None) is None
    assert "Of 1 run no dose" in str(together([*runs, RunDose("R4", None, None, 600.0)], None))
    assert "different constants" in str(together([*runs, RunDose("R4", 17.0, 18.0, 600.0)], None))
