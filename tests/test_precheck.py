"""The sheet before the door closes: each planted matter stops it or asks for a tick, and its good twin passes."""

from __future__ import annotations

import io
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner

from loadbook.analysis.following.ready import POINTS, Load, ReadyPiece, points, verdict
from loadbook.analysis.following.usual import RUN_END, SOAK_START
from loadbook.analysis.planning.load import LoadFurnace, LoadPiece, load_findings
from loadbook.analysis.trace.model import Channel, FurnaceCheck
from loadbook.cli.main import cli
from loadbook.core.errors import LoadbookError, NotFoundError, UsageError
from loadbook.queries import precheck
from loadbook.queries.remark_words import words
from loadbook.readers.cycles.file import parse_cycle
from loadbook.render.pages.precheck import precheck_page
from loadbook.render.precheck import coming, print_precheck
from loadbook.store.book import BookFolder
from loadbook.store.verify import verify

from .runcase import cool, cycle, heat, hold
from .smallbook import put, reading, run, small

RELIEF = parse_cycle(
    cycle(heat("620 C", rate_max="90 C/h"), hold("620 C", minutes=60), cool("100 C", rate_max="50 C/h"))
).cycle
PIECE = ReadyPiece("P1", "1", "low-alloy steel", "forged", "rough machined", "", 1.0, 660.0, False, ("od",), ("od",),
                   needs_mm=0.2, answer=3)  # fmt: skip
WORK = tuple(
    Channel(i, f"TC {i}", "work", place=place, calibration="K1", correction=((600.0, -0.5),))
    for i, place in enumerate(("thick section", "thin rim", "middle", "cold corner"), start=1)
)
SURVEY = FurnaceCheck("uniformity survey", "2026-01-10", "2026-07-10", 620.0, 4.0, True, "current")
ACCURACY = FurnaceCheck("system accuracy", "2026-02-20", "2026-03-20", 620.0, 1.0, True, "current")
FURNACE = LoadFurnace("F1", 8.0, 900.0, (SURVEY, ACCURACY))
GOOD = Load(RELIEF, "air", "2026-03-01", FURNACE, (PIECE,), WORK, valid_until={"K1": "2026-12-31"})


def states(load: Load) -> dict[str, str]:
    return {p.point: p.state for p in points(load)}


def why(load: Load, point: str) -> list[str]:
    return [r.code for p in points(load) if p.point == point for r in p.remarks]


def test_a_load_with_everything_on_record_asks_only_for_what_no_book_can_know() -> None:
    found = states(replace(GOOD, pieces=(replace(PIECE, first="accepted"),)))
    assert {p for p, s in found.items() if s == "by hand"} == {
        "state of the parts", "places of TCs", "pieces", "racking", "recorder", "gas and protection",
    }  # fmt: skip
    assert "stop" not in found.values()


@pytest.mark.parametrize(
    ("point", "code", "changed"),
    [
        ("cycle", "no_cycle_asked", {"cycle": None}),
        ("first piece", "first_refused", {"pieces": (replace(PIECE, first="rejected"),)}),
        ("number of TCs", "place_free", {}),
        ("calibrations", "calibration_ended", {"valid_until": {"K1": "2026-02-28"}}),
        ("readings before", "nothing_read_before", {"pieces": (replace(PIECE, read=()),)}),
        ("gauges", "gauge_late", {"pieces": (replace(PIECE, late_gauges=(("G1", "2026-01-01"),)),)}),
        ("scale", "finished_in_air", {"pieces": (replace(PIECE, machining="finish machined"),)}),
        ("stock", "stock_short", {"pieces": (replace(PIECE, stock_mm=0.05, needs_mm=0.2, answer=3),)}),
        ("material and temper", "no_pieces", {"pieces": ()}),
        ("reactive metal", "reactive_in_air", {"load": load_findings(
            RELIEF, "air", [LoadPiece("P2", "Ti-6Al-4V", "titanium alloy")], FURNACE)}),
        ("furnace class", "furnace_wider", {"load": load_findings(
            RELIEF, "air", [], replace(FURNACE, uniformity_c=28.0))}),
        ("gas and protection", "gas_of_another", {"atmosphere": "vacuum", "furnace_gas": "air"}),
        ("furnace checks", "check_failed", {"load": load_findings(
            RELIEF, "air", [], replace(FURNACE, checks=(replace(SURVEY, state="failed"),)))}),
    ],
)  # fmt: skip
def test_what_stops(point: str, code: str, changed: dict[str, object]) -> None:
    assert states(GOOD)[point] != "stop"
    if code == "place_free":  # a cycle that asks for more work TCs than are planned
        from loadbook.analysis.trace.model import Limit

        changed = {"cycle": replace(RELIEF, limits=(Limit(1, "work_tcs", "min", 6.0),))}
        code = "too_few_tcs"
    load = replace(GOOD, **changed)  # type: ignore[arg-type]
    assert states(load)[point] == "stop" and why(load, point)[0] == code
    assert verdict(points(load), tuple(POINTS)) == "stop"


