"""The parts of reading a recorder's file, each on its own: headings, numbers, times, zones, scans, layouts."""

from __future__ import annotations

import doctest
import json
import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest

from loadbook.analysis.trace.model import BACKWARD_TIME, DUPLICATE_TIME, MISSING, OPEN
from loadbook.core.errors import IntakeError, LoadbookError, UsageError
from loadbook.core.outside import MOST_CELLS
from loadbook.core.times import zone_of
from loadbook.readers.recorder import channels, implausible, layout, names, numbers, odd_values, time_axis, times
from loadbook.readers.recorder import read as read_module
from loadbook.readers.recorder.known_forms import KnownForms
from loadbook.readers.recorder.labels import as_table, carries_names
from loadbook.readers.recorder.layout import ChannelRule, Layout, from_toml, parse_channel_option
from loadbook.readers.recorder.log_lines import read_log
from loadbook.readers.recorder.long import on_scans
from loadbook.readers.recorder.names import read_heading, unit_of
from loadbook.readers.recorder.numbers import find_marks, number_pattern, to_float
from loadbook.readers.recorder.options import Options
from loadbook.readers.recorder.propose import Draft, propose
from loadbook.readers.recorder.read import lasting, look
from loadbook.readers.recorder.source import Source, open_source
from loadbook.readers.recorder.times import format_of, parse_cell, parse_fast
from loadbook.readers.recorder.wide import ignored

from .test_recorder_files import FOLDER

MADRID = ZoneInfo("Europe/Madrid")


@pytest.mark.parametrize("module", [layout, names, numbers, odd_values, times])
def test_doctests(module: object) -> None:
    found = doctest.testmod(module)  # type: ignore[arg-type]
    assert found.attempted > 0 or module is numbers
    assert found.failed == 0


@pytest.mark.parametrize(
    ("text", "unit"),
    [
        ("°C", "c"),
        ("[degF]", "f"),
        ("(K)", "k"),
        ("Deg. C", "c"),
        ("ºC", "c"),
        ("Â°C", "c"),
        ("?F", "f"),
        ("mTorr", "mtorr"),
        ("°F/h", "f_per_h"),
        ("C/min", "c_per_min"),
        ("left", ""),
        ("ppm", "ppm"),
        ("Fahrenheit", "f"),
        ("", ""),
    ],
)
def test_units_of_headings(text: str, unit: str) -> None:
    assert unit_of(text) == unit


@pytest.mark.parametrize(
    ("text", "quantity", "role", "unit"),
    [
        ("Control", "temperature", "control", ""), ("Setpoint (°F)", "temperature", "setpoint", "f"),
        ("Over-temp TC (°C)", "temperature", "over-temperature", "c"), ("TC 3", "temperature", "", ""),
        ("Work 7 [K]", "temperature", "work", "k"), ("Spread (°F)", "other", "other", "f_diff"),
        ("Ramp rate", "other", "other", ""), ("Vacuum (mbar)", "pressure", "pressure", "mbar"),
        ("Dew point (°C)", "dew point", "dew point", "c"), ("O2 (ppm)", "oxygen", "oxygen", "ppm"),
        ("TC 1 °C/°F", "temperature", "", ""), ("Output (%)", "other", "other", "%"),
        ("Fan", "", "", ""), ("Zone C", "temperature", "control", ""),
    ],
)  # fmt: skip
def test_headings(text: str, quantity: str, role: str, unit: str) -> None:
    """A difference or a rate is never a temperature, a bare letter never a unit."""
    found = read_heading(text)
    assert (found.quantity, found.role, found.unit) == (quantity, role, unit)


@pytest.mark.parametrize(
    ("cells", "decimal", "thousands"),
    [
        (["612.3", "20"], ".", ""),
        (["612,3", "20"], ",", ""),
        (["1,012.5", "987.0"], ".", ","),
        (["1.012,5", "987,0"], ",", "."),
        (["1'012.5", "20.0"], ".", "'"),
        (["24.512", "31.001"], ".", ""),
        (["12", "13"], ".", ""),
        (["0.125", "0.250"], ".", ""),
    ],
)
def test_marks_settled(cells: list[str], decimal: str, thousands: str) -> None:
    marks = find_marks(cells, ";")
    assert (marks.decimal, marks.thousands, marks.question) == (decimal, thousands, None)
    pattern = number_pattern(decimal, thousands)
    assert all(pattern.match(c) for c in cells)


@pytest.mark.parametrize(
    "cells", [["1.204", "1.311"], ["1.204,5"], ["612.3", "612,3"], ["1,204"], ["1.234,5", "1,234.5"]]
)
def test_marks_asked(cells: list[str]) -> None:
    assert find_marks(cells, ";").question is not None


def test_thousands_groups_must_be_whole() -> None:
    pattern = number_pattern(".", ",")
    assert to_float("1,012.5", ".", ",") == 1012.5
    assert not pattern.match("1,2.5")
    assert not pattern.match("12,34")


@pytest.mark.parametrize(
    ("cell", "order"),
    [
        ("2026-03-14 08:05:00", ""),
        ("14/3/2026 8:05 PM", "dmy"),
        ("3/14/2026 12:00:00 AM", "mdy"),
        ("14.03.2026 08:05", "dmy"),
        ("14-Mar-2026 08:05:09", ""),
        ("20260314T080509", ""),
        ("2026-03-14T08:05:00.250+02:00", ""),
        ("14/03/26 08:05:00,5", "dmy"),
    ],
)
def test_both_ways_of_parsing_times_agree(cell: str, order: str) -> None:
    fmt = format_of(cell, order)
    moment = parse_cell(cell, fmt)
    quick = parse_fast(pd.Series([cell]), fmt)
    assert moment is not None and quick is not None
    naive = moment.replace(tzinfo=None)
    assert quick[0] == (np.datetime64(naive, "us") - np.datetime64("1970-01-01", "us")) / np.timedelta64(1, "s")


