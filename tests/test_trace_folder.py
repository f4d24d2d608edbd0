"""A folder of recorders' files at once: what is settled goes in, what is open is listed by form, nothing half done."""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from loadbook.core.errors import IntakeError, LoadbookError, NotFoundError, UsageError
from loadbook.readers.recorder import take
from loadbook.readers.recorder.bulk import Finder, take_all
from loadbook.readers.recorder.layout import parse_channel_option
from loadbook.readers.recorder.options import Options
from loadbook.readers.recorder.part import Part
from loadbook.store.book import BookFolder
from loadbook.store.records import add_intake
from loadbook.store.verify import verify

Run = Callable[..., subprocess.CompletedProcess[str]]
FIRST = datetime(2026, 4, 3, 6, 0)  # third of April, or fourth of March
HEAD = ("Time", "Control (°C)", "TC 1 (°C)")
BY_NAME = r"(run-\d+)"
ANSWERS = Options(date_order="day-first", channels=(parse_channel_option("TC *=work"),))


def chart(path: Path, number: int, *, head: tuple[str, ...] = HEAD, minutes: int = 40, date: str = "%d/%m/%Y") -> Path:
    """A file of run `number`, which began so many days after the first; its channels wander."""
    path.parent.mkdir(parents=True, exist_ok=True)
    lines = [",".join(head)]
    for m in range(minutes):
        at = FIRST + timedelta(days=number, minutes=m)
        wave = 300 + 200 * float(np.sin((m + number) / 9.0)) + float(np.sin(3.0 * m))
        lines.append(",".join([at.strftime(f"{date} %H:%M:%S"), *(f"{wave + k:.1f}" for k in range(len(head) - 1))]))
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


@pytest.fixture
def shop(tmp_path: Path) -> BookFolder:
    """A book with runs run-0 to run-5 on furnace F1, one each day from six to eight."""
    made = BookFolder.create(tmp_path / "book")
    rows = [
        {
            "run": f"run-{n}", "furnace": "F1", "status": "done",
            "started": f"2026-04-{3 + n:02d}T06:00:00Z", "ended": f"2026-04-{3 + n:02d}T08:00:00Z",
        }
        for n in range(6)
    ]  # fmt: skip
    with made.write() as conn:
        add_intake(conn, "runs", {"furnace": [{"furnace": "F1", "atmosphere": "air"}], "run": rows}, rows_read=6)
    return made


def traces(book: BookFolder) -> list[tuple[str, str, str]]:
    found = book.read().execute("SELECT run, source_name, sha256 FROM trace WHERE state = 'current' ORDER BY run")
    return [tuple(r) for r in found]


def by_name(book: BookFolder, folder: Path, options: Options = ANSWERS, **more: object):  # type: ignore[no-untyped-def]
    import re

    finder = Finder(pattern=re.compile(BY_NAME))
    return take_all(book, [folder], finder, options, None, Part(), **more)  # type: ignore[arg-type]


def test_a_date_of_two_digits_is_not_read_by_the_next_files_year_first(shop: BookFolder, tmp_path: Path) -> None:
    """05/04/26 under the heading of a file with 2026-04-04 was read as 26 April 2005, and no run had that time."""
    chart(tmp_path / "in" / "a.csv", 1, date="%Y-%m-%d")
    chart(tmp_path / "in" / "b.csv", 2, date="%d/%m/%y")
    given = Options(channels=(parse_channel_option("TC *=work"),))
    done = take_all(shop, [tmp_path / "in"], Finder(furnace="F1"), given, None, Part())
    assert (done.went_in, done.not_taken) == (1, 1)
    assert "05/04/26 may be day-first or month-first or year-first" in done.left[0].why


def test_one_question_for_all_files_of_a_form(shop: BookFolder, tmp_path: Path) -> None:
    for n in range(4):
        chart(tmp_path / "in" / f"run-{n}.csv", n)
    done = by_name(shop, tmp_path / "in", Options())
    assert (done.files, done.went_in, done.not_taken, len(done.left)) == (4, 0, 4, 1)
    assert done.left[0].files == [f"run-{n}.csv" for n in range(4)]
    assert "day-first or month-first" in done.left[0].why and "--channel" in done.left[0].why
    assert traces(shop) == []
    done = by_name(shop, tmp_path / "in")
    assert (done.went_in, done.left, dict(done.verdicts)) == (4, [], {"no cycle": 4})
    again = by_name(shop, tmp_path / "in")
    assert (again.went_in, again.already, again.left) == (0, 4, [])


