"""How long `loadbook answer` takes, cold: 400 runs of ten pieces, and 10,000 runs with 200,000 readings.

    python -m tests.bench.answers FOLDER        (makes two books there, about a minute)

Prints wall and processor seconds of the whole command, and its largest memory.
"""

from __future__ import annotations

import resource
import subprocess
import sys
import time
from pathlib import Path

import pandas as pd

from tests.answerbook import fill
from tests.shops import Shop

SIZES = {"400 runs x 10 pieces": (400, 60, 1), "10,000 runs, 200,000 readings": (10_000, 500, 2)}


def history(runs: int, parts: int, times: int) -> pd.DataFrame:
    """A plain shop; pieces doubled until there are about ten a run (readings are two a piece)."""
    frame = Shop("plain", runs, parts, seed=1).history()
    copies = [frame.assign(serial=frame["serial"] + "b" * k, z=frame["z"] + k) for k in range(times + 1)]
    return pd.concat(copies, ignore_index=True).groupby("run").head(10).reset_index(drop=True)


def main() -> None:
    folder = Path(sys.argv[1])
    for name, (runs, parts, times) in SIZES.items():
        path = folder / f"answers-{runs}"
        if not path.exists():
            fill(path, history(runs, parts, times)).close()
        words = [
            sys.executable,
            "-m",
            "loadbook",
            "answer",
            "--part",
            "PN-000",
            "--format",
            "json",
            "--book",
            str(path),
        ]
        before, began = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
        done = subprocess.run(words, capture_output=True, text=True, check=False)
        wall, after = time.perf_counter() - began, resource.getrusage(resource.RUSAGE_CHILDREN)
        if done.returncode:
            sys.exit(done.stderr)
        cpu = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
        print(f"{name}: {wall:.2f} s wall, {cpu:.2f} s processor, {after.ru_maxrss / 1e6:.2f} GB")


if __name__ == "__main__":
    main()
