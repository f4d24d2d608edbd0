"""Figures of other records than readings that cannot well be so are asked about; honest ones never."""

from __future__ import annotations

import subprocess
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path

import pytest

from loadbook.core import times
from loadbook.core.errors import IntakeError
from loadbook.readers.tables.take import take_file
from loadbook.store.book import BookFolder

Run = Callable[..., subprocess.CompletedProcess[str]]
PART = "part,material,length_in,section_thick_in,section_thin_in,mass_lb"
SIZE = "part,characteristic,kind,nominal_in,lower_in,upper_in,reference_length_in"
RUN = "run,furnace,cycle,started,ended"
METAL = "material,family,cte_per_k,conductivity_w_mk,density_kg_m3,specific_heat_j_kgk,c_pct"
PIECE = "run,part,serial,stock_in,tempered_at_f"

CAST = "material,family,cte_per_k,c_pct"
SLIPS = {  # kind, header, row, the column and the beginning of what is asked
    "expansion without its power of ten": ("materials", METAL, "X,steel,12.3,42,7850,560,0.4", "cte_per_k: usual is"),
    "density in g/cm3": ("materials", METAL, "X,steel,12.3e-6,42,7.85,560,0.4", "density_kg_m3: usual is 1000 to"),
    "heat in kJ": ("materials", METAL, "X,steel,12.3e-6,42,7850,0.56,0.4", "specific_heat_j_kgk: usual is"),
    "deviations as limits": ("characteristics", SIZE, "00123,od2,outside diameter,4.7244,-.0012,,",
                             "lower_in: the nominal is 4.724 in: a deviation typed as a limit?"),
    "limits on another scale": ("characteristics", "part,characteristic,kind,unit,lower", "00123,h,hardness,HRC,280",
                                "lower: HRC goes from 8 to 72: another scale?"),
    "another century": ("gauges", "gauge,kind,calibrated_until", "G9,micrometer,1927-05-04",
                        "calibrated_until: that is 1927: a slip of the year?"),
    "O for zero": ("pieces", "run,part,serial", "R1,00123,A0123\nR1,00123,AO123", "serial: the run has A0123"),
    "another month": ("events", "run,at,event", "R1,2026-04-01T09:30,door opened", "at: 30 days from the start of run"),
    "expansion per F": ("materials", CAST, "X,tool steel,6.4e-6,0.4", "cte_per_k: low for tool steel: per °F"),
    "carbon as a fraction": ("materials", CAST, "X,low-alloy steel,12e-6,0.0041", "c_pct: low for low-alloy steel"),
    "serial as a power": ("pieces", "run,part,serial", "R1,00123,1.00E+05", "serial: a spreadsheet writes a number"),
    "serial with .0": ("pieces", "run,part,serial", "R1,00123,55.0", "serial: a spreadsheet writes a number so"),
    "serial as a day": ("pieces", "run,part,serial", "R1,00123,3-Aug", "serial: that is a date"),
    "serial as a date": ("pieces", "run,part,serial", "R1,00123,08.03.2026", "serial: that is a date"),
    "part as a month": ("parts", "part,material", "Mrz-26,42CrMo4", "part: that is a date"),
    "carbon in points": ("materials", METAL, "X,steel,12.3e-6,42,7850,560,41", "c_pct: usual is 0 to 7"),
    "section in mm under inches": (
        "parts", PART, "P,42CrMo4,16.5,38,12,20.7", "section_thick_in: a section thicker than the part is long (16.5",
    ),
    "all in mm under inches": ("parts", PART, "P,42CrMo4,420,38,,20.7", "mass_lb: its dimensions ask for more than"),
    "mass in g under lb": ("parts", PART, "P,42CrMo4,16.5,1.5,0.5,9400", "mass_lb: no more than 5901 lb fits"),
    "nominal in mm": ("characteristics", SIZE, "RING,od,OD,80,,,", "nominal_in: the part is only 16 in long"),
    "a limit, a digit lost": ("characteristics", SIZE, "RING,o,OD,3.15,3.149,31.5,", "upper_in: the nominal is 3.15"),
    "limits without a nominal": ("characteristics", SIZE, "RING,od,OD,,1.0502,3.1502,", "upper_in: the lower limit is"),
    "flatness in thousandths": ("characteristics", SIZE, "RING,flat,flatness,,,10,", "upper_in: a form error of this"),
    "span in mm": ("characteristics", SIZE, "RING,f,flatness,,,0.01,400", "reference_length_in: the part is only 16"),
    "a year later": ("runs", RUN, "R,F1,-,2026-03-02T08:00,2027-03-02T20:00", "ended: a run of 365 days"),
    "years changed over": ("runs", RUN, "R,F1,-,2062-03-02T08:00,", "started: that is 2062"),
    "zeros lost": ("pieces", PIECE, "R1,00123,7,,", "serial: the run has 007 of this part: the same piece?"),
    "small letters": ("pieces", PIECE, "R1,00123,a 1,,\nR1,00123,A01,,", "serial: the run has a 1 of this part"),
    "stock in mm": ("pieces", PIECE, "R1,00123,9,1.5,", "stock_in: stock per side"),
    "tempered in °F": ("pieces", "run,part,serial,tempered_at_c", "R1,00123,9,1150", "tempered_at_c: usual is"),
    "uncertainty in µm": ("gauges", "gauge,kind,resolution_mm,expanded_uncertainty_mm", "G9,micrometer,1,3",
                          "resolution_mm: usual is 1e-06 mm to 0.99 mm"),
    "a furnace in °C under °F": ("furnaces", "furnace,atmosphere,uniformity_c,max_temp_c", "F9,air,6,6000",
                                 "max_temp_c: usual is 100 °C to 3200 °C"),
}  # fmt: skip
HONEST = {
    "Invar": ("materials", METAL, "X,nickel alloy,1.2e-6,10,8100,515,0.05"),
    "tungsten": ("materials", METAL, "X,tungsten,4.5e-6,170,19300,134,0"),
    "grey iron": ("materials", METAL, "X,cast iron,11e-6,50,7200,500,3.6"),
    "magnesium": ("materials", METAL, "X,magnesium,26e-6,96,1740,1020,"),
    "a cube": ("parts", PART, "P,42CrMo4,4,4,4,18"),
    "a long pin": ("parts", PART, "P,42CrMo4,60,0.25,0.25,0.83"),
    "a thin ring": ("parts", PART, "P,42CrMo4,60,2,0.5,150"),
    "a flange, its axial length": ("parts", PART, "P,42CrMo4,2,3,1.5,60"),
    "an outside diameter of three times the axial length": ("characteristics", SIZE, "RING,od,OD,48,47.9,48.1,48"),
    "a sheet": ("parts", PART, "P,42CrMo4,48,0.0625,0.0625,27"),
    "a deviation about zero": ("characteristics", SIZE, "RING,y,distance,0,-0.01,0.01,"),
    "a rough bore": ("characteristics", SIZE, "RING,bore,ID,2,1.9,2.1,"),
    "a wide flatness of a large frame": ("characteristics", SIZE, "RING,flat,flatness,,,0.07,"),
    "nitriding for a week": ("runs", RUN, "R,F1,-,2026-03-02T08:00,2026-03-10T20:00"),
    "serials that differ": ("pieces", PIECE, "R1,00123,0070,0.06,1150\nR1,00123,1-2,,\nR1,00123,12,,"),
    "a forging's stock": ("pieces", PIECE, "R1,00123,9,0.5,"),
    "a steel rule": ("gauges", "gauge,kind,resolution_mm", "G9,rule,0.5"),
}


