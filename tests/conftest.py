"""What the tests share: a small book with one of everything, and a way to run the command line."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from loadbook.keep.book import BookFolder
from loadbook.keep.records import add_intake

ROOT = Path(__file__).resolve().parent.parent


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
    made = BookFolder.create(tmp_path / "book", zone="Europe/Madrid")
    with made.write() as conn:
        add_intake(conn, "parts", small_rows(), rows_read=8)
    return made


@pytest.fixture
def loadbook(tmp_path: Path) -> Callable[..., subprocess.CompletedProcess[str]]:
    """Run the command line as a user does, in the test's folder."""

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
