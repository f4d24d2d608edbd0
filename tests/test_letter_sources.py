"""Where a letter's words come from: our sentences with figures, coded words, the customer's own keys, what was typed.

Books in which every text is a token of its own show whose words a letter says; HTML, the PDF's bytes and its text are
searched. Sentences are made from codes, so none of them is ever read to find out what it says.
"""

from __future__ import annotations

import ast
import io
import json
import re
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pypdf
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import loadbook.queries
from loadbook.core.errors import LoadbookError, UsageError
from loadbook.core.remarks import (
    ADVICE,
    CLAUSE,
    CODES,
    CUSTOMER,
    EFFECT,
    EVIDENCE,
    NOTE,
    REFUSAL,
    REVIEW,
    SHOP,
    from_dict,
    remark,
)  # fmt: skip
from loadbook.core.trade_phrases import WORDS, phrase
from loadbook.queries import evidence_words, kept_answers, remark_words, review_words
from loadbook.queries.answer import answer
from loadbook.queries.effect_words import EFFECT_WORDS
from loadbook.queries.enquiry import Question
from loadbook.queries.letter import customer_words
from loadbook.queries.letter.build import Letter, letter
from loadbook.queries.letter.figures import Figures
from loadbook.queries.letter.filter import OwnRecords, key, refuse_leaks
from loadbook.queries.letter.sentences import say
from loadbook.render.letter.page import letter_page
from loadbook.render.letter.pdf import letter_pdf
from loadbook.store.book import BookFolder
from loadbook.store.records import add_intake
from tests.letterbook import PLAIN, Whose, random_book, random_question, said
from tests.test_page_answer import CUSTOMERS, made, rows_of_a_shop

KEPT = Path(__file__).resolve().parent.parent / "fixtures" / "answers" / "kept_before_codes.json"


def outputs(found: Letter, pdf: bool = True) -> list[str]:
    """All that a letter is written as: the page, the PDF's bytes as text, and the text a reader sees in it."""
    out = [letter_page(found)]
    if pdf:
        data = letter_pdf(found)
        read = pypdf.PdfReader(io.BytesIO(data))
        out += [data.decode("latin-1"), *(page.extract_text() for page in read.pages), str(read.metadata)]
    return out


def letters(whose: Whose, question: Question) -> Iterator[tuple[str | None, Letter]]:
    """A question's letters to nobody, to a person and to each customer of the book, as far as they are written."""
    number = kept_answers.save(whose.book, answer(whose.book, question))
    for to in (None, "Ms Example", *sorted({j["customer"] for j in whose.rows["job"]})):
        try:
            yield to, letter(whose.book, number, to=to)
        except (UsageError, LoadbookError):
            continue  # no letter, no leak


def leaked(whose: Whose, question: Question, to: str | None, texts: list[str]) -> set[str]:
    """Tokens that the one whose letter it is may not read, with where they stand; of the customers whose it may be."""
    found = said(*texts) - said(to or "")
    each = [found - whose.allowed(customer, question) for customer in whose.customers(question)]
    return {f"{token} ({whose.tokens.get(token, 'typed for the answer')})" for token in min(each, key=len)}


# -- every text of the book -----------------------------------------------------------------------


@pytest.mark.thorough
@given(st.integers(0, 10**6))
@settings(max_examples=5)
def test_no_text_of_a_random_book_but_their_own_keys(tmp_path_factory: pytest.TempPathFactory, seed: int) -> None:
    whose = random_book(tmp_path_factory.mktemp("book") / "b", seed)
    for k in range(2):
        question = random_question(whose, seed + k)
        for to, found in letters(whose, question):
            assert leaked(whose, question, to, outputs(found, pdf=to is None)) == set()


@pytest.mark.long
def test_five_hundred_random_books(tmp_path: Path) -> None:
    """By hand: python -m pytest -m long tests/test_letter_sources.py"""
    written = 0
    for seed in range(500):
        whose = random_book(tmp_path / f"b{seed}", 10**7 + seed, units=("si", "us")[seed % 2])
        question = random_question(whose, seed)
        for to, found in letters(whose, question):
            assert leaked(whose, question, to, outputs(found, pdf=seed % 25 == 0)) == set()
            written += 1
        whose.book.close()
    assert written > 800


def test_every_text_column_of_the_book_is_tried(tmp_path: Path) -> None:
    """A column that a later schema adds is tried too, or named as one that holds no words."""
    book = random_book(tmp_path / "b", 3, coded=0.0).book.read()
    untried = []
    for (table,) in book.execute(
        "SELECT name FROM sqlite_schema WHERE type = 'table' AND name NOT LIKE 'sqlite%'"
        " AND name NOT IN ('revision', '_sqlite_migrations')"
    ):
        for column in book.execute(f"PRAGMA table_info({table})").fetchall():
            if column["type"] == "TEXT" and column["name"] not in PLAIN.get(table, ()):
                texts = [str(r[0]) for r in book.execute(f'SELECT "{column["name"]}" FROM "{table}"')]
                if not said(*texts):
                    untried.append(f"{table}.{column['name']}")
    assert not untried, untried


