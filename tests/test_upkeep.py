"""Verify, backup, restore, upgrade."""

from __future__ import annotations

import subprocess
import zipfile
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from loadbook.analysis.trace.model import Channel, Trace
from loadbook.core.errors import DamageError, UsageError
from loadbook.store import migrations
from loadbook.store.backup import backup, restore
from loadbook.store.book import BookFolder
from loadbook.store.records import add_intake
from loadbook.store.trace_files import write_trace
from loadbook.store.verify import verify

Run = Callable[..., subprocess.CompletedProcess[str]]


@pytest.fixture
def traced(book: BookFolder) -> BookFolder:
    """A book with one committed trace of two channels."""
    return with_trace(book, "R1", "t1")


def with_trace(book: BookFolder, run: str, trace_id: str) -> BookFolder:
    t_s = np.arange(200.0) * 30.0
    values = np.vstack([20.0 + t_s / 60.0, 18.0 + t_s / 61.0])
    channels = (Channel(1, "TC 1", "control"), Channel(2, "TC 2", "work"))
    trace = Trace(t_s, values, np.zeros(values.shape, np.uint8), channels, run=run, started="2026-03-01T08:00:00Z")
    path, sha256, size = write_trace(book, trace, trace_id)
    row = {
        "trace_id": trace_id, "run": run, "state": "current", "path": path, "sha256": sha256, "bytes": size,
        "source_name": "r1.csv", "source_sha256": "0" * 64, "layout": "-", "started": "2026-03-01T08:00:00Z",
        "zone": "UTC", "interval_s": 30.0, "seconds": 5970.0, "samples": 400, "missing": 0, "open": 0,
        "out_of_range": 0, "duplicates": 0, "backwards": 0, "gaps": 0, "longest_gap_s": 30.0,
    }  # fmt: skip
    with book.write() as conn:
        add_intake(conn, "traces", {"trace": [row]}, rows_read=200)
    return book


def trace_path(book: BookFolder) -> Path:
    return book.path / str(book.read().execute("SELECT path FROM trace").fetchone()[0])


def test_a_whole_book_is_whole(traced: BookFolder) -> None:
    found = verify(traced)
    assert (found.wrong, found.leftover, found.traces, found.links) == ([], [], 1, 2)


def _flip(data: bytes) -> bytes:
    middle = len(data) // 2
    return data[:middle] + bytes([data[middle] ^ 1]) + data[middle + 1 :]


DAMAGE: list[tuple[str, Callable[[bytes], bytes | None], str]] = [
    ("one bit", _flip, "is not what was written"),
    ("cut short", lambda data: data[:-1], "bytes where"),
    ("gone", lambda data: None, "has no file"),
]


@pytest.mark.parametrize(("name", "harm", "said"), DAMAGE)
def test_a_damaged_trace_is_found(
    traced: BookFolder, loadbook: Run, name: str, harm: Callable[[bytes], bytes | None], said: str
) -> None:
    path = trace_path(traced)
    harmed = harm(path.read_bytes())
    path.unlink()
    if harmed is not None:
        path.write_bytes(harmed)
    found = verify(traced)
    assert len(found.wrong) == 1
    assert said in found.wrong[0]
    assert loadbook("verify", cwd=traced.path).returncode == 3


def test_a_file_without_a_row_is_left_over_and_no_damage(traced: BookFolder, loadbook: Run) -> None:
    (trace_path(traced).parent / "stray.parquet").write_bytes(b"x")
    found = verify(traced)
    assert found.wrong == []
    assert len(found.leftover) == 1
    assert loadbook("verify", cwd=traced.path).returncode == 0


