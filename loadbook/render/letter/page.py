"""A letter as a page and as what the PDF is set from: the same texts in the same order."""

from __future__ import annotations

import base64
import re
from collections.abc import Iterable
from typing import Any

from loadbook.queries.letter.build import Letter, Section
from loadbook.queries.letter.sentences import say
from loadbook.render.pages.markup import Html, data_block, el, join, tied
from loadbook.render.pages.shell import definitions, page, paragraph, picture, section, table
from loadbook.render.tables import plain

from .picture import PHONE, interval_picture

_TIED = {"°C/h": "°C\u2060/\u2060h", "°F/h": "°F\u2060/\u2060h"}
_JOINERS = ("\u200c", "\u200d")  # they hold letters of some scripts, and emoji, together
LONGEST_WORD = 28  # letters after which a word may be broken


def letter_page(letter: Letter) -> str:
    """The letter as a self-contained page."""
    shop = letter.shop
    logo = None
    if shop.logo is not None:
        form = {"svg": "svg+xml"}.get(shop.logo[0], shop.logo[0])
        coded = base64.b64encode(shop.logo[1]).decode()
        logo = el("img", src=f"data:image/{form};base64,{coded}", alt=letter.sender, height=56)
    head = [
        logo,
        el("p", el("strong", letter.sender)) if letter.sender else None,
        paragraph(" · ".join((*shop.address, *shop.contact)), class_="note") if shop.address or shop.contact else None,
        definitions([(say("ours"), letter.reference), (say("date"), letter.date_words), (say("yours"), letter.yours)]),
        [paragraph(line) for line in _addressed(letter)],
        el("p", el("strong", letter.marking)) if letter.marking else None,
        paragraph(letter.salutation),
    ]
    answer: list[Any] = [
        paragraph(letter.asked, class_="question") if letter.asked else None,
        el("p", el("strong", letter.headline)),
        [paragraph(n) for n in letter.notes if n],
    ]
    if letter.interval is not None:
        drawn = picture(interval_picture(letter.interval), letter.interval.alt, name="interval")
        small = picture(interval_picture(letter.interval, wide=PHONE), letter.interval.alt)
        answer += [el("div", drawn, class_="desk"), el("div", small, class_="phone")]  # one of them is seen
        answer += [paragraph(n, class_="note") for n in letter.interval.notes]
    sections = [section(say("answer"), *answer, name="answer"), *map(_section, letter.sections)]
    signed_by = [shop.signatory, shop.function]
    ending = [paragraph(line) for line in (letter.closing, *signed_by) if line]
    sections.append(el("section", ending, id="closing", aria_label=letter.closing.rstrip(",")))
    told = {"interval": letter.interval, "runs": letter.runs}
    return page(
        letter.subject, [*sections, data_block("letter-data", plain_json(told))], kind=say("kind"),
        summary=join(Html("\n") if part is None else part for part in _flat(head)), footer=paragraph(letter.foot),
    )  # fmt: skip


def _section(part: Section) -> Html:
    figures = part.columns[2:6] if part.caption else ()  # the last says whether the cycle was kept
    return section(
        part.title,
        [paragraph(t) for t in part.lines],
        table(
            part.columns, part.rows, caption=part.caption or part.title, figures=figures, hide_caption=not part.caption
        )
        if part.rows
        else None,
        name=part.name,
    )


def _flat(parts: Iterable[Any]) -> Iterable[Any]:
    for part in parts:
        if isinstance(part, list):
            yield from part
        elif part is not None:
            yield part


def _addressed(letter: Letter) -> list[str]:
    """The addressee's lines."""
    to = say("attention", name=letter.attention) if letter.attention else ""
    return [line for line in (letter.addressee, to, *letter.address) if line]


def plain_json(told: Any) -> Any:
    """The structure's figures for a data block."""
    if isinstance(told, dict):
        return {k: plain_json(v) for k, v in told.items()}
    if isinstance(told, (list, tuple)):
        return [plain_json(v) for v in told]
    return plain_json(vars(told)) if hasattr(told, "__dict__") else told


def readable(text: str) -> str:
    """A text for the PDF: control and direction characters made visible, a word that never ends may be broken.

    >>> readable("a\\x07b"), readable("X" * 30) == "X" * 28 + "\\u200b" + "XX"
    ('a\\\\x07b', True)
    """
    shown = "".join(c if c in _JOINERS else plain(c) for c in text)
    return re.sub(rf"(\S{{{LONGEST_WORD}}})(?=\S)", "\\1\u200b", shown)


def for_setting(letter: Letter, font: str) -> dict[str, Any]:
    """What the PDF's template is given: plain texts and the picture."""

    def shown(text: str) -> str:
        words = tied(readable(text))
        for apart, together in _TIED.items():
            words = words.replace(apart, together)
        return words

    def typed(name: str) -> str:
        text = getattr(letter, name)
        return readable(text) if name in letter.people else shown(text)

    shop, i = letter.shop, letter.interval
    return {
        "title": readable(letter.subject), "kind": say("kind"), "sender": readable(letter.sender),
        "head": [readable(line) for line in (*shop.address, *shop.contact)],
        "logo": {"form": shop.logo[0], "data": list(shop.logo[1])} if shop.logo else None,
        "facts": [[say("ours"), readable(letter.reference)], [say("date"), letter.date_words],
                  *([[say("yours"), readable(letter.yours)]] if letter.yours else [])],
        "date": letter.date, "to": [readable(line) for line in _addressed(letter)], "marking": letter.marking,
        "subject": typed("subject"), "salutation": readable(letter.salutation), "asked": typed("asked"),
        "headline": shown(letter.headline), "notes": [shown(n) for n in letter.notes if n],
        "picture": interval_picture(i, font) if i else "", "alt": i.alt if i else "",
        "below": [shown(n) for n in i.notes] if i else [],
        "sections": [
            {"title": part.title, "lines": [shown(t) for t in part.lines], "columns": list(part.columns),
             "rows": [[shown(c) for c in row] for row in part.rows], "caption": shown(part.caption)}
            for part in letter.sections
        ],
        "closing": letter.closing, "signatory": readable(shop.signatory), "function": readable(shop.function),
        "foot": readable(letter.foot), "of": say("letter.of", reference=readable(letter.reference)),
        "page": say("page", n="\u0001", of="\u0002"),
    }  # fmt: skip