@pytest.mark.parametrize(
    ("point", "code", "changed"),
    [
        ("cycle", "later_revision", {"later": "D"}),
        ("calibrations", "not_calibrated", {"channels": (replace(WORK[0], calibration=None, correction=()),)}),
        ("calibrations", "correction_large", {"channels": (replace(WORK[0], correction=((610.0, 4.0),)),)}),
        ("jacks and leads", "channel_failed", {"failed": (("TC 2", "open", "R-9"),)}),
        ("readings before", "not_read_before", {"pieces": (replace(PIECE, due=("od", "bore")),)}),
        ("readings before", "reading_odd", {"pieces": (replace(PIECE, odd=(("od", 60.0, 100.0),)),)}),
        ("repeat", "treated_before", {"pieces": (replace(PIECE, earlier=("R-3",)),)}),
        ("material and temper", "temper_not_known", {"pieces": (replace(PIECE, tempered_at_c=None),)}),
        ("number of TCs", "no_channels", {"channels": ()}),
        ("stock", "stock_not_recorded", {"pieces": (replace(PIECE, stock_mm=None, needs_mm=0.2, answer=3),)}),
        # what the book does not say is not passed
        ("readings before", "nothing_due_before", {"pieces": (replace(PIECE, read=(), due=()),)}),
        ("gauges", "gauge_not_named", {"pieces": (replace(PIECE, bare=("od",)),)}),
        ("gauges", "gauge_not_dated", {"pieces": (replace(PIECE, undated=("G1",)),)}),
        ("calibrations", "calibration_not_held", {"channels": (replace(WORK[0], correction=()),)}),
        ("calibrations", "calibration_not_dated", {"valid_until": {"K1": None}}),
        ("calibrations", "calibration_last_day", {"valid_until": {"K1": "2026-03-01"}}),
        ("furnace class", "band_not_stated", {"cycle": replace(RELIEF, segments=tuple(
            replace(s, band_low_c=None) for s in RELIEF.segments))}),
        ("furnace checks", "check_not_known", {"furnace": replace(FURNACE, checks=(ACCURACY,))}),
        ("furnace checks", "check_not_known", {"furnace": replace(FURNACE, checks=(SURVEY,))}),
        ("furnace checks", "check_not_dated", {"furnace": replace(FURNACE, checks=(
            SURVEY, replace(ACCURACY, due_on=None, state="no due date")))}),
        ("furnace checks", "check_last_day", {"furnace": replace(FURNACE, checks=(
            replace(SURVEY, due_on="2026-03-01"), ACCURACY))}),
        ("gauges", "gauges_not_known", {"pieces": (replace(PIECE, read=()),)}),
        ("calibrations", "calibrations_not_known", {"channels": ()}),
        ("stock", "stock_not_asked", {"pieces": (replace(PIECE, needs_mm=None),)}),
        ("gas and protection", "gas_of_another", {"furnace_gas": "nitrogen"}),
        ("pieces", "several_customers", {"pieces": (replace(PIECE, customer="A"), replace(PIECE, customer="B"))}),
        ("pieces", "confidential_load", {"pieces": (replace(PIECE, confidential=True),)}),
    ],
)  # fmt: skip
def test_what_asks_for_a_tick(point: str, code: str, changed: dict[str, object]) -> None:
    load = replace(GOOD, **changed)  # type: ignore[arg-type]
    assert states(load)[point] == "by hand" and code in why(load, point)


