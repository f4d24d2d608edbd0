"""A stranger's folder: a link or a pipe wherever a command writes. The file behind it stays as it was, nobody waits.

What a command writes is not listed here but found: it runs once undisturbed, and every file and folder that is there
afterwards and was not before gets a trap in its place in turn.
"""

from __future__ import annotations

import os
import shutil
import signal
import stat
import subprocess
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from loadbook.core import times, writing
from loadbook.group.manifest import folder_of
from loadbook.group.publish import publish
from loadbook.store.book import BookFolder

from . import bookstate, crashbook, forked, smallbook

Run = Callable[..., subprocess.CompletedProcess[str]]
SECRET = b"nobody's business but the user's"
LINZ = f"published/plants/{folder_of('Linz')}"


@dataclass(frozen=True)
class Case:
    """A command that writes.

    more     files that it writes and takes away again, and such as are there before it
    chosen   folders that the user names: a link there is the user's own
    whole    folders that come in one step, with all that is in them
    goes_on  ends of names that it leaves alone, or puts aside, instead of refusing the trap in their place
    """

    words: tuple[str, ...]
    more: tuple[str, ...] = ()
    chosen: tuple[str, ...] = ()
    whole: tuple[str, ...] = ()
    goes_on: tuple[str, ...] = ()


def beside(book: str) -> tuple[str, ...]:
    return tuple(f"{book}/book.sqlite{end}" for end in ("-wal", "-shm", "-journal", ".held"))


BOOK = beside("book")
CASES = {
    "add": Case(("add", "furnaces", "furnace=F9", "atmosphere=air", "--book", "book"), BOOK),
    "take": Case(crashbook.TAKE, BOOK),
    "amend": Case(crashbook.AMEND, BOOK),
    "trace take": Case(
        ("trace", "take", "chart5.csv", "--run", "R5", "--book", "book"), (*BOOK, "book/traces"),
    ),
    "trace layout save": Case(("trace", "layout", "save", "L", "chart1.csv", "--book", "book"), BOOK),
    "recompute": Case(("recompute", "--book", "stale"), beside("stale")),
    "judge": Case(("judge", "R1", "--book", "book"), BOOK),
    "upgrade": Case(("upgrade", "--book", "old"), beside("old"), goes_on=(".zip",)),
    "new": Case(("new", "new"), beside("new"), chosen=("new",)),
    "init in a folder": Case(("new", "there"), beside("there")),
    "backup": Case(("backup", "kept.zip", "--book", "book")),
    "restore": Case(("restore", "saved.zip", "again"), whole=("again",)),
    "restore lost traces": Case(
        ("restore", "saved.zip", "lost", "--lost-traces"), ("lost/traces",), goes_on=(".parquet",)
    ),
    "export": Case(("export", "2026-03", "-o", "m.xlsx", "--book", "measured")),
    "page run": Case(("page", "run", "R1", "--book", "book")),
    "page month": Case(("page", "month", "2026-03", "-o", "m.html", "--book", "measured")),
    "page over another": Case(("page", "run", "R1", "-o", "old.html", "--force", "--book", "book"), ("old.html",)),
    "a question": Case(("moved", "--format", "csv", "--book", "measured")),
    "chart svg": Case(("moved", "--chart", "m.svg", "--book", "measured")),
    "chart png": Case(("moved", "--chart", "m.png", "--book", "measured")),
    "chart html": Case(("moved", "--chart", "m.html", "--book", "measured")),
    "group publish": Case(("group", "publish", "group", "--plant", "Linz", "--book", "book"), chosen=("group",)),
    "group publish again": Case(
        ("group", "publish", "published", "--plant", "Linz", "--book", "measured"),
        (f"{LINZ}/current-000002.json", f"{LINZ}/reference"),
    ),
    "group recompute": Case(("group", "recompute", "published")),
}  # fmt: skip


