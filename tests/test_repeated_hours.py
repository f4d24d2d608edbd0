"""Hours that clocks showed twice: files made from known moments, over years, both ways round, with pauses.

No source: the moments are the truth, the zone data are the system's.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from functools import cache
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from loadbook.analysis.trace.model import Floats
from loadbook.readers.recorder.part import Window
from loadbook.readers.recorder.time_axis import to_utc

BEGAN = datetime(2023, 5, 1, tzinfo=UTC)


def shown(moments: list[datetime], zone: ZoneInfo) -> tuple[Floats, Floats]:
    """What a clock in the zone showed, and the moments, both in seconds since 1970."""
    walls = [(m.astimezone(zone).replace(tzinfo=None) - datetime(1970, 1, 1)).total_seconds() for m in moments]
    return np.array(walls), np.array([m.timestamp() for m in moments])


def every(minutes: float, days: float) -> list[datetime]:
    return [BEGAN + timedelta(minutes=minutes * i) for i in range(int(days * 1440 / minutes))]


@cache
def of_years(name: str) -> tuple[Floats, Floats]:
    return shown(every(15, 1000), ZoneInfo(name))


@pytest.mark.parametrize("fold", ["", "first"])
@pytest.mark.parametrize("newest_first", [False, True])
@pytest.mark.parametrize("name", ["Europe/Vienna", "America/Chicago", "Australia/Lord_Howe", "America/Havana"])
def test_each_repeated_hour_of_a_file_of_years_is_settled_by_its_own_rows(
    name: str, newest_first: bool, fold: str
) -> None:
    wall, true = of_years(name)
    if newest_first:
        wall, true = wall[::-1], true[::-1]
    utc, questions, notes = to_utc(wall, ZoneInfo(name), fold)
    assert not questions and (utc == true).all()
    assert sum("the clock change is in the file" in n for n in notes) == (2 if name == "Australia/Lord_Howe" else 3)


def test_of_two_hours_the_answer_counts_for_the_one_that_the_file_leaves_open() -> None:
    zone = ZoneInfo("Europe/Vienna")
    pause = datetime(2024, 10, 27, 0, 0, tzinfo=UTC), datetime(2024, 10, 27, 1, 30, tzinfo=UTC)  # the first pass
    wall, true = shown([m for m in every(10, 700) if not pause[0] <= m < pause[1]], zone)
    utc, questions, _ = to_utc(wall, zone)
    assert [q.text for q in questions] == [
        "2024-10-27 02:30:00 showed twice on clocks in Europe/Vienna: which of the two (3 rows)"
    ]
    utc, questions, notes = to_utc(wall, zone, "second")
    assert not questions and (utc == true).all()
    assert "2024-10-27 02:30:00 is the second" in notes[-1]


@pytest.mark.parametrize("runs", [Window(own=(0.0, 0.0)), Window(stated=(0.0, 0.0))])
def test_an_hour_that_is_no_part_of_what_is_taken_is_not_asked_about(runs: Window) -> None:
    zone = ZoneInfo("Europe/Vienna")
    pause = datetime(2023, 10, 29, 0, 0, tzinfo=UTC), datetime(2023, 10, 29, 1, 30, tzinfo=UTC)
    wall, true = shown([m for m in every(10, 300) if not pause[0] <= m < pause[1]], zone)
    july = (datetime(2023, 7, 8, tzinfo=UTC).timestamp(), datetime(2023, 7, 9, tzinfo=UTC).timestamp())
    window = Window(july, (None, None)) if runs.own == (None, None) else Window((None, None), july)
    utc, questions, notes = to_utc(wall, zone, wanted=window.wants)
    assert not questions and "not asked" in notes[-1]
    inside = (true >= july[0]) & (true <= july[1])
    assert (utc[inside] == true[inside]).all() and inside.sum() > 100
    autumn = (july[0], datetime(2023, 10, 29, 12, tzinfo=UTC).timestamp())
    assert to_utc(wall, zone, wanted=Window(autumn, (None, None)).wants)[1], "the hour is taken: asked"


def test_a_clock_that_was_not_changed_is_asked_about_wherever_the_hour_lies() -> None:
    wall = np.arange(datetime(2023, 5, 1).timestamp(), datetime(2023, 12, 1).timestamp(), 600.0)
    questions = to_utc(wall, ZoneInfo("Europe/Vienna"), wanted=lambda low, high: False)[1]
    assert ["its clock was not changed" in q.text for q in questions] == [True]
