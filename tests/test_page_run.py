"""The record of a run as a page: its figures are those of judge and of the book, and every kind of run has one."""

from __future__ import annotations

import json
import re
import shutil
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner, Result

from loadbook.analysis.trace.thinning import kept
from loadbook.cli.main import cli
from loadbook.core.units import f_diff_from_c_diff, f_from_c
from loadbook.queries.run_record import RunSheet, private, run_sheet
from loadbook.render.pages.run import run_page
from loadbook.render.pages.run_lines import run_lines
from loadbook.store.book import BookFolder
from loadbook.store.records import amend

from .pagebook import RUNS, WILD, WILD_RUN, chart_told, page_book
from .test_page import read

MADE = "2026-11-25T10:00:00Z"


@dataclass
class Made:
    """One run's page."""

    sheet: RunSheet
    source: str

    @property
    def told(self) -> str:
        """What a reader sees, on one line."""
        return re.sub(r"\s+", " ", "".join(read(self.source).told))

    def data(self, name: str) -> Any:
        found = re.search(rf'<script type="application/json" id="{name}">(.*?)</script>', self.source, re.DOTALL)
        assert found
        return json.loads(found.group(1))


@pytest.fixture(scope="module")
def book(tmp_path_factory: pytest.TempPathFactory) -> BookFolder:
    return page_book(tmp_path_factory.mktemp("page") / "book")


@pytest.fixture(scope="module")
def made(book: BookFolder) -> dict[str, Made]:
    """A page of every run of the book."""
    sheets = {run: run_sheet(book, run) for run in RUNS}
    return {run: Made(sheet, run_page(sheet, book, "si", MADE)) for run, sheet in sheets.items()}


@pytest.mark.parametrize("run", RUNS)
def test_every_run_has_a_whole_page(made: dict[str, Made], run: str) -> None:
    """All sections are there, ids are unique, it is small, and it claims nothing that nobody has signed."""
    page = made[run]
    got = read(page.source)
    ids = [a["id"] for _, a in got.tags if a.get("id")]
    assert len(ids) == len(set(ids))
    wanted = "curves done clauses faults measured pieces jobs furnace approvals amendments cautions provenance"
    assert set(wanted.split()) <= set(ids)
    links = {a["href"][1:] for t, a in got.tags if t == "a" and a.get("href")}
    assert links <= set(ids)
    assert len(page.source.encode()) < 3_000_000
    assert not re.search(r"certified|parts (are )?acceptable|nan\b", page.told, re.IGNORECASE)


@pytest.mark.parametrize(
    ("run", "words"),
    [("R-kept", "Cycle kept"), ("R-broken", "Cycle broken"), ("R-no-cycle", "No verdict"),
     ("R-paper", "No trace"), ("R-gap", "Cannot be told"), ("R-aborted", "Aborted: cycle broken")],
)  # fmt: skip
def test_the_verdict_stands_at_the_top(made: dict[str, Made], run: str, words: str) -> None:
    page = made[run]
    summary = page.source[page.source.index('class="summary"') : page.source.index("<section")]
    assert words in summary
    assert made["R-kept"].sheet.judged.headline.split(": ")[1] + "." in made["R-kept"].told.replace("All", "all")


def test_an_approval_is_told_as_recorded_or_its_absence(made: dict[str, Made]) -> None:
    assert "Approval recorded: accepted, by person 1 (metallurgist), 2026-03-02 10:00" in made["R-kept"].told
    assert "Approval: none is recorded." in made["R-broken"].told
    assert "A kept cycle alone" not in made["R-broken"].told  # nobody takes a broken one for it
    assert "door opened too hot" in made["R-broken"].told


def test_the_glance_says_what_must_not_leave_the_shop(made: dict[str, Made]) -> None:
    assert "Confidential: job J-1." in made["R-kept"].told
    assert "Confidential" not in made["R-broken"].told and "customers" not in made["R-kept"].told
    jobs = tuple({**made["R-kept"].sheet.jobs[0], "job": name, "customer": name} for name in ("A", "B"))
    assert private(replace(made["R-kept"].sheet, jobs=jobs))[0].startswith("This run holds pieces of 2 customers")


def test_the_data_is_what_judge_says(made: dict[str, Made], book: BookFolder) -> None:
    """The page's own data, read back, is `judge --format json`, and the movement is that of the view."""
    done = CliRunner().invoke(cli, ["judge", "R-broken", "--format", "json", "--book", str(book.path)])
    assert done.exit_code == 3
    assert made["R-broken"].data("run-data")["judge"] == json.loads(done.stdout)
    asked = "SELECT movement_um, set_aside FROM movement WHERE run = 'R-kept'"
    done = CliRunner().invoke(cli, ["sql", asked, "--format", "json", "--book", str(book.path)])
    rows = made["R-kept"].data("run-data")["movement"]
    assert [{k: r[k] for k in ("movement_um", "set_aside")} for r in rows] == json.loads(done.stdout)
    assert rows[0]["movement_um"] == pytest.approx(24.0)
    assert "24.0 µm" in made["R-kept"].told and "PO-77" in made["R-kept"].told and "H-55" in made["R-kept"].told