def test_a_book_without_one_coded_word(tmp_path: Path) -> None:
    """Every free column holds a token: the letters are still written, and say what they left out."""
    whose = random_book(tmp_path / "b", 11, coded=0.0)
    part = next(p for p in whose.rows["part"] if p["customer"])
    question = Question(part=part["part"], setup=whose.rows["piece"][0]["setup"])
    written = list(letters(whose, question))
    assert written
    for to, found in written:
        assert leaked(whose, question, to, outputs(found)) == set()
        assert found.subject.startswith(part["part"]) and "after heat treatment" in found.subject
        assert any(what.startswith("setup ") for what in found.left_out)
        assert any(what.startswith("process ") for what in found.left_out)


# -- another's confidential piece in the same load ------------------------------------------------

OURS, THEIRS = "PN-003", "PN-002"  # the asking customer's part, another's
SECRET = {
    "serial": "ZQ00001X", "place": "ZQ00002X hidden bore", "attachment": "ZQ00003X", "zone": "ZQ00004X",
    "heat_number": "ZQ00005X", "position": "ZQ00006X", "job": "ZQ00007X", "purchase_order": "ZQ00008X",
    "specification": "ZQ00009X", "channel": "ZQ00010X", "finding": "ZQ00011X", "note": "ZQ00012X",
    "condition": "ZQ00013X", "machining": "ZQ00014X finish machined", "own_place": "ZQ00015X beside the flange",
    "survey": "ZQ00016X rear left", "event": "ZQ00017X", "run_note": "ZQ00018X", "operator": "ZQ00019X",
}  # fmt: skip


def mixed_load(path: Path, serial: str = SECRET["serial"]) -> BookFolder:
    """Four runs of our part in which a confidential piece of another customer lay and was the coldest.

    serial  of the other's piece (our own pieces' serial: the channels' table cannot tell whose the TC is)
    """
    rows = rows_of_a_shop()
    rows["job"].append(
        {"job": SECRET["job"], "customer": CUSTOMERS[2], "purchase_order": SECRET["purchase_order"], "confidential": 1,
         "specification": SECRET["specification"]}
    )  # fmt: skip
    rows["furnace_check"] = [
        {"furnace": "F1", "kind": "uniformity survey", "done_on": "2025-01-01", "note": SECRET["survey"]}
    ]
    rows["channel"], rows["event"] = [], []
    runs = sorted({p["run"] for p in rows["piece"] if p["part"] == OURS})[:4]
    means = []
    for run in runs:
        own = next(p["serial"] for p in rows["piece"] if p["run"] == run and p["part"] == OURS)
        other = own if serial == "same" else serial
        rows["piece"].append(
            {"run": run, "part": THEIRS, "serial": other, "quantity": 1, "job": SECRET["job"], "stock_mm": 0.0,
             **{k: SECRET[k] for k in ("heat_number", "position", "condition", "machining")}}
        )  # fmt: skip
        tcs = (
            (SECRET["channel"], other, SECRET["place"], 580.0), ("TC 2", own, "thick section", 590.0),
            ("TC 3", own, "thin section", 600.0), ("TC 4", own, SECRET["own_place"], 595.0),
        )  # fmt: skip
        for channel, on, place, mean in tcs:
            rows["channel"].append(
                {"run": run, "channel": channel, "role": "work", "serial": on, "place": place,
                 "attachment": SECRET["attachment"], "zone": SECRET["zone"]}
            )  # fmt: skip
            means.append((run, channel, mean))
        rows["event"].append({"run": run, "at": "2025-01-01T00:00:00Z", "event": SECRET["event"]})
    for run in rows["run"]:
        run.update(note=SECRET["run_note"], operator=SECRET["operator"])
    book = made(path, rows)
    with book.write() as conn:
        add_intake(conn, "test", {name: rows[name] for name in ("channel", "event")}, rows_read=1, taken_by="test")
        for run, channel, mean in means:
            conn.execute(
                "INSERT INTO parameter (run, parameter, channel, value, unit, source, note, algorithm)"
                " VALUES (?, 'hold_mean_c', ?, ?, 'c', 'trace', ?, '1')", (run, channel, mean, SECRET["note"]),
            )  # fmt: skip
        for run in runs:
            conn.execute(
                "INSERT INTO parameter (run, parameter, value, unit, source, note, algorithm)"
                " VALUES (?, 'spread_soak_peak_c', 20.0, 'c_diff', 'trace', ?, '1')",
                (run, f"TC 3 over {SECRET['channel']}"),
            )
            conn.execute(
                "INSERT INTO finding (run, what, name, verdict, text, channel, algorithm)"
                " VALUES (?, 'fault', 'detached', 'suspected', ?, ?, '1')", (run, SECRET["finding"], SECRET["channel"]),
            )  # fmt: skip
    return book


