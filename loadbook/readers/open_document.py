"""The sheets of an OpenDocument spreadsheet (.ods): typed cells as its writer stored them, within the limits.

Read here and not by the workbook reader, which takes a cell that shows an error for the 0 that some writers store
with it, and durations for text. What is repeated costs nothing until a filled cell stands behind it.

Form: OASIS OpenDocument 1.3, part 3, sections 9.1 (tables), 19.385 (values) and 19.749 (what is visible).
"""

from __future__ import annotations

import io
import re
import struct
import zipfile
import zlib
from dataclasses import dataclass, field
from datetime import datetime, time, timedelta
from typing import Any
from xml.parsers import expat

from loadbook.core.errors import IntakeError, Problem
from loadbook.core.outside import (
    LARGEST_UNPACKED,
    LONGEST_CELL,
    MOST_CELLS,
    MOST_COLUMNS,
    MOST_PARTS,
    MOST_RECORDS,
    size_words,
)
from loadbook.core.units import DIMENSIONS, known, unit_key

from .looks import Looks, columns_of

Merged = tuple[tuple[int, int], tuple[int, int]]  # first and last cell: row and column, both from 0

MIMETYPE = b"application/vnd.oasis.opendocument.spreadsheet"
_MEND = "Open it in a spreadsheet program and save it again, or export CSV"
_FAULTS = (
    zipfile.BadZipFile, zlib.error, struct.error, KeyError, OSError, ValueError, RuntimeError, EOFError,
    OverflowError, expat.ExpatError,
)  # fmt: skip
_ERROR = re.compile(r"^(?:#[A-Z/0!?]+|Err:\d+)[!?]?$")
_DURATION = re.compile(r"(-?)P(?:(\d+)D)?T?(?:(\d+)H)?(?:(\d+)M)?(?:(\d+)(?:[.,](\d+))?S)?")
_NAMES = {
    "urn:oasis:names:tc:opendocument:xmlns:table:1.0": "table",
    "urn:oasis:names:tc:opendocument:xmlns:text:1.0": "text",
    "urn:oasis:names:tc:opendocument:xmlns:office:1.0": "office",
    "urn:org:documentfoundation:names:experimental:calc:xmlns:calcext:1.0": "calcext",
    "urn:oasis:names:tc:opendocument:xmlns:style:1.0": "style",
}


def is_open_document(data: bytes) -> bool:
    """Is an archive an OpenDocument spreadsheet: its type stands in its first part, uncompressed."""
    return MIMETYPE in data[:128]


def sheets_of(name: str, data: bytes) -> Contents:
    """Every sheet's rows from the first on, which of its filled cells are merged with others, and what it looks like.

    A cell is str, float, bool, datetime, time (of day), timedelta, '' for none, or None for an error. A number that is
    shown with a unit or with zeros before it is the text of it.
    Raises IntakeError where the file is damaged, locked, or holds more than is read
    """
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            items = archive.infolist()
            if len(items) > MOST_PARTS or len({i.filename for i in items}) < len(items):
                raise _refused(name, f"the workbook has {len(items)} parts, or one of them twice")
            item = archive.getinfo("content.xml")
            if item.file_size > LARGEST_UNPACKED:
                raise _refused(name, f"the workbook unpacks to more than {size_words(LARGEST_UNPACKED)}")
            text = archive.read(item)
            locked = _locked(archive)
    except _FAULTS as exc:
        raise _refused(name, f"it is damaged: {exc}") from exc
    reader = _Reader(name=name)
    parser = expat.ParserCreate(namespace_separator=" ")
    parser.buffer_text = True
    parser.StartElementHandler, parser.EndElementHandler = reader.start, reader.end
    parser.CharacterDataHandler = reader.characters
    parser.StartDoctypeDeclHandler = reader.doctype
    try:
        parser.Parse(text, True)
    except _FAULTS as exc:
        raise _refused(name, "it is locked with a password" if locked else f"it is damaged: {exc}") from exc
    return reader


def _locked(archive: zipfile.ZipFile) -> bool:
    """Does the list of parts say that they are encrypted."""
    try:
        with archive.open("META-INF/manifest.xml") as listed:
            return b"encryption-data" in listed.read(1_000_000)
    except KeyError:
        return False


def _refused(name: str, what: str) -> IntakeError:
    return IntakeError("the workbook cannot be opened", [Problem(what, name)], remedy=_MEND)


def _plain(tag: str) -> str:
    space, _, local = tag.rpartition(" ")
    return f"{_NAMES.get(space, '')}:{local}"