def test_a_changed_form_stops_only_its_files(shop: BookFolder, tmp_path: Path) -> None:
    for n in range(3):
        chart(tmp_path / "in" / f"run-{n}.csv", n)
    chart(tmp_path / "in" / "later" / "run-3.csv", 3, head=("Time", "Control (°F)", "TC 1 (°F)"))
    chart(tmp_path / "in" / "later" / "run-4.csv", 4, head=(*HEAD, "TC 2 (°C)"))
    done = by_name(shop, tmp_path / "in")
    assert (done.went_in, done.not_taken) == (3, 2)
    said = {left.files[0]: left.why for left in done.left}
    assert "it has Control in f, TC 1 in f; it lacks Control in c, TC 1 in c" in said["later/run-3.csv"]
    assert "it has TC 2 in c" in said["later/run-4.csv"] and '--like "run-4.csv"' in said["later/run-4.csv"]
    both = [tmp_path / "in" / "run-0.csv", tmp_path / "in" / "later" / "run-4.csv"]
    done = by_name(shop, tmp_path / "in", like=both)
    assert (done.went_in, done.already) == (1, 3) and [left.files for left in done.left] == [["later/run-3.csv"]]


def test_the_form_is_the_first_files_also_when_that_is_taken_already(shop: BookFolder, tmp_path: Path) -> None:
    chart(tmp_path / "in" / "run-0.csv", 0)
    by_name(shop, tmp_path / "in")
    chart(tmp_path / "in" / "run-1.csv", 1, head=("Time", "Control (°F)", "TC 1 (°F)"))
    done = by_name(shop, tmp_path / "in")
    assert done.went_in == 0 and "another form" in done.left[0].why


def test_files_of_one_run_are_one_trace(shop: BookFolder, tmp_path: Path) -> None:
    chart(tmp_path / "in" / "run-0 a.csv", 0, head=HEAD)
    chart(tmp_path / "in" / "run-0 b.csv", 0, head=("Time", "TC 8 (°C)"))
    both = [tmp_path / "in" / "run-0 a.csv", tmp_path / "in" / "run-0 b.csv"]
    done = by_name(shop, tmp_path / "in", like=both)
    assert (done.went_in, done.runs) == (2, 1) and traces(shop)[0][1] == "run-0 a.csv, run-0 b.csv"


def test_a_question_in_one_file_keeps_its_run_out(shop: BookFolder, tmp_path: Path) -> None:
    chart(tmp_path / "in" / "run-0 a.csv", 0)
    chart(tmp_path / "in" / "run-0 b.csv", 0, head=("Time", "Ch 9 (°C)"))
    chart(tmp_path / "in" / "run-1.csv", 1)
    done = by_name(shop, tmp_path / "in")
    assert [t[0] for t in traces(shop)] == ["run-1"] and done.left[0].files == ["run-0 a.csv", "run-0 b.csv"]


def test_what_is_no_recorders_file_is_listed(shop: BookFolder, tmp_path: Path) -> None:
    chart(tmp_path / "in" / "run-0.csv", 0)
    (tmp_path / "in" / "run-1.csv").write_text("a letter to a customer\n")
    (tmp_path / "in" / "notes.txt").write_text("nothing\n")
    chart(tmp_path / "in" / "run-77.csv", 3)
    (tmp_path / "in" / ".hidden.csv").write_text("x")
    done = by_name(shop, tmp_path / "in")
    assert (done.files, done.went_in, done.not_taken) == (4, 1, 3)
    whys = " ".join(left.why for left in done.left)
    assert "no run is found in the name 'notes.txt'" in whys and "the book has no run 'run-77'" in whys


