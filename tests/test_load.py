"""The load against the cycle, the furnace and the day: each planted matter is found, and its good twin is not.

Titanium's limit in air: MIL-H-81200B (1991). The other limits are common practice, as `explain` and the remarks say.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from loadbook.analysis.clauses.recorded import SURVEY, survey_covers
from loadbook.analysis.planning.load import LoadFurnace, LoadPiece, load_findings
from loadbook.analysis.trace.model import FurnaceCheck
from loadbook.core.remarks import Remark
from loadbook.queries.judge import judge_run
from loadbook.queries.load_findings import of_last_intake
from loadbook.queries.remark_words import words
from loadbook.readers.cycles.file import parse_cycle
from loadbook.readers.tables.take import add_row, take_file
from loadbook.store.records import amend

from .runcase import cool, cycle, heat, hold
from .smallbook import put, run, small
from .test_shop_days import shop

RELIEF = parse_cycle(
    cycle(heat("620 C", rate_max="90 C/h"), hold("620 C", minutes=60), cool("100 C", rate_max="50 C/h"))
).cycle
HARDEN = replace(RELIEF, process="harden")
STEEL = LoadPiece("P1", "42CrMo4", "low-alloy steel", ("1", "2"), max_soak_c=680.0, tempered_at_c=660.0)
TITANIUM = LoadPiece("P2", "Ti-6Al-4V", "titanium alloy", ("1",))
IRON = LoadPiece("P3", "EN-GJL-250", "grey cast iron", ("1",))
SURVEYED = FurnaceCheck(SURVEY, "2026-01-10", "2026-07-10", 620.0, 4.0, True, "current")
FURNACE = LoadFurnace("F1", 8.0, 900.0, (SURVEYED,))


def codes(*pieces: LoadPiece, furnace: LoadFurnace = FURNACE, by: object = RELIEF, **more: object) -> list[str]:
    return [r.code for r in load_findings(by, more.pop("gas", ""), pieces, furnace, **more)]  # type: ignore[arg-type]


def test_a_load_that_suits_its_cycle_is_not_remarked_on() -> None:
    assert codes(STEEL) == []
    assert codes(replace(STEEL, tempered_at_c=None, max_soak_c=None)) == []


@pytest.mark.parametrize(
    ("piece", "gas", "found"),
    [
        (TITANIUM, "", ["reactive_in_air"]),  # the cycle's own air
        (TITANIUM, "vacuum", []),
        (TITANIUM, "argon", []),
        (TITANIUM, "vacuum, nitrogen backfill", ["reactive_in_gas"]),
        (LoadPiece("P", "Zr-702", "zirconium"), "air", ["reactive_in_air"]),
        (LoadPiece("P", "alloy 9", "special", reactive=True), "air", ["reactive_in_air"]),
        (LoadPiece("P", "alloy 9", "special", reactive=False), "air", []),
        (STEEL, "air", []),
    ],
)
def test_reactive_metal(piece: LoadPiece, gas: str, found: list[str]) -> None:
    assert codes(piece, gas=gas) == found


def test_a_cooling_counts_with_the_temperature_that_it_begins_at() -> None:
    vacuum = replace(RELIEF, atmosphere="vacuum", process="stress relief anneal")
    *rest, cooling = vacuum.segments
    assert codes(TITANIUM, by=vacuum) == []
    assert codes(TITANIUM, by=replace(vacuum, segments=(*rest, replace(cooling, atmosphere="nitrogen")))) == [
        "reactive_in_gas"
    ]
    assert codes(replace(STEEL, tempered_at_c=640.0), by=vacuum) == ["above_temper"]  # relief, whatever it is called


def test_titanium_in_air_below_its_limit_is_let_be_and_what_was_reached_counts() -> None:
    """1000 °F, 538 °C, is the usual limit without removing scale and case: MIL-H-81200B."""
    assert codes(TITANIUM, reached_c=530.0) == []
    (said,) = load_findings(RELIEF, "", [TITANIUM], FURNACE, reached_c=631.5)
    assert (said.code, said.figures["at_c"], said.figures["basis"]) == ("reactive_in_air", 631.5, "reached")
    assert "1168.7 °F" in words(said, "us") and "MIL-H-81200B" in words(said, "us") and "°C" not in words(said, "us")


@pytest.mark.parametrize(("tempered", "margin", "found"), [(651.0, 30.0, []), (649.0, 30.0, ["above_temper"]),
                                                         (649.0, 25.0, []), (None, 30.0, [])])  # fmt: skip
def test_the_last_temper_less_the_shop_s_margin(tempered: float | None, margin: float, found: list[str]) -> None:
    assert codes(replace(STEEL, tempered_at_c=tempered), margin_c=margin) == found


def test_a_hold_that_hardens_asks_for_no_margin_below_a_temper_and_no_subcritical_limit() -> None:
    for process, found in (("harden", []), ("quench and temper", []), ("stress relief anneal", ["above_temper"])):
        assert codes(replace(STEEL, tempered_at_c=600.0), by=replace(RELIEF, process=process)) == found
    assert codes(replace(STEEL, tempered_at_c=600.0, max_soak_c=600.0), by=HARDEN) == []
    aluminium = LoadPiece("P", "AlZn5.5MgCu", "aluminium", max_soak_c=480.0)
    assert codes(aluminium, by=replace(RELIEF, process="solution treatment")) == ["above_hottest_hold"]
    assert codes(replace(STEEL, max_soak_c=610.0)) == ["above_hottest_hold"]
    assert codes(replace(STEEL, max_soak_c=610.0), reached_c=475.0) == []  # aborted before it got there


def test_cast_iron() -> None:
    assert codes(IRON) == []  # 620 °C at most, 90 °C/h up, 50 °C/h down
    assert codes(IRON, reached_c=640.0) == ["cast_iron_hot"]
    quick = parse_cycle(
        cycle(heat("560 C", rate_max="150 C/h"), hold("560 C", minutes=60), cool("100 C", rate_max="90 C/h"))
    ).cycle
    found = load_findings(quick, "", [IRON], FURNACE)
    assert [(r.code, r.figures["kind"]) for r in found] == [("cast_iron_fast", "heat"), ("cast_iron_fast", "cool")]
    assert all(r.figures["source"] == "common practice" for r in found)
    assert "segment 1 allows 150 °C/h" in words(found[0], "si")
    asked = replace(quick, segments=tuple(replace(s, asked_rate_c_per_h=s.rate_max_c_per_h) for s in quick.segments))
    assert "segment 1 asks 150 °C/h" in words(load_findings(asked, "", [IRON], FURNACE)[0], "si")
    assert codes(STEEL, by=quick) == []


@pytest.mark.parametrize("family", ["", "-", "unknown", "Other"])
def test_a_family_that_says_nothing(family: str) -> None:
    assert codes(replace(STEEL, family=family)) == ["family_missing"]
    (said,) = load_findings(RELIEF, "", [replace(STEEL, family=family, material="own steel")], FURNACE)
    assert 'loadbook amend materials "own steel" family=' in words(said, "si")


def test_the_furnace() -> None:
    wide = replace(FURNACE, uniformity_c=14.0)
    (said,) = load_findings(RELIEF, "", [STEEL], wide)
    assert (said.code, said.figures["class_c"], said.figures["band_c"]) == ("furnace_wider", 14.0, 8.0)
    assert "±25.2 °F" in words(said, "us") and "±14.4 °F" in words(said, "us")
    assert codes(STEEL, furnace=replace(FURNACE, max_temp_c=600.0)) == ["furnace_too_hot"]


def late(kind: str = SURVEY, at_c: float | None = 620.0, state: str = "past due") -> FurnaceCheck:
    return FurnaceCheck(kind, "2025-06-01", "2025-12-01", at_c, 4.0, state != "failed", state)


@pytest.mark.parametrize(
    ("checks", "found"),
    [
        ((late(),), ["check_past_due"]),
        ((late(state="failed"),), ["check_failed"]),
        ((SURVEYED, late(at_c=300.0)), []),  # the one that counts for this hold is current
        ((replace(SURVEYED, at_c=300.0), late()), ["check_past_due", "survey_elsewhere"]),
        ((SURVEYED, late("system accuracy", None)), ["check_past_due"]),
        ((replace(SURVEYED, at_c=900.0),), ["survey_elsewhere"]),
        ((replace(SURVEYED, at_c=None),), []),
        ((), []),
    ],
)
def test_checks_of_the_day(checks: tuple[FurnaceCheck, ...], found: list[str]) -> None:
    assert codes(STEEL, furnace=replace(FURNACE, checks=checks)) == found


def test_what_a_survey_covers() -> None:
    """150 °F beside a survey and 600 °F between two: common practice, after SAE AMS2750 from memory."""
    made = [replace(SURVEYED, at_c=at) for at in (315.0, 620.0)]
    assert [survey_covers(made, at) for at in (200.0, 235.0, 450.0, 700.0, 710.0)] == [False, True, True, True, False]
    far = [replace(SURVEYED, at_c=at) for at in (300.0, 700.0)]
    assert survey_covers(far, 500.0) is False
    assert survey_covers([replace(SURVEYED, at_c=None)], 500.0) is None


# ---- on a book -----------------------------------------------------------------------------------------------------
@pytest.mark.parametrize(("zone", "found"), [("America/Chicago", []), ("Asia/Tokyo", ["check_past_due"])])
def test_past_due_by_the_shop_s_day(tmp_path: Path, zone: str, found: list[str]) -> None:
    """The 10th is the last day: 20:00 of the 10th in Chicago, 10:00 of the 11th in Tokyo."""
    book = shop(tmp_path / "book", zone)
    put(book, "furnace_check", {"furnace": "F1", "kind": SURVEY, "done_on": "2026-02-10", "due_on": "2026-03-10"})
    run(book, "R1", 10, started="2026-03-11T01:00:00Z", ended=None)
    assert [r.code for r in judge_run(book, "R1").load] == found


def test_at_intake_and_when_judged(tmp_path: Path) -> None:
    book = small(tmp_path / "book", units="us")
    put(book, "material", {"material": "Ti-6Al-4V", "family": "titanium", "max_soak_c": 600.0})
    put(book, "part", {"part": "T1", "material": "Ti-6Al-4V"})
    add_row(book, "runs", {"run": "R1", "furnace": "F1", "cycle": "-", "started": "2026-03-01T08:00"})
    file = tmp_path / "pieces.csv"
    file.write_text("run,part,serial,tempered_at_f\nR1,T1,1,1200\nR1,00123,2,\n", encoding="utf-8")
    take_file(book, "pieces", file)
    assert of_last_intake(book, "pieces") == ({}, 0)  # no cycle was asked and nothing was reached yet: nothing to say
    from loadbook.store.run_records import cycle_tables

    tables = cycle_tables(replace(RELIEF, cycle="SR-620", revision="A"), "")
    for table, rows in tables.items():
        put(book, table, *rows)
    run(book, "R2", 2, serials=(), cycle="SR-620")
    (file2 := tmp_path / "more.csv").write_text("run,part,serial\nR2,T1,1\nR2,00123,2\n", encoding="utf-8")
    take_file(book, "pieces", file2)
    found: dict[str, tuple[Remark, ...]] = of_last_intake(book, "pieces")[0]
    assert [r.code for r in found["R2"]] == ["reactive_in_air", "above_hottest_hold"]
    judged = judge_run(book, "R2")
    assert judged.load == found["R2"]
    rows = [r for r in judged.rows() if r["what"] == "load"]
    assert [r["name"] for r in rows] == ["reactive_in_air", "above_hottest_hold"]
    assert all("°F" in str(r["text"]) and "°C" not in str(r["text"]) for r in rows)


def test_the_shop_s_own_margin_is_a_setting(tmp_path: Path) -> None:
    book = small(tmp_path / "book")
    assert book.temper_margin_c == 30.0
    with book.write() as conn:
        row = conn.execute("SELECT setting_id FROM setting WHERE name = 'temper_margin_c'").fetchone()[0]
        amend(conn, "setting", "temper_margin_c", row, {"value": "15"}, "customer's specification")
    assert book.temper_margin_c == 15.0
