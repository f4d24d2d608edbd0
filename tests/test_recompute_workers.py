"""Recomputing by several processes gives what one gives, in the same order, whatever happens to a worker."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from concurrent.futures import wait
from pathlib import Path
from typing import Any

import pytest

from loadbook.core.errors import NotFoundError
from loadbook.queries import recompute_workers
from loadbook.queries.recompute import recompute
from loadbook.store import derived, derived_checksum
from loadbook.store.book import BookFolder
from loadbook.store.records import amend

from .bench.book import made

RUNS = 7


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    where = tmp_path_factory.mktemp("recompute")
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
    alone = list(recompute(book, workers=1))
    stored = derived_of(book)
    assert [r.run for r in alone] == [f"R{i:05d}" for i in range(RUNS)] and all(r.parameters for r in alone)
    assert list(recompute(book, workers=2)) == alone
    assert derived_of(book) == stored


@pytest.fixture
def only_workers(monkeypatch: pytest.MonkeyPatch) -> None:
    """This process waits for its worker to start, and leaves to it what it can."""
    results = recompute_workers.Team.results

    def after_start(self: recompute_workers.Team, runs: Sequence[str]) -> Iterator[Any]:
        wait(self.started)
        return results(self, runs)

    monkeypatch.setattr(recompute_workers.Team, "results", after_start)
    monkeypatch.setattr(recompute_workers, "AHEAD", RUNS)
    monkeypatch.setattr("loadbook.queries.recompute.GROUP", 2)


def test_what_workers_computed_is_what_is_stored(book: BookFolder, only_workers: None) -> None:
    list(recompute(book, workers=1))
    stored = derived_of(book)
    with book.write() as conn:
        conn.execute("DELETE FROM finding")
    with recompute_workers.Team(book, 2, book.state, recompute_workers.compute) as team:
        assert all(found and found[0].findings for _, _, found in team.results([(f"R{i:05d}",) for i in range(RUNS)]))
    list(recompute(book, workers=2))
    assert derived_of(book) == stored


@pytest.mark.parametrize("answers", [0, 1, 3])
def test_a_worker_that_is_killed_changes_nothing(
    book: BookFolder, monkeypatch: pytest.MonkeyPatch, only_workers: None, answers: int
) -> None:
    """It is killed when so many pairs of its runs have been stored; the rest of them is computed here."""
    alone = list(recompute(book, workers=1))
    results = recompute_workers.Team.results

    def killed(self: recompute_workers.Team, runs: Sequence[str]) -> Iterator[Any]:
        (worker,) = (w.result() for w in self.started)
        for number, one in enumerate(results(self, runs)):
            if number == answers:
                os.kill(worker, signal.SIGKILL)
            yield one

    monkeypatch.setattr(recompute_workers.Team, "results", killed)
    assert list(recompute(book, workers=2)) == alone


def test_a_system_without_processes_computes_here(book: BookFolder, monkeypatch: pytest.MonkeyPatch) -> None:
    def refused(*_: Any) -> None:
        raise OSError("Function not implemented")

    alone = list(recompute(book, workers=1))
    monkeypatch.setattr("concurrent.futures.ProcessPoolExecutor", refused)
    assert list(recompute(book, workers=2)) == alone


SCRIPT = """
import signal, sys, time
from pathlib import Path
signal.signal(signal.SIGINT, signal.default_int_handler)  # a shell may start its background jobs without it
from loadbook.queries import recompute
from loadbook.queries.recompute_workers import Team, compute
from loadbook.store.book import BookFolder
print("begun", flush=True)
with BookFolder.open(Path(sys.argv[1])) as book, Team(book, 2, book.state, compute) as team:
    print(team.started[0].result(), flush=True)
    for run, _, found in team.results([("R00001",)] * 100_000):
        assert found[0].findings
"""


@pytest.fixture
def script(folder: Path, tmp_path: Path) -> Iterator[subprocess.Popen[str]]:
    """A script without a guard that recomputes for a long time; files with modules' names lie in its folder."""
    (tmp_path / "script.py").write_text(SCRIPT, encoding="utf-8")
    inner = tmp_path / "inner"
    inner.mkdir()
    for name in ("random", "multiprocessing", "loadbook"):
        (inner / f"{name}.py").write_text("raise SystemExit('a file of the folder was run')", encoding="utf-8")
    words = [sys.executable, "-P", str(tmp_path / "script.py"), str(folder.absolute())]
    env = {**os.environ, "PYTHONPATH": str(Path(__file__).parents[1])}
    with subprocess.Popen(
        words, cwd=inner, env=env, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, start_new_session=True
    ) as process:
        yield process
        process.kill()


