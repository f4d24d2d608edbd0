"""The standing intake: a file goes in once, whole, as the trace of the one run it fits; all else waits."""

from __future__ import annotations

import os
import shlex
import shutil
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import pytest

from loadbook.core.errors import DamageError, LoadbookError, NotFoundError, UsageError
from loadbook.readers.recorder import places, standing
from loadbook.readers.recorder.kept_layouts import save_layout
from loadbook.readers.recorder.places import Place
from loadbook.readers.recorder.read import lasting, look
from loadbook.readers.recorder.source import Source, open_source
from loadbook.readers.recorder.standing import Standing, notes_of, whole
from loadbook.store.book import BookFolder
from loadbook.store.records import add_intake, amend
from loadbook.store.verify import verify

from .copied import copied_folder
from .test_trace_folder import ANSWERS, HEAD, chart, traces
from .test_trace_folder import shop as shop

Command = Callable[..., subprocess.CompletedProcess[str]]
FAHRENHEIT = ("Time", "Control (°F)", "TC 1 (°F)")


class Clock:
    """The time that the watcher goes by."""

    def __init__(self) -> None:
        self.now = time.time()

    def minutes(self, minutes: float) -> None:
        self.now += 60.0 * minutes


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> Clock:
    made = Clock()
    monkeypatch.setattr(standing, "time", SimpleNamespace(time=lambda: made.now))
    return made


@pytest.fixture
def folder(shop: BookFolder, tmp_path: Path) -> Path:
    """A watched folder, empty, of furnace F1, with a layout that was kept from a file elsewhere."""
    example = chart(tmp_path / "elsewhere" / "chart.csv", 0)
    save_layout(shop, lasting(look(open_source(example), ANSWERS, zone=shop.zone), "L"), "L")
    made = tmp_path / "in"
    made.mkdir()
    places.put(shop, Place(str(made), layout="L", furnace="F1"))
    return made


def old(path: Path) -> Path:
    """A file written yesterday."""
    os.utime(path, (time.time() - 86_400,) * 2)
    return path


class Watcher:
    """A watcher and what it said."""

    def __init__(self, book: BookFolder, given: list[Place] | None = None, page: standing.Page | None = None) -> None:
        self.said: list[str] = []
        self.standing = Standing(book, given, self.said.append, page)

    def look(self, times: int = 1) -> list[str]:
        """Looks; what was said meanwhile."""
        before = len(self.said)
        for _ in range(times):
            self.standing.look()
        return self.said[before:]


def seen(folder: Path) -> dict[str, tuple[bytes, int]]:
    return {p.name: (p.read_bytes(), p.stat().st_mtime_ns) for p in folder.iterdir()}


# ---- when a file goes in -------------------------------------------------------------------------------------------
def test_a_file_goes_in_once_and_after_the_quiet_time(shop: BookFolder, folder: Path, clock: Clock) -> None:
    watcher = Watcher(shop)
    assert "0 files" in watcher.look()[0]
    chart(folder / "a.csv", 1)
    before = seen(folder)
    assert watcher.look() == []
    clock.minutes(9)
    assert watcher.look() == [] and traces(shop) == []
    clock.minutes(2)
    assert watcher.look() == ["in/a.csv: taken in as the trace of run-1; no cycle to judge by"]
    assert [t[:2] for t in traces(shop)] == [("run-1", "a.csv")]
    clock.minutes(60)
    assert watcher.look(3) == [] and seen(folder) == before
    assert Watcher(shop).look() == [f"{folder} (run by furnace F1 and time): 1 file, 1 in the book"]
    assert shop.read().execute("SELECT count(*) FROM trace").fetchone()[0] == 1


