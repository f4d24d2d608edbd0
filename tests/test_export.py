"""The office's workbook: what needs attention first, real numbers and dates, text that stays text, one customer's part.

Written by one library, read here by two others.
"""

from __future__ import annotations

import re
import shutil
import subprocess
import zipfile
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Any

import openpyxl
import pytest
from python_calamine import CalamineWorkbook

from loadbook.core.errors import UsageError
from loadbook.queries.month import bounds
from loadbook.queries.office import Office, _left, office_of, period
from loadbook.queries.recompute import recompute
from loadbook.readers.tables.take import add_row
from loadbook.render.workbook.columns import CLAUSES, MOVEMENT, RUNS
from loadbook.render.workbook.file import Workbook
from loadbook.render.workbook.office import write_office
from loadbook.store.book import BookFolder
from loadbook.store.records import add_intake
from loadbook.store.shop import set_shop

from .conftest import small_rows
from .pagebook import page_book
from .smallbook import put, reading, run, small

Run = Callable[..., subprocess.CompletedProcess[str]]
SHEETS = ["Summary", "Attention", "Runs", "Clauses", "Movement", "By treatment", "Set aside", "Charts", "Definitions"]


def of(book: BookFolder, month: str, customer: str | None = None) -> Office:
    return office_of(book, period(book, month, None, None), customer)


def written(book: BookFolder, path: Path, month: str = "2026-03", system: str = "si", **more: Any) -> Any:
    """The workbook of a month, as openpyxl reads it."""
    write_office(path, of(book, month, more.pop("customer", None)), system, **more)
    return openpyxl.load_workbook(path)


def heads_of(sheet: Any) -> list[str]:
    return [c.value for c in sheet[1]]


def cell(sheet: Any, row: int, head: str) -> Any:
    return sheet.cell(row, heads_of(sheet).index(head) + 1)


@pytest.fixture
def measured(book: BookFolder) -> BookFolder:
    return with_readings(book)


@pytest.fixture(scope="module")
def march(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Any]:
    """The workbook of `measured`, made once: its file, and as openpyxl reads it."""
    folder = tmp_path_factory.mktemp("march")
    with BookFolder.create(folder / "book", zone="Europe/Madrid") as made:
        with made.write() as conn:
            add_intake(conn, "parts", small_rows(), rows_read=8)
        return folder / "m.xlsx", written(with_readings(made), folder / "m.xlsx")


def with_readings(book: BookFolder) -> BookFolder:
    """The small book with one movement, one reading without its pair, and a hostile note."""
    for serial, stage, value in (
        ("007", "before", "80.0000"),
        ("007", "after", "80.0123"),
        ("008", "before", "80.0001"),
    ):
        add_row(
            book, "readings",
            {"part": "00123", "serial": serial, "characteristic": "bore", "stage": stage,
             "value_mm": value, "gauge": "G1"},
        )  # fmt: skip
    add_row(
        book, "runs", {"run": "=R2", "furnace": "F1", "cycle": "-", "started": "2026-03-31T23:30", "note": "@SUM(A1)"}
    )
    add_row(book, "runs", {"run": "R3", "furnace": "F1", "cycle": "-", "started": "2026-04-01T00:30"})
    return book


def test_months_are_the_shops(book: BookFolder) -> None:
    first, last = bounds("2026-03", book)
    assert (first.isoformat(), last.isoformat()) == ("2026-02-28T23:00:00+00:00", "2026-03-31T22:00:00+00:00")
    for wrong in ("2026-13", "26-03", "March", "0000-01"):
        with pytest.raises(UsageError, match="is not a month"):
            bounds(wrong, book)


