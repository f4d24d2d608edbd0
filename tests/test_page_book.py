"""The folder of pages by several processes: the same bytes as by one, whatever happens to a worker or to a trace."""

from __future__ import annotations

import os
import signal
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import wait
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from loadbook.queries import recompute_workers
from loadbook.queries.recompute import recompute
from loadbook.queries.recompute_workers import Team
from loadbook.render.pages import book as pages
from loadbook.store.book import BookFolder

from .bench.book import made

RUNS = 5
NOW = datetime(2026, 11, 29, 18, 0, tzinfo=UTC)


@pytest.fixture(scope="module")
def book(tmp_path_factory: pytest.TempPathFactory) -> Iterator[BookFolder]:
    with made(tmp_path_factory.mktemp("pages"), RUNS, 240) as opened:
        list(recompute(opened, workers=1))
        yield opened


@pytest.fixture(autouse=True)
def one_moment(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("loadbook.core.times.now", lambda: NOW)


@pytest.fixture
def two_processes(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """This process and a worker, which it waits for; gives the runs that were left to this one."""
    here: list[str] = []
    results, alone = Team.results, Team._here

    def after_start(self: Team[Any, Any], runs: Sequence[Any]) -> Iterator[Any]:
        wait(self.started)
        return results(self, runs)

    def counted(self: Team[Any, Any], run: Any) -> Any:
        here.append(run.name)
        return alone(self, run)

    monkeypatch.setattr(pages, "WORTH_WORKERS", 1)
    monkeypatch.setattr(pages, "cores", lambda: 2)
    monkeypatch.setattr(recompute_workers, "AHEAD", RUNS - 1)
    monkeypatch.setattr(Team, "results", after_start)
    monkeypatch.setattr(Team, "_here", counted)
    return here


def files(folder: Path) -> dict[str, bytes]:
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in folder.rglob("*") if p.is_file()}


@pytest.fixture(scope="module")
def alone(book: BookFolder, tmp_path_factory: pytest.TempPathFactory) -> dict[str, bytes]:
    """The folder as one process makes it."""
    folder = tmp_path_factory.mktemp("alone") / "pages"
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("loadbook.core.times.now", lambda: NOW)
        done = pages.write_book(book, folder, "si")
    found = files(folder)
    assert done.made == len(found) - 2 and sum(name.startswith("run/") for name in found) == RUNS
    return found


def test_two_processes_write_the_same_bytes(
    book: BookFolder, alone: dict[str, bytes], two_processes: list[str], tmp_path: Path
) -> None:
    assert pages.write_book(book, tmp_path / "pages", "si").made == len(alone) - 2
    assert files(tmp_path / "pages") == alone
    assert len(two_processes) < RUNS  # the worker made some of them


@pytest.mark.thorough
def test_a_worker_that_is_killed_costs_no_page(
    book: BookFolder, alone: dict[str, bytes], two_processes: list[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    started = Team.results

    def killed(self: Team[Any, Any], runs: Sequence[Any]) -> Iterator[Any]:
        for number, one in enumerate(started(self, runs)):
            if number == 0:
                os.kill(self.started[0].result(), signal.SIGKILL)
            yield one

    monkeypatch.setattr(Team, "results", killed)
    pages.write_book(book, tmp_path / "pages", "si")
    assert files(tmp_path / "pages") == alone


@pytest.mark.parametrize("workers", [1, pytest.param(2, marks=pytest.mark.thorough)])
def test_a_damaged_trace_names_its_run_and_the_others_have_their_pages(
    book: BookFolder, alone: dict[str, bytes], tmp_path: Path, request: pytest.FixtureRequest, workers: int
) -> None:
    if workers == 2:
        request.getfixturevalue("two_processes")
    path = book.read().execute("SELECT path FROM trace WHERE run = 'R00001'").fetchone()[0]
    file = book.path.joinpath(*path.split("/"))
    good = file.read_bytes()
    file.write_bytes(good[:-1] + b"x")
    try:
        done = pages.write_book(book, tmp_path / "pages", "si")
    finally:
        file.write_bytes(good)
    ((run, why),) = done.failed
    assert run == "R00001" and "not the one that was written" in why
    found = files(tmp_path / "pages")
    assert set(alone) - set(found) == {"run/run-R00001.html"}
    assert all(found[name] == alone[name] for name in found if name.startswith("run/"))
    assert b"run-R00001" not in found["index.html"]
    again = pages.write_book(book, tmp_path / "pages", "si")  # the file is whole again, no row of the book has changed
    assert again.made == 1 and files(tmp_path / "pages") == alone


def test_an_unchanged_book_is_not_read_again(
    book: BookFolder, alone: dict[str, bytes], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = tmp_path / "pages"
    first = pages.write_book(book, folder, "si")
    monkeypatch.setattr(pages, "past_of", refuse)
    again = pages.write_book(book, folder, "si")
    assert (again.made, again.kept) == (0, first.made) and files(folder) == alone
    for missing in ("piece", "run"):
        next((folder / missing).iterdir()).unlink()
        with pytest.raises(AssertionError, match="the past is read"):
            pages.write_book(book, folder, "si")
    with pytest.raises(AssertionError, match="the past is read"):
        pages.write_book(book, folder, "us")


@pytest.mark.parametrize("case", ["the next day, on which a check may be past due", "changes are not counted"])
def test_the_same_rows_are_read_again_where_they_may_say_something_else(
    case: str, book: BookFolder, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    if case == "changes are not counted":
        monkeypatch.setattr(pages.schema_check, "is_whole", lambda _: False)
    pages.write_book(book, tmp_path / "pages", "si")
    monkeypatch.setattr("loadbook.core.times.now", lambda: NOW + timedelta(days=case != "changes are not counted"))
    monkeypatch.setattr(pages, "past_of", refuse)
    with pytest.raises(AssertionError, match="the past is read"):
        pages.write_book(book, tmp_path / "pages", "si")


def refuse(*_: Any) -> Any:
    raise AssertionError("the past is read")


def test_what_was_made_since_the_list_was_saved_is_made_again(
    book: BookFolder, alone: dict[str, bytes], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Stopped while pages are made anew: a page that the list does not tell of is not taken for one of the old ones."""
    folder, put = tmp_path / "pages", pages.writing.put
    pages.write_book(book, folder, "us")
    with monkeypatch.context() as patch:
        patch.setattr(pages.writing, "put", stopped_after(put, 6))
        with pytest.raises(KeyboardInterrupt):
            pages.write_book(book, folder, "si")
    old = pages.write_book(book, folder, "us")
    assert old.made == len(alone) - 2  # none of them counts
    pages.write_book(book, folder, "si")
    assert files(folder) == alone


def stopped_after(put: Callable[..., None], writes: int) -> Callable[..., None]:
    left = [writes]

    def stopped(*given: Any, **how: Any) -> None:
        left[0] -= 1
        if left[0] < 0:
            raise KeyboardInterrupt
        put(*given, **how)

    return stopped
