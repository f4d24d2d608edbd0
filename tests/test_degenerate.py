"""Books that hold too little, asked on the command line: each question ends in a sentence, not in a number."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from subprocess import CompletedProcess
from typing import Any

import numpy as np
import pandas as pd
import pytest

from loadbook.store.book import BookFolder
from loadbook.store.records import add_intake

from .answerbook import fill, tables
from .shops import RATE, SETTINGS, Shop

Loadbook = Callable[..., CompletedProcess[str]]
HISTORY = Shop("plain", 30, 7, seed=2).history()
PART = str(HISTORY["part"].value_counts().index[0])


def said(inside: Loadbook, book: BookFolder, part: str = PART) -> tuple[str, list[dict[str, Any]], dict[str, Any], str]:
    """What `moved` prints, the rows of `effect`, the keys of `answer`, and what `trial` says (both streams)."""
    where = ("--book", str(book.path))
    moved = inside("moved", "--by", "process", *where)
    effect = inside("effect", "C1", "--asked", "--format", "json", *where)
    answer = inside("answer", "--part", part, "--format", "json", *where)
    trial = inside("trial", "C1", "--of", RATE, "--runs", "4", *where)
    assert moved.returncode == effect.returncode == answer.returncode == 0, moved.stderr + effect.stderr + answer.stderr
    assert "Traceback" not in trial.stderr
    rows = json.loads(effect.stdout) if effect.stdout.strip() else []
    return moved.stdout + moved.stderr, rows, json.loads(answer.stdout), trial.stdout + trial.stderr


def told(rows: list[dict[str, Any]], words: str) -> None:
    """Every effect is refused with these words, and has no figure."""
    assert rows
    for r in rows:
        assert words in r["verdict"] and r["verdict"].startswith("Cannot tell: "), r["verdict"]
        assert r["effect"] is None and r["effect_low"] is None and r["p"] is None and r["p_adjusted"] is None


def refused(answer: dict[str, Any], words: str) -> None:
    assert words in answer["refused"] and answer["need"]["text"].endswith(".")
    assert answer["low"] is None and answer["high"] is None and answer["bound"] is None and answer["median"] is None


def test_one_run(tmp_path: Path, inside: Loadbook) -> None:
    own = HISTORY[HISTORY["part"] == PART]
    moved, effects, answer, trial = said(inside, fill(tmp_path / "b", own[own["run"] == own["run"].iloc[0]]))
    assert "one run" in moved and "what another run would do cannot be told" in moved
    told(effects, "at least 6 are needed")
    refused(answer, "only 1 run on record")
    assert "too few to plan from" in trial


def test_one_part_number(tmp_path: Path, inside: Loadbook) -> None:
    """Twelve runs of one part number: little, but its own; the level 'part' of the scatter cannot be told."""
    moved, effects, answer, _ = said(inside, fill(tmp_path / "b", HISTORY[HISTORY["part"] == PART]))
    assert "cannot be told: one only" in moved
    assert all(r["verdict"].startswith("Cannot tell whether") and "seldom settle it" in r["verdict"] for r in effects)
    assert answer["refused"] is None and answer["parts"] == 1
    new = ("--material", "M1", "--shape", "ring", "--condition", "welded", "--kind", "outside diameter")
    asked = inside("answer", *new, "--size", "100 mm", "--format", "json", "--book", str(tmp_path / "b"))
    refused(json.loads(asked.stdout), "only 1 part number on record")


def test_all_readings_equal(tmp_path: Path, inside: Loadbook) -> None:
    moved, effects, answer, trial = said(inside, fill(tmp_path / "b", HISTORY.assign(z=20.0)))
    assert "all equal" in moved and "no scatter to make an interval of" in moved
    told(effects, "all movements are equal")
    refused(answer, "every movement recorded is the same")
    assert "leave no scatter" in trial


def test_all_readings_of_a_part_number_equal(tmp_path: Path, inside: Loadbook) -> None:
    level = {p: 10.0 * i for i, p in enumerate(sorted(HISTORY["part"].unique()))}
    _, effects, answer, trial = said(inside, fill(tmp_path / "b", HISTORY.assign(z=HISTORY["part"].map(level))))
    told(effects, "the runs of every part number moved the same")
    refused(answer, "every piece of each part number moved the same")
    assert "leave no scatter" in trial


def test_figures_that_were_computed(tmp_path: Path, inside: Loadbook) -> None:
    """Movement that follows a setting to the last digit leaves nothing to judge an interval by."""
    _, effects, answer, trial = said(inside, fill(tmp_path / "b", HISTORY.assign(z=0.5 * HISTORY[RATE])))
    told([r for r in effects if r["parameter"] == RATE], "to the last digit")
    refused(answer, "to the last digit")
    assert "leave no scatter" in trial


def test_parameter_constant(tmp_path: Path, inside: Loadbook) -> None:
    """Every part number always at its own settings: nothing of the settings; the answer needs none."""
    still = HISTORY.assign(**{name: HISTORY.groupby("part")[name].transform("first") for name in SETTINGS})
    _, effects, answer, trial = said(inside, fill(tmp_path / "b", still))
    told(effects, "never changed inside a part number")
    assert answer["refused"] is None
    assert "never varied inside a part number" in trial


def test_every_run_a_different_part(tmp_path: Path, inside: Loadbook) -> None:
    others = HISTORY.assign(part=HISTORY["run"].str.replace("R", "PN-"))
    _, effects, answer, trial = said(inside, fill(tmp_path / "b", others), str(others["part"].iloc[0]))
    told(effects, "at least 6 are needed")
    refused(answer, "only 0 repeat a part number")
    assert "Nothing can be said yet of heating rate peak" in trial


def test_a_gauge_coarser_than_the_movement(tmp_path: Path, inside: Loadbook) -> None:
    moved, effects, answer, trial = said(inside, fill(tmp_path / "b", HISTORY, gauge_mm=0.5))
    assert "more than half of the movements are below what the gauge can tell" in moved
    told(effects, "smaller than their gauge's uncertainty")
    refused(answer, "smaller than their gauge's uncertainty")
    assert "smaller than their gauge's uncertainty" in trial


def test_readings_only_after(tmp_path: Path, inside: Loadbook) -> None:
    rows = tables(HISTORY)
    rows["reading"] = [r for r in rows["reading"] if r["stage"] == "after"]
    book = BookFolder.create(tmp_path / "b")
    with book.write() as conn:
        add_intake(conn, "test", rows, rows_read=1, taken_by="test")
    moved, effects, answer, trial = said(inside, book)
    assert "no before reading" in moved and "Nothing can be said of movement" in moved and effects == []
    refused(answer, "no before reading")
    assert "no piece of this kind has a movement on record" in trial


def test_a_hundred_parameters_for_twelve_runs(tmp_path: Path, inside: Loadbook) -> None:
    shop = Shop("plain", 30, 3, seed=2)
    shop.runs = 12
    few = shop.history()
    book = fill(tmp_path / "b", few)
    rng = np.random.default_rng(1)
    with book.write() as conn:
        conn.executemany(
            "INSERT INTO parameter (run, parameter, value, unit, source) VALUES (?, ?, ?, '', 'stated')",
            [(r, f"figure_{i:02d}", float(rng.normal())) for r in sorted(few["run"].unique()) for i in range(100)],
        )
    done = inside("effect", "C1", "--of", "all", "--format", "json", "--book", str(book.path))
    rows = json.loads(done.stdout)
    assert done.returncode == 0 and sum(r["parameter"].startswith("figure_") for r in rows) == 100
    assert all(r["verdict"].startswith(("Cannot tell", "Not settled")) for r in rows)
    assert min(r["p"] for r in rows if r["p"] is not None) < 0.05  # luck alone would have called some


def test_a_variance_component_of_zero(tmp_path: Path, inside: Loadbook) -> None:
    """As A-DYE2: runs that differ less than their pieces allow: their scatter is 'none seen', the answer stands."""
    pieces = HISTORY.assign(z=np.random.default_rng(3).normal(0.0, 5.0, len(HISTORY)))
    mean = pieces.groupby("run")["z"].transform("mean")
    moved, effects, answer, _ = said(inside, fill(tmp_path / "b", pieces.assign(z=pieces["z"] - 0.9 * mean)))
    line = next(row for row in moved.splitlines() if "  run  " in row)
    assert line.endswith("none seen")
    assert answer["refused"] is None and answer["high"] - answer["low"] == pytest.approx(2 * 1.645 * 4.6, rel=0.15)
    assert all(r["effect"] is not None and not r["verdict"].startswith("Goes") for r in effects)


def lots(folder: Path, count: int, read_after: int = 6) -> BookFolder:
    """A book with `count` lots of 40, eight read before and others after, 20 µm smaller, beside numbered pieces."""
    rows, rng = tables(HISTORY), np.random.default_rng(1)
    for k, run in enumerate(sorted(HISTORY["run"].unique())[:count]):
        lot = {"run": run, "part": PART, "serial": f"LOT-{k}", "quantity": 40, "setup": "laid", "condition": "from bar",
               "machining": "rough machined", "stock_mm": 1.0}  # fmt: skip
        rows["piece"].append(lot)
        like = {**rows["reading"][0], "part": PART, "serial": f"LOT-{k}", "run": run}
        for stage, mean, n in (("before", 100.0, 8), ("after", 99.98, read_after)):
            values = np.round(mean + rng.normal(0.0, 0.003, n), 6)
            rows["reading"] += [{**like, "stage": stage, "value_mm": float(v), "repeat": i + 1}
                                for i, v in enumerate(values)]  # fmt: skip
    book = BookFolder.create(folder)
    with book.write() as conn:
        add_intake(conn, "test", rows, rows_read=1, taken_by="test")
    return book


@pytest.mark.parametrize(("count", "read_after", "evidence"), [(3, 6, "runs"), (1, 6, "pieces of one run"), (1, 1, "")])
def test_lots_without_serials_are_compared_apart(
    tmp_path: Path, inside: Loadbook, count: int, read_after: int, evidence: str
) -> None:
    book = lots(tmp_path / "b", count, read_after)
    done = inside("moved", "--by", "setup", "--what", "lots", "--format", "json", "--book", str(book.path))
    (row,) = json.loads(done.stdout)
    assert (row["runs"], row["lots"], row["read_before"], row["read_after"]) == (
        count,
        count,
        8 * count,
        count * read_after,
    )
    assert row["evidence"] == evidence and row["difference"] == pytest.approx(-20.0, abs=6.0)
    if evidence:
        assert row["low"] < -20.0 < row["high"] and 0.3 < row["spread_ratio"] < 3.0
    else:
        assert row["low"] is None and "too few pieces read" in row["said"]
    shown = inside("moved", "--by", "setup", "--book", str(book.path))
    assert "Lots without serials, unpaired" in shown.stdout and "lot without serials" in shown.stdout
    table = json.loads(inside("moved", "--by", "setup", "--format", "json", "--book", str(book.path)).stdout)
    assert table[0]["pieces"] == len(HISTORY) and table[0]["set_aside"] == count


def test_the_interval_of_one_lot_is_that_of_two_groups_of_pieces() -> None:
    """By hand from the two groups: the same as `welch` on the pieces themselves."""
    from loadbook.analysis.movement.compare import welch
    from loadbook.analysis.movement.lots import lots as compared

    rng = np.random.default_rng(4)
    before, after = rng.normal(0.0, 3.0, 9), rng.normal(-20.0, 5.0, 6)
    frame = pd.DataFrame(
        {"run": ["R1"], "process": "stress relief", "kind": "length", "side": "outside", "unit": "um", "scale": "um",
         "set_aside": "lot without serials", "before_mm": before.mean() / 1000, "after_mm": after.mean() / 1000,
         "before_scatter_mm": before.std(ddof=1) / 1000, "after_scatter_mm": after.std(ddof=1) / 1000,
         "before_readings": 9, "after_readings": 6, "quantity": 40, "reference_length_mm": 100.0}
    )  # fmt: skip
    row = compared(frame, []).iloc[0]
    difference, low, high, *_ = welch(before, after, 0.95)
    assert [row["difference"], row["low"], row["high"]] == pytest.approx([difference, low, high])
    assert row["spread_ratio"] == pytest.approx(after.std(ddof=1) / before.std(ddof=1))
