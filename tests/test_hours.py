"""Furnace hours quoted from what a furnace needed for what it was asked; and the price of an hour."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from subprocess import CompletedProcess

import numpy as np
import pytest

from loadbook.analysis.planning.hours import FEWEST, Asked, Done, Pace, asked_hours, varied
from loadbook.analysis.planning.stock import Stock
from loadbook.analysis.trace.model import Cycle, Segment
from loadbook.core.errors import UsageError
from loadbook.core.money import price
from loadbook.queries.hours import LIKE_THIS, Hours, Quotes
from loadbook.store.book import BookFolder
from loadbook.store.run_records import load_cycle

Loadbook = Callable[..., CompletedProcess[str]]
CYCLE = Cycle(
    "SR", "A", process="stress relief", segments=(
        Segment(1, "heat", 200.0, asked_rate_c_per_h=90.0), Segment(2, "hold", 200.0, minutes=30.0),
        Segment(3, "heat", 600.0, asked_rate_c_per_h=60.0), Segment(4, "hold", 600.0, minutes=120.0),
        Segment(5, "cool", 100.0, asked_rate_c_per_h=50.0),
    ),
)  # fmt: skip


def test_hours_that_a_program_asks_for() -> None:
    """By hand: 180/90 + 0.5 + 400/60 h up, 2 h held, 500/50 h down."""
    asked = asked_hours(CYCLE)
    assert asked is not None
    assert (asked.before, asked.hold, asked.after) == pytest.approx((2.0 + 0.5 + 400 / 60, 2.0, 10.0))
    to_the_end = replace(CYCLE, segments=(*CYCLE.segments[:-1], replace(CYCLE.segments[-1], target_c=None)))
    assert asked_hours(to_the_end) == replace(asked, after=pytest.approx(580 / 50)), "it cools to where it began"


def test_a_cycle_with_other_settings() -> None:
    """The fastest heating rate becomes the one asked, the others in proportion; hold and soak at the main one alone."""
    other = varied(CYCLE, {"heating_rate_peak_c_per_h": 180.0, "soak_minutes": 60.0, "hold_mean_c": 620.0})
    assert [s.asked_rate_c_per_h for s in other.segments if s.kind == "heat"] == [180.0, 120.0]
    assert [(s.target_c, s.minutes) for s in other.segments if s.kind == "hold"] == [(200.0, 30.0), (620.0, 60.0)]
    assert other.segments[2].target_c == 620.0 and other.segments[4] == CYCLE.segments[4]
    assert varied(CYCLE, {}) == CYCLE


def history(rng: np.random.Generator, runs: int) -> list[Done]:
    """A furnace that needs half an hour and 4 % more to heat, cools slower than asked; one run in fifteen stopped."""
    out = []
    for r in range(runs):
        asked = Asked(float(rng.uniform(5, 13)), float(rng.uniform(1.5, 3)), float(rng.uniform(6, 10)))
        stopped = float(rng.uniform(1, 4)) * (rng.random() < 1 / 15)
        before = 0.5 + 1.04 * asked.before + rng.normal() * 0.2 + stopped
        took = Asked(before, asked.hold + 0.3 + abs(rng.normal()) * 0.1,
                     1.1 * asked.after + rng.normal() * 0.3)  # fmt: skip
        out.append(Done(f"R{r}", asked, took))
    return out


@pytest.mark.thorough
def test_quotations_hold_on_runs_to_come() -> None:
    """60 furnaces of 8 to 40 past runs, each quoted for the next 20: intervals hold as often as their own level says,
    nine tenths at most, and are a sixth wide (one run in fifteen stopped)."""
    rng = np.random.default_rng(4)
    held, level, wide, off = [], [], [], []
    for _ in range(60):
        runs = history(rng, int(rng.integers(8, 41)) + 20)
        pace = Pace(runs[:-20])
        for one in runs[-20:]:
            q = pace.quote(one.asked)
            assert q.low is not None and q.high is not None and q.level is not None
            held.append(q.low <= one.took.total <= q.high)
            level.append(q.level)
            wide.append((q.high - q.low) / q.at)
            off.append(one.took.total / q.at)
    assert abs(np.mean(held) - np.mean(level)) < 0.04 and np.mean(level) > 0.80
    assert np.median(wide) < 0.20 and abs(np.median(off) - 1.0) < 0.01


def test_hours_go_by_the_load() -> None:
    """A furnace that needs an hour more where the section is 80 mm and one less where it is 20 mm, as loads lag: quoted
    for each; without a section it is the middle, and at least twice as wide."""
    rng = np.random.default_rng(8)
    done = []
    for one in history(rng, 30):
        mm = float(np.exp(rng.uniform(np.log(20.0), np.log(80.0))))
        later = float(np.log(mm / 40.0) / np.log(2.0)) + float(rng.normal()) * 0.1
        asked = Asked(8.0, 2.0, 8.0)
        done.append(Done(one.run, asked, Asked(9.0 + later, 2.3, 9.0), Stock(section_mm=mm)))
    thin, thick, middle = (
        Pace(done, s).quote(Asked(8.0, 2.0, 8.0)) for s in (Stock(None, 20.0), Stock(None, 80.0), None)
    )
    assert thin.at == pytest.approx(19.3, abs=0.3) and thick.at == pytest.approx(21.3, abs=0.3)
    assert thin.by == ("section",) and middle.by == ()
    wide = [q.high - q.low for q in (thin, thick, middle) if q.high is not None and q.low is not None]
    assert max(wide[:2]) < 0.5 * wide[2]


def test_too_few_past_runs_give_the_programs_hours_and_no_interval() -> None:
    done = history(np.random.default_rng(5), FEWEST - 1)
    asked = Asked(6.0, 2.0, 8.0)
    q = Pace(done).quote(asked)
    assert (q.at, q.low, q.high, q.runs) == (16.0, None, None, FEWEST - 1)


def test_a_program_longer_or_shorter_than_any_before_is_said_to_be() -> None:
    pace = Pace(history(np.random.default_rng(5), 20))
    inside, over = pace.quote(Asked(6.0, 2.0, 8.0)), pace.quote(Asked(60.0, 2.0, 80.0))
    assert (inside.beyond, over.beyond) == (False, True)
    assert "where this one asks for 142.0 h: beyond what was run" in Hours("F1", over, LIKE_THIS).sentence()
    assert "beyond" not in Hours("F1", inside, LIKE_THIS).sentence()


def test_a_quench_without_a_rate_takes_what_it_took() -> None:
    asked = [Asked(5.0 + k / 10, 1.0, 0.0) for k in range(10)]
    runs = [Done(str(k), a, Asked(a.before, 1.1, 0.9)) for k, a in enumerate(asked)]
    assert Pace(runs).quote(Asked(5.5, 1.0, 0.0)).at == pytest.approx(5.5 + 1.1 + 0.9, abs=0.05)


@pytest.mark.thorough
def test_quotations_of_the_demo_hold_on_its_own_later_runs(demo_book: Path) -> None:
    """Each run of the demo quoted from those before it, by its furnace and program."""
    quotes = Quotes(BookFolder.open(demo_book).read())
    held, level = [], []
    for furnace in ("F1", "F2", "F3"):
        past = quotes._past(furnace)[::-1]
        for i, (done, kinds, process) in enumerate(past):
            before = [d for d, k, p in past[:i] if k == kinds and p == process]
            q = Pace(before).quote(done.asked)
            if q.low is not None and q.high is not None and q.level is not None:
                held.append(q.low <= done.took.total <= q.high)
                level.append(q.level)
    assert len(held) > 80
    assert abs(np.mean(held) - np.mean(level)) < 3.0 * np.sqrt(0.15 * 0.85 / len(held))


def test_the_demos_cycle_quoted_on_its_furnace(demo_book: Path) -> None:
    conn = BookFolder.open(demo_book).read()
    quotes = Quotes(conn, price("85 EUR; F2=120"))
    cycle = load_cycle(conn, "SR-600", "C")
    found = quotes.of(cycle, quotes.furnace_of(cycle, "PN-1004"))
    assert found is not None and found.furnace == "F1" and found.of == LIKE_THIS and found.quote.runs >= 20
    assert found.quote.low is not None and found.quote.low > found.quote.asked  # loads lag: longer than the program
    assert found.cost is not None and found.cost[0] == pytest.approx(85.0 * found.quote.at)
    assert found.money().endswith(")") and " EUR (" in found.money()
    nobody = quotes.of(cycle, None)
    assert nobody is not None and nobody.quote.low is None and nobody.said().endswith("by the program")


@pytest.mark.parametrize("text", ["85", "EUR", "85 EUR; 90 EUR", "-1 EUR", "85 EUR; =3", "1 EUR; F1=2 USD", "8 1"])
def test_what_is_no_price(text: str) -> None:
    with pytest.raises(UsageError, match="not a price for a furnace hour"):
        price(text)


def test_the_price_is_a_setting_of_the_book(tmp_path: Path, loadbook: Loadbook) -> None:
    book = str(tmp_path / "b")
    assert loadbook("new", book).returncode == 0
    wrong = loadbook("amend", "settings", "furnace_hour", "value=much", "--why", "x", "--book", book)
    assert wrong.returncode != 0 and "not a price for a furnace hour" in wrong.stderr
    with BookFolder.open(tmp_path / "b") as opened:
        assert opened.furnace_hour is None
    done = loadbook("amend", "settings", "furnace_hour", "value=85 EUR", "--why", "office", "--book", book)
    assert done.returncode == 0 and "recompute" not in done.stderr
    with BookFolder.open(tmp_path / "b") as opened:
        assert opened.furnace_hour is not None and opened.furnace_hour.of("F9", 2.0) == 170.0
    for setting, value, again in (("units", "us", False), ("guard_factor", "1.5", True)):
        said = loadbook("amend", "settings", setting, f"value={value}", "--why", "x", "--book", book).stderr
        assert ("recompute" in said) is again, setting
    assert loadbook("verify", "--book", book).returncode == 0
