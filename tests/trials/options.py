"""Every option and argument of every command with hostile, huge, empty and wrong-typed values, on a copy of a book.

python -m tests.trials.options BOOK [CASES] [SEED]     BOOK: a demo book; none of it is changed

Whatever is typed ends in a result or in an error that the program means: never in "an unexpected fault", a trace, or a
wait. Commands that hold a terminal, build a book or wait for files are not among them. The group
that is asked holds the book as one plant; `page book` is given a small book, for it writes the pages of all.
"""

from __future__ import annotations

import contextlib
import random
import signal
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import click
from click.testing import CliRunner

from loadbook.cli.main import cli
from loadbook.group.publish import publish
from loadbook.store.book import BookFolder
from tests.smallbook import small

VALUES = (
    "", " ", "nan", "inf", "-inf", "1e400", "-1", "0", "99999999999999999999", "1e308", "0001-01-01", "9999-12-31",
    "9999-12", "0001-01", "2026-02-30", "2026-01-01T00:00+25:00", "x" * 5000, "‮", "'; DROP TABLE run; --", "=1+1",
    "PN-1001", "../../etc", "a,b,,c", "a=b", "heating_rate_peak_c_per_h=1e308", "soak_minutes=nan", "10 parsec",
    "-0.0", "1/0", "SELECT", "(1", "1;2", "[", "{}", "%", "~", "/dev/null", "/nonexistent/x", "\N{COLLISION SYMBOL}",
    "\ud800", "true", "us", "10:q99", "setup:", "setup:q0", "kind,kind",
)  # fmt: skip
# what else a command needs to get as far as the option
GIVEN: dict[str, tuple[str, ...]] = {
    "judge": ("R26-135",), "effect": ("flatness",), "trial": ("flatness",), "export": ("2026-03",),
    "answer": ("--part", "PN-1001", "--characteristic", "bore"), "page month": ("2026-03",), "page run": ("R26-135",),
    "page answer": ("1",), "list": ("runs",), "show": ("run", "R26-135"), "find": ("crack",), "sql": ("SELECT 1",),
    "report": ("past_due",), "chart": ("run", "R26-135"), "template": ("readings",), "explain": ("soak",),
    "backtest": ("--part", "PN-1001"), "cycle plan": ("PN-1001",), "cycle review": ("SR-600",),
    "precheck": ("R26-135",), "confirm fault": ("1",), "page book": ("pages",), "pack": ("--before", "2024-06"),
    "group publish": ("group", "--plant", "Linz"), "group effect": ("group", "flatness"), "group verify": ("group",),
    "group answer": ("group", "--part", "PN-1001", "--characteristic", "bore"), "group moved": ("group",),
    "group plants": ("group",), "group report": ("group", "past_due"), "group sql": ("group", "SELECT 1"),
}  # fmt: skip
FURTHER = {  # what an option of its own kind is given besides
    "--plan": (
        "runs=/dev/null",
        "runs=/dev/zero",
        "runs=",
        "=runs.csv",
        "runs=.",
        "runs=book/book.sqlite",
        "jobs=x.csv",
    ),
    "--month": ("2026-03", "2026-13", "２０２６-03", "2026-3", "2026-03/../.."),
    "--before": ("2024-13", "２０２４-06", "2024-6", "2024-06-01"),
}
WAITING = ("demo", "new", "backup", "restore", "upgrade", "recompute", "watch", "follow", "group recompute")
LONGEST_S = 60


class TooLong(Exception):
    """A command that did not end."""


def commands(command: click.Command, name: str, ctx: click.Context) -> Iterator[tuple[str, click.Command]]:
    """(name, command) of every command below a group."""
    if isinstance(command, click.Group):
        for inner in command.list_commands(ctx):
            found = command.get_command(ctx, inner)
            assert found is not None
            yield from commands(found, f"{name} {inner}".strip(), click.Context(found, parent=ctx, info_name=inner))
    else:
        yield name, command


def cases() -> list[list[str]]:
    """Every command line, in the order of the commands."""
    made = []
    for name, command in commands(cli, "", click.Context(cli, info_name="loadbook")):
        if name in WAITING or name.split()[0] in WAITING:
            continue
        given = GIVEN.get(name, ())
        for param in command.params:
            if param.name == "book_name" or (isinstance(param, click.Option) and param.is_flag):
                continue
            option = [param.opts[-1]] if isinstance(param, click.Option) else []
            rest = given if option else given[1:]
            values = (*VALUES, *FURTHER.get(param.opts[-1], ()))
            made += [[*name.split(), *rest, *option, value] for value in values]
    return made


def publish_to_ask(book: Path, folder: Path) -> None:
    """The group that `cases` asks."""
    with BookFolder.open(book) as opened:
        publish(opened, str(folder / "group"), "Linz")


def fault(args: list[str], book: Path, folder: Path) -> str | None:
    """What is wrong with how a command line ends; None where nothing is."""

    def late(*_: Any) -> None:
        raise TooLong

    runner = CliRunner(env={"LOADBOOK_BOOK": str(book), "LOADBOOK_SQL_SECONDS": "8", "LOADBOOK_WHO": "tester"})
    before = signal.signal(signal.SIGALRM, late)
    signal.alarm(LONGEST_S)
    try:
        with contextlib.chdir(folder):
            found = runner.invoke(cli, args)
    except TooLong:
        return "it did not end"
    except UnicodeEncodeError:
        return None  # the runner's own: a real command line gives bytes
    finally:
        signal.alarm(0)
        signal.signal(signal.SIGALRM, before)
    raised = found.exception
    if raised is not None and not isinstance(raised, SystemExit):
        return repr(raised)
    return next((x for x in found.output.splitlines() if "unexpected fault" in x or "Traceback" in x), None)


def main(book: Path, count: int | None, seed: int) -> None:
    """Try so many of all cases, in an order of the seed's, and print the faults."""
    import shutil

    every = cases()
    random.Random(seed).shuffle(every)
    wrong = 0
    with tempfile.TemporaryDirectory() as place:
        copy = Path(place) / "book"
        shutil.copytree(book, copy)
        publish_to_ask(copy, Path(place))
        few = Path(place) / "few"
        small(few).close()
        for number, args in enumerate(every[:count]):
            if number % 1000 == 0:
                print(f"{number} tried", file=sys.stderr, flush=True)
            if said := fault(args, few if args[:2] == ["page", "book"] else copy, Path(place)):
                wrong += 1
                print([a[:60] for a in args], said[:200], flush=True)
    print(f"{len(every[:count])} of {len(every)} tried, {wrong} unexpected faults")


if __name__ == "__main__":
    wanted = [int(a) for a in sys.argv[2:]]
    main(Path(sys.argv[1]), wanted[0] if wanted else None, wanted[1] if len(wanted) > 1 else 0)
