"""One fault a file, one exact error: fixtures/intake/index.toml is walked."""

from __future__ import annotations

import subprocess
import tomllib
from collections.abc import Callable
from pathlib import Path

import pytest

from loadbook.ground.errors import LoadbookError
from loadbook.intake.take import take_file
from loadbook.keep.book import BookFolder

FOLDER = Path(__file__).resolve().parent.parent / "fixtures" / "intake"
INDEX = tomllib.loads((FOLDER / "index.toml").read_text(encoding="utf-8"))["file"]
Run = Callable[..., subprocess.CompletedProcess[str]]


@pytest.mark.parametrize("entry", INDEX, ids=lambda e: e["name"])
def test_one_fault_one_error(entry: dict[str, str], book: BookFolder) -> None:
    before = {t: book.read().execute(f"SELECT count(*) FROM {t}").fetchone()[0] for t in ("intake", "part", "piece")}
    with pytest.raises(LoadbookError) as caught:
        take_file(book, entry["kind"], FOLDER / entry["name"])
    assert str(caught.value) == entry["error"]
    after = {t: book.read().execute(f"SELECT count(*) FROM {t}").fetchone()[0] for t in before}
    assert after == before, "nothing may be half taken in"


def test_every_file_is_in_the_index() -> None:
    assert {p.name for p in FOLDER.iterdir()} == {e["name"] for e in INDEX} | {"index.toml"}


def test_the_command_prints_it_and_exits_with_1(book: BookFolder, loadbook: Run) -> None:
    entry = next(e for e in INDEX if e["name"] == "duplicate_serial.csv")
    done = loadbook("take", "pieces", str(FOLDER / entry["name"]), cwd=book.path)
    assert done.returncode == 1
    assert done.stdout == ""
    assert done.stderr.strip() == "loadbook: " + entry["error"]


def test_a_missing_file_says_so(book: BookFolder, loadbook: Run) -> None:
    done = loadbook("take", "parts", "partz.csv", cwd=book.path)
    assert done.returncode == 1
    assert "partz.csv: there is no such file" in done.stderr


def test_an_unknown_kind_suggests_one(book: BookFolder, loadbook: Run) -> None:
    done = loadbook("take", "readnigs", "x.csv", cwd=book.path)
    assert done.returncode == 2
    assert "Did you mean 'readings'?" in done.stderr
