"""Runs without a cycle: holds are the plateaus that were planted, and nothing else is called a hold."""

from __future__ import annotations

import numpy as np
import pytest

from loadbook.analysis.trace.follow import steady_stretches

STEP_S = 60.0
Legs = list[tuple[float, float]]  # hours, °C at their end


def course(legs: Legs, begin: float = 25.0, noise: float = 0.3, seed: int = 3) -> tuple[np.ndarray, np.ndarray]:
    """Straight legs from one temperature to the next, a sample a minute, with noise."""
    hours, level = [0.0], [begin]
    for duration, end in legs:
        hours.append(hours[-1] + duration)
        level.append(end)
    t = np.arange(0.0, hours[-1] * 3600.0, STEP_S)
    y = np.interp(t / 3600.0, hours, level)
    return t, y + np.random.default_rng(seed).normal(0.0, noise, t.size)


def holds(t: np.ndarray, y: np.ndarray) -> list[tuple[float, float, float]]:
    """(begin, end in hours, level) of each hold found."""
    found = [f for f in steady_stretches(t, y) if f.kind == "hold"]
    return [(t[f.start] / 3600.0, t[f.end - 1] / 3600.0, f.target_c or 0.0) for f in found]


CASES: dict[str, tuple[Legs, list[tuple[float, float, float]]]] = {
    "one hold": ([(4, 560), (3, 560), (5, 60)], [(4, 7, 560)]),
    "two levels": ([(4, 560), (3, 560), (0.5, 540), (3, 540), (4, 60)], [(4, 7, 560), (7.5, 10.5, 540)]),
    "a slow controlled cooling of 10 °C/h": ([(3, 700), (2, 700), (24, 460), (4, 60)], [(3, 5, 700)]),
    "a slow heating alone": ([(40, 400), (2, 25)], []),
    "190 °C over the level before it is held": ([(3, 690), (1, 500), (4, 500), (3, 60)], [(4, 8, 500)]),
    "the level twice, with another between": (
        [(3, 500), (2, 500), (0.7, 700), (0.7, 500), (2, 500), (3, 60)], [(3, 5, 500), (6.4, 8.4, 500)],
    ),
    "half an hour": ([(2, 300), (0.5, 300), (1, 60)], [(2, 2.5, 300)]),
    "never held": ([(3, 500), (4, 30)], []),
}  # fmt: skip


@pytest.mark.parametrize("noise", [0.0, 0.3, 1.0])
@pytest.mark.parametrize("name", CASES)
def test_planted_holds_are_found_and_no_others(name: str, noise: float) -> None:
    legs, planted = CASES[name]
    found = holds(*course(legs, noise=noise))
    assert len(found) == len(planted), found
    for (begin, end, level), (true_begin, true_end, true_level) in zip(found, planted, strict=True):
        room = 0.2 + 0.4 * noise  # a slow cooling leaves the noise late
        assert abs(begin - true_begin) < room and abs(end - true_end) < room, found
        assert abs(level - true_level) < 2.0


def test_a_creeping_approach_and_a_short_dip_belong_to_the_hold() -> None:
    t, y = course([(3, 540), (6, 540), (4, 60)])
    hours = t / 3600.0
    y += np.where((hours > 3) & (hours < 9), 20.0 * (1.0 - np.exp(-(hours - 3.0) / 0.7)), 0.0)
    y -= np.where((hours > 6.0) & (hours < 6.1), 15.0, 0.0)
    (only,) = holds(t, y)
    assert 3.5 < only[0] < 5.0 and abs(only[1] - 9.0) < 0.3 and abs(only[2] - 560.0) < 3.0


def test_no_hold_of_random_courses_ranges_beyond_its_excursions() -> None:
    rng = np.random.default_rng(12)
    for _ in range(60):
        legs = [(float(rng.uniform(0.3, 20)), float(rng.uniform(30, 900))) for _ in range(int(rng.integers(2, 7)))]
        legs += [(float(rng.uniform(0.2, 6)), legs[-1][1]), (3.0, 40.0)]
        t, y = course(legs, noise=float(rng.uniform(0, 1.5)), seed=int(rng.integers(1 << 30)))
        for f in steady_stretches(t, y):
            if f.kind == "hold":
                assert np.ptp(y[f.start : f.end]) < 50.0
