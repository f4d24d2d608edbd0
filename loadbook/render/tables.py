"""Listings: a table on a terminal, full width when piped, or one of the machine-readable formats.

Values from the book are shown as text: control characters are made visible, brackets stay brackets.

A table made to fit a terminal: nothing is cut and no word is broken.

In this order, until it fits: what is the same in every row is said once above it; long texts wrap inside their column,
or are told below it by the row's name; columns that are left over follow as a second table with the same first ones.
"""

from __future__ import annotations

import csv
import io
import itertools
import json
import math
import os
import re
import sys
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Any, TextIO

from rich.cells import cell_len

from loadbook.core.errors import UsageError

GAP = 2  # blanks between two columns
LONG = 36  # characters from which a column is one of long texts
LINES = 6  # lines that a long text may take inside its column
CELL = 2_000  # characters of one cell that a table shows: every row is padded to the widest
ON_SCREEN = 5_000  # rows of a table on a terminal


@dataclass
class Fitted:
    """What of a table stands where.

    blocks  tables one under the other: (column, its width in characters) from left to right
    above   what is the same in every row;  below  long texts, each by its row's name
    """

    blocks: list[list[tuple[int, int]]]
    above: list[str] = field(default_factory=list)
    below: list[str] = field(default_factory=list)


def cells_of(text: str) -> int:
    """How many places of a terminal a text takes: wide scripts and emoji take two, marks over a letter none.

    >>> cells_of("plate"), cells_of("導板"), cells_of("n\u0308")
    (5, 4, 1)
    """
    return len(text) if text.isascii() else cell_len(text)


_TOGETHER = re.compile(r"(?<=\d) (?=[°%µ]|(?:min|h|s|mm|in|lb|kg|torr|mbar|ksi|MPa)\b|\d\d:\d\d)")


def words_of(cell: str) -> list[str]:
    """The words of a cell; a figure stays with its unit, a day with its time.

    >>> words_of("184.5 °F/h above 20 °F"), words_of("2026-09-07 07:10:00")
    (['184.5 °F/h', 'above', '20 °F'], ['2026-09-07 07:10:00'])
    """
    return [word.replace("\n", " ") for word in _TOGETHER.sub("\n", cell).split(" ")]


