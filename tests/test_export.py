"""The month's workbook: real numbers and dates, frozen headers, text that stays text."""

from __future__ import annotations

import subprocess
import zipfile
from collections.abc import Callable
from datetime import datetime
from pathlib import Path

import openpyxl
import pytest

from loadbook.core.errors import UsageError
from loadbook.queries.month import bounds, month_of
from loadbook.readers.tables.take import add_row
from loadbook.render.workbook import Workbook, write_month
from loadbook.store.book import BookFolder

Run = Callable[..., subprocess.CompletedProcess[str]]


@pytest.fixture
def measured(book: BookFolder) -> BookFolder:
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


def test_the_workbook_reads_back(measured: BookFolder, tmp_path: Path) -> None:
    target = tmp_path / "m.xlsx"
    write_month(target, month_of(measured, "2026-03"), system="si", zone=measured.zone)
    found = openpyxl.load_workbook(target)
    assert found.sheetnames == ["Summary", "Runs", "Verdicts", "Movement", "By treatment", "Set aside", "Charts",
                                "Definitions"]  # fmt: skip
    runs = found["Runs"]
    heads = [c.value for c in runs[1]]
    assert [runs.cell(r, 1).value for r in (2, 3)] == ["R1", "=R2"]
    assert runs.cell(3, 1).data_type == "s", "text that begins with = stays text"
    assert runs.cell(3, heads.index("note") + 1).value == "@SUM(A1)"
    assert runs.cell(3, heads.index("started") + 1).value == datetime(2026, 3, 31, 23, 30)
    assert runs.freeze_panes == "B2"
    assert runs.auto_filter.ref.startswith("A1:")
    moved = found["Movement"]
    heads = [c.value for c in moved[1]]
    assert moved.cell(2, heads.index("movement_um") + 1).value == pytest.approx(12.3)
    assert moved.cell(3, heads.index("movement_um") + 1).value is None
    assert moved.cell(3, heads.index("set_aside") + 1).value == "no after reading"
    assert str(found["Summary"]["B3"].value).startswith("=COUNTA(Runs!")
    known = openpyxl.load_workbook(target, data_only=True)
    counts = {row[0].value: row[1].value for row in known["Summary"].iter_rows(min_row=2)}
    assert (counts["runs"], counts["characteristics with movement"], counts["characteristics set aside"]) == (2, 1, 1)


def test_a_us_book_shows_inches(measured: BookFolder, tmp_path: Path) -> None:
    target = tmp_path / "m.xlsx"
    write_month(target, month_of(measured, "2026-03"), system="us", zone=measured.zone)
    moved = openpyxl.load_workbook(target)["Movement"]
    heads = [c.value for c in moved[1]]
    assert moved.cell(2, heads.index("before_in") + 1).value == pytest.approx(80.0 / 25.4)


def test_totals_are_formulas(measured: BookFolder, tmp_path: Path) -> None:
    target = tmp_path / "m.xlsx"
    write_month(target, month_of(measured, "2026-03"), system="si", zone=measured.zone)
    runs = openpyxl.load_workbook(target)["Runs"]
    column = [c.value for c in runs[1]].index("pieces") + 1
    assert str(runs.cell(4, column).value).startswith("=SUM(")


def test_charts_are_native_and_refer_to_cells(measured: BookFolder, tmp_path: Path) -> None:
    """The office program draws them from the sheets: figures stand in cells, by formulas that refer to the tables."""
    target = tmp_path / "m.xlsx"
    write_month(target, month_of(measured, "2026-03"), system="si", zone=measured.zone)
    with zipfile.ZipFile(target) as parts:
        charts = [parts.read(n).decode() for n in parts.namelist() if n.startswith("xl/charts/chart")]
    assert len(charts) == 3, "verdicts, rates, and one unit of movement"
    assert any("Charts!$B$1:$B$3" in c for c in charts) and any("errBars" in c for c in charts)
    sheet = openpyxl.load_workbook(target)["Charts"]
    formulas = [c.value for row in sheet.iter_rows() for c in row if str(c.value).startswith("=")]
    assert any("'By treatment'!" in f for f in formulas) and "=Summary!B8" in formulas
    shown = openpyxl.load_workbook(target, data_only=True)["Charts"]
    medians = [row[1].value for row in shown.iter_rows() if row[0].value and "inside diameter" in str(row[0].value)]
    assert medians == [pytest.approx(12.3)]


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
    heads = ["run", "asked_heating_rate_peak_c_per_h", "share", "text"]
    made.sheet("Runs", heads, [["R1", 94.123456, 0.4285714285, "word " * 40], ["R2", 60.0, 1.0, "short"]])
    made.close()
    sheet = openpyxl.load_workbook(target)["Runs"]
    assert sheet.column_dimensions["B"].width >= len(heads[1]), "no header is broken"
    assert (sheet["B2"].number_format, sheet["C2"].number_format) == ("0.0", "0.0000")
    assert sheet["C2"].value == 0.4285714285, "what is shown short is kept whole"
    assert sheet["D2"].alignment.wrap_text and sheet.row_dimensions[2].height > 40
    assert sheet.row_dimensions[3].height is None
    assert sheet.print_title_rows and sheet.page_setup.orientation == "landscape"


def test_export_never_overwrites(measured: BookFolder, loadbook: Run) -> None:
    first = loadbook("export", "2026-03", "-o", "m.xlsx", cwd=measured.path)
    assert first.returncode == 0, first.stderr
    assert "2 runs, 0 clauses, 2 characteristics" in first.stdout
    again = loadbook("export", "2026-03", "-o", "m.xlsx", cwd=measured.path)
    assert again.returncode == 2
    assert "there is a file of that name already" in again.stderr
    wrong = loadbook("export", "2026-03", "-o", "m.csv", cwd=measured.path)
    assert "Let it end in .xlsx" in wrong.stderr


def test_an_empty_month_is_said(book: BookFolder, loadbook: Run) -> None:
    done = loadbook("export", "2031-01", "-o", "empty.xlsx", cwd=book.path)
    assert done.returncode == 0
    assert "No run began in 2031-01; the book's runs began from 2026-03-01 to 2026-03-01" in done.stderr


def test_an_empty_month_is_a_workbook_too(measured: BookFolder, tmp_path: Path) -> None:
    target = tmp_path / "m.xlsx"
    write_month(target, month_of(measured, "2020-01"), system="si", zone=measured.zone)
    assert openpyxl.load_workbook(target)["Runs"].max_row == 1
