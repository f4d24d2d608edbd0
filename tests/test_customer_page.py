"""A run's page for one customer: theirs alone, whatever others are called and whatever anybody wrote in the book."""

from __future__ import annotations

import sqlite3
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from loadbook.analysis.trace.model import Event
from loadbook.cli.main import cli
from loadbook.core.errors import LoadbookError, NotFoundError
from loadbook.queries.customer_run import customer_sheet, refuse_leaks
from loadbook.queries.run_record import run_sheet
from loadbook.render.pages.run import run_page
from loadbook.store.book import BookFolder
from loadbook.store.records import add_intake

from .judgedbook import book_with, put_run
from .letterbook import PLAIN, TABLES, said
from .test_clauses_vacuum import CYCLE, Load

OWN, OTHER = "Own Works", "ZQ90001X Ltd"
# keys of the customer's own, of our own, and what other columns refer to; furnaces, gauges and the like are renamed
KEYS = {
    "run",
    "part",
    "serial",
    "job",
    "customer",
    "material",
    "characteristic",
    "cycle",
    "revision",
    "cycle_revision",
    "heat_number",
    "channel",
    "trace_id",
    "path",
    "repeats_run",
    "first_article_of",
    "quantity",
    "event",
    "fault",
    "name",
    "purchase_order",
    "drawing_revision",
}
RENAMED = ("furnace", "gauge", "calibration")
_READ = {"gauge": "G1", "already_at_20c": 1, "repeat": 1}


def shared_load(path: Path, run: str = "R-1") -> BookFolder:
    """A run with a piece of ours and one of another, whose every key is a token; TCs and events are tokens too."""
    made = Load(door_f=262.0).trace()
    channels = tuple(replace(c, name=f"ZQ{i:05d}X" if i % 2 else c.name) for i, c in enumerate(made.channels))
    book = book_with(path, CYCLE)
    put_run(book, CYCLE, replace(made, channels=channels, events=(*made.events, Event(3000.0, "ZQ90010X visits"))), run)
    other = {"part": "ZQ90002X", "serial": "ZQ90003X"}
    reading = {"characteristic": "bore", "run": run, **_READ}
    when = {"before": "2026-02-27T08:00:00Z", "after": "2026-03-03T08:00:00Z"}
    tables = {
        "job": [
            {"job": "J-1", "customer": OWN, "purchase_order": "PO-1", "specification": "x", "keep_until": "2036-01-01"},
            {
                "job": "ZQ90004X",
                "customer": OTHER,
                "purchase_order": "ZQ90005X",
                "specification": "x",
                "confidential": 1,
            },
        ],
        "gauge": [{"gauge": "G1", "kind": "bore gauge", "expanded_uncertainty_mm": 0.002}],
        "part": [{"part": other["part"], "material": "42CrMo4", "customer": OTHER, "section_thick_mm": 50.0}],
        "characteristic": [
            {
                "part": p,
                "characteristic": "bore",
                "kind": "inside diameter",
                "scale": "um",
                "nominal_mm": 80.0,
                "lower_mm": 79.9,
                "upper_mm": 80.1,
                "reference_length_mm": 80.0,
            }
            for p in ("00123", other["part"])
        ],
        "piece": [
            {
                "run": run,
                "part": "00123",
                "serial": "S-1",
                "quantity": 1,
                "job": "J-1",
                "heat_number": "H-1",
                "setup": "x",
                "position": "x",
                "machining": "x",
                "condition": "x",
            },
            {"run": run, **other, "quantity": 1, "job": "ZQ90004X", "heat_number": "ZQ90006X"},
        ],
        "reading": [
            {
                **reading,
                **piece,
                "stage": stage,
                "value_mm": 80.0,
                "read_at": when[stage],
                "held": "x",
                "inspector": "x",
            }
            for piece in ({"part": "00123", "serial": "S-1"}, other)
            for stage in when
        ],
        "approval": [
            {"run": run, "role": "x", "person": "x", "decision": "x", "at": "2026-03-04T08:00:00Z", "note": "x"}
        ],
        "nonconformance": [
            {"run": run, "what": "x", "note": "x"},
            {"run": run, "what": "y", "serial": other["serial"]},
        ],
        "confirmation": [
            {
                "subject": "fault",
                "run": run,
                "channel": channels[2].name,
                "fault": "frozen",
                "decision": "confirmed",
                "person": "x",
                "why": "x",
                "at": "2026-03-04T09:00:00Z",
            }
        ],
        "operation": [{"part": "00123", "serial": "S-1", "sequence": 1, "operation": "x", "note": "x"}],
    }
    with book.write() as conn:
        add_intake(conn, "test", tables, rows_read=1)
    return book