@pytest.mark.parametrize("path", ["../outside.txt", "traces/../../outside.txt", "/etc/hostname"])
def test_a_strangers_book_reaches_no_file_outside(traced: BookFolder, tmp_path: Path, path: str) -> None:
    (tmp_path / "outside.txt").write_text("not the book's")
    conn = traced.read()
    conn.execute("DROP TRIGGER trace_kept")
    conn.execute("UPDATE trace SET path = ?", (path,))
    assert any("leads out of the book" in line for line in verify(traced).wrong)
    with pytest.raises(DamageError, match="would carry the damage on"):
        backup(traced, tmp_path / "b.zip")
    assert not (tmp_path / "b.zip").exists()
    kept = backup(traced, tmp_path / "b.zip", as_it_is=True)
    assert list(kept.digests) == ["book.sqlite"]


def test_damage_in_the_database_is_found(traced: BookFolder) -> None:
    traced.read().execute("PRAGMA wal_checkpoint(TRUNCATE)")
    traced.close()
    data = bytearray(traced.file.read_bytes())
    for offset in range(4096, len(data), 4096):
        data[offset : offset + 64] = b"\xff" * 64
    traced.file.write_bytes(bytes(data))
    fresh = BookFolder(traced.path)
    found = verify(fresh)
    assert found.wrong
    assert "backup" in found.wrong[0]


def test_backup_comes_back_the_same(traced: BookFolder, tmp_path: Path) -> None:
    target = tmp_path / "b.zip"
    assert len(backup(traced, target).digests) == 2
    with restore(target, tmp_path / "again") as copy:
        assert verify(copy).last_link == verify(traced).last_link
        assert verify(copy).wrong == []
        assert trace_path(copy).read_bytes() == trace_path(traced).read_bytes()


def test_backup_and_restore_never_overwrite(traced: BookFolder, tmp_path: Path) -> None:
    target = tmp_path / "b.zip"
    backup(traced, target)
    with pytest.raises(UsageError, match="there is a file of that name already"):
        backup(traced, target)
    with pytest.raises(UsageError, match="the folder is not empty"):
        restore(target, traced.path)


def test_a_backup_of_a_damaged_book_is_refused(traced: BookFolder, tmp_path: Path) -> None:
    trace_path(traced).write_bytes(b"x")
    with pytest.raises(DamageError, match="worth nothing"):
        backup(traced, tmp_path / "b.zip")
    assert not list(tmp_path.glob("*.zip"))
    assert not list(tmp_path.glob(".b.zip*"))


def test_a_damaged_backup_is_refused(traced: BookFolder, tmp_path: Path) -> None:
    target = tmp_path / "b.zip"
    backup(traced, target)
    with zipfile.ZipFile(target) as archive:
        packed = archive.getinfo("book.sqlite")
    data = target.read_bytes()
    # within what is packed: between the files stand dates and the like that nobody needs
    middle = packed.header_offset + 30 + len(packed.filename) + packed.compress_size // 2
    target.write_bytes(data[:middle] + bytes([data[middle] ^ 1]) + data[middle + 1 :])
    with pytest.raises(DamageError):
        restore(target, tmp_path / "again")
    assert not (tmp_path / "again").exists()


def test_a_backup_cannot_write_outside_the_book(tmp_path: Path) -> None:
    target = tmp_path / "evil.zip"
    with zipfile.ZipFile(target, "w") as archive:
        archive.writestr("book.sqlite", b"")
        archive.writestr("../evil", b"")
        archive.writestr("manifest.json", '{"form": "loadbook backup 1", "files": {"book.sqlite": "", "../evil": ""}}')
    with pytest.raises(DamageError, match="outside the book"):
        restore(target, tmp_path / "again")


def test_the_head_kept_elsewhere(traced: BookFolder, loadbook: Run) -> None:
    head = verify(traced).last_link
    assert loadbook("verify", "--last-link", head, cwd=traced.path).returncode == 0
    loadbook("add", "furnaces", "furnace=F9", "atmosphere=air", cwd=traced.path)
    later = loadbook("verify", "--last-link", head, cwd=traced.path)
    assert later.returncode == 0
    assert "the chain has grown since that link" in later.stderr
    wrong = loadbook("verify", "--last-link", "f" * 64, cwd=traced.path)
    assert wrong.returncode == 3
    assert "the chain recomputed" in wrong.stdout