def test_a_furnaces_runs_by_time(shop: BookFolder, tmp_path: Path) -> None:
    for n in range(3):
        chart(tmp_path / "in" / f"export {n}.csv", n)
    chart(tmp_path / "in" / "export 9.csv", 9)
    chart(tmp_path / "in" / "two days.csv", 3, minutes=40 + 24 * 60)
    done = take_all(shop, [tmp_path / "in"], Finder(furnace="F1"), ANSWERS, None, Part())
    assert [t[:2] for t in traces(shop)] == [(f"run-{n}", f"export {n}.csv") for n in range(3)]
    said = {left.files[0]: left.why for left in done.left}
    assert "no run of furnace 'F1' has its time, 2026-04-12 06:00+00:00" in said["export 9.csv"]
    assert "2 runs of furnace 'F1' lie in its time" in said["two days.csv"] and "run-3, run-4" in said["two days.csv"]
    again = take_all(shop, [tmp_path / "in"], Finder(furnace="F1"), ANSWERS, None, Part())
    assert (again.went_in, again.already) == (0, 3)
    other = take_all(shop, [tmp_path / "in"], Finder(furnace="F9"), ANSWERS, None, Part())
    assert other.went_in == 0 and "the book has no furnace 'F9'" in other.left[0].why


def test_a_table_of_runs(shop: BookFolder, tmp_path: Path) -> None:
    for n in range(3):
        chart(tmp_path / "in" / f"export {n}.csv", n)
    chart(tmp_path / "in" / "whole.csv", 3, minutes=40 + 24 * 60)
    chart(tmp_path / "in" / "stray.csv", 5)
    table = tmp_path / "runs.csv"
    table.write_text(
        "files,run,furnace,from,to\nexport 0*,run-0,,,\nexport*,,F1,,\nexport 2*,run-2,,,\n"
        "whole.csv,run-3,,2026-04-06T06:00,2026-04-06T08:00\nwhole.csv,run-4,,2026-04-07T06:00,2026-04-07T08:00\n"
    )
    done = take_all(shop, [tmp_path / "in"], Finder(table=table), ANSWERS, None, Part())
    assert [t[:2] for t in traces(shop)] == [
        ("run-1", "export 1.csv"), ("run-3", "whole.csv"), ("run-4", "whole.csv"),
    ]  # fmt: skip
    said = {name: left.why for left in done.left for name in left.files}
    assert "lines 2 and 3" in said["export 0.csv"] and "lines 3 and 4" in said["export 2.csv"]
    assert f"no row of {table} fits" in said["stray.csv"]
    table.write_text("file,run\nx,y\n")
    with pytest.raises(IntakeError, match="the table of runs has the column 'file'"):
        take_all(shop, [tmp_path / "in"], Finder(table=table), ANSWERS, None, Part())
    table.write_text("files,run,furnace\nx,y,F1\n")
    with pytest.raises(IntakeError, match="either run or furnace"):
        take_all(shop, [tmp_path / "in"], Finder(table=table), ANSWERS, None, Part())


def test_a_table_of_runs_is_read_as_its_sheet_shows_it(shop: BookFolder, tmp_path: Path) -> None:
    """Merged and hidden rows are refused: they may be another run's."""
    import xlsxwriter

    chart(tmp_path / "in" / "a.csv", 1)
    for hidden, merged in ((True, False), (False, True)):
        with xlsxwriter.Workbook(str(tmp_path / "runs.xlsx")) as book:
            sheet, zeros = book.add_worksheet(), book.add_format({"num_format": "0000"})
            sheet.write_row(0, 0, ["files", "run"])
            sheet.write_column(1, 0, ["a.csv", "b.csv"])
            sheet.write_column(1, 1, [7, 8], zeros)
            if merged:
                sheet.merge_range(1, 1, 2, 1, 7, zeros)
            if hidden:
                sheet.set_row(2, None, None, {"hidden": True})
        with pytest.raises(IntakeError) as caught:
            take_all(shop, [tmp_path / "in"], Finder(table=tmp_path / "runs.xlsx"), ANSWERS, None, Part())
        assert ("runs.xlsx:3:files: the row is hidden" in str(caught.value)) == hidden
        assert ("rows are merged here" in str(caught.value)) == merged


