"""A month as it is looked at: its runs, its furnaces against their past, movement beside earlier months, answers."""

from __future__ import annotations

import json
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import date, datetime
from typing import TYPE_CHECKING, Any, Protocol
from zoneinfo import ZoneInfo

from loadbook.core import times
from loadbook.core.errors import NotFoundError
from loadbook.store.session import frame, start

from . import kept_answers
from .filters import Filters
from .furnaces import FurnaceChart, furnace_charts

if TYPE_CHECKING:
    import pandas as pd

    from loadbook.store.book import BookFolder


MONTHS = (
    "January", "February", "March", "April", "May", "June", "July", "August", "September", "October", "November",
    "December",
)  # fmt: skip


@dataclass
class Month:
    """The figures of a month, or of another span.

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
    year, number = times.parse_month(month)
    after = (year + 1, 1) if number == 12 else (year, number + 1)
    first, last = (times.first_moment(date(y, m, 1), book.zone) for y, m in ((year, number), after))
    return first, last


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
SELECT run, started, furnace, process, customer, part, serial, job, characteristic, kind, setup, atmosphere, condition,
       before_mm, after_mm, unit, movement_mm, movement_um, movement_um_per_100mm, movement_share_of_tolerance,
       expanded_uncertainty_mm, below_gauge, gauge, nominal_mm, lower_mm, upper_mm, set_aside
FROM movement WHERE started >= ? AND started < ? ORDER BY started, run, part, serial, characteristic
"""


def month_of(book: BookFolder, month: str) -> Month:
    """The month's figures. Raises UsageError for no month."""
    return figures_of(book, month, *bounds(month, book))


def figures_of(book: BookFolder, name: str, since: datetime, until: datetime, customer: str | None = None) -> Month:
    """The figures of the runs begun from one moment to before another; movement of one customer's pieces alone."""
    from .moved import moved

    span = [times.without_zone(since), times.without_zone(until)]
    with start(book, {"runs", "verdicts", "movement"}) as session:
        runs, verdicts, movement = (session.frame(sql, span) for sql in (_RUNS, _VERDICTS, _MOVEMENT))
    if customer is not None:
        movement = movement[movement["customer"] == customer]
    aside = movement[movement["set_aside"].notna()]
    counted = aside.groupby("set_aside").size().rename("readings").reset_index() if len(aside) else aside[["set_aside"]]
    treatments = movement.iloc[:0]
    if movement["set_aside"].isna().any():
        treatments = moved(book, replace(_within(since, until), customer=customer)).frame()
    return Month(name, since, until, runs, verdicts, movement, treatments, counted)


def _within(since: datetime, until: datetime) -> Filters:
    return Filters(since=times.stored(since), until=times.stored(until))


TREATMENT = ("process", "kind", "side", "unit", "setup", "atmosphere")
_FAULTS = """
SELECT furnace, channel, place, fault, verdict, decision, person, run, started, confidence
FROM faults WHERE started >= ? AND started < ? AND verdict IN ('certain', 'suspected')
ORDER BY furnace, channel, fault, started
"""


@dataclass(frozen=True)
class GivenAnswer:
    """A kept answer and what became of it. low, high [unit]; runs, pieces, inside are of the runs counted."""

    answer_id: int
    answered_at: str
    about: str
    low: float | None
    high: float | None
    content: float
    unit: str
    refused: str | None
    runs: int
    pieces: int
    inside: int


@dataclass
class MonthSeen:
    """The month's figures (`month`), and beside them:

    charts    control charts of the furnaces that ran
    earlier   movement by the same treatments in all runs before the month (rows of `moved`)
    faults    certain and suspected thermocouple faults, one row each
    given     answers given in the month, with what was measured of them since, up to now
    measured  answers, whenever given, whose pieces were measured in runs of the month: those runs alone
    """

    month: Month
    charts: list[FurnaceChart]
    earlier: pd.DataFrame
    faults: pd.DataFrame
    given: list[GivenAnswer]
    measured: list[GivenAnswer]


def month_seen(book: BookFolder, month: str) -> MonthSeen:
    """All that a month's page shows. Reads only; answers are scored in passing. Raises UsageError for no month."""
    from .moved import moved

    found = month_of(book, month)
    charts = furnace_charts(book, found.since, found.until)
    faults = frame(book, _FAULTS, [times.without_zone(found.since), times.without_zone(found.until)])
    earlier = found.treatments.iloc[:0]
    if len(found.treatments):
        with suppress(NotFoundError):  # the first month of a book has nothing before it
            earlier = moved(book, Filters(until=times.stored(found.since))).frame()
    given, measured = _answers(book, found)
    return MonthSeen(found, charts, earlier, faults, given, measured)


def _answers(book: BookFolder, month: Month) -> tuple[list[GivenAnswer], list[GivenAnswer]]:
    ours = set(month.runs["run"].astype(str))
    since, until = times.stored(month.since), times.stored(month.until)
    given, measured = [], []
    for row, mine in kept_answers.with_scores(book):
        if since <= row["answered_at"] < until:
            given.append(_given(row, mine))
        if row["answered_at"] < until and any(s[1] in ours for s in mine):
            measured.append(_given(row, [s for s in mine if s[1] in ours]))
    return given, measured


def _given(row: Any, scored: list[tuple[int, str, int, int, int]]) -> GivenAnswer:
    asked, kept = json.loads(row["question"]), json.loads(row["result"])["answer"]
    if row["part"]:
        about = f"{row['part']}, {row['characteristic']}"
    else:
        words = [asked.get(k) for k in ("material", "shape", "condition", "kind")]
        about = f"new part ({', '.join(w for w in words if w)})"
    return GivenAnswer(
        row["answer_id"], row["answered_at"], about, row["low"], row["high"], kept["content"], row["unit"],
        kept["refused"], len(scored), sum(s[2] for s in scored), sum(s[3] for s in scored),
    )  # fmt: skip


def earlier_of(seen: MonthSeen, row: dict[str, Any]) -> dict[str, Any] | None:
    """The same treatment before the month, as a row of `moved`; None where there was none."""
    found = seen.earlier
    for key in TREATMENT:
        if key not in found.columns:
            return None
        found = found[found[key] == row[key]] if row[key] is not None else found[found[key].isna()]
    if not len(found):
        return None
    from .result import records

    return records(found)[0]
