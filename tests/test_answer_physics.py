"""Where the history has no answer: what physics says of the mechanisms, in the text, for machines and in a letter."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from loadbook.queries import cycles, kept_answers
from loadbook.queries.answer import answer
from loadbook.queries.enquiry import Question
from loadbook.queries.letter.build import letter
from loadbook.store.records import add_intake
from tests.test_plan_told import CYCLE, make

WITH = {"heating_rate_peak_c_per_h": 100.0, "hold_mean_c": 600.0, "soak_minutes": 60.0,
        "cooling_rate_peak_c_per_h": 100.0}  # fmt: skip
NEW = Question(material="42CrMo4", shape="plate", kind="flatness", size_mm=400.0, section_mm=80.0, atmosphere="air",
               process="stress relief", settings=WITH)  # fmt: skip


def test_a_refusal_shows_the_checks_of_its_cycle(tmp_path: Path) -> None:
    """The same checks with the same numbers as `cycle plan` of that part and cycle; no figure of movement."""
    book = make(tmp_path / "book")
    with book.write() as conn:
        add_intake(conn, "test", {"characteristic": [{"part": "P", "characteristic": "flatness", "kind": "flatness",
                                                      "scale": "um"}]}, rows_read=1)  # fmt: skip
    found = answer(book, Question(part="P", cycle="SR"))
    planned = cycles.plan(book, "P", "SR", None, 15.0).mechanisms
    assert found.refused and found.physics is not None and planned is not None
    assert found.physics.checks == planned.checks and found.low is None
    lines = found.text[-len(planned.checks) - 1 :]
    assert lines[0] == "What physics says under SR revision 1 (checks of mechanism, no figure of movement):"
    assert lines[1].startswith("  section stress, does not act: segment 1, surface") and "elastic" in lines[1]
    assert any(line.startswith("  stress relief, acts: heating to 600 °C alone") for line in lines)
    kept = found.to_json()["physics"]
    assert kept["under"] == "SR revision 1" and kept["mechanisms"][0]["acts"] is False
    assert kept["mechanisms"][0]["sources"] and kept["mechanisms"][0]["figures"]["stress_mpa"] > 0
    halved = {"heating_rate_peak_c_per_h": 50.0, "cooling_rate_peak_c_per_h": 50.0}
    slower = answer(book, Question(part="P", cycle="SR", settings=halved)).physics
    assert slower is not None
    stress = [p.checks[0].said.figures["stress_mpa"] for p in (found.physics, slower)]
    assert stress[1] == pytest.approx(stress[0] / 2.0, rel=0.1)  # the settled lag goes with the rate


def test_a_new_part_is_its_material_section_and_settings(tmp_path: Path) -> None:
    book = make(tmp_path / "book")
    found = answer(book, NEW).physics
    assert found is not None and not found.missing and found.under == "the settings asked"
    thicker = answer(book, replace(NEW, section_mm=160.0)).physics
    assert thicker is not None
    stress = [p.checks[0].said.figures["stress_mpa"] for p in (found, thicker)]
    assert stress[1] > 2.5 * stress[0]  # the settled lag goes with the section squared
    assert {c.mechanism for c in found.checks} == {"section stress", "stress relief", "sag", "scale"}
    vacuum = answer(book, replace(NEW, atmosphere="vacuum")).physics
    assert vacuum is not None and "scale" not in {c.mechanism for c in vacuum.checks}


@pytest.mark.parametrize(
    ("left_out", "said"),
    [
        ({"section_mm": None}, "not without its thickest section (--section)."),
        ({"material": "unheard of"}, "not without a material of the book (--material)."),
        ({"settings": {}}, "not without the cycle (--cycle), or heating rate, hold temperature and soak (--with)."),
    ],
)
def test_what_is_missing_is_named(tmp_path: Path, left_out: dict[str, object], said: str) -> None:
    found = answer(make(tmp_path / "book"), replace(NEW, **left_out))  # type: ignore[arg-type]
    assert found.text[-1].endswith(said) and found.physics is not None and not found.physics.checks


def test_published_growth_stays_a_share(tmp_path: Path) -> None:
    """A length of a part would make of it a figure of movement: MMPDS-04, H900: 0.04 to 0.06 % shrinkage."""
    book = make(tmp_path / "book")
    with book.write() as conn:
        row = {"material": "X5CrNiCuNb16-4", "family": "stainless steel", "conductivity_w_mk": 17.0,
               "density_kg_m3": 7780.0, "specific_heat_j_kgk": 560.0, "cte_per_k": 10.9e-6}  # fmt: skip
        add_intake(conn, "test", {"material": [row]}, rows_read=1)
    asked = replace(NEW, material="X5CrNiCuNb16-4", process="age", settings={**WITH, "hold_mean_c": 482.0})
    found = answer(book, asked)
    text = next(line for line in found.text if line.startswith("  size change, acts"))
    assert "-0.06 to -0.04 % in length" in text and "µm" not in text
    number = kept_answers.save(book, found)
    lines = letter(book, number).lines("physics")
    assert "The metal itself: ageing changes its length by −0.06 % to −0.04 %, as published." in lines


def test_kinds_that_never_move_and_answers_have_none(tmp_path: Path) -> None:
    assert answer(make(tmp_path / "book"), replace(NEW, kind="hardness")).physics is None


@pytest.mark.parametrize("units", ["si", "us"])
def test_the_letter_tells_it_in_its_own_words(tmp_path: Path, units: str) -> None:
    book = make(tmp_path / "book", units)
    found = answer(book, NEW)
    lines = letter(book, kept_answers.save(book, found)).lines("physics")
    assert lines[0].endswith("none of them gives a figure for movement.")
    assert len(lines) == 4 and lines[1].startswith("Uneven heat: surface and middle of the section differ by")
    alike = " ".join([*lines, *found.text])
    foreign = ("°F", "ksi", "thousandths") if units == "si" else ("°C", "MPa", " mm", "µm")
    assert not [w for w in foreign if w in alike]
    assert CYCLE.cycle not in " ".join(lines) and "--" not in " ".join(lines)
