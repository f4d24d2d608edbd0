"""The month as a workbook: real numbers and dates, frozen headers, filters; text stays text.

Every value goes through write_string, write_number, write_datetime or write_boolean: nothing that a
user typed can become a formula or a link. Only the totals are formulas, and those are ours.

The workbook's charts: native ones, drawn by the office program from the sheets' own cells.
"""

from __future__ import annotations

import contextlib
import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from loadbook.core import units, writing
from loadbook.core.errors import LoadbookError, UsageError
from loadbook.core.figures import scale_words, unit_words
from loadbook.core.vocabulary.lookup import terms
from loadbook.render.charts.style import GRID, INK, MUTED, PALETTE

from .book_units import in_units
from .tables import plain

if TYPE_CHECKING:
    import pandas as pd

SHEET = "Charts"
FONT = {"name": "Calibri", "size": 10, "color": INK, "bold": False}
COLUMN_PX, ROW_PX = 64, 20
MOST_BARS = 24


def charts_sheet(book: Workbook, columns: Sequence[str], rows: Sequence[Sequence[Any]], runs: tuple[int, Any]) -> None:
    """A sheet of charts: verdicts, rates asked and achieved, movement by treatment (one chart per unit).

    columns, rows  of the sheet By treatment;  runs  (rows of the sheet Runs, its columns)
    """
    sheet = book.plain_sheet(SHEET)
    bold = book.look(bold=True)
    at = _verdicts(book, sheet, 0)
    count, names = runs
    if count:
        at = _rates(book, sheet, at, count, list(names))
    breaks: list[int] = []
    for unit in dict.fromkeys(row[columns.index("unit")] for row in rows):
        some = [i for i, row in enumerate(rows) if row[columns.index("unit")] == unit][:MOST_BARS]
        label = plain(scale_words(str(unit), "si"))
        sheet.write_string(at, 0, f"movement by treatment, {label}", bold)
        breaks.append(at)
        at = _movement(book, sheet, at + 1, list(columns), rows, some, label)
    sheet.set_column(0, 0, 46)
    sheet.set_h_pagebreaks(breaks)


def _look(chart: Any, title: str, value: str, height: int, ends: tuple[float, float] = (0.0, 0.0)) -> None:
    """The shared look of bars; ends are the least and greatest figure, so that bars begin at zero."""
    chart.set_title({"name": title, "name_font": {**FONT, "size": 12}, "overlay": False})
    chart.set_legend({"none": True})
    line = {"color": MUTED}
    zero = {"min": 0} if ends[0] >= 0 else {"max": 0} if ends[1] <= 0 else {}
    chart.set_x_axis({"name": value, "name_font": FONT, "num_font": FONT, "line": line, **zero,
                      "major_gridlines": {"visible": True, "line": {"color": GRID}}})  # fmt: skip
    chart.set_y_axis({"num_font": FONT, "line": line, "reverse": True, "label_position": "low",
                      "major_gridlines": {"visible": False}})  # fmt: skip
    chart.set_size({"width": 720, "height": height})


def _below(at: int, height: int) -> int:
    """The first free row below a chart."""
    return at + height // ROW_PX + 2


def _verdicts(book: Workbook, sheet: Any, at: int) -> int:
    """How the month's runs stand: the counts of the summary."""
    names = ("cycles kept", "cycles broken", "cycles that cannot be told")
    rows = [book.summary[name] for name in names]
    for i, (name, row) in enumerate(zip(names, rows, strict=True)):
        sheet.write_string(at + i, 0, name, book.look())
        sheet.write_formula(at + i, 1, f"=Summary!B{row + 1}", book.look(), book.summary_value[name])
    chart = book.chart("bar")
    chart.add_series({
        "name": "runs", "categories": [SHEET, at, 0, at + 2, 0], "values": [SHEET, at, 1, at + 2, 1],
        "fill": {"color": PALETTE[0]}, "gap": 60, "data_labels": {"value": True, "font": FONT},
    })  # fmt: skip
    _look(chart, "Verdicts of the month's runs", "runs", 240)
    sheet.insert_chart(at, 3, chart, {"description": "Bars: how many cycles were kept, broken, or cannot be told"})
    return _below(at, 240)


