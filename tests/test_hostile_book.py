"""A book from a stranger opens safely or is refused: through list, show, judge, sql, verify and backup, each tried."""

from __future__ import annotations

import json
import os
import shutil
import sqlite3
import zipfile
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner

from loadbook.cli.main import cli
from loadbook.store.book import BookFolder
from tests.thinned import thinned

from .smallbook import run, small, trace

SECRET = "top secret line"
COMMANDS = [
    ("list", "runs"), ("show", "runs", "R1"), ("judge", "R1"), ("sql", "SELECT count(*) FROM samples"), ("verify",),
    ("backup", "out.zip"),
]  # fmt: skip


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("stranger")
    book = small(folder / "book")
    run(book, "R1", 2)
    trace(book, "R1", "t-1")
    book.close()
    return book.path


def opened(path: Path) -> sqlite3.Connection:
    conn = sqlite3.connect(path / "book.sqlite", isolation_level=None)
    conn.execute("PRAGMA foreign_keys = OFF")
    conn.execute("PRAGMA ignore_check_constraints = ON")
    for (name,) in conn.execute("SELECT name FROM sqlite_schema WHERE type = 'trigger'").fetchall():
        conn.execute(f'DROP TRIGGER "{name}"')
    return conn


def sql(*statements: str) -> Callable[[Path], None]:
    def change(path: Path) -> None:
        conn = opened(path)
        for statement in statements:
            conn.execute(statement)
        conn.close()

    return change


def schema(table: str, new: str) -> Callable[[Path], None]:
    """The table's definition replaced in the schema itself."""

    def change(path: Path) -> None:
        conn = opened(path)
        conn.execute("PRAGMA writable_schema = ON")
        conn.execute("UPDATE sqlite_schema SET sql = ? WHERE name = ?", (new, table))
        conn.execute("PRAGMA writable_schema = OFF")
        conn.close()

    return change


def endless(table: str) -> Callable[[Path], None]:
    return sql(
        f"ALTER TABLE {table} RENAME TO was_{table}",
        f"CREATE VIEW {table} AS WITH RECURSIVE r(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM r)"
        f" SELECT w.* FROM was_{table} w, r",
    )


def instead(name: str, make: Callable[[Path], None]) -> Callable[[Path], None]:
    """A file of the book moved away and something else put in its place."""

    def change(path: Path) -> None:
        target = path / name
        target.rename(path.parent / "aside")
        make(target)

    return change


def link_trace(path: Path) -> None:
    file = next((path / "traces").rglob("*.parquet"))
    file.unlink()
    file.symlink_to(path.parent / "secret.txt")


def giant(path: Path) -> None:
    conn = opened(path)
    conn.execute("UPDATE run SET note = CAST(zeroblob(200000000) AS TEXT)")
    conn.close()


HOSTILE: dict[str, Callable[[Path], None]] = {
    "a view that never ends": endless("run"),
    "a view over part": endless("part"),
    "a view of a new name": sql("CREATE VIEW own AS SELECT * FROM run"),
    "a table of a new name": sql("CREATE TABLE own (x)"),
    "a virtual table": sql("CREATE VIRTUAL TABLE own USING fts5(x)"),
    "a trigger on reading's side": sql("CREATE TRIGGER evil AFTER INSERT ON intake BEGIN DELETE FROM run; END"),
    "a trigger under SQLite's name": lambda p: _named(p),
    "generated columns": schema("setting", "CREATE TABLE setting (name TEXT, value TEXT AS (upper(name)))"),
    "a schema that is not SQL": schema("run", "CREATE TABLE run (((("),
    "a path out of the book": sql("UPDATE trace SET path = '../secret.txt'"),
    "a path to the root": sql("UPDATE trace SET path = '/etc/passwd'"),
    "a path with a NUL": sql("UPDATE trace SET path = 'traces/' || char(0) || '/x'"),
    "a path that is a blob": sql("UPDATE trace SET path = CAST(x'ff00ff' AS TEXT)"),
    "a trace that is a link": link_trace,
    "traces that are a link": instead("traces", lambda t: t.symlink_to(t.parent.parent / "aside")),
    "a book that is a link": instead("book.sqlite", lambda t: t.symlink_to(t.parent.parent / "aside")),
    "a log that is a link": lambda p: (p / "book.sqlite-wal").symlink_to(p.parent / "secret.txt"),
    "a book that is a pipe": instead("book.sqlite", lambda t: os.mkfifo(t)),
    "a book that is a folder": instead("book.sqlite", lambda t: t.mkdir()),
    "a book that is a device": instead("book.sqlite", lambda t: t.symlink_to("/dev/zero")),
    "a book that is text": instead("book.sqlite", lambda t: t.write_text("x" * 5000)),
    "another program's file": sql("PRAGMA application_id = 7"),
    "a version not known": sql("PRAGMA user_version = 2000000000"),
    "a version below zero": sql("PRAGMA user_version = -5"),
    "a giant text": giant,
    "units unknown": sql("UPDATE setting SET value = 'furlong' WHERE name = 'units'"),
    "a zone out of the folder": sql("UPDATE setting SET value = '../../../etc/passwd' WHERE name = 'zone'"),
    "a guard that is not a number": sql("INSERT OR REPLACE INTO setting (name, value) VALUES ('guard_factor', 'x')"),
    "texts that are no UTF-8": sql("UPDATE run SET note = CAST(x'fffe80' AS TEXT), run = CAST(x'52ff31' AS TEXT)"),
    "moments that are none": sql("UPDATE run SET started = 'yesterday'"),
    "text that steers": sql("UPDATE run SET note = char(27) || '[2J' || char(155) || char(8238)"),
    "cut short": lambda p: os.truncate(p / "book.sqlite", 20_000),
    "nothing in it": lambda p: os.truncate(p / "book.sqlite", 0),
}


