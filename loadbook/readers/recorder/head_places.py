"""Names and units of a heading put over the columns that they belong to, or a refusal: no name is ever shifted."""

from __future__ import annotations

import re

from loadbook.core.errors import IntakeError, Problem
from loadbook.core.phrases import many

from .cells import Columns
from .grid import Grid
from .head import Head, is_unit_row, unique
from .names import unit_of

UNIT_WORD = re.compile(r"^(unit|units|uom|eng\.? ?units?|eu)( #\d+)?$")


def units_beside(grid: Grid, columns: Columns, head: Head) -> None:
    """Give each column of numbers the unit that stands in a column of its own beside it, in place."""
    numeric = [columns.share(c, "number", "open") > 0.5 for c in range(columns.width)]
    for c in range(columns.width):
        if columns.share(c, "text") < 0.9:
            continue
        cells = {r[c] for r in grid.rows[head.first :] if c < len(r) and r[c]}
        units = {unit_of(cell) for cell in cells} if len(cells) <= 4 else {""}
        letters = any(cell.lower() in ("c", "f", "k") for cell in cells)  # K is a thermocouple too
        if len(units) != 1 or "" in units or (letters and not UNIT_WORD.match(head.names[c].strip().lower())):
            continue
        for beside in (c - 1, c + 1):
            if 0 <= beside < columns.width and numeric[beside] and not head.units[beside]:
                head.units[beside] = units.pop()
                head.beside.append(c)
                break


def must_fit(grid: Grid, head: Head, columns: Columns, name: str, delimiter: str, *, stated: bool) -> None:
    """Raises IntakeError where the heading names fewer or more columns than the rows have cells, and, also where it is
    stated, where it fits the first rows and the others have cells more."""
    beyond = any(columns.filled(c) for c in range(head.named, columns.width))
    lost = delimiter != "workbook" and head.named > columns.width
    fit = next((i for i, r in enumerate(grid.rows[head.first :]) if len(r) != head.named), 0) if beyond else 0
    if fit:
        at = head.first + fit
        raise IntakeError(
            f"from line {grid.lines[at]} on the rows have another number of cells",
            [
                Problem(
                    f"{columns.width} cells, where the heading names {head.named} and the {many(fit, 'row')} below it"
                    " had as many: nothing tells where the new ones stand",
                    name, grid.lines[at], None, ", ".join(grid.rows[at])[:200],
                )
            ],
            remedy="Number the columns with --heading none, and leave the rows before out with --short-rows skip; or"
            " take the file apart",
        )  # fmt: skip
    if stated or not (beyond or lost):
        return
    row = grid.rows[head.first]
    marks = beyond and delimiter == "," and not any("." in c for c in row)
    raise IntakeError(
        "the heading and the rows do not fit together",
        [
            Problem(
                f"the rows have {columns.width} cells, the heading names {head.named}",
                name, grid.lines[head.first], None, ", ".join(row)[:200],
            )
        ],
        remedy="Where decimal mark and delimiter are both commas no reader can tell: export with semicolons"
        if marks
        else "Say which line is the heading with --heading LINE, or number the columns with --heading none",
    )  # fmt: skip


def place_over_columns(grid: Grid, head: Head, width: int, name: str) -> None:
    """Put the names and units of a text in blanks over the columns that they stand above, in place.

    Raises IntakeError where two names stand over one column and their number settles nothing either.
    """
    if head.first >= len(grid.spans) or not head.rows:
        return
    full = [s for s in grid.spans[head.first :] if len(s) == width][:50]
    if not full:
        return
    edges = [(min(s[c][0] for s in full), max(s[c][1] for s in full)) for c in range(width)]
    named: list[tuple[int, int]] = []  # where the names stand
    for row in head.rows:
        at = grid.rows.index(row)
        spans = grid.spans[at] if at < len(grid.spans) else []
        places = [_over(span, edges) for span in spans]
        over = len(spans) == width or all(_aligned(s, edges[p]) for s, p in zip(spans, places, strict=True))
        cells = _placed(row, places, width) if over else None
        if row is head.rows[0] and len(spans) == width:
            named = spans
        elif cells is None and named and is_unit_row(row):
            cells = _placed(row, [_over(span, named) for span in spans], width)
        if cells is None and len(spans) == len(row) and len(set(places)) < len(places):
            cells = _by_words(row, spans, edges)
        if cells is None:
            if len([c for c in row if c]) == width and all(re.search(r"\w", c) for c in row):
                continue  # not over them, and as many
            if row is not head.rows[0]:
                continue
            raise IntakeError(
                "the heading does not stand over its columns",
                [Problem("no telling which name is whose", name, grid.lines[at], None, "  ".join(row)[:200])],
                remedy="Number the columns with --heading none, or say which line is the heading with --heading LINE",
            )
        if row is head.rows[0]:
            names = unique([n or f"column {c + 1}" for c, n in enumerate(cells)])
            if sum(bool(c) for c in row) < width or not _same_names(head.names, names):
                head.names[:] = names
            head.named = width
        elif is_unit_row(row):
            head.units[:] = [unit_of(u) for u in cells]


def _by_words(row: list[str], spans: list[tuple[int, int]], edges: list[tuple[int, int]]) -> list[str] | None:
    """Names of columns from the words of a heading, each over the column that it stands above; None where one has
    none."""
    out: list[list[str]] = [[] for _ in edges]
    for cell, span in zip(row, spans, strict=True):
        for word in re.finditer(r"\S+", cell):
            out[_over((span[0] + word.start(), span[0] + word.end()), edges)].append(word.group())
    return [" ".join(words) for words in out] if all(out) else None


def _same_names(old: list[str], new: list[str]) -> bool:
    return all(n in o for o, n in zip(old, new, strict=True))  # a group's name may stand before it


def _over(span: tuple[int, int], edges: list[tuple[int, int]]) -> int:
    """The column that most of a span stands over, else the nearest."""
    shared = [min(span[1], e[1]) - max(span[0], e[0]) for e in edges]
    return shared.index(max(shared))


def _aligned(span: tuple[int, int], edge: tuple[int, int]) -> bool:
    """Does a heading begin, end or have its middle where its column does."""
    middle = abs(sum(span) - sum(edge)) / 2
    return min(abs(span[0] - edge[0]), abs(span[1] - edge[1]), middle) <= 2


def _placed(row: list[str], places: list[int], width: int) -> list[str] | None:
    if len(places) != len(row) or len(set(places)) < len(places) or not all(re.search(r"\w|%|°", c) for c in row if c):
        return None
    out = [""] * width
    for cell, place in zip(row, places, strict=True):
        out[place] = cell
    return out
