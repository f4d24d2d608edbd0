"""Files and runs come apart: a run out of several files, several runs out of one, cut, merged and compared honestly."""

from __future__ import annotations

import json
import re
import subprocess
from collections.abc import Callable, Sequence
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from loadbook.analysis.clauses.series import View, rate
from loadbook.analysis.trace.model import DUPLICATE_TIME, INVALID, MISSING, NOT_SAMPLED, Channel, Trace
from loadbook.analysis.trace.one_clock import on_one_clock
from loadbook.analysis.trace.validity import prepared
from loadbook.core.errors import IntakeError, LoadbookError, OpenQuestion
from loadbook.group.publish import publish
from loadbook.queries.recompute import recompute
from loadbook.readers.recorder.options import Options
from loadbook.readers.recorder.part import Part, asked_of, pieces_of
from loadbook.readers.recorder.take import take_trace
from loadbook.store.backup import backup, restore
from loadbook.store.book import BookFolder
from loadbook.store.records import add_intake
from loadbook.store.trace_files import read_trace
from loadbook.store.verify import verify

Run = Callable[..., subprocess.CompletedProcess[str]]
BEGAN = datetime(2026, 3, 1, 9, 0)  # 08:00 UTC, on the book's clock: run R1 of the small book


def wave(minutes: float) -> float:
    return round(300.0 + 200.0 * float(np.sin(minutes / 37.0)) + 3.0 * float(np.sin(minutes)), 2)


def waves(count: int, at: float = 20.0) -> list[float]:
    return [round(at + wave(m), 2) for m in range(count)]


def chart(
    path: Path, names: Sequence[str], *, start: datetime = BEGAN, every: float = 60.0, count: int = 60, at: float = 20.0
) -> Path:
    """A recorder's file: channel k reads `at` + k + a wave on the run's clock."""
    lines = [",".join(["Time", *(f"{n} (°C)" for n in names)])]
    for i in range(count):
        moment = start + timedelta(seconds=i * every)
        minutes = (moment - BEGAN).total_seconds() / 60
        lines.append(",".join([moment.isoformat(" "), *(f"{at + k + wave(minutes):.2f}" for k in range(len(names)))]))
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def a_run(book: BookFolder, name: str, started: str, ended: str | None = None, furnace: str = "F1") -> None:
    with book.write() as conn:
        row = {"run": name, "furnace": furnace, "started": started, "ended": ended, "status": "done"}
        add_intake(conn, "runs", {"run": [row]}, rows_read=1)


def current(book: BookFolder, run: str = "R1") -> dict[str, object]:
    row = book.read().execute("SELECT * FROM trace WHERE run = ? AND state = 'current'", (run,)).fetchone()
    return dict(row)


def rows(book: BookFolder) -> dict[str, int]:
    return {
        t: book.read().execute(f"SELECT count(*) FROM {t}").fetchone()[0]
        for t in ("trace", "intake", "channel", "amendment")
    }


# -- one run, several files ---------------------------------------------------------------------------


def test_an_hour_a_file(book: BookFolder, tmp_path: Path) -> None:
    hours = [
        chart(tmp_path / f"h{k}.csv", ["Control", "Work 1"], start=BEGAN + timedelta(hours=k), count=61)
        for k in range(3)
    ]  # the last row of each hour is the first of the next
    taken = take_trace(book, [hours[2], hours[0], hours[1]], "R1")
    assert taken.files == ("h2.csv", "h0.csv", "h1.csv") and taken.seconds == 3 * 3600
    assert any("2 readings alike, kept once" in n or "1 reading alike" in n for n in taken.notes)
    trace = read_trace(book, taken.trace_id)
    np.testing.assert_array_equal(trace.t_s, 60.0 * np.arange(181))
    np.testing.assert_allclose(trace.values[0], waves(181))
    assert not trace.flags.any()
    row = current(book)
    assert (row["source_name"], row["samples"], row["gaps"]) == ("h2.csv, h0.csv, h1.csv", 181, 0)
    assert [p["from"][11:16] for p in pieces_of(row)] == ["10:00", "08:00", "09:00"]
    before = rows(book)
    assert take_trace(book, hours, "R1").already and take_trace(book, hours[1], "R1").already
    assert rows(book) == before


