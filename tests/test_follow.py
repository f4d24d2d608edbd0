"""A recorder's growing file: whole lines only, across truncation and rotation, and taken in as `trace take` would."""

from __future__ import annotations

import io
import json
import random
import re
import subprocess
import sys
import threading
import time
from dataclasses import replace
from datetime import timedelta
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from loadbook.analysis.following import so_far
from loadbook.analysis.following.lowhold import PastLag, check_holds, checked, lags_of
from loadbook.analysis.trace.model import Limit
from loadbook.analysis.trace.phases import find_phases
from loadbook.analysis.trace.validity import prepared
from loadbook.cli.main import cli
from loadbook.core import times
from loadbook.core.errors import LoadbookError
from loadbook.queries.earlier_runs import Past
from loadbook.queries.following import Look, follower, seen_of
from loadbook.readers.cycles.file import parse_cycle
from loadbook.readers.recorder.growing import Growing
from loadbook.readers.recorder.options import Options
from loadbook.readers.recorder.take import take_trace
from loadbook.store.book import BookFolder
from loadbook.store.run_records import cycle_tables, load_run
from loadbook.store.trace_files import read_trace
from loadbook.store.verify import verify

from .runcase import cool, cycle, heat, hold
from .smallbook import put, small
from .thinned import thinned

CYCLE = replace(
    parse_cycle(
        cycle(heat("200 C", rate_max="300 C/h"), hold("200 C", minutes=20), heat("600 C", rate_max="300 C/h"),
              hold("600 C", minutes=30), cool("100 C", rate_max="600 C/h"))
    ).cycle,
    cycle="LIVE", revision="A",
)  # fmt: skip
CYCLE = replace(
    CYCLE,
    segments=tuple(
        replace(s, purpose="low hold to check thermocouples", band_low_c=15.0, band_high_c=15.0) if s.number == 2 else s
        for s in CYCLE.segments
    ),
)


def furnace(t_s: np.ndarray) -> np.ndarray:
    """200 °C/h to 200 °C, 40 min there, 200 °C/h to 600 °C, 90 min there, down in 1 h 30."""
    knots = np.array([0.0, 54.0, 94.0, 214.0, 304.0, 394.0]) * 60.0
    return np.interp(t_s, knots, [20.0, 200.0, 200.0, 600.0, 600.0, 90.0])


def recorded(step_s: float = 30.0) -> tuple[np.ndarray, np.ndarray]:
    """(times, (5, n) one control TC and four work TCs that follow it with lags of 5 to 14 min)."""
    t = np.arange(0.0, 394.0 * 60.0, step_s)
    f = furnace(t)
    rng = np.random.default_rng(5)
    rows = [f]
    for minutes in (5.0, 8.0, 11.0, 14.0):
        y, keep = np.empty_like(f), np.exp(-step_s / (60.0 * minutes))
        y[0] = f[0]
        for k in range(1, len(f)):
            y[k] = keep * y[k - 1] + (1.0 - keep) * f[k]
        rows.append(y)
    return t, np.round(np.stack(rows) + rng.normal(0.0, 0.1, (5, len(t))), 1)


def text(t: np.ndarray, values: np.ndarray) -> bytes:
    start = np.datetime64("2026-03-05T22:00:00")  # over midnight
    lines = ["Time,Zone 1 [°C]," + ",".join(f"TC {i} [°C]" for i in range(1, 5))]
    for k, seconds in enumerate(t):
        stamp = str(start + np.timedelta64(int(seconds), "s")).replace("T", " ")
        lines.append(stamp + "," + ",".join(f"{v:.1f}" for v in values[:, k]))
    return ("\n".join(lines) + "\n").encode()


WHOLE = text(*recorded())


@pytest.fixture
def book(tmp_path: Path) -> BookFolder:
    made = small(tmp_path / "book")
    for table, rows in cycle_tables(CYCLE, "test").items():
        if rows:
            put(made, table, *rows)
    for name in ("R1", "R2"):
        run = {"run": name, "furnace": "F1", "cycle": "LIVE", "cycle_revision": "A", "status": "done",
               "started": "2026-03-05T22:00:00Z"}  # fmt: skip
        put(made, "run", run)
        put(made, "channel", *channels(name))
    return made


