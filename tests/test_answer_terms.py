"""Answers in the drawing's terms that hold: stock, later runs, tolerance, beyond, new parts, each with known truth."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from loadbook.analysis.answers import fewparts
from loadbook.analysis.answers.bound import Predicted, joint, raised
from loadbook.analysis.answers.cells import Asked, Warp
from loadbook.analysis.answers.estimate import History, Reply
from loadbook.analysis.answers.forward import forward
from loadbook.analysis.answers.inside import Starts
from loadbook.analysis.answers.need import comparables
from loadbook.analysis.answers.refusal import Refusal
from loadbook.analysis.answers.spread import part_spread
from loadbook.analysis.answers.stock import bound_um
from loadbook.analysis.answers.working import fitted
from loadbook.queries.answer import answer
from loadbook.queries.effect import effect
from loadbook.queries.enquiry import Question
from loadbook.queries.kept_answers import save
from loadbook.queries.letter.build import letter
from loadbook.queries.moved import moved
from loadbook.store.book import BookFolder
from loadbook.store.records import add_intake
from tests.answerbook import CYCLE, ORDER, fill, tables
from tests.othershops import OtherShop
from tests.shops import RATE, SETTINGS, Shop


def asked_of(history: pd.DataFrame, shop: Shop, part: str | None = None) -> Asked:
    name = part or str(history["part"].value_counts().index[0])
    about = next(p for p in shop.parts if p.name == name)
    return Asked(part=name, characteristic="C1", material=about.material, shape=about.shape, condition=about.condition,
                 setup="laid", section_mm=about.section, day=730.0,
                 settings=dict(zip(SETTINGS, about.usual, strict=True)))  # fmt: skip


def replied(found: Reply | Refusal) -> Reply:
    assert isinstance(found, Reply)
    return found


@pytest.fixture(scope="module")
def plain() -> tuple[Shop, pd.DataFrame]:
    shop = Shop("plain", 60, 12, seed=7)
    return shop, shop.history()


# -- stock of ratio kinds -------------------------------------------------------------------------


def test_the_joint_bound_is_that_of_two_normals() -> None:
    """Before and ratio both known exactly: the bound is the quantile of their product, drawn directly."""
    rng = np.random.default_rng(0)
    pairs = rng.normal(size=(40_000, 2))
    z, low = Predicted(20.0, 0.0, 1e6, 30.0, 1e6), Predicted(300.0, 0.0, 1e6, 25.0, 1e6)
    direct = np.exp((300.0 + 25.0 * pairs[:, 1]) / 100.0) * np.expm1((20.0 + 30.0 * pairs[:, 0]) / 100.0)
    found = joint(z, low, pairs, np.ones(40_000), 1, 10**9)
    assert found == pytest.approx(float(np.quantile(direct, 0.95)), rel=0.05)
    tied = joint(z, low, np.column_stack([pairs[:, 0]] * 2), np.ones(40_000), 1, 10**9)
    assert tied > 1.1 * found  # what starts worse also grows more: more stock


@pytest.mark.parametrize("law", ["ratio", "difference"])
def test_stock_in_um_asks_what_repeats(law: str) -> None:
    """Where the ratio repeats the bound is joint and above per cent times the median; where µm repeat it is in µm."""
    shop = Shop("form", 60, 10, seed=4)
    frame = shop.history()
    rng = np.random.default_rng(1)
    before = np.exp(3.0 + 0.5 * rng.normal(size=len(frame)))
    after = before * np.exp(frame["z"] / 100.0) if law == "ratio" else before + 15.0 * np.exp(frame["z"] / 150.0)
    pieces = frame.assign(before_mm=before / 1000.0, z=100.0 * np.log(after / before))
    history, asked = fitted(pieces), asked_of(frame, shop)
    reply = replied(history.ask(asked, harm=1))
    found = bound_um(history, pieces, asked, reply, None)
    assert found.um is not None and found.how == law
    own = pieces["part"] == asked.part
    if law == "ratio":
        assert found.um > np.expm1(reply.bound / 100.0) * float(np.median(before[own]))
        given = bound_um(history, pieces, asked, reply, 40.0)
        assert given.how == "before" and given.um == pytest.approx(np.expm1(reply.bound / 100.0) * 40.0)
    assert ((after - before)[own] <= found.um).mean() > 0.9


# -- the forward test -----------------------------------------------------------------------------


def test_forward_scores_are_those_of_a_fit_that_saw_the_past_alone(plain: tuple[Shop, pd.DataFrame]) -> None:
    """Against the definition: each run predicted by the conditional normal law of the cells before it."""
    from loadbook.analysis.answers.fit import dense_covariance

    history = History(plain[1])
    found, cells, K = forward(history.fit, history.cells), history.cells, dense_covariance(history.fit)
    for run in (found.order.min(), found.order.max()):
        m = int(np.flatnonzero(found.order == run)[0])
        cell = int(cells.piece_cell[found.piece[m]])
        past = np.flatnonzero(cells.frame["day"].to_numpy() < cells.frame["day"].to_numpy()[cell])
        solved = np.linalg.solve(
            K[np.ix_(past, past)], np.column_stack([cells.z[past] - history.fit.centre, K[past, cell]])
        )
        mean = history.fit.centre + K[cell, past] @ solved[:, 0]
        variance = K[cell, cell] - K[cell, past] @ solved[:, 1] - history.fit.s2 / cells.n[cell] + history.fit.s2
        t = (cells.piece_z[found.piece[m]] - mean) / np.sqrt(variance)
        assert found.score[m] == pytest.approx(t, rel=1e-4, abs=1e-6)


def test_an_undeclared_jump_is_seen_said_and_refused(plain: tuple[Shop, pd.DataFrame]) -> None:
    """A jump of 30 µm: refused right after it, with what to do; then widened and said; without one nothing is."""
    shop, frame = plain
    days = np.sort(frame["day"].unique())
    asked = asked_of(frame, shop)
    assert History(frame).moved_since is None
    jumped = frame.assign(z=frame["z"] + 30.0 * (frame["day"] >= days[50]))
    soon = History(jumped[jumped["day"] <= days[52]].reset_index(drop=True)).ask(asked)
    assert isinstance(soon, Refusal) and soon.why.code == "level_moved" and soon.why.figures["needed"] >= 1
    later = replied(History(jumped[jumped["day"] <= days[56]].reset_index(drop=True)).ask(asked))
    assert later.moved_since is not None and 4 <= later.moved_since <= 9 and later.widened >= 1.0
    assert replied(History(frame).ask(asked)).median + 10.0 < later.median  # the level follows


def test_the_test_is_of_later_runs_with_the_last_year_beside(plain: tuple[Shop, pd.DataFrame]) -> None:
    shop, frame = plain
    reply = replied(History(frame).ask(asked_of(frame, shop)))
    assert reply.tested is not None and reply.last_year is not None
    assert reply.tested.low < reply.tested.held < reply.tested.high and 20 < reply.tested.runs <= 42
    assert reply.last_year.runs <= reply.tested.runs and 0.75 < reply.tested.held <= 1.0


# -- the drawing's terms --------------------------------------------------------------------------


def test_the_share_inside_is_that_of_the_truth(plain: tuple[Shop, pd.DataFrame]) -> None:
    shop, frame = plain
    history, asked = fitted(frame), asked_of(frame, shop)
    reply = replied(history.ask(asked))
    part = next(p for p in shop.parts if p.name == asked.part)
    truth = shop.draws(part, part.usual, 0.0)
    for wide in (6.0, 12.0, 25.0):
        limits = np.array([reply.median - wide]), np.array([reply.median + wide])
        found = history.inside(asked, reply, Starts(*limits, np.zeros(1)))
        true = float(((truth >= limits[0]) & (truth <= limits[1])).mean())
        assert found.low <= true <= found.high and found.share == pytest.approx(true, abs=0.15)
    every = history.inside(asked, reply, Starts(np.array([-1e6]), np.array([1e6]), np.zeros(1)))
    assert every.share == pytest.approx(1.0) and every.low == pytest.approx(1.0)


def test_the_first_sentence_is_in_the_drawings_terms(tmp_path: Path, inside: Callable[..., Any]) -> None:
    book = fill(tmp_path / "b", Shop("form", 60, 10, seed=3).history(), gauge_mm=0.0005, scale="log")
    found = answer(book, Question(part="PN-000", tolerance_mm=0.04))
    share = found.in_tolerance
    assert share is not None and share["low"] <= share["share"] <= share["high"] and share["before"] is not None
    assert "should stay within 0.04 mm" in found.text[0] and "were before" in found.text[0] and "µm" in found.text[0]
    tight = answer(book, Question(part="PN-000", tolerance_mm=0.01)).in_tolerance
    assert tight is not None and tight["share"] < share["share"]
    worse = answer(book, Question(part="PN-000", tolerance_mm=0.04, before_mm=0.038))
    assert worse.in_tolerance is not None and worse.in_tolerance["share"] < share["share"] and worse.in_um is not None
    assert worse.in_um["before"] == pytest.approx(38.0) and worse.in_um["from"] == "question"
    words = ("answer", "--part", "PN-000", "--tolerance", "0.002 in", "--before", "0.001 in", "--book", str(book.path))
    assert "within 0.0508 mm" in inside(*words).stdout.replace("\n", " ")


@pytest.mark.parametrize(("limit", "side"), [("lower_mm", "above the lower"), ("upper_mm", "below the upper")])
def test_a_size_with_one_limit_is_told_so_in_the_answer_and_the_letter(tmp_path: Path, limit: str, side: str) -> None:
    rows = tables(Shop("plain", 30, 6, seed=3).history())
    for row in rows["characteristic"]:
        row[limit] = 99.96 if limit == "lower_mm" else 100.04
    book = BookFolder.create(tmp_path / "b")
    with book.write() as conn:
        add_intake(conn, "t", {name: rows[name] for name in ORDER}, rows_read=1, taken_by="t")
    found = answer(book, Question(part="PN-002", characteristic="C1"))
    assert f"should stay {side} limit; 100 % were before" in found.text[0]
    save(book, found)
    assert f"should stay {side} limit of your drawing." in str(letter(book, 1))


def test_a_size_that_begins_where_the_question_says(tmp_path: Path) -> None:
    """Its share is of pieces that begin there, and answer, letter and picture say so; a width of limits that was named
    alone lies about the nominal, and where nothing tells where it lies, pieces begin in its middle."""
    rows = tables(Shop("plain", 30, 6, seed=3).history())
    for row in rows["characteristic"]:
        if row["part"] == "PN-002":
            row["lower_mm"], row["upper_mm"] = 99.9, 100.1
        elif row["part"] == "PN-003":
            row["nominal_mm"] = None
    book = BookFolder.create(tmp_path / "b")
    with book.write() as conn:
        add_intake(conn, "t", {name: rows[name] for name in ORDER}, rows_read=1, taken_by="t")

    def share(part: str, **asked: Any) -> tuple[float, str]:
        found = answer(book, Question(part=part, characteristic="C1", **asked))
        assert found.in_tolerance is not None
        return found.in_tolerance["share"], found.text[0]

    assert share("PN-002")[0] > 0.9 and "100 % were before" in share("PN-002")[1]
    near, told = share("PN-002", before_mm=99.915)
    assert near < 0.9 and "of pieces that are 99.915 mm before should stay within limits 0.2 mm apart" in told
    far, told = share("PN-002", before_mm=99.8)
    assert far < 0.1 and "99.800 mm before, which is outside, should come out" in told
    for before, slip in ((99.8, False), (9.9915, True)):
        asked = answer(book, Question(part="PN-002", characteristic="C1", before_mm=before)).remarks
        assert ("before_far" in [r.code for r in asked]) == slip
    named = {"tolerance_mm": 0.2}
    assert share("PN-001", **named, before_mm=100.0)[0] > 0.9  # no limits on record: about the nominal of 100 mm
    assert share("PN-001", **named, before_mm=100.2)[0] < 0.1
    assert share("PN-003", **named, before_mm=100.0) == share("PN-003", **named)
    assert "of pieces from the middle should stay" in share("PN-003", **named)[1]
    save(book, answer(book, Question(part="PN-002", characteristic="C1", before_mm=100.08)))
    kept = str(letter(book, 1))
    assert "This holds for pieces that arrive at about 100.08 mm." in kept and "Before the run:" not in kept
    assert "+0.02 mm for a piece that arrives at 100.08 mm" in kept and "from the middle" not in kept
    save(book, answer(book, Question(part="PN-003", characteristic="C1", **named)))
    assert "That is for pieces that begin in the middle of them." in str(letter(book, 2))


# -- beyond what was run --------------------------------------------------------------------------


def test_deviation_and_distance_flag_and_ordinary_settings_do_not(plain: tuple[Shop, pd.DataFrame]) -> None:
    shop, frame = plain
    history, asked = History(frame), asked_of(frame, shop)
    own = {
        n: float(v) for n, v in frame[frame["part"] == asked.part].drop_duplicates("run")[list(SETTINGS)].mean().items()
    }
    usual = replied(history.ask(replace(asked, settings=own), harm=1))
    assert not usual.outside and np.isfinite(usual.bound)
    sd = history.design.within_sd
    two = replied(history.ask(replace(asked, settings={**own, RATE: own[RATE] + 2.0 * sd[RATE]}), harm=1))
    assert not two.outside  # beyond its own fastest run or not: two deviations are ordinary
    four = replied(history.ask(replace(asked, settings={**own, RATE: own[RATE] + 4.0 * sd[RATE]}), harm=1))
    assert set(four.beyond.settings) == {RATE} and np.isnan(four.bound) and four.no_bound == "beyond"
    assert four.high - four.low > 1.4 * (usual.high - usual.low)
    every = replied(history.ask(replace(asked, settings={n: own[n] + 2.2 * sd[n] for n in SETTINGS})))
    assert every.beyond.together and not every.beyond.settings


def test_a_letter_gives_no_figure_for_what_was_never_run(tmp_path: Path) -> None:
    book = fill(tmp_path / "b", Shop("plain", 60, 10, seed=3).history())
    fast = max(c[RATE] for c in answer(book, Question(part="PN-000")).comparables if c["same_part"]) + 40.0
    found = answer(book, Question(part="PN-000", settings={RATE: fast}))
    assert found.advice["stock"]["code"] == "stock_never_run" and found.bound is None
    save(book, found)
    told = letter(book, 1)
    assert told.headline.startswith("We cannot give a figure") and told.interval is None
    assert any("never ran" in c for c in told.lines("change"))


# -- bounds, spreads, scales ----------------------------------------------------------------------


def test_a_part_number_that_scatters_twice_as_much_is_told_wider() -> None:
    shop = Shop("plain", 100, 6, seed=2)
    frame = shop.history()
    wild = str(frame["part"].value_counts().index[1])
    of = frame["part"] == wild
    middle = frame.groupby("part")["z"].transform("mean")
    frame["z"] = np.where(of, middle + 2.5 * (frame["z"] - middle), frame["z"])
    history = History(frame)
    series = history.cells.series[history.cells.piece_cell]
    found = part_spread(history.scores(True), history.class_factor, series, history.piece_run, history.fit.s2)
    code = history.design.series_of[(wild, "C1")]
    others = [found.factor(s) for s in range(6) if s != code]
    assert found.factor(code) > 1.3 * max(others) and found.most < 60.0
    assert found.factor(None) == 1.0


def test_lopsided_movement_is_fitted_on_a_scale_that_straightens_it() -> None:
    """e^z has no plain scale: the fitted one is bent, its ends come back in order; a normal history stays plain."""
    shop = Shop("plain", 60, 8, seed=5)
    frame = shop.history()
    assert not np.isfinite(fitted(frame).warp.c)
    bent = fitted(frame.assign(z=20.0 * np.exp(frame["z"] / 12.0)))
    assert np.isfinite(bent.warp.c)
    reply = replied(bent.ask(asked_of(frame, shop), harm=1))
    assert reply.low < reply.median < reply.high < reply.bound * 1.5
    assert reply.high - reply.median > reply.median - reply.low
    assert Warp(3.0).back(Warp(3.0).to(-50.0)) == pytest.approx(-50.0)


def test_the_quantile_behind_a_bound_is_raised_by_its_own_uncertainty() -> None:
    assert raised(0.95, 10) > raised(0.95, 60) > raised(0.95, 10_000) > 0.95


# -- new part numbers -----------------------------------------------------------------------------


def test_three_part_numbers_give_a_wide_interval_without_a_bound() -> None:
    """Over many shops of three: the next part number's piece lies inside in about nine of ten, and no t(1) width."""
    rng = np.random.default_rng(8)
    held, wide = [], []
    for _ in range(150):
        level = rng.normal(0.0, 16.0, 4)
        part = np.repeat(np.arange(3), 3)
        y = level[part] + rng.normal(0.0, 6.0, 9) + rng.normal(0.0, 5.0 / 2.0, 9)
        mixture = fewparts.predictive(fewparts.kind(y, np.full(9, 4.0), part, 5.0), fewparts.pooled([]))
        low, high = mixture.quantile(0.05), mixture.quantile(0.95)
        held.append(low <= level[3] + rng.normal(0.0, np.hypot(6.0, 5.0)) <= high)
        wide.append((high - low) / (2 * 1.645 * np.sqrt(16.0**2 + 36.0 + 25.0)))
    assert 0.82 <= np.mean(held) <= 0.97 and np.mean(wide) < 2.1
    shop = OtherShop("second", 18, 3, seed=1)
    reply = replied(History(shop.history()).ask(Asked(material="M1", shape="ring"), harm=1))
    assert not reply.known and reply.parts == 3 and reply.no_bound == "few parts" and np.isnan(reply.bound)