def test_a_channel_that_the_next_file_calls_otherwise_gets_one_name(book: BookFolder, tmp_path: Path) -> None:
    a = chart(tmp_path / "a.csv", ["Control", "Work 1"], count=60)
    b = chart(tmp_path / "b.csv", ["Oven control", "Load 1"], start=BEGAN + timedelta(hours=1), count=60)
    given = Options(renamed=("Oven control=Control", "load 1=Work 1"))
    trace = read_trace(book, take_trace(book, [a, b], "R1", given).trace_id)
    assert [c.name for c in trace.channels] == ["Control", "Work 1"]
    np.testing.assert_allclose(trace.values, [waves(120), waves(120, 21.0)])
    c = chart(tmp_path / "c.csv", ["Zone", "Load 2"], start=BEGAN + timedelta(hours=2), count=60)
    for renamed, says in (("*=Work 1", "two channels would have the name"), ("Lod 2=Work 1", "no channel fits")):
        with pytest.raises(IntakeError, match=says):
            take_trace(book, c, "R1", Options(renamed=(renamed,)), part=Part(join=True))


def test_two_loggers_keep_their_own_moments(book: BookFolder, tmp_path: Path) -> None:
    a = chart(tmp_path / "a.csv", ["Control", "Work 1"])
    b = chart(tmp_path / "b.csv", ["Work 2"], start=BEGAN + timedelta(seconds=7), every=20.0, count=180)
    taken = take_trace(book, [a, b], "R1")
    trace = read_trace(book, taken.trace_id)
    assert [c.name for c in trace.channels] == ["Control", "Work 1", "Work 2"]
    read = (trace.flags & NOT_SAMPLED) == 0
    assert read.sum(axis=1).tolist() == [60, 60, 180] and len(trace.t_s) == 240
    np.testing.assert_array_equal(trace.t_s[read[2]], 7.0 + 20.0 * np.arange(180))  # as written, to the second
    assert np.isnan(trace.values[~read]).all() and not (trace.flags & INVALID).any()
    row = current(book)
    assert (row["missing"], row["gaps"], row["interval_s"]) == (0, 0, 20.0)
    valid = book.read().execute("SELECT channel, valid FROM trace_channel ORDER BY number").fetchall()
    assert [tuple(v) for v in valid] == [("Control", 60), ("Work 1", 60), ("Work 2", 180)]


def test_a_logger_that_stopped_leaves_a_gap(book: BookFolder, tmp_path: Path) -> None:
    a = chart(tmp_path / "a.csv", ["Control"], count=120)
    b = chart(tmp_path / "b.csv", ["Work 1"], count=30)
    trace = read_trace(book, take_trace(book, [a, b], "R1").trace_id)
    clock = prepared(trace)
    assert np.isnan(clock.values[1, 30:]).all() and np.isfinite(clock.values[1, :30]).all()


def test_a_restart_that_overlaps_is_compared(book: BookFolder, tmp_path: Path) -> None:
    a = chart(tmp_path / "a.csv", ["Control", "Work 1"], count=60)
    b = chart(tmp_path / "b.csv", ["Control", "Work 1"], start=BEGAN + timedelta(minutes=50), count=60, at=23.0)
    with pytest.raises(OpenQuestion) as asked:
        take_trace(book, [a, b], "R1")
    assert "a.csv and b.csv both hold 'Control', 'Work 1' from 2026-03-01 09:50+01:00" in str(asked.value)
    assert "20 different, up to 3 °C apart" in str(asked.value) and "--overlap first or last" in str(asked.value)
    assert rows(book)["trace"] == 0
    first = take_trace(book, [a, b], "R1", part=Part(overlap="first"))
    trace = read_trace(book, first.trace_id)
    np.testing.assert_allclose(trace.values[0], waves(60) + waves(110, 23.0)[60:])
    assert (trace.flags[0] & DUPLICATE_TIME > 0).sum() == 10
    assert any("the first file counts" in n for n in first.notes)


def test_the_last_file_may_count(book: BookFolder, tmp_path: Path) -> None:
    a = chart(tmp_path / "a.csv", ["Control", "Work 1"], count=60)
    b = chart(tmp_path / "b.csv", ["Control", "Work 1"], start=BEGAN + timedelta(minutes=50), count=60, at=23.0)
    trace = read_trace(book, take_trace(book, [a, b], "R1", part=Part(overlap="last")).trace_id)
    np.testing.assert_allclose(trace.values[0], waves(50) + waves(110, 23.0)[50:])


