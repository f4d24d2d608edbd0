"""A group of one plant is that plant's book, and two plants are one book with the records of both."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from loadbook.cli.main import cli
from loadbook.core.errors import NotFoundError, UsageError
from loadbook.group.publish import publish
from loadbook.queries.answer import answer
from loadbook.queries.effect import effect
from loadbook.queries.enquiry import Question
from loadbook.queries.filters import Filters
from loadbook.queries.moved import moved
from loadbook.queries.plants import GroupSource
from loadbook.queries.result import records
from loadbook.queries.source import BookSource
from loadbook.queries.sql import ask_sql
from loadbook.store.book import BookFolder

from .groupcase import EVERYTHING
from .smallbook import put, reading, small

QUESTIONS = {
    "moved": ["moved", "--process", "stress relief"],
    "moved, a condition and bands": [
        "moved", "--where", "length_mm > 300 AND setup LIKE '%?%' IS NOT NULL", "--since", "2025-01-01", "--by",
        "shape,heating_rate_peak_c_per_h:q3",
    ],
    "moved, plain readings": ["moved", "--kind", "flatness", "--stage", "after", "--by", "setup"],
    "moved, scatter": ["moved", "--what", "scatter", "--kind", "flatness"],
    "moved, differences": ["moved", "--what", "differences", "--by", "setup"],
    "moved, blunders": ["moved", "--what", "flagged"],
    "moved, content": ["moved", "--what", "content", "--kind", "flatness", "--content", "0.9"],
    "effect": ["effect", "flatness", "--process", "stress relief", "--companions"],
    "effect, all asked": ["effect", "flatness", "--of", "all", "--asked", "--confidence", "0.9"],
    "answer": ["answer", "--part", "PN-1004", "--characteristic", "flatness", "--setup", "stood",
               "--process", "stress relief"],
    "answer, a new part": ["answer", "--material", "4140", "--shape", "ring", "--kind", "flatness",
                           "--process", "stress relief", "--content", "0.8", "--scale", "um"],
    "report": ["report", "heating_rate_bands", "slow=60", "fast=200 F/h"],
    "report, the list": ["report"],
    "report, about": ["report", "broken_clauses", "--about"],
    "sql": ["sql", "SELECT part, count(*) AS n, median(movement_um) AS m FROM movement GROUP BY part ORDER BY part"],
    "nothing": ["moved", "--part", "PN-1O04"],
}  # fmt: skip


AS_READ = ("moved, differences", "effect", "answer", "answer, a new part", "report, about")  # their text too


@pytest.fixture(scope="module")
def one(demo_book: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Path, str]]:
    """The demo's book, and a group of it alone, nothing left out."""
    target = str(tmp_path_factory.mktemp("one") / "group")
    with BookFolder.open(demo_book) as book:
        publish(book, target, "Linz", EVERYTHING)
    yield demo_book, target


def at_the_shell(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str, str]:
    code = 0
    try:
        cli(list(words), standalone_mode=False)
    except SystemExit as end:
        code = int(end.code or 0)
    told = capsys.readouterr()
    return code, told.out.replace("Linz/", ""), told.err


def same(a: Any, b: Any) -> bool:
    """Whether two values of JSON are the same, but for the order in which an engine sums."""
    if isinstance(a, dict):
        return list(a) == list(b) and all(same(a[k], b[k]) for k in a)
    if isinstance(a, list):
        return len(a) == len(b) and all(map(same, a, b))
    if isinstance(a, float):
        return math.isclose(a, b, rel_tol=1e-9, abs_tol=1e-9)
    return bool(a == b)


def without_plants(told: Any) -> Any:
    """What a group's JSON has beside a book's: which plants it rests on."""
    for row in told if isinstance(told, list) else [told]:
        row.pop("plants", None)
    return told


SELDOM = ("bands", "differences", "plain readings", "scatter", "blunders", "content", "all asked", "a new part")


