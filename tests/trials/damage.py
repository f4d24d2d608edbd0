"""A book's files damaged in hundreds of ways: does verify find each, and what of those that it does not?

    python -m tests.trials.damage --flips 2000 [--book FOLDER] [--seed 1]

Single bits and single bytes are changed in book.sqlite and in trace files; files are cut short, emptied, deleted and
swapped. What verify does not find must have changed nothing that can be read: a bit in a free page, between a page's
rows, or in a header field that nothing uses.
"""

from __future__ import annotations

import argparse
import os
import random
import shutil
import sys
import tempfile
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from loadbook.core.errors import LoadbookError
from loadbook.store import migrations
from loadbook.store.book import BookFolder
from loadbook.store.verify import verify
from tests import bookstate, crashbook

ROOM = "the room between a page's rows"
HEADER = 100  # bytes of the SQLite file before the first page's own


@dataclass
class Report:
    """Tries and finds per kind of damage; what stayed invisible, by place; promises broken."""

    tried: Counter[str] = field(default_factory=Counter)
    found: Counter[str] = field(default_factory=Counter)
    invisible: Counter[str] = field(default_factory=Counter)
    said: Counter[str] = field(default_factory=Counter)
    broken: list[str] = field(default_factory=list)


def detect(folder: Path) -> list[str]:
    """What opening and verifying say against a book."""
    try:
        with BookFolder.open(folder) as book:
            return verify(book).wrong
    except LoadbookError as exc:
        return [str(exc)]


def readable(folder: Path) -> object:
    """Everything that can be read from the records: rows, schema, settings of the file."""
    import sqlite3

    conn = sqlite3.connect(folder / "book.sqlite")
    try:
        return bookstate.of_file(folder / "book.sqlite"), migrations.objects(conn)
    finally:
        conn.close()


