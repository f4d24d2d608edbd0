"""The record of a run in a real browser: nothing leaves it, everybody can read it, hover and hiding work."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from loadbook.queries.run_record import run_sheet
from loadbook.render.pages.run import run_page

from ..pagebook import RUNS, WILD, WILD_RUN, chart_told, page_book
from .conftest import Opened

pytestmark = pytest.mark.browser
Open = Callable[..., Opened]
MADE = "2026-11-25T10:00:00Z"


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """A page's file for every run of the book."""
    folder = tmp_path_factory.mktemp("pages")
    book = page_book(folder / "book")
    found = {}
    for number, run in enumerate(RUNS):
        found[run] = folder / f"{number}.html"
        found[run].write_text(run_page(run_sheet(book, run), book, "si", MADE), encoding="utf-8")
    book.close()
    return found


def data_of(one: Opened, name: str) -> Any:
    return json.loads(one.page.locator(f"#{name}").text_content())


@pytest.mark.parametrize("run", RUNS)
def test_everybody_can_read_it(pages: dict[str, Path], opened: Open, run: str) -> None:
    """No finding of axe-core; a phone shows it without sideways scrolling; paper cuts nothing off."""
    one = opened(pages[run])
    one.accessible()
    one.fits(1200)
    one.fits(360)
    assert all(1 <= n <= 20 for n in one.prints().values())  # what is folded on the screen prints as well


@pytest.mark.parametrize("run", ["R-kept", "R-paper", "R-forty"])
def test_the_keyboard_reaches_every_control(pages: dict[str, Path], opened: Open, run: str) -> None:
    opened(pages[run]).reached_by_keyboard()


def test_an_open_definition_is_accessible_and_narrow(pages: dict[str, Path], opened: Open) -> None:
    one = opened(pages["R-kept"])
    one.page.evaluate("() => document.querySelectorAll('details').forEach((d) => { d.open = true; })")
    assert "least-squares" in one.page.locator("#measured").inner_text()
    one.accessible()
    one.fits(360)
    one.prints()


def test_hover_tells_every_channel_at_that_moment(pages: dict[str, Path], opened: Open) -> None:
    one = opened(pages["R-kept"])
    data = chart_told(data_of(one, "chart-data"))
    field = one.page.locator(".panel .field").first
    box = field.bounding_box()
    one.page.mouse.move(box["x"] + box["width"] * 0.4, box["y"] + box["height"] * 0.5)
    wanted = min(range(len(data["t_s"])), key=lambda k: abs(data["t_s"][k] - 0.4 * data["seconds"]))
    told = one.page.locator(".switch .now").all_inner_texts()
    assert len(told) == len(data["lines"])
    near = range(max(wanted - 3, 0), wanted + 4)  # a pixel is some samples wide
    assert any(
        all(text == f"{line['values'][k]:.1f} {line['unit']}" for text, line in zip(told, data["lines"], strict=True))
        for k in near
    )
    assert one.page.locator("#chart-time").inner_text().startswith("2026-03-01 ")
    assert one.page.locator(".switch.nearest").count() == 1
    assert one.page.locator(".panel .cursor:visible").count() == len(data["panels"])


def test_the_slider_tells_the_same_without_a_mouse(pages: dict[str, Path], opened: Open) -> None:
    one = opened(pages["R-big"])
    slider = one.page.locator("#chart-moment")
    slider.focus()
    one.page.keyboard.press("End")
    data = chart_told(data_of(one, "chart-data"))
    told = one.page.locator(".switch .now").all_inner_texts()
    assert told == [f"{x['values'][-1]:.1f} {x['unit']}" for x in data["lines"]]
    assert slider.get_attribute("aria-valuetext") in one.page.locator("#chart-time").inner_text()


