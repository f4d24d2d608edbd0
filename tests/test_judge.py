"""judge, recompute and confirm on a book: what is written, what a person reads, what a named person's word does."""

from __future__ import annotations

import json
import shutil
import subprocess
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from loadbook.analysis.trace.its90 import shown_c
from loadbook.analysis.trace.model import Fault, Trace
from loadbook.core.errors import DamageError, NotFoundError, UsageError
from loadbook.core.units import c_diff_from_f_diff
from loadbook.queries import judge as asked
from loadbook.queries import recompute
from loadbook.queries.confirm import confirm_fault
from loadbook.queries.evidence_words import of_stored
from loadbook.queries.filters import Filters
from loadbook.queries.run_choice import chosen_runs
from loadbook.render.judged import achieved, close_figure, figure, print_judged
from loadbook.store import derived
from loadbook.store.book import BookFolder
from loadbook.store.records import add_intake, amend
from loadbook.store.run_records import load_run

from .judgedbook import book_with, put_run
from .smallbook import put, run, small
from .test_clauses_vacuum import CYCLE, Load

Run = Callable[..., subprocess.CompletedProcess[str]]
HOT_DOOR = Load(door_f=262.0, fast_cool=(1100.0, 1030.0, 150.0))


@pytest.fixture(scope="module")
def made_once(tmp_path_factory: pytest.TempPathFactory) -> Path:
    book = book_with(tmp_path_factory.mktemp("made") / "book", CYCLE)
    put_run(book, CYCLE, Load().trace(), "R-1")
    put_run(book, CYCLE, HOT_DOOR.trace(), "R-2", "2026-04-01T06:00:00Z")
    put_run(book, None, Load().trace(), "R-3", "2026-05-01T06:00:00Z")
    book.close()
    return book.path


@pytest.fixture
def judged_book(made_once: Path, tmp_path: Path) -> BookFolder:
    """Three runs: one that keeps the cycle, one that breaks two clauses, one without a cycle."""
    shutil.copytree(made_once, tmp_path / "book")
    return BookFolder.open(tmp_path / "book")


def test_a_run_that_kept_its_cycle(judged_book: BookFolder) -> None:
    found = asked.judge_run(judged_book, "R-1")
    assert found.verdict == "kept"
    assert found.headline == "CYCLE KEPT: all 16 clauses of VSR-1250 revision 1"
    assert found.approval == "Whether the parts are acceptable takes a recorded approval; none is recorded."
    by_name = {a.parameter: a for a in found.asked}
    assert by_name["soak_minutes"].asked == 120.0
    assert (by_name["soak_minutes"].achieved or 0.0) > 120.0
    assert list(found.frame().columns) == list(asked.COLUMNS)


def test_the_checks_of_the_day(judged_book: BookFolder) -> None:
    """On 1 March the survey is current, system accuracy past due since February, the leak-up of 5 March not done."""
    checks = {c.kind: c.state for c in asked.judge_run(judged_book, "R-1").record.checks}
    assert checks == {"uniformity survey": "current", "system accuracy": "past due"}
    later = {c.kind: c.state for c in asked.judge_run(judged_book, "R-3").record.checks}
    assert later == {"uniformity survey": "past due", "system accuracy": "past due", "leak-up": "current"}


def test_a_run_that_broke_it_is_read_in_seconds(judged_book: BookFolder, loadbook: Run) -> None:
    done = loadbook("judge", "R-2", "--book", str(judged_book.path))
    assert done.returncode == 3
    lines = done.stdout.splitlines()
    assert lines[0] == "R-2  CYCLE BROKEN: 2 of 16 clauses of VSR-1250 revision 1 broken"
    assert lines[2].startswith("PAST DUE: system accuracy of ")  # directly below the verdict
    assert lines[4] == "Broken, by first moment"
    assert [line.split("  ")[0] for line in lines[6:8]] == ["cool 5 rate", "door opened"]
    assert lines[-1] == lines[0]  # where the eye is at the end of a long output
    # 06:00 UTC is 08:00 on the shop's clock in April
    assert "began 2026-04-01 08:00" in lines[1] and "Europe/Madrid" in lines[1]
    assert "127.6 °C" in lines[7] and "121.1 °C" in lines[7]
    assert loadbook("judge", "R-1", "--book", str(judged_book.path)).returncode == 0