def test_a_span_is_a_month_or_days_from_one_to_another(book: BookFolder) -> None:
    span = period(book, None, "2026-01", "2026-03")
    assert span.name == "2026-01-01 to 2026-03-31" and span.until == bounds("2026-03", book)[1]
    assert period(book, None, "2026-03-30", "2026-03-31").until == span.until
    assert period(book, "2026-03", None, None).name == "March 2026"
    for given, said in (
        ((None, None, None), "no span is given"), ((None, None, "2026-03-01"), "no span is given"),
        (("2026-03", "2026-03-01", None), "two spans"), ((None, "2026-03-02", "2026-03-01"), "before --from"),
        ((None, "03/04/2026", None), "year first"),
    ):  # fmt: skip
        with pytest.raises(UsageError, match=said):
            period(book, *given)


def test_the_workbook_reads_back(march: tuple[Path, Any]) -> None:
    path, found = march
    assert found.sheetnames == SHEETS
    runs = found["Runs"]
    assert [cell(runs, r, "Run").value for r in (2, 3)] == ["R1", "=R2"]
    assert cell(runs, 3, "Run").data_type == "s", "text that begins with = stays text"
    assert cell(runs, 3, "Note").value == "@SUM(A1)"
    assert cell(runs, 3, "Began").value == datetime(2026, 3, 31, 23, 30)
    assert runs.freeze_panes == "B2" and runs.auto_filter.ref.startswith("A1:")
    moved = found["Movement"]
    assert cell(moved, 2, "Moved, µm").value == pytest.approx(12.3)
    assert cell(moved, 3, "Moved, µm").value is None
    assert cell(moved, 3, "Set aside, because").value == "no after reading"
    assert [cell(moved, 2, h).value for h in ("Before", "After", "Unit")] == [80.0, 80.0123, "mm"]
    # another library reads the same
    rows = CalamineWorkbook.from_path(str(path)).get_sheet_by_name("Runs").to_python()
    assert [r[0] for r in rows] == ["Run", "R1", "=R2", "total"]


@pytest.fixture(scope="module")
def judged_march(judged: BookFolder, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Any]:
    """Its workbook: the file, and as openpyxl reads it."""
    path = tmp_path_factory.mktemp("judged-march") / "m.xlsx"
    return path, written(judged, path)


@pytest.fixture(scope="module")
def judged(tmp_path_factory: pytest.TempPathFactory) -> BookFolder:
    """The book whose runs are each hard in one way, judged."""
    made = page_book(tmp_path_factory.mktemp("judged") / "book")
    list(recompute(made))
    return made


def test_the_first_sheet_says_how_the_month_stands(judged: BookFolder, judged_march: tuple[Path, Any]) -> None:
    """Title, whose book, a figure over each word, each verdict coloured and worded, what needs attention."""
    office = of(judged, "2026-03")
    path, found = judged_march
    first = found["Summary"]
    assert first["A1"].value == "March 2026" and "Book book. Runs begun 2026-03-01 to 2026-03-31" in first["A2"].value
    rows = {r: [c.value for c in cells] for r, cells in enumerate(first.iter_rows(), 1)}
    at = next(r for r, cells in rows.items() if cells[0] == "runs")
    words = [w for w in rows[at] if w]
    assert words[:5] == ["runs", "pieces", "kept", "broken", "cannot be told"]
    known = openpyxl.load_workbook(path, data_only=True)["Summary"]
    figures = dict(zip(words, [c.value for c in known[at - 1]], strict=False))
    assert figures["runs"] == len(office.runs) == sum(figures[w] for w in words[2:-1])
    assert figures["kept"] == sum(r["verdict"] == "kept" for r in office.runs)
    assert all(str(c).startswith("=") for c in rows[at - 1] if c is not None), "counted from the sheet Runs"
    colours = {w: first.cell(at, i).fill.fgColor.rgb for i, w in enumerate(words, 1)}
    assert len({colours["kept"], colours["broken"], colours["cannot be told"]}) == 3
    assert any(cells[0] == "Cycle broken" and "R-broken" in cells for cells in rows.values())
    assert first.sheet_properties.pageSetUpPr.fitToPage and first.page_setup.fitToHeight is None, "on one page"
    assert first.page_setup.orientation == "landscape"


