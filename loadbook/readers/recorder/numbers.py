"""Numbers as recorders write them: which mark is the decimal one, what stands for an open circuit, what for nothing.

A mark is settled only by cells that can be read in one way; where every cell can be read in two, it is a question.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache

OPEN_WORDS = frozenset(
    [
        "open", "open tc", "tc open", "t/c open", "open circuit", "opn", "o.c.", "oc", "o/c", "burnout", "burn out",
        "burn-out", "break", "broken", "b.out", "ol", "o.l.", "over", "+over", "-over", "under", "overrange",
        "over range", "underrange", "under range", "unplugged", "disconnected",
    ]
)  # fmt: skip
MISSING_WORDS = frozenset(
    [
        "",
        "nan",
        "n/a",
        "na",
        "#n/a",
        "null",
        "none",
        "-",
        "--",
        "---",
        "----",
        "-----",
        "------",
        "nil",
        "blank",
        "no data",
        "missing",
        ".",
        "...",
    ]
)
LONGEST = 64  # characters of a number with its unit
MARKS_OPTION = '--decimal "," or "." (and --thousands, where there are any)'
_UNIT_TAIL = re.compile(r"^(.*\d)\s*(°\s*[CFKcfk]|deg\.?\s*[CFKcfk]|[CFK]|mbar|torr|Torr|mTorr|Pa|%|ppm|mV)$")
_PLAIN = re.compile(r"^[-+]?(\d+([.,]\d*)?|[.,]\d+)([eE][-+]?\d+)?$")


@dataclass(frozen=True)
class Marks:
    """The decimal and the thousands mark of a file, or the question that they leave open."""

    decimal: str = "."
    thousands: str = ""
    question: str | None = None


@cache
def number_pattern(decimal: str, thousands: str) -> re.Pattern[str]:
    """What a number looks like under these marks; thousands groups must be whole."""
    dec = re.escape(decimal)
    whole = r"\d+"
    if thousands:
        mark = "[ \u00a0\u202f]" if thousands == " " else re.escape(thousands)
        whole = rf"(?:\d{{1,3}}(?:{mark}\d{{3}})+|\d+)"
    return re.compile(rf"^[-+]?(?:{whole}(?:{dec}\d*)?|{dec}\d+)(?:[eE][-+]?\d{{1,3}})?$")


def to_float(cell: str, decimal: str, thousands: str) -> float:
    """The number of a cell that fits `number_pattern`."""
    if thousands:
        cell = cell.replace(thousands, "")
        if thousands == " ":
            cell = cell.replace("\u00a0", "").replace("\u202f", "")
    return float(cell.replace(decimal, ".") if decimal != "." else cell)


_MINUS = {"behind": re.compile(r"(\d[\d.,]*) ?-"), "brackets": re.compile(r"\( ?(\d[\d.,]*) ?\)")}


def minus_of(cell: str) -> str:
    """How a negative number is written whose minus does not stand before it: 'behind', 'brackets' or ''."""
    return next((how for how, pattern in _MINUS.items() if pattern.fullmatch(cell)), "")


def with_minus(cell: str, how: str) -> str:
    """'1.5-' or '(1.5)' as '-1.5', where negative numbers are written so; else the cell itself."""
    match = _MINUS[how].fullmatch(cell) if how else None
    return f"-{match[1]}" if match else cell


def split_unit(cell: str) -> tuple[str, str]:
    """A cell like '612.3 °C' as ('612.3', '°C'); without a unit the second is ''."""
    match = _UNIT_TAIL.match(cell) if len(cell) <= LONGEST else None
    return (match.group(1), match.group(2)) if match else (cell, "")


def looks_number(cell: str) -> bool:
    """Could the cell be a number under some choice of marks."""
    if len(cell) > LONGEST:
        return False
    if _PLAIN.match(cell):
        return True
    return any(
        number_pattern(d, t).match(cell)
        for d, t in ((".", ","), (",", "."), (".", "'"), (",", "'"), (".", " "), (",", " "))
    )


def find_marks(cells: Iterable[str], delimiter: str) -> Marks:
    """The marks that every number of the file can be read with, or the question.

    '612,3' settles the decimal comma, '1.234,5' beside it the thousands point. '1.234' in every cell settles
    nothing, except that no temperature is 10,000 or more.
    """
    point, comma = _evidence(cells, "."), _evidence(cells, ",")
    grouped = sorted({c[i] for c in cells for i in range(1, len(c) - 1) if c[i] in "' \u00a0\u202f"})
    other = {" " if g in " \u00a0\u202f" else g for g in grouped}
    if len(other) > 1:
        return Marks(question=f"numbers hold {' and '.join(map(repr, sorted(other)))}")
    if point.decimal and comma.decimal:
        return Marks(
            question=f"{point.decimal!r} is written with a decimal point and {comma.decimal!r} with a decimal comma"
        )
    if point.both or comma.both:
        # '1.234,5': the last mark is the decimal one, but only a cell without the other mark confirms it
        decimal, thousands = (",", ".") if comma.both else (".", ",")
        confirmed = comma if comma.both else point
        if (point.both and comma.both) or not confirmed.decimal:
            shown = comma.both or point.both
            return Marks(question=f"{shown!r} has two marks and no other number of the file confirms which is which")
        return Marks(decimal, thousands)
    extra = next(iter(other), "")
    if point.decimal:
        return Marks(".", "," if comma.groups else extra)
    if comma.decimal:
        return Marks(",", "." if point.groups else extra)
    for found, mark in ((point, "."), (comma, ",")):
        if found.groups:
            return Marks(question=f"{found.groups!r} may be a decimal {_NAME[mark]} or a thousands {_NAME[mark]}")
    return Marks("," if delimiter == ";" and not point.any and comma.any else ".", extra)


_NAME = {".": "point", ",": "comma"}


@dataclass(frozen=True)
class _Evidence:
    decimal: str = ""  # a cell in which this mark can only be the decimal one
    groups: str = ""  # a cell in which it may be either
    both: str = ""  # a cell with the other mark before it
    any: bool = False


def _evidence(cells: Iterable[str], mark: str) -> _Evidence:
    other = "," if mark == "." else "."
    m, o = re.escape(mark), re.escape(other)
    group = re.compile(rf"^[-+]?[1-9]\d{{0,2}}(?:{m}\d{{3}})+$")
    both = re.compile(rf"^[-+]?\d{{1,3}}(?:{o}\d{{3}})+{m}\d*$")
    plain = re.compile(rf"^[-+]?\d*{m}\d*(?:[eE][-+]?\d+)?$")
    decimal = groups = two = ""
    for cell in cells:
        if mark not in cell:
            continue
        if both.match(cell):
            two = two or cell
        elif group.match(cell):
            lead = cell.lstrip("+-").split(mark)
            if len(lead) == 2 and len(lead[0]) >= 2:
                decimal = decimal or cell  # 24.512: read as thousands it would be 24,512 degrees
            else:
                groups = groups or cell
        elif plain.match(cell) and any(ch.isdigit() for ch in cell):
            decimal = decimal or cell
    return _Evidence(decimal, groups, two, bool(decimal or groups or two))
