"""The sheet before the door closes, in the terminal."""

from __future__ import annotations

import shutil
import sys
import textwrap
from typing import TextIO

from loadbook.queries.judge import local
from loadbook.queries.precheck import Precheck
from loadbook.store.book import BookFolder

from .following import forecast_words
from .tables import emit, plain, write_words

ADVISES = "This sheet advises: it controls nothing and is not an alarm or interlock. The shop's own rules decide."


def headline(sheet: Precheck) -> str:
    """The verdict in one sentence.

    >>> headline(Precheck("R1", "pass", ()))
    'PASS: nothing speaks against closing the door'
    """
    stops = [p.point for p in sheet.points if p.state == "stop"]
    boxes = [p for p in sheet.points if p.state == "by hand" and p.point not in sheet.ticked]
    if stops:
        return f"STOP: {', '.join(stops)}" + (
            f"; {len(boxes)} {'box' if len(boxes) == 1 else 'boxes'} to tick" if boxes else ""
        )
    if boxes:
        return f"NO STOP; {len(boxes)} {'box' if len(boxes) == 1 else 'boxes'} to tick by hand"
    return "PASS: nothing speaks against closing the door"


def coming(sheet: Precheck, book: BookFolder) -> list[str]:
    """When it will be soaked and done, if it starts as planned."""
    said = forecast_words(sheet.ahead, sheet.started, sheet.started, book)
    return [f"If it starts at {local(sheet.started, book)[:16]}:", *said] if said else []


def print_precheck(sheet: Precheck, book: BookFolder, out: TextIO | None = None) -> None:
    """Write a sheet: the verdict, stops first, then boxes, then what passed."""
    out = out or sys.stdout
    verdict = f"{plain(sheet.run)}  {headline(sheet)}"
    write_words(verdict, out, bold=True)
    rows = sheet.rows(book.units)
    for state, title in (("stop", "Stop"), ("by hand", "To tick by hand"), ("pass", "Passed")):
        some = [r for r in rows if r["state"] == state]
        if some:
            write_words("", out)
            box = {"stop": "[!]", "pass": "[x]"}
            cells = [[box.get(state, "[x]" if r["ticked"] else "[ ]"), r["point"], plain(r["why"])] for r in some]
            if out.isatty():
                _points(title, cells, max(len(r["point"]) for r in rows), out)
            else:
                emit(["", "point", "what the book says"], cells, None, title=title, out=out)
    for line in ["", *said] if (said := coming(sheet, book)) else []:
        write_words(line, out)
    if sheet.person:
        note = f": {sheet.note}" if sheet.note else ""
        write_words(f"\nKept: {plain(sheet.person)}, {local(sheet.at, book)[:16]}{plain(note)}", out)
    write_words(f"\n{ADVISES}\n", out)
    write_words(verdict, out, bold=True)


def _points(title: str, cells: list[list[str]], wide: int, out: TextIO) -> None:
    """Points on a terminal: what the book says stands beside its point, however long, as on the page."""
    write_words(title, out, bold=True)
    width = shutil.get_terminal_size((80, 24)).columns
    beside = " " * (5 + wide + 2) if width > wide + 40 else " " * 5
    for box, point, why in cells:
        lines = textwrap.wrap(why, width - len(beside), break_long_words=False, break_on_hyphens=False)
        first = f"{box}  {point:<{wide}}  "
        if len(beside) == len(first):
            first += lines.pop(0) if lines else ""
        out.write("\n".join([first.rstrip(), *(beside + line for line in lines)]) + "\n")