def test_what_needs_attention_is_whole_on_a_sheet_of_its_own(judged_march: tuple[Path, Any]) -> None:
    sheet = judged_march[1]["Attention"]
    rows = [[c.value for c in r] for r in sheet.iter_rows(min_row=2)]
    said = {(r[0], r[1]): r for r in rows}
    broken = said[("Cycle broken", "R-broken")]
    assert "limit" in broken[5] and broken[6] == "open"
    assert ("Aborted", "R-aborted") in said and ("Nonconformance open", "R-broken") in said
    assert ("Cannot be told", "R-paper") in said


@pytest.fixture
def two_customers(tmp_path: Path) -> BookFolder:
    """A run with pieces of two customers, one of which left its tolerance, and a confidential job."""
    made = small(tmp_path / "book")
    run(made, "R1", 2, serials=(), note="about OTHER's piece", operator="person 9")
    put(made, "job", {"job": "J-1", "customer": "MINE", "purchase_order": "PO-1"},
        {"job": "J-2", "customer": "OTHER", "purchase_order": "PO-2", "confidential": 1})  # fmt: skip
    put(made, "piece", *({"run": "R1", "part": "00123", "serial": s, "quantity": 1, "job": f"J-{s}"} for s in "12"))
    for serial, after in (("1", 100.5), ("2", 100.001)):
        put(made, "reading", reading("R1", "before", 100.0, None, serial=serial),
            reading("R1", "after", after, None, serial=serial))  # fmt: skip
    return made


def test_customer_order_part_and_tolerance_stand_where_the_office_needs_them(
    two_customers: BookFolder, tmp_path: Path
) -> None:
    found = written(two_customers, tmp_path / "m.xlsx")
    assert [cell(found["Runs"], 2, h).value for h in ("Customer", "Order")] == ["MINE; OTHER", "PO-1; PO-2"]
    assert cell(found["Runs"], 2, "Pieces that left tolerance").value == 1
    moved = found["Movement"]
    assert [cell(moved, 2, h).value for h in ("Customer", "Order", "Job", "Left tolerance")] == [
        "MINE", "PO-1", "J-1", "yes",
    ]  # fmt: skip
    share = cell(moved, 2, "Moved, of tolerance, %")
    limits = [cell(moved, 2, h).value for h in ("Lower limit", "Upper limit")]
    assert share.value == pytest.approx(0.5 / (limits[1] - limits[0])) and share.number_format == "0 %"
    assert "Stays in the shop" in found["Summary"]["A3"].value and "J-2" in found["Summary"]["A3"].value
    assert cell(found["Attention"], 2, "What").value == "Left tolerance"
    assert cell(found["Attention"], 2, "Order").value == "PO-1"
    past = of(two_customers, "2026-03").past
    assert [(m.month, m.pieces, m.ours) for m in past] == [("2026-03", 2, True)]
    assert past[0].median == pytest.approx((0.5 + 0.001) / 2 / 0.2)
    assert past[0].high == pytest.approx(0.5 / 0.2), "of two the farther one, as everywhere else"
    later = of(two_customers, "2026-05").past
    assert [(m.month, m.ours) for m in later] == [("2026-03", False)], "twelve months before, none in the span"


def test_one_customer_s_part_names_nobody_else(two_customers: BookFolder, tmp_path: Path) -> None:
    found = written(two_customers, tmp_path / "m.xlsx", customer="mine")
    texts = [str(c.value) for s in found for row in s.iter_rows() for c in row if c.value is not None]
    assert any("MINE" in t for t in texts)
    for other in ("OTHER", "PO-2", "J-2", "person 9"):
        assert not [t for t in texts if other in t], other
    assert cell(found["Runs"], 2, "Pieces").value == 1
    assert "for MINE" in found["Summary"]["A1"].value and "For the shop" in found["Summary"]["A3"].value
    with pytest.raises(UsageError, match=r"no customer 'MIEN'.*Did you mean 'MINE'"):
        of(two_customers, "2026-03", "MIEN")