def test_a_dry_run_changes_nothing(shop: BookFolder, tmp_path: Path) -> None:
    for n in range(2):
        chart(tmp_path / "in" / f"run-{n}.csv", n)
    (tmp_path / "in" / "run-2.csv").write_text("a letter\n")
    state = shop.state()
    done = by_name(shop, tmp_path / "in", dry_run=True)
    assert (done.went_in, done.runs, done.not_taken) == (2, 2, 1)
    assert shop.state() == state and traces(shop) == []
    assert [p for p in (shop.path / "traces").rglob("*") if p.is_file()] == []


def test_a_book_in_the_folder_is_passed_over(shop: BookFolder, tmp_path: Path) -> None:
    chart(tmp_path / "run-0.csv", 0)
    chart(shop.path / "run-1.csv", 1)
    done = by_name(shop, tmp_path)
    assert (done.files, done.went_in, done.left) == (2, 2, [])
    assert (by_name(shop, tmp_path).already, by_name(shop, shop.path).already) == (2, 1)
    (tmp_path / "empty").mkdir()
    with pytest.raises(UsageError, match="no files"):
        by_name(shop, tmp_path / "empty")


def test_what_the_command_itself_cannot_do(shop: BookFolder, tmp_path: Path) -> None:
    chart(tmp_path / "in" / "run-0.csv", 0)
    with pytest.raises(NotFoundError):
        by_name(shop, tmp_path / "in", like=[tmp_path / "nothing.csv"])
    chart(tmp_path / "in" / "run-1.csv", 1)
    with pytest.raises(UsageError, match="about one file"):
        by_name(shop, tmp_path / "in", Options(start="2026-04-03"))
    with pytest.raises(UsageError, match="is not a date with a time"):
        take_all(shop, [tmp_path / "in"], Finder(furnace="F1"), ANSWERS, None, Part(begins="noon"))


KILLED = """
import os, re, signal, sys
from pathlib import Path
from loadbook.core import writing
from loadbook.readers.recorder import bulk, take
from loadbook.readers.recorder.bulk import Finder, take_all
from loadbook.readers.recorder.layout import parse_channel_option
from loadbook.readers.recorder.options import Options
from loadbook.readers.recorder.part import Part
from loadbook.store import trace_files
from loadbook.store.book import BookFolder

book, folder, place, count = sys.argv[1:]
left = int(count)
def ending(function):
    def counted(*args, **kwargs):
        global left
        left -= 1
        if not left:
            os.kill(os.getpid(), signal.SIGKILL)
        return function(*args, **kwargs)
    return counted
bulk.AT_ONCE = 2
if place == "flushing":
    trace_files.flush = ending(trace_files.flush)
elif place == "naming":
    writing.Part.place = ending(writing.Part.place)
elif place == "storing":
    take.derived.store = ending(take.derived.store)
options = Options(date_order="day-first", channels=(parse_channel_option("TC *=work"),))
with BookFolder.open(Path(book)) as opened:
    take_all(opened, [Path(folder)], Finder(pattern=re.compile(r"(run-\\d+)")), options, None, Part())
"""


@pytest.mark.thorough
@pytest.mark.skipif(sys.platform == "win32", reason="SIGKILL")
def test_killed_and_repeated_nothing_is_lost_or_doubled(shop: BookFolder, tmp_path: Path) -> None:
    for n in range(5):
        chart(tmp_path / "in" / f"run-{n}.csv", n)
    counts = []
    for place, count in (("naming", 2), ("storing", 2), ("storing", 3), ("flushing", 2)):
        ended = subprocess.run(
            [sys.executable, "-c", KILLED, str(shop.path), str(tmp_path / "in"), place, str(count)],
            capture_output=True, text=True, timeout=120,
        )  # fmt: skip
        assert ended.returncode == -9, ended.stderr
        counts.append(len(traces(shop)))
    assert counts == [0, 0, 2, 4]
    done = by_name(shop, tmp_path / "in")
    assert (done.went_in, done.already) == (1, 4)
    assert [t[0] for t in traces(shop)] == [f"run-{n}" for n in range(5)]
    assert shop.read().execute("SELECT count(*) FROM trace").fetchone()[0] == 5
    found = verify(shop)
    assert (found.wrong, found.leftover, found.traces) == ([], [], 5)