@pytest.mark.parametrize(("run", "k"), [("R-big", 1), ("R-forty", 2)])  # its hottest; one inside the shaded envelope
def test_a_channel_goes_out_of_sight_and_comes_back(pages: dict[str, Path], opened: Open, run: str, k: int) -> None:
    one = opened(pages[run])
    every = one.page.locator("g[data-line]").count()
    one.page.locator(f"input[data-line='{k}']").set_checked(True)
    lines = one.page.locator("g[data-line]:visible").count()
    took = one.page.evaluate(
        """(k) => new Promise((done) => {
          const tick = document.querySelector(`input[data-line="${k}"]`);
          const began = performance.now();
          tick.click();
          requestAnimationFrame(() => setTimeout(() => done(performance.now() - began), 0));
        })""",
        k,
    )
    print(f"{run}: a channel hides in {took:.0f} ms")
    assert one.page.locator(f"g[data-line='{k}']:visible, .ends span[data-line='{k}']:visible").count() == 0
    gone = one.page.locator(f"g[data-line='{k}']").count()
    assert gone >= 1 and one.page.locator("g[data-line]:visible").count() == lines - gone
    away = one.page.locator("#chart-hidden")
    assert ("Out of sight: " in away.inner_text()) if run == "R-big" else away.is_hidden()
    one.page.locator(f"input[data-line='{k}']").click()
    assert one.page.locator("g[data-line]:visible").count() == lines
    assert one.page.locator("#chart-hidden").is_hidden()
    one.page.get_by_role("button", name="None").click()
    assert one.page.locator("g[data-line]:visible").count() == 0
    one.page.get_by_role("button", name="All").click()
    assert one.page.locator("g[data-line]:visible").count() == every


WINDOW = """() => [...document.querySelectorAll('.panel .draw')].map((s) => {
  const b = s.viewBox.baseVal; return [b.x / 16000, b.width / 16000, b.y / 8000, b.height / 8000]; })"""
TICKS = "() => [...document.querySelectorAll('.clock .x')].filter((e) => e.checkVisibility()).map((e) => e.textContent)"


def test_the_chart_comes_nearer_by_pointer_and_keys_and_goes_back(pages: dict[str, Path], opened: Open) -> None:
    """A box drawn with the pointer fills the field, its words move along; keys and buttons do the same."""
    one = opened(pages["R-broken"])
    page = one.page
    whole, hours = page.evaluate(WINDOW), page.evaluate(TICKS)
    page.locator(".panel .field").first.scroll_into_view_if_needed()
    box = page.locator(".panel .field").first.bounding_box()

    def drag(x0: float, y0: float, x1: float, y1: float) -> None:
        page.mouse.move(box["x"] + x0 * box["width"], box["y"] + y0 * box["height"])
        page.mouse.down()
        page.mouse.move(box["x"] + x1 * box["width"], box["y"] + y1 * box["height"], steps=4)
        page.mouse.up()

    drag(0.4, 0.1, 0.6, 0.5)
    first, *others = page.evaluate(WINDOW)
    assert first == pytest.approx([0.4, 0.2, 0.1, 0.4], abs=0.01)
    assert all(x[:2] == pytest.approx(first[:2]) and x[2:] == [0, 1] for x in others)  # one time, heights of their own
    assert page.evaluate(TICKS) != hours and len(page.evaluate(TICKS)) >= 2
    steep = page.locator(".panel .steep").first.bounding_box()
    told = page.locator(".said.broke:visible").first.bounding_box()
    assert abs(told["x"] - steep["x"] - steep["width"]) < 8  # words stay beside what they are about
    page.keyboard.down("Shift")
    drag(0.5, 0.5, 0.4, 0.5)
    page.keyboard.up("Shift")
    assert page.evaluate(WINDOW)[0][0] == pytest.approx(0.42, abs=0.01)
    page.locator(".plot").focus()
    for key, at in (("ArrowLeft", (0.37, 0.2)), ("+", (0.42, 0.1)), ("-", (0.37, 0.2))):
        page.keyboard.press(key)
        assert page.evaluate(WINDOW)[0][:2] == pytest.approx(at, abs=0.01)
    page.keyboard.press("Escape")
    assert page.evaluate(WINDOW) == whole and page.evaluate(TICKS) == hours
    page.get_by_role("button", name="nearer").click()
    assert page.evaluate(WINDOW)[0][1] == pytest.approx(0.5)
    page.locator(".panel .field").first.dblclick()
    assert page.evaluate(WINDOW) == whole
    page.get_by_role("button", name="nearer").click()
    page.evaluate("() => window.dispatchEvent(new Event('beforeprint'))")  # paper has the whole run
    assert page.evaluate(WINDOW) == whole


