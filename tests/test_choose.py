"""Choosing a cycle on books whose truth is planted: what slow heating does, nothing, a furnace, a limit."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from subprocess import CompletedProcess

import numpy as np
import pytest
from scipy.stats import norm

from loadbook.core.errors import UsageError
from loadbook.queries.choose import choose_cycle
from loadbook.queries.choose_result import Chosen
from loadbook.queries.enquiry import Question
from loadbook.store.book import BookFolder

from .choosebook import PART, PIECE_SD, RUN_SD, book_of, planted
from .shops import COOL, RATE

Loadbook = Callable[..., CompletedProcess[str]]
SD = float(np.hypot(RUN_SD, PIECE_SD))


def slow_halves(heat: float, cool: float, furnace: str) -> float:
    """40 µm at 120 °C/h, half of it at 60."""
    return 20.0 * heat / 60.0


def nothing(heat: float, cool: float, furnace: str) -> float:
    return 10.0


def asked(tolerance_mm: float, **more: str) -> Question:
    return Question(part=PART, characteristic="C1", tolerance_mm=tolerance_mm, **more)  # type: ignore[arg-type]


def true_share(mean: float, half: float) -> float:
    return float(norm.cdf((half - mean) / SD) - norm.cdf((-half - mean) / SD))


@pytest.fixture(scope="module")
def slow(tmp_path_factory: pytest.TempPathFactory) -> BookFolder:
    return book_of(tmp_path_factory.mktemp("choose") / "slow", planted(slow_halves))


@pytest.fixture(scope="module")
def found(slow: BookFolder) -> Chosen:
    return choose_cycle(slow, asked(0.080))


def test_slow_heating_is_chosen_where_it_halves_movement(found: Chosen) -> None:
    """At the present 100 °C/h 33 µm of the 40 allowed; slower is taken, cooling as fast as was run."""
    choice = found.choice
    assert choice is not None and choice.chosen is not None
    best = found.plan(choice.chosen)
    heat, cool = best.settings[RATE], best.settings[COOL]
    assert 60.0 <= heat <= 90.0 and cool >= 80.0
    inside = choice.chosen.inside
    assert inside.low >= 0.90 and true_share(slow_halves(heat, cool, "F1"), 40.0) >= inside.low
    assert choice.present.inside.low < 0.90  # the present cycle falls short, and it is said
    assert "falls short of 90 %" in found.text[0] and "SR revision A with heating at" in found.text[0]
    assert RATE in choice.matters and COOL not in choice.matters


def test_every_faster_way_that_was_offered_keeps_less(found: Chosen) -> None:
    choice = found.choice
    assert choice is not None and choice.chosen is not None
    faster = [s for s in choice.scored if s.way.hours < choice.chosen.way.hours and s.state in ("offered", "present")]
    assert faster and all(s.inside.low < 0.90 for s in faster)
    lows = [s.inside.low for s in choice.scored if s.state == "offered"]
    assert lows == sorted(lows)  # the edge


def test_what_it_rests_on_and_the_next_trial(found: Chosen) -> None:
    choice = found.choice
    assert choice is not None and choice.chosen is not None
    assert 0.8 <= choice.held_out.share <= 1.0 and choice.held_out.folds == 5  # a real effect holds in runs left out
    assert choice.chosen.near > choice.chosen.own_near >= 1
    if choice.trial is not None:
        assert choice.trial.way.hours < choice.chosen.way.hours
    gap = choice.chosen.apart
    assert gap is not None and gap.high < 0.0  # it moves less, by runs alone
    told = " ".join(found.text)
    assert "promised to save" in told and "past runs by this program" in told


def test_the_fastest_that_was_run_is_taken_where_nothing_matters(tmp_path: Path) -> None:
    history = planted(nothing, seed=3)
    with book_of(tmp_path / "b", history) as book:
        found = choose_cycle(book, asked(0.080))
    choice = found.choice
    assert choice is not None and choice.chosen is not None
    best = found.plan(choice.chosen).settings
    assert best[RATE] >= 110.0 and best[COOL] >= 80.0
    assert choice.matters == () and any("can be told to matter" in line for line in found.text)
    assert best[RATE] <= history[RATE].max() and best[COOL] <= history[COOL].max()  # never beyond what was run


@pytest.mark.parametrize("runs", [30, 60])  # below forty runs the model has one effect a furnace and none inside parts
def test_what_a_furnace_does_is_not_sold_as_the_rates(tmp_path: Path, runs: int) -> None:
    """One furnace runs slow, the other fast, and only the furnace matters: slower heating in it is not offered."""

    def draw(rng: np.random.Generator) -> tuple[float, float, str]:
        slow = bool(rng.random() < 0.5)
        return float(rng.normal(60 if slow else 110, 2.0)), float(rng.uniform(50, 90)), "F1" if slow else "F2"

    def furnace_alone(heat: float, cool: float, furnace: str) -> float:
        return 15.0 if furnace == "F1" else 38.0

    with book_of(tmp_path / "b", planted(furnace_alone, draw, runs, 2), asked=(110.0, 70.0)) as book:
        found = choose_cycle(book, asked(0.080, furnace="F2"))
    choice = found.choice
    assert choice is not None and choice.chosen is None
    assert choice.states["not to be told"] > 0
    assert all(found.plan(s).settings[RATE] == 110.0 for s in choice.scored if s.state == "offered")
    together = [r for r in found.remarks if r.code == "goes_together"]
    assert [(r.figures["parameter"], r.figures["other"]) for r in together] == [(RATE, "furnace")]
    assert found.refused is not None and found.refused.code == "none_keeps"
    assert any("cannot be told" in line for line in found.text)


def test_a_limit_entered_in_the_book_binds(tmp_path: Path) -> None:
    """Nothing matters and 120 was run, but the cycle allows 105: no way above it, and it is said."""
    with book_of(tmp_path / "b", planted(nothing, seed=3), heat_max=105.0) as book:
        found = choose_cycle(book, asked(0.080))
    choice = found.choice
    assert choice is not None and choice.chosen is not None
    assert 95.0 <= found.plan(choice.chosen).settings[RATE] <= 105.0
    broken = [s for s in choice.scored if s.state == "breaks a limit"]
    assert broken and all(found.plan(s).breaks[0].code == "asks_above_limit" for s in broken)
    assert any(r.code == "faster_breaks" for r in found.remarks)
    assert any("is not offered: segment 1 asks" in line for line in found.text)


def test_a_limit_by_section_binds_too(tmp_path: Path) -> None:
    """At most 200 °C/h per 50 mm: 25 mm thick, 400 by the rule, never above its cap of 100."""
    rule = {"quantity": "heating_rate", "relation": "max", "value": 200.0, "phase": "heating", "per_mm": 50.0,
            "rule": "rate/thickness", "cap": 100.0}  # fmt: skip
    with book_of(tmp_path / "b", planted(nothing, seed=3), limits=[rule]) as book:
        found = choose_cycle(book, asked(0.080))
    choice = found.choice
    assert choice is not None and choice.chosen is not None
    assert found.plan(choice.chosen).settings[RATE] <= 100.0 and choice.states["breaks a limit"] > 0


def test_refused_with_what_to_measure(slow: BookFolder, tmp_path: Path) -> None:
    hopeless = choose_cycle(slow, asked(0.020))
    assert hopeless.refused is not None and hopeless.refused.code == "none_keeps"
    assert (
        hopeless.text[0].startswith(f"No cycle is offered for {PART}, C1") and "Measure more runs" in hopeless.text[1]
    )
    with book_of(tmp_path / "few", planted(slow_halves, runs=6)) as book:
        few = choose_cycle(book, Question(part="PN-1", characteristic="C1", tolerance_mm=0.080))
    assert few.choice is None and few.refused is not None and few.refused.code == "too_few_runs"
    assert "Measure before and after" in few.text[1]


def test_stock_in_the_place_of_a_tolerance(slow: BookFolder) -> None:
    """An outside diameter that grows needs no stock against shrinking: the fastest way is kept."""
    found = choose_cycle(slow, Question(part=PART, characteristic="C1"), stock_mm=0.01)
    assert found.of_movement and found.limits_um == (-20.0, np.inf)
    assert found.choice is not None and found.choice.chosen is not None
    assert found.plan(found.choice.chosen).settings[RATE] >= 110.0


def test_what_cannot_be_asked(slow: BookFolder) -> None:
    with pytest.raises(UsageError, match="a part on record"):
        choose_cycle(slow, Question(kind="outside diameter", tolerance_mm=0.1))
    with pytest.raises(UsageError, match="no limits"):
        choose_cycle(slow, Question(part=PART, characteristic="C1"))
    with pytest.raises(UsageError, match="--keep"):
        choose_cycle(slow, asked(0.08), keep=1.5)
    with pytest.raises(UsageError, match="not varied"):
        choose_cycle(slow, asked(0.08), vary=["colour"])


def test_hold_and_soak_stay_unless_asked(found: Chosen) -> None:
    """They never varied here, and they serve the material: no way changes them."""
    assert {p.settings["soak_minutes"] for p in found.plans} == {120.0}
    assert {p.settings["hold_mean_c"] for p in found.plans} == {600.0}


def test_on_the_command_line(slow: BookFolder, loadbook: Loadbook, tmp_path: Path) -> None:
    loadbook("amend", "settings", "furnace_hour", "value=80 EUR; F2=120", "--why", "office", "--book", str(slow.path))
    words = ("choose", "--part", PART, "--tolerance", "0.08", "--book", str(slow.path))
    done = loadbook(*words, "--chart", str(tmp_path / "ways.svg"))
    assert done.returncode == 0, done.stderr
    assert done.stdout.startswith(f"{PART}, C1: SR revision A with heating at") and "EUR (" in done.stdout
    assert "C chosen   P present" in done.stdout and "overrules anything here" in done.stdout
    assert "chosen" in (tmp_path / "ways.svg").read_text(encoding="utf-8")
    told = json.loads(loadbook(*words, "--format", "json").stdout)
    assert told["chosen"]["state"] == "chosen" and told["chosen"]["currency"] == "EUR"
    assert told["chosen"]["cost"] == pytest.approx(80.0 * told["chosen"]["hours"])
    assert told["chosen"]["hours_low"] < told["chosen"]["hours"] < told["chosen"]["hours_high"]
    assert {r["code"] for r in told["remarks"]} >= {"code_overrules"}


def test_steps_are_those_of_the_books_units(tmp_path: Path) -> None:
    with book_of(tmp_path / "b", planted(slow_halves), units="us") as book:
        found = choose_cycle(book, asked(0.080))
    rates = {round(p.settings[RATE] * 1.8, 6) for p in found.plans} - {180.0}
    assert rates and all(r % 5.0 == 0.0 for r in rates)
    assert "°F/h" in found.text[0] and " in apart;" in found.text[0] and "°C" not in " ".join(found.text)
