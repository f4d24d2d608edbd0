"""A short form of the trial: few histories, bounds wide enough for luck, narrow enough that a wrong method fails.

The full form is `python -m tests.trial_effects 400 10,30,100,400`.
"""

from __future__ import annotations

import numpy as np

from .trial_effects import score

HISTORIES = 40


def test_the_interval_holds_and_the_pooled_one_does_not() -> None:
    """30 runs: at 95 %, 40 histories hold 35 or more with probability .99; the pooled slope's interval, mostly not."""
    scores = [score(world, 30, HISTORIES) for world in ("plain", "mixed", "drift")]
    for s in scores:
        assert s.held >= 0.875, s
        assert s.false_positive <= 0.15, s
    assert np.mean([s.held for s in scores]) >= 0.92
    assert all(s.pooled_held < 0.5 for s in scores)


def test_a_hundred_runs_find_a_real_slope() -> None:
    s = score("plain", 100, 15)
    assert s.power >= 0.7 and s.held >= 0.8
    assert s.half < 2.0


def test_ten_runs_rarely_claim_anything() -> None:
    s = score("plain", 10, HISTORIES)
    assert s.power <= 0.15 and s.false_positive <= 0.15
