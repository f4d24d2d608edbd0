"""What `follow` costs: furnaces at once, each with a file of twelve channels that grows by a row a second.

    python -m tests.trials.furnaces [--furnaces 8] [--hours 0.2 3 8] [--seconds 120]

Each hour given is how far the runs have come when they are followed. Counted after the first minute: processor
time of each `follow` as a share of one core, its memory, how often it looked, and how old what it said was at most.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

from loadbook.core import times
from loadbook.store.run_records import cycle_tables
from tests.loads import Load, generate
from tests.smallbook import put, small

WARM_S = 60.0
NAMES = ("Zone 1", "Zone 2", "Zone 3", "Over-temp", *(f"TC {i}" for i in range(1, 9)))
ROLES = ("control", "control", "control", "over-temperature", *["work"] * 8)


def rows_of(load: Load, began: datetime, least_s: float) -> list[str]:
    """The recorder's lines, one a second, of a load that goes on after its end as it ended, for so long at least."""
    t = np.arange(0.0, max(float(load.trace.t_s[-1]), least_s))
    every = [np.interp(t, load.trace.t_s, row) for row in load.trace.values]
    control, work = every[0], [every[i] for i in load.trace.rows("work")]
    columns = np.round([control, control + 0.5, control - 0.4, control + 1.0, *work], 1)
    return [
        f"{began + timedelta(seconds=k):%Y-%m-%d %H:%M:%S}," + ",".join(f"{v:.1f}" for v in columns[:, k])
        for k in range(t.size)
    ]


def used(pid: int) -> tuple[float, int]:
    """(processor seconds, resident memory in MB) of a process."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    tick = os.sysconf("SC_CLK_TCK")
    return (int(fields[11]) + int(fields[12])) / tick, int(fields[21]) * os.sysconf("SC_PAGE_SIZE") // 2**20


def trial(folder: Path, furnaces: int, hours: float, seconds: float) -> None:
    loads = generate(88, range(furnaces))
    began = datetime.now(UTC).replace(microsecond=0) - timedelta(hours=hours)
    book = small(folder / "book")
    rows, files, children = [], [], []
    for n, load in enumerate(loads):
        name = f"R{n}"
        for table, records in cycle_tables(load.cycle, "trial").items():
            if records and n == 0:
                put(book, table, *records)
        if n > 1:
            put(book, "furnace", {"furnace": f"F{n + 1}", "atmosphere": "air"})
        run = {"run": name, "furnace": f"F{n + 1}", "status": "done", "started": times.stored(began)}
        put(book, "run", {**run, "cycle": loads[0].cycle.cycle, "cycle_revision": loads[0].cycle.revision})
        put(book, "channel", *({"run": name, "channel": c, "role": r} for c, r in zip(NAMES, ROLES, strict=True)))
        rows.append(rows_of(load, began.astimezone(book.zone), 3600.0 * hours + WARM_S + seconds + 60.0))
        files.append(folder / f"{name}.csv")
        head = "Time," + ",".join(f"{c} [°C]" for c in NAMES)
        files[-1].write_text("\n".join([head, *rows[-1][: int(3600 * hours)]]) + "\n")
    book.close()
    try:
        for n, file in enumerate(files):
            words = ["follow", str(file), "--run", f"R{n}", "--json", "--no-take", "--page", str(folder / f"R{n}.html")]
            with (folder / f"R{n}.json").open("wb") as out:
                words = [sys.executable, "-m", "loadbook", *words, "--book", str(folder / "book")]
                children.append(subprocess.Popen(words, stdout=out, stderr=subprocess.DEVNULL))
        measure(folder, hours, seconds, rows, files, children)
    finally:
        for child in children:
            child.kill()
            child.wait()


def measure(
    folder: Path, hours: float, seconds: float, rows: list[list[str]], files: list[Path],
    children: list[subprocess.Popen[bytes]],
) -> None:  # fmt: skip
    """Lets the files grow by a row a second and prints what those that follow them cost."""
    furnaces = len(files)
    before: list[tuple[float, int]] = []
    start, done, marked = time.monotonic(), int(3600 * hours), 0.0
    oldest, looks = 0.0, 0
    seen: dict[int, tuple[int, float]] = {}
    while time.monotonic() - start < WARM_S + seconds:
        now = int(3600 * hours + time.monotonic() - start)
        for file, own in zip(files, rows, strict=True):
            with file.open("a") as out:
                out.write("".join(f"{line}\n" for line in own[done:now]))
        done = now
        if not before and time.monotonic() - start > WARM_S:
            before, marked = [used(c.pid) for c in children], time.monotonic()
            looks, oldest = 0, 0.0
        for n in range(furnaces):
            size = (folder / f"R{n}.json").stat().st_size
            if size != seen.get(n, (-1, 0.0))[0]:
                looks += 1
                seen[n] = (size, time.monotonic())
            oldest = max(oldest, time.monotonic() - seen[n][1])
        time.sleep(1.0)
    after, lasted = [used(c.pid) for c in children], time.monotonic() - marked
    assert all(child.poll() is None for child in children)
    shares = [100.0 * (b[0] - a[0]) / lasted for a, b in zip(before, after, strict=True)]
    samples = [json.loads((folder / f"R{n}.json").read_bytes().splitlines()[-1])["samples"] for n in range(furnaces)]
    print(
        f"| {furnaces} | {hours:g} | {min(samples):,} | {np.mean(shares):.2f} | {max(shares):.2f} | {sum(shares):.1f} "
        f"| {max(m for _, m in after)} | {lasted * furnaces / max(looks, 1):.0f} | {oldest:.0f} |",
        flush=True,
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--furnaces", type=int, default=8)
    parser.add_argument("--hours", type=float, nargs="+", default=[0.2, 3.0, 8.0])
    parser.add_argument("--seconds", type=float, default=120.0)
    given = parser.parse_args()
    print(
        "| furnaces | hours in | samples | % of a core each | highest | together | MB each | s between looks "
        "| oldest, s |\n|---|---|---|---|---|---|---|---|---|"
    )
    for hours in given.hours:
        with tempfile.TemporaryDirectory() as name:
            trial(Path(name), given.furnaces, hours, given.seconds)


if __name__ == "__main__":
    main()
