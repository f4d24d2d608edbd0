"""The book on disk: made once, found, refused where it must be, held by one writer at a time."""

from __future__ import annotations

import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from loadbook.core.errors import BusyError, DamageError, LoadbookError, NotFoundError, UsageError
from loadbook.store import disk, migrations
from loadbook.store.book import BookFolder
from loadbook.store.records import add_intake

Run = Callable[..., subprocess.CompletedProcess[str]]


def test_a_typo_never_makes_a_book(tmp_path: Path) -> None:
    with pytest.raises(NotFoundError, match="there is no book here"):
        BookFolder.open(tmp_path / "shpo")
    assert list(tmp_path.iterdir()) == []


def test_a_second_book_in_the_same_folder_is_refused(book: BookFolder) -> None:
    with pytest.raises(UsageError, match="there is a book here already"):
        BookFolder.create(book.path)


def test_the_nearest_book_above_is_found(book: BookFolder, monkeypatch: pytest.MonkeyPatch) -> None:
    below = book.path / "a" / "b"
    below.mkdir(parents=True)
    monkeypatch.chdir(below)
    assert BookFolder.find().path == book.path
    assert str(book.zone) == "Europe/Madrid"


def test_a_newer_book_is_refused(book: BookFolder, loadbook: Run) -> None:
    book.read().execute(f"PRAGMA user_version = {migrations.NEWEST + 1}")
    book.close()
    done = loadbook("list", cwd=book.path)
    assert done.returncode == 1
    assert f"the book has schema {migrations.NEWEST + 1}, this program knows {migrations.NEWEST}" in done.stderr
    assert "Install a newer loadbook" in done.stderr


def test_another_sqlite_file_is_refused(tmp_path: Path) -> None:
    sqlite3.connect(tmp_path / "book.sqlite").execute("CREATE TABLE x (y)").connection.close()
    with pytest.raises(DamageError, match="is not a loadbook book"):
        BookFolder.open(tmp_path)


def test_a_file_that_is_no_database_is_refused(tmp_path: Path) -> None:
    (tmp_path / "book.sqlite").write_bytes(b"not a database at all" * 50)
    with pytest.raises(DamageError, match="damaged"):
        BookFolder.open(tmp_path)


def test_an_error_inside_a_transaction_undoes_all_of_it(book: BookFolder) -> None:
    with pytest.raises(LoadbookError, match="a row of furnace breaks a rule"), book.write() as conn:
        add_intake(conn, "furnaces", {"furnace": [{"furnace": "F2", "atmosphere": "air"}]}, rows_read=1)
        add_intake(conn, "furnaces", {"furnace": [{"furnace": "F2", "atmosphere": "air"}]}, rows_read=1)
    assert book.read().execute("SELECT count(*) FROM furnace").fetchone()[0] == 1
    assert book.read().execute("SELECT count(*) FROM intake").fetchone()[0] == 1


HOLDER = """
import sqlite3, sys, time
conn = sqlite3.connect(sys.argv[1], isolation_level=None)
conn.execute("BEGIN IMMEDIATE")
print("held", flush=True)
time.sleep(float(sys.argv[2]))
conn.execute("COMMIT")
"""


def hold(book: BookFolder, seconds: float) -> subprocess.Popen[str]:
    holder = subprocess.Popen(
        [sys.executable, "-c", HOLDER, str(book.file), str(seconds)], stdout=subprocess.PIPE, text=True
    )
    assert holder.stdout is not None
    assert holder.stdout.readline().strip() == "held"
    return holder


def test_a_held_book_is_busy_and_says_who_holds_it(book: BookFolder, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("LOADBOOK_WAIT", "0.3")
    with hold(book, 30) as holder:
        fresh = BookFolder.open(book.path)
        try:
            with pytest.raises(BusyError, match="another program holds the book") as caught, fresh.write():
                pass
        finally:
            holder.kill()
    assert "locked" not in str(caught.value)
    if sys.platform.startswith("linux"):
        assert str(holder.pid) in str(caught.value)


def test_how_long_to_wait_is_not_guessed(book: BookFolder, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("LOADBOOK_WAIT", "0")
    BookFolder.open(book.path).close()
    monkeypatch.setenv("LOADBOOK_WAIT", "soon")
    with pytest.raises(UsageError, match="is not a limit"):
        BookFolder.open(book.path)


def test_a_busy_book_exits_with_4(book: BookFolder, process: Run) -> None:
    with hold(book, 30) as holder:
        done = process("add", "furnaces", "furnace=F9", "atmosphere=air", cwd=book.path, LOADBOOK_WAIT="0.3")
        holder.kill()
    assert done.returncode == 4
    assert "another program holds the book" in done.stderr


def test_a_short_hold_is_waited_for(book: BookFolder, process: Run) -> None:
    with hold(book, 1.0):
        done = process("add", "furnaces", "furnace=F9", "atmosphere=air", cwd=book.path)
    assert done.returncode == 0, done.stderr


WRITER = """
import sys
from pathlib import Path
from loadbook.store.book import BookFolder
from loadbook.store.records import add_intake
book = BookFolder.open(Path(sys.argv[1]))
for i in range(20):
    with book.write() as conn:
        add_intake(conn, "furnaces", {"furnace": [{"furnace": f"{sys.argv[2]}-{i}", "atmosphere": "air"}]}, rows_read=1)
"""


def test_writers_side_by_side_lose_nothing(book: BookFolder) -> None:
    # the reader below stays open all the while; closing it must not drop the writers' locks
    other = BookFolder.open(book.path)
    other.read().execute("SELECT count(*) FROM run").fetchone()
    writers = [subprocess.Popen([sys.executable, "-c", WRITER, str(book.path), name]) for name in "abc"]
    time.sleep(0.5)
    other.close()
    assert [w.wait(120) for w in writers] == [0, 0, 0]
    names = {r[0] for r in book.read().execute("SELECT furnace FROM furnace")}
    assert names == {"F1", *(f"{w}-{i}" for w in "abc" for i in range(20))}
    from loadbook.store.chain import check

    assert check(book.read()) == []


def test_wal_is_used_on_a_local_disk_only(book: BookFolder, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert book.read().execute("PRAGMA journal_mode").fetchone()[0] == "wal"
    monkeypatch.setattr(disk, "on_network", lambda folder: True)
    away = BookFolder.create(tmp_path / "share")
    assert away.read().execute("PRAGMA journal_mode").fetchone()[0] == "delete"


def test_yes_and_no_are_listed_as_words(book: BookFolder, loadbook: Run) -> None:
    with book.write() as conn:
        rows = [{"job": "J-1", "customer": "A", "confidential": 1, "export_controlled": 0}]
        add_intake(conn, "jobs", {"job": rows}, rows_read=1)
    assert loadbook("list", "jobs", cwd=book.path).stdout.split()[-4:] == ["J-1", "A", "yes", "no"]
