"""A workbook being written: every value as what it is, frozen and filtered headers, whole or not at all.

Every value goes through write_string, write_number, write_datetime or write_boolean: nothing that a
user typed can become a formula or a link. Only totals, counts and the charts' figures are formulas, and those are ours.
"""

from __future__ import annotations

import contextlib
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from loadbook.core import writing
from loadbook.core.errors import LoadbookError
from loadbook.render.charts.style import INK, MUTED, WARN
from loadbook.render.tables import plain

FONT = {"name": "Calibri", "size": 10, "color": INK, "bold": False}
HEAD = "#E9ECEF"
# a verdict's word -> (ink, ground)
MARKED = {
    "kept": ("#00533F", "#DDEEE5"), "broken": (WARN, "#F8E1DA"), "cannot be told": ("#5C4300", "#FBF0D0"),
    "no trace": ("#5C4300", "#FBF0D0"), "no cycle": (MUTED, "#E9ECEF"), "aborted": (MUTED, "#E9ECEF"),
    "void": (MUTED, "#E9ECEF"), "": (INK, "#F4F5F6"),
}  # fmt: skip
ENDINGS = (".xlsx",)
LONGEST = 32_767  # characters that a cell holds
PAGE_WIDTH = 190  # characters across a printed page that can still be read
OWN_WIDTH = 110  # characters that fit across a landscape page at their own size
WIDEST = 60  # characters of the widest column
LONG_TEXTS, PIECE = "Long texts", 32_000
MOST_ROWS = 1_048_575
LINE_PX = 13.5  # points that a line of a cell takes
ACROSS = 1.1  # characters of a text to one of a column's width, which is that of a figure


@dataclass(frozen=True)
class Formula:
    """A formula of ours, and the value that it comes to."""

    text: str
    value: float


@dataclass(frozen=True)
class Figure:
    """A number whose format is its own, not its column's (a hardness among lengths)."""

    value: float
    form: str


