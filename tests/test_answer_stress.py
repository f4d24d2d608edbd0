"""Thermal stress of heating in the answer's model: kept where it is what happens, nowhere else, and said."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from loadbook.analysis.answers import yielding
from loadbook.analysis.answers.cells import Asked, make_cells
from loadbook.analysis.answers.estimate import Reply
from loadbook.analysis.answers.working import fitted
from loadbook.analysis.physics.metal import metal
from loadbook.analysis.trace.conduction import Body
from loadbook.queries import kept_answers, remark_words
from loadbook.queries.answer import answer
from loadbook.queries.enquiry import Question
from loadbook.queries.heating_stress import per_rate
from loadbook.queries.letter.build import letter
from loadbook.store.book import BookFolder
from tests.answerbook import fill
from tests.othershops import OtherShop
from tests.shops import SETTINGS, Shop

STEEL = {"conductivity_w_mk": 42.0, "density_kg_m3": 7850.0, "specific_heat_j_kgk": 560.0}
SETTINGS_ASKED = dict(zip(SETTINGS, (120.0, 600.0, 120.0, 80.0), strict=True))


def yielded(runs: int = 100, parts: int = 20) -> pd.DataFrame:
    """A shop whose thick sections yield when heated fast (tests/trials/mechanisms.py: acting)."""
    shop = OtherShop("second, strong", runs, parts, 30001)
    shop.strong = 4.0
    return shop.history()


def fed(frame: pd.DataFrame, mpa: float = 250.0) -> pd.DataFrame:
    """With the figure of each part number: mpa is what its onset of yielding asks for."""
    return frame.assign(stress_per_rate=mpa * (frame["section_mm"] / 25.0) ** 2 / 160.0)


def new(mpa: float = 250.0) -> Asked:
    return Asked(
        material="M1", shape="ring", condition="from bar", section_mm=40.0, settings=SETTINGS_ASKED,
        stress_per_rate=mpa * (40.0 / 25.0) ** 2 / 160.0,
    )  # fmt: skip


def test_the_figure_of_a_part_number() -> None:
    """A 100 mm plate of structural steel: EN 1993-1-2:2005, table 3.1 at 600 °C: E 0.31, proportional limit 0.18 of the
    yield; 3.4.1: expansion 1.2e-5 + 0.8e-8 T; surface ahead of the mean by r L²/(3 D) (Boley & Weiner, ch. 9)."""
    diffusivity = 42.0 / (7850.0 * 560.0)
    plate = Body("slab", 50.0, 42.0, diffusivity)
    factor = 0.31 * 210e3 * (1.2e-5 + 0.8e-8 * 600.0) / 0.7
    by_hand = factor / 0.18 * 0.05**2 / (3.0 * diffusivity) / 3600.0
    steel = metal("42CrMo4", "low-alloy steel")
    assert per_rate(plate, steel, 600.0) == pytest.approx(by_hand, rel=0.01)
    bar = per_rate(Body("cylinder", 50.0, 42.0, diffusivity), steel, 600.0)
    assert bar == pytest.approx(by_hand * 3.0 / 8.0, rel=0.01)  # B R²/(8 D)
    assert per_rate(plate, metal("X38CrMoV5-1", "tool steel"), 600.0) is None  # no course of its yield is published


def test_kept_where_it_is_what_happens_and_only_in_long_histories() -> None:
    frame = fed(yielded())
    plain, helped = fitted(frame), fitted(frame, stress=True)
    assert plain.gained is None and helped.gained is not None and helped.gained > yielding.BETTER
    before, after = plain.ask(new()), helped.ask(new())
    assert isinstance(before, Reply) and isinstance(after, Reply)
    assert after.high - after.low < 0.85 * (before.high - before.low)
    assert yielding.considered(helped.cells)
    gone = frame["part"].isin(sorted(set(frame["part"]))[:1])
    assert not yielding.considered(make_cells(frame.assign(stress_per_rate=frame["stress_per_rate"].mask(gone))))
    assert not yielding.considered(make_cells(fed(frame, 20.0)))  # all stay elastic, whatever they are made of
    assert not yielding.considered(make_cells(frame[frame["day"] < frame["day"].median()]))
    assert not yielding.considered(make_cells(yielded()))


def test_one_part_in_ten_may_lack_the_figure() -> None:
    frame = fed(yielded(120, 22))
    lacks = frame["part"] == "PN-001"
    frame["stress_per_rate"] = frame["stress_per_rate"].mask(lacks)
    helped = fitted(frame, stress=True)
    assert helped.gained is not None and helped.design.bent is not None and len(helped.design.bent.parts) == 21
    own = helped.design.columns(Asked(part="PN-001", characteristic="C1"))[yielding.TERM]
    assert not np.any(own)  # the average, as its cells have


def test_a_history_where_it_says_nothing_has_the_very_model_that_it_had() -> None:
    frame = fed(Shop("plain", 100, 24, seed=4).history())
    without = fitted(frame.drop(columns="stress_per_rate"))
    considered = fitted(frame, stress=True)
    assert yielding.considered(considered.cells) and considered.gained is None
    for asked in (new(), replace(new(), stress_per_rate=None), Asked(part="PN-001", characteristic="C1")):
        assert repr(considered.ask(asked, harm=-1)) == repr(without.ask(asked, harm=-1))


@pytest.fixture(scope="module")
def book(tmp_path_factory: pytest.TempPathFactory) -> BookFolder:
    frame = yielded().assign(kind="outside diameter")
    frame["section_mm"] *= 8.0  # 64 to 320 mm: what has to be heated so to yield
    return fill(tmp_path_factory.mktemp("stress") / "book", frame, of_material=STEEL)


QUESTION = Question(
    material="M1", shape="ring", condition="from bar", kind="outside diameter", size_mm=100.0, section_mm=320.0,
    settings=SETTINGS_ASKED,
)  # fmt: skip


def test_an_answer_says_that_it_took_part_and_a_letter_does_not(book: BookFolder) -> None:
    found = answer(book, QUESTION)
    (said,) = [r for r in found.remarks if r.code == "stress_took_part"]
    low, high = said.figures["without"]
    assert found.low is not None and found.high is not None and found.high - found.low < 0.85 * (high - low)
    assert said.figures["least_mpa"] < 10.0 < 250.0 < said.figures["needs_mpa"] < said.figures["most_mpa"]
    si, us = remark_words.words(said, "si"), remark_words.words(said, "us")
    assert si.startswith(
        "Thermal stress of heating took part: part numbers left out are told better with it. At this rate the section "
        "stays elastic from a yield of 254 MPa at 20 °C on (part numbers on record: 6.9 MPa to 320 MPa); without it: -"
    )
    assert "of 37 ksi at 68 °F on" in us and "MPa" not in us and us.endswith("thousandths.")
    assert si in found.cautions and found.method == "shrinkage 5"
    assert any(r["code"] == "stress_took_part" and r["text"] == si for r in found.to_json()["remarks"])
    number = kept_answers.save(book, found)
    assert "stress_took_part" in {r.code for r in kept_answers.saved(book, number).remarks}
    printed = " ".join(text for text, _ in letter(book, number).texts())
    assert "9 in 10 pieces" in printed and not any(w in printed for w in ("stress of", "Thermal", "yield", "MPa"))


def test_it_is_not_asked_where_the_question_or_the_book_does_not_tell(book: BookFolder, tmp_path: Path) -> None:
    """No rate planned; materials without conductivity."""
    assert "stress_took_part" not in {r.code for r in answer(book, replace(QUESTION, settings={})).remarks}
    bare = fill(tmp_path / "bare", yielded().assign(kind="outside diameter"))
    found = answer(bare, QUESTION)
    assert found.model is not None and found.model.gained is None
