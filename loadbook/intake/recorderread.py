"""Reading by a layout, cell by cell: every row is data, a heading again, a footer, or a problem with its line."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from ..calc.model import MISSING, OPEN, Flags, Floats
from ..ground.errors import IntakeError, OpenQuestion, Problem
from .layout import Layout
from .recordernames import Heading, read_heading
from .recordernumbers import MISSING_WORDS, OPEN_WORDS, number_pattern, split_unit, to_float
from .recordertable import Table, quote
from .recordertimes import elapsed_seconds, parse_cell, serial_moment, unix_seconds

MOST_PROBLEMS = 20


@dataclass
class Raw:
    """What a file holds, in file order, before units, zone and order are settled.

    time      (n,) seconds: since 1970 on the recorder's clock as if it were UTC ('aware': really UTC), since
              midnight (time of day) or since the start (elapsed); NaN where the row has none
    values    (channels, n) as recorded, NaN where there is no number; flags the same shape (MISSING, OPEN)
    lines     (n,) physical lines
    unknown   (column, text) -> (how often, first line): texts among the numbers that are not understood
    """

    headings: list[Heading]
    time: Floats
    values: Floats
    flags: Flags
    lines: np.ndarray
    aware: bool = False
    rows_read: int = 0
    notes: list[str] = field(default_factory=list)
    unknown: dict[tuple[str, str], tuple[int, int]] = field(default_factory=dict)
    scan_s: float = 0.0


@dataclass
class Cells:
    """The rows of a file sorted out: times, and for each kept column its cells."""

    times: list[float]
    aware: bool
    rows: list[list[str]]
    lines: list[int]
    notes: list[str]


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
                mend="Name it with --time, or use another layout",
            )
    return found


def is_aware(layout: Layout) -> bool:
    """Do the times themselves say their distance from UTC."""
    if layout.time_kind == "serial":
        return layout.time_format == "1970"
    return layout.time_kind == "clock" and "%z" in layout.time_format


def time_reader(layout: Layout) -> Callable[[str], float | None]:
    """A function from a time cell to seconds, None where the cell is no time under the layout."""
    fmt, kind = layout.time_format, layout.time_kind
    if kind == "elapsed":
        return lambda cell: elapsed_seconds(cell, fmt, layout.decimal)
    if kind == "serial":
        return lambda cell: _serial(cell, fmt, layout.decimal)

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


def _serial(cell: str, epoch: str, decimal: str) -> float | None:
    try:
        number = float(cell.replace(decimal, "."))
    except ValueError:
        return None
    if epoch == "1970":
        return unix_seconds(number)
    moment = serial_moment(number, epoch)
    return None if moment is None else _since_1970(moment)


def sort_out(table: Table, layout: Layout, where: str) -> Cells:
    """Each row below the head as data (time and cells), or left out with a note. Raises IntakeError for the rest."""
    width = len(table.head.names)
    stamps = time_indexes(table.head.names, layout, where)
    read_time = time_reader(layout)
    again = {tuple(r) for r in (*table.head.rows, *table.head.preamble)}
    again |= {tuple(r[:width]) for r in again}
    out = Cells([], is_aware(layout), [], [], list(table.notes))
    strange: list[tuple[int, list[str], str]] = []
    problems: list[Problem] = []
    headings = short = 0
    last_data = -1
    for line, row in zip(table.lines, table.rows, strict=True):
        cell = " ".join(row[i] for i in stamps if i < len(row) and row[i])
        seconds = None if not cell else read_time(cell)
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
        if len(row) < width:
            short += 1
        out.times.append(np.nan if seconds is None else seconds)
        out.rows.append(row)
        out.lines.append(line)
        last_data = line
    problems += _strange(strange, last_data, where, out.notes)
    if problems:
        problems.sort(key=lambda p: p.line or 0)
        count = len(problems)
        raise IntakeError(f"{count} row{'s' if count != 1 else ''} cannot be read", problems[:MOST_PROBLEMS])
    _note(out.notes, headings, "heading row", "repeated within the data, left out")
    _note(out.notes, short, "short row", "the missing cells count as missing")
    if table.grid.cut and out.rows and len(out.rows[-1]) < width and out.lines[-1] == table.lines[-1]:
        out.rows[-1] = out.rows[-1][:-1]
        out.notes.append("the last row breaks off: its last cell is left out, it may be cut short")
    return out


def _marks_hint(layout: Layout) -> str | None:
    if layout.delimiter == ",":
        return "Is the decimal mark a comma too? Then no reader can tell: export with semicolons"
    return "Mend the row, or leave it out with --skip"


def _note(notes: list[str], count: int, what: str, then: str) -> None:
    if count:
        notes.append(
            f"{count} {what}{'s' if count != 1 else ''} {then}"
            if "left" in then
            else f"{count} {what}{'s' if count != 1 else ''}: {then}"
        )


def _strange(rows: list[tuple[int, list[str], str]], last_data: int, where: str, notes: list[str]) -> list[Problem]:
    problems = []
    footers = 0
    for line, row, cell in rows:
        wordy = sum(ch.isalpha() for ch in row[0]) >= 3 or not any(c.strip("-=* ") for c in row)
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
                    f"Mend it, or leave the row out with --skip {quote(row[0])}",
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
                    f"Leave it out with --skip {quote(row[0][:24])}",
                )
            )
    _note(notes, footers, "row", "below the data left out")
    return problems


def _has_number(row: list[str], stamps: list[int], layout: Layout) -> bool:
    pattern = number_pattern(layout.decimal, layout.thousands)
    return any(pattern.match(c) for i, c in enumerate(row) if i not in stamps)


class CellReader:
    """Turns cells into numbers and flags, remembering units that stand in cells and texts not understood."""

    def __init__(self, layout: Layout) -> None:
        self.pattern = number_pattern(layout.decimal, layout.thousands)
        self.layout = layout
        self.open = OPEN_WORDS | {v.casefold() for v in layout.open_values}
        self.missing = MISSING_WORDS | {v.casefold() for v in layout.missing_values}
        self.units: dict[str, set[str]] = {}
        self.unknown: dict[tuple[str, str], tuple[int, int]] = {}

    def read(self, cell: str, column: str, line: int) -> tuple[float, int]:
        """(number or NaN, flag) of one cell."""
        if self.pattern.match(cell):
            return to_float(cell, self.layout.decimal, self.layout.thousands), 0
        low = cell.casefold()
        if low in self.open:
            return np.nan, int(OPEN)
        if low in self.missing:
            return np.nan, int(MISSING)
        number, unit = split_unit(cell)
        if unit and self.pattern.match(number):
            self.units.setdefault(column, set()).add(unit)
            return to_float(number, self.layout.decimal, self.layout.thousands), 0
        count, first = self.unknown.get((column, cell), (0, line))
        self.unknown[column, cell] = (count + 1, first)
        return np.nan, int(MISSING)


def read_wide(table: Table, layout: Layout, where: str) -> Raw:
    """Every channel column of a wide file. Raises IntakeError (rows), OpenQuestion (two units in one column)."""
    cells = sort_out(table, layout, where)
    stamps = set(time_indexes(table.head.names, layout, where))
    kept = [i for i, n in enumerate(table.head.names) if i not in stamps and not ignored(layout, n)]
    reader = CellReader(layout)
    values = np.full((len(kept), len(cells.rows)), np.nan)
    flags = np.full(values.shape, MISSING, np.uint8)
    for k, row in enumerate(cells.rows):
        line = cells.lines[k]
        for j, column in enumerate(kept):
            if column < len(row):
                values[j, k], flags[j, k] = reader.read(row[column], table.head.names[column], line)
    headings = [read_heading(table.head.names[i], _one_unit(reader, table.head, i, where)) for i in kept]
    return Raw(
        headings, np.array(cells.times, float), values, flags, np.array(cells.lines), cells.aware,
        len(cells.rows), cells.notes, reader.unknown,
    )  # fmt: skip


def _one_unit(reader: CellReader, head, column: int, where: str) -> str:  # type: ignore[no-untyped-def]
    from .recordernames import unit_of

    name = head.names[column]
    found = {unit_of(u) for u in reader.units.get(name, ())} | ({head.units[column]} - {""})
    own = read_heading(name).unit.removesuffix("_diff")
    if own:
        found.add(own)
    if len(found) > 1:
        raise OpenQuestion(
            f"column {name!r} carries two units: {' and '.join(sorted(found))}", where=where,
            option=f"--channel {quote(name + '=other')} if it is no temperature, else mend the file",
        )  # fmt: skip
    return next(iter(found), "")


def ignored(layout: Layout, name: str) -> bool:
    """Does the layout leave this column out."""
    rule = layout.rule(name) or layout.rule(read_heading(name).name)
    return rule is not None and rule.role == "ignore"