def test_a_file_that_grows_is_let_alone(shop: BookFolder, folder: Path, clock: Clock) -> None:
    watcher = Watcher(shop)
    lines = chart(folder / "a.csv", 1).read_text().splitlines(keepends=True)
    for upto in range(2, len(lines) + 1, 4):
        (folder / "a.csv").write_text("".join(lines[:upto]))
        watcher.look()
        clock.minutes(6)
    assert traces(shop) == []
    (folder / "a.csv").write_text("".join(lines))
    watcher.look()
    clock.minutes(11)
    watcher.look()
    row = shop.read().execute("SELECT samples FROM trace").fetchone()
    assert row[0] == len(lines) - 1


def test_a_file_server_whose_clock_is_an_hour_slow_does_not_bring_a_file_in_early(
    shop: BookFolder, folder: Path, clock: Clock
) -> None:
    watcher = Watcher(shop)
    file = chart(folder / "a.csv", 1)
    os.utime(file, (clock.now - 3600, clock.now - 3600))
    watcher.look()
    assert traces(shop) == []
    assert len(Watcher(shop).look()) == 1  # another watcher, a scheduled task for one, goes on by what was noted
    clock.minutes(11)
    Watcher(shop).look()
    assert len(traces(shop)) == 1


def test_half_a_line_waits_until_it_has_its_end(shop: BookFolder, folder: Path, clock: Clock) -> None:
    watcher = Watcher(shop)
    text = chart(folder / "a.csv", 1).read_text()
    (folder / "a.csv").write_text(text[:-3])
    old(folder / "a.csv")
    said = watcher.look()
    assert "a.csv waits: its last line has no end" in said[0] and "--open-end" in said[0]
    clock.minutes(50)
    assert watcher.look() == [] and watcher.standing.waiting == 1
    (folder / "a.csv").write_text(text)
    watcher.look()
    clock.minutes(11)
    assert "taken in" in watcher.look()[0] and watcher.standing.waiting == 0
    (folder / "b.csv").write_text(chart(folder / "b.csv", 2).read_text().rstrip("\n"))
    old(folder / "b.csv")
    assert "waits" in watcher.look()[0]
    place = places.find(shop, folder)
    assert place is not None
    places.put(shop, replace(place, open_end=True))
    assert "b.csv: taken in as the trace of run-2" in watcher.look()[0]


def test_what_is_a_whole_file() -> None:
    assert whole(Source("a", b"a\nb\n"), False) and whole(Source("a", b"a\r\nb\r\n"), False)
    assert not whole(Source("a", b"a\nb"), False) and whole(Source("a", b"a\nb"), True)
    assert not whole(Source("a", b"a\nb\n\x00\x00"), False) and not whole(Source("a", b"a\nb\n\x00"), True)
    assert whole(Source("a", "a\nb\n".encode("utf-16")), False)
    assert not whole(Source("a", b"PK\x03\x04 the first half of a workbook"), False)


# ---- which run's it is ---------------------------------------------------------------------------------------------
def test_one_run_alone_fits_or_it_is_asked(shop: BookFolder, folder: Path, clock: Clock) -> None:
    old(chart(folder / "one.csv", 1))
    old(chart(folder / "none.csv", 9))
    old(chart(folder / "two.csv", 2, minutes=40 + 24 * 60))
    watcher = Watcher(shop)
    watcher.look()
    assert [t[:2] for t in traces(shop)] == [("run-1", "one.csv")]
    (notes,) = notes_of(shop)
    assert set(notes.waiting) == {"none.csv", "two.csv"}
    assert "no run of furnace 'F1' has its time" in notes.waiting["none.csv"].why
    assert notes.waiting["none.csv"].settle == (f"loadbook trace take {folder / 'none.csv'} --layout L --run RUN",)
    two = notes.waiting["two.csv"]
    assert "2 runs of furnace 'F1' lie in its time" in two.why
    assert two.settle == tuple(
        f"loadbook trace take {folder / 'two.csv'} --layout L --run {run}" for run in ("run-2", "run-3")
    )
    assert watcher.look(3) == []
    row = {"run": "run-9", "furnace": "F1", "status": "done", "started": "2026-04-12T06:00:00Z"}
    with shop.write() as conn:
        add_intake(conn, "runs", {"run": [row]}, rows_read=1)
    assert watcher.look() == ["in/none.csv: taken in as the trace of run-9; no cycle to judge by"]


