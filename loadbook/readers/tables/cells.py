"""Intake files as cells: CSV (RFC 4180 and its dialects) or a sheet of a workbook (XLSX, XLS, ODS), with their lines.

Nothing is guessed silently: a dialect is taken only where the header row settles it.
"""

from __future__ import annotations

import csv
import hashlib
import io
import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import date, datetime, time
from itertools import islice, zip_longest
from pathlib import Path
from typing import Any

from loadbook.core.errors import IntakeError, LoadbookError, Problem
from loadbook.core.outside import (
    MOST_CELLS,
    MOST_RECORDS,
    cells_within_limit,
    checked_encoding,
    name_of,
    read_file,
    within_limits,
)
from loadbook.readers.looks import Looks, Place
from loadbook.readers.number_formats import Shown
from loadbook.readers.workbook import cell_text, is_workbook, open_book

DELIMITERS = (",", ";", "\t", "|")
_SEPARATOR = re.compile(
    r"(sep=([,;\t|]))[ \t]*(?=\r|\n)", re.IGNORECASE
)  # the first line of some spreadsheets' exports
_BEGINNING = 65_536  # characters, in which the header is found as a rule
_TOGETHER = 1_000  # rows turned into columns at a time


@dataclass
class Sheet:
    """One table of cells, column by column in the order of the header; None where a row ends before it.

    lines[i] is the physical line (or sheet row) on which row i begins
    doubts   (index of a row, header, what is to be asked) of rows that were hidden or struck out, or may be cut off
    hidden   headers of columns that nobody sees
    """

    name: str
    sha256: str
    header: list[str]
    columns: list[list[Any]]
    lines: list[int]
    delimiter: str = ","
    problems: list[Problem] = field(default_factory=list)
    doubts: list[tuple[int, str, str]] = field(default_factory=list)
    hidden: list[str] = field(default_factory=list)


def read_sheet(path: Path, *, encoding: str | None = None, sheet: str | None = None) -> Sheet:
    """The header and rows of a CSV file or a workbook.

    Raises NotFoundError, LoadbookError (unreadable, too large), IntakeError (no header, one column, no rows).
    """
    data = file_bytes(path)
    digest = hashlib.sha256(data).hexdigest()
    if is_workbook(data):
        found = _from_workbook(name_of(path), data, sheet)
    else:
        found = _from_text(name_of(path), _decode(name_of(path), data, encoding))
    found.sha256 = digest
    return found


def file_bytes(path: Path) -> bytes:
    """The whole of an intake file. Raises what read_file raises, IntakeError where it is empty."""
    data = read_file(path)
    if not data.strip(b"\x00 \t\r\n\xef\xbb\xbf\xff\xfe"):
        raise IntakeError(
            "the file is empty", [Problem("there is nothing in it", file=name_of(path))], remedy="Nothing was taken in"
        )
    return data


def _decode(name: str, data: bytes, encoding: str | None) -> str:
    """Text of a file: by its byte-order mark, else UTF-8, else the encoding that the user states."""
    if encoding is None:
        if data.startswith((b"\xff\xfe", b"\xfe\xff")):
            encoding = "utf-16"
        else:
            encoding = "utf-8-sig"
    try:
        return data.decode(checked_encoding(encoding))
    except UnicodeDecodeError as exc:
        line = data[: exc.start].count(b"\n") + 1
        called = "UTF-8" if encoding == "utf-8-sig" else encoding
        problem = Problem(f"a byte that is not {called} text: 0x{data[exc.start]:02x}", name, line)
        raise IntakeError(
            f"the file is not {called} text", [problem], remedy="State what it is, e.g. --encoding latin-1"
        ) from exc


def _from_text(name: str, text: str) -> Sheet:
    if "\x00" in text:
        line = text[: text.index("\x00")].count("\n") + 1
        raise IntakeError("the file holds NUL characters", [Problem("a NUL character", name, line)])
    said = _SEPARATOR.match(text)
    if said is not None:
        text = text[said.end(1) :]  # the rest of its line is blank
    first = _first_line(text)
    counts = {d: first.count(d) for d in DELIMITERS}
    delimiter = said[2] if said is not None else max(counts, key=lambda d: counts[d])
    if counts[delimiter] == 0:
        raise IntakeError(
            "the header has one column only",
            [Problem("no comma, semicolon, tab or bar in the header", name, 1, value=first[:80])],
            remedy="Delete titles above the header, and separate the columns by commas, semicolons or tabs; loadbook"
            " template KIND prints a header",
        )
    with cells_within_limit():
        found = _sheet(name, _records(name, text, delimiter), delimiter)
    if text[-1:] not in "\r\n":
        _doubt_the_end(found)
    return found


