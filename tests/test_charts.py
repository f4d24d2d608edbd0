"""Charts show the figures that the commands print, and text stays text."""

from __future__ import annotations

import json
import re
import subprocess
import xml.etree.ElementTree as ET
from collections.abc import Callable
from datetime import UTC
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pandas as pd
import pytest

from loadbook.analysis.effects.words import spoken
from loadbook.core.errors import NotFoundError, UsageError
from loadbook.queries.api import Book
from loadbook.queries.charts.effect import effect_picture
from loadbook.queries.charts.frame import (
    ALONE,
    COLUMNS,
    INTERVAL,
    MIDDLE,
    MOST_NAMED,
    OTHERS,
    PIECE,
    POOLED,
    RUN,
    WITHIN,
    Panel,
    Picture,
    day_of,
    named_series,
    picture,
)
from loadbook.queries.charts.moved import moved_picture
from loadbook.render.charts.altair import chart, wrapped
from loadbook.render.charts.file import data_of, write_chart

Run = Callable[..., "subprocess.CompletedProcess[str]"]
EFFECT = ("--kind", "outside diameter", "--process", "stress relief")
HOSTILE = '<script>alert("1")</script>\x1b[31m \u202eקוד 🔧 [rev a] & "quoted"'


@pytest.fixture(scope="module")
def effects(demo_book: Path) -> Picture:
    with Book(demo_book) as book:
        return effect_picture(book.effect(kind="outside diameter", process="stress relief"))


@pytest.fixture(scope="module")
def moves(demo_book: Path) -> Picture:
    with Book(demo_book) as book:
        return moved_picture(book.moved(kind="outside diameter", by="setup"))


@pytest.fixture(scope="module")
def drawn(effects: Picture) -> dict[str, Any]:
    """The specification of `effects`."""
    return chart(effects).to_dict()


def spec_rows(spec: Any) -> list[dict[str, Any]]:
    """Every row of data in a chart's specification."""
    return [row for rows in spec.get("datasets", {}).values() for row in rows] or [
        row for found in _inline(spec) for row in found
    ]


def _inline(part: Any) -> list[list[dict[str, Any]]]:
    if isinstance(part, dict):
        own = [part["data"]["values"]] if isinstance(part.get("data"), dict) and "values" in part["data"] else []
        return own + [x for v in part.values() for x in _inline(v)]
    return [x for v in part for x in _inline(v)] if isinstance(part, list) else []


def slope(some: pd.DataFrame) -> float:
    (x0, x1), (y0, y1) = some["x"], some["y"]
    return float((y1 - y0) / (x1 - x0))


def test_effect_the_html_holds_what_json_prints(demo_book: Path, loadbook: Run, tmp_path: Path) -> None:
    """Slopes, ranges and counts read back from the page's data are those of --format json."""
    words = ("effect", *EFFECT, "--book", str(demo_book), "--format", "json", "--chart", "effect.html")
    printed = {r["parameter"]: r for r in json.loads(loadbook(*words).stdout)}
    source = (tmp_path / "effect.html").read_text(encoding="utf-8")
    block = re.search(r'<script type="application/json" id="chart-data">(.*?)</script>', source, re.DOTALL)
    assert block is not None
    data = json.loads(block.group(1))
    rows = pd.DataFrame(data["rows"])
    assert len(data["panels"]) == len(printed) == 7
    by_title = {p["title"].split("): ", 1)[1]: p for p in data["panels"]}
    assert [p["finding"].startswith("Cannot tell") for p in data["panels"]] == sorted(
        p["faint"] for p in data["panels"]
    )
    for r in printed.values():
        panel = by_title[spoken(r["parameter"])]
        some = rows[rows["panel"] == panel["panel"]]
        runs = some[some["what"] == RUN]
        assert runs["run"].nunique() == r["runs"]
        assert runs["part"].nunique() == r["parts"]
        assert len(some[some["what"] == PIECE][["run", "part", "serial"]].drop_duplicates()) == r["pieces"]
        assert runs["x"].min() == pytest.approx(r["range_low"])
        assert runs["x"].max() == pytest.approx(r["range_high"])
        within = some[some["what"] == WITHIN]
        assert len(within) >= 2
        for _, line in within.groupby("label"):
            assert slope(line) == pytest.approx(r["effect"], rel=1e-9)
        pooled = some[some["what"] == POOLED]  # drawn only where it misleads
        reference = r["effect"] if r["alone"] is None else r["alone"]
        assert (len(pooled) > 0) == (r["pooled"] * reference < 0)
        if len(pooled):
            assert slope(pooled) == pytest.approx(r["pooled"], rel=1e-9)
        for (_, line), (_, band) in zip(within.groupby("label"), some[some["what"] == INTERVAL].groupby("label"),
                                        strict=True):  # fmt: skip
            assert (band["x"].min(), band["x"].max()) == (line["x"].min(), line["x"].max())  # only where runs are
            first, last = band.iloc[0], band.iloc[-1]
            steepest = (last["high"] - first["low"]) / (last["x"] - first["x"])
            flattest = (last["low"] - first["high"]) / (last["x"] - first["x"])
            assert (flattest, steepest) == pytest.approx((r["effect_low"], r["effect_high"]), rel=1e-9)
        assert panel["said"][1] == r["verdict"]
    assert not re.search(r"https?://(?!www\.w3\.org/)", source)


