"""A recorder's file becomes the trace of a run: rows, Parquet, parameters and verdict together, or nothing at all."""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from loadbook.core.errors import IntakeError, LoadbookError, NotFoundError, OpenQuestion
from loadbook.readers.recorder import take
from loadbook.readers.recorder.kept_layouts import kept_layout, save_layout
from loadbook.readers.recorder.layout import ChannelRule, Layout
from loadbook.readers.recorder.options import Options
from loadbook.readers.recorder.take import take_trace
from loadbook.readers.recorder.time_axis import rising
from loadbook.store.book import BookFolder
from loadbook.store.records import add_intake
from loadbook.store.trace_files import read_trace

FOLDER = Path(__file__).resolve().parent.parent / "fixtures" / "recorders"
Run = Callable[..., subprocess.CompletedProcess[str]]


def counts(book: BookFolder) -> dict[str, int]:
    tables = ("intake", "trace", "trace_channel", "channel", "parameter", "finding", "chain")
    return {t: book.read().execute(f"SELECT count(*) FROM {t}").fetchone()[0] for t in tables}


def files(book: BookFolder) -> list[Path]:
    return [p for p in (book.path / "traces").rglob("*") if p.is_file()]


def another_run(book: BookFolder, name: str) -> None:
    with book.write() as conn:
        row = {"run": name, "furnace": "F1", "started": "2026-03-14T07:00:00Z", "status": "done"}
        add_intake(conn, "runs", {"run": [row]}, rows_read=1)


def test_everything_of_a_trace_is_kept(book: BookFolder) -> None:
    another_run(book, "R2")
    taken = take_trace(book, FOLDER / "46_plausible_sentinel.csv", "R2", Options(open_values=("850",)))
    assert (taken.verdict, taken.new_channels, taken.already) == ("no cycle", 3, False)
    row = book.read().execute("SELECT * FROM trace").fetchone()
    assert (row["run"], row["state"], row["started"], row["zone"]) == (
        "R2",
        "current",
        "2026-03-14T07:00:00Z",
        "Europe/Madrid",
    )
    assert (row["interval_s"], row["seconds"], row["samples"], row["open"], row["missing"]) == (30.0, 270.0, 10, 3, 0)
    assert row["source_name"] == "46_plausible_sentinel.csv" and row["layout"] == "as proposed"
    channels = book.read().execute("SELECT * FROM trace_channel ORDER BY number").fetchall()
    assert [(c["number"], c["channel"], c["unit"], c["valid"], c["lowest"], c["highest"]) for c in channels] == [
        (1, "Control", "c", 10, 20.0, 110.0), (2, "Work 1", "c", 10, 21.0, 111.0), (3, "Work 2", "c", 7, 22.0, 112.0),
    ]  # fmt: skip
    roles = book.read().execute("SELECT channel, role FROM channel WHERE run = 'R2' ORDER BY channel_id").fetchall()
    assert [tuple(r) for r in roles] == [("Control", "control"), ("Work 1", "work"), ("Work 2", "work")]
    trace = read_trace(book, row["trace_id"])
    np.testing.assert_array_equal(trace.values[0], 20.0 + 10.0 * np.arange(10))
    assert trace.flags[2].tolist() == [0, 0, 0, 0, 2, 2, 2, 0, 0, 0]
    assert counts(book)["parameter"] > 0 and counts(book)["finding"] > 0
    intake = book.read().execute("SELECT * FROM intake ORDER BY intake_id DESC").fetchone()
    assert (intake["kind"], intake["rows_read"], intake["file_name"]) == ("traces", 10, "46_plausible_sentinel.csv")


def test_same_file_twice_adds_nothing(book: BookFolder) -> None:
    take_trace(book, FOLDER / "01_plain.csv", "R1")
    before = counts(book)
    assert take_trace(book, FOLDER / "01_plain.csv", "R1").already
    assert counts(book) == before and len(files(book)) == 1


