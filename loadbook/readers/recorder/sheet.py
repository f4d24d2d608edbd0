"""Workbooks: the cells of a sheet as text rows, both date epochs, and a workbook whose style sheet is damaged."""

from __future__ import annotations

import io
import re
import struct
import zipfile
import zlib
from dataclasses import dataclass, field
from datetime import date, datetime, time, timedelta
from typing import Any

from loadbook.core.errors import IntakeError, Problem
from loadbook.core.outside import LONGEST_CELL, within_limits
from loadbook.readers.workbook_archive import MEND, safe_workbook

from .grid import Grid

_ZIP_FAULTS = (  # all that the zip reader raises on a damaged or encrypted file
    zipfile.BadZipFile, zlib.error, struct.error, KeyError, OSError, ValueError, RuntimeError, EOFError,
)  # fmt: skip
_PLAIN_STYLES = (
    b'<?xml version="1.0" encoding="UTF-8" standalone="yes"?>'
    b'<styleSheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main">'
    b'<fonts count="1"><font/></fonts><fills count="1"><fill/></fills><borders count="1"><border/></borders>'
    b'<cellStyleXfs count="1"><xf/></cellStyleXfs><cellXfs count="1"><xf/></cellXfs></styleSheet>'
)


@dataclass
class Workbook:
    """An open workbook: its sheets' names, its epoch ('1900' or '1904'), what was odd in opening it."""

    name: str
    book: Any
    sheets: list[str]
    epoch: str
    notes: list[str] = field(default_factory=list)

    def grid(self, sheet: str) -> Grid:
        """The filled rows of a sheet as text; lines are the sheet's row numbers."""
        rows: list[list[str]] = []
        lines: list[int] = []
        try:
            found = self.book.get_sheet_by_name(sheet).to_python(skip_empty_area=False)
        except Exception as exc:  # as in open_workbook
            raise _beyond_reading(exc, self.name) from exc
        within_limits(len(found), max(map(len, found), default=0), self.name)
        for number, row in enumerate(found, start=1):
            cells = [cell_text(c) for c in row]
            if any(len(cell) > LONGEST_CELL for cell in cells):
                problem = Problem(f"a cell of more than {LONGEST_CELL:,} characters", self.name, number)
                raise IntakeError("the workbook cannot be read", [problem])
            while cells and not cells[-1]:
                cells.pop()
            if cells:
                rows.append(cells)
                lines.append(number)
        return Grid(rows, lines, notes=list(self.notes))


def open_workbook(data: bytes, name: str) -> Workbook:
    """Open XLSX. Raises IntakeError where it is no workbook, beyond reading or over a limit."""
    import python_calamine as calamine

    data = safe_workbook(name, data)
    epoch = epoch_of(data)
    notes: list[str] = []
    if styles_damaged(data):
        # without its style sheet no cell says that it is a date: day counts stay numbers, and the epoch is known
        data = _with_plain_styles(data, name)
        notes.append("the workbook's style sheet is damaged: dates are read from their day counts")
    try:
        book = calamine.CalamineWorkbook.from_filelike(io.BytesIO(data))
        sheets = [s.name for s in book.sheets_metadata if s.typ == calamine.SheetTypeEnum.WorkSheet]
        return Workbook(name, book, sheets, epoch, notes)
    except Exception as exc:  # the reader raises several kinds, all of them meaning the same to a user
        raise _beyond_reading(exc, name) from exc


def _beyond_reading(exc: Exception, name: str) -> IntakeError:
    return IntakeError(
        "the workbook cannot be opened",
        [Problem(str(exc).splitlines()[0] if str(exc) else type(exc).__name__, name)],
        remedy=MEND,
    )


def epoch_of(data: bytes) -> str:
    """'1904' where the workbook says so, else '1900' (the reader does not tell; the zip does)."""
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            text = archive.read("xl/workbook.xml").decode("utf-8", "replace")
    except _ZIP_FAULTS:
        return "1900"
    return "1904" if re.search(r'date1904\s*=\s*"(1|true|on)"', text) else "1900"


def styles_damaged(data: bytes) -> bool:
    """Is there a style sheet that is no well-formed XML."""
    from xml.parsers import expat

    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            if "xl/styles.xml" not in archive.namelist():
                return False
            text = archive.read("xl/styles.xml")
    except _ZIP_FAULTS:
        return False
    try:
        expat.ParserCreate().Parse(text, True)
    except expat.ExpatError:
        return True
    return False


def _with_plain_styles(data: bytes, name: str) -> bytes:
    out = io.BytesIO()
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as old, zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as new:
            for item in old.namelist():
                new.writestr(item, _PLAIN_STYLES if item == "xl/styles.xml" else old.read(item))
    except _ZIP_FAULTS as exc:
        raise IntakeError("the workbook cannot be opened", [Problem(str(exc), name)], remedy="Save it again") from exc
    return out.getvalue()


def cell_text(value: Any) -> str:
    """A cell as text: dates as ISO to the millisecond, whole numbers without '.0', nothing rounded."""
    if value is None:
        return ""
    if isinstance(value, str):
        return value.strip()
    if isinstance(value, bool):
        return "TRUE" if value else "FALSE"
    if isinstance(value, float):
        return str(int(value)) if value.is_integer() and abs(value) < 1e15 else repr(value)
    if isinstance(value, datetime):
        rounded = (value + timedelta(microseconds=500)).replace(microsecond=0)
        micro = (value.microsecond + 500) // 1000 * 1000
        exact = rounded if micro in (0, 1_000_000) else value.replace(microsecond=micro)
        return exact.isoformat(sep=" ")
    if isinstance(value, date):
        return f"{value.isoformat()} 00:00:00"  # a date cell at midnight comes back without its time
    if isinstance(value, time):
        return value.replace(microsecond=0).isoformat() if value.microsecond < 500_000 else value.isoformat()
    if isinstance(value, timedelta):
        seconds = round(value.total_seconds() * 1000) / 1000
        hours, rest = divmod(seconds, 3600)
        minutes, rest = divmod(rest, 60)
        return f"{int(hours)}:{int(minutes):02d}:{rest:06.3f}".removesuffix(".000")
    return str(value)
