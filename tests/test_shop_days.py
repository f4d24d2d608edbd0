"""Days and months are the shop's calendar's, units those that a name states, settings those that a book may hold.

Clock changes are those of the IANA time zone database.
"""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pandas as pd
import pytest

from loadbook.analysis.movement.compare import differences
from loadbook.core import times
from loadbook.core.errors import DamageError
from loadbook.core.vocabulary.lookup import terms
from loadbook.queries.answer import answer
from loadbook.queries.enquiry import Question
from loadbook.queries.filters import Filters
from loadbook.queries.furnaces import furnace_charts
from loadbook.queries.kept_answers import save, saved
from loadbook.queries.month import bounds
from loadbook.readers.tables.resolve import parameter_unit
from loadbook.store.book import BookFolder
from loadbook.store.records import amend
from loadbook.store.run_records import load_run

from .answerbook import fill
from .shops import Shop
from .smallbook import put, reading, run, small


def shop(path: Path, zone: str) -> BookFolder:
    """A small book whose clocks stand in a zone."""
    book = small(path)
    set_to(book, "zone", zone)
    book.close()
    return BookFolder.open(path)


def set_to(book: BookFolder, name: str, value: str) -> None:
    with book.write() as conn:
        row = conn.execute("SELECT setting_id FROM setting WHERE name = ?", (name,)).fetchone()[0]
        amend(conn, "setting", name, row, {"value": value}, "a trial")


@pytest.mark.parametrize(
    ("zone", "started", "current"),
    [
        ("America/Chicago", "2026-03-11T01:00:00Z", True),  # 20:00 of the 10th, the last day
        ("America/Chicago", "2026-03-11T05:30:00Z", False),  # 0:30 of the 11th
        ("Asia/Tokyo", "2026-03-10T16:00:00Z", False),  # 1:00 of the 11th
    ],
)
def test_a_check_holds_to_the_end_of_its_last_day_in_the_shop(
    tmp_path: Path, zone: str, started: str, current: bool
) -> None:
    book = shop(tmp_path / "book", zone)
    check = {"furnace": "F1", "kind": "system accuracy", "done_on": "2026-02-10", "due_on": "2026-03-10", "passed": 1}
    put(book, "furnace_check", check)
    run(book, "R1", 10, started=started, ended=None)
    (found,) = load_run(book.read(), "R1").checks
    assert (found.state == "current") is current


def test_a_calibration_holds_to_the_end_of_its_last_day_in_the_shop(tmp_path: Path) -> None:
    from loadbook.queries.judge import judge_run

    book = shop(tmp_path / "book", "America/Chicago")
    put(book, "calibration", {"calibration": "C1", "at_c": 600.0, "correction_c": 1.0, "valid_until": "2026-03-10"})
    for name, started in (("R1", "2026-03-11T01:00:00Z"), ("R2", "2026-03-11T05:30:00Z")):
        run(book, name, 10, started=started, ended=None)
        put(book, "channel", {"run": name, "channel": "TC 1", "role": "work", "calibration": "C1"})
    ended = [any("had ended" in r for r in judge_run(book, name).remarks) for name in ("R1", "R2")]
    assert ended == [False, True]


def test_a_break_in_the_evening_is_that_day_s(tmp_path: Path) -> None:
    """A leak-up check of the day on which the history breaks belongs to the new history."""
    book = shop(tmp_path / "book", "America/Chicago")
    put(book, "history_break", {"at": "2026-03-11T01:00:00Z", "what": "new pump", "furnace": "F1"})
    for day in ("2026-03-09", "2026-03-10", "2026-03-12"):
        put(book, "furnace_check", {"furnace": "F1", "kind": "leak-up", "done_on": day, "due_on": "2026-06-01",
                                    "passed": 1, "note": "0.004 mbar/h"})  # fmt: skip
    run(book, "R1", 20)
    (chart,) = (c for c in furnace_charts(book, *bounds("2026-03", book)) if c.of_checks)
    assert (chart.names, chart.since) == (["2026-03-10", "2026-03-12"], "2026-03-10")


@pytest.mark.parametrize(
    ("zone", "day", "first"),
    [
        ("America/Sao_Paulo", "2018-11-04", "2018-11-04T03:00:00Z"),  # 0:00 to 1:00 skipped
        ("Asia/Amman", "2016-04-01", "2016-03-31T22:00:00Z"),
        ("America/Asuncion", "2023-10-01", "2023-10-01T04:00:00Z"),
        ("America/Havana", "2012-04-01", "2012-04-01T05:00:00Z"),
        ("America/Havana", "2026-11-01", "2026-11-01T04:00:00Z"),  # 0:00 to 1:00 repeated: the first of the two
        ("Asia/Gaza", "2004-10-01", "2004-09-30T21:00:00Z"),
        ("Pacific/Apia", "2011-12-31", "2011-12-30T10:00:00Z"),  # the whole 30th was skipped
        ("America/Toronto", "1919-03-31", "1919-03-31T04:30:00Z"),  # 23:30 to 0:30 skipped
        ("Europe/Vienna", "2026-03-01", "2026-02-28T23:00:00Z"),
    ],
)
def test_a_day_begins_where_the_clock_first_showed_it(zone: str, day: str, first: str) -> None:
    where = ZoneInfo(zone)
    moment = times.first_moment(date.fromisoformat(day), where)
    assert times.stored(moment) == first
    assert moment.astimezone(where).date().isoformat() == day
    assert (moment - timedelta(seconds=1)).astimezone(where).date().isoformat() < day
    assert Filters(since=day, zone=zone).sql({"started"})[1] == [first.replace("T", " ").rstrip("Z")]