def test_colours_lie_over_words_and_figures(two_customers: BookFolder, tmp_path: Path) -> None:
    found = written(two_customers, tmp_path / "m.xlsx")
    for sheet, columns in (("Runs", RUNS), ("Clauses", CLAUSES), ("Movement", MOVEMENT)):
        wanted = {openpyxl.utils.get_column_letter(i) for i, c in enumerate(columns, 1) if c.mark}
        marked = {re.match("[A-Z]+", str(r.sqref))[0] for r in found[sheet].conditional_formatting}  # type: ignore[index]
        assert marked == (wanted if found[sheet].max_row > 1 else set()), sheet
    rules = [r.formula for f in found["Runs"].conditional_formatting for r in f.rules if r.formula]
    assert ['"broken"'] in rules and ['"kept"'] in rules


def test_a_month_s_runs_print_on_a_few_landscape_pages(march: tuple[Path, Any]) -> None:
    _, found = march
    for name in ("Runs", "Clauses", "Movement", "By treatment"):
        sheet = found[name]
        assert sheet.page_setup.orientation == "landscape" and sheet.page_setup.fitToHeight == 0
        assert int(sheet.page_setup.fitToWidth or 1) <= 2, name
        assert sheet.print_title_rows and sheet.print_title_cols
    assert found["Movement"].print_area.endswith("$R$3") and "more columns on the screen" in str(
        found["Movement"].oddFooter.left.text
    )


def test_a_us_book_speaks_inches_and_fahrenheit(measured: BookFolder, tmp_path: Path) -> None:
    found = written(measured, tmp_path / "m.xlsx", system="us")
    moved = found["Movement"]
    assert cell(moved, 2, "Before").value == pytest.approx(80.0 / 25.4) and cell(moved, 2, "Unit").value == "in"
    assert cell(moved, 2, "Moved, 0.001 in").value == pytest.approx(12.3 / 25.4)
    assert {"Set rate, °F/h", "Achieved hold, °F", "Load, lb"} <= set(heads_of(found["Runs"]))
    assert found["Runs"].page_setup.paperSize == 1


def test_keys_in_place_of_headings(measured: BookFolder, tmp_path: Path) -> None:
    """For a program: the names of `loadbook sql`, in the book's units."""
    found = written(measured, tmp_path / "m.xlsx", keys=True)
    assert cell(found["Movement"], 2, "movement_um").value == pytest.approx(12.3)
    assert {"run", "started", "asked_heating_rate_peak_c_per_h", "verdict"} <= set(heads_of(found["Runs"]))
    us = written(measured, tmp_path / "us.xlsx", system="us", keys=True)
    assert cell(us["Movement"], 2, "movement_thou").value == pytest.approx(12.3 / 25.4)


def test_every_heading_is_explained_or_plain(march: tuple[Path, Any]) -> None:
    _, found = march
    told = {c.value for c in found["Definitions"]["A"][1:]}
    plain = {"Run", "Part", "Job", "Serial", "Furnace", "Kind", "Nominal", "Gauge", "Operator", "Note", "Runs",
             "Pieces", "Part numbers", "Readings", "Atmosphere", "Setup", "Process"}  # fmt: skip
    for sheet in ("Runs", "Clauses", "Movement", "By treatment", "Set aside"):
        assert set(heads_of(found[sheet])) - plain <= told, sheet
    rate = next(r for r in found["Definitions"].iter_rows(values_only=True) if r[0] == "Achieved rate, °C/h")
    assert "Steepest rise" in rate[1] and rate[5] == "heating_rate_peak_c_per_h"


def test_figures_have_no_more_digits_than_they_have() -> None:
    """A count is a whole number among temperatures; what cannot have left a tolerance is not said to have stayed."""
    value = {c.key: c for c in CLAUSES}["value"]
    forms = [value.value({"value": v, "unit": u}, "us").form for v, u in ((4.0, None), (4.0, ""), (600.0, "c"))]
    assert forms == ["0", "0", "0.0"]
    m = {"set_aside": None, "before_mm": 1.0, "after_mm": 3.0, "lower_mm": None, "upper_mm": 2.0}
    told = [_left(m | x) for x in ({}, {"after_mm": 2.0}, {"set_aside": "no after reading"}, {"upper_mm": None})]
    assert told == [True, False, None, None]