def test_by_the_name(shop: BookFolder, folder: Path, clock: Clock) -> None:
    places.put(shop, Place(str(folder), layout="L", run_from_name=r"(run-\d+)", names=("*.csv",)))
    old(chart(folder / "run-1.csv", 1))
    old(chart(folder / "run-77.csv", 2))
    old(chart(folder / "export.csv", 3))
    (folder / "notes.txt").write_text("nothing\n")
    watcher = Watcher(shop)
    watcher.look()
    (notes,) = notes_of(shop)
    assert [t[0] for t in traces(shop)] == ["run-1"]
    assert "the book" in notes.waiting["run-77.csv"].why and "run-77" in notes.waiting["run-77.csv"].settle[0]
    assert "no run is found in the name" in notes.waiting["export.csv"].why and "notes.txt" not in notes.files


def test_a_changed_form_stops_only_its_files_also_when_it_comes_alone(
    shop: BookFolder, folder: Path, clock: Clock
) -> None:
    watcher = Watcher(shop)
    old(chart(folder / "a.csv", 1))
    assert "taken in" in watcher.look()[0]
    old(chart(folder / "b.csv", 2, head=FAHRENHEIT))
    said = watcher.look()
    assert len(said) == 1 and "b.csv waits: another form than its layout is for: it has Control in f" in said[0]
    assert f"loadbook watch add {folder} --like {folder / 'b.csv'}" in said[0]
    old(chart(folder / "c.csv", 3))
    assert [t[0] for t in traces(shop)] == ["run-1"] and "c.csv: taken in" in watcher.look()[0]
    (folder / "a.csv").unlink()  # the form is kept in the book, not found anew from what lies there
    assert Watcher(shop).look()[-1].endswith("2 files, 1 in the book, 1 waiting")


def test_a_file_that_grew_after_it_was_taken_asks(
    shop: BookFolder, folder: Path, clock: Clock, inside: Command
) -> None:
    watcher = Watcher(shop)
    old(chart(folder / "a.csv", 1))
    watcher.look()
    old(chart(folder / "a.csv", 1, minutes=80))
    said = watcher.look()
    assert "run 'run-1' has a trace already, from a.csv" in said[0] and "--join --overlap last" in said[0]
    (notes,) = notes_of(shop)
    settle(notes.waiting["a.csv"].settle[0], inside, shop)
    assert shop.read().execute("SELECT samples FROM trace WHERE state = 'current'").fetchone()[0] == 80
    assert watcher.look() == [] and watcher.standing.waiting == 0


def test_a_withdrawn_trace_is_not_taken_again_by_itself(shop: BookFolder, folder: Path, clock: Clock) -> None:
    watcher = Watcher(shop)
    old(chart(folder / "a.csv", 1))
    watcher.look()
    row = shop.read().execute("SELECT trace_id, trace_number FROM trace").fetchone()
    with shop.write() as conn:
        amend(conn, "trace", row[0], row[1], {"state": "withdrawn"}, "wrong furnace")
    said = watcher.look()
    assert "a.csv waits: it was the trace of run run-1, which was withdrawn" in said[0] and traces(shop) == []


# ---- what can come between -----------------------------------------------------------------------------------------
def test_a_folder_that_is_away_is_waited_for_with_one_line(shop: BookFolder, folder: Path, clock: Clock) -> None:
    watcher = Watcher(shop)
    old(chart(folder / "a.csv", 1))
    old(chart(folder / "none.csv", 9))
    watcher.look()
    folder.rename(folder.with_name("gone"))
    said = []
    for _ in range(60):
        clock.minutes(1)
        said += watcher.look()
    assert len(said) == 1 and "cannot be read" in said[0] and watcher.standing.waiting == 2
    folder.mkdir()  # a drive that is not mounted leaves an empty folder
    assert watcher.look(2) == []
    folder.rmdir()
    folder.with_name("gone").rename(folder)
    old(chart(folder / "b.csv", 2))
    said = watcher.look()
    assert said[0].endswith("is there again, after 59 min") and "b.csv: taken in" in said[1] and len(said) == 2
    assert len(traces(shop)) == 2 and watcher.standing.waiting == 1


