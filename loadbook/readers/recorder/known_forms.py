"""Layouts found out within one command, for the further files under the very same heading.

A layout is kept only where its file left nothing open and does not settle by its own dates or numbers what another file
might settle otherwise: the order of day and month.
"""

from __future__ import annotations

from .layout import Layout
from .options import Options
from .propose import Draft
from .source import Source
from .table import Table
from .times import order_of

HEAD = 16_384  # bytes at the beginning of a file among which its heading is looked for
MOST = 20


class KnownForms:
    """Layouts by the lines of their headings, all of them found out by the same answers."""

    def __init__(self, options: Options) -> None:
        self._options = options
        self._known: dict[bytes, Layout] = {}

    def of(self, source: Source) -> Layout | None:
        """The layout of a file that has the heading of one before it; None where none has."""
        head = b"\n" + source.data[:HEAD].removeprefix(b"\xef\xbb\xbf").replace(b"\r\n", b"\n")
        return next((layout for heading, layout in self._known.items() if heading in head), None)

    def keep(self, source: Source, draft: Draft) -> None:
        """Keep what was found out of a file, where it holds for others too."""
        layout, heading = draft.layout, _heading(source, draft.table)
        told_by_dates = layout.time_kind == "clock" and order_of(layout.time_format) in ("dmy", "mdy")
        told_by_dates &= "%b" not in layout.time_format and not self._options.date_order
        if heading and not draft.questions and not told_by_dates and len(self._known) < MOST:
            self._known[heading] = layout


def _heading(source: Source, table: Table) -> bytes:
    """The lines of a file's heading with the ends of lines around them, b'' where they cannot be told apart."""
    head, lines = table.head, table.grid.lines
    if source.is_workbook or not table.encoding.startswith("utf-8") or head.nameless or head.rewritten:
        return b""
    first, last = lines[len(head.preamble)], lines[head.first]
    text = source.data[:HEAD].removeprefix(b"\xef\xbb\xbf").replace(b"\r\n", b"\n").split(b"\n")
    if not first < last < len(text):
        return b""
    return b"\n" + b"\n".join(text[first - 1 : last - 1]) + b"\n"