def test_readings_in_between_are_asked_too(book: BookFolder, tmp_path: Path) -> None:
    a = chart(tmp_path / "a.csv", ["Control"])
    b = chart(tmp_path / "b.csv", ["Control"], start=BEGAN + timedelta(seconds=30), at=500.0)
    with pytest.raises(OpenQuestion, match="59 at other moments, up to 480 °C apart"):
        take_trace(book, [a, b], "R1")
    taken = take_trace(book, [a, b], "R1", part=Part(apart=True))
    assert [c.name for c in taken.channels] == ["Control (a)", "Control (b)"]


def test_a_hole_is_filled_by_the_other_file(book: BookFolder, tmp_path: Path) -> None:
    whole = chart(tmp_path / "a.csv", ["Control"], count=60)
    b = chart(tmp_path / "b.csv", ["Control"], start=BEGAN + timedelta(minutes=20), count=20)
    lines = whole.read_text().splitlines()
    whole.write_text("\n".join(lines[:21] + lines[41:]) + "\n")
    trace = read_trace(book, take_trace(book, [whole, b], "R1").trace_id)
    np.testing.assert_allclose(trace.values[0], waves(60))


def test_one_name_with_two_meanings_is_refused(book: BookFolder, tmp_path: Path) -> None:
    a = chart(tmp_path / "a.csv", ["Work 1"])
    b = tmp_path / "b.csv"
    b.write_text(a.read_text().replace("Work 1 (°C)", "Work 1 (mbar)"))
    with pytest.raises(LoadbookError, match="Work 1"):
        take_trace(book, [a, b], "R1")


def test_a_file_that_comes_later_is_joined(book: BookFolder, tmp_path: Path) -> None:
    a, b = chart(tmp_path / "a.csv", ["Control"]), chart(tmp_path / "b.csv", ["Work 1"])
    first = take_trace(book, a, "R1")
    with pytest.raises(LoadbookError, match="add --join"):
        take_trace(book, b, "R1")
    joined = take_trace(book, b, "R1", part=Part(join=True))
    assert joined.withdrawn == first.trace_id and current(book)["source_name"] == "a.csv, b.csv"
    why = book.read().execute("SELECT why FROM amendment").fetchone()[0]
    assert why == f"made anew with b.csv as {joined.trace_id}"
    before = rows(book)
    for given in (a, b, [a, b]):
        assert take_trace(book, given, "R1", part=Part(join=True)).already
    assert rows(book) == before
    trace = read_trace(book, joined.trace_id)
    assert [c.name for c in trace.channels] == ["Control", "Work 1"] and not trace.flags.any()
    assert verify(book).wrong == []


# -- one file, several runs ---------------------------------------------------------------------------


def test_two_ovens_in_one_file(book: BookFolder, tmp_path: Path) -> None:
    a_run(book, "R2", "2026-03-01T08:00:00Z", furnace="F1")
    file = chart(tmp_path / "both.csv", ["Oven 1 control", "Oven 1 work", "Oven 2 control", "Oven 2 work"])
    with pytest.raises(IntakeError, match="no channel fits --channels 'Kiln"):
        take_trace(book, file, "R1", part=Part(channels=("Kiln*",)))
    one, two = Part(channels=("Oven 1*",)), Part(channels=("Oven 2*",))
    assert [c.name for c in take_trace(book, file, "R1", part=one).channels] == ["Oven 1 control", "Oven 1 work"]
    with pytest.raises(LoadbookError, match="this very file is the trace of run 'R1'"):
        take_trace(book, file, "R2")
    assert take_trace(book, file, "R2", part=two).channels[0].name == "Oven 2 control"
    before = rows(book)
    assert take_trace(book, file, "R1", part=one).already and take_trace(book, file, "R2", part=two).already
    assert rows(book) == before


def test_nothing_is_asked_about_the_channels_left_out(book: BookFolder, tmp_path: Path) -> None:
    file = chart(tmp_path / "both.csv", ["Control", "Ch 7"])
    with pytest.raises(OpenQuestion, match="Ch 7"):
        take_trace(book, file, "R1")
    assert len(take_trace(book, file, "R1", part=Part(channels=("Control",))).channels) == 1


