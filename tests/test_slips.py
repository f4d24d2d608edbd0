"""Slips planted among readings, each beside its honest twin: no slip comes in unasked, no honest reading is stopped.

Parts, tolerances and movements are invented in sizes as shops have them; each slip is one that people make: the wrong
unit (in every direction), a shifted decimal point, a wrong sign, before and after swapped, another characteristic.
"""

from __future__ import annotations

import json
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from loadbook.core.errors import IntakeError, LoadbookError
from loadbook.readers.tables.take import Taken, add_row, take_file
from loadbook.store.book import BookFolder

from .smallbook import put

Run = Callable[..., subprocess.CompletedProcess[str]]
SERIALS = [str(n) for n in range(1, 9)]


def _characteristic(part: str, name: str, kind: str, **more: object) -> dict[str, object]:
    return {"part": part, "characteristic": name, "kind": kind, "scale": "um", **more}


def _mm(nominal: float, tolerance: float) -> dict[str, object]:
    return {"nominal_mm": nominal, "lower_mm": nominal - tolerance, "upper_mm": nominal + tolerance}


CHARACTERISTICS = [
    _characteristic("RING", "od", "outside diameter", **_mm(611.124, 0.05)),  # 24.060 in
    _characteristic("RING", "flat", "flatness", upper_mm=0.2, reference_length_mm=611.0),
    _characteristic("PIN", "dia", "outside diameter", **_mm(3.0, 0.004)),
    _characteristic("PIN", "tip", "length", **_mm(0.5, 0.02)),
    _characteristic("GEAR", "bore", "inside diameter", **_mm(80.0, 0.015)),
    _characteristic("GEAR", "od", "outside diameter", **_mm(120.0, 0.05)),
    _characteristic("GEAR", "hub", "outside diameter", **_mm(82.0, 0.03)),
    _characteristic("GEAR", "flat", "flatness", upper_mm=0.05, reference_length_mm=120.0),
    _characteristic("GEAR", "x", "distance", **_mm(0.0, 0.05)),
    _characteristic("GEAR", "y", "distance", **_mm(-35.5, 0.05)),
    _characteristic("GEAR", "angle", "angle", unit="deg", nominal=90.0, lower=89.9, upper=90.1),
    _characteristic("GEAR", "hrc", "hardness", unit="HRC", lower=58.0, upper=62.0),
    _characteristic("GEAR", "hv", "hardness", unit="HV 10", lower=650.0, upper=750.0),
    _characteristic("GEAR", "stress", "residual stress", unit="MPa", method="X-ray", direction="axial"),
    _characteristic("GEAR", "case", "case depth", lower_mm=0.8, upper_mm=1.2),
    _characteristic("GEAR", "decarb", "decarburisation depth", upper_mm=0.05),
    _characteristic("GEAR", "grain", "grain size", unit="G", lower=5.0),
    _characteristic("GEAR", "gamma", "retained austenite", unit="%", upper=15.0),
    _characteristic("BARE", "od", "outside diameter"),
    _characteristic("BARE", "flat", "flatness"),
    _characteristic("BARE", "x", "distance"),
    _characteristic("NEW", "od", "outside diameter"),
    _characteristic("SOFT", "hv", "hardness", unit="HV 10"),
]
# what the book has of run R1: eight pieces, before and after (movement, scatter from piece to piece)
HISTORY = {
    ("GEAR", "bore"): (80.002, 0.006, 0.0007), ("GEAR", "od"): (120.01, 0.012, 0.001),
    ("GEAR", "flat"): (0.012, 0.009, 0.0013), ("GEAR", "x"): (0.004, -0.002, 0.0011),
    ("BARE", "od"): (45.01, 0.02, 0.002), ("BARE", "flat"): (0.010, 0.006, 0.0012),
    ("BARE", "x"): (0.012, 0.001, 0.0009),
}  # fmt: skip


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Iterator[BookFolder]:
    """A book with a run that was read and one that is about to be; cases are dry runs, so that all may share it."""
    with BookFolder.create(tmp_path_factory.mktemp("slips") / "book", zone="Europe/Vienna") as book:
        put(book, "material", {"material": "steel", "family": "low-alloy steel"})
        put(book, "furnace", {"furnace": "F1", "atmosphere": "air"})
        put(book, "gauge", {"gauge": "G1", "kind": "gauge", "resolution_mm": 0.001, "calibrated_until": "2026-06-30"})
        lengths = {"RING": 700.0, "PIN": 12.0, "GEAR": 125.0, "BARE": 60.0, "NEW": 50.0, "SOFT": 50.0}
        put(book, "part", *({"part": p, "material": "steel", "length_mm": x, "section_thick_mm": min(20.0, x)}
                            for p, x in lengths.items()))  # fmt: skip
        put(book, "characteristic", *CHARACTERISTICS)
        put(book, "cycle", {"cycle": "H", "revision": "A", "title": "harden", "process": "harden",
                            "atmosphere": "air", "source_text": ""})  # fmt: skip
        for run, day in (("R1", "2026-03-01"), ("R2", "2026-04-01")):
            put(book, "run", {"run": run, "furnace": "F1", "cycle": "H", "cycle_revision": "A",
                              "status": "done", "started": f"{day}T08:00:00Z",
                              "ended": f"{day}T18:00:00Z"})  # fmt: skip
            put(book, "piece", *({"run": run, "part": p, "serial": f"{run}-{s}" if run == "R1" else s, "quantity": 1}
                                 for p in lengths for s in SERIALS))  # fmt: skip
        rows = []
        for (part, name), (start, moved, scatter) in HISTORY.items():
            for n, s in enumerate(SERIALS):
                before = start + scatter * (n % 4 - 1.5)
                for stage, value in (("before", before), ("after", before + moved + scatter * (n % 3 - 1) / 3)):
                    rows.append({"run": "R1", "part": part, "serial": f"R1-{s}", "characteristic": name,
                                 "stage": stage, "value_mm": value, "repeat": 1})  # fmt: skip
        put(book, "reading", *rows)
        yield book


