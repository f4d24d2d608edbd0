"""answer, trial and backtest on books: from the intake files to the saved and scored answer, in both unit systems."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from loadbook.core.errors import CalculationError, NotFoundError, UsageError
from loadbook.queries import history as answerdata
from loadbook.queries import kept_answers
from loadbook.queries.answer import answer
from loadbook.queries.answer_result import KEYS
from loadbook.queries.backtest import backtest
from loadbook.queries.enquiry import Question, planned
from loadbook.queries.filters import Filters
from loadbook.queries.trial import trial
from loadbook.store.book import BookFolder
from loadbook.store.records import add_intake
from tests.answerbook import fill, moment, tables, write_files
from tests.shops import RATE, Shop

Command = Callable[..., subprocess.CompletedProcess[str]]


@pytest.fixture(scope="module")
def shop_book(tmp_path_factory: pytest.TempPathFactory) -> BookFolder:
    return fill(tmp_path_factory.mktemp("answers") / "book", Shop("setup", 60, 14, seed=3).history())


def test_from_the_intake_files_to_the_answer(loadbook: Command, tmp_path: Path) -> None:
    """End to end through `take`: the same figures as from the same history put in as rows."""
    history = Shop("plain", 30, 7, seed=2).history()
    history["z"] = history["z"].round(3)
    assert loadbook("new", "book").returncode == 0
    for kind, path in write_files(tmp_path, history):
        done = loadbook("take", kind, str(path), "--book", "book")
        assert done.returncode == 0, f"{kind}: {done.stderr}"
    part = history["part"].value_counts().index[0]
    words = [sys.executable, "-m", "loadbook", "answer", "--part", part, "--format", "json", "--book", "book"]
    asked = subprocess.run(words, capture_output=True, text=True, timeout=120, cwd=tmp_path)
    assert asked.returncode == 0, asked.stderr
    found = json.loads(asked.stdout)
    assert (
        tuple(found) == (*KEYS, "furnace_hours", "physics")
        and found["runs"] == 30
        and found["refused"] is None
        and found["unit"] == "um"
    )
    rows = fill(tmp_path / "rows", history)
    direct = answer(rows, Question(part=part))
    assert found["low"] == pytest.approx(direct.low, rel=1e-6) and found["bound"] == pytest.approx(
        direct.bound, rel=1e-6
    )
    told = loadbook("answer", "--part", part, "--book", "book").stdout
    assert "90 % of pieces of" in told and "predicted from what came before it" in told and "Stock:" in told
    assert "30 runs" in told and "not a promise" in told


def test_json_keys_and_what_stands_under_them(shop_book: BookFolder) -> None:
    found = answer(shop_book, Question(part="PN-000", setup="hung"))
    keys = found.to_json()
    assert (
        tuple(keys) == (*KEYS, "furnace_hours", "physics") and json.loads(json.dumps(keys))["evidence"] == "same part"
    )
    assert found.low is not None and found.high is not None and found.low < found.median < found.high  # type: ignore[operator]
    assert found.bound < found.median and found.bound_content == found.bound_confidence == 0.95  # type: ignore[operator]
    test = keys["forward_test"]
    assert test["runs"] < 60 and 0.7 < test["held"] <= 1.0 and test["last_year"]["runs"] <= test["runs"]
    assert {r["more"] for r in keys["need"]["runs_of_this_part"]} == {1, 2, 4, 8, 16} and keys["need"]["text"]
    assert any(c["same_part"] for c in keys["comparables"]) and keys["comparables"][0]["setup"] == "hung"
    assert keys["advice"]["atmosphere"]["choice"] == "air" and keys["advice"]["thermocouples"]
    assert keys["advice"]["stock"]["per_side_um"] == pytest.approx(max(-found.bound, 0.0) / 2)  # type: ignore[operator]
    assert list(found.frame()["run"]) == [c["run"] for c in keys["comparables"]]


def test_a_new_part_and_one_with_nothing_measured(shop_book: BookFolder) -> None:
    new = answer(shop_book, Question(material="M1", shape="ring", condition="welded", kind="outside diameter"))
    assert new.refused is None and new.evidence == "same material" and new.need["part_numbers"]
    assert "the first run of" in " ".join(new.text) or "Too few later runs" in " ".join(new.text)
    never = answer(shop_book, Question(kind="flatness", material="M1"))
    assert never.refused == "no flatness was ever measured" and never.low is None
    assert "3 part numbers" in never.need["text"] and never.to_json()["runs"] == 0
    hard = answer(shop_book, Question(kind="hardness", material="M1"))
    assert hard.refused == "hardness is kept but does not move"


def test_what_was_never_run_has_no_bound_and_no_stock(shop_book: BookFolder) -> None:
    fast = max(c[RATE] for c in answer(shop_book, Question(part="PN-000")).comparables if c["same_part"]) + 40.0
    far = answer(shop_book, Question(part="PN-000", settings={RATE: 400.0}))
    assert far.refused is not None and "far beyond anything run" in far.refused
    found = answer(shop_book, Question(part="PN-000", settings={RATE: fast}, setup="racked"))
    assert [r["parameter"] for r in found.outside_range] == [RATE, "setup"] and found.forward_test is None
    assert found.bound is None and found.advice["stock"]["per_side_um"] is None and "never run so" in found.text[0]
    assert any("extrapolation" in c for c in found.cautions) and "no stock" in " ".join(found.text)


def test_wrong_words_say_what_is_right(shop_book: BookFolder) -> None:
    for question, said in (
        (Question(part="PN-00O"), "Did you mean"),
        (Question(part="PN-000", characteristic="C9"), "It has: C1"),
        (Question(), "Give --part, or --material"),
        (Question(kind="outside dia"), "Did you mean 'outside diameter'"),
        (Question(part="PN-000", material="M1"), "Leave out --material"),
        (Question(part="PN-000", process="temper"), "There are: stress relief"),
        (Question(part="PN-000", cycle="NO"), "SR"),
        (Question(part="PN-000", content=0.999), "0.5 to 0.99"),
        (Question(part="PN-000", on="03/04/2026"), "year first"),
    ):
        with pytest.raises((UsageError, NotFoundError)) as told:
            answer(shop_book, question)
        assert said in str(told.value)
    for text in ("cycle_hours=3", "hold_mean_c", "hold_mean_c=40 C diff", "soak_minutes=-5"):
        with pytest.raises(UsageError):
            planned([text])
    assert planned(["hold_mean_c=1150 F"]) == {"hold_mean_c": pytest.approx(621.111, abs=1e-3)}
    assert planned(["heating_rate_peak_f_per_h=180"]) == {RATE: pytest.approx(100.0)}


def test_degenerate_books_end_in_a_sentence(tmp_path: Path) -> None:
    """Readings only after; a gauge coarser than the movement; one run; all equal: refused, with what to measure."""
    history = Shop("plain", 30, 7, seed=2).history()
    part = str(history["part"].value_counts().index[0])
    rows = tables(history)
    rows["reading"] = [r for r in rows["reading"] if r["stage"] == "after"]
    after = BookFolder.create(tmp_path / "after")
    with after.write() as conn:
        add_intake(conn, "test", rows, rows_read=1, taken_by="test")
    found = answer(after, Question(part=part, process="stress relief"))
    assert (
        found.refused is not None and "no before reading" in found.refused and "a reading before" in found.need["text"]
    )
    coarse = answer(fill(tmp_path / "coarse", history, gauge_mm=0.5), Question(part=part))
    assert coarse.refused is not None and "smaller than their gauge's uncertainty" in coarse.refused
    assert coarse.low is None and coarse.runs == 30 and "No figure for" in coarse.text[0]
    first = history[history["run"] == history[history["part"] == part]["run"].iloc[0]]
    one = answer(fill(tmp_path / "one", first), Question(part=part))
    assert one.refused is not None and one.refused.startswith("only 1 run")
    equal = answer(fill(tmp_path / "equal", history.assign(z=20.0)), Question(part=part))
    assert equal.refused is not None and "the same" in equal.refused and "gauge" in equal.need["text"]


def test_log_scale_and_us_units(tmp_path: Path, loadbook: Command) -> None:
    book = fill(tmp_path / "form", Shop("form", 60, 10, seed=3).history(), gauge_mm=0.0005, scale="log", units="us")
    found = answer(book, Question(part="PN-000", settings=planned(["hold_mean_f=1100"])))
    assert found.unit == "%" and found.low is not None and found.low > -100.0
    assert found.before_um is not None and found.advice["stock"]["per_side_um"] == pytest.approx(
        found.in_um["bound"]  # type: ignore[index]
    )
    text = loadbook("answer", "--part", "PN-000", "--with", "hold_mean_f=1100", "--book", str(tmp_path / "form")).stdout
    assert "1100 °F" in text and "% " in text and "thousandths per side" in text and "°C" not in text


def test_us_books_tell_thousandths(tmp_path: Path) -> None:
    history = Shop("plain", 30, 7, seed=2).history()
    part = str(history["part"].value_counts().index[0])
    book = fill(tmp_path / "us", history, units="us")
    us, si = answer(book, Question(part=part)), answer(book, Question(part=part), system="si")
    assert us.low == si.low and us.unit == "um"  # kept in µm, whatever is shown
    low = round(us.low / 25.4, 2)  # type: ignore[operator]
    assert f"{low:g} to" in us.text[0] and "thousandths" in us.text[0] and "µm" in si.text[0]


def test_breaks_and_dates(tmp_path: Path) -> None:
    history = Shop("plain", 60, 8, seed=4).history()
    part = str(history["part"].value_counts().index[0])
    book = fill(tmp_path / "b", history.assign(z=history["z"] + 60.0 * (history["day"] > 500)))
    before = answer(book, Question(part=part, on="2025-06-01"))
    with book.write() as conn:
        rows = [{"at": moment(500)[:10], "what": "F1 relined"}]
        add_intake(conn, "breaks", {"history_break": rows}, rows_read=1, taken_by="test")
    told = answer(book, Question(part=part, on="2025-06-01"))
    assert told.high - told.low < before.high - before.low  # type: ignore[operator]
    assert any("since the last declared break" in c for c in told.cautions)
    late = answer(book, Question(part=part, on="2027-12-31"))
    assert any("looks further than it saw" in c for c in late.cautions)


def test_blunders_are_shown_with_and_without(tmp_path: Path) -> None:
    history = Shop("plain", 40, 6, seed=4).history()
    part = str(history["part"].value_counts().index[0])
    history.loc[history[history["part"] == part].index[3], "z"] += 900.0
    found = answer(fill(tmp_path / "b", history), Question(part=part))
    (caution,) = [c for c in found.cautions if "looks like a blunder" in c]
    assert caution.startswith("1 reading") and "without it it would be" in caution


def test_processes_are_never_put_together(tmp_path: Path) -> None:
    history = Shop("plain", 40, 6, seed=4).history()
    part = str(history["part"].value_counts().index[0])
    rows = tables(history)
    rows["cycle"].append({**rows["cycle"][0], "cycle": "TE", "process": "temper"})
    half = set(sorted(history["run"].unique())[:20])
    for row in rows["run"]:
        row["cycle"] = "TE" if row["run"] in half else "SR"
    book = BookFolder.create(tmp_path / "two")
    with book.write() as conn:
        add_intake(conn, "test", rows, rows_read=1, taken_by="test")
    with pytest.raises(UsageError, match="never put together"):
        answer(book, Question(part=part))
    assert answer(book, Question(part=part, process="temper")).runs == 20
    assert answer(book, Question(part=part, cycle="SR")).runs == 20
    assert {r["process"] for r in backtest(book).rows()} == {"temper", "stress relief"}


def measured_later(
    book: BookFolder, found: Any, values: list[float], run: str = "LATE", job: str | None = None
) -> None:
    """Pieces of the answer's part in a run after it, measured before and after."""
    part, name = found.subject.part, found.subject.characteristic
    readings = [
        {"part": part, "serial": f"{run}{k}", "characteristic": name, "stage": stage, "value_mm": 100.0 + add / 1000,
         "run": run, "gauge": "G1", "held": "free", "datum": "A", "surface": "cleaned", "already_at_20c": 1,
         "repeat": 1}
        for k, z in enumerate(values) for stage, add in (("before", 0.0), ("after", z))
    ]  # fmt: skip
    pieces = [{"run": run, "part": part, "serial": f"{run}{k}", "quantity": 1, "job": job} for k in range(len(values))]
    later = {"run": run, "furnace": "F1", "cycle": "SR", "cycle_revision": "A", "started": "2999-01-01T00:00:00Z",
             "status": "done"}  # fmt: skip
    jobs = {"job": [{"job": job, "customer": "C"}]} if job else {}
    with book.write() as conn:
        add_intake(conn, "t", {**jobs, "run": [later], "piece": pieces, "reading": readings}, rows_read=1, taken_by="t")


