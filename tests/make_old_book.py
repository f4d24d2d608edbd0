"""Keeps a small book of the newest schema: python -m tests.make_old_book (once for each schema that is released)."""

from __future__ import annotations

import tempfile
from pathlib import Path

import numpy as np

from loadbook.analysis.trace.model import Channel, Trace
from loadbook.store import derived_checksum, migrations
from loadbook.store.backup import backup
from loadbook.store.book import BookFolder
from loadbook.store.records import add_intake, amend
from loadbook.store.trace_files import write_trace

from .conftest import small_rows

FOLDER = Path(__file__).resolve().parent.parent / "fixtures" / "books"


def make(folder: Path) -> BookFolder:
    """A book with an intake, an amendment, a trace and what was computed of it."""
    book = BookFolder.create(folder, zone="Europe/Madrid")
    t_s = np.arange(50) * 60.0
    made = Trace(t_s, t_s[None, :] / 60, np.zeros((1, 50), np.uint8), (Channel(1, "TC 1", "work"),), (), "R1",
                 "2026-03-01T08:00:00Z")  # fmt: skip
    path, sha256, size = write_trace(book, made, "t1")
    trace = {
        "trace_id": "t1", "run": "R1", "state": "current", "path": path, "sha256": sha256, "bytes": size,
        "source_name": "r1.csv", "source_sha256": "0" * 64, "layout": "-", "started": "2026-03-01T08:00:00Z",
        "zone": "UTC", "interval_s": 60.0, "seconds": 2940.0, "samples": 50, "missing": 0, "open": 0,
        "out_of_range": 0, "duplicates": 0, "backwards": 0, "gaps": 0, "longest_gap_s": 60.0,
    }  # fmt: skip
    with book.write() as writing:
        add_intake(writing, "parts", small_rows(), rows_read=8, taken_by="tester")
        amend(writing, "part", "00123", 1, {"shape": "sleeve"}, "drawing B", "tester")
        add_intake(writing, "traces", {"trace": [trace]}, rows_read=50, taken_by="tester")
        writing.execute(
            "INSERT INTO parameter (run, parameter, value, unit, source, algorithm)"
            " VALUES ('R1', 'cycle_hours', 0.8166666666666667, 'h', 'trace', '1')"
        )
        writing.execute(
            "INSERT INTO finding (run, what, name, verdict, text, algorithm)"
            " VALUES ('R1', 'run', 'run', 'no cycle', '', '1')"
        )
        derived_checksum.everything(writing)
    return book


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as temporary, make(Path(temporary) / "book") as old:
        backup(old, FOLDER / f"schema-{migrations.NEWEST:04d}.zip")