def take(shop: BookFolder, folder: Path, header: str, text: str, **more: object) -> Taken:
    """A file of readings of run R2: 'PART serial characteristic stage value; ...' under one value column."""
    lines = [",".join(("R2", *row.split())) for row in text.split(";") if row.strip()]
    path = folder / "r.csv"
    path.write_text("\n".join([f"run,part,serial,characteristic,stage,{header}", *lines]) + "\n")
    return take_file(shop, "readings", path, dry_run=True, **more)  # type: ignore[arg-type]


def every(part: str, name: str, stage: str, values: str) -> str:
    """The rows of several pieces."""
    return ";".join(f"{part} {s} {name} {stage} {v}" for s, v in zip(SERIALS, values.split(), strict=False))


SLIPS = {
    # mm under inches and the other way round: one row, the whole file, big and small parts
    "a row in mm as inches": ("value_in", "RING 1 od before 611.088", "mm typed as inches"),
    "a file in mm as inches": ("value_in", every("RING", "od", "before", "611.10 611.12 611.09 611.13 611.11"),
                               "mm typed as inches"),
    "a row in inches as mm": ("value_mm", "RING 1 od before 24.060", "inches typed as mm"),
    "a file in inches as mm": ("value_mm", every("GEAR", "bore", "before", "3.1497 3.1496 3.1498 3.1497"),
                               "inches typed as mm"),
    "a small part in mm as inches": ("value_in", "PIN 1 dia before 3.001", "mm typed as inches"),
    "a small part in inches as mm": ("value_mm", "PIN 1 dia before 0.1181", "inches typed as mm"),
    "a length of half a mm in inches as mm": ("value_mm", "PIN 1 tip before 0.0197", "inches typed as mm"),
    # thousandths, µm
    "thousandths as inches": ("value_in", "PIN 1 dia before 118.1", "thousandths typed as inches"),
    "inches as thousandths": ("value_mil", "PIN 1 dia before 0.1181", "inches typed as thousandths"),
    "µm as mm": ("value_mm", "PIN 1 dia before 3001", "µm typed as mm"),
    "mm as µm": ("value_um", "GEAR 1 bore before 80.004", "mm typed as µm"),
    "mm as thousandths": ("value_mil", "GEAR 1 bore before 80.004", "mm typed as thousandths"),
    "thousandths as mm": ("value_mm", "PIN 1 dia before 118.1", "thousandths typed as mm"),
    "µm as inches": ("value_in", "PIN 1 dia before 3001", "µm typed as inches"),
    "a form in µm as mm": ("value_mm", "GEAR 1 flat before 12", "µm typed as mm"),
    "a form in mm as inches": ("value_in", "GEAR 1 flat before 0.013", "mm typed as inches"),
    "a form in mm as µm": ("value_um", "GEAR 1 flat before 0.012", "mm typed as µm"),
    "a form in thousandths as inches": ("value_in", "RING 1 flat before 5", "thousandths typed as inches"),
    "a form in inches as mm": ("value_mm", "GEAR 1 flat before 0.0005", ""),
    "a form of no limit in µm as mm": ("value_mm", "BARE 1 flat before 11", "µm typed as mm"),
    # decimal points, signs
    "a decimal point to the right": ("value_mm", "GEAR 1 bore before 800.04", "a shifted decimal point (80.004 mm)"),
    "a decimal point to the left": ("value_mm", "GEAR 1 bore before 8.0004", "a shifted decimal point (80.004 mm)"),
    "a decimal point left out": ("value_mm", "PIN 1 dia before 30.01", "a shifted decimal point (3.001 mm)"),
    "a decimal point in a form": ("value_mm", "GEAR 1 flat before 0.12", ""),
    "a negative diameter": ("value_mm", "GEAR 1 bore before -80.004", "a wrong sign"),
    "a negative form": ("value_mm", "GEAR 1 flat before -0.01", "cannot be negative"),
    "a coordinate of the wrong sign": ("value_mm", "GEAR 1 y before 35.51", "a wrong sign"),
    "digits changed over": ("value_mm", "GEAR 1 bore before 80.402", ""),
    # before against after
    "after in another unit": ("value_mm", "GEAR 1 od before 120.01;GEAR 1 od after 4.7253", "inches typed as mm"),
    "after in another unit, nothing else known": ("value_mm", "NEW 1 od before 45.02;NEW 1 od after 1.7732",
                                                  "inches typed as mm"),
    "after off by a millimetre": ("value_mm", "RING 1 od before 611.12;RING 1 od after 621.12", ""),
    "before and after swapped": ("value_mm", "GEAR 1 bore before 80.008;GEAR 1 bore after 80.002",
                                 "before and after swapped"),
    "swapped, as fine as typed": ("value_in", every("GEAR", "bore", "before", "3.1496 3.1497 3.1498 3.1497 3.1508")
                                  + ";" + every("GEAR", "bore", "after", "3.1508 3.1509 3.1510 3.1509 3.1496"),
                                  "before and after swapped"),
    "a whole file's columns swapped": (
        "value_mm", ";".join(f"GEAR {k} bore before 80.00{7 + k % 2};GEAR {k} bore after 80.00{1 + k % 2}"
                             for k in range(1, 6)), "the other pieces moved by 0.006"),
    "a radius": ("value_mm", "GEAR 1 bore before 40.001", "the radius typed as the diameter (80.002 mm)"),
    # the other characteristic
    "the bore typed as the hub": ("value_mm", "GEAR 1 hub before 80.003", "the value of bore"),
    "the hub typed as the bore": ("value_mm", "GEAR 1 bore before 82.004", "the value of hub"),
    "the outside diameter as the bore": ("value_mm", "GEAR 1 bore before 120.003", "the value of od"),
    "a size typed into a form": ("value_mm", "GEAR 1 flat before 80.003", ""),
    "a hardness typed into a length": ("value_mm", "GEAR 1 bore before 60.5", ""),
    "Rockwell typed as Vickers": ("value", "SOFT 1 hv before 31", "HRC typed as HV 10"),
    # coordinates near zero, kinds with no nominal
    "µm as mm near zero": ("value_mm", "GEAR 1 x before 4", "µm typed as mm"),
    "mm as inches near zero": ("value_in", "GEAR 1 x before 0.05", ""),
    "mm as inches, no nominal": ("value_in", "BARE 1 od before 45.012", "mm typed as inches"),
    "µm as mm near zero, no nominal": ("value_mm", "BARE 1 x before 12", "µm typed as mm"),
    "longer than the part": ("value_in", "NEW 1 od before 45.02", ""),
    # what is not a length
    "a Vickers figure as Rockwell C": ("value", "GEAR 1 hrc after 680", "HRC goes from 8 to 72"),
    "a Rockwell figure as Vickers": ("value", "GEAR 1 hv after 58.5", ""),
    "a Rockwell figure with a lost point": ("value", "GEAR 1 hrc after 585", "a shifted decimal point (58.5 HRC)"),
    "a Rockwell figure with a point too early": ("value", "GEAR 1 hrc after 5.85", ""),
    "an angle in radians": ("value", "GEAR 1 angle before 1.5708", ""),
    "a stress in kPa": ("value", "GEAR 1 stress before -412000", "MPa goes from"),
    "a grain diameter as a number": ("value", "GEAR 1 grain after 22.5", "G goes from"),
    "austenite over the whole": ("value", "GEAR 1 gamma after 120", "% goes from"),
    "a case in µm as mm": ("value_mm", "GEAR 1 case after 950", "µm typed as mm"),
    "a case in mm as inches": ("value_in", "GEAR 1 case after 0.95", "mm typed as inches"),
    "a case in inches as mm": ("value_mm", "GEAR 1 case after 0.037", "inches typed as mm"),
    "decarburisation in µm as mm": ("value_mm", "GEAR 1 decarb after 30", "µm typed as mm"),
}  # fmt: skip