def test_one_of_several_that_is_refused_holds_up_none(
    shop: BookFolder, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Runs share a transaction: what the book refuses of one is said of that one, and the others go in."""
    for n in range(3):
        chart(tmp_path / "in" / f"run-{n}.csv", n)
    plain = take.add_intake

    def refusing(*args: Any, **kwargs: Any) -> int:
        if kwargs["file_name"] == "run-1.csv":
            raise LoadbookError("a row of trace breaks a rule of the book", where="run-1.csv", remedy="None")
        return plain(*args, **kwargs)

    monkeypatch.setattr(take, "add_intake", refusing)
    done = by_name(shop, tmp_path / "in")
    assert done.went_in == 2 and [left.files for left in done.left] == [["run-1.csv"]]
    assert [t[0] for t in traces(shop)] == ["run-0", "run-2"]
    assert (verify(shop).wrong, verify(shop).leftover) == ([], [])
    monkeypatch.setattr(take, "add_intake", plain)
    again = by_name(shop, tmp_path / "in")
    assert (again.went_in, again.already, again.left) == (1, 2, [])


def test_the_same_bytes_for_two_runs_of_one_command(shop: BookFolder, tmp_path: Path) -> None:
    chart(tmp_path / "in" / "run-0.csv", 0, minutes=1800)  # in the time of both
    shutil.copy(tmp_path / "in" / "run-0.csv", tmp_path / "in" / "run-1.csv")
    done = take_all(shop, [tmp_path / "in"], Finder(pattern=re.compile(BY_NAME)), ANSWERS, None, Part(whole=True))
    assert done.went_in == 1 and [left.files for left in done.left] == [["run-1.csv"]]
    assert "this very file is the trace of run 'run-0'" in done.left[0].why


def test_the_command(shop: BookFolder, tmp_path: Path, loadbook: Run) -> None:
    for n in range(2):
        chart(tmp_path / "in" / f"run-{n}.csv", n)
    (tmp_path / "in" / "run-2.csv").write_text("a letter\n")
    words = ("trace", "take", "in", "--run-from-name", BY_NAME, "--date-order", "day-first", "--channel", "TC *=work",
             "--book", str(shop.path))  # fmt: skip
    dry = loadbook(*words, "--dry-run")
    assert dry.returncode == 1 and "run-0.csv: would be the trace of run-0" in dry.stdout
    assert "3 files: 2 would go in, as the traces of 2 runs; 0 were in the book already; 1 not taken" in dry.stdout
    done = loadbook(*words)
    assert done.returncode == 1 and "run-1.csv: taken in as the trace of run-1" in done.stdout
    assert (
        "3 files: 2 went in, as the traces of 2 runs (2 no cycle); 0 were in the book already; 1 not taken"
        in done.stdout
    )
    assert "not taken: run-2.csv" in done.stdout
    none = loadbook("trace", "take", "in", "--book", str(shop.path))
    assert none.returncode == 2 and "--furnace FURNACE or --runs TABLE" in none.stderr
    wrong = loadbook("trace", "take", "in", "--run-from-name", "(", "--book", str(shop.path))
    assert wrong.returncode == 2 and "is not a regular expression" in wrong.stderr


def test_files_of_another_form_are_one_question_and_channels_are_counted(shop: BookFolder, tmp_path: Path) -> None:
    folder = tmp_path / "charts"
    for n in range(4):
        chart(folder / f"run-{n}.csv", n, head=HEAD if n == 0 else ("Time", "Control", "TC 1"))
    done = take_all(shop, [folder], Finder(pattern=re.compile(BY_NAME)), ANSWERS, None, Part())
    assert [(taken.run, len(taken.channels)) for taken in done.taken] == [("run-0", 2)]
    assert [left.files for left in done.left] == [["run-1.csv", "run-2.csv", "run-3.csv"]]
