"""A workbook of any of three forms (.xlsx, .xls, .ods), opened within the limits: its sheets and their typed cells.

What a cell holds is what its last calculation left there; formulas are not calculated. An error is no value. Of merged
cells the first holds the value, the others none. Chart sheets hold no cells, and are passed over. A number that its
format shows with a unit (`0.0" °C"`) is the text that it shows, so that nobody takes it for another unit.
"""

from __future__ import annotations

import io
import re
import struct
import zipfile
import zlib
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import date, datetime, time, timedelta
from typing import Any

from loadbook.core.errors import IntakeError, Problem
from loadbook.core.outside import LONGEST_CELL

from .looks import Looks, Place, Sheets
from .old_looks import OldSheets
from .old_workbook import OLD_WORKBOOK, epoch_of_old, safe_old_workbook, stream_of_old
from .open_document import is_open_document, sheets_of
from .workbook_archive import MEND, ZIP, safe_workbook

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
class Book:
    """An open workbook.

    sheets  names of those that hold cells;  hidden  of them those that nobody sees
    epoch   '1900' or '1904', '' where the file does not say
    form    xlsx, xls or ods;  notes  what was odd in opening it
    merges  (first, last) cell of each block of merged cells of a sheet
    looks   of a sheet: number formats, errors, what is hidden or struck out
    units   may a number format bring a unit
    """

    name: str
    form: str
    sheets: list[str]
    epoch: str
    typed: Callable[[str], list[list[Any]]]
    notes: list[str] = field(default_factory=list)
    merges: Callable[[str], list[tuple[Place, Place]]] = lambda sheet: []
    looks: Callable[[str], Looks] = lambda sheet: Looks()
    hidden: set[str] = field(default_factory=set)
    units: bool = False

    @property
    def visible(self) -> list[str]:
        """The sheets that a person sees; all of them where all are hidden."""
        return [s for s in self.sheets if s not in self.hidden] or self.sheets

    def rows(self, sheet: str) -> list[list[Any]]:
        """The cells of a sheet from its first row and column on. Raises IntakeError where they are beyond reading."""
        found = self.typed(sheet)
        for number, row in enumerate(found, start=1):
            if any(isinstance(cell, str) and len(cell) > LONGEST_CELL for cell in row):
                problem = Problem(f"a cell of more than {LONGEST_CELL:,} characters", self.name, number)
                raise IntakeError("the workbook cannot be read", [problem])
        if self.units:
            for (at, column), form in self.looks(sheet).formats.items():
                value = found[at][column] if at < len(found) and column < len(found[at]) else ""
                if form is not None and form.unit and isinstance(value, float):
                    found[at][column] = f"{cell_text(form.value(value))} {form.unit}"
        return found


def is_workbook(data: bytes) -> bool:
    """Does a file begin as one of the three does."""
    return data[:4] in (ZIP, OLD_WORKBOOK)


def open_book(data: bytes, name: str) -> Book:
    """Open a workbook. Raises IntakeError where it is none, is beyond reading or over a limit."""
    if is_open_document(data):
        found = sheets_of(name, data)
        return Book(
            name, "ods", list(found.sheets), "", found.sheets.__getitem__,
            merges=lambda sheet: found.merged.get(sheet, []), looks=found.looks.__getitem__, hidden=found.hidden,
        )  # fmt: skip
    notes: list[str] = []
    if data[:4] == OLD_WORKBOOK:
        data, form = safe_old_workbook(name, data), "xls"
        epoch = epoch_of_old(data)
    else:
        data, form = safe_workbook(name, data), "xlsx"
        epoch = epoch_of(data)
        if styles_damaged(data):
            # without its style sheet no cell says that it is a date: day counts stay numbers, and the epoch is known
            data = _with_plain_styles(data, name)
            notes.append("the workbook's style sheet is damaged: dates are read from their day counts")
    sheets, typed, merges = _by_library(data, name)
    made = Book(name, form, sheets, epoch, typed, notes, merges)
    try:
        looked: Sheets | OldSheets = OldSheets(stream_of_old(data)) if form == "xls" else Sheets(data)
    except (*_ZIP_FAULTS, IndexError):
        return made  # its parts are not where they should be: the reader says what is wrong, if anything
    made.looks, made.hidden, made.units = looked.of, looked.hidden & set(sheets), looked.units
    return made


def _by_library(
    data: bytes, name: str
) -> tuple[list[str], Callable[[str], list[list[Any]]], Callable[[str], list[tuple[Place, Place]]]]:
    import python_calamine as calamine

    try:
        book = calamine.CalamineWorkbook.from_filelike(io.BytesIO(data))
        sheets = [s.name for s in book.sheets_metadata if s.typ == calamine.SheetTypeEnum.WorkSheet]
    except BaseException as exc:
        raise _beyond_reading(exc, name) from exc

    def typed(sheet: str) -> list[list[Any]]:
        try:
            return book.get_sheet_by_name(sheet).to_python(skip_empty_area=False)
        except BaseException as exc:
            raise _beyond_reading(exc, name) from exc

    def merges(sheet: str) -> list[tuple[Place, Place]]:
        try:
            return list(book.get_sheet_by_name(sheet).merged_cell_ranges or [])
        except BaseException as exc:
            raise _beyond_reading(exc, name) from exc

    return sheets, typed, merges


def _beyond_reading(exc: BaseException, name: str) -> IntakeError:
    """What any fault of the reader means to a user. A date out of all bounds is a panic, which is no Exception."""
    if isinstance(exc, (KeyboardInterrupt, SystemExit, MemoryError)):
        raise exc
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