HONEST = {
    "a big part in inches": ("value_in", "RING 1 od before 24.0586"),
    "a big part in mm": ("value_mm", "RING 1 od before 611.088"),
    "a file in mm": ("value_mm", every("RING", "od", "before", "611.10 611.12 611.09 611.13 611.11")),
    "a file in inches": ("value_in", every("GEAR", "bore", "before", "3.1497 3.1496 3.1498 3.1497")),
    "a small part in inches": ("value_in", "PIN 1 dia before 0.1181"),
    "a small part in mm": ("value_mm", "PIN 1 dia before 3.001"),
    "half a mm in inches": ("value_in", "PIN 1 tip before 0.0197"),
    "thousandths": ("value_mil", "PIN 1 dia before 118.1"),
    "µm": ("value_um", "PIN 1 dia before 3001"),
    "µm of a big part": ("value_um", "GEAR 1 bore before 80004"),
    "a form in µm": ("value_um", "GEAR 1 flat before 12"),
    "a form in inches": ("value_in", "GEAR 1 flat before 0.0005"),
    "a form in thousandths": ("value_mil", "RING 1 flat before 5"),
    "a form of no limit": ("value_um", "BARE 1 flat before 11"),
    "a form of nothing": ("value_mm", "GEAR 1 flat before 0"),
    "a form of one step": ("value_mm", "GEAR 1 flat before 0.001"),
    "a form that went bad": ("value_mm", "GEAR 1 flat before 0.012;GEAR 1 flat after 0.075"),
    "a form that went very bad": ("value_mm", "RING 1 flat before 0.05;RING 1 flat after 1.2"),
    "every form out of tolerance": ("value_mm", every("RING", "flat", "after", "0.5 0.6 0.4 0.7 0.55 0.9 0.3")),
    "a rough bore": ("value_mm", "GEAR 1 bore before 77.2;GEAR 1 bore after 77.22"),
    "a rough small part": ("value_mm", "PIN 1 dia before 3.6;PIN 1 dia after 3.603"),
    "all rough": ("value_mm", every("GEAR", "od", "before", "123.1 123.2 123.0 123.15 123.05 123.1")),
    "out of tolerance": ("value_mm", "GEAR 1 od before 120.09;GEAR 1 od after 120.14"),
    "ten tolerances out": ("value_mm", "PIN 1 dia before 3.001;PIN 1 dia after 3.035"),
    "a negative movement": ("value_mm", "RING 1 od before 611.12;RING 1 od after 610.85"),
    "negative movements of all": ("value_mm", every("GEAR", "hub", "before", "82.01 82.02 82.01 82.015 82.01 82.02")
                                  + ";" + every("GEAR", "hub", "after", "81.98 81.99 81.981 81.984 81.979 81.992")),
    "movements of both signs": ("value_mm", every("PIN", "dia", "before", "3.001 3.002 3.0 3.001 3.002 3.001")
                                + ";" + every("PIN", "dia", "after", "3.003 3.0 3.002 2.999 3.003 3.0")),
    "as fine as typed": ("value_in", every("GEAR", "bore", "before", "3.1496 3.1497 3.1498 3.1497 3.1496")
                         + ";" + every("GEAR", "bore", "after", "3.1498 3.1499 3.1500 3.1499 3.1494")),
    "no movement at all": ("value_mm", "GEAR 1 bore before 80.003;GEAR 1 bore after 80.003"),
    "a tool steel that grew 0.2 %": ("value_mm", "RING 1 od before 611.12;RING 1 od after 612.3"),
    "a coordinate of nothing": ("value_mm", "GEAR 1 x before 0"),
    "a coordinate below zero": ("value_mm", "GEAR 1 x before -0.006"),
    "a coordinate that changed its sign": ("value_mm", "GEAR 1 x before 0.004;GEAR 1 x after -0.003"),
    "a coordinate in inches": ("value_in", "GEAR 1 x before 0.0002"),
    "a coordinate that left its tolerance": ("value_mm", "GEAR 1 x before 0.004;GEAR 1 x after 0.09"),
    "a negative coordinate": ("value_mm", "GEAR 1 y before -35.48;GEAR 1 y after -35.47"),
    "a first reading ever": ("value_mm", "NEW 1 od before 45.02"),
    "first readings ever": ("value_mm", "NEW 1 od before 45.02;NEW 2 od before 45.6;NEW 1 od after 45.04"),
    "no nominal": ("value_mm", "BARE 1 od before 45.02;BARE 1 od after 45.035"),
    "no nominal, in inches": ("value_in", "BARE 1 od before 1.7722"),
    "no nominal, near zero": ("value_mm", "BARE 1 x before 0.011;BARE 1 x after -0.004"),
    "hub and bore as they are": ("value_mm", "GEAR 1 hub before 82.004;GEAR 1 bore before 80.003"),
    "annealed before, hard after": ("value", "GEAR 1 hrc before 18;GEAR 1 hrc after 60.5"),
    "a soft piece": ("value", "GEAR 1 hrc after 41"),
    "Vickers": ("value", "GEAR 1 hv before 210;GEAR 1 hv after 690"),
    "Rockwell under its own name": ("value_hrc", "GEAR 1 hrc after 60.5"),
    "an angle": ("value", "GEAR 1 angle before 90.02;GEAR 1 angle after 90.15"),
    "stress, compressive": ("value", "GEAR 1 stress before -412;GEAR 1 stress after -60"),
    "stress, tensile": ("value", "GEAR 1 stress before 350;GEAR 1 stress after 40"),
    "stress in ksi": ("value_ksi", "GEAR 1 stress before -60"),
    "grain size": ("value", "GEAR 1 grain after 7.5"),
    "austenite": ("value", "GEAR 1 gamma after 12"),
    "no austenite": ("value", "GEAR 1 gamma after 0"),
    "a case": ("value_mm", "GEAR 1 case after 0.95"),
    "a thin case": ("value_mm", "GEAR 1 case after 0.45"),
    "a case in inches": ("value_in", "GEAR 1 case after 0.037"),
    "no decarburisation": ("value_mm", "GEAR 1 decarb after 0"),
    "much decarburisation": ("value_mm", "GEAR 1 decarb after 0.18"),
}  # fmt: skip


