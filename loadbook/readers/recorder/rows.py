"""The rows of a recorder's file sorted out: data with its time, a heading again, a footer, or a problem."""

from __future__ import annotations

import contextlib
import re
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from loadbook.core.errors import IntakeError, Problem, UsageError
from loadbook.core.phrases import many
from loadbook.core.times import zone_of
from loadbook.core.typed import quote

from .layout import Layout
from .names import read_heading
from .numbers import looks_number, number_pattern
from .options import Question
from .table import Table
from .times import (
    ZONE_HOURS,
    counted_seconds,
    elapsed_seconds,
    lost_a_digit,
    offset_of,
    parse_cell,
    parts_of_a_second,
    serial_moment,
)

MOST_PROBLEMS = 20
MOST_TOTALS = 10  # rows of numbers below the data: more are rows of data that cannot be read


@dataclass
class Cells:
    """The rows of a file sorted out: times, and for each kept column its cells."""

    times: list[float]
    aware: bool
    rows: list[list[str]]
    lines: list[int]
    notes: list[str]
    questions: list[Question] = field(default_factory=list)
    offset: tuple[str, str] = ("", "")


def time_indexes(names: list[str], layout: Layout, where: str) -> list[int]:
    """Places of the time columns. Raises IntakeError where the file has no column of that name."""
    low = [read_heading(n).name.casefold() for n in names]
    full = [n.casefold() for n in names]
    found = []
    for name in layout.time_columns:
        key = name.casefold()
        if name.startswith("#") and name[1:].isdigit() and 0 < int(name[1:]) <= len(names):
            found.append(int(name[1:]) - 1)
        elif key in full:
            found.append(full.index(key))
        elif key in low:
            found.append(low.index(key))
        else:
            raise IntakeError(
                f"the file has no time column {name!r}",
                [Problem(f"its columns: {', '.join(names)}", where)],
                remedy="Name it with --time, or use another layout",
            )
    return found


_SAID = re.compile(r"\b(?:UTC|GMT) ?([+-]\d{1,2}(?::?\d{2})?)\b")
_ZONES = "|".join(n for n in ZONE_HOURS if len(n) > 1)
_NAMED = re.compile(rf"\d ?({_ZONES})\b")
_OF_TIMES = re.compile(rf"(?<![A-Za-z])({_ZONES})(?![A-Za-z])(?! ?[+-]\d)")
# a line above the heading that is about the clock's zone
_OF_A_ZONE = re.compile(
    rf"(?i:\btime ?zone\b|\btz\b|\bzeitzone\b|\btimes\b)[^\w+-]*(?:(?:is|are|in|all|ist) )*"
    rf"({_ZONES}|[A-Z][A-Za-z]+/[A-Z][A-Za-z_/]+)(?![A-Za-z])(?! ?[+-]\d)"
)


def offset_said(table: Table, stamps: list[int]) -> tuple[str, str]:
    """(distance from UTC such as '-05:00' or a zone's name, the text that says so) that the heading of a time states
    for the clock, else a line above the heading that is about its zone, else any such line; ('', '') where nothing
    does, or more than one thing."""
    names = [table.head.names[i] for i in stamps if i < len(table.head.names)]
    above = [" ".join(c for c in row if c) for row in table.head.preamble[:200]]
    ways = ((names, (_SAID, _NAMED, _OF_TIMES)), (above, (_OF_A_ZONE,)), (above, (_SAID, _NAMED)))
    for texts, patterns in ways:
        found: dict[str, str] = {}
        for text in texts:
            for pattern in patterns:
                for match in pattern.finditer(text[:300]):
                    said = match.group().strip("0123456789 ") if pattern is _NAMED else match.group()
                    with contextlib.suppress(UsageError):  # Load/Unload is no zone
                        found[_zone_of(match[1])] = said
        if found:
            return next(iter(found.items())) if len(found) == 1 else ("", "")
    return "", ""


def _zone_of(text: str) -> str:
    """A zone as --zone takes it: a distance from UTC, or AREA/CITY. Raises UsageError where there is none of it."""
    if "/" in text:
        return zone_of(text).key
    minutes = round(offset_of(text if text in ZONE_HOURS else _two_digits(text)).total_seconds() / 60)
    return f"{'-' if minutes < 0 else '+'}{abs(minutes) // 60:02d}:{abs(minutes) % 60:02d}"


def _two_digits(text: str) -> str:
    sign, digits = text[0], text[1:].replace(":", "")
    return f"{sign}{digits.zfill(2) if len(digits) < 3 else digits.zfill(4)}"


def is_aware(layout: Layout) -> bool:
    """Do the times themselves say their distance from UTC."""
    if layout.time_kind == "serial":
        return layout.time_format not in ("1900", "1904")
    return layout.time_kind == "clock" and "%z" in layout.time_format


