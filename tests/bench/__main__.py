"""Side by side: this project against bare references, in one run, as a table of ratios.

    python -m tests.bench [--runs 1000|10000|100000] [--rows NAME...] [--folder FOLDER] [--times N]

Books are generated once (seeded) and kept in FOLDER (by default in the user's cache): 1,000 runs about 120 MB,
10,000 runs about 1.2 GB, 100,000 runs with 2 million readings about 2.7 GB (its traces are links to a hundred files);
that one takes ten minutes to make and is for the rows `list`, `questions` and `pages`. With more than 1,000 runs every
row that depends on the book is measured at 1,000 runs too, and the last column tells how it grew. Ratios and growth are
of processor time; beside other work, the clock says little.
"""

from __future__ import annotations

import argparse
import os
import platform
import shutil
from collections.abc import Sequence
from pathlib import Path

from .book import LARGE, SAMPLES, made
from .rows import ONCE, ROWS, Ground
from .timing import Line

SMALL, GIGABYTES, GIGABYTES_OF_LARGE = 1_000, 3, 8


def table(lines: Sequence[tuple[Line, Line | None]]) -> str:
    """The lines of a book, each with the same line of the smaller book, as a Markdown table."""
    out = ["| what | this project, s | bare, s | ratio | aim | from 1,000 runs |", "|---|---|---|---|---|---|"]
    for line, before in lines:
        bare = "-" if line.bare is None else f"{line.bare.wall:.3g} ({line.bare.cpu:.3g})"
        ratio = "-" if line.ratio is None else f"{line.ratio:.2f}"
        grew = "-" if before is None or not before.ours.cpu else f"{line.ours.cpu / before.ours.cpu:.1f} x"
        what = f"{line.what}; {line.note}" if line.note else line.what
        out.append(f"| {what} | {line.ours.wall:.3g} ({line.ours.cpu:.3g}) | {bare} | {ratio} | {line.aim} | {grew} |")
    return "\n".join(out)


def measured(
    folder: Path, runs: int, names: Sequence[str], times: int, samples: int = SAMPLES
) -> list[tuple[Line, Line | None]]:
    """Every line of the rows named, with the same line at 1,000 runs where the book is larger."""
    folder.mkdir(parents=True, exist_ok=True)
    book = made(folder, runs, samples)
    book.close()
    ground = Ground(book.path, folder, times, runs < SMALL)
    before = None
    if runs > SMALL:
        smaller = made(folder, SMALL, samples)
        smaller.close()
        before = Ground(smaller.path, folder, times, False)
    lines: list[tuple[Line, Line | None]] = []
    for name in names:
        found = ROWS[name](ground)
        small = ROWS[name](before) if before is not None and name not in ONCE else [None] * len(found)
        for line, same in zip(found, small, strict=True):
            lines.append((line, same))
            print(table([(line, same)]).splitlines()[-1], flush=True)
    return lines


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.bench", description=__doc__.splitlines()[0])
    parser.add_argument("--runs", type=int, default=SMALL, help="runs of the book: 1000, 10000 or 100000")
    parser.add_argument("--rows", nargs="*", choices=list(ROWS), default=list(ROWS), help="which rows")
    parser.add_argument("--times", type=int, default=5, help="how often each side runs; the best counts")
    parser.add_argument("--folder", type=Path, help="where the books are made and kept")
    given = parser.parse_args()
    cache = Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache")
    folder = given.folder or cache / "loadbook-bench"
    free = shutil.disk_usage(folder if folder.exists() else Path.home()).free / 1e9
    needed = GIGABYTES_OF_LARGE if given.runs > LARGE else GIGABYTES
    if given.runs > SMALL and free < needed:
        parser.error(f"{free:.1f} GB free; the large book and its copies need {needed} GB. Name a --folder")
    lines = measured(folder, given.runs, given.rows, given.times)
    print(f"\n{given.runs:,} runs, best of {given.times}, {os.cpu_count()} cores, {platform.machine()}, "
          f"Python {platform.python_version()}; seconds on the clock (of the processors)\n")  # fmt: skip
    print(table(lines))


if __name__ == "__main__":
    main()
