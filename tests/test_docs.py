"""The README is true: its commands run, and print what it shows."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest

from .copied import copied_folder
from .readme_command import sh_blocks
from .readme_refresh import PICTURES, README, blocks, output, pictures, shortened

TEXT = README.read_text(encoding="utf-8")


def test_the_first_two_blocks_are_the_two_commands() -> None:
    main_job, tests = sh_blocks()[:2]
    assert "\n" not in main_job
    assert "\n" not in tests
    assert "loadbook demo demo-book" in main_job
    assert tests.endswith("-m pytest -n 2")
    first = TEXT.index("```sh")
    assert "```" not in TEXT[:first], "the two commands are the first blocks of the file"


@pytest.mark.parametrize(("command", "shown"), blocks(), ids=[c for c, _ in blocks()])
def test_each_console_block_prints_what_it_shows(command: str, shown: str, demo_book: Path) -> None:
    for left in (*demo_book.glob("*.xlsx"), *demo_book.glob("*.html")):
        left.unlink()
    found = shortened(output(command, demo_book), shown)
    assert found == shown, "python -m tests.readme_refresh BOOK brings it up to date"


def test_the_pictures_are_what_the_program_draws(demo_book: Path, tmp_path: Path) -> None:
    named = dict(re.findall(r"^!\[([^\]]+)\]\(fixtures/pictures/(.+)\)$", TEXT, re.MULTILINE))
    assert all(len(told.split()) > 10 for told in named), "each says in words what it shows"
    pictures(copied_folder(demo_book, tmp_path / "book"), tmp_path)
    for name in named.values():  # their order, and the last digit of a place on the paper, may differ
        drawn, shown = (
            sorted(re.findall(r'aria-label="[^"]*"|>[^<]+<', (place / name).read_text(encoding="utf-8")))
            for place in (tmp_path, PICTURES)
        )
        assert shown and drawn == shown, "python -m tests.readme_refresh BOOK brings it up to date"
    assert sorted(named.values()) == sorted(path.name for path in PICTURES.iterdir())


def test_the_main_command_says_what_it_should(demo_book: Path) -> None:
    """The part after `demo`, whose book is made already."""
    for words in sh_blocks()[0].split(" && ")[3:]:
        found = output(words.replace(".venv/bin/loadbook", "loadbook").replace("--book demo-book", ""), demo_book)
        assert "CYCLE KEPT" in found or "% of pieces" in found


def test_the_python_block_runs(demo_book: Path, tmp_path: Path) -> None:
    (code,) = re.findall(r"^```python\n(.*?)^```", TEXT, re.DOTALL | re.MULTILINE)
    copied_folder(demo_book, tmp_path / "demo-book")
    done = subprocess.run([sys.executable, "-c", code], cwd=tmp_path, capture_output=True, text=True, timeout=120)
    assert done.returncode == 0, done.stderr
    assert "laid" in done.stdout


def test_every_command_of_the_readme_exists() -> None:
    from loadbook.cli.main import COMMANDS

    named = set(re.findall(r"^(?:\$ )?loadbook ([a-z]+)", TEXT, re.MULTILINE))
    assert named <= set(COMMANDS)


def test_no_path_of_a_machine_and_no_registry_stands_in_the_tree() -> None:
    root = README.parent
    listed = subprocess.run(["git", "ls-files"], cwd=root, capture_output=True, text=True)
    if listed.returncode:
        pytest.skip("not a checkout")
    wrong = []
    hosts = ["pypi" + r"\.org", "python" + "hosted", "/" + "work/", "/" + "root/", "registry" + r"\.npm"]
    pattern = re.compile("|".join(hosts))
    for name in listed.stdout.splitlines():
        path = root / name
        if path.suffix in (".xlsx", ".parquet", ".zip") or not path.is_file():
            continue
        if pattern.search(path.read_text(encoding="utf-8", errors="replace")):
            wrong.append(name)
    assert not wrong