def filled_with_tokens(book: BookFolder) -> int:
    """Every text column of every row that is nobody's key becomes a token of its own; how many columns that are."""
    path = book.path / "book.sqlite"
    book.close()
    conn = sqlite3.connect(path)
    for (name,) in conn.execute("SELECT name FROM sqlite_schema WHERE type = 'trigger'").fetchall():
        conn.execute(f'DROP TRIGGER "{name}"')
    number, filled = 50000, 0
    for table in TABLES:
        columns = [r[1:3] for r in conn.execute(f"PRAGMA table_info({table})").fetchall()]
        for column, kind in columns:
            if kind != "TEXT" or column in KEYS or column in PLAIN.get(table, ()) or column == "typed":
                continue
            filled += 1
            if column == "rule":  # a word that the program computes with
                continue
            if column in RENAMED:
                conn.execute(f"UPDATE {table} SET {column} = printf('ZQ7%04dX', length({column})) WHERE {column} > ''")
                continue
            for (row,) in conn.execute(f"SELECT rowid FROM {table}").fetchall():
                number += 1
                conn.execute(f"UPDATE {table} SET {column} = ? WHERE rowid = ?", (f"ZQ{number}X of {OTHER}", row))
    conn.commit()
    conn.close()
    return filled


def test_no_word_of_the_book_but_their_own(tmp_path: Path) -> None:
    shared_load(tmp_path / "b").close()
    assert filled_with_tokens(BookFolder.open(tmp_path / "b")) > 60
    with BookFolder.open(tmp_path / "b") as book:
        sheet = customer_sheet(book, "R-1", OWN)
        source = run_page(sheet, book, "si", "2026-11-25T10:00:00Z")
        refuse_leaks(book, OWN, source)
        assert said(source) == set()
        assert all(own in source for own in ("Own Works", "00123", "S-1", "J-1", "PO-1", "H-1"))
        assert [c.verdict for c in sheet.judged.clauses] == [c.verdict for c in run_sheet(book, "R-1").judged.clauses]
        assert len(sheet.pieces) == 1 and len(sheet.nonconformances) == 1 and len(sheet.movement) == 1
        assert "Pieces of others were in the load" in source
        whole = run_page(run_sheet(book, "R-1"), book, "si", "2026-11-25T10:00:00Z")
        assert len(said(whole)) > 20  # the tokens are there to be leaked
        with pytest.raises(LoadbookError, match="would name"):
            refuse_leaks(book, OWN, whole)


def run(*words: str) -> Result:
    return CliRunner().invoke(cli, ["page", "run", *words])


def test_the_command_asks_for_whom(tmp_path: Path) -> None:
    shared_load(tmp_path / "b").close()
    to = ("--book", str(tmp_path / "b"), "-o", str(tmp_path / "r.html"))
    refused = run("R-1", *to)
    assert refused.exit_code == 2 and "--for CUSTOMER" in refused.output and not (tmp_path / "r.html").exists()
    assert run("R-1", "--for", OWN, "--internal", *to).exit_code == 2
    assert run("R-1", "--for", "own works", *to).exit_code == 0
    page = (tmp_path / "r.html").read_text(encoding="utf-8")
    assert "INTERNAL" not in page and said(page) == set()
    taken = run("R-1", "--internal", *to)
    assert taken.exit_code == 2 and "--force" in taken.output
    assert run("R-1", "--internal", "--force", *to).exit_code == 0
    page = (tmp_path / "r.html").read_text(encoding="utf-8")
    assert page.count("INTERNAL") == 2  # at the head of the page, and in the margin of each sheet
    unknown = run("R-1", "--for", "Owen Works", "--force", *to)
    assert unknown.exit_code != 0 and "has no customer" in unknown.output


def test_a_run_without_a_piece_of_theirs_is_not_theirs(tmp_path: Path) -> None:
    with shared_load(tmp_path / "b") as book:
        put_run(book, CYCLE, Load().trace(), "R-2")
        with pytest.raises(NotFoundError, match="held no piece"):
            customer_sheet(book, "R-2", OWN)
