"""Trace files: what is written comes back bit for bit, and anything else is damage."""

from __future__ import annotations

import hashlib
import os
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from loadbook.analysis.trace.model import MISSING, Channel, Event, Trace
from loadbook.core.errors import DamageError, LoadbookError
from loadbook.store import trace_files


@pytest.fixture
def book(tmp_path: Path) -> Any:
    path = tmp_path / "it's a book"
    path.mkdir()
    return SimpleNamespace(path=path, swept=set())


def sample_trace(samples: int = 50) -> Trace:
    rng = np.random.default_rng(3)
    channels = tuple(
        Channel(n, f"TC [{n}]", quantity="pressure" if n == 4 else "temperature", unit="mbar" if n == 4 else "c")
        for n in (2, 1, 4)
    )
    values = rng.normal(300, 40, (3, samples))
    flags = np.zeros((3, samples), np.uint8)
    values[1, 3] = np.nan
    flags[1, 3] = MISSING
    values[2, :3] = [1e-7, 1013.25, 0.1 + 0.2]
    t_s = np.cumsum(rng.uniform(1, 60, samples))
    return Trace(t_s, values, flags, channels, run="R'1 --", started="2026-03-01T08:00:00Z")


def row_of(trace: Trace, trace_id: str, written: tuple[str, str, int]) -> dict[str, Any]:
    path, sha256, size = written
    return {
        "trace_id": trace_id, "path": path, "sha256": sha256, "bytes": size, "run": trace.run, "started": trace.started
    }  # fmt: skip


def test_a_trace_comes_back_bit_for_bit_in_the_order_of_channels_asked(book: Any) -> None:
    trace = sample_trace()
    row = row_of(trace, "t-1", trace_files.write_trace(book, trace, "t-1"))
    back = trace_files.read_trace(book, row, trace.channels, [Event(9.0, "door opened"), Event(1.0, "fan on")])
    np.testing.assert_array_equal(back.t_s, trace.t_s)
    np.testing.assert_array_equal(back.values, trace.values)
    np.testing.assert_array_equal(back.flags, trace.flags)
    assert back.channels == trace.channels and back.run == "R'1 --" and back.started == trace.started
    assert [e.t_s for e in back.events] == [1.0, 9.0]
    one = trace_files.read_trace(book, row, trace.channels[1:2])
    np.testing.assert_array_equal(one.values, trace.values[1:2])