def time_reader(layout: Layout) -> Callable[[str], float | None]:
    """A function from a time cell to seconds, None where the cell is no time under the layout."""
    fmt, kind = layout.time_format, layout.time_kind
    if kind == "elapsed":
        return lambda cell: elapsed_seconds(cell, fmt, layout.decimal)
    if kind == "serial":
        return _serial(fmt, layout.decimal)

    def clock(cell: str) -> float | None:
        moment = parse_cell(cell, fmt)
        if moment is None:
            return None
        if kind == "time of day":
            return moment.hour * 3600 + moment.minute * 60 + moment.second + moment.microsecond / 1e6
        return _since_1970(moment)

    return clock


def _since_1970(moment) -> float:  # type: ignore[no-untyped-def]
    naive = moment.replace(tzinfo=None)
    return float(np.datetime64(naive, "us").astype("int64")) / 1e6


def _serial(epoch: str, decimal: str) -> Callable[[str], float | None]:
    parts: set[float] = set()  # of a second: what the first cell counts all count

    def read(cell: str) -> float | None:
        try:
            number = float(cell.replace(decimal, "."))
        except ValueError:
            return None
        if epoch in ("1900", "1904"):
            moment = serial_moment(number, epoch)
            return None if moment is None else _since_1970(moment)
        seconds = counted_seconds(number, epoch)
        if seconds is None or (parts and parts_of_a_second(number) not in parts):
            return None
        parts.add(parts_of_a_second(number))
        return seconds

    return read


def data_above(table: Table, layout: Layout, stamps: list[int]) -> list[int]:
    """Lines above the heading that read as rows of data: something moved them there, or the heading."""
    read_time, width = time_reader(layout), len(table.head.names)

    def is_data(row: list[str]) -> bool:
        cell = " ".join(row[i] for i in stamps if i < len(row) and row[i])
        return bool(cell) and read_time(cell) is not None and _has_number(row, stamps, layout)

    rows = zip(table.grid.lines, table.head.preamble, strict=False)
    return [line for line, row in rows if len(row) == width and is_data(row)]


def sort_out(table: Table, layout: Layout, where: str) -> Cells:
    """Each row below the head as data (time and cells), or left out with a note. Raises IntakeError for the rest."""
    width = len(table.head.names)
    stamps = time_indexes(table.head.names, layout, where)
    read_time = time_reader(layout)
    again = {tuple(r) for r in (*table.head.rows, *table.head.preamble)}
    again |= {tuple(r[:width]) for r in again}
    out = Cells([], is_aware(layout), [], [], list(table.notes), list(table.head.questions), offset_said(table, stamps))
    strange: list[tuple[int, list[str], str]] = []
    problems: list[Problem] = []

    def joined(row: list[str]) -> str:
        return " ".join(row[i] for i in stamps if i < len(row) and row[i])

    timed = layout.time_kind in ("clock", "time of day")
    digit_lost = lost_a_digit("\n".join(joined(r) for r in table.rows)) if timed else None
    headings = 0
    short: list[int] = []
    last_data = -1
    positional = table.encoding == "workbook"  # a sheet's blank cells at the end of a row are simply not there
    broken_off = table.lines[-1] if table.grid.cut and table.lines else -1
    for line, row in zip(table.lines, table.rows, strict=True):
        cell = joined(row)
        seconds = None if not cell or (digit_lost and digit_lost.search(cell)) else read_time(cell)
        if seconds is None:
            if tuple(row) in again or tuple(row[:width]) in again:
                headings += 1
                continue
            if cell or not _has_number(row, stamps, layout):
                strange.append((line, row, cell))
                continue
        if any(row[width:]):
            extra = next(c for c in row[width:] if c)
            problems.append(
                Problem(
                    f"the row has {len(row)} cells, the heading {width}", where, line, None, extra, _marks_hint(layout)
                )
            )
            continue
        if len(row) < width and not positional and line != broken_off:
            short.append(line)
            if layout.short_rows == "skip":
                continue
        out.times.append(np.nan if seconds is None else seconds)
        out.rows.append(row)
        out.lines.append(line)
        last_data = line
    if out.rows and out.lines[-1] == broken_off and np.isnan(out.times[-1]) and len(out.rows[-1]) < width:
        out.rows.pop(), out.times.pop(), out.lines.pop()
        short = [line for line in short if line != broken_off]
        out.notes.append("the last row breaks off before its end, without a time: left out")
    if below := _events_below(out, [line for line, _, _ in strange], stamps, layout, width):
        short = [line for line in short if line not in below]
        last_data = out.lines[-1]
    problems += _strange(strange, last_data, where, out.notes)
    if problems:
        problems.sort(key=lambda p: p.line or 0)
        count = len(problems)
        anew = "The recorder writes its times otherwise now: look at the file without the layout, and save that anew"
        raise IntakeError(
            f"{many(count, 'row')} cannot be read", problems[:MOST_PROBLEMS], remedy=None if out.rows else anew
        )
    _note(out.notes, headings, "heading row", "repeated within the data, left out")
    above = data_above(table, layout, stamps)
    if above:
        told = "s of data stand" if len(above) > 1 else " of data stands"
        out.notes.append(f"{len(above)} row{told} above the heading (line {above[0]}): left out")
    _about_short_rows(short, layout, out)
    if out.rows and out.lines[-1] == broken_off and breaks_off(out.rows, width):
        out.rows[-1] = out.rows[-1][:-1]
        out.notes.append("the last row breaks off: its last cell is left out, it may be cut short")
    return out