def test_other_kinds_teach_how_far_part_numbers_differ() -> None:
    rng = np.random.default_rng(3)

    def kind(spread: float) -> fewparts.Kind:
        part = np.repeat(np.arange(12), 4)
        return fewparts.kind(rng.normal(0, spread, 12)[part] + rng.normal(0, 5.0, 48), np.full(48, 4.0), part, 5.0)

    asked = fewparts.kind(
        np.array([0.0, 1.0, 12.0, 9.0, -7.0, -8.0]), np.full(6, 4.0), np.array([0, 0, 1, 1, 2, 2]), 5.0
    )
    near, far = (fewparts.predictive(asked, fewparts.pooled([kind(s) for _ in range(4)])) for s in (4.0, 60.0))
    assert far.quantile(0.95) - far.quantile(0.05) > 1.3 * (near.quantile(0.95) - near.quantile(0.05))


# -- what was not asked in so many words ----------------------------------------------------------


def test_the_usual_setup_is_named_and_an_atmosphere_never_run_is_refused(tmp_path: Path) -> None:
    book = fill(tmp_path / "b", Shop("setup", 60, 10, seed=3).history())
    usual = answer(book, Question(part="PN-000"))
    assert set(usual.assumed) == {"setup"} and f"setup {usual.assumed['setup']}, as most of its runs" in usual.text[0]
    assert "as most" not in answer(book, Question(part="PN-000", setup="hung")).text[0]
    vacuum = answer(book, Question(part="PN-000", atmosphere="vacuum"))
    assert vacuum.refused == "such pieces never ran in vacuum, only in air" and vacuum.low is None
    with book.write() as conn:
        cycle = {**CYCLE, "cycle": "VAC", "atmosphere": "vacuum"}
        add_intake(conn, "t", {"cycle": [cycle]}, rows_read=1, taken_by="t")
    assert answer(book, Question(part="PN-000", cycle="VAC")).refused == vacuum.refused


