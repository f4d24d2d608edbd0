"""A letter as PDF of one page, two at most, set by typst from plain data: no network, no markup out of any text."""

from __future__ import annotations

import json
import re
import unicodedata
from datetime import UTC, datetime
from importlib.resources import as_file, files

from loadbook.core.errors import LoadbookError
from loadbook.queries.letter.build import Letter
from loadbook.render.pages.shell import asset

from .page import for_setting

PAPERS = {"a4": "a4", "letter": "us-letter"}
FONT = "Liberation Sans"  # comes with this program, render/fonts: the same on every machine, and in every picture
MADE_BY = "loadbook"
_CREATOR = re.compile(rb"(/Creator\()Typst [\d.]+(\))|(<xmp:CreatorTool>)Typst [\d.]+(</xmp:CreatorTool>)")


def letter_pdf(letter: Letter, paper: str = "a4") -> bytes:
    """The letter as PDF, on 'a4' or 'letter'; the same letter gives the same bytes.

    The letters of the typeface that comes with the program (Latin, Greek, Cyrillic, Hebrew); others are taken from the
    machine's fonts where it has them, and come out as boxes where it has not.
    Raises LoadbookError where it cannot be set, or does not fit on two pages.
    """
    import typst

    given = for_setting(letter, FONT)
    texts = json.dumps(given, ensure_ascii=False)
    moment = datetime.fromisoformat(letter.date).replace(tzinfo=UTC)
    try:
        with as_file(files("loadbook.render").joinpath("fonts")) as fonts:
            out = typst.compile(
                asset("letter.typ").encode(), sys_inputs={"letter": texts, "paper": PAPERS[paper]}, timestamp=moment,
                font_paths=typst.Fonts(include_system_fonts=_needs_more_fonts(texts), font_paths=[str(fonts)]),
            )  # fmt: skip
    except typst.TypstError as exc:
        if "LONGER THAN TWO PAGES" in str(exc):
            raise LoadbookError(
                "the letter does not fit on two pages", remedy="Shorten what was typed for it, or write the page"
            ) from exc
        raise LoadbookError(
            f"the PDF cannot be set: {str(exc).splitlines()[0]}", remedy="Write the page instead"
        ) from exc
    assert isinstance(out, bytes)
    return _CREATOR.sub(_ours, out)


def _ours(found: re.Match[bytes]) -> bytes:
    """Our own name as the file's creator, as long as what stood there: the file's table of places stays right."""
    start, end = (found[1], found[2]) if found[1] else (found[3], found[4])
    return (start + MADE_BY.encode() + end).ljust(len(found[0]))


def draw_logo(form: str, data: bytes) -> None:
    """Whether a logo can be drawn. Raises LoadbookError where it cannot."""
    import typst

    source = f'#image(bytes(json(bytes(sys.inputs.logo))), format: "{"jpg" if form == "jpeg" else form}", height: 13mm)'
    try:
        typst.compile(source.encode(), sys_inputs={"logo": json.dumps(list(data))}, ignore_system_fonts=True)
    except typst.TypstError as exc:
        raise LoadbookError(f"the logo cannot be drawn: {str(exc).splitlines()[0]}") from exc


def _needs_more_fonts(text: str) -> bool:
    """Whether a text has letters that the bundled typeface does not cover."""
    return any(
        ord(c) > 0x2FF and unicodedata.category(c)[0] in "LMS" and not _covered(c) for c in text if not c.isascii()
    )


def _covered(c: str) -> bool:
    name = unicodedata.name(c, "")
    return name.startswith(
        ("GREEK", "CYRILLIC", "HEBREW", "COMBINING", "LATIN", "MINUS", "MULTIPLICATION", "EURO", "RIGHTWARDS ARROW")
    )
