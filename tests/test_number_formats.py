"""What a workbook shows is what is taken: units and zeros of formats, dates made of serials, merged cells, errors."""

from __future__ import annotations

import struct
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
import xlsxwriter

from loadbook.core.errors import IntakeError, LoadbookError
from loadbook.readers.recorder.options import Options
from loadbook.readers.recorder.read import look
from loadbook.readers.recorder.source import Source
from loadbook.readers.tables.take import take_file
from loadbook.store.book import BookFolder

from .otherbooks import ERROR, Formula, Styled, ods_of, xls

PIECES = ["run", "part", "serial", "heat_number", "position"]
READINGS = ["part", "serial", "characteristic", "stage"]


def workbook(path: Path, rows: list[list[Any]], merged: str = "") -> Path:
    """A workbook of rows; a cell may be (value, number format), or an error such as '#N/A'."""
    with xlsxwriter.Workbook(str(path)) as book:
        sheet = book.add_worksheet()
        for r, row in enumerate(rows):
            for c, cell in enumerate(row):
                value, form = cell if isinstance(cell, tuple) else (cell, None)
                style = book.add_format({"num_format": form}) if form else None
                if isinstance(value, datetime):
                    sheet.write_datetime(r, c, value, style)
                elif isinstance(value, str) and value.startswith("#"):
                    sheet.write_formula(r, c, "=1/0", None, value)
                else:
                    sheet.write(r, c, value, style)
        if merged:
            sheet.merge_range(merged, "laid")
    return path


def test_zeros_and_words_of_a_number_format_stay_in_names(book: BookFolder, tmp_path: Path) -> None:
    rows = [["R1", "00123", (9, "0000"), (1.1, "0.00"), 7], ["R1", "00123", (10, '"S-"000'), 5512, "top"]]
    take_file(book, "pieces", workbook(tmp_path / "p.xlsx", [PIECES, *rows]))
    found = book.read().execute("SELECT serial, heat_number, position FROM piece ORDER BY piece_id DESC LIMIT 2")
    assert [tuple(r) for r in found] == [("S-010", "5512", "top"), ("0009", "1.10", "7")]


@pytest.mark.parametrize(
    ("cell", "says"),
    [
        ((datetime(2026, 3, 11), "d-mmm"), "the spreadsheet made a date or time of this"),
        ((0.5, "hh:mm"), "the spreadsheet made a date or time of this"),
        (True, "the spreadsheet made a truth value of this"),
        ((5e12, "0.00E+00"), "the sheet shows this number in a form of its own"),
        ((7120003, "000-00-0000"), "the sheet shows this number in a form of its own"),
        (1234567890123456789.0, "a spreadsheet keeps 15 digits of a number"),
        ("#DIV/0!", "an error stands in the cell (#DIV/0!)"),
    ],
)
def test_what_the_spreadsheet_made_of_a_serial_is_no_serial(
    cell: Any, says: str, book: BookFolder, tmp_path: Path
) -> None:
    path = workbook(tmp_path / "p.xlsx", [PIECES, ["R1", "00123", cell, "H1", "top"]])
    with pytest.raises(IntakeError) as caught:
        take_file(book, "pieces", path)
    assert f"p.xlsx:2:serial: {says}" in str(caught.value)


def test_an_error_in_a_column_of_numbers_is_not_blank(book: BookFolder, tmp_path: Path) -> None:
    path = workbook(tmp_path / "p.xlsx", [[*PIECES, "tempered_at_c"], ["R1", "00123", "9", "H1", "top", "#REF!"]])
    with pytest.raises(IntakeError, match=r"tempered_at_c: this is not a number \(found '#REF!'\)"):
        take_file(book, "pieces", path)


def test_merged_cells_are_not_blank_below_the_first(book: BookFolder, tmp_path: Path) -> None:
    """--keep-good takes none of their rows."""
    rows = [["R1", "00123", f"M{k}", "H1"] for k in range(4)]
    path = workbook(tmp_path / "p.xlsx", [[*PIECES[:4], "setup"], *rows], merged="E2:E4")
    taken = take_file(book, "pieces", path, keep_good=True)
    assert [p.line for p in taken.refused] == [2, 3, 4]
    assert "rows are merged here: only the first has the value (found 'laid')" in str(taken.refused[0])
    assert taken.added == 1