def changed(setup_of: Callable[[str, int], str]) -> pd.DataFrame:
    """Thirty runs of three part numbers in turn; pieces that hang move 30 µm more. setup_of: of a part and a run."""
    rng = np.random.default_rng(8)
    rows = []
    for run in range(30):
        part, base = f"PN-{run % 3}", rng.normal(10.0, 3.0)
        setup = setup_of(part, run)
        rows += [
            (f"R{run:02d}", part, "C1", f"{run}-{k}", base + 30.0 * (setup == "hung") + rng.normal(0.0, 3.0),
             10.0 * run, "M1", "ring", "from bar", setup, 20.0, 100.0, 600.0, 120.0, 80.0, "outside diameter", 100.0)
            for k in range(4)
        ]  # fmt: skip
    names = ("run", "part", "characteristic", "serial", "z", "day", "material", "shape", "condition", "setup",
             "section_mm", *SETTINGS, "kind", "length_mm")  # fmt: skip
    return pd.DataFrame(rows, columns=list(names))


@pytest.mark.parametrize(
    ("setup_of", "taken"),
    [
        (lambda part, run: "hung" if run >= 21 else "laid", "hung"),  # its own last three
        (lambda part, run: "hung" if run >= 25 else "laid", "hung"),  # its last one, and the last five of all
        (lambda part, run: "hung" if run >= 27 else "laid", "laid"),  # three of all tell no habit
        (lambda part, run: "hung" if part != "PN-0" else "laid", "laid"),  # others hang as ever
        (lambda part, run: "hung" if run in (24, 26, 28) else "laid", "laid"),
    ],
)
def test_what_nobody_named_is_as_the_last_runs_had_it(
    tmp_path: Path, setup_of: Callable[[str, int], str], taken: str
) -> None:
    """A fixture that was changed, and is on record: the figures are for the new one, and the sentence says so."""
    book = fill(tmp_path / "b", changed(setup_of))
    found = answer(book, Question(part="PN-0"))
    assert found.low is not None and found.high is not None and found.assumed == {"setup": taken}
    assert found.low < (40.0 if taken == "hung" else 10.0) < found.high
    said = [r for r in found.remarks if r.code == "as_lately"]
    how = "as the last runs" if taken == "hung" else "as most of its runs"
    assert f"(setup {taken}, {how})" in found.text[0] and len(said) == (taken == "hung")
    save(book, found)
    word = "hanging, as in the last runs" if said else "laid flat, as in most of its runs"
    assert f"rings {word}" in str(letter(book, 1))
    before = answer(book, Question(part="PN-0", on="2024-05-01"))
    assert before.assumed == {"setup": "laid"} and "laid, as most" in before.text[0]


