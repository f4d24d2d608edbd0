"""The shell of every page: text stays text, one policy, one style, whole files."""

from __future__ import annotations

import base64
import hashlib
import json
import re
from datetime import datetime
from html.parser import HTMLParser
from itertools import pairwise
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from loadbook.analysis.trace import thinning
from loadbook.cli import pages
from loadbook.core.errors import LoadbookError, UsageError
from loadbook.render.charts import plot
from loadbook.render.charts.scale import scale_over
from loadbook.render.pages import shell
from loadbook.render.pages.markup import Html, data_block, el, tied


class Reader(HTMLParser):
    """What a browser would read: tags in order, and all text."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.told: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_data(self, data: str) -> None:
        self.told.append(data)


def read(source: str) -> Reader:
    reader = Reader()
    reader.feed(source)
    reader.close()
    return reader


@settings(max_examples=200)
@given(st.text())
@example("\udc80</script>")
@example("0 mm")
def test_any_text_stays_text(words: str) -> None:
    """In an element, in an attribute and in a data block: no tag comes to be, and what is readable is read back."""
    source = el("p", words, title=words) + data_block("d", {"words": words})
    got = read(source)
    assert [t for t, _ in got.tags if t != "bdi"] == ["p", "script"]
    readable = "".join(c if c.isprintable() or c in "\u200c\u200d" else repr(c)[1:-1] for c in words)
    assert dict(got.tags)["p"]["title"] == readable
    *body, block = got.told
    assert "".join(body) == tied(readable)
    assert json.loads(block)["words"] == words


def test_a_figure_stays_with_its_unit() -> None:
    """Only between a figure and a unit does the blank not break; words, keys and data blocks are as they were."""
    for words in ("80 °C/h", "94 %", "0.12 mm", "1.75 thousandths", "2 ten-thousandths", "150 min", "8 h", "43 µm"):
        assert el("p", words) == f"<p>{words.replace(' ', chr(0xA0))}</p>"
    for words in ("17 runs", "PN-1004 0021", "3 hours", "R25-046 minus", "2 inside"):
        assert el("p", words) == f"<p>{words}</p>"
    assert "80 °C/h" in data_block("d", {"rate": "80 °C/h"})


def test_markup_of_ours_is_not_escaped_twice() -> None:
    assert el("td", el("b", "a & b"), [" ", Html("<br>")], None) == "<td><b>a &amp; b</b> <br></td>"


def test_right_to_left_text_is_kept_apart() -> None:
    assert el("td", "\u05d0\u05d1") == "<td><bdi>\u05d0\u05d1</bdi></td>"
    assert el("td", "\u202eabc") == "<td>\\u202eabc</td>"


def test_data_blocks_hold_no_nan_and_end_no_script() -> None:
    block = data_block("d", {"a": [1.5, float("nan")], "b": "</script><!--", "c": np.float64(2.0)})
    assert block.count("</script") == 1
    assert json.loads(read(block).told[0]) == {"a": [1.5, None], "b": "</script><!--", "c": 2.0}


def whole() -> str:
    parts = [shell.section("First", shell.subsection("Inner", shell.paragraph("words")), name="first")]
    return shell.page("A < B", parts, kind="Record", scripts=("runchart.js",), contents=[("first", "First")])


def test_a_page_stands_alone() -> None:
    """Nothing is fetched: no address, no link but those inside the page; the policy names its own script's digest."""
    source = whole()
    got = read(source)
    names = [t for t, _ in got.tags]
    assert source.startswith('<!doctype html>\n<html lang="en">')
    assert names.count("main") == names.count("h1") == names.count("style") == names.count("script") == 1
    outside = [v for _, a in got.tags for k, v in a.items() if k in ("src", "href", "srcset", "action") and v]
    assert all(v.startswith("#") for v in outside)
    assert not re.search(r"url\((?!data:)|@import|https?://", source)
    policy = next(a["content"] for t, a in got.tags if a.get("http-equiv") == "Content-Security-Policy")
    script = re.search(r"<script>(.*?)</script>", source, re.DOTALL)
    assert script and policy and "default-src 'none'" in policy
    digest = base64.b64encode(hashlib.sha256(script.group(1).encode()).digest()).decode()
    assert f"script-src 'sha256-{digest}'" in policy
    assert "A < B" in "".join(got.told)


def test_headings_come_in_order() -> None:
    levels = [int(t[1]) for t, _ in read(whole()).tags if re.fullmatch("h[1-6]", t)]
    assert levels[0] == 1 and all(b - a <= 1 for a, b in pairwise(levels))


def test_tables_tell_heads_and_leave_out_what_nobody_filled() -> None:
    got = read(shell.table(["a", "b", "c"], [["x", None, 1.5], ["<y>", "", 2]], caption="T", figures=("c",)))
    heads = [a for t, a in got.tags if t == "th"]
    assert [a.get("scope") for a in heads] == ["col", "col", "row", "row"]
    assert [a["class"] for t, a in got.tags if t == "td"] == ["figure", "figure"]
    assert got.told == ["T", "a", "c", "x", "1.5", "<y>", "2"]


