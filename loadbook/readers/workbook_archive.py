"""A workbook's archive made safe before any cell is read: only its tables are kept, within limits, and measured.

The workbook reader fills the whole rectangle that the cells of a sheet span, and ends the process where that does
not fit into memory: one cell at XFD1048576 is enough. So each sheet's references are looked at first, in exactly
the bytes that the reader is given afterwards.
"""

from __future__ import annotations

import io
import re
import struct
import zipfile
import zlib

from loadbook.core.errors import IntakeError, Problem
from loadbook.core.outside import LARGEST_TEXTS, LARGEST_UNPACKED, MOST_CELLS, MOST_COLUMNS, MOST_PARTS, size_words

ZIP = b"PK\x03\x04"
MEND = "Open it in a spreadsheet program and save it again as .xlsx, or export CSV"
MOST_SHEET_ROWS = 1_048_576
_OFFICE = {"mimetype", "[content_types].xml", "content.xml"}  # what other programs' documents hold
MOST_NAMED = 3
_FAULTS = (  # all that the zip reader raises on a damaged or encrypted file
    zipfile.BadZipFile, zlib.error, struct.error, KeyError, OSError, ValueError, RuntimeError, EOFError,
    OverflowError,
)  # fmt: skip
_KEPT = re.compile(r"(?:\[content_types\]\.xml|_rels/[^/]*\.rels|xl/(?:[^/]+|_rels/[^/]+|worksheets/.+)\.(?:xml|rels))")
_UNUSED = re.compile(r"xl/(?:calcchain|metadata|vbaproject|theme).*")
_PREFIX = rb"<(?:[\w.-]+:)?"
_ROW = re.compile(_PREFIX + rb"row(?=[\s/>])")
_CELL = re.compile(_PREFIX + rb"c(?=[\s/>])")
_PLACED = re.compile(_PREFIX + rb"c\s[^<>]*?(?<![\w:.-])r\s*=")
_REFERENCE = re.compile(rb"(?<![\w:.-])r\s*=\s*[\"']([^\"'<>]*)[\"']")
_TEXT = re.compile(_PREFIX + rb"si(?=[\s/>])")
_SHARED = re.compile(rb"(?<![\w:.-])t\s*=\s*[\"']s[\"']")
_SHARED_PLACE = re.compile(
    _PREFIX + rb"c\s[^<>]*?(?<![\w:.-])t\s*=\s*[\"']s[\"'][^<>]*>\s*" + _PREFIX + rb"v>\s*([0-9]{1,9})\s*</"
)
_PLACE = re.compile(rb"([A-Za-z]{0,3})([0-9]{1,7})")


def safe_workbook(name: str, data: bytes) -> bytes:
    """The archive of an XLSX workbook again, with nothing in it but its tables, all of them within the limits.

    Raises IntakeError where it is no such workbook, is damaged, or holds more than is read
    """
    out = io.BytesIO()
    unpacked = 0
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as old, zipfile.ZipFile(out, "w", zipfile.ZIP_STORED) as new:
            items = old.infolist()
            low = {item.filename.lower() for item in items}
            if "xl/workbook.xml" not in low:
                if _OFFICE.isdisjoint(low):
                    held = ", ".join(item.filename for item in items[:MOST_NAMED])
                    raise IntakeError(
                        "files packed into one are not read",
                        [Problem(f"this is an archive of {held}{' ...' if len(items) > MOST_NAMED else ''}", name)],
                        remedy="Unpack it, and give the files in it",
                    )
                raise _refused(name, "this is not an XLSX workbook")
            if len(items) > MOST_PARTS or len(low) < len(items):
                raise _refused(name, f"the workbook has {len(items)} parts, or one of them twice")
            for item in items:
                part = item.filename.lower()
                if not _KEPT.fullmatch(part) or _UNUSED.fullmatch(part):
                    continue
                unpacked += item.file_size
                if unpacked > LARGEST_UNPACKED:
                    raise _refused(name, f"the workbook unpacks to more than {size_words(LARGEST_UNPACKED)}")
                text = old.read(item)
                _measure(name, item.filename, text)
                new.writestr(item.filename, text)
            _texts(name, old)
    except _FAULTS as exc:
        raise IntakeError(
            "the workbook cannot be opened", [Problem(f"it is damaged: {exc}", name)], remedy=MEND
        ) from exc
    return out.getvalue()


def _refused(name: str, what: str) -> IntakeError:
    return IntakeError("the workbook cannot be opened", [Problem(what, name)], remedy=MEND)


def _measure(name: str, part: str, text: bytes) -> None:
    """Refuse a sheet whose cells span more than is read."""
    if text.startswith((b"\xff\xfe", b"\xfe\xff")) or b"\x00" in text[:64]:
        raise _refused(name, f"{part} is not in UTF-8")
    if text.count(b"<") > 4 * MOST_CELLS or text.count(b"row") > 4 * MOST_SHEET_ROWS:
        raise _refused(name, f"{part} holds more than {MOST_CELLS:,} cells or {MOST_SHEET_ROWS:,} rows")
    bottom = across = lowest = 0
    for place in set(_REFERENCE.findall(text)):
        found = _PLACE.fullmatch(place)
        if found is None:
            raise _refused(name, f"{part} refers to a cell that no sheet has")
        if found.group(1):
            bottom = max(bottom, int(found.group(2)))
            across = max(across, _number(found.group(1)))
        else:
            lowest = max(lowest, int(found.group(2)))  # a row's number: rows without cells take no room
    if len(_PLACED.findall(text)) < len(_CELL.findall(text)):
        # a cell without a reference follows the one before it, in its row's place
        rows = _ROW.split(text)
        bottom = max(bottom, lowest) + len(rows)
        across += max(len(_CELL.findall(row)) for row in rows)
    if bottom > MOST_SHEET_ROWS or across > MOST_COLUMNS or bottom * across > MOST_CELLS:
        raise _refused(
            name,
            f"the cells of {part} span {bottom:,} rows and {across:,} columns, where at most {MOST_SHEET_ROWS:,} rows,"
            f" {MOST_COLUMNS:,} columns and {MOST_CELLS:,} cells are read (is there a stray cell far from the others?)",
        )


def _texts(name: str, archive: zipfile.ZipFile) -> None:
    """Refuse a workbook whose cells hold more text than is read: a text kept once is read anew for each cell."""
    parts = {item.lower(): item for item in archive.namelist()}
    if "xl/sharedstrings.xml" not in parts:
        return
    lengths = [len(part) for part in _TEXT.split(archive.read(parts["xl/sharedstrings.xml"]))[1:]]
    longest, together = max(lengths, default=0), 0
    for part, stored in parts.items():
        if not part.startswith("xl/worksheets/"):
            continue
        text = archive.read(stored)
        count = len(_SHARED.findall(text))
        if together + count * longest > LARGEST_TEXTS:  # else nothing need be added up
            places = [int(n) for n in _SHARED_PLACE.findall(text)]
            sizes = [lengths[n] if n < len(lengths) else 0 for n in places]
            together += sum(sizes) + (count - len(places)) * longest
        else:
            together += count * longest
        if together > LARGEST_TEXTS:
            raise _refused(name, f"its cells hold more than {size_words(LARGEST_TEXTS)} of text")


def _number(letters: bytes) -> int:
    """The column's number: A is 1, XFD 16384; 0 without letters (a row)."""
    number = 0
    for letter in letters.upper():
        number = number * 26 + letter - 64
    return number