@pytest.mark.parametrize(
    "cell",
    [
        "2026-03-14 08:2:00",
        "2026-03-14 08:01:60",
        "2026-03-14 24:00:00",
        "2026-02-30 08:00:00",
        "2026-03- 4 08:00:00",
        "2026-03-14",
    ],
)
def test_what_is_no_time_is_refused_by_both(cell: str) -> None:
    fmt = "%Y-%m-%d %H:%M:%S"
    assert parse_cell(cell, fmt) is None
    assert parse_fast(pd.Series(["2026-03-14 08:00:00", cell]), fmt) is None


def wall(text: str) -> float:
    return float(np.datetime64(text, "s").astype("int64"))


def test_zone_in_winter_summer_and_across_both_changes() -> None:
    """Madrid is UTC+1 in winter, +2 in summer; 2026: changes on 29 March and 25 October at 01:00 UTC."""
    local = np.array([wall("2026-01-10T12:00"), wall("2026-07-10T12:00")])
    utc, questions, _ = time_axis.to_utc(local, MADRID)
    assert (local - utc).tolist() == [3600.0, 7200.0] and not questions
    over = np.array([wall("2026-03-29T01:50"), wall("2026-03-29T03:00"), wall("2026-03-29T03:10")])
    utc, questions, _ = time_axis.to_utc(over, MADRID)
    assert np.diff(utc).tolist() == [600.0, 600.0] and not questions
    back = [wall("2026-10-25T02:50"), wall("2026-10-25T02:00"), wall("2026-10-25T02:50"), wall("2026-10-25T03:00")]
    utc, questions, notes = time_axis.to_utc(np.array(back), MADRID)
    assert np.diff(utc).tolist() == [600.0, 3000.0, 600.0] and not questions and len(notes) == 1


def test_a_zone_of_half_hours_and_one_on_the_other_side() -> None:
    local = np.array([wall("2026-06-01T12:00")])
    assert time_axis.to_utc(local, ZoneInfo("Asia/Kolkata"))[0][0] == local[0] - 5.5 * 3600
    assert time_axis.to_utc(local, ZoneInfo("America/New_York"))[0][0] == local[0] + 4 * 3600


def test_skipped_hour_is_a_question_with_a_fixed_zone() -> None:
    _, questions, _ = time_axis.to_utc(np.array([wall("2026-03-29T02:30")]), MADRID)
    assert questions[0].option == "--zone +01:00 or +02:00"


def rising(time: list[float], values: list[list[float]], repeats: str = "") -> tuple[time_axis.Axis, list[object]]:
    matrix = np.array(values, float)
    flags = np.where(np.isnan(matrix), MISSING, 0).astype(np.uint8)
    axis, questions = time_axis.rising(np.array(time, float), matrix, flags, np.arange(len(time)) + 2, repeats)
    return axis, list(questions)


def test_axis_keeps_what_is_odd_as_flags() -> None:
    axis, questions = rising([0, 10, 30, 20, 20, 40], [[1, 2, 4, 3, 9, 5]])
    assert axis.t.tolist() == [0, 10, 20, 30, 40]
    assert axis.values.tolist() == [[1, 2, 3, 4, 5]]
    assert axis.flags.tolist() == [[0, 0, DUPLICATE_TIME, BACKWARD_TIME, 0]]
    assert (axis.duplicates, axis.backwards, axis.repeated) == (1, 1, 0) and not questions
    assert axis.lines.tolist() == [2, 3, 5, 4, 7]


def test_one_time_misread_is_one_row_astray_and_never_replaces_another() -> None:
    axis, questions = rising([0, 10, 50, 30, 40, 50, 60], [[1, 2, 99, 4, 5, 6, 7]])
    assert axis.t.tolist() == [0, 10, 30, 40, 50, 60]
    assert axis.values.tolist() == [[1, 2, 4, 5, 6, 7]]
    assert axis.flags.tolist() == [[0, 0, 0, 0, DUPLICATE_TIME, 0]] and not questions
    axis, _ = rising([0, 10, 55, 30, 40, 50, 60], [[1, 2, 99, 4, 5, 6, 7]])
    assert axis.flags.tolist() == [[0, 0, 0, 0, 0, BACKWARD_TIME, 0]]


def test_exact_repeats_are_no_duplicates() -> None:
    axis, _ = rising([0, 10, 0, 10, 20], [[1, np.nan, 1, np.nan, 3]])
    assert (axis.repeated, axis.duplicates, axis.backwards) == (2, 0, 0)
    assert axis.flags.tolist() == [[0, MISSING, 0]]


def test_rounded_times_spread_evenly() -> None:
    axis, _ = rising([0, 0, 60, 60, 60, 120], [[1, 2, 3, 4, 5, 6]], "spread")
    assert axis.t.tolist() == [0, 30, 60, 80, 100, 120]


def test_midnight_and_a_jump_that_nothing_explains() -> None:
    time, notes = time_axis.cross_midnight(np.array([86000.0, 86300.0, 200.0, 500.0]))
    assert np.diff(time).tolist() == [300.0, 300.0, 300.0] and len(notes) == 1
    with pytest.raises(IntakeError):
        time_axis.cross_midnight(np.array([100.0, 80000.0]))


def test_staggered_scans() -> None:
    """Three channels two seconds apart, one sample of the second missing; a scan stands at its first sample."""
    time = np.array([0, 2, 4, 60, 64, 120, 122, 124], float)
    channel = np.array([0, 1, 2, 0, 2, 0, 1, 2])
    raw = on_scans(time, channel, np.arange(8.0), np.zeros(8, np.uint8), np.arange(8), ["a", "b", "c"])
    assert raw.time.tolist() == [0, 60, 120]
    np.testing.assert_array_equal(raw.values, [[0, 3, 5], [1, np.nan, 6], [2, 4, 7]])
    assert raw.scan_s == 4.0


def test_scans_where_the_first_channel_is_missing_too() -> None:
    time = np.array([0, 1, 60, 61, 121, 180, 181], float)
    channel = np.array([0, 1, 0, 1, 1, 0, 1])
    raw = on_scans(time, channel, np.arange(7.0), np.zeros(7, np.uint8), np.arange(7), ["a", "b"])
    assert raw.time.tolist() == [0, 60, 121, 180]
    np.testing.assert_array_equal(raw.values, [[0, 2, np.nan, 5], [1, 3, 4, 6]])


