"""A large book, seeded: runs of 12 channels with a trace each, ten pieces a run, a reading before and after.

Rows go in through the keeping floor, so that the digest chain and every foreign key hold. Traces are drawn once for
a hundred runs and measured once; the other runs get copies of those files and of what was measured, under names of
their own (the column `run` inside a copy names the run that it was drawn for; nothing reads it). Settings, movement
and readings differ in every run.

Over LARGE runs the copies are hard links, part numbers are of more materials, and the history is of ten years.
"""

from __future__ import annotations

import hashlib
import json
from datetime import timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from scipy.signal import lfilter

from fixtures.shop.build import HERE as SHOP
from loadbook.analysis.trace.model import Channel, Trace
from loadbook.analysis.trace.validity import marked
from loadbook.core import times
from loadbook.readers.cycles.file import take_cycle_file
from loadbook.store import derived
from loadbook.store.book import BookFolder
from loadbook.store.records import add_intake
from loadbook.store.run_records import load_run
from loadbook.store.trace_files import write_trace
from tests.answerbook import UNITS, tables
from tests.shops import SETTINGS, Shop

CHANNELS, SAMPLES, PIECES = 12, 2_880, 10
DISTINCT = 100
LARGE = 10_000
YEARS, YEARS_OF_LARGE = 20, 10
MATERIALS = 7  # of a book of more runs than LARGE; times three shapes and two conditions are 42 families
SHIFT_DAYS = -6_574.0  # the history begins in 2006
FURNACES = ("F1", "F2", "F3", "F4")


def made(folder: Path, runs: int, samples: int = SAMPLES, years: float | None = None) -> BookFolder:
    """The book of so many runs below a folder: the one that was made there before, or a new one.

    samples  of each channel, over 24 hours; 0 makes a book without traces;  years  over which the runs are spread
    """
    if years is None:
        years = YEARS_OF_LARGE if runs > LARGE else YEARS
    path = folder / f"book-{runs}-{samples}-{years:g}"
    done = path / "bench.json"
    if not done.exists():
        _make(path, runs, samples, years)
        done.write_text(json.dumps({"runs": runs, "samples": samples}), encoding="utf-8")
    return BookFolder.open(path)


