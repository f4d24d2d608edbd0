"""A book filled from a simulated shop (tests/shops.py): rows as intake puts them, or the intake files themselves."""

from __future__ import annotations

import csv
from collections.abc import Mapping
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pandas as pd

from loadbook.store.book import BookFolder
from loadbook.store.records import add_intake
from tests.shops import SETTINGS

FIRST = datetime(2024, 1, 1, 6)
UNITS = {"heating_rate_peak_c_per_h": "c_per_h", "hold_mean_c": "c", "soak_minutes": "min"}
ORDER = ("material", "furnace", "gauge", "cycle", "part", "characteristic", "run", "piece", "reading")
CYCLE = {"cycle": "SR", "revision": "A", "title": "relief", "process": "stress relief", "atmosphere": "air",
         "source_text": ""}  # fmt: skip


def moment(day: float) -> str:
    """A stored moment of a day of the simulated history."""
    return (FIRST + timedelta(days=float(day))).isoformat(timespec="seconds") + "Z"


def tables(history: pd.DataFrame, gauge_mm: float | None = 0.002, scale: str = "um") -> dict[str, list[dict[str, Any]]]:
    """The rows of a book, by table, of a simulated history (movement in µm, or percent of the form error before)."""
    parts = history.drop_duplicates("part")
    runs = history.drop_duplicates("run")
    kind = str(history["kind"].iloc[0])
    out: dict[str, list[dict[str, Any]]] = {
        "material": [
            {"material": m, "family": "low-alloy steel", "cte_per_k": 12e-6} for m in sorted(set(parts["material"]))
        ],
        "furnace": [{"furnace": "F1", "atmosphere": "air"}],
        "gauge": [{"gauge": "G1", "kind": "micrometer", "expanded_uncertainty_mm": gauge_mm}],
        "cycle": [CYCLE],
        "part": [
            {"part": r.part, "material": r.material, "shape": r.shape, "length_mm": r.length_mm,
             "section_thick_mm": r.section_mm} for r in parts.itertuples()
        ],
        "characteristic": [
            {"part": r.part, "characteristic": r.characteristic, "kind": kind, "reference_length_mm": 100.0,
             "nominal_mm": 0.0 if kind == "flatness" else 100.0, "scale": scale} for r in parts.itertuples()
        ],
        "run": [
            {"run": r.run, "furnace": "F1", "cycle": "SR", "cycle_revision": "A", "started": moment(r.day),
             "status": "done"} for r in runs.itertuples()
        ],
        "piece": [
            {"run": r.run, "part": r.part, "serial": r.serial, "quantity": 1, "setup": r.setup,
             "condition": r.condition, "machining": "rough machined", "stock_mm": 1.0,
             "heat_number": getattr(r, "heat_number", None)} for r in history.itertuples()
        ],
        "reading": [],
    }  # fmt: skip
    for r in history.itertuples():
        before = r.before_um / 1000.0 if kind == "flatness" else 100.0
        after = r.after_um / 1000.0 if kind == "flatness" else 100.0 + r.z / 1000.0
        for stage, value in (("before", before), ("after", after)):
            out["reading"].append(
                {"part": r.part, "serial": r.serial, "characteristic": r.characteristic, "stage": stage,
                 "value_mm": round(float(value), 7), "run": r.run, "gauge": "G1", "held": "free", "datum": "A",
                 "surface": "cleaned", "already_at_20c": 1, "repeat": 1}
            )  # fmt: skip
    return out


def fill(
    path: Path, history: pd.DataFrame, gauge_mm: float | None = 0.002, scale: str = "um", units: str = "si",
    of_material: Mapping[str, float] | None = None,
) -> BookFolder:  # fmt: skip
    """A book with such a history; the settings are what was asked of each run. of_material: more columns of each."""
    book = BookFolder.create(path, units=units)
    rows = tables(history, gauge_mm, scale)
    for row in rows["material"]:
        row.update(of_material or {})
    with book.write() as conn:
        add_intake(conn, "test", {name: rows[name] for name in ORDER}, rows_read=len(history), taken_by="test")
        asked = [
            (r.run, name, float(getattr(r, name)), UNITS.get(name, "c_per_h"), "asked")
            for r in history.drop_duplicates("run").itertuples()
            for name in SETTINGS
            if getattr(r, name) == getattr(r, name)
        ]
        conn.executemany("INSERT INTO parameter (run, parameter, value, unit, source) VALUES (?, ?, ?, ?, ?)", asked)
    return book


def write_files(folder: Path, history: pd.DataFrame) -> list[tuple[str, Path]]:
    """The same history as intake files, in the order to take them in: (kind, file)."""
    rows = tables(history)
    names = {"material": "materials", "furnace": "furnaces", "gauge": "gauges", "part": "parts",
             "characteristic": "characteristics", "run": "runs", "piece": "pieces", "reading": "readings"}  # fmt: skip
    for row in rows["run"]:
        row["cycle"] = "-"
        del row["cycle_revision"]
        del row["status"]
    for row in rows["piece"]:
        del row["quantity"]
    for row in rows["reading"]:
        row["already_at_20c"] = "yes"
    out = []
    for table, kind in names.items():
        path = folder / f"{kind}.csv"
        _write(path, rows[table])
        out.append((kind, path))
    parameters = [
        {"run": r.run, "parameter": name, "value": getattr(r, name), "unit": UNITS.get(name, "c_per_h"),
         "source": "asked"} for r in history.drop_duplicates("run").itertuples() for name in SETTINGS
    ]  # fmt: skip
    _write(folder / "parameters.csv", parameters)
    return [*out, ("parameters", folder / "parameters.csv")]


def _write(path: Path, rows: list[dict[str, Any]]) -> None:
    with path.open("w", newline="", encoding="utf-8") as out:
        writer = csv.DictWriter(out, list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)