@pytest.mark.parametrize(
    ("heading", "cells", "wanted"),
    [
        ("value_in", [(3.1497, '0.0000" in"'), (3.1499, '0.0000\\"')], [80.00238, 80.00746]),
        ("value_mm", [(80.0021, "0.0000\\ [$mm]"), (80.0065, "0.0000")], [80.0021, 80.0065]),
        ("value_in", [(80.0021, '0.0000" mm"'), (80.0065, '0.0000" mm"')], "the cell says mm, the heading in"),
        ("value_mm", [(3.1497, '0.0000" in"'), (80.0065, "0.0000")], "the cell says in, the heading mm"),
    ],
)
def test_units_of_number_formats_agree_with_the_heading_or_are_asked_about(
    heading: str, cells: list[Any], wanted: Any, book: BookFolder, tmp_path: Path
) -> None:
    rows = [["00123", "007", "bore", s, c] for s, c in zip(("before", "after"), cells, strict=True)]
    path = workbook(tmp_path / "r.xlsx", [[*READINGS, heading], *rows])
    if isinstance(wanted, str):
        with pytest.raises(IntakeError) as caught:
            take_file(book, "readings", path)
        assert wanted in str(caught.value)
        return
    take_file(book, "readings", path)
    found = [r[0] for r in book.read().execute("SELECT value_mm FROM reading ORDER BY reading_id")]
    assert found == pytest.approx(wanted, abs=1e-9)


def test_per_cent_of_a_number_format(book: BookFolder, tmp_path: Path) -> None:
    """0.45 % of carbon is kept as 0.0045 by the spreadsheet."""
    path = workbook(tmp_path / "m.xlsx", [["material", "family", "c_pct"], ["C45", "carbon steel", (0.0045, "0.00%")]])
    take_file(book, "materials", path)
    assert book.read().execute("SELECT c_pct FROM material WHERE material = 'C45'").fetchone()[0] == 0.45


def test_hardness_says_its_scale_in_the_cells(book: BookFolder, tmp_path: Path) -> None:
    kind = tmp_path / "c.csv"
    kind.write_text("part,characteristic,kind,unit\n00123,core,hardness,HRC\n", encoding="utf-8")
    take_file(book, "characteristics", kind)
    for name, form, stands in (("hrb.xlsx", '0" HRB"', False), ("hrc.xlsx", '0.0" HRC"', True)):
        rows = [["00123", "007", "core", "before", (58, form)], ["00123", "007", "core", "after", (52, form)]]
        path = workbook(tmp_path / name, [[*READINGS, "value"], *rows])
        if stands:
            assert take_file(book, "readings", path).added == 2
        else:
            with pytest.raises(IntakeError, match="is kept in HRC, not in HRB"):
                take_file(book, "readings", path)


START = datetime(2026, 11, 3, 6, 0)


MERGED = struct.pack("<HHH4H", 0x00E5, 10, 1, 1, 2, 3, 3)  # D2:D3


def old(path: Path, rows: list[list[Any]], more: bytes = b"") -> Path:
    path.write_bytes(xls({"S": rows}, more=more))
    return path


def test_an_old_workbook_shows_the_same(book: BookFolder, tmp_path: Path) -> None:
    """Zeros, units and errors of .xls cells, and merged ones, as those of .xlsx."""
    rows = [["R1", "00123", Styled(9, "0000"), "H1"], ["R1", "00123", Styled(Formula(10.0), '"S-"000'), "H1"]]
    take_file(book, "pieces", old(tmp_path / "p.xls", [PIECES[:4], *rows]))
    found = book.read().execute("SELECT serial FROM piece ORDER BY piece_id DESC LIMIT 2")
    assert [r[0] for r in found] == ["S-010", "0009"]
    for cell, says in ((Styled(80.0021, '0.000" mm"'), "the cell says mm, the heading in"), (ERROR, "'#DIV/0!'")):
        path = old(tmp_path / "r.xls", [[*READINGS, "value_in"], ["00123", "007", "bore", "before", cell]])
        with pytest.raises(IntakeError, match=says):
            take_file(book, "readings", path)
    merged = old(tmp_path / "m.xls", [PIECES[:4], ["R1", "00123", "M1", "H1"], ["R1", "00123", "M2"]], MERGED)
    with pytest.raises(IntakeError, match="rows are merged here"):
        take_file(book, "pieces", merged)


