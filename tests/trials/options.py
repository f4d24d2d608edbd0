"""Every option and argument of every command with hostile, huge, empty and wrong-typed values, on a copy of a book.

python -m tests.trials.options [FIRST [LAST]]     of all cases; what is met first stands at `cases`

Whatever is typed ends in a result or in an error that the program means: never in "an unexpected fault", a trace, or a
wait. `demo` is not among the commands: it builds a book or plays in a furnace's time. The book holds the first twenty
runs of the invented shop, and so does the group that is asked; `page book` is given a smaller one, for it writes the
pages of all. Before the trial every command must work as it stands in GIVEN, or its options would never be come to.
"""

from __future__ import annotations

import contextlib
import random
import shutil
import signal
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import click
from click.testing import CliRunner

from loadbook.cli.main import cli
from loadbook.group.publish import publish
from loadbook.store.book import BookFolder
from tests import groupbooks
from tests.smallbook import put, small

CLASSES = (  # of values; each option meets one of each class first
    ("", " "),
    ("nan", "inf", "-inf", "1e400", "1/0"),
    ("-1", "0", "-0.0", "1e308", "99999999999999999999"),
    ("0001-01-01", "9999-12-31", "9999-12", "0001-01", "2026-02-30", "2026-01-01T00:00+25:00"),
    ("x" * 5000, "💥" * 300),
    ("‮", "💥", "\ud800", "２０２６-03"),
    ("'; DROP TABLE run; --", "=1+1", "SELECT", "(1", "1;2"),
    ("../../etc", "~", "/dev/null", "/nonexistent/x", "."),
    ("a,b,,c", "kind,kind", "setup:", "setup:q0", "10:q99"),
    ("a=b", "heating_rate_peak_c_per_h=1e308", "soak_minutes=nan", "10 parsec", "="),
    ("[", "{}", "%", "*", "(?P<n>", "(a+)+$"),
    ("true", "us", "PN-1001", "R24-020", "1", "2025-01", "parquet", "made.svg", "made.png"),
)
# a command line that works, for every command: its arguments, then its options. Each argument and each option is then
# given every hostile value, the rest as it stands here: so that a command gets as far as the value
ASKED = "--part PN-1001 --characteristic bore_A"
GIVEN = {
    "add": "furnaces furnace=F9 atmosphere=air", "amend": "parts PN-1001 shape=plate --why w", "answer": f"{ASKED}",
    "backtest": "--part PN-1001", "backup": "made.zip", "chart effect": "flatness --process age",
    "chart moved": "--process age", "chart run": "R24-020",
    "choose": "--part PN-1004 --characteristic flatness",
    "confirm fault": "R8 Work_2 --kind open --decision confirmed --person P --why w",
    "confirm reading": "1 --why w", "cycle plan": "PN-1001 --cycle SR-600 --revision A",
    "cycle review": "SR-600 --revision A",
    "effect": "flatness", "explain": "soak", "export": "2025-01 -o made.xlsx --force", "find": "crack",
    "follow": "chart.csv --run R9 --once", "group answer": f"group {ASKED}", "group effect": "group flatness",
    "group moved": "group", "group plants": "group", "group publish": "group --plant Linz",
    "group recompute": "group", "group report": "group past_due", "group sql": "group SELECT_1",
    "group verify": "group", "judge": "R24-020", "keep-links": "links.txt", "list": "runs", "moved": "", "needs": "",
    "new": "made", "pack": "--before 2024-06", "page answer": "1 -o made.html --force", "page book": "pages",
    "page customer": "Customer_A -o made.html --force", "page furnace": "F1 -o made.html --force",
    "page month": "2025-01 -o made.html --force", "page part": "PN-1001 -o made.html --force",
    "page piece": "PN-1001 0001 -o made.html --force", "page precheck": "R24-020 -o made.html --force",
    "page run": "R24-020 -o made.html --force", "precheck": "R24-020", "recompute": "--furnace F9",
    "report": "past_due", "restore": "kept.zip made", "shop": "--name N", "show": "run R24-020", "sql": "SELECT_1",
    "take": "readings readings.csv", "template": "readings", "trace layout list": "",
    "trace layout save": "kept chart.csv", "trace layout show": "furnace_2", "trace look": "chart.csv",
    "trace take": "chart.csv --run R9 --dry-run",
    "trial": "flatness --process age --of heating_rate_peak_c_per_h --runs 6",
    "upgrade": "", "verify": "", "watch add": "watched --layout furnace_2 --furnace F1", "watch drop": "watched",
    "watch list": "", "watch run": "watched --layout furnace_2 --furnace F1 --once", "watch status": "",
}  # fmt: skip
FURTHER = {  # what an option of its own kind is given besides
    "--plan": ("runs=/dev/null", "runs=/dev/zero", "runs=", "=runs.csv", "runs=.", "runs=book/book.sqlite",
               "jobs=x.csv"),
    "--month": ("2026-13", "2026-3", "2026-03/../.."),
    "--before": ("2024-13", "２０２４-06", "2024-6", "2024-06-01"),
}  # fmt: skip
SLOW = ("answer", "backtest", "moved", "chart", "trial", "choose", "effect", "verify")
LONGEST_S = 300  # by the clock: the machine may be busy


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


def given(name: str) -> tuple[list[str], list[str]]:
    """(arguments, options) of the command line of GIVEN; in a name `_` is a blank."""
    words = [w.replace("_", " ") if w[:1].isupper() or "_A" in w or "_2" in w else w for w in GIVEN[name].split()]
    options = next((i for i, w in enumerate(words) if w.startswith("-")), len(words))
    return words[:options], words[options:]


