"""A workbook's sheet as the grid of texts that a recorder's file is read from."""

from __future__ import annotations

from loadbook.core.outside import within_limits
from loadbook.readers.workbook import Book, cell_text

from .grid import Grid


def sheet_grid(book: Book, sheet: str) -> Grid:
    """The filled rows of a sheet as text; lines are the sheet's row numbers."""
    rows: list[list[str]] = []
    lines: list[int] = []
    found = book.rows(sheet)
    within_limits(len(found), max(map(len, found), default=0), book.name)
    for number, row in enumerate(found, start=1):
        cells = [cell_text(c) for c in row]
        while cells and not cells[-1]:
            cells.pop()
        if cells:
            rows.append(cells)
            lines.append(number)
    return Grid(rows, lines, notes=list(book.notes))