def _doubt_the_end(found: Sheet) -> None:
    """Ask about the last number of a file without a line end where it has fewer decimals than every one above it."""
    *above, last = found.columns[-1][-50:] if found.lines else [None]
    decimals = [len(re.split(r"[.,]", cell, maxsplit=1)[1]) for cell in above if cell and re.search(r"\d[.,]\d", cell)]
    own = re.fullmatch(r"[-+]?\d*(?:[.,](\d*))?", last.strip()) if last else None
    if own and len(above) > 2 and len(decimals) == len(above) and len(own[1] or "") < min(decimals):
        what = "the file ends in this number, without a line end: is it cut off?"
        found.doubts.append((len(found.lines) - 1, found.header[-1], what))


def _first_line(text: str) -> str:
    """The first line that is not blank; the rest of a long text is not split for it."""
    lines = text[:_BEGINNING].splitlines()
    whole = next((line for line in lines[:-1] if line.strip()), None)
    return whole or next((line for line in text.splitlines() if line.strip()), "")


def _records(name: str, text: str, delimiter: str) -> Iterator[tuple[int, list[Any]]]:
    """(physical line, cells) of each row of a CSV text that is not blank."""
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    end = widest = most = 0
    count = -1  # without the header
    try:
        for cells in reader:
            start, end = end + 1, reader.line_num
            if cells and (cells[0].strip() or any(map(str.strip, cells))):
                count += 1
                if len(cells) > widest or count > most:
                    widest = max(widest, len(cells))
                    within_limits(count, widest, name, MOST_RECORDS)
                    most = min(MOST_RECORDS, MOST_CELLS // widest)
                yield start, cells
    except csv.Error as exc:
        problem = Problem(f"the file is not well-formed CSV here: {exc}", name, end + 1)
        raise IntakeError("the file cannot be read", [problem], remedy="Check the quotes around this line") from exc


def _sheet(name: str, rows: Iterator[tuple[int, list[Any]]], delimiter: str) -> Sheet:
    """The table of rows as (line, cells), of which the first is the header."""
    _, first = next(rows, (0, None))
    if first is None:
        raise IntakeError("the file is empty", [Problem("every cell in it is blank", file=name)])
    header = [str(cell if cell is not None else "").strip() for cell in first]
    again = list(header)  # the header of each printed page
    while header and not header[-1]:
        header.pop()
    found = Sheet(name, "", header, [[] for _ in header], [], delimiter)
    rows = (row for row in rows if row[1][0] != first[0] or [str(c or "").strip() for c in row[1]] != again)
    while some := list(islice(rows, _TOGETHER)):
        lines, block = zip(*some, strict=True)
        found.lines += lines
        columns = list(zip_longest(*block))
        for position, column in enumerate(found.columns):
            column += columns[position] if position < len(columns) else [None] * len(lines)
        for line, cells in some if len(columns) > len(header) else ():
            extra = [c for c in cells[len(header) :] if c not in (None, "")]
            if extra:
                found.problems.append(
                    Problem(
                        f"the row has {len(cells)} cells, the header {len(header)}", name, line,
                        value=str(extra[0])[:40], remedy="Quote a cell that holds the separator",
                    )
                )  # fmt: skip
    return found


def _from_workbook(name: str, data: bytes, sheet: str | None) -> Sheet:
    book = open_book(data, name)
    names = book.visible
    if sheet is None and len(names) > 1:
        filled = [n for n in names if any(c not in (None, "") for row in book.rows(n) for c in row)]
        if len(filled) != 1:
            raise LoadbookError(
                f"the workbook has {len(names)} sheets", where=name,
                remedy=f"Say which: --sheet {names[0]!r} (others: {', '.join(names[1:6])})",
            )  # fmt: skip
        names = filled
    if not names:
        raise IntakeError("the sheet is empty", [Problem("there is nothing in it", file=name)])
    chosen = sheet or names[0]
    if chosen not in book.sheets:
        raise LoadbookError(f"there is no sheet {chosen!r}", where=name, remedy="Sheets: " + ", ".join(book.sheets))
    cells = book.rows(chosen)
    within_limits(len(cells) - 1, max(map(len, cells), default=0), name, MOST_RECORDS)
    looks = book.looks(chosen)
    for (at, column), error in looks.errors.items():
        if at < len(cells) and column < len(cells[at]):
            cells[at][column] = CellOf(error, f"an error stands in the cell ({error})", "Correct it in the workbook")
    rows, lines = [], []
    for number, row in enumerate(cells, start=1):
        if any(c not in (None, "") for c in row):
            rows.append([_cell(c, looks.formats, (number - 1, place)) for place, c in enumerate(row)])
            lines.append(number)
    if not rows:
        raise IntakeError("the sheet is empty", [Problem("there is nothing in it", file=name)])
    found = _sheet(name, zip(lines, rows, strict=True), "xlsx")
    for (top, left), (bottom, _) in book.merges(chosen):
        if top >= lines[0] and left < len(found.header) and cells[top][left] not in (None, ""):
            what = f"{'rows' if bottom > top else 'columns'} are merged here: only the first has the value"
            shown, remedy = str(cells[top][left])[:40], "Unmerge the cells, and fill in each"
            found.problems += [
                Problem(what, name, line, found.header[left], shown, remedy)
                for line in lines
                if top < line <= bottom + 1
            ]
    _doubt(found, looks)
    return found


def _doubt(found: Sheet, looks: Looks) -> None:
    """Ask about rows that are hidden or struck out in the workbook: they may be void, or another load's."""
    struck: dict[int, list[int]] = {}
    for row, column in looks.struck:
        struck.setdefault(row, []).append(column)
    for i, line in enumerate(found.lines):
        if line - 1 in looks.hidden_rows:
            found.doubts.append((i, found.header[0], "the row is hidden in the sheet (by a filter?)"))
        lined = [c for c in sorted(struck.get(line - 1, ())) if c < len(found.header) and found.columns[c][i]]
        if lined:
            found.doubts.append((i, found.header[lined[0]], "this is struck out in the sheet"))
    found.hidden = [h for c, h in enumerate(found.header) if c in looks.hidden_columns and any(found.columns[c])]


class CellOf(str):
    """A workbook's cell that is something else than text, as the text that a column of numbers or dates takes.

    why    what is wrong with it in a column of text ('': nothing), remedy what to do
    shown  what a column of text takes: what the sheet shows
    """

    __slots__ = ("remedy", "shown", "why")
    why: str
    remedy: str | None
    shown: str

    def __new__(cls, text: str, why: str = "", remedy: str | None = None, shown: str = "") -> CellOf:
        made = super().__new__(cls, text)
        made.why, made.remedy, made.shown = why, remedy, shown or text
        return made


_AS_TEXT = "Format the column as text in the workbook, and type the cell again"


def _cell(value: Any, formats: dict[Place, Shown | None], place: Place) -> str | None:
    """A workbook cell as text: numbers as Python writes them, dates in ISO form."""
    if value is None or isinstance(value, str):
        return value
    if isinstance(value, bool):
        return CellOf("yes" if value else "no", "the spreadsheet made a truth value of this", _AS_TEXT)
    if not isinstance(value, (int, float)):
        dated = isinstance(value, (date, time)) and not isinstance(value, datetime)
        text = value.isoformat() if dated else cell_text(value) if isinstance(value, datetime) else str(value)
        return CellOf(text, "the spreadsheet made a date or time of this", _AS_TEXT)
    text = repr(int(value) if float(value).is_integer() and abs(value) < 2**53 else value)
    if abs(value) >= 1e15:
        return CellOf(text, "a spreadsheet keeps 15 digits of a number, and this has more", _AS_TEXT)
    if place not in formats:
        return text
    form = formats[place]
    if form is None or form.powers:
        return CellOf(text, "the sheet shows this number in a form of its own", _AS_TEXT)
    return CellOf(text, shown=form.text(value)) if form.text(value) != text else text