def test_effect_the_specification_holds_the_frame(effects: Picture, drawn: dict[str, Any]) -> None:
    """What the drawing library is given is the frame, row for row."""
    rows = pd.DataFrame(spec_rows(drawn))
    for what in (RUN, PIECE, WITHIN, POOLED):
        mine, theirs = effects.rows[effects.rows["what"] == what], rows[rows["what"] == what]
        drawn = len(mine) + (int((mine["broken"] == True).sum()) if what == RUN else 0)  # noqa: E712 each crossed
        assert len(theirs) == drawn
        if what == RUN:
            theirs = theirs.drop_duplicates(["run", "part", "x", "y"])
            mine = mine.drop_duplicates(["run", "part", "x", "y"])
        assert sorted(mine["y"]) == pytest.approx(sorted(theirs["y"]))
        assert sorted(mine["x"]) == pytest.approx(sorted(theirs["x"]))


def test_moved_the_picture_holds_what_json_prints(demo_book: Path, loadbook: Run, tmp_path: Path) -> None:
    words = ("moved", "--kind", "outside diameter", "--by", "setup", "--book", str(demo_book), "--format", "json")
    printed = json.loads(loadbook(*words, "--chart", "moved.html").stdout)
    source = (tmp_path / "moved.html").read_text(encoding="utf-8")
    found = re.search(r'id="chart-data">(.*?)</script>', source, re.DOTALL)
    assert found is not None
    data = json.loads(found.group(1))
    rows = pd.DataFrame(data["rows"])
    titles = {p["title"]: p["panel"] for p in data["panels"]}
    for r in printed:
        some = rows[(rows["panel"] == titles[f"{r['kind']} ({r['process']})"]) & (rows["level"] == r["setup"])]
        middle = some[some["what"] == MIDDLE].iloc[0]
        for name, key in (("y", "median"), ("low", "low"), ("high", "high"), ("pieces", "pieces")):
            assert middle[name] == pytest.approx(r[key])
        runs, pieces = some[some["what"] == RUN], some[some["what"] == PIECE]
        assert len(runs) == r["runs"] and len(pieces) == r["pieces"]
        assert runs["y"].mean() == pytest.approx(r["mean"])


def test_moved_the_specification_holds_the_frame(moves: Picture) -> None:
    rows = pd.DataFrame(spec_rows(chart(moves).to_dict()))
    for what in (RUN, PIECE):
        mine, theirs = moves.rows[moves.rows["what"] == what], rows[rows["what"] == what]
        assert sorted(mine["y"]) == pytest.approx(sorted(theirs["y"]))


def test_dates_are_days_of_the_shops_clock() -> None:
    """A run begun at 23:30 UTC is of the next day in Vienna, stored as text or read as a timestamp."""
    zone = ZoneInfo("Europe/Vienna")
    for started in ("2026-03-01T23:30:00Z", pd.Timestamp("2026-03-01 23:30:00")):
        assert day_of(started, zone) == "2026-03-02" and day_of(started, UTC) == "2026-03-01"


