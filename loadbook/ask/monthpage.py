"""A month as it is looked at: its runs, its furnaces against their past, movement beside earlier months, answers."""

from __future__ import annotations

import json
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Any

from loadbook.ground import times
from loadbook.ground.errors import NotFoundError
from loadbook.keep.session import frame

from . import answerdata, answersaved
from .filters import Filters
from .furnacecharts import FurnaceChart, furnace_charts
from .month import Month, month_of

if TYPE_CHECKING:
    import pandas as pd

    from loadbook.keep.book import BookFolder

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
    span = [_stored(found.since), _stored(found.until)]
    faults = frame(book, _FAULTS, span)
    earlier = found.treatments.iloc[:0]
    if len(found.treatments):
        where = f"started < TIMESTAMP '{span[0]}'"
        with suppress(NotFoundError):  # the first month of a book has nothing before it
            earlier = moved(book, Filters(where=where)).frame()
    given, measured = _answers(book, found)
    return MonthSeen(found, charts, earlier, faults, given, measured)


def _answers(book: BookFolder, month: Month) -> tuple[list[GivenAnswer], list[GivenAnswer]]:
    rows = book.read().execute("SELECT * FROM answer ORDER BY answer_id").fetchall()
    scored = answersaved.scores(book, answerdata.load(book)) if any(r["low"] is not None for r in rows) else []
    ours = set(month.runs["run"].astype(str))
    since, until = times.stored(month.since), times.stored(month.until)
    given, measured = [], []
    for row in rows:
        mine = [s for s in scored if s[0] == row["answer_id"]]
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
    from .moved import records

    return records(found)[0]


def _stored(moment: datetime) -> str:
    return times.stored(moment).rstrip("Z").replace("T", " ")
