"""The workbook's charts, native ones: the office program draws them from cells, and the cells count the tables.

Their figures stand on the sheet Charts, which also draws rates and movement by treatment.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, timedelta
from typing import Any

from loadbook.core.figures import scale_words, share_words
from loadbook.queries.office import Office, Period
from loadbook.render.charts.style import GRID, INK, MUTED, PALETTE, WARN
from loadbook.render.tables import plain

from .columns import RUNS, TREATMENTS
from .file import FONT, LINE_PX, Formula, Workbook, letter

SHEET = "Charts"
ROW_PX = 20
MOST_BARS = 24
DAYS, WEEKS = 62, 420  # spans of up to so many days are drawn by days, by weeks; longer ones by months
WIDE, HIGH = 600, 300
# what a run is marked with -> (colour, pattern), from the bottom up: the words stand in the legend
STACKED: dict[str, tuple[str, str | None]] = {
    "kept": ("#00533F", None), "broken": (WARN, "wide_upward_diagonal"), "cannot be told": ("#B08A1E", "dotted_grid"),
    "other": ("#9AA1A8", None),
}  # fmt: skip
_COLUMN = {c.key: letter(i) for i, c in enumerate(RUNS)}


@dataclass(frozen=True)
class Block:
    """Figures of a chart of the first sheet, as they will stand on the sheet Charts.

    at      the row of their headings;  heads, rows  cells;  told  the chart in words, for who cannot see it
    dark    which rows are the span's own
    """

    at: int
    heads: list[str]
    rows: list[list[Any]]
    told: str
    dark: tuple[bool, ...] = ()

    @property
    def ends(self) -> tuple[int, int]:
        """First and last row of the figures."""
        return self.at + 1, self.at + len(self.rows)


def blocks(office: Office) -> tuple[Block | None, Block | None]:
    """(runs by day and verdict, movement by month), None where there is nothing to draw.

    The first sheet's charts refer to them, and it is written before the sheet that holds them.
    """
    runs = _runs(office, 0) if office.runs else None
    past = None
    if any(m.ours for m in office.past):
        mine = [m for m in office.past if m.ours]
        told = "; ".join(
            f"{m.month}: median {share_words(m.median)}, 95 % of {m.pieces} below {share_words(m.high)}" for m in mine
        )
        rows = [[m.month, m.median, m.high - m.median, m.pieces] for m in office.past]
        heads = ["month", "median of tolerance", "from the median to 95 %", "movements"]
        at, dark = runs.ends[1] + 2 if runs else 0, tuple(m.ours for m in office.past)
        past = Block(at, heads, rows, f"Movement as a share of the tolerance: {told}", dark)
    return runs, past


def _runs(office: Office, at: int) -> Block:
    step, starts = _steps(office.period)
    ends = [*starts[1:], office.period.days()[1] + timedelta(days=1)]
    began = [r["started"].replace(tzinfo=UTC).astimezone(office.period.zone).date() for r in office.runs]
    last = len(office.runs) + 1
    days, words = (f"Runs!${_COLUMN[k]}$2:${_COLUMN[k]}${last}" for k in ("started", "verdict"))
    rows: list[list[Any]] = []
    for k, (start, end) in enumerate(zip(starts, ends, strict=True)):
        mine = [r["verdict"] for r, day in zip(office.runs, began, strict=True) if start <= day < end]
        within = f'{days},">="&$A{at + k + 2},{days},"<"&$A{at + k + 2}+{(end - start).days}'
        row: list[Any] = [start, str(start.day) if step == "day" else start.isoformat()[: 10 if step == "week" else 7]]
        for word in list(STACKED)[:-1]:
            row.append(Formula(f'=COUNTIFS({within},{words},"{word}")', mine.count(word)))
        named = ",".join(f"{letter(i + 2)}{at + k + 2}" for i in range(len(STACKED) - 1))
        rest = sum(word not in STACKED for word in mine)
        rows.append([*row, Formula(f"=COUNTIFS({within})-SUM({named})", rest)])
    counted = [f"{sum(r['verdict'] == w for r in office.runs)} {w}" for w in list(STACKED)[:-1]]
    return Block(at, [f"{step} from", step, *STACKED], rows, f"Runs by {step} and verdict: {', '.join(counted)}")


def _steps(span: Period) -> tuple[str, list[date]]:
    """What the span is drawn by ('day', 'week', 'month'), and the first day of each."""
    first, last = span.days()
    count = (last - first).days + 1
    if count <= DAYS:
        return "day", [first + timedelta(days=k) for k in range(count)]
    if count <= WEEKS:
        monday = first - timedelta(days=first.weekday())
        return "week", [monday + timedelta(days=7 * k) for k in range((last - monday).days // 7 + 1)]
    months = [first.replace(day=1)]
    while (after := (months[-1] + timedelta(days=32)).replace(day=1)) <= last:
        months.append(after)
    return "month", months


def runs_chart(book: Workbook, block: Block) -> Any:
    """Runs by day, one colour and pattern a verdict."""
    first, last = block.ends
    chart = book.chart("column", "stacked")
    for i, (word, (colour, pattern)) in enumerate(STACKED.items(), start=2):
        if not any(getattr(row[i], "value", row[i]) for row in block.rows):
            continue
        fill = {"fill": {"color": colour}}
        if pattern:
            fill = {"pattern": {"pattern": pattern, "fg_color": colour, "bg_color": "#FFFFFF"}}
        chart.add_series({
            "name": word, "categories": [SHEET, first, 1, last, 1], "values": [SHEET, first, i, last, i], "gap": 30,
            "border": {"color": colour}, **fill,
        })  # fmt: skip
    _upright(chart, f"Runs by {block.heads[1]}, with their verdict", "runs")
    chart.set_legend({"position": "top", "font": FONT})
    most = max(sum(getattr(c, "value", c) for c in row[2:]) for row in block.rows)
    chart.set_y_axis({**_axis("runs"), "min": 0, "major_unit": max(1, -(-most // 6))})
    return chart


def past_chart(book: Workbook, block: Block) -> Any:
    """Movement as a share of the tolerance month by month, those of the span dark."""
    first, last = block.ends
    chart = book.chart("column")
    points = [{"fill": {"color": PALETTE[0] if dark else "#C3C9CF"}} for dark in block.dark]
    chart.add_series({
        "name": "median", "categories": [SHEET, first, 0, last, 0], "values": [SHEET, first, 1, last, 1], "gap": 40,
        "points": points, "fill": {"color": PALETTE[0]},
        "y_error_bars": {
            "type": "custom", "direction": "plus", "line": {"color": INK, "width": 1.25},
            "plus_values": f"={SHEET}!$C${first + 1}:$C${last + 1}", "plus_data": [row[2] for row in block.rows],
            "minus_values": "={0}", "minus_data": [0],
        },
    })  # fmt: skip
    _upright(chart, "Movement as a share of the tolerance (bar: median; line: up to 95 % of the pieces)", "")
    ends = _ends(0.0, max(row[1] + row[2] for row in block.rows))
    chart.set_y_axis({**_axis("of tolerance"), **ends, "num_format": "0 %"})
    return chart


def _ends(least: float, most: float) -> dict[str, float]:
    """The ends of an axis and its step, so that zero is on it and no line beyond a bar is cut.

    >>> _ends(0.0, 1.17), _ends(-57.4, 13.5)
    ({'min': 0.0, 'max': 1.2, 'major_unit': 0.2}, {'min': -60.0, 'max': 20.0, 'major_unit': 20.0})
    """
    least, most = min(least, 0.0), max(most, 0.0)
    if not most > least:
        return {}
    power = 10.0 ** math.floor(math.log10(most - least))
    step = next(s * power for s in (0.1, 0.2, 0.5, 1.0, 2.0) if (most - least) / (s * power) <= 7)
    low, high = (round(step * edge(v / step - sign * 1e-9), 12) for v, edge, sign in
                 ((least, math.floor, -1), (most, math.ceil, 1)))  # fmt: skip
    return {"min": low, "max": high, "major_unit": step}


def _axis(name: str) -> dict[str, Any]:
    return {"name": name, "name_font": FONT, "num_font": FONT, "line": {"color": MUTED},
            "major_gridlines": {"visible": True, "line": {"color": GRID}}}  # fmt: skip


def _upright(chart: Any, title: str, value: str) -> None:
    """The shared look of columns."""
    chart.set_title({"name": title, "name_font": {**FONT, "size": 11, "bold": True}, "overlay": False})
    chart.set_legend({"none": True})
    chart.set_x_axis({"num_font": FONT, "line": {"color": MUTED}})
    chart.set_y_axis(_axis(value))
    chart.set_size({"width": WIDE, "height": HIGH})


def charts_sheet(
    book: Workbook, office: Office, of: tuple[Block | None, Block | None], treatments: Sequence[dict[str, Any]]
) -> None:
    """The sheet of the charts' figures, and of further charts: rates set and achieved, movement by treatment."""
    sheet = book.plain_sheet(SHEET)
    sheet.set_column(0, 0, 46)
    sheet.set_column(1, 6, 11)
    bold, at = book.look(bold=True), 0
    for block in of:
        if block is None:
            continue
        sheet.set_row(block.at, 3 * LINE_PX)
        for i, head in enumerate(block.heads):
            number = isinstance(block.rows[0][i], (int, float, Formula))
            look = book.look(bold=True, text_wrap=True, align="right" if number else "left", indent=int(not number))
            sheet.write_string(block.at, i, head, look)
        for k, row in enumerate(block.rows, start=block.at + 1):
            for i, value in enumerate(row):
                share = of[1] is block and i in (1, 2)
                book.cell(sheet, k, i, value, book.look("0 %" if share else "0"))
        at = block.ends[1] + 3
    if office.runs:
        _rates(book, sheet, len(office.runs))
    breaks: list[int] = []
    drawn = [(i, row) for i, row in enumerate(treatments) if row["median"] is not None]  # others: all set aside
    for unit in dict.fromkeys(row["unit"] for _, row in drawn):
        some = [(i, row) for i, row in drawn if row["unit"] == unit][:MOST_BARS]
        label = plain(scale_words(str(unit), book.system))
        sheet.write_string(at, 0, f"movement by treatment, {label}", bold)
        breaks.append(at)
        at = _movement(book, sheet, at + 1, some, label)
    sheet.set_h_pagebreaks(breaks)


