"""A path is never a pattern: what stands under any name is read and written there, and never what stands beside it.

Every hard name has a neighbour that a pattern, a URI, a shell or a careless program could take it for, with other
figures under the same names inside.
"""

from __future__ import annotations

import csv
import io
import re
import shutil
import subprocess
import unicodedata
from collections.abc import Callable
from pathlib import Path
from typing import Any

import duckdb
import openpyxl
import pytest

from loadbook import __main__
from loadbook.cli import main as main_module
from loadbook.cli.common import files_named
from loadbook.core.errors import UsageError
from loadbook.group.duck import DuckEngine
from loadbook.group.publish import publish
from loadbook.group.read import open_group
from loadbook.group.recompute import tasks_of
from loadbook.group.target import Store
from loadbook.group.worker import work
from loadbook.store import sandbox_child, trace_files
from loadbook.store.book import BookFolder
from loadbook.store.session import start

from .smallbook import put, reading, run, small, trace
from .thinned import thinned

Run = Callable[..., subprocess.CompletedProcess[str]]
Answers = dict[str, Any]
# a name, and the neighbour that it could be taken for
HARD = {
    "plant [2]": "plant 2",
    "plant *": "plant x",
    "plant ?": "plant 2",
    "[!x]": "y",
    "**": "z",
    "plant {a,b}": "plant a",
    "it's": "its",
    'say "so"': "say so",
    "50%41": "50A",
    "a#b": "a",
    "a?mode=memory": "a",
    "a;b -- c": "a",
    "back\\slash [1]": "back\\slash 1",
    "line\nbreak": "line break",
    "-rf": "rf",
    " at both ends ": "at both ends",
    "dot.": "dot",
    "value=1000": "value",
    "run=R9": "run",
    "~": "home",
    "$HOME": "home",
    "file:x": "x",
    ":memory:": "memory",
    "a::b": "b",
    unicodedata.normalize("NFD", "Öfen é"): unicodedata.normalize("NFC", "Öfen é"),
    "炉 🔥 👩\u200d🔧": "炉 🔥",
    "\u05ea\u05e0\u05d5\u05e8 \u0641\u0631\u0646 \u202egnp": "png",
    "bytes \udcff": "bytes",
}  # fmt: skip
# several signs in one name, to run every command over
CROWDED = {
    "plant [2]": "plant 2",
    "plant *": "plant x",
    'say "it\'s" {50%41};': 'say "it',
    "a?mode=memory#b": "a",
    "back\\slash\n[1]": "back\\slash\n1",
    "-rf": "rf",
    " value=1000. ": "value=1000.",
    "~": "home",
    "file:x": "x",
    "O\u0308fen 炉 🔥 \u05ea\u05e0\u05d5\u05e8 \u202egnp \udcff": "Öfen 炉",
}

USUAL = "plant [2]"  # over which every command runs in the usual suite; the others, letters too, are in `hard`


@pytest.fixture(params=thinned(HARD, 4), ids=ascii)
def hard(request: pytest.FixtureRequest) -> str:
    return str(request.param)


@pytest.fixture
def place(hard: str, tmp_path: Path) -> Path:
    """A new folder of the hard name."""
    return made(tmp_path / "here" / hard)


def made(path: Path) -> Path:
    try:
        path.mkdir(parents=True)
    except OSError as exc:  # pragma: no cover - every name is one on the test machine
        pytest.skip(f"no such name on this disk: {exc}")
    return path


def neighbour(path: Path, name: str) -> None:
    """Beside a folder, one of another name that holds the same with every figure raised by 500."""
    copy = path.parent.parent / "copying"
    shutil.copytree(path, copy / "copy")
    for file in sorted((copy / "copy").rglob("*.parquet")):
        old, new = copy / "old.parquet", copy / "new.parquet"
        shutil.copy(file, old)
        read = f"read_parquet('{old}', hive_partitioning = false)"
        numbers = [n for n, kind, *_ in duckdb.sql(f"DESCRIBE SELECT * FROM {read}").fetchall() if kind == "DOUBLE"]
        raised = ", ".join(f'"{n}" + 500 AS "{n}"' for n in numbers if n != "t_s")
        if raised:
            duckdb.sql(f"COPY (SELECT * REPLACE ({raised}) FROM {read}) TO '{new}' (FORMAT parquet)")
            new.replace(file)
    (copy / "copy").rename(path.parent / name)
    shutil.rmtree(copy)


