"""Coded texts as they are published: the trade's words as they stand, what a shop wrote of its own as a number.

'hung from hooks' goes as it is; 'hung from Meier's hooks' becomes 'hung from hooks (Linz 7)'. The number stands for
that text wherever the plant wrote it, so that what was the same stays the same, what differed still differs, and no two
plants' own words are taken for one. Numbers count up in the order in which texts came into the book: a later intake
changes none of them.
"""

from __future__ import annotations

import json
import re
import sqlite3
from collections import Counter
from collections.abc import Callable, Mapping
from typing import Any

from loadbook.analysis.parameters.run_view import slug
from loadbook.core.trade_words import is_plain, plain_part
from loadbook.core.wording import words

from .published import PUBLISHED
from .withheld import Search

EVENTS = (("event", "event"), ("cycle_limit", "event"))
_WORDS = {table: kinds.get("word", "").split() for table, kinds in PUBLISHED.items()}
_EVENT_OF = ("work", "control")  # the parameters that are named after an event


class Words:
    """The published form of every coded text of a book.

    made      what stands for texts: it holds no name but the plant's own;  mark  finds the number in a sentence
    numbered  (table, column) -> how many of its texts went as a number
    """

    def __init__(self, conn: sqlite3.Connection, plant: str, search: Search, own: bool) -> None:
        """search  names that no text may hold;  own  publish the shop's own words too, but for texts that hold one"""
        self.made: set[str] = set()
        self.mark = re.compile(rf"\({re.escape(plant)} \d+\)")
        self.numbered: Counter[tuple[str, str]] = Counter()
        self._plant, self._search, self._own = plant, search, own
        self._number = {text: number for number, text in enumerate(_in_order(conn), 1)}
        self._columns: dict[tuple[str, str], dict[str, str]] = {}
        self._sentence: dict[str, str] = {}
        parameters: dict[str, str] = {}
        for table, column in EVENTS:
            for (event,) in conn.execute(f"SELECT DISTINCT {column} FROM {table} WHERE {column} NOT NULL").fetchall():
                shown = self._shown(event)
                if shown != event:
                    self._sentence[event] = shown
                    parameters |= {f"event_{slug(event)}_{of}_c": f"event_{slug(shown)}_{of}_c" for of in _EVENT_OF}
        self.made |= set(parameters.values())
        self._columns["parameter", "parameter"] = parameters
        longest = sorted(self._sentence, key=len, reverse=True)
        self._events = re.compile("|".join(rf"(?<!\w){re.escape(e)}(?!\w)" for e in longest)) if longest else None

    def of(self, table: str, column: str, text: str) -> str:
        """The published form of a text of a column."""
        seen = self._columns.setdefault((table, column), {})
        if text not in seen:
            seen[text] = self._shown(text)
            self.numbered[table, column] += seen[text] != text
        return seen[text]

    def sentence(self, text: str) -> str:
        """What the program said itself, a sentence or codes with figures: the shop's own events in it as published."""
        if self._events is None:
            return text
        events = self._events
        return with_texts(text, lambda said: events.sub(lambda m: self._sentence[m.group()], said))

    def put(self, record: Mapping[str, Any], *tables: str) -> dict[str, Any]:
        """The fields of a record of the calculation, its coded texts as published: they are named as columns.

        tables  whose columns they are
        """
        out = dict(record)
        for table in tables:
            for column in _WORDS[table]:
                if out.get(column) is not None:
                    out[column] = self.of(table, column, out[column])
        return out

    def _shown(self, text: str) -> str:
        if (is_plain(text) or self._own) and self._search.found(text, free=True) is None:
            return text
        number = self._number.setdefault(_same(text), len(self._number) + 1)
        shown = f"{plain_part(text)} ({self._plant} {number})".lstrip()
        self.made.add(shown)
        return shown


def with_texts(text: str, shown: Callable[[str], str]) -> str:
    """What the program said itself, each text in it put anew: all of a sentence; of codes with figures, which are kept
    as JSON, every text as it was before JSON wrote its line breaks and quotes in signs of its own."""
    if text[:1] not in ("[", "{"):
        return shown(text)
    try:
        said = json.loads(text)
    except ValueError:
        return shown(text)

    def anew(part: Any) -> Any:
        if isinstance(part, str):
            return shown(part)
        if isinstance(part, list):
            return [anew(p) for p in part]
        return {k: anew(v) for k, v in part.items()} if isinstance(part, dict) else part

    return json.dumps(anew(said), ensure_ascii=False)


def _same(text: str) -> str:
    """What makes two texts one: an event is found whatever its capitals."""
    return " ".join(words(text)) or text


def _in_order(conn: sqlite3.Connection) -> list[str]:
    """Every coded text that came into the book, in the order in which it first did."""
    first: dict[str, tuple[int, int, int]] = {}
    columns = [(table, name) for table, names in _WORDS.items() for name in names]
    for place, (table, name) in enumerate(columns):
        if table == "finding":  # computed, of what came in
            continue
        rows = conn.execute(
            f"SELECT {name}, min(intake_id), min(rowid) FROM {table} WHERE {name} NOT NULL AND intake_id NOT NULL"
            f" GROUP BY {name}"
        )
        for text, intake, row in rows:
            same, at = _same(text), (intake, place, row)
            first[same] = min(at, first.get(same, at))
    return sorted(first, key=first.__getitem__)
