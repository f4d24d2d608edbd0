"""`moved`, `effect` and `confirm reading` as a user meets them: through take, on the command line, in JSON."""

from __future__ import annotations

import csv
import json
from collections.abc import Callable
from pathlib import Path
from subprocess import CompletedProcess
from typing import Any

import numpy as np
import pytest

from loadbook.core.errors import NotFoundError, UsageError
from loadbook.queries.effect import effect
from loadbook.queries.filters import Filters
from loadbook.queries.moved import moved
from loadbook.readers.tables.take import take_file
from loadbook.store.book import BookFolder

from .answerbook import fill
from .published import table
from .shops import SETTINGS, Shop

Loadbook = Callable[..., CompletedProcess[str]]
MOVED_KEYS = {
    "kind", "unit", "runs", "pieces", "median", "low", "high", "worst", "over_tolerance", "below_gauge", "set_aside",
}  # fmt: skip
EFFECT_KEYS = {
    "parameter", "unit", "effect", "effect_low", "effect_high", "p", "p_adjusted", "runs", "pieces", "parts",
    "range_low", "range_high", "confounded_with", "verdict",
}  # fmt: skip


def write(folder: Path, name: str, header: list[str], rows: list[list[Any]]) -> None:
    with (folder / f"{name}.csv").open("w", newline="", encoding="utf-8") as file:
        csv.writer(file).writerows([header, *rows])


@pytest.fixture(scope="module")
def gear_book(tmp_path_factory: pytest.TempPathFactory) -> str:
    """A-GEAR-HT taken in as a user would: one load, two setups, one reading per gear, in inches."""
    folder = tmp_path_factory.mktemp("gears")
    gears = list(table("gear_runout_laid_hung").itertuples(index=False))
    write(folder, "materials", ["material", "family"], [["carburising steel", "low-alloy steel"]])
    write(folder, "parts", ["part", "material"], [["gear", "carburising steel"]])
    kind = [["gear", "thrust face", "total runout"]]
    write(folder, "characteristics", ["part", "characteristic", "kind"], kind)
    write(folder, "furnaces", ["furnace", "atmosphere"], [["F1", "endothermic gas"]])
    write(folder, "runs", ["run", "furnace", "cycle", "started"], [["R1", "F1", "-", "1986-01-01T08:00"]])
    pieces = [["R1", "gear", f"{i:03d}", r[0]] for i, r in enumerate(gears)]
    write(folder, "pieces", ["run", "part", "serial", "setup"], pieces)
    readings = [["gear", f"{i:03d}", "thrust face", "after", f"{r[1] * 1e-4:.4f}"] for i, r in enumerate(gears)]
    write(folder, "readings", ["part", "serial", "characteristic", "stage", "value_in"], readings)
    with BookFolder.create(folder / "book", units="us") as book:
        for name in ("materials", "parts", "characteristics", "furnaces", "runs", "pieces", "readings"):
            take_file(book, name, folder / f"{name}.csv")
    return str(folder / "book")


def test_gears_laid_and_hung(gear_book: str, loadbook: Loadbook) -> None:
    """Vardeman & Jobe, chapter 1, example 1: 38 and 39 gears, means 12.6316 and 17.9487, 90 % interval 3.2 to 7.4."""
    words = ("moved", "--stage", "after", "--by", "setup", "--confidence", "0.90", "--book", gear_book)
    done = loadbook(*words, "--format", "json")
    assert done.returncode == 0 and "not movement" in done.stderr
    rows = {r["setup"]: r for r in json.loads(done.stdout)}
    assert set(rows["laid"]) >= MOVED_KEYS
    tenths = 2.54  # µm in 0.0001 in
    assert (rows["laid"]["pieces"], rows["hung"]["pieces"]) == (38, 39)
    assert rows["laid"]["mean"] / tenths == pytest.approx(12.6316, abs=5e-5)
    assert rows["hung"]["mean"] / tenths == pytest.approx(17.9487, abs=5e-5)
    assert (rows["laid"]["median"] / tenths, rows["hung"]["median"] / tenths) == pytest.approx((12.0, 18.0))
    (pair,) = json.loads(loadbook(*words, "--what", "differences", "--format", "json").stdout)
    assert (pair["b"], pair["a"]) == ("hung", "laid")
    assert (round(pair["low"] / tenths, 1), round(pair["high"] / tenths, 1)) == (3.2, 7.4)
    content = json.loads(loadbook(*words, "--what", "content", "--confidence", "0.95", "--format", "json").stdout)
    laid = next(r for r in content if r["setup"] == "laid")
    assert (laid["low"] / tenths, laid["high"] / tenths) == pytest.approx((3.136, 22.127), abs=1e-3)


