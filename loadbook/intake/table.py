"""Intake files as cells: CSV (RFC 4180 and its dialects) or a sheet of an XLSX workbook, with physical lines.

Nothing is guessed silently: a dialect is taken only where the header row settles it.
"""

from __future__ import annotations

import csv
import hashlib
import io
import zipfile
from dataclasses import dataclass, field
from datetime import date, datetime, time
from pathlib import Path
from typing import Any

from loadbook.ground.errors import IntakeError, LoadbookError, NotFoundError, Problem

DELIMITERS = (",", ";", "\t")
LARGEST_BYTES = 512 * 1024 * 1024
LARGEST_CELL = 1_000_000
MOST_COLUMNS = 2_000
MOST_ROWS = 5_000_000


@dataclass
class Sheet:
    """One table of cells. lines[i] is the physical line (or sheet row) on which row i begins."""

    name: str
    sha256: str
    header: list[str]
    rows: list[list[Any]]
    lines: list[int]
    delimiter: str = ","
    problems: list[Problem] = field(default_factory=list)


def read_sheet(path: Path, *, encoding: str | None = None, sheet: str | None = None) -> Sheet:
    """The header and rows of a CSV or XLSX file.

    Raises NotFoundError, LoadbookError (unreadable, too large), IntakeError (no header, one column, no rows).
    """
    data = file_bytes(path)
    digest = hashlib.sha256(data).hexdigest()
    if data[:4] == b"PK\x03\x04":
        found = _from_workbook(path.name, data, sheet)
    elif data[:8] == b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1":
        raise LoadbookError("this is an old binary workbook", where=path.name, mend="Save it as .xlsx or .csv")
    else:
        found = _from_text(path.name, _decode(path.name, data, encoding))
    found.sha256 = digest
    return found


