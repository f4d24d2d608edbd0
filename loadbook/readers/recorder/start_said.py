"""When a file began, by a line above its heading or by its name: offered where the file asks, never taken by itself."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace

from loadbook.core.errors import IntakeError, UsageError

from .layout import Layout
from .options import Question
from .source import Source
from .table import open_table
from .time_words import as_usual
from .times import date_orders, format_of, kind_of, parse_cell

HEAD_BYTES = 8_192
_DATE = r"(?:\d{1,4}[-/.]\d{1,2}[-/.]\d{1,4}|\d{1,2}[- ]?[A-Za-z]{3}[a-z]*[- ]?(?:20)\d{2})"
_ABOVE = re.compile(
    rf"(?<![\d.])(?P<date>{_DATE})(?![\d.]*\d)(?P<time>(?:T|,?\s+)\d{{1,2}}:\d{{2}}(?::\d{{2}})?(?:\s*[AP]\.?\s?M\b\.?)?)?",
    re.IGNORECASE,
)
_NAMED = re.compile(
    r"(?<!\d)(?P<date>20\d{2}([-_.]?)(?:0[1-9]|1[0-2])\2(?:0[1-9]|[12]\d|3[01])"
    r"|\d{1,2}[-_.]\d{1,2}[-_.]20\d{2}|\d{1,2}[-_ ]?[A-Za-z]{3}[-_ ]?20\d{2})"
    r"(?P<time>[-_ T]+(?:[01]\d|2[0-3])[-_.h]?[0-5]\d(?:[-_.m]?[0-5]\d)?s?)?(?!\d)"
)
_BEGIN = re.compile(r"\b(start|started|begin|began|begun|beginn|inicio|début|debut|inizio)\b", re.IGNORECASE)


@dataclass(frozen=True)
class Said:
    """One date, or moment, that a file says: as it stands, where, and as ISO ('' where the order is not clear)."""

    text: str
    where: str
    iso: str
    begin: bool = False


def with_hint(questions: list[Question], source: Source, layout: Layout) -> list[Question]:
    """The questions, with what the file says of its start beside the one that asks for it."""
    if not any(_asks(q) for q in questions):
        return questions
    found = _found(source, layout)
    if not found:
        return questions
    told = " and ".join(f"{s.where} {s.text!r}" for s in found[:3])
    hint = f" ({told}: is that it?)" if len(found) == 1 else f" ({told})"
    return [
        replace(q, text=q.text + hint, option=_option(q, found[0].iso) if len(found) == 1 else q.option)
        if _asks(q)
        else q
        for q in questions
    ]


def start_of(source: Source, layout: Layout) -> tuple[str, str]:
    """(the moment or date that the file says it began, where it says so). Raises UsageError where it does not, or says
    more than one."""
    found = [s for s in _found(source, layout) if s.iso]
    if len(found) != 1:
        told = ", ".join(f"{s.where} {s.text!r}" for s in found[:4]) or "no date above the heading and none in its name"
        raise UsageError(
            f"--start file: {source.name} does not say when it began: {told}", remedy="Give --start MOMENT"
        )
    return found[0].iso, f"{found[0].where} {found[0].text!r}"


def _asks(question: Question) -> bool:
    return question.option.startswith(("--start MOMENT", "--start DATE"))


def _option(question: Question, iso: str) -> str:
    if not iso or ("T" not in iso and question.option.startswith("--start MOMENT")):
        return question.option
    if "--zero" in question.option:
        return f"--start {iso} if the first row was then, --zero {iso} if count 0 was; or --start run"
    return f"--start {iso}, or --start run"


def _found(source: Source, layout: Layout) -> list[Said]:
    """What a file says, each day once: of the lines above the heading those that speak of a start, else all of them;
    without any, its name."""
    try:
        table = open_table(source, layout, most_bytes=HEAD_BYTES)
        rows = list(zip(table.grid.lines, [*table.head.preamble, *table.head.rows], strict=False))
    except IntakeError:
        rows = []
    above = []
    for line, row in rows:
        text = " ".join(c for c in row if c)
        for match in _ABOVE.finditer(text):
            stands = as_usual(match.group().strip())
            if kind_of(stands) in ("moment", "date"):
                above.append(Said(stands, f"line {line} says", _iso(stands), bool(_BEGIN.search(text))))
    timed = [s for s in above if ":" in s.text] or above
    chosen = [s for s in timed if s.begin] or timed or _in_name(source.name)
    return list({s.iso or s.text: s for s in reversed(chosen)}.values())[::-1]


def _in_name(name: str) -> list[Said]:
    out = []
    for match in _NAMED.finditer(name):
        date = re.sub(r"[_.]", "-", match["date"])
        digits = re.sub(r"\D", "", match["time"] or "")
        clock = ":".join(digits[i : i + 2] for i in range(0, len(digits), 2))
        iso = _iso(date)
        out.append(Said(match.group(), "its name says", f"{iso}T{clock}" if iso and clock else iso))
    return out


def _iso(text: str) -> str:
    """A date or moment as ISO; '' where the order of day and month is not clear, or no calendar has it."""
    orders, example = date_orders([text])
    order = "ymd" if not example else next(iter(orders)) if len(orders) == 1 else ""
    moment = parse_cell(text, format_of(text, order)) if order and kind_of(text) == "moment" else None
    if moment is not None:
        return moment.isoformat(timespec="seconds")
    day = parse_cell(f"{text} 00:00", format_of(f"{text} 00:00", order)) if order and kind_of(text) == "date" else None
    return "" if day is None else day.date().isoformat()
