"""`--help`, `list` and `show` load none of the heavy libraries."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from loadbook.store.book import BookFolder

HEAVY = ("pandas", "duckdb", "scipy", "numpy", "sqlite_utils", "xlsxwriter", "python_calamine")
PROBE = """
import sys
from loadbook.cli.main import cli
try:
    cli(sys.argv[1:], standalone_mode=False)
except SystemExit:
    pass
print("LOADED", *(m for m in {heavy!r} if m in sys.modules), file=sys.stderr)
"""


def loaded(words: list[str], cwd: Path) -> list[str]:
    done = subprocess.run(
        [sys.executable, "-c", PROBE.format(heavy=HEAVY), *words], cwd=cwd, capture_output=True, text=True, timeout=60
    )
    line = next(x for x in done.stderr.splitlines() if x.startswith("LOADED"))
    return line.split()[1:]


@pytest.mark.parametrize("words", [["--help"], ["list", "--help"], ["explain", "spread"], ["template", "readings"]])
def test_help_is_light(words: list[str], tmp_path: Path) -> None:
    assert loaded(words, tmp_path) == []


@pytest.mark.parametrize(
    "words", [["list"], ["list", "runs"], ["list", "pieces", "--material", "42CrMo4"], ["show", "run", "R1"]]
)
def test_list_and_show_are_light(words: list[str], book: BookFolder) -> None:
    assert loaded(words, book.path) == []


def test_a_recomputing_worker_loads_no_more_than_it_computes_with() -> None:
    code = f"import sys, loadbook.queries.recompute_workers; print(*(m for m in {HEAVY!r} if m in sys.modules))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60, check=True)
    assert done.stdout.split() == ["numpy"]


@pytest.mark.parametrize("words", [["find", "ring"], ["verify"], ["upgrade"], ["new", "another"]])
def test_what_needs_the_schema_loads_sqlite_utils_without_pandas(words: list[str], book: BookFolder) -> None:
    found = loaded(words, book.path)
    assert "sqlite_utils" in found and "pandas" not in found


def test_libraries_that_were_hidden_while_sqlite_utils_was_loaded_are_there_afterwards() -> None:
    code = (
        "import sys, loadbook.store.sqlite_tools; assert 'pandas' not in sys.modules;"
        " import pandas, numpy; print(pandas.DataFrame({'a': numpy.ones(2)}).shape)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60, check=True)
    assert done.stdout.split() == ["(2,", "1)"]