def test_the_runs_own_times_cut_a_day(book: BookFolder, tmp_path: Path) -> None:
    a_run(book, "M", "2026-03-02T06:00:00Z", "2026-03-02T10:00:00Z")
    a_run(book, "N", "2026-03-02T12:00:00Z", "2026-03-02T20:00:00Z")
    file = chart(tmp_path / "day.csv", ["Control"], start=datetime(2026, 3, 2, 0, 0), every=300.0, count=288)
    morning, night = take_trace(book, file, "M"), take_trace(book, file, "N")
    assert (morning.started, morning.seconds) == ("2026-03-02T06:00:00Z", 4 * 3600)
    assert (night.started, night.seconds) == ("2026-03-02T12:00:00Z", 8 * 3600)
    said = "cut to the run's own times (--whole takes all): 84 before and 155 after of 288 samples stay out"
    assert said in morning.notes
    assert take_trace(book, file, "M").already


def test_a_stated_window_cuts_to_the_second(book: BookFolder, tmp_path: Path) -> None:
    file = chart(tmp_path / "a.csv", ["Control"])
    part = Part(begins="2026-03-01T09:10", ends="2026-03-01T08:20:00Z")  # the shop's clock, and one with an offset
    taken = take_trace(book, file, "R1", part=part)
    assert (taken.started, taken.seconds) == ("2026-03-01T08:10:00Z", 600.0)
    assert take_trace(book, file, "R1", part=Part(begins="2026-03-01T08:10:00Z", ends="2026-03-01T09:20")).already
    with pytest.raises(IntakeError, match="nothing was recorded between"):
        a_run(book, "R3", "2026-03-01T08:00:00Z")
        take_trace(book, file, "R3", part=Part(begins="2026-03-05T00:00"))


def test_a_record_without_end_is_a_question(book: BookFolder, tmp_path: Path) -> None:
    file = chart(tmp_path / "a.csv", ["Control"], every=3600.0 * 6, count=1042)
    with pytest.raises(OpenQuestion, match="6,246 h are recorded, and when run 'R1' ended is not"):
        take_trace(book, file, "R1")
    assert take_trace(book, file, "R1", part=Part(ends="2026-03-03T09:00")).seconds == 48 * 3600


def test_a_long_pause_and_the_next_run_are_questions(book: BookFolder, tmp_path: Path) -> None:
    file = chart(tmp_path / "a.csv", ["Control"], count=60)
    later = chart(tmp_path / "b.csv", ["Control"], start=BEGAN + timedelta(hours=20), count=60)
    both = tmp_path / "both.csv"
    both.write_text(file.read_text() + "\n".join(later.read_text().splitlines()[1:]) + "\n")
    with pytest.raises(OpenQuestion, match=r"nothing is recorded for 19.0 h from 2026-03-01 09:59\+01:00: one run"):
        take_trace(book, both, "R1")
    a_run(book, "R2", "2026-03-01T08:30:00Z")
    with pytest.raises(OpenQuestion, match=r"'R2' of this furnace began \(2026-03-01 09:30") as asked:
        take_trace(book, file, "R1")
    assert "--to 2026-03-01T09:30, or --whole" in str(asked.value)
    assert take_trace(book, both, "R1", part=Part(whole=True)).seconds == 20 * 3600 + 59 * 60


# -- everything else that reads traces ----------------------------------------------------------------


def test_what_follows_is_right_for_a_run_of_several_files(book: BookFolder, tmp_path: Path, loadbook: Run) -> None:
    a = chart(tmp_path / "a.csv", ["Control", "Work 1"])
    b = chart(tmp_path / "b.csv", ["Work 2"], start=BEGAN + timedelta(seconds=7), every=20.0, count=180)
    take_trace(book, [a, b], "R1")
    found = [tuple(r) for r in book.read().execute("SELECT parameter, channel, value FROM parameter ORDER BY 1, 2")]
    assert found and verify(book).wrong == []
    recompute(book)
    assert found == [
        tuple(r) for r in book.read().execute("SELECT parameter, channel, value FROM parameter ORDER BY 1, 2")
    ]
    judged = loadbook("judge", "R1", "--book", str(book.path))
    assert judged.returncode == 0, judged.stderr
    samples = loadbook(
        "sql", "SELECT channel, count(value) AS n FROM samples GROUP BY channel ORDER BY channel", "--format", "csv",
        "--book", str(book.path),
    )  # fmt: skip
    assert samples.stdout.splitlines()[1:] == ["Control,60", "Work 1,60", "Work 2,180"], samples.stderr
    backup(book, tmp_path / "kept.zip")
    restore(tmp_path / "kept.zip", tmp_path / "again")
    with BookFolder.open(tmp_path / "again") as again:
        assert verify(again).wrong == [] and current(again) == current(book)
    assert publish(book, str(tmp_path / "group"), "north").traces == 1
    taken = current(book)
    done = loadbook(
        "amend", "traces", str(taken["trace_id"]), "state=withdrawn", "--why", "wrong", "--book", str(book.path)
    )
    assert done.returncode == 0, done.stderr
    assert not take_trace(book, [a, b], "R1").already and verify(book).wrong == []
    assert len(json.loads(str(current(book)["typed"]))["pieces"]) == 2


