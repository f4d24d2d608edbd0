"""A letter as a page and as what the PDF is set from: the same texts in the same order."""

from __future__ import annotations

import re
from typing import Any

from loadbook.queries.letter.build import Letter
from loadbook.render.pages.markup import data_block, el, join
from loadbook.render.pages.shell import definitions, page, paragraph, picture, section, sentences, table
from loadbook.render.tables import plain

from .picture import alternative, interval_picture, short

KIND = "Answer to an enquiry"
_MINUS = re.compile(r"(?<![\w-])-(?=\d)")
_UNIT = re.compile(r"(?<=\d) (?=[°%µ×]|(?:mm|min|in|h)\b)")  # a figure and its unit stay on one line
_TIED = {
    "°C/h": "°C\u2060/\u2060h", "°F/h": "°F\u2060/\u2060h", "× 0.001 in": "×\u00a00.001\u00a0in",
    "×\u00a00.001 in": "×\u00a00.001\u00a0in",
}  # fmt: skip
_JOINERS = ("\u200c", "\u200d")  # they hold letters of some scripts, and emoji, together
LONGEST_WORD = 28  # letters after which a word may be broken
COLUMNS = ("your run", "date", "pieces", "lowest", "mean", "highest", "likeness (1: the same)")


def rows(letter: Letter) -> list[list[str]]:
    """The customer's nearest runs as cells."""
    i = letter.interval
    if i is None:
        return []
    return [
        [f"{r.run}, {r.other_part}" if r.other_part else r.run, r.date, str(r.pieces),
         *(short(v, i.digits) for v in (r.low, r.mean, r.high)), f"{r.nearness:.2f}"]
        for r in letter.runs
    ]  # fmt: skip


def runs_caption(letter: Letter) -> str:
    return f"Your runs that come nearest, {letter.interval.label if letter.interval else ''}"


def letter_page(letter: Letter) -> str:
    """The letter as a self-contained page."""
    head = definitions(
        [("From", letter.sender), ("To", letter.addressee), ("About", letter.reference), ("Date", letter.date)]
    )
    answer: list[Any] = [
        paragraph(letter.question, class_="question"),
        el("p", el("strong", signed(letter.headline))),
        [paragraph(signed(n)) for n in letter.notes],
    ]
    if letter.interval is not None:
        drawn = picture(interval_picture(letter.interval), alternative(letter.interval), name="interval")
        label = "The interval as a picture"
        answer.append(el("div", drawn, class_="scroll", tabindex="0", role="region", aria_label=label))
    sections = [section("Your question, and our answer", *answer, name="answer")]
    behind = [paragraph(signed(t)) for t in letter.evidence]
    if letter.runs:
        figures = COLUMNS[2:]
        behind.append(table(COLUMNS, rows(letter), caption=runs_caption(letter), figures=figures))
    if letter.held:
        behind.append(paragraph(letter.held))
    if behind:
        sections.append(section("What it rests on", *behind, name="evidence"))
    if letter.narrower:
        title = "What to measure" if letter.refused else "What would narrow it"
        sections.append(section(title, paragraph(signed(letter.narrower)), name="narrower"))
    if letter.suggestions:
        pairs = [el("div", el("dt", what), el("dd", signed(words))) for what, words in letter.suggestions]
        sections.append(section("What we suggest", el("dl", pairs, class_="told"), name="suggestions"))
    closing = [sentences([signed(c) for c in letter.cautions]), paragraph(letter.closing, class_="caution")]
    sections.append(section("Please note", *closing, name="cautions"))
    summary = [el("p", el("strong", letter.marking)) if letter.marking else None, head]
    told = {"interval": letter.interval, "runs": letter.runs}
    return page(
        letter.subject, [*sections, data_block("letter-data", plain_json(told))], kind=KIND,
        summary=join(summary), footer=paragraph(foot(letter)),
    )  # fmt: skip


def plain_json(told: Any) -> Any:
    """The structure's figures for a data block."""
    if isinstance(told, dict):
        return {k: plain_json(v) for k, v in told.items()}
    if isinstance(told, (list, tuple)):
        return [plain_json(v) for v in told]
    return plain_json(vars(told)) if hasattr(told, "__dict__") else told


def foot(letter: Letter) -> str:
    """The last line: which answer this is."""
    return f"Answer {letter.number}, given {letter.date}; method {letter.method}. Shown as it was given."


def signed(text: str) -> str:
    """A text with true minus signs before its figures; names keep their hyphens.

    >>> signed("PN-10 moves -0.5 to 3 µm on 2026-03-01")
    'PN-10 moves −0.5 to 3 µm on 2026-03-01'
    """
    return _MINUS.sub("−", text)


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
        tied = _UNIT.sub("\u00a0", readable(signed(text)))
        for apart, together in _TIED.items():
            tied = tied.replace(apart, together)
        return tied

    theirs = readable(letter.question) if "question" in letter.people else shown(letter.question)
    return {
        "subject": shown(letter.subject), "kind": KIND, "sender": readable(letter.sender),
        "addressee": readable(letter.addressee), "date": letter.date, "marking": letter.marking,
        "reference": readable(letter.reference),
        "question": theirs, "headline": shown(letter.headline),
        "notes": [shown(n) for n in letter.notes],
        "picture": interval_picture(letter.interval, font) if letter.interval else "",
        "alt": alternative(letter.interval) if letter.interval else "",
        "evidence": [shown(t) for t in letter.evidence],
        "columns": list(COLUMNS), "runs": [[readable(c) for c in row] for row in rows(letter)],
        "runs_caption": runs_caption(letter), "held": shown(letter.held),
        "narrower_title": "What to measure" if letter.refused else "What would narrow it",
        "narrower": shown(letter.narrower),
        "suggestions": [[what, shown(words)] for what, words in letter.suggestions],
        "cautions": [shown(c) for c in letter.cautions], "closing": letter.closing, "foot": readable(foot(letter)),
    }  # fmt: skip
