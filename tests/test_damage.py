"""Damage: found, told with what is lost, and mended from a backup. The longer form: python -m tests.trials.damage."""

from __future__ import annotations

import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest

from loadbook.store.backup import backup
from loadbook.store.book import BookFolder
from loadbook.store.records import amend
from loadbook.store.verify import records, verify
from tests.trials import damage as damage_trial

from . import smallbook

Run = Callable[..., subprocess.CompletedProcess[str]]


def trial(flips: int, seed: int) -> damage_trial.Report:
    report = damage_trial.run(flips, seed)
    assert report.broken == []
    assert report.found["bit in a trace"] == report.tried["bit in a trace"] == flips // 4
    return report


@pytest.mark.thorough
def test_damage_is_found() -> None:
    report = trial(32, 1)
    assert report.found["bit in book.sqlite"] >= 5


@pytest.mark.long
def test_more_damage_is_found() -> None:
    trial(2000, 2)


@pytest.fixture
def traced(tmp_path: Path) -> BookFolder:
    """A book of two runs with a trace each."""
    book = smallbook.small(tmp_path / "book")
    for n in (1, 2):
        smallbook.run(book, f"R{n}", n)
        smallbook.trace(book, f"R{n}", f"t{n}")
    return book


def trace_of(book: BookFolder, run: str) -> Path:
    return book.path / str(book.read().execute("SELECT path FROM trace WHERE run = ?", (run,)).fetchone()[0])


def test_lost_traces_come_back_from_a_backup(traced: BookFolder, inside: Run, tmp_path: Path) -> None:
    assert inside("backup", "b.zip", "--book", "book").returncode == 0
    one, two = trace_of(traced, "R1"), trace_of(traced, "R2")
    whole = one.read_bytes()
    one.write_bytes(whole[:-1] + b"x")
    two.unlink()
    inside("add", "furnaces", "furnace=F9", "atmosphere=air", "--book", "book")  # after the backup: it must stay
    said = inside("verify", "--book", "book")
    assert said.returncode == 3
    assert "run R1" in said.stdout and "is not what was written" in said.stdout
    assert "run R2" in said.stdout and "has no file" in said.stdout
    assert "--lost-traces brings it back" in said.stdout
    back = inside("restore", "b.zip", "book", "--lost-traces")
    assert back.returncode == 0, back.stderr
    assert back.stdout.count("brought back: the trace of run R") == 2
    after = inside("verify", "--book", "book")
    assert after.returncode == 0, after.stdout
    assert "a damaged file that was put aside" in after.stdout
    assert one.read_bytes() == whole
    assert "F9" in inside("list", "furnaces", "--book", "book").stdout
    assert "no trace is lost" in inside("restore", "b.zip", "book", "--lost-traces").stdout


def test_a_backup_from_before_the_trace_cannot_bring_it_back(traced: BookFolder, inside: Run) -> None:
    smallbook.run(traced, "R3", 3)
    assert inside("backup", "b.zip", "--book", "book").returncode == 0
    smallbook.trace(traced, "R3", "t3")
    trace_of(traced, "R3").unlink()
    back = inside("restore", "b.zip", "book", "--lost-traces")
    assert back.returncode == 3
    assert "does not hold the trace of run R3" in back.stdout


def test_a_lost_trace_without_a_backup_can_be_withdrawn(traced: BookFolder, inside: Run, tmp_path: Path) -> None:
    trace_of(traced, "R1").unlink()
    assert inside("backup", "b.zip", "--book", "book").returncode == 3
    assert not (tmp_path / "b.zip").exists()
    kept = inside("backup", "rest.zip", "--as-it-is", "--book", "book")
    assert kept.returncode == 3
    assert "the trace of run R1 is missing or changed" in kept.stderr
    gone = inside("amend", "traces", "t1", "state=withdrawn", "--why", "its file is lost", "--book", "book")
    assert gone.returncode == 0, gone.stderr
    said = inside("verify", "--book", "book")
    assert said.returncode == 0, said.stdout
    assert "noted: the withdrawn trace of run R1" in said.stdout
    assert inside("backup", "b.zip", "--book", "book").returncode == 0
    assert inside("restore", "b.zip", "again").returncode == 0
    assert inside("verify", "--book", "again").returncode == 0


def test_damaged_records_come_back_from_a_backup(traced: BookFolder, inside: Run, tmp_path: Path) -> None:
    head = verify(traced).last_link
    assert inside("backup", "b.zip", "--book", "book").returncode == 0
    traced.read().execute("PRAGMA wal_checkpoint(TRUNCATE)")
    traced.close()
    data = bytearray(traced.file.read_bytes())
    at = data.rindex(b"low-alloy steel")
    data[at] ^= 4
    traced.file.write_bytes(bytes(data))
    said = inside("verify", "--book", "book")
    assert said.returncode == 3
    assert "its rows are not what was taken in" in said.stdout
    assert inside("backup", "c.zip", "--book", "book").returncode == 3
    assert inside("restore", "b.zip", "book").returncode == 2, "never over what is there"
    assert inside("restore", "b.zip", "again").returncode == 0
    assert inside("verify", "--book", "again", "--last-link", head).returncode == 0


