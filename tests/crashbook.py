"""The book, the files and the commands that the crash trial kills."""

from __future__ import annotations

import contextlib
import csv
import os
import shutil
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from loadbook.group.publish import publish
from loadbook.readers.recorder.take import take_trace
from loadbook.store import derived_checksum
from loadbook.store.backup import backup, restore
from loadbook.store.book import BookFolder
from loadbook.store.records import add_intake

from . import bookstate, groupbooks, later_schema
from .conftest import small_rows
from .forked import run_command

BOOKS = Path(__file__).resolve().parent.parent / "fixtures" / "books"
RUNS, SERIALS, SAMPLES = 3, 40, 240


@dataclass(frozen=True)
class Case:
    """One command to be killed.

    words     the command, run in the folder that `make` filled
    told      what it prints once it is done (for several files: once for each)
    again     exit codes of repeating it where it was done already
    book      the folder of the book that it writes or reads
    backup    the file that it writes, where that is what counts
    files     the folder or file beside the book that it writes, compared with the book
    group     the group that it publishes to, where that is what counts
    prepare   what is changed in the process before it (a network folder, a later schema)
    """

    name: str
    words: tuple[str, ...]
    told: tuple[str, ...]
    again: tuple[int, ...] = (0,)
    book: str = "book"
    backup: str | None = None
    files: str | None = None
    group: str | None = None
    prepare: Callable[[], None] = lambda: None

    @property
    def cuttable(self) -> bool:
        """Does it write its rows through a WAL, in the book itself?"""
        return self.prepare is not network and self.name in ("take", "trace take", "amend", "recompute")

    def state(self, folder: Path) -> Any:
        """What is compared: the book's rows and files, what its backup would restore, or what a group's reader sees."""
        if self.backup:
            return bookstate.of_backup(folder / self.backup)
        if self.group:
            return bookstate.of_group(folder / self.group)
        state = bookstate.of_book(folder / self.book)
        if self.name == "pack" and state is not None:  # what is read, wherever it stands
            state["small"] = [x for x in state["files"] if "/pack-" not in x]
            state["files"] = bookstate.traces(folder / self.book)
        if self.files and state is not None:
            state["beside"] = bookstate.whole_files(folder / self.files)
        return state


def network() -> None:
    """Every folder counts as one on a network: no WAL, a rollback journal."""
    os.environ["LOADBOOK_NETWORK"] = "yes"


def later() -> None:
    """There is a schema after the newest, so that the old book has a step to take."""
    later_schema.pretend(pytest.MonkeyPatch())


TAKE = ("take", "readings", "before.csv", "after.csv", "--book", "book")
TRACE = ("trace", "take", "chart4.csv", "--run", "R4", "--book", "book")
AMEND = ("amend", "parts", "00123", "section_thick_mm=41", "shape=plate", "--why", "drawing C", "--book", "book")
ASKED = ("--part", "PN-1001", "--characteristic", "bore A")
CASES = (
    Case("take", TAKE, ("before.csv: 40 rows read, 40 added", "after.csv: 40 rows read, 40 added")),
    Case("take, network", TAKE, ("before.csv: 40 rows", "after.csv: 40 rows"), prepare=network),
    Case("trace take", TRACE, ("R4",)),
    Case("trace take, network", TRACE, ("R4",), prepare=network),
    Case("amend", AMEND, ("Amended part 00123",), (0, 2)),
    Case("amend, network", AMEND, ("Amended part 00123",), (0, 2), prepare=network),
    Case("recompute", ("recompute", "--book", "stale"), ("3 of 4 runs recomputed",),
         book="stale"),
    Case("upgrade", ("upgrade", "--book", "old"), ("applied step",),
         book="old", prepare=later),
    Case("backup", ("backup", "kept.zip", "--book", "book"), ("files written and read back",), (0, 2),
         backup="kept.zip"),
    Case("restore", ("restore", "saved.zip", "again"), ("restored",), (0, 2),
         book="again"),
    Case("pack", ("pack", "--before", "2026-04", "--book", "book"), ("3 traces",)),
    Case("group publish", ("group", "publish", "group", "--plant", "Linz", "--with-people", "--book", "book"),
         ("Linz",), group="group"),
    Case("page book", ("page", "book", "pages", "--book", "book"), ("pages written",), files="pages"),
    Case("page answer", ("page", "answer", "1", "-o", "letter.html", "--force", "--book", "shop"), ("letter.html",),
         book="shop", files="letter.html"),
    Case("answer --save", ("answer", *ASKED, "--save", "--book", "shop"), ("Kept as answer 2",), book="shop"),
    Case("shop", ("shop", "--name", "Example Shop", "--contact", "a@example.com", "--book", "shop"), ("Example Shop",),
         book="shop"),
    Case("take, links kept", (*TAKE[:-1], "linked"), ("before.csv: 40 rows", "after.csv: 40 rows"), book="linked"),
    Case("precheck", ("precheck", "R4", "--person", "AB", "--book", "book"), ("Kept: AB",), (3,)),
    Case("watch run", ("watch", "run", "--once", "--book", "watching"), ("R4", "R5"), book="watching"),
)  # fmt: skip