def test_another_trace_is_refused_until_the_first_is_withdrawn(book: BookFolder, loadbook: Run) -> None:
    take_trace(book, FOLDER / "01_plain.csv", "R1")
    trace_id = book.read().execute("SELECT trace_id FROM trace").fetchone()[0]
    with pytest.raises(LoadbookError) as caught:
        take_trace(book, FOLDER / "16_month_names.csv", "R1")
    assert str(caught.value) == (
        "16_month_names.csv: run 'R1' has a trace already, from 01_plain.csv. "
        "If this is more of the same run, add --join. Else withdraw that one first: "
        f"loadbook amend traces {trace_id} state=withdrawn --why TEXT"
    )
    done = loadbook("amend", "traces", trace_id, "state=withdrawn", "--why", "wrong file", "--book", str(book.path))
    assert done.returncode == 0, done.stderr
    assert not take_trace(book, FOLDER / "16_month_names.csv", "R1").already


def test_one_file_is_not_the_trace_of_two_runs(book: BookFolder) -> None:
    another_run(book, "R2")
    take_trace(book, FOLDER / "01_plain.csv", "R1")
    with pytest.raises(LoadbookError, match="this very file is the trace of run 'R1'"):
        take_trace(book, FOLDER / "01_plain.csv", "R2")


def test_unknown_run(book: BookFolder) -> None:
    with pytest.raises(NotFoundError, match="the book has no run 'R11'"):
        take_trace(book, FOLDER / "01_plain.csv", "R11")
    assert not files(book)


def test_an_open_question_leaves_nothing_behind(book: BookFolder) -> None:
    before = counts(book)
    with pytest.raises(OpenQuestion, match="day-first or month-first"):
        take_trace(book, FOLDER / "13_ambiguous_date.csv", "R1")
    assert counts(book) == before and not files(book)