@pytest.mark.parametrize("name", SLIPS)
def test_a_slip_is_asked_about(name: str, shop: BookFolder, tmp_path: Path) -> None:
    header, text, says = SLIPS[name]
    with pytest.raises(IntakeError) as caught:
        take(shop, tmp_path, header, text)
    assert says in str(caught.value) and "--affirm" in str(caught.value)


@pytest.mark.parametrize("name", HONEST)
def test_an_honest_reading_is_not_stopped(name: str, shop: BookFolder, tmp_path: Path) -> None:
    header, text = HONEST[name]
    taken = take(shop, tmp_path, header, text)
    assert taken.added == len(text.split(";")) and taken.refused == []


def test_there_are_forty_of_each() -> None:
    assert len(SLIPS) >= 40 and len(HONEST) >= 40


# -- the other doors, and what is said at once ------------------------------------------------------------------------

READING = {"run": "R2", "part": "RING", "serial": "1", "characteristic": "od", "stage": "before"}


@pytest.fixture
def own(shop: BookFolder, tmp_path: Path) -> Iterator[BookFolder]:
    """A copy of the shop's book that a test may change."""
    import shutil

    shutil.copytree(shop.path, tmp_path / "own")
    with BookFolder.open(tmp_path / "own") as book:
        yield book