def _rates(book: Workbook, sheet: Any, at: int, count: int, names: list[str]) -> int:
    """Steepest heating rate asked and achieved, run by run, from the sheet Runs."""
    pairs = [n for n in names if "heating_rate_peak" in n]
    if len(pairs) < 2:
        return at
    unit = "°F/h" if pairs[0].endswith("_f_per_h") else "°C/h"
    chart = book.chart("column")
    for name, colour in zip(pairs, (PALETTE[4], PALETTE[0]), strict=False):
        i = names.index(name)
        chart.add_series({
            "name": "asked" if name.startswith("asked") else "achieved", "categories": ["Runs", 1, 0, count, 0],
            "values": ["Runs", 1, i, count, i], "fill": {"color": colour}, "gap": 80,
            "pattern": {"pattern": "wide_upward_diagonal", "fg_color": colour, "bg_color": "white"}
            if name.startswith("asked") else None,
        })  # fmt: skip
    _look(chart, "Heating rate peak, asked (hatched) and achieved", "", 300)
    chart.set_x_axis({"num_font": {**FONT, "rotation": -60}, "line": {"color": MUTED}})
    chart.set_y_axis({"name": unit, "name_font": FONT, "num_font": FONT, "line": {"color": MUTED},
                      "major_gridlines": {"visible": True, "line": {"color": GRID}}})  # fmt: skip
    chart.set_legend({"position": "top", "font": FONT})
    sheet.insert_chart(at, 3, chart, {"description": "Columns: heating rate asked and achieved, one pair a run"})
    return _below(at, 300)


def _movement(
    book: Workbook, sheet: Any, at: int, columns: list[str], rows: Sequence[Sequence[Any]], some: list[int], label: str
) -> int:
    """Medians with their 5 to 95 % of pieces, of the treatments of one unit, by reference to the sheet By treatment."""
    ways = [c for c in ("process", "kind", "setup", "atmosphere") if c in columns]
    figures = {name: columns.index(name) for name in ("median", "low", "high")}
    for n, i in enumerate(some):
        row = rows[i]
        words = ", ".join(str(row[columns.index(c)]) for c in ways if row[columns.index(c)])
        sheet.write_string(at + n, 0, plain(words), book.look())
        value = {k: float(row[j]) for k, j in figures.items()}
        cell = {k: f"'By treatment'!{book.letter(j)}{i + 2}" for k, j in figures.items()}
        number = book.look("0.0")
        sheet.write_formula(at + n, 1, f"={cell['median']}", number, value["median"])
        sheet.write_formula(at + n, 2, f"={cell['high']}-{cell['median']}", number, value["high"] - value["median"])
        sheet.write_formula(at + n, 3, f"={cell['median']}-{cell['low']}", number, value["median"] - value["low"])
    last = at + len(some) - 1
    chart = book.chart("bar")
    chart.add_series({
        "name": f"median ({label})", "categories": [SHEET, at, 0, last, 0], "values": [SHEET, at, 1, last, 1],
        "fill": {"color": PALETTE[0]}, "gap": 45,
        "y_error_bars": {
            "type": "custom", "plus_values": f"={SHEET}!$C${at + 1}:$C${last + 1}",
            "minus_values": f"={SHEET}!$D${at + 1}:$D${last + 1}", "line": {"color": INK, "width": 1.25},
            "plus_data": [float(rows[i][figures["high"]] - rows[i][figures["median"]]) for i in some],
            "minus_data": [float(rows[i][figures["median"]] - rows[i][figures["low"]]) for i in some],
        },
    })  # fmt: skip
    height = 150 + 24 * len(some)
    ends = (min(float(rows[i][figures["low"]]) for i in some), max(float(rows[i][figures["high"]]) for i in some))
    _look(chart, "Movement by treatment: median of pieces, line from 5 to 95 %", label, height, ends)
    sheet.insert_chart(at, 5, chart, {"description": f"Bars: median movement by treatment, in {label}"})
    return max(_below(at, height), last + 3)


