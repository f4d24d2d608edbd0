"""The end of a Parquet file (its metadata, in Thrift's compact protocol): read, and made anew for several files that
stand one after the other in one.

A Parquet file is read from its end, which says where each row group lies. So several files of the same columns may
stand in one file as they are, byte for byte: an end that names all their row groups makes one Parquet file of them.
Sources: Apache Parquet, parquet.thrift (FileMetaData, RowGroup, ColumnChunk, ColumnMetaData) and "File Format"; Apache
Thrift, "Thrift Compact protocol encoding".
"""

from __future__ import annotations

import struct
from collections.abc import Sequence
from typing import Any

MAGIC = b"PAR1"
_TRUE, _FALSE, _BYTE, _I16, _I32, _I64, _DOUBLE, _BINARY, _LIST, _SET, _MAP, _STRUCT = range(1, 13)
_INTEGERS = (_I16, _I32, _I64)
_ROWS, _GROUPS, _NOTES, _ENCRYPTED = 3, 4, 5, (8, 9)  # fields of FileMetaData
_CHUNKS, _GROUP_AT, _ORDINAL = 1, 5, 7  # of RowGroup
_CHUNK_AT, _CHUNK_META, _INDEXES_AT = 2, 3, (4, 6)  # of ColumnChunk
_PAGES_AT = (9, 10, 11, 14)  # of ColumnMetaData: data, index and dictionary pages, Bloom filter
_DEEPEST = 20

Field = tuple[int, int, Any]  # number, type, value; a struct is a list of its fields


def end_of(data: bytes) -> bytes:
    """The metadata of a whole Parquet file. Raises ValueError."""
    if len(data) < 12 or data[:4] != MAGIC or data[-4:] != MAGIC:
        raise ValueError("not a Parquet file")
    size = int.from_bytes(data[-8:-4], "little")
    if size > len(data) - 12:
        raise ValueError("not a Parquet file")
    return data[-8 - size : -8]


def rows_of(end: bytes) -> int:
    """How many rows a file's metadata tells, which is read no further than that. Raises ValueError."""
    return int(_whole(_value(_Reader(end).struct(_ROWS), _ROWS)))


def columns_of(end: bytes) -> bytes:
    """What makes two files fit into one: everything of their metadata but rows and row groups. Raises ValueError."""
    return _columns(_Reader(end).struct())


def _columns(fields: Sequence[Field]) -> bytes:
    if any(number in _ENCRYPTED for number, *_ in fields):
        raise ValueError("an encrypted Parquet file")
    return _struct([f for f in fields if f[0] not in (_ROWS, _GROUPS, _NOTES)])


def joined(ends: Sequence[tuple[bytes, int]]) -> bytes:
    """The metadata of one file, from (the metadata, where it begins in the one file) of those that stand in it.

    Raises ValueError where one cannot be read, or their columns differ
    """
    first = _Reader(ends[0][0]).struct()
    columns, rows, groups = _columns(first), 0, []
    for end, at in ends:
        fields = _Reader(end).struct()
        if _columns(fields) != columns:
            raise ValueError("the files' columns differ")
        rows += _whole(_value(fields, _ROWS))
        groups += [_moved_group(group, at) for group in _value(fields, _GROUPS)[1]]
    made: list[Field] = []
    for number, kind, value in first:
        if number == _ROWS:
            made.append((number, kind, _folded(rows)))
        elif number == _GROUPS:
            made.append((number, kind, (_STRUCT, groups)))
        elif number != _NOTES:
            made.append((number, kind, value))
    return _struct(made)


def _moved_group(group: list[Field], by: int) -> list[Field]:
    made: list[Field] = []
    for number, kind, value in group:
        if number == _CHUNKS:
            made.append((number, kind, (value[0], [_moved_chunk(chunk, by) for chunk in value[1]])))
        elif number == _GROUP_AT:
            made.append((number, kind, _moved(value, by)))
        elif number != _ORDINAL:  # optional, and of two bytes
            made.append((number, kind, value))
    return made


def _moved_chunk(chunk: list[Field], by: int) -> list[Field]:
    made: list[Field] = []
    for number, kind, value in chunk:
        if number == _CHUNK_META:
            value = [(n, k, _moved(v, by) if n in _PAGES_AT else v) for n, k, v in value]
        elif number == _CHUNK_AT or number in _INDEXES_AT:
            value = _moved(value, by)
        made.append((number, kind, value))
    return made