class Workbook:
    """A workbook being written; `close` puts it in place, whole or not at all."""

    def __init__(self, path: Path, system: str, zone: ZoneInfo, *, force: bool = False) -> None:
        """force: a file of that name may be replaced. Raises UsageError where one has it and may not be."""
        import xlsxwriter

        writing.check_target(path, ENDINGS, what="a workbook", force=force)
        self.path, self.system, self.zone, self._force = path, system, zone, force
        self._scratch = writing.scratch()
        self._part = writing.Part(path)
        self._file = self._part.open()
        options = {
            "constant_memory": True, "strings_to_formulas": False, "strings_to_urls": False,
            "strings_to_numbers": False, "nan_inf_to_errors": False, "tmpdir": self._scratch.name,
        }  # fmt: skip
        self._book = xlsxwriter.Workbook(self._file, options)
        self._kinds: dict[str, Any] = {}
        self._general = self.look()
        self.long: list[tuple[str, str]] = []  # (where, text) of texts longer than a cell

    def look(self, number: str = "", **more: Any) -> Any:
        """A cell format, made once."""
        key = repr((number, sorted(more.items())))
        if key not in self._kinds:
            wanted = dict(more) | ({"num_format": number} if number else {})
            usual = {"font_name": FONT["name"], "font_size": FONT["size"], "font_color": INK, "valign": "top"}
            self._kinds[key] = self._book.add_format(usual | wanted)
        return self._kinds[key]

    def marked(self, words: str) -> dict[str, Any]:
        """How a cell looks that holds a verdict's word: its colour, which never stands without the word."""
        ink, ground = MARKED.get(words, MARKED[""])
        return {"font_color": ink, "bg_color": ground}

    def titled(self, title: str) -> None:
        """What the file says of itself to the office program."""
        self._book.set_properties({"title": plain(title)})

    def plain_sheet(self, name: str, pages: int = 0) -> Any:
        """A sheet without a table, such as one of charts. pages: printed on no more than so many (0: as needed)."""
        sheet = self._book.add_worksheet(name)
        self._page(sheet, 1, pages, repeat=False)
        return sheet

    def chart(self, kind: str, subtype: str | None = None) -> Any:
        """A chart of a kind, to be inserted into a sheet."""
        return self._book.add_chart({"type": kind} | ({"subtype": subtype} if subtype else {}))

    def sheet(
        self,
        name: str,
        heads: Sequence[str],
        rows: Sequence[Sequence[Any]],
        *,
        forms: Sequence[str] = (),
        widths: Sequence[float] = (),
        total: Sequence[int] = (),
        marks: Mapping[int, str] | None = None,
        printed: int = 0,
    ) -> Any:
        """A sheet with a frozen, filtered header.

        forms   number formats of the columns;  widths  in characters; else from the header and the first rows
        total   columns whose sum stands below, as a formula
        printed so many columns from the left are printed, the others are to be read on a screen (0: all)
        marks   column -> what is coloured in it: 'verdict' (its words), 'share' (above 1), 'yes', 'some' (above 0)
        """
        if len(rows) > MOST_ROWS:
            raise LoadbookError(f"the sheet {name} would need {len(rows):,} rows", remedy="Export a shorter span")
        sheet = self._book.add_worksheet(name)
        sheet.freeze_panes(1, 1)
        looks = [self.look(form) for form in forms or [""] * len(heads)]
        widths = widths or [_width(head, [row[i] for row in rows[:400]]) for i, head in enumerate(heads)]
        for i, width in enumerate(widths):
            sheet.set_column(i, i, width)
        printed = printed or len(heads)
        more = f", {len(heads) - printed} more columns on the screen" if printed < len(heads) else ""
        taken = sum(widths[:printed])  # a narrow table is not blown up to the paper's width
        self._page(sheet, math.ceil(taken / PAGE_WIDTH) if taken > OWN_WIDTH else 0, more=more)
        if more:
            sheet.print_area(0, 0, len(rows) + bool(total), printed - 1)
        sheet.set_row(0, LINE_PX * max(map(_head_lines, heads, widths), default=1) + 4)
        for i, head in enumerate(heads):
            side = "right" if _of_numbers([row[i] for row in rows[:400]]) else "left"
            look = self.look(
                bold=True,
                bottom=1,
                text_wrap=True,
                bg_color=HEAD,
                align=side,
                valign="bottom",
                indent=int(side == "left"),
            )
            sheet.write_string(0, i, plain(head), look)
        for r, row in enumerate(rows, start=1):
            lines = max((_lines(v, w) for v, w in zip(row, widths, strict=True)), default=1)
            if lines > 1:
                sheet.set_row(r, LINE_PX * min(lines, 30) + 2)
            for i, value in enumerate(row):
                self.cell(sheet, r, i, value, looks[i])
        if rows:
            sheet.autofilter(0, 0, len(rows), len(heads) - 1)
            for i, what in (marks or {}).items():
                self._mark(sheet, i, len(rows), what)
        if total and rows:
            sheet.write_string(len(rows) + 1, 0, "total", self.look(bold=True, top=1))
            for i in total:
                known = sum(float(row[i]) for row in rows if isinstance(row[i], (int, float)))
                formula = f"=SUM({letter(i)}2:{letter(i)}{len(rows) + 1})"
                sheet.write_formula(
                    len(rows) + 1, i, formula, self.look((forms or {i: ""})[i], bold=True, top=1), known
                )
        return sheet

    def _mark(self, sheet: Any, column: int, count: int, what: str) -> None:
        """Conditional formats of a column: colours that an office program lays over its words and figures."""
        if what == "verdict":
            rules = [("cell", "==", f'"{word}"', word) for word in MARKED if word]
        elif what == "share":  # either way: a share below zero shrank
            rules = [("cell", "not between", "", "broken")]
        elif what == "yes":
            rules = [("cell", "==", '"yes"', "broken")]
        else:
            rules = [("cell", ">", "0", "broken")]
        for kind, sign, value, word in rules:
            look = self._book.add_format({**self.marked(word), "bold": word == "broken"})
            limits = {"minimum": -1, "maximum": 1} if sign == "not between" else {"value": value}
            rule = {"type": kind, "criteria": sign, "format": look, **limits}
            sheet.conditional_format(1, column, count, column, rule)

    def _page(self, sheet: Any, wide: int, high: int = 0, repeat: bool = True, more: str = "") -> None:
        """How a sheet prints: landscape, header and first column on every page, no more columns than can be read.

        wide  fitted to so many pages across; 0: at its own size
        """
        sheet.set_paper(1 if self.system == "us" else 9)
        sheet.set_landscape()
        sheet.set_margins(left=0.4, right=0.4, top=0.5, bottom=0.6)
        if wide:
            sheet.fit_to_pages(wide, high)
        if repeat:
            sheet.repeat_rows(0)
            sheet.repeat_columns(0)
        sheet.set_footer(f"&L&A{more}&Rpage &P of &N")

    def cell(self, sheet: Any, row: int, column: int, value: Any, look: Any) -> None:
        """One value as what it is."""
        if isinstance(value, Formula):
            sheet.write_formula(row, column, value.text, look, value.value)
            return
        if isinstance(value, Figure):
            value, look = value.value, self.look(value.form)
        if hasattr(value, "item") and getattr(value, "shape", None) == ():
            value = value.item()
        if value is None or (isinstance(value, float) and math.isnan(value)) or str(value) in ("NaT", "<NA>"):
            return
        if isinstance(value, bool):
            sheet.write_string(row, column, "yes" if value else "no", self.look(align="left", indent=1))
        elif isinstance(value, (int, float)) and math.isfinite(value):
            plainly = isinstance(value, float) and look is self._general and not value.is_integer()
            sheet.write_number(row, column, value, self.look(_readable(value)) if plainly else look)
        elif isinstance(value, datetime):
            aware = value.replace(tzinfo=value.tzinfo or UTC).astimezone(self.zone)
            look = self.look("yyyy-mm-dd hh:mm", align="left", indent=1)
            sheet.write_datetime(row, column, aware.replace(tzinfo=None), look)
        elif isinstance(value, date):
            look = self.look("yyyy-mm-dd", align="left", indent=1)
            sheet.write_datetime(row, column, datetime(value.year, value.month, value.day), look)
        else:
            text = plain(value)
            if len(text) > LONGEST:
                self.long.append((f"{sheet.get_name()} {letter(column)}{row + 1}", text))
                text = text[: LONGEST - 60] + f" ... (whole on the sheet {LONG_TEXTS})"
            if sheet.write_string(row, column, text, self.look(align="left", indent=1, text_wrap=len(text) > 30)):
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
            self._part.place(over=self._force)
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


