"""Two sides measured in turn: wall and processor seconds, the best of several, so that a busy machine tells little."""

from __future__ import annotations

import gc
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]


@dataclass(frozen=True)
class Cost:
    """Seconds on the clock and of all processors."""

    wall: float
    cpu: float

    def best(self, other: Cost | None) -> Cost:
        """The least of each."""
        if other is None:
            return self
        return Cost(min(self.wall, other.wall), min(self.cpu, other.cpu))


@dataclass(frozen=True)
class Line:
    """One row of the table: what was measured, this project's cost, the bare reference's, and what is aimed at."""

    what: str
    ours: Cost
    bare: Cost | None
    aim: str
    note: str = ""

    @property
    def ratio(self) -> float | None:
        """By processor time: beside other work the clock says little."""
        return None if self.bare is None else self.ours.cpu / max(self.bare.cpu, 1e-9)


def here(work: Callable[[], object]) -> Cost:
    """What a piece of work costs in this process."""
    gc.collect()
    wall, cpu = time.perf_counter(), time.process_time()
    work()
    return Cost(time.perf_counter() - wall, time.process_time() - cpu)


def surroundings() -> dict[str, str]:
    """The environment of a cold command. Byte code is kept, as where the program is installed: it is compiled once."""
    kept = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    return {**kept, "PYTHONPATH": str(ROOT), "LOADBOOK_WHO": "bench"}


def process(words: Sequence[str], good: tuple[int, ...] = (0,)) -> Cost:
    """What a cold process costs, its start included; words follow the name of Python."""
    with tempfile.TemporaryFile() as said:
        began = time.perf_counter()
        child = subprocess.Popen([sys.executable, *words], stdout=subprocess.DEVNULL, stderr=said, env=surroundings())
        _, status, used = os.wait4(child.pid, 0)
        wall = time.perf_counter() - began
        child.returncode = os.waitstatus_to_exitcode(status)
        if child.returncode not in good:
            said.seek(0)
            raise RuntimeError(f"{' '.join(words)[:200]}: exit {child.returncode}\n{said.read().decode()[-2000:]}")
    return Cost(wall, used.ru_utime + used.ru_stime)


_PEAK = """
import re, sys
from loadbook.__main__ import main
sys.argv = ["loadbook", *sys.argv[1:]]
try:
    main()
except SystemExit:
    pass
with open("/proc/self/status") as file:
    sys.stderr.write("PEAK " + re.search(r"VmHWM:\\s+(\\d+)", file.read()).group(1))
"""


def peak_mb(words: Sequence[str]) -> float:
    """The largest memory of a loadbook command in a cold process, MB; 0 where the system does not tell."""
    if not Path("/proc/self/status").exists():
        return 0.0
    code = [sys.executable, "-c", _PEAK, *words]
    done = subprocess.run(code, capture_output=True, text=True, env=surroundings(), check=True)
    return int(done.stderr.rsplit("PEAK ", 1)[1]) * 1024 / 1e6


def in_turn(ours: Callable[[], Cost], bare: Callable[[], Cost] | None, times: int) -> tuple[Cost, Cost | None]:
    """Both sides, one after the other, so many times; the best of each."""
    one: Cost | None = None
    other: Cost | None = None
    for _ in range(times):
        one = ours().best(one)
        if bare is not None:
            other = bare().best(other)
    assert one is not None
    return one, other
