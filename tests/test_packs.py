"""Packs: old months' trace files in one file each, read, checked, published and backed up as before."""

from __future__ import annotations

import random
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import duckdb
import pytest
from click.testing import CliRunner

from loadbook.cli.main import cli
from loadbook.core.errors import DamageError
from loadbook.group.publish import publish
from loadbook.queries.sql import ask_sql
from loadbook.store import packs, parquet_end, session
from loadbook.store.backup import backup, bring_back, restore
from loadbook.store.book import BookFolder
from loadbook.store.packing import pack
from loadbook.store.records import amend
from loadbook.store.trace_files import read_trace
from loadbook.store.verify import verify

from .smallbook import put, run, small, trace
from .thinned import thinned

RUNS = [(f"R{month}-{n}", month, n) for month in (1, 2, 3) for n in (1, 2, 3)]
ALL = (
    "SELECT run, channel, role, quantity, unit, t_s, sampled_at, value, flag, channel_number FROM samples ORDER BY ALL"
)


def with_traces(path: Path) -> BookFolder:
    """A book with three runs in each of three months, each trace with figures of its own."""
    book = small(path)
    for name, month, n in RUNS:
        run(book, name, n, month=month)
        trace(book, name, f"t-{month}-{n}", samples=30 + n, base=20.0 + 10 * month + n, month=month)
    return book


