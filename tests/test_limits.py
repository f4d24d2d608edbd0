"""Thickness rules as a user enters them, against their published cases."""

from __future__ import annotations

import pytest

from loadbook.analysis.clauses.limits import resolve, rule_value, steps
from loadbook.analysis.trace.model import Limit, PieceRecord
from loadbook.core.errors import CalculationError
from loadbook.core.remarks import remark
from loadbook.core.units import c_diff_from_f_diff
from loadbook.core.vocabulary.clauses import UNIFORMITY_CLASSES
from loadbook.readers.cycles.file import parse_cycle

IN = 25.4
HEAT = Limit(1, "heating_rate", "max", 400.0, rule="rate/thickness", per_mm=IN, cap=400.0, floor=100.0)
COOL = Limit(2, "cooling_rate", "max", 500.0, rule="rate/thickness", per_mm=IN, cap=500.0, floor=100.0)


@pytest.mark.parametrize(
    ("inches", "heat", "cool"),
    [(0.5, 400, 500), (1, 400, 500), (1.25, 320, 400), (2, 200, 250), (3, 400 / 3, 500 / 3), (4, 100, 125),
     (5, 100, 100), (6, 100, 100)],
)  # fmt: skip
def test_rate_from_thickness(inches: float, heat: float, cool: float) -> None:
    """B-UCS56: ASME BPVC VIII-1 UCS-56(e), US figures in °F/h; from memory in part. A limit is data the user enters."""
    assert rule_value(HEAT, inches * IN) == pytest.approx(heat, rel=1e-9)
    assert rule_value(COOL, inches * IN) == pytest.approx(cool, rel=1e-9)


SOAK = Limit(3, "soak", "min", 60.0, rule="time*thickness", per_mm=IN, floor=15.0, knee_mm=2 * IN, value_beyond=15.0)
SOAK_P4 = Limit(4, "soak", "min", 60.0, rule="time*thickness", per_mm=IN, floor=15.0, knee_mm=5 * IN, value_beyond=15.0)


@pytest.mark.parametrize(
    ("thick_mm", "hours"), [(5, 0.25), (12.7, 0.5), (25.4, 1), (50.8, 2), (76.2, 2.25), (127, 2.75)]
)
def test_soak_from_thickness(thick_mm: float, hours: float) -> None:
    """B-UCS56-T: ASME VIII-1 Table UCS-56, P-No. 1."""
    assert rule_value(SOAK, thick_mm) == pytest.approx(60.0 * hours, rel=1e-9)


def test_soak_from_thickness_with_a_later_knee() -> None:
    """B-UCS56-T: P-No. 4, 1 h/in to 5 in, then 5 h and 15 min for each further inch."""
    assert rule_value(SOAK_P4, 5 * IN) == pytest.approx(300.0)
    assert rule_value(SOAK_P4, 7 * IN) == pytest.approx(330.0)


@pytest.mark.parametrize(
    ("inches", "fraction", "proportion"), [(0.75, 60, 45), (1.25, 120, 75), (2.00, 120, 120), (2.01, 180, 120.6)]
)
def test_per_inch_or_fraction(inches: float, fraction: float, proportion: float) -> None:
    """B-PERINCH: 60 min per inch "or fraction thereof", and by proportion (a forum report of an auditor's reading)."""
    rule = Limit(1, "soak", "min", 60.0, rule="time*thickness", per_mm=IN, rounding="fraction")
    assert rule_value(rule, inches * IN) == pytest.approx(fraction)
    by_share = Limit(1, "soak", "min", 60.0, rule="time*thickness", per_mm=IN)
    assert rule_value(by_share, inches * IN) == pytest.approx(proportion)


NAVSEA = """
[cycle]
id = "N"
revision = "1"
title = "t"
process = "stress relief"
atmosphere = "air"
[[segment]]
kind = "cool"
[limits]
spread_heating = "250 F diff"
spread_cooling = "250 F diff"
spread_hold = "100 F diff"
[[limit]]
quantity = "cooling_rate"
max = "200 F/h"
above = "800 F"
floor = "100 F/h"
rule = "rate/thickness"
per = "1 in"
cap = "200 F/h"
"""


def test_another_public_rule_set_is_entered_as_it_stands() -> None:
    """B-NAVSEA: NAVSEA S9074-AR-GIB-010/278, 8.5.3 to 8.5.7: cooling above 800 F at 200 F/h at most, no rate need be
    below 100 F/h; 250 F while heating and cooling, 100 F during the hold."""
    limits = {(x.quantity, x.phase): x for x in parse_cycle(NAVSEA).cycle.limits}
    assert limits["spread", "heating"].value == pytest.approx(138.889, abs=5e-4)
    assert limits["spread", "hold"].value == pytest.approx(55.556, abs=5e-4)
    cooling = limits["cooling_rate", "cooling"]
    assert cooling.above_c == pytest.approx(426.667, abs=5e-4)
    for inches, f_per_h in ((0.5, 200.0), (1.0, 200.0), (1.6, 125.0), (3.0, 100.0)):
        assert rule_value(cooling, inches * IN) == pytest.approx(c_diff_from_f_diff(f_per_h))


def test_uniformity_classes_are_data_and_not_each_others_conversion() -> None:
    """B-CLASS: SAE AMS2750 (F edition wording): classes 1 to 6, plus or minus."""
    assert [UNIFORMITY_CLASSES[n][0] for n in range(1, 7)] == [3, 6, 8, 10, 14, 28]
    assert [UNIFORMITY_CLASSES[n][1] for n in range(1, 7)] == [5, 10, 15, 20, 25, 50]


def test_the_thickest_piece_decides_and_an_unknown_one_leaves_it_open() -> None:
    thick = [PieceRecord("A", "1", 25.4), PieceRecord("B", "1", 50.8)]
    found = resolve(HEAT, thick)
    assert (found.value, found.part, found.thickness_mm) == (200.0, "B", 50.8)
    unknown = resolve(HEAT, [*thick, PieceRecord("C", "1")])
    assert unknown.value is None and unknown.missing == remark("section_not_known", parts=["C"])
    assert resolve(HEAT, []).value is None
    assert resolve(Limit(1, "spread", "max", 40.0), []).value == 40.0


def test_rules_that_are_none() -> None:
    with pytest.raises(CalculationError, match="per which thickness"):
        rule_value(Limit(1, "soak", "min", 60.0, rule="time*thickness"), 10.0)
    with pytest.raises(CalculationError, match="no rule"):
        rule_value(Limit(1, "soak", "min", 60.0, rule="squared", per_mm=1.0), 10.0)
    with pytest.raises(CalculationError, match="above zero"):
        steps(0.0, 25.4, "proportion")