def test_a_verdict_that_the_corrections_turned_says_so(judged_book: BookFolder) -> None:
    assert {c.clause for c in asked.judge_run(judged_book, "R-2").of("broken")} >= {"door opened"}
    points = [
        {"calibration": "K-9", "at_c": at, "correction_c": by} for at, by in ((20.0, -8.0), (200.0, -8.0), (400.0, 0.0))
    ]
    with judged_book.write() as conn:
        add_intake(conn, "calibrations", {"calibration": points}, rows_read=3)
    with judged_book.write() as conn:
        rows = conn.execute("SELECT channel_id, channel FROM channel WHERE run = 'R-2' AND role = 'work'").fetchall()
        for row in rows:
            amend(
                conn, "channel", f"R-2/{row['channel']}", row["channel_id"], {"calibration": "K-9"}, "found in the book"
            )
    found = asked.judge_run(judged_book, "R-2")
    assert "door opened" not in {c.clause for c in found.of("broken")}
    said = "door opened: kept with the thermocouple corrections, broken by the readings as recorded"
    assert said in found.remarks


def test_a_trace_outside_its_run_is_said_beside_the_verdict(judged_book: BookFolder) -> None:
    judged = asked.judge_run(judged_book, "R-1")
    assert not any("wholly" in r for r in judged.remarks)
    with judged_book.write() as conn:
        row = conn.execute("SELECT run_id FROM run WHERE run = 'R-1'").fetchone()[0]
        amend(conn, "run", "R-1", row, {"started": "2027-01-01T00:00:00Z", "ended": None}, "mistyped")
    assert any("lies wholly before the run" in r for r in asked.judge_run(judged_book, "R-1").remarks)


def test_a_void_run_never_leads_with_kept(judged_book: BookFolder, loadbook: Run) -> None:
    with judged_book.write() as conn:
        row = conn.execute("SELECT run_id FROM run WHERE run = 'R-1'").fetchone()[0]
        amend(conn, "run", "R-1", row, {"status": "void"}, "wrong load")
    lines = loadbook("judge", "R-1", "--book", str(judged_book.path)).stdout.splitlines()
    assert lines[0].startswith("R-1  VOID. CYCLE KEPT: ") and lines[-1] == lines[0]
    found = asked.judge_run(judged_book, "R-1")
    keys = list(found.summary())
    assert found.summary()["status"] == "void" and keys.index("status") < keys.index("verdict")


def test_rows_for_machines(judged_book: BookFolder, loadbook: Run) -> None:
    done = loadbook("judge", "R-2", "--format", "json", "--book", str(judged_book.path))
    rows = json.loads(done.stdout)
    assert list(rows[0]) == list(asked.COLUMNS)
    assert [r["what"] for r in rows].count("clause") == 16
    assert [(r["name"], r["verdict"]) for r in rows[1:3]] == [("cool 5 rate", "broken"), ("door opened", "broken")]
    assert rows[2]["value"] == pytest.approx(127.55, abs=0.1) and rows[2]["unit"] == "c"
    assert rows[2]["first_at"].startswith("2026-04-02T0") and rows[2]["first_at"].endswith("Z")


def test_several_runs_one_line_each(judged_book: BookFolder, loadbook: Run) -> None:
    done = loadbook("judge", "--format", "csv", "--book", str(judged_book.path))
    assert done.returncode == 3
    lines = done.stdout.splitlines()
    assert lines[0].split(",") == list(asked.SUMMARY_COLUMNS)
    assert [line.split(",")[6] for line in lines[1:]] == ["kept", "broken", "no cycle"]
    only = loadbook(
        "judge", "--until", "2026-03-31", "--part", "00123", "--format", "csv", "--book", str(judged_book.path)
    )
    assert only.returncode == 0 and len(only.stdout.splitlines()) == 2


