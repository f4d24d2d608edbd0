"""A hundred plants of ten years in one group: python -m tests.trials.plants FOLDER [PLANTS] [RUNS A MONTH]

One plant is published from a book of real size, its traces of a few samples each; of the others the pointers, manifests
and lists are made as a publication makes them, without the files that they name. Printed are seconds, bytes and files
that were read and written (every open file of the target and the book's folder apart): publishing one more run, opening
the group, `group plants`, and listing one month.
"""

from __future__ import annotations

import hashlib
import json
import os
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

from loadbook.analysis.trace.model import Channel, Trace
from loadbook.core.times import now, stored
from loadbook.group import target as targets
from loadbook.group.manifest import (
    PLANTS,
    TRACE,
    Entry,
    Files,
    Manifest,
    Packed,
    folder_of,
    part_name,
    pointer_of,
    samples_name,
)
from loadbook.group.periods import Periods
from loadbook.group.publish import publish
from loadbook.group.published import BY_RUN, RECORD, TABLES
from loadbook.group.read import open_group
from loadbook.group.target import Store
from loadbook.store import trace_files
from loadbook.store.book import BookFolder
from tests.smallbook import put, reading, small

YEARS = range(2016, 2026)
MONTHS = [f"{year}-{month:02}" for year in YEARS for month in range(1, 13)]


def plant_book(path: Path, each: int) -> BookFolder:
    """A book with that many runs in every month, each with a piece, two readings and a small trace."""
    if path.exists():
        return BookFolder.open(path)
    book = small(path)
    for month in MONTHS:
        names = [f"R{month[2:4]}{month[5:]}-{n:03}" for n in range(each)]
        days = [(f"{month}-{1 + n * 27 // each:02}", n % 24) for n in range(each)]
        put(book, "run", *(
            {"run": name, "furnace": "F1", "cycle": "SR", "cycle_revision": "A", "status": "done",
             "started": f"{day}T{hour:02}:00:00Z", "ended": f"{day}T{hour:02}:50:00Z"}
            for name, (day, hour) in zip(names, days, strict=True)
        ))  # fmt: skip
        put(book, "piece", *({"run": n, "part": "00123", "serial": n, "quantity": 1} for n in names))
        put(book, "reading", *(
            {**reading(n, stage, value, None), "serial": n} for n in names
            for stage, value in (("before", 100.0), ("after", 100.02))
        ))  # fmt: skip
        traces(book, names, month)
    return book


def traces(book: BookFolder, names: list[str], month: str) -> None:
    """Small traces of one channel, one for each run, written at once."""
    channel = Channel(1, "C1", "control")
    started = f"{month}-01T08:00:00Z"
    rows = []
    for name in names:
        trace_id = "t" + hashlib.sha256(name.encode()).hexdigest()[:16]
        t_s = np.arange(4) * 60.0
        data = trace_files._parquet(Trace(t_s, t_s[None] + 20, np.zeros((1, 4), np.uint8), (channel,), run=name))
        path = f"traces/{month[:4]}/{trace_id}.parquet"
        (book.path / path).parent.mkdir(parents=True, exist_ok=True)
        (book.path / path).write_bytes(data)
        rows.append({
            "trace_id": trace_id, "run": name, "state": "current", "path": path,
            "sha256": hashlib.sha256(data).hexdigest(), "bytes": len(data), "source_name": "a.csv",
            "source_sha256": "0", "layout": "x", "started": started, "zone": "UTC", "interval_s": 60.0,
            "seconds": 180.0, "samples": 4, "missing": 0, "open": 0, "out_of_range": 0, "duplicates": 0,
            "backwards": 0, "gaps": 0, "longest_gap_s": 60.0,
        })  # fmt: skip
    put(book, "channel", *({"run": n, "channel": "C1", "role": "control"} for n in names))
    put(book, "trace", *rows)
    put(book, "trace_channel", *(
        {"trace_id": r["trace_id"], "number": 1, "channel": "C1", "quantity": "temperature", "unit": "c", "valid": 4}
        for r in rows
    ))  # fmt: skip