def test_a_saved_answer_is_shown_exactly_and_scored(tmp_path: Path, loadbook: Command) -> None:
    history = Shop("plain", 30, 7, seed=2).history()
    part = str(history["part"].value_counts().index[0])
    book = fill(tmp_path / "b", history)
    given = loadbook("answer", "--part", part, "--save", "--format", "json", "--book", str(book.path))
    assert given.returncode == 0 and "Kept as answer 1" in given.stderr
    again = loadbook("answer", "--show", "1", "--format", "json", "--book", str(book.path))
    assert again.stdout == given.stdout
    text = loadbook("answer", "--part", part, "--book", str(book.path)).stdout
    shown = loadbook("answer", "--show", "1", "--book", str(book.path)).stdout
    listed = loadbook("list", "answers", "--book", str(book.path)).stdout
    assert "evidence" not in listed and max(map(len, listed.splitlines())) < 200
    assert max(len(w.strip("-").replace(".", "")) for w in listed.splitlines()[1].split()[-4:-1]) <= 4  # no tails
    record = loadbook("show", "answer", "1", "--book", str(book.path))
    assert record.returncode == 0 and shown.splitlines()[1] in record.stdout
    assert loadbook("show", "answer", "2", "--book", str(book.path)).returncode == 1
    assert shown.split("\n", 1)[1] == text
    found = answer(book, Question(part=part))
    assert found.low is not None and found.high is not None and found.bound is not None
    middle = (found.low + found.high) / 2
    measured_later(book, found, [middle, middle, found.bound - 50.0, found.high + 1.0])
    assert loadbook("answer", "--show", "1", "--format", "json", "--book", str(book.path)).stdout == given.stdout
    rows = backtest(book).rows()
    live = {r["what"]: r for r in rows if r["what"].startswith("saved")}
    assert live["saved answers"]["held"] == 0.5 and live["saved answers"]["runs"] == 1
    assert live["saved bounds"]["held"] == 0.75 and live["saved bounds"]["content"] == 0.95
    assert live["saved answers"]["held_low"] < 0.1 and live["saved answers"]["held_high"] > 0.9  # one run is one run
    assert "LATE" in loadbook("answer", "--show", "1", "--book", str(book.path)).stdout
    assert backtest(book).rows() == rows  # linking again changes nothing
    with pytest.raises(NotFoundError, match="no answer 9"):
        kept_answers.saved(book, 9)


