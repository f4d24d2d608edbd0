"""A chart in a real browser: nothing leaves it, everybody can read it, marks say themselves by mouse and keys."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest

from loadbook.render.charts.file import write_chart

from ..test_charts import hostile
from .conftest import Opened

pytestmark = pytest.mark.browser
Open = Callable[..., Opened]


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A page whose every text is hostile."""
    path = tmp_path_factory.mktemp("chart") / "chart.html"
    write_chart(hostile(), path)
    return path


def test_everybody_can_read_it(page: Path, opened: Open) -> None:
    one = opened(page)
    one.page.evaluate("() => document.querySelectorAll('details').forEach((d) => { d.open = true; })")
    one.accessible()
    one.reached_by_keyboard()
    assert all(n >= 1 for n in one.prints().values())


def test_marks_are_told_by_keys_and_mouse(page: Path, opened: Open) -> None:
    one = opened(page)
    told = one.page.locator(".told").first
    assert told.is_hidden()
    one.page.locator("figure.picture > div[role=img]").first.focus()
    one.page.keyboard.press("ArrowRight")
    assert told.inner_text().startswith("run mean: run <script>alert")
    one.page.keyboard.press("Escape")
    assert told.is_hidden()
    box = one.page.locator('path[aria-label^="run mean"]').first.bounding_box()
    one.page.mouse.move(box["x"] + box["width"] / 2 + 4, box["y"] + box["height"] / 2)
    assert told.is_visible()
    one.page.mouse.move(2, 2)
    assert told.is_hidden()


def test_text_stays_text_and_data_are_whole(page: Path, opened: Open) -> None:
    one = opened(page)
    assert one.page.locator("h1").inner_text().startswith("<script>alert")
    data = json.loads(one.page.locator("#chart-data").text_content())
    assert len(data["rows"]) == len(hostile().rows)
    assert one.page.evaluate("() => document.querySelectorAll('main script:not([type])').length") == 0