def test_sentinels_are_taken_out_and_suspects_found() -> None:
    values = np.array([[20.0, 9999.0, 21.0], [1.0, 9999.0, 9999.0]])
    headings = [read_heading("Work (°C)"), read_heading("Level (%)")]
    found = channels.normalise_values(
        headings, values, np.zeros((2, 3), np.uint8), Layout(open_values=("9999", "OPEN")), {}
    )
    assert np.isnan(found.values[0, 1]) and found.flags[0, 1] == OPEN
    assert found.values[1].tolist() == [1.0, 9999.0, 9999.0], "a bare number is about temperatures alone"
    assert "open-circuit numbers taken out: 'Work' 9999 1 times" in found.notes
    t = np.arange(8) * 30.0
    plain = np.array([300.0, 305, 850, 850, 315, 320, 850, 330])
    assert odd_values.suspects(plain, plain, t) == {850.0: 3}
    slow = np.array([300.0, 305, 600, 600, 600, 600, 300, 200])
    assert odd_values.suspects(slow, slow, np.arange(8) * 3600.0) == {}, "an hour between samples explains any jump"
    ramp = np.linspace(20, 600, 8)
    assert odd_values.suspects(ramp, ramp, t) == {}


def test_units_inside() -> None:
    np.testing.assert_allclose(channels.inside(np.array([32.0, 1112.0]), "f", "temperature")[0], [0.0, 600.0])
    np.testing.assert_allclose(channels.inside(np.array([273.15]), "k", "dew point")[0], [0.0])
    np.testing.assert_allclose(channels.inside(np.array([760.0]), "torr", "pressure")[0], [1013.25])
    assert channels.inside(np.array([180.0]), "f_per_h", "other")[0][0] == 180.0


def test_layout_survives_toml() -> None:
    made = Layout(
        name='Öfen "2"',
        delimiter="\t",
        decimal=",",
        thousands=".",
        time_columns=("Datum", "Zeit"),
        time_format="%d.%m.%Y %H:%M",
        open_values=("OPEN", "1372"),
        channels=(ChannelRule("TC *", "work", "f"), ChannelRule("x\\y", "ignore")),
    )
    assert from_toml(made.to_toml()) == made


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("colour = 'red'", "unknown key 'colour'"),
        ("delimiter = '#'", "delimiter cannot be '#'"),
        ("decimal = ','\nthousands = ','", "both ','"),
        ("[[channel]]\nname = 'a'\nrole = 'boss'", "'boss' is not a role"),
        ("time_kind = 'elapsed'\ntime_format = 'weeks'", "cannot be 'weeks'"),
        ("time_format = '%H:%M'", "is not a complete clock"),
        ("delimiter = ", "not TOML"),
        ("zone = 'Mars/Base'", "no time zone"),
        ("time_columns = 'Time'", "must be a list"),
        ("encoding = 'nope'", "no encoding 'nope'"),
    ],
)
def test_a_wrong_layout_says_where(text: str, said: str) -> None:
    with pytest.raises(UsageError, match=said.replace("'", ".")):
        from_toml(text)


def test_rules_fit_by_name_before_pattern() -> None:
    made = Layout(channels=(ChannelRule("TC *", "work"), ChannelRule("TC 9", "control")))
    rule = made.rule("tc 9")
    assert rule is not None and rule.role == "control"
    assert made.rule("Zone 1") is None
    assert parse_channel_option("P [mbar]=pressure").fits("P [mbar]")
    with pytest.raises(UsageError):
        parse_channel_option("TC 1=boss")


def test_an_exception_goes_before_the_pattern_that_includes_it() -> None:
    """Whatever the order, and by the heading's whole text or its name without the unit."""
    rules = [parse_channel_option(t) for t in ("T*=work", "T4=ignore", "T1*=control")]
    for order in (rules, rules[::-1]):
        stated = Layout(channels=tuple(order))
        assert [stated.rule(n, f"{n} (°C)").role for n in ("T2", "T4", "T12")] == ["work", "ignore", "control"]  # type: ignore[union-attr]
        assert ignored(stated, "T4 (°C)") and not ignored(stated, "T2 (°C)")


def test_what_is_stated_of_a_channel_is_obeyed_or_refused() -> None:
    values, flags = np.array([[20.0, 30, 40]]), np.zeros((1, 3), np.uint8)

    def settled(heading: str, text: str, known: dict[str, tuple[str, str]] | None = None) -> channels.Settled:
        rule = parse_channel_option(text)
        layout = Layout(channels=(rule,))
        return channels.normalise_values([read_heading(heading)], values, flags, layout, known or {}, (rule,))

    assert settled("Zone 1 (°C)", "Zone 1=other,%").channels[0].quantity == "other"
    assert settled("Zone 1 (°C)", "Zone 1=work,f").channels[0].unit_read == "f"
    conflict = settled("Zone 1 (°C)", "Zone 1=work", {"zone 1": ("control", "")})
    assert "control in the run's channels" in conflict.questions[0].text
    with pytest.raises(UsageError, match="'%' is not a unit of temperature"):
        parse_channel_option("Zone 1=work,%")


def test_a_wide_file_asks_by_groups() -> None:
    rooms = [
        f"{room} Temperature {h / 10:g} m" for room in ("Hall", "Attic", "Cellar", "Porch") for h in range(1, 30, 3)
    ]
    valves = [f"{'ABCDEFGHIJ'[i]} gate {i}" for i in range(10)]
    groups = channels.grouped([*rooms, *valves], ["Gas"])
    assert ("*Temperature*", rooms) in groups and len(groups) <= 3
    assert all(not layout.fits(pattern, "Gas") for pattern, _ in groups)


