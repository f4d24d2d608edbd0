"""Several people at one book at once: nothing lost, nothing double, nobody turned away by a short hold.

    python -m tests.trials.people --people 8 --actions 50 [--network]

Each process takes files in (one of them the same for all), adds by hand, takes traces in, amends one and the same
part, asks, verifies and makes backups, all at the same book. Afterwards every action is looked for in the book.
"""

from __future__ import annotations

import argparse
import contextlib
import io
import json
import os
import random
import sys
import tempfile
import time
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from tests import crashbook, forked
from tests.conftest import small_rows

KINDS = ("take", "add", "trace", "amend", "list", "show", "sql", "verify", "backup", "recompute")
WEIGHTS = (8, 8, 5, 10, 5, 5, 2, 2, 1, 2)
FORBIDDEN = ("database is locked", "Traceback", "unexpected fault", "OperationalError")


@dataclass
class Report:
    """What was done and what was found."""

    actions: Counter[str] = field(default_factory=Counter)
    codes: Counter[int] = field(default_factory=Counter)
    broken: list[str] = field(default_factory=list)
    longest: float = 0.0
    seconds: float = 0.0


def make(folder: Path, people: int, actions: int) -> None:
    """The book, a run for every trace that may be taken in, and a file that everybody takes in."""
    from loadbook.store.book import BookFolder
    from loadbook.store.records import add_intake

    rows = small_rows()
    rows["run"] += [
        {"run": f"P{p}-{i}", "furnace": "F1", "started": "2026-03-04T07:00:00Z", "status": "done"}
        for p in range(people)
        for i in range(actions)
    ]
    with BookFolder.create(folder / "book") as book, book.write() as conn:
        add_intake(conn, "parts", rows, rows_read=1)
    crashbook.chart(folder / "chart.csv", 4)
    write_gauges(folder / "shared.csv", "S", 5)


def write_gauges(path: Path, name: str, count: int) -> None:
    path.write_text("gauge,kind\n" + "".join(f"{name}-{n},micrometer\n" for n in range(count)), encoding="utf-8")


def words_of(kind: str, person: int, number: int, folder: Path) -> list[str]:
    """One action's command; its files are made first."""
    name = f"P{person}-{number}"
    if kind == "take":
        write_gauges(folder / f"{name}.csv", name, 2)
        return ["take", "gauges", f"{name}.csv"]
    if kind == "add":
        return ["add", "furnaces", f"furnace={name}", "atmosphere=air"]
    if kind == "trace":
        text = (folder / "chart.csv").read_text(encoding="utf-8")
        (folder / f"{name}-chart.csv").write_text(text + f"2026-03-04 13:{number:02d}:00,{person},1,1,1\n", "utf-8")
        return ["trace", "take", f"{name}-chart.csv", "--run", name]
    if kind == "amend":
        return ["amend", "parts", "00123", f"description={name}", "--why", f"by {name}", "--who", f"person {person}"]
    return {
        "shared": ["take", "gauges", "shared.csv"],
        "list": ["list", "gauges", "--format", "csv"],
        "show": ["show", "part", "00123"],
        "sql": ["sql", "select count(*) as n from gauge"],
        "verify": ["verify"],
        "backup": ["backup", f"{name}.zip"],
        "recompute": ["recompute"],
    }[kind]


def person(number: int, kinds: list[str], folder: Path, go: Path) -> list[list[Any]]:
    """All actions of one person, in a child: [kind, number, exit code, seconds, what was printed] of each."""
    os.environ["LOADBOOK_BOOK"] = str(folder / "book")
    while not go.exists():
        time.sleep(0.005)
    done: list[list[Any]] = []
    for i, kind in enumerate(kinds):
        words = words_of(kind, number, i, folder)
        printed = io.StringIO()
        began = time.perf_counter()
        with contextlib.redirect_stdout(printed), contextlib.redirect_stderr(printed):
            code = forked.run_command(words)
        done.append([kind, i, code, time.perf_counter() - began, printed.getvalue()])
    return done


