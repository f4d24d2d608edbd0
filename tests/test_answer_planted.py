"""Planted changes of level and questions beyond a small book: said where they are, refused where nothing tells."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from loadbook.analysis.answers.cells import Asked, Break
from loadbook.analysis.answers.estimate import History, Reply
from loadbook.analysis.answers.refusal import Refusal
from loadbook.analysis.answers.working import fitted
from loadbook.queries.answer import answer
from loadbook.queries.answer_remarks import in_bursts
from loadbook.queries.enquiry import Question
from loadbook.queries.remark_words import words
from loadbook.store.records import add_intake
from tests.answerbook import fill
from tests.shops import Shop


def ran(runs: int, parts: int, seed: int, jump: float = 0.0, at: int = 0) -> pd.DataFrame:
    """Runs ten days apart, four pieces each; run sd 5, piece sd 4 µm; from run `at` on `jump` µm more."""
    rng = np.random.default_rng(seed)
    own = rng.normal(-40.0, 20.0, parts)
    rows = []
    for r in range(runs):
        p = r % parts
        mean = own[p] + jump * (r >= at) + rng.normal(0.0, 5.0)
        for _ in range(4):
            rows.append((f"R{r:03d}", f"P{p}", mean + rng.normal(0.0, 4.0), 10.0 * r, rng.choice([60.0, 80.0, 100.0])))
    frame = pd.DataFrame(rows, columns=["run", "part", "z", "day", "heating_rate_peak_c_per_h"])
    frame["heating_rate_peak_c_per_h"] = frame.groupby("run")["heating_rate_peak_c_per_h"].transform("first")
    return frame.assign(
        characteristic="flat", setup="stood", atmosphere="air", furnace="F1", material="m", shape="ring",
        condition="r", family="f", section_mm=20.0, shift="", plant="",
    )  # fmt: skip


@pytest.mark.parametrize(("parts", "seed"), [(1, 3), (3, 4)])
def test_a_jump_in_the_middle_is_found_where_it_was(parts: int, seed: int) -> None:
    frame = ran(30, parts, seed, jump=20.0, at=15)
    found = History(frame).level_step
    assert found is not None and 12 <= int(found.run[1:]) <= 18 and found.runs == 30 - int(found.run[1:])
    assert 10.0 < found.by < 30.0
    assert History(frame, breaks=[Break(145.0, "new gauge", None)]).level_step is None  # declared: nothing to say


@pytest.mark.parametrize("seed", range(6))
def test_a_level_history_has_no_jump(seed: int) -> None:
    assert History(ran(30, 1 + seed % 3, 20 + seed)).level_step is None


def test_a_slow_drift_is_found_with_its_size_and_a_level_history_has_none() -> None:
    """25 µm over 40 runs and 13 months; and none."""
    frame = ran(40, 2, 5)
    assert History(frame).level_drift is None
    found = History(frame.assign(z=frame["z"] + 25.0 * frame["day"] / 390.0)).level_drift
    assert found is not None and found.runs == 40 and found.first == 0.0
    assert 15.0 < 390.0 * found.per_day < 35.0


def test_an_answer_says_that_the_level_drifted(tmp_path: Path) -> None:
    history = Shop("plain", 40, 1, seed=1).history()
    book = fill(tmp_path / "book", history.assign(z=history["z"] - 40.0 + 25.0 * history["day"] / 730.0))
    found = answer(book, Question(part="PN-000", characteristic="C1"))
    (said,) = [r for r in found.remarks if r.code == "level_drifted"]
    assert 15.0 < said.figures["now"] - said.figures["before"] < 35.0 and said.figures["runs"] == 40
    assert words(said, "si").startswith(
        "The level has drifted slowly over these 40 runs, beyond chance: at the level of 2024-01-"
    )


def test_an_answer_says_why_it_is_not_the_mean_of_all_runs_and_what_to_do_does_it(tmp_path: Path) -> None:
    """20 µm in the middle of 30 runs: the answer follows the later ones and says so, until the break is declared."""
    history = Shop("plain", 30, 1, seed=1).history()
    days = np.sort(history["day"].unique())
    book = fill(tmp_path / "book", history.assign(z=history["z"] - 40.0 + 20.0 * (history["day"] >= days[15])))
    question = Question(part="PN-000", characteristic="C1")
    found = answer(book, question)
    (said,) = [r for r in found.remarks if r.code == "level_changed"]
    assert said.figures["runs"] == 15 and said.figures["before"] < -45.0 < -35.0 < said.figures["now"]
    text = words(said, "si")
    assert "The level changed at about run" in text and f"loadbook add breaks at={said.figures['at']} what=" in text
    with book.write() as conn:
        declared = {"at": f"{said.figures['at']}T00:00:00Z", "what": "new gauge"}
        add_intake(conn, "test", {"history_break": [declared]}, rows_read=1, taken_by="test")
    assert "level_changed" not in {r.code for r in answer(book, question).remarks}


def test_beyond_a_small_book_an_interval_that_tells_nothing_is_refused() -> None:
    """10 runs of 4 part numbers whose movement grows with its size: asked at a rate never run."""
    rng = np.random.default_rng(2)
    own = np.array([-15.0, -40.0, 12.0, -90.0])
    frame = ran(10, 4, 2)
    part = frame["part"].str[1:].astype(int).to_numpy()
    size = np.abs(own[part])
    run = 0.15 * size * rng.normal(size=10)[frame["run"].str[1:].astype(int)]
    slope = 1.0 + (frame["heating_rate_peak_c_per_h"] - 80.0) * 0.005
    frame["z"] = own[part] * slope + run + (0.15 * size + 1.0) * rng.normal(size=len(frame))
    history = fitted(frame)

    def asked(rate: float) -> Reply | Refusal:
        return history.ask(Asked(part="P0", characteristic="flat", settings={"heating_rate_peak_c_per_h": rate}))

    inside = asked(80.0)
    assert isinstance(inside, Reply) and inside.high - inside.low < 3.0 * float(np.ptp(frame["z"]))
    beyond = asked(150.0)
    assert isinstance(beyond, Refusal) and beyond.why.code in ("beyond_untold", "far_beyond")
    codes = {found.why.code for rate in (130.0, 150.0) if isinstance(found := asked(rate), Refusal)}
    assert "beyond_untold" in codes


@pytest.mark.parametrize(
    ("apart", "own", "said"),
    [(90.0, 6.0, True), (90.0, 0.0, False), (5.0, 6.0, False)],
)
def test_runs_that_came_in_bursts_and_moved_alike_are_said(apart: float, own: float, said: bool) -> None:
    """Four bursts of three runs within two days: what a burst shares is one draw, not three. Runs spread evenly over
    the time, or that moved as runs of other bursts did, are no such thing."""
    rng = np.random.default_rng(3)
    burst = np.repeat(np.arange(4), 3)
    day = burst * apart + np.tile([0.0, 1.0, 2.0], 4)
    moved = own * np.array([-1.5, 1.0, 0.2, 1.4])[burst] + rng.normal(0.0, 1.5, 12)
    found = in_bursts(day, moved)
    assert [(r.code, r.figures["runs"], r.figures["bursts"]) for r in found] == [("runs_in_bursts", 12, 4)] * said
