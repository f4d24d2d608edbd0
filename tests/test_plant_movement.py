"""The movement of a group: made plant by plant, kept beside what was published, and the same as made at once."""

from __future__ import annotations

import shutil
from pathlib import Path

import pandas as pd
import pytest

from loadbook.core.errors import UsageError
from loadbook.core.remarks import remark
from loadbook.group import engines
from loadbook.group.duck import DuckEngine
from loadbook.group.publish import publish
from loadbook.group.read import open_group
from loadbook.queries import history, source
from loadbook.queries.moved import moved
from loadbook.queries.plants import GroupSource
from loadbook.queries.remark_words import words
from loadbook.queries.sql import ask_sql
from loadbook.store import disk
from loadbook.store.book import BookFolder

from .groupcase import EVERYTHING, made_books, made_published, made_target  # noqa: F401 - fixtures
from .smallbook import put, reading

ALL = "SELECT * FROM movement ORDER BY run, part, serial, characteristic"


def at_once(target: str) -> pd.DataFrame:
    """Movement of the tables of all plants together, as a stranger's query makes it."""
    with DuckEngine(open_group(target), {"movement"}) as engine:
        return engine.frame(ALL)


def by_plant(target: str) -> pd.DataFrame:
    with engines.start(open_group(target), {"movement"}) as engine:
        return engine.frame(ALL)


def kept_files(target: str) -> list[Path]:
    return sorted((Path(target) / "checked" / "movement").glob("*.parquet"))


def test_plant_by_plant_is_all_at_once(target: str) -> None:
    wanted = at_once(target)
    assert wanted["movement_mm"].notna().sum() >= 2
    pd.testing.assert_frame_equal(by_plant(target), wanted)
    assert len(kept_files(target)) == len(open_group(target).plants) == 2


def test_what_is_kept_is_read_and_not_made_again(target: str, monkeypatch: pytest.MonkeyPatch) -> None:
    wanted = by_plant(target)

    def none(*_: object) -> bytes:
        raise AssertionError("made again")

    monkeypatch.setattr(DuckEngine, "parquet", none)
    pd.testing.assert_frame_equal(by_plant(target), wanted)
    listed = ask_sql(GroupSource(target), "SELECT run, serial, movement_mm FROM movement ORDER BY ALL")
    columns = ["run", "serial", "movement_mm"]
    pd.testing.assert_frame_equal(pd.DataFrame(list(listed.rows()), columns=columns),
                                  wanted.sort_values(columns)[columns].reset_index(drop=True))  # fmt: skip


def test_a_plant_that_published_anew_moves_as_it_says_now(target: str, books: dict[str, BookFolder]) -> None:
    before = by_plant(target)
    first = {f.name for f in kept_files(target)}
    put(books["Linz"], "piece", {"run": "R1", "part": "00123", "serial": "new", "quantity": 1})
    put(books["Linz"], "reading", reading("R1", "before", 100.0, None, serial="new"),
        reading("R1", "after", 100.25, None, serial="new"))  # fmt: skip
    publish(books["Linz"], target, "Linz", EVERYTHING)
    after = by_plant(target)
    assert len(after) == len(before) + 1
    assert after.loc[after["serial"] == "Linz/new", "movement_mm"].tolist() == pytest.approx([0.25])
    assert len({f.name for f in kept_files(target)} - first) == 1
    for number in range(2):  # the one before stays for who began with it, those before that go
        put(books["Linz"], "piece", {"run": "R1", "part": "00123", "serial": f"more {number}", "quantity": 1})
        publish(books["Linz"], target, "Linz", EVERYTHING)
        by_plant(target)
        assert len(kept_files(target)) == 3


def test_a_file_that_came_from_elsewhere_is_not_believed(target: str) -> None:
    wanted = by_plant(target)
    one, other = kept_files(target)
    shutil.copyfile(other, one)  # whole, of the right form, and another plant's
    pd.testing.assert_frame_equal(by_plant(target), wanted)
    elsewhere = Path(target).with_name("copied")
    shutil.copytree(target, elsewhere)
    for file in kept_files(str(elsewhere)):
        file.write_bytes(b"PAR1 no PAR1")
    pd.testing.assert_frame_equal(by_plant(str(elsewhere)), wanted)


def test_where_nothing_can_be_kept_it_is_made_each_time(target: str, monkeypatch: pytest.MonkeyPatch) -> None:
    wanted = at_once(target)
    monkeypatch.setattr(disk, "may_keep", lambda _: False)
    with engines.start(open_group(target), {"movement"}) as engine:
        pd.testing.assert_frame_equal(engine.frame(ALL), wanted)
        lying = [Path(f) for f in engine.files if "movement" in f]
        assert len(lying) == 2 and all(f.exists() for f in lying)
    assert not any(f.exists() for f in lying)
    assert kept_files(target) == []


def test_of_a_hundred_plants_the_largest_are_named() -> None:
    plants = [{"plant": f"P{n}", "runs": n, "pieces": 2 * n} for n in range(1, 101)]
    said = words(remark("plants_behind", plants=plants, left_out=[]), "si")
    assert said.startswith("Evidence from P100 (100 runs, 200 pieces), P99 (")
    assert said.endswith("P93 (93 runs, 186 pieces), 92 more plants (4278 runs, 8556 pieces).")  # 1 + 2 + ... + 92


def test_more_movements_than_the_machine_holds_are_refused_before_they_come(
    target: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(source, "MOST_MOVEMENTS", 1)
    for ask in (lambda: moved(GroupSource(target)), lambda: history.load(GroupSource(target))):
        with pytest.raises(UsageError, match="rests on 4 movements, and this machine takes 1 at once"):
            ask()
