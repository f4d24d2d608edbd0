"""The snapshot beside a book: used where it is of this very state, made here and whole; else as if there were none."""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import random
import shutil
import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import duckdb
import pandas as pd
import pytest

from loadbook.core import writing
from loadbook.core.errors import NotFoundError
from loadbook.queries import movement_data
from loadbook.queries.filters import Filters
from loadbook.queries.sql import ask_sql
from loadbook.store import renewal, revision, sandbox, session, session_copy, snapshot, sql_files
from loadbook.store.backup import backup, restore
from loadbook.store.book import FILE, BookFolder
from loadbook.store.records import amend
from loadbook.store.verify import verify

from .smallbook import put, reading, run, small
from .thinned import thinned

MOVED = "SELECT * FROM movement ORDER BY run, part, serial, characteristic"


@pytest.fixture
def book(tmp_path: Path) -> Iterator[BookFolder]:
    """Two runs that went through one piece by turns, and two others."""
    made = small(tmp_path / "book")
    for number in (1, 2, 3):
        run(made, f"R{number}", number, setup="laid" if number % 2 else "upright")
    run(made, "R4", 4, serials=("9",), furnace="F2")
    put(
        made, "reading",
        reading("R1", "before", 100.0, "03-01T07"), reading("R1", "after", 100.1, "03-02T20"),
        reading("R2", "before", 100.1, "03-02T07"), reading("R2", "after", 100.2, "03-02T20"),
        reading("R3", "before", 100.1, "03-03T07"), reading("R3", "after", 100.3, "03-03T20"),
        reading("R3", "before", 0.01, "03-03T07", characteristic="flat"),
        reading("R3", "after", 0.02, "03-03T20", characteristic="flat"),
        reading("R4", "before", 100.0, "03-04T07", serial="9"), reading("R4", "after", 100.4, "03-04T20", serial="9"),
    )  # fmt: skip
    with made:
        yield made


def moved(book: BookFolder) -> pd.DataFrame:
    with session.start(book, {"movement"}) as made:
        return made.frame(MOVED)


def rows_of(book: BookFolder, name: str) -> pd.DataFrame:
    """What a session has under a name."""
    with session.start(book, {name}) as made:
        return made.frame(f"SELECT * FROM {name} ORDER BY ALL")


def files(book: BookFolder) -> dict[str, bytes]:
    folder = book.path / snapshot.FOLDER
    return {p.name: p.read_bytes() for p in folder.iterdir()} if folder.is_dir() else {}


def file_of(book: BookFolder, table: str) -> Path:
    (found,) = (book.path / snapshot.FOLDER).glob(f"{table}-*.parquet")
    return found