def whole(name: str) -> list[str]:
    """The command line of GIVEN, without the command."""
    arguments, options = given(name)
    return [*arguments, *options]


def cases() -> list[list[str]]:
    """Every command line: first those by which every option, of whichever command, has met each class of values once;
    then every option of every command one value, then each class, then every value. The slowest commands come last."""
    chance = random.Random(0)
    made: list[tuple[str, str, tuple[Any, ...], list[str]]] = []  # option of a command, its declaration and class, line
    for name, command in commands(cli, "", click.Context(cli, info_name="loadbook")):
        if name == "demo":
            continue
        arguments, options = given(name)
        places = [p.name for p in command.params if isinstance(p, click.Argument)]
        for param in command.params:
            if isinstance(param, click.Option) and param.is_flag:
                continue
            # an option that many commands share is declared once: the same name, type and help
            declared = (*param.opts, repr(param.type.to_info_dict()), getattr(param, "help", name))
            for number, values in enumerate((*CLASSES, FURTHER.get(param.opts[-1], ()))):
                for value in chance.sample(values, len(values)):
                    if isinstance(param, click.Option):
                        line = [*arguments, *options, param.opts[-1], value]
                    else:
                        at = places.index(param.name)
                        line = [*arguments[:at], value, *arguments[at + 1 :], *options]
                    made.append((name, param.opts[-1], (*declared, number), [*name.split(), *line]))
    chance.shuffle(made)
    made.sort(key=lambda one: (one[0].split()[0] == "group", one[0].split()[0] in SLOW))
    met: set[Any] = set()
    orders: tuple[list[list[str]], ...] = ([], [], [], [])
    for name, option, declared, line in made:
        keys = (declared, (name, option), (name, option, declared[-1]))
        new = next((i for i, key in enumerate(keys) if key not in met), len(keys))
        met |= set(keys)
        orders[new].append(line)
    return [line for order in orders for line in order]


def prepare(book: Path, folder: Path) -> None:
    """What the command lines of GIVEN name, beside the book: in it, and as files of a folder.

    book  holds the invented shop's first runs at least
    """
    with BookFolder.open(book) as opened:
        for run in ("R8", "R9"):
            put(opened, "run", {"run": run, "furnace": "F1", "started": "2024-12-26T07:00:00Z", "status": "done"})
    rows = [f"2024-12-26 0{8 + m // 60}:{m % 60:02},{20 + m},{19 + m},{18 + m}" for m in range(90)]
    (folder / "chart.csv").write_text("\n".join(("Time,Control (°C),Work 1 (°C),Work 2 (°C)", *rows)), encoding="utf-8")
    broken = [row.rsplit(",", 1)[0] + ",OPEN" if m >= 50 else row for m, row in enumerate(rows)]
    (folder / "broken.csv").write_text(
        "\n".join(("Time,Control (°C),Work 1 (°C),Work 2 (°C)", *broken)), encoding="utf-8"
    )
    (folder / "readings.csv").write_text(
        "part,serial,characteristic,stage,value_mm,run,gauge\nPN-1001,0001,bore A,before,60.001,R24-020,G-02\n"
    )
    (folder / "watched").mkdir()
    shutil.copy(folder / "chart.csv", folder / "watched" / "R9.csv")
    for line in (
        ["trace", "layout", "save", "furnace 2", "chart.csv"], ["answer", *given("answer")[1], "--save"],
        ["trace", "take", "broken.csv", "--run", "R8", "--sentinel", "OPEN", "--channel", "Control=control",
         "--channel", "Work*=work"], ["backup", "kept.zip"], ["watch", "add", *whole("watch add")],
    ):  # fmt: skip
        said = fault(line, book, folder, codes=(0,))
        assert said is None, (line, said)


def publish_to_ask(book: Path, folder: Path) -> None:
    """The group that `cases` asks."""
    with BookFolder.open(book) as opened:
        publish(opened, str(folder / "group"), "Linz")


def fault(args: list[str], book: Path, folder: Path, codes: tuple[int, ...] = (0, 1, 2, 3)) -> str | None:
    """What is wrong with how a command line ends; None where nothing is. codes: the exit codes that it may have."""

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
    if found.exit_code not in codes:
        return f"exit {found.exit_code}: {found.output[:300]}"
    return next((x for x in found.output.splitlines() if "unexpected fault" in x or "Traceback" in x), None)


def tidy(folder: Path) -> None:
    """Remove what a command line of GIVEN made, so that it works again."""
    for made in folder.glob("made*"):
        shutil.rmtree(made) if made.is_dir() and not made.is_symlink() else made.unlink()


def main(first: int = 0, last: int | None = None) -> int:
    """Try the cases of a range and print the faults; 1 where there are any."""
    every = cases()
    chosen = every[first:last]
    wrong, began = 0, time.monotonic()
    with tempfile.TemporaryDirectory() as name:
        place = Path(name)
        book = groupbooks.make(place, "Linz", 20)
        prepare(book, place)
        publish_to_ask(book, place)
        few = place / "few"
        small(few).close()
        for command in GIVEN:
            if said := fault([*command.split(), *whole(command)], book, place, codes=(0, 1, 3)):
                print("as it is given:", command, said, flush=True)
            tidy(place)
        for number, args in enumerate(chosen):
            if number % 100 == 0:
                print(f"{first + number} at {time.monotonic() - began:.0f} s", file=sys.stderr, flush=True)
            if said := fault(args, few if args[:2] == ["page", "book"] else book, place):
                wrong += 1
                print([a[:60] for a in args], said[:300], flush=True)
            tidy(place)
    print(f"{first} to {first + len(chosen)} of {len(every)} tried, {wrong} unexpected faults")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main(*map(int, sys.argv[1:])))
