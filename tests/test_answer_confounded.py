"""Planted histories whose treatments go with something else: nothing false is said, what cannot be told is named."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from loadbook.analysis.answers.cells import Asked
from loadbook.analysis.answers.estimate import History, Reply
from loadbook.analysis.answers.need import need
from loadbook.queries.answer import answer
from loadbook.queries.answer_compare import compare
from loadbook.queries.enquiry import Question
from loadbook.queries.source import BookSource
from loadbook.store.book import BookFolder
from loadbook.store.records import add_intake
from tests.answerbook import ORDER, tables
from tests.shops import SETTINGS


def planted(setup: bool = False, furnace_um: float = 0.0, runs: int = 24, seed: int = 5) -> pd.DataFrame:
    """Four part numbers, 5 pieces a run; setup: the stout two hung (+15 µm), the others laid; furnaces change with the
    rate inside every part number."""
    rng = np.random.default_rng(seed)
    own, rows = rng.normal(-20.0, 12.0, 4), []
    for r in range(runs):
        p, second = r % 4, bool(r // 4 % 2)
        hung = setup and p >= 2
        rate = (150.0 if second else 90.0) + rng.normal() * 6.0
        mean = own[p] + 15.0 * hung + furnace_um * second + rng.normal() * 4.0
        for k in range(5):
            rows.append(
                (f"R{r:03d}", f"PN-{p:02d}", "od", f"{r}-{k}", mean + rng.normal() * 4.0, 12.0 * r, "42CrMo4", "ring",
                 "from bar", "hung" if hung else "laid", "F2" if second else "F1", (15.0, 25.0, 40.0, 60.0)[p], 300.0,
                 "outside diameter", rate, 600.0, 120.0, 80.0)
            )  # fmt: skip
    names = ("run", "part", "characteristic", "serial", "z", "day", "material", "shape", "condition", "setup",
             "furnace", "section_mm", "length_mm", "kind", *SETTINGS)  # fmt: skip
    return pd.DataFrame(rows, columns=names)


def filled(path: Path, history: pd.DataFrame) -> BookFolder:
    rows, book = tables(history), BookFolder.create(path)
    rows["furnace"] = [{"furnace": name, "atmosphere": "air"} for name in ("F1", "F2")]
    of = history.drop_duplicates("run").set_index("run")["furnace"]
    rows["run"] = [{**r, "furnace": of[r["run"]]} for r in rows["run"]]
    with book.write() as conn:
        add_intake(conn, "test", {name: rows[name] for name in ORDER}, rows_read=1)
    return book


def test_a_setup_that_only_other_part_numbers_had_is_never_run(tmp_path: Path) -> None:
    """Before, the answer for hung was that for laid, without a word."""
    book = filled(tmp_path / "book", planted(setup=True))
    laid = answer(book, Question(part="PN-00", setup="laid"))
    hung = answer(book, Question(part="PN-00", setup="hung"))
    assert laid.reply is not None and hung.reply is not None and not laid.reply.outside and hung.reply.outside
    assert hung.text[0].split(".")[0].startswith("90 %") and "never run so" in hung.text[0]
    assert hung.bound is None and laid.bound is not None
    assert hung.high - hung.low == pytest.approx(1.5 * (laid.high - laid.low), rel=0.05)  # type: ignore[operator]
    said = "setup hung was never run with this part, and no part number changed its setup"
    assert any(said in caution for caution in hung.cautions)


def test_furnaces_that_every_part_number_changed_are_compared(tmp_path: Path) -> None:
    """Under forty runs it was said that no runs bear on it, while every part number ran in both."""
    book = filled(tmp_path / "book", planted(furnace_um=12.0))
    found = compare(BookSource(book), Question(part="PN-00"), ("furnace=F1", "furnace=F2"))
    second = found.rows()[1]
    assert second["difference"] is not None and second["difference_low"] < 12.0 < second["difference_high"]
    assert not any("no runs inside" in line for line in found.text)


def test_more_part_numbers_never_widen_an_answer() -> None:
    """The spread of few part numbers and the model's own were mixed: 42 µm now, 54 µm after four more."""
    history = History(planted())
    asked = Asked(material="42CrMo4", shape="ring", condition="from bar")
    reply = history.ask(asked)
    assert isinstance(reply, Reply)
    widths = [width for _, width in need(history, asked, reply).part_numbers]
    assert max(widths) <= 1.001 * (reply.high - reply.low) and widths == sorted(widths, reverse=True)
