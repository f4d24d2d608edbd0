"""A full disk, a folder that may not be written, one that vanishes, a clock set back: clear words, the book intact."""

from __future__ import annotations

import contextlib
import os
import shutil
import sqlite3
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from loadbook.core import times, writing
from loadbook.core.errors import LoadbookError, UsageError
from loadbook.store import backup as backing
from loadbook.store.book import BookFolder
from loadbook.store.sql_errors import translate_error
from loadbook.store.verify import verify

from . import bookstate, crashbook, smallbook

Run = Callable[..., subprocess.CompletedProcess[str]]
ROOT = Path(__file__).resolve().parent.parent


@pytest.fixture
def made(tmp_path: Path) -> Path:
    """A folder with a small book of one traced run, files to take in and a backup."""
    with smallbook.small(tmp_path / "book") as book:
        smallbook.run(book, "R1", 1)
        smallbook.run(book, "R4", 4)
        smallbook.trace(book, "R1", "t1")
    crashbook.chart(tmp_path / "chart.csv", 4)
    gauges(tmp_path / "gauges.csv", 4000)
    return tmp_path


def gauges(path: Path, count: int) -> None:
    path.write_text("gauge,kind\n" + "".join(f"gauge-{n:05d},micrometer\n" for n in range(count)), encoding="utf-8")


COMMANDS = {
    "take": ("take", "gauges", "gauges.csv", "--book", "book"),
    "trace take": ("trace", "take", "chart.csv", "--run", "R4", "--book", "book"),
    "amend": ("amend", "parts", "00123", "length_mm=201", "--why", "measured", "--book", "book"),
    "recompute": ("recompute", "--book", "book"),
    "backup": ("backup", "b.zip", "--book", "book"),
}


def whole(book: Path, before: object) -> None:
    """The book is as it was, verify is clean, and no unfinished file lies about."""
    with BookFolder.open(book) as opened:
        said = verify(opened)
    assert (said.wrong, said.leftover) == ([], [])
    assert bookstate.of_book(book) == before
    assert bookstate.parts(book.parent) == []


def refused(done: subprocess.CompletedProcess[str], *words: str) -> None:
    assert done.returncode == 1, done.stdout + done.stderr
    assert any(word in done.stderr for word in words), done.stderr
    assert "Traceback" not in done.stderr and "unexpected" not in done.stderr


def limited(folder: Path, limit: str, *words: str) -> subprocess.CompletedProcess[str]:
    """A command in a process of its own that limits itself by some lines of Python."""
    lines = ("import os, sys", "from tests.forked import run_command", limit)
    code = "\n".join((*lines, "sys.exit(run_command(sys.argv[1:]))"))
    return subprocess.run(
        [sys.executable, "-c", code, *words], cwd=folder, env={**os.environ, "PYTHONPATH": str(ROOT)},
        capture_output=True, text=True, timeout=120,
    )  # fmt: skip


def test_no_file_may_grow(made: Path) -> None:
    """A limit on the size of a file stands for a full disk where none can be mounted: writes beyond it fail."""
    before = bookstate.of_book(made / "book")
    # bytes: not enough for the records of a backup, nor for the WAL of 4,000 gauges
    small = (
        "import resource, signal\n"
        "signal.signal(signal.SIGXFSZ, signal.SIG_IGN)\n"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (100_000, 100_000))"
    )
    for name in ("take", "backup"):
        refused(limited(made, small, *COMMANDS[name]), "the disk", "could not be written")
        whole(made / "book", before)
    assert not (made / "b.zip").exists()


@pytest.mark.thorough
def test_no_workbook_may_grow(made: Path) -> None:
    """In its rows, which wait in temporary files, or in the end, when they are packed."""
    names = sorted(p.name for p in made.iterdir())
    for most in (500, 3000, 8000):
        small = (
            "import resource, signal\n"
            "signal.signal(signal.SIGXFSZ, signal.SIG_IGN)\n"
            f"resource.setrlimit(resource.RLIMIT_FSIZE, ({most}, {most}))"
        )
        done = limited(made, small, "export", "2026-03", "-o", "m.xlsx", "--book", "book")
        refused(done, "the workbook cannot be written (File too large)")
        assert "Exception" not in done.stderr
        assert sorted(p.name for p in made.iterdir()) == names