def test_totals_are_formulas(march: tuple[Path, Any]) -> None:
    runs = march[1]["Runs"]
    assert str(cell(runs, 4, "Pieces").value).startswith("=SUM(")


def test_a_treatment_without_a_movement_is_listed_and_not_drawn(measured: BookFolder, tmp_path: Path) -> None:
    """Hardness read after the run alone: no median to draw a bar of; its pieces are counted as set aside."""
    add_row(measured, "characteristics", {"part": "00123", "characteristic": "h", "kind": "hardness", "unit": "HRC"})
    reading = {"part": "00123", "serial": "007", "characteristic": "h", "stage": "after", "value_hrc": "30"}
    add_row(measured, "readings", reading)
    found = written(measured, tmp_path / "m.xlsx")
    kinds = [cell(found["By treatment"], r, "Kind").value for r in range(2, found["By treatment"].max_row + 1)]
    assert "hardness" in kinds
    with zipfile.ZipFile(tmp_path / "m.xlsx") as parts:
        charts = [n for n in parts.namelist() if n.startswith("xl/charts/chart")]
    assert len(charts) == 3  # runs by day, rates, the bore


def test_charts_are_native_and_refer_to_cells(march: tuple[Path, Any]) -> None:
    """The office program draws them from the sheets: figures stand in cells, by formulas that refer to the tables."""
    path, found = march
    with zipfile.ZipFile(path) as parts:
        charts = [parts.read(n).decode() for n in parts.namelist() if n.startswith("xl/charts/chart")]
    assert len(charts) == 3, "runs by day, rates, and one unit of movement; no piece has a tolerance"
    assert any("Charts!$B$2:$B$32" in c for c in charts) and any("errBars" in c for c in charts)
    sheet = found["Charts"]
    formulas = [c.value for row in sheet.iter_rows() for c in row if str(c.value).startswith("=")]
    assert any("'By treatment'!" in f for f in formulas) and any("COUNTIFS(Runs!" in f for f in formulas)
    shown = openpyxl.load_workbook(path, data_only=True)["Charts"]
    days = [[c.value for c in row[:6]] for row in shown.iter_rows(min_row=2, max_row=32)]
    assert [d[0].day for d in days] == list(range(1, 32)) and sum(sum(d[2:]) for d in days) == 2
    assert sum(days[30][2:]) == 1, "23:30 on the shop's clock is still the last of the month"
    medians = [row[1].value for row in shown.iter_rows() if row[0].value and "inside diameter" in str(row[0].value)]
    assert medians == [pytest.approx(12.3)]


def test_a_long_span_is_drawn_by_weeks_or_months(measured: BookFolder, tmp_path: Path) -> None:
    for first, last, head, count in (("2026-02", "2026-05", "week", 18), ("2025-01", "2026-06", "month", 18)):
        span = period(measured, None, first, last)
        write_office(tmp_path / f"{head}.xlsx", office_of(measured, span), "si")
        rows = list(
            openpyxl.load_workbook(tmp_path / f"{head}.xlsx", data_only=True)["Charts"].iter_rows(values_only=True)
        )
        assert rows[0][1] == head
        drawn = rows[1 : count + 1]
        assert rows[count + 1][0] is None and sum(sum(r[2:6]) for r in drawn) == 3, head


def test_text_longer_than_a_cell_stands_whole_on_a_last_sheet(tmp_path: Path, book: BookFolder) -> None:
    target = tmp_path / "x.xlsx"
    long = "=" + "".join(str(i) for i in range(20_000))
    made = Workbook(target, "si", book.zone)
    made.sheet("Notes", ["run", "note"], [["R1", long], ["R2", "x" * 32_767]])
    made.close()
    found = openpyxl.load_workbook(target)
    assert found.sheetnames == ["Notes", "Long texts"]
    assert str(found["Notes"]["B2"].value).endswith("... (whole on the sheet Long texts)")
    assert found["Notes"]["B3"].value == "x" * 32_767
    rows = list(found["Long texts"].iter_rows(min_row=2, values_only=True))
    assert [r[:2] for r in rows] == [("Notes B2", n) for n in range(1, len(rows) + 1)]
    assert "".join(str(r[2]) for r in rows) == long