def channels(run: str) -> list[dict[str, str]]:
    work = [{"run": run, "channel": f"TC {i}", "role": "work", "place": f"place {i}"} for i in range(1, 5)]
    return [{"run": run, "channel": "Zone 1", "role": "control"}, *work]


def stored(book: BookFolder, run: str) -> tuple[str, str]:
    row = book.read().execute("SELECT sha256, source_sha256 FROM trace WHERE run = ?", (run,)).fetchone()
    return row["sha256"], row["source_sha256"]


def whole_digest(tmp_path: Path) -> tuple[str, str]:
    """What `trace take` stores of the whole file, in a book of its own."""
    file = tmp_path / "whole" / "chart.csv"
    file.parent.mkdir()
    file.write_bytes(WHOLE)
    made = small(tmp_path / "other")
    for table, rows in cycle_tables(CYCLE, "test").items():
        if rows:
            put(made, table, *rows)
    put(made, "run", {"run": "R1", "furnace": "F1", "cycle": "LIVE", "cycle_revision": "A", "status": "done",
                      "started": "2026-03-05T22:00:00Z"})  # fmt: skip
    put(made, "channel", *channels("R1"))
    take_trace(made, file, "R1", Options())
    return stored(made, "R1")


# ---- the file that grows -------------------------------------------------------------------------------------------
def grown(path: Path, states: list[bytes | None]) -> Growing:
    """A file that stands in each state in turn (None: it is not there), looked at each time."""
    file = Growing(path)
    longest = 0
    for data in states:
        if data is None:
            path.unlink(missing_ok=True)
        else:
            path.write_bytes(data)
        file.look()
        assert len(file.data) >= longest and (not file.data or file.data.endswith((b"\n", b"\r", b"\n\x00")))
        longest = len(file.data)
    return file