def _events_below(out: Cells, apart: list[int], stamps: list[int], layout: Layout, width: int) -> set[int]:
    """Lines of a list of alarms below the data, taken out: rows with a time and words, behind a title or shorter than
    the others, to the end of the file."""
    first = len(out.rows)
    while first and not _has_number(out.rows[first - 1], stamps, layout):
        first -= 1
    last, below = out.lines[first - 1] if first else 0, out.rows[first:]
    titled = any(line > last for line in apart) or all(len(row) < width for row in below)
    worded = all(any(sum(ch.isalpha() for ch in c) >= 5 for i, c in enumerate(r) if i not in stamps) for r in below)
    if not (first and below and titled and worded):
        return set()
    lines = set(out.lines[first:])
    out.notes.append(f"{many(len(below), 'row')} of a list below the data (line {min(lines)}) left out")
    out.rows, out.times, out.lines = out.rows[:first], out.times[:first], out.lines[:first]
    return lines


def breaks_off(rows: list[list[str]], width: int) -> bool:
    """Is the last row of a text without a line end at its end cut short: a cell too few, or its last cell with fewer
    decimals than every other row has there."""
    last, others = rows[-1], [r[width - 1] for r in rows[-50:-1] if len(r) == width and r[width - 1]]
    if len(last) < width:
        return True
    fewest = min((_decimals(c) for c in others), default=0)
    return bool(last[width - 1]) and _decimals(last[width - 1]) < fewest


def _decimals(cell: str) -> int:
    return max(len(part) for part in re.split(r"[.,]", cell)[1:]) if re.search(r"[.,]", cell) else 0


def _about_short_rows(short: list[int], layout: Layout, out: Cells) -> None:
    """A cell may be missing anywhere in a short row, and the ones after it would stand under the wrong heading."""
    if not short:
        return
    if layout.short_rows == "skip":
        _note(out.notes, len(short), "short row", "left out (--short-rows skip)")
        return
    if layout.short_rows == "blank":
        _note(out.notes, len(short), "short row", "the missing cells count as missing")
        return
    several = len(short) > 1
    what = f"{len(short)} rows have" if several else "1 row has"
    blanks = layout.delimiter in ("spaces", "wide spaces")
    out.questions.append(
        Question(
            f"{what} fewer cells than the heading ({'the first in ' if several else ''}line {short[0]}): damaged"
            + (", or a blank among blanks?" if blanks else ", or were blanks at the end left out?"),
            "--short-rows skip" if blanks else "--short-rows skip or blank",
        )
    )


def _marks_hint(layout: Layout) -> str | None:
    if layout.delimiter == ",":
        return "Is the decimal mark a comma too? Then no reader can tell: export with semicolons"
    return "Correct the row, or leave it out with --skip"


def _note(notes: list[str], count: int, what: str, then: str) -> None:
    if count:
        notes.append(f"{many(count, what)} {then}" if "left" in then else f"{many(count, what)}: {then}")


def _strange(rows: list[tuple[int, list[str], str]], last_data: int, where: str, notes: list[str]) -> list[Problem]:
    problems = []
    footers = 0
    below = [r for line, r, _ in rows if line > last_data]
    go_on = sum(any(map(looks_number, r[1:])) for r in below) > MOST_TOTALS
    for line, row, cell in rows:
        wordy = sum(ch.isalpha() for ch in row[0]) >= 3 or not any(c.strip("-=* ") for c in row)
        wordy &= not (go_on and line > last_data and any(map(looks_number, row[1:])))
        if line > last_data and wordy:
            footers += 1
        elif cell and not wordy:
            problems.append(
                Problem(
                    "no time of this layout",
                    where,
                    line,
                    None,
                    cell,
                    f"Correct it, or leave the row out with --skip {quote(_begins(row[0]))}"
                    if row[0]
                    else "Correct it",
                )
            )
        else:
            problems.append(
                Problem(
                    "neither data nor a heading",
                    where,
                    line,
                    None,
                    row[0],
                    f"Leave it out with --skip {quote(_begins(row[0]))}" if row[0] else "Correct the row",
                )
            )
    _note(notes, footers, "row", "below the data left out")
    return problems


def _begins(cell: str) -> str:
    """What rows such as this one begin with: the sign of a comment, or the text itself."""
    sign = re.match(r"[#;!%*]+|//+|--+", cell)
    return sign.group() if sign else cell[:24]


def _has_number(row: list[str], stamps: list[int], layout: Layout) -> bool:
    pattern = number_pattern(layout.decimal, layout.thousands)
    return any(pattern.match(c) for i, c in enumerate(row) if i not in stamps)
