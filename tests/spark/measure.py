"""What a group costs: python -m tests.spark.measure BOOK [BOOK...]

Publishes each book as a plant, computes everything again on this machine and on a local cluster of two workers, asks
a report and `moved`, and prints samples per second and core, bytes shuffled and files.
"""

from __future__ import annotations

import json
import os
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from loadbook.group.publish import publish
from loadbook.group.recompute import recompute_group
from loadbook.group.spark import session
from loadbook.queries.filters import Filters
from loadbook.queries.moved import moved
from loadbook.queries.plants import GroupSource
from loadbook.queries.reports import run_report
from loadbook.store.book import BookFolder

from .conftest import MASTER

COUNTED = ("Shuffle Bytes Written", "Executor CPU Time", "Executor Run Time")


def counted(logs: Path) -> dict[str, int]:
    """Sums of Spark's own task metrics, from its event log."""
    found = dict.fromkeys(COUNTED, 0)
    for path in logs.rglob("*"):
        if path.is_file():
            for line in path.read_text(errors="replace").splitlines():
                if '"SparkListenerTaskEnd"' not in line:
                    continue
                metrics = json.loads(line).get("Task Metrics") or {}
                flat = {**metrics, **metrics.get("Shuffle Write Metrics", {})}
                for name in COUNTED:
                    found[name] += int(flat.get(name, 0))
    return found


def timed(what: str, run: Callable[[], Any]) -> Any:
    wall, cpu = time.perf_counter(), time.process_time()
    found = run()
    print(f"{what}: {time.perf_counter() - wall:.1f} s, {time.process_time() - cpu:.1f} s of this process's CPU")
    return found


def main(books: list[Path]) -> None:
    with tempfile.TemporaryDirectory(prefix="loadbook-measure-", dir=os.environ.get("TMPDIR")) as folder:
        target, logs = Path(folder) / "target", Path(folder) / "events"
        logs.mkdir()
        for number, path in enumerate(books, 1):
            with BookFolder.open(path) as book:
                name = f"Plant {number}"
                done = timed(f"publish {name}", lambda b=book, n=name: publish(b, str(target), n))
                print(f"  {done.runs} runs, {done.files} files, {done.bytes / 1e6:.1f} MB")
                again = timed("publish again", lambda b=book, n=name: publish(b, str(target), n))
                print(f"  {again.files} files")
        alone = timed("recompute on this machine", lambda: recompute_group(str(target), again=True))
        _say(alone)
        plain = {"spark.eventLog.compress": "false", "spark.eventLog.rolling.enabled": "false"}
        spark = session(MASTER, {"spark.eventLog.enabled": "true", "spark.eventLog.dir": logs.as_uri(), **plain})
        timed("first job of the cluster", lambda: spark.range(4).count())
        many = timed("recompute on two workers", lambda: recompute_group(str(target), "spark", spark=spark, again=True))
        _say(many)
        filters = Filters(kind="outside diameter")
        for engine in ("duckdb", "spark"):
            source = GroupSource(str(target), engine=engine, spark=spark)
            timed(f"report on {engine}", lambda s=source: run_report(s, "furnaces_compared"))
            found = timed(f"moved on {engine}", lambda s=source: moved(s, filters, ["plant"]))
            print(f"  {len(found.measured)} movements came back")
        spark.stop()
        print(counted(logs))
        files = [p for p in target.rglob("*") if p.is_file()]
        print(f"{len(files)} files, {sum(p.stat().st_size for p in files) / 1e6:.1f} MB in the target")


def _say(done: Any) -> None:
    print(
        f"  {done.runs} runs, {done.samples / 1e6:.1f} million samples, {done.months} months, {done.seconds:.1f} worker"
        f" seconds ({done.reading:.1f} of them reading {done.bytes_read / 1e6:.1f} MB), {done.files} files written:"
        f" {done.samples / done.seconds / 1e3:.0f} thousand samples a second and worker"
    )


if __name__ == "__main__":
    main([Path(a) for a in sys.argv[1:]])
