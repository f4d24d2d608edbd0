"""A short form of the trial: few histories, bounds wide enough for luck, narrow enough that a wrong method fails.

The full form is `python -m tests.trials.effects 400 10,30,100,400`.
"""

from __future__ import annotations

import numpy as np
import pytest

from loadbook.analysis.effects.joint import effects
from tests.trials.effects import NO_SLOPE, cells_of_shop, score

from .shops import SLOPE, WITHIN, WORLDS, Shop

HISTORIES = 40


@pytest.mark.thorough
def test_the_interval_holds_and_the_pooled_one_does_not() -> None:
    """30 runs: at 95 %, 40 histories hold 35 or more with probability .99; the pooled slope's interval, mostly not."""
    scores = [score(world, 30, HISTORIES) for world in ("plain", "mixed", "drift")]
    for s in scores:
        assert s.held >= 0.875, s
        assert s.false_positive <= 0.15, s
    assert np.mean([s.held for s in scores]) >= 0.92
    assert all(s.pooled_held < 0.5 for s in scores)


@pytest.mark.thorough
def test_every_world_holds_and_pooled_regression_has_the_wrong_sign() -> None:
    """30 runs, every world with one true slope: what the interval must hold, the pooled one fails in sign and share."""
    scores = [score(world, 30, 3) for world in WORLDS if world not in NO_SLOPE]
    assert np.mean([s.held for s in scores]) >= 0.88
    assert np.mean([s.false_positive for s in scores]) < 0.15
    confounded = [s for s in scores if s.world != "unconfounded"]
    assert np.mean([s.pooled_held for s in confounded]) < 0.40 < 0.88
    assert np.mean([s.pooled_wrong_sign for s in confounded]) > 0.60


def test_a_hundred_runs_find_a_real_slope() -> None:
    s = score("plain", 100, 15)
    assert s.power >= 0.7 and s.held >= 0.8
    assert s.half < 2.0


@pytest.mark.thorough
def test_ten_runs_rarely_claim_anything() -> None:
    s = score("plain", 10, HISTORIES)
    assert s.power <= 0.15 and s.false_positive <= 0.15


@pytest.mark.thorough
def test_a_furnace_that_goes_with_the_rate_does_not_spoil_its_interval() -> None:
    """30 histories of 30 runs: at 95 % 26 or more hold with probability .98; without the furnace, under 0.8 do."""
    s = score("furnace", 30, 30)
    assert s.held >= 0.86 and s.false_positive <= 0.15
    truth, held = SLOPE / WITHIN[0], []
    for seed in range(30):
        cells, columns = cells_of_shop(Shop("plain", 30, seed=seed), "furnace")
        rate, *_ = effects(cells, [c for c in columns if not c.name.startswith("furnace")], "um")
        if rate.effect_low is not None and rate.effect_high is not None:
            held.append(rate.effect_low <= truth <= rate.effect_high)
    assert np.mean(held) < 0.8