def _moved(value: int, by: int) -> int:
    at = _whole(value)
    return _folded(at + by) if at else value  # 0: it is not said


def _value(fields: Sequence[Field], number: int) -> Any:
    for n, _, value in fields:
        if n == number:
            return value
    raise ValueError(f"the metadata has no field {number}")


def _whole(folded: int) -> int:
    """An integer from its zigzag form, in which it is kept here: 0, -1, 1, -2 are 0, 1, 2, 3."""
    return (folded >> 1) ^ -(folded & 1)


def _folded(whole: int) -> int:
    return whole << 1 if whole >= 0 else (-whole << 1) - 1


class _Reader:
    """Raises ValueError for what is no struct of the compact protocol, or goes on after one."""

    def __init__(self, data: bytes) -> None:
        self._data, self._at = data, 0

    def struct(self, until: int | None = None) -> list[Field]:
        """Its fields; until: up to the one of this number, and whatever follows is not looked at."""
        try:
            found = self._struct(0, until)
        except IndexError as exc:
            raise ValueError("the metadata ends too early") from exc
        if until is None and self._at != len(self._data):
            raise ValueError("bytes after the metadata")
        return found

    def _bytes(self, count: int) -> bytes:
        if count > len(self._data) - self._at:
            raise ValueError("the metadata ends too early")
        self._at += count
        return self._data[self._at - count : self._at]

    def _varint(self) -> int:
        data, at = self._data, self._at
        byte = data[at]
        at += 1
        found, shift = byte & 0x7F, 7
        while byte > 0x7F:
            byte = data[at]
            at += 1
            found |= (byte & 0x7F) << shift
            shift += 7
            if shift > 70:
                raise ValueError("a number that is too long")
        self._at = at
        return found

    def _struct(self, depth: int, until: int | None = None) -> list[Field]:
        if depth > _DEEPEST:
            raise ValueError("nested too deep")
        found: list[Field] = []
        number, data = 0, self._data
        while head := data[self._at]:
            self._at += 1
            kind = head & 0x0F
            number = number + (head >> 4) if head >> 4 else _whole(self._varint())
            if kind in _INTEGERS:
                value: Any = self._varint()
            elif kind in (_TRUE, _FALSE):
                value = None
            else:
                value = self._read(kind, depth)
            found.append((number, kind, value))
            if number == until:
                return found
        self._at += 1
        return found

    def _read(self, kind: int, depth: int) -> Any:
        if kind in _INTEGERS:
            return self._varint()
        if kind == _BINARY:
            return self._bytes(self._varint())
        if kind == _STRUCT:
            return self._struct(depth + 1)
        if kind in (_LIST, _SET):
            head = self._bytes(1)[0]
            size, of = head >> 4, head & 0x0F
            size = self._varint() if size == 15 else size
            if size > len(self._data) - self._at:
                raise ValueError("the metadata ends too early")
            return of, [self._read(of, depth) for _ in range(size)]
        if kind in (_TRUE, _FALSE, _BYTE):
            return self._bytes(1)[0]
        if kind == _DOUBLE:
            return self._bytes(8)
        raise ValueError(f"a value of a kind that Parquet's metadata does not have ({kind})")


def _varint(value: int) -> bytes:
    out = bytearray()
    while value > 0x7F:
        out.append(value & 0x7F | 0x80)
        value >>= 7
    out.append(value)
    return bytes(out)


def _struct(fields: Sequence[Field]) -> bytes:
    out = bytearray()
    last = 0
    for number, kind, value in fields:
        step = number - last
        out += bytes([step << 4 | kind]) if 0 < step < 16 else bytes([kind]) + _varint(_folded(number))
        last = number
        if kind not in (_TRUE, _FALSE):
            out += _written(kind, value)
    return bytes(out) + b"\0"


def _written(kind: int, value: Any) -> bytes:
    if kind in (_TRUE, _FALSE, _BYTE):
        return struct.pack("B", value)
    if kind in _INTEGERS:
        return _varint(value)
    if kind == _DOUBLE:
        return bytes(value)
    if kind == _BINARY:
        return _varint(len(value)) + bytes(value)
    if kind == _STRUCT:
        return _struct(value)
    of, items = value
    head = bytes([len(items) << 4 | of]) if len(items) < 15 else bytes([0xF0 | of]) + _varint(len(items))
    return head + b"".join(_written(of, item) for item in items)
