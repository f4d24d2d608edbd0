"""The filters that every question takes, and the WHERE text they become.

Where a filter leaves nothing: which of its words the book does not know, and what is nearest to them.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from dataclasses import dataclass, field, fields, replace
from datetime import timedelta
from typing import Any
from zoneinfo import ZoneInfo

from loadbook.core import times
from loadbook.core.errors import UsageError
from loadbook.core.phrases import nearest
from loadbook.core.vocabulary.intake_kinds import kinds_of

# filter -> where its words come from
_KNOWN = {
    "part": ("part.part",),
    "material": ("material.material",),
    "family": ("material.family",),
    "shape": ("part.shape",),
    "kind": ("characteristic.kind",),
    "characteristic": ("characteristic.characteristic", "characteristic.kind"),
    "cycle": ("cycle.cycle",),
    "furnace": ("furnace.furnace",),
    "atmosphere": ("run.atmosphere", "furnace.atmosphere"),
    "setup": ("run.setup", "piece.setup"),
    "customer": ("job.customer", "part.customer"),
    "process": ("cycle.process",),
    "job": ("job.job",),
}
MOST_LISTED = 12


def words_in(conn: sqlite3.Connection) -> Callable[[str, str], set[str]]:
    """The words of a table's column, of a book."""

    def words(table: str, column: str) -> set[str]:
        return {str(r[0]) for r in conn.execute(f"SELECT DISTINCT {column} FROM {table} WHERE {column} IS NOT NULL")}

    return words


def unknown_words(words: Callable[[str, str], set[str]], filters: Filters, source: str = "book") -> str | None:
    """A sentence for each filter whose word is nowhere in the book (or group); None where all are known.

    It says what is near, or lists what there is where that is short: a mistyped filter otherwise looks like no data.
    """
    out = []
    for name, text in filters.given().items():
        if name not in _KNOWN:
            continue
        known: set[str] = set()
        for place in _KNOWN[name]:
            known |= words(*place.split("."))
        by_fold = {k.lower(): k for k in sorted(known)}
        for word in (w.strip() for w in text.split(",")):
            if not word or word.lower() in by_fold or (name == "kind" and set(kinds_of(word)) & by_fold.keys()):
                continue
            close = nearest(word.lower(), list(by_fold))
            said = f"the {source} has no {name} {word!r}"
            if close:
                said += f". Did you mean {by_fold[close]!r}?"
            elif 0 < len(known) <= MOST_LISTED:
                said += f". It has: {', '.join(sorted(known))}"
            out.append(said)
    return " ".join(f"{s[0].upper()}{s[1:]}" + ("" if s.endswith("?") else ".") for s in out) or None


_FOLDED = ("kind", "characteristic", "setup", "atmosphere", "shape", "family", "process", "material", "verdict")
VERDICTS = ("kept", "broken", "cannot be told", "no cycle", "no trace")


@dataclass(frozen=True)
class Filters:
    """What a question is limited to; None leaves it open. Several values may be given with commas.

    since, until  dates or moments (ISO), on the run's start; until counts the whole day
    where         an SQL condition over the columns of the view asked: no part of `sql` (where.py runs it)
    zone          AREA/CITY of the clock that since and until are on
    """

    part: str | None = None
    material: str | None = None
    family: str | None = None
    shape: str | None = None
    condition: str | None = None
    kind: str | None = None
    characteristic: str | None = None
    cycle: str | None = None
    furnace: str | None = None
    atmosphere: str | None = None
    setup: str | None = None
    customer: str | None = None
    process: str | None = None
    job: str | None = None
    verdict: str | None = None
    since: str | None = None
    until: str | None = None
    where: str | None = None
    zone: str | None = field(default=None, metadata={"filter": False})

    def given(self) -> dict[str, str]:
        """The filters that are set, by name."""
        return {name: getattr(self, name) for name in FILTERS if getattr(self, name) is not None}

    def without_where(self) -> Filters:
        return replace(self, where=None)

    def sql(
        self, columns: set[str], *, started: str = "started", moments_are_text: bool = False
    ) -> tuple[str, list[Any]]:
        """A WHERE text (or 'true') with ? parameters.

        columns           the columns the view has; a filter on any other is a UsageError
        moments_are_text  True over SQLite tables, where `started` is UTC text
        """
        clauses: list[str] = []
        values: list[Any] = []
        for name, text in self.given().items():
            if name in ("since", "until"):
                moment = _moment(text, times.zone_of(self.zone or "UTC"), end_of_day=name == "until")
                sign = ">=" if name == "since" else "<"
                if started not in columns:
                    raise UsageError(f"--{name} does not apply here", remedy=_applies(columns))
                clauses.append(f"{started} {sign} ?" if moments_are_text else f"{started} {sign} CAST(? AS TIMESTAMP)")
                values.append(moment if moments_are_text else moment.rstrip("Z").replace("T", " "))
            elif name == "where":  # a stranger's words stand in no SQL of ours: see where.py
                raise UsageError("--where does not apply here", remedy=_applies(columns))
            elif name == "condition":
                if name not in columns:
                    raise UsageError(f"--{name} does not apply here", remedy=_applies(columns))
                # conditions are kept as 'forged;rough machined': one word of the list is enough
                clauses.append("(';' || lower(condition) || ';') LIKE ?")
                values.append(f"%;{text.lower()};%")
            else:
                if name not in columns:
                    raise UsageError(f"--{name} does not apply here", remedy=_applies(columns))
                wanted = [part.strip() for part in text.split(",") if part.strip()]
                if name == "kind":
                    wanted = [kind for word in wanted for kind in kinds_of(word)]
                strange = [w for w in wanted if w.lower() not in VERDICTS] if name == "verdict" else []
                if strange:
                    raise UsageError(f"no run is judged {strange[0]!r}", remedy="Verdicts: " + ", ".join(VERDICTS))
                column = f"lower({name})" if name in _FOLDED else name
                # of one value an engine leaves out at once, also in views, what has another
                one = len(wanted) == 1
                clauses.append(f"{column} = ?" if one else f"{column} IN ({', '.join('?' * len(wanted))})")
                values.extend(w.lower() if name in _FOLDED else w for w in wanted)
        return (" AND ".join(clauses) or "true"), values


FILTERS = tuple(f.name for f in fields(Filters) if f.metadata.get("filter", True))


def _applies(columns: set[str]) -> str:
    known = [name for name in FILTERS if name in columns]
    return "Filters that apply: " + ", ".join(f"--{name}" for name in known)


def _moment(text: str, zone: ZoneInfo, *, end_of_day: bool) -> str:
    """A filter's date or moment as stored UTC text; a bare date means its first moment, or the next day's."""
    try:
        day = times.parse_date(text)
    except UsageError:
        try:
            return times.stored(times.parse_moment(text, zone))
        except UsageError:
            remedy = "Write it like 2026-03-01, or 2026-03-01T08:00"
            raise UsageError(f"{text!r} is neither a date nor a moment", remedy=remedy) from None
    return times.stored(times.first_moment(day + timedelta(days=1 if end_of_day else 0), zone))