class _Columns:
    """Widths of a table's columns: whole, and at least (the longest word)."""

    def __init__(self, columns: Sequence[str], text: Sequence[Sequence[str]], width: int) -> None:
        self.names, self.text, self.width = columns, text, width
        cells = [[name, *(row[i] for row in text)] for i, name in enumerate(columns)]
        self.whole = [max(map(cells_of, column)) for column in cells]
        words = [max((cells_of(w) for cell in column for w in words_of(cell)), default=0) for column in cells]
        self.least = [min(w, max(width // 2, 1)) for w in words]
        self.long = [self.whole[i] > LONG for i in range(len(columns))]

    def fits(self, kept: Sequence[int], widths: Sequence[int]) -> bool:
        return sum(widths[i] for i in kept) + GAP * (len(kept) - 1) <= self.width

    def shared(self, kept: Sequence[int], floors: Sequence[int]) -> list[tuple[int, int]]:
        """Each column at least its floor, the rest of the width to the short ones first, then evenly to the long."""
        given = {i: floors[i] for i in kept}
        left = self.width - sum(given.values()) - GAP * (len(kept) - 1)
        order = sorted(kept, key=lambda i: (self.long[i], self.whole[i]))
        for number, i in enumerate(order):
            part = left // (len(order) - number) if self.long[i] else left
            more = min(self.whole[i] - given[i], max(part, 0))
            given[i] += more
            left -= more
        return [(i, given[i]) for i in kept]

    def lines(self, i: int, width: int) -> int:
        """Most lines that a cell of a column takes at a width, about."""
        return max((-(-cells_of(row[i]) * 10 // (9 * max(width, 1))) for row in self.text), default=1)


def fitted(columns: Sequence[str], text: Sequence[Sequence[str]], width: int) -> Fitted:
    """Lay a table of texts out for a terminal `width` characters wide."""
    kept = list(range(len(columns)))
    of = _Columns(columns, text, width)
    if of.fits(kept, of.whole):
        return Fitted([[(i, of.whole[i]) for i in kept]])
    same = [i for i in kept if len(text) > 1 and columns[i] and len({row[i] for row in text}) == 1]
    above = [f"{columns[i]}: {text[0][i]}" for i in same if text[0][i]]
    kept = [i for i in kept if i not in same]
    name = [i for i in kept if not of.long[i]][:1]
    below: list[str] = []
    while kept and not of.fits(kept, of.whole):
        floors = [max(w, 24) if of.long[i] else w for i, w in enumerate(of.least)]
        long = [i for i in kept if of.long[i] and i not in name]
        if of.fits(kept, floors):
            widths = dict(of.shared(kept, floors))
            tall = [i for i in kept if of.lines(i, widths[i]) > (LINES if of.long[i] else 2)]
            if not tall:
                return Fitted([list(widths.items())], above, below)
            long = [i for i in long if i in tall] or long
        if not long:
            return Fitted(_split(of, kept), above, below)
        widest = max(long, key=lambda i: of.whole[i])
        kept.remove(widest)
        below += _stacked(of, widest, name)
    return Fitted([[(i, of.whole[i]) for i in kept]] if kept else [], above, below)


def _stacked(of: _Columns, i: int, name: Sequence[int]) -> list[str]:
    """The texts of one column, each with the rows it is for: by the first column, where that names them apart."""
    names = [row[name[0]] for row in of.text] if name else []
    apart = bool(names) and all(names) and len(set(names)) == len(names)
    told: dict[str, list[str]] = {}
    for number, row in enumerate(of.text, start=1):
        told.setdefault(row[i], []).append(names[number - 1] if apart else str(number))
    first = "" if apart else "row "
    return [f"{of.names[i]}, {first}{', '.join(rows)}: {words}" for words, rows in told.items() if words]


def _split(of: _Columns, kept: Sequence[int]) -> list[list[tuple[int, int]]]:
    """Tables one under the other, each with the columns first that name the rows."""
    floors = [of.whole[i] if of.whole[i] <= 20 else max(of.least[i], 20) for i in range(len(of.names))]
    lead: list[int] = []
    for i in kept:
        used = sum(floors[k] + GAP for k in lead)
        apart = bool(lead) and len({tuple(r[k] for k in lead) for r in of.text}) == len(of.text)
        if apart or used + floors[i] > of.width // 2:
            break
        lead.append(i)
    blocks: list[list[int]] = [list(lead)]
    for i in kept:
        if i in lead:
            continue
        floors[i] = min(floors[i], max(of.width - sum(floors[k] + GAP for k in lead), 1))
        if not of.fits([*blocks[-1], i], floors) and len(blocks[-1]) > len(lead):
            blocks.append(list(lead))
        blocks[-1].append(i)
    return [of.shared(block, floors) for block in blocks]


FORMATS = ("table", "csv", "json", "ndjson", "markdown", "parquet")
# what a spreadsheet may take for the beginning of a formula, the wide forms of some languages among it
_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n", "\uff1d", "\uff0b", "\uff0d", "\uff20")


def plain(value: Any) -> str:
    """A value as one line of text, with control and direction characters made visible."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        if 1e-5 <= abs(value) < 1e-4:  # a gauge's resolution in inches: 0.00004, not 4e-05
            return f"{value:.10f}".rstrip("0")
        return "" if math.isnan(value) else f"{value:.10g}"
    text = value.isoformat(sep=" ") if isinstance(value, datetime) else str(value)
    if text.isprintable():
        return text
    return "".join(c if c.isprintable() else repr(c)[1:-1] for c in text)


def lines_kept(text: str) -> str:
    """A text with control and direction characters made visible, line ends and tabs left as they are."""
    return "".join(c if c.isprintable() or c in "\n\t" else repr(c)[1:-1] for c in text)


def folded(text: str, out: TextIO) -> str:
    """Lines of words as a stream shows them: whole when piped, on a terminal broken between words alone.

    A command to be copied, alone on its line, stays whole.
    """
    if not out.isatty():
        return text
    import shutil
    import textwrap

    width = shutil.get_terminal_size((80, 24)).columns
    return "\n".join(
        line if line.lstrip().startswith("loadbook ") else
        textwrap.fill(line, width, subsequent_indent=line[: len(line) - len(line.lstrip(" "))],
                      break_long_words=False, break_on_hyphens=False)
        for line in text.split("\n")
    )  # fmt: skip


def write_words(text: str, out: TextIO | None = None, *, bold: bool = False) -> None:
    """Write lines of words, to stdout or `out`, as `folded` breaks them.

    bold  set off on a terminal that shows it (not with NO_COLOR)
    """
    out = out or sys.stdout
    strong = bold and out.isatty() and "NO_COLOR" not in os.environ and os.environ.get("TERM") != "dumb"
    text = folded(text, out)
    out.write((f"\x1b[1m{text}\x1b[0m" if strong else text) + "\n")


def exact(value: Any) -> Any:
    """A value for JSON: full precision, moments as ISO text, not-a-number as null, infinity as the text inf."""
    if hasattr(value, "item") and getattr(value, "shape", None) == ():
        value = value.item()
    if isinstance(value, float):
        return value if math.isfinite(value) else None if math.isnan(value) else str(value)
    if isinstance(value, (datetime, date)):
        return value.isoformat()
    if isinstance(value, dict):
        return {str(k): exact(v) for k, v in value.items()}
    if isinstance(value, (list, tuple)):
        return [exact(v) for v in value]
    if value is None or isinstance(value, (bool, int, str)):
        return value
    return str(value)


def csv_cell(value: Any) -> str:
    """A value for CSV. Text that a spreadsheet would run as a formula is led by an apostrophe; control characters are
    made visible. (JSON keeps every text as it is.)"""
    if isinstance(value, float) and math.isinf(value):
        return repr(value)
    value = exact(value)
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, str):
        return lines_kept("'" + value if value.lstrip(" ").startswith(_FORMULA) else value)
    if isinstance(value, (list, dict)):
        return lines_kept(_json(value))
    return repr(value)


_UNSEEN = re.compile(r"[^ -~\n]")


def _json(value: Any, indent: int | None = None) -> str:
    """JSON in which what cannot be seen is escaped, so that no value steers a terminal; it reads back the same."""
    text = json.dumps(value, ensure_ascii=False, indent=indent)
    return _UNSEEN.sub(lambda m: m.group() if m.group().isprintable() else json.dumps(m.group())[1:-1], text)


def emit(
    columns: Sequence[str],
    rows: Iterable[Sequence[Any]],
    fmt: str | None = None,
    *,
    title: str | None = None,
    note: str | None = None,
    out: TextIO | None = None,
) -> None:
    """Write a listing to stdout (or `out`); notes go to stderr.

    rows  is read row by row; a table reads it twice, so what can be read once only is kept in memory for it
    fmt   one of FORMATS; None is a table on a terminal and an aligned table when piped
    """
    out = out or sys.stdout
    title = None if title is None else plain(title)
    if fmt in (None, "table"):
        _table(columns, list(rows) if isinstance(rows, Iterator) else rows, title, out)
    elif fmt == "csv":
        writer = csv.writer(out, lineterminator="\n")
        writer.writerow([csv_cell(c) for c in columns])
        writer.writerows([csv_cell(v) for v in row] for row in rows)
    elif fmt == "json":
        between = "[\n "
        for row in rows:
            one = _json(dict(zip(columns, map(exact, row), strict=True)), indent=1)
            out.write(between + one.replace("\n", "\n "))
            between = ",\n "
        out.write("[]\n" if between.startswith("[") else "\n]\n")
    elif fmt == "ndjson":
        for row in rows:
            out.write(_json(dict(zip(columns, map(exact, row), strict=True))) + "\n")
    elif fmt == "markdown":
        _markdown(columns, rows, out)
    elif fmt == "parquet":
        _parquet(columns, list(rows), out)
    else:
        raise UsageError(f"there is no format {fmt!r}", remedy="Choose one of: " + ", ".join(FORMATS))
    if note:
        print(folded(lines_kept(note), sys.stderr), file=sys.stderr)


def _number(value: Any) -> bool:
    return isinstance(value, (int, float)) and not isinstance(value, bool)


def _padded(text: str, cells: int, right: bool) -> str:
    wanted = cells if text.isascii() else cells - cells_of(text) + len(text)
    return text.rjust(wanted) if right else text.ljust(wanted)


def _cell(value: Any) -> str:
    """A value as a table shows it: a text beyond all reading is cut, and says how long it is."""
    if isinstance(value, str) and len(value) > CELL:
        return f"{plain(value[:CELL])}... ({len(value):,} characters; whole with --format csv or json)"
    return plain(value)


def _rights(columns: Sequence[str], rows: Iterable[Sequence[Any]]) -> list[bool]:
    """Which columns hold numbers and nothing else."""
    seen: set[int] = set()
    other: set[int] = set()
    for row in rows:
        for i, value in enumerate(row):
            if value is not None:
                (seen if _number(value) else other).add(i)
    return [i in seen and i not in other for i in range(len(columns))]


def _table(columns: Sequence[str], rows: Iterable[Sequence[Any]], title: str | None, out: TextIO) -> None:
    columns = [plain(c) for c in columns]
    if out.isatty():
        shown = list(itertools.islice(iter(rows), ON_SCREEN + 1))
        more, shown = len(shown) > ON_SCREEN, shown[:ON_SCREEN]
        _on_terminal(list(columns), [[_cell(v) for v in row] for row in shown], shown, title, out)
        if more:
            print(f"The first {ON_SCREEN:,} rows; all of them with --format csv or json", file=sys.stderr)
        return
    if title:
        out.write(title + "\n")
    widths = [cells_of(name) for name in columns]
    for row in rows:
        widths = [max(w, cells_of(_cell(v))) for w, v in zip(widths, row, strict=True)]
    rights = _rights(columns, rows)

    def line(cells: Iterable[str]) -> str:
        pairs = zip(cells, widths, rights, strict=True)
        return "  ".join(_padded(c, w, r) for c, w, r in pairs).rstrip()

    out.write(line(columns) + "\n")
    for row in rows:
        out.write(line(map(_cell, row)) + "\n")


def _on_terminal(
    columns: list[str], text: list[list[str]], rows: list[Sequence[Any]], title: str | None, out: TextIO
) -> None:
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    console = Console(file=out, highlight=False, markup=False, emoji=False)
    found = fitted(columns, text, console.width)
    if title:
        console.print(Text(title))
    if found.above:
        console.print(Text("in every row: " + "; ".join(found.above)))
    rights = _rights(columns, rows)
    for number, block in enumerate(found.blocks):
        if number:
            console.print()
        table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
        for i, width in block:
            head = Text(columns[i], style="bold")
            table.add_column(head, justify="right" if rights[i] else "left", overflow="fold", width=width)
        for cells in text:
            table.add_row(*(Text(cells[i]) for i, _ in block))
        console.print(table)
    for line in found.below:
        console.print(Text(line))


def _markdown(columns: Sequence[str], rows: Iterable[Sequence[Any]], out: TextIO) -> None:
    def cell(value: Any) -> str:
        text = plain(value)
        for mark in ("\\", "|", "<", ">", "&", "`", "*", "_", "[", "~", "$", "#"):
            text = text.replace(mark, "\\" + mark)
        return text

    out.write("| " + " | ".join(cell(c).replace("\\_", "_") for c in columns) + " |\n")
    out.write("|" + "---|" * len(columns) + "\n")
    for row in rows:
        out.write("| " + " | ".join(cell(v) for v in row) + " |\n")


def _parquet(columns: Sequence[str], rows: list[Sequence[Any]], out: TextIO) -> None:
    """Parquet bytes to stdout; refused on a terminal."""
    if out.isatty():
        raise UsageError(
            "parquet is not for a terminal", remedy="Send it to a file: ... --format parquet > FILE.parquet"
        )
    import pandas as pd

    from loadbook.store.engine import engine
    from loadbook.store.handed import Handed

    frame = pd.DataFrame([[exact(v) for v in row] for row in rows], columns=list(columns))
    with engine() as conn:
        conn.register("frame", frame)
        data = Handed(conn).parquet(conn, "FROM frame", "snappy")
    if isinstance(out, io.TextIOWrapper):
        out.flush()
        out.buffer.write(data)
    else:
        raise UsageError("parquet needs a binary output")
