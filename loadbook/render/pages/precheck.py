"""The sheet before the door closes as a printable page: a box for every point, and room for a name."""

from __future__ import annotations

from loadbook.core.cautions import CODE, HOT
from loadbook.core.figures import inline
from loadbook.queries.judge import local
from loadbook.queries.precheck import Precheck
from loadbook.queries.remark_words import words
from loadbook.render.precheck import ADVISES, coming, headline
from loadbook.store.book import BookFolder

from .markup import Html, el
from .shell import mark, page, paragraph, section, sentences, table

_SHAPE = {"stop": "triangle", "by hand": "ring", "pass": "disc"}


def precheck_page(sheet: Precheck, book: BookFolder, system: str, made_at: str) -> str:
    """The sheet in units 'si' or 'us'. made_at is a UTC moment as stored."""
    rows = []
    for p in sheet.points:
        said = [el("div", words(r, system)) for r in p.remarks]
        done = p.state == "pass" or p.point in sheet.ticked
        rows.append([p.point, _box(done), mark(p.state, shape=_SHAPE[p.state]), el("div", said) if said else None])
    told = coming(sheet, book)
    kept = f"Kept by {sheet.person}, {local(sheet.at, book)[:16]}" if sheet.person else "Not kept in the book"
    lines = [el("p", f"{word}: " + "_" * 34) for word in ("Name", "Date and time", "Why it runs in spite of a stop")]
    shape = {"pass": "disc", "open": "ring", "stop": "triangle"}[sheet.verdict]
    return page(
        f"Before the door closes: {sheet.run}",
        [
            section("Points", table(["point", "box", "book", "what the book says"], rows,
                                    caption="Every point of the sheet", hide_caption=True), name="points"),
            *([section("When it will be done", paragraph(told[0]), sentences(told[1:]), name="ahead")] if told else []),
            section("Signed", paragraph(f"{kept}{': ' + sheet.note if sheet.note else ''}."), *lines, name="signed"),
        ],
        kind="Check before the run", internal=sheet.private,
        summary=el("p", mark(sheet.verdict, shape=shape, words=headline(sheet)), class_="verdict"),
        footer=[
            paragraph(ADVISES), paragraph(inline(HOT, system)), paragraph(CODE),
            paragraph(f"Made {local(made_at, book)[:16]}."),
        ],
    )  # fmt: skip


def _box(ticked: bool) -> Html:
    """A box to tick with a pen, ticked where the book or a named person did."""
    style = (
        "display:inline-block;width:1em;height:1em;border:1.5px solid currentColor;text-align:center;line-height:1em;"
        "vertical-align:-0.15em"
    )
    return el("span", "✓" if ticked else "", style=style, role="img", aria_label="ticked" if ticked else "open")