@pytest.mark.parametrize("serial", [SECRET["serial"], "same"])
def test_anothers_confidential_piece_in_a_mixed_load(tmp_path: Path, serial: str) -> None:
    book = mixed_load(tmp_path / "b", serial)
    found = answer(book, Question(part=OURS, setup="hung"))
    places = " ".join(t["place"] for t in found.advice["thermocouples"])
    assert SECRET["place"] not in places  # the shop is not told either that it is a place of this part
    kept_answers.save(book, found)
    for to in (None, CUSTOMERS[0]):
        written = letter(book, 1, to=to)
        for text in outputs(written):
            assert said(text) == set()
        assert THEIRS not in " ".join(outputs(written)) and CUSTOMERS[2] not in " ".join(outputs(written))
    (places,) = [text for text in written.lines("suggest") if text.startswith("Thermocouples")]
    if serial == "same":  # whose TC it is cannot be told: nothing of that run is said
        assert "of yours" not in places
    else:
        assert "thick section (at the hold the coldest of its piece on 4 of 4 pieces of yours)" in places
    assert (
        "a piece in the coldest corner of our last survey" in places
    )  # that there is a survey, not what its note says


def test_advice_that_rests_on_anothers_piece_is_left_out(tmp_path: Path) -> None:
    """The newest piece of our part number ran for another customer: its state advises nothing to us."""
    rows = rows_of_a_shop()
    last = [p for p in rows["piece"] if p["part"] == OURS][-1]
    book = made(tmp_path / "own", rows)
    kept_answers.save(book, answer(book, Question(part=OURS)))
    assert any(text.startswith("Air will do") for text in letter(book, 1).lines("suggest"))
    next(j for j in rows["job"] if j["job"] == last["job"])["customer"] = CUSTOMERS[2]
    book = made(tmp_path / "shared", rows)
    kept_answers.save(book, answer(book, Question(part=OURS)))
    found = letter(book, 1, to=CUSTOMERS[0])
    assert not any(text.startswith(("Air", "Vacuum")) for text in found.lines("suggest")) and any(
        "atmosphere" in what for what in found.left_out
    )


def test_a_part_that_ran_for_several_customers_says_for_whom(tmp_path: Path) -> None:
    """No customer on the part: its jobs tell, and where they tell of several, somebody must."""
    rows = rows_of_a_shop()
    for part in rows["part"]:
        part["customer"] = None
    book = made(tmp_path / "one", rows)
    kept_answers.save(book, answer(book, Question(part=OURS)))
    assert letter(book, 1).addressee == CUSTOMERS[0]
    with pytest.raises(UsageError, match="about work of"):
        letter(book, 1, to=CUSTOMERS[1])
    runs = sorted({p["run"] for p in rows["piece"] if p["part"] == OURS})
    next(j for j in rows["job"] if j["job"] == f"J-{runs[0]}-003")["customer"] = CUSTOMERS[1]
    book = made(tmp_path / "two", rows)
    kept_answers.save(book, answer(book, Question(part=OURS)))
    for to in (None, "Ms Example", CUSTOMERS[2]):
        with pytest.raises(UsageError, match="ran for several customers"):
            letter(book, 1, to=to)
    found = letter(book, 1, to=CUSTOMERS[1])
    assert found.interval is not None and {r.run for r in found.interval.own} == {runs[0]}


# -- words typed for the letter -------------------------------------------------------------------


def test_what_is_typed_for_the_letter_is_said(tmp_path: Path) -> None:
    rows = rows_of_a_shop()
    book = made(tmp_path / "b", rows)
    material = rows["material"][0]["material"]
    described = {"shape": "special ring", "condition": "welded", "kind": "outside diameter", "size_mm": 100.0}
    kept_answers.save(book, answer(book, Question(material=material, **described)))  # type: ignore[arg-type]
    found = letter(book, 1)
    assert "A new part (welded, outside diameter)" in found.subject
    assert {f"material {material!r}", "shape 'special ring'"} <= set(found.left_out)
    about = letter(book, 1, about="your bearing ring 40 x 9")
    assert about.subject == "your bearing ring 40 x 9 after stress relief: our answer to your enquiry"
    assert all("your bearing ring 40 x 9" in text for text in outputs(about)[::2])
    with pytest.raises(UsageError, match="--about names"):
        letter(book, 1, about="as Quillfeather's")
    with pytest.raises(UsageError, match="--about has 201"):
        letter(book, 1, about="x" * 201)