def test_gears_as_movement_are_all_set_aside(gear_book: str, loadbook: Loadbook) -> None:
    done = loadbook("moved", "--by", "setup", "--book", gear_book)
    assert done.returncode == 0
    assert "no before reading" in done.stdout and "Nothing can be said of movement" in done.stderr
    said = loadbook("effect", "--book", gear_book)
    assert said.returncode == 0 and "77 no before reading" in said.stderr


def test_the_table_shows_n_first_in_the_books_units(gear_book: str, loadbook: Loadbook) -> None:
    done = loadbook("moved", "--stage", "after", "--by", "setup", "--book", gear_book)
    lines = done.stdout.splitlines()
    at = lines.index("Readings after the run (not movement): 1 run, 77 pieces, 1 part number")
    assert "thousandths (" in " ".join(lines[:at])
    header = lines[at + 1].split()
    assert header.index("runs") < header.index("pieces") < header.index("median")
    assert "0.001 in" in done.stdout and "µm" not in done.stdout


@pytest.fixture
def shop_book(tmp_path: Path) -> BookFolder:
    """40 runs of eight part numbers, asked settings; achieved ones stated from paper for half of the runs."""
    shop = Shop("setup", 30, seed=4)
    shop.runs = 40
    history = shop.history()
    book = fill(tmp_path / "shop", history)
    with book.write() as conn:
        for r in history.drop_duplicates("run").itertuples():
            for name in SETTINGS:
                source, algorithm = ("stated", None) if r.day < 365 else ("trace", "1")
                conn.execute(
                    "INSERT INTO parameter (run, parameter, value, unit, source, algorithm) VALUES (?, ?, ?, ?, ?, ?)",
                    (r.run, name, float(getattr(r, name)) + 2.0, "c_per_h", source, algorithm),
                )
    return book


def test_moved_of_a_shop(shop_book: BookFolder) -> None:
    found = moved(shop_book, by="setup")
    assert {r["setup"] for r in found.rows()} == {"laid", "hung"}
    assert sum(r["pieces"] for r in found.rows()) == found.pieces
    (pair,) = found.differences.to_dict("records")
    assert pair["evidence"] == "runs" and pair["runs_a"] + pair["runs_b"] == 40
    assert found.scatter["level"].tolist() == ["part", "run", "piece"]
    assert found.scatter["share"].sum() == pytest.approx(1.0)
    content = found.content.iloc[0]
    assert content["evidence"] == "runs" and content["low"] < content["high"]
    bands = moved(shop_book, by="heating_rate_peak_c_per_h:q3")
    assert len(bands.table) == 3 and bands.table["runs"].sum() == 40
    assert moved(shop_book, Filters(setup="hung"), by="setup").table["setup"].tolist() == ["hung"]


def test_effect_of_a_shop(shop_book: BookFolder) -> None:
    found = effect(shop_book, "C1")
    rows = {r["parameter"]: r for r in found.rows()}
    assert set(rows) == {*SETTINGS, "setup: hung"}
    assert set(rows["hold_mean_c"]) >= EFFECT_KEYS
    assert rows["setup: hung"]["effect"] == pytest.approx(12.0, abs=8.0)
    assert all(r["verdict"].endswith(".") for r in rows.values())
    assert 0.2 < rows["hold_mean_c"]["stated"] < 0.8 and "read off paper charts" in rows["hold_mean_c"]["verdict"]
    asked = effect(shop_book, "C1", of="hold_mean_c", asked=True)
    (one,) = asked.rows()
    assert one["stated"] == 0.0 and one["range_low"] == pytest.approx(rows["hold_mean_c"]["range_low"] - 2.0)
    assert effect(shop_book, "outside diameter", of="setup").rows()[0]["parameter"] == "setup: hung"