HEAD, ROWS = WHOLE.split(b"\n", 1)[0] + b"\n", WHOLE.split(b"\n", 1)[1]
HALF = ROWS.rfind(b"\n", 0, len(ROWS) // 2) + 1


def test_byte_by_byte_no_half_line_is_ever_shown(tmp_path: Path) -> None:
    short = WHOLE[:600]
    file = grown(tmp_path / "c.csv", [short[:n] for n in range(1, len(short) + 1)])
    assert file.data == short[: short.rfind(b"\n") + 1] and not file.rotated()


@pytest.mark.parametrize("seed", range(6))
def test_bursts_gaps_and_locks_end_in_the_whole(tmp_path: Path, seed: int) -> None:
    rng = random.Random(seed)
    cuts = sorted(rng.sample(range(1, len(WHOLE)), 30))
    states: list[bytes | None] = [WHOLE[:n] for n in cuts]
    for _ in range(5):
        states.insert(rng.randrange(len(states)), None)
    file = grown(tmp_path / "c.csv", [*states, WHOLE])
    assert file.data == WHOLE and not file.rotated()


def test_a_file_written_anew_from_its_beginning_is_the_same_file(tmp_path: Path) -> None:
    file = grown(tmp_path / "c.csv", [WHOLE[:5000], b"", WHOLE[:100], WHOLE[:3000], WHOLE])
    assert file.data == WHOLE and not file.rotated()


@pytest.mark.parametrize("with_head", [True, False])
@pytest.mark.parametrize("emptied", [True, False])
def test_a_rotated_file_goes_on_where_the_one_before_it_ended(tmp_path: Path, with_head: bool, emptied: bool) -> None:
    head = HEAD if with_head else b""
    later = [head + ROWS[HALF : HALF + n] for n in (300, 5000)]
    states: list[bytes | None] = [HEAD + ROWS[:1000], HEAD + ROWS[:HALF], *([b""] if emptied else [None]), *later]
    file = grown(tmp_path / "c.csv", [*states, head + ROWS[HALF:]])
    assert file.data == WHOLE and file.parts == 2
    (tmp_path / "held").mkdir()
    whole = file.put_whole(tmp_path / "held")
    assert whole.read_bytes() == WHOLE and whole != file.path


def test_last_lines_that_are_written_anew_each_time_are_no_new_record(tmp_path: Path) -> None:
    """A recorder that keeps a sum as its last line, and one that goes on with the row that it had begun."""
    lines = WHOLE.splitlines(keepends=True)
    sums = [b"".join(lines[:n]) + b"Rows,%d,,,,\n" % n for n in (100, 101, 180, 400)]
    file = grown(tmp_path / "c.csv", [*sums])
    assert file.data == sums[-1] and not file.rotated()
    half = b"".join(lines[:300]) + b"2026-03-06 00:30:00,1\n"
    file = grown(tmp_path / "d.csv", [half, b"".join(lines[:301]), WHOLE])
    assert file.data == WHOLE and not file.rotated()


def test_space_laid_out_ahead_and_two_byte_letters(tmp_path: Path) -> None:
    file = grown(tmp_path / "c.csv", [WHOLE[:500] + b"\x00" * 300, WHOLE[:900] + b"\x00" * 100, WHOLE])
    assert file.data == WHOLE
    wide = WHOLE[:2000].decode().encode("utf-16")
    file = grown(tmp_path / "w.csv", [wide[:n] for n in range(1, len(wide), 7)])
    assert file.data.decode("utf-16").endswith("\n") and wide.startswith(file.data)


def test_a_file_that_is_not_there_or_locked_is_waited_for(tmp_path: Path) -> None:
    file = Growing(tmp_path / "c.csv")
    assert file.look() == "waiting" and "no file c.csv yet" in file.waiting
    (tmp_path / "c.csv").write_bytes(WHOLE[:400])
    assert file.look() == "grew" and file.waiting == "" and file.look() == "same"


# ---- the same trace ------------------------------------------------------------------------------------------------
@pytest.mark.parametrize("way", ["bursts", "rotated", "truncated"])
def test_what_is_taken_at_the_end_is_what_the_whole_file_gives(book: BookFolder, tmp_path: Path, way: str) -> None:
    path = tmp_path / "chart.csv"
    follows = follower(book, path, "R1", Options(), None)
    states: dict[str, list[bytes]] = {
        "bursts": [WHOLE[:20], WHOLE[:3001], WHOLE[:9000], WHOLE],
        "rotated": [HEAD + ROWS[:HALF], b"", HEAD + ROWS[HALF : HALF + 100], HEAD + ROWS[HALF:]],
        "truncated": [HEAD + ROWS[:HALF], b"", HEAD, WHOLE],
    }
    for data in states[way]:
        path.write_bytes(data)
        follows.look()
    assert follows.seen.samples == WHOLE.count(b"\n") - 1 and follows.seen.waiting == ""
    (tmp_path / "held").mkdir()
    take_trace(book, follows.file.put_whole(tmp_path / "held"), "R1", Options())
    assert stored(book, "R1") == whole_digest(tmp_path)


def test_the_command_follows_a_writer_and_takes_the_file_in(book: BookFolder, tmp_path: Path) -> None:
    path, page = tmp_path / "chart.csv", tmp_path / "now.html"
    cuts = np.linspace(50, len(WHOLE), 6).astype(int)
    path.write_bytes(WHOLE[: cuts[0]])

    def write() -> None:
        for a, b in pairwise(cuts):
            time.sleep(0.2)
            with path.open("ab") as out:
                out.write(WHOLE[a:b])

    book.close()
    writer = threading.Thread(target=write)
    writer.start()
    runner = CliRunner(env={"LOADBOOK_BOOK": str(tmp_path / "book")})
    words = ["follow", str(path), "--run", "R1", "--every", "1", "--json", "--page", str(page)]
    words += ["--quiet-minutes", "0.03"]
    found = runner.invoke(cli, words, catch_exceptions=False)
    writer.join()
    lines = [json.loads(line) for line in found.stdout.splitlines() if line.startswith("{")]
    assert found.exit_code == 0, found.output
    assert lines[-1]["samples"] == WHOLE.count(b"\n") - 1 and lines[-1]["state"] != "broken"
    assert "taken in as the trace of R1" in found.stdout
    with BookFolder.open(tmp_path / "book") as again:
        assert stored(again, "R1") == whole_digest(tmp_path)
    made = page.read_text(encoding="utf-8")
    assert "refresh" not in made and "not an alarm" in made
    again_words = runner.invoke(cli, ["follow", str(path), "--run", "R1", "--once"])
    assert again_words.exit_code == 1 and "has a trace already" in again_words.output


def test_what_is_written_down_meanwhile_counts(book: BookFolder, tmp_path: Path) -> None:
    path = tmp_path / "chart.csv"
    follows = follower(book, path, "R1", Options(), None)
    path.write_bytes(WHOLE[: len(WHOLE) // 3])
    follows.look()
    assert not follows.seen.over
    put(book, "event", {"run": "R1", "at": "2026-03-06T00:10:00Z", "event": "thermocouples unplugged"})
    path.write_bytes(WHOLE[: len(WHOLE) // 2])
    follows.look()
    assert follows.seen.over


def test_once_says_what_is_seen_and_takes_nothing(book: BookFolder, tmp_path: Path) -> None:
    path = tmp_path / "chart.csv"
    path.write_bytes(WHOLE[: int(len(WHOLE) * 0.3)])
    runner = CliRunner(env={"LOADBOOK_BOOK": str(book.path)})
    found = runner.invoke(cli, ["follow", str(path), "--run", "R1", "--once", "--page", str(tmp_path / "p.html")])
    assert found.exit_code == 0 and "kept so far" in found.output and "No trace" not in found.output
    assert 'http-equiv="refresh"' in (tmp_path / "p.html").read_text(encoding="utf-8")
    assert book.read().execute("SELECT count(*) FROM trace").fetchone()[0] == 0


# ---- what is said so far -------------------------------------------------------------------------------------------
def part_of(book: BookFolder, fraction: float, values: np.ndarray | None = None):  # type: ignore[no-untyped-def]
    from loadbook.readers.recorder.source import Source
    from loadbook.readers.recorder.take import trace_so_far

    t, own = recorded()
    own = own if values is None else values
    n = int(len(t) * fraction)
    record = load_run(book.read(), "R1")
    return record, trace_so_far(book, Source("c.csv", text(t[:n], own[:, :n])), record, Options(), None)


@pytest.mark.parametrize("tenth", range(1, 11))
def test_nothing_said_to_be_broken_is_kept_in_the_end(book: BookFolder, tenth: int) -> None:
    record, trace = part_of(book, tenth / 10)
    seen = seen_of(book, record, trace, Past())
    assert so_far.BROKEN not in {s.state for s in seen.standings}
    assert seen.place is not None and seen.place.coldest is not None


def test_a_spread_that_grows_is_told_before_it_breaks() -> None:
    t = np.arange(0.0, 3600.0, 30.0)
    found = so_far.trend(t, 5.0 + t / 120.0, 45.0)
    assert found is not None and abs(found[0] - 4800.0) < 60.0 and abs(found[1] - 30.0) < 1.0
    assert so_far.trend(t, 5.0 + 30.0 * (1.0 - np.exp(-t / 600.0)), 45.0) is None  # levels off below the limit
    swing = 30.0 + 3.0 * np.sin(2 * np.pi * t / 1500.0)
    assert so_far.trend(t, swing, 45.0) is None
    assert so_far.trend(t[:20], (5.0 + t / 120.0)[:20], 45.0) is None  # too short to call it a trend


@pytest.mark.parametrize("furnace_rises", [True, False])
def test_a_part_heads_over_its_band_only_with_the_furnace(book: BookFolder, furnace_rises: bool) -> None:
    """In the top hold a work TC rises by 10 °C/h, 4 °C below the edge; what it is in stands still, or rises too."""
    t, own = recorded()
    own, minutes = own.copy(), t / 60.0
    top = minutes > 214.0
    own[4, top] = np.round(595.0 + 10.0 * (minutes[top] - 214.0) / 60.0, 1)
    if furnace_rises:
        own[0, top] = np.round(596.0 + 10.0 * (minutes[top] - 214.0) / 60.0, 1)
    record, trace = part_of(book, 265.0 / 394.0, own)
    edge = next(s for s in seen_of(book, record, trace, Past()).standings if s.clause == "hold 4 upper edge")
    assert edge.state == (so_far.HEADING if furnace_rises else so_far.KEPT)


def test_the_low_hold_says_go_on_and_finds_what_is_out(book: BookFolder) -> None:
    record, trace = part_of(book, 0.24)  # the end of the low hold
    low = seen_of(book, record, trace, Past()).low_hold
    assert low is not None and (low.says, low.tcs, low.tracking) == ("go on", 4, 4)
    own = recorded()[1]
    loose = own.copy()
    loose[4, 60:] += np.round(0.8 * (own[0] - own[4])[60:], 1)
    record, trace = part_of(book, 0.24, loose)
    low = seen_of(book, record, trace, Past()).low_hold
    assert low is not None and low.says == "stop and look" and low.tracking == 3
    assert {r.figures["channel"] for r in low.remarks} == {"TC 4"}
    backwards = own.copy()
    backwards[2] = 40.0 - own[2]
    record, trace = part_of(book, 0.24, backwards)
    low = seen_of(book, record, trace, Past()).low_hold
    assert low is not None and {r.figures["channel"] for r in low.remarks} == {"TC 2"}


def test_a_place_is_held_against_its_own_past(book: BookFolder) -> None:
    record, trace = part_of(book, 0.24)
    ready = prepared(trace)
    phases = find_phases(ready, record.cycle)
    own = lags_of(ready, phases, check_holds(record.cycle, phases)[0])
    usual = {
        f"place {i}": tuple(PastLag(f"R-{k}", tuple(x + 0.003 * (k % 3) for x in own[f"TC {i}"])) for k in range(6))
        for i in range(1, 5)
    }
    good = checked(ready, record.cycle, phases, (), usual)
    assert good is not None and good.says == "go on" and good.compared == 4
    behind = trace.values.copy()
    behind[4] -= np.clip((trace.values[4] - 20.0) * 0.25, 0.0, None)  # 45 °C behind at 200 °C
    late = prepared(replace(trace, values=behind))
    found = checked(late, record.cycle, phases, (), usual)
    assert found is not None and [r.code for r in found.remarks] == ["low_hold_behind"]
    assert found.remarks[0].figures["channel"] == "TC 4" and 35.0 < found.remarks[0].figures["more_c"] < 55.0


def test_two_holds_for_the_check_have_each_their_own_past(book: BookFolder) -> None:
    record, trace = part_of(book, 0.7)
    assert record.cycle is not None
    segments = tuple(
        replace(s, purpose="thermocouples again", band_low_c=15.0, band_high_c=15.0) if s.number == 4 else s
        for s in record.cycle.segments
    )
    record = replace(record, cycle=replace(record.cycle, segments=segments))
    places = {f"place {i}": tuple(PastLag(f"R-{k}", (0.3,) * 20, 0) for k in range(6)) for i in range(1, 5)}
    low = seen_of(book, record, trace, Past(places)).low_hold
    assert low is not None and (low.segment, low.says, low.compared) == (4, "go on", 0)
    places = {p: tuple(replace(x, order=1) for x in lags) for p, lags in places.items()}
    low = seen_of(book, record, trace, Past(places)).low_hold
    assert low is not None and low.compared == 4


def test_a_run_that_has_a_trace_is_not_followed(book: BookFolder, tmp_path: Path) -> None:
    path = tmp_path / "chart.csv"
    path.write_bytes(WHOLE)
    take_trace(book, path, "R2", Options())
    with pytest.raises(LoadbookError, match="has a trace already"):
        follower(book, path, "R2", Options(), None)


def test_us_books_are_told_in_fahrenheit(book: BookFolder) -> None:
    from loadbook.render.following import clause_rows, facts, low_hold_words

    record, trace = part_of(book, 0.24)
    seen = seen_of(book, record, trace, Past())
    said = str([facts(seen, "us"), clause_rows(seen, book, "us"), low_hold_words(seen, book, "us")])
    assert "°F" in said and "°C" not in said


def test_a_suspected_fault_is_told_in_words_as_json_and_on_the_page(book: BookFolder) -> None:
    from rich.console import Console

    from loadbook.render.following import view
    from loadbook.render.pages.following import following_page

    own = recorded()[1].copy()
    own[3, 80:] = own[3, 80]  # stuck from the middle of the first heating on
    record, trace = part_of(book, 0.5, own)
    seen = seen_of(book, record, trace, Past(), any_hold=True)
    assert ("TC 3", "frozen") in {(f.channel, f.kind) for f in seen.faults}
    line = json.loads(json.dumps(seen.as_dict(), allow_nan=False))
    assert all(e["code"] and isinstance(e["figures"], dict) for f in line["faults"] for e in f["evidence"])
    console = Console(width=160, record=True, file=io.StringIO())
    console.print(view(seen, book, "si"))
    for told in (
        console.export_text(),
        following_page(seen, book, "us", Look(times.now(), 5.0)).partition('id="seen-data"')[0],
    ):
        assert re.search(r"TC 3: (frozen|the recorder shows the same value on and on \()since", told)
        assert "Remark" not in told and "figures" not in told
        assert not re.search(r"\d\d:\d\d[+-]\d", told)  # the shop's clock, without its offset
    narrow = Console(width=80, record=True, file=io.StringIO())
    narrow.print(view(seen, book, "si"))
    assert "…" not in narrow.export_text()  # no clause's name is cut


def test_a_furnace_that_turns_back_on_the_way_is_not_told_as_a_break(book: BookFolder) -> None:
    """The power fails on the way to the top hold, and the furnace falls; it may be heated on."""
    own = recorded()[1].copy()
    n = 290  # on the way up to the top hold
    own[:, n:] = 20.0 + (own[:, n : n + 1] - 20.0) * np.exp(-np.arange(own.shape[1] - n) / 80.0)
    record, trace = part_of(book, 0.7, own)
    seen = seen_of(book, record, trace, Past())
    states = {s.clause: (s.state, s.missing and s.missing.code) for s in seen.standings}
    assert states["heat 3 target"][0] == so_far.OPEN and states["heat 3 target"][1] == "turned_back"
    assert so_far.BROKEN not in {s.state for s in seen.standings if s.segment is not None}


def test_a_break_that_one_thermocouple_alone_makes_is_told_so(book: BookFolder) -> None:
    own = recorded()[1].copy()
    own[4] -= 0.05 * (own[4] - 20.0)  # a cold corner
    record, trace = part_of(book, 0.7, own)
    assert record.cycle is not None
    for limit_c, alone in ((40.0, "TC 4"), (10.0, None)):  # the other three are up to 20 °C apart
        limits = (Limit(1, "spread", "max", limit_c, "heating"),)
        asked = replace(record, cycle=replace(record.cycle, limits=limits))
        spread = next(s for s in seen_of(book, asked, trace, Past()).standings if s.clause.startswith("spread"))
        assert (spread.state, spread.alone) == (so_far.BROKEN, alone)


def test_the_view_fits_the_terminal_and_keeps_what_matters(book: BookFolder) -> None:
    from rich.console import Console

    from loadbook.render.following import fitted

    own = recorded()[1].copy()
    own[4, 60:] += np.round(0.8 * (own[0] - own[4])[60:], 1)
    record, trace = part_of(book, 0.24, own)
    seen = seen_of(book, record, trace, Past())
    for height in (20, 24, 60):
        console = Console(width=80, height=height, record=True, file=io.StringIO())
        console.print(fitted(seen, book, "si", console))
        shown = console.export_text()
        assert len(shown.splitlines()) <= height and "not an alarm or" in shown
        assert "STOP AND LOOK" in shown.splitlines()[0] and "likely pulled out (since 22:30" in shown
        assert ("more not yet" in shown) == (height < 60)


def test_the_view_and_the_page_say_when_the_last_look_was(book: BookFolder) -> None:
    from rich.console import Console

    from loadbook.render.following import fitted, look_words
    from loadbook.render.pages.following import following_page

    record, trace = part_of(book, 0.24)
    seen = seen_of(book, record, trace, Past())
    at = times.from_stored("2026-03-06T00:20:05Z")
    assert look_words(Look(at, 5.0), book) == "Last look 00:20:05, the next 5 s later."
    long = Look(at, 240.0)
    console = Console(width=80, height=40, record=True, file=io.StringIO())
    console.print(fitted(seen, book, "si", console, long))
    said = "Last look 00:20:05, the next 4 min later (a long file is read less often)."
    page = following_page(seen, book, "si", long)
    assert said in " ".join(console.export_text().split())
    assert said in page.replace("\N{NO-BREAK SPACE}", " ") and re.search('http-equiv="refresh"[^>]*60', page)
    assert look_words(Look(at, None), book) == look_words(None, book) == ""


# ---- every way to write ends in the trace of the whole file ----------------------------------------------------------
def written(way: str, data: bytes, rng: random.Random) -> list[bytes]:
    """The states of a file that a recorder writes in one way or another, the last one whole."""
    head = data[: data.index(b"\n") + 1]
    cuts = sorted(rng.sample(range(1, len(data)), 12))
    middle = data.rfind(b"\n", 0, len(data) // 2) + 1
    return {
        "byte by byte": [data[:n] for n in range(1, len(data) + 1)],
        "bursts": [data[:n] for n in cuts],
        "truncated and written anew": [data[: cuts[7]], b"", data[: cuts[1]], data[: cuts[9]]],
        "rotated": [data[: cuts[2]], data[:middle], b"", head + data[middle : middle + 70]],
        "rotated without a heading": [data[:middle], data[middle : middle + 9]],
    }[way] + [(head if way == "rotated" else b"") + (data[middle:] if "rotated" in way else data)]


NIGHTS = {"Europe/Madrid": "2026-10-24T20:00:00Z", "America/New_York": "2026-11-01T02:00:00Z",
          "Europe/Berlin": "2026-03-28T20:00:00Z"}  # fmt: skip


WAYS = ("byte by byte", "bursts", "truncated and written anew", "rotated", "rotated without a heading")


@pytest.mark.parametrize("case", thinned([(way, zone) for zone in NIGHTS for way in WAYS], 2), ids=", ".join)
def test_over_midnight_and_a_clock_change_too(tmp_path: Path, case: tuple[str, str]) -> None:
    """A night in which the clock goes back (in Berlin's, forward), on a recorder that writes its own wall clock."""
    way, zone = case
    night = NIGHTS[zone]
    began = times.from_stored(night)
    lines = ["Time,Zone 1 [°C],TC 1 [°C]"]
    for minutes in range(0, 8 * 60, 10):
        at = (began + timedelta(minutes=minutes)).astimezone(times.zone_of(zone))
        lines.append(f"{at:%Y-%m-%d %H:%M:%S},{200 + minutes / 7:.1f},{190 + minutes / 9:.1f}")
    data = ("\n".join(lines) + "\n").encode()
    kept = []
    for name in ("live", "whole"):
        made = BookFolder.create(tmp_path / name, zone=zone)
        put(made, "furnace", {"furnace": "F1", "atmosphere": "air"})
        put(made, "run", {"run": "R1", "furnace": "F1", "status": "done", "started": night})
        put(made, "channel", {"run": "R1", "channel": "Zone 1", "role": "control"},
            {"run": "R1", "channel": "TC 1", "role": "work"})  # fmt: skip
        file = Growing(tmp_path / f"{name}-chart" / "chart.csv")
        file.path.parent.mkdir()
        for state in written(way, data, random.Random(4)) if name == "live" else [data]:
            file.path.write_bytes(state)
            file.look()
        (tmp_path / f"{name}-held").mkdir()
        take_trace(made, file.put_whole(tmp_path / f"{name}-held"), "R1", Options())
        kept.append(stored(made, "R1"))
        seconds = made.read().execute("SELECT seconds FROM trace").fetchone()[0]
        assert seconds == (8 * 60 - 10) * 60
    assert kept[0] == kept[1]


@pytest.mark.parametrize("anew", [True, False])
def test_columns_in_another_order_after_a_restart_stay_with_their_names(
    book: BookFolder, tmp_path: Path, anew: bool
) -> None:
    """After its restart, in the same file or in a new one, the recorder writes TC 4 first."""
    lines = [line.split(",") for line in WHOLE.decode().splitlines()]
    half, order = len(lines) // 2, (0, 1, 5, 2, 3, 4)
    first = "".join(",".join(line) + "\n" for line in lines[:half])
    later = "".join(",".join(line[k] for k in order) + "\n" for line in (lines[0], *lines[half:]))
    path = tmp_path / "chart.csv"
    follows = follower(book, path, "R1", Options(), None)
    for text in (first, later if anew else first + later):
        path.write_text(text, encoding="utf-8")
        follows.look()
    assert follows.seen.samples == len(lines) - 1 and not follows.seen.faults
    (tmp_path / "held").mkdir()
    take_trace(book, follows.file.put_whole(tmp_path / "held"), "R1", Options())
    record = load_run(book.read(), "R1")
    assert record.trace is not None
    trace = read_trace(book, record.trace, record.channels, ())
    for name, row in zip(("Zone 1", "TC 1", "TC 2", "TC 3", "TC 4"), recorded()[1], strict=True):
        assert trace.values[trace.row(name)] == pytest.approx(row)


def test_in_the_hour_that_comes_twice_a_run_goes_on_being_followed(tmp_path: Path) -> None:
    """A run begun at 22:00 and its file looked at as it stands at 02:30 of either pass, and after both."""
    zone = times.zone_of("Europe/Berlin")
    made = BookFolder.create(tmp_path / "b", zone="Europe/Berlin")
    put(made, "furnace", {"furnace": "F1", "atmosphere": "air"})
    put(made, "run", {"run": "R1", "furnace": "F1", "status": "done", "started": "2026-10-24T20:00:00Z"})
    put(made, "channel", {"run": "R1", "channel": "Zone 1", "role": "control"})
    follows = follower(made, tmp_path / "c.csv", "R1", Options(), None)
    began, lines = times.from_stored("2026-10-24T20:00:00Z"), ["Time,Zone 1 [°C]"]
    for minutes in range(0, 6 * 60, 10):
        at = (began + timedelta(minutes=minutes)).astimezone(zone)
        lines.append(f"{at:%Y-%m-%d %H:%M:%S},{200 + minutes / 7:.1f}")
    for hours, moment, assumed in ((4.5, "00:30", True), (5.5, "01:30", False), (6.0, "01:50", False)):
        follows.file.path.write_text("\n".join(lines[: int(6 * hours) + 2]) + "\n", encoding="utf-8")
        follows.look()
        assert follows.seen.at == f"2026-10-25T{moment}:00Z" and not follows.seen.waiting
        assert bool(follows.seen.assumed) == assumed


def test_a_run_without_a_cycle_has_no_target(book: BookFolder) -> None:
    record, trace = part_of(book, 0.1)
    free = replace(record, cycle=None)
    seen = seen_of(book, free, trace, Past())
    assert seen.place is not None and seen.place.kind == "heat" and seen.place.target_c is None and not seen.ahead


KILLED = """
import os, signal, sys
from loadbook.readers.recorder import take
from loadbook.cli.main import cli

def ending(function):
    def ended(*args, **kwargs):
        os.kill(os.getpid(), signal.SIGKILL)
    return ended
place, *words = sys.argv[1:]
if place == "placing":
    take.trace_files.place = ending(take.trace_files.place)
elif place == "committing":
    take.derived.store = ending(take.derived.store)
else:
    import loadbook.cli.follow
    loadbook.cli.follow.print_taken = ending(None)
cli(words)
"""


@pytest.mark.thorough
@pytest.mark.skipif(sys.platform == "win32", reason="SIGKILL")
def test_killed_while_it_takes_the_file_in_it_goes_on(book: BookFolder, tmp_path: Path) -> None:
    path = tmp_path / "chart.csv"
    path.write_bytes(WHOLE)
    words = ["follow", str(path), "--run", "R1", "--json", "--every", "1", "--book", str(book.path)]
    words += ["--quiet-minutes", "0.001"]
    counts = []
    for place in ("placing", "committing", "told"):
        done = subprocess.run([sys.executable, "-c", KILLED, place, *words], capture_output=True, timeout=120)
        assert done.returncode == -9, done.stderr
        counts.append(book.read().execute("SELECT count(*) FROM trace").fetchone()[0])
    assert counts == [0, 0, 1] and stored(book, "R1") == whole_digest(tmp_path)
    again = CliRunner().invoke(cli, words)
    assert again.exit_code == 1 and "has a trace already" in again.output
    found = verify(book)
    assert (found.wrong, found.leftover) == ([], [])
