"""The bare references: the least that any program must do for the same end, with general libraries alone."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pandas as pd

LIST_RUNS = """
import json, sqlite3, sys
conn = sqlite3.connect(sys.argv[1])
conn.row_factory = sqlite3.Row
print(json.dumps([dict(r) for r in conn.execute("SELECT * FROM run ORDER BY run_id LIMIT 50")], indent=1))
"""

SHOW_RUN = """
import json, sqlite3, sys
conn = sqlite3.connect(sys.argv[1])
conn.row_factory = sqlite3.Row
found = {}
for table in ("run", "piece", "channel", "event", "trace", "finding", "approval", "nonconformance"):
    rows = conn.execute(f"SELECT * FROM {table} WHERE run = ? LIMIT 200", (sys.argv[2],))
    found[table] = [dict(r) for r in rows]
print(json.dumps(found, indent=1))
"""

# readings paired, movement by setup with its quantiles, and (for `effect`) the slope inside part numbers
PAIRS = """
import sqlite3, sys
import duckdb
import numpy as np

conn = sqlite3.connect(sys.argv[1])
engine = duckdb.connect()

def frame(sql):
    rows = conn.execute(sql).fetchall()
    columns = {}
    for i, values in enumerate(zip(*rows)):
        if isinstance(values[0], float):
            columns[f"c{i}"] = np.array(values)
        else:
            array = np.empty(len(values), object)
            array[:] = values
            columns[f"c{i}"] = array
    return columns

engine.register("reading", frame("SELECT run, part, serial, characteristic, stage, value_mm FROM reading"))
engine.register("piece", frame("SELECT run, part, serial, setup FROM piece"))
engine.execute('''CREATE TABLE pair AS
  SELECT c0 AS run, c1 AS part, c2 AS serial, c3 AS characteristic,
         max(c5) FILTER (WHERE c4 = 'after') - max(c5) FILTER (WHERE c4 = 'before') AS moved
  FROM reading GROUP BY ALL''')
"""
MOVED = (
    PAIRS
    + """
print(engine.execute('''SELECT p.c3, count(DISTINCT run), count(*), quantile_cont(moved, [0.05, 0.5, 0.95]), avg(moved)
  FROM pair JOIN piece AS p ON p.c0 = run AND p.c1 = part AND p.c2 = serial GROUP BY ALL''').fetchall())
"""
)
EFFECT = (
    PAIRS
    + """
engine.register("asked", frame("SELECT run, parameter, value FROM parameter WHERE channel IS NULL AND"
                               " parameter = 'heating_rate_peak_c_per_h' AND source = 'trace'"))
got = engine.execute('''SELECT part, avg(moved) AS y, any_value(a.c2) AS x FROM pair JOIN asked AS a ON a.c0 = run
  GROUP BY run, part''').fetchnumpy()
codes, part = np.unique(got["part"].astype(str), return_inverse=True)
count = np.bincount(part)
x, y = (np.asarray(got[n], float) - (np.bincount(part, np.asarray(got[n], float)) / count)[part] for n in "xy")
print(x @ y / (x @ x))
"""
)


def readings(path: Path, out: Path) -> None:
    """read_csv and to_sql: identifiers stay texts, nothing is checked."""
    import sqlite3

    frame = pd.read_csv(path, dtype={"part": str, "serial": str, "run": str})
    conn = sqlite3.connect(out)
    frame.to_sql("reading", conn, index=False, if_exists="replace")
    conn.commit()
    conn.close()


def trace_file(path: Path, fmt: str, out: Path) -> None:
    """read_csv with parsed dates, a long-form frame, DuckDB's COPY to Parquet, as a script does it for one file."""
    import duckdb

    frame = pd.read_csv(path, skiprows=1, parse_dates=["Time"], date_format=fmt)
    long = frame.melt(id_vars="Time", var_name="channel", value_name="value")
    engine = duckdb.connect()
    engine.register("long", long)
    engine.execute(f"COPY long TO '{out}' (FORMAT parquet)")
    engine.close()


def measured(files: Sequence[Path], first_work: int = 5, window_s: float = 900.0) -> list[tuple[float, float, float]]:
    """Read Parquet, rolling least-squares slope of every channel, spread and lead of the work channels: NumPy alone."""
    import duckdb

    engine = duckdb.connect(config={"threads": 1, "enable_external_file_cache": "false"})
    out = []
    for file in files:
        got = engine.execute(f"SELECT channel, t_s, value FROM read_parquet('{file}')").fetchnumpy()
        channel = np.asarray(got["channel"])
        count = len(np.unique(channel))
        values = np.ma.filled(np.ma.asarray(got["value"], np.float64), np.nan).reshape(count, -1)
        t_s = np.asarray(got["t_s"]).reshape(count, -1)[0]
        steps = max(3, int(window_s / (t_s[1] - t_s[0]))) // 2 * 2 + 1
        weights = np.arange(steps) - steps // 2
        slopes = np.empty((count, len(t_s) - steps + 1))
        for row in range(count):
            slopes[row] = np.convolve(values[row], weights[::-1], "valid")
        slopes *= 3600.0 / ((weights**2).sum() * (t_s[1] - t_s[0]))
        work = values[first_work - 1 :]
        spread = np.nanmax(work, axis=0) - np.nanmin(work, axis=0)
        lead = values[1] - np.nanmin(work, axis=0)
        out.append((float(np.nanmax(slopes)), float(np.nanmax(spread)), float(np.nanmax(lead))))
    return out


def hashed(folder: Path) -> int:
    """SHA-256 of every file below a folder; how many there were."""
    count = 0
    for path in sorted(folder.rglob("*")):
        if path.is_file():
            with path.open("rb") as file:
                hashlib.file_digest(file, "sha256")
            count += 1
    return count