def _rates(book: Workbook, sheet: Any, count: int) -> None:
    """Steepest heating rate set and achieved, run by run, from the sheet Runs, beside the first figures."""
    keys = [c.key for c in RUNS]
    unit = scale_words("c_per_h", book.system)
    chart = book.chart("column")
    for name, key, colour in (("set", "asked_heating_rate_peak_c_per_h", PALETTE[4]),
                            ("achieved", "heating_rate_peak_c_per_h", PALETTE[0])):  # fmt: skip
        i = keys.index(key)
        chart.add_series({
            "name": name, "categories": ["Runs", 1, 0, count, 0], "values": ["Runs", 1, i, count, i],
            "fill": {"color": colour}, "gap": 80,
            "pattern": {"pattern": "wide_upward_diagonal", "fg_color": colour, "bg_color": "white"}
            if name == "set" else None,
        })  # fmt: skip
    _upright(chart, "Heating rate, peak: set (hatched) and achieved", unit)
    chart.set_x_axis({"num_font": {**FONT, "rotation": -60}, "line": {"color": MUTED}})
    chart.set_legend({"position": "top", "font": FONT})
    chart.set_size({"width": 720, "height": HIGH})
    sheet.insert_chart(0, 8, chart, {"description": "Columns: heating rate set and achieved, one pair a run"})


