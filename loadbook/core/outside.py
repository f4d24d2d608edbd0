"""Files and texts from outside: read whole, within a limit, and only where there is an ordinary file.

How much such a file may hold stands here. One over a limit is refused, with the limit named. The figures are several
times what a shop's recorder or office writes, and small enough that reading at the limit stays within about 3 GB of
memory (tests/trials/MEASURED.md gives what was measured).
"""

from __future__ import annotations

import csv
import errno
import io
import os
import re
import stat
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from .errors import LoadbookError, NotFoundError, UsageError

MIB = 1024 * 1024

LARGEST_FILE = 128 * MIB  # bytes of a recorder's or an intake file
LARGEST_TRACE = 512 * MIB  # bytes of a trace's own file, or of one in a group
LARGEST_TEXT = 1_000_000  # bytes of a cycle, a layout or an SQL file
LARGEST_UNPACKED = 256 * MIB  # bytes of XML in a workbook, unpacked
LARGEST_TEXTS = 256 * MIB  # bytes of text in a workbook's cells, one that many cells share counted for each
MOST_PARTS = 2_000  # files inside a workbook
MOST_ROWS = 5_000_000  # rows of a recorder's file
MOST_RECORDS = 250_000  # rows of an intake file
MOST_COLUMNS = 2_000
MOST_CELLS = 10_000_000  # rows times columns
LONGEST_CELL = 32_767  # characters, as many as a spreadsheet's cell holds
LONGEST_NAME = 500  # characters of a column's heading
DEEPEST = 20  # levels of tables and lists in a TOML text
LARGEST_MANIFEST = 64 * MIB  # bytes of a list of files: of a backup's, a group's
LARGEST_PACKING = 200  # times its size that a backup may unpack to


@contextmanager
def cells_within_limit() -> Iterator[None]:
    """Within it the csv module refuses a cell beyond LONGEST_CELL; the limit is the whole process's: it is put back."""
    before = csv.field_size_limit(LONGEST_CELL)
    try:
        yield
    finally:
        csv.field_size_limit(before)


_TOO_MANY_PARTS = re.compile(r"(?<![\w\"'-])(?:[\w\"'-]++\s*+\.\s*+){30}")


class NoRegularFile(OSError):
    """A link, a pipe, a device, a folder where a file is read."""

    def __init__(self, path: Path) -> None:
        super().__init__(errno.EINVAL, "this is not a regular file", str(path))


def opened(path: Path, *, links: bool = False) -> io.BufferedReader:
    """A regular file, open for reading. A pipe or a device is refused before it is opened, since it may never end.

    links   a link is followed to its file
    Raises  NoRegularFile, OSError
    """
    if not stat.S_ISREG(path.stat(follow_symlinks=links).st_mode):
        raise NoRegularFile(path)
    # without waiting, should a pipe have come into its place: opening one that nobody writes to never comes back
    flags = getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0) | (0 if links else getattr(os, "O_NOFOLLOW", 0))
    file = os.fdopen(os.open(path, os.O_RDONLY | flags), "rb")
    if not stat.S_ISREG(os.fstat(file.fileno()).st_mode):
        file.close()
        raise NoRegularFile(path)
    return file


def read_file(path: Path, most: int = LARGEST_FILE, *, links: bool = True) -> bytes:
    """The bytes of an ordinary file.

    most    largest size [bytes];  links  a link is followed to its file
    Raises  NotFoundError (no such file), LoadbookError (no ordinary file, larger than `most`, or unreadable)
    """
    shown = str(path)
    try:
        with opened(path, links=links) as file:
            size = os.fstat(file.fileno()).st_size
            data = b"" if size > most else file.read(most + 1) or b""
    except (FileNotFoundError, NotADirectoryError) as exc:
        raise NotFoundError("there is no such file", where=shown, remedy="Check its name and folder") from exc
    except ValueError as exc:  # a NUL in the name
        raise NotFoundError("no file can have that name", where=shown, remedy="Check its name and folder") from exc
    except NoRegularFile as exc:
        raise LoadbookError("this is not a regular file", where=shown, remedy="Name a file, such as chart.csv") from exc
    except OSError as exc:
        raise LoadbookError(
            f"the file cannot be read: {exc.strerror or exc}", where=shown, remedy="Check its name and permissions"
        ) from exc
    if size > most or len(data) > most:
        what = f"the file is larger than {size_words(most)}"
        raise LoadbookError(what, where=shown, remedy="Split it into smaller ones")
    return data


def name_of(path: Path) -> str:
    """A file's name as text that can be written anywhere: bytes of it that are no UTF-8 as '\\udcff'."""
    return path.name.encode("utf-8", "backslashreplace").decode()


def within_limits(rows: int, columns: int, where: str, most_rows: int = MOST_ROWS) -> None:
    """Raises LoadbookError for a table of more rows, columns or cells than are read."""
    for count, most, what in (
        (rows, most_rows, "rows"),
        (columns, MOST_COLUMNS, "columns"),
        (rows * columns, MOST_CELLS, "cells"),
    ):
        if count > most:
            raise LoadbookError(
                f"the file has more than {most:,} {what}", where=where, remedy="Split it into smaller ones"
            )


def size_words(size: int) -> str:
    """A limit in words.

    >>> size_words(128 * 1024 * 1024), size_words(1_000_000)
    ('128 MiB', '1,000,000 bytes')
    """
    return f"{size // MIB} MiB" if size % MIB == 0 else f"{size:,} bytes"


_NO_FILES = ("undefined", "idna", "punycode", "unicode_escape", "raw_unicode_escape", "utf_7", "mbcs", "oem")


def checked_encoding(name: str) -> str:
    """The name itself, where files can be in that encoding. Raises UsageError."""
    import codecs

    try:
        found = codecs.lookup(name)
    except (LookupError, ValueError) as exc:
        raise UsageError(f"there is no encoding {name!r}", remedy="Try utf-8, utf-16, latin-1 or cp1252") from exc
    if found.name.replace("-", "_") in _NO_FILES or not getattr(found, "_is_text_encoding", True):
        raise UsageError(f"no text file is in the encoding {name!r}", remedy="Try utf-8, utf-16, latin-1 or cp1252")
    return name


class NoToml(ValueError):
    """A text that is no TOML, or more of it than is read; line is where, if that is known."""

    def __init__(self, what: str, line: int | None = None) -> None:
        super().__init__(what)
        self.line = line


def toml_of(text: str) -> dict[str, Any]:
    """The tables of a TOML text. Raises NoToml, also for nesting deeper than DEEPEST."""
    import tomllib

    if len(text) > LARGEST_TEXT:
        raise NoToml(f"the text is longer than {LARGEST_TEXT:,} characters")
    if found := _TOO_MANY_PARTS.search(text):  # the parser takes the square of the number of parts
        raise NoToml("a key has more than 30 parts", text.count("\n", 0, found.start()) + 1)
    try:
        data = tomllib.loads(text)
    except RecursionError as exc:
        raise NoToml(f"it is nested deeper than {DEEPEST} levels") from exc
    except ValueError as exc:  # also a whole number of thousands of digits
        at = re.search(r"line (\d+)", str(exc))
        raise NoToml(str(exc), int(at.group(1)) if at else None) from exc
    pending: list[tuple[Any, int]] = [(data, 0)]
    while pending:
        value, depth = pending.pop()
        if depth > DEEPEST:
            raise NoToml(f"it is nested deeper than {DEEPEST} levels")
        inner = value.values() if isinstance(value, dict) else value if isinstance(value, list) else ()
        pending.extend((v, depth + 1) for v in inner)
    return data
