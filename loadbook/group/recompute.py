"""Parameters, faults and verdicts of all plants computed again, on this machine or on Spark's workers: there by
mapInPandas over the manifest, never over samples."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass, field
from typing import TYPE_CHECKING, Any

from loadbook.core.errors import UsageError
from loadbook.core.progress import Progress

from . import spark as groupspark
from .manifest import RECOMPUTED, Current, Files, entry_of, part_name, read_current
from .published import RECORD
from .read import Group, Plant, open_group
from .switch import switch
from .worker import ALGORITHMS, PeriodResult, Task, work

if TYPE_CHECKING:
    import pandas as pd


def spread(tasks: Sequence[Task], master: str | None, spark: Any, group: Group) -> Iterator[PeriodResult]:
    """Run every task on some worker; a task whose worker is lost runs on another.

    Each task is a partition of its own, so that a lost worker costs one period and no more. The workers need loadbook,
    and must see the target under the same address.
    """
    if group.store.in_this_process_only:
        raise UsageError("Spark's workers cannot see what is in memory://", remedy="Publish to a folder they all see")
    if spark is None:
        spark = groupspark.session(master)
    rows = [json.dumps(asdict(t)) for t in tasks]
    manifest = spark.createDataFrame(
        spark.sparkContext.parallelize([(r,) for r in rows], len(rows)), "task string"
    )  # fmt: skip
    answers = manifest.mapInPandas(_work, "answer string")
    try:
        found = answers.collect()  # one short row a task: everything else went from the workers into the target
    except Exception as exc:
        raise groupspark.in_words(exc) from exc
    yield from (from_dict(json.loads(r.answer)) for r in found)


def _work(frames: Iterator[pd.DataFrame]) -> Iterator[pd.DataFrame]:
    """What runs on a worker: one row of the manifest in, one row of what was written out."""
    import pandas as pd

    for frame in frames:
        done = [json.dumps(work(Task(**json.loads(text))).as_dict()) for text in frame["task"]]
        yield pd.DataFrame({"answer": done})


@dataclass
class GroupRecomputed:
    """What was computed, and what it took.

    runs, samples       computed now;  already  periods that had been, from the same records by the same algorithms
    seconds             of all workers together, of which `reading` opening traces;  bytes_read of trace files
    damage              (plant, run, why) of traces that could not be read
    """

    plants: int = 0
    periods: int = 0
    already: int = 0
    runs: int = 0
    samples: int = 0
    files: int = 0
    seconds: float = 0.0
    reading: float = 0.0
    bytes_read: int = 0
    damage: list[tuple[str, str, str]] = field(default_factory=list)


def recompute_group(
    target: str,
    engine: str = "duckdb",
    *,
    master: str | None = None,
    spark: Any = None,
    again: bool = False,
    progress: Progress | None = None,
) -> GroupRecomputed:
    """Compute every run of every plant again from its trace, and put the results beside the publications.

    engine  'duckdb': in this process; 'spark': one task a period of a plant, on the cluster `master` names
    again   also what was computed already from the same records by the same algorithms
    Returns GroupRecomputed. Readers see a plant's results when all of them are there, never a part
    """
    group = open_group(target)
    out = GroupRecomputed(plants=len(group.plants))
    before = {p.folder: read_current(group.store, f"{RECOMPUTED}/{p.folder}", anew=True) for p in group.plants}
    results: dict[str, dict[str, PeriodResult]] = {p.folder: {} for p in group.plants}
    tasks: list[Task] = []
    for plant in group.plants:
        for task in tasks_of(group.store.everywhere, plant, before[plant.folder]):
            kept = None if again else _known(before[plant.folder], task)
            if kept is not None:
                out.already += 1
                results[plant.folder][task.period] = kept
            else:
                tasks.append(task)
    out.periods = len(tasks) + out.already
    folders = {p.name: p.folder for p in group.plants}
    for number, done in enumerate(_run(tasks, engine, master, spark, group), 1):
        results[folders[done.plant]][done.period] = done
        _add(out, done)
        if progress is not None:
            progress("recomputing periods", number, len(tasks))
    for plant in group.plants:
        _switch(group, plant, results[plant.folder], before[plant.folder])
    return out


def tasks_of(target: str, plant: Plant, before: Current | None = None) -> list[Task]:
    """One task per period in which the plant has traces. before: what counts of its results"""
    taken = {e.period: e for e in plant.current.manifest.of("parameter")}
    out = []
    for e in plant.current.manifest.of(RECORD):
        assert e.period is not None
        own = taken.get(e.period)
        depends = json.dumps([ALGORITHMS, e.content, own.content if own else None])
        out.append(
            Task(
                target, plant.name, f"{RECOMPUTED}/{plant.folder}", e.period, (e.path, e.sha256),
                (own.path, own.sha256) if own else None,
                tuple(plant.current.manifest.lists_of_traces(e.period)), depends,
                before.number if before else 0, tuple(filter(before.going, before.unnamed)) if before else (),
            )
        )  # fmt: skip
    return out


def _run(tasks: Sequence[Task], engine: str, master: str | None, spark: Any, group: Group) -> Iterator[PeriodResult]:
    if not tasks:
        return
    if engine == "duckdb":
        for task in tasks:
            yield work(task)
        return
    yield from spread(tasks, master, spark, group)


def _known(before: Current | None, task: Task) -> PeriodResult | None:
    """A period's results as they stand, if they came from the same input."""
    if before is None:
        return None
    said = before.manifest.head.get("inputs", {}).get(task.period)
    if said is None or said["input"] != task.input or said["damage"]:
        return None
    entries = before.manifest.entries([part_name(task.period)])
    return PeriodResult(task.plant, task.period, task.input, entries)


def _switch(group: Group, plant: Plant, results: dict[str, PeriodResult], before: Current | None) -> None:
    """Make a plant's results count: with those of periods that have no trace, which stay the plant's own."""
    periods = {p: w.entries for p, w in results.items()}
    for e in (e for table in ("parameter", "finding") for e in plant.current.manifest.of(table)):
        if e.period is not None and e.period not in results:
            periods.setdefault(e.period, []).append(e)
    inputs = {p: {"input": w.input, "damage": sorted(r for r, _ in w.damage)} for p, w in sorted(results.items())}
    head = {"plant": plant.name, "of": plant.current.sha256, "algorithms": ALGORITHMS, "inputs": inputs}
    lists = [Files(part_name(p), entries) for p, entries in sorted(periods.items()) if entries]
    switch(group.store, f"{RECOMPUTED}/{plant.folder}", head, lists, before)


def _add(out: GroupRecomputed, done: PeriodResult) -> None:
    out.runs += done.runs
    out.samples += done.samples
    out.files += len(done.entries)
    out.seconds += done.seconds
    out.reading += done.reading
    out.bytes_read += done.bytes_read
    out.damage += [(done.plant, run, why) for run, why in done.damage]


def from_dict(values: dict[str, Any]) -> PeriodResult:
    """A worker's answer, from the plain values in which it came."""
    entries = [entry_of(e) for e in values["entries"]]
    damage = [(str(run), str(why)) for run, why in values["damage"]]
    return PeriodResult(**{**values, "entries": entries, "damage": damage})