def test_which_runs(judged_book: BookFolder) -> None:
    assert chosen_runs(judged_book, (), Filters()) == ["R-1", "R-2", "R-3"]
    assert chosen_runs(judged_book, ("R-3", "R-1", "R-3"), Filters()) == ["R-3", "R-1"]
    assert chosen_runs(judged_book, (), Filters(cycle="VSR-1250", since="2026-03-15")) == ["R-2"]
    assert chosen_runs(judged_book, (), Filters(material="42crmo4")) == ["R-1", "R-2", "R-3"]
    assert chosen_runs(judged_book, (), Filters(since="2030-01-01")) == []
    with pytest.raises(NotFoundError, match="no part 'none'"):
        chosen_runs(judged_book, (), Filters(part="none"))
    with pytest.raises(NotFoundError, match="no run 'R-9'"):
        chosen_runs(judged_book, ("R-9",), Filters())


def test_a_run_without_a_cycle_gets_parameters_and_no_verdict(judged_book: BookFolder, loadbook: Run) -> None:
    found = asked.judge_run(judged_book, "R-3")
    assert (found.verdict, found.clauses) == ("no cycle", ())
    assert {a.parameter for a in found.asked} >= {"hold_mean_c", "soak_minutes"}
    assert all(a.asked is None for a in found.asked)
    done = loadbook("judge", "R-3", "--book", str(judged_book.path))
    assert done.returncode == 0 and "NO VERDICT" in done.stdout


def test_a_paper_run_cannot_be_told(judged_book: BookFolder) -> None:
    rows = {
        "run": [{"run": "P-1", "furnace": "F2", "cycle": "VSR-1250", "cycle_revision": "1", "status": "done",
                 "started": "2026-02-01T08:00:00Z"}],
        "parameter": [{"run": "P-1", "parameter": "soak_minutes", "value": 125.0, "unit": "min", "source": "stated"}],
    }  # fmt: skip
    with judged_book.write() as conn:
        add_intake(conn, "runs", rows, rows_read=2)
    found = asked.judge_run(judged_book, "P-1")
    assert found.verdict == "no trace" and found.headline.startswith("NO TRACE: nothing to hold against")
    soak = next(a for a in found.asked if a.parameter == "soak_minutes")
    assert (soak.asked, soak.achieved, soak.source) == (120.0, 125.0, "stated")
    assert [(r["what"], r["verdict"]) for r in found.rows() if r["what"] != "load"] == [("run", "no trace")]


# ---- recompute
def stored(book: BookFolder, table: str) -> list[tuple[object, ...]]:
    key = f"{table}_id"
    return [tuple(r)[1:] for r in book.read().execute(f"SELECT * FROM {table} ORDER BY {key}")]


def test_reckon_writes_what_judge_says_and_does_so_again(judged_book: BookFolder) -> None:
    done = {r.run: r for r in recompute.recompute(judged_book)}
    assert {r: x.verdict for r, x in done.items()} == {"R-1": "kept", "R-2": "broken", "R-3": "no cycle"}
    first = stored(judged_book, "parameter"), stored(judged_book, "finding")
    list(recompute.recompute(judged_book))
    assert (stored(judged_book, "parameter"), stored(judged_book, "finding")) == first
    conn = judged_book.read()
    broken = conn.execute("SELECT name FROM finding WHERE run = 'R-2' AND verdict = 'broken' AND what = 'clause'")
    assert [r["name"] for r in broken] == ["cool 5 rate", "door opened"]
    sources = conn.execute("SELECT DISTINCT source, algorithm IS NULL, intake_id IS NULL FROM parameter ORDER BY 1")
    assert [tuple(r) for r in sources] == [("asked", 1, 1), ("trace", 0, 1)]


def test_reckon_leaves_what_people_stated(judged_book: BookFolder) -> None:
    row = {"run": "R-1", "parameter": "hold_mean_c", "value": 1.0, "unit": "c", "source": "asked"}
    with judged_book.write() as conn:
        add_intake(conn, "parameters", {"parameter": [row]}, rows_read=1)
    list(recompute.recompute(judged_book, ["R-1"]))
    kept = judged_book.read().execute(
        "SELECT value, intake_id IS NOT NULL FROM parameter"
        " WHERE run = 'R-1' AND parameter = 'hold_mean_c' AND source = 'asked'"
    )
    assert [tuple(r) for r in kept] == [(1.0, 1)]


