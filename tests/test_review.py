"""Every remark of a review: one change of a good cycle or part provokes it alone, the good one does not."""

from __future__ import annotations

from dataclasses import replace

import pytest

from loadbook.analysis.planning.review import Found, Subject, ac1_c, review
from loadbook.analysis.trace.model import Cycle, Limit, Segment
from loadbook.queries.review_words import Said, said
from loadbook.readers.cycles.file import parse_cycle

GOOD = parse_cycle(
    """
[cycle]
id = "G"
revision = "1"
title = "Stress relief in vacuum"
process = "stress relief"
atmosphere = "vacuum"
[[segment]]
kind = "heat"
target = "150 C"
asked_rate = "250 C/h"
rate_max = "300 C/h"
[[segment]]
kind = "hold"
target = "150 C"
minutes = 30
band_low = "10 C diff"
band_high = "10 C diff"
[[segment]]
kind = "heat"
target = "600 C"
asked_rate = "150 C/h"
rate_max = "200 C/h"
[[segment]]
kind = "hold"
target = "600 C"
minutes = 90
band_low = "10 C diff"
band_high = "10 C diff"
[[segment]]
kind = "cool"
asked_rate = "150 C/h"
rate_max = "160 C/h"
rate_min = "100 C/h"
may_slow_below = "425 C"
[limits]
spread_hold = "15 C diff"
lead = "100 C diff"
over_temperature = "630 C"
start_control = "40 C"
pressure = "1e-2 mbar"
backfill = "230 C"
door = "50 C"
work_tcs = 4
longest_gap = "5 min"
[[limit]]
quantity = "soak"
segment = 4
min = "60 min"
rule = "time*thickness"
per = "25.4 mm"
floor = "30 min"
"""
).cycle
SOAKING = tuple(replace(x, event="soak start") if x.quantity == "spread" else x for x in GOOD.limits)
BURNING = replace(GOOD, limits=tuple(replace(x, value=120.0) if x.event == "door opened" else x for x in GOOD.limits))
PART = Subject(
    "P", "42CrMo4", "low-alloy steel", "ring", 30.0, 10.0, tempered_at_c=650.0, max_soak_c=680.0,
    pct=(("c", 0.41), ("mn", 0.75), ("si", 0.25), ("cr", 1.05), ("mo", 0.2)), conditions=("forged",),
    operations=("machining",),
)  # fmt: skip


def read(found: list[Found], system: str = "si") -> list[Said]:
    return [said(one, system) for one in found]


def names(cycle: Cycle = GOOD, part: Subject | None = PART) -> list[str]:
    return [r.name for r in read(review(cycle, [part] if part else []))]


def without(*quantities: str, event: str | None = None) -> Cycle:
    kept = [x for x in GOOD.limits if x.quantity not in quantities and (event is None or x.event != event)]
    return replace(GOOD, limits=tuple(kept))


def limit(quantity: str, value: float) -> Cycle:
    return replace(GOOD, limits=tuple(replace(x, value=value) if x.quantity == quantity else x for x in GOOD.limits))


def segment(number: int, **change: object) -> Cycle:
    new = [replace(s, **change) if s.number == number else s for s in GOOD.segments]  # type: ignore[arg-type]
    return replace(GOOD, segments=tuple(new))


def test_a_good_cycle_for_a_part_it_suits_has_no_remark() -> None:
    assert names() == []


@pytest.mark.parametrize(
    ("remark", "cycle"),
    [
        ("no start temperature", without("start_control")),
        ("no ramp limit", segment(1, rate_max_c_per_h=None)),
        ("contradiction", segment(3, asked_rate_c_per_h=210.0)),
        ("contradiction", segment(5, asked_rate_c_per_h=90.0)),  # slower than rate_min
        ("contradiction", limit("over_temperature", 605.0)),  # the hold's band reaches 610
        ("contradiction", replace(segment(4, band_low_c=2.0, band_high_c=2.0), limits=SOAKING)),  # 15 in a band of 4
        ("contradiction", limit("over_temperature", 590.0)),
        ("contradiction", segment(3, target_c=500.0)),  # behind it the hold is at 600
        ("no band", segment(2, band_high_c=None)),
        ("no soak time", segment(2, minutes=None)),
        ("no ramp limit", replace(GOOD, segments=GOOD.segments[:4], limits=without("cooling_rate").limits)),
        ("no backfill temperature", without(event="gas backfill")),
        ("no door temperature", without(event="door opened")),
        ("no spread limit", without("spread")),
        ("no lead limit", without("lead")),
        ("no fewest work TCs", without("work_tcs")),
        ("no longest gap", without("gap")),
        ("no pressure limit", without("pressure")),
        ("soak short for the section", segment(4, minutes=45.0)),
        (
            "contradiction",  # a heat that goes down: 150 to 100 °C
            replace(
                GOOD,
                segments=(
                    *GOOD.segments[:2],
                    Segment(3, "heat", 100.0, 100.0, 200.0),
                    replace(GOOD.segments[2], number=4),
                    *(replace(s, number=s.number + 1) for s in GOOD.segments[3:]),
                ),
                limits=tuple(x for x in GOOD.limits if x.segment is None),
            ),
        ),
        (
            "contradiction",  # the door opens hotter than gas may come in
            replace(
                GOOD, limits=tuple(replace(x, value=40.0) if x.event == "gas backfill" else x for x in GOOD.limits)
            ),
        ),
        (
            "limit never binds",  # may slow below 620 °C, and cooling begins at 600: the slowest rate is none
            replace(GOOD, limits=tuple(replace(x, above_c=620.0) if x.above_c else x for x in GOOD.limits)),
        ),
        ("limit never binds", segment(3, rate_below_c=140.0)),
        ("door temperature burns", BURNING),
        (
            "no low hold",
            replace(
                GOOD,
                segments=tuple(s for s in GOOD.segments if s.number > 2),
            ),
        ),
    ],
)  # fmt: skip
def test_what_a_cycle_does_not_say_or_contradicts(remark: str, cycle: Cycle) -> None:
    assert names(cycle) == [remark]