def history(runs: int, years: float) -> pd.DataFrame:
    """A plain shop's history with exactly ten pieces a run, spread over the years."""
    frame = Shop("plain", runs, max(6, runs // 20), seed=1).history()
    copies = [frame.assign(serial=frame["serial"] + "b" * k, z=frame["z"] + k) for k in range(5)]
    frame = pd.concat(copies, ignore_index=True).groupby("run").head(PIECES).reset_index(drop=True)
    if runs > LARGE:
        number = frame["part"].str.removeprefix("PN-").astype(int)
        frame["material"] = "M" + (number % MATERIALS + 1).astype(str)
    return frame.assign(day=frame["day"] * years / 2 + SHIFT_DAYS)


def _make(path: Path, runs: int, samples: int, years: float) -> None:
    frame = history(runs, years)
    rows = tables(frame)
    del rows["cycle"]
    rows["furnace"] = [{"furnace": f, "atmosphere": "air"} for f in FURNACES]
    for i, row in enumerate(rows["run"]):
        ended = times.from_stored(row["started"]) + timedelta(hours=24)
        row.update(furnace=FURNACES[i % len(FURNACES)], cycle="SR-600", cycle_revision="A", ended=times.stored(ended))
    book = BookFolder.create(path)
    take_cycle_file(book, SHOP / "cycles" / "SR-600_A.toml")
    asked = [
        {"run": r.run, "parameter": name, "value": float(getattr(r, name)), "unit": UNITS.get(name, "c_per_h"),
         "source": "asked"} for r in frame.drop_duplicates("run").itertuples() for name in SETTINGS
    ]  # fmt: skip
    order = ("material", "furnace", "gauge", "part", "characteristic", "run", "piece", "reading")
    with book.write() as conn:
        add_intake(conn, "readings", {t: rows[t] for t in order} | {"parameter": asked}, rows_read=len(frame))
    if samples:
        _traces(book, [(row["run"], row["started"]) for row in rows["run"]], samples)
    with book.write() as conn:
        conn.execute("PRAGMA optimize")
    book.read().execute("PRAGMA wal_checkpoint(TRUNCATE)")
    book.close()


def channels() -> tuple[Channel, ...]:
    """Setpoint, two zones, an over-temperature channel and eight work thermocouples."""
    first = [Channel(1, "Setpoint", "setpoint"), Channel(2, "Zone 1", "control"), Channel(3, "Zone 2", "control"),
             Channel(4, "Over-temp", "over-temperature")]  # fmt: skip
    return (*first, *(Channel(n, f"TC {n - 4}", "work") for n in range(5, CHANNELS + 1)))


def drawn(run: str, started: str, number: int, samples: int) -> Trace:
    """One day's trace of SR-600: the furnace lags its program, eight sections lag the furnace."""
    rng = np.random.default_rng([7, number])
    dt = 86_400.0 / samples
    t_s = np.arange(samples) * dt
    up, hold, down = 5.5 + 0.8 * rng.random(), 2.6 + rng.random(), 8.0 + rng.random()
    program = np.interp(t_s / 3600, np.cumsum([0.3, up, hold, down]), [22.0, 600.0, 600.0, 60.0])

    def lagging(seconds: float, of: np.ndarray) -> np.ndarray:
        keep = np.exp(-dt / seconds)
        return np.asarray(lfilter([1 - keep], [1, -keep], of, zi=[of[0] * keep])[0])

    furnace = lagging(240.0, program)
    values = [program, furnace, furnace + rng.normal(0, 1), furnace + 2.0]
    values += [
        lagging(60.0 * rng.uniform(6, 30), furnace) + rng.normal(0, 1.5) * (furnace / 600) for _ in range(CHANNELS - 4)
    ]
    noise = 0.25 * rng.standard_normal((CHANNELS, samples))
    noise[0] = 0.0
    told = np.round(np.array(values) + noise, 1)
    return Trace(t_s, told, np.zeros(told.shape, np.uint8), channels(), run=run, started=started)


def head_of(trace: Trace, trace_id: str, path: str, sha256: str, size: int) -> dict[str, Any]:
    """The row of `trace` of a drawn trace (all of its samples are good)."""
    interval = float(trace.t_s[1] - trace.t_s[0])
    return {
        "trace_id": trace_id, "run": trace.run, "state": "current", "path": path, "sha256": sha256, "bytes": size,
        "source_name": f"{trace_id}.csv", "source_sha256": hashlib.sha256(trace_id.encode()).hexdigest(),
        "layout": "drawn", "started": trace.started, "zone": "UTC", "interval_s": interval,
        "seconds": float(trace.t_s[-1]), "samples": len(trace.t_s), "missing": 0, "open": 0, "out_of_range": 0,
        "duplicates": 0, "backwards": 0, "gaps": 0, "longest_gap_s": interval,
    }  # fmt: skip


def _traces(book: BookFolder, runs: list[tuple[str, str]], samples: int) -> None:
    first = runs[:DISTINCT]
    said = [{"run": run, "channel": c.name, "role": c.role} for run, _ in runs for c in channels()]
    doors = [{"run": run, "event": "door opened", "at": derived.moment(started, 23 * 3600.0)} for run, started in runs]
    with book.write() as conn:
        add_intake(conn, "channels", {"channel": said, "event": doors}, rows_read=len(said))
    files: list[tuple[dict[str, Any], bytes, list[dict[str, Any]]]] = []
    found: list[tuple[list[dict[str, Any]], list[dict[str, Any]]]] = []
    for number, (run, started) in enumerate(first):
        trace = drawn(run, started, number, samples)
        trace_id = f"b{number:06d}"
        path, sha256, size = write_trace(book, trace, trace_id)
        head = head_of(trace, trace_id, path, sha256, size)
        valid = marked(trace)
        rows = [
            {"trace_id": trace_id, "number": c.number, "channel": c.name, "quantity": c.quantity, "unit": c.unit,
             "resolution": 0.1, "valid": samples, "lowest": float(v.min()), "highest": float(v.max())}
            for c, v in zip(trace.channels, valid.values, strict=True)
        ]  # fmt: skip
        files.append((head, book.path.joinpath(*path.split("/")).read_bytes(), rows))
        found.append(derived.derived_rows(load_run(book.read(), run), trace))
    heads, named = [], []
    for number, (run, started) in enumerate(runs):
        head, data, rows = files[number % len(files)]
        trace_id = f"b{number:06d}"
        relative = f"traces/{started[:4]}/{trace_id}.parquet"
        file = book.path.joinpath(*relative.split("/"))
        file.parent.mkdir(parents=True, exist_ok=True)
        if number >= len(files) and len(runs) > LARGE:
            file.hardlink_to(book.path.joinpath(*files[number % len(files)][0]["path"].split("/")))
        elif number >= len(files):
            file.write_bytes(data)
        own = hashlib.sha256(trace_id.encode()).hexdigest()
        heads.append(head | {"trace_id": trace_id, "run": run, "path": relative, "started": started,
                             "source_name": f"{trace_id}.csv", "source_sha256": own})  # fmt: skip
        named += [row | {"trace_id": trace_id} for row in rows]
    with book.write() as conn:
        add_intake(conn, "traces", {"trace": heads, "trace_channel": named}, rows_read=len(heads))
        for number, (run, started) in enumerate(runs):
            parameters, findings = found[number % len(found)]
            derived.store(conn, run, [p | {"run": run} for p in parameters], [_of(f, run, started) for f in findings])


def _of(finding: dict[str, Any], run: str, started: str) -> dict[str, Any]:
    moments = {f"{k}_at": derived.moment(started, finding[f"{k}_s"]) for k in ("first", "worst")}
    return finding | {"run": run} | moments