LONGEST = 32_767  # characters that a cell holds
PAGE_WIDTH = 190  # characters across a printed page that can still be read
WIDEST = 60  # characters of the widest column
LONG_TEXTS, PIECE = "Long texts", 32_000
MOST_ROWS = 1_048_575
SHARES = ("over_tolerance", "below_gauge")  # of pieces, by treatment
MIXED = ("mean", "mean_low", "mean_high", "median", "low", "high", "worst")  # in the unit of their row
_FORMATS = {
    "kg": "0.0",
    "lb": "0.0",
    "mm": "0.0000",
    "um": "0.0",
    "in": "0.00000",
    "c": "0.0",
    "f": "0.0",
    "per_h": "0.0",
    "minutes": "0",
}


@dataclass(frozen=True)
class Formula:
    """A formula of ours, and the value that it comes to."""

    text: str
    value: int


class Workbook:
    """A workbook being written; `close` puts it in place, whole or not at all."""

    def __init__(self, path: Path, system: str, zone: ZoneInfo) -> None:
        import xlsxwriter

        writing.check(path)
        if not path.parent.is_dir():
            raise UsageError("there is no such folder", where=str(path.parent), remedy="Make it first")
        self.path, self.system, self.zone = path, system, zone
        self._scratch = writing.scratch()
        self._part = writing.Part(path)
        self._file = self._part.open()
        options = {
            "constant_memory": True, "strings_to_formulas": False, "strings_to_urls": False,
            "strings_to_numbers": False, "nan_inf_to_errors": False, "tmpdir": self._scratch.name,
        }  # fmt: skip
        self._book = xlsxwriter.Workbook(self._file, options)
        self._kinds: dict[str, Any] = {}
        self._general, self._two = self.look(), self.look("0.00")
        self.long: list[tuple[str, str]] = []  # (where, text) of texts longer than a cell
        self.summary: dict[str, int] = {}  # row of each line of the summary, and its value
        self.summary_value: dict[str, Any] = {}

    def look(self, number: str = "", **more: Any) -> Any:
        """A cell format, made once."""
        key = repr((number, sorted(more.items())))
        if key not in self._kinds:
            wanted = dict(more) | ({"num_format": number} if number else {})
            self._kinds[key] = self._book.add_format(
                {"font_name": "Calibri", "font_size": 10, "valign": "top"} | wanted
            )
        return self._kinds[key]

    def plain_sheet(self, name: str) -> Any:
        """A sheet without a table, such as one of charts."""
        sheet = self._book.add_worksheet(name)
        self._page(sheet, PAGE_WIDTH, repeat=False)
        return sheet

    def chart(self, kind: str) -> Any:
        """A chart of a kind, to be inserted into a sheet."""
        return self._book.add_chart({"type": kind})

    @staticmethod
    def letter(index: int) -> str:
        """A column's letter."""
        return _letter(index)

    def sheet(
        self,
        name: str,
        columns: Sequence[str],
        rows: Sequence[Sequence[Any]],
        total: Sequence[str] = (),
        widths: Sequence[float] = (),
    ) -> Any:
        """A sheet with a frozen, filtered header.

        total   columns whose sum stands below, as a formula
        widths  of the columns, in characters; else from the header and the first rows
        """
        if len(rows) > MOST_ROWS:
            raise LoadbookError(f"the sheet {name} would need {len(rows):,} rows", remedy="Export a shorter span")
        heads, shown = in_units(columns, rows, self.system)
        sheet = self._book.add_worksheet(name)
        sheet.freeze_panes(1, 1)
        looks = [self.look(_number_format(head)) for head in heads]
        widths = widths or [_width(head, [row[i] for row in shown[:400]]) for i, head in enumerate(heads)]
        for i, width in enumerate(widths):
            sheet.set_column(i, i, width)
        self._page(sheet, sum(widths))
        for i, head in enumerate(heads):
            side = "right" if _of_numbers([row[i] for row in shown[:400]]) else "left"
            sheet.write_string(
                0, i, head, self.look(bold=True, bottom=1, text_wrap=True, bg_color="#EDEDED", align=side)
            )
        for r, row in enumerate(shown, start=1):
            lines = max((_lines(v, w) for v, w in zip(row, widths, strict=True)), default=1)
            if lines > 1:
                sheet.set_row(r, 13.5 * min(lines, 30) + 2)
            for i, value in enumerate(row):
                self.cell(sheet, r, i, value, looks[i])
        if shown:
            sheet.autofilter(0, 0, len(shown), len(heads) - 1)
        if total and shown:
            sheet.write_string(len(shown) + 1, 0, "total", self.look(bold=True, top=1))
            for i, column in enumerate(columns):
                if column in total:
                    letter = _letter(i)
                    known = sum(float(row[i]) for row in shown if isinstance(row[i], (int, float)))
                    formula = f"=SUM({letter}2:{letter}{len(shown) + 1})"
                    sheet.write_formula(len(shown) + 1, i, formula, self.look(bold=True, top=1), known)
        return sheet

    def _page(self, sheet: Any, width: float, repeat: bool = True) -> None:
        """How a sheet prints: landscape, header and first column on every page, no more columns than can be read."""
        sheet.set_paper(1 if self.system == "us" else 9)
        sheet.set_landscape()
        sheet.set_margins(left=0.4, right=0.4, top=0.5, bottom=0.6)
        sheet.fit_to_pages(max(1, math.ceil(width / PAGE_WIDTH)), 0)
        if repeat:
            sheet.repeat_rows(0)
            sheet.repeat_columns(0)
        sheet.set_footer("&L&A&Rpage &P of &N")

    def cell(self, sheet: Any, row: int, column: int, value: Any, look: Any) -> None:
        """One value as what it is."""
        if isinstance(value, Formula):
            sheet.write_formula(row, column, value.text, look, value.value)
            return
        if hasattr(value, "item") and getattr(value, "shape", None) == ():
            value = value.item()
        if value is None or (isinstance(value, float) and math.isnan(value)) or str(value) in ("NaT", "<NA>"):
            return
        if isinstance(value, bool):
            sheet.write_string(row, column, "yes" if value else "no", self.look(indent=1))
        elif isinstance(value, (int, float)) and math.isfinite(value):
            plainly = isinstance(value, float) and (
                look is self._two or (look is self._general and not value.is_integer())
            )
            sheet.write_number(row, column, value, self.look(_readable(value)) if plainly else look)
        elif isinstance(value, datetime):
            aware = value.replace(tzinfo=value.tzinfo or UTC).astimezone(self.zone)
            sheet.write_datetime(row, column, aware.replace(tzinfo=None), self.look("yyyy-mm-dd hh:mm", align="left"))
        elif isinstance(value, date):
            sheet.write_datetime(
                row, column, datetime(value.year, value.month, value.day), self.look("yyyy-mm-dd", align="left")
            )
        else:
            text = plain(value)
            if len(text) > LONGEST:
                self.long.append((f"{sheet.get_name()} {_letter(column)}{row + 1}", text))
                text = text[: LONGEST - 60] + f" ... (whole on the sheet {LONG_TEXTS})"
            if sheet.write_string(row, column, text, self.look(indent=1, text_wrap=len(text) > 30)):
                raise LoadbookError("a text could not be written", where=f"{sheet.get_name()} row {row + 1}")

    def close(self) -> None:
        """Finish the file and put it in place. Texts longer than a cell stand whole on a last sheet, in pieces.

        Raises UsageError where the name is taken by now, OSError
        """
        from xlsxwriter.exceptions import FileCreateError

        if self.long:
            pieces, self.long = self.long, []
            rows = [
                [where, number, text[start : start + PIECE]]
                for where, text in pieces
                for number, start in enumerate(range(0, len(text), PIECE), 1)
            ]
            self.sheet(LONG_TEXTS, ["where", "piece", "text"], rows)
        try:
            self._book.close()
            self._file.close()
            self._part.flush()
            self._part.place()
        except FileCreateError as exc:  # what the disk said
            raise OSError(*exc.args[0].args) from exc
        finally:
            self.abandon()

    def abandon(self) -> None:
        """Leave nothing behind but a file that has its name."""
        with contextlib.suppress(OSError):
            self._file.close()
        self._part.discard()
        self._scratch.cleanup()