def test_what_waited_for_a_file_that_is_gone_is_looked_at_again(shop: BookFolder, folder: Path, clock: Clock) -> None:
    """Two files of one run that contradict each other ask which counts; when one is taken away, the other goes in."""
    watcher = Watcher(shop)
    good, wrong = old(chart(folder / "a.csv", 1)), old(chart(folder / "b.csv", 1))
    head, *rows = wrong.read_text(encoding="utf-8").splitlines()
    far = [f"{row.split(',')[0]}{f',{900 + k % 50}.5' * row.count(',')}" for k, row in enumerate(rows)]
    wrong.write_text("\n".join([head, *far]) + "\n", encoding="utf-8")
    old(wrong)
    said = [line for line in watcher.look() if "waits" in line]
    assert len(said) == 2 and all("Which file counts there?" in line and "e+" not in line for line in said)
    wrong.unlink()
    assert watcher.look() == ["in/a.csv: taken in as the trace of run-1; no cycle to judge by"] and good.exists()


def test_an_empty_file_is_only_to_be_left_out(shop: BookFolder, folder: Path, clock: Clock) -> None:
    (folder / "e.csv").write_bytes(b"")
    old(folder / "e.csv")
    watcher = Watcher(shop)
    watcher.look()
    (entry,) = watcher.standing.notes[str(folder)].waiting.values()
    assert "empty" in entry.why and [s.split(" --except ")[1] for s in entry.settle] == ["e.csv"]


def test_a_file_that_cannot_be_read_is_tried_again(
    shop: BookFolder, folder: Path, clock: Clock, monkeypatch: pytest.MonkeyPatch
) -> None:
    watcher = Watcher(shop)
    old(chart(folder / "a.csv", 1))
    really = standing.read_file

    def locked(path: Path, *args: int, **more: bool) -> bytes:
        if path.name == "a.csv":
            raise LoadbookError("the file cannot be read: Permission denied", where=str(path))
        return really(path, *args, **more)

    monkeypatch.setattr(standing, "read_file", locked)
    said = watcher.look(5)
    assert len(said) == 2 and "a.csv cannot be taken just now: the file cannot be read" in said[0]
    monkeypatch.setattr(standing, "read_file", really)
    assert "a.csv: taken in" in watcher.look()[0] and watcher.standing.waiting == 0


def test_a_fault_of_the_program_in_one_file_keeps_no_other_out(
    shop: BookFolder, folder: Path, clock: Clock, monkeypatch: pytest.MonkeyPatch
) -> None:
    from loadbook.readers.recorder import bulk

    for n in (1, 2, 3):
        old(chart(folder / f"{n}.csv", n))
    really = bulk.make_ready

    def failing(book: BookFolder, run: str, *args: object, **more: object) -> object:
        if run == "run-2":
            raise ZeroDivisionError("division by zero")
        return really(book, run, *args, **more)  # type: ignore[arg-type]

    monkeypatch.setattr(bulk, "make_ready", failing)
    watcher = Watcher(shop)
    watcher.look()
    assert [t[0] for t in traces(shop)] == ["run-1", "run-3"]
    assert any("2.csv waits: an unexpected fault in the program: ZeroDivisionError" in line for line in watcher.said)
    assert watcher.look(3) == []


