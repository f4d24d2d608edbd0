"""One fault a file, one exact error: fixtures/intake/index.toml is walked."""

from __future__ import annotations

import subprocess
import sys
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from loadbook.core.errors import LoadbookError
from loadbook.core.vocabulary.intake_kinds import BY_KIND
from loadbook.readers.tables.take import take_file
from loadbook.store.book import BookFolder

FOLDER = Path(__file__).resolve().parent.parent / "fixtures" / "intake"
WHOLE = tomllib.loads((FOLDER / "index.toml").read_text(encoding="utf-8"))
INDEX, GOOD = WHOLE["file"], WHOLE["good"]
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
    named = {e["name"] for e in (*INDEX, *GOOD)}
    there = {p.name for p in FOLDER.iterdir() if p.name != "__pycache__"}
    assert there == named | {"index.toml", "workbooks.py"}


@pytest.mark.parametrize("entry", GOOD, ids=lambda e: e["name"])
def test_a_good_file_that_looks_odd_comes_in_as_it_is_meant(entry: dict[str, Any], book: BookFolder) -> None:
    kind = BY_KIND[entry["kind"]]
    last = book.read().execute(f"SELECT max(rowid) FROM {kind.table}").fetchone()[0] or 0
    taken = take_file(book, kind.kind, FOLDER / entry["name"])
    assert (taken.read, taken.added, taken.refused) == (len(entry["rows"]), len(entry["rows"]), [])
    stored = book.read().execute(f"SELECT * FROM {kind.table} WHERE rowid > ? ORDER BY rowid", (last,)).fetchall()
    assert len(stored) == len(entry["rows"])
    for row, wanted in zip(stored, entry["rows"], strict=True):
        for name, value in wanted.items():
            assert row[name] == (pytest.approx(value, abs=1e-9) if isinstance(value, float) else value), name


def test_the_workbooks_are_written_by_their_script(tmp_path: Path) -> None:
    """Only the values count: the library's own version stands in the files' bytes."""
    from python_calamine import CalamineWorkbook

    subprocess.run([sys.executable, str(FOLDER / "workbooks.py"), str(tmp_path)], check=True)
    names = [p.name for p in FOLDER.iterdir() if p.suffix == ".xlsx"]
    assert sorted(names) == sorted(p.name for p in tmp_path.iterdir())
    for name in names:
        kept, fresh = (CalamineWorkbook.from_path(str(folder / name)) for folder in (FOLDER, tmp_path))
        assert kept.sheet_names == fresh.sheet_names
        for sheet in kept.sheet_names:
            assert kept.get_sheet_by_name(sheet).to_python() == fresh.get_sheet_by_name(sheet).to_python()


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
