"""Side by side: aggregates over the view `samples` and over the same Parquet files with the bare engine.

Run by hand: python -m tests.bench.samples [TRACES]. Prints seconds (best of five) and the ratio.
"""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import duckdb
import numpy as np

from loadbook.calc.model import Channel, Trace
from loadbook.keep import guard, session
from loadbook.keep.tracefile import quoted, write_trace

from ..smallbook import put, run, small

QUERIES = {
    "count and mean": "SELECT count(*), avg(value) FROM {}",
    "by run": "SELECT run, avg(value), max(value) FROM {} GROUP BY run",
    "by run and channel": "SELECT run, {c}, avg(value), max(value) FROM {} GROUP BY ALL",
    "samples above 300": "SELECT run, count(*) FROM {} WHERE quantity = 'temperature' AND value > 300 GROUP BY run",
    "one run": "SELECT count(*), max(value) FROM {} WHERE run = 'R7'",
}  # fmt: skip


def best(connection: duckdb.DuckDBPyConnection, sql: str) -> float:
    """Seconds of the fastest of five."""
    took = []
    for _ in range(5):
        began = time.perf_counter()
        connection.execute(sql).fetchall()
        took.append(time.perf_counter() - began)
    return min(took)


def main(traces: int) -> None:
    rng = np.random.default_rng(1)
    channels = tuple(Channel(n, f"TC {n}", "work") for n in range(1, 13))
    t_s = np.arange(2000) * 15.0
    with tempfile.TemporaryDirectory() as folder:
        book = small(Path(folder) / "book")
        heads: list[dict[str, Any]] = []
        for i in range(traces):
            run(book, f"R{i}", 1 + i % 28, serials=())
            values = rng.uniform(20, 600, (12, 2000))
            made = Trace(t_s, values, np.zeros(values.shape, np.uint8), channels, (), f"R{i}", "2026-03-01T08:00:00Z")
            path, sha256, size = write_trace(book, made, f"t-{i}")
            heads.append(
                {"trace_id": f"t-{i}", "run": f"R{i}", "state": "current", "path": path, "sha256": sha256,
                 "bytes": size, "source_name": "a", "source_sha256": "0", "layout": "x",
                 "started": "2026-03-01T08:00:00Z", "zone": "UTC", "interval_s": 15.0, "seconds": 30000.0,
                 "samples": 2000, "missing": 0, "open": 0, "out_of_range": 0, "duplicates": 0, "backwards": 0,
                 "gaps": 0, "longest_gap_s": 15.0}
            )  # fmt: skip
        put(book, "trace", *heads)
        put(
            book, "trace_channel",
            *({"trace_id": h["trace_id"], "number": c.number, "channel": c.name, "quantity": "temperature",
               "unit": "c", "valid": 2000} for h in heads for c in channels),
        )  # fmt: skip
        began = time.perf_counter()
        made_session = session.start(book, {"samples"})
        print(f"session over {traces} traces ({traces * 24_000:,} samples): {time.perf_counter() - began:.3f} s")
        listed = "read_parquet([" + ", ".join(quoted(f) for f in made_session.files) + "])"
        for name, sql in QUERIES.items():
            ours = best(made_session.connection, sql.replace("{c}", "channel").replace("{}", "samples"))
            bare = best(made_session.connection, sql.replace("{c}", "channel").replace("{}", listed))
            print(f"{name:20} samples {ours:.3f} s   bare {bare:.3f} s   ratio {ours / bare:.2f}")
        for sql in ("SELECT 1", QUERIES["by run and channel"].replace("{c}", "channel").replace("{}", "samples")):
            began = time.perf_counter()
            guard.ask(book, sql)
            print(f"behind the guard, with the child's start: {time.perf_counter() - began:.3f} s   {sql[:40]}")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 300)
