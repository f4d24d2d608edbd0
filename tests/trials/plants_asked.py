"""Questions of a hundred plants of ten years:
python -m tests.trials.plants_asked FOLDER [PLANTS] [RUNS A MONTH] [SPARK'S MASTER]

One plant is published from a book with readings of real size; the tables of the others are its own, each file written
anew with the other plant's name. Traces are listed for all plants, and lie there for the published one. Each question
is a process of its own; printed are seconds by the clock and of its processors, and the most memory of any so far. At
the end the plant publishes once more while it is asked; with a master, two questions go to Spark.
"""

from __future__ import annotations

import hashlib
import json
import os
import resource
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from loadbook.group.manifest import PLANTS, Entry, Files, Manifest, folder_of, pointer_of, read_current
from loadbook.group.parquet import PLANT
from loadbook.group.publish import publish
from loadbook.group.target import Store
from loadbook.store.book import BookFolder

from ..smallbook import READ, put, small
from .plants import MONTHS, traces

NAME = "Plant 000"
PARTS = 40
PIECES = 5


def readings_book(path: Path, each: int) -> BookFolder:
    """A book with that many runs in every month, five pieces each, measured before and after; forty part numbers."""
    if path.exists():
        return BookFolder.open(path)
    book = small(path)
    parts = [f"P-{n:03}" for n in range(PARTS)]
    put(book, "part", *({"part": p, "material": "steel", "shape": "ring", "length_mm": 200.0} for p in parts))
    put(book, "characteristic", *(
        {"part": p, "characteristic": "od", "kind": "outside diameter", "nominal_mm": 100.0, "lower_mm": 99.9,
         "upper_mm": 100.1, "reference_length_mm": 100.0, "scale": "um"} for p in parts
    ))  # fmt: skip
    rng = np.random.default_rng(20)
    of_part = dict(zip(parts, rng.normal(0.0, 0.02, PARTS), strict=True))
    for month in MONTHS:
        runs, pieces, read = [], [], []
        for n in range(each):
            name, day, part = f"R{month[2:4]}{month[5:]}-{n:03}", f"{month}-{1 + n * 27 // each:02}", parts[n % PARTS]
            at = f"{day}T{n % 24:02}"
            runs.append({
                "run": name, "furnace": f"F{1 + n % 2}", "cycle": "SR", "cycle_revision": "A", "status": "done",
                "started": f"{at}:00:00Z", "ended": f"{at}:50:00Z",
            })  # fmt: skip
            moved = of_part[part] + rng.normal(0.0, 0.005)
            for k in range(PIECES):
                serial = f"{name}-{k}"
                pieces.append({"run": name, "part": part, "serial": serial, "quantity": 1})
                before = 100 + rng.normal(0.0, 0.01)
                read += [
                    {"part": part, "serial": serial, "characteristic": "od", "run": name, "stage": stage,
                     "value_mm": round(value, 4), "read_at": None, **READ}
                    for stage, value in (("before", before), ("after", before + moved + rng.normal(0.0, 0.003)))
                ]  # fmt: skip
        put(book, "run", *runs)
        put(book, "piece", *pieces)
        put(book, "reading", *read)
        traces(book, [r["run"] for r in runs], month)
    return book