@pytest.mark.parametrize(
    "name", [pytest.param(n, marks=pytest.mark.thorough) if n.endswith(SELDOM) else n for n in QUESTIONS]
)
def test_one_plant_is_its_book(
    name: str, one: tuple[Path, str], capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """JSON with its sentences, and the exit code."""
    book, target = one
    monkeypatch.chdir(book)
    command, *words = QUESTIONS[name]
    code, told, said = at_the_shell(capsys, command, *words, "--format", "json")
    group_code, group_told, group_said = at_the_shell(capsys, "group", command, target, *words, "--format", "json")
    assert group_code == code
    if name == "nothing":
        assert group_code == 1
        assert said.replace("The book", "The group") == group_said
        return
    assert code == 0
    assert same(json.loads(told), without_plants(json.loads(group_told)))
    lines = [line for line in group_said.splitlines() if not line.startswith("Evidence from Linz")]
    assert said.splitlines() == lines


@pytest.mark.parametrize(
    "name", [n if n == "report, about" else pytest.param(n, marks=pytest.mark.thorough) for n in AS_READ]
)
def test_one_plant_reads_as_its_book(
    name: str, one: tuple[Path, str], capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """What a person reads, but for how its words are spaced."""
    book, target = one
    monkeypatch.chdir(book)
    command, *words = QUESTIONS[name]
    _, told, _ = at_the_shell(capsys, command, *words)
    _, group_told, _ = at_the_shell(capsys, "group", command, target, *words)
    kept = [line for line in group_told.splitlines() if not line.startswith("Evidence from Linz")]
    assert told.split() == "\n".join(kept).split() != []


@pytest.mark.thorough
def test_a_chart_of_a_group(one: tuple[Path, str], tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for command in ("moved", "effect"):
        where = tmp_path / f"{command}.svg"
        words = ["--kind", "flatness", "--process", "stress relief", "--chart", str(where)]
        assert at_the_shell(capsys, "group", command, one[1], *words)[0] == 0
        assert where.read_text(encoding="utf-8").startswith("<svg")


def fill(book: BookFolder, lead: str, seed: int) -> None:
    """Twelve runs of two part numbers, laid / turned and hung, at rates of their own; one reading is a blunder."""
    rng = np.random.default_rng(seed)
    put(book, "part", {"part": f"P-{lead}", "material": "steel", "shape": "ring", "section_thick_mm": 30.0})
    put(
        book, "characteristic",
        {"part": f"P-{lead}", "characteristic": "od", "kind": "outside diameter", "reference_length_mm": 100.0,
         "scale": "um"},
    )  # fmt: skip
    rows: dict[str, list[dict[str, Any]]] = {"run": [], "piece": [], "parameter": [], "reading": []}
    for number in range(12):
        name, day = f"{lead}{number + 1:02}", f"2026-{1 + number // 4:02}-{3 + 6 * (number % 4) + seed:02}"
        rate, luck = float(rng.uniform(40, 160)), rng.normal(0, 3)
        rows["run"].append({"run": name, "furnace": "F1", "cycle": "SR", "cycle_revision": "A", "status": "done",
                            "started": f"{day}T08:00:00Z", "ended": f"{day}T18:00:00Z"})  # fmt: skip
        rows["parameter"].append({"run": name, "parameter": "heating_rate_peak_c_per_h", "value": rate,
                                  "unit": "c_per_h", "source": "stated"})  # fmt: skip
        for serial in range(int(rng.integers(4, 6))):
            part = f"P-{lead}" if (number + serial) % 3 == 0 else "00123"
            key = {"part": part, "serial": f"{lead}{number}-{serial}"}
            setup = "hung" if serial % 2 else "laid / turned"
            rows["piece"].append({"run": name, **key, "quantity": 1, "setup": setup})
            moved_um = 20 + 0.1 * rate + luck + rng.normal(0, 4) + 900 * (number == 7 and serial == 0)
            for stage, value in (("before", 100.0), ("after", 100.0 + moved_um / 1000)):
                rows["reading"].append(reading(name, stage, value, None, **key))
    for table, found in rows.items():
        put(book, table, *found)


@pytest.fixture(scope="module")
def two(tmp_path_factory: pytest.TempPathFactory) -> tuple[BookFolder, str]:
    """One book with the records of two plants, and a group of the two."""
    folder = tmp_path_factory.mktemp("two")
    pooled = small(folder / "pooled")
    for number, (plant, lead) in enumerate((("Linz", "A"), ("Steyr", "B"))):
        book = small(folder / plant)
        for each in (book, pooled):
            fill(each, lead, number)
        publish(book, str(folder / "group"), plant, EVERYTHING)
    return pooled, str(folder / "group")


def test_a_condition_only_compares(two: tuple[BookFolder, str], capsys: pytest.CaptureFixture[str]) -> None:
    for text in ("read_text('x') = ''", "1) OR (1", "(SELECT 1) = 1"):
        code, _, said = at_the_shell(capsys, "group", "moved", two[1], "--where", text)
        assert code == 2, text
        assert "condition" in said


def plain(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """Rows without the plants' names."""
    text = json.dumps(records(frame.drop(columns="plants", errors="ignore")), default=str)
    found: list[dict[str, Any]] = json.loads(text.replace("Linz/", "").replace("Steyr/", ""))
    return sorted(found, key=str)


TABLES = ("table", "differences", "content", "scatter", "set_aside", "flagged", "lots")


def test_two_plants_are_the_pooled_book(two: tuple[BookFolder, str]) -> None:
    book, target = two
    by = ["setup", "heating_rate_peak_c_per_h:90"]
    pooled, group = moved(book, Filters(), by), moved(GroupSource(target), Filters(), by)
    assert len(pooled.table) == 4
    assert len(pooled.flagged) == 2
    for name in TABLES:
        assert all(same(*pair) for pair in zip(plain(getattr(pooled, name)), plain(getattr(group, name)), strict=True))
    assert group.table["plants"].tolist() == [2] * 4
    assert group.plants is not None
    linz, steyr = (p["pieces"] for p in group.plants)
    assert linz + steyr == pooled.pieces
    assert group.warnings[0] == f"Evidence from Linz (12 runs, {linz} pieces), Steyr (12 runs, {steyr} pieces)."
    assert group.warnings[1:] == pooled.warnings


def test_a_treatment_with_a_stroke_stays_whole(two: tuple[BookFolder, str]) -> None:
    """Labels are put together with ' / ', and one that holds it is quoted."""
    found = moved(GroupSource(two[1]), Filters(), ["setup", "plant"])
    assert set(found.table["setup"]) == {"hung", "laid / turned"}
    assert {*found.differences["a"], *found.differences["b"]} == {
        f"{setup} / {plant}" for setup in ("hung", '"laid / turned"') for plant in ("Linz", "Steyr")
    }


def test_effects_stay_inside_a_plant(two: tuple[BookFolder, str]) -> None:
    """Of part numbers that only one plant makes, as pooled; of the part that both make, each plant's own is one."""
    book, target = two
    only = Filters(part="P-A,P-B")
    pooled, group = effect(book, "od", only), effect(GroupSource(target), "od", only)
    assert all(same(*pair) for pair in zip(plain(pooled.table), plain(group.table), strict=True))
    shared = Filters(part="00123")
    assert effect(book, "od", shared).table["parts"].max() == 1
    both = effect(GroupSource(target), "od", shared)
    assert both.table["parts"].max() == 2
    assert "what differs between plants is in no effect" in " ".join(both.warnings)


def test_an_answer_of_two_plants_rests_on_both(two: tuple[BookFolder, str]) -> None:
    """Runs, pieces and advice as pooled; the interval is not, since what plants differ by is in it."""
    book, target = two
    question = Question(part="00123", characteristic="od", settings={"heating_rate_peak_c_per_h": 90.0})
    pooled, group = answer(book, question), answer(GroupSource(target), question)
    assert pooled.refused is None
    assert group.refused is None
    for name in ("runs", "pieces", "parts", "unit"):
        assert getattr(group, name) == getattr(pooled, name)
    assert [p["plant"] for p in group.plants or []] == ["Linz", "Steyr"]
    for name in ("atmosphere", "thermocouples"):
        assert group.advice[name] == pooled.advice[name]
    assert group.advice["cycle"] is None, "the cycles of one plant are not compared with another's"
    assert "Asked of " in group.text[-1]


def test_filters_of_a_group(two: tuple[BookFolder, str]) -> None:
    source = GroupSource(two[1], plant="Steyr")
    found = moved(source, Filters(furnace="Steyr/F1"), ["plant"])
    assert found.table["plant"].tolist() == ["Steyr"]
    assert list(ask_sql(source, "SELECT DISTINCT plant FROM runs").rows()) == [("Steyr",)]
    assert {str(r[0]) for r in ask_sql(GroupSource(two[1]), "SELECT plant FROM runs").rows()} == {"Linz", "Steyr"}
    with pytest.raises(UsageError, match="a plant's own"):
        moved(source, Filters(furnace="F1"))
    with pytest.raises(NotFoundError, match="--part P-9, --plant Steyr") as nothing:
        moved(source, Filters(part="P-9"))
    assert "The group has no part 'P-9'" in str(nothing.value)
    with pytest.raises(UsageError, match="no plant 'Graz'"):
        GroupSource(two[1], plant="Graz")


def test_dates_are_on_the_shops_clock(two: tuple[BookFolder, str]) -> None:
    """An hour before midnight in UTC is the next day in Madrid, for whoever asks."""
    book, target = two
    day = Filters(since="2026-01-03", until="2026-01-03")
    assert BookSource(book).condition(day, {"started"}) == GroupSource(target).condition(day, {"started"})


def test_what_cycles_ask_is_read_once_for_all_plants(
    two: tuple[BookFolder, str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A hundred plants have a hundred cycles of one name: an enquiry for each would open every table as often."""
    read: list[set[str]] = []
    records = GroupSource.records
    monkeypatch.setattr(GroupSource, "records", lambda source, needs: read.append({*needs}) or records(source, needs))
    effect(GroupSource(two[1]), "od", Filters(part="00123"))
    assert sum("cycle_segment" in needs for needs in read) == 1
    assert not any("run" in needs for needs in read if "cycle_segment" in needs)