def test_an_answer_for_a_job_is_scored_by_that_job(tmp_path: Path) -> None:
    history = Shop("plain", 30, 7, seed=2).history()
    part = str(history["part"].value_counts().index[0])
    book = fill(tmp_path / "b", history)
    found = answer(book, Question(part=part, job="J-1"))
    refusal = answer(book, Question(kind="flatness", material="M1"))
    assert (kept_answers.save(book, found), kept_answers.save(book, refusal)) == (1, 2)
    measured_later(book, found, [found.median or 0.0] * 3, "OTHER")
    assert kept_answers.link(book, answerdata.load(book)) == 0
    measured_later(book, found, [found.median or 0.0] * 2, "MINE", "J-1")
    assert kept_answers.link(book, answerdata.load(book)) == 1
    assert kept_answers.saved(book, 1).outcomes == [{"run": "MINE", "pieces": 2, "inside": 2, "within_bound": 2}]
    assert kept_answers.saved(book, 2).result["refused"] and kept_answers.saved(book, 2).outcomes == []


def test_backtest_rows(shop_book: BookFolder) -> None:
    found = backtest(shop_book, contents=(0.80, 0.90, 0.99))
    frame = found.frame()
    known = frame[(frame["what"] == "known") & (frame["content"] == 0.80)]
    assert {"all", "last fifth of the dates"} <= set(known["group"]) and len(known) == 4
    whole = known[known["group"] == "all"].iloc[0]
    assert whole["runs"] == 60 and whole["held_low"] < whole["held"] < whole["held_high"]
    late = known[known["group"] == "last fifth of the dates"].iloc[0]
    assert late["runs"] == 12 and late["held_high"] - late["held_low"] > whole["held_high"] - whole["held_low"]
    thin = frame[(frame["content"] == 0.99) & (frame["what"] == "known")]
    assert len(thin) == 1 and "100 are needed" in thin["note"].iloc[0] and pd.isna(thin["held"].iloc[0])
    with pytest.raises(NotFoundError):
        backtest(shop_book, Filters(part="nobody"))