def others(store: Store, names: list[str]) -> None:
    """Publications of other plants, made of the published one's: other names, the same rows."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    base = f"{PLANTS}/{folder_of(NAME)}"
    current = read_current(store, base)
    assert current is not None
    lists: dict[str, list[Files]] = {name: [] for name in names}
    for part in current.manifest.parts.values():
        entries = current.manifest.entries([part.name])
        tables = {e.path: pq.read_table(store.url(e.path)) for e in entries if not e.runs}
        for name in names:
            own = f"{PLANTS}/{folder_of(name)}"
            made = []
            for e in entries:
                path = e.path.replace(base, own)
                if e.runs:
                    made.append(Entry(**{**vars(e), "path": path}))
                    continue
                table = tables[e.path]
                column = pa.array([name] * len(table), table.schema.field(PLANT).type)
                table = table.set_column(table.schema.get_field_index(PLANT), PLANT, column)
                at = Path(store.url(path))
                at.parent.mkdir(parents=True, exist_ok=True)
                sink = pa.BufferOutputStream()
                pq.write_table(table, sink, compression="zstd")
                data = sink.getvalue().to_pybytes()
                at.write_bytes(data)
                digest = hashlib.sha256(data).hexdigest()
                made.append(Entry(**{**vars(e), "path": path, "sha256": digest, "bytes": len(data)}))
            lists[name].append(Files(part.name, made))
    for name in names:
        own = f"{PLANTS}/{folder_of(name)}"
        manifest = Manifest(store, {**current.manifest.head, "plant": name}, {})
        for listed in lists[name]:
            at = listed.part(f"{own}/{listed.name}-{listed.sha256[:24]}.json")
            Path(store.url(at.path)).parent.mkdir(parents=True, exist_ok=True)
            Path(store.url(at.path)).write_bytes(listed.text)
            manifest.hold(at, [])
        data = manifest.text()
        digest = hashlib.sha256(data).hexdigest()
        Path(store.url(f"{own}/manifest-{digest[:24]}.json")).write_bytes(data)
        pointer = {"manifest": f"{own}/manifest-{digest[:24]}.json", "sha256": digest, "unnamed": None}
        Path(store.url(pointer_of(own, 1))).write_text(json.dumps(pointer))


def asked(what: list[str], **more: str) -> None:
    """A question as a process of its own."""
    at = time.perf_counter()
    child = subprocess.Popen(
        [sys.executable, "-m", "loadbook", *what], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        env={**os.environ, **more},
    )  # fmt: skip
    out, err = child.communicate()
    took = time.perf_counter() - at
    told = "" if child.returncode == 0 else f"  exit {child.returncode}: {err.strip().splitlines()[-1:]}"
    shown = out if len(out) < 60 else f"{len(out)} letters"
    print(f"{' '.join(what)[:90]:90} {took:8.1f} s by the clock  {' '.join(shown.split())}{told}", flush=True)


def questions(target: str) -> Iterator[list[str]]:
    yield ["group", "plants", target, "--format", "json"]
    yield ["group", "sql", target, "select count(*) from reading"]
    yield ["group", "report", target, "furnaces_compared", "--format", "json"]
    yield ["group", "moved", target, "--part", "P-001", "--format", "json"]
    yield ["group", "moved", target, "--part", "P-001", "--by", "plant", "--format", "json"]
    yield ["group", "answer", target, "--part", "P-001", "--kind", "outside diameter", "--format", "json"]
    yield ["group", "effect", target, "outside diameter", "--part", "P-001", "--format", "json"]
    yield ["group", "moved", target, "--since", "2025-12-01", "--format", "json"]
    yield ["group", "moved", target, "--format", "json"]


def on_spark(target: str, master: str) -> Iterator[list[str]]:
    spark = ["--engine", "spark", "--master", master, "--format", "json"]
    yield ["group", "report", target, "furnaces_compared", *spark]
    yield ["group", "moved", target, "--part", "P-001", *spark]


def published_while_asked(book: BookFolder, target: str) -> None:
    """One more run is published while the group is asked: the answer is that of before or of after."""
    question = ["group", "sql", target, "select count(*) from run", "--format", "json"]
    thread = threading.Thread(target=lambda: [asked(question) for _ in range(5)])
    thread.start()
    name = f"RX-{time.time_ns()}"
    put(
        book, "run",
        {"run": name, "furnace": "F1", "cycle": "SR", "cycle_revision": "A", "status": "done",
         "started": "2025-12-28T23:00:00Z", "ended": "2025-12-28T23:50:00Z"},
    )  # fmt: skip
    at = time.perf_counter()
    done = publish(book, target, NAME)
    print(
        f"published {name} in {time.perf_counter() - at:.0f} s: {done.files} files, {done.bytes / 1e6:.2f} MB",
        flush=True,
    )
    thread.join()


def main(folder: str, plants: int = 100, each: int = 242, master: str = "") -> int:
    where = Path(folder)
    target = str(where / "group")
    flushed, os.fsync = os.fsync, lambda _: None
    at = time.perf_counter()
    book = readings_book(where / "book", each)
    print(f"the book: {time.perf_counter() - at:.0f} s", flush=True)
    at = time.perf_counter()
    publish(book, target, NAME)
    print(f"published: {time.perf_counter() - at:.0f} s", flush=True)
    at = time.perf_counter()
    store = Store(target)
    names = [f"Plant {n:03}" for n in range(1, plants)]
    others(store, [n for n in names if not (where / "group" / PLANTS / folder_of(n)).exists()])
    os.fsync = flushed
    print(f"{plants} plants: {time.perf_counter() - at:.0f} s", flush=True)
    for question in (*questions(target), *(on_spark(target, master) if master else ())):
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        asked(question)
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        print(f"{'':90} {after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime:8.1f} s of processors, "
              f"the largest so far {after.ru_maxrss / 1e6:.1f} GB", flush=True)  # fmt: skip
    published_while_asked(book, target)
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1], *map(int, sys.argv[2:4]), *sys.argv[4:]))