def test_values_drawn_are_the_samples(made: dict[str, Made], book: BookFolder) -> None:
    """Every value that hover tells is a sample of the trace, corrected and valid, at its own moment, to the decimals
    told."""
    page = made["R-faults"]
    worked = page.sheet.judged.worked
    assert worked is not None
    data = chart_told(page.data("chart-data"))
    at = np.searchsorted(worked.trace.t_s, data["t_s"])
    assert worked.trace.t_s[at].tolist() == data["t_s"] and at.size == worked.trace.t_s.size
    for line in data["lines"]:
        if line["role"] == "series":
            continue
        wanted = worked.trace.values[worked.trace.row(line["name"])][at]
        got = np.array([np.nan if v is None else v for v in line["values"]], dtype=float)
        assert np.array_equal(np.isnan(wanted), np.isnan(got))
        assert np.nanmax(np.abs(wanted - got)) <= 0.5 * 10.0 ** -line["decimals"] + 1e-9
    spread = next(x for x in data["lines"] if x["name"] == "spread")["values"]
    peak = max(v for v in spread if v is not None)
    clause = next(c for c in page.sheet.judged.clauses if c.clause == "spread")
    assert clause.value == pytest.approx(peak, abs=0.05)


def test_a_long_trace_is_thinned_and_says_so(made: dict[str, Made]) -> None:
    """8,640 samples of 12 channels: every extreme is drawn, the page is small, and it says what was left out."""
    page = made["R-big"]
    lines = run_lines(page.sheet, "si")
    worked = page.sheet.judged.worked
    assert lines is not None and worked is not None
    for line, values in zip(lines.lines, worked.trace.values, strict=False):
        drawn = line.values[np.concatenate(line.strokes)]
        assert (drawn.min(), drawn.max()) == (values.min(), values.max())
        assert sum(s.size for s in line.strokes) == kept(values, lines.thin).size <= 2002
    assert re.search(r"Drawn: at most 2,00\d of 8,640 samples of each channel\. In each of 1,000 equal", page.told)
    assert "All 2,666 samples of each channel are drawn" in made["R-kept"].told
    assert len(page.source.encode()) < 1_000_000


def test_a_gap_breaks_every_line(made: dict[str, Made]) -> None:
    lines = run_lines(made["R-gap"].sheet, "si")
    assert lines is not None
    assert {len(x.strokes) for x in lines.lines if x.role != "series"} == {2}
    assert {len(x.strokes) for x in run_lines(made["R-kept"].sheet, "si").lines} == {1}  # type: ignore[union-attr]


def test_faults_stand_over_their_interval(made: dict[str, Made]) -> None:
    page = made["R-faults"]
    data, faults = page.data("chart-data")["faults"], page.sheet.judged.faults
    assert [(f["channel"], f["kind"], f["start_s"], f["end_s"]) for f in data] == [
        (f.channel, f.kind, f.start_s, f.end_s) for f in faults
    ]
    assert len(faults) >= 2
    assert page.source.count('class="lane"') == len(faults)
    assert page.source.count('class="doubt"') >= len({f.channel for f in faults})


def test_limits_stand_where_they_bind(made: dict[str, Made]) -> None:
    """The lead limit only while heating, the spread limit to where judging ends, each at the cycle's own figure."""
    picture, judged = made["R-kept"].sheet.picture, made["R-kept"].sheet.judged
    assert picture is not None and judged.worked is not None and judged.judgement is not None
    limits = {x.of: x for x in picture.limits}
    phases = judged.worked.phases
    heating = sum(b - a for a, b in limits["lead"].spans)
    assert heating == pytest.approx(sum(i.end_s - i.start_s for i in phases.intervals if i.kind == "heat"), abs=120.0)
    assert limits["spread"].spans[-1][1] == judged.judgement.judged_until_s
    by_clause = {c.clause: c for c in judged.clauses}
    assert limits["lead"].value == by_clause["lead while heating"].limit
    assert [s.minutes for s in picture.soaks] == [by_clause["soak 2"].value, by_clause["soak 4"].value]


def without_sentences(found: Any) -> Any:
    """Data without what is worded for a reader, and so in the reader's units."""
    if isinstance(found, dict):
        return {k: without_sentences(v) for k, v in found.items() if k != "text"}
    return [without_sentences(v) for v in found] if isinstance(found, list) else found


