"""What a person sees of the sheets of an old binary workbook (.xls) beside their values, as looks.py has it.

Records: [MS-XLS], Microsoft's published format, of both versions that are read.
"""

from __future__ import annotations

import struct

from .looks import Looks, columns_of
from .number_formats import shown_of_styles
from .old_workbook import records

_BOF, _BOUNDSHEET, _FONT, _FORMAT, _XF = 0x0809, 0x0085, 0x0031, 0x041E, 0x00E0
_ROW, _COLINFO, _FORMULA, _BOOL_OR_ERROR, _NUMBER, _RK, _SEVERAL = (
    0x0208,
    0x007D,
    0x0006,
    0x0205,
    0x0203,
    0x027E,
    0x00BD,
)
_TEXTS = frozenset([0x00D6, 0x00FD, 0x0204])
_ERRORS = {0: "#NULL!", 7: "#DIV/0!", 15: "#VALUE!", 23: "#REF!", 29: "#NAME?", 36: "#NUM!", 42: "#N/A"}


class OldSheets:
    """The looks of the sheets in a stream of records; `hidden` are the titles of sheets that are."""

    def __init__(self, stream: bytes) -> None:
        self.stream = stream
        self.hidden: set[str] = set()
        self.places: dict[str, int] = {}
        fonts: list[bool] = []
        codes: dict[int, str] = {}
        styles: list[tuple[int, int]] = []  # font, number format
        wide = True
        for kind, at, length in records(stream, 0):
            if kind == _BOF:
                wide = struct.unpack_from("<H", stream, at)[0] >= 0x0600
            elif kind == _FONT:
                fonts.append(bool(stream[at + 2] & 0x08))
            elif kind == _FORMAT:
                codes[struct.unpack_from("<H", stream, at)[0]] = _text(stream[at + 2 : at + length], 2, wide)
            elif kind == _XF:
                styles.append(struct.unpack_from("<HH", stream, at))
            elif kind == _BOUNDSHEET:
                title = _text(stream[at + 6 : at + length], 1, wide)
                self.places[title] = struct.unpack_from("<I", stream, at)[0]
                if stream[at + 4] & 3:
                    self.hidden.add(title)
        self.shown = shown_of_styles((form for _, form in styles), codes)
        numbered = {font + (font > 3): struck for font, struck in enumerate(fonts)}  # no font has the number 4
        self.struck = {place for place, (font, _) in enumerate(styles) if numbered.get(font)}
        self.units = any(s is not None and s.unit for s in self.shown.values())
        self._looks: dict[str, Looks] = {}

    def of(self, sheet: str) -> Looks:
        """What the cells of a sheet look like; looked at once."""
        if sheet not in self._looks:
            self._looks[sheet] = self._look(self.places[sheet]) if sheet in self.places else Looks()
        return self._looks[sheet]

    def _look(self, start: int) -> Looks:
        found, stream = Looks(), self.stream
        spans = []
        for kind, at, length in records(stream, start):
            if kind == _ROW and stream[at + 12] & 0x20:
                found.hidden_rows.add(struct.unpack_from("<H", stream, at)[0])
            elif kind == _COLINFO and stream[at + 8] & 1:
                first, last = struct.unpack_from("<HH", stream, at)
                spans.append((first, last + 1))
            elif kind == _SEVERAL:
                row, column = struct.unpack_from("<HH", stream, at)
                for place in range((length - 6) // 6):
                    self._cell(
                        found, row, column + place, struct.unpack_from("<H", stream, at + 4 + 6 * place)[0], True
                    )
            elif kind in (_FORMULA, _BOOL_OR_ERROR, _NUMBER, _RK) or kind in _TEXTS:
                row, column, style = struct.unpack_from("<HHH", stream, at)
                body = stream[at + 6 : at + length]
                other = kind == _FORMULA and body[6:8] == b"\xff\xff"  # than a number
                error = body[2] if other and body[0] == 2 else body[0] if kind == _BOOL_OR_ERROR and body[1] else None
                if error is not None:
                    found.errors[row, column] = _ERRORS.get(error, "#")
                self._cell(found, row, column, style, kind in (_NUMBER, _RK) or (kind == _FORMULA and not other))
        found.hidden_columns = columns_of(spans)
        return found

    def _cell(self, found: Looks, row: int, column: int, style: int, number: bool) -> None:
        if number and style in self.shown:
            found.formats[row, column] = self.shown[style]
        if style in self.struck:
            found.struck.add((row, column))


def _text(body: bytes, counted: int, wide: bool) -> str:
    """A text behind its length, which takes so many bytes (always one before 1997)."""
    if not wide:
        return body[1 : 1 + body[0]].decode("cp1252", "replace")
    count = int.from_bytes(body[:counted], "little")
    flags, body = body[counted], body[counted + 1 :]
    return body[: 2 * count].decode("utf-16-le", "replace") if flags & 1 else body[:count].decode("latin-1")