@contextlib.contextmanager
def small_disk(folder: Path, size: str) -> Iterator[Path]:
    """A disk of a given size, mounted for a moment; only where the test may mount."""
    folder.mkdir()
    subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={size},nr_inodes=200", "tmpfs", str(folder)], check=True)
    try:
        yield folder
    finally:
        subprocess.run(["umount", "-l", str(folder)], check=True)


def may_mount() -> bool:
    """Only root may, and not in every container: tried once on a folder of its own."""
    if os.geteuid() != 0 or shutil.which("mount") is None:
        return False
    import tempfile

    with tempfile.TemporaryDirectory() as folder:
        point = Path(folder) / "m"
        try:
            with small_disk(point, "64k"):
                return True
        except (subprocess.CalledProcessError, OSError):
            return False


def fill(folder: Path, leave: int = 0) -> Path:
    """Fill a small disk to its last byte, or but for some bytes; never the machine's own."""
    assert folder.is_mount() and shutil.disk_usage(folder).total < 1 << 24
    stop = folder / "filler"
    with stop.open("wb", buffering=0) as file, contextlib.suppress(OSError):
        while True:
            file.write(b"\0" * 4096)
    if leave:
        os.truncate(stop, max(0, stop.stat().st_size - leave))
    return stop


@pytest.mark.parametrize("leave", [0, 40_000, 120_000])
def test_a_full_disk(made: Path, inside: Run, monkeypatch: pytest.MonkeyPatch, leave: int) -> None:
    """On a small disk where one can be mounted; elsewhere every flush says that there is no room."""
    if may_mount():
        with small_disk(made / "disk", "4m") as place:
            shutil.copytree(made / "book", place / "book")
            for name in ("gauges.csv", "chart.csv"):
                shutil.copy(made / name, place / name)
            before = bookstate.of_book(place / "book")
            filler = fill(place, leave)
            done = {name: inside(*words, cwd=place) for name, words in COMMANDS.items()}
            asked = inside("list", "gauges", "--book", "book", "--format", "csv", cwd=place)
            assert asked.returncode == 0 and "G1" in asked.stdout, asked.stderr
            filler.unlink()
            failed = [name for name, one in done.items() if one.returncode]
            assert {"take", "backup"} <= set(failed)
            for name in failed:
                refused(done[name], "the disk is full", "No space left", "database or disk is full", "has room")
            with BookFolder.open(place / "book") as book:
                said = verify(book)
            assert (said.wrong, bookstate.parts(place)) == ([], [])
            # a commit that failed may have reached the disk, so a trace's file that was in its place stays there
            assert len(said.leftover) <= ("trace take" in failed)
            if len(failed) == len(done):
                now = bookstate.of_book(place / "book")
                assert now and before and {**now, "files": 0} == {**before, "files": 0}
            again = [inside(*COMMANDS[name], cwd=place).returncode for name in failed]
            assert set(again) == {0}, "with room again it works"
            with BookFolder.open(place / "book") as book:
                said = verify(book)
            assert (said.wrong, said.leftover) == ([], [])
        return
    before = bookstate.of_book(made / "book")

    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    for name in ("trace take", "backup"):
        with monkeypatch.context() as changed:
            changed.setattr(os, "fsync", full)
            refused(inside(*COMMANDS[name]), "No space left")
        whole(made / "book", before)


@contextlib.contextmanager
def unwritable(folder: Path) -> Iterator[None]:
    """A folder that may not be written: by its bits, or, for root whom they do not bind, mounted read-only."""
    if os.geteuid() != 0:
        modes = {p: p.stat().st_mode for p in (folder, *folder.rglob("*"))}
        for path, mode in modes.items():
            path.chmod(mode & ~0o222)
        try:
            yield
        finally:
            for path, mode in modes.items():
                path.chmod(mode)
        return
    subprocess.run(["mount", "--bind", str(folder), str(folder)], check=True)
    try:
        subprocess.run(["mount", "-o", "remount,bind,ro", str(folder)], check=True)
        yield
    finally:
        subprocess.run(["umount", "-l", str(folder)], check=True)


