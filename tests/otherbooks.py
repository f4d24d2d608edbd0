"""Writes .xls and .ods workbooks as other programs do, and as those do that mean harm: for fixtures and tests.

A cell is a number, a text, a bool, a datetime, None, or one of ERROR and Formula(result). The same cells give the same
bytes. Forms: [MS-CFB] and [MS-XLS] (BIFF8), OASIS OpenDocument 1.3.
"""

from __future__ import annotations

import io
import struct
import zipfile
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any
from xml.sax.saxutils import escape, quoteattr

ERROR = object()


@dataclass(frozen=True)
class Formula:
    """A formula with the number that its last calculation left."""

    result: float


@dataclass(frozen=True)
class Styled:
    """A cell of an .xls with a number format, or struck out."""

    value: Any
    form: str = "General"
    struck: bool = False


def _record(kind: int, body: bytes = b"") -> bytes:
    return struct.pack("<HH", kind, len(body)) + body


def _text(text: str, length: str = "<HB") -> bytes:
    return struct.pack(length, len(text), 1) + text.encode("utf-16-le")


_PLAIN, _MOMENT = 15, 16  # places among the cell formats


def xls(
    sheets: dict[str, list[list[Any]]], *, epoch_1904: bool = False, charts: tuple[str, ...] = (), more: bytes = b""
) -> bytes:  # fmt: skip
    """An .xls workbook; `charts` are the names of chart sheets in front of the others, `more` records at the end of
    every sheet."""
    styled = list(dict.fromkeys((c.form, c.struck) for s in sheets.values() for r in s for c in r if _styled(c)))
    forms = [f for f, _ in styled]
    formats = [(0, 0)] * 16 + [(0, 164)] + [(5 if struck else 0, 165 + forms.index(f)) for f, struck in styled]
    head = _record(0x0809, struct.pack("<HHHHII", 0x0600, 0x0005, 0, 0, 0, 6)) + _record(0x0042, b"\xb0\x04")
    head += _record(0x0022, struct.pack("<H", epoch_1904))
    head += _record(0x041E, struct.pack("<H", 164) + _text("yyyy-mm-dd hh:mm:ss"))
    head += b"".join(_record(0x041E, struct.pack("<H", 165 + forms.index(f)) + _text(f)) for f in dict.fromkeys(forms))
    for grey in (0, 0, 0, 0, 8) if styled else ():  # fonts; no font has the number 4, so that the fifth is number 5
        head += _record(0x0031, struct.pack("<HHHHHBBBB", 200, grey, 0, 400, 0, 0, 0, 0, 0) + _text("A", "<BB"))
    head += b"".join(_record(0x00E0, struct.pack("<HHH14x", font, f, 1)) for font, f in formats)
    begins = [(name, 2) for name in charts] + [(name, 0) for name in sheets]
    listed = sum(len(_record(0x0085, struct.pack("<IBB", 0, 0, k) + _text(n, "<BB"))) for n, k in begins)
    at = len(head) + listed + len(_record(0x000A))
    bodies, bounds = [], []
    for name, kind in begins:
        part = _record(0x0809, struct.pack("<HHHHII", 0x0600, 0x0020 if kind else 0x0010, 0, 0, 0, 6))
        part += (
            b""
            if kind
            else b"".join(
                _cell(r, c, cell, epoch_1904, styled)
                for r, row in enumerate(sheets[name])
                for c, cell in enumerate(row)
            )
        )
        part += (b"" if kind else more) + _record(0x000A)
        bounds.append(_record(0x0085, struct.pack("<IBB", at, 0, kind) + _text(name, "<BB")))
        bodies.append(part)
        at += len(part)
    return container(head + b"".join(bounds) + _record(0x000A) + b"".join(bodies))


def _styled(cell: Any) -> bool:
    return isinstance(cell, Styled)


def _cell(row: int, column: int, cell: Any, epoch_1904: bool, styled: list[tuple[str, bool]]) -> bytes:
    style = _MOMENT if isinstance(cell, datetime) else _PLAIN
    if isinstance(cell, Styled):
        cell, style = cell.value, 17 + styled.index((cell.form, cell.struck))
    place = struct.pack("<HHH", row, column, style)
    if cell is None:
        return b""
    if cell is ERROR:
        return _record(0x0205, place + b"\x07\x01")  # #DIV/0!
    if isinstance(cell, bool):
        return _record(0x0205, place + bytes([cell, 0]))
    if isinstance(cell, Formula):
        return _record(0x0006, place + struct.pack("<d", cell.result) + bytes(6) + struct.pack("<H", 3) + b"\x1e\1\0")
    if isinstance(cell, datetime):
        zero = datetime(1904, 1, 1) if epoch_1904 else datetime(1899, 12, 30)
        return _record(0x0203, place + struct.pack("<d", (cell - zero) / timedelta(days=1)))
    if isinstance(cell, str):
        return _record(0x0204, place + _text(cell))
    return _record(0x0203, place + struct.pack("<d", cell))