def test_several_traces_are_read_together_as_each_by_itself(book: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    """Of different lengths and channels, one of them damaged, one with a channel that its file has not."""
    traces = [sample_trace(50), sample_trace(7), sample_trace(300), sample_trace(20)]
    rows = [row_of(t, f"t-{i}", trace_files.write_trace(book, t, f"t-{i}")) for i, t in enumerate(traces)]
    rows = [row | {"samples": t.t_s.size} for row, t in zip(rows, traces, strict=True)]
    (book.path / rows[1]["path"]).write_bytes(b"PAR1")
    asked = [traces[0].channels, traces[1].channels, traces[2].channels[::-1], (Channel(9, "TC 9"),)]
    queries: list[int] = []
    columns = trace_files._columns

    def counted(datas: list[bytes], where: str) -> Any:
        queries.append(len(datas))
        return columns(datas, where)

    monkeypatch.setattr(trace_files, "_columns", counted)
    found = list(trace_files.read_traces(book, [(r, c, ()) for r, c in zip(rows, asked, strict=True)]))
    assert queries == [3]
    for i, back in enumerate(found):
        try:
            alone = trace_files.read_trace(book, rows[i], asked[i])
        except DamageError as exc:
            assert i in (1, 3) and str(back) == str(exc)
            continue
        assert i in (0, 2) and isinstance(back, Trace) and back.channels == alone.channels and back.run == alone.run
        for name in ("t_s", "values", "flags"):
            np.testing.assert_array_equal(getattr(back, name), getattr(alone, name))
    monkeypatch.setattr(trace_files, "TOGETHER", 1)  # what is large is read by itself
    wanted = [(r, t.channels, ()) for r, t in zip(rows, traces, strict=True)]
    kinds = [type(x) for x in trace_files.read_traces(book, wanted)]
    assert kinds == [Trace, DamageError, Trace, Trace]
    assert queries[1:] == [1] * len(queries[1:]) and not list(trace_files.read_traces(book, []))


def test_the_file_is_long_sorted_and_nothing_temporary_is_left(book: Any) -> None:
    import duckdb

    trace = sample_trace(5)
    path, sha256, size = trace_files.write_trace(book, trace, "t-1")
    assert path == "traces/2026/t-1.parquet"
    file = book.path / path
    assert hashlib.sha256(file.read_bytes()).hexdigest() == sha256 and file.stat().st_size == size
    assert [p.name for p in file.parent.iterdir()] == ["t-1.parquet"]
    rows = duckdb.sql(f"SELECT * FROM read_parquet({trace_files.quoted(str(file))})").fetchall()
    assert [(r[0], r[1], r[2]) for r in rows[:6:5]] == [("R'1 --", 1, "temperature"), ("R'1 --", 2, "temperature")]
    assert [r[1] for r in rows] == [1] * 5 + [2] * 5 + [4] * 5
    assert rows[10][4] == 1e-7, "channel 4 comes last and keeps its own unit"


def test_a_missing_sample_is_null_in_the_file_never_nan(book: Any) -> None:
    import duckdb

    path, _, _ = trace_files.write_trace(book, sample_trace(), "t-1")
    source = f"read_parquet({trace_files.quoted(str(book.path / path))})"
    assert duckdb.sql(f"SELECT channel, flag FROM {source} WHERE value IS NULL").fetchall() == [(1, 1)]
    assert duckdb.sql(f"SELECT count(*) FROM {source} WHERE isnan(value)").fetchall() == [(0,)]


def test_a_single_changed_bit_is_damage(book: Any) -> None:
    trace = sample_trace()
    row = row_of(trace, "t-1", trace_files.write_trace(book, trace, "t-1"))
    file = book.path / row["path"]
    whole = file.read_bytes()
    rng = np.random.default_rng(1)
    for bit in rng.integers(0, len(whole) * 8, 40):
        hurt = bytearray(whole)
        hurt[bit // 8] ^= 1 << (bit % 8)
        file.write_bytes(hurt)
        with pytest.raises(DamageError, match="not the one that was written"):
            trace_files.read_trace(book, row, trace.channels)
    file.write_bytes(whole)
    trace_files.read_trace(book, row, trace.channels)


def test_what_is_read_is_what_was_checked_whatever_takes_its_name_meanwhile(
    book: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    trace = sample_trace()
    row = row_of(trace, "t-1", trace_files.write_trace(book, trace, "t-1"))
    other = trace_files.write_trace(book, replace(trace, values=trace.values + 500), "t-2")
    read = trace_files.read_file

    def swapped(path: Path, most: int, **how: bool) -> bytes:
        data = read(path, most, **how)
        (book.path / other[0]).replace(path)
        return data

    monkeypatch.setattr(trace_files, "read_file", swapped)
    np.testing.assert_array_equal(trace_files.read_trace(book, row, trace.channels).values, trace.values)
    monkeypatch.undo()
    with pytest.raises(DamageError):
        trace_files.read_trace(book, row, trace.channels)


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no pipes on this system")
def test_a_pipe_in_a_traces_place_is_damage_and_is_not_waited_for(book: Any) -> None:
    trace = sample_trace()
    row = row_of(trace, "t-1", trace_files.write_trace(book, trace, "t-1"))
    (book.path / row["path"]).unlink()
    os.mkfifo(book.path / row["path"])
    with pytest.raises(DamageError, match="not a regular file"):
        trace_files.read_trace(book, row, trace.channels)


@pytest.mark.parametrize("hurt", [b"", b"PAR1", None])
def test_a_cut_or_missing_file_is_damage_with_the_mend(book: Any, hurt: bytes | None) -> None:
    trace = sample_trace()
    row = row_of(trace, "t-1", trace_files.write_trace(book, trace, "t-1"))
    file = book.path / row["path"]
    if hurt is None:
        file.unlink()
    else:
        file.write_bytes(hurt)
    with pytest.raises(DamageError, match="loadbook verify"):
        trace_files.read_trace(book, row, trace.channels)


def test_a_file_that_is_no_parquet_although_its_digest_fits_is_damage(book: Any) -> None:
    trace = sample_trace()
    row = row_of(trace, "t-1", trace_files.write_trace(book, trace, "t-1"))
    (book.path / row["path"]).write_bytes(b"plain text")
    row |= {"bytes": 10, "sha256": hashlib.sha256(b"plain text").hexdigest()}
    with pytest.raises(DamageError, match="cannot be read"):
        trace_files.read_trace(book, row, trace.channels)


def test_a_channel_that_the_file_does_not_hold_is_named(book: Any) -> None:
    trace = sample_trace()
    row = row_of(trace, "t-1", trace_files.write_trace(book, trace, "t-1"))
    with pytest.raises(DamageError, match="no channel TC 9"):
        trace_files.read_trace(book, row, [Channel(9, "TC 9")])


@pytest.mark.parametrize(
    "path",
    ["../secret.parquet", "/etc/passwd", "traces/../book.sqlite", "book.sqlite", "traces", "traces/2026/a;b", ""],
)
def test_a_path_out_of_the_book_is_never_followed(book: Any, path: str) -> None:
    with pytest.raises(DamageError, match="leads out of the book"):
        trace_files.locate(book, path)


@pytest.mark.skipif(os.name == "nt", reason="symbolic links need a privilege on Windows")
def test_a_link_out_of_the_book_is_never_followed(book: Any, tmp_path: Path) -> None:
    outside = tmp_path / "outside"
    outside.mkdir()
    (book.path / "traces").mkdir()
    (book.path / "traces" / "2026").symlink_to(outside)
    with pytest.raises(DamageError, match="leads out of the book"):
        trace_files.locate(book, "traces/2026/t-1.parquet")


def test_an_id_that_a_disk_could_confuse_is_refused_and_nothing_is_overwritten(book: Any) -> None:
    trace = sample_trace()
    for bad in ("A-1", "con/x", "..", "", "a" * 65, "a b"):
        with pytest.raises(LoadbookError, match="cannot name a trace file"):
            trace_files.write_trace(book, trace, bad)
    path, sha256, _ = trace_files.write_trace(book, trace, "t-1")
    with pytest.raises(LoadbookError, match="already there"):
        trace_files.write_trace(book, sample_trace(5), "t-1")
    assert hashlib.sha256((book.path / path).read_bytes()).hexdigest() == sha256


def test_a_refused_write_leaves_nothing_behind(book: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(trace_files.os, "fsync", full)
    with pytest.raises(LoadbookError, match=r"No space left on device.*disk has room"):
        trace_files.write_trace(book, sample_trace(), "t-1")
    assert list((book.path / "traces").rglob("*.parquet*")) == []