def test_a_reading_added_by_hand_is_asked_about_and_affirmed(own: BookFolder) -> None:
    typed = {**READING, "value_in": "611.088"}
    with pytest.raises(IntakeError) as caught:
        add_row(own, "readings", typed)
    assert str(caught.value) == (
        "this cannot be added to readings. Nothing was added\n"
        "  as typed:1:value_in: od is 24.06 in nominal: mm typed as inches (611.088 mm = 24.0586 in)?"
        " (found '611.088'). Correct it, or take it as it is with --affirm"
    )
    assert own.read().execute("SELECT count(*) FROM reading WHERE run = 'R2'").fetchone()[0] == 0
    add_row(own, "readings", typed, affirm=True)
    typed = json.loads(own.read().execute("SELECT typed FROM reading WHERE run = 'R2'").fetchone()[0])
    assert typed["affirmed"] == "od is 24.06 in nominal: mm typed as inches (611.088 mm = 24.0586 in)?"


def test_a_workbook_is_asked_about_too(shop: BookFolder, tmp_path: Path) -> None:
    import openpyxl

    book = openpyxl.Workbook()
    book.active.append([*READING, "value_in"])
    book.active.append([*READING.values(), 611.088])
    book.active.append([*{**READING, "serial": "2"}.values(), 24.0601])
    book.save(tmp_path / "r.xlsx")
    with pytest.raises(IntakeError, match=r"1 of 2 rows refused(.|\n)*r.xlsx:2:value_in: od is 24.06 in nominal"):
        take_file(shop, "readings", tmp_path / "r.xlsx", dry_run=True)


def test_lines_are_affirmed_by_number_and_only_those_in_question(shop: BookFolder, tmp_path: Path) -> None:
    text = "RING 1 od before 611.088;RING 2 od before 24.06"
    assert take(shop, tmp_path, "value_in", text, affirm=frozenset({2})).added == 2
    assert take(shop, tmp_path, "value_in", text, affirm=None).added == 2
    assert take(shop, tmp_path, "value_in", text, keep_good=True).added == 1
    with pytest.raises(LoadbookError, match=r"nothing is in question on line 3\. In question: 2"):
        take(shop, tmp_path, "value_in", text, affirm=frozenset({3}))