def _of_numbers(values: Sequence[Any]) -> bool:
    known = [v for v in values if v is not None and v == v]
    return bool(known) and all(isinstance(v, (int, float)) and not isinstance(v, bool) for v in known)


def _number_format(head: str) -> str:
    if head in SHARES:
        return "0%"
    if head in MIXED:
        return "0.00"
    for suffix, form in _FORMATS.items():
        if head.endswith("_" + suffix):
            return form
    return ""


def _readable(value: float) -> str:
    """Number format of a column whose name says no unit, by the size of the value; the value itself stays whole."""
    size = abs(value)
    return "0.0" if size >= 100 else "0.00" if size >= 1 else "0.0000" if size >= 0.001 else "0.00E+00"


def _width(head: str, values: Sequence[Any]) -> float:
    longest = max((16 if isinstance(v, datetime) else len(plain(v)) for v in values), default=0)
    return float(min(max(longest + 3, len(head) + 2, 8), WIDEST))


def _lines(value: Any, width: float) -> int:
    """Lines that a text needs in a column of a width."""
    length = len(value) if isinstance(value, str) else 0
    return 1 if length <= width else math.ceil(min(length, LONGEST) / width)


def _letter(index: int) -> str:
    letters = ""
    index += 1
    while index:
        index, rest = divmod(index - 1, 26)
        letters = chr(65 + rest) + letters
    return letters