def hidden_xlsx(path: Path, rows: list[list[str]]) -> Path:
    with xlsxwriter.Workbook(str(path)) as book:
        sheet, other = book.add_worksheet(), book.add_worksheet()
        other.write(0, 0, "choices")
        other.hide()
        for r, row in enumerate(rows):
            for c, cell in enumerate(row):
                sheet.write(r, c, cell, book.add_format({"font_strikeout": True}) if cell == "M3" else None)
        sheet.set_row(1, None, None, {"hidden": True})
        sheet.set_column(3, 3, None, None, {"hidden": True})
    return path


def hidden_xls(path: Path, rows: list[list[str]]) -> Path:
    more = struct.pack("<HH6HHH", 0x0208, 16, 1, 0, 4, 0, 0, 0, 0x20, 0)
    more += struct.pack("<HH6H", 0x007D, 12, 3, 3, 0, 15, 1, 0)
    cells = [[Styled(c, struck=True) if c == "M3" else c for c in row] for row in rows]
    return old(path, cells, more)


def hidden_ods(path: Path, rows: list[list[str]]) -> Path:
    columns = '<table:table-column table:number-columns-repeated="3"/><table:table-column table:visibility="collapse"/>'
    lines = []
    for number, row in enumerate(rows):
        cells = (text(c, more='table:style-name="ce1"' if c == "M3" else "") for c in row)
        seen = ' table:visibility="filter"' if number == 1 else ""
        lines.append(f"<table:table-row{seen}>{''.join(cells)}</table:table-row>")
    sheets = "".join(
        f'<table:table table:name="{name}" table:style-name="{style}">{body}</table:table>'
        for name, style, body in (("S", "ta1", columns + "".join(lines)), ("T", "ta2", "<table:table-row>"
            + text("choices") + "</table:table-row>"))
    )  # fmt: skip
    path.write_bytes(ods_of(sheets, styles=STYLES))
    return path


STYLES = (
    '<style:style style:name="ce1" style:family="table-cell"><style:text-properties'
    ' style:text-line-through-style="solid"/></style:style><style:style style:name="ta2" style:family="table">'
    '<style:table-properties table:display="false"/></style:style>'
)


@pytest.mark.parametrize("make", [hidden_xlsx, hidden_xls, hidden_ods])
def test_rows_that_are_hidden_or_struck_out_are_asked_about(make: Any, book: BookFolder, tmp_path: Path) -> None:
    """A hidden sheet is none, a hidden column is told of, and whoever means the rows says so."""
    rows = [PIECES[:4], *(["R1", "00123", f"M{k}", "H1"] for k in range(1, 5))]
    path = make(tmp_path / f"p{make.__name__[6:]}", rows)
    with pytest.raises(IntakeError) as caught:
        take_file(book, "pieces", path)
    assert [(p.line, p.column) for p in caught.value.problems] == [(2, "run"), (4, "serial")]
    assert "the row is hidden in the sheet (by a filter?)" in str(caught.value)
    assert "this is struck out in the sheet" in str(caught.value)
    assert "--affirm 4" in str(caught.value)
    taken = take_file(book, "pieces", path, keep_good=True)
    assert taken.added == 2
    assert [(n.code, n.figures["columns"]) for n in taken.notes] == [("columns_hidden", ["heat_number"])]
    path.write_bytes(path.read_bytes() + b" ")  # not the very file again
    assert take_file(book, "pieces", path, affirm=frozenset({2, 4})).added == 2


def chart(path: Path, heading: str, form: str) -> Path:
    rows: list[list[Any]] = [["Time", heading, "Out"]]
    for k in range(60):
        when = START + timedelta(minutes=5 * k)
        rows.append([(when, "yyyy-mm-dd hh:mm"), (20.0 + 5.0 * k, form), (0.25, "0%")])
    return workbook(path, rows)