@pytest.mark.parametrize(
    ("cell", "fmt", "moment"),
    [
        ("Tue Sep 17 14:05:03 2019", "%a %b %d %H:%M:%S %Y", "2019-09-17T14:05:03"),
        ("Fri Mar 29 11:13:01 CDT 2019", "%a %b %d %H:%M:%S %z %Y", "2019-03-29T16:13:01+00:00"),
        ("17-Sep-19 2:05 PM", "%d-%b-%y %I:%M %p", "2019-09-17T14:05:00"),
        ("3Jul2016 0:0:4", "%d%b%Y %H:%-M:%-S", "2016-07-03T00:00:04"),
        ("2026-03-14 14:05:03:250", "%Y-%m-%d %H:%M:%S:%f", "2026-03-14T14:05:03.250000"),
    ],
)
def test_further_forms_of_a_moment(cell: str, fmt: str, moment: str) -> None:
    assert format_of(cell, "") == fmt
    found = parse_cell(cell, fmt)
    assert found is not None and found.isoformat() == moment
    fast = parse_fast(pd.Series([cell, cell]), fmt)
    assert fast is None or fast[0] == pd.Timestamp(moment).timestamp()
    assert parse_cell("2026-03-14 8:1:30", "%Y-%m-%d %H:%M:%S") is None, "a digit lost is not a form of its own"


def test_zones_as_people_write_them() -> None:
    at = pd.Timestamp("2026-07-01").to_pydatetime()
    hours = {"-05:00": -5, "UTC+1": 1, "+05:30": 5.5, "GMT-0330": -3.5}
    assert {z: zone_of(z).utcoffset(at).total_seconds() / 3600 for z in hours} == hours  # type: ignore[union-attr]


def test_a_column_of_ok_is_no_unit() -> None:
    """'oK' may stand for °K; a status of OK beside a channel without a unit made it kelvin."""
    rows = "".join(f"2026-03-14 08:{i:02d}:00,{20 + i},OK,{18 + i}\n" for i in range(12))
    found = look(Source("x", f"Time,Control,State,Work 1\n{rows}".encode()), Options())
    assert any("--unit" in q.option for q in found.questions)
    assert found.reading.channels[0].unit_read == "" and found.reading.values[0, 0] == 20.0


def test_a_kept_layout_still_asks_about_a_status_that_it_never_met() -> None:
    well = open_source(FOLDER / "124_status_all_well.csv")
    kept = lasting(look(well, Options()), "kept")
    later = look(open_source(FOLDER / "125_status_burnout.csv"), Options(), layout=kept)
    assert [q.option for q in later.questions] == ["--status out (they are not taken) or keep"] * 2


def _chart(heading: str, date: str, mark: str = ".") -> Source:
    rows = [f"{date} 08:{i:02d}:00;{20 + 3 * i}{mark}5;{19 + 3 * i}{mark}5" for i in range(30)]
    return Source("chart.csv", "\n".join([f"Charge 4711 of {date};;", heading, *rows, ""]).encode())


def test_a_form_is_found_out_once_within_a_command(monkeypatch: pytest.MonkeyPatch) -> None:
    """The next file under the same heading is read by the same layout, unless its own dates may say otherwise."""
    found_out = []

    def counted(source: Source, *more: Any) -> Draft:
        found_out.append(source)
        return propose(source, *more)

    monkeypatch.setattr(read_module, "propose", counted)
    heading = "Time;Control (°C);Work 1 (°C)"

    def read(options: Options, *sources: Source) -> list[int]:
        forms, counts = KnownForms(options), []
        for source in sources:
            found_out.clear()
            one = look(source, options, zone=ZoneInfo("Europe/Madrid"), known_forms=forms)
            alone = look(source, options, zone=ZoneInfo("Europe/Madrid"))
            counts.append(len(found_out) - 1)
            assert one.questions == alone.questions and one.reading.started == alone.reading.started
            np.testing.assert_array_equal(one.reading.values, alone.reading.values)
            assert one.reading.channels == alone.reading.channels
        return counts

    first, second = _chart(heading, "2026-03-14"), _chart(heading, "2026-03-15")
    other = _chart(heading.replace("Work 1", "Work 2"), "2026-03-16")
    assert read(Options(), first, second, other, first) == [1, 0, 1, 0]
    german, later = _chart(heading, "14/03/2026"), _chart(heading, "03/04/2026")
    assert read(Options(), german, later) == [1, 1]  # the second may be day-first or month-first: it is asked
    assert read(Options(date_order="day-first"), german, later) == [1, 0]
    assert read(Options(), first, _chart(heading, "2026-03-17", ",")) == [1, 1]  # and with another decimal mark


def _lines(row: str, count: int = 30) -> list[str]:
    return [row.format(i=i, s=i % 60, t=20.5 + i, u=19.5 + i) for i in range(count)]


def test_a_log_is_read_by_the_names_of_its_readings() -> None:
    rows = _lines("2026-03-14 08:00:{s:02d} [INFO] oven: temp={t} is near target={u}, ok")
    taken, notes = read_log([*rows, "2026-03-14 08:01:00 [WARN] door opened"]) or ([], [])
    assert len(taken) == 30
    assert taken[3][2] == [("time", "2026-03-14 08:00:03", ""), ("temp", "23.5", ""), ("target", "22.5", "")]
    assert any("1 line without readings" in n and "door opened" in n for n in notes)


def test_readings_of_few_lines_stay_beside_the_steady_ones() -> None:
    rows = _lines("2026-03-14 08:00:{s:02d} main - temp={t} and load={u} read")
    rows[5] += ", humidity=41 read"
    rows[9] += ", humidity=43 read"
    rows[20] += ", humidity=40 read"
    taken, _ = read_log(rows) or ([], [])
    assert [f[-1] for _, _, f in taken if f and len(f) == 4] == [("humidity", h, "") for h in ("41", "43", "40")]


@pytest.mark.parametrize(
    "row",
    [
        "2026-03-14 08:00:{s:02d},Step={i},{t},{u}",  # a table: numbers without a name change from line to line
        "2026-03-14 08:00:{s:02d} zone one T={t} zone two T={u}",  # which is which
        "oven temp={t} target={u} ok",  # no time
    ],
)
def test_what_would_lose_a_number_is_no_log(row: str) -> None:
    assert read_log(_lines(row)) is None