def test_a_repeat_that_is_recorded_is_no_question() -> None:
    load = replace(GOOD, repeats="R-3", pieces=(replace(PIECE, earlier=("R-3",)),))
    assert states(load)["repeat"] == "pass"


def test_a_sheet_from_the_book_is_kept_with_who_and_when_and_shown_as_it_was(tmp_path: Path) -> None:
    book = small(tmp_path / "book", "us")
    run(book, "R1", 2)
    sheet = precheck.precheck(book, "R1")
    assert sheet.verdict == "stop" and {p.point for p in sheet.points if p.state == "stop"} == {"readings before"}
    put(
        book, "reading", *(reading("R1", "before", 100.0, "03-01T07", characteristic=c) for c in ("od", "bore", "flat"))
    )
    assert precheck.precheck(book, "R1").verdict == "open"
    done = precheck.keep(book, precheck.precheck(book, "R1", ["all"]), "initials AB", "as agreed")
    assert done.verdict == "pass"
    put(book, "gauge", {"gauge": "G9", "kind": "tape"})
    again = precheck.kept(book, "R1")
    assert (again.verdict, again.person, again.note, again.at) == ("pass", "initials AB", "as agreed", done.at)
    assert again.points == done.points and again.ticked == done.ticked
    assert not verify(book).wrong
    with pytest.raises(NotFoundError, match="no sheet"):
        run(book, "R2", 3)
        precheck.kept(book, "R2")
    with pytest.raises(UsageError, match="no point 'racks'"):
        precheck.precheck(book, "R1", ["racks"])
    said = " ".join(words(r, "us") for p in done.points for r in p.remarks)
    assert "°C" not in said and " mm" not in said


def test_the_command_and_the_page(tmp_path: Path) -> None:
    book = small(tmp_path / "book")
    run(book, "R1", 2)
    book.close()
    runner = CliRunner(env={"LOADBOOK_BOOK": str(tmp_path / "book")})
    found = runner.invoke(cli, ["precheck", "R1"])
    assert found.exit_code == 3 and found.output.startswith("R1  STOP: readings before")
    assert "not an alarm or interlock" in found.output
    assert runner.invoke(cli, ["precheck", "R1", "--tick", "racking"]).exit_code == 2  # who ticked it?
    assert runner.invoke(cli, ["precheck", "R1", "--tick", "racking", "--person", "AB"]).exit_code == 3
    shown = runner.invoke(cli, ["precheck", "R1", "--kept", "--format", "csv"])
    assert "racking,by hand,yes" in shown.output
    out = tmp_path / "sheet.html"
    assert runner.invoke(cli, ["page", "precheck", "R1", "-o", str(out)]).exit_code == 0
    page = out.read_text(encoding="utf-8")
    assert (
        page.count('role="img" aria-label="open"') > 5 and "Kept by AB" in page and "not an alarm or interlock" in page
    )