def test_units_us_turns_temperatures_and_differences_each_in_its_own_way(
    made: dict[str, Made], book: BookFolder
) -> None:
    page = Made(made["R-kept"].sheet, run_page(made["R-kept"].sheet, book, "us", MADE))
    si, us = chart_told(made["R-kept"].data("chart-data"))["lines"], chart_told(page.data("chart-data"))["lines"]
    for a, b in zip(si, us, strict=True):
        turn = f_diff_from_c_diff if a["role"] == "series" else f_from_c
        known = [(x, y) for x, y in zip(a["values"], b["values"], strict=True) if x is not None]
        assert b["unit"] == "°F" and all(abs(turn(x) - y) < 0.141 for x, y in known)  # each to a tenth
    assert "1250.0 °F" in page.told and "spread: at most 75 °F" in page.told
    assert without_sentences(page.data("run-data")) == without_sentences(made["R-kept"].data("run-data"))


def test_what_a_segment_did_is_the_figure_that_its_clause_was_decided_by(made: dict[str, Made]) -> None:
    rates = [c for c in made["R-kept"].sheet.judged.clauses if re.fullmatch(r"(heat|cool) \d+ rate", c.clause)]
    assert rates
    for clause in rates:
        assert re.search(rf"fastest[^,]* {clause.value:.1f} °C/h", made["R-kept"].told), clause


def test_wild_names_bring_no_element(made: dict[str, Made]) -> None:
    page = made[WILD_RUN]
    scripts = [a for t, a in read(page.source).tags if t == "script"]
    assert len(scripts) == 3 and not page.source.count("\x07") and not page.source.count("\u202e")
    assert page.told.count("alert('x')") > 10
    assert page.sheet.judged.record.row["operator"] == WILD


def test_amendments_are_told_with_who_and_why(book: BookFolder, tmp_path: Path) -> None:
    shutil.copytree(book.path, tmp_path / "book")
    copy = BookFolder.open(tmp_path / "book")
    row_id = copy.read().execute("SELECT run_id FROM run WHERE run = 'R-paper'").fetchone()[0]
    with copy.write() as conn:
        amend(conn, "run", "R-paper", row_id, {"operator": "operator 9"}, "read wrong from the sheet", "person 4")
    told = Made(run_sheet(copy, "R-paper"), run_page(run_sheet(copy, "R-paper"), copy, "si", MADE)).told
    assert "read wrong from the sheet" in told and "operator 9" in told and "person 4" in told
    copy.close()


def test_provenance_names_files_and_digests(made: dict[str, Made]) -> None:
    sheet = made["R-kept"].sheet
    trace = sheet.judged.record.trace
    assert trace is not None
    for words in (trace["sha256"], trace["source_name"], trace["trace_id"], sheet.last_link, "2026-11-25 11:00+01:00"):
        assert words in made["R-kept"].told


def test_the_command_writes_a_page_and_never_over_another(
    book: BookFolder, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("LOADBOOK_BOOK", str(book.path))

    def run(*words: str) -> Result:
        return CliRunner().invoke(cli, ["page", "run", *words])

    done = run("R-paper")
    assert done.exit_code == 0 and done.stdout == "run-R-paper.html\n"
    first = (tmp_path / "run-R-paper.html").read_text(encoding="utf-8")
    assert first.startswith("<!doctype html>") and "<title>Run R-paper · Run record</title>" in first
    again = run("R-paper")
    assert again.exit_code == 2 and "--force" in again.stderr
    assert run("R-paper", "--force").exit_code == 0
    assert run(WILD_RUN, "-o", "w.html", "--units", "us").exit_code == 0
    missing = run("R-papre")
    assert missing.exit_code == 1 and "R-paper" in missing.stderr
    assert sorted(p.name for p in tmp_path.glob("*.html")) == ["run-R-paper.html", "w.html"]


def test_words_of_the_trade_are_explained_where_they_stand(
    demo_book: Path, loadbook: Callable[..., Any], tmp_path: Path
) -> None:
    """Lead and spread below the chart, asked below its table, how pieces were held below theirs; each once."""
    done = loadbook("page", "run", "R25-046", "--internal", "--book", str(demo_book), "-o", str(tmp_path / "r.html"))
    assert done.returncode == 0, done.stderr
    notes = re.findall(r'<p class="note">([^<]*)</p>', (tmp_path / "r.html").read_text(encoding="utf-8"))
    for begin in ("spread: hottest minus coldest", "asked: a parameter as the cycle", "stood: on an end or an edge."):
        assert sum(begin in n for n in notes) == 1, (begin, notes)
    assert any("lead: while heating, hottest control zone" in n and "laid: " not in n for n in notes)
