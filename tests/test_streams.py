"""Output that fails: closed, full, or a reader that went away. Exit codes as git has them."""

from __future__ import annotations

import os
import shlex
import subprocess
import sys
from pathlib import Path

import pytest

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="a shell's redirections")
LOADBOOK = f"{shlex.quote(sys.executable)} -m loadbook"
ROWS = "sql 'SELECT i FROM range(30000) q(i)'"


@pytest.fixture(scope="module")
def book(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("streams") / "book"
    subprocess.run([sys.executable, "-m", "loadbook", "new", str(folder)], check=True, capture_output=True)
    return folder


def shell(book: Path, line: str) -> subprocess.CompletedProcess[str]:
    env = {**os.environ, "LOADBOOK_BOOK": str(book)}
    return subprocess.run(["bash", "-c", line], env=env, capture_output=True, text=True, timeout=120)


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no /dev/full here")
@pytest.mark.parametrize("command", ["--help", "list --help", "--version", "explain soak", ROWS])
def test_a_full_disk_under_stdout(book: Path, command: str) -> None:
    done = shell(book, f"{LOADBOOK} {command} > /dev/full")
    assert done.returncode == 1
    assert done.stderr == "loadbook: what was to be printed could not be: No space left on device\n"


@pytest.mark.parametrize("closed", ["<&-", ">&-", "2>&-", "<&- >&- 2>&-"])
@pytest.mark.parametrize("command", ["--help", "explain soak", "sql 'SELECT 1'"])
def test_closed_streams_are_the_null_device(book: Path, closed: str, command: str) -> None:
    done = shell(book, f"{LOADBOOK} {command} {closed}")
    assert done.returncode == 0 and "Traceback" not in done.stderr


def test_nothing_that_is_printed_lands_in_the_book(book: Path) -> None:
    """With stdout closed, the first file that is opened gets its number."""
    done = shell(book, f"{LOADBOOK} add gauges gauge=G-12 kind=micrometer resolution_um=1 >&-; {LOADBOOK} verify")
    assert done.returncode == 0, done.stderr
    assert shell(book, f"{LOADBOOK} list gauges --format csv").stdout.count("G-12") == 1


@pytest.mark.parametrize("command", [ROWS, f"{ROWS} --format json"])
def test_a_reader_that_went_away(book: Path, command: str) -> None:
    done = shell(book, f"{LOADBOOK} {command} | head -1 > /dev/null; exit ${{PIPESTATUS[0]}}")
    assert done.returncode == 141 and "Error" not in done.stderr and "fault" not in done.stderr
