"""The schema read back through sqlite-utils: what every table must have, and that the program's constants are its."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from pathlib import Path

import pytest
from sqlite_utils import Database

from loadbook.core.errors import DamageError, LoadbookError
from loadbook.store import guards, migrations, revision, schema_check, steps
from loadbook.store.book import BookFolder
from loadbook.store.verify import records

from . import smallbook

COMPUTED = {"finding", "answer_outcome", "seal"}
OURS = {"revision", "_sqlite_migrations"}


@pytest.fixture
def db() -> Iterator[Database]:
    conn = sqlite3.connect(":memory:", isolation_level=None)
    migrations.apply(conn)
    yield steps.database(conn)
    conn.close()


def test_what_a_start_knows_without_the_steps_is_what_the_steps_make(db: Database) -> None:
    rows = [tuple(r) for r in db.execute("SELECT type, name, sql FROM sqlite_schema WHERE sql IS NOT NULL")]
    assert schema_check.fingerprint(rows) == schema_check.NEWEST_SHA256, "put the left side into store/schema_check.py"
    assert schema_check.found(db.conn) == []
    assert [s.number for s in migrations.steps()] == list(range(1, migrations.NEWEST + 1))


def test_every_table_is_strict_and_has_one_integer_key(db: Database) -> None:
    for table in db.tables:
        assert table.strict, table.name
        assert table.name == "revision" or [(c.name, c.type) for c in table.columns if c.is_pk] == [
            (table.pks[0], "INTEGER")
        ]


def test_every_record_names_its_intake_and_refers_to_what_is_unique(db: Database) -> None:
    unique = {t.name: [tuple(i.columns) for i in t.indexes if i.unique] + [tuple(t.pks)] for t in db.tables}
    for table in db.tables:
        to = {key.columns: key for key in table.foreign_keys}
        if "intake_id" in table.columns_dict and table.name != "intake":
            assert to["intake_id",].other_table == "intake", table.name
        for key in to.values():
            assert key.other_columns in unique[key.other_table], key
            assert (key.on_delete, key.on_update) == ("NO ACTION", "NO ACTION")


def test_every_guard_names_every_column_of_its_table(db: Database) -> None:
    for table in db.tables:
        triggers = table.triggers_dict
        if table.name in OURS:
            assert triggers == {}
            continue
        assert {f"{table.name}_counts_{e}" for e in ("insert", "update", "delete")} <= set(triggers)
        guarded = {f"{table.name}_kept", f"{table.name}_stays"}
        assert guarded & set(triggers) == (set() if table.name in COMPUTED else guarded)
        if table.name not in COMPUTED | {"intake", "amendment", "chain"}:
            for column in table.columns_dict:
                assert f"OLD.{column} IS" in triggers[f"{table.name}_kept"], (table.name, column)


def test_guards_are_not_made_on_what_sqlite_keeps_for_itself(db: Database) -> None:
    db.execute("ANALYZE")
    assert any(t.name.startswith("sqlite_") for t in db.tables)
    guards.restore(db)
    assert schema_check.found(db.conn) == []


def test_plugins_of_the_machine_add_nothing_to_a_book(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    from sqlite_utils import plugins

    called: list[object] = []
    monkeypatch.setattr(plugins.pm.hook, "prepare_connection", lambda **k: called.append(k), raising=False)
    BookFolder.create(tmp_path / "book").close()
    assert called == []


# -- revisions -------------------------------------------------------------------------------------


@pytest.fixture
def small(tmp_path: Path) -> Iterator[BookFolder]:
    with smallbook.small(tmp_path / "book") as book:
        yield book


def changed(before: dict[str, revision.Revision], after: dict[str, revision.Revision]) -> set[str]:
    return {name for name in before if before[name] != after[name]}


def test_a_transaction_raises_the_tables_it_changed_and_the_book(small: BookFolder) -> None:
    conn = small.read()
    before, book = revision.of_tables(conn), revision.of_book(conn)
    smallbook.put(small, "furnace", {"furnace": "F9", "atmosphere": "air"})
    after = revision.of_tables(conn)
    assert changed(before, after) == {"furnace", "intake", "chain"}
    assert after["furnace"][0] == before["furnace"][0] + 1
    assert len({after[t][1] for t in ("furnace", "intake", "chain")} | {revision.of_book(conn)[1]}) == 1
    assert revision.of_book(conn)[0] > book[0]


def test_a_transaction_that_changes_nothing_or_is_undone_raises_nothing(small: BookFolder) -> None:
    conn = small.read()
    before, book = revision.of_tables(conn), revision.of_book(conn)
    with small.write():
        pass
    with pytest.raises(ZeroDivisionError), small.write() as writing:
        writing.execute(
            "INSERT INTO intake (kind, rows_read, rows_added, taken_by, taken_at) VALUES ('a', 1, 1, 'b', 'c')"
        )
        raise ZeroDivisionError
    assert (revision.of_tables(conn), revision.of_book(conn)) == (before, book)


@pytest.mark.parametrize(
    ("table", "sql"),
    [
        ("furnace", "INSERT INTO furnace (furnace, atmosphere, intake_id) VALUES ('F8', 'air', 1)"),
        ("parameter", "UPDATE parameter SET value = value + 1"),
        ("parameter", "DELETE FROM parameter"),
        ("finding", "DELETE FROM finding"),
    ],
)
def test_a_change_by_another_program_is_counted_too(small: BookFolder, table: str, sql: str) -> None:
    smallbook.run(small, "R1", 1)
    with small.write() as conn:
        conn.execute("INSERT INTO parameter (run, parameter, value, unit, source, algorithm)"
                     " VALUES ('R1', 'cycle_hours', 1, 'h', 'trace', '1')")  # fmt: skip
        conn.execute("INSERT INTO finding (run, what, name, verdict, text, algorithm)"
                     " VALUES ('R1', 'run', 'run', 'no cycle', '', '1')")  # fmt: skip
    before, book = revision.of_tables(small.read()), revision.of_book(small.read())
    other = sqlite3.connect(small.file, isolation_level=None)
    other.execute(sql)
    other.close()
    assert changed(before, revision.of_tables(small.read())) == {table}
    assert revision.of_book(small.read()) != book


def test_two_histories_from_one_backup_never_share_a_revision(tmp_path: Path) -> None:
    import shutil

    with smallbook.small(tmp_path / "a") as book:
        book.read().execute("PRAGMA wal_checkpoint(TRUNCATE)")
    shutil.copytree(tmp_path / "a", tmp_path / "b")
    found = []
    for name in ("a", "b"):
        with BookFolder.open(tmp_path / name) as book:
            smallbook.put(book, "furnace", {"furnace": f"F{name}", "atmosphere": "air"})
            found.append((revision.of_tables(book.read())["furnace"], revision.of_book(book.read())))
    assert found[0][0][0] == found[1][0][0] and found[0][0] != found[1][0]
    assert found[0][1] != found[1][1]


def test_verify_does_not_go_by_revisions(small: BookFolder) -> None:
    small.read().execute("UPDATE revision SET number = 0, token = 'x'")
    assert records(small.read()) == []


def test_verify_names_a_list_of_steps_that_was_changed(small: BookFolder) -> None:
    small.read().execute("UPDATE _sqlite_migrations SET name = 'other' WHERE id = 1")
    assert any("steps that its schema had" in line for line in records(small.read()))


# -- what could go wrong in a step -----------------------------------------------------------------


def test_a_book_whose_number_and_list_of_steps_differ_is_left_alone(db: Database) -> None:
    db.execute("PRAGMA user_version = 0")
    before = migrations.objects(db.conn)
    with pytest.raises(LoadbookError, match="has had 0 steps of its schema, its list names 4"):
        migrations.apply(db.conn)
    assert migrations.objects(db.conn) == before and migrations.version(db.conn) == 0
    assert not db.conn.in_transaction


def test_two_who_apply_at_once_apply_each_step_once(tmp_path: Path) -> None:
    class Overtaken(sqlite3.Connection):
        def execute(self, sql: str, *rest: object) -> sqlite3.Cursor:
            if sql == "BEGIN IMMEDIATE":
                assert len(migrations.apply(other)) == migrations.NEWEST
            return super().execute(sql, *rest)

    other = sqlite3.connect(tmp_path / "x.sqlite", isolation_level=None)
    conn = sqlite3.connect(tmp_path / "x.sqlite", isolation_level=None, factory=Overtaken)
    assert migrations.apply(conn) == []
    assert migrations.version(conn) == migrations.NEWEST
    assert schema_check.found(conn) == []


def test_a_strangers_table_named_like_the_steps_list_is_refused(tmp_path: Path) -> None:
    BookFolder.create(tmp_path / "book").close()
    conn = sqlite3.connect(tmp_path / "book" / "book.sqlite")
    conn.execute("DROP TABLE _sqlite_migrations")
    conn.execute("CREATE TABLE _sqlite_migrations (id INTEGER PRIMARY KEY, name TEXT)")
    conn.commit()
    conn.close()
    with pytest.raises(DamageError, match="_sqlite_migrations"):
        BookFolder.open(tmp_path / "book")