def test_an_error_in_the_transaction_leaves_no_file(book: BookFolder, monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(*_: object) -> None:
        raise LoadbookError("the disk is full")

    before = counts(book)
    monkeypatch.setattr(take.derived, "store", fail)
    with pytest.raises(LoadbookError, match="the disk is full"):
        take_trace(book, FOLDER / "01_plain.csv", "R1")
    assert counts(book) == before and not files(book)


def test_the_runs_channel_records_settle_roles_and_keep_their_names(book: BookFolder) -> None:
    with book.write() as conn:
        rows = [
            {"run": "R1", "channel": "TC 1 (°C)", "role": "work", "tc_type": "K", "serial": "007"},
            {"run": "R1", "channel": "tc 2", "role": "control"},
            {"run": "R1", "channel": "Ch 7", "role": "other"},
            {"run": "R1", "channel": "TC 5", "role": "work"},
        ]
        add_intake(conn, "channels", {"channel": rows}, rows_read=4)
    taken = take_trace(book, FOLDER / "53_role_unknown.csv", "R1")
    assert taken.new_channels == 0
    assert [(c.name, c.role) for c in taken.channels] == [("TC 1 (°C)", "work"), ("tc 2", "control"), ("Ch 7", "other")]
    assert "the run's channels TC 5 are not in the file" in taken.notes


def unitless(tmp_path: Path, minutes: np.ndarray) -> Path:
    """A file whose headings carry no unit: Zone in °C, TC 1 in °F, one row at each of the minutes after eight."""
    start = datetime(2026, 3, 14, 8, 0)
    lines = ["Time,Zone,TC 1"]
    for k, minute in enumerate(minutes):
        lines.append(f"{start + timedelta(minutes=float(minute)):%Y-%m-%d %H:%M:%S},{200 + k:.1f},{392 + 1.8 * k:.1f}")
    file = tmp_path / "unitless.csv"
    file.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return file


def test_the_unit_of_a_channel_record_holds_where_the_file_says_none(book: BookFolder, tmp_path: Path) -> None:
    file = unitless(tmp_path, np.arange(30.0))
    another_run(book, "R2")
    with pytest.raises(OpenQuestion, match="carry no unit"):
        take_trace(book, file, "R2", Options(channels=(ChannelRule("Zone", role="control"),)))
    with book.write() as conn:
        rows = [
            {"run": "R2", "channel": "Zone", "role": "control", "unit": "°C"},
            {"run": "R2", "channel": "TC 1", "role": "work", "unit": "°F"},
        ]
        add_intake(conn, "channels", {"channel": rows}, rows_read=2)
    with pytest.raises(OpenQuestion, match="'TC 1' is in f in the run's channels, and in c by --unit"):
        take_trace(book, file, "R2", Options(unit="c"))
    taken = take_trace(book, file, "R2", Options(believed=("Zone",)))
    trace = read_trace(book, taken.trace_id)
    assert np.allclose(trace.values[0], trace.values[1], atol=0.06)


def test_a_clock_set_back_in_a_long_file_is_asked(book: BookFolder, tmp_path: Path) -> None:
    minutes = np.concatenate([np.arange(800.0), np.arange(775.0, 1600.0)])
    with pytest.raises(OpenQuestion, match=r"goes back in line 802, and 25 of 1625 .* a clock that was set back"):
        take_trace(book, unitless(tmp_path, minutes), "R1", Options(unit="c"))


@pytest.mark.parametrize(("rows", "asked"), [(2, True), (10, True), (60, True), (0, False)])
def test_a_clock_set_back_by_minutes_on_a_ramp_is_asked(rows: int, asked: bool) -> None:
    """Ten minutes lost on a ramp look like 200 °C/h; rows that a recorder sent twice are no step of its clock."""
    minutes = np.concatenate([np.arange(240.0), np.arange(240.0 - rows, 880.0)])
    values = (20.0 + 1.7 * np.arange(minutes.size))[None, :]
    flags, lines = np.zeros(values.shape, np.uint8), np.arange(minutes.size)
    questions = rising(60.0 * minutes, values, flags, lines)[1]
    assert [q for q in questions if "a clock that was set back?" in q.text] == (questions if asked else [])
    assert bool(questions) == asked
    if rows:
        block = slice(240 - rows, 240)
        sent = np.concatenate([values[:, :240], values[:, block] + 0.1, values[:, 240:]], axis=1)
        again = np.concatenate([np.arange(240.0), np.arange(240.0)[block], np.arange(240.0, values.shape[1])])
        told = rising(60.0 * again, sent, np.zeros(sent.shape, np.uint8), np.arange(again.size))[1]
        assert not [q for q in told if "set back?" in q.text]


def test_out_of_range_is_flagged_and_kept_as_recorded(book: BookFolder) -> None:
    taken = take_trace(book, FOLDER / "74_beyond_any_sensor.csv", "R1")
    assert taken.out_of_range == 1
    trace = read_trace(book, taken.trace_id)
    assert (trace.values[2, 3], trace.flags[2, 3]) == (9999.0, 4)


def test_start_of_the_run_only_when_asked(book: BookFolder) -> None:
    with pytest.raises(OpenQuestion, match="--start run"):
        take_trace(book, FOLDER / "22_elapsed_s.csv", "R1")
    taken = take_trace(book, FOLDER / "22_elapsed_s.csv", "R1", Options(start="run"))
    assert taken.started == "2026-03-01T08:00:00Z"


def test_a_file_far_from_its_run_is_said(book: BookFolder) -> None:
    taken = take_trace(book, FOLDER / "01_plain.csv", "R1")
    assert any("311.0 h after the run's start" in n for n in taken.notes)


def test_a_file_wholly_outside_its_run_is_refused(book: BookFolder) -> None:
    with book.write() as conn:
        runs = [
            {"run": "early", "furnace": "F1", "started": "2026-03-13T07:00:00Z", "ended": "2026-03-13T20:00:00Z"},
            {"run": "late", "furnace": "F1", "started": "2026-03-14T20:00:00Z"},
        ]
        add_intake(conn, "runs", {"run": [{**r, "status": "done"} for r in runs]}, rows_read=2)
    for run, said in (("early", "wholly after run 'early'"), ("late", "wholly before run 'late'")):
        with pytest.raises(LoadbookError, match=said) as refused:
            take_trace(book, FOLDER / "01_plain.csv", run)
        assert f"loadbook amend runs {run}" in str(refused.value)
    assert counts(book)["trace"] == 0 and files(book) == []


def test_layouts_are_revised_never_lost(book: BookFolder) -> None:
    first = Layout(time_columns=("Time",), time_format="%d/%m/%Y %H:%M:%S")
    assert save_layout(book, first, "rec") == (1, True)
    assert save_layout(book, first, "rec") == (1, False)
    second = Layout(time_columns=("Time",), time_format="%d/%m/%Y %H:%M:%S", channels=(ChannelRule("TC *", "work"),))
    assert save_layout(book, second, "rec") == (2, True)
    kept = kept_layout(book.read(), "rec")
    assert kept.label == "rec revision 2" and kept.layout.channels == second.channels
    taken = take_trace(book, FOLDER / "13_ambiguous_date.csv", "R1", layout=kept)
    assert taken.started == "2026-04-03T06:00:00Z"
    assert book.read().execute("SELECT layout FROM trace").fetchone()[0] == "rec revision 2"
    with pytest.raises(NotFoundError, match="Did you mean 'rec'"):
        kept_layout(book.read(), "recc")


def test_a_layout_for_another_recorder_is_no_way_in(book: BookFolder) -> None:
    save_layout(
        book, Layout(time_columns=("Datum",), time_format="%d.%m.%Y %H:%M", delimiter=";", decimal=","), "other"
    )
    with pytest.raises(IntakeError):
        take_trace(book, FOLDER / "01_plain.csv", "R1", layout=kept_layout(book.read(), "other"))


# -- the command line -------------------------------------------------------------------------


def test_look_shows_and_writes_nothing(tmp_path: Path, loadbook: Run) -> None:
    shutil.copy(FOLDER / "53_role_unknown.csv", tmp_path / "chart.csv")
    done = loadbook("trace", "look", "chart.csv")
    assert done.returncode == 3
    assert "First 5 of 6 samples:" in done.stdout and "2026-03-14 08:00:30+00:00" in done.stdout
    assert "open: what do 'TC 1' and 'TC 2' measure: --channel \"TC *=work\"" in done.stderr
    assert "no book here to say the zone" in done.stdout
    settled = loadbook(
        "trace", "look", "chart.csv", "--channel", "TC *=work", "--channel", "Ch 7=control", "--format", "json"
    )
    assert settled.returncode == 0 and '"role": "control"' in settled.stdout
    assert sorted(p.name for p in tmp_path.iterdir()) == ["chart.csv"]


def test_what_a_file_does_not_say_the_unit_of_is_shown_as_written(tmp_path: Path, loadbook: Run) -> None:
    """A US book turned 70.2 of a file without a unit into 158.36, above a table that said 70.2."""
    BookFolder.create(tmp_path / "us", units="us").close()
    rows = "".join(f"2026-03-14T08:{m:02d}:00,{70.2 + m}\n" for m in range(10))
    (tmp_path / "chart.csv").write_text("time,TC 1\n" + rows)
    told = [loadbook("trace", "look", "chart.csv", "--book", "us", *unit).stdout for unit in ((), ("--unit", "f"))]
    assert all("-14 08:00:00+00:00  70.2" in text and "158" not in text for text in told), told


def test_save_list_show_take(book: BookFolder, loadbook: Run, tmp_path: Path) -> None:
    where = ("--book", str(book.path))
    chart = str(FOLDER / "53_role_unknown.csv")
    answers = ("--channel", "TC *=work", "--channel", "Ch 7=control")
    refused = loadbook("trace", "layout", "save", "furnace 1", chart, *where)
    assert refused.returncode == 1 and "TC *=work" in refused.stderr
    saved = loadbook("trace", "layout", "save", "furnace 1", chart, *answers, *where)
    assert saved.stdout == "layout furnace 1: revision 1 kept\n"
    assert (
        loadbook("trace", "layout", "list", "--format", "csv", *where).stdout
        == "name,revision,revisions\nfurnace 1,1,1\n"
    )
    shown = loadbook("trace", "layout", "show", "furnace 1", *where).stdout
    assert 'name = "TC *"\nrole = "work"' in shown
    (tmp_path / "kept.toml").write_text(shown, encoding="utf-8")
    by_file = loadbook("trace", "look", chart, "--layout", "kept.toml", *where)
    assert by_file.returncode == 0, by_file.stderr
    taken = loadbook("trace", "take", chart, "--run", "R1", "--layout", "furnace 1", *where)
    assert taken.returncode == 0, taken.stderr
    assert (
        "taken in as the trace of R1" in taken.stdout and "6 rows read, 6 samples of 3 channels (3 new" in taken.stdout
    )
    assert "no cycle to judge by" in taken.stdout
    again = loadbook("trace", "take", chart, "--run", "R1", "--layout", "furnace 1", *where)
    assert again.stdout == "53_role_unknown.csv: already in the book as the trace of R1; nothing added\n"


def test_runs_from_names(book: BookFolder, loadbook: Run, tmp_path: Path) -> None:
    another_run(book, "R2")
    shutil.copy(FOLDER / "01_plain.csv", tmp_path / "chart-R1.csv")
    shutil.copy(FOLDER / "16_month_names.csv", tmp_path / "chart-R2.csv")
    done = loadbook(
        "trace", "take", "chart-R1.csv", "chart-R2.csv", "--run-from-name", r"-(R\d)", "--book", str(book.path)
    )
    assert done.returncode == 0, done.stderr
    assert [r[0] for r in book.read().execute("SELECT run FROM trace ORDER BY run")] == ["R1", "R2"]
    both = loadbook("trace", "take", "chart-R1.csv", "--book", str(book.path))
    assert both.returncode == 2 and "--run RUN" in both.stderr


def test_values_of_a_file_are_shown_as_text(tmp_path: Path, loadbook: Run) -> None:
    lines = ["Time,Work [red]\x1b[31m (°C)", *[f"2026-03-14 08:0{i}:00,2{i}.5" for i in range(5)]]
    (tmp_path / "odd.csv").write_text("\n".join(lines), encoding="utf-8")
    done = loadbook("trace", "look", "odd.csv")
    assert "\x1b" not in done.stdout and "Work [red]" in done.stdout


@pytest.mark.parametrize(
    ("start", "clock", "zone", "asked"),
    [
        ("2026-10-24T18:00", "Europe/Madrid", "", ""),
        ("2026-10-24T18:00", "Etc/GMT-2", "+02:00", "--zone [+]02:00 .stayed on summer time. or [+]01:00"),
        ("2026-03-28T19:00", "Europe/Madrid", "", ""),
        ("2026-03-28T19:00", "Etc/GMT-1", "+01:00", "--zone [+]01:00 or [+]02:00"),
    ],
)
def test_a_soak_over_a_clock_change_is_as_long_as_it_was(
    book: BookFolder, tmp_path: Path, start: str, clock: str, zone: str, asked: str
) -> None:
    """The same run, its hold through the change, by a recorder whose clock is changed and by one whose is not."""
    began, wall = datetime.fromisoformat(start + "Z"), ZoneInfo(clock)
    lines = ["Time,Control (°C),Work 1 (°C)"]
    for minute in range(0, 780, 5):
        value = min(20.0 + minute, 600.0, 600.0 - (minute - 640.0))
        lines.append(f"{(began + timedelta(minutes=minute)).astimezone(wall):%Y-%m-%d %H:%M},{value},{value}")
    file = tmp_path / "chart.csv"
    file.write_text("\n".join(lines) + "\n")
    with book.write() as conn:
        row = {"run": "R9", "furnace": "F1", "started": f"{start}:00Z", "status": "done"}
        add_intake(conn, "runs", {"run": [row]}, rows_read=1)
    if asked:
        with pytest.raises(OpenQuestion, match=asked):
            take_trace(book, file, "R9")
    taken = take_trace(book, file, "R9", Options(zone=zone))
    assert taken.new_channels == 2
    row = book.read().execute("SELECT started, seconds, longest_gap_s FROM trace WHERE run = 'R9'").fetchone()
    assert tuple(row) == (f"{start}:00Z", 775 * 60.0, 300.0)
