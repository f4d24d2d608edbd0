"""Treatments side by side: the difference has an interval of its own, and it holds the truth."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from subprocess import CompletedProcess

import numpy as np
import pytest

from loadbook.analysis.answers.difference import difference
from loadbook.analysis.answers.estimate import History
from loadbook.analysis.answers.refusal import Refusal
from loadbook.core.errors import UsageError
from loadbook.queries.answer_compare import compare, treatments
from loadbook.queries.enquiry import Question

from .answerbook import fill
from .shops import RATE, Shop
from .trials.differences import asked_of, truth

Loadbook = Callable[..., CompletedProcess[str]]


def test_differences_hold_and_are_narrower_than_two_answers() -> None:
    """24 histories of rates and setups: at 95 % 20 or more hold with probability .99."""
    held, ratio = [], []
    for world in ("plain", "setup"):
        for seed in range(12):
            shop = Shop(world, 40, 8, seed=seed)
            history = History(shop.history())
            part, one, other = asked_of(shop, history, world)
            found = difference(history, one, other)
            assert found is not None
            held.append(found.low <= truth(shop, part, world) <= found.high)
            reply = history.ask(one)
            if isinstance(reply, Refusal):  # a chance run of its last runs looks like a level that moved
                continue
            ratio.append((found.high - found.low) / (2 * (reply.high - reply.low)))
    assert sum(held) >= 20 and len(ratio) >= 20
    assert np.median(ratio) < 0.8


def test_what_no_part_number_ran_both_ways_has_no_difference() -> None:
    shop = Shop("plain", 40, 8, seed=1)
    pieces = shop.history()
    pieces[RATE] = pieces.groupby("part")[RATE].transform("mean")
    history = History(pieces)
    _, one, other = asked_of(shop, history, "plain")
    assert difference(history, one, other) is None
    _, hung, laid = asked_of(shop, history, "setup")
    assert difference(history, hung, laid) is None  # every piece was laid


def test_treatments_as_written() -> None:
    asked = Question(part="P", setup="laid")
    (first, as_put), (name, other) = treatments(["setup=stood,heating_rate_peak_c_per_h=60"], asked)
    assert (first, as_put) == ("as asked", asked)
    assert other.setup == "stood" and other.settings == {RATE: 60.0} and name.startswith("setup=stood")
    for wrong in (["nothing"], [""], ["setup=a"] * 9):
        with pytest.raises(UsageError):
            treatments(wrong, asked)


def test_compare_on_the_command_line(tmp_path: Path, loadbook: Loadbook) -> None:
    shop = Shop("plain", 60, 8, seed=2)
    pieces = shop.history()
    part = max(shop.parts, key=lambda p: int((pieces["part"] == p.name).sum()))
    with fill(tmp_path / "book", pieces) as book:
        rates = [f"{RATE}={part.usual[0] + d:.1f}" for d in (-10, 10)]
        found = compare(book, Question(part=part.name, characteristic="C1"), rates)
    assert len(found.rows()) == 2 and found.rows()[0]["difference"] is None
    second = found.rows()[1]
    assert second["difference_low"] < second["difference"] < second["difference_high"]
    assert second["furnace_hours"] < found.rows()[0]["furnace_hours"]
    words = ("answer", "--part", part.name, "--characteristic", "C1", "--compare", rates[0], "--compare", rates[1])
    done = loadbook(*words, "--book", str(tmp_path / "book"))
    assert done.returncode == 0 and "less the first" in done.stdout and "associations" in done.stdout
    rows = json.loads(loadbook(*words, "--book", str(tmp_path / "book"), "--format", "json").stdout)
    assert rows[1]["difference"] == pytest.approx(second["difference"])
