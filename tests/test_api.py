"""The Python side: results with figures, frames whose columns carry units, notebook views that stay text, charts."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import date
from html import unescape
from pathlib import Path
from threading import Thread

import pytest

from loadbook import Book, Group
from loadbook.core.errors import LoadbookError, UsageError
from loadbook.core.figures import true_minus
from loadbook.core.remarks import remark
from loadbook.queries.result import unit_name
from loadbook.render.movement import moved_table
from loadbook.render.record import record_sections
from loadbook.store.book import BookFolder
from loadbook.store.lookup import find_row, listed


@pytest.fixture(scope="module")
def shop(demo_book: Path) -> Iterator[Book]:
    with Book(demo_book) as book:
        yield book


def cells(source: str) -> list[str]:
    return re.findall(r"<t[dh][^>]*>([^<]*)</t[dh]>", source)


def test_moved_in_a_notebook_is_what_the_terminal_prints(shop: Book) -> None:
    found = shop.moved(part="PN-1001", by="setup")
    assert {str(found.table[name].dtype) for name in ("process", "kind", "side", "unit")} == {"str"}
    shown = found._repr_html_().replace("\u00a0", " ")
    _, rows = moved_table(found.rows(), found.by, found.system)
    for row in rows:
        for value in row:
            if isinstance(value, float):
                assert true_minus(f"{value:g}") in cells(shown)
    assert "Movement: 17 runs, 87 pieces, 1 part numbers" not in shown
    assert "Movement: 17 runs, 87 pieces, 1 part number" in shown
    for warning in found.warnings:
        assert warning in shown.replace("&lt;", "<")


def test_effect_in_a_notebook_says_its_verdict(shop: Book) -> None:
    found = shop.effect(kind="outside diameter", process="stress relief", of="heating_rate_peak_c_per_h")
    shown = found._repr_html_().replace("\u00a0", " ")
    assert true_minus(found.rows()[0]["verdict"]) in shown
    assert "&lt;0.0005" in shown


def test_an_answer_in_a_notebook_has_sentences_evidence_and_cautions(shop: Book) -> None:
    found = shop.answer(part="PN-1004", characteristic="flatness", cycle="SR-600", cycle_revision="C")
    shown = unescape(found._repr_html_().replace("\u00a0", " "))
    assert found.text[0] in shown
    assert found.comparables[0]["run"] in cells(shown)
    assert all(f"Caution: {c}" in shown for c in found.cautions)
    assert list(found.frames()) == ["percent"]
    assert "mean_percent" in found.frames()["percent"]


def test_a_refusal_in_a_notebook_says_why(shop: Book) -> None:
    found = shop.answer(part="PN-6002", characteristic="throat", cycle="AG-720")
    assert found.refused and found.refused in found._repr_html_().replace("\u00a0", " ")


def test_text_from_the_book_stays_text_in_a_notebook(shop: Book) -> None:
    found = shop.moved(part="PN-1001", by="setup")
    found.table.loc[0, "setup"] = "<script>alert(1)</script>\x1b"
    found.remarks.append(remark("plants_behind", plants=[], left_out=["<b>bold</b>"]))
    shown = found._repr_html_().replace("\u00a0", " ")
    assert "<script>" not in shown and "<b>" not in shown and "\x1b" not in shown
    assert "&lt;script&gt;alert(1)&lt;/script&gt;\\x1b" in shown
    assert "&lt;i&gt;" in shop.sql("SELECT '<i>' AS x")._repr_html_().replace("\u00a0", " ")


def test_frames_carry_units_in_their_columns(shop: Book) -> None:
    """No two units share a column, and the figures are those of the frame."""
    found = shop.moved(part="PN-1001", by="setup")
    frames = found.frames()
    assert set(frames) == {"percent", "um_per_100mm"}
    sizes = frames["um_per_100mm"]
    assert {"median_um_per_100mm", "mean_low_um_per_100mm", "runs"} <= set(sizes) and "unit" not in sizes
    whole = found.frame()
    expected = whole.loc[whole["unit"] == "um per 100 mm", "median"]
    assert list(sizes["median_um_per_100mm"]) == list(expected)
    effects = shop.effect(kind="outside diameter", process="stress relief").frames()
    rates = effects["um_per_100mm_per_c_per_h"]
    assert {"effect_um_per_100mm_per_c_per_h", "range_low_c_per_h"} <= set(rates)
    assert "effect_um_per_100mm" in effects["um_per_100mm"]


@pytest.mark.parametrize(
    ("unit", "name"), [("um", "um"), ("% of x", "percent_of_x"), ("", ""), (float("nan"), ""), ("HRC", "HRC")]
)
def test_a_unit_as_part_of_a_name(unit: object, name: str) -> None:
    assert unit_name(unit) == name


def test_charts_of_results_are_altair_charts(shop: Book) -> None:
    chart = shop.moved(kind="outside diameter", process="anneal", by="setup").chart()
    assert chart.to_dict()["$schema"].endswith(".json")
    with pytest.raises(LoadbookError, match="no chart of Answer"):
        shop.answer(part="PN-6002", characteristic="throat", cycle="AG-720").chart()


def test_a_judged_run_and_a_back_test(shop: Book) -> None:
    judged = shop.judge("R25-086")
    shown = judged._repr_html_().replace("\u00a0", " ")
    assert "CYCLE BROKEN: 1 of 18 clauses" in shown and "soak 4" in cells(shown)
    us = replace(judged, units="us")._repr_html_().replace("\u00a0", " ")
    assert "°C" not in us and "cool 5 rate, above 392.0 °F" in cells(us) and "109.3 °F/h" in cells(us)
    back = shop.backtest(kind="flatness", process="anneal")
    assert {"known parts", "90 %"} <= set(cells(back._repr_html_().replace("\u00a0", " ")))
    assert back.chart().to_dict()["concat"]


def test_faults_are_counted_alike_wherever_they_are(shop: Book) -> None:
    """Those that are reported only, more than half of them, were counted as suspected in runs and reports."""
    told = shop.sql("SELECT run, count(*) AS n FROM faults WHERE verdict IN ('certain', 'suspected') GROUP BY run")
    runs = shop.sql("SELECT run, faults AS n FROM runs WHERE faults > 0")
    expected = dict(told.rows())
    assert dict(runs.rows()) == expected
    assert int(shop.report("month_summary").frame()["suspected_faults"].sum()) == sum(expected.values())
    drifting = {run for (run,) in shop.sql("SELECT run FROM faults WHERE verdict = 'reported'").rows()} - set(expected)
    assert "drifting" not in " ".join(shop.report("failing_thermocouples", least="1").frame()["faults"])
    assert drifting and shop.judge(min(drifting)).summary()["faults"] == 0


def test_what_the_program_worked_out_is_listed_without_tails(shop: Book, demo_book: Path) -> None:
    """For people five digits, where they list findings of a run too; for a program every one."""
    with BookFolder(demo_book) as book:
        kind = listed("run")
        row = find_row(book.read(), kind, "R25-086")
        people, whole = (
            {r[1]: r[4] for s in record_sections(book, kind, row, whole) if s.name == "finding" for r in s.rows}
            for whole in (False, True)
        )
    assert (people["heat 1 rate"], people["hold 4 upper edge"]) == (70.079, 601.6)
    assert whole["heat 1 rate"] == pytest.approx(70.07881773, abs=1e-8)


@pytest.mark.thorough
def test_a_book_is_asked_from_many_threads_at_once(shop: Book) -> None:
    expected = {
        "moved": shop.moved(part="PN-1001").frame().to_json(),
        "judge": shop.judge("R26-135").verdict,
        "sql": shop.sql("SELECT count(*) FROM run").frame().to_json(),
    }

    def ask(number: int) -> tuple[str, object]:
        what = list(expected)[number % 3]
        if what == "moved":
            return what, shop.moved(part="PN-1001").frame().to_json()
        if what == "judge":
            return what, shop.judge("R26-135").verdict
        return what, shop.sql("SELECT count(*) FROM run").frame().to_json()

    with ThreadPoolExecutor(8) as pool:
        for what, found in pool.map(ask, range(24)):
            assert found == expected[what]


def test_a_thread_that_ended_leaves_no_open_file(demo_book: Path) -> None:
    with Book(demo_book) as book:
        for _ in range(30):
            thread = Thread(target=lambda: book.folder.setting("units"))
            thread.start()
            thread.join()
        assert len(book.folder._conns) <= 2


@pytest.mark.parametrize(
    ("call", "said"),
    [
        (lambda b: b.moved(part=5), "part is 5, of type int"),
        (lambda b: b.moved(by=3), "by is 3, of type int"),
        (lambda b: b.moved(by=["setup", 3]), "by is"),
        (lambda b: b.moved(prat="PN-1001"), "there is no keyword 'prat' here"),
        (lambda b: b.moved(confidence="high"), "confidence is 'high'"),
        (lambda b: b.moved(confidence=True), "confidence is True"),
        (lambda b: b.effect(7), "characteristic is 7"),
        (lambda b: b.effect(of=1.5), "of is 1.5"),
        (lambda b: b.answer(part="PN-1001", settings=[1]), "settings is"),
        (lambda b: b.answer(part="PN-1001", settings={"heating_rate_peak_c_per_h": "80"}), "settings is"),
        (lambda b: b.answer(parts="PN-1001"), "there is no keyword 'parts' here"),
        (lambda b: b.backtest(contents=[0.9, "x"]), "contents is"),
        (lambda b: b.judge(None), "run is None"),
        (lambda b: b.sql(b"SELECT 1"), "text is"),
        (lambda b: b.report(None), "name is None"),
        (lambda b: b.report("past_due", on=3), "on is 3"),
        (lambda b: b.moved(stage="later"), "stage is 'later'"),
        (lambda b: b.answer(kind="length", size_mm=float("nan")), "size_mm is nan"),
        (lambda b: b.answer(part="PN-1001", settings={"hold_mean_c": float("inf")}), "settings is"),
        (lambda b: b.answer(part="PN-1001", settings={"hold_mean_c": -1000.0}), "above absolute zero, not -1000"),
        (lambda _: Group(None), "a group's target is a text or a path"),  # type: ignore[arg-type]
        (lambda _: Group("x\0y"), "a group's target is a text or a path"),
        (lambda _: Group("g", without=3), "without is 3"),
        (lambda _: Group("g", plant=["a"]), "plant is ['a']"),
        (lambda _: Group("g", nosuch=1), "there is no keyword 'nosuch' here"),
        (lambda _: Book(None), "a book's folder is a text or a path"),  # type: ignore[arg-type]
    ],
)
def test_a_wrong_type_is_a_usage_error(shop: Book, call: Callable[[Book], object], said: str) -> None:
    with pytest.raises(UsageError, match=re.escape(said)):
        call(shop)


def test_since_and_until_may_be_days(shop: Book) -> None:
    assert shop.moved(since=date(2026, 1, 1)).rows() == shop.moved(since="2026-01-01").rows()
