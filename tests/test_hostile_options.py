"""A few of the command lines of tests/trials/options.py, which tries them all: none ends in an unexpected fault."""

from __future__ import annotations

import random
import shutil
from pathlib import Path

import pytest

from .trials.options import cases, fault

FOUND = [  # once faults
    ["export", "0001-01"], ["page", "month", "0001-01"], ["sql", "SELECT 1", "--seconds", "1e308"],
    ["trial", "flatness", "--show", "9" * 20], ["moved", "--by", "kind"],
    ["chart", "moved", "--by", "started,month"], ["effect", "flatness", "--of", "setup,setup"],
    ["chart", "moved", "--by", "kind,process"],
]  # fmt: skip
CASES = [*FOUND, *(pytest.param(c, marks=pytest.mark.thorough) for c in random.Random(4).sample(cases(), 40))]


@pytest.fixture(scope="module")
def copy(demo_book: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A copy that commands may change."""
    return Path(shutil.copytree(demo_book, tmp_path_factory.mktemp("options") / "book"))


@pytest.mark.parametrize(
    "args", CASES, ids=lambda args: " ".join(a[:20] for a in args).encode("unicode-escape").decode()
)
def test_a_hostile_value_ends_in_an_error_that_is_meant(args: list[str], copy: Path, tmp_path: Path) -> None:
    assert fault(args, copy, tmp_path) is None