def test_a_sheet_can_be_read_as_it_opens(tmp_path: Path, book: BookFolder) -> None:
    target = tmp_path / "x.xlsx"
    made = Workbook(target, "si", book.zone)
    heads = ["run", "Asked rate, °C/h", "share", "text"]
    rows = [["R1", 94.123456, 0.4285714285, "word " * 40], ["R2", 60.0, 1.0, "short"]]
    made.sheet("Runs", heads, rows, forms=["", "0.0", "", ""])
    made.close()
    sheet = openpyxl.load_workbook(target)["Runs"]
    assert sheet.column_dimensions["B"].width >= len(heads[1]), "no header is broken"
    assert (sheet["B2"].number_format, sheet["C2"].number_format) == ("0.0", "0.0000")
    assert sheet["C2"].value == 0.4285714285, "what is shown short is kept whole"
    assert sheet["D2"].alignment.wrap_text and sheet.row_dimensions[2].height > 40
    assert sheet.row_dimensions[3].height is None
    assert sheet.print_title_rows and sheet.page_setup.orientation == "landscape"


def test_export_never_overwrites(measured: BookFolder, inside: Run) -> None:
    first = inside("export", "2026-03", "-o", "m.xlsx", cwd=measured.path)
    assert first.returncode == 0, first.stderr
    assert "2 runs, 0 clauses, 2 movements" in first.stdout
    again = inside("export", "2026-03", "-o", "m.xlsx", cwd=measured.path)
    assert again.returncode == 2
    assert "there is a file of that name already" in again.stderr
    assert "add --force" in again.stderr
    assert inside("export", "2026-03", "-o", "m.xlsx", "--force", cwd=measured.path).returncode == 0
    wrong = inside("export", "2026-03", "-o", "m.csv", cwd=measured.path)
    assert "a workbook is a .xlsx, not a .csv" in wrong.stderr and "Did you mean m.xlsx?" in wrong.stderr
    named = inside("export", "--from", "2026-03-01", "--to", "2026-03", cwd=measured.path)
    assert named.returncode == 0 and re.match(r"export-2026-03-01-to-2026-03-31-\w+\.xlsx: 2 runs", named.stdout)


def test_an_empty_month_is_said(book: BookFolder, inside: Run) -> None:
    done = inside("export", "2031-01", "-o", "empty.xlsx", cwd=book.path)
    assert done.returncode == 0
    assert "No run began in 2031-01; the book's runs began from 2026-03-01 to 2026-03-01" in done.stderr


def test_an_empty_month_is_a_workbook_too(measured: BookFolder, tmp_path: Path) -> None:
    found = written(measured, tmp_path / "m.xlsx", "2020-01")
    assert found["Runs"].max_row == 1
    texts = [c.value for row in found["Summary"].iter_rows() for c in row if c.value]
    assert "Nothing that the book knows of." in texts and 0 in [c.value for c in found["Summary"][4]]


def test_the_first_sheet_names_the_shop_and_a_narrow_sheet_prints_at_its_own_size(
    judged: BookFolder, tmp_path: Path
) -> None:
    shutil.copytree(judged.path, tmp_path / "book")
    with BookFolder.open(tmp_path / "book") as book:
        set_shop(book, {"name": "Ostermoor Heat Treating"})
        found = written(book, tmp_path / "m.xlsx")
    assert found["Summary"]["A2"].value.startswith("Ostermoor Heat Treating. Runs begun")
    assert found["Runs"].sheet_properties.pageSetUpPr.fitToPage
    assert not found["Set aside"].sheet_properties.pageSetUpPr.fitToPage  # two columns are not blown up
