"""When a run will be soaked and done: on a body whose law is known, and by how far earlier runs were off."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from loadbook.analysis.following.forecast import (
    FEWEST,
    LEVEL,
    Ahead,
    Replayed,
    ahead,
    beforehand,
    with_intervals,
)
from loadbook.analysis.following.usual import RUN_END, SOAK_END, SOAK_START, Typical, Whole, happened, typical
from loadbook.analysis.planning.stock import FARTHEST, Line, Stock, beside
from loadbook.analysis.trace.model import Channel, Cycle, Segment, Trace
from loadbook.analysis.trace.phases import find_phases
from loadbook.analysis.trace.validity import prepared
from loadbook.queries.earlier_runs import first_of

CYCLE = Cycle(
    "LIVE", "A",
    segments=(
        Segment(1, "heat", 600.0, asked_rate_c_per_h=200.0),
        Segment(2, "hold", 600.0, minutes=30.0, band_low_c=8.0, band_high_c=8.0),
        Segment(3, "cool", 100.0, asked_rate_c_per_h=200.0),
    ),
)  # fmt: skip
TOP_MIN, LAG_MIN = 174.0, 14.0  # 200 °C/h from 20 to 600 °C; a body that closes its distance in 14 min at 600 °C


def whole() -> Trace:
    """A body that takes up half its heat by radiation: its pace goes half with the cube of the absolute temperature."""
    t = np.arange(0.0, 7.5 * 3600.0, 30.0)
    minutes = t / 60.0
    furnace = np.interp(minutes, [0.0, TOP_MIN, TOP_MIN + 60.0, TOP_MIN + 210.0], [20.0, 600.0, 600.0, 100.0])
    keep = np.exp(-0.5 / LAG_MIN * (0.5 + 0.5 * ((furnace + 273.15) / 873.15) ** 3))
    body = np.empty_like(furnace)
    body[0] = furnace[0]
    for k in range(1, t.size):
        body[k] = keep[k] * body[k - 1] + (1.0 - keep[k]) * furnace[k]
    channels = (Channel(1, "Zone 1", "control"), Channel(2, "TC 1", "work"))
    return prepared(Trace(t, np.stack([furnace, body]), np.zeros((2, t.size), np.uint8), channels))


@pytest.mark.parametrize("at_min", [100.0, 150.0, 180.0])
def test_the_soak_of_a_body_of_known_lag(at_min: float) -> None:
    """By hand: at 600 °C it trails a ramp of 200 °C/h by 14 min = 46.7 °C, and is within 8 °C after 14 ln(46.7 / 8)
    min; colder it was further behind, so a little later."""
    trace = whole()
    came = happened(trace, CYCLE, find_phases(trace, CYCLE))
    by_hand = TOP_MIN + LAG_MIN * math.log(LAG_MIN * 200.0 / 60.0 / 8.0)
    assert by_hand < came[SOAK_START, 2] / 60.0 < by_hand + 5.0
    part = first_of(trace, 60.0 * at_min)
    found = {a.what: a.at_s / 60.0 for a in ahead(part, CYCLE, find_phases(part, CYCLE), Typical())}
    assert found[SOAK_START] == pytest.approx(came[SOAK_START, 2] / 60.0, abs=5.0)
    assert found[SOAK_END] == pytest.approx(found[SOAK_START] + 30.0)
    assert found[RUN_END] == pytest.approx(found[SOAK_END] + 150.0, abs=2.0)  # nobody's wait is known without a past


def test_a_run_that_is_set_slower_is_slower_on_the_next_heating_too() -> None:
    """Both heatings at half the rate asked for: at the low hold the next one is told to take 3 h, not 1.5 h."""
    band = {"band_low_c": 8.0, "band_high_c": 8.0}
    cycle = Cycle("TWO", "A", segments=(
        Segment(1, "heat", 300.0, asked_rate_c_per_h=200.0), Segment(2, "hold", 300.0, minutes=10.0, **band),
        Segment(3, "heat", 600.0, asked_rate_c_per_h=200.0), Segment(4, "hold", 600.0, minutes=30.0, **band),
        Segment(5, "cool", 100.0, asked_rate_c_per_h=200.0),
    ))  # fmt: skip
    t = np.arange(0.0, 3.5 * 3600.0, 30.0)
    furnace = np.interp(t / 3600.0, [0.0, 2.8, 3.5], [20.0, 300.0, 300.0])
    channels = (Channel(1, "Zone 1", "control"), Channel(2, "TC 1", "work"))
    trace = prepared(Trace(t, np.stack([furnace, furnace - 1.0]), np.zeros((2, t.size), np.uint8), channels))
    found = {(a.what, a.segment): a.at_s for a in ahead(trace, cycle, find_phases(trace, cycle), Typical())}
    assert found[SOAK_START, 4] / 3600.0 == pytest.approx(3.5 + 3.0, abs=0.15)
    usual = Typical(moves={1: 2.0, 3: 2.0})  # earlier runs were as slow: nothing of this run's own
    again = {(a.what, a.segment): a.at_s for a in ahead(trace, cycle, find_phases(trace, cycle), usual)}
    assert again[SOAK_START, 4] == pytest.approx(found[SOAK_START, 4], abs=120.0)


def past(ratios: np.ndarray) -> list[Replayed]:
    return [Replayed(f"R{k}", RUN_END, None, 3600.0, 3600.0 * float(r)) for k, r in enumerate(ratios)]


def test_an_interval_is_that_of_one_run_more() -> None:
    """Ratios drawn from one lognormal law: nine in ten of the next ones lie inside, from five earlier runs on."""
    rng = np.random.default_rng(11)
    for runs in (FEWEST, 12, 24):
        held = []
        for _ in range(1500):
            drawn = np.exp(rng.normal(0.1, 0.3, runs + 1))
            (one,) = with_intervals([Ahead(RUN_END, None, 10_000.0)], 6400.0, past(drawn[:-1]))
            assert one.low_s is not None and one.high_s is not None
            held.append(one.low_s <= 6400.0 + 3600.0 * drawn[-1] <= one.high_s)
        assert (one.level, one.runs) == (LEVEL, runs)
        assert np.mean(held) == pytest.approx(LEVEL, abs=0.025)  # three standard errors of 1,500


def test_a_forecast_moves_to_where_earlier_runs_ended() -> None:
    (one,) = with_intervals([Ahead(RUN_END, None, 10_000.0)], 6400.0, past(np.array([1.2, 1.3, 1.3, 1.3, 1.4])))
    assert one.at_s == pytest.approx(6400.0 + 1.3 * 3600.0)
    assert one.low_s is not None and one.high_s is not None and one.low_s < one.at_s < one.high_s


def test_few_earlier_runs_give_no_interval() -> None:
    (one,) = with_intervals([Ahead(RUN_END, None, 10_000.0)], 6400.0, past(np.full(FEWEST - 1, 1.3)))
    assert (one.at_s, one.low_s, one.high_s, one.level) == (10_000.0, None, None, None)


# ---- what is in the load ---------------------------------------------------------------------------------------------
def runs_of_loads(rng: np.random.Generator, count: int) -> list[Whole]:
    """Whole runs whose lag at hold 2 goes with section to the power 1.2 and a tenth longer when racked close."""
    trace = whole()
    phases = find_phases(trace, CYCLE)
    out = []
    for _ in range(count):
        stock = Stock(None, float(rng.uniform(20.0, 80.0)), str(rng.choice(["open", "close"])))
        done = Whole(trace, CYCLE, phases, stock)
        done.__dict__["lags"] = {2: lag_s(stock) * float(np.exp(rng.normal(0.0, 0.05)))}
        out.append(done)
    return out


def lag_s(stock: Stock) -> float:
    assert stock.section_mm is not None
    return float(1800.0 * (stock.section_mm / 40.0) ** 1.2 * (1.1 if stock.setup == "close" else 1.0))


def test_a_lag_goes_by_section_and_racking() -> None:
    """Planted law: what is told for a thin open load and a thick close one is within 15 % of it, drawn to the middle
    of all by no more than a seventh, which a load of which nothing is known gets."""
    done = runs_of_loads(np.random.default_rng(3), 20)
    for stock in (Stock(None, 25.0, "open"), Stock(None, 70.0, "Close")):
        told = typical(done, stock).lags[2]
        assert told == pytest.approx(lag_s(Stock(None, stock.section_mm, (stock.setup or "").lower())), rel=0.15)
    assert typical(done).lags[2] == pytest.approx(float(np.median([d.lags[2] for d in done])), rel=0.1)
    assert typical(done[:2]).lags == {}


def test_what_the_book_does_not_have_is_not_compared() -> None:
    past = [Stock(100.0, 30.0, "hung"), Stock(None, 50.0, None), Stock(300.0, 40.0, "laid")]
    own, others, words = beside(Stock(200.0, None, "Laid"), past)
    assert words == ("mass", "racking") and own == pytest.approx([math.log(200.0), 1.0])
    assert others[:, 0] == pytest.approx([math.log(100.0), math.log(math.sqrt(100.0 * 300.0)), math.log(300.0)])
    assert others[:, 1].tolist() == [0.0, 0.0, 1.0]
    assert beside(Stock(), past)[2] == ()


def test_a_line_is_a_ridge_with_its_predictive_distribution() -> None:
    """By hand: x = -1, 0, 1 (usual difference 0.8165), y = 1, 2, 6: the slope per usual difference is
    5 * 1.2247 / (3 + 1 / trust); a far x widens the interval, no x gives Student's."""
    x, y = np.array([[-1.0], [0.0], [1.0]]), np.array([1.0, 2.0, 6.0])
    line = Line(x, y, 0.5)
    slope = 5.0 * math.sqrt(1.5) / (3.0 + 2.0)
    assert line.expected(np.array([1.0])) == pytest.approx(3.0 + slope * math.sqrt(1.5))
    assert line.expected(np.array([9.0])) == pytest.approx(3.0 + slope * FARTHEST)
    assert line.sd(np.array([0.0])) < line.sd(np.array([1.0])) < line.sd(np.array([9.0]))
    bare = Line(np.zeros((3, 0)), y, 0.5)
    assert bare.sd(np.zeros(0)) == pytest.approx(float(np.std(y, ddof=1)) * math.sqrt(4.0 / 3.0))
    assert bare.at(np.zeros(0)) == pytest.approx(2.0)


