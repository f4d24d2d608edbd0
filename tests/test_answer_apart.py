"""Where part numbers are not alike: slopes that differ by material, material lots, a part number that scatters more."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from loadbook.analysis.answers.cells import Asked
from loadbook.analysis.answers.differing import Differing
from loadbook.analysis.answers.estimate import History, Reply
from loadbook.queries.answer import answer
from loadbook.queries.enquiry import Question
from loadbook.queries.remark_words import words
from tests.answerbook import fill
from tests.shops import RATE, SETTINGS, WITHIN


def ran(
    seed: int, runs: int = 48, parts: int = 6, slopes: Sequence[float] = (3.0, 3.0), lot: float = 0.0, lot_of: int = 4,
    scatter: float = 1.0,
) -> pd.DataFrame:  # fmt: skip
    """Runs of part numbers in turn, four pieces each; run and piece sd 5 µm; two materials with a slope of the heating
    rate each (µm per sd); every so many runs of a part number another material lot, its level of sd `lot`; the first
    part number scatters `scatter` times as much."""
    rng = np.random.default_rng(seed)
    own, lots, rows = rng.normal(-40.0, 15.0, parts), rng.normal(0.0, 1.0, (parts, runs)), []
    for r in range(runs):
        p, nth = r % parts, r // parts
        x = np.array([100.0, 600.0, 120.0, 80.0]) + rng.normal(size=4) * WITHIN
        level = own[p] + slopes[p % 2] * (x[0] - 100.0) / WITHIN[0] + lot * lots[p, nth // lot_of]
        noise = (scatter if p == 0 else 1.0) * (rng.normal(0.0, 5.0) + rng.normal(0.0, 5.0, 4))
        for k in range(4):
            rows.append((f"R{r:03d}", f"P{p}", "C1", f"{r}-{k}", level + noise[k], 5.0 * r, f"M{p % 2}",
                         f"H{p}-{nth // lot_of}", *x))  # fmt: skip
    frame = pd.DataFrame(
        rows, columns=["run", "part", "characteristic", "serial", "z", "day", "material", "heat_number", *SETTINGS]
    )
    return frame.assign(kind="outside diameter", shape="ring", condition="from bar", setup="laid", section_mm=20.0,
                        length_mm=100.0)  # fmt: skip


def replied(history: History, part: str, rate: float = 100.0) -> Reply:
    found = history.ask(Asked(part=part, characteristic="C1", settings={RATE: rate}))
    assert isinstance(found, Reply)
    return found


@pytest.mark.parametrize("seed", [0, 1, 3])
def test_opposite_slopes_in_two_materials_are_each_their_own(seed: int) -> None:
    """One slope for all would be about none: at a fast rate it is wrong by 9 µm in both."""
    history = History(ran(seed, slopes=(6.0, -6.0)))
    apart = history.design.apart
    assert isinstance(apart, Differing) and apart.label == "material"
    assert apart.chances[0] < 0.005
    for part, slope in (("P0", 6.0), ("P1", -6.0)):
        told = replied(history, part, 115.0).median - replied(history, part, 100.0).median
        assert abs(told - 1.5 * slope) < 6.0


def test_a_common_slope_is_seldom_taken_apart() -> None:
    clear = [a for seed in range(20) if (a := History(ran(100 + seed)).design.apart) and min(a.chances) < 0.005]
    assert len(clear) <= 2


def test_what_lots_differ_by_is_in_the_width_of_a_lot_not_seen() -> None:
    frame = ran(1, lot=12.0)
    with_lots, without = History(frame), History(frame.drop(columns="heat_number"))
    assert with_lots.design.lot_df == 6
    wide, narrow = replied(with_lots, "P0"), replied(without, "P0")
    assert wide.high - wide.low > 1.15 * (narrow.high - narrow.low) and wide.high - wide.low > 2 * 1.645 * 12.0
    assert History(ran(1, lot=12.0, lot_of=1)).design.lot_df == 0  # a lot each run: in what runs differ by
    of_each = frame.assign(heat_number=frame["serial"])
    assert len(History(of_each).cells.z) == len(without.cells.z)  # a piece's own number is no lot


def test_an_answer_says_what_it_knows_of_lots_and_of_slopes(tmp_path: Path) -> None:
    said = {}
    for name, frame in (
        ("many", ran(1, runs=72, slopes=(12.0, -12.0), lot=12.0)), ("one", ran(2, runs=12, parts=1, lot_of=12)),
        ("none", ran(2, runs=12, parts=1).drop(columns="heat_number")),
    ):  # fmt: skip
        book = fill(tmp_path / name, frame)
        found = answer(book, Question(part="P0", characteristic="C1"))
        said[name] = {r.code: words(r, "si") for r in found.remarks if r.code.endswith(("lots", "differ"))}
    assert list(said["many"]) == ["slopes_differ", "lots_differ"] and list(said["one"]) == ["few_lots"]
    assert "differs by material, beyond chance" in said["many"]["slopes_differ"]
    assert "of one material lot" in said["one"]["few_lots"] and not said["none"]


@pytest.mark.parametrize("parts", [3, 12])
def test_a_part_number_that_scatters_four_times_as_much_is_no_average(parts: int) -> None:
    """However many others scatter alike."""
    history = History(ran(4, runs=10 * parts, parts=parts, scatter=4.0))
    wide, usual = (replied(history, p) for p in ("P0", "P1"))
    assert 2.5 < (wide.high - wide.low) / (usual.high - usual.low) < 5.5
    true = 2 * 1.645 * 5.0 * np.sqrt(2.0)
    assert 0.8 < (usual.high - usual.low) / true < 2.0 and 0.75 < (wide.high - wide.low) / (4.0 * true) < 2.0


def test_one_part_number_alone_scatters_as_it_does() -> None:
    history = History(ran(4, runs=12, parts=1))
    assert history.spread.factor(0) == 1.0 and set(history.spread.of_pieces) == {1.0}


def test_a_furnace_that_drifts_alone_and_a_bent_line_are_followed() -> None:
    """30 µm in two years in one of two furnaces; 4 µm per squared deviation: asked on the last day, at both ends."""
    frame = ran(7, runs=96, parts=4)
    assert not History(frame).design.curves
    code = frame["run"].str[1:].astype(int)
    second = code // 4 % 2 == 1
    drift = History(frame.assign(z=frame["z"] + 30.0 * second * code / 96.0, furnace=np.where(second, "F2", "F1")))
    assert set(drift.design.drifts) == {"F1", "F2"}
    last = [drift.ask(Asked("P0", "C1", furnace=f, day=480.0)) for f in ("F1", "F2")]
    level, drifted = (r.median for r in last if isinstance(r, Reply))
    assert 22.0 < drifted - level < 38.0
    bent = History(frame.assign(z=frame["z"] + 4.0 * ((frame[RATE] - 100.0) / WITHIN[0]) ** 2))
    assert bent.design.curves == (0,)
    low, middle, high = (replied(bent, "P0", rate).median for rate in (80.0, 100.0, 120.0))
    assert 10.0 < (low + high) / 2.0 - middle < 22.0