@pytest.mark.parametrize(("left_out", "said"), [(0.6, True), (0.1, False)])
def test_where_most_pieces_were_not_read_again_the_answer_and_the_letter_say_so(
    tmp_path: Path, left_out: float, said: bool
) -> None:
    rows = tables(changed(lambda part, run: "laid"))
    after = [r for r in rows["reading"] if r["stage"] == "after"]
    gone = after[: int(left_out * len(after))]
    rows["reading"] = [r for r in rows["reading"] if r not in gone]
    book = BookFolder.create(tmp_path / "b")
    with book.write() as conn:
        add_intake(conn, "t", {name: rows[name] for name in ORDER}, rows_read=1, taken_by="t")
    found = answer(book, Question(part="PN-2"))
    save(book, found)
    assert ("Only 48 of 120 readings before have one after" in " ".join(found.cautions)) == said
    assert ("Of 120 readings before the run 48 have one after it" in str(letter(book, 1))) == said


@pytest.mark.parametrize(("share", "said"), [(0.5, True), (0.05, False)])
def test_two_gauges_of_one_movement_are_named_by_every_question(tmp_path: Path, share: float, said: bool) -> None:
    """The gauge used after reads 20 µm more: what looks like movement is the gauges'."""
    rows = tables(changed(lambda part, run: "laid"))
    rows["gauge"].append({**rows["gauge"][0], "gauge": "G2"})
    after = [r for r in rows["reading"] if r["stage"] == "after"]
    for reading in after[int((1.0 - share) * len(after)) :]:
        reading |= {"gauge": "G2", "value_mm": reading["value_mm"] + 0.02}
    book = BookFolder.create(tmp_path / "b")
    with book.write() as conn:
        add_intake(conn, "t", {name: rows[name] for name in ORDER}, rows_read=1, taken_by="t")
    words = "60 of 120 movements were read with more than one gauge (G1 and G2)"
    for found in (moved(book).warnings, effect(book).warnings, answer(book, Question(part="PN-2")).cautions):
        assert (words in " ".join(found)) == said
    if said:
        told = effect(book, of=["gauge"]).rows()[0]
        assert told["finding"] == "goes_with" and told["effect"] == pytest.approx(20.0, abs=6.0)