def test_lags_are_trusted_as_far_as_earlier_runs_show() -> None:
    """Ten runs whose soak came when the lags said, 40 % later than the trace said: so it is told again, nearly, and far
    narrower than without lags. Where it came when the trace said, the lags move it little."""
    rng = np.random.default_rng(5)
    lags = np.exp(rng.normal(0.0, 0.4, 10))
    right = [Replayed(f"R{k}", SOAK_START, 2, 3600.0, 3600.0 * x, 2, 3600.0 * x) for k, x in enumerate(lags)]
    wrong = [Replayed(f"R{k}", SOAK_START, 2, 3600.0, 3600.0 * 1.01 ** (k - 5), 2, 3600.0 * x)
             for k, x in enumerate(lags)]  # fmt: skip
    asked = [Ahead(SOAK_START, 2, 3600.0, by_lags_s=1.4 * 3600.0)]
    (told,) = with_intervals(asked, 0.0, right, 2)
    (bare,) = with_intervals([Ahead(SOAK_START, 2, 3600.0)], 0.0, [replace(r, by_lags_s=None) for r in right], 2)
    assert told.low_s is not None and told.high_s is not None and bare.low_s is not None and bare.high_s is not None
    assert told.at_s == pytest.approx(1.4 * 3600.0, rel=0.1)
    assert math.log(told.high_s / told.low_s) < 0.5 * math.log(bare.high_s / bare.low_s)
    (told,) = with_intervals(asked, 0.0, wrong, 2)
    assert told.at_s == pytest.approx(3600.0, rel=0.05)


def test_before_it_starts_the_program_with_what_earlier_runs_took() -> None:
    """By hand: 580 °C at 200 °C/h is 2.9 h, twice as slow 5.8; soaked half an hour later, 30 min, 10 min until somebody
    comes, and 500 °C at 200 °C/h down."""
    usual = Typical({1: 2.0}, {2: 600.0}, {2: 1800.0}, shut_s=360.0)
    found = {a.what: a.at_s / 3600.0 for a in beforehand(CYCLE, usual)}
    assert found == pytest.approx({SOAK_START: 0.1 + 5.8 + 0.5, SOAK_END: 6.9, RUN_END: 6.9 + 1.0 / 6.0 + 2.5})
    assert beforehand(CYCLE, Typical()) == []  # nobody knows how long a load lags there
