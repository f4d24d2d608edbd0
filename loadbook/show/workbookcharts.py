"""The workbook's charts: native ones, drawn by the office program from the sheets' own cells."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from loadbook.calc.effects_words import SCALE_LABELS

from .chartstyle import GRID, INK, MUTED, PALETTE
from .tables import plain

if TYPE_CHECKING:
    from .workbook import Workbook

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
        label = plain(SCALE_LABELS.get(str(unit), str(unit)))
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
