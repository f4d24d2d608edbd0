"""What stands in one file of a group: a month, a whole year that is over, a pack of a month's traces."""

from __future__ import annotations

import hashlib
import json
from datetime import timedelta
from pathlib import Path

import pytest
from click.testing import CliRunner

from loadbook.cli.main import cli
from loadbook.core.errors import DamageError
from loadbook.group import manifest, publish
from loadbook.group.manifest import PLANTS, RECOMPUTED, TRACE, folder_of
from loadbook.group.publish import publish as published
from loadbook.group.read import open_group
from loadbook.group.recompute import recompute_group
from loadbook.group.target import Store
from loadbook.group.verify import verify_group
from loadbook.queries.plants import GroupSource
from loadbook.queries.sql import ask_sql
from loadbook.store.book import BookFolder
from loadbook.store.records import amend

from .smallbook import put, reading, run, small, trace

BASE = f"{PLANTS}/{folder_of('Linz')}"
SUMS = "SELECT run, count(*), round(sum(value), 6) FROM samples GROUP BY run ORDER BY run"


def taken(book: BookFolder, name: str, month: str, base: float) -> None:
    """A run of a month, with a reading and a trace."""
    run(book, name, 1, serials=(name,), started=f"{month}-01T08:00:00Z", ended=f"{month}-01T18:00:00Z")
    put(book, "reading", {**reading(name, "after", 100.02, None), "serial": name})
    trace(book, name, f"t-{name.lower()}", base=base)


@pytest.fixture
def book(tmp_path: Path) -> BookFolder:
    """Runs over a year and a half, two of them in one month."""
    made = small(tmp_path / "book")
    months = ("2024-03", "2024-03", "2024-11", "2025-01", "2025-06")
    for number, month in enumerate(months, 1):
        taken(made, f"R{number}", month, 20.0 + number)
    return made


def names(target: str | Path, base: str = BASE) -> set[str]:
    """What files there are below a plant, without their digests; lists and pointers apart."""
    found = (name.removeprefix(f"{base}/") for name in Store(str(target)).listed(base))
    return {f"{n.rpartition('-')[0]}" for n in found if n.endswith(".parquet")}


def asked(target: str | Path, sql: str) -> list[tuple[object, ...]]:
    return list(ask_sql(GroupSource(str(target)), sql))


def test_a_year_that_is_over_is_one_file_a_table_and_its_traces_a_pack_a_month(
    book: BookFolder, tmp_path: Path
) -> None:
    where = tmp_path / "group"
    done = published(book, str(where), "Linz")
    assert (done.runs, done.traces) == (5, 5)
    found = names(where)
    assert {n for n in found if n.endswith("/reading")} == {"2024/reading", "2025-01/reading", "2025-06/reading"}
    assert {n for n in found if "traces" in n or "samples" in n} == {
        "2024-03/traces", "2024-11/traces", "2025-01/traces", "2025-06/samples",
    }  # fmt: skip
    assert asked(where, SUMS) == [(f"Linz/{r}", n, s) for r, n, s in ask_sql(book, SUMS)]
    assert asked(where, "SELECT count(*) FROM readings") == [(5,)]
    told = CliRunner().invoke(cli, ["group", "plants", str(where), "--month", "2024-03", "--format", "json"])
    row = json.loads(told.output)[0]
    assert (row["runs"], row["readings"], row["traces"]) == (2, 2, 2)
    assert verify_group(str(where)).wrong == []
    assert not published(book, str(where), "Linz").changed


def test_what_changes_in_an_old_year_leaves_its_packs_and_the_other_years(book: BookFolder, tmp_path: Path) -> None:
    where = str(tmp_path / "group")
    published(book, where, "Linz")
    before = set(Store(where).listed(BASE))
    put(book, "reading", {**reading("R1", "after", 100.03, None), "serial": "R1", "repeat": 2})
    assert published(book, where, "Linz").changed
    fresh = {n.removeprefix(f"{BASE}/") for n in set(Store(where).listed(BASE)) - before if n.endswith(".parquet")}
    assert {n.rpartition("-")[0] for n in fresh} == {"2024/reading"}


def test_a_trace_more_in_an_old_month_is_a_further_pack_and_one_less_a_new_one(
    book: BookFolder, tmp_path: Path
) -> None:
    where = str(tmp_path / "group")
    published(book, where, "Linz")
    (old,) = open_group(where).plants[0].of(TRACE, ["2024-03"])
    taken(book, "R9", "2024-03", 99.0)
    published(book, where, "Linz")
    packed = {tuple(e.runs): e.path for e in open_group(where).plants[0].of(TRACE, ["2024-03"])}
    assert packed[("R1", "R2")] == old.path
    assert set(packed) == {("R1", "R2"), ("R9",)}
    assert asked(where, SUMS) == [(f"Linz/{r}", n, s) for r, n, s in ask_sql(book, SUMS)]
    with book.write() as conn:
        amend(conn, "trace", "t-r1", 1, {"state": "withdrawn"}, "the wrong file", "test")
    published(book, where, "Linz")
    assert {tuple(e.runs) for e in open_group(where).plants[0].of(TRACE, ["2024-03"])} == {("R2",), ("R9",)}
    assert [r for r, *_ in asked(where, SUMS)] == ["Linz/R2", "Linz/R3", "Linz/R4", "Linz/R5", "Linz/R9"]