def test_what_was_affirmed_is_not_asked_again(own: BookFolder, tmp_path: Path) -> None:
    path = tmp_path / "r.csv"
    path.write_text("run,part,serial,characteristic,stage,value_mm\nR2,RING,1,od,before,500\n")
    assert take_file(own, "readings", path, affirm=frozenset({2})).added == 1
    path.write_text(path.read_text() + "R2,RING,2,od,before,611.1\n")
    assert take_file(own, "readings", path).sentence().endswith("1 added, 1 already in the book")


def test_a_reading_keeps_the_digits_that_were_typed(own: BookFolder) -> None:
    add_row(own, "readings", {**READING, "value_in": "24.0600"})
    add_row(own, "readings", {**READING, "serial": "2", "value_mm": "611.1200"})
    typed = own.read().execute("SELECT typed FROM reading WHERE run = 'R2' ORDER BY serial").fetchall()
    assert [r[0] for r in typed] == ['{"value_in": "24.0600"}', '{"value_mm": "611.1200"}']


NOTES = {
    "after_before_before": "stage,read_at\nbefore,2026-03-31T10:00\nafter,2026-03-30T10:00",
    "before_in_run": "stage,read_at\nbefore,2026-04-01T12:00",
    "after_in_run": "stage,read_at\nafter,2026-04-01T12:00",
    "read_far_from_run": "stage,read_at\nbefore,2025-03-31T10:00",
    "read_in_future": "stage,read_at\nafter,2199-04-02T10:00",
    "read_hot": "stage,piece_temp_c\nbefore,260",
    "gauge_past_due": "stage,gauge,read_at\nafter,G1,2026-06-30T22:30Z",  # in Vienna it is July by then
}


@pytest.mark.parametrize("code", NOTES)
def test_what_is_said_at_once(code: str, shop: BookFolder, tmp_path: Path) -> None:
    header, *rows = NOTES[code].split("\n")
    path = tmp_path / "r.csv"
    path.write_text(
        "run,part,serial,characteristic,value_mm,"
        + "\n".join([header, *(f"R2,RING,1,od,611.1,{r}" for r in rows)])
        + "\n"
    )
    notes = take_file(shop, "readings", path, dry_run=True).notes
    assert code in {n.code for n in notes}
    from loadbook.queries.remark_words import words

    assert all(words(n, system) for n in notes for system in ("si", "us"))


def test_a_temperature_in_the_other_unit_is_named(shop: BookFolder, tmp_path: Path) -> None:
    from loadbook.queries.remark_words import words

    for column, typed, meant in (
        ("piece_temp_c", 68, "68 °F typed as °C?"),
        ("piece_temp_f", 20, "20 °C typed as °F?"),
    ):
        path = tmp_path / f"{column}.csv"
        path.write_text(f"run,part,serial,characteristic,value_mm,stage,{column}\nR2,RING,1,od,611.1,before,{typed}\n")
        told = [words(n, "us") for n in take_file(shop, "readings", path, dry_run=True).notes]
        assert any(t.endswith(meant) for t in told), told


def test_nothing_is_said_of_readings_as_they_should_be(shop: BookFolder, tmp_path: Path) -> None:
    path = tmp_path / "r.csv"
    path.write_text(
        "run,part,serial,characteristic,stage,value_mm,read_at,piece_temp_c,gauge,gauge_temp_c\n"
        "R2,RING,1,od,before,611.1,2026-03-31T10:00,21.5,G1,20\nR2,RING,1,od,after,611.15,2026-04-03T10:00,68.5,G1,20\n".replace(
            "68.5", "22"
        )
    )
    assert take_file(shop, "readings", path, dry_run=True).notes == []


HOSTILE = ["1e308", "-1e308", "nan", "inf", "-inf", "1e400", "80,004", "80.004 about", "0x50", "١٢"]


@pytest.mark.parametrize("value", HOSTILE)
def test_what_is_no_number_is_a_plain_error(value: str, shop: BookFolder) -> None:
    for column in ("value_mm", "value_in", "value_um", "piece_temp_f"):
        reading = READING if column.startswith("value") else {**READING, "value_mm": "611.1"}
        with pytest.raises(IntakeError, match=r"number|too large|is below"):
            add_row(shop, "readings", {**reading, column: value})


@pytest.mark.parametrize("moment", ["0001-01-01T00:00", "9999-12-31T23:59", "9999-12-31T23:59-14:00",
                                    "2026-04-01T08:00+25:00", "0001-01-01T00:00+10:00", "2026-04-01T08:00+05:99",
                                    "2026-02-30T08:00"])  # fmt: skip