def test_a_damaged_trace_is_said_and_its_rows_stay(judged_book: BookFolder, loadbook: Run) -> None:
    list(recompute.recompute(judged_book))
    before = stored(judged_book, "finding")
    path = judged_book.path / judged_book.read().execute("SELECT path FROM trace WHERE run = 'R-1'").fetchone()[0]
    path.write_bytes(path.read_bytes()[:-1] + b"x")
    done = loadbook("recompute", "--book", str(judged_book.path))
    assert done.returncode == 3 and "2 of 3 runs recomputed, 1 damaged" in done.stderr
    assert "is not the one that was written" in done.stdout
    assert sorted(map(str, stored(judged_book, "finding"))) == sorted(map(str, before))
    assert loadbook("judge", "R-1", "--book", str(judged_book.path)).returncode == 3


# ---- a named person's word
@pytest.fixture
def doubted(judged_book: BookFolder, monkeypatch: pytest.MonkeyPatch) -> BookFolder:
    """A run whose TC 8 reads 60 °F low and is suspected of it (a stand-in for the fault finder, tested elsewhere)."""

    def low(trace: Trace) -> None:
        trace.values[8] -= c_diff_from_f_diff(60.0) * np.exp(-0.5 * ((trace.t_s - 12600.0) / 1200.0) ** 2)

    put_run(judged_book, CYCLE, Load(touch=[low]).trace(), "R-4", "2026-06-01T06:00:00Z")
    fault = Fault("detached", "TC 8", 9000.0, 16000.0, 0.6, False, ())
    monkeypatch.setattr(derived.faults, "find_faults", lambda trace, phases: [fault])
    list(recompute.recompute(judged_book, ["R-4"]))
    return judged_book


def test_sql_reads_sentences_to_people_and_codes_to_machines(doubted: BookFolder, loadbook: Run) -> None:
    query = ("sql", "SELECT missing FROM verdicts WHERE run = 'R-4' AND clause = 'spread'", "--book", str(doubted.path))
    assert "is TC 8 to be trusted? with it broken, without it kept" in loadbook(*query).stdout
    kept = json.loads(loadbook(*query, "--format", "json").stdout)[0]["missing"]
    assert json.loads(kept)[0]["code"] == "doubt_trusted"


def test_a_confirmed_fault_and_a_refused_one(doubted: BookFolder) -> None:
    assert asked.judge_run(doubted, "R-4").verdict == "cannot be told"
    spread = next(c for c in asked.judge_run(doubted, "R-4").clauses if c.clause == "spread")
    assert spread.without == "kept" and spread.value is not None and spread.value > 41.7
    (row,) = (r for r in asked.judge_run(doubted, "R-4").rows() if r["name"] == "spread")
    assert row["missing"] == "is TC 8 to be trusted? with it broken, without it kept"
    assert row["codes"] == ["limit", "doubt_trusted"]
    (kept,) = doubted.read().execute("SELECT missing FROM finding WHERE run='R-4' AND name='spread'").fetchone()
    assert json.loads(kept)[0]["figures"]["channels"] == ["TC 8"] and of_stored(kept, "us") == row["missing"]
    assert of_stored("a sentence of an older book", "us") == "a sentence of an older book"
    assert confirm_fault(doubted, "R-4", "TC 8", "detached", "refused", "A. B.", "it was firm at unloading") == "broken"
    assert confirm_fault(doubted, "R-4", "TC 8", "detached", "confirmed", "C. D.", "found loose") == "kept"
    found = asked.judge_run(doubted, "R-4")
    assert found.verdict == "kept"
    assert any("C. D. confirmed the fault 'detached' of TC 8" in r for r in found.remarks)
    conn = doubted.read()
    assert [r[0] for r in conn.execute("SELECT decision FROM confirmation ORDER BY 1")] == ["confirmed", "refused"]
    assert conn.execute("SELECT verdict FROM finding WHERE run='R-4' AND what='fault'").fetchone()[0] == "confirmed"
    assert conn.execute("SELECT verdict FROM finding WHERE run='R-4' AND what='run'").fetchone()[0] == "kept"