def made_up(store: Store, name: str, each: int) -> None:
    """A plant's pointer, manifest and lists; the files that they name are not there."""
    base = f"{PLANTS}/{folder_of(name)}"

    def digest(*of: str | None) -> str:
        return hashlib.sha256(f"{name} {of}".encode()).hexdigest()

    def entry(table: str, period: str | None, rows: int) -> Entry:
        made = digest(table, period)
        path = f"{base}/{period or 'reference'}/{table.replace('_', '-')}-{made[:24]}.parquet"
        return Entry(table, period, path, made, 140_000, rows, made, months=dict.fromkeys(of[period or ""], 10 * each))

    def single(month: str, run: str) -> Entry:
        made = digest(month, run)
        return Entry(TRACE, month, samples_name(f"{base}/{month}", made), made, 140_000, 100_000, made, run)

    def pack(month: str, runs: list[str]) -> Entry:
        packed = tuple(Packed(run, digest(month, run), 140_000 * n, 140_000) for n, run in enumerate(runs))
        made = digest(month)
        path = f"{base}/{month}/traces-{made[:32]}.parquet"
        return Entry(TRACE, month, path, made, 140_000 * each, 100_000 * each, made, packed=packed)

    periods = Periods.until(MONTHS[-1])
    of: dict[str, list[str]] = {"": []}
    for month in MONTHS:
        of.setdefault(periods.of(month), []).append(month)
    lists = [Files(part_name(None), [entry(t, None, 100) for t in TABLES if t not in BY_RUN])]
    for period in filter(None, of):
        lists.append(Files(part_name(period), [entry(t, period, 10 * each) for t in (*BY_RUN, RECORD)]))
    for month in MONTHS:
        runs = [f"R{month[2:4]}{month[5:]}-{n:03}" for n in range(each)]
        made = [pack(month, runs)] if periods.settled(month) else [single(month, run) for run in runs]
        lists.append(Files(part_name(month, traces=True), made))
    kept = dict.fromkeys(("customers", "people", "notes", "confidential", "export_controlled", "words"), False)
    withheld = dict.fromkeys(("jobs", "parts", "runs", "pieces", "readings"), 3)
    head = {
        "plant": name, "schema": 30, "zone": "Europe/Vienna", "units": "si", "kept": kept, "withheld": withheld,
        "runs": each * len(MONTHS), "first_run": "2016-01-01T00:00:00Z", "last_run": "2025-12-28T00:00:00Z",
    }  # fmt: skip
    manifest = Manifest(store, head, {})
    folder = Path(store.url(base))
    for listed in lists:
        part = listed.part(f"{base}/{listed.name}-{listed.sha256[:24]}.json")
        manifest.hold(part, [])
        Path(store.url(part.path)).parent.mkdir(parents=True, exist_ok=True)
        Path(store.url(part.path)).write_bytes(listed.text)
    data = manifest.text()
    sha256 = hashlib.sha256(data).hexdigest()
    (folder / f"manifest-{sha256[:24]}.json").write_bytes(data)
    # as of a plant that publishes every hour: some days' files wait
    waiting = {f"{base}/2025-12/reading-{hashlib.sha256(bytes([n % 256, n // 256])).hexdigest()[:24]}.parquet":
               stored(now()) for n in range(1200)}  # fmt: skip
    (folder / "unnamed-0.json").write_text(json.dumps(waiting))
    pointer = {"manifest": f"{base}/manifest-{sha256[:24]}.json", "sha256": sha256, "unnamed": f"{base}/unnamed-0.json"}
    (folder / Path(pointer_of(base, 1)).name).write_text(json.dumps(pointer))


class Counted:
    """Bytes and files of a folder that this process reads and writes, by its own calls."""

    def __init__(self, folder: Path) -> None:
        self._folder = str(folder)
        self.read = self.written = self.files = 0

    def __enter__(self) -> Counted:
        self._opened, self._put, self._create = targets.opened, Store.put, Store.create
        self._digest = hashlib.file_digest
        counted = self

        def opened(path: Path, *more: Any, **named: Any) -> Any:
            file = counted._opened(path, *more, **named)
            counted.files += 1
            counted.read += os.fstat(file.fileno()).st_size
            return file

        def digest(file: Any, *more: Any) -> Any:
            counted.files += 1
            counted.read += os.fstat(file.fileno()).st_size
            return counted._digest(file, *more)

        def put_(store: Store, name: str, data: bytes) -> None:
            counted.written += len(data)
            counted._put(store, name, data)

        targets.opened, hashlib.file_digest, Store.put = opened, digest, put_  # type: ignore[assignment,method-assign]
        return self

    def __exit__(self, *_: object) -> None:
        targets.opened, hashlib.file_digest = self._opened, self._digest
        Store.put = self._put  # type: ignore[method-assign]


def measured(what: str, folder: Path, do: Callable[[], Any]) -> Any:
    with Counted(folder) as counted:
        at = time.perf_counter()
        found = do()
        took = time.perf_counter() - at
    print(
        f"{what:42} {took:7.2f} s  read {counted.read / 1e6:8.2f} MB in {counted.files:6} files"
        f"  wrote {counted.written / 1e6:7.3f} MB",
        flush=True,
    )
    return found


def main(folder: str, plants: int = 100, each: int = 242) -> int:
    where = Path(folder)
    target = str(where / "group")
    store = Store(target)
    for number in range(1, plants):
        if not (where / "group" / PLANTS / folder_of(f"Plant {number:03}")).exists():
            made_up(store, f"Plant {number:03}", each)
    print(f"{plants} plants, {len(MONTHS)} months, {each * len(MONTHS) * plants:,} traces in the lists", flush=True)
    flushed, os.fsync = os.fsync, lambda _: None
    book = measured("making the book", where, lambda: plant_book(where / "book", each))
    measured("publishing it the first time, unflushed", where, lambda: publish(book, target, "Linz"))
    os.fsync = flushed
    measured("again, nothing new", where, lambda: publish(book, target, "Linz"))
    for hour in range(3):
        name, at = f"RX-{time.time_ns()}", f"2025-12-28T{hour:02}"
        put(
            book, "run",
            {"run": name, "furnace": "F1", "cycle": "SR", "cycle_revision": "A", "status": "done",
             "started": f"{at}:00:00Z", "ended": f"{at}:50:00Z"},
        )  # fmt: skip
        put(book, "piece", {"run": name, "part": "00123", "serial": name, "quantity": 1})
        traces(book, [name], "2025-12")
        done = measured("publishing one more run", where, lambda: publish(book, target, "Linz"))
        print(f"{'':42} {done.files} files of {done.bytes / 1e6:.3f} MB, {done.already} there")
    group = measured("opening the group", where, lambda: open_group(target))
    measured("group plants", where, lambda: [(p.name, p.current.manifest.files) for p in open_group(target).plants])
    found = measured("listing one month's traces of all plants", where, lambda: [
        e for p in group.plants for e in p.of(TRACE, ["2020-05"])
    ])  # fmt: skip
    print(f"{'':42} {sum(len(e.runs) for e in found)} traces in {len(found)} files")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1], *map(int, sys.argv[2:])))
