"""A letter as one page of PDF, set by typst from plain data: no network, no markup out of anybody's text."""

from __future__ import annotations

import json
import unicodedata
from datetime import UTC, datetime

from loadbook.core.errors import LoadbookError
from loadbook.queries.letter.build import Letter
from loadbook.render.pages.shell import asset

from .page import for_setting

PAPERS = {"a4": "a4", "letter": "us-letter"}
FONT = "Libertinus Serif"  # comes with typst: the same on every machine


def letter_pdf(letter: Letter, paper: str = "a4") -> bytes:
    """The letter as PDF, one page of 'a4' or 'letter'; the same letter gives the same bytes.

    The letters of the fonts that typst brings (Latin, Greek, Cyrillic, Hebrew); others are taken from the machine's
    fonts where it has them, and come out as boxes where it has not.
    Raises LoadbookError where it cannot be set, or does not fit on one page.
    """
    import typst

    given = for_setting(letter, FONT)
    texts = json.dumps(given, ensure_ascii=False)
    moment = datetime.fromisoformat(letter.date).replace(tzinfo=UTC)
    try:
        out = typst.compile(
            asset("letter.typ").encode(), sys_inputs={"letter": texts, "paper": PAPERS[paper]}, timestamp=moment,
            ignore_system_fonts=not _needs_more_fonts(texts), font_paths=[],
        )  # fmt: skip
    except typst.TypstError as exc:
        if "LONGER THAN A PAGE" in str(exc):
            raise LoadbookError(
                "the letter does not fit on one page", remedy="Shorten --question, --to or --from, or write the page"
            ) from exc
        raise LoadbookError(
            f"the PDF cannot be set: {str(exc).splitlines()[0]}", remedy="Write the page instead"
        ) from exc
    assert isinstance(out, bytes)
    return out


def _needs_more_fonts(text: str) -> bool:
    """Whether a text has letters that the fonts typst brings do not cover."""
    return any(
        ord(c) > 0x2FF and unicodedata.category(c)[0] in "LMS" and not _covered(c) for c in text if not c.isascii()
    )


def _covered(c: str) -> bool:
    name = unicodedata.name(c, "")
    return name.startswith(("GREEK", "CYRILLIC", "HEBREW", "COMBINING", "LATIN", "MINUS", "MULTIPLICATION", "EURO"))
