"""An old binary workbook (.xls) made safe before any cell is read: its one stream of records, measured, in a new file.

The workbook reader fills the whole rectangle that a sheet's cells span, for every sheet at once: one stray record is
enough to end the process. So the stream is taken out of its container, every sheet's records are measured, and the
reader is given a new container with exactly these bytes and nothing else (no macros, no embedded objects).

Container and records: [MS-CFB] and [MS-XLS], Microsoft's published formats.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from itertools import islice

from loadbook.core.errors import IntakeError, Problem
from loadbook.core.outside import LARGEST_TEXTS, MOST_CELLS, MOST_COLUMNS, MOST_PARTS, size_words

OLD_WORKBOOK = b"\xd0\xcf\x11\xe0"
_SIGNATURE = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"
_END, _FREE, _FAT_SECTOR = 0xFFFFFFFE, 0xFFFFFFFF, 0xFFFFFFFD
_MEND = "Open it in a spreadsheet program and save it again as .xlsx, or export CSV"
_BOF, _EOF, _BOUNDSHEET, _FILEPASS = 0x0809, 0x000A, 0x0085, 0x002F
_LONGEST_TEXT = 65_535  # characters: their number takes two bytes
_TEXTS, _GOES_ON, _TEXT_CELL = 0x00FC, 0x003C, 0x00FD
_CELL = frozenset([0x0006, 0x00D6, 0x00FD, 0x0201, 0x0203, 0x0204, 0x0205, 0x027E])
_CELLS = {0x00BD: 6, 0x00BE: 2}  # several cells in one record: bytes of each


def safe_old_workbook(name: str, data: bytes) -> bytes:
    """A container that holds nothing but the workbook's own stream, all its sheets within the limits.

    Raises IntakeError where it is no such workbook, is damaged, is locked, or holds more than is read
    """
    try:
        stream = _stream(name, data)
        _measure(name, stream)
    except (struct.error, IndexError, ValueError) as exc:
        raise _refused(name, f"it is damaged: {exc}") from exc
    return _container(stream)


def _refused(name: str, what: str) -> IntakeError:
    return IntakeError("the workbook cannot be opened", [Problem(what, name)], remedy=_MEND)


def _stream(name: str, data: bytes) -> bytes:
    """The bytes of the stream 'Workbook' ('Book' before 1997)."""
    if data[:8] != _SIGNATURE or len(data) < 1536:
        raise _refused(name, "it is damaged: it breaks off, or does not begin as a workbook does")
    shift, small_shift = struct.unpack_from("<HH", data, 30)
    if shift not in (9, 12) or small_shift != 6:
        raise _refused(name, "it is damaged: its sectors have no size that is used")
    size = 1 << shift
    fat_sectors, directory, _, cutoff, small_fat, _, more, _ = struct.unpack_from("<I I I I I I I I", data, 44)

    def sector(number: int) -> bytes:
        found = data[(number + 1) << shift : (number + 2) << shift]
        if len(found) < size and not found:
            raise ValueError("a part of it is missing")
        return found.ljust(size, b"\0")

    places = list(struct.unpack_from("<109I", data, 76))
    seen = 0
    while more < _FAT_SECTOR:
        part = struct.unpack(f"<{size // 4}I", sector(more))
        places += part[:-1]
        more, seen = part[-1], seen + 1
        if seen > len(data) >> shift:
            raise ValueError("its parts go round in a circle")
    places = [p for p in places[: max(fat_sectors, 1)] if p < _FAT_SECTOR]
    if len(places) > (len(data) >> shift) + 1:
        raise ValueError("it lists more parts than it has")
    fat = [n for p in places for n in struct.unpack(f"<{size // 4}I", sector(p))]

    def chain(first: int, table: list[int]) -> list[int]:
        out: list[int] = []
        while first < _FAT_SECTOR:
            out.append(first)
            first = table[first]
            if len(out) > len(table):
                raise ValueError("its parts go round in a circle")
        return out

    entries = b"".join(map(sector, chain(directory, fat)))
    found: dict[str, tuple[int, int]] = {}
    for at in range(0, len(entries), 128):
        length, kind = struct.unpack_from("<HB", entries, at + 64)
        title = entries[at : at + max(0, min(length, 64) - 2)].decode("utf-16-le", "replace").casefold()
        if kind in (2, 5):
            found.setdefault("root" if kind == 5 else title, struct.unpack_from("<II", entries, at + 116))
    start, length = found.get("workbook") or found.get("book") or (_END, 0)
    if not length or length > len(data):
        what = "it is locked with a password" if "encryptedpackage" in found else "no workbook is in it"
        raise _refused(name, what)
    if length >= cutoff:
        return b"".join(map(sector, chain(start, fat)))[:length]
    small = [n for s in chain(small_fat, fat) for n in struct.unpack(f"<{size // 4}I", sector(s))]
    held = b"".join(map(sector, chain(found["root"][0], fat)))
    return b"".join(held[s << 6 : (s + 1) << 6] for s in chain(start, small))[:length]


def records(stream: bytes, at: int) -> Iterator[tuple[int, int, int]]:
    """(kind, place of its body, length) of each record from a place to the end of its part."""
    depth = 0
    while at + 4 <= len(stream):
        kind, length = struct.unpack_from("<HH", stream, at)
        depth += (kind & 0xF1FF) == 0x0009
        if kind == _EOF:
            depth -= 1
            if depth <= 0:
                return
        yield kind, at + 4, length
        at += 4 + length


def _measure(name: str, stream: bytes) -> None:
    """Refuse sheets whose cells span more than is read, all of them together."""
    sheets = []
    texts: list[bytes] = []
    before = 0
    first = True
    for kind, body, size in islice(records(stream, 0), 2 * MOST_CELLS):
        if first and kind & 0xF1FF != 0x0009:
            raise _refused(name, "it is damaged: its first record is missing")
        if first and kind != _BOF:
            raise _refused(name, "it was written before 1993, in a form that is not read")
        first = False
        if kind == _FILEPASS:
            raise _refused(name, "it is locked with a password")
        if kind == _TEXTS or (kind == _GOES_ON and before == _TEXTS):
            texts.append(stream[body : body + size])
        before = before if kind == _GOES_ON else kind
        if kind == _BOUNDSHEET:
            sheets.append(struct.unpack_from("<I", stream, body)[0])
    if len(sheets) > MOST_PARTS:
        raise _refused(name, f"it has {len(sheets):,} sheets")
    lengths = _lengths(texts)
    together = text = 0
    for start in sheets:
        bottom = across = count = 0
        for kind, body, length in records(stream, start):
            count += 1
            if count > 2 * MOST_CELLS:
                raise _refused(name, f"a sheet holds more than {MOST_CELLS:,} cells")
            if kind in _CELL:
                row, column = struct.unpack_from("<HH", stream, body)
                if kind == _TEXT_CELL and length >= 10:
                    at = struct.unpack_from("<I", stream, body + 6)[0]
                    text += lengths[at] if at < len(lengths) else _LONGEST_TEXT
            elif kind in _CELLS:
                row, column = struct.unpack_from("<HH", stream, body)
                column += max(0, (length - 6) // _CELLS[kind] - 1)
            else:
                continue
            bottom, across = max(bottom, row + 1), max(across, column + 1)
        together += bottom * across
        if text > LARGEST_TEXTS:
            raise _refused(name, f"its cells hold more than {size_words(LARGEST_TEXTS)} of text")
        if across > MOST_COLUMNS or together > MOST_CELLS:
            raise _refused(
                name,
                f"its cells span {bottom:,} rows and {across:,} columns, where at most {MOST_COLUMNS:,} columns and"
                f" {MOST_CELLS:,} cells are read in all sheets (is there a stray cell far from the others?)",
            )


def _lengths(parts: list[bytes]) -> list[int]:
    """Characters of each text that cells share, as far as they can be made out: a record and those that it goes on
    in, each of which begins with a text's first byte or, within its characters, with a byte that says how wide they
    are."""
    out: list[int] = []
    part, at = 0, 8  # behind two counts

    def taken(size: int) -> bytes:
        nonlocal part, at
        got = b""
        while size:
            while at >= len(parts[part]):
                part, at = part + 1, 0
            piece = parts[part][at : at + size]
            got, at, size = got + piece, at + len(piece), size - len(piece)
        return got

    try:
        while True:
            count, how = struct.unpack("<HB", taken(3))
            runs = struct.unpack("<H", taken(2))[0] if how & 8 else 0
            more = struct.unpack("<I", taken(4))[0] if how & 4 else 0
            left, wide = count, 1 + (how & 1)
            while left:
                if at >= len(parts[part]):
                    part, at = part + 1, 0
                    wide = 1 + (parts[part][0] & 1)
                    at = 1
                here = min(left, (len(parts[part]) - at) // wide)
                if not here:
                    return out
                at, left = at + here * wide, left - here
            taken(4 * runs + more)
            out.append(count)
    except IndexError:  # its end
        return out


def _container(stream: bytes) -> bytes:
    """A new container with one stream in sectors of 4096 bytes: directory, stream, an empty
    one of short pieces (the reader asks for it), table of sectors."""
    size = 4096
    stream += bytes(max(0, size - len(stream)))  # shorter ones would lie in a container of their own
    parts = -(-len(stream) // size)
    tables = 1
    while tables * (size // 4) < 2 + parts + tables:
        tables += 1
    if tables > 109:
        raise ValueError("it is too large")
    fat = [_END, *range(2, parts + 1), _END, _END, *[_FAT_SECTOR] * tables]
    fat += [_FREE] * (tables * (size // 4) - len(fat))
    at = [2 + parts + i for i in range(tables)] + [_FREE] * (109 - tables)
    head = _SIGNATURE + bytes(16) + struct.pack("<HHHHH6x", 0x3E, 4, 0xFFFE, 12, 6)
    head += struct.pack("<9I", 1, tables, 0, 0, size, _END, 0, _END, 0) + struct.pack("<109I", *at)

    def entry(title: str, kind: int, child: int, first: int, length: int) -> bytes:
        text = title.encode("utf-16-le") + b"\0\0"
        links = struct.pack("<HBBIII", len(text), kind, 1, _FREE, _FREE, child)
        return text.ljust(64, b"\0") + links + bytes(36) + struct.pack("<IQ", first, length)

    directory = entry("Root Entry", 5, 1, 1 + parts, size) + entry("Workbook", 2, _FREE, 1, len(stream))
    body = directory.ljust(size, b"\0") + stream.ljust((parts + 1) * size, b"\0") + struct.pack(f"<{len(fat)}I", *fat)
    return head.ljust(size, b"\0") + body


def stream_of_old(data: bytes) -> bytes:
    """The records in a container made here, and what is behind them."""
    return data[2 * 4096 :]


def epoch_of_old(data: bytes) -> str:
    """'1904' where the workbook of a container made here counts its days from 1904, else '1900'."""
    stream = stream_of_old(data)
    dates = (stream[body : body + 2] for kind, body, _ in records(stream, 0) if kind == 0x0022)
    return "1904" if next(dates, b"") == b"\1\0" else "1900"
