"""Every command is documented: what it does, and a real example, which is run on a copy of the demo's book."""

from __future__ import annotations

import re
import shlex
from collections.abc import Callable
from pathlib import Path

import click
import pytest

from loadbook.cli.main import COMMANDS, cli
from loadbook.core.vocabulary.lookup import terms
from tests.thinned import thinned

from .copied import copied_folder


def commands() -> list[tuple[str, click.Command]]:
    """Every command and subcommand with its full name."""
    found: list[tuple[str, click.Command]] = []

    def walk(name: str, command: click.Command) -> None:
        if isinstance(command, click.Group):
            context = click.Context(command)
            for child in command.list_commands(context):
                inner = command.get_command(context, child)
                assert inner is not None
                walk(f"{name} {child}".strip(), inner)
        else:
            found.append((name, command))

    walk("", cli)
    return found


ALL = commands()


def test_the_list_of_commands_is_whole() -> None:
    assert {name.split()[0] for name, _ in ALL} == set(COMMANDS)


def example(command: click.Command) -> list[str]:
    """The words of a command's example, without `loadbook`; [] where its help shows none."""
    joined = re.sub(r"\\?\n *(?=\S)", " ", command.help or "")  # an example may be folded over several lines
    found = re.findall(r"Example: (loadbook .+)", joined)
    return shlex.split(re.split(r"\s[|>]\s|\s+<\s", found[0])[0])[1:] if found else []


@pytest.mark.parametrize(("name", "command"), ALL, ids=[n for n, _ in ALL])
def test_each_has_a_real_example(name: str, command: click.Command) -> None:
    words = example(command)
    assert words, f"{name}: its help shows no example"
    assert " ".join(words).startswith(name), f"{name}: the example is of another command"
    command.make_parser(click.Context(command)).parse_args(words[len(name.split()) :])


# what an example's reader has at hand, by command; the rest needs nothing but the demo's book
ELSEWHERE = {
    "demo": "conftest makes every test's book with it",
    "page book": "writes pages for minutes: tests/test_past_pages.py",
    "follow": "needs a run without a trace and a file that grows: tests/test_follow.py",
} | {name: "needs a published group, which the tests of groups make" for name, _ in ALL if name.startswith("group ")}


def _readings(folder: Path) -> None:
    head = "part,serial,characteristic,stage,value_mm,run,read_at,repeat\n"
    for stage in ("before", "after"):
        row = f"PN-1004,0001,flatness,{stage},0.02,R24-007,2024-11-0{1 + 5 * (stage == 'after')}T05:00,9\n"
        (folder / f"{stage}.csv").write_text(head + row, encoding="utf-8")


def _chart(folder: Path) -> None:
    rows = [
        f"{21 + m // 1440}/10/2024 {m // 60 % 24:02}:{m % 60:02};{20 + m / 4:.1f};{18 + m / 4:.1f}"
        for m in range(430, 730)
    ]
    (folder / "chart.csv").write_text("time;Zone 1;TC 1\n" + "\n".join(rows) + "\n", encoding="utf-8")


def _layout(folder: Path) -> None:
    _chart(folder)
    run(example(dict(ALL)["trace layout save"]))


def _answer(folder: Path) -> None:
    run([*example(dict(ALL)["answer"]), "--save"])


def _backup(folder: Path) -> None:
    run(["backup", "book-2026-11-25.zip"])


def _watched(folder: Path) -> None:
    run(example(dict(ALL)["watch add"]))


def _book(folder: Path) -> None:
    run(["new", "shop-book"])


BEFORE: dict[str, Callable[[Path], None]] = {
    "take": _readings, "trace look": _chart, "trace layout save": _chart, "trace layout show": _layout,
    "trace take": _layout, "page answer": _answer, "restore": _backup, "upgrade": _book,
    "watch run": _watched, "watch status": _watched, "watch drop": _watched,
}  # fmt: skip


def run(words: list[str]) -> int:
    """Run a command in this process; its exit code."""
    try:
        cli(words, standalone_mode=False)
    except SystemExit as end:
        return int(end.code or 0)
    return 0


@pytest.fixture(scope="module")
def demo_copy(demo_book: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A copy of the demo's book that the examples may write into."""
    copy = tmp_path_factory.mktemp("examples") / "book"
    copied_folder(demo_book, copy)
    return copy


@pytest.mark.parametrize("name", thinned([n for n, _ in ALL if n not in ELSEWHERE], 2))
def test_each_example_does_what_it_says(
    name: str, demo_copy: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """It ends with 0, or with 3 (something is wrong, and is said) where it judges, and prints or writes something."""
    folder = tmp_path / "desk"
    folder.mkdir()
    monkeypatch.chdir(folder)
    monkeypatch.setenv("LOADBOOK_BOOK", str(demo_copy))
    if name in BEFORE:
        BEFORE[name](folder)
    capsys.readouterr()
    code = run(example(dict(ALL)[name]))
    printed = capsys.readouterr()
    told = f"{printed.out}\n{printed.err}"
    assert code in (
        (0, 3) if name in ("judge", "trace take", "trace look", "recompute", "confirm fault", "precheck") else (0,)
    ), told
    assert told.strip() or any(folder.iterdir())
    assert "unexpected fault" not in told


@pytest.mark.parametrize("name", sorted(terms()))
def test_each_term_prints(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["explain", name]) == 0
    printed = capsys.readouterr().out
    assert printed.startswith(f"{name}  (")
    assert len(printed.split("\n", 1)[1].strip()) > 20


def test_the_list_of_terms_cuts_no_word(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["explain", "--format", "json"]) == 0
    listed = capsys.readouterr().out
    assert all(f'"term": "{name}"' in listed for name in terms())
    assert not re.search(r'"in short": "[^"]*\w \.\.\.[^"]+"', listed)


def test_a_column_of_an_intake_file_is_explained(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["explain", "section_thick_in"]) == 0
    assert "section_thick_mm  (column of parts, optional): thickest section" in capsys.readouterr().out


@pytest.mark.parametrize(("name", "command"), ALL, ids=[n for n, _ in ALL])
def test_each_option_says_what_it_does(name: str, command: click.Command) -> None:
    silent = [p.name for p in command.params if isinstance(p, click.Option) and not p.help]
    assert not silent, f"{name}: options without help: {silent}"


def test_a_group_tells_its_commands_whole_and_by_name(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        cli(["page", "--help"])
    assert "..." not in capsys.readouterr().out.partition("Commands:")[2]
    for words, said in ((["cycle", "SR-600"], "There are: plan, review"), (["page", "runs"], "Did you mean 'run'?")):
        with pytest.raises(SystemExit) as left:
            cli(words)
        assert left.value.code == 2
        assert said in capsys.readouterr().err


def test_the_terms_of_one_kind(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as left:
        cli(["explain", "faults"])
    told = capsys.readouterr().out
    assert left.value.code == 0
    assert "detached" in told and "hold_mean_c" not in told