def test_a_book_in_inches_draws_inches(demo_book: Path) -> None:
    """The frame is in the book's units: 0.001 in for a movement, °F/h for a rate."""
    with Book(demo_book) as book:
        found = book.effect(kind="flatness", process="temper", of="heating_rate_peak_c_per_h", stage="after")
        si = effect_picture(found)
        found.system = "us"
        us = effect_picture(found)
    assert "°F/h" in us.panels[0].x and "0.001 in" in us.panels[0].y
    assert us.rows["x"].max() == pytest.approx(si.rows["x"].max() * 1.8)
    assert us.rows["y"].max() == pytest.approx(si.rows["y"].max() / 25.4)


def test_part_numbers_have_a_shape_and_a_colour_each(drawn: dict[str, Any]) -> None:
    spec = json.dumps(drawn)
    for kind in ("shape", "color"):
        assert re.search(rf'"{kind}": {{"field": "series"', spec)
    domains = re.findall(r'"domain": \["PN-1001", "PN-1002", "PN-4002"\], "range": \[([^\]]+)\]', spec)
    assert domains and all(len(set(d.split(", "))) == 3 for d in domains)
    assert "a warning, not a result" in spec


def test_files_of_each_ending(moves: Picture, tmp_path: Path) -> None:
    """SVG that parses, PNG that begins as one, a name that is taken stays as it was."""
    one = Picture(moves.title, moves.panels[:1], moves.rows, moves.panels[0].series)
    write_chart(one, tmp_path / "a.svg")
    root = ET.fromstring((tmp_path / "a.svg").read_text(encoding="utf-8"))
    assert root.tag.endswith("svg")
    write_chart(one, tmp_path / "a.PNG")
    assert (tmp_path / "a.PNG").read_bytes()[:8] == b"\x89PNG\r\n\x1a\n"
    before = (tmp_path / "a.svg").read_bytes()
    with pytest.raises(UsageError, match="already"):
        write_chart(one, tmp_path / "a.svg")
    assert (tmp_path / "a.svg").read_bytes() == before
    (tmp_path / "a.svg").write_text("another", encoding="utf-8")
    write_chart(one, tmp_path / "a.svg", force=True)
    assert (tmp_path / "a.svg").read_bytes() == before
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a.PNG", "a.svg"]


@pytest.mark.parametrize(
    ("name", "says"),
    [
        ("a.pdf", "a .svg, a .png or a .html, not a .pdf. Did you mean a.svg?"),
        ("a", "without an ending"),
        ("a.jpg", "Did you mean a.png?"),
        ("no/a.svg", "no such folder"),
        ("there.svg", "add --force"),
    ],
)
def test_a_file_that_cannot_be_is_refused_before_any_work(
    name: str, says: str, demo_book: Path, inside: Run, tmp_path: Path
) -> None:
    (tmp_path / "there.svg").write_text("mine")
    done = inside("effect", "flatness", "--book", str(demo_book), "--chart", name)
    assert done.returncode == 2
    assert says in done.stderr and not done.stdout
    assert not list(tmp_path.glob("*a*")) and (tmp_path / "there.svg").read_text() == "mine"


def test_too_many_pictures_are_refused_with_the_options_that_narrow() -> None:
    panels = [Panel(i, "between", f"kind {i}", "", "") for i in range(13)]
    with pytest.raises(UsageError, match=r"--kind, --process or --part.*kind 7 and 5 more"):
        picture("t", panels, [], "--kind, --process or --part")