class Trial:
    """One whole book, and a copy that is damaged and put right again and again."""

    def __init__(self, source: Path, work: Path, seed: int) -> None:
        self.source, self.copy, self.random, self.report = source, work / "copy", random.Random(seed), Report()
        shutil.copytree(source, self.copy)
        assert detect(self.copy) == []
        for end in ("-wal", "-shm"):
            (self.copy / f"book.sqlite{end}").unlink(missing_ok=True)
        self.records = (self.copy / "book.sqlite").read_bytes()
        self.before = readable(self.copy)
        # most of a young book's file is room for rows to come: half of the tries go where something stands
        self.live = [at for at in range(len(self.records)) if self.place(at) != ROOM]
        self.traces = sorted((self.copy / "traces").rglob("*.parquet"))

    def one(self, kind: str, path: Path, harm: Callable[[Path], str]) -> None:
        """Damage a file, ask, and put it back. harm gives back the place of the damage."""
        whole = path.read_bytes()
        try:
            where = harm(path)
            wrong = detect(self.copy)
            self.report.tried[kind] += 1
            if wrong:
                self.report.found[kind] += 1
                self.report.said[wrong[0].split(" ")[0]] += 1
            else:
                self.report.invisible[where] += 1
                changed = path.suffix == ".parquet" or readable(self.copy) != self.before
                if changed:
                    self.report.broken.append(f"{kind} at {where}: not found, and what is read has changed")
        finally:
            path.unlink(missing_ok=True)
            path.write_bytes(whole)
            for end in ("-wal", "-shm", "-journal"):
                (self.copy / f"book.sqlite{end}").unlink(missing_ok=True)

    def bit(self, path: Path) -> str:
        return self._change(path, lambda old: old ^ (1 << self.random.randrange(8)))

    def byte(self, path: Path) -> str:
        return self._change(path, lambda old: (old + self.random.randrange(1, 256)) % 256)

    def _change(self, path: Path, new: Callable[[int], int]) -> str:
        data = bytearray(path.read_bytes())
        at = self.random.randrange(len(data))
        if path.suffix != ".parquet" and self.random.random() < 0.5:
            at = self.random.choice(self.live)
        data[at] = new(data[at])
        path.write_bytes(bytes(data))
        if path.suffix == ".parquet":
            return f"byte {at} of a trace"
        return self.place(at)

    def place(self, at: int) -> str:
        """Which part of a page a byte of book.sqlite lies in."""
        if at < HEADER:
            return "the file's header"
        size = int.from_bytes(self.records[16:18], "big")
        size = 65536 if size == 1 else size
        number = at // size
        page = self.records[number * size : (number + 1) * size]
        start = HEADER if number == 0 else 0
        kind = page[start]
        if kind not in (2, 5, 10, 13):
            return "a free or overflow page"
        cells = int.from_bytes(page[start + 3 : start + 5], "big")
        content = int.from_bytes(page[start + 5 : start + 7], "big") or 65536
        pointers = start + (12 if kind in (2, 5) else 8) + 2 * cells
        within = at % size
        if pointers <= within < content:
            return ROOM
        return "a page's header" if within < pointers else "a page's rows or the gaps of old ones"

    def cut(self, path: Path) -> str:
        size = self.random.randrange(path.stat().st_size)
        os.truncate(path, size)
        return f"cut to {size} bytes"

    @staticmethod
    def empty(path: Path) -> str:
        os.truncate(path, 0)
        return "emptied"

    @staticmethod
    def delete(path: Path) -> str:
        path.unlink()
        return "deleted"

    def swap(self) -> None:
        """Two traces exchanged: verify names both."""
        one, two = self.random.sample(self.traces, 2)
        first, second = one.read_bytes(), two.read_bytes()
        one.write_bytes(second)
        two.write_bytes(first)
        wrong = detect(self.copy)
        one.write_bytes(first)
        two.write_bytes(second)
        self.report.tried["two traces swapped"] += 1
        self.report.found["two traces swapped"] += len(wrong) == 2

    def run(self, flips: int) -> Report:
        records = self.copy / "book.sqlite"
        for _ in range(flips * 3 // 4):
            self.one("bit in book.sqlite", records, self.bit)
        for _ in range(flips // 4):
            self.one("byte in book.sqlite", records, self.byte)
            self.one("bit in a trace", self.random.choice(self.traces), self.bit)
            self.one("byte in a trace", self.random.choice(self.traces), self.byte)
        for _ in range(max(2, flips // 40)):
            self.one("book.sqlite cut short", records, self.cut)
            self.one("trace cut short", self.random.choice(self.traces), self.cut)
            self.one("trace deleted", self.random.choice(self.traces), self.delete)
            self.swap()
        self.one("book.sqlite emptied", records, self.empty)
        self.one("book.sqlite deleted", records, self.delete)
        self.one("trace emptied", self.traces[0], self.empty)
        for kind, count in self.report.tried.items():
            if not kind.startswith(("bit in book", "byte in book")) and self.report.found[kind] != count:
                self.report.broken.append(f"{kind}: {self.report.found[kind]} of {count} found")
        assert detect(self.copy) == []
        return self.report


def run(flips: int, seed: int = 1, source: Path | None = None) -> Report:
    """So many bits in the records, and the rest in proportion. source: a book, else the crash trial's."""
    os.environ["LOADBOOK_WHO"] = "tester"
    with tempfile.TemporaryDirectory(prefix="damage-") as temporary:
        work = Path(temporary)
        if source is None:
            crashbook.make(work / "made")
            source = work / "made" / "book"
        return Trial(source, work, seed).run(flips)


def main() -> None:
    words = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    words.add_argument("--flips", type=int, default=2000)
    words.add_argument("--seed", type=int, default=1)
    words.add_argument("--book", type=Path)
    given = words.parse_args()
    report = run(given.flips, given.seed, given.book)
    for kind, count in report.tried.items():
        print(f"{kind:24} {report.found[kind]:6d} of {count:6d} found")
    print("not found, and nothing that can be read had changed: ", end="")
    print(", ".join(f"{n} in {where}" for where, n in report.invisible.most_common()) or "none")
    print(f"promises broken: {len(report.broken)}")
    for line in report.broken[:50]:
        print("  " + line)
    sys.exit(1 if report.broken else 0)


if __name__ == "__main__":
    main()