def test_an_elapsed_time_may_be_shown_with_its_unit(tmp_path: Path) -> None:
    rows: list[list[Any]] = [["Elapsed (h)", "TC1", "TC2"]]
    rows += [[(k / 12, '0.00" h"'), (70.0 + 3 * k, '0" °F"'), (69.0 + 3 * k, '0" °F"')] for k in range(40)]
    path = workbook(tmp_path / "a.xlsx", rows)
    read = look(Source(path.name, path.read_bytes()), Options())
    assert (read.layout.time_kind, read.layout.time_format) == ("elapsed", "h")
    assert [c.unit_read for c in read.reading.channels] == ["f", "f"]
    assert read.reading.t_s[12] == pytest.approx(3600.0)


def test_a_recorders_workbook_says_its_unit_in_the_cells(tmp_path: Path) -> None:
    path = chart(tmp_path / "a.xlsx", "TC1", '0.0" °F"')
    read = look(Source(path.name, path.read_bytes()), Options())
    assert [(c.name, c.unit_read) for c in read.reading.channels[:1]] == [("TC1", "f")]
    assert read.reading.values[0, 0] == pytest.approx((20.0 - 32.0) / 1.8)
    assert read.reading.values[1] == pytest.approx(25.0), "per cent as the sheet shows them"
    other = chart(tmp_path / "b.xlsx", "TC1 (°F)", '0.0" °C"')
    vacuum = chart(tmp_path / "v.xlsx", "Vacuum (mbar)", '0.0E+00" torr"')
    with pytest.raises(LoadbookError, match="carries two units"):
        look(Source(vacuum.name, vacuum.read_bytes()), Options())
    with pytest.raises(LoadbookError, match="carries two units"):
        look(Source(other.name, other.read_bytes()), Options())


def cell(value: float, shown: str, more: str = "") -> str:
    kind = "percentage" if shown.endswith("%") else "float"
    return (
        f'<table:table-cell office:value-type="{kind}" office:value="{value}" {more}>'
        f"<text:p>{shown}</text:p></table:table-cell>"
    )


def text(*words: str, more: str = "") -> str:
    return "".join(
        f'<table:table-cell office:value-type="string" {more}><text:p>{w}</text:p></table:table-cell>' for w in words
    )


def sheet(path: Path, *rows: str) -> Path:
    lines = "".join(f"<table:table-row>{row}</table:table-row>" for row in rows)
    path.write_bytes(ods_of(f'<table:table table:name="S">{lines}</table:table>'))
    return path


def test_an_open_document_shows_the_same(book: BookFolder, tmp_path: Path) -> None:
    """Zeros, units and per cent as they are shown; a cell merged over rows is no blank below."""
    pieces = sheet(tmp_path / "p.ods", text(*PIECES[:3]), text("R1", "00123") + cell(9, "0009"))
    take_file(book, "pieces", pieces)
    assert book.read().execute("SELECT serial FROM piece ORDER BY piece_id DESC").fetchone()[0] == "0009"
    head, row = text(*READINGS, "value_in"), text("00123", "007", "bore", "before")
    with pytest.raises(IntakeError, match="the cell says mm, the heading in"):
        take_file(book, "readings", sheet(tmp_path / "a.ods", head, row + cell(80.0021, "80.002 mm")))
    take_file(book, "readings", sheet(tmp_path / "b.ods", head, row + cell(3.1497, "3.150 in")))
    found = book.read().execute("SELECT value_mm FROM reading").fetchone()[0]
    assert found == pytest.approx(80.00238), "the cell's value and not the digits that it shows"
    metal = sheet(
        tmp_path / "m.ods", text("material", "family", "c_pct"), text("C45", "steel") + cell(0.0045, "0.45 %")
    )
    take_file(book, "materials", metal)
    assert book.read().execute("SELECT c_pct FROM material WHERE material = 'C45'").fetchone()[0] == 0.45
    merged = sheet(
        tmp_path / "n.ods", text(*PIECES[:3], "setup"),
        text("R1", "00123", "M1") + text("laid", more='table:number-rows-spanned="2"'),
        text("R1", "00123", "M2") + "<table:covered-table-cell/>",
    )  # fmt: skip
    with pytest.raises(IntakeError, match="2 of 2 rows refused"):
        take_file(book, "pieces", merged)
