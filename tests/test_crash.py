"""Commands killed at any moment: the fast form. The longer one: python -m tests.trials.crash --kills 500."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent


def trial(*words: str) -> str:
    """The trial in a process of its own, because it forks; what it prints."""
    done = subprocess.run(
        [sys.executable, "-m", "tests.trials.crash", *words], cwd=ROOT, capture_output=True, text=True, timeout=1200
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


def places(printed: str) -> tuple[int, int, int, int]:
    """(kills, before, during, after) of the line that sums up."""
    line = next(line.split() for line in printed.splitlines() if line.startswith("all "))
    return tuple(map(int, line[1:]))  # type: ignore[return-value]


@pytest.mark.thorough
def test_fifty_kills() -> None:
    kills, before, during, after = places(trial("--kills", "50"))
    assert kills >= 50  # as many of each command
    assert before and during >= 10 and after, "the kills did not fall where they should"


@pytest.mark.long
def test_five_hundred_kills() -> None:
    kills, _, during, after = places(trial("--kills", "500", "--seed", "2"))
    assert kills >= 500
    assert during >= 150 and after >= 50