def trace_of(t: Sequence[float], *channels: Sequence[float | None]) -> Trace:
    values = np.array([[np.nan if v is None else v for v in row] for row in channels], float)
    flags = np.where(np.isnan(values), NOT_SAMPLED, np.uint8(0)).astype(np.uint8)
    named = tuple(Channel(i, f"TC{i}", "work") for i in range(1, len(channels) + 1))
    return Trace(np.array(t, float), values, flags, named)


def test_moments_close_together_are_one_scan() -> None:
    done = on_one_clock(
        trace_of([0, 1, 60, 61, 120, 122], [10, None, 11, None, 12, None], [None, 20, None, 21, None, 22])
    )
    assert done.t_s.tolist() == [0, 60, 120] and done.values.tolist() == [[10, 11, 12], [20, 21, 22]]
    assert not done.flags.any()


def test_a_slower_channel_goes_straight_between_its_own_readings_and_not_over_a_gap() -> None:
    fast = [float(k) for k in range(13)]
    slow = [0.0, None, None, 3.0, None, None, 6.0, None, None, None, None, None, 12.0]
    done = on_one_clock(trace_of([10.0 * k for k in range(13)], fast, slow))
    assert done.values[1].tolist() == [float(k) for k in range(13)]  # 60 s are two of its intervals of 30 s
    slow = [0.0, None, 2.0, None, 4.0, None, None, None, None, None, None, 11.0, 12.0]
    done = on_one_clock(trace_of([10.0 * k for k in range(13)], fast, slow))
    assert np.isnan(done.values[1, 5:11]).all() and done.values[1, 3] == 3.0  # 70 s are more than three of 20 s
    assert (done.flags[1] & NOT_SAMPLED > 0).sum() == 8


def test_beside_a_missing_reading_the_moment_is_missing_too() -> None:
    trace = trace_of([0, 10, 20, 30, 40], [0, 1, 2, 3, 4], [0, None, 2, None, 4])
    trace.flags[1, 2], trace.values[1, 2] = MISSING, np.nan
    done = on_one_clock(trace)
    assert np.isnan(done.values[1, 1:4]).all() and (done.flags[1, 1:4] & MISSING > 0).all()
    again = on_one_clock(done)
    np.testing.assert_array_equal(again.values, done.values)