@dataclass
class Contents:
    """Title of a sheet -> its rows, its merged cells, its looks; and the titles of those that are hidden."""

    sheets: dict[str, list[list[Any]]] = field(default_factory=dict)
    merged: dict[str, list[Merged]] = field(default_factory=dict)
    looks: dict[str, Looks] = field(default_factory=dict)
    hidden: set[str] = field(default_factory=set)


@dataclass
class _Reader(Contents):
    """Follows the elements of content.xml and fills `sheets` and what is beside them."""

    name: str = ""
    style: str = ""  # the style whose properties are read
    struck: set[str] = field(default_factory=set)  # styles of cells
    unseen: set[str] = field(default_factory=set)  # styles of sheets
    column: int = 0
    row_hidden: bool = False
    row_struck: list[int] = field(default_factory=list)
    row_errors: dict[int, str] = field(default_factory=dict)
    title: str = ""
    rows: list[list[Any]] | None = None  # of the sheet that is open
    depth: int = 0  # of tables inside tables: only the outer one is a sheet
    row: list[Any] = field(default_factory=list)
    row_repeats: int = 1
    blank_rows: int = 0
    blank_cells: int = 0
    cell: dict[str, str] | None = None
    text: list[str] = field(default_factory=list)
    notes: int = 0  # inside a cell's comment
    filled: int = 0

    def doctype(self, *_: Any) -> None:
        raise _refused(self.name, "it declares entities of its own")

    def start(self, tag: str, raw: dict[str, str]) -> None:
        kind = _plain(tag)
        if kind == "table:table":
            self.depth += 1
            if self.depth == 1:
                named = {_plain(k): v for k, v in raw.items()}
                self.title = named.get("table:name", f"Sheet {len(self.sheets) + 1}")
                self.rows = self.sheets.setdefault(self.title, [])
                self.looks.setdefault(self.title, Looks())
                if named.get("table:style-name") in self.unseen:
                    self.hidden.add(self.title)
                self.blank_rows = self.column = 0
        elif kind == "style:style":
            self.style = {_plain(k): v for k, v in raw.items()}.get("style:name", "")
        elif kind in ("style:text-properties", "style:table-properties"):
            named = {_plain(k): v for k, v in raw.items()}
            if named.get("style:text-line-through-style", "none") != "none":
                self.struck.add(self.style)
            if named.get("table:display") == "false":
                self.unseen.add(self.style)
        elif self.rows is None or self.depth > 1:
            return
        elif kind == "table:table-column":
            named = {_plain(k): v for k, v in raw.items()}
            first, self.column = self.column, self.column + _count(named.get("table:number-columns-repeated"))
            if named.get("table:visibility", "visible") != "visible":
                self.looks[self.title].hidden_columns |= columns_of([(first, self.column)])
        elif kind == "table:table-row":
            named = {_plain(k): v for k, v in raw.items()}
            self.row, self.blank_cells, self.row_struck, self.row_errors = [], 0, [], {}
            self.row_hidden = named.get("table:visibility", "visible") != "visible"
            self.row_repeats = _count(named.get("table:number-rows-repeated"))
        elif kind in ("table:table-cell", "table:covered-table-cell"):
            self.cell, self.text = {_plain(k): v for k, v in raw.items()}, []
        elif kind == "office:annotation":
            self.notes += 1
        elif kind == "text:p" and self.text and not self.notes:
            self.text.append("\n")
        elif kind == "text:s" and not self.notes:
            self.text.append(" " * min(_count({_plain(k): v for k, v in raw.items()}.get("text:c")), 100))
        elif kind in ("text:tab", "text:line-break") and not self.notes:
            self.text.append(" ")

    def characters(self, text: str) -> None:
        if self.cell is not None and not self.notes:
            self.text.append(text)

    def end(self, tag: str) -> None:
        kind = _plain(tag)
        if kind == "table:table":
            self.depth -= 1
            if self.depth == 0:
                self.rows = None
        elif self.rows is None or self.depth > 1:
            return
        elif kind == "office:annotation":
            self.notes -= 1
        elif kind in ("table:table-cell", "table:covered-table-cell") and self.cell is not None:
            self._end_cell()
        elif kind == "table:table-row":
            self._end_row(self.rows)

    def _end_cell(self) -> None:
        assert self.cell is not None
        shown = "".join(self.text).strip()
        value = _value(self.cell, shown)
        repeats = _count(self.cell.get("table:number-columns-repeated"))
        down, across = (_count(self.cell.get(f"table:number-{way}-spanned")) for way in ("rows", "columns"))
        struck = self.cell.get("table:style-name") in self.struck
        self.cell = None
        if value == "" and not isinstance(value, bool):
            self.blank_cells += repeats
            return
        if isinstance(value, str) and len(value) > LONGEST_CELL:
            raise _refused(self.name, f"a cell holds more than {LONGEST_CELL:,} characters")
        width = len(self.row) + self.blank_cells + repeats
        if width > MOST_COLUMNS:
            raise _refused(self.name, f"a row has {width:,} columns, where at most {MOST_COLUMNS:,} are read")
        if down * across > 1:
            at = len(self.rows or ()) + self.blank_rows, len(self.row) + self.blank_cells
            self.merged.setdefault(self.title, []).append((at, (at[0] + down - 1, at[1] + across - 1)))
        places = range(len(self.row) + self.blank_cells, width)
        self.row_errors.update(dict.fromkeys(places, shown) if value is None else {})
        self.row_struck += places if struck else ()
        self.row += [""] * self.blank_cells + [value] * repeats
        self.blank_cells = 0

    def _end_row(self, rows: list[list[Any]]) -> None:
        if not self.row:
            self.blank_rows += self.row_repeats
            return
        self.filled += self.blank_rows + len(self.row) * self.row_repeats
        if self.filled > MOST_CELLS:
            raise _refused(self.name, f"it holds more than {MOST_CELLS:,} cells (or as many blank rows between them)")
        rows += [[]] * self.blank_rows
        if self.row_hidden or self.row_struck or self.row_errors:
            looks = self.looks[self.title]
            for at in range(len(rows), min(len(rows) + self.row_repeats, MOST_RECORDS)):  # none is taken of longer ones
                if self.row_hidden:
                    looks.hidden_rows.add(at)
                looks.struck.update((at, column) for column in self.row_struck)
                looks.errors.update(((at, column), error) for column, error in self.row_errors.items())
        rows += [self.row] * self.row_repeats
        self.blank_rows = 0


