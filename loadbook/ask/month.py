"""One month of the shop: its runs, verdicts, movement and what stood out, ready to be shown."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any, Protocol
from zoneinfo import ZoneInfo

from loadbook.ground import times
from loadbook.ground.errors import UsageError
from loadbook.keep.book import BookFolder
from loadbook.keep.session import prepare

from .filters import Filters
from .narrow import rows_needed

if TYPE_CHECKING:
    import pandas as pd


@dataclass
class Month:
    """A month's figures.

    runs, verdicts, movement   frames, one row per run, clause, and piece's characteristic
    treatments                 movement by setup and atmosphere (the rows of `moved`)
    set_aside                  pieces by reason
    """

    month: str
    since: datetime
    until: datetime
    runs: pd.DataFrame
    verdicts: pd.DataFrame
    movement: pd.DataFrame
    treatments: pd.DataFrame
    set_aside: pd.DataFrame


class Clock(Protocol):
    """Whatever has a shop's clock: a book, or the plants of a group."""

    @property
    def zone(self) -> ZoneInfo: ...


def bounds(month: str, book: Clock) -> tuple[datetime, datetime]:
    """First moment of a month (YYYY-MM) and of the next one on the shop's clock, in UTC.

    Raises UsageError for anything that is no month.
    """
    match = re.fullmatch(r"(\d{4})-(\d{2})", month)
    if not match or not 1 <= int(match.group(2)) <= 12 or match.group(1) == "0000":
        raise UsageError(f"{month!r} is no month", mend="Write it like 2026-03")
    year, number = int(match.group(1)), int(match.group(2))
    after = (year + 1, 1) if number == 12 else (year, number + 1)
    first, last = (datetime(y, m, 1) for y, m in ((year, number), after))
    return times.settle(first, book.zone), times.settle(last, book.zone)


_RUNS = """
SELECT run, started, ended, furnace, atmosphere, process, cycle, cycle_revision, status, setup, load_mass_kg, pieces,
       parts, has_trace, verdict, clauses, clauses_broken, clauses_untold, faults, parameters_from,
       asked_heating_rate_peak_c_per_h, heating_rate_peak_c_per_h, asked_hold_mean_c, hold_mean_c,
       asked_soak_minutes, soak_minutes, asked_cooling_rate_peak_c_per_h, cooling_rate_peak_c_per_h, operator, note
FROM runs WHERE started >= ? AND started < ? ORDER BY started, run
"""
_VERDICTS = """
SELECT run, started, furnace, cycle, cycle_revision, clause, verdict, text, channel, worst_at, value, limit_value, unit,
       missing, without
FROM verdicts WHERE started >= ? AND started < ?
ORDER BY CASE verdict WHEN 'broken' THEN 0 WHEN 'cannot be told' THEN 1 ELSE 2 END, started, run, clause
"""
_MOVEMENT = """
SELECT run, started, furnace, process, part, serial, job, characteristic, kind, setup, atmosphere, condition, before_mm,
       after_mm, unit, movement_um, movement_um_per_100mm, expanded_uncertainty_mm, below_gauge, gauge, set_aside
FROM movement WHERE started >= ? AND started < ? ORDER BY started, run, part, serial, characteristic
"""


def month_of(book: BookFolder, month: str) -> Month:
    """The month's figures. Raises UsageError for no month."""
    from .moved import moved

    since, until = bounds(month, book)
    span: list[Any] = [_naive(since), _naive(until)]
    reads = (_RUNS, _VERDICTS, _MOVEMENT)
    with prepare(book, {"runs", "verdicts", "movement"}) as session:
        session.load([(sql, span) for sql in reads], rows_needed(_within(since, until)))
        runs, verdicts, movement = (session.frame(sql, span) for sql in reads)
    aside = movement[movement["set_aside"].notna()]
    counted = aside.groupby("set_aside").size().rename("readings").reset_index() if len(aside) else aside[["set_aside"]]
    treatments = movement.iloc[:0]
    if movement["set_aside"].isna().any():
        treatments = moved(book, _within(since, until)).frame()
    return Month(month, since, until, runs, verdicts, movement, treatments, counted)


def _within(since: datetime, until: datetime) -> Filters:
    return Filters(since=times.stored(since), until=times.stored(until))


def _naive(moment: datetime) -> datetime:
    return moment.astimezone(UTC).replace(tzinfo=None)
