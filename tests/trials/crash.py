"""Commands killed by SIGKILL at hundreds of moments: nothing acknowledged is lost, nothing half done counts.

    python -m tests.trials.crash --kills 500 [--seed 1]

Some kills come from outside at a random moment of the command's usual duration, some at a point: before or after a
statement of SQLite, a flush, a rename, a removal. In some the end of what SQLite had written is cut off as well, as a
power cut may do where nothing had been acknowledged. After each kill, in this order: what `verify`
says; what the book holds (the old state, or a whole step of the new one); whether what the command had printed as
done is there; the command once more; then the state of an undisturbed run, `verify` clean, and no part left over.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import shutil
import sys
import tempfile
import time
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from tests import bookstate, crashbook, forked
from tests.crashbook import CASES, Case

PLACES = ("before", "during", "after")


@dataclass
class Report:
    """Kills per command and place, and every promise that was broken."""

    places: dict[str, Counter[str]] = field(default_factory=dict)
    left: Counter[str] = field(default_factory=Counter)
    broken: list[str] = field(default_factory=list)
    points: dict[str, int] = field(default_factory=dict)
    cuts: int = 0

    @property
    def kills(self) -> int:
        return sum(sum(c.values()) for c in self.places.values())


@dataclass
class Undisturbed:
    """A command that nobody killed: the states before and after it, its points and its usual duration [s]."""

    before: Any
    after: Any
    points: list[str]
    seconds: float


class Trial:
    """The commands, one book to copy from, and what was found."""

    def __init__(self, folder: Path, seed: int) -> None:
        self.folder, self.random, self.report = folder, random.Random(seed), Report()
        self.template = folder / "template"
        self.log = folder / "child"
        os.environ["LOADBOOK_WHO"] = "tester"
        os.environ.pop("LOADBOOK_BOOK", None)

        def making() -> None:
            forked.still_clock()
            crashbook.make(self.template)

        forked.in_child(making, folder, self.log)

    def copy(self, case: Case) -> Path:
        place = self.folder / "trial"
        shutil.rmtree(place, ignore_errors=True)
        others = {p.parent.name for p in self.template.glob("*/book.sqlite")} - {case.book}
        shutil.copytree(self.template, place, ignore=lambda at, names: others if at == str(self.template) else ())
        return place

    def child(self, case: Case, place: Path, stop: int | None = None, names: Path | None = None) -> forked.Child:
        def work() -> int:
            forked.still_clock()
            case.prepare()
            points = forked.Points(stop)
            if stop is not None or names is not None:
                points.install()
            code = forked.run_command(case.words)
            if names is not None:
                with names.open("w") as file:
                    json.dump(points.names, file)
            return code

        return forked.Child(work, place, self.log)

    def undisturbed(self, case: Case) -> Undisturbed:
        names = self.folder / "points.json"
        before = forked.in_child(lambda: case.state(self.copy(case)), self.folder, self.log)
        place = self.copy(case)
        ended = self.child(case, place, names=names).wait()
        if ended.code not in case.again or any(told not in ended.out + ended.err for told in case.told):
            raise RuntimeError(f"{case.name} does not work: {ended}")
        after = forked.in_child(lambda: case.state(place), self.folder, self.log)
        if before == after:
            raise RuntimeError(f"{case.name} changes nothing")
        return Undisturbed(before, after, json.loads(names.read_text()), ended.seconds)

    def one(self, case: Case, plain: Undisturbed, stop: int | None, cut: bool = False) -> None:
        """One kill and everything that is asked after it. cut: also take away the end of the WAL."""
        place = self.copy(case)
        moment = 0.0
        child = self.child(case, place, stop)
        if stop is None:
            moment = self.random.uniform(0, plain.seconds * 1.05)
            time.sleep(moment)
            child.kill()
        ended = child.wait()
        label = f"{case.name}, {plain.points[stop] if stop is not None else f'{moment * 1000:.1f} ms'}"
        if cut:
            wal = place / case.book / "book.sqlite-wal"
            os.truncate(wal, self.random.randrange(wal.stat().st_size))
            label += ", WAL cut"
            self.report.cuts += 1
        told = [t for t in case.told if t in ended.out + ended.err]
        found = forked.in_child(lambda: self.after(case, place), place, self.log)
        self.judge(case, plain, label, told, found)

    def after(self, case: Case, place: Path) -> dict[str, Any]:
        """In a child: what is there, what verify says, the command once more, and again."""
        from loadbook.store.book import BookFolder
        from loadbook.store.verify import verify

        forked.still_clock()
        case.prepare()
        found: dict[str, Any] = {"left": self.left(place)}
        path = place / case.book

        def verified() -> tuple[list[str], list[str]]:
            if not (path / "book.sqlite").exists():
                return [], []
            with BookFolder.open(path, any_version=True) as book:
                said = verify(book)
            return said.wrong, said.leftover

        found["wrong"], found["leftover"] = verified()
        found["state"] = case.state(place)
        found["code"] = forked.run_command(case.words)
        found["wrong again"], found["leftover again"] = verified()
        found["state again"] = case.state(place)
        found["parts again"] = bookstate.parts(place)
        return found

    @staticmethod
    def left(place: Path) -> list[str]:
        """What lies there beside the books' own files before anybody opens them."""
        found = ["part"] * bool(bookstate.parts(place))
        for end in ("-wal", "-journal"):
            files = [p for p in place.rglob(f"*{end}") if p.name.startswith("book.sqlite")]
            found += [end] * any(p.stat().st_size for p in files)
        return found

    def judge(self, case: Case, plain: Undisturbed, label: str, told: list[str], found: dict[str, Any]) -> None:
        state, done = found["state"], found["state"] == plain.after
        if done:
            where = "after"
        elif state == plain.before and not found["left"] and not found["leftover"]:
            where = "before"
        else:
            where = "during"
        adds = case.name in ("answer --save", "precheck")
        self.report.places.setdefault(case.name, Counter())[where] += 1
        self.report.left.update(found["left"])
        self.report.left.update({"file without a row": any("belongs to no trace" in x for x in found["leftover"])})
        promises = {
            "verify is clean": not found["wrong"],
            "what was told as done is there": len(told) < len(case.told) or done,
            "the old state or whole steps of the new": self.whole(case, plain, state, told),
            "the command can be repeated": found["code"] in case.again,
            # an answer or a sheet that is kept again is another one, with its own number
            "repeated, it is as undisturbed": found["state again"] == plain.after or (adds and done),
            "verify is clean then": not found["wrong again"] and not found["leftover again"],
            # in a group a part is an unnamed file, which later publications remove
            "no part is left then": not found["parts again"] or bool(case.group),
        }
        for promise, kept in promises.items():
            if not kept:
                more = {k: v for k, v in found.items() if "state" not in k}
                self.report.broken.append(f"{label}: not so: {promise} ({more})")

    @staticmethod
    def whole(case: Case, plain: Undisturbed, state: Any, told: list[str]) -> bool:
        """Between the old state and the new only whole steps: a file of `take`, a run, a step of the schema."""
        if state in (plain.before, plain.after):
            return True
        if state is None or plain.before is None or plain.after is None:
            return False
        if case.name.startswith("take"):  # the first of two files
            rows = len(state["reading"]) - len(plain.before["reading"])
            return rows == crashbook.SERIALS and len(state["chain"]) == len(plain.before["chain"]) + 1
        if case.name.startswith("trace take"):  # the file without its row, and every row as before
            extra = set(state["files"]) - set(plain.before["files"])
            rows = {k: v for k, v in state.items() if k != "files"}
            return len(extra) == 1 and rows == {k: v for k, v in plain.before.items() if k != "files"}
        if case.name == "recompute":  # each run's rows together: as they were, or as they are computed
            for run in ("'R1'", "'R2'", "'R3'"):
                for table in ("parameter", "finding"):
                    now, old, new = ([r for r in s[table] if run in r] for s in (state, plain.before, plain.after))
                    if now not in (old, new):
                        return False
            return True
        if case.name == "pack":  # every trace reads as it did, from its own file or a pack
            return all(state[k] == plain.before[k] for k in state if k != "small")
        if case.name == "watch run":  # a file taken in, the other not yet; or a trace file without its row
            return len(state["trace"]) - len(plain.before["trace"]) in (0, 1)
        if case.name == "page book":  # pages one by one, each whole; their list says what is there so far
            pages = [page for page in state["beside"] if not page.startswith("pages.json ")]
            book = {k: v for k, v in state.items() if k != "beside"}
            return book == {k: v for k, v in plain.before.items() if k != "beside"} and set(pages) <= set(
                plain.after["beside"]
            )
        if case.name == "page answer":  # the letter's reference is kept before it is written
            return state == {**plain.after, "beside": []}
        if case.name == "upgrade":
            return bool(plain.before["user_version"][0] < state["user_version"][0] < plain.after["user_version"][0])
        return False

    def stops(self, points: list[str], count: int) -> list[int]:
        """So many points: half of them commits and namings, the others spread over all."""
        keen = [i for i, p in enumerate(points) if p.split()[1] in ("COMMIT", "replace", "link", "rename")]
        chosen = self.random.sample(keen, min(len(keen), count - count // 2))
        rest = count - len(chosen)
        return chosen + [int((i + self.random.random()) * len(points) / rest) for i in range(rest)]

    def run(self, kills: int, only: str = "") -> Report:
        cases = [c for c in CASES if c.name.startswith(only)]
        each = -(-kills // len(cases))
        for case in cases:
            plain = self.undisturbed(case)
            self.report.points[case.name] = len(plain.points)
            at_points = each // 2
            stops = self.stops(plain.points, at_points)
            commits = [i for i, name in enumerate(plain.points) if name == "after COMMIT"]
            cuts = each // 6 if case.cuttable and commits else 0
            for stop in [*stops, *[None] * (each - at_points - cuts)]:
                self.one(case, plain, stop)
            for _ in range(cuts):
                self.one(case, plain, commits[-1], cut=True)
        return self.report


def run(kills: int, seed: int = 1, only: str = "") -> Report:
    """So many kills, shared among the commands (only: those whose name begins so)."""
    forked.warm()
    with tempfile.TemporaryDirectory(prefix="crash-") as folder:
        return Trial(Path(folder), seed).run(kills, only)


def main() -> None:
    words = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    words.add_argument("--kills", type=int, default=500)
    words.add_argument("--seed", type=int, default=1)
    words.add_argument("--only", default="", metavar="COMMAND")
    given = words.parse_args()
    report = run(given.kills, given.seed, given.only)
    print(f"{'command':22} {'points':>6} {'kills':>6} " + " ".join(f"{p:>7}" for p in PLACES))
    for name, places in report.places.items():
        counts = " ".join(f"{places[p]:7d}" for p in PLACES)
        print(f"{name:22} {report.points[name]:6d} {sum(places.values()):6d} {counts}")
    counts = " ".join(f"{sum(c[p] for c in report.places.values()):7d}" for p in PLACES)
    print(f"{'all':22} {'':6} {report.kills:6d} {counts}")
    print(f"with the end of the WAL cut off: {report.cuts}")
    print("left by the kills: " + ", ".join(f"{name} {n}" for name, n in sorted(report.left.items())))
    print(f"promises broken: {len(report.broken)}")
    for line in report.broken[:50]:
        print("  " + line)
    sys.exit(1 if report.broken else 0)


if __name__ == "__main__":
    main()