def test_trial_of_the_next_runs(shop_book: BookFolder, loadbook: Command) -> None:
    found = trial(shop_book, "C1", RATE, 4, 60.0, 140.0)
    assert len(found.rows()) == 4 and found.plan.then < found.plan.now and sorted(found.order) == [0, 1, 2, 3]
    assert {r["order"] for r in found.rows()} == {1, 2, 3, 4} and all(60 <= r[RATE] <= 140 for r in found.rows())
    only = trial(shop_book, "outside diameter", RATE, 3, filters=Filters(part="PN-000"))
    assert {r["part"] for r in only.rows()} == {"PN-000"} and only.plan.then > 0
    for words, error in (
        (("nothing", RATE, 2), NotFoundError), (("C1", "cycle_hours", 2), UsageError),
        (("C1", RATE, 2, 9.0, 5.0), CalculationError), (("C1", RATE, 2, None, None, Filters(part="XX")), NotFoundError),
    ):  # fmt: skip
        with pytest.raises(error):
            trial(shop_book, *words)
    told = loadbook("trial", "C1", "--of", RATE, "--runs", "3", "--high", "284 F/h", "--book", str(shop_book.path))
    assert told.returncode == 0 and "drawn by lot" in told.stdout and "After these 3 runs expect" in told.stdout
    rows = json.loads(
        loadbook("trial", "C1", "--of", RATE, "--runs", "3", "--format", "json", "--book", str(shop_book.path)).stdout
    )
    assert len(rows) == 3 and set(rows[0]) == {"order", "part", "characteristic", RATE, "own_low", "own_high"}


def test_help_has_an_example(loadbook: Command) -> None:
    for name in ("answer", "trial", "backtest"):
        done = loadbook(name, "--help")
        assert done.returncode == 0 and f"Example: loadbook {name}" in done.stdout


def test_a_furnace_that_nobody_recorded_is_a_slip_and_a_setup_like_a_known_one_is_asked_about(
    shop_book: BookFolder,
) -> None:
    """Both were answered as if they were new, by a wider interval."""
    with pytest.raises(NotFoundError, match="the book has no furnace 'F99'"):
        answer(shop_book, Question(part="PN-000", furnace="F99"))
    found = answer(shop_book, Question(part="PN-000", setup="layd"))
    assert any("setup layd was never run (is 'laid' meant?)" in c for c in found.cautions)