def test_a_damaged_reading_in_a_log_stops() -> None:
    rows = _lines("2026-03-14 08:00:{s:02d} [INFO] oven temp={t} target={u} ok")
    rows[7] = rows[7].replace("temp=27.5", "temp=2x.5")
    with pytest.raises(IntakeError, match="1 row cannot be read"):
        look(Source("a.log", "\n".join(rows).encode()), Options(), zone=MADRID)


@pytest.mark.parametrize(
    ("fractions", "second"),
    [
        (("990", "13", "250", "7"), 0.013),  # 250 ends in 0: no decimal that was cut short
        (("99", "13", "25", "705"), 0.13),  # decimals without their last zeros
        (("990", "013", "250", "007"), 0.013),
    ],
)
def test_thousandths_of_a_second(fractions: tuple[str, ...], second: float) -> None:
    rows = [f"2026-03-14 08:00:{10 * i:02d}.{p},{20 + i}.5" for i, p in enumerate(fractions)]
    read = look(Source("a.csv", "\n".join(["Time,Control (°C)", *rows, ""]).encode()), Options(), zone=MADRID)
    first = float(f"0.{fractions[0]}")
    assert float(read.reading.t_s[1]) == pytest.approx(10 + second - first, abs=1e-5)


def test_json_cut_off_says_where() -> None:
    with pytest.raises(IntakeError, match="cannot be read to its end") as caught:
        look(Source("a.json", b'[{"time": 1773475200, "a": 20.5},\n {"time": 17734'), Options(), zone=MADRID)
    assert caught.value.problems[0].line == 2


def _records(more: str) -> list[str]:
    return [f'{{"time": "2026-03-01 08:{i:02}:00", "a": {20 + i}.50{more}}}' for i in range(30)]


def test_json_that_gives_two_values_to_one_name_loses_none() -> None:
    for joined, ends in ((",", "[]"), ("\n", ("", ""))):
        text = ends[0] + joined.join(_records(', "a": 99')) + ends[1]
        with pytest.raises(IntakeError, match="twice in one record") as caught:
            look(Source("a.json", text.encode()), Options(), zone=MADRID)
        assert "'a' twice" in str(caught.value)
    agreeing = "[" + ",".join(_records(', "unit": "c", "unit": "c"')) + "]"
    assert carries_names(agreeing)


def test_a_time_that_leaves_no_row_of_data_is_named_with_its_line() -> None:
    rows = [f"Mon {2 + i:02d} Mar 06h0{i}-00;{20 + i}" for i in range(6)]
    with pytest.raises(IntakeError, match="'Mon 02 Mar 06h00-00' in line 2 cannot be read as a time: give --time-f"):
        look(Source("c.csv", "\n".join(["When;Control (C)", *rows]).encode()), Options())


def test_a_heading_is_not_split_by_a_mark_that_the_rows_have_in_their_cells() -> None:
    """Decimal points that became semicolons: the semicolon splits the rows into as many cells as the heading has."""
    rows = [f"2026-03-14 08:0{i}:00,2{i};1,3{i};7,4{i};3" for i in range(9)]
    text = "\n".join(["Time,Control (°C),Work 1 (°C),Work 2 (°C)", *rows])
    assert look(Source("c.csv", text.encode()), Options()).questions


def test_a_unit_in_one_cell_is_not_the_columns() -> None:
    """One °F among bare numbers of a log: neither the column's unit, nor passed over."""
    lines = [f"2026-03-14 08:0{i}:00 [INFO] oven: control={20 + i}{'F' if i == 4 else ''}, work=2{i}" for i in range(9)]
    with pytest.raises(IntakeError, match="of 'control' 1 cell with a unit and 8 without one"):
        look(Source("c.log", "\n".join(lines).encode()), Options.named(unit="c"))


def test_no_value_of_a_json_record_is_lost() -> None:
    """Lists of any length, records within lists, what stands beside the records, and arrays without names."""
    long = [{"time": f"2026-03-14T08:0{i}:00Z", "tc": [20.0 + i + k for k in range(420)]} for i in range(5)]
    reading = look(Source("c.json", json.dumps(long).encode()), Options.named(channel=("tc *=work",), unit="c")).reading
    assert reading.values.shape == (420, 5) and reading.values[:, 1].tolist() == [21.0 + k for k in range(420)]
    within = [{"t": f"2026-03-14T08:0{i}:00Z", "zones": [{"pv": i}, {"pv": 2 * i}]} for i in range(5)]
    above, heading, *rows = as_table(json.dumps({"furnace": {"no": 7, "of": ["a", "b"]}, "rows": within}))[0][2:]
    assert [above, heading, rows[-1]] == [
        ["furnace of 2: b"], ["t", "zones 1 pv", "zones 2 pv"], ["2026-03-14T08:04:00Z", "4", "8"]
    ]  # fmt: skip
    bare = json.dumps({"unit": "C", "rows": [[1.5, 2, [3, 4]]] * 4})
    assert as_table(bare)[0] == [["unit: C"], *[["1.5", "2", '["3", "4"]']] * 4]


def test_json_nested_as_deep_as_the_parser_goes_is_none_of_a_recorder() -> None:
    deepest = sys.getrecursionlimit()
    for depth in range(deepest - 120, deepest, 1):  # where the parser just manages, and what follows does not
        for inner in (',"x":' + "[" * depth + "1" + "]" * depth, ',"":' + '{"":' * depth + "1" + "}" * depth):
            for text in ("[" + ",".join(_records(inner)[:4]) + "]", "\n".join(_records(inner)[:4])):
                carries_names(text)


def test_more_json_than_is_read_is_refused_before_it_is_taken_apart() -> None:
    with pytest.raises(LoadbookError, match="more than 10,000,000 values"):
        carries_names("[" + "{}," * MOST_CELLS + "{}]")