def test_a_mark_is_a_word_and_a_shape() -> None:
    shapes = {word: re.search(r"<(circle|rect|path d=\"[^\"]+\")", shell.mark(word)) for word in shell.SHAPES}
    drawn = {word: found.group(1) for word, found in shapes.items() if found}
    assert len(drawn) == len(shell.SHAPES)
    assert len({drawn[w] for w in ("kept", "broken", "cannot be told", "no cycle")}) == 4
    assert all(word in shell.mark(word) for word in shell.SHAPES)


def test_a_page_is_written_whole_or_not_at_all(tmp_path: Path) -> None:
    target = tmp_path / "a.html"
    shell.write_page(target, "one")
    with pytest.raises(UsageError, match="already"):
        shell.write_page(target, "two")
    assert target.read_text() == "one"
    shell.write_page(target, "two", force=True)
    assert target.read_text() == "two"
    with pytest.raises(LoadbookError, match="cannot be written"):
        shell.write_page(tmp_path / "none" / "a.html", "x")
    assert [p.name for p in tmp_path.iterdir()] == ["a.html"]


@settings(max_examples=100)
@given(st.text(min_size=1))
def test_file_names_are_safe(name: str) -> None:
    made = pages.file_name("run", name)
    assert re.fullmatch(r"run-[A-Za-z0-9_-]+\.html", made) and len(made) < 90


def test_names_that_differ_have_files_that_differ() -> None:
    assert len({pages.file_name("run", n) for n in ("a/b", "a-b", "a\\b", "a b", "../a/b")}) == 5


@settings(max_examples=60)
@given(st.integers(1, 400), st.integers(1, 40), st.integers(0, 2**32 - 1))
def test_thinning_keeps_every_extreme(samples: int, most: int, seed: int) -> None:
    """In each stretch of time the drawn samples reach as low and as high as all of them; order is kept."""
    rng = np.random.default_rng(seed)
    t = np.cumsum(rng.uniform(0.5, 5.0, samples))
    values = np.where(rng.random(samples) < 0.2, np.nan, rng.normal(0.0, 10.0, samples))
    how = thinning.thinning(t, most)
    chosen = thinning.kept(values, how)
    assert np.all(np.diff(chosen) > 0) and np.isfinite(values[chosen]).all()
    if not how.whole:
        assert chosen.size <= 2 * most + 2
        for stretch in np.unique(how.stretch):
            inside = values[how.stretch == stretch]
            drawn = values[chosen[how.stretch[chosen] == stretch]]
            if np.isfinite(inside).any():
                assert (np.nanmin(inside), np.nanmax(inside)) == (drawn.min(), drawn.max())
    else:
        assert chosen.size == np.isfinite(values).sum()


def test_a_line_is_never_drawn_over_a_gap_or_a_missing_sample() -> None:
    t = np.array([0.0, 1.0, 2.0, 3.0, 20.0, 21.0])
    values = np.array([1.0, 2.0, np.nan, 4.0, 5.0, 6.0])
    chosen = thinning.kept(values, thinning.thinning(t))
    assert [s.tolist() for s in thinning.strokes(t, values, chosen, 3.0)] == [[0, 1], [3], [4, 5]]


@settings(max_examples=60)
@given(st.lists(st.floats(0.0, 20.0), min_size=1, max_size=20))
def test_labels_never_overlap(wanted: list[float]) -> None:
    places = plot.spread_out(wanted, 1.0, 25.0)
    ranked = sorted(places)
    assert all(b - a >= 1.0 - 1e-9 for a, b in pairwise(ranked))
    assert ranked[0] >= 0.0 and ranked[-1] <= 24.0 + 1e-9


@pytest.mark.parametrize("values", [[21.0, 604.0], [-40.0, 3.0], [5.0, 5.0], [0.0], []])
def test_scales_hold_their_values_with_round_ticks(values: list[float]) -> None:
    scale = scale_over(values)
    assert all(scale.low <= v <= scale.high for v in values)
    assert 2 <= len(scale.ticks()) <= 12
    logs = scale_over([3e-5, 900.0], log=True)
    assert (logs.low, logs.high) == (1e-5, 1000.0) and 1e-5 in logs.ticks()


@pytest.mark.parametrize(
    ("start", "hours", "first"),
    [("2026-03-29T00:10:00", 20.0, "03:00"), ("2026-10-25T00:10:00", 20.0, "03:00"),
     ("2026-03-01T07:07:00", 0.2, "08:08"), ("2026-03-01T07:00:00", 900.0, "00:00")],
)  # fmt: skip
def test_the_time_axis_has_round_ticks_through_clock_changes(start: str, hours: float, first: str) -> None:
    """Few ticks at round times of the shop's clock, each at its own moment, the date told where it changes."""
    axis = plot.TimeAxis(datetime.fromisoformat(start + "+00:00"), hours * 3600.0, ZoneInfo("Europe/Madrid"))
    ticks = axis.ticks()
    assert 3 <= len(ticks) <= 11 and ticks[0][1] == first and ticks[0][2]
    assert all(f"{axis.clock(t):%H:%M}" == told for t, told, _ in ticks)
    days = [axis.clock(t).date().isoformat() for t, _, _ in ticks]
    assert [d for _, _, d in ticks if d] == list(dict.fromkeys(days))
    changes = start.startswith(("2026-03-29", "2026-10-25")) or hours > 600
    assert len(axis.offsets()) == (2 if changes else 1)