def test_what_is_no_moment_is_a_plain_error(moment: str, shop: BookFolder) -> None:
    with pytest.raises(IntakeError, match=r"as typed:1:read_at: .*(1900 to 2199|not a date|no date|offset)"):
        add_row(shop, "readings", {**READING, "value_mm": "611.1", "read_at": moment})


@pytest.mark.parametrize("day", ["0001-01-01", "9999-12-30", "2200-01-01"])
def test_a_day_of_no_book_is_a_plain_error(day: str, shop: BookFolder) -> None:
    with pytest.raises(IntakeError, match="1900 to 2199"):
        add_row(shop, "gauges", {"gauge": "G9", "kind": "x", "calibrated_until": day})


def test_no_scale_is_turned_into_another(shop: BookFolder, tmp_path: Path) -> None:
    with pytest.raises(IntakeError, match="hrc of GEAR is kept in HRC, not in HV"):
        take(shop, tmp_path, "value_hv", "GEAR 1 hrc after 60")
    with pytest.raises(IntakeError, match="hv of GEAR is kept in HV 10, not in HRC"):
        take(shop, tmp_path, "value_hrc", "GEAR 1 hv after 690")
    with pytest.raises(IntakeError, match="a reading of hardness does not belong in this column"):
        take(shop, tmp_path, "value_mm", "GEAR 1 hrc after 60")


def test_stress_in_ksi_is_kept_in_the_unit_of_its_characteristic(own: BookFolder) -> None:
    add_row(own, "readings", {**READING, "part": "GEAR", "characteristic": "stress", "value_ksi": "-60"})
    row = own.read().execute("SELECT value, typed FROM reading WHERE characteristic = 'stress'").fetchone()
    assert row["value"] == pytest.approx(-413.685, abs=1e-3)  # 60 x 6.894757, NIST SP 811
    assert row["typed"] == '{"value_ksi": "-60"}'


BAD_CHARACTERISTICS = [
    ({"kind": "hardness", "unit": "mm"}, "hardness is not given in that unit"),
    ({"kind": "hardness", "unit": "HRC", "nominal_mm": "60"}, "hardness is not a length"),
    ({"kind": "hardness", "unit": "HRC", "scale": "um per 100 mm", "reference_length_mm": "80"}, "given per length"),
    ({"kind": "hardness", "unit": "HRC", "lower": "62", "upper": "58"}, "the lower limit is above the upper one"),
    ({"kind": "residual stress"}, "the unit of this residual stress is missing"),
    ({"kind": "length", "unit": "in"}, "length is a length and has no unit of its own"),
    ({"kind": "length", "upper": "80"}, "length is a length: its unit is missing"),
]


@pytest.mark.parametrize(("given", "says"), BAD_CHARACTERISTICS, ids=lambda x: x if isinstance(x, str) else "")
def test_limits_stand_in_the_characteristics_own_unit(given: dict[str, str], says: str, shop: BookFolder) -> None:
    with pytest.raises(IntakeError, match=says):
        add_row(shop, "characteristics", {"part": "GEAR", "characteristic": "c", **given})


def test_an_amended_reading_is_asked_about_too(own: BookFolder) -> None:
    from loadbook.readers.tables.change import changed_values, question_reading
    from loadbook.store.lookup import listed

    add_row(own, "readings", {**READING, "value_in": "24.0600"})
    conn = own.read()
    row = conn.execute("SELECT * FROM reading WHERE run = 'R2'").fetchone()

    def amend(**given: str) -> None:
        question_reading(conn, row, given, changed_values(conn, listed("readings"), row, given, own.zone))

    amend(value_in="24.0610")
    amend(inspector="inspector 1")
    with pytest.raises(
        IntakeError, match=r"value_in: od is 24\.06 in nominal: mm typed as inches .* \(found '611\.088'\)"
    ):
        amend(value_in="611.088")
    with pytest.raises(
        LoadbookError, match=r"RING has no characteristic 'flet'\. Did you mean 'flat'\? It has: flat, od"
    ):
        amend(characteristic="flet")


def test_a_reading_is_confirmed_by_its_name_and_lists_print_its_number(own: BookFolder, inside: Run) -> None:
    add_row(own, "readings", {**READING, "value_mm": "611.1200"})
    add_row(own, "readings", {**READING, "value_mm": "611.13", "repeat": "2"})
    words = ("--part", "RING", "--serial", "1", "--characteristic", "od", "--stage", "before", "--book", "own")
    listing = inside("list", "readings", "--part", "RING", "--book", "own").stdout.splitlines()
    assert listing[0].startswith("reading_id") and "611.1200" in listing[1]
    several = inside("confirm", "reading", *words, "--why", "misread")
    assert several.returncode == 2 and "2 readings fit. Add one of: --repeat 1, --repeat 2" in several.stderr
    done = inside("confirm", "reading", *words, "--repeat", "2", "--why", "misread")
    number = int(listing[2].split()[0])
    assert done.returncode == 0 and f"Reading {number} (1, od, before) is a blunder" in done.stderr
    none = inside("confirm", "reading", "--part", "RING", "--stage", "before", "--why", "x", "--book", "own")
    assert "Give --serial, --characteristic, or its number" in none.stderr
    both = inside("confirm", "reading", str(number), *words, "--why", "x")
    assert both.returncode == 2 and "not both" in both.stderr