def ready(book: BookFolder, tmp_path: Path) -> None:
    text = "part,material,length_in,section_thick_in\nRING,42CrMo4,16,2\n"
    (tmp_path / "ring.csv").write_text(text, encoding="utf-8")
    take_file(book, "parts", tmp_path / "ring.csv")


@pytest.mark.parametrize("name", SLIPS)
def test_a_slip_is_asked_about_and_affirmed(name: str, book: BookFolder, tmp_path: Path) -> None:
    ready(book, tmp_path)
    kind, header, row, asked = SLIPS[name]
    path = tmp_path / "a.csv"
    path.write_text(f"{header}\n{row}\n", encoding="utf-8")
    with pytest.raises(IntakeError) as caught:
        take_file(book, kind, path)
    line = len(row.splitlines()) + 1
    assert f"a.csv:{line}:{asked}" in str(caught.value)
    assert f"--affirm {line}" in str(caught.value)
    assert take_file(book, kind, path, affirm=frozenset([line])).added == line - 1
    path.write_text(f"{header}\n{row}\n\n", encoding="utf-8")  # another file with the same row: it stands in the book
    assert take_file(book, kind, path).already == line - 1


@pytest.mark.parametrize("name", HONEST)
def test_an_honest_figure_is_not_asked_about(name: str, book: BookFolder, tmp_path: Path) -> None:
    ready(book, tmp_path)
    kind, header, row = HONEST[name]
    path = tmp_path / "a.csv"
    path.write_text(f"{header}\n{row}\n", encoding="utf-8")
    assert take_file(book, kind, path).added == len(row.splitlines())


