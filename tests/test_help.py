"""Every command is documented: what it does, a real example, and that example's words are accepted."""

from __future__ import annotations

import re
import shlex

import click
import pytest

from loadbook.cli.main import COMMANDS, cli


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


@pytest.mark.parametrize(("name", "command"), ALL, ids=[n for n, _ in ALL])
def test_each_has_a_real_example(name: str, command: click.Command) -> None:
    text = command.help or ""
    joined = re.sub(r"\\?\n *(?=\S)", " ", text)  # an example may be folded over several lines
    examples = re.findall(r"Example: (loadbook .+)", joined)
    assert examples, f"{name}: its help shows no example"
    words = shlex.split(re.split(r"\s[|>]\s|\s+<\s", examples[0])[0])[1:]
    assert " ".join(words).startswith(name), f"{name}: the example is of another command"
    command.make_parser(click.Context(command)).parse_args(words[len(name.split()) :])


@pytest.mark.parametrize(("name", "command"), ALL, ids=[n for n, _ in ALL])
def test_each_option_says_what_it_does(name: str, command: click.Command) -> None:
    silent = [p.name for p in command.params if isinstance(p, click.Option) and not p.help]
    assert not silent, f"{name}: options without help: {silent}"