class Copied:
    """The tables that are copied out of the records while a test looks, and the kept views that are computed."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.tables: set[str] = set()
        self.parts: list[tuple[str, int]] = []
        copy, make = session_copy.copy, sql_files.make

        def seen(reader: Any, connection: Any, table: str, columns: Any, part: Any = None) -> None:
            self.tables.add(table)
            self.parts += [(table, max(part[0], 0) // revision.SMALL)] if part else []
            copy(reader, connection, table, columns, part)

        def computed(connection: Any, files: Any, *rest: Any) -> None:
            self.tables |= {file.name for file in files} & set(snapshot.VIEWS)
            make(connection, files, *rest)

        monkeypatch.setattr(session_copy, "copy", seen)
        monkeypatch.setattr(sql_files, "make", computed)

    def __call__(self, book: BookFolder, name: str = "movement") -> set[str]:
        """Ask what moved; give back what was copied and computed for it."""
        self.tables, self.parts = set(), []
        rows_of(book, name)
        return self.tables


@pytest.fixture
def copied(monkeypatch: pytest.MonkeyPatch) -> Copied:
    return Copied(monkeypatch)


def test_the_second_question_copies_nothing_and_gives_the_same(book: BookFolder, copied: Copied) -> None:
    first = moved(book)
    assert len(first) == 5 and {"reading", "run"} <= copied.tables
    copied.tables.clear()
    pd.testing.assert_frame_equal(moved(book), first)
    assert copied.tables == set()


def test_only_tables_that_changed_are_written_anew_and_the_old_ones_go(book: BookFolder, copied: Copied) -> None:
    moved(book)
    before = files(book)
    put(book, "reading", reading("R4", "before", 50.0, "03-04T07", serial="9", characteristic="bore"))
    assert copied(book) == {"reading", "movement"}
    after = files(book)
    changed = {n.split("-")[0] for n in after.keys() ^ before.keys()}
    assert changed == {"reading", "movement"} and len(after) == len(before)
    assert all(after[n] == before[n] for n in after.keys() & before.keys() if n != snapshot.LIST)


def test_a_transaction_that_was_undone_leaves_the_snapshot_good(book: BookFolder, copied: Copied) -> None:
    moved(book)
    with pytest.raises(RuntimeError), book.write() as conn:
        conn.execute("UPDATE revision SET number = number + 1")
        raise RuntimeError
    assert copied(book) == set()


def test_it_may_be_deleted_at_any_moment(book: BookFolder, copied: Copied) -> None:
    first = moved(book)
    with session.start(book, {"movement"}) as made:
        shutil.rmtree(book.path / snapshot.FOLDER)  # under a question that has begun
        pd.testing.assert_frame_equal(made.frame(MOVED), first)
    assert "reading" in copied(book) and copied(book) == set()


COLUMN = {"reading": "value_mm", "movement": "before_mm"}


def other_rows(data: Path) -> bytes:
    """The file with other values in it, as a forger would write them."""
    made = duckdb.connect()
    column = COLUMN[data.name.split("-")[0]]
    out = data.with_name("forged")
    made.execute(
        f"COPY (SELECT * REPLACE ({column} + 1 AS {column}) FROM read_parquet('{data}')) TO '{out}' (FORMAT parquet)"
    )
    forged = out.read_bytes()
    out.unlink()
    return forged


def listed_as(book: BookFolder, file: Path) -> None:
    """Put the SHA-256 of a file into the list, with the rest of its entry as it was."""
    path = book.path / snapshot.FOLDER / snapshot.LIST
    found = json.loads(path.read_text())
    found["files"][file.name][2] = hashlib.sha256(file.read_bytes()).hexdigest()
    path.write_text(json.dumps(found))


def listed_anew(book: BookFolder, file: Path) -> None:
    """Put a file into the list as if this program had just written it."""
    path, there = book.path / snapshot.FOLDER / snapshot.LIST, file.stat()
    found = json.loads(path.read_text())
    found["files"][file.name] = [there.st_ino, there.st_ctime_ns, hashlib.sha256(file.read_bytes()).hexdigest()]
    path.write_text(json.dumps(found))


HURT = {
    "cut off": lambda _, p: p.write_bytes(p.read_bytes()[:-9]),
    "emptied": lambda _, p: p.write_bytes(b""),
    "one byte": lambda _, p: p.write_bytes(p.read_bytes()[:100] + b"\0" + p.read_bytes()[101:]),
    "other rows": lambda _, p: p.write_bytes(other_rows(p)),
    "other rows, and listed": lambda b, p: (p.write_bytes(other_rows(p)), listed_as(b, p)),
    "touched": lambda _, p: os.utime(p),
    "a link": lambda b, p: (shutil.move(p, b.path / "kept"), p.symlink_to(b.path / "kept")),
    "a folder": lambda _, p: (p.unlink(), p.mkdir()),
    "a pipe": lambda _, p: (p.unlink(), os.mkfifo(p)),
}  # fmt: skip


@pytest.mark.parametrize("case", thinned([(how, name) for name in COLUMN for how in HURT], 4), ids=", ".join)
@pytest.mark.skipif(os.name == "nt", reason="links and pipes")
def test_a_file_that_is_not_as_it_was_written_is_not_believed(
    book: BookFolder, copied: Copied, case: tuple[str, str]
) -> None:
    how, name = case
    moved(book)
    first = rows_of(book, name)
    HURT[how](book, file_of(book, name))
    pd.testing.assert_frame_equal(rows_of(book, name), first)
    in_the_way = how in ("a link", "a folder", "a pipe")  # nothing is written over these
    assert copied(book, name) == ({name} if in_the_way else set())


@pytest.mark.parametrize("name", COLUMN)
def test_a_file_that_the_engine_cannot_read_is_not_believed(book: BookFolder, copied: Copied, name: str) -> None:
    """Its list says that it is as it was written: then something else than this program wrote it."""
    moved(book)
    first, file = rows_of(book, name), file_of(book, name)
    writing.put(file, b"PAR1 and no more", over=True)
    listed_anew(book, file)
    copied.tables.clear()
    pd.testing.assert_frame_equal(rows_of(book, name), first)
    assert copied.tables == {name}
    assert verify(book).wrong == [] and copied(book, name) == set()  # it was made anew


LISTS = [b"", b"{", b"[]", b"null", b'{"form": 1}', b'{"form": 1, "files": []}', b'{"form": 1, "files": {"a": 1}}',
         b'{"form": 1, "files": {"run-0123456789abcdef.parquet": [1, 2]}}', b"[" * 100_000, b"\xff", b"x" * 2_000_000,
         b'{"form": 2, "files": {}}', b'{"form": 1, "files": {"../book.sqlite": [1, 2, "x"]}}']  # fmt: skip


@pytest.mark.parametrize("text", thinned(LISTS, 5), ids=lambda t: str(t[:40]))
def test_a_list_that_is_none_counts_as_none(book: BookFolder, copied: Copied, text: bytes) -> None:
    first = moved(book)
    (book.path / snapshot.FOLDER / snapshot.LIST).write_bytes(text)
    pd.testing.assert_frame_equal(moved(book), first)
    assert copied(book) == set()


@pytest.mark.parametrize("name", COLUMN)
def test_a_snapshot_that_came_with_its_book_is_none(book: BookFolder, tmp_path: Path, name: str) -> None:
    """What a stranger packs: a list that was right where it was made."""
    first = moved(book)
    data = file_of(book, name)
    right = rows_of(book, name)[COLUMN[name]].tolist()
    writing.put(data, other_rows(data), over=True)
    listed_anew(book, data)
    assert rows_of(book, name)[COLUMN[name]].tolist() != right  # where it was made, the forgery works,
    (wrong,) = verify(book).wrong  # and is found
    assert wrong.startswith(f"snapshot/{data.name} does not say what the book says: delete the folder snapshot")
    book.close()
    shutil.copytree(book.path, tmp_path / "copy", copy_function=shutil.copy2)
    with BookFolder.open(tmp_path / "copy") as copy:
        pd.testing.assert_frame_equal(moved(copy), first)
        assert verify(copy).wrong == []


def test_verify_says_that_it_agrees(book: BookFolder, loadbook: Any) -> None:
    moved(book)
    said = loadbook("verify", cwd=book.path)
    assert said.returncode == 0
    assert "13 files of the snapshot agree with the book" in said.stdout.splitlines(), said.stdout


def test_verify_finds_a_change_behind_the_guards_back(book: BookFolder) -> None:
    moved(book)
    with sqlite3.connect(book.file) as conn:
        triggers = conn.execute("SELECT name, sql FROM sqlite_schema WHERE type = 'trigger'").fetchall()
        for name, _ in triggers:
            conn.execute(f"DROP TRIGGER {name}")
        conn.execute("UPDATE reading SET value_mm = value_mm + 1 WHERE reading_id = 1")
        for _, sql in triggers:
            conn.execute(sql)
    wrong = verify(book).wrong
    assert all(any(w.startswith(f"snapshot/{name}-") for w in wrong) for name in COLUMN), wrong


def test_where_a_guard_is_gone_the_records_alone_count(book: BookFolder, copied: Copied) -> None:
    moved(book)
    before = files(book)
    with sqlite3.connect(book.file) as conn:
        conn.execute("DROP TRIGGER reading_counts_update")
        conn.execute("DROP TRIGGER reading_kept")
        conn.execute("UPDATE reading SET value_mm = 1 WHERE reading_id = 1")
    assert {"reading", "run"} <= copied(book) and 1.0 in moved(book)["before_mm"].tolist()
    assert files(book) == before


def test_where_nothing_can_be_written_questions_work_as_ever(
    book: BookFolder, copied: Copied, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("LOADBOOK_NETWORK", "yes")
    first = moved(book)
    assert files(book) == {}
    monkeypatch.setenv("LOADBOOK_NETWORK", "no")

    def full(*_: Any, **__: Any) -> None:
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patched:
        patched.setattr(writing, "put", full)
        pd.testing.assert_frame_equal(moved(book), first)
    assert files(book) == {}
    (book.path / snapshot.FOLDER).rmdir()
    (book.path / snapshot.FOLDER).write_text("a file in its place")
    pd.testing.assert_frame_equal(moved(book), first)
    (book.path / snapshot.FOLDER).unlink()
    elsewhere = book.path.parent / "elsewhere"
    elsewhere.mkdir()
    (book.path / snapshot.FOLDER).symlink_to(elsewhere)
    pd.testing.assert_frame_equal(moved(book), first)
    assert list(elsewhere.iterdir()) == []


class Killed(BaseException):
    pass


@pytest.mark.thorough
def test_killed_at_any_write_it_is_the_old_or_the_new(book: BookFolder, monkeypatch: pytest.MonkeyPatch) -> None:
    put_file = writing.put
    for after in range(16):
        put(book, "furnace", {"furnace": f"X{after}", "atmosphere": "air"})
        for file in list((book.path / snapshot.FOLDER).glob("*")) if after % 3 == 0 else []:
            file.unlink()
        left = after

        def dying(*args: Any, **given: Any) -> None:
            nonlocal left
            if left == 0:
                raise Killed
            left -= 1
            put_file(*args, **given)

        with monkeypatch.context() as patched:
            patched.setattr(writing, "put", dying)
            with contextlib.suppress(Killed):
                moved(book)
        with session.start(book, {"furnace", "movement"}) as made:
            assert made.rows("SELECT count(*) FROM furnace") == [(3 + after,)]
            assert made.rows("SELECT count(*) FROM movement") == [(5,)]
        assert verify(book).wrong == []


def computed(conn: sqlite3.Connection, run: str, *values: float) -> None:
    """A run's parameters, made anew as by `recompute`."""
    conn.execute("DELETE FROM parameter WHERE run = ? AND intake_id IS NULL", (run,))
    conn.executemany(
        "INSERT INTO parameter (run, parameter, value, unit, source, algorithm) VALUES (?, ?, ?, 'h', 'trace', '1')",
        [(run, f"p{i}", value) for i, value in enumerate(values)],
    )


