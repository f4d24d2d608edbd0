"""The filters that every question takes, and the WHERE text they become."""

from __future__ import annotations

from dataclasses import dataclass, field, fields
from datetime import datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from loadbook.ground import times
from loadbook.ground.errors import UsageError

_FOLDED = ("kind", "characteristic", "setup", "atmosphere", "shape", "family", "process", "material")


@dataclass(frozen=True)
class Filters:
    """What a question is limited to; None leaves it open. Several values may be given with commas.

    since, until  dates or moments (ISO), on the run's start; until counts the whole day
    where         an SQL condition over the columns of the view asked
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
    since: str | None = None
    until: str | None = None
    where: str | None = None
    zone: str | None = field(default=None, metadata={"filter": False})

    def given(self) -> dict[str, str]:
        """The filters that are set, by name."""
        return {name: getattr(self, name) for name in FILTERS if getattr(self, name) is not None}

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
                    raise UsageError(f"--{name} does not apply here", mend=_applies(columns))
                clauses.append(f"{started} {sign} ?" if moments_are_text else f"{started} {sign} CAST(? AS TIMESTAMP)")
                values.append(moment if moments_are_text else moment.rstrip("Z").replace("T", " "))
            elif name == "where":
                clauses.append(f"({text}\n)")
            elif name == "condition":
                if name not in columns:
                    raise UsageError(f"--{name} does not apply here", mend=_applies(columns))
                # conditions are kept as 'forged;rough machined': one word of the list is enough
                clauses.append("(';' || lower(condition) || ';') LIKE ?")
                values.append(f"%;{text.lower()};%")
            else:
                if name not in columns:
                    raise UsageError(f"--{name} does not apply here", mend=_applies(columns))
                wanted = [part.strip() for part in text.split(",") if part.strip()]
                column = f"lower({name})" if name in _FOLDED else name
                clauses.append(f"{column} IN ({', '.join('?' * len(wanted))})")
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
            mend = "Write it like 2026-03-01, or 2026-03-01T08:00"
            raise UsageError(f"{text!r} is no date and no moment", mend=mend) from None
    start = datetime(day.year, day.month, day.day) + timedelta(days=1 if end_of_day else 0)
    return times.stored(start.replace(tzinfo=zone))