def test_what_broke_is_drawn_where_it_broke(pages: dict[str, Path], opened: Open) -> None:
    one = opened(pages["R-broken"])
    told = " | ".join(one.page.locator(".panel .said.broke").all_inner_texts())
    assert "cool 5 rate: " in told and "at most" in told and "door opened: " in told
    assert one.page.locator(".panel .steep").count() == 1 and one.page.locator(".spot").count() == 1
    assert one.page.locator(".breaches").is_hidden()
    one.page.set_viewport_size({"width": 390, "height": 900})
    assert one.page.locator(".breaches li").all_inner_texts()[0].startswith("a")  # a phone has letters in the chart
    assert [x.strip() for x in one.page.locator(".panel .said.broke").all_inner_texts()] == ["a", "b"]


def test_many_thermocouples_are_a_band_with_its_extremes(pages: dict[str, Path], opened: Open) -> None:
    one = opened(pages["R-forty"])
    assert one.page.locator(".panel .envelope:visible").count() == 1
    names = one.page.locator(".panel").first.locator(".ends span:visible").all_inner_texts()
    assert sorted(n for n in names if n.startswith("TC")) == ["TC 1", "TC 32"]
    assert "38 work thermocouples, coldest (TC 32) to hottest (TC 1)" in one.page.locator(".signs").inner_text()


def test_wild_names_stay_text(pages: dict[str, Path], opened: Open) -> None:
    """Tags and quotes are shown as they were typed, control and direction characters visibly, the rest as it is."""
    one = opened(pages[WILD_RUN])
    shown = WILD.replace("\x07", "\\x07").replace("\x1b", "\\x1b").replace("\u202e", "\\u202e")
    assert one.page.locator("h1").text_content() == f"Run R/{shown}"
    for place in ("#approvals", "#jobs", "#pieces", "#curves", ".summary"):
        assert shown in one.page.locator(place).text_content()
    assert one.page.locator("script").count() == 3  # two of data, one of the page's own
    assert any(x["name"] == shown for x in data_of(one, "chart-data")["lines"])


def test_without_scripts_the_chart_is_there(pages: dict[str, Path], chromium: Any) -> None:
    context = chromium.new_context(java_script_enabled=False)
    page = context.new_page()
    page.goto(pages["R-kept"].as_uri())
    assert page.locator(".panel .draw path.line:visible").count() == 11
    assert page.locator(".hold:visible").count() == 2 and page.locator(".zoom:visible").count() == 0
    assert page.locator("input:visible").count() == 0
    context.close()


def test_its_own_policy_stops_all_but_its_own_script(pages: dict[str, Path], chromium: Any) -> None:
    """With the page's content policy in force: its script runs, a foreign one and any request do not."""
    context = chromium.new_context()
    page = context.new_page()
    page.goto(pages["R-kept"].as_uri())
    assert page.locator("html.scripted").count() == 1
    page.evaluate(
        """() => { const s = document.createElement('script'); s.textContent = 'window.foreign = 1';
                   document.body.append(s); }"""
    )
    assert page.evaluate("() => window.foreign") is None
    assert page.evaluate("() => fetch('data:text/plain,x').then(() => 'went', () => 'stopped')") == "stopped"
    context.close()
