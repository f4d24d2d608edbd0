"""A book of every schema that was released upgrades, with a backup first, and is whole afterwards.

Each is brought to a schema that is pretended to come after the newest (later_schema.py): so there is always a step.
"""

from __future__ import annotations

import shutil
import sqlite3
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from loadbook.core.errors import LoadbookError
from loadbook.store import migrations, revision
from loadbook.store.backup import restore
from loadbook.store.book import BookFolder
from loadbook.store.records import add_intake
from loadbook.store.verify import records, verify

from . import bookstate, later_schema

FOLDER = Path(__file__).resolve().parent.parent / "fixtures" / "books"
OLD = sorted(FOLDER.glob("schema-*.zip"))
Run = Callable[..., subprocess.CompletedProcess[str]]


def test_a_book_of_every_schema_is_kept() -> None:
    kept = [p.stem for p in OLD]
    assert kept == [f"schema-{s.number:04d}" for s in migrations.steps()], "python -m tests.make_old_book keeps them"


@pytest.mark.parametrize("kept", OLD, ids=[p.stem for p in OLD])
def test_a_kept_book_is_brought_to_the_newest_schema_and_whole(kept: Path, tmp_path: Path, inside: Run) -> None:
    restore(kept, tmp_path / "book").close()
    assert inside("upgrade", "--book", "book").returncode == 0
    with BookFolder.open(tmp_path / "book") as book:
        assert verify(book).wrong == []
        assert migrations.objects(book.read()) == migrations.expected(migrations.NEWEST)


@pytest.fixture
def later() -> Iterator[None]:
    with later_schema.pretended():
        yield


@pytest.mark.parametrize("kept", OLD, ids=[p.stem for p in OLD])
@pytest.mark.usefixtures("later")
def test_an_old_book_upgrades(kept: Path, tmp_path: Path, inside: Run) -> None:
    with restore(kept, tmp_path / "book") as old:
        before = bookstate.of_file(old.file)
        number = migrations.version(old.read())
        revisions = revision.of_tables(old.read())
        head = verify(old).last_link
        assert verify(old).wrong == []
    done = inside("upgrade", "--book", "book")
    assert done.returncode == 0, done.stderr
    taken = [f"applied step {s.number}: {s.name}\n" for s in migrations.steps() if s.number > number]
    assert done.stdout == "".join(taken) and taken[-1] == f"applied step {later_schema.NUMBER}: tanks\n"
    with BookFolder.open(tmp_path / "book") as book:
        assert migrations.version(book.read()) == migrations.NEWEST
        after = bookstate.of_file(book.file)
        assert verify(book).wrong == []
        assert verify(book).last_link == head, "an upgrade adds no link and changes none"
        assert all(now != revisions.get(table) for table, now in revision.of_tables(book.read()).items())
    assert after.pop("quench_tank") == []
    grown = {"characteristic": 6, "operation": 2} if number < 2 else {}  # columns that step 2 adds
    for table, rows in before.items():
        rows = [f"{row[:-1]}{', None' * grown[table]})" for row in rows] if table in grown else rows
        if table == "part":
            rows = [row.replace(")", ", None)") for row in rows]
            after["part"] = [_moved_to_the_end(row) for row in after["part"]]
        if table not in ("user_version", "_sqlite_migrations"):
            assert after[table] == rows, table
    backups = list(tmp_path.glob(f"book-schema{number}-*.zip"))
    assert len(backups) == 1
    for path in backups:
        with restore(path, tmp_path / "undone") as undone:
            assert bookstate.of_file(undone.file) == before
            assert verify(undone).wrong == []


def _moved_to_the_end(row: str) -> str:
    """A row of the pretended schema's part, whose drawing stands before the last two columns."""
    *cells, drawing, typed, intake = row.removeprefix("(").removesuffix(")").split(", ")
    return f"({', '.join([*cells, typed, intake, drawing])})"


@pytest.mark.usefixtures("later")
def test_what_a_step_adds_is_guarded_and_what_it_changes_stays_so(tmp_path: Path, inside: Run) -> None:
    restore(OLD[-1], tmp_path / "book").close()
    assert inside("upgrade", "--book", "book").returncode == 0
    with BookFolder.open(tmp_path / "book") as book:
        conn = book.read()
        with pytest.raises(sqlite3.IntegrityError, match="loadbook amend"):
            conn.execute("UPDATE part SET drawing = 'D-7'")
        with pytest.raises(sqlite3.IntegrityError, match="CHECK"):
            conn.execute("INSERT INTO part (part, material, drawing, intake_id) VALUES ('P', 'steel', '', 1)")
        with book.write() as writing:
            tank = {"quench_tank": "Q1", "furnace": "F1", "litres": 900.0}
            add_intake(writing, "parts", {"quench_tank": [tank]}, rows_read=1, taken_by="tester")
        with pytest.raises(sqlite3.IntegrityError, match="never deleted"):
            conn.execute("DELETE FROM quench_tank")
        with pytest.raises(sqlite3.IntegrityError, match="FOREIGN KEY"):
            conn.execute("INSERT INTO quench_tank (quench_tank, furnace, intake_id) VALUES ('Q2', 'none', 1)")
        assert [r[1] for r in conn.execute("PRAGMA index_list(part)") if r[3] == "c"] == ["part_material"]
        assert verify(book).wrong == []


