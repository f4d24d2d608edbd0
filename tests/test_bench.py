"""The bench runs and its table is sane; nothing here depends on how long anything takes."""

from __future__ import annotations

from pathlib import Path
from xml.etree import ElementTree

import pytest

from loadbook.store.book import BookFolder
from loadbook.store.verify import verify

from .bench.__main__ import measured, table
from .bench.growth import drawn
from .bench.rows import ROWS

# rows that start many cold processes are left to the long form
QUICK = ("help", "list", "take-readings", "trace-take", "recompute", "sql", "verify")


@pytest.mark.parametrize(
    "rows",
    [pytest.param(QUICK, marks=pytest.mark.thorough), pytest.param(tuple(ROWS), marks=pytest.mark.long)],
    ids=["quick", "every row"],
)
def test_the_bench_runs_and_prints_a_sane_table(tmp_path: Path, rows: tuple[str, ...]) -> None:
    lines = measured(tmp_path, 20, rows, 1, samples=400)
    told = [line.what for line, _ in lines]
    assert len(told) == len(set(told)) and len(told) >= len(rows)
    for line, before in lines:
        assert before is None and line.ours.wall > 0
        assert line.bare is None or (line.bare.wall > 0 and line.ratio is not None and line.ratio > 0)
    assert len(table(lines).splitlines()) == len(lines) + 2


def test_growth_is_drawn_with_a_line_a_question() -> None:
    figures = {name: {"1000": (1.0, 180.0), "100000": (12.0, 1135.0)} for name in ("moved", "answer")}
    picture = ElementTree.fromstring(drawn(figures))
    words = [t.text for t in picture.iter("{http://www.w3.org/2000/svg}text")]
    assert words.count("moved") == words.count("answer") == words.count("n log n") == 2


@pytest.mark.thorough
def test_the_copies_of_a_very_large_book_are_links_and_it_is_whole(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from .bench import book as made_of

    monkeypatch.setattr(made_of, "LARGE", 8)
    monkeypatch.setattr(made_of, "DISTINCT", 3)
    with made_of.made(tmp_path, 9, 60) as book:
        assert verify(book).wrong == []
        files = list((book.path / "traces").rglob("*.parquet"))
        assert len(files) == 9 and len({f.stat().st_ino for f in files}) == 3


def test_the_large_book_is_a_whole_book(tmp_path: Path) -> None:
    """Foreign keys, chain and files hold; each run has its trace, ten pieces and two readings of each."""
    from .bench.book import made

    with made(tmp_path, 12, 300) as book:
        assert verify(book).wrong == []
        count = {t: book.read().execute(f"SELECT count(*) FROM {t}").fetchone()[0] for t in ("run", "piece", "reading")}
        assert count == {"run": 12, "piece": 120, "reading": 240}
        verdicts = book.read().execute("SELECT verdict FROM finding WHERE what = 'run'").fetchall()
        assert {v[0] for v in verdicts} <= {"kept", "broken", "cannot be told"} and len(verdicts) == 12
    with made(tmp_path, 12, 300) as again, BookFolder.open(again.path) as same:
        assert same.read().execute("SELECT count(*) FROM run").fetchone()[0] == 12
