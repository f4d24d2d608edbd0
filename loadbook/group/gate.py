"""The last look at every row before it leaves the house: what names something that stays there ends the publication.

Keys are compared in their own columns, a serial beside its part number: a withheld 0078 of one part is nobody's secret
as the 0078 of another. Texts are searched for everything withheld and for the names of customers and people. In keys
and in the program's own sentences only names are looked for that mean the same wherever they stand: a person called AB
or 17, or a login of a shop's PC, would be found in half of all numberings.
"""

from __future__ import annotations

import json
import re
import sqlite3
from collections.abc import Iterable

from loadbook.core.errors import LoadbookError
from loadbook.core.trade_words import is_plain
from loadbook.core.vocabulary.intake_kinds import BY_TABLE
from loadbook.core.wording import COMMON, LEGAL_FORMS, words

from .published import PublishOptions, kinds_of
from .rows import TableRows
from .withheld import Closure, Search, distinctive
from .words import Words

_PEOPLE = """
SELECT operator FROM run UNION SELECT inspector FROM reading UNION SELECT person FROM confirmation
UNION SELECT person FROM approval
"""
_LOGINS = "SELECT taken_by FROM intake UNION SELECT who FROM amendment"
_CUSTOMERS = "SELECT customer FROM part UNION SELECT customer FROM job"
# customers who have nothing but what is withheld: they are not named even where customers are published
_HIDDEN = """
SELECT customer FROM part WHERE part IN (SELECT part FROM temp.withheld_part)
UNION SELECT customer FROM job WHERE job IN (SELECT job FROM temp.withheld_job)
EXCEPT SELECT customer FROM part WHERE part NOT IN (SELECT part FROM temp.withheld_part)
EXCEPT SELECT customer FROM job WHERE job NOT IN (SELECT job FROM temp.withheld_job)
"""
_TEXT = re.compile(r'"((?:[^"\\]|\\.)*)"')
_FREE = ("word", "note", "customer", "person")  # what a person wrote as they liked


def names(conn: sqlite3.Connection, keep: PublishOptions, closure: Closure, plant: str) -> Search:
    """Everything that no outgoing text may name. plant: its own name is told, whoever else is called so."""
    out = Search(keep.may_name)
    for what, name in closure.keys:
        if not _trade(name):
            out.add(name, f"the withheld {what} {name}", everywhere=distinctive(name))
    for name in _all(conn, _HIDDEN if keep.customers else _CUSTOMERS):
        _name(out, name, f"the customer {name}", words(plant))
    if not keep.customers:
        for name in _all(conn, "SELECT purchase_order FROM job"):
            out.add(name, f"the order {name}", everywhere=False)  # job numbers may be made of it, and go as they are
    if not keep.people:
        for name in _all(conn, _PEOPLE):
            _name(out, name, f"the person {name}", words(plant))
        for name in _all(conn, _LOGINS):
            if not is_plain(name) and not set(words(name)) <= COMMON:
                out.add(name, f"the login {name}", everywhere=False)
    return out


def _name(out: Search, name: str, what: str, plant: list[str]) -> None:
    """Look for a name: whole, without its legal form, and by each word that tells who it is."""
    if out.allows(name):
        return
    said = words(name)
    core = [w for w in said if w not in LEGAL_FORMS] or said
    told = {"".join(plant[i:j]) for i in range(len(plant)) for j in range(i + 1, len(plant) + 1)}
    for form in (said, core):
        joined = "".join(form)
        if not is_plain(" ".join(form)) and not set(form) <= COMMON and joined not in told:
            out.add(joined, what, everywhere=len(joined) > 3 and not joined.isdigit())
    for word in core:
        if len(word) > 3 and word not in COMMON and not is_plain(word) and word not in told:
            out.add(word, what, everywhere=False)


def _trade(name: str) -> bool:
    """A key of the trade's words alone ('RING') cannot be told from them in a text."""
    return is_plain(name) and not any(len(w) < 3 or any(c.isdigit() for c in w) for w in words(name))


def _all(conn: sqlite3.Connection, text: str) -> list[str]:
    return [str(r[0]) for r in conn.execute(text).fetchall() if r[0]]


class Gate:
    """What every outgoing row passes last."""

    def __init__(self, closure: Closure, search: Search, words: Words) -> None:
        """words  what stands for texts that are not published, and names nobody"""
        self._search, self._words = search, words
        self._own = {
            "run": closure.runs, "repeats_run": closure.runs, "part": closure.parts, "job": closure.jobs,
        }  # fmt: skip
        self._pieces = closure.pieces

    def check(self, found: TableRows) -> None:
        """Raises LoadbookError where a row names what stays in the house."""
        kinds = kinds_of(found.name)
        columns = list(found.columns)
        for at, name in enumerate(columns):
            if kinds.get(name, "number") in ("number", "date"):
                continue
            for text in {row[at] for row in found.rows} - {None}:
                told = self._texts(kinds[name], text) if kinds[name] in ("program", "record") else (text,)
                what = next(filter(None, (self.names(name, x, kinds[name] in _FREE) for x in told)), None)
                if what is not None:
                    raise self._error(found, at, text, what)
        if found.name == "parameter":  # a note that a person wrote, beside those of the program
            at, taken = columns.index("note"), columns.index("taken")
            for text in {row[at] for row in found.rows if row[taken]} - {None}:
                if what := self._search.found(text, free=True):
                    raise self._error(found, at, text, what)
        if "part" in columns and "serial" in columns:
            part, serial = columns.index("part"), columns.index("serial")
            for pair in {(row[part], row[serial]) for row in found.rows} & self._pieces:
                raise self._error(found, serial, pair[1], f"the withheld piece {pair[0]} {pair[1]}")

    def names(self, column: str, text: str, free: bool = False) -> str | None:
        """What a text of a column names that stays in the house, or None. free: a person wrote it as they liked."""
        if text in self._own.get(column, ()):
            return f"the withheld {column} {text}"
        return None if text in self._words.made else self._search.found(text, free)

    def _texts(self, kind: str, text: str) -> Iterable[str]:
        """The texts in what the program wrote: all of a run's record, which is canonical JSON, and of codes with
        figures; of a sentence its words as they are parted by blanks, for 'at 1020 °C' does not name the part AT-1020.
        """
        if kind == "record" or text.startswith(("[{", '["', "{")):
            return {json.loads(f'"{x}"') if "\\" in x else x for x in _TEXT.findall(text)}
        return self._words.mark.sub("", text).split()

    def _error(self, found: TableRows, at: int, text: str, what: str) -> LoadbookError:
        columns = list(found.columns)
        row = next(r for r in found.rows if r[at] == text)
        key_at = columns.index("run") if "run" in columns else 1
        kind = BY_TABLE[found.name].kind if found.name in BY_TABLE else found.name
        return LoadbookError(
            f"this text names {what}; the publication was stopped, and what was published before stays as it is",
            where=f"{kind}, {columns[at]} ({columns[key_at]} {row[key_at]})",
            remedy="Change the text (loadbook amend), or where the name tells nothing say so: --may-name NAME",
        )