@pytest.mark.parametrize(
    ("ends", "asked"),
    [((604.0, 530.0, 472.0, 410.0, 356.0), []), ((604.0, 472.0, 530.0), [472.0]), ((604.0, 472.0), [472.0])],
)
def test_a_quench_passes_over_the_number_of_an_open_circuit(ends: tuple[float, ...], asked: list[float]) -> None:
    """At 60 °C a sample 472 °C is on the way down; an open circuit is come to and left again, or never left."""
    raw = np.array([*np.linspace(20.0, 604.0, 40), *ends])
    assert list(implausible.lone_sentinels(raw, raw)) == asked


def test_a_channel_that_stays_on_many_numbers_is_one_question() -> None:
    cells = [v for i in range(12) for v in (20.0 + i, 20.0 + i, 600.0 + i, 600.5 + i)] + [
        -242.02,
        -242.02,
        600.0,
        601.5,
    ]
    rows = [f"2026-03-14 08:{i // 60:02d}:{i % 60:02d},{v}" for i, v in enumerate(cells)]
    source = Source("a.csv", "\n".join(["Time,Control (°C)", *rows, ""]).encode())
    asked = [q for q in look(source, Options(), zone=MADRID).questions if "jumps" in q.text]
    assert len(asked) == 1
    assert "stays exactly on 13 numbers" in asked[0].text
    assert asked[0].option.startswith("--sentinel -242.02 ")
    assert not look(source, Options(believed=("Control",), readings=("-242.02",)), zone=MADRID).questions


@pytest.mark.parametrize(
    "heading, units, found",
    [
        ("Time;Ctrl;Vac;Load", ";°C;mbar;°F", ["c", "mbar", "f"]),
        ("Time;Ctrl;Vac;Load", "°C;mbar;°F", ["c", "mbar", "f"]),  # no cell over the time: each stood one too far left
        ("Time;Ctrl;Vac;Load", "°C;°F", ["", "", ""]),  # nothing tells whose: asked
        ("Time;Ctrl;Vac;Load", "h:m:s;°C;mbar;°F", ["c", "mbar", "f"]),
        ("   Time    Ctrl    Vac     Load", "           degC    mbar    degF", ["c", "mbar", "f"]),
        ("   Time      Ctrl      Vac     Load", "             degC            degF", ["c", "", "f"]),
    ],
)
def test_units_stand_over_their_own_columns(heading: str, units: str, found: list[str], tmp_path: Path) -> None:
    """A row of units some cells short went one column to the left: the furnace became a pressure, the vacuum °F."""
    rows = [(f"22:{i:02d}:00", 20.0 + i, 1e-3, 68.0 + i) for i in range(50)]
    wide = "   {}    {:6.1f}   {:6.4f}  {:6.1f}" if heading.startswith(" ") else "{};{:.1f};{:.4f};{:.1f}"
    file = tmp_path / "a.txt"
    file.write_text("\n".join([heading, units, *(wide.format(*r) for r in rows)]) + "\n", encoding="utf-8")
    channels_read = look(open_source(file), Options.named(channel=["Vac=pressure"])).reading.channels
    assert [(c.name, c.unit_read.replace("?", "")) for c in channels_read] == list(
        zip(["Ctrl", "Vac", "Load"], found, strict=True)
    )


@pytest.mark.parametrize(
    "heading, row, stated, told",
    [
        ("Oven (0.1 °C)", "{t:.0f}0", {"channel": ["Oven*=control,c"]}, '--scale "Oven (0.1 °C)=0.1", or --believe'),
        ("Oven (K)", "{t:.1f}", {"channel": ["Oven=control"]}, "is its K kelvin, or the type of its thermocouple?"),
        ("Oven (°C),Vac log", "{t:.1f},-2.5", {"channel": ["Vac log=pressure,mbar"]}, "is below zero in 50 samples"),
        ("PartTempC,OvenTempF", "{t:.1f},{f:.1f}", {}, "'OvenTempF' carries no unit | --channel OvenTempF=ROLE,f"),
        ("Oven (°C),1,2,3", "{t:.1f},1.5,2.5,3.5", {}, "what do '1', '2' and '3' measure | --channel \"?=work\""),
        ("Furnace (°C),Carbon SP", "{t:.1f},0.85", {}, ""),
        ("Furnace (°C),Vacuum SP (mbar)", "{t:.1f},0.01", {}, ""),
    ],
)
def test_what_a_heading_leaves_open_is_asked_and_nothing_else(
    heading: str, row: str, stated: dict[str, Any], told: str, tmp_path: Path
) -> None:
    lines = [f"2026-03-14 08:{i:02d}:00,{row.format(t=20.0 + i, f=68.0 + 1.8 * i)}" for i in range(50)]
    file = tmp_path / "a.csv"
    file.write_text("\n".join([f"Time,{heading}", *lines]) + "\n", encoding="utf-8")
    asked = [f"{q.text} | {q.option}" for q in look(open_source(file), Options.named(**stated), zone=MADRID).questions]
    assert any(told in q for q in asked) if told else not asked


@pytest.mark.parametrize(("heading", "stated"), [("Time (days)", ""), ("Time", "d"), ("Elapsed", "")])
def test_times_counted_in_days(heading: str, stated: str) -> None:
    """They were asked about, and no answer was days."""
    text = f"{heading},TC 1 (°C)\n" + "".join(f"{i / 1440:.8f},{20 + i}\n" for i in range(60))
    read = look(
        Source("a.csv", text.encode()), Options.named(channel=["*=work"], start="2026-03-01T08:00", time_unit=stated)
    )
    assert read.reading.t_s[-1] == pytest.approx(59 * 60 if stated or "days" in heading else 59 / 1440, abs=1e-3)
    assert any("--time-unit s, min, h, d or ms" in q.option for q in read.questions) == (heading == "Elapsed")


