"""Times that stand in pieces: year, month, day, hour in columns of their own, 83015 for 8:30:15, a date only where it
changes. They are put together in place, so that all that follows sees a column of moments."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from datetime import datetime, timedelta

from .cells import Columns, kind
from .grid import Grid
from .names import read_heading

_PARTS = {part: re.compile(words) for part, words in {
    "year": "year|yyyy", "month": "month|mon|mm", "day": "day|dd", "doy": "doy|jday|julian( day)?|day of year",
    "hour": "hour|hours|hh|hr", "minute": "minute|minutes|min", "second": "second|seconds|sec|ss", "hhmm": "hh:?mm",
}.items()}  # fmt: skip
_DIGITS = re.compile(r"^(?:time|clock|zeit|uhrzeit|hora|hh:?mm(?::?ss)?)$")


def put_together(grid: Grid, columns: Columns, names: list[str], first: int) -> tuple[list[int], str]:
    """Put times in pieces together, in place: (columns that are to go, since they stand in another now; what was
    done); ([], '') where nothing was.

    names  of the columns;  first  the first row of data
    """
    rows = grid.rows[first:]
    low = [read_heading(n).name.casefold().replace("_", " ").strip() for n in names]
    dated = [c for c in range(columns.width) if columns.share(c, "date") > 0.5]
    if any(columns.share(c, "moment") > 0.5 for c in range(columns.width)):
        return [], ""
    at = {part: low.index(n) for part, words in _PARTS.items() for n in low if words.fullmatch(n)}
    if "year" in at and ("doy" in at or {"month", "day"} <= at.keys()) and ("hour" in at or "hhmm" in at):
        used = [at[p] for p in _PARTS if p in at]
        if all(_share(rows, c, "number") > 0.9 for c in used):
            padded = {c for c in used for row in rows if c < len(row) and re.fullmatch(r"0\d", row[c])}
            _write(rows, at["year"], lambda row: _moment(row, at, padded))
            return sorted(set(used) - {at["year"]}), f"the time is put together from {len(used)} columns"
    for c, name in enumerate(low):
        if not _DIGITS.match(name):
            continue
        cells = [r[c] for r in rows if c < len(r) and r[c]]
        if any(x[0] == "0" for x in cells) and len({len(x) for x in cells}) > 1:
            continue  # one of them lost a digit
        if not cells or not all(re.fullmatch(r"\d{3,6}", x) for x in cells):
            continue
        short = name in ("hhmm", "hh:mm")
        if (dated or short or name.startswith("hhmm")) and all(_clock(x, short) for x in cells):
            _write(rows, c, lambda row, c=c, short=short: _clock(row[c], short) if c < len(row) else "")  # type: ignore[misc]
            return [], f"{names[c]!r} is read as a clock without colons: {cells[0]} is {_clock(cells[0], short)}"
    return [], _carried(rows, columns)


def _share(rows: Sequence[list[str]], column: int, of: str) -> float:
    """Share of the filled cells below the heading that are of a kind."""
    cells = [r[column] for r in rows if column < len(r) and r[column]]
    return sum(kind(c) == of for c in cells) / len(cells) if cells else 0.0


def _write(rows: Sequence[list[str]], column: int, made: Callable[[list[str]], str]) -> None:
    for row in rows:
        if text := made(row):
            row[column] = text


def _moment(row: list[str], at: dict[str, int], padded: set[int]) -> str:
    """The moment in a row's pieces as ISO text, '' where they are none, or one lost a digit.

    padded  columns in which 8 is written 08
    """
    try:
        if any(len(row[c].split(".")[0]) != 2 for c in padded):
            return ""
        part = {name: float(row[c]) for name, c in at.items()}
        if any(v % 1 for name, v in part.items() if name != "second") or not 1970 <= part["year"] < 2100:
            return ""
        day = datetime(int(part["year"]), int(part.get("month", 1)), int(part.get("day", 1)))
        if "doy" in part:
            if not 1 <= part["doy"] <= 366:
                return ""
            day = datetime(day.year, 1, 1) + timedelta(days=part["doy"] - 1)
        hour, minute = divmod(part["hhmm"], 100) if "hhmm" in part else (part["hour"], part.get("minute", 0.0))
        second = part.get("second", 0.0)
        if not (0 <= hour < 24 and 0 <= minute < 60 and 0 <= second < 60):
            return ""
        return (day + timedelta(hours=hour, minutes=minute, seconds=second)).isoformat(" ")
    except (ValueError, IndexError, OverflowError):
        return ""


def _clock(text: str, short: bool) -> str:
    """'83015' as '08:30:15', or where minutes come last '830' as '08:30'; '' where it is no time of day."""
    digits = text.zfill(4 if short else 6)
    if len(digits) != (4 if short else 6) or not digits.isdecimal():
        return ""
    parts = [digits[i : i + 2] for i in range(0, len(digits), 2)]
    return ":".join(parts) if int(parts[0]) < 24 and all(int(p) < 60 for p in parts[1:]) else ""


def _carried(rows: Sequence[list[str]], columns: Columns) -> str:
    """Write a date that stands only where it changes into the rows below it, in place."""
    clocks = [c for c in range(columns.width) if columns.share(c, "clock") > 0.5 and _share(rows, c, "clock") > 0.9]
    if len(clocks) != 1 or not rows:
        return ""
    for c in range(columns.width):
        filled = [r[c] for r in rows if c < len(r) and r[c]]
        if not filled or len(filled) == len(rows) or c >= len(rows[0]) or not rows[0][c]:
            continue
        if len(filled) > 0.5 * len(rows) or any(kind(x) != "date" for x in filled):
            continue
        date = ""
        for row in rows:
            date = (row[c] if c < len(row) else "") or date
            if c < len(row) and row[clocks[0]]:
                row[c] = date
        return f"the date is written in {len(filled)} of {len(rows)} rows: it holds up to the next"
    return ""