def test_of_a_long_table_only_the_parts_that_changed_are_copied(
    book: BookFolder, copied: Copied, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(revision, "PART", 8)  # the book has 10 readings: 1 to 7 and, where it grows, 8 to 11
    monkeypatch.setattr(revision, "SMALL", 4)

    def read() -> list[tuple[str, int]]:
        copied(book)
        assert snapshot.check(book)[1] == []
        return sorted(copied.parts)

    assert {("reading", 0), ("reading", 2)} <= set(read())
    put(book, "reading", reading("R4", "before", 50.0, "03-04T07", serial="9", characteristic="bore"))
    assert read() == [("reading", 2)]
    with book.write() as conn:
        amend(conn, "reading", "", 5, {"value_mm": 100.25}, why="typed wrong")
    assert read() == [("reading", 0)]
    assert 100.25 in moved(book)["before_mm"].tolist() + moved(book)["after_mm"].tolist()
    with contextlib.closing(sqlite3.connect(book.file, isolation_level=None)) as other:  # nobody notes where
        listed = ", ".join(r[1] for r in other.execute("PRAGMA table_info(reading)"))
        changed = listed.replace("reading_id", "12").replace("repeat", "2")
        other.execute(f"INSERT INTO reading SELECT {changed} FROM reading WHERE reading_id = 1")
    assert read() == [("reading", part) for part in (0, 2, 3)]
    next(iter((book.path / snapshot.FOLDER).glob("reading-*"))).unlink()
    (book.path / snapshot.FOLDER / file_of(book, "movement").name).unlink()
    assert len(read()) == 1
    for values in ((1.0, 2.0), (3.0, 4.0, 5.0), (6.0,)):
        with book.write() as conn:
            computed(conn, "R1", *values)
        assert rows_of(book, "parameter")["value"].tolist() == sorted(values)


AMENDED = [
    ("material", "cte_per_k", 13e-6), ("material", "family", "tool steel"), ("gauge", "expanded_uncertainty_mm", 0.01),
    ("job", "customer", "D"), ("furnace", "atmosphere", "argon"), ("cycle", "process", "age"),
    ("operation", "operation", "grind"), ("reading", "value_mm", 100.003), ("piece", "setup", "hung"),
    ("piece", "job", None), ("part", "shape", "plate"), ("part", "material", "odd"),
    ("characteristic", "upper_mm", 100.2),
    ("run", "started", "2026-03-01T10:00:00Z"), ("run", "status", "void"),
]  # fmt: skip


@pytest.mark.parametrize("amended", [AMENDED[::5], pytest.param(AMENDED, marks=pytest.mark.thorough)], ids=len)
def test_movement_is_made_anew_where_a_changed_row_touches_it(
    amended: list[tuple[str, str, Any]], book: BookFolder, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whatever table a row changed in, and nothing else is computed."""
    monkeypatch.setattr(renewal, "LEAST", 0)
    put(book, "job", {"job": "J1", "customer": "C"})
    put(book, "part", *({"part": f"X{i}", "material": "odd"} for i in range(4)))
    put(book, "characteristic", {"part": "X0", "characteristic": "od", "kind": "outside diameter", "scale": "um"})
    put(book, "piece", *({"run": r, "part": "X0", "serial": "1", "quantity": 1} for r in ("R1", "R2")))
    stages = (("before", 50.0, "T07"), ("after", 50.1, "T20"))
    put(book, "reading", *(reading(f"R{d}", stage, value, f"03-0{d}{at}", part="X0", gauge="G2", already_at_20c=0,
                                   piece_temp_c=25.0, gauge_temp_c=24.0)
                           for d in (1, 2) for stage, value, at in stages))  # fmt: skip
    put(book, "reading", reading("R1", "before", 20.0, "03-01T07", characteristic="bore", already_at_20c=0,
                                 piece_temp_c=25.0, gauge_temp_c=24.0))  # fmt: skip
    put(book, "operation", {"part": "00123", "serial": "9", "sequence": 1, "operation": "stress", "run": "R4"})
    with book.write() as conn:
        amend(conn, "piece", "", 1, {"job": "J1"}, why="forgotten")
    computed, make = [], sql_files.make

    def seen(connection: Any, files: Any, *rest: Any) -> None:
        files = list(files)
        make(connection, files, *rest)
        if any(f.name == "movement" for f in files):
            rows = connection.execute("SELECT table_name FROM duckdb_tables() WHERE table_name = 'touched'").fetchall()
            computed.append(
                [r[0] for r in connection.execute("FROM touched ORDER BY part").fetchall()] if rows else None
            )

    monkeypatch.setattr(sql_files, "make", seen)

    def same() -> list[list[str] | None]:
        computed.clear()
        renewed = rows_of(book, "movement")
        found = list(computed)
        with monkeypatch.context() as patched:
            patched.setattr(snapshot, "current", lambda *_: {})
            pd.testing.assert_frame_equal(renewed, rows_of(book, "movement"))
        return found

    assert same() == [None]
    assert same() == []
    for table, column, value in amended:
        with book.write() as conn:
            amend(conn, table, "", 1, {column: value}, why="typed wrong")
        (touched,) = same()
        assert touched in (["00123"], ["00123", "X0"] if table in ("run", "furnace", "cycle") else None), table
    put(book, "operation", {"part": "00123", "serial": "1", "sequence": 1, "operation": "straighten",
                            "at": "2026-03-02T10:00:00Z"})  # fmt: skip
    assert same() == [["00123"]]
    put(book, "confirmation", {"subject": "reading", "run": "R2", "reading_id": 3, "decision": "confirmed",
                               "person": "P", "why": "slip", "at": "2026-04-01T08:00:00Z"})  # fmt: skip
    assert same() == [["00123"]]
    put(book, "furnace", {"furnace": "F3", "atmosphere": "air"})
    assert same() == [[]]
    put(book, "piece", *({"run": r, "part": "X1", "serial": "1", "quantity": 1} for r in ("R1", "R2")))
    assert same() == [["X1"]]


def _grow(book: BookFolder, draw: random.Random) -> None:
    """Change a book in some way that programs or people have, or hurt its snapshot."""
    runs = [r[0] for r in book.read().execute("SELECT run FROM run")]
    kind = draw.choice(["run", "reading", "amend", "computed", "computed", "undone", "elsewhere", "removed", "mended"])
    folder = book.path / snapshot.FOLDER
    if kind == "run":
        run(book, f"R{len(runs) + 1}", draw.randint(1, 28), month=draw.randint(1, 12))
    elif kind == "reading":
        for number in range(draw.randint(1, 4)):
            put(book, "reading", reading(draw.choice(runs[:3]), "before", 100 + draw.random(), None,
                                         repeat=draw.randint(2, 9_999_999) + number))  # fmt: skip
    elif kind == "amend":
        ids = [r[0] for r in book.read().execute("SELECT reading_id FROM reading WHERE value_mm > 1")]
        with book.write() as conn:
            amend(conn, "reading", "", draw.choice(ids), {"value_mm": 100 + draw.random()}, why="typed wrong")
    elif kind == "computed":
        with book.write() as conn:
            for name in draw.sample(runs, draw.randint(1, 2)):
                computed(conn, name, *(draw.random() for _ in range(draw.randint(0, 9))))
    elif kind == "undone":
        with contextlib.suppress(ZeroDivisionError), book.write() as conn:
            computed(conn, draw.choice(runs), draw.random())
            raise ZeroDivisionError
    elif kind == "elsewhere":
        with contextlib.closing(sqlite3.connect(book.file, isolation_level=None)) as other:
            other.execute("PRAGMA recursive_triggers = ON")
            computed(other, draw.choice(runs), *(draw.random() for _ in range(draw.randint(1, 9))))
    elif kind == "removed":
        for file in draw.sample(sorted(folder.iterdir()), 3) if folder.is_dir() else []:
            file.unlink()
    else:
        with book.write(mending=True) as conn:  # until then guards were gone, so that nothing was counted
            guards = conn.execute("SELECT name, sql FROM sqlite_schema WHERE name LIKE 'parameter_counts_%'").fetchall()
            for name, _ in guards:
                conn.execute(f"DROP TRIGGER {name}")
            computed(conn, draw.choice(runs), draw.random())
            for _, sql in guards:
                conn.execute(sql)


def _copied_over(one: Path, other: Path) -> None:
    with contextlib.closing(sqlite3.connect(one)) as left, contextlib.closing(sqlite3.connect(other)) as right:
        left.backup(right)


@pytest.mark.parametrize("seed", thinned(range(12), 12))
def test_whatever_happens_to_book_and_snapshot_it_never_says_something_else(
    book: BookFolder, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, seed: int
) -> None:
    draw, put_file = random.Random(seed), writing.put
    monkeypatch.setattr(revision, "PART", 6)
    monkeypatch.setattr(revision, "SMALL", 2)
    monkeypatch.setattr(renewal, "LEAST", 0)
    older = tmp_path / "older.sqlite"
    for step in range(8):
        if draw.random() < 0.15:  # an older copy of the file comes back, and history goes on from there
            _copied_over(*((older, book.file) if older.exists() else (book.file, older)))
        _grow(book, draw)
        left = draw.randint(0, 40)

        def dying(*args: Any, **given: Any) -> None:
            nonlocal left
            left -= 1
            if left == 0:
                raise Killed
            put_file(*args, **given)

        with monkeypatch.context() as patched:
            patched.setattr(writing, "put", dying)
            with contextlib.suppress(Killed):
                rows_of(book, draw.choice(["movement", "parameter", "runs"]))
        with session.start(book, set(TOLD), keep=draw.random() < 0.5) as made:
            for table, column in TOLD.items():
                sql = f"SELECT {table}_id, {column} FROM {table} ORDER BY 1"
                assert made.rows(sql) == [tuple(r) for r in book.read().execute(sql)], (seed, step, table)
        if step % 4 == 3:
            assert snapshot.check(book)[1] == [], (seed, step)


TOLD = {"parameter": "value", "reading": "value_mm", "run": "furnace"}

_ASKER = """
import sys
from pathlib import Path
from loadbook.store import session
from loadbook.store.book import BookFolder
for _ in range(int(sys.argv[2])):
    with BookFolder.open(Path(sys.argv[1])) as book, session.start(book, {"run", "piece"}) as made:
        ((runs, pieces),) = made.rows("SELECT (SELECT count(*) FROM run), (SELECT count(*) FROM piece)")
        assert runs == pieces, (runs, pieces)
print("done")
"""


@pytest.mark.thorough
def test_one_writes_while_two_ask(book: BookFolder) -> None:
    """A run and its piece are written in one transaction: whoever asks finds as many of the one as of the other."""
    moved(book)
    askers = [
        subprocess.Popen(
            [sys.executable, "-c", _ASKER, str(book.path), "15"], stdout=subprocess.PIPE, stderr=subprocess.PIPE
        )
        for _ in range(2)
    ]
    number = 0
    while number < 10 or any(a.poll() is None for a in askers):
        number += 1
        with book.write() as conn:
            conn.execute(
                "INSERT INTO run (run, furnace, started, status, intake_id)"
                f" SELECT 'N{number}', furnace, started, status, intake_id FROM run LIMIT 1"
            )
            conn.execute(
                "INSERT INTO piece (run, part, serial, quantity, intake_id)"
                f" SELECT 'N{number}', part, serial, quantity, intake_id FROM piece LIMIT 1"
            )
        if number >= 2000:
            break
    said = [a.communicate(timeout=60) for a in askers]
    assert [out.strip() for out, _ in said] == [b"done", b"done"], said
    agree, wrong = snapshot.check(book)
    assert wrong == [] and agree > 0
    moved(book)
    assert len(list((book.path / snapshot.FOLDER).glob("run-*"))) == 1


def _random_filters(seed: int) -> Filters:
    draw = random.Random(seed)
    some: dict[str, Any] = {
        "part": "00123", "kind": draw.choice(["flatness", "outside diameter", "flatness,outside diameter"]),
        "furnace": draw.choice(["F1", "F2"]), "setup": draw.choice(["laid", "upright"]), "cycle": "SR",
        "since": f"2026-03-0{draw.randint(1, 4)}", "until": f"2026-03-0{draw.randint(1, 5)}T08:00:00Z",
        "where": draw.choice(["movement_um > 100", "serial = '9'", "before_mm < 100.05"]),
    }  # fmt: skip
    return Filters(**{name: some[name] for name in draw.sample(sorted(some), draw.randint(0, 3))})


@pytest.mark.thorough
def test_questions_give_the_same_with_and_without(book: BookFolder, monkeypatch: pytest.MonkeyPatch) -> None:
    def asked(filters: Filters) -> pd.DataFrame | None:
        try:
            return movement_data.load(book, filters).frame.sort_values(["run", "serial", "characteristic"])
        except NotFoundError:
            return None

    found = 0
    for seed in range(12):
        filters = _random_filters(seed)
        monkeypatch.setenv("LOADBOOK_NETWORK", "no")
        asked(filters)
        with_it = asked(filters)
        monkeypatch.setattr(snapshot, "current", lambda *_: {})
        without = asked(filters)
        monkeypatch.undo()
        assert (with_it is None) == (without is None), filters
        if with_it is not None and without is not None:
            found += 1
            pd.testing.assert_frame_equal(with_it.reset_index(drop=True), without.reset_index(drop=True))
    assert found >= 5


def test_a_stranger_s_query_reads_it_and_its_process_writes_nothing(book: BookFolder) -> None:
    assert list(sandbox.run_query(book, "SELECT count(*) FROM movement").rows()) == [(5,)]
    assert files(book) == {}
    assert list(ask_sql(book, "SELECT count(*) FROM movement").rows()) == [(5,)]
    before = files(book)
    assert any(name.startswith("reading-") for name in before)
    assert list(ask_sql(book, "SELECT count(*) FROM movement").rows()) == [(5,)]
    assert files(book) == before


def test_a_backup_leaves_it_out(book: BookFolder, tmp_path: Path) -> None:
    first = moved(book)
    assert set(backup(book, tmp_path / "b.zip").digests) == {FILE}
    with restore(tmp_path / "b.zip", tmp_path / "restored") as restored:
        assert files(restored) == {}
        pd.testing.assert_frame_equal(moved(restored), first)


def test_a_view_that_is_made_in_other_words_is_made_anew(
    book: BookFolder, copied: Copied, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As after an update of the program."""
    moved(book)
    assert copied(book) == set()
    shipped = sql_files.views()
    other = replace(shipped["reading_at_20c"], text=shipped["reading_at_20c"].text + "\n-- in other words")
    monkeypatch.setattr(sql_files, "views", lambda: shipped | {"reading_at_20c": other})
    assert copied(book) == {"movement"} and copied(book) == set()
    assert len(list((book.path / snapshot.FOLDER).glob("movement-*"))) == 1


def test_a_kept_view_spares_the_tables_that_it_was_made_of(book: BookFolder) -> None:
    first = moved(book)
    file_of(book, "reading").unlink()
    with session.start(book, {"movement"}) as made:
        assert made.rows("SELECT table_name FROM duckdb_tables()") == []
        pd.testing.assert_frame_equal(made.frame(MOVED), first)
    found = sandbox.run_query(book, MOVED)
    assert found.columns == list(first.columns) and [r[0] for r in found.rows()] == first["run"].tolist()
