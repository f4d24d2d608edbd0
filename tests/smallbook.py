"""A small book for tests of the session, the guard, reports and the workbook: records put in as intake puts them."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from loadbook.analysis.trace.model import Channel, Trace
from loadbook.store.book import BookFolder
from loadbook.store.records import add_intake
from loadbook.store.trace_files import write_trace

from .copied import copied

READ = {"gauge": "G1", "held": "free", "datum": "A", "surface": "cleaned", "already_at_20c": 1, "repeat": 1}


def put(book: BookFolder, table: str, *rows: dict[str, Any]) -> None:
    """Rows of one table under one intake."""
    with book.write() as conn:
        add_intake(conn, table, {table: list(rows)}, rows_read=len(rows), taken_by="test")


def small(path: Path, units: str = "si") -> BookFolder:
    """A book with two furnaces, one cycle, one part with four characteristics; no runs yet."""
    return copied(path, _small, units)


def _small(path: Path, units: str) -> BookFolder:
    book = BookFolder.create(path, units=units)
    put(
        book, "material",
        {"material": "steel", "family": "low-alloy steel", "cte_per_k": 12e-6},
        {"material": "odd", "family": "other"},
    )  # fmt: skip
    put(book, "furnace", {"furnace": "F1", "atmosphere": "air"}, {"furnace": "F2", "atmosphere": "vacuum"})
    put(
        book, "gauge",
        {"gauge": "G1", "kind": "micrometer", "expanded_uncertainty_mm": 0.003, "expansion_per_k": 11.5e-6},
        {"gauge": "G2", "kind": "micrometer", "expanded_uncertainty_mm": 0.004, "expansion_per_k": 12e-6},
        {"gauge": "G3", "kind": "unknown"},
    )  # fmt: skip
    put(
        book, "cycle",
        {"cycle": "SR", "revision": "A", "title": "=stress relief", "process": "stress relief", "atmosphere": "air",
         "source_text": ""},
    )  # fmt: skip
    put(book, "part", {"part": "00123", "material": "steel", "shape": "ring", "length_mm": 200.0, "customer": "C"})
    put(
        book, "characteristic",
        {"part": "00123", "characteristic": "od", "kind": "outside diameter", "nominal_mm": 100.0, "lower_mm": 99.9,
         "upper_mm": 100.1, "reference_length_mm": 100.0, "scale": "um"},
        {"part": "00123", "characteristic": "bore", "kind": "inside diameter", "reference_length_mm": 50.0,
         "scale": "um"},
        {"part": "00123", "characteristic": "flat", "kind": "flatness", "upper_mm": 0.05, "lower_mm": 0.0,
         "scale": "log"},
        {"part": "00123", "characteristic": "hrc", "kind": "hardness", "unit": "HRC", "scale": "um"},
    )  # fmt: skip
    return book


def run(
    book: BookFolder, name: str, day: int, *, month: int = 3, serials: tuple[str, ...] = ("1",), **more: Any
) -> None:
    """A run from 08:00 to 18:00 of a day of 2026, with its pieces."""
    piece = {k[6:]: more.pop(k) for k in list(more) if k.startswith("piece_")}
    put(
        book, "run",
        {"run": name, "furnace": "F1", "cycle": "SR", "cycle_revision": "A", "status": "done",
         "started": f"2026-{month:02d}-{day:02d}T08:00:00Z", "ended": f"2026-{month:02d}-{day:02d}T18:00:00Z", **more},
    )  # fmt: skip
    if serials:
        rows = ({"run": name, "part": "00123", "serial": s, "quantity": 1, **piece} for s in serials)
        put(book, "piece", *rows)


def reading(name: str, stage: str, value: float | None, at: str | None, **more: Any) -> dict[str, Any]:
    """A reading's row: of serial 1's outside diameter unless said otherwise; `at` like '03-01T07' in 2026."""
    return {
        "part": "00123", "serial": "1", "characteristic": "od", "run": name, "stage": stage, "value_mm": value,
        "read_at": f"2026-{at}:00:00Z" if at else None, **READ, **more,
    }  # fmt: skip


def trace(
    book: BookFolder, name: str, trace_id: str, *, samples: int = 40, base: float = 20.0, month: int = 3,
    channels: bool = True,
) -> str:  # fmt: skip
    """A trace of three channels (control, work, pressure) at one sample per minute; gives back its path.

    channels  the run has none of them yet
    """
    t_s = np.arange(samples) * 60.0
    recorded = (
        Channel(1, "C1", "control"), Channel(2, "TC 1", "work"), Channel(3, "P", "pressure", "pressure", "mbar"),
    )  # fmt: skip
    values = np.vstack([base + t_s / 60, base + t_s / 60 - 5, np.full(samples, 1e-3)])
    flags = np.zeros(values.shape, np.uint8)
    values[1, 3], flags[1, 3] = np.nan, 2
    started = f"2026-{month:02d}-01T08:00:00Z"
    path, sha256, size = write_trace(book, Trace(t_s, values, flags, recorded, run=name, started=started), trace_id)
    if channels:
        put(book, "channel", *(
            {"run": name, "channel": c.name, "role": c.role, "uses": 4 if c.role == "work" else None} for c in recorded
        ))  # fmt: skip
    row = {
        "trace_id": trace_id, "run": name, "state": "current", "path": path, "sha256": sha256, "bytes": size,
        "source_name": "a.csv", "source_sha256": "0", "layout": "x", "started": started, "zone": "UTC",
        "interval_s": 60.0, "seconds": float(t_s[-1]), "samples": samples, "missing": 0, "open": 1, "out_of_range": 0,
        "duplicates": 0, "backwards": 0, "gaps": 0, "longest_gap_s": 60.0,
    }  # fmt: skip
    put(book, "trace", row)
    put(
        book, "trace_channel",
        *({"trace_id": trace_id, "number": c.number, "channel": c.name, "quantity": c.quantity, "unit": c.unit,
           "valid": samples} for c in recorded),
    )  # fmt: skip
    return path
