"""Section lag against published values and a finite-difference solution."""

from __future__ import annotations

import numpy as np
import pytest

from loadbook.analysis.trace.lag import Shape, diffusivity, section_lag_c, shape_of
from loadbook.core.errors import CalculationError


# Carslaw & Jaeger, ch. III (B-LAG)
@pytest.mark.parametrize(("shape", "expected"), [("slab", 0.7234), ("cylinder", 0.3617), ("sphere", 0.2411)])
def test_steady_lag(shape: Shape, expected: float) -> None:
    assert section_lag_c(shape, 25.0, 100.0, 1.2e-5) == pytest.approx(expected, abs=5e-5)


def test_steady_lag_of_a_thick_austenitic_slab() -> None:
    assert section_lag_c("slab", 50.0, 100.0, 7e-6) == pytest.approx(4.960, abs=5e-4)


@pytest.mark.parametrize(("shape", "power"), [("slab", 0), ("cylinder", 1), ("sphere", 2)])
def test_against_a_finite_difference_solution(shape: Shape, power: int) -> None:
    """Explicit finite differences, 60 cells, surface rising at 100 °C/h until it has settled (Fo 2): centre lag within
    1 %, the last of the start-up with it."""
    half_mm, a, rate = 30.0, 1.1e-5, 100.0 / 3600.0
    cells = 60
    dx = half_mm / 1000.0 / cells
    faces = np.arange(cells + 1) * dx
    volume = np.diff(faces ** (power + 1)) / (power + 1)
    area = faces**power
    y = np.zeros(cells)
    dt = 0.2 * dx * dx / a
    steps = round(2.0 * (half_mm / 1000.0) ** 2 / a / dt)
    for k in range(1, steps + 1):
        surface = rate * (k - 1) * dt
        inner = a * area[1:-1] * np.diff(y) / dx
        outer = a * area[-1] * (surface - y[-1]) / (dx / 2.0)
        flow = np.concatenate(([0.0], inner, [outer]))
        y += dt * np.diff(flow) / volume
    lag = rate * steps * dt - (y[0] + (y[0] - y[1]) / 8.0)
    assert lag == pytest.approx(section_lag_c(shape, half_mm, 100.0, a), rel=0.01)


def test_shapes_as_people_write_them() -> None:
    assert [shape_of(s) for s in ("Shaft", "hollow shaft", "steel ball", "flat bar", "plate", "")] == [
        "cylinder", "slab", "sphere", "slab", "slab", "slab",
    ]  # fmt: skip


def test_what_cannot_be_computed_says_so() -> None:
    with pytest.raises(CalculationError, match="diffusivity"):
        section_lag_c("slab", 25.0, 100.0, 0.0)
    assert diffusivity(45.0, 7850.0, 480.0) == pytest.approx(1.194e-5, rel=1e-3)
