"""The workbook's first sheet: what span of which shop, how its runs stand, what needs attention, two charts."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import Any

from loadbook.core import times
from loadbook.core.phrases import few, many
from loadbook.queries.office import Office
from loadbook.render.attention import OPEN, Point
from loadbook.render.charts.style import MUTED
from loadbook.render.tables import plain

from .charts import Block, past_chart, runs_chart
from .columns import RUNS
from .file import ACROSS, LINE_PX, MARKED, Formula, Workbook, letter

NAME = "Summary"
COLUMNS, WIDE = 12, 14.0  # of the sheet's grid
SHOWN = 12  # points that stand here; all of them on the sheet of their own
_SPANS = ((0, 1), (2, 2), (3, 4), (5, 9), (10, 11))  # columns of: what, run, subject, why, stands
_HEADS = ("what", "run", "whose, where", "why", "stands")


def first_sheet(
    book: Workbook, office: Office, points: Sequence[Point], data: tuple[Block | None, Block | None]
) -> None:
    """Write it. data: where the figures of the two charts stand."""
    sheet = book.plain_sheet(NAME, pages=1)
    sheet.hide_gridlines(2)
    sheet.set_column(0, COLUMNS - 1, WIDE)
    of = f" for {office.customer}" if office.customer is not None else ""
    book.titled(f"{office.period.name}{of}")
    sheet.set_row(0, 26)
    sheet.write_string(0, 0, plain(f"{office.period.name}{of}"), book.look(bold=True, font_size=18))
    sheet.write_string(1, 0, plain(_about(office)), book.look(font_color=MUTED))
    row = 2
    if warning := _warning(office):
        sheet.write_string(row, 0, plain(warning), book.look(bold=True, font_color=MARKED["broken"][0]))
        row += 1
    row = _counts(book, sheet, office, row + 1)
    row = _attention(book, sheet, points, row + 1)
    _charts(book, sheet, data, row + 1)


def _about(office: Office) -> str:
    zone = office.period.zone
    first, last = (day.isoformat() for day in office.period.days())
    today = times.now().astimezone(zone).date().isoformat()
    clock = f"the shop's clock ({zone.key})"
    return f"{office.shop}. Runs begun {first} to {last} on {clock}; as the book stood on {today}."


def _warning(office: Office) -> str:
    """Who may see it."""
    if office.customer is not None:
        return (
            "Only this customer's pieces; the loads may have held others'. For the shop: what goes to a customer is "
            "page run --for and page answer."
        )
    if office.guarded:
        return f"Stays in the shop: confidential or export-controlled jobs are in it ({few(office.guarded, 6)})."
    return ""


def _counts(book: Workbook, sheet: Any, office: Office, row: int) -> int:
    """Runs, pieces and verdicts: a figure over its word, each verdict in its colour. They count the sheet Runs."""
    n = len(office.runs)
    at = {c.key: letter(i) for i, c in enumerate(RUNS)}

    def over(key: str, formula: str, value: float) -> Any:
        return Formula(f"={formula.format(f'Runs!{at[key]}2:{at[key]}{n + 1}')}", value) if n else 0

    counts = Counter(r["verdict"] for r in office.runs)
    words = ["kept", "broken", "cannot be told"]  # these always, the others where there are any
    words += [w for w in MARKED if w and w not in words and counts[w]]
    left = sum(r["left_tolerance"] for r in office.runs)
    blocks: list[tuple[str, Any, str]] = [
        ("runs", over("run", "COUNTA({})", n), ""),
        ("pieces", over("pieces", "SUM({})", sum(int(r["pieces"]) for r in office.runs)), ""),
        *((w, over("verdict", f'COUNTIF({{}},"{w}")', counts[w]), w if counts[w] else "") for w in words),
        ("pieces left tolerance", over("left_tolerance", "SUM({})", left), "broken" if left else ""),
    ]
    sheet.set_row(row, 30)
    sheet.set_row(row + 1, 16)
    for i, (_, value, mark) in enumerate(blocks):
        look = book.look(bold=True, font_size=20, align="center", valign="vcenter", **book.marked(mark))
        book.cell(sheet, row, i, value, look)
    for i, (words_, _, mark) in enumerate(blocks):
        size = 9 if len(words_) > 14 else 10
        look = book.look(align="center", shrink=True, font_size=size, **book.marked(mark))
        sheet.write_string(row + 1, i, words_, look)
    note = "A kept cycle says nothing of the parts: that takes a recorded approval."
    sheet.write_string(row + 2, 0, note, book.look(font_color=MUTED))
    return row + 3


def _attention(book: Workbook, sheet: Any, points: Sequence[Point], row: int) -> int:
    """The points that are open first; all of them stand on a sheet of their own."""
    sheet.write_string(row, 0, "Needs attention", book.look(bold=True, font_size=13))
    row += 1
    if not points:
        sheet.write_string(row, 0, "Nothing that the book knows of.", book.look())
        return row + 1
    heads = book.look(bold=True, bottom=1)
    _line(sheet, row, _HEADS, [heads] * len(_HEADS))
    row += 1
    listed = sorted(points, key=lambda p: p.stands != OPEN)
    text, strong = book.look(text_wrap=True), book.look(bold=True, text_wrap=True)
    for p in listed[:SHOWN]:
        whose = ", ".join(x for x in (p.customer, p.purchase_order) if x)
        cells = (p.what, p.run, whose or p.subject, f"{p.subject}: {p.why}" if whose and p.subject else p.why, p.stands)
        wide = [(last - first + 1) * WIDE for first, last in _SPANS]
        lines = max(-(-len(plain(c)) // int(w * ACROSS)) for c, w in zip(cells, wide, strict=True))
        sheet.set_row(row, LINE_PX * max(min(lines, 5), 1) + 2)
        _line(sheet, row, cells, [strong, text, text, text, strong if p.stands == OPEN else text])
        row += 1
    if len(listed) > SHOWN:
        more = f"{many(len(listed) - SHOWN, 'point')} more on the sheet Attention."
        sheet.write_string(row, 0, more, book.look(font_color=MUTED))
        row += 1
    return row


def _line(sheet: Any, row: int, cells: Sequence[str], looks: Sequence[Any]) -> None:
    for (first, last), words, look in zip(_SPANS, cells, looks, strict=True):
        if last > first:
            sheet.merge_range(row, first, row, last, "", look)
        sheet.write_string(row, first, plain(words), look)


def _charts(book: Workbook, sheet: Any, data: tuple[Block | None, Block | None], row: int) -> None:
    runs, past = data
    if runs is not None:
        sheet.insert_chart(row, 0, runs_chart(book, runs), {"description": runs.told})
    if past is not None:
        sheet.insert_chart(row, 6, past_chart(book, past), {"description": past.told})
