"""Tables that stand one under the other in a file, each with a heading of its own: joined where the headings agree.

A heading comes again after a restart, or at the head of each page, with lines of a batch or a date before it. Where it
says the same in another order, each column is put under its name; where it says something else, it is asked.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from itertools import pairwise

from loadbook.core.phrases import many

from .cells import kind
from .grid import Grid
from .names import is_elapsed, is_time, read_heading, unit_of
from .numbers import split_unit
from .options import Question

MANY = 10  # headings again: no restarts, but the way the file is written
_DATA = ("number", "open", "moment", "date", "clock", "duration")
_DATE_LINE = re.compile(r"^(?:[A-Za-z]{3,12}\W{1,3})?(.{6,30})$")
_ORDER = "its names stand in another order, and the values do not show that the columns do"
Label = tuple[str, str]  # a column's name and unit


@dataclass(frozen=True)
class _Block:
    """at and after are the places of a heading and of the first row below it."""

    at: int
    after: int
    labels: list[Label]


def join_blocks(grid: Grid, how: str) -> list[Question]:
    """Put the rows below later headings under the columns of the first, in place; what is asked about them.

    how  'join' (each column by its name, new ones beside the others), 'first' (only what stands below a heading like
         the first), 'keep' (columns as they stand), or '' (asked; the first for the time being)
    """
    blocks = _blocks(grid.rows)
    if len(blocks) < 2 or not _timed(grid.rows[blocks[0].after], blocks[0].labels):
        return []
    first = blocks[0].labels
    other = [b for b in blocks if b.labels != first]
    between = [i for before, b in pairwise(blocks) for i in _lines_above(grid.rows, before, b)]
    if not other and not between and len(blocks) < MANY:
        return []
    differing = [
        b for b in other
        if sorted(b.labels) != sorted(first) or len(set(first)) < len(first) or not _goes_on(grid.rows, b, first)
    ]  # fmt: skip
    union = list(first)
    if how == "join":
        union += [label for b in differing for label in b.labels if label not in first]
        union = list(dict.fromkeys(union)) if len(set(first)) == len(first) else union
    drop = set(between)
    ends = [b.at for b in blocks[1:]] + [len(grid.rows)]
    for block, end in zip(blocks, ends, strict=True):
        if block is not blocks[0]:
            drop |= set(range(block.at, block.after))
        if how == "keep":
            continue
        if block in differing and how != "join":
            drop |= set(range(block.after, end))
            continue
        if block.labels == union:
            continue
        places = [block.labels.index(label) if label in block.labels else -1 for label in union]
        beyond = len(block.labels)
        for i in range(block.after, end):
            row = grid.rows[i]
            if i not in drop and len(row) > 1:
                grid.rows[i] = [row[p] if 0 <= p < len(row) else "" for p in places] + row[beyond:]
    if how == "keep":
        grid.notes.append("later headings are passed over (--headings keep)")
    _widen(grid, blocks[0], union)
    lines = [grid.lines[b.at] for b in other if b not in differing]
    if lines and how != "keep":
        grid.notes.append(f"the heading has another order in line {lines[0]}: each column was put under its name")
    grid.notes.append(f"{many(len(blocks) - 1, 'heading row')} repeated within the data, left out")
    if between:
        grid.notes.append(f"{many(len(between), 'line')} between tables left out (line {grid.lines[between[0]]})")
    questions = []
    if differing and how == "first":
        grid.notes.append(f"rows below {many(len(differing), 'other heading')} left out (--headings first)")
    elif differing and not how:
        questions = [_question(grid, first, differing)]
    kept = [i for i in range(len(grid.rows)) if i not in drop]
    grid.rows, grid.lines = [grid.rows[i] for i in kept], [grid.lines[i] for i in kept]
    grid.spans = [grid.spans[i] for i in kept if i < len(grid.spans)]
    return questions


def _question(grid: Grid, first: list[Label], differing: list[_Block]) -> Question:
    block = differing[0]
    said = []
    for word, here, there in (("it has", block.labels, first), ("it lacks", first, block.labels)):
        names = [f"{n} in {u}" if u else n for n, u in here if (n, u) not in there]
        said += [f"{word} {', '.join(map(repr, names[:4]))}"] if names else []
    return Question(
        f"the heading changes in line {grid.lines[block.at]}: {'; '.join(said) or _ORDER}",
        "--headings join (each column by its name), first (only the rows below headings like the first) or keep"
        " (columns as they stand)",
    )


def _goes_on(rows: list[list[str]], block: _Block, first: list[Label]) -> bool:
    """Do the columns go on under their names, and not where they stood: how far each is from the mean of those that
    moved, in the rows before a heading and below it."""
    before = next((rows[i] for i in range(block.at - 1, -1, -1) if _is_data(rows[i])), [])
    moved = [c for c, label in enumerate(block.labels) if label != first[c]]
    try:
        then = {first[c]: _value(before[c]) for c in moved}
        now = [_value(rows[block.after][c]) for c in moved]
    except (IndexError, ValueError):
        return False
    level, here = sum(then.values()) / len(moved), sum(now) / len(moved)
    named = sum(abs((v - here) - (then[block.labels[c]] - level)) for c, v in zip(moved, now, strict=True))
    placed = sum(abs((v - here) - (then[first[c]] - level)) for c, v in zip(moved, now, strict=True))
    return named < 0.5 * placed


def _value(cell: str) -> float:
    return float(split_unit(cell)[0].replace(",", "."))


def _widen(grid: Grid, first: _Block, union: list[Label]) -> None:
    """Write the names of new columns beside those of the first heading."""
    new = union[len(first.labels) :]
    row = grid.rows[first.at]
    grid.rows[first.at] = [*row, *[""] * (len(first.labels) - len(row))]
    grid.rows[first.at] += [f"{name} ({unit})" if unit else name for name, unit in new]


def _blocks(rows: list[list[str]]) -> list[_Block]:
    """The first heading, and those that share at least half of their names with it, or begin with a time as it does (a
    list of alarms)."""
    found: list[_Block] = []
    known: set[str] = set()
    for i, row in enumerate(rows[:-1]):
        if not row[0][:1].isdigit() and _names_columns(row):
            under = rows[i + 1] if _gives_units(rows[i + 1]) else []
            after = i + 1 + bool(under)
            if after >= len(rows) or not _is_data(rows[after]):
                continue
            units = [unit_of(u) for u in under] + [""] * len(row)
            read = [read_heading(c, u) for c, u in zip(row, units, strict=False)]
            labels = [(h.name.casefold(), h.unit) for h in read]
            if found and not any(unit for _, unit in labels):  # the units stand in the first heading alone
                units_of = dict(found[0].labels)
                labels = [(name, units_of.get(name, "")) for name, _ in labels]
            named = {name for name, _ in labels if name}
            alike = bool(found) and is_time(row[0]) and row[0].casefold() == rows[found[0].at][0].casefold()
            if found and not alike and len(named & known) < 0.5 * min(len(named), len(known)):
                continue
            known = known or named
            found.append(_Block(i, after, labels))
    return [replace(b, labels=_shown(rows[b.at], b.labels, rows[found[0].at], found[0].labels)) for b in found]


def _shown(row: list[str], labels: list[Label], first: list[str], of_first: list[Label]) -> list[Label]:
    """The labels with their names as written: as in the first heading, where they are the same."""
    known = {label: read_heading(c).name for c, label in zip(first, of_first, strict=True)}
    return [(known.get(label, read_heading(c).name), label[1]) for c, label in zip(row, labels, strict=True)]


def _names_columns(row: list[str]) -> bool:
    filled = [c for c in row if c]
    return len(filled) >= 2 and all(kind(c) == "text" for c in filled)


def _timed(row: list[str], labels: list[Label]) -> bool:
    """Does the first row below a heading have a time of its own."""
    return any(kind(c) in ("moment", "clock", "duration") for c in row) or any(is_elapsed(name) for name, _ in labels)


def _gives_units(row: list[str]) -> bool:
    filled = [c for c in row if c]
    return bool(filled) and sum(bool(unit_of(c)) for c in filled) >= 0.5 * len(filled) and not _is_data(row)


def _is_data(row: list[str]) -> bool:
    filled = [c for c in row if c]
    return len(filled) >= 2 and sum(kind(c) in _DATA for c in filled) >= 0.5 * len(filled)


def _lines_above(rows: list[list[str]], before: _Block, block: _Block) -> list[int]:
    """The lines of text right above a heading, up to the rows of the table before it; without a date alone, which is of
    the times below it."""
    i = block.at
    while i > before.after and not _is_data(rows[i - 1]) and kind(rows[i - 1][0]) not in _DATA:
        i -= 1
    return [k for k in range(i, block.at) if not _date_alone(rows[k])]


def date_lines(grid: Grid, clock: int) -> bool:
    """Write the date of a line of its own (Date: 2026-03-14) before the clock times below it, in place, where such
    lines stand among the rows; whether there were any.

    clock  the column of the times, which have no date
    """
    dates = {i: d for i, row in enumerate(grid.rows) if (d := _date_alone(row))}
    timed = [i for i, row in enumerate(grid.rows) if clock < len(row) and kind(row[clock]) == "clock"]
    if not dates or not timed or min(dates) > timed[0] or max(dates) < timed[0]:
        return False
    date = ""
    for i, row in enumerate(grid.rows):
        date = dates.get(i, date)
        if clock < len(row) and kind(row[clock]) == "clock" and date and i not in dates:
            row[clock] = f"{date} {row[clock]}"
    grid.notes.append(
        f"dates are those of {many(len(dates), 'line')} of their own, such as line {grid.lines[min(dates)]}"
    )
    kept = [i for i in range(len(grid.rows)) if i not in dates]
    grid.rows, grid.lines = [grid.rows[i] for i in kept], [grid.lines[i] for i in kept]
    grid.spans = [grid.spans[i] for i in kept if i < len(grid.spans)]
    return True


def _date_alone(row: list[str]) -> str:
    filled = [c for c in row if c]
    if not 1 <= len(filled) <= 2 or len(" ".join(filled)) > 40:
        return ""
    match = _DATE_LINE.match(" ".join(filled))
    return match[1].strip() if match and kind(match[1].strip()) == "date" else ""
