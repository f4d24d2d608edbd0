"""Reckoning by several processes gives what one gives, in the same order, whatever happens to a worker."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from loadbook.ask import reckonwork
from loadbook.ask.reckon import reckon
from loadbook.ground.errors import NotFoundError
from loadbook.keep.book import BookFolder

from .bench.book import made

RUNS = 7


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    where = tmp_path_factory.mktemp("reckon")
    made(where, RUNS, 240).close()
    return next(where.glob("book-*"))


@pytest.fixture
def book(folder: Path) -> Iterator[BookFolder]:
    with BookFolder.open(folder) as opened:
        yield opened


def derived_of(book: BookFolder) -> list[tuple[Any, ...]]:
    conn = book.read()
    found = [
        tuple(r)[1:]
        for table in ("parameter", "finding")
        for r in conn.execute(f"SELECT * FROM {table} ORDER BY {table}_id")
    ]
    return sorted(found, key=repr)


def test_two_workers_store_what_one_does_and_in_its_order(book: BookFolder) -> None:
    alone = list(reckon(book, workers=1))
    stored = derived_of(book)
    assert [r.run for r in alone] == [f"R{i:05d}" for i in range(RUNS)] and all(r.parameters for r in alone)
    assert list(reckon(book, workers=2)) == alone
    assert derived_of(book) == stored


def test_a_worker_that_is_killed_changes_nothing(book: BookFolder, monkeypatch: pytest.MonkeyPatch) -> None:
    alone = list(reckon(book, workers=1))
    hear, heard = reckonwork.Workers._hear, []

    def killed(self: reckonwork.Workers, worker: int) -> reckonwork.Computed | None:
        found = hear(self, worker)
        heard.append(found)
        if len(heard) == 1:  # with one run at a time, it is killed before it is told the next
            self._children[0].kill()
            self._children[0].wait()
        return found

    monkeypatch.setattr(reckonwork, "AHEAD", 1)
    monkeypatch.setattr(reckonwork.Workers, "_hear", killed)
    assert list(reckon(book, workers=2)) == alone
    assert any(h is None for h in heard) and any(h is not None for h in heard)


def test_a_run_that_changed_while_it_was_computed_is_computed_again(
    book: BookFolder, monkeypatch: pytest.MonkeyPatch
) -> None:
    old = list(reckon(book, ["R00001"], workers=1))
    compute = reckonwork.compute

    def late(of: BookFolder, run: str) -> reckonwork.Computed:
        found = compute(of, run)
        found.record.row["status"] = "aborted"  # as if it had been so when it was read
        return reckonwork.Computed(found.record, found.settings, [], [])

    monkeypatch.setattr("loadbook.ask.reckon.compute", late)
    assert list(reckon(book, ["R00001"], workers=1)) == old


def test_damage_and_runs_without_a_trace_are_told_by_workers_too(book: BookFolder) -> None:
    path = next(iter(book.read().execute("SELECT path FROM trace WHERE run = 'R00003'")))[0]
    file = book.path.joinpath(*path.split("/"))
    good = file.read_bytes()
    file.write_bytes(good[:-1] + b"x")
    try:
        told = {r.run: r for r in reckon(book, ["R00002", "R00003", "R00004"], workers=2)}
    finally:
        file.write_bytes(good)
    assert told["R00003"].verdict == "damaged" and "not the one that was written" in (told["R00003"].damage or "")
    assert told["R00002"].parameters and told["R00004"].parameters
    with pytest.raises(NotFoundError, match="no run 'R9'"):
        list(reckon(book, ["R00001", "R9"], workers=2))
