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
    t_s = np.arange(200.0) * 30.0
    values = np.vstack([20.0 + t_s / 60.0, 18.0 + t_s / 61.0])
    channels = (Channel(1, "TC 1", "control"), Channel(2, "TC 2", "work"))
    trace = Trace(t_s, values, np.zeros(values.shape, np.uint8), channels, run="R1", started="2026-03-01T08:00:00Z")
    path, sha256, size = write_trace(book, trace, "t1")
    row = {
        "trace_id": "t1", "run": "R1", "state": "current", "path": path, "sha256": sha256, "bytes": size,
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


def test_every_step_from_an_empty_book_and_stopped_half_way(tmp_path: Path) -> None:
    import sqlite3

    conn = sqlite3.connect(tmp_path / "x.sqlite", isolation_level=None)
    for step in migrations.steps():
        assert [s.number for s in migrations.apply(conn, upto=step.number)] == [step.number]
        assert migrations.version(conn) == step.number
    assert migrations.apply(conn) == []
