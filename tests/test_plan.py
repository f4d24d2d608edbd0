"""The plan's transient against published series, one-term solutions and an independent integration."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from loadbook.analysis.planning.plan import Plan, Sections, fastest_rate, film_of, plan, steady_rate
from loadbook.analysis.trace import lag
from loadbook.analysis.trace.conduction import Body, Section, constant, radiating
from loadbook.analysis.trace.model import Cycle, Segment
from loadbook.core.errors import CalculationError


def heated(body: Body, rate_c_per_h: float, seconds: float, steps: int = 2000) -> Section:
    section = Section(body, 0.0, None)
    dt = seconds / steps
    for k in range(steps):
        section.step(dt, rate_c_per_h / 3600.0 * dt * k, rate_c_per_h / 3600.0 * dt * (k + 1))
    return section


@pytest.mark.parametrize(
    ("shape", "half_mm", "diffusivity", "lag_c"),
    [("slab", 25.0, 1.2e-5, 0.7234), ("cylinder", 25.0, 1.2e-5, 0.3617), ("sphere", 25.0, 1.2e-5, 0.2411),
     ("slab", 50.0, 7e-6, 4.960)],
)  # fmt: skip
def test_settled_lag(shape: lag.Shape, half_mm: float, diffusivity: float, lag_c: float) -> None:
    """B-LAG: 100 °C/h; Carslaw & Jaeger, ch. III (slab), VII, IX. Forty cells: within 0.1 %."""
    settle_s = 4.0 * (half_mm / 1000.0) ** 2 / diffusivity
    section = heated(Body(shape, half_mm, 40.0, diffusivity), 100.0, settle_s)
    assert section.surface_c - section.centre_c == pytest.approx(lag_c, rel=1e-3, abs=1e-4)


@pytest.mark.parametrize(("fo", "share"), [(0.1, 0.19775), (0.2, 0.37039), (0.5, 0.69945), (1.0, 0.91248)])
def test_how_the_lag_builds_up(fo: float, share: float) -> None:
    """B-LAG: 1 - (32/pi^3) sum (-1)^n/(2n+1)^3 exp(-(2n+1)^2 pi^2 Fo/4)."""
    body = Body("slab", 25.0, 40.0, 1.2e-5)
    section = heated(body, 100.0, fo * 0.025**2 / 1.2e-5)
    settled = lag.section_lag_c("slab", 25.0, 100.0, 1.2e-5)
    assert (section.surface_c - section.centre_c) / settled == pytest.approx(share, abs=1e-3)


@pytest.mark.parametrize(
    ("shape", "biot", "eigenvalue", "coefficient"),
    [("slab", 1.0, 0.8603, 1.1191), ("cylinder", 1.0, 1.2558, 1.2071), ("sphere", 1.0, 1.5708, 1.2732),
     ("slab", 0.1, 0.3111, 1.0161), ("cylinder", 0.1, 0.4417, 1.0246), ("sphere", 0.1, 0.5423, 1.0298),
     ("slab", 10.0, 1.4289, 1.2620), ("sphere", 10.0, 2.8363, 1.9249)],
)  # fmt: skip
def test_put_into_a_hot_furnace(shape: lag.Shape, biot: float, eigenvalue: float, coefficient: float) -> None:
    """B-TRANS: centre excess = A1 exp(-lambda1^2 Fo) for Fo > 0.2; Cengel, table 4-2. Within 0.3 % of the start."""
    body = Body(shape, 25.0, 40.0, 1e-5)
    section = Section(body, 20.0, constant(biot * 40.0 / 0.025))
    seconds = 0.025**2 / 1e-5  # Fo = 1
    for _ in range(2000):
        section.step(seconds / 2000, 600.0, 600.0)
    excess = (600.0 - section.centre_c) / 580.0
    assert excess == pytest.approx(coefficient * np.exp(-(eigenvalue**2)), abs=3e-3)


def test_radiating_ramp_against_an_independent_integration() -> None:
    """Nodes at the surface and the middle, central differences, scipy's stiff solver: another scheme altogether."""
    body = Body("slab", 30.0, 35.0, 9e-6)
    film = radiating(0.5, 5.0)
    nodes, dx = 61, 0.030 / 60
    rho_c = body.conductivity_w_mk / body.diffusivity_m2_per_s

    def furnace(t: float) -> float:
        return min(20.0 + 200.0 * t / 3600.0, 620.0)

    def slope(t: float, y: np.ndarray) -> np.ndarray:
        flux = film(furnace(t), y[-1]) * (furnace(t) - y[-1])
        inner = np.diff(y) * body.conductivity_w_mk / dx
        out = np.empty(nodes)
        out[0] = inner[0] / (rho_c * dx / 2)
        out[1:-1] = np.diff(inner) / (rho_c * dx)
        out[-1] = (flux - inner[-1]) / (rho_c * dx / 2)
        return out

    end = 4.0 * 3600.0
    reference = solve_ivp(slope, (0.0, end), np.full(nodes, 20.0), method="BDF", rtol=1e-7, atol=1e-6, max_step=120.0)
    section = Section(body, 20.0, film)
    for k in range(720):
        section.step(20.0, furnace(20.0 * k), furnace(20.0 * (k + 1)))
    assert section.centre_c == pytest.approx(reference.y[0, -1], abs=0.15)
    assert section.surface_c == pytest.approx(reference.y[-1, -1], abs=0.15)


