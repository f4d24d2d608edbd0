"""Answers on simulated shops: refusals, breaks, settings, classes, scales, need, trials of the next runs."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from loadbook.analysis.answers import backtest
from loadbook.analysis.answers.cells import THICK, THIN, Asked, Break, Warp, make_cells
from loadbook.analysis.answers.design import era
from loadbook.analysis.answers.estimate import History, Refusal, Reply
from loadbook.analysis.answers.need import comparables, need, own_history
from loadbook.analysis.answers.scale import Scale, harm
from loadbook.analysis.planning.advice import (
    Held,
    atmosphere,
    cautions,
    coldest_of_pieces,
    coldest_place,
    kindest_cycle,
    lost_places,
    stock,
    usual_places,
)
from loadbook.analysis.planning.trial import beside, plan_trial
from loadbook.core.errors import CalculationError
from loadbook.queries.remark_words import advised, needed, words
from tests.shops import HOLD, RATE, SETTINGS, WITHIN, Shop
from tests.trials.answers import question


def shop_history(world: str = "plain", runs: int = 60, parts: int = 10, seed: int = 4) -> tuple[Shop, pd.DataFrame]:
    shop = Shop(world, runs, parts, seed=seed)
    return shop, shop.history()


@pytest.fixture(scope="module")
def plain() -> tuple[Shop, pd.DataFrame, History]:
    shop, frame = shop_history()
    return shop, frame, History(frame)


def known(shop: Shop, frame: pd.DataFrame, at: int = 0) -> Asked:
    part = next(p for p in shop.parts if p.name == frame["part"].value_counts().index[at])
    return question(shop, part, part.usual, 0.0, True)


def answered(found: Reply | Refusal) -> Reply:
    assert isinstance(found, Reply)
    return found


def refused(found: Reply | Refusal) -> Refusal:
    assert isinstance(found, Refusal)
    return found


# -- cells ---------------------------------------------------------------------------------------


def test_cells_are_means_by_run_and_part_and_repeat_the_arithmetic() -> None:
    _, frame = shop_history("setup")
    cells = make_cells(frame.sample(frac=1.0, random_state=1))
    groups = frame.groupby(["run", "part", "setup"])["z"]
    assert len(cells.z) == groups.ngroups
    mean = groups.mean()
    for row in cells.frame.itertuples():
        assert row.z == pytest.approx(mean[row.run, row.part, row.setup])
    assert cells.within_ss == pytest.approx(((frame["z"] - groups.transform("mean")) ** 2).sum())
    assert cells.within_df == len(frame) - len(cells.z)


def test_deviations_are_from_the_part_numbers_own_mean(plain: tuple[Shop, pd.DataFrame, History]) -> None:
    """D sums to nothing inside a part number; a constant column is switched off; missing counts as no deviation."""
    _, frame, history = plain
    D = next(t for t in history.design.terms if t.name == "settings within part").columns
    assert D.shape[1] == 4
    for s in range(history.cells.many):
        np.testing.assert_allclose(D[history.cells.series == s].sum(axis=0), 0.0, atol=1e-9)
    flat = frame.assign(**{HOLD: 600.0}, soak_minutes=np.nan)
    assert HOLD not in History(flat).design.active and "soak_minutes" not in History(flat).design.active
    holed = frame.assign(**{RATE: frame[RATE].where(frame["run"] != frame["run"].iloc[0])})
    other = History(holed).design
    column = next(t for t in other.terms if t.name == "settings within part").columns[:, other.active.index(RATE)]
    assert (column[History(holed).cells.frame["run"] == frame["run"].iloc[0]] == 0.0).all()


# -- what a refusal says -------------------------------------------------------------------------


def test_degenerate_histories_end_in_a_sentence(plain: tuple[Shop, pd.DataFrame, History]) -> None:
    shop, frame, _ = plain
    asked = known(shop, frame)
    one_run = frame[(frame["part"] == asked.part) & (frame["run"] == frame[frame["part"] == asked.part]["run"].iloc[0])]
    found = refused(History(one_run).ask(asked))
    assert "only 1 run on record" in words(found.why, "si") and "7 more runs" in needed(found.why, "si")
    singles = frame[frame["run"].isin(frame.drop_duplicates("part")["run"])]
    found = refused(History(singles).ask(asked))
    assert "0 repeat a part number" in words(found.why, "si") and "4 more runs of part numbers" in needed(
        found.why, "si"
    )
    two = frame[frame["part"].isin(sorted(frame["part"].unique())[:2])]
    found = refused(History(two).ask(replace(asked, part=None, characteristic=None)))
    assert "only 2 part numbers" in words(found.why, "si") and "1 more part number" in needed(found.why, "si")
    found = refused(History(frame.assign(z=7.0)).ask(asked))
    assert "every movement recorded is the same" in words(found.why, "si") and "gauge" in needed(found.why, "si")
    with pytest.raises(CalculationError, match="no piece of this kind has a movement"):
        History(frame.assign(z=np.nan))


def test_one_part_number_alone_and_constant_settings_are_answered(plain: tuple[Shop, pd.DataFrame, History]) -> None:
    shop, frame, _ = plain
    asked = known(shop, frame)
    own = frame[frame["part"] == asked.part]
    assert own["run"].nunique() >= 8
    reply = answered(History(own).ask(asked, harm=-1))
    mean = own.groupby("run")["z"].mean()
    assert reply.low < mean.mean() < reply.high and reply.parts == 1
    still = frame.assign(**{name: frame.groupby("part")[name].transform("first") for name in SETTINGS})
    assert History(still).design.active == ()
    assert answered(History(still).ask(replace(asked, settings={}))).beyond.settings == {}


def test_too_few_groups_are_labelled_model_only(plain: tuple[Shop, pd.DataFrame, History]) -> None:
    shop, frame, history = plain
    asked = known(shop, frame)
    new = replace(asked, part=None, characteristic=None)
    at_90, at_95 = answered(history.ask(new, 0.90)), answered(history.ask(new, 0.95))
    assert at_90.groups == at_95.groups == 9  # part numbers are few: their width is drawn to the model's and tested
    assert not at_90.model_only and at_90.tested is not None and at_95.tested is not None
    assert at_90.high - at_90.low < at_95.high - at_95.low
    kept = frame[frame["run"].isin(sorted(frame["run"].unique())[-14:])]
    few = History(kept)
    if few.df2 >= 4:
        assert answered(few.ask(known(shop, kept), 0.95)).model_only
        assert not answered(few.ask(known(shop, kept), 0.90)).model_only


# -- what the interval does ----------------------------------------------------------------------


def test_more_content_is_wider_and_the_bound_lies_on_its_side(plain: tuple[Shop, pd.DataFrame, History]) -> None:
    shop, frame, history = plain
    asked = known(shop, frame)
    widths = [answered(history.ask(asked, c)).high - answered(history.ask(asked, c)).low for c in (0.5, 0.8, 0.9, 0.95)]
    assert widths == sorted(widths)
    up, down = answered(history.ask(asked, harm=1)), answered(history.ask(asked, harm=-1))
    assert down.bound < down.median < up.bound
    assert up.bound == answered(history.ask(asked, harm=1)).bound  # the draws have a fixed seed
    assert np.isnan(answered(history.ask(asked)).bound)
    with pytest.raises(CalculationError, match="not offered"):
        history.ask(asked, 0.999)


def test_the_slope_is_that_inside_part_numbers() -> None:
    """Delicate parts got slow ramps: the pooled slope is negative, the truth +3 per deviation; answers follow it."""
    shop, frame = shop_history("plain", 300, 20)
    history = History(frame)
    asked = known(shop, frame)
    usual = answered(history.ask(asked)).median
    faster = replace(asked, settings={**asked.settings, RATE: asked.settings[RATE] + WITHIN[0]})
    assert answered(history.ask(faster)).median - usual == pytest.approx(3.0, abs=1.2)
    pooled = np.polyfit(frame[RATE], frame["z"], 1)[0]
    assert pooled < 0


def test_beyond_what_was_run_is_marked(plain: tuple[Shop, pd.DataFrame, History]) -> None:
    shop, frame, history = plain
    asked = known(shop, frame)
    top = frame[frame["part"] == asked.part][RATE].max()
    assert answered(history.ask(asked)).beyond.settings == {}
    reply = answered(history.ask(replace(asked, settings={RATE: top + 30.0})))
    lowest = frame[frame["part"] == asked.part][RATE].min()
    assert reply.beyond.settings[RATE] == pytest.approx((top + 30.0, lowest, top))
    assert reply.v_mean > answered(history.ask(asked)).v_mean
    new = replace(asked, part=None, characteristic=None, settings={RATE: frame[RATE].max() + 50.0})
    assert set(answered(history.ask(new)).beyond.settings) == {RATE}


def test_setup_is_a_factor_where_it_varies() -> None:
    """Hung moves about 12 µm more than laid (with interaction): known parts follow it; a setup never seen widens."""
    shop, frame = shop_history("setup", 150, 12)
    history = History(frame)
    asked = known(shop, frame)
    laid, hung = (answered(history.ask(replace(asked, setup=s))) for s in ("laid", "hung"))
    part = next(p for p in shop.parts if p.name == asked.part)
    assert hung.median - laid.median == pytest.approx(part.setup_gap, abs=6.0)
    new = replace(asked, part=None, characteristic=None)
    laid_new, hung_new = (answered(history.ask(replace(new, setup=s))) for s in ("laid", "hung"))
    assert hung_new.median - laid_new.median == pytest.approx(12.0, abs=5.0)  # as it is inside part numbers
    odd = answered(history.ask(replace(asked, setup="racked")))
    assert odd.new_levels == {"setup": "racked"} and odd.high - odd.low > hung.high - hung.low
    assert not any("setup" in t.name for t in History(shop_history("plain")[1]).design.terms)


def test_a_declared_break_starts_the_level_anew() -> None:
    """A step of 60 µm at day 500: undeclared it widens everything; declared, the answer follows the new level."""
    shop, frame = shop_history("plain", 120, 8)
    stepped = frame.assign(z=frame["z"] + 60.0 * (frame["day"] >= 500.0))
    asked = replace(known(shop, frame), day=510.0)
    part = next(p for p in shop.parts if p.name == asked.part)
    truth = float(np.median(shop.draws(part, part.usual, 0.0))) + 60.0
    plain_reply = answered(History(stepped).ask(asked))
    told = History(stepped, [Break(500.0, "new lining")])
    reply = answered(told.ask(asked))
    assert abs(reply.median - truth) < 8.0 < abs(plain_reply.median - truth)
    assert reply.high - reply.low < plain_reply.high - plain_reply.low
    assert reply.since_break == stepped.loc[stepped["day"] >= 500.0, "run"].nunique()
    before = answered(told.ask(replace(asked, day=100.0)))
    assert before.median < reply.median - 40.0 and before.since_break is None
    tomorrow = History(frame, [Break(800.0, "new gauge")])
    after = answered(tomorrow.ask(replace(asked, day=801.0)))
    assert after.since_break == 0 and after.v_mean > 4 * answered(tomorrow.ask(asked)).v_mean
    assert era(900.0, "F2", [Break(10.0, "x"), Break(20.0, "y", "F2")]) == (2, "F2")


def test_two_characteristics_of_one_part_borrow_from_each_other() -> None:
    shop, frame = shop_history("plain", 80, 8)
    second = frame.assign(characteristic="C2", z=frame["z"] + 15.0)
    only = second[second["run"].isin(sorted(second["run"].unique())[:20])]
    history = History(pd.concat([frame, only], ignore_index=True))
    assert "same part number" in {t.name for t in history.design.terms}
    asked = known(shop, frame)
    assert history.evidence(replace(asked, characteristic="C3")) == "same part"
    assert not history.known(replace(asked, characteristic="C3"))
    assert answered(history.ask(replace(asked, characteristic="C2"))).own_runs < answered(history.ask(asked)).own_runs


def test_classes_follow_the_section_where_the_spread_does() -> None:
    shop, frame = shop_history("growing", 300, 24, seed=2)
    history = History(frame)
    factors = history.factors
    thick = next(name for name in factors if name == THICK)
    thin = next(name for name in factors if name == THIN)
    assert factors[thick] > 1.05 * factors[thin]
    asked = question(shop, shop.parts[0], shop.parts[0].usual, 0.0, False)
    wide, narrow = (answered(history.ask(replace(asked, section_mm=s))) for s in (60.0, 5.0))
    assert wide.high - wide.low > narrow.high - narrow.low
    assert set(History(frame, spread_class="shape").factors) == set(frame["shape"])


def test_no_repeats_inside_runs_still_fits() -> None:
    shop, frame = shop_history("plain", 80, 8)
    single = frame.drop_duplicates(["run", "part"])
    reply = answered(History(single).ask(known(shop, single)))
    assert 5.0 < reply.v**0.5 < 20.0 and reply.pieces == reply.runs == 80


# -- need, comparables, own history --------------------------------------------------------------


def test_need_is_what_the_model_expects(plain: tuple[Shop, pd.DataFrame, History]) -> None:
    """The expected variance after k more runs equals that of a history with k such cells added (variances held)."""
    shop, frame, history = plain
    rare = known(shop, frame, at=-1)
    reply = answered(history.ask(rare))
    found = need(history, rare, reply)
    widths = [found.width, *(w for _, w in found.runs_of_this_part)]
    assert widths == sorted(widths, reverse=True) and widths[-1] > found.least_width > 0
    f, row = history.fit, history.row(rare)
    noise = f.run_var + f.s2 / float(np.median(f.n))
    u = np.zeros(len(f.g))
    u[row.at] = row.values
    C = f.C.block(np.arange(len(u)))
    dense = np.linalg.inv(np.linalg.inv(C + 1e-9 * np.eye(len(u))) + 4 * np.outer(u, u) / noise)
    width = 2 * reply.quantile * reply.factor * np.sqrt(u @ dense @ u + f.run_var + f.s2)
    assert dict(found.runs_of_this_part)[4] == pytest.approx(width, rel=1e-4)
    assert found.part_numbers == ()
    new = replace(rare, part=None, characteristic=None)
    wide = need(history, new, answered(history.ask(new)))
    assert dict(wide.part_numbers)[16] < wide.width and dict(wide.runs_of_this_part)[4] < dict(wide.part_numbers)[4]


def test_comparables_are_the_nearest_runs(plain: tuple[Shop, pd.DataFrame, History]) -> None:
    shop, frame, history = plain
    asked = known(shop, frame)
    near = comparables(history, asked, 5)
    assert all(c.same_part for c in near) and all(a.nearness >= b.nearness - 1e-6 for a, b in itertools.pairwise(near))
    assert 0.0 < near[-1].nearness <= near[0].nearness <= 1.0 + 1e-9
    own = own_history(history, asked)
    mine = frame[frame["part"] == asked.part]["z"]
    assert own is not None and (own.low, own.high, own.pieces) == (mine.min(), mine.max(), len(mine))
    assert own_history(history, replace(asked, part="other")) is None


# -- trial of the next runs ----------------------------------------------------------------------


def test_a_trial_plans_what_shrinks_the_interval_most() -> None:
    _shop, frame = shop_history("plain", 40, 8)
    history = History(frame)
    plan = plan_trial(history, RATE, 4, 60.0, 160.0)
    assert plan.then < plan.now and list(plan.steps) == sorted(plan.steps, reverse=True) and len(plan.runs) == 4
    assert all(60.0 <= r.setting <= 160.0 for r in plan.runs)
    rng = np.random.default_rng(1)
    for _ in range(20):  # no trial of a single part number, drawn at random, is expected to do better
        part = str(rng.choice(frame["part"].unique()))
        one = plan_trial(history, RATE, 4, 60.0, 160.0, [(part, "C1")]).then
        assert one >= plan.then * (1 - 1e-2)  # the plan is made a run at a time: another may be better by a hair
    assert plan.pieces >= 1 and plan.twice < plan.then


@pytest.mark.parametrize("runs", [2, 3, 4, 5, 6, 9, 12])
def test_every_part_number_of_a_trial_gets_two_settings(runs: int) -> None:
    _shop, frame = shop_history("plain", 40, 8)
    plan = plan_trial(History(frame), RATE, runs, 60.0, 160.0)
    assert len(plan.runs) == runs
    settings: dict[str, list[float]] = {}
    for r in plan.runs:
        settings.setdefault(r.part, []).append(r.setting)
    assert all(len(set(of)) >= 2 for of in settings.values())
    if runs == 3 or runs >= 5:
        assert any(len(set(of)) >= 3 for of in settings.values())  # a middle one


def test_the_expected_interval_comes_true() -> None:
    """Runs done as planned: the interval after them is what was stated, within the scatter of the variances."""
    shop, frame = shop_history("plain", 60, 8, seed=9)
    history = History(frame)
    plan = plan_trial(history, RATE, 12, 40.0, 180.0, day=740.0)
    named = {p.name: p for p in shop.parts}
    rows = []
    for k, run in enumerate(plan.runs):
        part = named[run.part]
        own = frame[frame["part"] == run.part].iloc[0].to_dict()
        settings = {name: frame[frame["part"] == run.part][name].mean() for name in SETTINGS} | {RATE: run.setting}
        z = shop.draws(part, np.array([settings[n] for n in SETTINGS]), 0.0, 1, 5)[0]
        rows += [
            {**own, **settings, "run": f"T{k}", "day": 740.0, "serial": f"T{k}-{i}", "z": v} for i, v in enumerate(z)
        ]
    after = plan_trial(History(pd.concat([frame, pd.DataFrame(rows)], ignore_index=True)), RATE, 1, 40.0, 180.0)
    assert after.now == pytest.approx(plan.then, rel=0.35) and after.now < 0.8 * plan.now


def test_a_setting_that_never_varied_can_be_planned() -> None:
    _, frame = shop_history("plain", 40, 6)
    still = frame.assign(**{RATE: frame.groupby("part")[RATE].transform("first")})
    plan = plan_trial(History(still), RATE, 4, 60.0, 160.0)
    assert plan.now == np.inf and np.isfinite(plan.then) and np.isnan(plan.effect)
    for wrong in ({"low": 5.0, "high": 5.0}, {"runs": 0}, {"parts": []}):
        with pytest.raises(CalculationError):
            plan_trial(History(still), RATE, **{"runs": 2, "low": 60.0, "high": 160.0, **wrong})
    with pytest.raises(CalculationError, match="not planned before"):
        plan_trial(History(still), "cycle_hours", 2, 1.0, 2.0)


# -- scales and advice ---------------------------------------------------------------------------


def test_a_history_on_another_scale_is_the_one_that_was_made_on_it() -> None:
    """What is shared between the two does not depend on the scale; the first keeps its own figures."""
    _, frame = shop_history("growing")
    plain = History(frame)
    before = dict(plain.fit.theta)
    moved, made = plain.on(Warp(8.0)), History(frame, warp=Warp(8.0))
    assert moved.fit.theta == made.fit.theta and moved.fit.run_var == made.fit.run_var
    assert np.array_equal(moved.fit.beta, made.fit.beta) and np.array_equal(moved.cells.z, made.cells.z)
    assert moved.cells.within_ss == made.cells.within_ss and moved.fit.theta != before
    asked = Asked(part="PN-001", characteristic="C1")
    assert moved.ask(asked, harm=1) == made.ask(asked, harm=1)
    assert plain.fit.theta == before and np.array_equal(plain.cells.z, History(frame).cells.z)


def test_the_usual_level_is_the_one_had_most_often_and_of_equals_the_first() -> None:
    rows = [("A", "hung"), ("A", "laid"), ("A", "laid"), ("B", "laid"), ("B", "hung"), ("C", None), ("C", None)]
    frame = pd.DataFrame(
        [(f"R{k}", part, "C1", float(k), float(k), setup) for k, (part, setup) in enumerate(rows)],
        columns=["run", "part", "characteristic", "z", "day", "setup"],
    )
    design = History(frame).design
    usual = {part: design.usual("setup", series) for (part, _), series in design.series_of.items()}
    assert usual == {"A": "laid", "B": "hung", "C": None}
    assert design.newest("setup").tolist() == ["laid", "hung", ""]


def test_scales_come_back() -> None:
    assert Scale("um").displayed(-3.0) == -3.0
    with pytest.raises(CalculationError, match="reference length"):
        Scale("um per 100 mm").displayed(1.0)
    assert (harm("outside diameter"), harm("inside diameter"), harm("circular runout"), harm("hardness")) == (
        -1,
        1,
        1,
        0,
    )


def per_side(kind: str, bound_um: float | None, side: int) -> float | None:
    value: float | None = stock(kind, bound_um, side).figures["per_side_um"]
    return value


def test_stock_is_per_side_and_on_the_side_that_harms() -> None:
    assert per_side("outside diameter", -40.0, -1) == 20.0
    assert per_side("inside diameter", 40.0, 1) == 20.0
    assert per_side("circular runout", 40.0, 1) == 20.0
    assert per_side("straightness", 40.0, 1) == per_side("flatness", 40.0, 1) == 40.0
    assert per_side("length", -40.0, -1) == 40.0
    harmless = stock("outside diameter", 12.0, -1)
    assert harmless.figures["per_side_um"] == 0.0 and "no stock against shrinkage" in words(harmless, "si")
    assert per_side("angle", None, 0) is None
    assert "against growth (half of the diameter's movement): holds 95 %" in words(stock("inside diameter", 9, 1), "si")


def test_advice_says_why_and_no_more_than_is_known() -> None:
    assert atmosphere("forged", "rough machined", 1.5, False, "tool steel").code == "air"
    assert "vacuum" in words(atmosphere("from bar", "finish machined", 1.5, False, "tool steel"), "si")
    assert "titanium reacts" in words(atmosphere("from bar", "rough machined", 1.5, True, "titanium"), "si")
    choice, why = advised(atmosphere(None, None, None, None, None), "si")
    assert "cannot tell" in choice and "how far it is machined" in why[0]
    places = [words(r, "si") for r in (*usual_places(40.0, 8.0), *lost_places([("flange", "detached", "R7")]))]
    assert ["40 mm" in places[0], "8 mm" in places[1]] == [True, True] and "1.575 in" in words(
        usual_places(40.0, 8.0)[0], "us"
    )
    assert any(p.startswith("flange: ") and "detached in run R7" in p for p in places)
    said = [words(r, "si") for r in cautions("argon", None, None)]
    assert any("19.5 % oxygen" in c for c in said)
    assert [r.code for r in cautions("air", "tool steel", False)] == ["code_overrules"]
    assert any("Reactive" in words(r, "si") for r in cautions(None, "titanium", None))


def test_the_coldest_place_is_of_pieces_with_tcs_at_two_places() -> None:
    held = [
        Held(run, "A", serial, place, mean)
        for run, serial, tcs in (
            ("R1", "1", (("bore", 595.0), ("rim", 600.0))),
            ("R1", "2", (("bore", 596.0), ("rim", 599.0))),
            ("R2", "1", (("bore", 601.0), ("rim", 600.0))),
            ("R3", "1", (("bore", 590.0),)),  # nothing beside it on the piece: nothing to compare
            ("R3", "2", (("rim", 580.0), ("rim", 581.0))),
        )
        for place, mean in tcs
    ]
    pieces = coldest_of_pieces(held)
    assert [(c.run, c.serial, c.place) for c in pieces] == [
        ("R1", "1", "bore"), ("R1", "2", "bore"), ("R2", "1", "rim")
    ]  # fmt: skip
    assert coldest_place(pieces) is None  # two pieces of one run are one run
    found = coldest_place(
        [*pieces, *coldest_of_pieces([Held("R4", "A", "1", p, m) for p, m in (("bore", 1.0), ("rim", 2.0))])]
    )
    assert found is not None and dict(found.figures) == {"place": "bore", "pieces": 3, "of": 4}
    assert words(found, "si") == "bore: at the hold it was the coldest TC of its piece on 3 of 4 pieces"


def test_the_kindest_cycle_needs_three_runs_and_names_its_evidence() -> None:
    rows = [
        {"run": f"{c}{k}", "part": "A", "cycle": c, "z": z + k}
        for c, z, n in (("SLOW", 2.0, 3), ("FAST", 9.0, 4), ("ONCE", 0.0, 1)) for k in range(n)
    ]  # fmt: skip
    found = kindest_cycle(pd.DataFrame(rows), "A", 1)
    assert [(c.cycle, c.runs) for c in found] == [("SLOW", 3), ("FAST", 4)] and found[0].mean == 3.0
    assert [c.cycle for c in kindest_cycle(pd.DataFrame(rows), "A", -1)] == ["FAST", "SLOW"]
    assert kindest_cycle(pd.DataFrame(rows[:4]), "A", 1) == []


# -- a large history ------------------------------------------------------------------------------


def test_four_hundred_runs_of_ten_pieces() -> None:
    shop = Shop("plain", 400, 60, seed=1)
    frame = shop.history()
    frame = pd.concat([frame, frame.assign(serial=frame["serial"] + "b", z=frame["z"][::-1].to_numpy())])
    history = History(frame.reset_index(drop=True))
    reply = answered(history.ask(known(shop, frame), harm=1))
    need(history, known(shop, frame), reply)
    assert backtest.coverage(history.held(False, 0.9), history.piece_run).runs == 400


def test_cycles_are_compared_inside_part_numbers_only() -> None:
    """A bracket that moves 80 in any cycle and a plate that moves 5: the plate's cycle is no kinder."""
    from loadbook.analysis.planning.advice import kindest_cycle

    def pieces(part: str, cycle: str, level: float, first: int) -> list[tuple[str, str, str, float]]:
        return [(f"R{first + k}", part, cycle, level + k) for k in range(4)]

    apart = [*pieces("bracket", "A", 80.0, 0), *pieces("plate", "B", 5.0, 10)]
    names = ["run", "part", "cycle", "z"]
    assert kindest_cycle(pd.DataFrame(apart, columns=names), None, 1) == []
    assert kindest_cycle(pd.DataFrame(apart, columns=names), "bracket", 1) == []
    shared = [*apart, *pieces("bracket", "B", 90.0, 20)]
    found = kindest_cycle(pd.DataFrame(shared, columns=names), "plate", 1)
    assert [c.cycle for c in found] == ["A", "B"] and [c.parts for c in found] == [1, 1]


def test_further_factors_of_a_trial_are_told_apart_inside_part_numbers() -> None:
    """Setting and two factors over 10 runs: inside part numbers no two of them go together in the pairs."""
    _shop, frame = shop_history("plain", 40, 8)
    plan = plan_trial(History(frame), RATE, 10, 60.0, 160.0)
    levels = np.array(beside(plan, 2), dtype=float)[:, :8]
    setting = np.array([r.setting for r in plan.runs[:8]])
    high = np.array([float(setting[k] > setting[k ^ 1]) for k in range(8)])
    columns = np.vstack([high, levels]) - 0.5
    for pair in range(4):  # both levels of everything in each pair, which is one part number
        assert np.allclose(columns[:, 2 * pair] + columns[:, 2 * pair + 1], 0.0)
    assert np.allclose(columns @ columns.T, 2.0 * np.eye(3))
    with pytest.raises(CalculationError, match="do not tell"):
        beside(plan_trial(History(frame), RATE, 4, 60.0, 160.0), 2)
