"""Text to rows of cells, with the physical line of each, and which delimiter makes sense of it."""

from __future__ import annotations

import csv
import re
from collections import Counter
from dataclasses import dataclass, field

from loadbook.core.errors import IntakeError, Problem
from loadbook.core.outside import LONGEST_CELL, cells_within_limit, within_limits

from .labels import as_table, carries_names
from .numbers import split_unit
from .times import kind_of

_BLANKS = re.compile(r"[ \t]+")
_WIDE = re.compile(r" {2,}|\t")
_NUMBERISH = re.compile(r"^[-+]?[\d.,']*(?: \d{3})*[\d.,]*(?:[eE][-+]?\d+)?$")
_RULE = re.compile(r"^(?=.*[-=_]{3})[-=_+:|,;\t ]+$", re.MULTILINE)  # ----- ----- under a heading
SPANNED = 400  # rows of a text in blanks whose cells' places are kept


@dataclass
class Grid:
    """Rows of cells (stripped text); lines[i] is the physical line (or sheet row) of rows[i], from 1.

    cut  True where the text ends without a line end
    spans  of the first rows of a text in blanks: where in its line each cell stands; [] where a tab leaves that open
    """

    rows: list[list[str]]
    lines: list[int]
    cut: bool = False
    notes: list[str] = field(default_factory=list)
    spans: list[list[tuple[int, int]]] = field(default_factory=list)


def split(text: str, delimiter: str, name: str = "") -> Grid:
    """Cells of a text. A quoted cell may hold the delimiter and line ends. Blank rows are left out.

    Raises IntakeError where a quote is never closed.
    """
    text = text.replace("\r\n", "\n").replace("\r", "\n").replace("\u2212", "-")  # a typographer's minus
    cut = not text.endswith("\n")
    rows: list[list[str]] = []
    lines: list[int] = []
    widest = 0
    if delimiter == "labels":
        rows, lines, notes = as_table(text, name)
        within_limits(len(rows), max(map(len, rows), default=0), name)
        return Grid(rows, lines, cut and len(text.split("\n")) > 2, notes)
    text = _RULE.sub("", text)
    if delimiter in ("spaces", "wide spaces"):
        spans: list[list[tuple[int, int]]] = []
        pattern = _BLANKS if delimiter == "spaces" else _WIDE
        for number, line in enumerate(text.split("\n"), start=1):
            if line.strip():
                rows.append([c.strip().strip('"') for c in pattern.split(line.strip())])
                lines.append(number)
                widest = max(widest, len(rows[-1]))
                within_limits(len(rows), widest, name)
                if len(spans) < SPANNED:
                    spans.append(_spans(line, pattern, len(rows[-1])))
        _no_giant(rows, lines, name)
        return Grid(rows, lines, cut, spans=spans)
    reader = csv.reader(text.split("\n"), delimiter=delimiter, skipinitialspace=True, strict=True)
    first = 1
    try:
        with cells_within_limit():
            for row in reader:
                cells = [c.strip() for c in row]
                if any(cells):
                    rows.append(cells)
                    lines.append(first)
                    widest = max(widest, len(cells))
                    within_limits(len(rows), widest, name)
                first = reader.line_num + 1
    except csv.Error as exc:
        raise IntakeError(
            "the file cannot be split into cells",
            [Problem(str(exc), name, reader.line_num)],
            remedy="Correct the quotes there",
        ) from exc
    return Grid(rows, lines, cut)


def _spans(line: str, pattern: re.Pattern[str], cells: int) -> list[tuple[int, int]]:
    """Where the cells of a line stand in it, [] where a tab leaves that open."""
    if "\t" in line.strip():
        return []
    ends = [(m.start(), m.end()) for m in pattern.finditer(line.rstrip())]
    begin = len(line) - len(line.lstrip())
    ends = [e for e in ends if e[0] >= begin]
    starts = [begin, *(e[1] for e in ends)]
    stops = [*(e[0] for e in ends), len(line.rstrip())]
    found = list(zip(starts, stops, strict=True))
    return found if len(found) == cells else []


def _no_giant(rows: list[list[str]], lines: list[int], name: str) -> None:
    """Refuse a cell longer than any spreadsheet holds."""
    for line, row in zip(lines, rows, strict=True):
        if any(len(cell) > LONGEST_CELL for cell in row):
            problem = Problem(f"a cell of more than {LONGEST_CELL:,} characters", name, line)
            raise IntakeError("the file cannot be split into cells", [problem])


def _is_value(cell: str) -> bool:
    """A number, alone or with a unit behind it, or a whole time: what the cells of a table hold."""
    if _NUMBERISH.match(cell):
        return True
    number, unit = split_unit(cell)
    return bool(unit and _NUMBERISH.match(number)) or kind_of(cell) == "moment"


def find_delimiter(text: str, name: str) -> str:
    """The delimiter under which most lines fall into the same number of two or more cells that look like data.

    Raises IntakeError where none does (a one-column file).
    """
    lines = [ln for ln in text.replace("\r\n", "\n").replace("\r", "\n").split("\n") if ln.strip()]
    sample = lines[:60] + lines[60:][:: max(1, len(lines) // 200)] if len(lines) > 60 else lines
    if carries_names("\n".join(lines), name):
        return "labels"
    best, best_score = "", 0.0
    for delimiter in ("\t", ";", "|", ",", "wide spaces", "spaces"):
        try:
            grid = split("\n".join(sample), delimiter, name)
        except IntakeError:
            continue
        counts = Counter(len(r) for r in grid.rows if len(r) > 1)
        if not counts:
            continue
        width, rows = max(counts.items(), key=lambda kv: kv[1])
        filled = [c for r in grid.rows if len(r) == width for c in r if c]
        numbers = sum(1 for c in filled if len(c) <= 64 and _is_value(c)) / max(len(filled), 1)
        score = rows / len(grid.rows) * (0.2 + numbers)
        if delimiter == "spaces":
            score *= 0.6  # a date and its time are apart under it: only where nothing else fits
        if score > best_score * 1.05:
            best, best_score = delimiter, score
    if not best or best_score < 0.05:
        raise IntakeError(
            "the file falls into one column only",
            [Problem("no delimiter (comma, semicolon, tab, bar, blanks) splits it", name)],
            remedy="Name it with --delimiter",
        )
    return best
