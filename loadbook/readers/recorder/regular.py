"""A grid made regular, in place: a row for each moment, whole times in it, nothing beside the table.

Each of these finds one way of writing and says whether, or in a note, what it changed; what is no table is refused.
"""

from __future__ import annotations

import re
from collections import Counter

from loadbook.core.errors import IntakeError, Problem
from loadbook.core.phrases import many
from loadbook.core.units import known

from .blocks import date_lines
from .cells import Columns, RowTest, kind, look_at_columns
from .grid import Grid
from .head import Head
from .numbers import looks_number
from .options import Question
from .time_parts import put_together

_MARKED = re.compile(r"^([-+]?\d+(?:[.,]\d+)?) ?([A-Za-z*#!?]{1,2})$")
_TIME_AND_VALUE = re.compile(r"^(.*\d:\d\d\S*(?: ?[AaPp][Mm])?)\s+([-+]?\d*[.,]?\d+ ?(?:°?[CFK])?)$")


def first_cell_apart(grid: Grid) -> bool:
    """Take a time and the first value apart where only blanks stand between them (`12/25/2023 16:36:31 26.6C, 26.8C`),
    in place; whether they were."""
    some = [r[0] for r in grid.rows[:: max(1, len(grid.rows) // 60)] if r[0]]
    if not any(_TIME_AND_VALUE.match(c) for c in some[-3:]):
        return False
    found = [m for c in some if kind(c) == "text" and (m := _TIME_AND_VALUE.match(c))]
    if sum(kind(m[1]) in ("moment", "clock") for m in found) < 0.8 * len(some):
        return False
    for i, row in enumerate(grid.rows):
        match = _TIME_AND_VALUE.match(row[0])
        if match and kind(match[1]) in ("moment", "clock"):
            grid.rows[i] = [match[1], match[2], *row[1:]]
    grid.notes.append("the first value stands in one cell with the time: taken apart")
    return True


def marks_behind(grid: Grid, status: str) -> list[Question]:
    """Take a letter or a sign that stands behind numbers off them, in place: what most numbers of a column carry means
    nothing, any other is asked about, and with status 'out' its number goes.
    """
    asked: list[tuple[int, str]] = []
    usual_marks, width = set(), max(map(len, grid.rows), default=0)
    for column in range(width):
        cells = {i: row[column] for i, row in enumerate(grid.rows) if column < len(row) and row[column]}
        odd = {i: c for i, c in cells.items() if not c[-1].isdigit()}
        found = {i: m for i, c in odd.items() if (m := _MARKED.match(c)) and not _is_unit(m[2])}
        found = {i: m for i, m in found.items() if any(_numeric(cells.get(k, "")) for k in (i - 1, i + 1))}
        numbers = sum(looks_number(c) for i, c in cells.items() if i not in odd) if found else 0
        pointed = sum("." in m[1] or "," in m[1] for m in found.values())
        if not found or numbers + len(found) < 0.8 * len(cells) or max(numbers, pointed) < 0.5 * len(cells):
            continue
        mark, count = Counter(m[2] for m in found.values()).most_common(1)[0]
        usual = mark if count > 0.5 * len(cells) else ""
        usual_marks |= {usual} - {""}
        for i, match in found.items():
            worthless = match[2] != usual and status == "out"
            grid.rows[i][column] = "" if worthless else match[1]
            if match[2] != usual and not status:
                asked.append((grid.lines[i], match.group()))
    if usual_marks:
        grid.notes.append(f"{' and '.join(map(repr, sorted(usual_marks)))} behind almost every number: left away")
    if not asked:
        return []
    line, cell = min(asked)
    what = f"{many(len(asked), 'number')} with a mark behind (the first in line {line}, {cell!r}): worth nothing there?"
    return [Question(what, "--status out (they are not taken) or keep")]


def _numeric(cell: str) -> bool:
    return looks_number(cell) or _MARKED.match(cell) is not None


def _is_unit(mark: str) -> bool:
    return known(mark) or mark.lower() in ("am", "pm", "v", "a", "w", "mv", "ma", "hz", "x", "e")


def upright(grid: Grid, name: str) -> None:
    """Raises IntakeError where times run along a row: the table lies on its side."""
    for line, row in zip(grid.lines[:50], grid.rows[:50], strict=True):
        if len(row) > 5 and sum(kind(c) in ("moment", "clock") for c in row[1:]) > 0.8 * len(row):
            raise IntakeError(
                "the table lies on its side: its times run along a row",
                [Problem("a time in every column", name, line, None, ", ".join(row[:3]))],
                remedy="Turn it in a spreadsheet program (copy, then paste transposed) and save it again",
            )


def dates_between(grid: Grid, columns: Columns) -> bool:
    """Give clock times the dates that stand in lines of their own; whether there were any."""
    if any(columns.share(c, "moment", "date") > 0.5 for c in range(columns.width)):
        return False
    clocks = [c for c in range(columns.width) if columns.share(c, "clock") > 0.5]
    return len(clocks) == 1 and date_lines(grid, clocks[0])


def times_whole(grid: Grid, columns: Columns, head: Head) -> Columns:
    """Put times that stand in pieces together, in place."""
    gone, note = put_together(grid, columns, head.names, head.first)
    if not note:
        return columns
    grid.notes.append(note)
    head.rewritten = True
    if gone:
        kept = [c for c in range(columns.width) if c not in gone]
        place = next(c for c, name in enumerate(head.names) if c in kept and c + 1 in gone)
        head.names[place] = "Time"
        head.names[:], head.units[:] = [head.names[c] for c in kept], [head.units[c] for c in kept]
        for i in range(head.first, len(grid.rows)):
            grid.rows[i] = [cell for c, cell in enumerate(grid.rows[i]) if c not in gone]
        head.named = len(kept)
    return look_at_columns(grid)


_MIDNIGHT = re.compile(r"[ T](?:0?0:00(?::00(?:[.,]0+)?)?|12:00(?::00)? ?[Aa][Mm])$")


def days_alone(grid: Grid, columns: Columns) -> bool:
    """Make a column of moments that are all at midnight, beside one of clock times, a column of dates, in place."""
    if not any(columns.share(c, "clock") > 0.5 for c in range(columns.width)):
        return False
    found = False
    for c in range(columns.width):
        if columns.share(c, "moment") <= 0.5:
            continue
        moments = [r for r in grid.rows if c < len(r) and kind(r[c]) == "moment"]
        if all(_MIDNIGHT.search(r[c]) for r in moments):
            found = True
            for row in moments:
                row[c] = _MIDNIGHT.sub("", row[c])
    return found


def beside_the_table(grid: Grid) -> None:
    """Leave out cells right of a sheet's table, behind a column that is empty from top to bottom, in place."""
    width = look_at_columns(grid).width
    if width < 2 or not any(len(r) > width for r in grid.rows):
        return
    filled = Counter(c for row in grid.rows for c, cell in enumerate(row) if cell)
    apart = next((c for c in range(2, max(filled) + 1) if not filled[c] and c >= width), None)
    if apart is None or any(filled[c] > 0.5 * len(grid.rows) for c in filled if c > apart):
        return
    lost = sum(1 for row in grid.rows for cell in row[apart:] if cell)
    grid.rows = [row[:apart] for row in grid.rows]
    kept = [i for i, row in enumerate(grid.rows) if any(row)]
    grid.rows, grid.lines = [grid.rows[i] for i in kept], [grid.lines[i] for i in kept]
    grid.notes.append(f"{lost} cells right of the table (from column {apart + 2} on) left out")


def no_blocks(grid: Grid, is_data: RowTest, name: str) -> None:
    """Raises IntakeError where a heading stands before every row or two of data: blocks are no table."""
    again = Counter(map(tuple, grid.rows))
    if max(again.values(), default=0) < 10:  # no row comes so often
        return
    again = Counter({row: n for row, n in again.items() if not is_data(list(row))})
    most, count = max(again.items(), key=lambda kv: kv[1], default=((), 0))
    if count < 10:
        return
    if sum(n for n in again.values() if n > 0.8 * count) > 0.4 * len(grid.rows):
        raise IntakeError(
            "the file is a series of blocks, each with a heading of its own, and no table",
            [Problem(f"{count} times", name, grid.lines[grid.rows.index(list(most))], None, "  ".join(most)[:100])],
            remedy="Export it as one table (CSV), with the time in every row",
        )