def test_a_run_planned_for_next_month_is_not_asked_about(book: BookFolder, tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_text(f"{RUN}\nR,F1,-,{times.now() + timedelta(days=30):%Y-%m-%dT08:00},\n", encoding="utf-8")
    assert take_file(book, "runs", path).added == 1


def test_an_amended_figure_is_asked_about(book: BookFolder, loadbook: Run) -> None:
    book.close()
    words = ("amend", "parts", "00123", "length_in=1.5", "--why", "drawing B")
    done = loadbook(*words, cwd=book.path)
    assert done.returncode == 0, "only what is amended is asked about"
    done = loadbook("amend", "parts", "00123", "section_thick_in=40", "--why", "drawing B", cwd=book.path)
    assert (done.returncode, "section_thick_in: a section thicker than the part is long (1.5 in)" in done.stderr) == (
        1,
        True,
    )
    done = loadbook("amend", "parts", "00123", "section_thick_in=40", "--why", "so", "--affirm", cwd=book.path)
    assert done.returncode == 0


def test_a_hold_in_fahrenheit_under_celsius(book: BookFolder, tmp_path: Path) -> None:
    from loadbook.readers.cycles.file import take_cycle_file

    cycle = tmp_path / "c.toml"
    cycle.write_text(
        '[cycle]\nid = "SR"\nrevision = "A"\ntitle = "t"\nprocess = "stress relief"\natmosphere = "air"\n'
        '[[segment]]\nkind = "heat"\ntarget = "600 C"\nrate_max = "100 C/h"\n'
        '[[segment]]\nkind = "hold"\ntarget = "600 C"\nminutes = 60\nband_low = "10 C diff"\nband_high = "10 C diff"\n'
        '[[segment]]\nkind = "cool"\ntarget = "100 C"\nrate_max = "100 C/h"\n',
        encoding="utf-8",
    )
    take_cycle_file(book, cycle)
    for name, text in (("runs", f"{RUN}\nR2,F1,SR,2026-03-02T08:00,\n"),
                       ("parameters", "run,parameter,value\nR2,hold_mean_c,598\n")):  # fmt: skip
        (tmp_path / f"{name}.csv").write_text(text, encoding="utf-8")
        assert take_file(book, name, tmp_path / f"{name}.csv").added == 1
    (tmp_path / "p.csv").write_text("run,parameter,value\nR2,hold_max_c,1115\n", encoding="utf-8")
    with pytest.raises(IntakeError, match="SR holds at 600 °C, 1112 °F: °F typed as °C"):
        take_file(book, "parameters", tmp_path / "p.csv")


def test_two_loads_at_one_time_in_one_furnace_are_told(book: BookFolder, tmp_path: Path) -> None:
    """Taken all the same: the note names both, of the book and of the file."""
    from loadbook.queries.remark_words import words

    def notes(*rows: str) -> list[str]:
        path = tmp_path / f"{len(list(tmp_path.iterdir()))}.csv"
        path.write_text("\n".join([RUN, *rows]) + "\n", encoding="utf-8")
        taken = take_file(book, "runs", path)
        assert taken.added == len(rows)
        return [words(n, "si") for n in taken.notes]

    assert notes("A,F1,-,2026-05-01T08:00,2026-05-01T20:00", "B,F1,-,2026-05-01T19:30,2026-05-02T06:00") == []
    assert notes("C,F1,-,2026-05-01T10:00,2026-05-01T22:00") == [
        "line 2: F1 was running A at that time: is the date right, and the furnace?",
        "line 2: F1 was running B at that time: is the date right, and the furnace?",
    ]
    both = notes("D,F1,-,2026-06-01T08:00,2026-06-01T20:00", "E,F1,-,2026-06-01T09:00,2026-06-01T21:00")
    assert both == ["line 3: F1 was running D at that time: is the date right, and the furnace?"]
    assert notes("G,F1,-,2026-06-01T09:00,") == []


def test_an_amended_piece_is_like_itself(book: BookFolder, loadbook: Run) -> None:
    from loadbook.store.lookup import LISTED, find_row

    assert find_row(book.read(), LISTED["pieces"], "R1/00123/008")["serial"] == "008"
    book.close()
    done = loadbook("amend", "pieces", "R1/00123/008", "stock_mm=2", "--why", "drawing", cwd=book.path)
    assert done.returncode == 0
    done = loadbook("amend", "pieces", "R1/00123/008", "stock_mm=200", "--why", "drawing", cwd=book.path)
    assert (done.returncode, "stock per side" in done.stderr) == (1, True)


@pytest.mark.parametrize(
    ("cell", "says"),
    [
        ("80.012 B", "Keep the number and leave out 'B'"),
        ("80.012*", "Keep the number and leave out '*'"),
        ("8O.012", "Write digits"),
        ("80.O12", "Write digits"),
        ("n/a", "Leave the cell empty"),
        ("1 420.5", "Write it as 1420.5"),
        ("<0.02", "without a sign before it"),
        ("20.5 \u00c2\u00b0C", None),
        ("20.5 \u00baC", None),
        ("\u221220.5", None),
    ],
)
def test_a_cell_that_is_no_number_says_what_to_write(cell: str, says: str | None, book: BookFolder) -> None:
    """A degree sign that another encoding made of two, and a minus of a word processor, are read."""
    from loadbook.readers.tables.take import add_row

    given = {"calibration": "K1", "at_c": "600", "correction_c": cell, "calibrated_on": "2026-01-01"}
    if says is None:
        given["at_c"], given["correction_c"] = cell, "1"
        assert abs(add_row(book, "calibrations", given, affirm=True)["at_c"]) == 20.5
        return
    with pytest.raises(IntakeError, match="this is not a number") as caught:
        add_row(book, "calibrations", given)
    assert says in str(caught.value)


def test_letters_lost_to_an_encoding_are_refused(book: BookFolder, tmp_path: Path) -> None:
    path = tmp_path / "runs.csv"
    for name, said in (("M\u00c3\u00bcller", ": 'M\u00fcller'?"), ("M\ufffdller", "")):
        path.write_text(f"{RUN},operator\nR9,F1,-,2026-05-01T08:00,,{name}\n", encoding="utf-8")
        with pytest.raises(IntakeError) as caught:
            take_file(book, "runs", path)
        assert f"runs.csv:2:operator: letters are lost to a wrong encoding{said}" in str(caught.value)