@pytest.mark.parametrize("goes", [True, False])
@pytest.mark.parametrize("scale", ["um", "um per 100 mm"])
def test_a_scale_that_does_not_fit_how_movement_goes_with_size_is_named(tmp_path: Path, goes: bool, scale: str) -> None:
    size = {"PN-0": 0.2, "PN-1": 1.0, "PN-2": 10.0}
    history = changed(lambda part, run: "laid")
    history["z"] *= history["part"].map(size) if goes else 1.0
    rows = tables(history, scale=scale)
    for row in rows["characteristic"]:
        row["reference_length_mm"] = 100.0 * size[row["part"]]
    book = BookFolder.create(tmp_path / "b")
    with book.write() as conn:
        add_intake(conn, "t", {name: rows[name] for name in ORDER}, rows_read=1, taken_by="t")
    fits = scale == ("um per 100 mm" if goes else "um")
    found = answer(book, Question(part="PN-0"))
    other = [r.figures["scale"] for r in found.remarks if r.code == "other_scale"]
    assert other == ([] if fits else ["um per 100 mm" if goes else "um"])
    if other:
        asked = answer(book, Question(part="PN-0", scale=other[0]))
        assert "other_scale" not in [r.code for r in asked.remarks]


def test_a_cycle_whose_runs_had_another_atmosphere_than_it_states_is_asked_in_theirs(tmp_path: Path) -> None:
    """The cycle says vacuum, all its runs were filled with argon: asked of the cycle, argon is answered."""
    rows = tables(Shop("plain", 30, 6, seed=3).history())
    rows["cycle"] = [{**CYCLE, "atmosphere": "vacuum"}]
    for run in rows["run"]:
        run["atmosphere"] = "argon"
    book = BookFolder.create(tmp_path / "b")
    with book.write() as conn:
        add_intake(conn, "t", {name: rows[name] for name in ORDER}, rows_read=1, taken_by="t")
    found = answer(book, Question(part="PN-002", cycle="SR"))
    assert found.refused is None and "atmosphere argon" in found.text[0]
    assert answer(book, Question(part="PN-002", cycle="SR", atmosphere="vacuum")).refused is not None