@pytest.fixture(scope="module")
def template(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The crash trial's books and files; a book with movements, one that lost traces, a group of one plant."""
    folder = tmp_path_factory.mktemp("planted") / "template"
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(times, "now", lambda: forked.CLOCK)
        crashbook.make(folder)
        with BookFolder.open(folder / "book") as book:
            row = {"run": "R5", "furnace": "F1", "started": "2025-04-01T07:00:00Z", "status": "done"}
            smallbook.put(book, "run", row)
            publish(book, str(folder / "published"), "Linz")
        text = (folder / "chart4.csv").read_text(encoding="utf-8")
        (folder / "chart5.csv").write_text(text.replace("2026-03-04", "2025-04-01"), encoding="utf-8")
        shutil.copytree(folder / "book", folder / "measured")
        shutil.copytree(folder / "book", folder / "lost")
        from loadbook.readers.tables.take import take_file

        with BookFolder.open(folder / "measured") as book:
            take_file(book, "readings", folder / "before.csv")
            take_file(book, "readings", folder / "after.csv")
    damaged, gone, *_ = sorted((folder / "lost" / "traces").rglob("*.parquet"))
    damaged.write_bytes(b"x")
    gone.unlink()
    (folder / "there").mkdir()
    (folder / "there" / "notes.txt").write_text("a folder in use")
    (folder / "old.html").write_text("a page")
    return folder


def names(folder: Path) -> set[str]:
    return {p.relative_to(folder).as_posix() for p in folder.rglob("*")}


@pytest.fixture(scope="module")
def written() -> dict[str, tuple[list[str], set[str]]]:
    """case -> what it writes, and which of that are folders, once it was found out."""
    return {}


class Place:
    """Copies of the template, each for one run of a command, with traps in it."""

    def __init__(self, template: Path, folder: Path, run: Run, written: dict[str, tuple[list[str], set[str]]]) -> None:
        self.template, self.folder, self.run_, self.written = template, folder, run, written
        self.pipes: list[int] = []

    def fresh(self) -> Path:
        for pipe in self.pipes:
            os.close(pipe)
        self.pipes.clear()
        place = self.folder / "place"
        shutil.rmtree(place, ignore_errors=True)
        shutil.rmtree(self.folder / "elsewhere", ignore_errors=True)
        shutil.copytree(self.template, place)
        (self.folder / "elsewhere").mkdir()
        (self.folder / "secret").write_bytes(SECRET)
        return place

    def trap(self, path: Path, kind: str, to: str) -> None:
        """A link or a pipe at a name; what was there goes. to: 'secret' (a file) or 'elsewhere' (a folder)."""
        path.parent.mkdir(parents=True, exist_ok=True)
        if path.is_dir():
            shutil.rmtree(path)
        path.unlink(missing_ok=True)
        if kind == "link":
            path.symlink_to(self.folder / to)
        else:
            os.mkfifo(path)
            self.pipes.append(os.open(path, os.O_RDWR | os.O_NONBLOCK))  # whoever writes into it is seen

    def run(self, case: Case) -> subprocess.CompletedProcess[str]:
        signal.alarm(120)
        try:
            return self.run_(*case.words, cwd=self.folder / "place")
        finally:
            signal.alarm(0)

    def untouched(self) -> None:
        """Nothing came through a link, nothing into a pipe."""
        assert (self.folder / "secret").read_bytes() == SECRET
        assert list((self.folder / "elsewhere").iterdir()) == []
        for pipe in self.pipes:
            with pytest.raises(BlockingIOError):
                os.read(pipe, 1)

    def writes(self, name: str) -> tuple[list[str], set[str]]:
        if name not in self.written:
            case, place = CASES[name], self.fresh()
            before = names(place)
            done = self.run(case)
            assert done.returncode == 0, done.stderr
            new = sorted(names(place) - before) + list(case.more)
            new = [n for n in new if not any(n.startswith(f"{w}/") for w in case.whole)]
            assert new, "the command writes nothing"
            self.written[name] = new, {n for n in new if (place / n).is_dir()}
        return self.written[name]


@pytest.fixture
def place(
    template: Path, tmp_path: Path, inside: Run, monkeypatch: pytest.MonkeyPatch,
    written: dict[str, tuple[list[str], set[str]]],
) -> Iterator[Place]:  # fmt: skip
    monkeypatch.setattr(times, "now", lambda: forked.CLOCK)
    monkeypatch.setenv("LOADBOOK_WAIT", "1")

    def late(*_: object) -> None:
        raise TimeoutError("the command waits for a pipe")

    before = signal.signal(signal.SIGALRM, late)
    made = Place(template, tmp_path, inside, written)
    yield made
    for pipe in made.pipes:
        os.close(pipe)
    signal.signal(signal.SIGALRM, before)


def in_snapshot(name: str) -> bool:
    """Is this the snapshot's, or a list of files found good, which no command needs (tests/test_snapshot.py)?"""
    return bool({"snapshot", "checked"} & set(name.split("/")))


@pytest.mark.thorough
@pytest.mark.parametrize("name", CASES)
def test_a_trap_in_the_place_of_what_is_written(name: str, place: Place) -> None:
    """Refused, with what stands there; the trap stays, and no unfinished file."""
    case = CASES[name]
    written, folders = place.writes(name)
    if name != "a question":  # the snapshot is the same for all that ask; once is enough
        written = [n for n in written if not in_snapshot(n)] or written
    for target in written:
        for kind in ("link", "pipe"):
            if kind == "link" and target in case.chosen:
                continue
            path = place.fresh() / target
            place.trap(path, kind, "elsewhere" if target in folders else "secret")
            done = place.run(case)
            place.untouched()
            assert "unexpected" not in done.stderr and "Traceback" not in done.stderr, (target, done.stderr)
            assert bookstate.parts(path.parents[target.count("/")]) == [], target
            if (target.endswith(case.goes_on or "\0") or in_snapshot(target)) and done.returncode == 0:
                continue
            assert done.returncode in (1, 2, 3), (target, kind, done.stdout, done.stderr)
            said = (
                "link",
                "pipe",
                "regular file",
                "Not a directory",
                "cannot be made",
                "out of the book",
                "File exists",
            )
            assert any(word in done.stderr for word in said), (target, kind, done.stderr)
            mode = path.lstat().st_mode
            assert stat.S_ISLNK(mode) if kind == "link" else stat.S_ISFIFO(mode), (target, kind)


@pytest.mark.thorough
@pytest.mark.parametrize("kind", ["link", "pipe"])
@pytest.mark.parametrize("name", CASES)
def test_traps_at_names_that_could_be_foreseen(name: str, kind: str, place: Place) -> None:
    """Temporary names made of what a stranger can know: nothing is written there, and the command does its work."""
    case = CASES[name]
    written, folders = place.writes(name)
    root = place.fresh()
    before = names(root)
    for target in written:
        path = root / target
        if target in folders or target in case.whole:
            continue
        mine = f".{path.name}.{writing.machine()}-{os.getpid()}.part"
        for trap in (
            mine,
            f"{mine}-journal",
            f"{mine}-wal",
            f"tmp_{mine}",
            f".{path.name}.records{mine[1 + len(path.name) :]}",
            f".{path.name}.part",
            f"{path.name}.part",
            f"{path.name}.{os.getpid()}.part",
            f"tmp_{path.name}",
            f"{path.name}.tmp",
            f"{path.name}~",
        ):
            place.trap(path.with_name(trap), kind, "secret")
    traps = names(root) - before
    done = place.run(case)
    place.untouched()
    assert done.returncode == 0, done.stderr
    gone = {n for n in traps if not (root / n).is_symlink() and not (root / n).is_fifo()}
    assert {n for n in gone if not in_snapshot(n)} <= folders  # the snapshot's folder is swept of what it does not list