def test_the_command_says_what_it_left_out(
    tmp_path: Path, inside: Callable[..., subprocess.CompletedProcess[str]]
) -> None:
    book = made(tmp_path / "b", rows_of_a_shop())
    kept_answers.save(book, answer(book, Question(part=OURS, setup="hung on hooks")))
    done = inside("page", "answer", "1", "-o", "a.html", "--book", str(book.path))
    assert done.returncode == 0 and "setup 'hung on hooks'" in done.stderr and "--about" in done.stderr
    assert "hooks" not in (tmp_path / "a.html").read_text(encoding="utf-8")


def test_a_word_is_said_in_the_vocabularys_spelling() -> None:
    for kind, words in WORDS.items():
        for word in words:
            assert phrase(kind, f"  {word.upper()} ") == word
            assert phrase(kind, f"{word} for PN-1") is None and phrase(kind, f"{word};PN-1") is None
    assert phrase("setup", None) is None and phrase("setup", ";") is None


def test_a_customer_called_like_a_word_of_the_trade_stops_no_letter(tmp_path: Path) -> None:
    """'Test' and 'Air' stand in our own sentences; in what a person types they are names."""
    rows = rows_of_a_shop()
    rows["part"] += [
        {"part": name, "material": rows["material"][0]["material"], "customer": name}
        for name in ("Test", "Air", "Runs")
    ]
    book = made(tmp_path / "b", rows)
    kept_answers.save(book, answer(book, Question(part=OURS)))
    assert letter(book, 1).interval is not None
    with pytest.raises(UsageError):
        letter(book, 1, question="as for Test?")
    my = OwnRecords(
        None, None, forbidden={key("PN-002"): "part PN-002", key("Ring Works"): "customer", "air": "part Air"}
    )
    refuse_leaks(my, [("held in air", "ours")])
    for text in ("as PN-002 did", "of ring works"):
        with pytest.raises(LoadbookError):
            refuse_leaks(my, [(text, "ours")])


# -- codes and their words ------------------------------------------------------------------------