def test_times_that_are_written_otherwise_than_the_layout_says_ask_for_another_layout() -> None:
    kept = Layout(time_columns=("Time",), time_format="%Y-%m-%d %H:%M")
    for day, says in (("14.03.2026", "save that anew"), ("26-03-14", "save that anew"), ("2026-03-14", "")):
        text = "Time,Zone 1 (°C)\n" + "".join(f"{day} 08:{i:02d},{20 + i}\n" for i in range(50))
        if not says:
            assert look(Source("a.csv", text.encode()), Options(), layout=kept, zone=MADRID).questions == []
            continue
        with pytest.raises(IntakeError, match=says):
            look(Source("a.csv", text.encode()), Options(), layout=kept, zone=MADRID)


@pytest.mark.parametrize(
    ("above", "time", "option"),
    [
        ("Timezone: UTC\n", "Time", "--zone +00:00"),
        ("Time zone,America/Chicago\n", "Time", "--zone America/Chicago"),
        ("All times are in EST\n", "Time", "--zone -05:00"), ("", "Time_UTC", "--zone +00:00"),
        ("Timezone: CET\n", "Time", ""), ("Time zone: Europe/Madrid\n", "Time", ""),
        ("Zone: Load/Unload\n", "Time", ""),
        ("Sometimes UTC\n", "Time", ""),
        ("Timezone: America/Chicago\nExported 2026-03-14 16:00 GMT\n", "Time", "--zone America/Chicago"),
        ("Time zone: Europe/Madrid\n", "Time (UTC)", "--zone +00:00"),
    ],
)  # fmt: skip
def test_the_zone_that_a_file_states_is_asked_about_where_the_book_has_another(
    above: str, time: str, option: str
) -> None:
    text = f"{above}{time},Zone 1 (°C)\n" + "".join(f"2026-03-14 08:{i:02d},{20 + i}\n" for i in range(50))
    asked = [q.option for q in look(Source("a.csv", text.encode()), Options(), zone=MADRID).questions]
    assert [o.startswith(option) for o in asked] == [True] * bool(option)


@pytest.mark.parametrize("line", ["Date: {}", "{}", "Date,{}"])
def test_the_date_above_each_page_is_that_of_its_times(line: str) -> None:
    """Above a heading that comes again it was left out: a day without a page was lost, and 50 hours became one."""
    pages = [
        f"{line.format(day)}\nTime,Zone 1 (°C)\n" + "".join(f"{hour}:{i:02d},{20 + i}\n" for i in range(40))
        for day, hour in (("2026-03-24", 10), ("2026-03-26", 12))
    ]
    read = look(Source("a.csv", "\n".join(pages).encode()), Options(), zone=MADRID)
    assert read.questions == []
    assert read.reading.t_s[40] == 50 * 3600
    assert look(Source("a.csv", "\n".join(pages).encode()), Options(start="file"), zone=MADRID).questions == []


@pytest.mark.parametrize(
    ("names", "zero", "digits", "stated", "asked"),
    [
        ("Furnace,Part 1,Part 2", 273.15, 1, {}, True),
        ("Zone 1,Zone 2", 273.15, 2, {}, True),  # the last digits say it
        ("Furnace,Part 1,Part 2", 273.15, 1, {"believe": ["*"]}, False),
        ("Furnace,Part 1,Part 2", 273.15, 1, {"channel": ["Furnace=control,k", "Part *=work,k"]}, False),
        ("Furnace,Part 1,Part 2", 0.0, 1, {}, False),
        ("Zone 1,Zone 2,Zone 3", 280.0, 1, {}, False),  # furnaces idle at 300 °C
    ],
)
def test_kelvin_below_a_heading_of_celsius_is_asked_about(
    names: str, zero: float, digits: int, stated: dict[str, Any], asked: bool, tmp_path: Path
) -> None:
    heads = names.split(",")
    lines = [
        f"2026-03-14 {8 + i // 60:02d}:{i % 60:02d}:00,"
        + ",".join(f"{20 + 3 * i - k + zero:.{digits}f}" for k in range(len(heads)))
        for i in range(80)
    ]
    file = tmp_path / "a.csv"
    file.write_text("\n".join(["Time," + ",".join(f"{n} (°C)" for n in heads), *lines]) + "\n", encoding="utf-8")
    questions = look(open_source(file), Options.named(**stated), zone=MADRID).questions
    assert ["kelvin" in q.text for q in questions] == [True] * asked


def test_setpoints_of_other_things_are_not_readings_of_them() -> None:
    """The setpoint of a vacuum had gone in as a vacuum, that of a carbon potential as a temperature."""
    for text in ("Vacuum SP (mbar)", "O2 setpoint %", "Carbon SP", "Flow SP", "Pressure setpoint", "Dew point SP (°C)"):
        assert read_heading(text).role == "other", text
    for text in ("Zone 1 SP", "Program SP", "Target (°C)", "Sollwert", "SP"):
        assert read_heading(text).role == "setpoint", text


def test_a_list_of_alarms_below_the_data_is_a_question(tmp_path: Path) -> None:
    lines = [f"2026-03-14 08:{i:02d}:00,{20 + i},{18 + i}" for i in range(50)]
    alarms = ["", "Alarms", "Time,Text,Level", "2026-03-14 08:20:00,Door open,2", "2026-03-14 08:30:00,Door closed,1"]
    file = tmp_path / "a.csv"
    file.write_text("\n".join(["Time,Furnace (°C),Part (°C)", *lines, *alarms]) + "\n", encoding="utf-8")
    asked = look(open_source(file), Options(), zone=MADRID).questions
    assert ["the heading changes in line 54" in q.text for q in asked] == [True]
    read = look(open_source(file), Options(headings="first"), zone=MADRID)
    assert not read.questions and read.reading.values.shape == (2, 50)


def test_a_file_that_measures_nothing_of_a_furnace_is_refused(tmp_path: Path) -> None:
    file = tmp_path / "a.csv"
    file.write_text("Time,Power (kW)\n" + "".join(f"2026-03-14 08:{i:02d}:00,{40 + i}\n" for i in range(30)))
    with pytest.raises(IntakeError, match="no channel is a temperature"):
        look(open_source(file), Options(), zone=MADRID)


