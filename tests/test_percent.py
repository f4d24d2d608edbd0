"""One true per cent everywhere a person, a chart or JSON reads; the log scale never leaves the program."""

from __future__ import annotations

import ast
import json
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

import loadbook
from loadbook.analysis.movement import percent
from loadbook.core.figures import share_range, share_words
from loadbook.queries.answer import answer
from loadbook.queries.charts.effect import effect_picture
from loadbook.queries.charts.frame import PIECE
from loadbook.queries.charts.moved import moved_picture
from loadbook.queries.effect import effect
from loadbook.queries.enquiry import Question
from loadbook.queries.filters import Filters
from loadbook.queries.moved import moved
from loadbook.store.book import BookFolder
from tests.answerbook import fill
from tests.shops import RATE, Shop


@pytest.fixture(scope="module")
def history() -> pd.DataFrame:
    return Shop("form", 60, 10, seed=3).history()


@pytest.fixture(scope="module")
def form_book(tmp_path_factory: pytest.TempPathFactory, history: pd.DataFrame) -> BookFolder:
    return fill(tmp_path_factory.mktemp("percent") / "book", history, gauge_mm=0.0005, scale="log")


def ratios(history: pd.DataFrame) -> pd.Series:
    """True per cent of the reading before, piece by piece, as the readings have it."""
    before, after = (np.round(history[f"{n}_um"] / 1000.0, 7) for n in ("before", "after"))
    return 100.0 * (after / before - 1.0)


def test_moved_answer_and_charts_tell_the_same_piece_alike(form_book: BookFolder, history: pd.DataFrame) -> None:
    """The largest movement of the book is the same figure in `moved`, its chart, `effect`'s chart and `answer`."""
    true = ratios(history)
    worst = float(true.max())
    found = moved(form_book)
    assert found.table["unit"].tolist() == ["percent"]
    assert found.table["worst"][0] == pytest.approx(worst, rel=1e-6)
    assert found.table["median"][0] == pytest.approx(float(true.median()), rel=1e-6)
    drawn = moved_picture(found).rows
    assert drawn[drawn["what"] == PIECE]["y"].max() == pytest.approx(worst, rel=1e-6)
    of = effect_picture(effect(form_book, "flatness", of=RATE, asked=True)).rows
    assert of[of["what"] == PIECE]["y"].max() == pytest.approx(worst, rel=1e-6)
    run, part = history.loc[true.idxmax(), ["run", "part"]]
    own = moved(form_book, Filters(part=str(part)), by="run").table.set_index("run").loc[run]
    asked = answer(form_book, Question(part=str(part)))
    near = {c["run"]: c for c in asked.comparables}
    if run in near:
        assert near[run]["high"] == pytest.approx(own["worst"], rel=1e-6)
    assert asked.own is not None and asked.own["high"] == pytest.approx(worst, rel=1e-6)


def test_an_effect_is_a_true_per_cent_on_top_of_another(tmp_path: Path) -> None:
    """Readings that grow by 2 % for each °C/h, one on top of the other: 2 % is told for one."""
    history = Shop("form", 30, 4, seed=5).history()
    noise = np.random.default_rng(1).normal(0.0, 0.05, len(history))
    history["after_um"] = history["before_um"] * 1.02 ** (history[RATE] - 110.0) * np.exp(noise / 100.0)
    book = fill(tmp_path / "b", history, gauge_mm=0.0, scale="log")
    row = effect(book, "flatness", of=RATE, asked=True).rows()[0]
    assert row["effect_unit"] == "percent" and row["effect"] == pytest.approx(2.0, abs=0.01)
    for system, unit, size in (("si", "°C/h", 1.0), ("us", "°F/h", 1.8)):
        said = effect(book, "flatness", of=RATE, asked=True, system=system).rows()[0]["verdict"]
        step = re.search(rf"for (\d+) {unit} more", said)
        assert step is not None and float(re.search(r"\+(\S+) %", said)[1]) == pytest.approx(  # type: ignore[index]
            percent.over(2.0, int(step[1]) / size), rel=2e-3
        )


def test_the_log_scale_is_in_no_output(form_book: BookFolder, inside: Callable[..., Any]) -> None:
    book = ("--book", str(form_book.path))
    for words in (("moved",), ("effect", "flatness", "--asked"), ("answer", "--part", "PN-000")):
        for fmt in ("json", "csv"):
            text = inside(*words, "--format", fmt, *book).stdout
            assert '"log"' not in text and ",log," not in text, words
    rows = json.loads(inside("moved", "--format", "json", *book).stdout)
    assert all(r["low"] > -100.0 for r in rows)


def test_a_share_is_written_in_one_way() -> None:
    """With a blank before the sign, by one helper: no code of the program formats a share by itself."""
    wrong = []
    for path in sorted(Path(loadbook.__file__).parent.rglob("*.py")):
        text = path.read_text(encoding="utf-8")
        for node in ast.walk(ast.parse(text)) if "%}" in text else ():
            spec = node.format_spec if isinstance(node, ast.FormattedValue) else None
            last = spec.values[-1] if isinstance(spec, ast.JoinedStr) and spec.values else None
            if isinstance(last, ast.Constant) and str(last.value).endswith("%") and "strftime" not in text:
                wrong.append(f"{path.name}:{node.lineno}")
    assert not wrong, wrong
    assert share_words(0.9) == "90 %" and share_range(0.94, 0.85, 1.0) == "94 % (85 to 100 %)"
    assert share_words(0.9994) == "99.9 %" and share_words(1.0) == "100 %" and share_words(-0.001) == "0 %"
