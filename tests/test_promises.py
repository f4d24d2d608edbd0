"""What is promised of runs to come: next runs in order, widths that come true (long form: tests/trials/promised.py)."""

from __future__ import annotations

import numpy as np
import pytest

from loadbook.analysis.answers.cells import Asked
from loadbook.analysis.answers.estimate import History
from loadbook.analysis.answers.need import need
from loadbook.analysis.answers.refusal import Refusal
from loadbook.analysis.movement.repeats import Readings
from loadbook.analysis.planning.trial import alone, plan_trial, repeats
from tests.shops import RATE, SETTINGS, Shop
from tests.trials.promised import further_run, trial


def test_promised_widths_come_true() -> None:
    """Five histories: a next run's width and a trial's, with all on record, within a tenth on average."""
    runs = [r for s in range(5) if (r := further_run(Shop("drift", 40, 8, seed=s), s)) is not None]
    assert len(runs) >= 3 and np.mean(runs) == pytest.approx(1.0, abs=0.1)
    found = [trial(Shop("plain", 40, 8, seed=s)) for s in range(5)]
    assert np.mean([f[0] for f in found]) == pytest.approx(1.0, abs=0.1)


def test_next_runs_stand_in_order_and_pieces_help() -> None:
    shop = Shop("plain", 60, 12, seed=1)
    history = History(shop.history())
    part = next(p for p in shop.parts if (p.name, "C1") in history.design.series_of)
    settings = dict(zip(SETTINGS, map(float, part.usual), strict=True))
    asked = Asked(part=part.name, characteristic="C1", settings=settings, day=740.0)
    reply = history.ask(asked, 0.90, harm=1)
    assert not isinstance(reply, Refusal)
    found = need(history, asked, reply)
    widths = [n.width for n in found.next_runs]
    assert widths == sorted(widths) and found.least_width < widths[0] < found.width
    assert all(reply.median < n.bound < reply.bound * 1.01 for n in found.next_runs)
    own = {(tuple(n.settings.items()), n.pieces): n.width for n in found.next_runs if n.part == part.name}
    pairs = [(w, own.get((how, 2 * n))) for (how, n), w in own.items()]
    assert all(twice < once for once, twice in pairs if twice is not None)
    new = Asked(part="NEW", material=part.material, settings=settings, day=740.0)
    first = history.ask(new, 0.90)
    assert not isinstance(first, Refusal)
    best = need(history, new, first).next_runs[0]
    assert best.part is None and best.width < first.high - first.low  # nothing tells more than a run of it


def test_runs_alone_are_judged_by_what_is_left_over() -> None:
    plan = plan_trial(History(Shop("plain", 40, 8, seed=0).history()), RATE, 8, 60.0, 160.0)
    half, df = alone(plan)
    parts = len({r.part for r in plan.runs})
    assert df == 8 - parts - 1 and np.isfinite(half)
    more = alone(plan_trial(History(Shop("plain", 40, 8, seed=0).history()), RATE, 16, 60.0, 160.0))
    assert more[0] < half
    few = plan_trial(History(Shop("plain", 40, 8, seed=0).history()), RATE, 2, 60.0, 160.0)
    assert alone(few) == (np.inf, 0)


def test_how_often_to_read() -> None:
    assert repeats(None, 25.0) is None
    assert repeats(Readings(4.0, 4.0, 30), 25.0) == 1
    assert repeats(Readings(18.0, 18.0, 30), 27.0) == 2  # readings 18 against pieces 9
    assert repeats(Readings(30.0, 30.0, 30), 27.0) == 4