def hostile(name: str = HOSTILE, other: str = HOSTILE) -> Picture:
    """Texts of all places of a picture; name and other are its part numbers and treatments."""
    base = {"panel": 0, "series": name, "level": name, "run": HOSTILE, "part": HOSTILE, "date": "2026-01-01"}
    rows = [
        {**base, "what": RUN, "x": 1.0, "y": 2.0, "pieces": 1},
        {**base, "what": PIECE, "x": 1.0, "y": 2.0, "serial": HOSTILE},
        {**base, "what": ALONE, "x": 2.0, "y": 1.0, "pieces": 1},
        {
            "panel": 1,
            "what": MIDDLE,
            "level": other,
            "y": 2.0,
            "low": 1.0,
            "high": 3.0,
            "pieces": 1,
            "label": HOSTILE,
        },
        {**base, "panel": 1, "what": RUN, "y": 2.0, "pieces": 1},
        {**base, "panel": 1, "what": PIECE, "y": 2.0, "serial": HOSTILE},
        {**base, "panel": 2, "what": RUN, "y": 2.0, "pieces": 1},
        {**base, "panel": 2, "what": RUN, "level": other, "y": 3.0, "pieces": 1},
    ]
    levels = (name,) if name == other else (name, other)
    panels = [
        Panel(0, "against", HOSTILE, HOSTILE, HOSTILE, (), (name,), 1.0, 2.0, (HOSTILE, HOSTILE)),
        Panel(1, "between", HOSTILE, HOSTILE, HOSTILE, levels, (name,), said=(HOSTILE,)),
        Panel(2, "against", HOSTILE, HOSTILE, HOSTILE, levels, (name,), said=(HOSTILE,)),
    ]
    return picture(HOSTILE, panels, rows, "--kind", [HOSTILE])


@pytest.mark.parametrize("ending", ["svg", "html"])
def test_text_from_the_book_stays_text(ending: str, tmp_path: Path) -> None:
    path = tmp_path / f"hostile.{ending}"
    write_chart(hostile(), path)
    source = path.read_text(encoding="utf-8")
    source = re.sub(r'<script type="application/json".*?</script>', "", source, flags=re.DOTALL)
    assert "<script>alert" not in source
    assert "\x1b" not in source and "\u202e" not in source
    assert "🔧" in source and "[rev a]" in source
    if ending == "svg":
        texts = [t.text or "" for t in ET.fromstring(source).iter("{http://www.w3.org/2000/svg}text")]
        assert any('<script>alert("1")</script>\\x1b' in t for t in texts)
    else:
        found = re.search(r'id="chart-data">(.*?)</script>', path.read_text(encoding="utf-8"), re.DOTALL)
        assert found is not None
        assert json.loads(found.group(1))["panels"][0]["title"] == HOSTILE


@pytest.mark.parametrize("odd", ["", "x"])  # the cut falls on either half of a UTF-16 pair
def test_a_long_name_is_cut_between_characters_and_stays_one_name(odd: str, tmp_path: Path) -> None:
    name = odd + "🔧n\u0308" * 60
    write_chart(hostile(name, name + "2"), path := tmp_path / "long.svg")
    drawn = ET.fromstring(path.read_text(encoding="utf-8"))
    cut = [t.text or "" for t in drawn.iter("{http://www.w3.org/2000/svg}text") if (t.text or "").endswith("…")]
    assert len(cut) == 3 + 2 + 2  # keys, rows, columns: the two names alike in their beginning are two rows
    assert all(re.fullmatch(f"{odd}(🔧|n\u0308)+…", text) for text in cut)


def test_many_part_numbers_share_a_mark_and_say_so() -> None:
    labels = pd.Series([f"P{i:02}" for i in range(40)] + ["P00"] * 3)
    shown = named_series(labels)
    assert shown.nunique() == MOST_NAMED
    assert OTHERS in set(shown) and shown[0] == "P00"


def test_nothing_to_draw_is_said() -> None:
    with pytest.raises(NotFoundError, match="nothing to draw"):
        picture("t", [], [], "--kind", ["every reading is set aside"])


def test_the_data_of_a_page_are_whole(moves: Picture) -> None:
    data = data_of(moves)
    assert len(data["rows"]) == len(moves.rows)
    assert {k for r in data["rows"] for k in r} <= set(COLUMNS)


def test_no_line_of_a_picture_ends_between_a_figure_and_its_unit() -> None:
    told = "Cannot tell: more than 77.1 % or 20 °C is unlikely"
    assert not any(line[0] in "%°µ" for width in range(150, 400, 7) for line in wrapped(told, width))