HOT = {"part": "P", "material": "Ti-6Al-4V", "at_c": 628.0, "basis": "asked", "limit_c": 540.0, "source": "MIL"}
CHECK = {"furnace": "F", "kind": "uniformity survey", "done_on": "2026-01-10", "due_on": None, "at_c": 650.0}
FIGURES: dict[str, dict[str, Any]] = {
    "check_failed": CHECK,
    "check_past_due": CHECK,
    "survey_elsewhere": {"furnace": "F", "at_c": 650.0, "surveyed_c": [300.0], "source": "common practice"},
    "furnace_wider": {"furnace": "F", "class_c": 14.0, "band_c": 8.0, "segment": 2, "source": "the furnace's record"},
    "furnace_too_hot": {
        "furnace": "F",
        "at_c": 900.0,
        "limit_c": 850.0,
        "segment": 2,
        "source": "the furnace's record",
    },
    "family_missing": {"part": "P", "material": "M"},
    "reactive_in_air": {**HOT, "gas": "air"},
    "reactive_in_gas": {**HOT, "gas": "nitrogen"},
    "above_temper": {**HOT, "pieces": 2, "tempered_c": 640.0, "margin_c": 30.0},
    "above_hottest_hold": HOT,
    "cast_iron_hot": HOT,
    "cast_iron_fast": {
        **HOT,
        "kind": "cool",
        "rate_c_per_h": 90.0,
        "limit_c_per_h": 55.0,
        "above_c": 300.0,
        "segment": 3,
    },
    "never_measured": {"kind": "flatness", "process": "temper"},
    "all_set_aside": {"kind": "flatness", "process": None, "count": 3, "reasons": {"no after reading": 3}},
    "gauge_too_coarse": {"share": 0.7, "gauge_um": 4.0},
    "too_few_runs": {"runs": 1, "needed": 8},
    "too_few_repeats": {"runs": 9, "parts": 8, "repeats": 1, "needed": 4},
    "too_few_parts": {"parts": 2, "needed": 6, "runs": 8, "repeats": 4},
    "set_aside": {"count": 2, "reasons": {"ZQ1X": 2}},
    "before_far": {"before_mm": 12.0, "low_mm": 0.012, "high_mm": 0.061, "pieces": 9},
    "other_scale": {"scale": "um per 100 mm"},
    "few_read_after": {"read": 20, "of": 50},
    "settings_achieved": {"share": 0.05},
    "otherwise_lately": {"factor": "setup", "level": "laid", "now": "hung", "runs": 5, "whose": "kind"},
    "as_lately": {"factor": "setup", "level": "hung", "usual": "laid"},
    "blunders": {"count": 1, "without": [-3.0, 4.0], "unit": "um"},
    "setting_never_run": {"parameter": "hold_mean_c", "asked": 650.0, "low": 600.0, "high": 610.0, "known": True},
    "level_never_run": {"factor": "setup", "level": "racked"},
    "atmosphere_never_run": {"atmosphere": "vacuum", "run": ["air"]},
    "level_moved": {"runs": 3, "needed": 1},
    "beyond_untold": {"runs": 10, "times": 3.0},
    "far_beyond": {"parameter": "hold_mean_c", "asked": 900.0, "low": 600.0, "high": 610.0},
    "level_widened": {"runs": 5, "times": 1.4},
    "level_drifted": {"since": "2023-03-01", "runs": 45, "before": -40.0, "now": -20.0, "unit": "um"},
    "level_changed": {"run": "R9", "at": "2024-03-01", "runs": 15, "before": -40.0, "now": -20.0, "unit": "um"},
    "runs_in_bursts": {"runs": 12, "bursts": 4},
    "slopes_differ": {"parameter": "heating_rate_peak_c_per_h", "by": "material"},
    "lots_differ": {"lots": 9},
    "few_lots": {"lots": 1},
    "test_short": {"held": 0.7, "content": 0.9, "times": 1.3},
    "factor_not_recorded": {"factor": "setup"},
    "spread_borrowed": {"parts": 3, "kinds": 2},
    "stress_took_part": {"needs_mpa": 120.0, "least_mpa": 6.0, "most_mpa": 400.0, "without": [-3.0, 4.0], "unit": "um"},
    "stock_few_parts": {"per_side_um": None, "parts": 3},
    "stock_never_run": {"per_side_um": None},
    "since_break": {"runs": 4},
    "looks_further": {"newest": "2024-01-01"},
    "stock": {"per_side_um": 9.0, "against": "growth", "shared": "diameter", "content": 0.95, "confidence": 0.95},
    "stock_not_needed": {"per_side_um": 0.0, "against": "growth"},
    "stock_not_known": {"per_side_um": None},
    "protect_reactive": {"family": "titanium"},
    "air": {"stock_mm": 1.0},
    "air_or_vacuum": {"machining": False, "stock": False},
    "cycle": {"cycle": "ZQ2X"},
    "own_cycle": {"cycle": "SR", "runs": 3, "of": 2},
    "tc_thickest": {"mm": 30.0},
    "tc_thinnest": {"mm": None},
    "tc_survey_note": {"furnace": "ZQ3X", "done_on": "2025-01-01", "note": "ZQ4X"},
    "tc_coldest_place": {"place": "ZQ5X", "pieces": 3, "of": 4},
    "tc_own_coldest_place": {"place": "bore", "pieces": 3, "of": 4},
    "tc_lost": {"place": "ZQ6X", "faults": [["detached", "ZQ7X"]]},
}
_READ = {
    "lines": [2, 3], "more": 0, "run": "R1", "at": "2026-03-01 08:00", "day": "2026-03-01", "days": 400, "of": "piece",
    "at_c": 260.0, "meant_f": None, "gauge": "G1", "until": "2026-02-01",
    "furnace": "F1",
}  # fmt: skip
FIGURES |= dict.fromkeys(
    ("after_before_before", "before_in_run", "after_in_run", "read_far_from_run", "read_in_future", "read_hot",
     "furnace_running", "tolerance_left",
     "gauge_past_due"), _READ,
)  # fmt: skip
FIGURES |= {
    "kept_only": {"kind": "grain size"}, "columns_hidden": {"columns": ["serial"]},
    "dates_read": {"day_first": True, "date": "20.03.2026"},
    "cycle_asked": {"cycle": "ZQ8X", "revision": "A"},
    "later_revision": {"cycle": "ZQ8X", "revision": "A", "later": "B"},
    "cycle_reviewed": {"cycle": "ZQ8X", "revision": "A", "names": ["no cooling rate"]},
    "first_not_approved": {"part": "ZQ8X", "recorded": True}, "first_approved": {"part": "ZQ8X", "said": "accepted"},
    "first_refused": {"part": "ZQ8X", "said": "rejected"}, "temper_not_known": {"part": "ZQ8X"},
    "class_not_known": {"furnace": "F1"}, "no_checks": {"furnace": "F1"}, "no_channels": {"least": 2},
    "too_few_tcs": {"work": 1, "least": 2}, "tcs_planned": {"work": 3, "least": 2},
    "place_not_planned": {"place": "tc_middle"}, "place_short": {"place": "ZQ9X", "work": 0, "least": 1},
    "not_calibrated": {"channels": ["TC 1"]},
    "calibration_ended": {"calibration": "K1", "until": "2026-01-01", "channels": ["TC 1"]},
    "band_not_stated": {"segments": [2, 4]}, "check_not_known": {"furnace": "F1", "kinds": ["system accuracy"]},
    "check_not_dated": {"furnace": "F1", "kind": "system accuracy", "done_on": "2026-01-01", "at_c": 600.0},
    "check_last_day": {"furnace": "F1", "kind": "system accuracy", "due_on": "2026-01-01", "at_c": None},
    "calibration_not_held": {"calibration": "K1", "channels": ["TC 1"]},
    "calibration_not_dated": {"calibration": "K1", "channels": ["TC 1"]},
    "calibration_last_day": {"calibration": "K1", "until": "2026-01-01", "channels": ["TC 1"]},
    "gauge_not_named": {"piece": "P 1", "characteristics": ["od"]}, "gauge_not_dated": {"gauges": ["G1"]},
    "nothing_due_before": {"parts": ["P"]}, "several_customers": {"customers": 2},
    "stock_not_asked": {"parts": ["P"]}, "gas_of_another": {"furnace": "F1", "asked": "vacuum", "has": "air"},
    "correction_large": {"channel": "TC 1", "correction_c": 4.0, "at_c": 600.0},
    "channel_failed": {"channel": "TC 1", "faults": [["open", "ZQ7X"]]}, "nothing_read_before": {"pieces": ["P 1"]},
    "not_read_before": {"piece": "P 1", "characteristics": ["od"]},
    "reading_odd": {"piece": "P 1", "characteristic": "od", "value_mm": 90.0, "nominal_mm": 100.0},
    "gauge_late": {"gauge": "G1", "until": "2026-01-01"}, "finished_in_air": {"part": "P"},
    "scale_not_known": {"part": "P"}, "stock_not_recorded": {"part": "P", "needs_mm": 0.1, "answer": 1},
    "stock_short": {"part": "P", "stock_mm": 0.05, "needs_mm": 0.1, "answer": 1}, "repeats": {"run": "ZQ7X"},
    "treated_before": {"pieces": ["P 1"], "runs": ["ZQ7X"]},
    "low_hold_fault": {"channel": "TC 1", "other": None, "fault": "open", "from_s": 60.0, "evidence": ""},
    "low_hold_behind": {"channel": "TC 1", "more_c": 40.0, "lag_c": 50.0, "usual_c": 10.0, "loads": 14},
    "low_hold_ahead": {"channel": "TC 1", "more_c": 40.0, "lag_c": 2.0, "usual_c": 42.0, "loads": 14},
    "low_hold_loose": {"channel": "TC 1", "share": 0.8, "error": 0.05, "thick": True},
    "low_hold_falls": {"channel": "TC 1", "start_c": 20.0, "now_c": -100.0},
    "low_hold_hotter": {"channel": "TC 1", "above_c": 40.0},
    "low_hold_still": {"channel": "TC 1", "risen_c": 180.0},
    "never_ran": {"part": "P", "characteristic": "od"}, "no_hours": {"cycle": "SR revision A"},
    "present_beyond": {"cycle": "SR revision A"}, "nothing_varied": {"part": "P", "parameters": ["soak_minutes"]},
    "none_keeps": {"present": True, "untold": 2, "keep": 0.9, "share": 0.8, "low": 0.7, "high": 0.9},
    "goes_together": {"parameter": "soak_minutes", "other": "furnace"},
    "faster_breaks": {"hours_h": 12.0, "where": "segment 1", "what": "heats too fast"},
    "plants_behind": {"plants": [{"plant": "Linz", "runs": 1, "pieces": 3}], "left_out": ["Steyr"]},
    "plain_readings": {"stage": "after"}, "nothing_left": {"stage": None, "reasons": {"no reading after": 3}},
    "one_run_behind": {"differed": False}, "flagged_in": {"readings": 1}, "not_measured_at_all": {"pieces": 2},
    "gauges_apart": {"movements": 2, "of": 9, "gauges": ["G1", "G2"]},
    "way_not_recorded": {"movements": 2, "of": 9}, "not_corrected": {"sizes": 2, "of": 9, "missing": "temperatures"},
    "lots_apart": {"lots": 1},
    "by_asked": {"parameter": "soak_minutes", "runs": 1, "of": 2},
    "differ_at_all": {"kind": "flatness", "process": None, "f": 3.2, "p": 0.0001},
    "only_asked": {"parameters": ["soak_minutes"]}, "flagged_in_effects": {"readings": 2},
    "gauge_hides_small": {"share": 0.62}, "trial_so_far": {"number": 1, "purpose": "rate", "runs": 4, "missing": 2},
}  # fmt: skip
_STRESS = {"which": "pair", "ahead_c_diff": 20.0, "stress_mpa": 90.0, "onset_mpa": 80.0, "limit_c_diff": 18.0}
OF_PHYSICS: dict[str, dict[str, object]] = {  # of a plan, and in a letter that has no figure
    "stress_elastic": {**_STRESS, "which": "section", "stress_mpa": 8.0}, "stress_yields": _STRESS,
    "stress_against_yield": {**_STRESS, "onset_mpa": None, "needs_mpa": 143.0},
    "relief_by_heating": {"at_c": 600.0, "left": 0.58}, "size_published": {"low": -0.0006, "high": -0.0004},
    "scale_thin": {"lost_um": 0.0}, "scale_law": {"lost_um": 44.0}, "scale_at_most": {"lost_um": 44.0},
    "evaporates": {"element": "Mn", "at_c": 1050.0},
}  # fmt: skip
FIGURES |= OF_PHYSICS
FOR_LETTERS_ALONE = {"own_cycle", "tc_own_coldest_place"}