def run(people: int, actions: int, seed: int = 1, network: bool = False) -> Report:
    """So many people with so many actions each."""
    forked.warm()
    report = Report()
    with tempfile.TemporaryDirectory(prefix="people-") as temporary:
        folder = Path(temporary)
        if network:
            crashbook.network()
        forked.in_child(lambda: make(folder, people, actions), folder, folder / "child")
        chance = random.Random(seed)
        plans = [["shared", *chance.choices(KINDS, WEIGHTS, k=actions - 1)] for _ in range(people)]
        go = folder / "go"
        children = []
        for p, plan in enumerate(plans):

            def work(p: int = p, plan: list[str] = plan) -> int:
                (folder / f"done{p}.json").write_text(json.dumps(person(p, plan, folder, go)), encoding="utf-8")
                return 0

            children.append(forked.Child(work, folder, folder / f"person{p}"))
        began = time.perf_counter()
        go.touch()
        for p, child in enumerate(children):
            ended = child.wait()
            if ended.code != 0:
                report.broken.append(f"person {p} ended with {ended.code}: {ended.err}")
        report.seconds = time.perf_counter() - began
        done = {p: json.loads((folder / f"done{p}.json").read_text()) for p in range(people) if not report.broken}
        for p, actions_done in done.items():
            for kind, i, code, seconds, printed in actions_done:
                report.actions[kind] += 1
                report.codes[code] += 1
                report.longest = max(report.longest, seconds)
                if code != 0 or any(word in printed for word in FORBIDDEN):
                    report.broken.append(f"person {p}, action {i} ({kind}): exit {code}: {printed.strip()}")
        report.broken += forked.in_child(lambda: look(folder, done, people), folder, folder / "child")
    return report


def look(folder: Path, done: dict[int, list[list[Any]]], people: int) -> list[str]:
    """In a child: is everything there that was done, once, and nothing else?"""
    from loadbook.store.backup import restore
    from loadbook.store.book import BookFolder
    from loadbook.store.verify import verify

    broken = []
    told = [(p, kind, i) for p, actions in done.items() for kind, i, code, *_ in actions if code == 0]
    wanted: dict[str, set[str]] = {
        "SELECT gauge FROM gauge": {"G1", *(f"S-{n}" for n in range(5))}
        | {f"P{p}-{i}-{n}" for p, kind, i in told if kind == "take" for n in range(2)},
        "SELECT furnace FROM furnace": {"F1", *(f"P{p}-{i}" for p, kind, i in told if kind == "add")},
        "SELECT run FROM trace": {f"P{p}-{i}" for p, kind, i in told if kind == "trace"},
        "SELECT why FROM amendment": {f"by P{p}-{i}" for p, kind, i in told if kind == "amend"},
        "SELECT file_name FROM intake WHERE file_name LIKE 'shared%'": {"shared.csv"},
    }
    with BookFolder.open(folder / "book") as book:
        for sql, names in wanted.items():
            found = [r[0] for r in book.read().execute(sql)]
            if sorted(found) != sorted(names):
                lost, more = names - set(found), set(found) - names
                broken.append(f"{sql}: lost {sorted(lost)}, not asked for {sorted(more)}, rows {len(found)}")
        said = verify(book)
        broken += [*said.wrong, *said.leftover]
    for p, kind, i in told:
        if kind == "backup":
            with restore(folder / f"P{p}-{i}.zip", folder / f"restored-{p}-{i}") as copy:
                broken += verify(copy).wrong
    return broken


def main() -> None:
    words = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    words.add_argument("--people", type=int, default=8)
    words.add_argument("--actions", type=int, default=50)
    words.add_argument("--seed", type=int, default=1)
    words.add_argument("--network", action="store_true", help="as on a network folder: a rollback journal, no WAL")
    given = words.parse_args()
    report = run(given.people, given.actions, given.seed, given.network)
    total = sum(report.actions.values())
    print(f"{given.people} people, {total} actions in {report.seconds:.1f} s; longest action {report.longest:.2f} s")
    print("actions: " + ", ".join(f"{kind} {n}" for kind, n in report.actions.most_common()))
    print("exit codes: " + ", ".join(f"{code}: {n}" for code, n in sorted(report.codes.items())))
    print(f"promises broken: {len(report.broken)}")
    for line in report.broken[:50]:
        print("  " + line)
    sys.exit(1 if report.broken else 0)


if __name__ == "__main__":
    main()