def test_a_blunder_counts_and_does_not_choose_the_scale() -> None:
    """One reading 400 µm off in 10 runs that shrink by 20 µm: on a scale bent for it the interval reached ten times as
    far as anything but the blunder ever moved."""
    rng = np.random.default_rng(5)
    run = np.repeat(np.arange(10), 5)
    z = -20.0 + rng.normal(0.0, 1.0, 10)[run] + rng.normal(0.0, 1.0, 50)
    z[12] = 110.0
    frame = pd.DataFrame({"run": run.astype(str), "part": "P", "characteristic": "C1", "z": z, "day": run * 20.0})
    suspected = np.arange(50) == 12
    told = replied(fitted(frame, suspected=suspected).ask(Asked(part="P", characteristic="C1")))
    assert told.high - told.low < 2.0 * float(np.ptp(z))
    for side in (1, -1):  # what 95 % of pieces stay within is no nearer than the end that 5 % pass
        bound = replied(History(frame).ask(Asked(part="P", characteristic="C1"), harm=side)).bound
        assert (bound >= told.high) if side > 0 else (bound <= told.low)
    assert not np.isfinite(fitted(frame, suspected=suspected).warp.c)


def test_asked_settings_come_from_the_cycle_without_a_chart(tmp_path: Path) -> None:
    """Runs of a cycle whose hold is 650 °C and that has no figure of its own asked: the cycle's stands, not what was
    achieved."""
    from loadbook.queries import history as answerdata

    book = fill(tmp_path / "b", Shop("plain", 30, 6, seed=3).history())
    with book.write() as conn:
        conn.execute("DELETE FROM parameter WHERE parameter = 'hold_mean_c'")
        segment = {
            "cycle": "SR",
            "revision": "A",
            "number": 1,
            "kind": "hold",
            "target_c": 650.0,
            "rate_of": "work",
            "minutes": 60.0,
            "band_low_c": 10.0,
            "band_high_c": 10.0,
            "on_leaving": "end",
            "soak_by": "work",
        }
        add_intake(conn, "t", {"cycle_segment": [segment]}, rows_read=1, taken_by="t")
    frame = answerdata.load(book).movement
    assert (frame["hold_mean_c"] == 650.0).all() and frame["hold_mean_c_asked"].all()


