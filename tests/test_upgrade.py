"""A book of every schema that was released upgrades, with a backup first, and is whole afterwards."""

from __future__ import annotations

import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest

from loadbook.keep import migrate
from loadbook.keep.backup import restore
from loadbook.keep.book import BookFolder
from loadbook.keep.verify import verify

FOLDER = Path(__file__).resolve().parent.parent / "fixtures" / "books"
OLD = sorted(FOLDER.glob("schema-*.zip"))
Run = Callable[..., subprocess.CompletedProcess[str]]


def test_the_newest_schema_is_kept() -> None:
    assert OLD[-1].stem == f"schema-{migrate.newest():04d}", "python -m tests.make_old_book keeps it"


@pytest.mark.parametrize("kept", OLD, ids=[p.stem for p in OLD])
def test_an_old_book_upgrades(kept: Path, tmp_path: Path, loadbook: Run) -> None:
    with restore(kept, tmp_path / "book") as old:
        before = [tuple(r) for r in old.read().execute("SELECT part, shape FROM part")]
    done = loadbook("upgrade", "--book", "book")
    assert done.returncode == 0, done.stderr
    with BookFolder.open(tmp_path / "book") as book:
        assert migrate.version(book.read()) == migrate.newest()
        assert (
            [tuple(r) for r in book.read().execute("SELECT part, shape FROM part")] == before == [("00123", "sleeve")]
        )
        assert verify(book).wrong == []


def test_an_older_book_is_not_opened_but_says_how(tmp_path: Path, loadbook: Run) -> None:
    """A book stopped at the first step: refused with the mend, upgraded with a backup beside it."""
    import sqlite3

    folder = tmp_path / "book"
    (folder / "traces").mkdir(parents=True)
    conn = sqlite3.connect(folder / "book.sqlite", isolation_level=None)
    conn.execute(f"PRAGMA application_id = {migrate.APPLICATION_ID}")
    migrate.apply(conn, upto=1)
    conn.close()
    refused = loadbook("list", "--book", "book")
    assert refused.returncode == 1
    assert "Run: loadbook upgrade" in refused.stderr
    done = loadbook("upgrade", "--book", "book")
    assert done.returncode == 0, done.stderr
    assert "applied step 2: guards" in done.stdout
    assert len(list(tmp_path.glob("book-schema1-*.zip"))) == 1
    assert loadbook("list", "--book", "book").returncode == 0