def _readable(value: float) -> str:
    """Number format of a column whose name says no unit, by the size of the value; the value itself stays whole."""
    size = abs(value)
    return "0.0" if size >= 100 else "0.00" if size >= 1 else "0.0000" if size >= 0.001 else "0.00E+00"


def _width(head: str, values: Sequence[Any]) -> float:
    longest = max((16 if isinstance(v, datetime) else len(plain(v)) for v in values), default=0)
    return float(min(max(longest + 3, len(head) + 2, 8), WIDEST))


def _head_lines(head: str, width: float) -> int:
    """Lines that a heading takes in a column: words stay whole."""
    lines, used = 1, 0
    for word in head.split():
        if used and used + len(word) > width:
            lines, used = lines + 1, 0
        used += len(word) + 1
    return lines


def _lines(value: Any, width: float) -> int:
    """Lines that a text needs in a column of a width."""
    length = len(value) if isinstance(value, str) else 0
    return 1 if length <= width else math.ceil(min(length, LONGEST) / (width * ACROSS))


def letter(index: int) -> str:
    """A column's letter.

    >>> letter(0), letter(27)
    ('A', 'AB')
    """
    letters = ""
    index += 1
    while index:
        index, rest = divmod(index - 1, 26)
        letters = chr(65 + rest) + letters
    return letters