def test_both_readings_of_a_repaired_channel_are_shown(
    judged_book: BookFolder, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """A reading as type K of wires that are type N: kept once it is read again, with what was recorded beside it."""

    def wrong(trace: Trace) -> None:
        trace.values[8] = shown_c("N", "K", trace.values[8])

    put_run(judged_book, CYCLE, Load(touch=[wrong]).trace(), "R-5", "2026-06-01T06:00:00Z")
    list(recompute.recompute(judged_book, ["R-5"]))
    assert asked.judge_run(judged_book, "R-5").verdict == "cannot be told"
    assert (
        confirm_fault(judged_book, "R-5", "TC 8", "wrong type", "confirmed", "C. D.", "an N wire was fitted") == "kept"
    )
    found = asked.judge_run(judged_book, "R-5")
    (one,) = found.repairs
    assert one.channel == "TC 8" and one.person == "C. D." and one.added_c is not None
    assert one.recorded_c is not None and one.repaired_c is not None and one.repaired_c > one.recorded_c + 50.0
    assert found.as_recorded is not None and found.as_recorded.verdict == "broken"
    assert any(r.endswith("kept as repaired, broken by the readings as recorded") for r in found.remarks)
    print_judged(found, judged_book)
    out = capsys.readouterr().out
    assert "Repaired on a named person's word (the trace is kept as it was recorded)" in out
    assert "By the readings as recorded: BROKEN; as repaired: KEPT" in out


def test_a_decision_on_one_of_two_that_traded_places_is_recorded_of_both(
    judged_book: BookFolder, monkeypatch: pytest.MonkeyPatch
) -> None:
    pair = [Fault("swapped", a, 0.0, 9e4, 0.9, False, (), other=b) for a, b in (("TC 7", "TC 8"), ("TC 8", "TC 7"))]
    monkeypatch.setattr(derived.faults, "find_faults", lambda trace, phases: pair)
    list(recompute.recompute(judged_book, ["R-1"]))
    assert confirm_fault(judged_book, "R-1", "TC 8", "swapped", "confirmed", "C. D.", "labels crossed") == "kept"
    rows = judged_book.read().execute("SELECT channel, decision FROM confirmation ORDER BY channel").fetchall()
    assert [tuple(r) for r in rows] == [("TC 7", "confirmed"), ("TC 8", "confirmed")]
    assert [r.channel for r in asked.judge_run(judged_book, "R-1").repairs] == ["TC 7", "TC 8"]


def test_a_serial_that_two_part_numbers_bear_tells_neither(tmp_path: Path) -> None:
    with small(tmp_path / "book") as book:
        run(book, "R1", 1, serials=("1", "2"))
        put(book, "part", {"part": "X", "material": "steel"})
        put(book, "piece", {"run": "R1", "part": "X", "serial": "1", "quantity": 1})
        put(book, "channel", *({"run": "R1", "channel": f"TC {s}", "role": "work", "serial": s} for s in "12"))
        assert [c.part for c in load_run(book.read(), "R1").channels] == [None, "00123"]


def test_a_calibration_made_after_the_run_is_kept_for_a_confirmed_drift(judged_book: BookFolder) -> None:
    day = {"calibration": "AFTER", "at_c": 600.0, "correction_c": 9.0, "calibrated_on": "2026-09-01"}
    with judged_book.write() as conn:
        add_intake(conn, "calibrations", {"calibration": [day]}, rows_read=1)
    name = (
        judged_book.read().execute("SELECT channel_id FROM channel WHERE run = 'R-1' AND channel = 'TC 8'").fetchone()
    )
    with judged_book.write() as conn:
        amend(conn, "channel", "TC 8", name[0], {"calibration": "AFTER"}, "recalibrated", "E. F.")
    tc = next(c for c in load_run(judged_book.read(), "R-1").channels if c.name == "TC 8")
    assert tc.correction == () and tc.as_found == ((600.0, 9.0),)
    assert any("calibration AFTER was made after the run" in r for r in asked.judge_run(judged_book, "R-1").remarks)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("R-4", "TC 8", "detatched", "confirmed", "P", "w"), "Did you mean 'detached'"),
        (("R-4", "TC 99", "detached", "confirmed", "P", "w"), "has no channel 'TC 99'"),
        (("R-4", "TC 1", "detached", "confirmed", "P", "w"), "no 'detached' is suspected of TC 1"),
        (("R-4", "TC 8", "frozen", "confirmed", "P", "w"), "Suspected of it: detached"),
        (("R-4", "TC 8", "detached", "confirmed", " ", "w"), "--person is empty"),
        (("R-9", "TC 8", "detached", "confirmed", "P", "w"), "no run 'R-9'"),
    ],
)
def test_words_that_are_no_decision(doubted: BookFolder, words: tuple[str, ...], said: str) -> None:
    with pytest.raises((UsageError, NotFoundError)) as caught:
        confirm_fault(doubted, *words)
    assert said in str(caught.value)
    assert doubted.read().execute("SELECT count(*) FROM confirmation").fetchone()[0] == 0