def test_without_charts_the_cycles_settings_band_movement_and_carry_an_effect(tmp_path: Path) -> None:
    """Two revisions of one cycle, 60 and 120 °C/h, and no chart: both are seen by `moved` and `effect --asked`."""
    rows = tables(Shop("plain", 30, 6, seed=3).history())
    rows["cycle"] = [{**CYCLE, "revision": revision} for revision in "AB"]
    rows["cycle_segment"] = [
        {"cycle": "SR", "revision": revision, "number": 1, "kind": "heat", "target_c": 600.0, "rate_of": "work",
         "asked_rate_c_per_h": rate, "on_leaving": "end", "soak_by": "work"}
        for revision, rate in (("A", 60.0), ("B", 120.0))
    ]  # fmt: skip
    for k, run in enumerate(rows["run"]):
        run["cycle_revision"] = "AB"[k % 2]
    book = BookFolder.create(tmp_path / "b")
    with book.write() as conn:
        order = [*ORDER[: ORDER.index("cycle") + 1], "cycle_segment", *ORDER[ORDER.index("cycle") + 1 :]]
        add_intake(conn, "t", {name: rows[name] for name in order}, rows_read=1, taken_by="t")
    found = moved(book, by=[f"{RATE}:80"])
    assert found.table["runs"].tolist() == [15, 15]
    assert [r.figures for r in found.remarks if r.code == "by_asked"] == [{"parameter": RATE, "runs": 30, "of": 30}]
    (asked,) = effect(book, of=RATE, asked=True).effects
    assert asked[1].runs == 30 and (asked[1].range_low, asked[1].range_high) == (60.0, 120.0)
    (achieved,) = effect(book, of=RATE).effects
    assert achieved[1].refused is not None and achieved[1].refused.code == "effect_asked_alone"


def test_nearest_runs_are_those_at_the_settings_asked(plain: tuple[Shop, pd.DataFrame]) -> None:
    """Of the same part number the runs at the rate asked come before those far from it."""
    shop, frame = plain
    history, asked = History(frame), asked_of(frame, shop)
    own = frame[frame["part"] == asked.part].drop_duplicates("run")
    rate = float(own[RATE].max())
    near = [c for c in comparables(history, replace(asked, settings={RATE: rate}), 60) if c.same_part]
    away = [abs(c.settings[RATE] - rate) for c in near]
    assert away[0] == min(away) and np.corrcoef(away, [c.nearness for c in near])[0, 1] < -0.7