def rows_of(frame: pd.DataFrame) -> tuple[list[str], list[list[Any]]]:
    """A frame's columns and rows with plain Python values."""
    columns = [str(c) for c in frame.columns]
    lists = [frame[c].astype(object).where(frame[c].notna(), None).tolist() for c in frame.columns]
    return columns, [list(row) for row in zip(*lists, strict=True)] if lists else []


def write_month(path: Path, month: Any, *, system: str, zone: ZoneInfo) -> None:
    """Write a month (ask.month.Month) as a workbook.

    Raises UsageError (the file exists), LoadbookError (it cannot be written).
    """
    with writing.disk_errors("the workbook", path):
        book = Workbook(path, system, zone)
        try:
            _summary(book, month)
            treated: tuple[list[str], list[list[Any]]] = ([], [])
            for name, frame, total in (
                ("Runs", month.runs, ("pieces", "load_mass_kg", "clauses_broken", "faults")),
                ("Verdicts", month.verdicts, ()),
                ("Movement", month.movement, ()),
                ("By treatment", month.treatments, ("set_aside",)),
                ("Set aside", month.set_aside, ("readings",)),
            ):
                columns, rows = rows_of(frame)
                if name == "Verdicts":
                    rows = [_in_verdict_units(columns, row, system) for row in rows]
                if name == "By treatment":
                    treated = (columns, rows)
                book.sheet(name, columns, rows, total)
            heads = in_units([str(c) for c in month.runs.columns], [], system)[0]
            charts_sheet(book, *treated, (len(month.runs), heads))
            _definitions(book, system)
            book.close()
        finally:
            book.abandon()