@pytest.mark.parametrize("system", ["si", "us"])
def test_every_code_has_words_and_a_customer_reads_none_of_the_programs(system: str) -> None:
    for code, (severity, audience) in CODES.items():
        if severity in (EVIDENCE, CLAUSE, NOTE, REVIEW, EFFECT):  # of a run and a cycle
            assert any(code in words for words in (evidence_words.WORDS, review_words.WORDS, EFFECT_WORDS))
            if code not in OF_PHYSICS:
                assert audience == SHOP and not customer_words.customer_words(remark(code), Figures(system))
                continue
        found = remark(code, **FIGURES.get(code, {}))
        assert from_dict(json.loads(json.dumps(found.as_dict()))) == found
        if code not in FOR_LETTERS_ALONE | set(OF_PHYSICS):
            assert remark_words.words(found, system)
        if severity == REFUSAL:
            assert remark_words.needed(found, system)
        words = customer_words.customer_words(found, Figures(system))
        assert bool(words) == (audience == CUSTOMER)
        if words and severity == REFUSAL:
            words += customer_words.advice(found) + (customer_words.measurements(found) or "")
        assert not any(word in words for word in ("loadbook", "--", "(see ", "the book has", "oxygen reading"))
        assert not said(words)
        if system == "us":
            assert "°C" not in words and " mm" not in words and "µm " not in words
    assert {r.code for r in map(from_dict, [{"code": "of_a_later_program", "figures": {}}]) if r} == set()


