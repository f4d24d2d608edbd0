"""Accepted values change by amendments only, and the chain finds every other change."""

from __future__ import annotations

import sqlite3

import pytest

from loadbook.core.errors import LoadbookError, UsageError
from loadbook.store import chain
from loadbook.store.book import BookFolder
from loadbook.store.records import amend, history

PLAIN_EDITS = [
    "UPDATE part SET shape = 'plate'",
    "UPDATE piece SET serial = '009' WHERE serial = '007'",
    "DELETE FROM gauge",
    "INSERT OR REPLACE INTO part (part_id, part, material, intake_id) VALUES (1, 'other', '42CrMo4', 1)",
    "UPDATE intake SET rows_read = 0",
    "DELETE FROM chain",
    "UPDATE run SET typed = '{}'",
    "UPDATE run SET intake_id = 1, note = 'x'",
]


@pytest.mark.parametrize("edit", PLAIN_EDITS)
def test_plain_sql_is_refused_by_triggers(book: BookFolder, edit: str) -> None:
    with pytest.raises(sqlite3.IntegrityError, match=r"amend|never"):
        book.read().execute(edit)
    assert chain.check(book.read()) == []


def test_the_old_value_stays_with_who_when_and_why(book: BookFolder) -> None:
    with book.write() as conn:
        amend(conn, "part", "00123", 1, {"shape": "it's a plate", "section_thick_mm": 0.1 + 0.2}, "drawing B")
    row = book.read().execute("SELECT shape, section_thick_mm FROM part").fetchone()
    assert tuple(row) == ("it's a plate", 0.1 + 0.2)
    kept = [(a["column_name"], chain.literal(a["old_value"]), chain.literal(a["new_value"]), a["who"], a["why"])
            for a in history(book.read(), "part", 1)]  # fmt: skip
    assert kept == [
        ("shape", "ring", "it's a plate", "tester", "drawing B"),
        ("section_thick_mm", 40.0, 0.1 + 0.2, "tester", "drawing B"),
    ]
    assert chain.check(book.read()) == []


def test_amended_twice_and_back(book: BookFolder) -> None:
    for shape in ("plate", None, "ring"):
        with book.write() as conn:
            amend(conn, "part", "00123", 1, {"shape": shape}, "trying")
    assert chain.check(book.read()) == []
    with pytest.raises(UsageError, match="has these values already"), book.write() as conn:
        amend(conn, "part", "00123", 1, {"shape": "ring"}, "again")


def test_a_reason_is_needed(book: BookFolder) -> None:
    with pytest.raises(UsageError, match="needs its reason"), book.write() as conn:
        amend(conn, "part", "00123", 1, {"shape": "plate"}, "  ")


def test_a_value_that_other_records_need_stays(book: BookFolder) -> None:
    with pytest.raises(LoadbookError, match="cannot take that"), book.write() as conn:
        amend(conn, "furnace", "F1", 1, {"furnace": "F7"}, "renamed")
    assert book.read().execute("SELECT count(*) FROM amendment").fetchone()[0] == 0


AROUND_THE_TRIGGERS = [
    ("part_kept", "UPDATE part SET shape = 'plate'", "its rows are not what was taken in"),
    ("piece_stays", "DELETE FROM piece WHERE serial = '008'", "its rows are not what was taken in"),
    ("intake_kept", "UPDATE intake SET taken_by = 'someone else'", "its rows are not what was taken in"),
    ("chain_stays", "DELETE FROM chain", "stands outside the chain"),
    ("chain_kept", "UPDATE chain SET content = 'x'", "its rows are not what was taken in"),
]


@pytest.mark.parametrize(("trigger", "edit", "found"), AROUND_THE_TRIGGERS)
def test_the_chain_finds_edits_around_the_triggers(book: BookFolder, trigger: str, edit: str, found: str) -> None:
    conn = book.read()
    conn.execute("PRAGMA foreign_keys = OFF")
    conn.execute(f"DROP TRIGGER {trigger}")
    conn.execute(edit)
    assert any(found in line for line in chain.check(conn))


def test_an_added_row_is_found(book: BookFolder) -> None:
    book.read().execute("INSERT INTO furnace (furnace, atmosphere, intake_id) VALUES ('F9', 'air', 1)")
    assert any("intake 1" in line for line in chain.check(book.read()))