def test_single_files_go_when_their_month_is_packed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    book, where = small(tmp_path / "book"), tmp_path / "group"
    taken(book, "R1", "2024-12", 20.0)
    published(book, str(where), "Linz")
    recompute_group(str(where))
    assert "2024-12/samples" in names(where)
    taken(book, "R2", "2025-04", 30.0)
    began = open_group(str(where))
    published(book, str(where), "Linz")
    assert {"2024-12/traces", "2024/run"} <= names(where)
    assert [e.run for e in began.sound([TRACE]).files[TRACE][0:1] for e in [e.entry]] == ["R1"], "who began reads on"
    assert [r for r, *_ in asked(where, SUMS)] == ["Linz/R1", "Linz/R2"]
    now = manifest.times.now() + timedelta(days=5)
    monkeypatch.setattr(manifest.times, "now", lambda: now)
    published(book, str(where), "Linz")
    assert not {"2024-12/samples", "2024-12/run"} & names(where)
    assert verify_group(str(where)).wrong == []
    assert recompute_group(str(where)).runs == 2
    assert {n for n in names(where, f"{RECOMPUTED}/{folder_of('Linz')}") if n.startswith("2024/")}


def test_a_pack_is_written_in_pieces_of_some_size(
    book: BookFolder, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(publish, "LARGEST_PACK", 100)
    where = str(tmp_path / "group")
    published(book, where, "Linz")
    assert [e.runs for e in open_group(where).plants[0].of(TRACE, ["2024-03"])] != [["R1", "R2"]]
    assert asked(where, SUMS) == [(f"Linz/{r}", n, s) for r, n, s in ask_sql(book, SUMS)]


def test_traces_are_computed_again_where_they_stand_in_packs(book: BookFolder, tmp_path: Path) -> None:
    """In a folder and in an object store, which gives a part of a file."""
    address, where = f"memory://{tmp_path.name}/group", str(tmp_path / "group")
    for target in (where, address):
        published(book, target, "Linz")
        done = recompute_group(target)
        assert (done.runs, done.periods, done.damage) == (5, 3, [])
        assert open_group(target).plants[0].recomputed is not None
    assert recompute_group(where).already == 3


def test_a_damaged_pack_is_refused_named_and_written_anew(book: BookFolder, tmp_path: Path) -> None:
    where = tmp_path / "group"
    published(book, str(where), "Linz")
    (entry,) = open_group(str(where)).plants[0].of(TRACE, ["2024-03"])
    of_r2 = next(p for p in entry.packed if p.run == "R2")
    file = where / entry.path
    data = bytearray(file.read_bytes())
    data[of_r2.at + of_r2.bytes // 2] ^= 1
    file.write_bytes(data)
    with pytest.raises(DamageError, match=r"cannot be read|not as it was written"):
        asked(where, SUMS)
    left = open_group(str(where)).sound([TRACE], without_damaged=True).left_out
    assert [x.run for x in left] == ["Linz/R1", "Linz/R2"]
    assert [r for _, r, _ in recompute_group(str(where)).damage] == ["R2"], "what is whole in it is computed"
    assert [entry.path in line for line in verify_group(str(where)).wrong] == [True]
    published(book, str(where), "Linz")
    assert verify_group(str(where)).wrong == []
    assert len(asked(where, SUMS)) == 5


def test_a_publication_of_the_form_before_is_read(tmp_path: Path) -> None:
    """Its lists said 'month', and knew no years and no packs."""
    book, where = small(tmp_path / "book"), tmp_path / "group"
    taken(book, "R1", "2026-03", 20.0)
    published(book, str(where), "Linz")
    (pointer,) = (where / BASE).glob("current-*.json")
    told = json.loads(pointer.read_text())
    whole = json.loads((where / told["manifest"]).read_text())
    for part in whole["parts"].values():
        text = (where / part["path"]).read_text().replace('"period":', '"month":').replace('"format":3', '"format":2')
        (where / part["path"]).write_text(text)
        part |= {"sha256": hashlib.sha256(text.encode()).hexdigest(), "bytes": len(text)}
    text = json.dumps({**whole, "format": 2})
    (where / told["manifest"]).write_text(text)
    pointer.write_text(json.dumps({**told, "sha256": hashlib.sha256(text.encode()).hexdigest()}))
    assert verify_group(str(where)).wrong == []
    assert [r for r, *_ in asked(where, SUMS)] == ["Linz/R1"]
    assert recompute_group(str(where)).runs == 1
    assert published(book, str(where), "Linz").changed, "its lists are written as they are today"
    assert verify_group(str(where)).wrong == []