def test_words_that_do_not_fit_are_told_with_a_mend(shop_book: BookFolder) -> None:
    with pytest.raises(UsageError, match="soak_minutes"):
        effect(shop_book, of="soak_minute")
    with pytest.raises(NotFoundError, match="--part PN-none"):
        moved(shop_book, Filters(part="PN-none"))
    with pytest.raises(UsageError, match="twice"):
        effect(shop_book, "C1", Filters(characteristic="C2"))
    with pytest.raises(UsageError):
        moved(shop_book, confidence=95.0)
    with pytest.raises(UsageError):
        moved(shop_book, Filters(where="1 = 1) UNION SELECT * FROM read_csv('x') WHERE (true"))
    assert len(moved(shop_book, Filters(where="length_mm > 0 AND setup = 'hung'"), by="setup").table) == 1


def test_effect_on_the_command_line(shop_book: BookFolder, loadbook: Loadbook) -> None:
    path = str(shop_book.path)
    done = loadbook("effect", "C1", "--companions", "--book", path)
    assert done.returncode == 0, done.stderr
    assert "Effects inside part numbers (95 % interval)" in done.stdout
    assert "comparing runs of the same part number" in done.stdout
    as_json = json.loads(loadbook("effect", "C1", "--book", path, "--format", "json").stdout)
    assert set(as_json[0]) >= EFFECT_KEYS
    wrong = loadbook("effect", "--of", "speed", "--book", path)
    assert wrong.returncode == 2 and "no run has a parameter 'speed'" in wrong.stderr


def test_a_blunder_is_flagged_shown_both_ways_and_then_confirmed(shop_book: BookFolder, loadbook: Loadbook) -> None:
    conn = shop_book.read()
    run = conn.execute("SELECT run FROM reading GROUP BY run HAVING count(*) >= 8 ORDER BY run LIMIT 1").fetchone()[0]
    row = conn.execute("SELECT * FROM reading WHERE run = ? AND stage = 'after' LIMIT 1", (run,)).fetchone()
    path = str(shop_book.path)
    done = loadbook(
        "amend", "readings", f"#{row['reading_id']}", "value_mm=101.5", "--affirm", "--why", "test", "--book", path
    )
    assert done.returncode == 0, done.stderr
    told = moved(shop_book, by="process")
    assert told.flagged[["run", "serial"]].to_numpy().tolist() == [[run, row["serial"]]]
    (line,) = told.rows()
    assert line["worst"] > 1400 and abs(line["worst_without_flagged"]) < 200
    assert any("confirm reading" in w for w in told.warnings)
    touched = effect(shop_book, "C1", of="hold_mean_c").rows()[0]
    assert touched["effect_without_flagged"] is not None
    assert touched["effect_without_flagged"] != pytest.approx(touched["effect"])
    done = loadbook(
        "confirm", "reading", str(row["reading_id"]), "--decision", "refused", "--why", "measured again", "--book", path
    )
    assert done.returncode == 0 and "no longer suspected" in done.stderr
    assert moved(shop_book, by="process").flagged.empty
    done = loadbook("confirm", "reading", str(row["reading_id"]), "--why", "dial misread", "--book", path)
    assert done.returncode == 0
    after = moved(shop_book, by="process")
    assert after.flagged.empty and after.rows()[0]["worst"] < 200
    assert after.set_aside["reason"].tolist() == ["blunder confirmed"]
    missing = loadbook("confirm", "reading", "999999", "--why", "x", "--book", path)
    assert missing.returncode == 1 and "no reading 999999" in missing.stderr
    empty = loadbook("confirm", "reading", str(row["reading_id"]), "--why", " ", "--book", path)
    assert empty.returncode == 2 and "--why is empty" in empty.stderr
    # the parameters of this book were put in by hand, which verify tells; amending and confirming added nothing to that
    told_after = loadbook("verify", "--book", path).stdout
    assert told_after.count("wrong: ") == told_after.count("wrong: what was computed of run ") == 40


def test_a_gauge_coarser_than_the_movement_is_said(tmp_path: Path) -> None:
    book = fill(tmp_path / "coarse", Shop("plain", 30, seed=1).history(), gauge_mm=0.5)
    assert any("below what the gauge can tell" in w for w in moved(book).warnings)
    assert any("smaller than the gauge's" in w for w in effect(book, "C1", asked=True).warnings)