def test_faults_are_printed_with_the_command_that_decides(
    doubted: BookFolder, capsys: pytest.CaptureFixture[str]
) -> None:
    print_judged(asked.judge_run(doubted, "R-4"), doubted)
    out = capsys.readouterr().out
    assert out.splitlines()[0].endswith("none is seen broken (TC 8 suspected of a fault)")
    assert "loadbook confirm fault R-4 CHANNEL --kind K --decision confirmed|refused" in out
    assert "is TC 8 to be trusted? with it broken, without it kept" in out


# ---- showing
def test_units_of_the_book(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    book = book_with(tmp_path / "us", CYCLE, "us")
    put_run(book, CYCLE, HOT_DOOR.trace(), "R-2")
    print_judged(asked.judge_run(book, "R-2"), book)
    out = capsys.readouterr().out
    assert "261.6 °F" in out and "250.0 °F" in out and "75.0 °F" in out and "apart" not in out and "°C" not in out


def test_a_hair_beyond_a_limit_is_not_shown_as_the_limit() -> None:
    assert figure(40.0, "c", "si") == "40.0 °C"
    assert close_figure(40.004, 40.0, "c", "si") == "40.0040 °C"
    assert close_figure(41.0, 40.0, "c", "si") == "41.0 °C"


def test_names_with_control_characters_are_shown_as_text(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    book = book_with(tmp_path / "b", CYCLE)
    made = HOT_DOOR.trace()
    odd = (replace(made.channels[0], name="[red]C1[/x]\x1b[31m"), *made.channels[1:])
    put_run(book, CYCLE, replace(made, channels=odd), "R\x1b[2J[b]")
    print_judged(asked.judge_run(book, "R\x1b[2J[b]"), book)
    out = capsys.readouterr().out
    assert "\x1b" not in out and "[red]C1[/x]\\x1b[31m" in out


def test_a_bad_setting_is_said(judged_book: BookFolder) -> None:
    with judged_book.write() as conn:
        row = conn.execute("SELECT setting_id FROM setting WHERE name = 'guard_factor'").fetchone()[0]
        amend(conn, "setting", "guard_factor", row, {"value": "much"}, "a trial")
    with pytest.raises(DamageError, match="guard_factor is 'much'"):
        asked.judge_run(judged_book, "R-1")


def test_the_record_of_a_run(judged_book: BookFolder) -> None:
    record = load_run(judged_book.read(), "R-1")
    assert record.cycle == CYCLE and record.atmosphere == "vacuum"
    assert [c.role for c in record.channels] == ["control"] + ["work"] * 8
    assert record.channels[1].part == "00123" and record.channels[1].serial == "007"
    assert record.pieces[0].diffusivity_m2_per_s == pytest.approx(42.0 / (7850.0 * 560.0))
    assert [e.event for e in record.trace_events(record.trace["started"])] == ["gas backfill", "door opened"]  # type: ignore[index]
    with pytest.raises(NotFoundError, match="Did you mean 'R-1'"):
        load_run(judged_book.read(), "R-1 ")


# ---- two that traded places before the chart began
def swapped_from_the_start() -> Trace:
    """TC 1, a hot place, and TC 8, the coldest, in each other's jack: nothing in the trace shows it."""
    trace = Load().trace()
    one, other = trace.row("TC 1"), trace.row("TC 8")
    trace.values[[one, other]] = trace.values[[other, one]]
    return trace


def test_two_that_lay_in_each_other_s_jack_from_the_start(made_once: Path, tmp_path: Path) -> None:
    book = book_with(tmp_path / "book", CYCLE)
    put_run(book, CYCLE, swapped_from_the_start(), "R-1")
    with pytest.raises(UsageError, match="no 'swapped' is suspected"):
        confirm_fault(book, "R-1", "TC 1", "swapped", "confirmed", "AB", "labels found crossed")
    for channel, fault, partner in (("TC 1", "swapped", "TC 1"), ("TC 1", "frozen", "TC 8")):
        with pytest.raises(UsageError):
            confirm_fault(book, "R-1", channel, fault, "confirmed", "AB", "x", partner)
    with pytest.raises(NotFoundError):
        confirm_fault(book, "R-1", "TC 1", "swapped", "confirmed", "AB", "x", "TC 99")
    assert confirm_fault(book, "R-1", "TC 1", "swapped", "confirmed", "AB", "labels found crossed", "TC 8") == "kept"
    found = asked.judge_run(book, "R-1")
    assert found.worked is not None and [r.channel for r in found.repairs] == ["TC 1", "TC 8"]
    true = Load().trace()
    for name in ("TC 1", "TC 8"):
        np.testing.assert_allclose(found.worked.repaired.values[true.row(name)], true.values[true.row(name)], atol=0.02)
    assert [(c.channel, c.partner) for c in found.record.confirmations] == [("TC 1", "TC 8"), ("TC 8", "TC 1")]
    confirm_fault(book, "R-1", "TC 8", "swapped", "refused", "CD", "labels were right", "TC 1")
    assert asked.judge_run(book, "R-1").repairs == ()


def test_a_decision_s_day_is_the_shop_s(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """23:30 UTC of the 1st is the 2nd in Madrid."""
    from loadbook.core import times
    from loadbook.queries.run_record import run_sheet
    from loadbook.render.pages.run import run_page

    book = book_with(tmp_path / "book", CYCLE)
    put_run(book, CYCLE, swapped_from_the_start(), "R-1")
    monkeypatch.setattr(times, "now", lambda: times.from_stored("2026-06-01T23:30:00Z"))
    confirm_fault(book, "R-1", "TC 1", "swapped", "confirmed", "AB", "labels found crossed", "TC 8")
    said = " ".join(asked.judge_run(book, "R-1").remarks)
    assert "on 2026-06-02" in said and "2026-06-01" not in said
    page = run_page(run_sheet(book, "R-1"), book, "us", "2026-06-03T00:00:00Z")
    assert "2026-06-02" in page and "Both readings, mean over the hold" in page
    assert "as recorded" in page and "as repaired" in page


def test_a_rate_asked_above_a_temperature_is_told_with_what_was_achieved_there() -> None:
    """A load that cools fast once it is free to is not read as one that cooled too fast."""
    found = asked.AskedAchieved("cooling_rate_peak_c_per_h", "c_per_h", 70.0, 170.8, 2.3, above=((200.0, 60.9),))
    assert achieved(found, "si") == "170.8 °C/h (standard error 2.3 °C/h); 60.9 °C/h above 200 °C"
    assert achieved(found, "us") == "307.4 °F/h (standard error 4.1 °F/h); 109.6 °F/h above 392 °F"
    never = asked.AskedAchieved("soak_minutes", "min", 30.0, None, not_reached=True)
    assert achieved(never, "si") == "not reached"
