"""What a book knows of the shop that keeps it: the head and foot of its letters, and the letters' running numbers.

All of it are settings of the book, set by `loadbook shop`: sealed with the others, in every backup, and amended with
the old value kept.
"""

from __future__ import annotations

import base64
import re
from collections.abc import Mapping
from dataclasses import dataclass

from loadbook.core.errors import UsageError

from .book import BookFolder
from .keeping import put_setting

FIELDS = ("name", "address", "contact", "signatory", "function", "numbering", "logo")
LONGEST_LINE, MOST_LINES = 80, 6
_PREFIX, _LETTER = "shop_", "letter_"
_NUMBERING = re.compile(r"\d+(?=\D*$)")


@dataclass(frozen=True)
class Shop:
    """A shop's profile; everything may be empty.

    address, contact  lines;  numbering  the first reference, such as 'A-0001'
    logo  (png, jpeg or svg; the file's bytes), None without one
    """

    name: str = ""
    address: tuple[str, ...] = ()
    contact: tuple[str, ...] = ()
    signatory: str = ""
    function: str = ""
    numbering: str = ""
    logo: tuple[str, bytes] | None = None


def shop_of(book: BookFolder) -> Shop:
    """The profile that the book holds."""
    kept = {name: book.setting(_PREFIX + name) for name in FIELDS}
    form, _, coded = kept.pop("logo").partition(":")
    lines = {name: tuple(kept.pop(name).splitlines()) for name in ("address", "contact")}
    return Shop(**kept, **lines, logo=(form, base64.b64decode(coded)) if coded else None)  # type: ignore[arg-type]


def set_shop(book: BookFolder, changes: Mapping[str, str | tuple[str, ...] | tuple[str, bytes]]) -> None:
    """Set fields of the profile; an empty value takes one away. Raises UsageError (a text that fits no letter)."""
    rows = {}
    for name, value in changes.items():
        if name == "logo":
            rows[name] = f"{value[0]}:{base64.b64encode(value[1]).decode()}" if value else ""  # type: ignore[arg-type]
            continue
        lines = [value] if isinstance(value, str) else [str(v) for v in value]
        if len(lines) > MOST_LINES:
            raise UsageError(f"{name} has {len(lines)} lines", remedy=f"A letterhead takes {MOST_LINES} at most")
        for line in lines:
            if len(line) > LONGEST_LINE or "\n" in line:
                raise UsageError(
                    f"{name} has a line of {len(line)} characters", remedy=f"One line takes {LONGEST_LINE} at most"
                )
        if name == "numbering" and lines[0] and not _NUMBERING.search(lines[0]):
            raise UsageError(f"numbering {lines[0]!r} has no number to count up", remedy="Write it like A-0001")
        rows[name] = "\n".join(line.strip() for line in lines if line.strip())
    with book.write() as conn:
        for name, text in rows.items():
            put_setting(conn, _PREFIX + name, text, "loadbook shop")


def reference_of(book: BookFolder, number: int) -> str:
    """The reference that the letter of an answer was given; '' where it has none yet."""
    return book.setting(f"{_LETTER}{number}")


def take_reference(book: BookFolder, number: int) -> str:
    """The reference of an answer's letter: its own, else the next one, which is then kept for it; '' without numbering.

    Letters are counted in the order in which they are first written, and a letter that is written again keeps its own.
    """
    if kept := reference_of(book, number):
        return kept
    if not shop_of(book).numbering:
        return ""
    with book.write() as conn:
        row = conn.execute("SELECT value FROM setting WHERE name = ?", (f"{_LETTER}{number}",)).fetchone()
        if row is not None:
            return str(row[0])
        first = str(conn.execute("SELECT value FROM setting WHERE name = ?", (f"{_PREFIX}numbering",)).fetchone()[0])
        given = [str(r[0]) for r in conn.execute("SELECT value FROM setting WHERE name GLOB 'letter_[0-9]*'")]
        reference = _next(first, given)
        put_setting(conn, f"{_LETTER}{number}", reference, "loadbook page answer")
    return reference


def _next(first: str, given: list[str]) -> str:
    """The reference after those given of the same form, at least the first.

    >>> _next("A-0001", []), _next("A-0001", ["A-0001", "A-0002", "B-9"]), _next("A-0100", ["A-0002"])
    ('A-0001', 'A-0003', 'A-0100')
    """
    start, end, digits = _parts(first)
    numbers = [n for g in given for s, e, n in [_parts(g)] if (s, e) == (start, end)]
    least = max([int(digits), *(int(n) + 1 for n in numbers)])
    return f"{start}{least:0{len(digits)}d}{end}"


def _parts(reference: str) -> tuple[str, str, str]:
    found = _NUMBERING.search(reference)
    if found is None:
        return reference, "", "0"
    return reference[: found.start()], reference[found.end() :], found.group()
