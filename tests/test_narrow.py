"""Rows that a filtered question leaves in the book change nothing of what it finds."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from loadbook.core.errors import NotFoundError
from loadbook.queries import history as answerdata
from loadbook.queries import movement_data, row_filter
from loadbook.queries.filters import Filters
from loadbook.store import session
from loadbook.store.book import BookFolder

from .smallbook import put, reading, run, small

CASES = (
    Filters(part="00123"), Filters(part="other"), Filters(kind="Outside Diameter"), Filters(furnace="F1"),
    Filters(cycle="SR", since="2026-03-03"), Filters(until="2026-03-02"), Filters(since="2026-03-02T08:00:00Z"),
    Filters(until="2026-03-02T08:00:00Z"), Filters(setup="laid", part="00123", kind="flatness,outside diameter"),
)  # fmt: skip


@pytest.fixture
def book(tmp_path: Path) -> BookFolder:
    """Two runs of one piece, so that each lies between the readings of the other; a start in mid-second."""
    made = small(tmp_path / "book")
    for number in (1, 2, 3):
        run(made, f"R{number}", number)
    put(made, "run", {"run": "R4", "furnace": "F2", "started": "2026-03-02T08:00:00.500000Z", "status": "done"})
    put(made, "piece", {"run": "R4", "part": "00123", "serial": "9", "quantity": 1})
    put(
        made, "reading",
        reading("R1", "before", 100.0, "03-01T07"), reading("R1", "after", 100.1, "03-02T20"),
        reading("R2", "before", 100.1, "03-02T07"), reading("R2", "after", 100.2, "03-02T20"),
        reading("R3", "before", 100.1, "03-03T07"), reading("R3", "after", 100.3, "03-03T20"),
        reading("R3", "before", 0.01, "03-03T07", characteristic="flat"),
        reading("R3", "after", 0.02, "03-03T20", characteristic="flat"),
        reading("R4", "before", 100.0, "03-02T07", serial="9"), reading("R4", "after", 100.4, "03-02T20", serial="9"),
    )  # fmt: skip
    return made


@pytest.mark.parametrize("filters", CASES, ids=lambda f: str(f.given()))
def test_what_is_left_out_changes_nothing(book: BookFolder, filters: Filters, monkeypatch: pytest.MonkeyPatch) -> None:
    def asked() -> tuple[pd.DataFrame, pd.DataFrame, int]:
        history = answerdata.load(book, filters, "outside diameter").movement
        try:
            found = movement_data.load(book, filters)
        except NotFoundError:
            return pd.DataFrame(), history, 0
        rows = found.frame.sort_values(["run", "serial", "characteristic"]).reset_index(drop=True)
        return rows, history, found.unmeasured

    few = asked()
    for module in (movement_data, answerdata):
        monkeypatch.setattr(module, "rows_needed", lambda *_: {})
    all_of_it = asked()
    pd.testing.assert_frame_equal(few[0], all_of_it[0])
    pd.testing.assert_frame_equal(few[1], all_of_it[1])
    assert few[2] == all_of_it[2]


def test_fewer_rows_are_copied(book: BookFolder) -> None:
    with session.prepare(book, {"movement"}) as made:
        made.load([("SELECT run FROM movement", None)], row_filter.rows_needed(Filters(until="2026-03-02")))
        counts = {t: made.connection.execute(f"SELECT count(*) FROM {t}").fetchall()[0][0] for t in ("reading", "run")}
        assert counts == {"reading": 6, "run": 4}
        with pytest.raises(AssertionError, match="not loaded for"):
            made.rows("SELECT inspector FROM reading")


@pytest.mark.parametrize("name", ["R1", "R2", "R3", "R4"])
def test_what_moved_in_one_run_needs_only_its_pieces(book: BookFolder, name: str) -> None:
    query = "SELECT * FROM movement WHERE run = ? ORDER BY serial, characteristic"
    with session.prepare(book, {"movement"}) as few, session.prepare(book, {"movement"}) as whole:
        few.load([(query, [name])], row_filter.of_run(name))
        whole.load([(query, [name])])
        pd.testing.assert_frame_equal(few.frame(query, [name]), whole.frame(query, [name]))
