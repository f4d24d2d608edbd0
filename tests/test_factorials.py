"""Published two-level factorials come out with their published effects, also where every run has a date of its own."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from loadbook.analysis.effects.cells import Cells, Column
from loadbook.analysis.effects.estimate import Effect
from loadbook.analysis.effects.joint import effects
from loadbook.queries.effect_words import verdict


def factorial(letters: str, y: list[float], repeats: int = 1) -> dict[str, np.ndarray]:
    """Columns -0.5, 0.5 in standard order (the first letter changes fastest), each run repeated as y lists them."""
    levels = [t[::-1] for t in itertools.product((-0.5, 0.5), repeat=len(letters))]
    rows = np.repeat(np.array(levels), repeats, axis=0)
    assert len(rows) == len(y)
    return {name: rows[:, k] for k, name in enumerate(letters)}


def crossed(columns: dict[str, np.ndarray], words: list[str]) -> list[Column]:
    """Main effects and products: a product of two halves is doubled, so that a slope is an effect of all."""
    return [Column(w, np.prod([2 * columns[c] for c in w], axis=0) / 2) for w in words]


def fitted(y: list[float], columns: list[Column], assigned: bool, days: np.ndarray) -> dict[str, Effect]:
    n = len(y)
    zero, run = np.zeros(n, dtype=np.intp), np.arange(n, dtype=np.intp)
    cells = Cells(np.array(y, dtype=float), zero + 1, run, zero, zero, days, tuple(f"R{i}" for i in range(n)), ("P",))
    found = effects(cells, columns, "um", named=True, assigned=assigned)
    return {e.parameter: e for e in found}


def unlucky(y: list[float], days: float = 6.0) -> np.ndarray:
    """The worst order of the runs: dates that rise with the result."""
    return np.argsort(np.argsort(np.array(y))).astype(float) * days / len(y)


# Montgomery, Design and Analysis of Experiments, 6.2: yield of a chemical process, 2², three replicates. Effects,
# sums of squares and F as printed (from memory)
YIELD = [28, 25, 27, 36, 32, 32, 18, 19, 23, 31, 30, 29]
# Montgomery, example 6.1: plasma etch, 2³ twice; total sum of squares 531,420.9375 and that of error 18,020.50 as
# printed (read in a copy of the text), effects from memory
ETCH = [550, 604, 669, 650, 633, 601, 642, 635, 1037, 1052, 749, 868, 1075, 1063, 729, 860]
# Montgomery, example 6.2: filtration rate, 2⁴ once (from memory)
FILTRATION = [45, 71, 48, 65, 68, 60, 80, 65, 43, 100, 45, 104, 75, 86, 70, 96]
# Box, Hunter & Hunter, Statistics for Experimenters, the pilot plant, 2³ once (from memory)
PILOT = [60, 72, 54, 68, 52, 83, 45, 80]


@pytest.mark.parametrize("assigned", [True, False])
def test_yield_of_a_chemical_process(assigned: bool) -> None:
    y = [float(v) for v in YIELD]
    found = fitted(y, crossed(factorial("AB", y, 3), ["A", "B", "AB"]), assigned, unlucky(y))
    assert {k: round(e.effect or 0.0, 2) for k, e in found.items()} == {"A": 8.33, "B": -5.0, "AB": 1.67}
    if assigned:  # printed F: 53.15, 19.13, 2.13 on 1 and 8 degrees
        for name, f in (("A", 53.19), ("B", 19.15), ("AB", 2.13)):
            e = found[name]
            assert e.df == 8 and e.effect is not None and e.effect_high is not None
            se = (e.effect_high - e.effect) / 2.306004
            assert (e.effect / se) ** 2 == pytest.approx(f, abs=0.05)


@pytest.mark.parametrize("assigned", [True, False])
def test_plasma_etch(assigned: bool) -> None:
    y = [float(v) for v in ETCH]
    assert float(np.sum((np.array(y) - np.mean(y)) ** 2)) == pytest.approx(531_420.9375, abs=1e-6)
    words = ["A", "B", "C", "AB", "AC", "BC", "ABC"]
    found = fitted(y, crossed(factorial("ABC", y, 2), words), assigned, unlucky(y))
    printed = [-101.625, 7.375, 306.125, -24.875, -153.625, -2.125, 5.625]
    assert [found[w].effect for w in words] == pytest.approx(printed, abs=1e-9)
    if assigned:
        e = found["C"]
        assert e.df == 8 and e.effect is not None and e.effect_high is not None
        se = (e.effect_high - e.effect) / 2.306004
        assert se == pytest.approx(np.sqrt(18_020.50 / 8 / 4), rel=1e-5)


def test_filtration_rate() -> None:
    """The five that matter; the rest is the error term."""
    y = [float(v) for v in FILTRATION]
    words = ["A", "C", "D", "AC", "AD"]
    found = fitted(y, crossed(factorial("ABCD", y), words), True, unlucky(y))
    assert [found[w].effect for w in words] == pytest.approx([21.625, 9.875, 14.625, -18.125, 16.625], abs=1e-9)
    assert all((found[w].p or 1.0) < 0.002 for w in words)


def test_pilot_plant() -> None:
    """Temperature 23, concentration -5, catalyst 1.5, temperature x catalyst 10; one at a time nothing is clear."""
    y = [float(v) for v in PILOT]
    words = ["T", "C", "K", "TK"]
    columns = crossed(factorial("TCK", y), words)
    found = fitted(y, columns, True, unlucky(y))
    assert [found[w].effect for w in words] == pytest.approx([23.0, -5.0, 1.5, 10.0], abs=1e-9)
    assert found["T"].p is not None and found["T"].alone_p is not None and found["T"].p < 0.1 * found["T"].alone_p
    assert "The settings were assigned" in verdict(found["T"])


def test_centre_points_show_whether_there_is_a_bend() -> None:
    """Montgomery, DOE, the 2² with five centre points: A 1.55, B 0.65, AB -0.05, pure error 0.0430 on 4 degrees,
    curvature -0.035 with F 0.06 (from memory)."""
    y = [39.3, 40.9, 40.0, 41.5, 40.3, 40.5, 40.7, 40.2, 40.6]
    corners = factorial("AB", y[:4])
    columns = [
        Column(c.name, np.append(c.values, np.zeros(5))) for c in crossed(corners, ["A", "B", "AB"])
    ]  # fmt: skip
    found = fitted(y, columns, True, unlucky(y))
    assert {k: round(e.effect or 0.0, 2) for k, e in found.items()} == {"A": 1.55, "B": 0.65, "AB": -0.05}
    a = found["A"]
    assert a.bend == pytest.approx(0.035, abs=1e-9) and a.bend_low is not None and a.bend_high is not None
    se = (a.bend_high - a.bend) / 2.776445
    assert se == pytest.approx(np.sqrt(0.0430 * (1 / 4 + 1 / 5)), rel=1e-5)
    assert (a.bend / se) ** 2 == pytest.approx(0.06, abs=0.005)
    assert "no threshold shows" in verdict(a)


def test_a_saturated_trial_has_no_interval() -> None:
    y = [float(v) for v in PILOT]
    words = ["T", "C", "K", "TC", "TK", "CK", "TCK"]
    found = fitted(y, crossed(factorial("TCK", y), words), True, unlucky(y))
    assert all(e.effect is None and e.refused is not None for e in found.values())
