"""A folder of small files of one recorder by one command: time, peak memory, and killed on the way and resumed.

    python -m tests.trials.bulk --files 2000 [--kills 10] [--rows 200]

Every file is a run of its own. With --kills the command is ended by SIGKILL so many times, at moments spread over its
duration (of a first, undisturbed taking into another book), and repeated after each; then the two books must hold the
same rows and trace files, every run once, and `verify` finds nothing.
"""

from __future__ import annotations

import argparse
import os
import random
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np

from loadbook.store.book import BookFolder
from loadbook.store.records import add_intake
from loadbook.store.verify import verify

EPOCH = datetime(2010, 1, 1, 6, 0)  # ten thousand runs of eight hours end before today


def make_files(folder: Path, count: int, rows: int, seed: int = 1) -> None:
    """Files run-00001.csv ...: day-first dates that only a layout settles, a control and four work TCs."""
    folder.mkdir(parents=True)
    rng = np.random.default_rng(seed)
    minutes = np.arange(rows) * 2.0
    base = np.interp(minutes, [0, 100, 250, 400], [25, 600, 602, 120])
    for number in range(1, count + 1):
        start = EPOCH + timedelta(hours=8 * number)
        channels = base[:, None] - np.arange(5) * 1.5 + rng.normal(0, 0.3, (rows, 5))
        lines = ["Date;Time;Control;TC 1;TC 2;TC 3;TC 4"]
        for m, values in zip(minutes, channels, strict=True):
            at = start + timedelta(minutes=float(m))
            lines.append(f"{at:%d/%m/%Y;%H:%M:%S};" + ";".join(f"{v:.1f}" for v in values))
        (folder / f"run-{number:05d}.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")


def make_book(folder: Path, count: int) -> None:
    """A book with a furnace and a run for every file."""
    with BookFolder.create(folder) as book, book.write() as conn:
        runs = [
            {
                "run": f"run-{n:05d}", "furnace": "F1", "status": "done",
                "started": (EPOCH + timedelta(hours=8 * n)).isoformat() + "Z",
                "ended": (EPOCH + timedelta(hours=8 * n + 7)).isoformat() + "Z",
            }
            for n in range(1, count + 1)
        ]  # fmt: skip
        add_intake(conn, "runs", {"furnace": [{"furnace": "F1", "atmosphere": "air"}], "run": runs}, rows_read=count)


ANSWERS = ("--date-order", "day-first", "--unit", "c", "--channel", "TC *=work", "--channel", "Control=control")


def words(files: Path, book: Path) -> list[str]:
    """The command that takes all files in by the layout that was kept from one of them."""
    return [
        sys.executable, "-m", "loadbook", "trace", "take", str(files), "--run-from-name", r"(run-\d+)",
        "--layout", "small", "--book", str(book),
    ]  # fmt: skip


def held(book: Path) -> list[tuple[object, ...]]:
    """What a book holds of its traces, without the moments of the intakes."""
    with BookFolder.open(book) as opened:
        conn = opened.read()
        traces = conn.execute(
            "SELECT run, state, trace_id, path, sha256, source_sha256, samples FROM trace ORDER BY run"
        )
        derived = conn.execute("SELECT run, parameter, channel, value FROM parameter ORDER BY 1, 2, 3")
        channels = conn.execute("SELECT run, channel, role FROM channel ORDER BY 1, 2")
        return [tuple(r) for rows in (traces, derived, channels) for r in rows]


def clean(book: Path) -> list[str]:
    with BookFolder.open(book) as opened:
        found = verify(opened)
        return [*found.wrong, *found.leftover]


def timed(command: list[str]) -> tuple[float, str, str]:
    """Seconds, what the command cost, and what it printed."""
    began, before = time.monotonic(), resource.getrusage(resource.RUSAGE_CHILDREN)
    done = subprocess.run(command, capture_output=True, text=True)
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    if done.returncode:
        raise SystemExit(done.stdout + done.stderr)
    processor = used.ru_utime + used.ru_stime - before.ru_utime - before.ru_stime
    cost = f"{processor:.1f} s of processor time, peak {used.ru_maxrss // 1024} MB"
    return time.monotonic() - began, cost, done.stdout.strip()


def killed(command: list[str], after_s: float) -> bool:
    """Run a command for so long, then end it at once; whether it was still running."""
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    try:
        process.wait(after_s)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()
        return True
    return False


def main() -> int:
    """Run the trial as the command line says."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--files", type=int, default=2000)
    parser.add_argument("--rows", type=int, default=200)
    parser.add_argument("--kills", type=int, default=0)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    random.seed(given.seed)
    os.environ.setdefault("LOADBOOK_WHO", "trial")
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        make_files(folder / "files", given.files, given.rows, given.seed)
        make_book(folder / "book", given.files)
        save = [*words(folder, folder / "book")[:3], "trace", "layout", "save", "small"]
        timed([*save, str(folder / "files" / "run-00001.csv"), *ANSWERS, "--book", str(folder / "book")])
        shutil.copytree(folder / "book", folder / "other")
        seconds, cost, said = timed(words(folder / "files", folder / "book"))
        each = 1000 * seconds / given.files
        print(f"{given.files} files of {given.rows} rows: {seconds:.1f} s, {each:.1f} ms a file, {cost}", flush=True)
        print(said)
        again, _, said = timed(words(folder / "files", folder / "book"))
        print(f"repeated: {again:.1f} s; {said}", flush=True)
        wrong = clean(folder / "book")
        if given.kills:
            stopped = 0
            for _ in range(given.kills):
                stopped += killed(
                    words(folder / "files", folder / "other"), random.uniform(0.5, 1.2) * seconds / given.kills
                )
            rest, _, said = timed(words(folder / "files", folder / "other"))
            same = held(folder / "book") == held(folder / "other")
            wrong += clean(folder / "other")
            outcome = "the same" if same else "NOT the same"
            print(f"killed {stopped} times, then {rest:.1f} s for the rest: {outcome}; {said}")
            if not same:
                return 1
        print(f"verify: {len(wrong)} wrong {wrong[:3]}")
        return int(bool(wrong))


if __name__ == "__main__":
    sys.exit(main())
