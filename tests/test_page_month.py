"""The page of a month: what it shows agrees with what other commands say, and a furnace that drifts is seen."""

from __future__ import annotations

import json
import re
import subprocess
import xml.etree.ElementTree as ET
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner

from loadbook.analysis.planning import control
from loadbook.analysis.trace.model import Cycle, Segment
from loadbook.cli.main import cli
from loadbook.queries import kept_answers
from loadbook.queries.answer import answer
from loadbook.queries.enquiry import Question
from loadbook.queries.furnaces import furnace_charts, hours_asked, leak_rate
from loadbook.queries.month import bounds, month_seen
from loadbook.render.charts.drawing import Drawing, clipped, width_of
from loadbook.render.charts.scale import Scale, ticks
from loadbook.render.charts.style import SHAPES
from loadbook.render.pages.month import month_page
from loadbook.store.book import BookFolder
from loadbook.store.records import add_intake
from tests.answerbook import fill
from tests.shops import Shop

Command = Callable[..., subprocess.CompletedProcess[str]]
WILD = "<script>alert(1)</script>\"'&\x07\u202eR"


@pytest.fixture
def loadbook(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Command:
    """The command line inside this process."""
    monkeypatch.chdir(tmp_path)

    def run(*words: str) -> subprocess.CompletedProcess[str]:
        done = CliRunner().invoke(cli, list(words))
        return subprocess.CompletedProcess(words, done.exit_code, done.stdout, done.stderr)

    return run


def block(page: str, name: str) -> Any:
    """The data of a block of the page."""
    match = re.search(rf'<script type="application/json" id="{name}">(.*?)</script>', page, re.DOTALL)
    assert match is not None, name
    return json.loads(match.group(1))


def furnace_book(
    path: Path, leads: list[float], furnace: str = "F1", faulty: int | None = None, breaks: str | None = None
) -> BookFolder:
    """Runs of one furnace, one every five days from 2025-01-01 on, two cycles in turn with leads 100 apart."""
    book = BookFolder.create(path, zone="UTC")
    started = [datetime(2025, 1, 1, 6) + timedelta(days=5 * k) for k in range(len(leads))]
    cycle = {"title": "relief", "process": "stress relief", "atmosphere": "air", "source_text": "", "revision": "A"}
    rows: dict[str, list[dict[str, Any]]] = {
        "furnace": [{"furnace": furnace, "atmosphere": "air"}],
        "cycle": [{**cycle, "cycle": c} for c in ("SLOW", "FAST")],
        "run": [
            {"run": f"R{k:03}", "furnace": furnace, "cycle": ("SLOW", "FAST")[k % 2], "cycle_revision": "A",
             "started": s.isoformat() + "Z", "status": "done"} for k, s in enumerate(started)
        ],
        "history_break": [{"at": breaks, "what": "relined"}] if breaks else [],
    }  # fmt: skip
    with book.write() as conn:
        add_intake(conn, "t", {k: v for k, v in rows.items() if v}, rows_read=1, taken_by="t")
        sql = (
            "INSERT INTO parameter (run, parameter, value, unit, source, algorithm)"
            " VALUES (?, ?, ?, 'c_diff', 'trace', 'x')"
        )
        for k, lead in enumerate(leads):
            conn.execute(sql, (f"R{k:03}", "lead_heating_peak_c", lead + 100.0 * (k % 2)))
        if faulty is not None:
            conn.execute(
                "INSERT INTO finding (run, what, name, verdict, text, channel, algorithm)"
                " VALUES (?, 'fault', 'detached', 'certain', 'x', 'TC 1', 'x')", (f"R{faulty:03}",)
            )  # fmt: skip
    return book


def quiet(count: int, seed: int = 1) -> list[float]:
    return [float(v) for v in 60.0 + np.random.default_rng(seed).normal(0, 3, count)]


def test_a_drifting_furnace_is_seen_and_a_quiet_one_is_not(tmp_path: Path) -> None:
    """31 quiet runs, then the lead creeps up by 2 °C a run: told in the sentence, and marked."""
    drifting = [*quiet(31), *(60.0 + 2.0 * k for k in range(1, 14))]
    book = furnace_book(tmp_path / "b", drifting)
    seen = month_seen(book, "2025-08")
    (chart,) = seen.charts
    rules = {s.rule for s in chart.signals}
    assert {"side", "trend"} <= rules or "beyond" in rules
    page = month_page(seen, book, "si")
    assert "Look at" in page and "above the centre line" in page
    (data,) = block(page, "furnaces-data")
    assert data["parameter"] == "lead_heating_peak_c" and data["signals"] and data["sigma"] == pytest.approx(3, rel=0.5)
    steady = furnace_book(tmp_path / "q", quiet(44, 5))
    still = month_seen(steady, "2025-08")
    assert not [s for c in still.charts for s in c.signals]
    assert "No furnace gave a signal" in month_page(still, steady, "si")


def test_what_makes_the_limits(tmp_path: Path) -> None:
    """Only runs before the month, done, without a fault, the first ten of a cycle; a break starts anew."""
    leads = quiet(44)
    book = furnace_book(tmp_path / "b", leads, faulty=3)
    (chart,) = furnace_charts(book, *bounds("2025-08", book))
    assert chart.faulty[3] and not chart.chart.baseline[3] and chart.chart.baseline.sum() == 20
    assert not chart.chart.baseline[chart.in_month].any()
    later = furnace_charts(book, *bounds("2025-07", book))[0]
    assert later.chart.limits == chart.chart.limits  # another month does not move them
    broken = furnace_book(tmp_path / "k", leads, breaks="2025-03-01")
    (anew,) = furnace_charts(broken, *bounds("2025-08", broken))
    assert anew.since == "2025-03-01" and len(anew.names) == 32
    (thin,) = furnace_charts(broken, *bounds("2025-04", broken))
    assert thin.chart.limits is None and "too few runs for limits" in str(thin.chart.why)
    page = month_page(month_seen(broken, "2025-04"), broken, "si")
    assert "too few runs for limits" in page and "since the break of 2025-03-01" in page


def test_a_cycle_that_was_new_in_the_period_is_held_against_its_own_first_runs(tmp_path: Path) -> None:
    """Seen over the whole year of a new furnace: the first ten of each cycle make the limits, the drift is told."""
    book = furnace_book(tmp_path / "b", [*quiet(31), *(60.0 + 2.0 * k for k in range(1, 14))])
    year = datetime(2025, 1, 1, tzinfo=UTC)
    (chart,) = furnace_charts(book, year, year + timedelta(days=365))
    assert chart.in_month.all() and np.flatnonzero(chart.chart.baseline).tolist() == list(range(20))
    assert control.Signal("trend", 31, 43) in chart.signals


def test_us_units_on_the_charts(tmp_path: Path) -> None:
    book = furnace_book(tmp_path / "b", quiet(44))
    seen = month_seen(book, "2025-08")
    (si,), (us,) = (block(month_page(seen, book, s), "furnaces-data") for s in ("si", "us"))
    assert (si["unit"], us["unit"]) == ("°C", "°F")
    assert us["points"][0]["drawn"] == pytest.approx(1.8 * si["points"][0]["drawn"])  # a difference, not a temperature
    assert us["points"][0]["value"] == si["points"][0]["value"]


def test_the_page_agrees_with_other_commands(demo_book: Path, loadbook: Command, tmp_path: Path) -> None:
    """Runs as `sql` has them, movement as `moved` has it, parameters as they are kept."""
    done = loadbook("page", "month", "2026-09", "-o", "m.html", "--book", str(demo_book))
    assert done.returncode == 0, done.stderr
    page = (tmp_path / "m.html").read_text(encoding="utf-8")
    with BookFolder.find(str(demo_book)) as book:
        since, until = (m.strftime("%Y-%m-%dT%H:%M:%SZ") for m in bounds("2026-09", book))
        conn = book.read()
        sql = "SELECT run FROM run WHERE started >= ? AND started < ? ORDER BY started, run"
        runs = [r[0] for r in conn.execute(sql, (since, until))]
        assert [r["run"] for r in block(page, "runs-data")] == runs
        for chart in block(page, "furnaces-data"):
            if chart["measure"] not in ("lead while heating", "spread in the soak"):
                continue
            sql = "SELECT run, value FROM parameter WHERE parameter = ? AND channel IS NULL AND source = 'trace'"
            kept = dict(conn.execute(sql, (chart["parameter"],)).fetchall())
            points = {p["run"]: p["value"] for p in chart["points"]}
            assert points == {run: kept[run] for run in points}
            assert {p["run"] for p in chart["points"] if p["this_month"]} <= set(runs)
    where = f"started >= '{since[:19]}' AND started < '{until[:19]}'"
    moved = loadbook("moved", "--where", where, "--format", "json", "--book", str(demo_book))
    told = {(r["process"], r["kind"], r["setup"], r["atmosphere"]): r for r in json.loads(moved.stdout)}
    shown = block(page, "movement-data")
    assert len(shown) == len(told) > 10
    for row in shown:
        other = told[row["process"], row["kind"], row["setup"], row["atmosphere"]]
        assert {k: row[k] for k in ("low", "median", "high", "runs", "pieces")} == {
            k: other[k] for k in ("low", "median", "high", "runs", "pieces")
        }
    for svg in re.findall(r"<svg xmlns=.*?</svg>", page, re.DOTALL):
        ET.fromstring(svg)  # well-formed
    assert not re.search(r'\bid="[^"]*"[^>]*>.*\bid="', "".join(re.findall(r"<svg xmlns=.*?</svg>", page, re.DOTALL)))


def test_answers_and_how_they_turned_out(tmp_path: Path) -> None:
    history = Shop("plain", 30, 7, seed=2).history()
    part = str(history["part"].value_counts().index[0])
    book = fill(tmp_path / "b", history)
    found = answer(book, Question(part=part))
    kept_answers.save(book, found)
    given = book.read().execute("SELECT answered_at FROM answer").fetchone()[0][:7]
    assert found.median is not None and found.high is not None
    year = int(given[:4]) + 1
    values = [found.median, found.median, found.high + 100.0]
    readings = [
        {"part": part, "serial": f"L{k}", "characteristic": found.subject.characteristic, "stage": stage,
         "value_mm": 100.0 + add / 1000, "run": "LATE", "gauge": "G1", "held": "free", "datum": "A",
         "surface": "cleaned", "already_at_20c": 1, "repeat": 1}
        for k, z in enumerate(values) for stage, add in (("before", 0.0), ("after", z))
    ]  # fmt: skip
    pieces = [{"run": "LATE", "part": part, "serial": f"L{k}", "quantity": 1} for k in range(3)]
    run = {"run": "LATE", "furnace": "F1", "cycle": "SR", "cycle_revision": "A", "started": f"{year}-03-02T08:00:00Z",
           "status": "done"}  # fmt: skip
    with book.write() as conn:
        add_intake(conn, "t", {"run": [run], "piece": pieces, "reading": readings}, rows_read=1, taken_by="t")
    seen = month_seen(book, f"{year}-03")
    (one,) = seen.measured
    assert (one.answer_id, one.runs, one.pieces, one.inside) == (1, 1, 3, 2) and not seen.given
    assert "Of 3 pieces measured in this month&#x27;s runs, 2 fell inside" in month_page(seen, book, "si")
    first = month_seen(book, given)
    assert [a.answer_id for a in first.given] == [1] and first.given[0].inside == 2
    assert book.read().execute("SELECT count(*) FROM answer_outcome").fetchone()[0] == 0  # looking writes nothing


def test_an_empty_month_and_no_month(tmp_path: Path, loadbook: Command) -> None:
    book = furnace_book(tmp_path / "b", quiet(3))
    assert "No run began in this month" in month_page(month_seen(book, "2031-01"), book, "si")
    wrong = loadbook("page", "month", "2031-13", "--book", str(book.path))
    assert wrong.returncode == 2 and "is not a month" in wrong.stderr and not list(tmp_path.glob("*.html"))


def test_wild_names_stay_text(tmp_path: Path) -> None:
    book = furnace_book(tmp_path / "b", quiet(44), furnace=WILD)
    page = month_page(month_seen(book, "2025-08"), book, "si")
    assert "<script>alert" not in page and "\x07" not in page and "\u202e" not in page
    for svg in re.findall(r"<svg xmlns=.*?</svg>", page, re.DOTALL):
        ET.fromstring(svg)


def test_hours_that_the_ramps_ask_for() -> None:
    segments = (
        Segment(1, "heat", 220.0, asked_rate_c_per_h=100.0), Segment(2, "hold", 220.0, minutes=30.0),
        Segment(3, "heat", 620.0, asked_rate_c_per_h=50.0), Segment(4, "hold", 620.0, minutes=120.0),
        Segment(5, "cool", 100.0, asked_rate_c_per_h=60.0),
    )  # fmt: skip
    cycle = Cycle("C", "A", "t", "stress relief", "air", segments=segments)
    assert hours_asked(cycle, None, 20.0) == pytest.approx(2.0 + 0.5 + 8.0)
    assert hours_asked(cycle, 50.0, 20.0) == pytest.approx(4.0 + 0.5 + 16.0)  # the run's program was half as fast
    assert hours_asked(cycle, None, None) is None and hours_asked(None, None, 20.0) is None


@pytest.mark.parametrize(
    "note, rate",
    [("0.0035 mbar/h", 0.0035), ("2.5e-3 mbar/h after oil change", 0.0025), ("0.5 Pa/h", 0.005),
     ("10 micron/h", 10 * 1.01325 / 760.0), ("fine", None), (None, None), ("3 pumps", None), ("1.2.3 mbar/h", None)],
)  # fmt: skip
def test_leak_rates_in_notes(note: str | None, rate: float | None) -> None:
    assert leak_rate(note) == (None if rate is None else pytest.approx(rate))


def test_the_pen() -> None:
    assert (
        ticks(0, 100, 6) == [0, 20, 40, 60, 80, 100]
        and ticks(1, 1, 6) == [1]
        and ticks(-0.005, 0.005, 3) == [-0.005, 0.0, 0.005]
    )
    assert Scale(0, 10, 100, 0)(2.5) == 75
    assert clipped("a long name", 10, width_of("a long", 10)).endswith("…") and clipped("ab", 10, 100) == "ab"
    d = Drawing(100, 50)
    for shape in (*SHAPES, "triangle-up"):
        d.mark(shape, 10, 10, hint="<&>")
    d.text(1, 1, WILD)
    root = ET.fromstring(d.svg("what & why"))
    assert root.find("{http://www.w3.org/2000/svg}title").text == "what & why"  # type: ignore[union-attr]