@pytest.fixture(name="ready", scope="module")
def made_ready(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("ready") / "book"
    with_traces(folder).close()
    return folder


@pytest.fixture(name="book")
def made_book(ready: Path, tmp_path: Path) -> Iterator[BookFolder]:
    """A copy of its own, in a folder whose name an engine takes for a pattern."""
    shutil.copytree(ready, tmp_path / "plant [2]" / "book")
    with BookFolder.open(tmp_path / "plant [2]" / "book") as book:
        yield book


def small_files(book: BookFolder) -> list[str]:
    return sorted(p.stem for p in (book.path / "traces").rglob("t-*.parquet"))


def the_packs(book: BookFolder) -> dict[str, bytes]:
    return {p.name: p.read_bytes() for p in sorted((book.path / "traces").rglob("pack-*"))}


def values(book: BookFolder) -> dict[str, bytes]:
    rows = book.read().execute("SELECT trace_id, run FROM trace WHERE state = 'current'").fetchall()
    return {r["run"]: read_trace(book, r["trace_id"]).values.tobytes() for r in rows}


def samples(book: BookFolder) -> list[tuple[object, ...]]:
    """Every row of the view, of the traces that are whole."""
    with session.start(book, {"samples"}) as made:
        return made.connection.execute(ALL).fetchall()


def flip(file: Path, at: int) -> None:
    data = bytearray(file.read_bytes())
    data[at] ^= 1
    file.write_bytes(data)


def test_every_reader_finds_what_it_found_before(book: BookFolder, tmp_path: Path) -> None:
    before, rows = values(book), samples(book)
    asked = list(ask_sql(book, ALL))
    group = str(tmp_path / "group")
    publish(book, group, "Linz")
    zipped = backup(book, tmp_path / "before.zip").digests
    done = pack(book, "2026-03")
    assert (done.packs, done.traces, done.removed, done.left) == (2, 6, 6, [])
    assert list(the_packs(book)) == ["pack-2026-01.parquet", "pack-2026-02.parquet"]
    assert small_files(book) == ["t-3-1", "t-3-2", "t-3-3"]
    assert values(book) == before
    assert samples(book) == rows
    assert list(ask_sql(book, ALL)) == asked
    checked = verify(book)
    assert (checked.wrong, checked.leftover, checked.traces) == ([], [], 9)
    assert not publish(book, group, "Linz").changed
    assert publish(book, str(tmp_path / "other"), "Linz").traces == 9
    after = backup(book, tmp_path / "after.zip").digests
    assert {n: d for n, d in after.items() if n.startswith("traces")} == {
        n: d for n, d in zipped.items() if n.startswith("traces")
    }, "a backup holds each trace by itself"
    with restore(tmp_path / "after.zip", tmp_path / "restored") as restored:
        assert values(restored) == before
        assert the_packs(restored) == {}
    again = pack(book, "2026-03")
    assert (again.packs, again.removed) == (0, 0)
    assert pack(book, "2027-01").packs == 1
    assert small_files(book) == []
    assert samples(book) == rows


def test_a_pack_is_a_parquet_file_with_a_row_group_for_each_trace(book: BookFolder) -> None:
    files = {r["path"]: (book.path / r["path"]).read_bytes() for r in book.read().execute("SELECT path FROM trace")}
    pack(book, "2026-02")
    file = book.path / "traces" / "2026" / "pack-2026-01.parquet"
    whole = file.read_bytes()
    slices = packs.index_of(file)
    assert {s.path: whole[s.at : s.at + s.bytes] for s in slices} == {
        p: data for p, data in files.items() if "/t-1-" in p
    }
    copy = book.path.parent.parent / "copy.parquet"
    copy.write_bytes(whole)
    found = duckdb.sql(
        f"SELECT row_group_id, max(row_group_num_rows) FROM parquet_metadata('{copy}') GROUP BY 1 ORDER BY 1"
    )
    assert found.fetchall() == [(0, 3 * 31), (1, 3 * 32), (2, 3 * 33)]
    assert duckdb.sql(f"SELECT run, count(*) FROM '{copy}' GROUP BY run ORDER BY run").fetchall() == [
        ("R1-1", 93), ("R1-2", 96), ("R1-3", 99),
    ]  # fmt: skip
    parquet = pytest.importorskip("pyarrow.parquet")
    table = parquet.ParquetFile(copy)
    assert [table.read_row_group(n).num_rows for n in range(table.num_row_groups)] == [93, 96, 99]


_KILLED = """
import os, sys
from pathlib import Path
from loadbook.core import writing
from loadbook.store import packing, packs
from loadbook.store.book import BookFolder
at, left = sys.argv[2], [int(sys.argv[3])]
def dies(owner, name):
    whole = getattr(owner, name)
    def one(*a, **k):
        if left[0] == 0:
            os._exit(9)
        left[0] -= 1
        return whole(*a, **k)
    setattr(owner, name, one)
owner, name = {"part": (writing.Part, "place"), "read back": (packing, "_as_read"), "checked": (packs, "check"),
               "removing": (Path, "unlink"), "flushed": (writing, "sync_folder")}[at]
dies(owner, name)
with BookFolder.open(Path(sys.argv[1])) as book:
    packing.pack(book, "2027-01")
"""


MOMENTS = [
    ("part", 0), ("read back", 1), ("checked", 0), ("removing", 0), ("removing", 1), ("removing", 4), ("flushed", 1),
]  # fmt: skip


@pytest.mark.parametrize("moment", thinned(MOMENTS, 2), ids=lambda m: f"{m[0]} {m[1]}")
def test_a_kill_at_any_moment_loses_nothing(moment: tuple[str, int], book: BookFolder) -> None:
    at, after = moment
    before, rows = values(book), samples(book)
    book.close()
    died = subprocess.run([sys.executable, "-c", _KILLED, str(book.path), at, str(after)], check=False)
    assert died.returncode == 9
    with BookFolder.open(book.path) as left:
        assert values(left) == before
        assert samples(left) == rows
        assert verify(left).wrong == []
        done = pack(left, "2027-01")
        assert done.left == []
        assert small_files(left) == []
        assert len(the_packs(left)) == 3, "what a killed command had packed is not packed again"
        assert values(left) == before
        assert samples(left) == rows
        found = verify(left)
        assert (found.wrong, found.leftover, found.traces) == ([], [], 9)


def test_what_a_pack_lost_is_named_and_comes_back_from_a_backup(book: BookFolder, tmp_path: Path) -> None:
    before, rows = values(book), samples(book)
    backup(book, tmp_path / "b.zip")
    pack(book, "2026-02")
    file = book.path / "traces" / "2026" / "pack-2026-01.parquet"
    whole = file.read_bytes()
    hurt = packs.index_of(file)[1]
    chance = random.Random(5)
    for _ in range(3):
        flip(file, hurt.at + chance.randrange(hurt.bytes))
        with pytest.raises(DamageError, match="not the one that was written"):
            read_trace(book, "t-1-2")
        assert read_trace(book, "t-1-3").values.tobytes() == before["R1-3"]
        with session.start(book, {"samples"}) as made:
            assert [x.run for x in made.left_out] == ["R1-2"]
        assert samples(book) == [r for r in rows if r[0] != "R1-2"]
        assert [w for w in verify(book).wrong if "run R1-2" in w and "pack-2026-01" in w]
        file.write_bytes(whole)
    flip(file, hurt.at + 40)
    with pytest.raises(DamageError, match="run R1-2 cannot be read"):
        ask_sql(book, ALL)
    assert bring_back(book, tmp_path / "b.zip").back == ["R1-2 (traces/2026/t-1-2.parquet)"]
    assert values(book) == before
    assert samples(book) == rows
    done = pack(book, "2026-02")
    assert (done.packs, len(done.left)) == (0, 1)
    assert "damaged copy" in done.left[0]
    assert small_files(book)[0] == "t-1-2", "the only whole one stays"


def test_a_packs_end_or_index_that_is_changed_misleads_nobody(book: BookFolder) -> None:
    before, rows = values(book), samples(book)
    pack(book, "2026-02")
    file = book.path / "traces" / "2026" / "pack-2026-01.parquet"
    whole = file.read_bytes()
    last = packs.index_of(file)[-1]
    chance = random.Random(7)
    lost = 0
    for _ in range(12):
        flip(file, last.at + last.bytes + chance.randrange(len(whole) - last.at - last.bytes))
        told = verify(book).wrong
        assert any("pack-2026-01" in line for line in told)
        with session.start(book, {"samples"}) as made:
            gone = {x.run for x in made.left_out}
        assert samples(book) == [r for r in rows if r[0] not in gone]
        lost += bool(gone)  # where the index itself is spoilt
        file.write_bytes(whole)
    assert lost < 12
    assert values(book) == before
    elsewhere = book.path / "elsewhere"
    file.rename(elsewhere)
    file.symlink_to(elsewhere)
    with pytest.raises(DamageError):
        read_trace(book, "t-1-1")
    file.unlink()
    elsewhere.rename(file)
    assert verify(book).wrong == []


def test_a_strangers_pack_of_a_huge_slice_is_not_read_into_memory(book: BookFolder) -> None:
    """Sparse files: the index, with its digest right, names a slice of as many bytes; so does a trace's row."""
    pack(book, "2026-03")
    file = book.path / "traces" / "2026" / "pack-2026-01.parquet"
    whole, slices = file.read_bytes(), packs.index_of(file)
    huge, at = 1 << 40, slices[-1].at + slices[-1].bytes
    grown = [*slices[:-1], packs.Slice(slices[-1].path, slices[-1].at, slices[-1].bytes + huge)]
    with file.open("r+b") as out:
        out.truncate(at)
        out.seek(at + huge)
        out.write(packs._rest(grown, [(parquet_end.end_of(whole[s.at : s.at + s.bytes]), s.at) for s in slices]))
    with pytest.raises(DamageError, match="not in order"):
        packs.index_of(file)
    assert any("R1-1" in line for line in verify(book).wrong)
    (row,) = book.read().execute("SELECT * FROM trace WHERE trace_id = 't-2-1'").fetchall()
    with pytest.raises(DamageError, match="no trace file has"):
        read_trace(book, {**dict(row), "bytes": 1 << 62})
    (row,) = book.read().execute("SELECT * FROM trace WHERE trace_id = 't-3-1'").fetchall()
    with (book.path / row["path"]).open("r+b") as out:
        out.truncate(huge)
    with pytest.raises(DamageError, match="larger than 512 MiB"):
        read_trace(book, {**dict(row), "bytes": huge})


def test_a_trace_taken_again_stands_in_its_own_file_and_the_pack_stays(book: BookFolder) -> None:
    pack(book, "2026-02")
    kept = the_packs(book)
    old = book.read().execute("SELECT trace_number FROM trace WHERE trace_id = 't-1-2'").fetchone()[0]
    with book.write() as conn:
        amend(conn, "trace", "t-1-2", old, {"state": "withdrawn"}, "the wrong file", "test")
    trace(book, "R1-2", "t-1-2b", samples=12, base=500.0, month=1, channels=False)
    assert the_packs(book) == kept
    found = samples(book)
    control = [r for r in found if r[:3] == ("R1-2", "C1", "control")]
    assert (len(control), min(r[7] for r in control)) == (12, 500.0)
    done = pack(book, "2026-02")
    assert (done.packs, done.traces) == (1, 1)
    assert list(the_packs(book)) == ["pack-2026-01-2.parquet", "pack-2026-01.parquet"]
    assert the_packs(book)["pack-2026-01.parquet"] == kept["pack-2026-01.parquet"]
    assert samples(book) == found
    assert read_trace(book, "t-1-2").values.shape == (3, 32), "the withdrawn one is still there"
    assert verify(book).wrong == []
    file = book.path / "traces" / "2026" / "pack-2026-01.parquet"
    flip(file, packs.index_of(file)[1].at + 60)
    assert samples(book) == found, "a damaged trace that was withdrawn stands in nobody's way"
    assert [line for line in verify(book).noted if "withdrawn trace of run R1-2" in line]


def test_what_is_damaged_or_not_of_its_run_stays_as_it_is(book: BookFolder) -> None:
    flip(book.path / "traces" / "2026" / "t-1-1.parquet", 60)
    # a file whose rows name another run, with a row that agrees with its digest
    run(book, "R9", 9, month=2)
    other = (book.path / "traces" / "2026" / "t-3-1.parquet").read_bytes()
    (book.path / "traces" / "2026" / "t-9.parquet").write_bytes(other)
    row = dict(book.read().execute("SELECT * FROM trace WHERE trace_id = 't-3-1'").fetchone())
    for name in ("trace_number", "intake_id"):
        del row[name]
    put(
        book,
        "trace",
        {**row, "trace_id": "t-9", "run": "R9", "path": "traces/2026/t-9.parquet", "started": "2026-02-09T08:00:00Z"},
    )
    rows = samples(book)
    told = CliRunner().invoke(cli, ["pack", "--before", "2026-03", "--book", str(book.path)])
    assert told.exit_code == 3
    assert "2 traces put into 1 packs" in told.output
    assert "R1-1" in told.output
    assert "4 of 2026-02: they hold other runs' names" in told.output
    assert list(the_packs(book)) == ["pack-2026-01.parquet"]
    assert samples(book) == rows


def test_the_command_says_what_it_did(book: BookFolder) -> None:
    told = CliRunner().invoke(cli, ["pack", "--before", "2026-02", "--book", str(book.path)])
    assert told.exit_code == 0
    assert "3 traces put into 1 packs" in told.output
    assert "3 files of single traces removed" in told.output
    told = CliRunner().invoke(cli, ["pack", "--before", "2026-02", "--book", str(book.path)])
    assert "no trace file before 2026-02 is left to pack" in told.output
    told = CliRunner().invoke(cli, ["pack", "--before", "last", "--book", str(book.path)])
    assert told.exit_code == 2
    assert "not a month" in told.output


def test_no_end_of_a_parquet_file_breaks_the_reader() -> None:
    """Bytes at random, and a whole end with one byte changed: read as something, or refused by ValueError."""
    connection = duckdb.connect()
    connection.sql(
        "CREATE TABLE t AS SELECT 'R1' AS run, i::SMALLINT AS channel, i::DOUBLE AS value FROM range(500) AS r(i)"
    )
    chance = random.Random(3)

    with tempfile.TemporaryDirectory() as folder:
        connection.sql(f"COPY t TO '{folder}/t.parquet' (FORMAT parquet)")
        whole = (Path(folder) / "t.parquet").read_bytes()
    end = parquet_end.end_of(whole)
    assert parquet_end.rows_of(end) == 500
    assert parquet_end.joined([(end, 0)]) == parquet_end.joined([(parquet_end.joined([(end, 0)]), 0)])
    for _ in range(400):
        wrong = bytearray(end)
        wrong[chance.randrange(len(wrong))] = chance.randrange(256)
        for given in (bytes(wrong), end[: chance.randrange(len(end))], chance.randbytes(60)):
            try:
                parquet_end.joined([(given, 0), (given, 1000)])
            except (ValueError, TypeError):
                continue
    for data in (b"", b"PAR1", whole[:-1], b"PAR1" + b"\xff" * 4 + b"PAR1", whole[4:]):
        with pytest.raises(ValueError, match="Parquet"):
            parquet_end.end_of(data)