def chart(path: Path, number: int, hour: int = 8) -> None:
    """A recorder's file: control and three work TCs at one sample a minute."""
    rng = np.random.default_rng(number)
    t = np.arange(SAMPLES) * 60.0
    control = np.interp(t / 3600, [0, 1.5, 3, 4], [20, 600, 600, 300])
    columns = [control, *(np.interp(t - 60.0 * k, t, control) - k + rng.normal(0, 0.2, SAMPLES) for k in (1, 2, 3))]
    start = datetime(2026, 3, number, hour, 0, 0)
    with path.open("w", encoding="utf-8", newline="") as file:
        rows = csv.writer(file)
        rows.writerow(["Time", "Control (°C)", *(f"Work {k} (°C)" for k in (1, 2, 3))])
        for i in range(SAMPLES):
            rows.writerow([(start + timedelta(minutes=i)).isoformat(" "), *(f"{c[i]:.1f}" for c in columns)])


def readings(path: Path, stage: str, shift: float) -> None:
    """Forty readings of a bore."""
    rows = [f"00123,{n:03d},bore,{stage},{80 + shift + n / 1e4:.4f},R1,G1" for n in range(1, SERIALS + 1)]
    path.write_text("part,serial,characteristic,stage,value_mm,run,gauge\n" + "\n".join(rows) + "\n", encoding="utf-8")


def make(folder: Path) -> None:
    """A folder with a book of three traced runs and one without, files, a backup, a stale book and an old one."""
    folder.mkdir(parents=True)
    rows = small_rows()
    rows["run"] = [
        {"run": f"R{n}", "furnace": "F1", "started": f"2026-03-0{n}T07:00:00Z", "status": "done"}
        for n in range(1, RUNS + 2)
    ]
    rows["piece"] = [{"run": "R1", "part": "00123", "serial": f"{n:03d}", "quantity": 1} for n in range(1, SERIALS + 1)]
    with BookFolder.create(folder / "book", zone="Europe/Madrid") as book:
        with book.write() as conn:
            add_intake(conn, "parts", rows, rows_read=1)
        for number in range(1, RUNS + 1):
            chart(folder / f"chart{number}.csv", number)
            take_trace(book, folder / f"chart{number}.csv", f"R{number}")
        backup(book, folder / "saved.zip")
    chart(folder / "chart4.csv", 4)
    readings(folder / "before.csv", "before", 0.0)
    readings(folder / "after.csv", "after", 0.01)
    restore(BOOKS / "schema-0001.zip", folder / "old").close()
    shutil.copytree(folder / "book", folder / "stale")
    _make_new(folder)
    with BookFolder.open(folder / "stale") as stale, stale.write() as conn:
        conn.execute("UPDATE parameter SET algorithm = '0', value = value + 1 WHERE source = 'trace'")
        conn.execute("UPDATE finding SET algorithm = '0'")
        derived_checksum.everything(conn)


def _make_new(folder: Path) -> None:
    """What the newer commands work on: a group, a shop with a kept answer, a watched folder."""
    with BookFolder.open(folder / "book") as book:
        publish(book, str(folder / "group"), "Linz")
    groupbooks.make(folder, "Linz", 40).rename(folder / "shop")
    shutil.copytree(folder / "book", folder / "watching")
    shutil.copytree(folder / "book", folder / "linked")
    shutil.rmtree(folder / "files-20241007")
    (folder / "in").mkdir()
    with BookFolder.open(folder / "watching") as book, book.write() as conn:
        row = {"run": "R5", "furnace": "F1", "started": "2026-03-05T07:00:00Z", "status": "done"}
        add_intake(conn, "runs", {"run": [row]}, rows_read=1)
    for number in (4, 5):
        file = folder / "in" / f"R{number}.csv"
        chart(file, number)
        os.utime(file, (1, 1))
    with contextlib.chdir(folder):
        for line in (
            ("trace", "layout", "save", "L", "chart4.csv", "--book", "watching"),
            ("watch", "add", "in", "--layout", "L", "--run-from-name", "(R[0-9]+)", "--book", "watching"),
            ("keep-links", "links.txt", "--book", "linked"),
            ("answer", *ASKED, "--save", "--book", "shop"), ("shop", "--numbering", "A-0001", "--book", "shop"),
        ):  # fmt: skip
            if run_command(line):
                raise RuntimeError(f"{line} does not work")
