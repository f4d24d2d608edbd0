"""Taking a trace in beside the least that any program must do with the same file: read it, fold it long, write Parquet.

`trace take` reads, settles, checks, corrects, writes and flushes Parquet, hashes, measures parameters, looks for
faults, judges and commits; the bare pass is pandas.read_csv with parsed dates, melt, and DuckDB's COPY. Run by hand:
python -m pytest tests/bench/test_trace_take.py -m long -s
"""

from __future__ import annotations

import time
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from loadbook.intake.layoutbook import keep_layout, kept_layout
from loadbook.intake.recorder import lasting, look
from loadbook.intake.recorderoptions import Options
from loadbook.intake.recordersource import open_source
from loadbook.intake.tracetake import take_trace
from loadbook.keep.book import BookFolder
from loadbook.keep.records import add_intake

SAMPLES, REPEATS, LIMIT = 10_000, 9, 2.5


def write_file(path: Path, fmt: str, first_line: str) -> None:
    """Ten channels, one sample per 5 s: control, setpoint, eight work TCs that lag and end apart."""
    rng = np.random.default_rng(1)
    t = np.arange(SAMPLES) * 5.0
    setpoint = np.interp(t / 3600, [0, 5, 8, 13.9], [20, 620, 620, 60])
    columns = [setpoint + 0.3 * rng.standard_normal(SAMPLES), setpoint]
    for k in range(1, 9):
        lagged = np.interp(t - 60.0 * k, t, setpoint)
        columns.append(lagged - 0.4 * k + 0.2 * rng.standard_normal(SAMPLES))
    names = ["Control (°C)", "Setpoint (°C)", *(f"Work {k} (°C)" for k in range(1, 9))]
    start = datetime(2026, 3, 14, 6, 0, 0)
    with path.open("w", encoding="utf-8") as file:
        file.write(f"{first_line}\nTime,{','.join(names)}\n")
        for i in range(SAMPLES):
            moment = (start + timedelta(seconds=5 * i)).strftime(fmt)
            file.write(f"{moment},{','.join(f'{c[i]:.1f}' for c in columns)}\n")


def bare(path: Path, fmt: str, out: Path) -> None:
    import duckdb
    import pandas as pd

    frame = pd.read_csv(path, skiprows=1, parse_dates=["Time"], date_format=fmt)
    long = frame.melt(id_vars="Time", var_name="channel", value_name="value")
    connection = duckdb.connect()
    connection.register("long", long)
    connection.execute(f"COPY long TO '{out}' (FORMAT parquet)")
    connection.close()


@pytest.mark.long
@pytest.mark.parametrize("fmt", ["%Y-%m-%d %H:%M:%S", "%m/%d/%Y %I:%M:%S %p"], ids=["ISO", "AM/PM"])
def test_cost_of_taking_a_trace_in(tmp_path: Path, fmt: str) -> None:
    book = BookFolder.create(tmp_path / "book")
    runs = [
        {"run": f"R{i}", "furnace": "F", "started": "2026-03-14T06:00:00Z", "status": "done"} for i in range(REPEATS)
    ]
    with book.write() as conn:
        add_intake(conn, "runs", {"furnace": [{"furnace": "F", "atmosphere": "air"}], "run": runs}, rows_read=1)
    files = [tmp_path / f"chart{i}.csv" for i in range(REPEATS)]
    for i, path in enumerate(files):
        write_file(path, fmt, f"Recorder {i}")
    keep_layout(book, lasting(look(open_source(files[0]), Options()), "recorder"), "recorder")
    layout = kept_layout(book.read(), "recorder")
    least, whole = [], []
    for i, path in enumerate(files):
        start = time.perf_counter()
        bare(path, fmt, tmp_path / f"bare{i}.parquet")
        middle = time.perf_counter()
        taken = take_trace(book, path, f"R{i}", layout=layout)
        whole.append(time.perf_counter() - middle)
        least.append(middle - start)
        assert taken.counts is not None and taken.counts.samples == SAMPLES
    ratio = min(whole) / min(least)
    print(
        f"\nbare {min(least) * 1e3:.0f} ms, trace take {min(whole) * 1e3:.0f} ms: {ratio:.2f} times (best of {REPEATS})"
    )
    assert ratio <= LIMIT
