"""Publications of one plant at the same time: python -m tests.trials.publications [ROUNDS] [WRITERS]

A tiny book, one process for each writer, and one that reads all the while. In each round the writers begin together,
each with options of its own, so that each has something new to say. Counted: those that counted, those told that
another came first, readers that saw a file missing or damaged, and rounds after which the group was not whole.
"""

from __future__ import annotations

import multiprocessing
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path
from typing import Any

from loadbook.core.errors import BusyError, LoadbookError
from loadbook.group.manifest import PLANTS, TRACE, folder_of, read_current
from loadbook.group.publish import publish
from loadbook.group.published import PublishOptions
from loadbook.group.read import open_group
from loadbook.group.target import Store
from loadbook.group.verify import verify_group
from loadbook.store.book import BookFolder
from tests.groupcase import shop
from tests.smallbook import run, trace


def writes(number: int, folder: Path, rounds: int, together: Any, told: Any) -> None:
    """A writer: in each round a publication with options that differ from its last, and from the others'."""
    for turn in range(rounds):
        bits = turn * 3 + number
        keep = PublishOptions(bool(bits & 1), bool(bits & 2), bool(bits & 4))
        together.wait()
        with BookFolder.open(folder / "book") as book:
            try:
                publish(book, str(folder / "group"), "Linz", keep)
                told.put((number, "won", keep.as_dict()))
            except BusyError:
                told.put((number, "lost", keep.as_dict()))
            except Exception as exc:
                told.put((number, repr(exc), keep.as_dict()))
        together.wait()


def reads(folder: Path, done: Any, told: Any) -> None:
    """The reader: opens the group and reads every file of it, over and over."""
    counted: Counter[str] = Counter()
    while not done.is_set():
        try:
            open_group(str(folder / "group")).sound(["run", "reading", "piece", "material", TRACE])
            counted["whole"] += 1
        except LoadbookError as exc:
            counted[str(exc)] += 1
    told.put(counted)


def main(rounds: int = 200, writers: int = 3) -> int:
    began = time.monotonic()
    counted: Counter[str] = Counter()
    base = f"{PLANTS}/{folder_of('Linz')}"
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        with shop(folder / "book") as book:
            for month in (3, 4):  # of a year that is over, with packs
                name = f"R{month}-24"
                run(book, name, 1, started=f"2024-{month:02}-01T08:00:00Z", ended=f"2024-{month:02}-01T18:00:00Z")
                trace(book, name, f"t-{month}-24")
            publish(book, str(folder / "group"), "Linz")
        made = multiprocessing.get_context("spawn")
        together, done, told, read = made.Barrier(writers + 1), made.Event(), made.Queue(), made.Queue()
        jobs = [made.Process(target=writes, args=(n, folder, rounds, together, told)) for n in range(writers)]
        reader = made.Process(target=reads, args=(folder, done, read))
        for job in (*jobs, reader):
            job.start()
        for _ in range(rounds):
            together.wait()
            together.wait()
            said = [told.get() for _ in range(writers)]
            counted.update(f"writer: {what}" for _, what, _ in said)
            found = verify_group(str(folder / "group"))
            counted["round: whole" if not found.wrong else f"round: {found.wrong}"] += 1
            current = read_current(Store(str(folder / "group")), base)
            assert current is not None
            ours = [keep for _, what, keep in said if what == "won"]
            counted[
                "pointer: a winner's" if current.manifest.head["kept"] in ours else "pointer: of nobody who won"
            ] += 1
        done.set()
        counted.update({f"reader: {what}": many for what, many in read.get().items()})
        for job in (*jobs, reader):
            job.join()
    for what, many in sorted(counted.items()):
        print(f"{many:6} {what}")
    print(f"{rounds} rounds, {writers} writers, {time.monotonic() - began:.0f} s")
    return 0


if __name__ == "__main__":
    sys.exit(main(*map(int, sys.argv[1:])))
