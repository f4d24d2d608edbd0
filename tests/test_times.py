"""Moments: UTC inside, both clock changes are questions, no order of day and month is guessed."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from loadbook.core import times
from loadbook.core.errors import OpenQuestion, UsageError
from loadbook.readers.recorder.options import Options
from loadbook.readers.recorder.read import look
from loadbook.readers.recorder.source import Source

MADRID = ZoneInfo("Europe/Madrid")


def test_a_local_time_becomes_utc_in_winter_and_in_summer() -> None:
    assert times.stored(times.parse_moment("2026-01-15T08:00", MADRID)) == "2026-01-15T07:00:00Z"
    assert times.stored(times.parse_moment("2026-07-15T08:00", MADRID)) == "2026-07-15T06:00:00Z"


def test_an_offset_overrules_the_zone() -> None:
    assert times.stored(times.parse_moment("2026-07-15T08:00-05:00", MADRID)) == "2026-07-15T13:00:00Z"
    assert times.stored(times.parse_moment("2026-07-15 08:00:30Z", MADRID)) == "2026-07-15T08:00:30Z"


def test_the_repeated_hour_is_a_question() -> None:
    with pytest.raises(OpenQuestion, match="showed twice on clocks in Europe/Madrid"):
        times.parse_moment("2026-10-25T02:30", MADRID)
    assert times.stored(times.parse_moment("2026-10-25T02:30+02:00", MADRID)) == "2026-10-25T00:30:00Z"


def test_the_missing_hour_is_a_question() -> None:
    with pytest.raises(OpenQuestion, match="never showed on a clock in Europe/Madrid"):
        times.parse_moment("2026-03-29T02:30", MADRID)


@pytest.mark.parametrize("text", ["03/04/2026", "2026-13-01", "2026-02-30", "soon", "2026-04-03T08:00"])
def test_a_date_that_is_none_is_refused(text: str) -> None:
    with pytest.raises(UsageError, match="is not a date"):
        times.parse_date(text)


@pytest.mark.parametrize(
    "text", ["2026-04-03", "2026-04-03T24:00", "2026-04-03T08:61", "08:00", "2026-06-30T23:59:60Z"]
)
def test_a_moment_that_is_none_is_refused(text: str) -> None:
    with pytest.raises(UsageError, match="is not a date with a time"):
        times.parse_moment(text, MADRID)


def test_what_is_stored_comes_back() -> None:
    moment = datetime(2026, 3, 1, 8, 0, 30, 250000, tzinfo=UTC)
    assert times.from_stored(times.stored(moment)) == moment
    assert times.shown("2026-07-15T06:00:00Z", MADRID) == "2026-07-15 08:00+02:00"


def test_an_unknown_zone_is_refused() -> None:
    with pytest.raises(UsageError, match="no time zone is called 'Madrid'"):
        times.zone_of("Madrid")


@pytest.mark.parametrize(
    ("form", "step_min", "fmt", "asked"),
    [
        ("%m/%d/%Y", 10, "%m/%d/%Y %H:%M", False),
        ("%d/%m/%y", 10, "%d/%m/%y %H:%M", False),
        ("%d.%m.%Y", -10, "%d.%m.%Y %H:%M", False),  # newest first
        ("%m/%d/%Y", 1, "%d/%m/%Y %H:%M", True),  # one day only
    ],
)
def test_days_that_follow_one_another_settle_their_order(form: str, step_min: int, fmt: str, asked: bool) -> None:
    """A run over midnight from 3 to 4 November: read the other way its days would lie a month apart."""
    start = datetime(2025, 11, 4 if step_min < 0 else 3, 22, 40)
    clock = [start + timedelta(minutes=step_min * k) for k in range(60 if step_min == 1 else 240)]
    rows = "".join(f"{t.strftime(form)},{t:%H:%M},{20 + k}.5\n" for k, t in enumerate(clock))
    read = look(Source("a.csv", f"Date,Time,TC1 (C)\n{rows}".encode()), Options())
    assert read.layout.time_format == fmt
    assert any("day-first or month-first" in q.text for q in read.questions) is asked