def _in_verdict_units(columns: list[str], row: list[Any], system: str) -> list[Any]:
    """A clause's value and limit carry their unit in a column of its own: convert the three together."""
    at = {name: columns.index(name) for name in ("value", "limit_value", "unit")}
    unit = row[at["unit"]] or ""
    for name in ("value", "limit_value"):
        value = row[at[name]]
        if isinstance(value, (int, float)):
            number, _, digits = units.show(value, unit, system)
            row[at[name]] = round(number, max(digits, 2))
    row[at["unit"]] = units.show(0.0, unit, system)[1]
    return row


def _summary(book: Workbook, month: Any) -> None:
    runs, verdicts, movement = month.runs, month.verdicts, month.movement
    moved = movement[movement["set_aside"].isna()]
    n, columns = len(runs), [str(c) for c in runs.columns]

    def among(sheet: str, column: str, word: str, of: pd.DataFrame) -> str:
        """A formula: how often a word stands in a column."""
        at = _letter(list(of.columns).index(column))
        return f'=COUNTIF({sheet}!{at}2:{at}{len(of) + 1},"{word}")' if len(of) else ""

    pieces = _letter(columns.index("pieces"))
    lines: list[tuple[str, Any, str, str]] = [
        ("month", month.month, "on the shop's clock", ""),
        ("runs", n, "every run begun in the month", f"=COUNTA(Runs!A2:A{n + 1})" if n else ""),
        ("runs done", int((runs["status"] == "done").sum()), "", among("Runs", "status", "done", runs)),
        ("runs aborted", int((runs["status"] == "aborted").sum()), "", among("Runs", "status", "aborted", runs)),
        ("runs without a trace", int((~runs["has_trace"].astype(bool)).sum()),
         "paper charts: parameters stated by a person", among("Runs", "has_trace", "no", runs)),
        ("pieces", int(runs["pieces"].sum()), "", f"=SUM(Runs!{pieces}2:{pieces}{n + 1})" if n else ""),
        ("cycles kept", int((runs["verdict"] == "kept").sum()), "every clause kept; says nothing about the parts",
         among("Runs", "verdict", "kept", runs)),
        ("cycles broken", int((runs["verdict"] == "broken").sum()), "at least one clause broken",
         among("Runs", "verdict", "broken", runs)),
        ("cycles that cannot be told", int((runs["verdict"] == "cannot be told").sum()),
         "something is missing: see Verdicts", among("Runs", "verdict", "cannot be told", runs)),
        ("clauses broken", int((verdicts["verdict"] == "broken").sum()), "",
         among("Verdicts", "verdict", "broken", verdicts)),
        ("suspected thermocouple faults", int(runs["faults"].fillna(0).sum()), "", ""),
        ("characteristics with movement", len(moved), "before and after, the run alone between them", ""),
        ("characteristics set aside", len(movement) - len(moved), "each with its reason: see Set aside", ""),
        ("below gauge", int(moved["below_gauge"].fillna(False).astype(bool).sum()),
         "smaller than its own uncertainty", ""),
    ]  # fmt: skip
    rows = [[name, Formula(formula, value) if formula else value, said] for name, value, said, formula in lines]
    book.summary = {line[0]: at for at, line in enumerate(lines, start=1)}
    book.summary_value = {line[0]: line[1] for line in lines}
    book.sheet("Summary", ["what", "count", "meaning"], rows, widths=(32, 12, 60))


def _definitions(book: Workbook, system: str) -> None:
    wanted = ("word", "parameter")
    rows = [
        [t.name, t.kind, t.definition.replace("\n", " "), t.formula, unit_words(t.unit, system), t.source]
        for t in terms(system).values()
        if t.kind in wanted
    ]
    heads = ["term", "kind", "definition", "formula", "unit", "source"]
    book.sheet("Definitions", heads, rows, widths=(32, 11, 70, 32, 9, 34))