def ended(process: int) -> bool:
    for _ in range(200):
        try:
            if Path(f"/proc/{process}/stat").read_text().rsplit(")", 1)[1].split()[0] == "Z":
                return True
        except OSError:
            return True
        time.sleep(0.05)
    return False


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="looks at processes in /proc")
@pytest.mark.parametrize("ending", [signal.SIGINT, signal.SIGKILL])
def test_workers_end_with_their_caller_and_say_nothing(script: subprocess.Popen[str], ending: signal.Signals) -> None:
    """Ctrl-C reaches every process of a terminal's group; a kill only the caller."""
    assert script.stdout is not None
    assert script.stdout.readline() == "begun\n"
    worker = int(script.stdout.readline())
    if ending == signal.SIGINT:
        os.killpg(script.pid, ending)
    else:
        script.kill()
    out, err = script.communicate(timeout=30)
    assert out == "" and ended(worker)
    assert err.count("Traceback") == (ending == signal.SIGINT) and err.rstrip().endswith(
        "KeyboardInterrupt" if ending == signal.SIGINT else ""
    )


@pytest.mark.parametrize("workers", [1, 2])
def test_a_run_that_changed_while_it_was_computed_is_computed_again(
    folder: Path, book: BookFolder, monkeypatch: pytest.MonkeyPatch, only_workers: None, workers: int
) -> None:
    """Another program changes one run after it was computed and before it is stored: only that one is not stored as it
    was computed, and what is stored is what recomputing alone gives afterwards."""
    runs = ["R00001", "R00002"]
    old, stored = list(recompute(book, runs, workers=1)), derived_of(book)
    asked: list[str] = []

    def late(found: list[recompute_workers.Computed] | None) -> list[recompute_workers.Computed]:
        assert found is not None
        if found[-1].record.run == "R00002":  # both have been computed
            with BookFolder.open(folder) as other, other.write() as conn:
                row = conn.execute("SELECT run_id, status FROM run WHERE run = 'R00001'").fetchone()
                status = "aborted" if row["status"] != "aborted" else "done"
                amend(conn, "run", "R00001", row["run_id"], {"status": status}, "a test", "A. Person")
        return [recompute_workers.Computed(f.record, f.settings, f.parameters[:1], f.findings) for f in found]

    def again(*given: Any, **settings: Any) -> Any:
        asked.append(given[0].run)
        return derived_rows(*given, **settings)

    compute, derived_rows, results = recompute_workers.compute, derived.derived_rows, recompute_workers.Team.results
    if workers == 1:
        monkeypatch.setattr("loadbook.queries.recompute.compute", lambda of, runs: late(compute(of, runs)))
    else:
        monkeypatch.setattr(
            recompute_workers.Team, "results", lambda self, runs: ((r, b, late(c)) for r, b, c in results(self, runs))
        )
    monkeypatch.setattr("loadbook.queries.recompute.derived.derived_rows", again)
    monkeypatch.setattr("loadbook.queries.recompute.WITHIN_S", 60.0)  # both are stored together
    told = list(recompute(book, runs, workers=workers))
    assert told[0] == old[0] and told[1].parameters == 1
    assert asked[-1] == "R00001" and asked.count("R00001") == (2 if workers == 1 else 1)
    monkeypatch.undo()
    assert list(recompute(book, runs, workers=1)) == old and derived_of(book) == stored


def test_what_was_computed_before_a_run_that_cannot_be_is_stored(book: BookFolder) -> None:
    with book.write() as conn:
        conn.execute("DELETE FROM finding")
    with pytest.raises(NotFoundError, match="no run 'R9'"):
        list(recompute(book, ["R00001", "R9", "R00002"], workers=1))
    held = {r[0] for r in book.read().execute("SELECT DISTINCT run FROM finding")}
    assert held == {"R00001"}


def test_the_same_rows_are_not_written_again_and_a_wrong_seal_is_mended(book: BookFolder) -> None:
    list(recompute(book, workers=1))
    before = book.state()
    list(recompute(book, workers=1))
    assert book.state() == before
    with book.write() as conn:
        conn.execute("UPDATE seal SET sha256 = 'x' WHERE what = 'run' AND name = 'R00001'")
    list(recompute(book, workers=1))
    assert not derived_checksum.check(book.read())


def test_damage_and_runs_without_a_trace_are_told_by_workers_too(book: BookFolder) -> None:
    path = next(iter(book.read().execute("SELECT path FROM trace WHERE run = 'R00003'")))[0]
    file = book.path.joinpath(*path.split("/"))
    good = file.read_bytes()
    file.write_bytes(good[:-1] + b"x")
    try:
        told = {r.run: r for r in recompute(book, ["R00002", "R00003", "R00004"], workers=2)}
    finally:
        file.write_bytes(good)
    assert told["R00003"].verdict == "damaged" and "not the one that was written" in (told["R00003"].damage or "")
    assert told["R00002"].parameters and told["R00004"].parameters
    with pytest.raises(NotFoundError, match="no run 'R9'"):
        list(recompute(book, ["R00001", "R9"], workers=2))
