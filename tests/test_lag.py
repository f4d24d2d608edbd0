"""Section lag and transient coefficients against published values and a finite-difference solution."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest

from loadbook.analysis.trace.lag import (
    diffusivity,
    fourier,
    mean_lag_c,
    one_term,
    section_lag_c,
    settled_share,
    shape_of,
)
from loadbook.core.errors import CalculationError


# Carslaw & Jaeger, ch. III (B-LAG)
@pytest.mark.parametrize(("shape", "expected"), [("slab", 0.7234), ("cylinder", 0.3617), ("sphere", 0.2411)])
def test_steady_lag(shape: str, expected: float) -> None:
    assert section_lag_c(shape, 25.0, 100.0, 1.2e-5) == pytest.approx(expected, abs=5e-5)  # type: ignore[arg-type]


def test_steady_lag_of_a_thick_austenitic_slab() -> None:
    assert section_lag_c("slab", 50.0, 100.0, 7e-6) == pytest.approx(4.960, abs=5e-4)
    assert mean_lag_c(50.0, 100.0, 7e-6) == pytest.approx(4.960 * 2 / 3, abs=5e-4)


# Carslaw & Jaeger, ch. III: slab with surface = kt (B-LAG, 1e-5)
@pytest.mark.parametrize(
    ("fo", "share"), [(0.1, 0.19775), (0.2, 0.37039), (0.5, 0.69945), (1.0, 0.91248), (2.0, 0.99258)]
)
def test_share_of_the_lag_that_has_built_up(fo: float, share: float) -> None:
    assert float(settled_share(fo)) == pytest.approx(share, abs=1e-5)


# Cengel, table 4-2 (B-TRANS, 6e-5; as many digits as the table prints)
TABLE = [
    (0.1, 0.3111, 1.0161, 0.4417, 1.0246, 0.5423, 1.0298),
    (0.5, 0.6533, 1.0701, 0.9408, 1.1143, 1.1656, 1.1441),
    (1.0, 0.8603, 1.1191, 1.2558, 1.2071, 1.5708, 1.2732),
    (2.0, 1.0769, 1.1785, 1.5995, 1.3384, 2.0288, 1.4793),
    (5.0, 1.3138, 1.2403, 1.9898, 1.5029, 2.5704, 1.7870),
    (10.0, 1.4289, 1.2620, 2.1795, 1.5677, 2.8363, 1.9249),
]


@pytest.mark.parametrize("row", TABLE, ids=lambda r: f"Bi {r[0]}")
def test_one_term_coefficients(row: tuple[float, ...]) -> None:
    for k, shape in enumerate(("slab", "cylinder", "sphere")):
        assert one_term(shape, row[0]) == pytest.approx(row[1 + 2 * k : 3 + 2 * k], abs=6e-5)  # type: ignore[arg-type]


def test_one_term_coefficients_of_the_whole_published_table() -> None:
    path = Path(__file__).parents[1] / "fixtures" / "published" / "transient_one_term.csv"
    for r in csv.DictReader(path.read_text(encoding="utf-8").splitlines()):
        for shape, a, b in (("slab", "wall_lambda1", "wall_A1"), ("cylinder", "cyl_lambda1", "cyl_A1"),
                            ("sphere", "sph_lambda1", "sph_A1")):  # fmt: skip
            found = one_term(shape, float(r["Bi"]))  # type: ignore[arg-type]
            assert found == pytest.approx((float(r[a]), float(r[b])), abs=6e-5)


@pytest.mark.parametrize(("shape", "power"), [("slab", 0), ("cylinder", 1), ("sphere", 2)])
def test_against_a_finite_difference_solution(shape: str, power: int) -> None:
    """Explicit finite differences, 60 cells, surface rising at 100 °C/h: centre lag at Fo 0.1, 0.5, 2 within 0.5 %."""
    half_mm, a, rate = 30.0, 1.1e-5, 100.0 / 3600.0
    cells = 60
    dx = half_mm / 1000.0 / cells
    faces = np.arange(cells + 1) * dx
    volume = np.diff(faces ** (power + 1)) / (power + 1)
    area = faces**power
    y = np.zeros(cells)
    dt = 0.2 * dx * dx / a
    steps = {round(fo * (half_mm / 1000.0) ** 2 / a / dt): fo for fo in (0.1, 0.5, 2.0)}
    for k in range(1, max(steps) + 1):
        surface = rate * (k - 1) * dt
        inner = a * area[1:-1] * np.diff(y) / dx
        outer = a * area[-1] * (surface - y[-1]) / (dx / 2.0)
        flow = np.concatenate(([0.0], inner, [outer]))
        y += dt * np.diff(flow) / volume
        if k in steps:
            lag = rate * k * dt - (y[0] + (y[0] - y[1]) / 8.0)
            expected = section_lag_c(shape, half_mm, 100.0, a) * float(settled_share(steps[k], shape))  # type: ignore[arg-type]
            assert lag == pytest.approx(expected, rel=0.005, abs=2e-3)


def test_shapes_as_people_write_them() -> None:
    assert [shape_of(s) for s in ("Shaft", "hollow shaft", "steel ball", "flat bar", "plate", "")] == [
        "cylinder", "slab", "sphere", "slab", "slab", "slab",
    ]  # fmt: skip


def test_what_cannot_be_computed_says_so() -> None:
    with pytest.raises(CalculationError, match="diffusivity"):
        section_lag_c("slab", 25.0, 100.0, 0.0)
    with pytest.raises(CalculationError, match="Biot"):
        one_term("sphere", 0.0)
    assert float(fourier(0.0, 25.0, 1e-5)) == 0.0
    assert diffusivity(45.0, 7850.0, 480.0) == pytest.approx(1.194e-5, rel=1e-3)