def test_a_book_brought_back_from_before_takes_the_files_again(
    shop: BookFolder, folder: Path, clock: Clock, tmp_path: Path
) -> None:
    shop.close()
    shutil.copytree(shop.path, tmp_path / "before")
    old(chart(folder / "a.csv", 1))
    with BookFolder.open(shop.path) as book:
        Watcher(book).look()
        assert len(traces(book)) == 1
    shutil.copytree(shop.path / standing.FOLDER, tmp_path / "before" / standing.FOLDER)
    with BookFolder.open(tmp_path / "before") as book:
        assert "a.csv: taken in" in Watcher(book).look()[0]
        assert len(traces(book)) == 1


@pytest.mark.parametrize("damage", [b"", b"{", b"[1]", b'{"folder": 1, "files": {"a.csv": {"size": "x"}}}'])
def test_notes_that_cannot_be_read_cost_a_reading(shop: BookFolder, folder: Path, clock: Clock, damage: bytes) -> None:
    old(chart(folder / "a.csv", 1))
    Watcher(shop).look()
    (notes,) = (shop.path / standing.FOLDER).glob("*.json")
    notes.write_bytes(damage)
    assert notes_of(shop) == []
    assert Watcher(shop).look() == [f"{folder} (run by furnace F1 and time): 1 file, 1 in the book"]
    assert len(traces(shop)) == 1


def test_a_page_that_cannot_be_written_is_written_later(shop: BookFolder, folder: Path, clock: Clock) -> None:
    place = places.find(shop, folder)
    assert place is not None
    places.put(shop, replace(place, pages=str(folder.with_name("pages"))))
    old(chart(folder / "a.csv", 1))
    asked: list[str] = []

    def page(_: Place, run: str) -> str:
        asked.append(run)
        if len(asked) < 3:
            raise OSError(5, "away")
        return f"{run}.html"

    watcher = Watcher(shop, page=page)
    said = watcher.look()
    assert "page of run-1 was not written" in said[1]
    assert watcher.look() == [] and watcher.look() == ["page of run-1: run-1.html"]
    watcher.look(3)
    assert asked == ["run-1"] * 3


@pytest.mark.skipif(sys.platform == "win32", reason="no such names there")
def test_odd_names_are_noted_and_shown_as_text(shop: BookFolder, folder: Path, clock: Clock, inside: Command) -> None:
    for number, name in enumerate((b"a\xff.csv", b"b\n\x1b[31m.csv", b"c [x] '1'.csv")):
        old(chart(folder / "x", number).rename(folder / os.fsdecode(name)))
    old(chart(folder / os.fsdecode(b"\xfe none.csv"), 9))
    watcher = Watcher(shop)
    watcher.look()
    assert len(traces(shop)) == 3 and watcher.standing.waiting == 1
    assert Watcher(shop).look()[-1].endswith("4 files, 3 in the book, 1 waiting")
    told = inside("watch", "status", "--book", str(shop.path))
    assert told.returncode == 0 and "\\udcfe none.csv" in told.stdout