@pytest.fixture
def no_writing(made: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """The book's folder, read-only in the strongest way that this machine lets a test use."""
    if os.geteuid() != 0 or may_mount():
        with unwritable(made / "book"):
            yield made
        return
    monkeypatch.setattr(os, "access", lambda path, mode: not mode & os.W_OK)
    yield made


def test_a_read_only_book_answers_and_refuses_to_be_written(no_writing: Path, inside: Run) -> None:
    listed = inside("list", "gauges", "--book", "book", "--format", "csv")
    assert listed.returncode == 0 and "G1" in listed.stdout, listed.stderr
    assert inside("verify", "--book", "book").returncode == 0
    assert inside(*COMMANDS["backup"]).returncode == 0, "a backup writes elsewhere"
    for name in ("take", "amend", "recompute", "trace take"):
        refused(inside(*COMMANDS[name]), "cannot be written", "could not be written")
    assert bookstate.parts(no_writing) == []


def test_a_target_that_may_not_be_written(made: Path, inside: Run) -> None:
    assert inside(*COMMANDS["backup"]).returncode == 0
    (made / "file").write_text("a file, no folder")
    refused(inside("backup", "nowhere/b.zip", "--book", "book"), "there is no such folder")
    refused(inside("backup", "file/b.zip", "--book", "book"), "there is no such folder")
    refused(inside("restore", "b.zip", "file/book"), "could not be restored")
    refused(inside("new", "file/book"), "cannot be made")


def test_another_user_without_permission(made: Path) -> None:
    """As another user where the test may become one, else by taking the bits away from itself."""
    nobody = 65534
    (made / "book").chmod(0o700)
    if os.geteuid() == 0:
        for path in (made, *made.parents):
            if path.stat().st_uid == 0 and path.is_relative_to(made.parents[1]):
                path.chmod(path.stat().st_mode | 0o055)
        # another user may not be able to load the program from where it stands: it is loaded before
        become = "import loadbook.cli.main, loadbook.cli.records, loadbook.render.tables, sqlite3, encodings.idna\n"
        become += f"os.setgroups([])\nos.setgid({nobody})\nos.setuid({nobody})"
        done = limited(made, become, "list", "gauges", "--book", "book")
    else:
        (made / "book").chmod(0)
        done = limited(made, "", "list", "gauges", "--book", "book")
        (made / "book").chmod(0o700)
    refused(done, "ermission")


def test_a_folder_that_vanishes_while_it_is_written(made: Path) -> None:
    before = bookstate.of_book(made / "book")
    book = BookFolder.open(made / "book")
    message = "moved, deleted or replaced while the command ran"
    with pytest.raises(LoadbookError, match=message) as caught, book.write() as conn:
        conn.execute("INSERT INTO setting (name, value) VALUES ('x', 'y')")
        (made / "book").rename(made / "away")
    assert caught.value.exit_code == 1
    book.close()
    (made / "away").rename(made / "book")
    whole(made / "book", before)


def test_a_book_that_is_replaced_while_it_is_written(made: Path) -> None:
    """Somebody restores a copy over the folder: our commit would land in a file that nobody finds again. (Another
    thread that opens the copy does not make it the file which this one writes.)"""
    shutil.copytree(made / "book", made / "copy")
    before = bookstate.of_book(made / "copy")
    book = BookFolder.open(made / "book")
    with pytest.raises(LoadbookError, match="moved, deleted or replaced"), book.write() as conn:
        conn.execute("INSERT INTO setting (name, value) VALUES ('x', 'y')")
        (made / "book").rename(made / "away")
        (made / "copy").rename(made / "book")
        other = threading.Thread(target=book.read)
        other.start()
        other.join()
    book.close()
    whole(made / "book", before)


def test_a_folder_that_is_gone(made: Path, inside: Run) -> None:
    shutil.rmtree(made / "book")
    refused(inside("list", "gauges", "--book", "book"), "there is no book here")
    assert not (made / "book").exists()


def test_a_clock_set_back(made: Path, inside: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    """Moments go back, the order of records and of the chain does not; the later decision counts."""
    from datetime import timedelta

    now = times.now()
    assert inside("add", "furnaces", "furnace=F8", "atmosphere=air", "--book", "book").returncode == 0
    monkeypatch.setattr(times, "now", lambda: now - timedelta(days=400))
    assert inside("add", "furnaces", "furnace=F9", "atmosphere=air", "--book", "book").returncode == 0
    for words in (("length_mm=201",), ("length_mm=202",)):
        assert inside("amend", "parts", "00123", *words, "--why", "measured", "--book", "book").returncode == 0
    monkeypatch.setattr(times, "now", lambda: now - timedelta(days=20_000))  # before 1980, where ZIP's own dates begin
    assert inside(*COMMANDS["backup"]).returncode == 0
    with backing.restore(made / "b.zip", made / "again") as again:
        assert verify(again).wrong == []
        assert again.read().execute("SELECT length_mm FROM part").fetchone()[0] == 202
        last = again.read().execute("SELECT taken_at FROM intake ORDER BY intake_id DESC LIMIT 2").fetchall()
        assert last[0][0] < last[1][0]
        head = verify(again).last_link
    assert inside("verify", "--book", "book", "--last-link", head).returncode == 0


def test_the_later_of_two_decisions_counts_whatever_the_clock_says(
    made: Path, inside: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    from datetime import timedelta

    from loadbook.store.run_records import load_run

    with BookFolder.open(made / "book") as book:
        row = {"subject": "fault", "run": "R1", "channel": "TC 1", "fault": "open", "person": "A", "why": "seen"}
        now = times.now()
        smallbook.put(book, "confirmation", {**row, "decision": "confirmed", "at": times.stored(now)})
        earlier = times.stored(now - timedelta(days=1))
        smallbook.put(book, "confirmation", {**row, "decision": "refused", "at": earlier})
        assert load_run(book.read(), "R1").confirmed() == {("TC 1", "open", "refused")}


def test_parts_of_living_processes_and_of_other_machines_are_left_alone(tmp_path: Path) -> None:
    ended = subprocess.Popen([sys.executable, "-c", ""])
    ended.wait()
    names = {
        f".b.zip.{writing.machine()}-{ended.pid}-0123abcd.part": False,
        f".b.zip.{writing.machine()}-{ended.pid}-0123abcd.part-journal": False,
        f".b.zip.{writing.machine()}-{os.getpid()}-0123abcd.part": True,
        f".b.zip.00000000-{ended.pid}-0123abcd.part": True,
        f".other.zip.{writing.machine()}-{ended.pid}-0123abcd.part": True,
        ".b.zip.part": True,
    }
    for name in names:
        (tmp_path / name).write_text("x")
    writing.sweep(tmp_path, "b.zip")
    assert {name: (tmp_path / name).exists() for name in names} == names


def test_a_name_that_is_taken_is_never_given(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    final = tmp_path / "x"
    final.write_text("old")
    with pytest.raises(UsageError, match="already"):
        writing.put(final, b"new")
    # another program is quicker: the name is taken after it was seen to be free
    monkeypatch.setattr(writing, "check", lambda *_, **__: None)
    with pytest.raises(FileExistsError):
        writing.put(final, b"new")

    def no_links(*_: object) -> None:
        raise OSError(95, "Operation not supported")

    monkeypatch.setattr(os, "link", no_links)  # a stick with a file system that has none
    with pytest.raises(FileExistsError):
        writing.put(final, b"new")
    assert final.read_text() == "old"
    final.unlink()
    writing.put(final, b"new")
    assert final.read_text() == "new" and list(tmp_path.iterdir()) == [final]


def test_a_disk_without_room_for_a_new_book_is_called_full(tmp_path: Path) -> None:
    """The book's file is not there yet: it was not moved, deleted or replaced."""
    conn = sqlite3.connect(tmp_path / "part")
    conn.execute("PRAGMA max_page_count = 1")
    with pytest.raises(sqlite3.OperationalError) as caught:
        conn.execute("CREATE TABLE t (x)")
    conn.close()
    assert "the disk is full" in str(translate_error(caught.value, tmp_path / "book.sqlite"))