def test_every_code_is_made_somewhere() -> None:
    source = "".join(
        path.read_text(encoding="utf-8")
        for path in Path(loadbook.queries.__file__).parent.parent.rglob("*.py")
        if path.name != "remarks.py"
    )
    assert [code for code in CODES if not re.search(f'"{code}"(?!:)', source)] == []  # with a colon: its words


def test_a_figure_that_no_letter_may_show_is_cleared() -> None:
    my = OwnRecords("A", "P", keys={"cycle": frozenset({"SR"})})
    cleared = my.cleared(remark("own_cycle", cycle="ZQ1X", runs=3, of=2, more=["ZQ2X"], deep={"ZQ3X": 1}))
    assert dict(cleared.figures) == {"cycle": None, "runs": 3, "of": 2, "more": None, "deep": None}
    assert my.cleared(remark("own_cycle", cycle="SR")).figures["cycle"] == "SR"
    assert my.left_out == ["cycle 'ZQ1X'"]
    level = remark("level_never_run", factor="setup", level="hung ZQ4X")
    assert my.cleared(level).figures == {"factor": "setup", "level": None}
    assert customer_words.customer_words(my.cleared(level), Figures("si")) == say("level_never_run.setup")


def test_rewording_what_the_shop_reads_changes_no_letter(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Every sentence for the shop alone, and every one that a letter words itself, is replaced: no letter changes."""
    book = mixed_load(tmp_path / "b")
    asked = (
        Question(part=OURS, setup="racked", settings={"heating_rate_peak_c_per_h": 400.0}, on="2027-01-01"),
        Question(part=OURS), Question(kind="flatness", material="M1"),
    )  # fmt: skip
    numbers = [kept_answers.save(book, answer(book, q)) for q in asked]
    before = [letter_page(letter(book, n)) for n in numbers]
    for table in ("_SHOP", "_ADVISED"):
        named = {
            code: ("ZQ1X" if table == "_SHOP" else (lambda f, s: ("ZQ1X", ["ZQ1X"])))
            for code in getattr(remark_words, table)
        }
        assert len(named) > 5
        monkeypatch.setattr(remark_words, table, {**getattr(remark_words, table), **named})
    again = [kept_answers.save(book, answer(book, q)) for q in asked]
    assert "ZQ1X" in str(kept_answers.saved(book, again[0]).result)
    pages = [letter_page(letter(book, n)) for n in again]
    assert [p.replace(f"answer {b}<", f"answer {a}<") for p, a, b in zip(pages, numbers, again, strict=True)] == before


def test_json_carries_codes_beside_the_words(tmp_path: Path) -> None:
    book = mixed_load(tmp_path / "b")
    for question in (Question(part=OURS, setup="racked"), Question(kind="flatness", material="M1")):
        found = answer(book, question)
        told = json.loads(json.dumps(found.to_json()))
        assert [r["text"] for r in told["remarks"] if r["severity"] == "caution"] == told["cautions"] == found.cautions
        refusals = [r["text"] for r in told["remarks"] if r["severity"] == REFUSAL]
        assert refusals == ([told["refused"]] if told["refused"] else [])
        assert {r["audience"] for r in told["remarks"]} <= {SHOP, CUSTOMER}
        advised = {r["code"] for r in told["remarks"] if r["severity"] == ADVICE}
        parts = [a for a in told["advice"].values() if a]
        assert advised == {a["code"] for part in parts for a in (part if isinstance(part, list) else [part])}
        number = kept_answers.save(book, found)
        assert kept_answers.saved(book, number).remarks == found.remarks


def test_the_way_to_a_letter_takes_no_sentence_apart() -> None:
    """No pattern in the modules that make a letter's words; letter/filter compares names, not sentences."""
    folder = Path(loadbook.queries.__file__).parent / "letter"
    ours = [f"letter/{path.stem}" for path in folder.glob("*.py") if path.stem != "filter"]
    for name in (*ours, "remark_words", "answer_figures"):
        path = Path(loadbook.queries.__file__).parent / f"{name}.py"
        tree = ast.parse(path.read_text(encoding="utf-8"))
        imported = {a.name for n in ast.walk(tree) if isinstance(n, ast.Import) for a in n.names}
        assert "re" not in imported, name


# -- answers of older books -----------------------------------------------------------------------


def kept_before_codes(path: Path) -> BookFolder:
    """A book with the two answers that the program kept before remarks had codes, as it kept them."""
    book = made(path, rows_of_a_shop())
    rows = []
    for kept in json.loads(KEPT.read_text(encoding="utf-8")):
        asked, answered = kept["question"], kept["answer"]
        rows.append(
            {"answered_at": "2025-12-01T08:00:00Z", "question": json.dumps(asked),
             "result": json.dumps({k: kept[k] for k in ("answer", "text", "behind")}), "method": "shrinkage 2",
             "evidence_sha256": "", "part": asked.get("part"), "low": answered["low"], "high": answered["high"],
             "bound": answered["bound"], "unit": answered["unit"]}
        )  # fmt: skip
    with book.write() as conn:
        add_intake(conn, "answer", {"answer": rows}, rows_read=2, taken_by="test")
    return book


def test_answers_kept_before_codes_are_shown_and_printed(
    tmp_path: Path, inside: Callable[..., subprocess.CompletedProcess[str]]
) -> None:
    book = kept_before_codes(tmp_path / "b")
    kept = json.loads(KEPT.read_text(encoding="utf-8"))
    for number in (1, 2):
        shown = inside("answer", "--show", str(number), "--book", str(book.path))
        assert shown.returncode == 0
        for caution in kept[number - 1]["answer"]["cautions"]:
            assert f"Caution: {caution}" in shown.stdout
        assert kept[number - 1]["answer"]["advice"]["thermocouples"][0]["place"] in shown.stdout
        again = inside("answer", "--show", str(number), "--format", "json", "--book", str(book.path))
        assert json.loads(again.stdout) == kept[number - 1]["answer"]
    first, second = letter(book, 1), letter(book, 2)
    assert first.interval is not None and first.interval.low == kept[0]["answer"]["low"]
    assert [line for line in first.lines("change") if "never ran" in line] == [
        say("setting_never_run.range", asked="heating at up to 400 °C/h", low="61", high="135 °C/h"),
        say("level_never_run", level="in racks"),
        say("level_never_run", level="in argon"),
    ]
    assert not any("oxygen" in text for text, _ in first.texts())  # a caution of the shop's floor
    assert first.lines("suggest") == [
        say("stock", stock="0.013 mm", against="shrinkage", content="95 %", confidence="95 %"), say("hollow"),
    ]  # fmt: skip
    assert second.refused and say("no reason") in second.headline
    for found in (first, second):
        text = " ".join(outputs(found))
        assert "pn 002" not in text and "rear left" not in text and "loadbook" not in outputs(found)[2]
        assert any("kept without codes" in what for what in found.left_out)
