"""What goes with a furnace, a fixture or another setting is no doing of a rate because it alone was asked about."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from loadbook.queries.effect import effect
from loadbook.store.book import BookFolder
from loadbook.store.records import add_intake

from .answerbook import ORDER, UNITS, tables
from .shops import COOL, HOLD, RATE, SETTINGS, SOAK


def shop(cause: str, runs: int = 40) -> pd.DataFrame:
    """Two part numbers, runs by lot in one of two furnaces, laid or hung; 10 µm are the doing of `cause` alone, and the
    rate goes with it."""
    rng, rows = np.random.default_rng(0), []
    for r in range(runs):
        second = rng.random() < 0.5
        rate = (120.0 if second else 80.0) + 6.0 * rng.normal()
        x = dict(zip(SETTINGS, (rate, *rng.normal((600.0, 120.0, 80.0), (5.0, 15.0, 8.0))), strict=True))
        if cause == SOAK:
            x[SOAK] = 120.0 - 1.5 * (rate - 100.0) + 6.0 * rng.normal()
        gap = {"rate": 0.3 * (rate - 100.0), SOAK: -0.2 * (x[SOAK] - 120.0)}.get(cause, 10.0 * second)
        z = gap + 8.0 * (r % 2) + 4.0 * rng.normal() + 3.0 * rng.normal(size=4)
        rows += [
            {"run": f"R{r:03d}", "part": f"PN-{r % 2}", "characteristic": "C1", "serial": f"{r}-{k}", "z": v,
             "day": 15.0 * r, "material": "M1", "shape": "ring", "condition": "from bar", "section_mm": 20.0,
             "length_mm": 200.0, "kind": "outside diameter", **x,
             "setup": "hung" if second and cause == "setup" else "laid",
             "furnace": "F2" if second and cause == "furnace" else "F1"} for k, v in enumerate(z)
        ]  # fmt: skip
    return pd.DataFrame(rows)


def book_of(path: Path, history: pd.DataFrame) -> BookFolder:
    book, rows = BookFolder.create(path), tables(history)
    rows["furnace"] = [{"furnace": f, "atmosphere": "air"} for f in ("F1", "F2")]
    furnace = history.drop_duplicates("run").set_index("run")
    rows["run"] = [{**r, "furnace": furnace.loc[r["run"], "furnace"]} for r in rows["run"]]
    figures = [(run, n, float(furnace.loc[run, n]), UNITS.get(n, "c_per_h"), "stated")
               for run in furnace.index for n in SETTINGS]  # fmt: skip
    with book.write() as conn:
        add_intake(conn, "test", {name: rows[name] for name in ORDER}, rows_read=len(history), taken_by="test")
        conn.executemany("INSERT INTO parameter (run, parameter, value, unit, source) VALUES (?, ?, ?, ?, ?)", figures)
    return book


@pytest.mark.parametrize("cause", ["furnace", "setup", SOAK, "rate"])
def test_a_rate_asked_about_alone_is_told_as_beside_the_rest(cause: str, tmp_path: Path) -> None:
    book = book_of(tmp_path / "book", shop(cause))
    (alone,) = (e for _, e in effect(book, of=RATE).effects)
    whole = {e.parameter: e for _, e in effect(book).effects}
    assert alone.parameter == RATE and alone.effect == pytest.approx(whole[RATE].effect)
    assert (alone.finding == "goes_with") == (cause == "rate")
    assert alone.confounded_with == ([] if cause == "rate" else [cause])
    named = [e for _, e in effect(book, of=[RATE, HOLD, COOL]).effects]
    assert [e.parameter for e in named] == [RATE, HOLD, COOL]
    assert (named[0].finding == "goes_with") == (cause == "rate"), named[0]
    book.close()