def test_a_damaged_computed_figure_is_mended_by_recompute(traced: BookFolder, inside: Run) -> None:
    assert inside("recompute", "--book", "book").returncode == 0
    assert inside("verify", "--book", "book").returncode == 0
    with traced.write() as conn:
        conn.execute("UPDATE parameter SET value = value + 1 WHERE run = 'R1' AND source = 'trace'")
    said = inside("verify", "--book", "book")
    assert said.returncode == 3
    assert "what was computed of run R1 is not what was stored: loadbook recompute R1 puts it right" in said.stdout
    assert inside("recompute", "R1", "--book", "book").returncode == 0
    assert inside("verify", "--book", "book").returncode == 0


def test_what_an_earlier_version_judged_is_noted(traced: BookFolder, inside: Run) -> None:
    assert inside("recompute", "--book", "book").returncode == 0
    assert verify(traced).noted == []
    with traced.write() as conn:
        conn.execute("UPDATE finding SET algorithm = '0'")
    (said,) = verify(traced).noted
    assert said.startswith("2 runs were measured or judged by an earlier version") and "loadbook recompute" in said


def test_a_lost_guard_is_named_and_made_anew(traced: BookFolder, inside: Run, tmp_path: Path) -> None:
    conn = traced.read()
    conn.execute("DROP TRIGGER part_kept")
    conn.execute("CREATE TRIGGER stranger AFTER INSERT ON run BEGIN SELECT 1; END")
    said = inside("verify", "--book", "book")
    assert said.returncode == 3
    assert "the trigger part_kept is gone from the book: loadbook upgrade restores it" in said.stdout
    assert "the trigger stranger is not one of the program's" in said.stdout
    made = inside("upgrade", "--book", "book")
    assert made.returncode == 0, made.stderr
    assert "restored: part_kept" in made.stdout
    conn.execute("DROP TRIGGER stranger")
    assert verify(traced).wrong == []


def test_an_amendment_that_is_damaged_is_named(traced: BookFolder) -> None:
    with traced.write() as conn:
        amend(conn, "part", "00123", 1, {"length_mm": 201.0}, "measured again")
    conn = traced.read()
    conn.execute("DROP TRIGGER amendment_kept")
    conn.execute("UPDATE amendment SET old_value = '2O0.0'")
    assert any(line.startswith("amendment 1: ") for line in verify(traced).wrong)
    conn.execute("UPDATE amendment SET old_value = CAST(x'27ff27' AS TEXT)")  # no UTF-8 any more
    assert any(line.startswith("amendment 1: ") for line in verify(traced).wrong)


def test_one_connection_and_two_find_the_same(traced: BookFolder) -> None:
    conn = traced.read()
    conn.execute("PRAGMA foreign_keys = OFF")
    conn.execute("DROP TRIGGER run_kept")
    conn.execute("UPDATE run SET furnace = 'nowhere' WHERE run = 'R1'")
    conn.execute("UPDATE run SET note = CAST(x'ff27' AS TEXT) WHERE run = 'R2'")  # no UTF-8
    conn.execute("PRAGMA writable_schema = ON")
    conn.execute("UPDATE sqlite_schema SET sql = replace(sql, '(started)', '(ended)') WHERE name = 'run_started'")
    traced.close()
    alone = records(traced.read())
    for sign in (
        "book.sqlite is damaged: ",
        "a row of run (number 1) refers to a furnace that is not there",
        "the trigger run_kept is gone",
        "the index run_started is not the program's any more",
    ):
        assert any(line.startswith(sign) for line in alone), sign
    assert sum("its rows are not what was taken in" in line for line in alone) == 2
    assert records(traced.read(), BookFolder(traced.path)) == alone
    assert verify(traced).wrong == alone


def test_two_traces_swapped_are_both_named(traced: BookFolder) -> None:
    one, two = trace_of(traced, "R1"), trace_of(traced, "R2")
    first = one.read_bytes()
    one.write_bytes(two.read_bytes())
    two.write_bytes(first)
    wrong = verify(traced).wrong
    assert [("R1" in wrong[0]), ("R2" in wrong[1]), len(wrong)] == [True, True, 2]


def test_a_backup_is_taken_while_others_write(traced: BookFolder, tmp_path: Path) -> None:
    other = BookFolder.open(traced.path)
    with other.write() as conn:
        conn.execute("INSERT INTO setting (name, value) VALUES ('x', 'y')")
        backup(traced, tmp_path / "b.zip")  # sees what was committed before, and waits for nobody
    assert (tmp_path / "b.zip").is_file()
