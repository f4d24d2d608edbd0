"""A parameter that does something else in another material: said, with a figure for each, not one for all."""

from __future__ import annotations

from pathlib import Path

import pytest

from loadbook.queries.effect import Effects, effect
from tests.answerbook import fill
from tests.shops import RATE
from tests.test_answer_apart import ran


def told(folder: Path, slopes: tuple[float, float]) -> Effects:
    return effect(fill(folder, ran(5, slopes=slopes)), of=RATE, asked=True)


def test_opposite_slopes_are_told_material_by_material(tmp_path: Path) -> None:
    found = told(tmp_path / "book", (6.0, -6.0))
    ((_, one),) = found.effects
    assert one.finding == "differs" and one.differs is not None and one.differs.figures["by"] == "material"
    levels = {level["level"]: level for level in one.differs.figures["levels"]}
    for name, slope in (("M0", 0.6), ("M1", -0.6)):
        assert levels[name]["low"] < slope < levels[name]["high"] and levels[name]["effect"] * slope > 0
    row = found.rows()[0]
    assert row["finding"] == "differs" and row["verdict"].startswith("Differs by material: ")
    assert " in M0, " in row["verdict"] and "true of none" in row["verdict"] and row["cautions"]


@pytest.mark.parametrize("slope", [6.0, 0.0])
def test_a_common_slope_is_one_figure(tmp_path: Path, slope: float) -> None:
    ((_, one),) = told(tmp_path / "book", (slope, slope)).effects
    assert one.differs is None and one.finding == ("goes_with" if slope else "cannot_tell")