def container(stream: bytes, name: str = "Workbook") -> bytes:
    """A compound file of sectors of 512 bytes with one stream."""
    stream = stream.ljust(4096, b"\0")
    parts = -(-len(stream) // 512)
    tables = 1
    while tables * 128 < 1 + parts + tables:
        tables += 1
    end, free, own = 0xFFFFFFFE, 0xFFFFFFFF, 0xFFFFFFFD
    fat = [end, *range(2, parts + 1), end, *[own] * tables]
    fat += [free] * (tables * 128 - len(fat))
    at = [1 + parts + i for i in range(tables)] + [free] * (109 - tables)
    head = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(16) + struct.pack("<HHHHH6x", 0x3E, 3, 0xFFFE, 9, 6)
    head += struct.pack("<9I", 0, tables, 0, 0, 4096, end, 0, end, 0) + struct.pack("<109I", *at)

    def entry(title: str, kind: int, child: int, first: int, length: int) -> bytes:
        text = title.encode("utf-16-le") + b"\0\0"
        links = struct.pack("<HBBIII", len(text), kind, 1, free, free, child)
        return text.ljust(64, b"\0") + links + bytes(36) + struct.pack("<IQ", first, length)

    directory = entry("Root Entry", 5, 1, end, 0) + entry(name, 2, free, 1, len(stream))
    return head + directory.ljust(512, b"\0") + stream.ljust(parts * 512, b"\0") + struct.pack(f"<{len(fat)}I", *fat)


_SPACES = (
    'xmlns:office="urn:oasis:names:tc:opendocument:xmlns:office:1.0"'
    ' xmlns:table="urn:oasis:names:tc:opendocument:xmlns:table:1.0"'
    ' xmlns:text="urn:oasis:names:tc:opendocument:xmlns:text:1.0"'
)


def ods(sheets: dict[str, list[list[Any]]]) -> bytes:
    """An .ods workbook."""
    tables = "".join(
        f"<table:table table:name={quoteattr(name)}>"
        + "".join(f"<table:table-row>{''.join(map(_element, row))}</table:table-row>" for row in rows)
        + "</table:table>"
        for name, rows in sheets.items()
    )
    return ods_of(tables)


def ods_of(tables: str, before: str = "", styles: str = "") -> bytes:
    """An .ods workbook of ready elements."""
    out = io.BytesIO()
    space = ' xmlns:style="urn:oasis:names:tc:opendocument:xmlns:style:1.0"' if styles else ""
    head = f"<office:automatic-styles>{styles}</office:automatic-styles>" if styles else ""
    text = f"{before}<office:document-content {_SPACES}{space}>{head}<office:body><office:spreadsheet>{tables}"
    text += "</office:spreadsheet></office:body></office:document-content>"
    with zipfile.ZipFile(out, "w") as archive:
        for name, body in (
            ("mimetype", "application/vnd.oasis.opendocument.spreadsheet"), ("content.xml", text),
        ):  # fmt: skip
            item = zipfile.ZipInfo(name, (2026, 1, 1, 0, 0, 0))
            item.compress_type = zipfile.ZIP_STORED if name == "mimetype" else zipfile.ZIP_DEFLATED
            archive.writestr(item, body)
    return out.getvalue()


def _element(cell: Any) -> str:
    if cell is None:
        return "<table:table-cell/>"
    formula = ""
    if cell is ERROR:  # as older writers do: a number behind an error
        return _filled('office:value-type="float" office:value="0" table:formula="of:=1/0"', "#DIV/0!")
    if isinstance(cell, Formula):
        cell, formula = cell.result, ' table:formula="of:=[.A1]"'
    if isinstance(cell, bool):
        shown = "true" if cell else "false"
        return _filled(f'office:value-type="boolean" office:boolean-value="{shown}"', shown.upper())
    if isinstance(cell, datetime):
        return _filled(f'office:value-type="date" office:date-value="{cell.isoformat()}"', f"{cell:%d.%m.%y %H:%M}")
    if isinstance(cell, str):
        return _filled('office:value-type="string"', escape(cell))
    return _filled(f'office:value-type="float" office:value="{cell!r}"{formula}', f"{cell:g}")


def _filled(attributes: str, shown: str) -> str:
    return f"<table:table-cell {attributes}><text:p>{shown}</text:p></table:table-cell>"
