"""Charts in the terminal: legible in 80 by 24, without colour, in ASCII where nothing else can be written."""

from __future__ import annotations

import re
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from rich.cells import cell_len

from loadbook import Book
from loadbook.analysis.effects.words import figure
from loadbook.core.errors import NotFoundError, UsageError
from loadbook.queries.charts.effect import effect_picture
from loadbook.queries.charts.frame import MIDDLE, PIECE, RUN, Panel, picture
from loadbook.queries.charts.moved import moved_picture
from loadbook.queries.charts.run import run_chart
from loadbook.render.charts.canvas import SEVERAL, Canvas, ascii_only, ticks_of, x_axis
from loadbook.render.charts.terminal import draw
from loadbook.render.charts.terminal_run import draw_run

Run = Callable[..., "subprocess.CompletedProcess[str]"]


@pytest.fixture(scope="module")
def shop(demo_book: Path) -> Iterator[Book]:
    with Book(demo_book) as book:
        yield book


def fits(lines: list[str], width: int = 80, height: int = 24) -> None:
    assert len(lines) <= height
    assert max(len(line) for line in lines) <= width
    assert not any("\x1b" in line for line in lines)


def test_effect_fits_and_tells_part_numbers_by_letter(shop: Book) -> None:
    found = shop.effect(kind="outside diameter", process="stress relief", of="heating_rate_peak_c_per_h")
    lines = draw(effect_picture(found))
    fits(lines)
    text = "\n".join(lines)
    for mark in ("A PN-1001", "B PN-1002", "C PN-4002", "~ all thrown together: a warning", "═"):
        assert mark in text
    field = [line for line in lines if "│" in line or "┼" in line]
    assert sum(line.count("A") for line in field) >= 5
    assert any("aa" in line for line in field) and any("~ ~" in line for line in field)


def test_moved_says_the_counts_and_the_median(shop: Book) -> None:
    found = shop.moved(kind="flatness", process="stress relief", by="setup")
    lines = draw(moved_picture(found))
    fits(lines)
    for row in found.rows():
        line = next(x for x in lines if f"median {figure(row['median'])}" in x)
        assert f"{row['runs']} runs, {row['pieces']} pieces" in line


def test_a_run_fits_and_shows_load_control_target_and_spread(shop: Book) -> None:
    lines = draw_run(run_chart(shop.folder, "R25-086"), "si")
    fits(lines)
    text = "\n".join(lines)
    assert "R25-086" in lines[0] and "CYCLE BROKEN" in lines[0]
    assert all(word in text for word in ("░ load", "─ control", "· asked", "═ its limit", "spread of the load"))
    fits(draw_run(run_chart(shop.folder, "R25-086"), "us", 60, 16), 60, 24)
    picked = "\n".join(draw_run(run_chart(shop.folder, "R25-086", ["TC 1"]), "us"))
    assert "TC 1" in picked and "°F" in picked and "spread" not in picked
    for mark, name in re.findall(r"([A-Z]) (TC \d)", text):  # a channel keeps its letter
        assert f"{mark} {name}" in "\n".join(draw_run(run_chart(shop.folder, "R25-086", [name]), "si"))


def test_a_run_chart_says_what_is_missing(shop: Book) -> None:
    with pytest.raises(UsageError, match="Did you mean 'TC 1'"):
        run_chart(shop.folder, "R25-086", ["TC1"])
    row = next(shop.sql("SELECT run FROM runs WHERE NOT has_trace ORDER BY run LIMIT 1").rows())
    with pytest.raises(NotFoundError, match="no trace"):
        run_chart(shop.folder, row[0])


def test_the_command_falls_back_to_ascii(demo_book: Path, process: Run) -> None:
    words = ("chart", "moved", "--kind", "flatness", "--process", "anneal", "--by", "setup", "--book", str(demo_book))
    plain = process(*words, PYTHONIOENCODING="ascii")
    assert plain.returncode == 0 and plain.stdout.isascii()
    rich = process(*words, PYTHONIOENCODING="utf-8", COLUMNS="100")
    assert "│" in rich.stdout
    assert max(len(line) for line in rich.stdout.splitlines()) > 80


def test_text_from_the_book_stays_text() -> None:
    bad = "<b>\x1b[31m\u202e"
    base = {"panel": 0, "series": bad, "level": bad, "y": 1.0}
    rows = [
        {**base, "what": RUN},
        {**base, "what": PIECE},
        {**base, "what": MIDDLE, "low": 0.0, "high": 2.0, "label": bad},
    ]
    panel = Panel(0, "between", bad, bad, bad, (bad,), (bad,), said=(bad,))
    text = "\n".join(draw(picture(bad, [panel], rows, "--kind")))
    assert "\x1b" not in text and "\u202e" not in text and "<b>\\x1b" in text


def test_rows_stand_under_one_another_in_every_script() -> None:
    names = ("laid", "導板導板", "🔧🔧", "x" * 60)
    rows = [{"panel": 0, "series": "P", "level": name, "y": 1.0, "what": RUN} for name in names]
    lines = draw(picture("t", [Panel(0, "between", "", "", "", names, ("P",))], rows, "--kind"))
    drawn = [line for line in lines if "│" in line]
    assert len(drawn) == 3 * len(names) and len({cell_len(line.split("│")[0]) for line in drawn}) == 1


def test_canvas_places_points_lines_and_what_falls_together() -> None:
    canvas = Canvas(11, 5, (0.0, 10.0), (0.0, 4.0))
    canvas.line([(0.0, 0.0), (10.0, 4.0)], "a", " ")
    canvas.point(0.0, 4.0, "A")
    canvas.point(0.0, 4.0, "B")
    canvas.point(99.0, 4.0, "C")
    canvas.point(float("nan"), 1.0, "C")
    assert canvas.cells[0][0] == SEVERAL and canvas.cells[0][10] == "a"
    assert canvas.cells[4][0] == "a" and canvas.cells[2][5] == "a"
    lines = canvas.lines([0.0, 4.0], 0)
    assert lines[0].startswith("4 ┼*") and lines[-1].startswith("0 ┼a")
    rule, labels = x_axis(canvas, 2, [0.0, 10.0], ["0", "10"], (2.0, 8.0))
    assert rule == "  └┬─═══════─┬" and labels.split() == ["0", "10"]
    assert ascii_only("│ 20 °C/h µm") == "| 20 C/h um"


@pytest.mark.parametrize(
    ("low", "high", "most", "ticks"),
    [
        (0.0, 1.0, 3, [0.0, 0.5, 1.0]),
        (-18.0, 4.0, 5, [-15.0, -10.0, -5.0, 0.0]),
        (5.0, 5.0, 4, [5.0]),
        (0.0, 1200.0, 7, [0.0, 200.0, 400.0, 600.0, 800.0, 1000.0, 1200.0]),
    ],
)
def test_ticks_are_round_and_few(low: float, high: float, most: int, ticks: list[float]) -> None:
    assert ticks_of(low, high, most)[0] == pytest.approx(ticks)
