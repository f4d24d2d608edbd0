"""The one way to a stranger's file: no pipe is waited for, no device read without end, no size taken on trust."""

from __future__ import annotations

import ast
import os
from collections.abc import Iterator
from pathlib import Path

import pytest

from loadbook.core.errors import LoadbookError
from loadbook.store.book import BookFolder

from .smallbook import small
from .test_writing import ROOT, dotted, mode_of

ONE_READER = "loadbook/core/outside.py"
ALLOWED = {  # what a module reads by itself, since no stranger wrote it
    ("loadbook/analysis/physics/tables.py", "read_text"): "a table of the program's own",
    ("loadbook/cli/follow.py", "read_bytes"): "a file that it wrote itself, in a folder of its own",
    ("loadbook/render/pages/shell.py", "read_text"): "a style or a script of the program's own",
    ("loadbook/store/steps.py", "read_text"): "the program's own schema",
    ("loadbook/store/disk.py", "read_text"): "what the system tells of its disks",
    ("loadbook/store/holder.py", "read_bytes"): "what the system tells of a process",
    ("loadbook/store/handed.py", "open"): "what was looked at and is named to the engine by number",
}


def reads(tree: ast.AST) -> Iterator[tuple[int, str]]:
    """(line, what) of every call that reads a file by its name."""
    for node in ast.walk(tree):
        if not isinstance(node, ast.Call):
            continue
        name = dotted(node.func)
        last = name.rpartition(".")[2]
        if last in ("read_text", "read_bytes") and isinstance(node.func, ast.Attribute):
            yield node.lineno, last
        elif (name == "open" and "r" in (mode_of(node, 1) or "r")) or name in ("os.open", "io.open", "codecs.open"):
            yield node.lineno, "open"
        elif last == "open" and isinstance(node.func, ast.Attribute):  # Path.open; of an archive's open a name is asked
            mode = mode_of(node, 0)
            if mode in ("r", "rb", "rt") and (node.args or node.keywords):
                yield node.lineno, "Path.open"


def test_no_other_module_reads_by_name() -> None:
    wrong, used = [], set()
    for path in sorted((ROOT / "loadbook").rglob("*.py")):
        name = path.relative_to(ROOT).as_posix()
        if name in (ONE_READER, "loadbook/core/writing.py", "loadbook/cli/streams.py"):
            continue
        for line, what in sorted(set(reads(ast.parse(path.read_text(encoding="utf-8"))))):
            used.add((name, what))
            if (name, what) not in ALLOWED:
                wrong.append(f"{name}:{line} {what}")
    assert not wrong, f"{ONE_READER} is the one way to a file:\n" + "\n".join(wrong)
    assert used == set(ALLOWED), f"not needed any more: {sorted(set(ALLOWED) - used)}"


def test_the_search_finds_what_it_is_for() -> None:
    lines = 'p.read_text()\np.read_bytes()\nopen(p)\nopen(p, "rb")\np.open("rb")\np.open(mode="r")\nos.open(p, 0)'
    found = {line for line, _ in reads(ast.parse(lines))}
    assert found == set(range(1, 8))
    assert list(reads(ast.parse("Book.open(path)\narchive.open(name)\npart.open()"))) == []


@pytest.mark.parametrize("what", ["/dev/zero", "a pipe", "a folder"])
def test_a_logo_that_never_ends_is_refused(what: str, tmp_path: Path) -> None:
    from click.testing import CliRunner

    from loadbook.cli.main import cli

    small(tmp_path / "book").close()
    logo = Path(what) if what.startswith("/") else tmp_path / "logo.png"
    if what == "a pipe":
        os.mkfifo(logo)
    elif what == "a folder":
        logo.mkdir()
    said = CliRunner().invoke(cli, ["shop", "--logo", str(logo), "--book", str(tmp_path / "book")])
    assert said.exit_code == 1 and "not a regular file" in said.output, said.output
    with BookFolder.open(tmp_path / "book") as book:
        assert not book.setting("shop_logo")


def test_an_ordinary_reader_of_outside_says_why(tmp_path: Path) -> None:
    from loadbook.store.verify import file_sha256

    (tmp_path / "x").symlink_to("/dev/zero")
    with pytest.raises((LoadbookError, OSError)):
        file_sha256(tmp_path / "x")