def test_a_planned_load_is_looked_at_and_leaves_nothing(tmp_path: Path) -> None:
    book = small(tmp_path / "book")
    run(book, "R1", 2)
    before = list(book.read().iterdump())
    files = tmp_path / "runs.csv", tmp_path / "pieces.csv"
    files[0].write_text("run,furnace,cycle,cycle_revision,started\nPLAN-1,F1,SR,A,2026-05-04T06:00\n", encoding="utf-8")
    part = book.read().execute("SELECT part FROM part").fetchone()[0]
    files[1].write_text(f"run,part,serial\nPLAN-1,{part},77\n", encoding="utf-8")
    sheet = precheck.planned(book, "PLAN-1", [("runs", files[0]), ("pieces", files[1])])
    assert sheet.verdict == "stop" and {p.point for p in sheet.points} == set(POINTS)
    with pytest.raises(NotFoundError, match="PLAN-2"):
        precheck.planned(book, "PLAN-2", [("runs", files[0])])
    files[1].write_text("run,part,serial\nPLAN-1,unheard-of,77\n", encoding="utf-8")
    with pytest.raises(LoadbookError, match="no part of that name"):
        precheck.planned(book, "PLAN-1", [("runs", files[0]), ("pieces", files[1])])
    assert list(book.read().iterdump()) == before
    files[1].write_text(f"run,part,serial,quantity\nPLAN-1,{part},77,none\n", encoding="utf-8")
    with pytest.raises(LoadbookError, match=r"No sheet without it: .*loadbook take pieces") as refused:
        precheck.planned(book, "PLAN-1", [("runs", files[0]), ("pieces", files[1])])
    assert "--keep-good" not in str(refused.value)
    book.close()
    runner = CliRunner(env={"LOADBOOK_BOOK": str(book.path)})
    found = runner.invoke(cli, ["precheck", "PLAN-1", "--plan", f"runs={files[0]}"])
    assert found.exit_code == 3 and found.output.startswith("PLAN-1  STOP")
    words = ["page", "precheck", "PLAN-1", "--plan", f"runs={files[0]}", "-o", str(tmp_path / "plan.html")]
    assert runner.invoke(cli, words).exit_code == 0
    assert "Before the door closes: PLAN-1" in (tmp_path / "plan.html").read_text(encoding="utf-8")
    assert runner.invoke(cli, ["precheck", "PLAN-1", "--plan", f"{files[0]}"]).exit_code == 2
    kept = runner.invoke(cli, ["precheck", "PLAN-1", "--plan", f"runs={files[0]}", "--person", "AB"])
    assert kept.exit_code == 2 and "its sheet cannot be kept" in kept.output


def test_the_sheet_tells_when_a_planned_load_will_be_done(demo_book: Path, tmp_path: Path) -> None:
    """The demo's stress relief with its thickest part and with its thinnest one: soaked later, and done later."""
    files = tmp_path / "runs.csv", tmp_path / "pieces.csv"
    files[0].write_text(
        "run,furnace,cycle,cycle_revision,started\nPLAN-1,F1,SR-600,C,2026-09-20T06:00\n", encoding="utf-8"
    )
    with BookFolder.open(demo_book) as book:
        told = {}
        for part in ("PN-1005", "PN-1004"):
            files[1].write_text(f"run,part,serial,setup\nPLAN-1,{part},901,stood\n", encoding="utf-8")
            sheet = precheck.planned(book, "PLAN-1", [("runs", files[0]), ("pieces", files[1])])
            told[part] = {(a.what, a.segment): a for a in sheet.ahead}
            said = coming(sheet, book)
        assert said[0] == "If it starts at 2026-09-20 06:00:" and said[-1].startswith("Forecast: run end at 2")
        page = precheck_page(sheet, book, "us", sheet.started).replace("\N{NO-BREAK SPACE}", " ")
        assert all(line in page for line in said)
    thick, thin = told["PN-1005"], told["PN-1004"]
    for key in ((SOAK_START, 4), (RUN_END, None)):
        assert thick[key].at_s > thin[key].at_s + 1800.0
        low, high = thin[key].low_s, thin[key].high_s
        assert low is not None and high is not None and low < thin[key].at_s < high and thin[key].runs >= 10


class _Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


@pytest.mark.parametrize("columns", [52, 80, 160])
def test_on_a_terminal_each_point_stands_beside_its_box(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, columns: int
) -> None:
    monkeypatch.setenv("COLUMNS", str(columns))
    book = small(tmp_path / "book")
    run(book, "R1", 2)
    sheet = precheck.precheck(book, "R1")
    out = _Terminal()
    print_precheck(sheet, book, out)
    lines = out.getvalue().splitlines()
    assert max(map(len, lines)) <= columns + len("\x1b[1m\x1b[0m")
    boxes = [line for line in lines if line.startswith("[")]
    assert len(boxes) == len(sheet.points) and "row 1" not in out.getvalue()
    told = " ".join(out.getvalue().split())
    for row in sheet.rows("si"):
        assert " ".join(f"{row['point']} {row['why']}".split()) in told
