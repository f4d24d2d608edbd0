"""Several people at one book, a lock held long, a network folder. The longer form: python -m tests.trials.people."""

from __future__ import annotations

import platform
import sqlite3
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from loadbook.core.errors import BusyError
from loadbook.readers.recorder.take import take_trace
from loadbook.store import disk, holder, trace_files
from loadbook.store.book import BookFolder
from loadbook.store.records import amend
from loadbook.store.verify import verify

from . import crashbook, smallbook

ROOT = Path(__file__).resolve().parent.parent
Run = Callable[..., subprocess.CompletedProcess[str]]


def trial(*words: str) -> str:
    """The trial in a process of its own, because it forks; what it prints."""
    done = subprocess.run(
        [sys.executable, "-m", "tests.trials.people", *words], cwd=ROOT, capture_output=True, text=True, timeout=1200
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


@pytest.mark.thorough
@pytest.mark.parametrize("where", [(), ("--network",)], ids=["local", "network"])
def test_four_people_at_once(where: tuple[str, ...]) -> None:
    assert "24 actions" in trial("--people", "4", "--actions", "6", *where)


@pytest.mark.long
@pytest.mark.parametrize("where", [(), ("--network",)], ids=["local", "network"])
def test_eight_people_at_once(where: tuple[str, ...]) -> None:
    assert "400 actions" in trial("--people", "8", "--actions", "50", *where)


def test_a_long_hold_says_who_and_since_when(book: BookFolder, process: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("LOADBOOK_WHO", "Anna")
    with book.write():
        done = process("add", "furnaces", "furnace=F9", "atmosphere=air", cwd=book.path, LOADBOOK_WAIT="0.2")
        asked = process("list", "furnaces", cwd=book.path, LOADBOOK_WAIT="0.2")
    assert done.returncode == 4
    assert f"held by Anna on {platform.node()}" in done.stderr
    assert "since 20" in done.stderr and "locked" not in done.stderr
    assert asked.returncode == 0 and "F1" in asked.stdout, "asking does not wait for one who writes"
    assert not list(book.path.glob(f"*{holder.SUFFIX}"))


def test_what_a_killed_holder_left_is_not_believed(book: BookFolder) -> None:
    ended = subprocess.Popen([sys.executable, "-c", ""])
    ended.wait()
    record = book.file.with_name(book.file.name + holder.SUFFIX)
    record.write_text(
        f'{{"who": "Ben", "machine": "{platform.node()}", "process": {ended.pid}, "command": "", "since": ""}}'
    )
    assert "Ben" not in holder.words(book.file)
    record.write_text("no record at all")
    assert "Ben" not in holder.words(book.file)
    with book.write():
        pass
    assert not record.exists()


MOUNTS = """\
/dev/sda1 / ext4 rw 0 0
server:/shop /mnt/shop nfs4 rw 0 0
//server/records /mnt/the\\040records cifs rw 0 0
/dev/sdb1 /mnt/shop/local ext4 rw 0 0
remote: /home/anna/away fuse.sshfs rw 0 0
/dev/sdc1 /media/stick fuseblk rw 0 0
//server/küche /mnt/küche cifs rw 0 0
tmpfs /mnt/hidden tmpfs rw 0 0
server:/over /mnt/hidden nfs rw 0 0
"""


def test_what_the_system_does_not_tell_can_be_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("LOADBOOK_NETWORK", "yes")
    with smallbook.small(tmp_path / "book") as book:
        assert book.read().execute("PRAGMA journal_mode").fetchone()[0] == "delete"


@pytest.mark.parametrize(
    ("folder", "network"),
    [
        ("/home/anna/book", False), ("/mnt/shop", True), ("/mnt/shop/book", True), ("/mnt/shopping/book", False),
        ("/mnt/the records/book", True), ("/mnt/shop/local/book", False), ("/home/anna/away/book", True),
        ("/media/stick/book", False), ("/mnt/küche/book", True), ("/mnt/hidden/book", True),
    ],
)  # fmt: skip
def test_a_network_folder_is_known_by_its_mount(folder: str, network: bool) -> None:
    assert disk.network_type(disk.mount_type(MOUNTS, folder)) is network


def test_a_book_that_came_to_a_network_folder_leaves_wal_without_shared_memory(
    book: BookFolder, monkeypatch: pytest.MonkeyPatch
) -> None:
    book.close()
    assert book.file.read_bytes()[18:20] == b"\2\2"
    monkeypatch.setattr(disk, "on_network", lambda folder: True)
    away = BookFolder.open(book.path)
    assert not list(book.path.glob("*-shm"))
    assert away.read().execute("PRAGMA journal_mode").fetchone()[0] == "delete"
    with away.write() as conn:
        conn.execute("INSERT INTO setting (name, value) VALUES ('x', 'y')")
        assert not list(book.path.glob("*-wal"))
    other = BookFolder.open(book.path)  # the first one holds nothing
    assert other.setting("x") == "y"
    other.close()
    away.close()
    monkeypatch.undo()
    back = BookFolder.open(book.path)
    assert back.read().execute("PRAGMA journal_mode").fetchone()[0] == "wal"


def test_a_wal_book_on_a_network_folder_that_another_has_open_is_busy(
    book: BookFolder, monkeypatch: pytest.MonkeyPatch
) -> None:
    reader = sqlite3.connect(book.file)
    reader.execute("SELECT count(*) FROM run").fetchone()
    monkeypatch.setenv("LOADBOOK_WAIT", "0.1")
    monkeypatch.setattr(disk, "on_network", lambda folder: True)
    with pytest.raises(BusyError, match="another program holds the book"):
        BookFolder.open(book.path)
    reader.close()


def test_opening_and_closing_beside_a_writer_drops_no_lock(book: BookFolder) -> None:
    """A handle of the file that is closed would drop this process's locks: nothing but SQLite may open it."""
    with book.write() as conn:
        conn.execute("INSERT INTO setting (name, value) VALUES ('x', 'y')")
        with BookFolder.open(book.path) as other:
            verify(other)
        code = (
            "import sqlite3, sys\n"
            "conn = sqlite3.connect(sys.argv[1], timeout=0.1, isolation_level=None)\n"
            "try:\n"
            "    conn.execute('BEGIN IMMEDIATE')\n"
            "except sqlite3.OperationalError:\n"
            "    sys.exit(9)\n"
        )
        assert subprocess.run([sys.executable, "-c", code, str(book.file)]).returncode == 9
    assert book.setting("x") == "y"


def test_a_run_that_is_changed_while_its_trace_is_read_is_judged_anew(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    book = smallbook.small(tmp_path / "book")
    smallbook.run(book, "R4", 4)
    crashbook.chart(tmp_path / "chart.csv", 4)
    plain, calls = trace_files.prepare, []

    def prepare(*args: Any) -> trace_files.Prepared:
        calls.append(1)
        if len(calls) == 1:
            with BookFolder.open(book.path) as other, other.write() as conn:
                amend(conn, "run", "R4", 1, {"setup": "stood"}, "seen on the photograph")
        return plain(*args)

    monkeypatch.setattr(trace_files, "prepare", prepare)
    assert not take_trace(book, tmp_path / "chart.csv", "R4").already
    assert len(calls) == 2
    said = verify(book)
    assert (said.wrong, said.leftover) == ([], [])


def test_two_who_take_the_same_trace_in_put_it_there_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    book = smallbook.small(tmp_path / "book")
    smallbook.run(book, "R4", 4)
    crashbook.chart(tmp_path / "chart.csv", 4)
    plain = trace_files.prepare

    def prepare(*args: Any) -> trace_files.Prepared:
        monkeypatch.setattr(trace_files, "prepare", plain)
        with BookFolder.open(book.path) as other:
            take_trace(other, tmp_path / "chart.csv", "R4")
        return plain(*args)

    monkeypatch.setattr(trace_files, "prepare", prepare)
    assert take_trace(book, tmp_path / "chart.csv", "R4").already
    assert book.read().execute("SELECT count(*) FROM trace").fetchone()[0] == 1
    said = verify(book)
    assert (said.wrong, said.leftover, said.traces) == ([], [], 1)
