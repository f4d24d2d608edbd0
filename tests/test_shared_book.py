"""A book that a shop's group writes: modes whatever the umask, and what verify says of one that anyone may write."""

from __future__ import annotations

import os
import stat
from collections.abc import Iterator
from pathlib import Path

import pytest

from loadbook.store import session
from loadbook.store.book import BookFolder
from loadbook.store.verify import verify

from .smallbook import put, run, trace
from .test_kept_links import run as command

pytestmark = pytest.mark.skipif(os.name == "nt", reason="Windows keeps no such modes")


@pytest.fixture(autouse=True)
def _mask() -> Iterator[None]:
    before = os.umask(0o022)
    yield
    os.umask(before)


def mode(path: Path) -> int:
    return stat.S_IMODE(path.stat().st_mode)


def fill(book: BookFolder) -> None:
    put(book, "material", {"material": "steel", "family": "other"})
    put(book, "furnace", {"furnace": "F1", "atmosphere": "air"})
    put(
        book,
        "cycle",
        {
            "cycle": "SR",
            "revision": "A",
            "title": "x",
            "process": "stress relief",
            "atmosphere": "air",
            "source_text": "",
        },
    )
    put(book, "part", {"part": "00123", "material": "steel", "shape": "ring"})
    run(book, "R1", 1)
    trace(book, "R1", "t-1")
    session.start(book, {"samples", "runs"})


def test_all_of_a_group_s_book_is_the_group_s(tmp_path: Path) -> None:
    assert command("new", str(tmp_path / "book"), "--group-writable") == 0
    with BookFolder.open(tmp_path / "book") as book:
        fill(book)
        found = [book.path, *book.path.rglob("*")]
        assert {"book.sqlite", "traces", "2026", "t-1.parquet", "traces.json"} <= {p.name for p in found}
        for path in found:
            wanted = 0o2775 if path.is_dir() else 0o664
            assert mode(path) == wanted, (path.name, oct(mode(path)))
        assert not [x for x in verify(book).noted if "anyone" in x]


def test_a_book_of_one_s_own_stays_so(tmp_path: Path) -> None:
    assert command("new", str(tmp_path / "book")) == 0
    with BookFolder.open(tmp_path / "book") as book:
        fill(book)
        assert all(not mode(p) & 0o022 for p in book.path.rglob("*"))


@pytest.mark.parametrize("which", [".", "book.sqlite", "traces", "traces/2026"])
def test_verify_names_a_book_that_anyone_may_write(which: str, tmp_path: Path) -> None:
    with BookFolder.create(tmp_path / "book") as book:
        fill(book)
        path = book.path / which
        path.chmod(mode(path) | 0o002)
        (said,) = [x for x in verify(book).noted if "anyone" in x]
        assert str(path) in said and "chmod" in said


def test_a_reader_asks_everything(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with BookFolder.create(tmp_path / "book") as book:
        fill(book)
    monkeypatch.setattr(os, "access", lambda *_: False)
    where = str(tmp_path / "book")
    assert command("list", "runs", "--where", "run = 'R1'", "--book", where) == 0
    assert command("sql", "SELECT count(*) FROM samples", "--book", where) == 0
    assert command("verify", "--book", where) == 0