def test_a_rate_of_a_slower_channel_rests_on_its_own_readings() -> None:
    """Beside a fast recorder its slope and standard error are those that it has alone."""
    slow_t = 60.0 * np.arange(61)
    slow_y = 100.0 + slow_t / 36.0 + np.random.default_rng(4).normal(0.0, 1.5, 61)
    fast = [20.0 + k / 36.0 for k in range(0, 3601, 10)]
    slow = [None if k % 60 else float(slow_y[k // 60]) for k in range(0, 3601, 10)]
    both = on_one_clock(trace_of([float(k) for k in range(0, 3601, 10)], fast, slow))
    alone = trace_of(slow_t.tolist(), slow_y.tolist())
    assert np.isfinite(both.values).all()
    for window in (600.0, 5400.0):  # the second is longer than the stretch: one straight line through it all
        a = rate(View(both, 3600.0), [1], window, np.ones(361, bool), rising=True, fastest=True)
        b = rate(View(alone, 3600.0), [0], window, np.ones(61, bool), rising=True, fastest=True)
        assert a is not None and b is not None
        np.testing.assert_allclose(a.value[::6], b.value, rtol=1e-9)
        seen = np.flatnonzero(np.isfinite(b.value))
        for k in (seen[0], seen[len(seen) // 2], seen[-1]):
            assert a.uncertainty(6 * int(k)) == pytest.approx(b.uncertainty(int(k)), rel=1e-9)
        inside = slice(6 * seen[0], 6 * seen[-1] + 1)
        assert np.isfinite(a.value[inside]).all()  # nothing is blind between the readings
        assert np.nanmax(a.value) == pytest.approx(np.nanmax(b.value), rel=1e-9)


def test_two_stretches_of_one_file_are_two_parts(book: BookFolder, tmp_path: Path) -> None:
    """A clock that begins again: the first stretch is one furnace's run, the second one's is joined or another's."""
    path = tmp_path / "restart.csv"
    rows_ = [f"{60 * i},{20 + 2 * i + 100 * part}.5" for part in (0, 1) for i in range(30)]
    path.write_text("Elapsed (s),Control (°C)\n" + "\n".join(rows_) + "\n", encoding="utf-8")
    first = take_trace(book, path, "R1", Options(stretch="1", start="2026-03-01T09:00"))
    assert take_trace(book, path, "R1", Options(stretch="1", start="2026-03-01T09:00")).already
    with pytest.raises(LoadbookError, match="has a trace already"):
        take_trace(book, path, "R1", Options(stretch="2", start="2026-03-01T10:00"))
    joined = take_trace(book, path, "R1", Options(stretch="2", start="2026-03-01T10:00"), part=Part(join=True))
    assert not joined.already and joined.withdrawn == first.trace_id
    assert [json.loads(p["asked"]) for p in pieces_of(current(book))] == [{"stretch": "1"}, {"stretch": "2"}]
    trace = read_trace(book, joined.trace_id)
    assert (trace.values[0][0], trace.values[0][-1], len(trace.t_s)) == (20.5, 178.5, 60)
    a_run(book, "R2", "2026-03-01T08:00:00Z")
    with pytest.raises(LoadbookError, match="this very file is the trace of run 'R1'"):
        take_trace(book, path, "R2", Options(stretch="2", start="2026-03-01T10:00"))


def test_a_sheet_named_before_and_now(book: BookFolder) -> None:
    """A piece that says which sheet was read, but not that it was asked for, is the same with --sheet."""
    part, zone = Part(channels=("Work 1",)), book.zone
    first, other = (part.asked(zone, Options(sheet=sheet)) for sheet in ("S 1", "S 2"))
    before = {"sheet": "S 1", "asked": part.asked(zone)}
    assert asked_of(before) == {part.asked(zone), first} and other not in asked_of(before)
    assert asked_of({"sheet": "S 1", "asked": first}) == {first}
    assert asked_of({}) == {""} and asked_of({"sheet": "S 1"}) == {"", Part().asked(zone, Options(sheet="S 1"))}


# -- what is said of a channel that is not there -------------------------------------------------------


@pytest.mark.parametrize(
    "said, told",
    [
        ({"channel": ["Wrok 2=ignore", "Work*=work"]}, "no channel fits --channel 'Wrok 2'"),
        ({"channel": ["Work [12]=work"]}, "no channel fits --channel 'Work [12]'"),
        ({"scale": ("TC 9=0.1",)}, "no channel fits --scale 'TC 9'"),
        ({"sentinel": ("TC 9=850", "850"), "believe": ("T?",)}, "no channel fits --sentinel 'TC 9' nor --believe 'T?'"),
    ],
)
def test_what_is_said_of_a_channel_that_no_file_has_is_refused(
    said: dict[str, Any], told: str, book: BookFolder, tmp_path: Path
) -> None:
    """It was passed over without a word: the channel that was meant went in as it was."""
    file = chart(tmp_path / "a.csv", ["Control", "Work 1", "Work 2"])
    before = rows(book)
    with pytest.raises(IntakeError, match=re.escape(told)) as caught:
        take_trace(book, file, "R1", Options.named(**said))
    assert "the channels are Control (°C), Work 1 (°C), Work 2 (°C)" in str(caught.value)
    assert rows(book) == before


def test_what_is_said_of_a_channel_counts_where_one_of_several_files_has_it(book: BookFolder, tmp_path: Path) -> None:
    files = [chart(tmp_path / "a.csv", ["Control", "Work 1"]), chart(tmp_path / "b.csv", ["Aux 1", "Aux 2"])]
    options = Options.named(channel=["Aux 1=work", "Aux 2=ignore", "Work*=work", "Control=control"])
    assert [c.name for c in take_trace(book, files, "R1", options).channels] == ["Control", "Work 1", "Aux 1"]
    more = [chart(tmp_path / f"{n}.csv", [n], start=BEGAN + timedelta(hours=2)) for n in ("Work 2", "Work 3")]
    with pytest.raises(IntakeError, match="no channel fits --channel 'Aux 3'"):
        take_trace(book, more, "R1", Options.named(channel=["Aux 3=work"]), part=Part(join=True, whole=True))


# -- what a file says against the others, and against its run ----------------------------------------


def in_fahrenheit(path: Path) -> Path:
    """The same file in °F, under the same headings."""
    head, *lines = path.read_text(encoding="utf-8").splitlines()
    turned = [[time, *(f"{float(c) * 1.8 + 32:.2f}" for c in cells)] for time, *cells in (x.split(",") for x in lines)]
    path.write_text("\n".join([head, *map(",".join, turned)]) + "\n", encoding="utf-8")
    return path


def test_a_second_file_in_the_other_unit_is_refused(book: BookFolder, tmp_path: Path) -> None:
    first = chart(tmp_path / "a.csv", ["Control", "Work 1"])
    second = in_fahrenheit(chart(tmp_path / "b.csv", ["Control", "Work 1"], start=BEGAN + timedelta(hours=1)))
    with pytest.raises(IntakeError, match=r"from a.csv to b.csv every channel jumps as if the second were in °F"):
        take_trace(book, [first, second], "R1")


def test_a_channel_that_goes_on_under_another_name_is_told(book: BookFolder, tmp_path: Path) -> None:
    first = chart(tmp_path / "a.csv", ["Control", "Work 1"])
    second = chart(tmp_path / "b.csv", ["Control", "Load 1"], start=BEGAN + timedelta(hours=1))
    (said,) = (n for n in take_trace(book, [first, second], "R1").notes if "two names" in n)
    assert said.startswith("'Load 1' of b.csv begins where 'Work 1' of a.csv ends: one channel under two names?")


def a_cycle_run(book: BookFolder, tmp_path: Path, asked: str, hours: float) -> None:
    from loadbook.readers.cycles.file import take_cycle_file

    text = tmp_path / "C.toml"
    text.write_text(
        '[cycle]\nid = "C"\nrevision = "A"\ntitle = "t"\nprocess = "stress relief"\natmosphere = "air"\n'
        f'[[segment]]\nkind = "heat"\ntarget = "{asked}"\nasked_rate = "300 C/h"\n',
        encoding="utf-8",
    )
    take_cycle_file(book, text)
    ended = f"2026-03-01T{int(8 + hours):02d}:{int(hours * 60) % 60:02d}:00Z"
    row = {"run": "C1", "furnace": "F1", "started": "2026-03-01T08:00:00Z", "ended": ended, "status": "done",
           "cycle": "C", "cycle_revision": "A"}  # fmt: skip
    with book.write() as conn:
        add_intake(conn, "runs", {"run": [row]}, rows_read=1)


def test_a_file_that_fits_its_cycle_in_the_other_unit_is_asked_about(book: BookFolder, tmp_path: Path) -> None:
    a_cycle_run(book, tmp_path, "523 C", 1.5)
    path = in_fahrenheit(chart(tmp_path / "b.csv", ["Control", "Work 1"], count=91))
    with pytest.raises(OpenQuestion) as caught:
        take_trace(book, path, "C1")
    assert "the cycle asks for 523 °C, 973 °F: is the file in °F?" in str(caught.value)
    given = ["Control=control,f", "Work 1=work,f"]
    assert not any("°F?" in n for n in take_trace(book, path, "C1", Options.named(channel=given)).notes)


def test_a_record_an_hour_beside_its_run_is_told(book: BookFolder, tmp_path: Path) -> None:
    a_cycle_run(book, tmp_path, "523 C", 1.5)
    path = chart(tmp_path / "a.csv", ["Control", "Work 1"], start=BEGAN + timedelta(hours=1), count=91)
    assert "the record begins and ends 1.0 h after the run" in " ".join(take_trace(book, path, "C1").notes)
