"""Recorder files to take in: twelve channels that follow SR-600, in two ways of writing the time."""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path

from fixtures.shop.build import HERE as SHOP
from loadbook.readers.cycles.file import take_cycle_file
from loadbook.store.book import BookFolder
from loadbook.store.records import add_intake

from .book import drawn

FORMATS = {"ISO": "%Y-%m-%d %H:%M:%S", "AM/PM": "%m/%d/%Y %I:%M:%S %p"}
START = datetime(2026, 3, 14, 6, 0, 0)


def shop_without_traces(path: Path, runs: int) -> BookFolder:
    """A book with so many runs of SR-600, R0, R1, ..., that have no trace yet."""
    book = BookFolder.create(path)
    take_cycle_file(book, SHOP / "cycles" / "SR-600_A.toml")
    rows = [
        {"run": f"R{i}", "furnace": "F", "started": "2026-03-14T06:00:00Z", "status": "done", "cycle": "SR-600",
         "cycle_revision": "A"} for i in range(runs)
    ]  # fmt: skip
    with book.write() as conn:
        add_intake(conn, "runs", {"furnace": [{"furnace": "F", "atmosphere": "air"}], "run": rows}, rows_read=1)
    return book


def write_file(path: Path, fmt: str, number: int, samples: int) -> Path:
    """A file of its own for each number: one line of preamble, a header, one row a moment over 24 hours."""
    trace = drawn(f"R{number}", "2026-03-14T06:00:00Z", number, samples)
    step = int(86_400 / samples)
    heads = [
        "Setpoint (°C)",
        "Control 1 (°C)",
        "Control 2 (°C)",
        "Over-temp (°C)",
        *(f"Work {k} (°C)" for k in range(1, 9)),
    ]
    with path.open("w", encoding="utf-8") as file:
        file.write(f"Recorder {number}\nTime,{','.join(heads)}\n")
        for i, row in enumerate(trace.values.T):
            moment = (START + timedelta(seconds=step * i)).strftime(fmt)
            file.write(f"{moment},{','.join(f'{v:.1f}' for v in row)}\n")
    return path
