"""Files and texts from outside: read whole, within a limit, and only where there is an ordinary file."""

from __future__ import annotations

import os
import re
import stat
from pathlib import Path
from typing import Any

from . import filelimits
from .errors import LoadbookError, NotFoundError, UsageError

_TOO_MANY_PARTS = re.compile(r"(?<![\w\"'-])(?:[\w\"'-]++\s*+\.\s*+){30}")


def read_file(path: Path, most: int = filelimits.LARGEST_FILE) -> bytes:
    """The bytes of an ordinary file. A pipe or a device is refused before it is read, since it may never end.

    most    largest size [bytes]
    Raises  NotFoundError (no such file), LoadbookError (no ordinary file, larger than `most`, or unreadable)
    """
    shown = str(path)
    try:
        # without waiting: opening a pipe that nobody writes to would never come back
        handle = os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0))
        with os.fdopen(handle, "rb") as file:
            found = os.fstat(file.fileno())
            if not stat.S_ISREG(found.st_mode):
                raise LoadbookError("this is not a regular file", where=shown, mend="Name a file, such as chart.csv")
            data = b"" if found.st_size > most else file.read(most + 1) or b""
    except (FileNotFoundError, NotADirectoryError) as exc:
        raise NotFoundError("there is no such file", where=shown, mend="Check its name and folder") from exc
    except ValueError as exc:  # a NUL in the name
        raise NotFoundError("no file can have that name", where=shown, mend="Check its name and folder") from exc
    except IsADirectoryError as exc:
        raise LoadbookError("this is not a regular file", where=shown, mend="Name a file, such as chart.csv") from exc
    except OSError as exc:
        raise LoadbookError(
            f"the file cannot be read: {exc.strerror or exc}", where=shown, mend="Check its name and permissions"
        ) from exc
    if found.st_size > most or len(data) > most:
        what = f"the file is larger than {size_words(most)}"
        raise LoadbookError(what, where=shown, mend="Split it into smaller ones")
    return data


def name_of(path: Path) -> str:
    """A file's name as text that can be written anywhere: bytes of it that are no UTF-8 as '\\udcff'."""
    return path.name.encode("utf-8", "backslashreplace").decode()


def within_limits(rows: int, columns: int, where: str, most_rows: int = filelimits.MOST_ROWS) -> None:
    """Raises LoadbookError for a table of more rows, columns or cells than are read."""
    for count, most, what in (
        (rows, most_rows, "rows"),
        (columns, filelimits.MOST_COLUMNS, "columns"),
        (rows * columns, filelimits.MOST_CELLS, "cells"),
    ):
        if count > most:
            raise LoadbookError(
                f"the file has more than {most:,} {what}", where=where, mend="Split it into smaller ones"
            )


def size_words(size: int) -> str:
    """A limit in words.

    >>> size_words(128 * 1024 * 1024), size_words(1_000_000)
    ('128 MiB', '1,000,000 bytes')
    """
    return f"{size // filelimits.MIB} MiB" if size % filelimits.MIB == 0 else f"{size:,} bytes"


_NO_FILES = ("undefined", "idna", "punycode", "unicode_escape", "raw_unicode_escape", "utf_7", "mbcs", "oem")


def checked_encoding(name: str) -> str:
    """The name itself, where files can be in that encoding. Raises UsageError."""
    import codecs

    try:
        found = codecs.lookup(name)
    except (LookupError, ValueError) as exc:
        raise UsageError(f"there is no encoding {name!r}", mend="Try utf-8, utf-16, latin-1 or cp1252") from exc
    if found.name.replace("-", "_") in _NO_FILES or not getattr(found, "_is_text_encoding", True):
        raise UsageError(f"no text file is in the encoding {name!r}", mend="Try utf-8, utf-16, latin-1 or cp1252")
    return name


class NoToml(ValueError):
    """A text that is no TOML, or more of it than is read; line is where, if that is known."""

    def __init__(self, what: str, line: int | None = None) -> None:
        super().__init__(what)
        self.line = line


def toml_of(text: str) -> dict[str, Any]:
    """The tables of a TOML text. Raises NoToml, also for nesting deeper than filelimits.DEEPEST."""
    import tomllib

    if len(text) > filelimits.LARGEST_TEXT:
        raise NoToml(f"the text is longer than {filelimits.LARGEST_TEXT:,} characters")
    if found := _TOO_MANY_PARTS.search(text):  # the parser takes the square of the number of parts
        raise NoToml("a key has more than 30 parts", text.count("\n", 0, found.start()) + 1)
    try:
        data = tomllib.loads(text)
    except RecursionError as exc:
        raise NoToml(f"it is nested deeper than {filelimits.DEEPEST} levels") from exc
    except ValueError as exc:  # also a whole number of thousands of digits
        at = re.search(r"line (\d+)", str(exc))
        raise NoToml(str(exc), int(at.group(1)) if at else None) from exc
    pending: list[tuple[Any, int]] = [(data, 0)]
    while pending:
        value, depth = pending.pop()
        if depth > filelimits.DEEPEST:
            raise NoToml(f"it is nested deeper than {filelimits.DEEPEST} levels")
        inner = value.values() if isinstance(value, dict) else value if isinstance(value, list) else ()
        pending.extend((v, depth + 1) for v in inner)
    return data