@pytest.mark.usefixtures("later")
def test_a_step_that_would_lose_what_rows_refer_to_is_undone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from loadbook.store import steps

    def losing(db: Any) -> None:
        steps.transform(db, "part", db.table("part").schema)
        db.execute("DROP TRIGGER material_stays")
        db.execute("DELETE FROM material")

    next(s for s in steps.STEPS.pending(steps.database(sqlite3.connect(":memory:"))) if s.name == "tanks").fn = losing
    with restore(OLD[-1], tmp_path / "book") as book:
        before = migrations.objects(book.read())
        with pytest.raises(LoadbookError, match="would leave rows of part referring to nothing"):
            migrations.apply(book.read())
        assert migrations.objects(book.read()) == before
        assert book.read().execute("SELECT count(*) FROM material").fetchone()[0] > 0
        assert book.read().execute("PRAGMA foreign_keys").fetchone()[0] == 1


class Interrupted(Exception):
    """What a test puts in the way."""


class Stopping(sqlite3.Connection):
    """A connection that fails at its n-th statement."""

    left: int | None = None

    def execute(self, sql: str, *rest: Any) -> sqlite3.Cursor:
        if self.left is not None and not sql.startswith(("ROLLBACK", "RELEASE", "PRAGMA foreign_keys")):
            self.left -= 1
            if self.left < 0:
                raise Interrupted
        return super().execute(sql, *rest)


@pytest.mark.parametrize("kept", [pytest.param(p, marks=pytest.mark.thorough) for p in OLD], ids=[p.stem for p in OLD])
@pytest.mark.usefixtures("later")
def test_an_upgrade_interrupted_at_each_statement_can_be_repeated(kept: Path, tmp_path: Path) -> None:
    """Each time the book stands at a whole step, and going on brings it to the newest."""
    with restore(kept, tmp_path / "book") as old:
        first = migrations.version(old.read())
        source = old.read()
        stops, seen = 0, set()
        while True:
            conn = sqlite3.connect(":memory:", isolation_level=None, factory=Stopping)
            source.backup(conn)
            conn.left = stops
            try:
                migrations.apply(conn)
                break
            except Interrupted:
                pass
            conn.left = None
            stops += 1
            seen.add(migrations.version(conn))
            assert not conn.in_transaction
            assert migrations.objects(conn) == migrations.expected(migrations.version(conn))
            if stops % 5 == 0:
                migrations.apply(conn)
                assert migrations.version(conn) == migrations.NEWEST
                assert migrations.objects(conn) == migrations.expected(migrations.NEWEST)
                conn.row_factory = sqlite3.Row
                assert records(conn) == []
            conn.close()
    assert stops > 10
    assert seen in ({*range(first, migrations.NEWEST + 1)}, {*range(first, migrations.NEWEST)})


@pytest.mark.usefixtures("later")
def test_a_second_upgrade_in_the_same_second_gets_a_backup_of_its_own(
    tmp_path: Path, inside: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    from loadbook.core import times

    now = times.now()
    monkeypatch.setattr(times, "now", lambda: now)
    for _ in range(2):
        restore(OLD[0], tmp_path / "book").close()
        assert inside("upgrade", "--book", "book").returncode == 0
        shutil.rmtree(tmp_path / "book")
    assert len(list(tmp_path.glob("book-schema1-*.zip"))) == 2


@pytest.mark.usefixtures("later")
def test_an_older_book_is_not_opened_but_says_how(tmp_path: Path, inside: Run) -> None:
    restore(OLD[0], tmp_path / "book").close()
    for words in (["list"], ["verify"], ["backup", "b.zip"]):
        refused = inside(*words, "--book", "book")
        assert refused.returncode == 1
        assert "Run: loadbook upgrade (it makes a backup first)" in refused.stderr
    assert list(tmp_path.glob("*.zip")) == []


def test_a_book_newer_than_the_program_is_refused_by_every_command(tmp_path: Path, inside: Run) -> None:
    with restore(OLD[-1], tmp_path / "book") as book:
        book.read().execute(f"PRAGMA user_version = {migrations.NEWEST + 1}")
    before = (tmp_path / "book" / "book.sqlite").read_bytes()
    for words in (["list"], ["verify"], ["backup", "b.zip"], ["upgrade"], ["add", "gauges", "gauge=G", "kind=k"]):
        refused = inside(*words, "--book", "book")
        assert refused.returncode == 1
        assert "the book is newer than the program" in refused.stderr
    assert (tmp_path / "book" / "book.sqlite").read_bytes() == before
    assert list(tmp_path.glob("*.zip")) == []


@pytest.mark.usefixtures("later")
def test_a_damaged_old_book_is_backed_up_as_it_is_and_upgraded(tmp_path: Path, inside: Run) -> None:
    """A book with an old wound must not stay behind for ever: it is told, kept and brought on."""
    with restore(OLD[0], tmp_path / "book") as old:
        (old.path / str(old.read().execute("SELECT path FROM trace").fetchone()[0])).unlink()
    done = inside("upgrade", "--book", "book")
    assert done.returncode == 0, done.stderr
    assert "wrong: the trace of run R1 is missing or changed" in done.stderr
    with BookFolder.open(tmp_path / "book") as book:
        assert len(verify(book).wrong) == 1


@pytest.mark.usefixtures("later")
def test_a_disk_that_is_full_before_the_backup_leaves_the_old_book(
    tmp_path: Path, inside: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    from loadbook.store import upgrade

    restore(OLD[0], tmp_path / "book").close()

    def full(*_: object, **__: object) -> None:
        raise LoadbookError("the backup could not be written (No space left on device)")

    monkeypatch.setattr(upgrade, "backup", full)
    assert inside("upgrade", "--book", "book").returncode == 1
    with BookFolder.open(tmp_path / "book", any_version=True) as book:
        assert migrations.version(book.read()) == 1