def _count(text: str | None) -> int:
    number = int(text or 1)
    if not 0 < number <= 1 << 24:
        raise ValueError("a cell is repeated more often than any sheet has room for")
    return number


def _value(cell: dict[str, str], shown: str) -> Any:
    """What a cell holds: nothing (None) where it shows an error, whatever number stands behind it."""
    kind = cell.get("office:value-type", "")
    if cell.get("calcext:value-type") == "error" or (kind and _ERROR.match(shown) and "table:formula" in cell):
        return None
    if kind in ("float", "percentage", "currency"):
        return _number(float(cell["office:value"]), shown, kind == "percentage")
    if kind == "boolean":
        return cell["office:boolean-value"] == "true"
    if kind == "date":
        moment = datetime.fromisoformat(cell["office:date-value"][:26])
        return moment.replace(tzinfo=None)
    if kind == "time":
        return _duration(cell["office:time-value"])
    return cell.get("office:string-value", shown) if kind == "string" else shown


_SHOWN = re.compile(r"[-+]?[\d.,\s]*\d\s*([^\d\s.,]\S*(?: \S+)?)")


def _number(value: float, shown: str, percent: bool) -> float | str:
    """A number; as text where the sheet shows it with a unit or with zeros before it.

    >>> _number(24.06, "24.060 in", False), _number(7.0, "0007", False), _number(0.0045, "0.45 %", True)
    ('24.06 in', '0007', '0.45 %')
    >>> _number(1200.0, "1,200.00 €", False), _number(7.5, "8", False)
    (1200.0, 7.5)
    """
    if percent:
        return f"{value * 100.0:.15g} %"
    if value.is_integer() and re.fullmatch(r"0\d+", shown):
        return shown
    found = _SHOWN.fullmatch(shown)
    timed = found is not None and unit_key(found[1]) in DIMENSIONS["duration"]  # it is the time's to say
    return f"{value:.15g} {found[1]}" if found and known(found[1]) and not timed else value


def _duration(text: str) -> time | timedelta:
    """A time of day, or from 24 hours on a duration."""
    match = _DURATION.fullmatch(text)
    if match is None:
        raise ValueError(f"{text!r} is not a duration")
    days, hours, minutes, seconds = (int(match[i] or 0) for i in (2, 3, 4, 5))
    micro = int((match[6] or "0").ljust(6, "0")[:6])
    span = timedelta(days=days, hours=hours, minutes=minutes, seconds=seconds, microseconds=micro)
    if match[1]:
        return -span
    return (datetime.min + span).time() if span < timedelta(days=1) else span