def drawn(base: float) -> str:
    """A recorder's file: three channels that are heated from a temperature at 84 °C an hour."""
    lines = [
        f"2026-03-14 {8 + i // 60:02}:{i % 60:02}:00,"
        f"{base + 1.4 * i:.1f},{base + 1.4 * i - 5:.1f},{base + 1.3 * i - 8:.1f}"
        for i in range(120)
    ]
    return "\n".join(["Time,Control (°C),Work 1 (°C),Work 2 (°C)", *lines, ""])


def csv_of(rows: list[dict[str, Any]]) -> str:
    out = io.StringIO()
    writer = csv.DictWriter(out, list(rows[0]))
    writer.writeheader()
    writer.writerows(rows)
    return out.getvalue()


def test_a_book_beside_its_namesake_without_brackets_reads_its_own_traces(tmp_path: Path, inside: Run) -> None:
    for name, base in (("plant 2", 900.0), ("plant [2]", 20.0)):
        with small(tmp_path / name) as book:
            run(book, "R1", 14)
        (tmp_path / "chart.csv").write_text(drawn(base), encoding="utf-8")
        assert inside("trace", "take", "chart.csv", "--run", "R1", "--book", name).returncode == 0
    theirs, ours = (next((tmp_path / n / "traces").rglob("*.parquet")) for n in ("plant 2", "plant [2]"))
    theirs.rename(theirs.with_name(ours.name))
    question = "SELECT parameter, channel, value FROM parameter ORDER BY ALL"
    taken = inside("sql", question, "--book", "plant [2]").stdout
    assert "start_work_c" in taken
    assert inside("recompute", "--book", "plant [2]").returncode == 0
    assert inside("sql", question, "--book", "plant [2]").stdout == taken, "recompute kept the neighbour's figures"
    told = inside("sql", "SELECT min(value), max(value) FROM samples", "--format", "csv", "--book", "plant [2]")
    assert told.stdout.splitlines()[1] == "12.0,186.6"