def test_two_watchers_at_once_take_each_file_once(shop: BookFolder, folder: Path) -> None:
    for n in range(6):
        old(chart(folder / f"{n}.csv", n))
    failed: list[BaseException] = []
    said: list[str] = []
    start = threading.Barrier(2)

    def watch() -> None:
        try:
            with BookFolder.open(shop.path) as book:
                watcher = Standing(book, None, said.append)
                start.wait()
                for _ in range(4):
                    watcher.look()
                assert watcher.waiting == 0
        except BaseException as exc:
            failed.append(exc)

    threads = [threading.Thread(target=watch) for _ in range(2)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert failed == []
    assert [t[0] for t in traces(shop)] == [f"run-{n}" for n in range(6)]
    assert shop.read().execute("SELECT count(*) FROM trace").fetchone()[0] == 6
    assert sum("taken in as the trace" in line for line in said) == 6
    found = verify(shop)
    assert (found.wrong, found.leftover) == ([], [])


KILLED = """
import os, signal, sys
from pathlib import Path
from loadbook.readers.recorder import take
from loadbook.readers.recorder.standing import Standing
from loadbook.store.book import BookFolder
from loadbook.readers.recorder import bulk

bulk.AT_ONCE = 1  # each run by itself
book, place, count = sys.argv[1:]
left = int(count)
def ending(function, after=False):
    def counted(*args, **kwargs):
        global left
        left -= 1
        if after:
            function(*args, **kwargs)
        if not left:
            os.kill(os.getpid(), signal.SIGKILL)
        return None if after else function(*args, **kwargs)
    return counted
if place == "placing":
    take.trace_files.place = ending(take.trace_files.place)
elif place == "committing":
    take.derived.store = ending(take.derived.store)
elif place == "noting":
    Standing._note = ending(Standing._note)
said = ending(print, after=True) if place == "taken" else print  # right after the commit, before it is noted
with BookFolder.open(Path(book)) as opened:
    Standing(opened, None, said, lambda place, run: Path(place.pages, run).write_text(run) and run).look()
"""


@pytest.mark.thorough
@pytest.mark.skipif(sys.platform == "win32", reason="SIGKILL")
def test_killed_anywhere_it_goes_on_where_it_was(shop: BookFolder, folder: Path, tmp_path: Path) -> None:
    (tmp_path / "pages").mkdir()
    place = places.find(shop, folder)
    assert place is not None
    places.put(shop, replace(place, pages=str(tmp_path / "pages")))
    for n in range(5):
        old(chart(folder / f"{n}.csv", n))
    shop.close()
    counts = []
    for where, count in (("noting", 1), ("placing", 2), ("committing", 1), ("taken", 1), ("noting", 2)):
        done = subprocess.run(
            [sys.executable, "-c", KILLED, str(shop.path), where, str(count)], capture_output=True, text=True,
            timeout=120,
        )  # fmt: skip
        assert done.returncode == -9, done.stderr
        with BookFolder.open(shop.path) as book:
            counts.append(len(traces(book)))
    assert counts == [0, 1, 1, 2, 5]
    with BookFolder.open(shop.path) as book:
        Standing(book, None, print, lambda place, run: str(Path(place.pages, run).write_text(run))).look()
        assert [t[0] for t in traces(book)] == [f"run-{n}" for n in range(5)]
        assert book.read().execute("SELECT count(*) FROM trace").fetchone()[0] == 5
        found = verify(book)
        assert (found.wrong, found.leftover) == ([], [])
    assert sorted(p.name for p in (tmp_path / "pages").iterdir()) == [f"run-{n}" for n in range(5)]


@pytest.mark.long
@pytest.mark.skipif(sys.platform == "win32", reason="SIGKILL")
def test_killed_at_random_moments() -> None:
    """The trial in small: `watch` and `follow`."""
    words = [sys.executable, "-m", "tests.trials.watch", "--kills", "20", "--files", "8"]
    done = subprocess.run(words, cwd=Path(__file__).parent.parent, capture_output=True, text=True, timeout=500)
    assert done.returncode == 0, done.stdout + done.stderr
    assert done.stdout.count("nothing lost, nothing doubled, verify clean") == 2


# ---- the places ----------------------------------------------------------------------------------------------------
def test_places_are_settings_of_the_book(shop: BookFolder, folder: Path, tmp_path: Path) -> None:
    (place,) = places.places(shop)
    assert place.folder == str(folder) and place.finds == "by furnace F1 and time"
    other = Place(str(tmp_path / "b"), run_from_name="(R.*)", names=("*.csv", "*.TXT"), leave_out=("notes*",))
    places.put(shop, other)
    assert [p.folder for p in places.places(shop)] == sorted([str(folder), other.folder])
    assert other.holds("a.CSV") and other.holds("a.txt") and not other.holds("Notes.csv") and not other.holds("a.xlsx")
    places.drop(shop, folder)
    assert places.places(shop) == [other] and places.find(shop, folder) is None
    with pytest.raises(NotFoundError, match="not watched"):
        places.drop(shop, folder)
    for wrong in (
        Place(str(folder)), Place(str(folder), furnace="F1", run_from_name="x"), Place(str(folder), run_from_name="("),
        Place(str(folder), furnace="F1", pages=str(folder / "pages")), Place(str(folder), furnace="F1", quiet_min=0),
    ):  # fmt: skip
        with pytest.raises(UsageError):
            places.put(shop, wrong)
    for unknown in (Place(str(folder), furnace="F9"), Place(str(folder), furnace="F1", layout="none")):
        with pytest.raises(NotFoundError):
            places.put(shop, unknown)
    assert verify(shop).wrong == []
    row = shop.read().execute("SELECT setting_id FROM setting WHERE name = ?", (f"watch {other.folder}",)).fetchone()
    with shop.write() as conn:
        amend(conn, "setting", "x", row[0], {"value": '{"folder": 3}'}, "by hand")
    with pytest.raises(DamageError, match="does not describe a folder"):
        places.places(shop)


# ---- the commands --------------------------------------------------------------------------------------------------
def settle(words: str, inside: Command, book: BookFolder) -> None:
    """Types a command as it was told."""
    done = inside(*shlex.split(words)[1:], "--book", str(book.path))
    assert done.returncode == 0, f"{words}\n{done.stdout}{done.stderr}"


def test_the_commands_and_each_command_that_settles(
    shop: BookFolder, folder: Path, tmp_path: Path, inside: Command
) -> None:
    book = ("--book", str(shop.path))
    places.drop(shop, folder)
    assert "no folder is watched" in inside("watch", "--once", *book).stderr
    assert "no folder is watched" in inside("watch", "list", *book).stderr
    for name, number, more in (("a", 1, {}), ("f", 5, {"head": FAHRENHEIT}), ("none", 9, {}),
                               ("two", 2, {"minutes": 40 + 24 * 60})):  # fmt: skip
        old(chart(folder / f"{name}.csv", number, **more))  # type: ignore[arg-type]
    old(chart(folder / "odd name.csv", 4, head=(*HEAD, "TC 2 (°C)")))
    for name, text in (("notes.txt", "nothing\n"), ("half.csv", (folder / "none.csv").read_text()[:-2])):
        (folder / name).write_text(text)
        old(folder / name)
    (folder / "notes.txt").rename(folder / "notes [2].txt")
    made = inside("watch", "add", str(folder), "--furnace", "F1", "--layout", "L", "--pages", "pages", *book)
    assert "form    Control in c, TC 1 in c, as in a.csv" in made.stdout
    assert str(folder) in inside("watch", "list", "--format", "csv", *book).stdout
    assert "not looked at yet" in inside("watch", "status", *book).stdout
    first = inside("watch", "--once", *book)
    assert first.returncode == 1 and "a.csv: taken in as the trace of run-1" in first.stdout
    assert (tmp_path / "pages" / "run-run-1.html").is_file()
    assert "6 recorder files wait to be settled: loadbook watch status" in inside("needs", *book).stderr
    status = inside("watch", "status", *book)
    assert status.returncode == 0 and "1 of 7 files in the book" in status.stdout
    (notes,) = notes_of(shop)
    assert set(notes.waiting) == {"f.csv", "none.csv", "two.csv", "odd name.csv", "notes [2].txt", "half.csv"}
    for entry in notes.waiting.values():
        assert all(line in status.stdout for line in entry.settle)
    for line in notes.waiting["two.csv"].settle:
        settle(line, inside, shop)
    settle(notes.waiting["notes [2].txt"].settle[1], inside, shop)
    settle(notes.waiting["half.csv"].settle[1], inside, shop)
    for name in ("f.csv", "odd name.csv"):
        settle(notes.waiting[name].settle[0], inside, shop)
    settle("loadbook add runs run=run-9 furnace=F1 cycle=- started=2026-04-12T06:00Z", inside, shop)
    (folder / "half.csv").unlink()
    last = inside("watch", "--once", *book)
    assert last.returncode == 0, last.stdout
    assert [t[0] for t in traces(shop)] == ["run-1", "run-2", "run-3", "run-4", "run-5", "run-9"]
    assert len(list((tmp_path / "pages").iterdir())) == 6
    assert "waits" not in inside("watch", "status", *book).stdout
    assert inside("watch", "drop", str(folder), *book).returncode == 0 and places.places(shop) == []
    assert notes_of(shop) == []


def test_a_folder_named_on_the_command_line(shop: BookFolder, tmp_path: Path, inside: Command) -> None:
    book = ("--book", str(shop.path))
    old(chart(tmp_path / "there" / "run-1.csv", 1, date="%Y-%m-%d"))
    done = inside("watch", "there", "--once", *book)
    assert done.returncode == 2 and "--furnace FURNACE" in done.stderr
    done = inside("watch", "nowhere", "--furnace", "F1", "--once", *book)
    assert done.returncode == 2 and "no such folder" in done.stderr
    done = inside("watch", "--furnace", "F1", "--once", *book)
    assert done.returncode == 2 and "these options describe a folder" in done.stderr
    done = inside("watch", "there", "--run-from-name", r"(run-\d)", "--once", *book)
    assert done.returncode == 1 and "--channel" in done.stdout and "waits" in done.stdout
    assert places.places(shop) == []


def test_a_broken_cycle_is_exit_3(tmp_path: Path, inside: Command, demo_book: Path) -> None:
    copied_folder(demo_book, tmp_path / "book")
    with BookFolder.open(tmp_path / "book") as book:
        row = book.read().execute(
            "SELECT run, trace_id, trace_number FROM trace JOIN finding USING (run) WHERE state = 'current'"
            " AND what = 'run' AND verdict = 'broken' ORDER BY run LIMIT 1"
        ).fetchone()  # fmt: skip
        from loadbook.cli.demo_play import lines
        from loadbook.core import times
        from loadbook.store.run_records import load_run
        from loadbook.store.trace_files import read_trace

        record = load_run(book.read(), row["run"])
        assert record.trace is not None
        trace = read_trace(book, record.trace, record.channels, ())
        began = times.from_stored(str(trace.started)).astimezone(book.zone)
        (tmp_path / "in").mkdir()
        text = "\n".join(lines(trace, began)) + "\n"
        (tmp_path / "in" / f"{row['run']}.csv").write_text(text, encoding="utf-8")
        old(tmp_path / "in" / f"{row['run']}.csv")
        with book.write() as conn:
            amend(conn, "trace", row["trace_id"], row["trace_number"], {"state": "withdrawn"}, "again")
    done = inside("watch", "in", "--run-from-name", r"(.*)\.csv", "--once", "--book", str(tmp_path / "book"))
    assert done.returncode == 3, done.stdout + done.stderr
    assert "THE CYCLE WAS BROKEN: " in done.stdout


@pytest.mark.thorough
@pytest.mark.skipif(sys.platform == "win32", reason="signals")
@pytest.mark.parametrize("ended_by", [signal.SIGINT, signal.SIGTERM])
def test_it_stands_until_it_is_ended(shop: BookFolder, folder: Path, ended_by: signal.Signals) -> None:
    old(chart(folder / "a.csv", 1))
    words = [sys.executable, "-m", "loadbook", "watch", "--every", "1", "--book", str(shop.path)]
    process = subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    assert process.stdout is not None
    assert "a.csv: taken in as the trace of run-1" in process.stdout.readline()
    assert "1 file, 1 in the book" in process.stdout.readline()
    old(chart(folder / "b.csv", 2))
    assert "b.csv: taken in as the trace of run-2" in process.stdout.readline()
    process.send_signal(ended_by)
    out, err = process.communicate(timeout=20)
    assert process.returncode == 0 and out.endswith("  stopped\n") and err == ""
    assert verify(shop).wrong == []
