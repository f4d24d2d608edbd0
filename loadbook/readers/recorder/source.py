"""A recorder's file as bytes: what it is (text or workbook), in which encoding, and its SHA-256."""

from __future__ import annotations

import codecs
import hashlib
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

from loadbook.core.errors import IntakeError, Problem
from loadbook.core.outside import name_of, read_file
from loadbook.readers.workbook import is_workbook

_PADDING = "\x00\x1a"  # a file made long enough beforehand; the end of a text of old systems
_NOTHING = b"\xef\xbb\xbf\xff\xfe \t\r\n\x00"


@dataclass(frozen=True)
class Source:
    """One file: its name as shown to people and its bytes."""

    name: str
    data: bytes

    @cached_property
    def sha256(self) -> str:
        return hashlib.sha256(self.data).hexdigest()

    @property
    def is_workbook(self) -> bool:
        return is_workbook(self.data)

    @cached_property
    def encoding(self) -> str:
        return find_encoding(self.data, self.name)

    def text(self, encoding: str | None = None) -> str:
        """The whole text. Raises IntakeError with the byte's place where the encoding does not fit."""
        try:
            return decode(self.data, encoding or self.encoding)
        except UnicodeDecodeError as exc:
            line = self.data[: exc.start].count(b"\n") + 1
            raise IntakeError(
                "the file is not in the encoding of its layout",
                [Problem(f"byte {self.data[exc.start]:#04x} is not {encoding}", self.name, line)],
                remedy=f"Give --encoding {find_encoding(self.data, self.name)}",
            ) from exc


def open_source(path: Path) -> Source:
    """The file at a path. Raises what read_file raises, IntakeError where it is empty."""
    data = read_file(path)
    if not data[:4096].strip(_NOTHING) and not data.strip(_NOTHING):
        raise IntakeError("the file is empty", [Problem("nothing to read", name_of(path))], remedy="Export it again")
    return Source(name_of(path), data)


def decode(data: bytes, encoding: str) -> str:
    """Text of bytes, without what pads its end; 'utf-8' also swallows a byte-order mark."""
    text = data.decode("utf-8-sig" if encoding in ("utf-8", "utf-8-sig") else encoding)
    return text.removeprefix("\ufeff").rstrip(_PADDING)


def find_encoding(data: bytes, name: str) -> str:
    """The encoding of a text file: by its byte-order mark, the pattern of its zero bytes, else UTF-8, else Latin-1.

    Latin-1 is read as its superset cp1252. Raises IntakeError for bytes that are no text.
    """
    if data.startswith(codecs.BOM_UTF8):
        return "utf-8-sig"
    if data.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return "utf-16"
    head = data[:4096]
    if b"\x00" in head:
        even, odd = head[0::2].count(0), head[1::2].count(0)
        if odd > 0.4 * len(head) / 2 and even == 0:
            return "utf-16-le"
        if even > 0.4 * len(head) / 2 and odd == 0:
            return "utf-16-be"
    data = data.rstrip(_PADDING.encode())
    if b"\x00" in data:
        line = data[: data.index(b"\x00")].count(b"\n") + 1
        raise IntakeError(
            "the file is neither text nor a workbook",
            [Problem("a zero byte stands in it", name, line)],
            remedy="Export it from the recorder as CSV or XLSX",
        )
    try:
        data.decode("utf-8")
    except UnicodeDecodeError:
        try:
            data.decode("cp1252")
        except UnicodeDecodeError:
            return "latin-1"
        return "cp1252"
    return "utf-8"