def test_settings_that_were_only_asked_lead_to_asked_and_not_to_more_measuring(tmp_path: Path) -> None:
    """20 measured runs without one trace: more pieces would not give a figure, `--asked` does."""
    book = fill(tmp_path / "asked", Shop("plain", 20, 4, seed=1).history())
    found = effect(book, "C1")
    for row in found.rows():
        assert row["refused_code"] == "effect_asked_alone" and "Measure pieces" not in row["verdict"]
        assert "is on record of 20 measured runs" in row["verdict"] and "Ask with --asked" in row["verdict"]
    assert not any("--asked" in w for w in found.warnings)  # said once
    with book.write() as conn:
        kept = conn.execute("SELECT run, parameter, value, unit, source FROM parameter").fetchall()
        conn.execute("DELETE FROM parameter")
    for row in [*effect(book, "C1").rows(), *effect(book, "C1", asked=True).rows()]:
        assert "on record of none of 20 measured runs. Take in their traces" in row["verdict"]
    with book.write() as conn:
        conn.executemany(
            "INSERT INTO parameter (run, parameter, value, unit, source) VALUES (?, ?, ?, ?, ?)",
            [tuple(r) for r in kept],
        )
    assert all(row["effect"] is not None for row in effect(book, "C1", asked=True).rows())
    with book.write() as conn:  # two runs with a trace do not change that
        conn.execute(
            "INSERT INTO parameter (run, parameter, value, unit, source, algorithm) "
            "SELECT run, parameter, value, unit, 'trace', '1' FROM parameter WHERE run IN (SELECT run FROM run LIMIT 2)"
        )
    assert "the furnace did of 2" in effect(book, "C1").rows()[0]["verdict"]


def test_form_errors_work_in_percent(tmp_path: Path) -> None:
    book = fill(tmp_path / "form", Shop("form", 30, seed=2).history(), scale="log")
    found = moved(book)
    assert found.table["unit"].unique().tolist() == ["percent"]
    assert np.isfinite(found.table["median"]).all()
    assert all("%" in r["verdict"] for r in effect(book, "flatness", asked=True).rows())


def test_moved_says_it_first_and_to_the_gauges_resolution(gear_book: str, loadbook: Loadbook, tmp_path: Path) -> None:
    told = loadbook("moved", "--stage", "after", "--by", "setup", "--book", gear_book).stdout
    first, _, rest = told.partition("\n\n")
    assert "hung less laid" in first and "38 pieces" in first.replace("\n", " ") and "Readings after" in rest
    from loadbook.analysis.movement.describe import resolution
    from loadbook.render.movement import to_resolution

    frame = {
        "y": [-36.55, -20.1], "unit": ["percent"] * 2, "movement_um": [-11.0, -6.0], "before_mm": [0.030, 0.030],
        "after_mm": [0.019, 0.024], "expanded_uncertainty_mm": [float("nan")] * 2,
    }  # fmt: skip
    import pandas as pd

    step = resolution(pd.DataFrame(frame))
    assert step == pytest.approx(100 / 30)  # 1 µm readings of 30 µm
    assert to_resolution(-36.55, "percent", "si", step) == -37.0


def test_effect_without_arguments_is_one_page(shop_book: BookFolder, loadbook: Loadbook, tmp_path: Path) -> None:
    from loadbook.render.movement import clearest, effects_sentence

    tried = [(0.3, 1.0), (0.0001, 0.0003), (None, None), (0.04, 0.08)]
    rows: list[dict[str, Any]] = [
        {
            "kind": f"kind {k}",
            "process": "age",
            "parameter": f"soak_{k}",
            "p": p,
            "p_adjusted": adjusted,
            "fit": "alone",
        }
        for k, (p, adjusted) in enumerate(tried)
    ]
    assert [r["kind"] for r in clearest(rows)] == ["kind 1", "kind 3", "kind 0"]
    said = effects_sentence(rows, 0.95, "si")
    assert said.startswith("1 of 4 go with movement") and "kind 1 (age)" in said and "1 have no figure" in said
    done = loadbook("effect", "--of", "all", "--book", str(shop_book.path))
    assert len(done.stdout.splitlines()) <= 60
