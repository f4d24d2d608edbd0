"""`recompute` beside a bare NumPy pass over the same trace files: cost per run, two workers, memory."""

from __future__ import annotations

from pathlib import Path

from loadbook.queries.recompute import recompute
from loadbook.store.book import BookFolder

from . import bare
from .timing import Cost, Line, here

CHUNK = 100


def lines(path: Path, most: int) -> list[Line]:
    """Of the first runs of a book, in chunks of which the best counts; both sides in turn on the same files. Two
    processes compute all of them at once, since the second one's start is a third of what a chunk costs."""
    with BookFolder.open(path) as book:
        rows = book.read().execute(
            "SELECT run, path, samples FROM trace WHERE state = 'current' ORDER BY started, run LIMIT ?", (most,)
        ).fetchall()  # fmt: skip
        runs = [r["run"] for r in rows]
        files = [book.path.joinpath(*r["path"].split("/")) for r in rows]
        name = f"recompute, 12 x {rows[0]['samples']:,}, per run"
        list(recompute(book, runs[:2], workers=1))
        bare.measured(files[:2])
        ours: Cost | None = None
        other: Cost | None = None
        memory, alone_s = [], 0.0
        for at in range(0, len(runs), CHUNK):
            some, where = runs[at : at + CHUNK], files[at : at + CHUNK]
            alone = here(lambda: list(recompute(book, some, workers=1)))  # noqa: B023
            alone_s += alone.wall
            ours = _each(alone, len(some)).best(ours)
            other = _each(here(lambda: bare.measured(where)), len(some)).best(other)  # noqa: B023
            memory.append(_resident_mb())
        shared = here(lambda: list(recompute(book, runs, workers=2)))
        assert ours is not None and other is not None
        note = f"memory {memory[0]:.0f} MB after {min(CHUNK, len(runs))} runs, {memory[-1]:.0f} MB after {len(runs)}"
        faster = f"{alone_s / shared.wall:.2f} x faster by the clock, their start included"
    both = f"{name}, two processes (processor: of this one alone)"
    return [
        Line(name, ours, other, "3 x; 2 x of 8,640", note),
        Line(both, _each(shared, len(runs)), None, "1.9 x faster", faster),
    ]


def _each(cost: Cost, runs: int) -> Cost:
    return Cost(cost.wall / runs, cost.cpu / runs)


def _resident_mb() -> float:
    try:
        pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[1])
    except OSError:  # not Linux
        return 0.0
    return pages * 4096 / 1e6