@pytest.mark.parametrize(
    ("remark", "part"),
    [
        ("above tempering", replace(PART, tempered_at_c=620.0)),
        ("near or above Ac1", replace(PART, ac1_c=620.0)),
        ("above the material's hottest hold", replace(PART, max_soak_c=605.0)),
        ("temper embrittlement", replace(PART, pct=(("c", 0.4), ("cr", 1.0)), ac1_c=740.0)),
        ("Ac1 not known", replace(PART, pct=())),
        ("Ac1 not known", replace(PART, pct=(("c", 0.01), ("mn", 0.05), ("si", 0.05), ("ni", 18.0)))),  # Andrews: 420
        ("plating or braze", replace(PART, operations=("nickel plating",))),
        ("plating or braze", replace(PART, conditions=("chrome-plated",))),
        ("volatile metal in vacuum", replace(PART, family="brass", tempered_at_c=None, pct=())),
        ("soak by section unknown", replace(PART, section_thick_mm=None)),
    ],
)
def test_what_a_cycle_would_do_to_a_part(remark: str, part: Subject) -> None:
    cycle = segment(5, asked_rate_c_per_h=60.0, rate_max_c_per_h=90.0) if remark == "temper embrittlement" else GOOD
    if remark == "temper embrittlement":
        cycle = replace(cycle, limits=tuple(x for x in cycle.limits if x.quantity != "cooling_rate"))
        assert names(cycle, PART) == []  # with molybdenum the same slow cooling is no remark
    assert names(cycle, part) == [remark]


def test_a_band_narrower_than_the_furnace_is_surveyed_to() -> None:
    assert review(GOOD, [PART], furnaces=[("F1", 8.0), ("F2", 10.0)]) == []
    found = review(GOOD, [PART], furnaces=[("F1", 8.0), ("F3", 14.0)])
    assert [(r.name, r.where) for r in read(found)] == [
        ("band narrower than the furnace", f"segment {n}") for n in (2, 4)
    ]
    assert read(found)[0].remark == "the band is ±10 °C; F3 is surveyed to ±14 °C"
    assert read(found, "us")[0].remark == "the band is ±18 °F; F3 is surveyed to ±25 °F"


@pytest.mark.parametrize(("system", "at", "burns"), [("si", "120 °C", "60 °C"), ("us", "248 °F", "140 °F")])
def test_a_door_that_burns_is_said_in_the_readers_units(system: str, at: str, burns: str) -> None:
    (remark,) = read(review(BURNING, [PART]), system)
    assert at in remark.remark and burns in remark.why


STAINLESS = Subject("S", "1.4301", "austenitic stainless steel", section_thick_mm=20.0, pct=(("c", 0.06), ("cr", 18.0)))


def test_sensitising_range_crossed_slowly() -> None:
    slow = segment(4, minutes=180.0)
    assert names(slow, STAINLESS) == ["sensitising range"]
    assert names(slow, replace(STAINLESS, pct=(("c", 0.02),))) == []


def test_aluminium_temper_lost() -> None:
    aluminium = Subject("A", "6061-T6", "aluminium", section_thick_mm=20.0)
    assert names(GOOD, aluminium) == ["aluminium temper lost"]
    for process in ("solution treatment", "precipitation hardening"):
        assert names(replace(GOOD, process=process), aluminium) == []