def test_a_trace_is_this_very_file(place: Path, hard: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Read alone, and by a session in which a stranger's query may read the book's traces and nothing else."""
    with small(place / "book") as book:
        for number, day in ((1, 14), (2, 15)):  # two: a file found twice would put samples under the next one's run
            run(book, f"R{number}", day)
            trace(book, f"R{number}", f"t-{number}", base=20.0 * number)
        neighbour(place, HARD[hard])
        for number in (1, 2):
            values = trace_files.read_trace(book, f"t-{number}").values
            assert (values[0, 0], values[0, -1]) == (20.0 * number, 20.0 * number + 39)
        with start(book, {"samples"}) as session:
            monkeypatch.setattr(sandbox_child, "_limit_process", lambda *_: None)  # this process goes on
            sandbox_child.give_up_rights(session.connection, session.files, 1000, 60)
            found = session.connection.execute(
                "SELECT run, channel, count(*), min(value), max(value) FROM samples WHERE channel = 'C1' GROUP BY ALL"
                " ORDER BY run"
            )
            assert found.fetchall() == [("R1", "C1", 40, 20.0, 59.0), ("R2", "C1", 40, 40.0, 79.0)]
            assert not session.left_out


@pytest.fixture(scope="module")
def plant(tmp_path_factory: pytest.TempPathFactory) -> tuple[BookFolder, Path]:
    """A book of two runs, and a folder with what it publishes, every figure raised."""
    folder = tmp_path_factory.mktemp("plant")
    book = small(folder / "book")
    for number, day in ((1, 14), (2, 15)):
        run(book, f"R{number}", day)
        trace(book, f"R{number}", f"t-{number}", base=20.0 * number)
    put(book, "reading", reading("R1", "before", 100.0, None), reading("R1", "after", 100.02, None))
    publish(book, str(made(folder / "there" / "plain") / "group"), "Linz")
    neighbour(folder / "there" / "plain", "raised")
    return book, folder / "there" / "raised"


def test_a_group_reads_its_own_files(place: Path, hard: str, plant: tuple[BookFolder, Path], tmp_path: Path) -> None:
    """In a folder of that name, and under that name in an object store."""
    book, raised = plant
    targets = [str(place / "group")]
    if hard.isprintable() and not set(hard) & set("?#:"):  # which mean something in an address
        targets.append(f"memory://{tmp_path.name}/{hard}/group")
    for target in targets:
        publish(book, target, "Linz")
    shutil.copytree(raised, place.parent / HARD[hard])
    for target in targets:
        group = open_group(target)
        engine = DuckEngine(group, {"reading", "samples"})
        samples = "SELECT run, min(value), max(value) FROM samples WHERE channel = 'C1' GROUP BY ALL ORDER BY run"
        assert engine.table(samples)[1] == [("Linz/R1", 20.0, 59.0), ("Linz/R2", 40.0, 79.0)]
        values = engine.table("SELECT value_mm FROM reading ORDER BY stage")[1]
        assert values == [(100.02,), (100.0,)]
        engine.close()
        for task in tasks_of(target, group.plants[0]):
            assert not work(task).damage


@pytest.fixture(scope="module")
def plainly(tmp_path_factory: pytest.TempPathFactory) -> Callable[[Callable[[str, Path], Answers]], Answers]:
    """What the commands say where every name is plain, asked once."""
    found: list[Answers] = []

    def once(story: Callable[[str, Path], Answers]) -> Answers:
        if not found:
            found.append(story("plain", tmp_path_factory.mktemp("plainly")))
        return found[0]

    return once


@pytest.mark.parametrize(
    "name", [n if n == USUAL else pytest.param(n, marks=pytest.mark.thorough) for n in CROWDED], ids=ascii
)
def test_every_command_says_what_it_says_where_names_are_plain(
    name: str, tmp_path: Path, inside: Run, monkeypatch: pytest.MonkeyPatch,
    plainly: Callable[[Callable[[str, Path], Answers]], Answers],
) -> None:  # fmt: skip
    def story(name: str, cwd: Path) -> Answers:
        return told(name, cwd, inside, monkeypatch)

    expected = plainly(story)
    answers = story(name, made(tmp_path / "here"))
    assert answers == expected


def told(name: str, cwd: Path, inside: Run, monkeypatch: pytest.MonkeyPatch) -> Answers:
    """What the commands say and write when every name that they are given is this one: relative, as a user types it."""
    aside = CROWDED.get(name, "beside")

    def loadbook(*words: str) -> str:
        done = inside(*words, cwd=cwd)
        assert done.returncode == 0, (words, done.stderr)
        return done.stdout

    with monkeypatch.context() as here:
        here.chdir(cwd)
        with small(Path(name)) as book:
            run(book, "R1", 14)
    rows = [
        reading("R1", stage, mm, None) | {"already_at_20c": "yes"} for stage, mm in (("before", 100), ("after", 101))
    ]
    for ending, text, theirs in (("csv", csv_of(rows), "part\n"), ("txt", drawn(20.0), drawn(520.0))):
        (cwd / f"{name}.{ending}").write_text(text, encoding="utf-8")
        (cwd / f"{aside}.{ending}").write_text(theirs, encoding="utf-8")
    book_, group = f"--book={name}", f"{name} group"
    loadbook("take", book_, "readings", "--", f"{name}.csv")
    loadbook("trace", "take", book_, "--run", "R1", "--", f"{name}.txt")
    loadbook("group", "publish", book_, "--plant", "Linz", "--", group)
    neighbour(cwd / name, aside)
    neighbour(cwd / group, f"{aside} group")
    for ending in ("svg", "html", "xlsx", "zip"):
        (cwd / f"{aside}.{ending}").write_bytes(b"theirs")
    samples = "SELECT run, channel, count(*), min(value), max(value) FROM samples GROUP BY ALL ORDER BY ALL"
    found = {
        "recompute": loadbook("recompute", book_, "--format", "csv"),
        "judge": loadbook("judge", "R1", book_, "--format", "csv"),
        "parameters": loadbook("list", "parameters", book_, "--format", "csv"),
        "samples": loadbook("sql", samples, book_),
        "moved": loadbook("moved", book_, f"--chart={name}.svg", "--format", "csv"),
        "run": loadbook("chart", "run", "R1", book_),
        "group": loadbook("group", "sql", "--", group, samples),
        "recomputed": loadbook("group", "recompute", "--format", "csv", "--", group).rpartition(",")[0],  # then seconds
        "group moved": loadbook("group", "moved", "--format", "csv", "--", group),
    }
    loadbook("page", "run", "R1", book_, f"--output={name}.html")
    loadbook("export", "2026-03", book_, f"--output={name}.xlsx")
    loadbook("backup", book_, "--", f"{name}.zip")
    loadbook("restore", "--", f"{name}.zip", f"{name} back")
    found["restored"] = loadbook("verify", f"--book={name} back").splitlines()[0]
    found["svg"] = (cwd / f"{name}.svg").read_text(encoding="utf-8")
    found["page"] = re.findall(r'id="(?:run|chart)-data">(.*?)</script>', (cwd / f"{name}.html").read_text("utf-8"))
    sheet = openpyxl.load_workbook(io.BytesIO((cwd / f"{name}.xlsx").read_bytes()))["Movement"]
    found["export"] = [[c.value for c in row] for row in sheet]
    assert all((cwd / f"{aside}.{e}").read_bytes() == b"theirs" for e in ("svg", "html", "xlsx", "zip"))
    endings = ("", " back", " group", ".csv", ".html", ".svg", ".txt", ".xlsx", ".zip")
    expected = {f"{n}{e}" for n in (name, aside) for e in endings} - {f"{aside} back"}
    assert {p.name for p in cwd.iterdir()} == expected, "something was written elsewhere"
    return found


def test_a_name_that_is_no_text_is_told_where_only_text_can_be_written(tmp_path: Path, process: Run) -> None:
    name = "bytes \udcff"
    with small(tmp_path / name) as book:
        run(book, "R1", 14)
    done = process("page", "run", "R1", f"--output={name}.html", f"--book={name}", PYTHONIOENCODING="utf-8:strict")
    assert (done.returncode, done.stdout) == (0, "bytes \\udcff.html\n")
    assert (tmp_path / f"{name}.html").stat().st_size > 1000


@pytest.mark.parametrize(
    ("typed", "meant"),
    [("*.csv", ["[1].csv", "a1.csv"]), ("[1].csv", ["[1].csv"]), ("[?].csv", ["[1].csv"]), ("?1.csv", ["a1.csv"]),
     ("none*.csv", ["none*.csv"]), ("~", ["~"]), ("in [2]/*", ["in [2]/1.txt"])],
)  # fmt: skip
def test_without_a_shell_a_star_means_files_and_brackets_mean_themselves(
    typed: str, meant: list[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    for name in ("[1].csv", "a1.csv", "in [2]/1.txt", "in 2/2.txt"):
        file = tmp_path / name
        file.parent.mkdir(exist_ok=True)
        file.touch()
    assert [p.as_posix() for p in files_named([Path(typed)])] == meant


def test_on_windows_no_argument_is_expanded_that_means_no_files(monkeypatch: pytest.MonkeyPatch) -> None:
    """click takes every argument there for a pattern, a book's folder and a query too, unless it is told not to."""
    seen: list[dict[str, Any]] = []
    monkeypatch.setattr(main_module.cli, "main", lambda *_, **how: seen.append(how))
    __main__.main()
    assert seen == [{"windows_expand_args": False}]


@pytest.mark.parametrize(
    ("address", "folder"),
    [("file:///shop/100%25%20%232%5B1%5D", "/shop/100% #2[1]"), ("file://localhost/shop", "/shop"),
     ("file:///shop [2]", "/shop [2]"), ("file:///a%FF", "/a\udcff")],
)  # fmt: skip
def test_a_file_uri_is_read_as_one(address: str, folder: str) -> None:
    assert Store(address).folder == Path(folder)


@pytest.mark.parametrize("address", ["file://server/share", "file:///a?b", "file:///a#b", "file://"])
def test_a_file_uri_that_may_mean_something_else_is_refused(address: str) -> None:
    with pytest.raises(UsageError, match="without file://"):
        Store(address)