def file_bytes(path: Path) -> bytes:
    """The whole of a regular file, within the size limit."""
    if not path.exists():
        raise NotFoundError("there is no such file", where=str(path), mend="Check its name and folder")
    if not path.is_file():
        raise LoadbookError("this is not a regular file", where=str(path), mend="Name a .csv or .xlsx file")
    if path.stat().st_size > LARGEST_BYTES:
        raise LoadbookError("the file is larger than 512 MiB", where=str(path), mend="Split it into smaller ones")
    data = path.read_bytes()
    if not data.strip(b"\x00 \t\r\n\xef\xbb\xbf\xff\xfe"):
        raise IntakeError(
            "the file is empty", [Problem("there is nothing in it", file=path.name)], mend="Nothing was taken in"
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
        return data.decode(encoding)
    except LookupError as exc:
        raise LoadbookError(f"no encoding is called {encoding!r}", mend="Try utf-8, latin-1 or cp1252") from exc
    except UnicodeDecodeError as exc:
        line = data[: exc.start].count(b"\n") + 1
        called = "UTF-8" if encoding == "utf-8-sig" else encoding
        problem = Problem(f"a byte that is no {called} text: 0x{data[exc.start]:02x}", name, line)
        raise IntakeError(
            f"the file is no {called} text", [problem], mend="State what it is, e.g. --encoding latin-1"
        ) from exc


def _from_text(name: str, text: str) -> Sheet:
    if "\x00" in text:
        line = text[: text.index("\x00")].count("\n") + 1
        raise IntakeError("the file holds NUL characters", [Problem("a NUL character", name, line)])
    first = next((line for line in text.splitlines() if line.strip()), "")
    counts = {d: first.count(d) for d in DELIMITERS}
    delimiter = max(counts, key=lambda d: counts[d])
    if counts[delimiter] == 0:
        raise IntakeError(
            "the header has one column only",
            [Problem("no comma, semicolon or tab in the header", name, 1, value=first[:80])],
            mend="Separate the columns by commas, semicolons or tabs; loadbook template KIND prints a header",
        )
    csv.field_size_limit(LARGEST_CELL)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    rows: list[list[str]] = []
    lines: list[int] = []
    end = 0
    try:
        for cells in reader:
            start, end = end + 1, reader.line_num
            if any(cell.strip() for cell in cells):
                rows.append(cells)
                lines.append(start)
            if len(rows) > MOST_ROWS:
                raise LoadbookError(f"the file has more than {MOST_ROWS:,} rows", where=name, mend="Split it")
    except csv.Error as exc:
        problem = Problem(f"the file is no well-formed CSV here: {exc}", name, end + 1)
        raise IntakeError("the file cannot be read", [problem], mend="Check the quotes around this line") from exc
    return _sheet(name, rows, lines, delimiter)


def _sheet(name: str, rows: list[list[Any]], lines: list[int], delimiter: str) -> Sheet:
    header = [str(cell if cell is not None else "").strip() for cell in rows[0]]
    while header and not header[-1]:
        header.pop()
    width = len(header)
    if width > MOST_COLUMNS:
        raise LoadbookError(f"the file has {width:,} columns", where=name, mend=f"At most {MOST_COLUMNS:,} are read")
    found = Sheet(name, "", header, [], [], delimiter)
    for cells, line in zip(rows[1:], lines[1:], strict=True):
        extra = [c for c in cells[width:] if c not in (None, "")]
        if extra:
            found.problems.append(
                Problem(
                    f"the row has {len(cells)} cells, the header {width}", name, line, value=str(extra[0])[:40],
                    mend="Quote a cell that holds the separator",
                )
            )  # fmt: skip
        found.rows.append([*cells[:width], *([None] * (width - len(cells)))])
        found.lines.append(line)
    return found


def _from_workbook(name: str, data: bytes, sheet: str | None) -> Sheet:
    from python_calamine import CalamineError, CalamineWorkbook

    check_archive(name, data)
    try:
        book = CalamineWorkbook.from_filelike(io.BytesIO(data))
        names = [s.name for s in book.sheets_metadata if str(s.typ).endswith("WorkSheet")] or book.sheet_names
        if sheet is None and len(names) > 1:
            filled = [n for n in names if book.get_sheet_by_name(n).height > 0]
            if len(filled) != 1:
                raise LoadbookError(
                    f"the workbook has {len(names)} sheets", where=name,
                    mend=f"Say which: --sheet {names[0]!r} (others: {', '.join(names[1:6])})",
                )  # fmt: skip
            names = filled
        chosen = sheet or names[0]
        if chosen not in book.sheet_names:
            raise LoadbookError(f"there is no sheet {chosen!r}", where=name, mend="Sheets: " + ", ".join(names))
        found = book.get_sheet_by_name(chosen)
        height, width = found.height, found.width
        if height > MOST_ROWS or width > MOST_COLUMNS:
            raise LoadbookError(f"the sheet has {height:,} rows and {width:,} columns", where=name, mend="Split it")
        cells = found.to_python(skip_empty_area=False)
    except (CalamineError, ValueError, OSError) as exc:
        raise LoadbookError(f"the workbook cannot be read ({exc})", where=name, mend="Save it again as .xlsx") from exc
    rows, lines = [], []
    for number, row in enumerate(cells, start=1):
        if any(c not in (None, "") for c in row):
            rows.append([_cell(c) for c in row])
            lines.append(number)
    if not rows:
        raise IntakeError("the sheet is empty", [Problem("there is nothing in it", file=name)])
    return _sheet(name, rows, lines, "xlsx")


def check_archive(name: str, data: bytes) -> None:
    """Refuse a workbook that unpacks to far more than it should (the limit is 1 GiB and 200 times its size)."""
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            unpacked = sum(entry.file_size for entry in archive.infolist())
    except (zipfile.BadZipFile, ValueError, NotImplementedError, OverflowError) as exc:
        raise LoadbookError(f"the workbook is damaged ({exc})", where=name, mend="Save it again as .xlsx") from exc
    if unpacked > 1024**3 or (unpacked > 50_000_000 and unpacked > 200 * len(data)):
        raise LoadbookError("the workbook unpacks to far more than its size", where=name, mend="It was not read")


def _cell(value: Any) -> Any:
    """A workbook cell: numbers stay numbers, dates become ISO text, everything else text."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return int(value) if value.is_integer() and abs(value) < 2**53 else value
    if isinstance(value, datetime):
        return value.isoformat(timespec="seconds")
    if isinstance(value, (date, time)):
        return value.isoformat()
    return value if isinstance(value, int) else str(value)