@pytest.mark.parametrize(
    ("zone", "month", "first", "last"),
    [
        ("America/Asuncion", "2023-10", "2023-10-01T04:00", "2023-11-01T03:00"),
        ("America/Asuncion", "2023-09", "2023-09-01T04:00", "2023-10-01T04:00"),
        ("America/Havana", "2026-11", "2026-11-01T04:00", "2026-12-01T05:00"),
        ("America/Havana", "2026-10", "2026-10-01T04:00", "2026-11-01T04:00"),
        ("Asia/Amman", "2016-04", "2016-03-31T22:00", "2016-04-30T21:00"),
    ],
)
def test_a_month_whose_midnight_was_skipped_or_repeated(
    tmp_path: Path, zone: str, month: str, first: str, last: str
) -> None:
    book = shop(tmp_path / "book", zone)
    both = tuple(datetime.fromisoformat(m).replace(tzinfo=UTC) for m in (first, last))
    assert bounds(month, book) == both


def test_treatments_with_a_slash_are_kept_apart_and_whole() -> None:
    """'a / b' with 'c' and 'a' with 'b / c' read alike, and are two treatments."""
    rows = [
        {"setup": setup, "basket": basket, "run": f"R{n}{basket}", "part": "P", "y": float(n)}
        for setup, basket in (("a / b", "c"), ("a", "b / c")) for n in range(3)
    ]  # fmt: skip
    ((pair,),) = [d.pairs for d in differences(pd.DataFrame(rows), ["setup", "basket"], strata=["part"])]
    assert {pair.values_a, pair.values_b} == {("a / b", "c"), ("a", "b / c")}
    assert "values_a" not in pair.as_dict()


def test_every_parameter_takes_the_unit_that_it_states() -> None:
    found = {t.name: parameter_unit(t.name.replace("<T>", "600"))[1] for t in terms().values() if t.kind == "parameter"}
    stated = {t.name: t.unit for t in terms().values() if t.kind == "parameter"}
    assert found == stated and len(stated) > 20
    dimensions = {name: parameter_unit(name)[0] for name in (
        "hold_start_h", "hold_end_h", "hold_longest_excursion_min", "leak_up_mbar_per_h")}  # fmt: skip
    assert list(dimensions.values()) == ["duration", "duration", "duration", "leak"]


@pytest.mark.parametrize("text", ["much", "-1", "nan", "inf", "1e9"])
def test_a_guard_factor_that_no_book_should_hold_is_a_plain_error(tmp_path: Path, text: str) -> None:
    book = small(tmp_path / "book")
    assert book.guard() == (1.0, False)
    set_to(book, "guard_factor", text)
    with pytest.raises(DamageError, match="guard_factor is") as raised:
        book.guard()
    assert "loadbook amend settings guard_factor" in str(raised.value.remedy)


@pytest.mark.parametrize(
    ("zone", "started", "month"),
    [
        ("America/Chicago", "2026-03-01T05:30:00Z", date(2026, 2, 1)),  # 23:30 of 28 February
        ("America/Chicago", "2026-03-01T06:30:00Z", date(2026, 3, 1)),
        ("Asia/Tokyo", "2026-02-28T15:30:00Z", date(2026, 3, 1)),  # 0:30 of 1 March
        ("Europe/London", "2026-02-28T23:59:59Z", date(2026, 2, 1)),
    ],
)
def test_reports_count_the_shop_s_days(tmp_path: Path, zone: str, started: str, month: date) -> None:
    from loadbook.queries.reports import run_report

    book = shop(tmp_path / "book", zone)
    run(book, "R1", 1, started=started, ended=None)
    (row,) = run_report(book, "month_summary").rows
    assert row[0] == month
    found = run_report(book, "month_summary", {"since": "2026-03-01"}).rows
    assert [r[0] for r in found] == [month] * (month.month == 3)


@pytest.mark.parametrize(("zone", "used"), [("America/Chicago", 0), ("Europe/London", 1)])
def test_a_gauge_is_past_due_from_the_shop_s_next_day_on(tmp_path: Path, zone: str, used: int) -> None:
    from loadbook.queries.reports import run_report

    book = shop(tmp_path / "book", zone)
    put(book, "gauge", {"gauge": "G9", "kind": "micrometer", "calibrated_until": "2026-03-10"})
    run(book, "R1", 10, ended=None)
    put(book, "reading", reading("R1", "before", 100.0, "03-11T03", gauge="G9"))  # 21:00 of the 10th in Chicago
    rows = run_report(book, "past_due", {"on": "2026-04-01"}).rows
    assert [r[6] for r in rows if r[1] == "G9"] == [used]


def test_the_runs_of_an_answer_have_the_shop_s_day(tmp_path: Path) -> None:
    """What begins in the night by UTC began the evening before in a shop on the American west coast."""
    fill(tmp_path / "book", Shop("plain", 24, 6, seed=2).history()).close()
    with BookFolder.open(tmp_path / "book") as book:
        set_to(book, "zone", "America/Los_Angeles")
    book = BookFolder.open(tmp_path / "book")
    days = {
        run: (times.local_day(started, book.zone), started[:10])
        for run, started in book.read().execute("SELECT run, started FROM run")
    }
    found = answer(book, Question(part="PN-000"))
    assert found.low is not None and found.comparables
    assert all(c["date"] == days[c["run"]][0] for c in found.comparables)
    assert any(c["date"] != days[c["run"]][1] for c in found.comparables)
    kept = saved(book, save(book, found)).behind["own_runs"]
    assert kept and all(r["date"] == days[r["run"]][0] for r in kept)