CYCLE = Cycle(
    "C", "1", "t", "stress relief", "air",
    (Segment(1, "heat", 600.0), Segment(2, "hold", 600.0, minutes=60.0, band_low_c=10.0, band_high_c=10.0),
     Segment(3, "cool", None, asked_rate_c_per_h=100.0)),
)  # fmt: skip


def sections(half_mm: float = 25.0, thin_mm: float | None = None, film: float | None = 2000.0) -> Sections:
    how, words = film_of("air", film)
    thin = Body("slab", thin_mm, 40.0, 1.2e-5) if thin_mm else None
    return Sections(Body("slab", half_mm, 40.0, 1.2e-5), thin, how if film else None, words)


def test_fastest_rate_by_lag_is_the_settled_rate_for_a_long_ramp() -> None:
    """A surface that follows the furnace settles long before 600 °C: both ways to the rate agree within 0.5 %."""
    found = sections(film=None)
    rate, by = fastest_rate(CYCLE, found, 1.0, None)
    assert by == "lag"
    assert rate == pytest.approx(steady_rate(found.thick, 1.0), rel=5e-3)


def test_a_short_ramp_may_be_faster_than_the_settled_formula() -> None:
    """Up to 40 °C only: the lag never settles, so the integrated rate is above the quasi-steady one."""
    short = Cycle("C", "1", "t", "p", "air", (Segment(1, "heat", 40.0), Segment(2, "hold", 40.0, minutes=10.0)))
    rate, _ = fastest_rate(short, sections(film=None), 8.0, None)
    assert rate > 1.03 * steady_rate(sections(film=None).thick, 8.0)


def test_the_rate_found_keeps_both_limits_and_a_faster_one_does_not() -> None:
    both = sections(25.0, 5.0, film=150.0)
    rate, by = fastest_rate(CYCLE, both, 8.0, 30.0)
    assert by == "difference"

    def peaks(at: float) -> tuple[float, float]:
        asked = Cycle("C", "1", "t", "p", "air", (Segment(1, "heat", 600.0, at), *CYCLE.segments[1:]))
        heat = plan(asked, both, 8.0, 30.0).segments[0]
        return heat.lag_peak_c, heat.difference_peak_c or 0.0

    assert peaks(rate)[0] <= 8.0 and peaks(rate)[1] <= 30.0 * 1.005
    assert peaks(rate * 1.03)[1] > 30.0


def test_hold_lasts_until_the_middle_was_soaked() -> None:
    found: Plan = plan(CYCLE, sections(50.0, film=100.0), 20.0, None, 20.0)
    hold = found.segments[1]
    assert hold.soak_minutes == pytest.approx(60.0, abs=0.01)
    assert hold.soak_through_min is not None and hold.soak_through_min > 5.0
    assert hold.hours * 60.0 == pytest.approx(hold.soak_minutes + hold.soak_through_min, abs=0.4)
    assert found.furnace_hours == pytest.approx(sum(s.hours for s in found.segments))
    # an hour or so at 600 °C: B-HJ gives 17.463 for one hour there, the approach adds a little
    assert found.dose_middle is not None and 17.46 < found.dose_middle < 17.80
    assert any(a.code == "plan_no_rate" for a in found.assumptions)


def test_what_cannot_be_planned() -> None:
    with pytest.raises(CalculationError, match="heats to no temperature"):
        plan(Cycle("C", "1", "t", "p", "air", (Segment(1, "cool", 20.0),)), sections(), 5.0, None)
    with pytest.raises(CalculationError, match="even the slowest heating"):
        fastest_rate(CYCLE, sections(film=0.5), 0.001, None)
    with pytest.raises(CalculationError):
        Section(Body("slab", 0.0, 40.0, 1e-5), 20.0, None)