def test_metal_that_leaves_in_vacuum_is_named_by_a_word_of_its_own() -> None:
    for operation, found in (("turn leadscrew", []), ("lead bath", ["volatile metal in vacuum"])):
        assert names(GOOD, replace(PART, operations=(operation,))) == found


TITANIUM = Subject("T", "Ti-6Al-4V", "titanium", section_thick_mm=20.0, reactive=True)


def test_titanium() -> None:
    assert names(GOOD, TITANIUM) == []
    nitrogen = segment(5, atmosphere="nitrogen")
    assert names(nitrogen, TITANIUM) == ["titanium in a gas it takes up"]
    air = replace(GOOD, atmosphere="air")
    assert set(names(air, TITANIUM)) == {"titanium in air"}
    argon = segment(5, atmosphere="argon")
    assert names(argon, TITANIUM) == ["no dew point limit"]
    dry = replace(argon, limits=(*argon.limits, Limit(30, "dew_point", "max", -54.0)))
    assert names(dry, TITANIUM) == []
    assert names(GOOD, replace(TITANIUM, operations=("cleaning in trichloroethylene",))) == ["chlorinated residue"]


def test_reactive_metal_in_air() -> None:
    zirconium = Subject("Z", "zirconium", "zirconium", section_thick_mm=20.0, reactive=True)
    assert names(GOOD, zirconium) == []
    assert set(names(replace(GOOD, atmosphere="air"), zirconium)) == {"reactive metal"}


def test_several_segments_stay_in_a_range_together() -> None:
    each = segment(5, asked_rate_c_per_h=110.0)  # 1.6 h up from 425, 1.5 h at 600, 1.6 h down to 425
    found = read(review(each, [STAINLESS]))
    assert [(r.name, r.where) for r in found] == [("sensitising range", "segments 3 to 5")]
    assert found[0].figures["inside_h"] == pytest.approx(175 / 150 + 1.5 + 175 / 110)


def test_what_a_word_is_no_sign_of() -> None:
    assert (
        names(GOOD, replace(PART, conditions=("hot rolled plate",), operations=("surface plate check", "unplated")))
        == []
    )
    assert names(segment(4, band_low_c=2.0, band_high_c=2.0)) == []  # a spread from the hold's beginning may well bind


def test_a_process_that_transforms_is_not_held_to_what_harms_a_tempered_steel() -> None:
    hot = replace(segment(4, target_c=850.0), process="harden", title="Harden, then oil")
    ramp = tuple(replace(s, target_c=850.0) if s.number == 3 else s for s in hot.segments)
    over = tuple(replace(x, value=900.0) if x.quantity == "over_temperature" else x for x in hot.limits)
    hot = replace(hot, segments=ramp, limits=over)
    assert names(hot) == []
    quench = replace(hot.segments[4], asked_rate_c_per_h=None, rate_max_c_per_h=None, rate_min_c_per_h=None)
    unsaid = replace(hot, segments=(*hot.segments[:4], quench),
                     limits=tuple(x for x in hot.limits if x.quantity != "cooling_rate"))  # fmt: skip
    assert names(unsaid) == ["no quench rate"]
    bath = tuple(x for x in hot.limits if x.event != "door opened" and x.quantity != "cooling_rate")
    assert names(replace(hot, segments=hot.segments[:4], limits=bath)) == []  # it goes into oil
    below = replace(hot, process="stress relief anneal")
    assert names(below) == ["above tempering", "near or above Ac1", "above the material's hottest hold"]


def test_no_hold() -> None:
    bare = replace(GOOD, segments=(GOOD.segments[2],), limits=tuple(x for x in GOOD.limits if x.segment is None))
    assert names(bare) == ["no hold"]


@pytest.mark.parametrize(
    ("pct", "expected"),
    [
        ({"c": 0.40, "mn": 0.85, "si": 0.25, "cr": 0.95, "mo": 0.20}, 737.235),  # 4140
        ({"c": 0.45, "mn": 0.75, "si": 0.25}, 722.25),  # 1045
        ({"c": 0.40, "mn": 0.70, "ni": 1.8, "si": 0.25, "cr": 0.80}, 705.885),  # 4340
    ],
)
def test_ac1(pct: dict[str, float], expected: float) -> None:
    """Andrews, JISI 203 (1965) 721-727."""
    assert ac1_c(pct) == pytest.approx(expected, abs=1e-3)
    assert ac1_c({"mn": 0.7}) is None


def test_every_remark_says_why_and_by_which_source() -> None:
    bare = Cycle("B", "1", "t", "stress relief", "vacuum", (Segment(1, "heat", 600.0), Segment(2, "hold", 600.0)))
    found = read(review(bare, [replace(PART, tempered_at_c=600.0, max_soak_c=500.0)]))
    assert len(found) >= 10
    assert all(r.why and r.source and r.where for r in found)