def _movement(
    book: Workbook, sheet: Any, at: int, some: Sequence[tuple[int, dict[str, Any]]], label: str
) -> int:  # fmt: skip
    """Medians with their 5 to 95 % of pieces, of the treatments of one unit, by reference to the sheet By treatment."""
    columns = {c.key: (letter(i), c) for i, c in enumerate(TREATMENTS)}
    shown = []
    for n, (i, row) in enumerate(some):
        words = ", ".join(str(row[c]) for c in ("process", "kind", "setup", "atmosphere") if row.get(c))
        sheet.write_string(at + n, 0, plain(words), book.look())
        low, median, high = (columns[k][1].value(row, book.system).value for k in ("low", "median", "high"))
        cell = {k: f"'By treatment'!{columns[k][0]}{i + 2}" for k in ("low", "median", "high")}
        number = book.look("0.0")
        sheet.write_formula(at + n, 1, f"={cell['median']}", number, median)
        sheet.write_formula(at + n, 2, f"={cell['high']}-{cell['median']}", number, high - median)
        sheet.write_formula(at + n, 3, f"={cell['median']}-{cell['low']}", number, median - low)
        shown.append((low, median, high))
    last = at + len(some) - 1
    chart = book.chart("bar")
    chart.add_series({
        "name": f"median ({label})", "categories": [SHEET, at, 0, last, 0], "values": [SHEET, at, 1, last, 1],
        "fill": {"color": PALETTE[0]}, "gap": 45,
        "y_error_bars": {
            "type": "custom", "plus_values": f"={SHEET}!$C${at + 1}:$C${last + 1}",
            "minus_values": f"={SHEET}!$D${at + 1}:$D${last + 1}", "line": {"color": INK, "width": 1.25},
            "plus_data": [high - median for _, median, high in shown],
            "minus_data": [median - low for low, median, _ in shown],
        },
    })  # fmt: skip
    height = 150 + 24 * len(some)
    chart.set_title({"name": "Movement by treatment: median of pieces, line from 5 to 95 %",
                     "name_font": {**FONT, "size": 11, "bold": True}, "overlay": False})  # fmt: skip
    chart.set_legend({"none": True})
    chart.set_x_axis({**_axis(label), **_ends(min(s[0] for s in shown), max(s[2] for s in shown))})
    chart.set_y_axis({"num_font": FONT, "line": {"color": MUTED}, "reverse": True, "label_position": "low",
                      "major_gridlines": {"visible": False}})  # fmt: skip
    chart.set_size({"width": 720, "height": height})
    sheet.insert_chart(at, 5, chart, {"description": f"Bars: median movement by treatment, in {label}"})
    return max(at + height // ROW_PX + 2, last + 3)