def test_the_commands_ask_and_affirm(own: BookFolder, inside: Run, tmp_path: Path) -> None:
    path = tmp_path / "r.csv"
    path.write_text("run,part,serial,characteristic,stage,value_in,gauge,read_at\n"
                    "R2,RING,1,od,before,611.088,G1,2026-07-02T08:00\n")  # fmt: skip
    asked = inside("take", "readings", "r.csv", "--book", "own")
    assert asked.returncode == 1 and "take it as it is with --affirm 2" in asked.stderr
    taken = inside("take", "readings", "r.csv", "--affirm", "2", "--book", "own")
    assert taken.returncode == 0 and "1 added" in taken.stdout
    assert (
        "Note: line 2: the calibration of gauge G1 ended on 2026-06-30, before it was used on 2026-07-02"
        in taken.stderr
    )
    assert inside("take", "readings", "r.csv", "--affirm", "x", "--book", "own").returncode == 2
    by_hand = ("add", "readings", *(f"{k}={v}" for k, v in {**READING, "serial": "2", "value_in": "611.088"}.items()))
    assert inside(*by_hand, "--book", "own").returncode == 1
    assert inside(*by_hand, "--affirm", "--book", "own").returncode == 0


def test_a_review_says_when_a_treatment_softens() -> None:
    from loadbook.analysis.planning.softening import Hardness, softens
    from loadbook.queries import review_words

    def said(unit: str, *pairs: tuple[float, float], lower: float | None = None, process: str = "age") -> list[str]:
        read = Hardness("P", "core", unit, [("R1", *p) for p in pairs], lower)
        return [review_words.said(r, "si").remark for r in softens([read], process)]

    assert said("HRC", (52.0, 48.0), (51.5, 48.5), (51.8, 47.9), lower=50.0) == [
        "core fell from 51.8 to 48 HRC (middle of 3 pieces in 1 run); 3 of 3 pieces fell below 50 HRC"
    ]
    assert said("HV 10", (400.0, 370.0), (405.0, 371.0), (398.0, 372.0)) != []
    assert said("HRC", (52.0, 51.4), (51.5, 51.6), (51.8, 51.2)) == []  # within what a tester repeats
    assert said("HV 10", (400.0, 395.0), (405.0, 401.0), (398.0, 399.0)) == []
    assert said("HRC", (52.0, 48.0), (51.5, 48.5)) == []  # two pieces
    assert said("HRC", (20.0, 60.0), (21.0, 61.0), (19.0, 60.0)) == []  # hardened
    tempered = (54.0, 48.0), (54.5, 48.5), (53.8, 47.9)
    assert said("HRC", *tempered, lower=46.0, process="temper") == []  # as asked
    assert said("HRC", *tempered, lower=48.0, process="temper") == [
        "core fell from 54 to 48 HRC (middle of 3 pieces in 1 run); 1 of 3 pieces fell below 48 HRC"
    ]
    assert said("HRC", *tempered, process="stress relief anneal") != []


def test_stress_and_section_results_are_no_movement_in_lengths(own: BookFolder) -> None:
    from loadbook.queries.moved import moved

    for stage, value in (("before", "-412"), ("after", "-60")):
        add_row(
            own, "readings", {**READING, "part": "GEAR", "characteristic": "stress", "stage": stage, "value": value}
        )
    for stage, value in (("before", "0.95"), ("after", "0.98")):
        add_row(
            own, "readings", {**READING, "part": "GEAR", "characteristic": "case", "stage": stage, "value_mm": value}
        )
    rows = {r["kind"]: r for r in moved(own).rows() if r["kind"] in ("residual stress", "case depth")}
    assert (rows["residual stress"]["median"], rows["residual stress"]["unit"]) == (352.0, "MPa")
    assert rows["case depth"]["pieces"] == 0 and rows["case depth"]["set_aside"] == 1


def test_for_ever_is_a_day_that_ends_something(shop: BookFolder) -> None:
    add_row(shop, "gauges", {"gauge": "G-ever", "kind": "x", "calibrated_until": "9999-12-31"})
    (until,) = shop.read().execute("SELECT calibrated_until FROM gauge WHERE gauge = 'G-ever'").fetchone()
    assert until == "9999-12-31"