def test_a_first_row_off_the_beat_of_the_others_is_asked_about_before_all_moments_hang_on_it(tmp_path: Path) -> None:
    """The cells of the first row changed places: with --start all other rows went 24.1 s too early."""
    file = tmp_path / "a.csv"
    rows = ["24.1,0,20.7", *(f"{30 * i},{20 + i}.5,{18 + i}.1" for i in range(1, 40))]
    file.write_text("\n".join(["Elapsed (s),Furnace (°C),Part (°C)", *rows]) + "\n", encoding="utf-8")
    told = "the first row stands at 24.1 s, and not on the beat"
    began = datetime(2026, 3, 14, 7, tzinfo=UTC)
    moment = "2026-03-14T08:00"
    for options, asked in (
        (Options(start=moment), True), (Options(start="run"), True), (Options(zero=moment), False),
        (Options(zero="run"), False),
    ):  # fmt: skip
        questions = look(open_source(file), options, zone=MADRID, run_started=began).questions
        assert any(told in q.text for q in questions) == asked


RAMP = [20.0 + 5.0 * k for k in range(61)]


def _three(units: str = "ccc", after: str = "") -> Source:
    """Three channels that rise by 5 °C a minute, each written in its unit under headings that say °C."""
    lines = ["Time,Control (°C),Work TC 1 (°C),Work TC 2 (°C)"]
    for k, value in enumerate(RAMP):
        cells = (
            value - lag if u == "c" else 1.8 * (value - lag) + 32.0 for u, lag in zip(units, (0, 3, 6), strict=True)
        )
        lines.append(f"2026-03-14 {8 + k // 60:02d}:{k % 60:02d}," + ",".join(f"{c:.1f}" for c in cells))
    return Source("a.csv", ("\n".join(lines) + "\n" + after).encode())


@pytest.mark.parametrize("after", ["\x00" * 512, "\x1a", "\nAlarms\n2026-03-14 08:20,High limit zone 1,ON\n",
                                   "2026-03-14 08:20,High limit zone 1,ON\n"])  # fmt: skip
def test_what_fills_or_follows_the_data_is_none(after: str) -> None:
    read = look(_three(after=after), Options())
    assert not read.questions and len(read.reading.t_s) == len(RAMP)
    assert read.reading.values[0].tolist() == RAMP
    assert ("a list below the data" in " ".join(read.notes)) == ("High" in after)


def test_open_circuits_at_the_end_are_no_list() -> None:
    rows = "2026-03-14 09:01,OPEN,OPEN,OPEN\n2026-03-14 09:02,OPEN,OPEN,OPEN\n"
    assert len(look(_three(after=rows), Options()).reading.t_s) == len(RAMP) + 2


def test_a_channel_that_runs_as_the_others_in_the_other_unit_is_asked_about() -> None:
    assert not look(_three(), Options()).questions
    (asked,) = look(_three("ccf"), Options()).questions
    assert "'Work TC 2' was read in °C, and runs as the others do in °F (highest 597.2)" in asked.text
    assert asked.option == '--channel "Work TC 2=work,f", or --believe "Work TC 2"'
    settled = look(_three("ccf"), Options.named(channel=["Work TC 2=work,f"]))
    assert not settled.questions and settled.reading.values[2, -1] == pytest.approx(314.0, abs=0.05)


def test_a_unit_switched_within_the_file_is_asked_about() -> None:
    lines = _three().data.decode().splitlines()
    for first, last in ((30, 62), (30, 40)):
        rows = [x.split(",") for x in lines]
        for row in rows[first:last]:
            row[1:] = [f"{1.8 * float(c) + 32.0:.1f}" for c in row[1:]]
        data = "\n".join(map(",".join, rows)).encode() + b"\n"
        (asked,) = look(Source("a.csv", data), Options()).questions
        assert "from line 31 on every temperature goes on as if it were in °F" in asked.text
        assert ("and back in line 41" in asked.text) == (last == 40)
        assert not look(Source("a.csv", data), Options(believed=("*",))).questions


def test_marks_behind_numbers_are_asked_about_and_taken_off() -> None:
    """The usual one means nothing; a rare one may say that its number does not count; a name is no number."""
    rows = [x.split(",") for x in _three().data.decode().splitlines()]
    data = [[r[0], r[1] + " N", r[2], r[3] + ("*" if 20 <= k < 23 else ""), f"{k}A"] for k, r in enumerate(rows[1:])]
    source = Source("a.csv", "\n".join(map(",".join, [[*rows[0], "Batch"], *data])).encode() + b"\n")
    above = Source("a.csv", b"Sample,34.04 G\n" + source.data)  # stands among no numbers
    assert [q.text[:9] for q in look(above, Options()).questions] == ["3 numbers"]
    (asked,) = look(source, Options()).questions
    assert asked.text == "3 numbers with a mark behind (the first in line 22, '114.0*'): worth nothing there?"
    kept = look(source, Options(status="keep"))
    assert kept.reading.values[:, 20].tolist() == [120.0, 117.0, 114.0] and len(kept.reading.channels) == 3
    assert "'N' behind almost every number: left away" in kept.notes
    out = look(source, Options(status="out")).reading
    assert np.flatnonzero(out.flags[2] & MISSING).tolist() == [20, 21, 22] and not out.flags[0].any()


def test_values_held_between_measurements_are_told_and_first_rows_of_zeros_asked_about() -> None:
    def changed(change: Any) -> Source:
        head, *rows = (x.split(",") for x in _three().data.decode().splitlines())
        cells = [[row[0], *change(k, rows)] for k, row in enumerate(rows)]
        return Source("a.csv", "\n".join(map(",".join, [head, *cells])).encode() + b"\n")

    held = look(changed(lambda k, rows: rows[k - k % 5][1:3] + rows[k][3:]), Options())
    assert not held.questions
    assert "'Control' and 'Work TC 1' change only every 5 samples (300 s), held between" in " ".join(held.notes)
    (asked,) = look(changed(lambda k, rows: ["0.0"] * 3 if k < 3 else rows[k][1:]), Options()).questions
    assert asked.text.startswith("the first 3 rows (from line 2) hold an exact 0 in 3 of 3 temperature channels")
