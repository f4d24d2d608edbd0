"""A plan of the book: the body that a part is, what the record adds, and what a person reads."""

from __future__ import annotations

import io
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from loadbook.analysis.trace.model import Cycle, Segment
from loadbook.queries import cycles
from loadbook.queries.mechanism import Stated
from loadbook.render.planned import print_plan
from loadbook.store.book import BookFolder
from loadbook.store.records import add_intake
from tests.judgedbook import book_with

CYCLE = Cycle(
    "SR", "1", "t", "stress relief", "air",
    (Segment(1, "heat", 600.0, 100.0), Segment(2, "hold", 600.0, minutes=60.0, band_low_c=5.0, band_high_c=5.0,
                                               soak_by="work"),
     Segment(3, "cool", None, 100.0)),
)  # fmt: skip


def make(path: Path, units: str = "si", **part: Any) -> BookFolder:
    """A book with one part: a ring 300 mm across of 50 x 50 mm where nothing else is said."""
    book = book_with(path, CYCLE, units)
    row = {"part": "P", "material": "42CrMo4", "shape": "ring", "section_thick_mm": 50.0, "length_mm": 300.0,
           "mass_kg": 7850e-9 * 3.141592653589793 * 250.0 * 50.0 * 50.0}  # fmt: skip
    with book.write() as conn:
        add_intake(conn, "test", {"part": [row | part]}, rows_read=1)
    return book


def told(book: BookFolder, **more: Any) -> tuple[cycles.PartPlan, str]:
    found = cycles.plan(book, "P", "SR", None, 15.0, **more)
    out = io.StringIO()
    print_plan(found, book, out)
    return found, out.getvalue()


def test_a_ring_is_no_slab(tmp_path: Path) -> None:
    """A 50 x 50 mm ring is heated from four sides: the middle is in the band in less than half of a slab's time."""
    ring, text = told(make(tmp_path / "ring"))
    slab, _ = told(make(tmp_path / "slab", mass_kg=None))
    short, long = ring.plan.segments[1].soak_through_min, slab.plan.segments[1].soak_through_min
    assert short is not None and long is not None and short < 0.5 * long
    assert "its section 50 mm x 50 mm, from its mass and diameter, heated from all four sides" in text
    stated, _ = told(make(tmp_path / "stated", mass_kg=None), stated=Stated(section_mm=(50.0, 50.0)))
    assert stated.plan.segments[1].soak_through_min == pytest.approx(short, abs=0.5)


def test_the_plan_comes_first_and_in_plain_order(tmp_path: Path) -> None:
    _, text = told(make(tmp_path / "book"), stated=Stated(yields=((None, 700.0),), sag_mm=0.01))
    assert "\nHeating: any rate keeps the surface within 15 °C of the middle; the furnace's own limit" in text
    order = ("Furnace hours", "Heating:", "Hold of segment 2", "Dose:", "What physics says", "Segment by segment",
             "The largest differences that stay elastic", "Assumed", "Sources")  # fmt: skip
    places = [text.index(t) for t in order]
    assert places == sorted(places)
    assert "a check of mechanism, not a prediction of movement" in text
    assert "elastic, adds no movement" in text and "not covered: creep under own weight" in text
    assert "from memory: informs, never decides" in text  # the scale's constants, marked as what they are
    assert "A limit from a code or a customer's specification overrules anything here." in text


def test_a_rate_that_is_too_fast_is_named(tmp_path: Path) -> None:
    _, text = told(make(tmp_path / "book", section_thin_mm=10.0), difference_c=5.0)
    assert "segment 1 is asked for at 100 °C/h: too fast for that" in text and "the thin section binds" in text


def test_us_books_read_us_units(tmp_path: Path) -> None:
    _, text = told(make(tmp_path / "book", "us"), stated=Stated(yields=((None, 700.0),), sag_mm=0.05))
    assert "ksi" in text and "°F" in text
    assert not [w for w in ("°C", "MPa", " mm", "µm", "mbar", " kg") if w in text]


def test_the_record_adds_loads_and_spreads_without_suspected_thermocouples(tmp_path: Path) -> None:
    book = make(tmp_path / "book")
    runs = [("R1", 200.0, 20.0), ("R2", 300.0, 30.0), ("R3", 250.0, 90.0)]
    tables: dict[str, list[dict[str, Any]]] = {
        "run": [{"run": r, "furnace": "F2", "cycle": "SR", "cycle_revision": "1", "status": "done", "setup": "laid",
                 "started": f"2026-03-0{i + 1}T07:00:00Z", "load_mass_kg": kg} for i, (r, kg, _) in enumerate(runs)],
        "piece": [{"run": r, "part": "P", "serial": "1", "quantity": 1} for r, _, _ in runs],
    }  # fmt: skip
    with book.write() as conn:
        add_intake(conn, "test", tables, rows_read=1)
        for run, _, spread in runs:
            for name, value, unit in (("spread_heating_peak_c", spread, "c_diff"),
                                      ("heating_rate_peak_c_per_h", spread + 100.0, "c_per_h")):  # fmt: skip
                conn.execute(
                    "INSERT INTO parameter (run, parameter, value, unit, source, algorithm)"
                    " VALUES (?, ?, ?, ?, 'trace', '1')",
                    (run, name, value, unit),
                )
        conn.execute(
            "INSERT INTO finding (run, what, name, verdict, text, channel, algorithm) VALUES"
            " ('R3', 'fault', 'drift', 'suspected', '', 'TC 1', '1')"
        )
    found, text = told(book)
    spread = next(s for s in found.shown if s.parameter == "spread_heating_peak_c")
    assert (spread.runs, spread.median, spread.high) == (2, 25.0, 30.0)
    assert "showed (1 run with a suspected thermocouple left out)" in text
    assert (
        "P ran in loads of 200 to 300 kg (3 runs; laid 3); 250 kg takes up 23 kWh to the hold" in text
    )  # about 560 J/(kg K)
    assert "fastest on record 130 °C/h, in F2" in text


def test_runs_of_another_revision_count_only_where_the_plans_own_has_none(demo_book: Path) -> None:
    with BookFolder.open(demo_book) as book:
        of = {revision: cycles.plan(book, "PN-1001", "SR-600", revision, 15.0) for revision in ("A", "C")}
        soak = {r: next(s.median for s in p.shown if s.parameter == "soak_minutes") for r, p in of.items()}
        assert soak["A"] < 145.0 and soak["C"] > 175.0, "A asks for 2 h, C for 2.5 h once the work is in the band"
        assert [p.shown_of for p in of.values()] == [("A",), ("C",)]
        new = cycles.plan(book, "PN-1001", replace(of["C"].cycle, revision="D"), None, 15.0)
        out = io.StringIO()
        print_plan(new, book, out)
        brackets = io.StringIO()
        print_plan(cycles.plan(book, "PN-4001", "SV-595", "B", 15.0), book, brackets)
    assert "What 17 runs of PN-1001 under SR-600 revisions A, B, C showed" in out.getvalue()
    assert "Heating rate, peak: their run sheets asked for" not in out.getvalue()
    assert "Heating rate, peak: their run sheets asked for 37 to 73 °C/h, the cycle asks for 120 °C/h" in (
        brackets.getvalue()
    )