def _named(path: Path) -> None:
    conn = opened(path)
    conn.execute("PRAGMA writable_schema = ON")
    conn.execute("CREATE TRIGGER evil AFTER INSERT ON intake BEGIN DELETE FROM run; END")
    conn.execute("UPDATE sqlite_schema SET name = 'sqlite_evil' WHERE name = 'evil'")
    conn.close()


@pytest.mark.parametrize(
    "name",
    thinned(sorted(HOSTILE, key=lambda name: name == "a giant text"), 3),  # that one takes seconds
)
def test_a_strangers_book_opens_safely_or_is_refused(
    made: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    path = tmp_path / "book"
    shutil.copytree(made, path)
    (tmp_path / "secret.txt").write_text(SECRET)
    HOSTILE[name](path)
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("LOADBOOK_WAIT", "1")
    for words in COMMANDS:
        done = CliRunner().invoke(cli, [*words, "--book", "book"])
        assert done.exit_code in (0, 1, 2, 3), (words, done.output)
        assert "Traceback" not in done.output and "unexpected fault" not in done.output, (words, done.output)
        assert SECRET not in done.output, words
        assert not {c for c in done.output if not c.isprintable() and c not in "\n\t"}, (words, done.output)
    if (tmp_path / "out.zip").exists():
        with zipfile.ZipFile(tmp_path / "out.zip") as archive:
            assert all(SECRET.encode() not in archive.read(n) for n in archive.namelist())
    assert (tmp_path / "secret.txt").read_text() == SECRET


def test_a_strangers_trigger_never_runs(made: Path, tmp_path: Path) -> None:
    path = tmp_path / "book"
    shutil.copytree(made, path)
    HOSTILE["a trigger on reading's side"](path)
    done = CliRunner().invoke(cli, ["add", "furnaces", "furnace=F9", "atmosphere=air", "--book", str(path)])
    assert done.exit_code == 3 and "the trigger 'evil' is not the program's: nothing is written" in done.output
    with BookFolder.open(path) as book:
        assert book.read().execute("SELECT count(*) FROM run").fetchone()[0] == 1


def packed(path: Path, files: dict[str, bytes], manifest: object = None) -> Path:
    import hashlib

    listed = {"form": "loadbook backup 1", "files": {n: hashlib.sha256(b).hexdigest() for n, b in files.items()}}
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in files.items():
            archive.writestr(name, data)
        text = manifest if isinstance(manifest, str) else json.dumps(listed if manifest is None else manifest)
        archive.writestr("manifest.json", text)
    return path


@pytest.mark.parametrize(
    "what", ["wal", "outside", "bomb", "list", "deep", "nul", "no book", "view", "empty", "no zip"]
)
def test_a_strangers_backup_is_refused_and_leaves_nothing(made: Path, tmp_path: Path, what: str) -> None:
    good = (made / "book.sqlite").read_bytes()
    file = tmp_path / "b.zip"
    if what == "wal":
        packed(file, {"book.sqlite": good, "book.sqlite-wal": b"x" * 100})
    elif what == "outside":
        packed(file, {"book.sqlite": good, "traces/../../evil": b"x"})
    elif what == "bomb":
        packed(file, {"book.sqlite": good, "traces/2026/x.parquet": bytes(300_000_000)})
    elif what == "list":
        packed(file, {"book.sqlite": good}, ["form", "files"])
    elif what == "deep":
        packed(file, {"book.sqlite": good}, "[" * 200_000)
    elif what == "nul":
        packed(file, {"book.sqlite": good}, {"form": "loadbook backup 1", "files": {"book.sqlite": 1, "traces/\0": 2}})
    elif what == "no book":
        packed(file, {"book.sqlite": b"SQLite format 3\0" + bytes(5000)})
    elif what == "view":
        shutil.copytree(made, tmp_path / "copy")
        HOSTILE["a view over part"](tmp_path / "copy")
        packed(file, {"book.sqlite": (tmp_path / "copy" / "book.sqlite").read_bytes()})
        shutil.rmtree(tmp_path / "copy")
    else:
        file.write_bytes(b"" if what == "empty" else b"PK\x03\x04" + os.urandom(500))
    done = CliRunner().invoke(cli, ["restore", str(file), str(tmp_path / "new")])
    assert done.exit_code in (1, 3), done.output
    assert "unexpected fault" not in done.output and "could not be used" not in done.output, done.output
    assert sorted(p.name for p in tmp_path.iterdir()) == ["b.zip"]