@pytest.mark.parametrize(
    ("damage", "found"),
    [
        ("UPDATE piece SET quantity = 9 WHERE run = 'R1'", False),
        ("UPDATE piece SET quantity = 9 WHERE run = 'R2'", True),
        ("INSERT INTO finding (run, what, name, verdict, text, algorithm) VALUES ('R1', 'run', 'run', 'kept', '', '0')",
         False),
        ("INSERT INTO finding (run, what, name, verdict, text, algorithm) VALUES ('R2', 'run', 'run', 'kept', '', '0')",
         True),
        ("UPDATE chain SET content = digest WHERE link = 1", True),
        ("UPDATE setting SET value = 'UTC' WHERE name = 'zone'", True),
        ("t1", False),
        ("t2", True),
    ],
)  # fmt: skip
def test_only_what_came_after_a_link(traced: BookFolder, loadbook: Run, damage: str, found: bool) -> None:
    """What is damaged before the link the whole check finds, and nothing else: that is what the last lines say."""
    head = verify(traced).last_link
    with traced.write() as conn:
        row = {"run": "R2", "furnace": "F1", "started": "2026-03-02T08:00:00Z", "status": "done"}
        piece = {"run": "R2", "part": "00123", "serial": "009", "quantity": 1}
        add_intake(conn, "runs", {"run": [row], "piece": [piece]}, rows_read=2)
    with_trace(traced, "R2", "t2")
    whole = loadbook("verify", "--since", head, cwd=traced.path)
    assert (whole.returncode, whole.stdout.splitlines()[0]) == (
        0, "2 links of the chain and 1 trace files are as they were written"
    )  # fmt: skip
    assert "not looked at: what the 2 links up to the one given put in, 1 trace file," in whole.stdout
    assert "a whole check is due by 20" in whole.stdout and "last link" not in whole.stdout
    if damage in ("t1", "t2"):
        (path,) = traced.read().execute("SELECT path FROM trace WHERE trace_id = ?", (damage,)).fetchone()
        (traced.path / path).write_bytes(_flip((traced.path / path).read_bytes()))
    else:
        conn = traced.read()
        guards = conn.execute("SELECT name, sql FROM sqlite_schema WHERE type = 'trigger'").fetchall()
        for name, _ in guards:
            conn.execute(f"DROP TRIGGER {name}")
        conn.execute(damage)
        for _, sql in guards:
            conn.execute(sql)
    traced.close()
    since = loadbook("verify", "--since", head, cwd=traced.path)
    assert since.returncode == (3 if found else 0), since.stdout
    assert loadbook("verify", cwd=traced.path).returncode == 3


def test_after_a_link_that_is_lost_everything_is_looked_at_and_after_a_month_it_is_due(
    traced: BookFolder, loadbook: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    head = verify(traced).last_link
    lost = loadbook("verify", "--since", "f" * 64, cwd=traced.path)
    assert lost.returncode == 3 and "the chain recomputed" in lost.stdout and f"last link {head}" in lost.stdout
    assert "2 links of the chain and 1 trace files" in lost.stdout
    assert loadbook("verify", "--since", "0" * 64, cwd=traced.path).returncode == 0, "the last link of an empty book"
    assert loadbook("verify", "--since", "f" * 63, cwd=traced.path).returncode == 2
    monkeypatch.setattr("loadbook.cli.upkeep.WHOLE_DAYS", 0)
    assert "a whole check is due, 0 days after" in loadbook("verify", "--since", head, cwd=traced.path).stdout


def test_every_step_from_an_empty_book_and_stopped_half_way(tmp_path: Path) -> None:
    import sqlite3

    conn = sqlite3.connect(tmp_path / "x.sqlite", isolation_level=None)
    for step in migrations.steps():
        assert [s.number for s in migrations.apply(conn, upto=step.number)] == [step.number]
        assert migrations.version(conn) == step.number
    assert migrations.apply(conn) == []
