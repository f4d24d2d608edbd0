"""A few of the command lines of tests/trials/options.py, which tries them all: none ends in an unexpected fault."""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from .copied import copied_folder
from .trials.options import cases, fault, prepare, publish_to_ask, whole

FOUND = [  # once faults
    ["export", "0001-01"], ["page", "month", "0001-01"], ["sql", "SELECT 1", "--seconds", "1e308"],
    ["trial", "flatness", "--show", "9" * 20], ["moved", "--by", "kind"],
    ["chart", "moved", "--by", "started,month"], ["effect", "flatness", "--of", "setup,setup"],
    ["chart", "moved", "--by", "kind,process"],
    ["trial", "flatness", "--process", "age", "--of", "hold_mean_c", "--runs", "6", "--high", "1e400"],
    *(["answer", "--part", "PN-1001", "--characteristic", "bore A", "--with", f"hold_mean_c={v}"]
      for v in ("nan", "inf", "-1000")),
]  # fmt: skip


@pytest.fixture(scope="module")
def copy(demo_book: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A copy that commands may change, in a folder of its own."""
    return copied_folder(demo_book, tmp_path_factory.mktemp("options") / "book")


@pytest.fixture(scope="module")
def ready(copy: Path) -> Path:
    """The copy with all that the cases name."""
    prepare(copy, copy.parent)
    publish_to_ask(copy, copy.parent)
    return copy


def named(args: list[str]) -> str:
    return " ".join(a[:20] for a in args).encode("unicode-escape").decode()


@pytest.mark.parametrize("args", FOUND, ids=named)
def test_what_was_a_fault_once_ends_in_an_error_that_is_meant(args: list[str], copy: Path, tmp_path: Path) -> None:
    assert fault(args, copy, tmp_path) is None


@pytest.mark.thorough
@pytest.mark.parametrize("args", random.Random(4).sample(cases(), 40), ids=named)
def test_a_hostile_value_ends_in_an_error_that_is_meant(args: list[str], ready: Path) -> None:
    assert fault(args, ready, ready.parent) is None


@pytest.mark.thorough
def test_a_fault_is_confirmed_as_the_trial_gives_it(ready: Path) -> None:
    """Else none of its options would be come to."""
    assert fault(["confirm", "fault", *whole("confirm fault")], ready, ready.parent, codes=(0,)) is None
