"""What the tests share: a small book with one of everything, and a way to run the command line."""

from __future__ import annotations

import gc
import os
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings

from loadbook.store import book as books
from loadbook.store.book import BookFolder
from loadbook.store.records import add_intake

from .copied import copied

ROOT = Path(__file__).resolve().parent.parent

# one core for each test process: the numerical library's own threads would only wait for each other's
os.environ.update(OPENBLAS_NUM_THREADS="1", OMP_NUM_THREADS="1")

# byte code is kept: commands are started by the hundred, and each of them would make it again
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
sys.dont_write_bytecode = False

# no power cut is tried: what these processes write (not those that they start) waits for no disk
os.fsync = lambda _: None
books.FLUSHED = "OFF"

# how long an example takes, or takes to be made up, is no finding on a machine that does other things too;
# the suite asks the same of every tree, and new examples are looked for on purpose: --hypothesis-profile=searching
settings.register_profile("searching", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.register_profile("same", settings.get_profile("searching"), derandomize=True)
settings.load_profile("same")


def pytest_collection_finish() -> None:
    """What is loaded by now stays: the collector need not look through it again and again."""
    gc.freeze()
    gc.set_threshold(50_000, 10, 10)


@pytest.fixture(autouse=True)
def _person(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("LOADBOOK_WHO", "tester")
    monkeypatch.delenv("LOADBOOK_BOOK", raising=False)


def small_rows() -> dict[str, list[dict[str, object]]]:
    """Rows of a book with one material, part, furnace, run and two pieces."""
    return {
        "material": [{"material": "42CrMo4", "family": "low-alloy steel", "cte_per_k": 12.3e-6}],
        "part": [{"part": "00123", "material": "42CrMo4", "shape": "ring", "section_thick_mm": 40.0}],
        "characteristic": [
            {"part": "00123", "characteristic": "bore", "kind": "inside diameter", "scale": "um", "nominal_mm": 80.0}
        ],
        "furnace": [{"furnace": "F1", "atmosphere": "air"}],
        "gauge": [{"gauge": "G1", "kind": "bore gauge", "expanded_uncertainty_mm": 0.002}],
        "run": [{"run": "R1", "furnace": "F1", "started": "2026-03-01T08:00:00Z", "status": "done"}],
        "piece": [
            {"run": "R1", "part": "00123", "serial": "007", "quantity": 1},
            {"run": "R1", "part": "00123", "serial": "008", "quantity": 1},
        ],
    }


@pytest.fixture
def book(tmp_path: Path) -> BookFolder:
    """A small open book."""
    return copied(tmp_path / "book", _small_book)


def _small_book(path: Path) -> BookFolder:
    made = BookFolder.create(path, zone="Europe/Madrid")
    with made.write() as conn:
        add_intake(conn, "parts", small_rows(), rows_read=8)
    return made


@pytest.fixture(scope="session")
def demo_book(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo's book, made once for all the test processes of one run. Tests that change it copy it first."""
    base = tmp_path_factory.getbasetemp()
    shared = base.parent if os.environ.get("PYTEST_XDIST_WORKER") else base
    book, done, lock = shared / "demo-book", shared / "demo-done", shared / "demo-lock"
    try:
        os.close(os.open(lock, os.O_CREAT | os.O_EXCL))
    except FileExistsError:
        for _ in range(2400):
            if done.exists():
                break
            time.sleep(0.1)
        assert done.exists(), "the demo's book was not made"
        return book
    made = subprocess.run(
        [sys.executable, "-m", "loadbook", "demo", str(book)], capture_output=True, text=True, timeout=240
    )
    assert made.returncode == 0, made.stderr
    done.touch()
    return book


@pytest.fixture
def process(tmp_path: Path) -> Callable[..., subprocess.CompletedProcess[str]]:
    """Run the command line in a process of its own, in the test's folder: where its streams, its memory, its threads or
    its end are looked at."""

    def run(*words: str, cwd: Path | None = None, **env: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [sys.executable, "-m", "loadbook", *words],
            cwd=cwd or tmp_path,
            env={**os.environ, "LOADBOOK_WHO": "tester", **env},
            capture_output=True,
            text=True,
            timeout=120,
        )

    return run


@pytest.fixture
def inside(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[..., subprocess.CompletedProcess[str]]:
    """Run the command line in this process (a tenth of the time of `process`), in the test's folder."""
    import contextlib
    import io

    from loadbook.cli.main import cli

    def run(*words: str, cwd: Path | None = None, **env: str) -> subprocess.CompletedProcess[str]:
        out, err, code = io.StringIO(), io.StringIO(), 0
        with monkeypatch.context() as changed, contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
            changed.chdir(cwd or tmp_path)
            for name, value in env.items():
                changed.setenv(name, value)
            try:
                cli.main(args=list(words), prog_name="loadbook")
            except SystemExit as end:
                code = end.code if isinstance(end.code, int) else int(end.code is not None)
        return subprocess.CompletedProcess(words, code, out.getvalue(), err.getvalue())

    return run


@pytest.fixture
def loadbook(
    inside: Callable[..., subprocess.CompletedProcess[str]],
) -> Callable[..., subprocess.CompletedProcess[str]]:
    """The command line; `inside` by the name that a user knows."""
    return inside
