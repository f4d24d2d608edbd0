"""A book of a shop whose truth is planted: what heating, cooling and furnace do, with limits as a test asks."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from loadbook.store.book import BookFolder
from loadbook.store.records import add_intake

from .answerbook import ORDER, UNITS, tables
from .shops import COOL, HOLD, RATE, SETTINGS, SOAK

PART = "PN-0"
RUN_SD, PIECE_SD = 4.0, 4.0
Effect = Callable[[float, float, str], float]  # heating rate, cooling rate, furnace -> movement [µm]
Draw = Callable[[np.random.Generator], tuple[float, float, str]]  # heating rate, cooling rate and furnace of a run


def usual(rng: np.random.Generator) -> tuple[float, float, str]:
    """Heating 60 to 120, cooling 50 to 90 °C/h, one furnace."""
    return float(rng.uniform(60, 120)), float(rng.uniform(50, 90)), "F1"


def planted(effect: Effect, draw: Draw = usual, runs: int = 60, parts: int = 3, seed: int = 0) -> pd.DataFrame:
    """Pieces of so many runs; each part number has a level of its own (the first one none)."""
    rng = np.random.default_rng(seed)
    rows = []
    for r in range(runs):
        p = int(rng.integers(parts))
        heat, cool, furnace = draw(rng)
        level = effect(heat, cool, furnace) + 8.0 * p + rng.normal() * RUN_SD
        for k in range(int(rng.integers(3, 7))):
            rows.append(
                (f"R{r:03d}", f"PN-{p}", "C1", f"{r}-{k}", level + rng.normal() * PIECE_SD, float(4 * r), "M1", "ring",
                 "from bar", "laid", furnace, 25.0, 300.0, heat, 600.0, 120.0, cool)
            )  # fmt: skip
    names = ("run", "part", "characteristic", "serial", "z", "day", "material", "shape", "condition", "setup",
             "furnace", "section_mm", "length_mm", RATE, HOLD, SOAK, COOL)  # fmt: skip
    frame = pd.DataFrame(rows, columns=list(names))
    frame["kind"] = "outside diameter"
    return frame


def took(heat: float, cool: float, rng: np.random.Generator) -> dict[str, float]:
    """What the furnace needed: a little more than it was asked, as cycles of this book ask it."""
    up, down = 580.0 / heat, 500.0 / cool
    start = 0.4 + 1.02 * up + rng.normal() * 0.1
    end = start + 2.3 + abs(rng.normal()) * 0.1
    return {"hold_start_h": start, "hold_end_h": end, "cycle_hours": end + 1.05 * down + rng.normal() * 0.15}


def book_of(
    path: Path, history: pd.DataFrame, heat_max: float | None = None, asked: tuple[float, float] = (100.0, 70.0),
    limits: list[dict[str, Any]] | None = None, units: str = "si",
) -> BookFolder:  # fmt: skip
    """A book of that history, run by cycle SR revision A, which asks these heating and cooling rates."""
    rows = tables(history)
    by_run = history.drop_duplicates("run")
    rows["furnace"] = [{"furnace": f, "atmosphere": "air"} for f in sorted(set(by_run["furnace"]))]
    for row, furnace in zip(rows["run"], by_run["furnace"], strict=True):
        row["furnace"] = furnace
    own = {"cycle": "SR", "revision": "A", "rate_of": "control", "on_leaving": "restart", "soak_by": "work"}
    segments = [
        {"kind": "heat", "target_c": 600.0, "asked_rate_c_per_h": asked[0], "rate_max_c_per_h": heat_max},
        {"kind": "hold", "target_c": 600.0, "minutes": 120.0, "band_low_c": 10.0, "band_high_c": 10.0},
        {"kind": "cool", "target_c": 100.0, "asked_rate_c_per_h": asked[1]},
    ]
    rows["cycle_segment"] = [{**own, "number": k, **s} for k, s in enumerate(segments, start=1)]
    rows["cycle_limit"] = [
        {"cycle": "SR", "revision": "A", "number": k, "scope": "load", "rounding": "proportion", **x}
        for k, x in enumerate(limits or [], start=1)
    ]
    book = BookFolder.create(path, units=units)
    rng = np.random.default_rng(1)
    with book.write() as conn:
        order = [n for name in ORDER for n in ([name, "cycle_segment", "cycle_limit"] if name == "cycle" else [name])]
        add_intake(conn, "test", {name: rows[name] for name in order}, rows_read=len(history), taken_by="test")
        figures = []
        for r in by_run.itertuples():
            figures += [(r.run, n, float(getattr(r, n)), UNITS.get(n, "c_per_h"), "asked", None) for n in SETTINGS]
            hours = took(float(getattr(r, RATE)), float(getattr(r, COOL)), rng)
            figures += [(r.run, n, v, "h", "trace", "test") for n, v in hours.items()]
        conn.executemany(
            "INSERT INTO parameter (run, parameter, value, unit, source, algorithm) VALUES (?, ?, ?, ?, ?, ?)", figures
        )
    return book
