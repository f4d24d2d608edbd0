"""The fast form of the trial: bounds so wide that chance does not break them, and that the usual wrong methods do.

The full form: python -m tests.trials.answers --full (its table stands in tests/trials/MEASURED.md).
"""

from __future__ import annotations

import numpy as np
import pytest

from tests.shops import WORLDS, Shop
from tests.trials.answers import Result, plain_normal, play, summary

ANSWERS_HOLD = (0.84, 0.96)  # of a nominal 0.90


@pytest.fixture(scope="module")
def results() -> list[Result]:
    return [r for world in WORLDS for seed in range(2) for r in play(world, 30, seed, (0.90,), parts=12)]


@pytest.mark.thorough
def test_answers_hold_as_often_as_they_say(results: list[Result]) -> None:
    table = summary(results).set_index("kind")
    for kind in ("known", "new"):
        assert ANSWERS_HOLD[0] <= table.loc[kind, "held"] <= ANSWERS_HOLD[1], kind
    assert table.loc["known", "width"] < 1.40 and table.loc["new", "width"] < 2.0
    assert table.loc["known", "bound"] >= 0.90 and table.loc["new", "bound"] >= 0.90
    assert {r.world for r in results} == set(WORLDS)


@pytest.mark.thorough
def test_beyond_what_was_run_is_marked_or_holds(results: list[Result]) -> None:
    """Two deviations beyond a part number's highest setting: many are marked, and all that is answered there holds .88.

    Those without a mark hold less than those with one, before and after the limits were Student's (.83 of 51 and .84 of
    81 here): a smaller share of them cannot be promised, and `explain` says so.
    """
    beyond = [r for r in results if r.kind == "beyond" and not np.isnan(r.covered)]
    plain = [r.covered for r in beyond if not r.marked]
    assert len(plain) < 0.6 * len(beyond)
    assert np.mean([r.covered for r in beyond]) >= 0.88
    # so few histories know their mean to three of these errors
    assert np.mean(plain) >= 0.88 - 3.0 * np.std(plain, ddof=1) / np.sqrt(len(plain))


def test_the_plain_normal_interval_fails_the_same_bounds() -> None:
    """Pieces taken for independent: too narrow by far, because a run's pieces share its luck."""
    held = np.mean([np.mean(plain_normal(world, 30, seed)) for world in WORLDS for seed in range(2)])
    assert held < ANSWERS_HOLD[0] - 0.05


def test_shops_are_seeded_and_their_truth_is_theirs() -> None:
    one, two = Shop("plain", 30, seed=5), Shop("plain", 30, seed=5)
    assert one.history().equals(two.history()) and not one.history().equals(Shop("plain", 30, seed=6).history())
    shop = Shop("setup", 30, seed=5)
    part = shop.parts[0]
    laid, hung = (shop.draws(part, part.usual, h, 4000).mean() for h in (0.0, 1.0))
    assert hung - laid == pytest.approx(part.setup_gap, abs=0.6)
    with pytest.raises(ValueError, match="no world"):
        Shop("moon", 30)
