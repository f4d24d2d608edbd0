"""Pages in a real browser: Chromium by Playwright, accessibility by axe-core.

Run with `python -m pytest -m browser`. Needs the extra `browser`, a Chromium on the PATH (or LOADBOOK_CHROMIUM), and
axe-core, which is never part of the project: LOADBOOK_AXE names the folder in which `npm install axe-core` was run.
A test opens a page with `opened(path)`; whatever that page says on its console, or asks of any network, fails it.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

CHROMIUM = ("chromium", "chromium-browser", "google-chrome", "chrome")
ARGUMENTS = (
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync",
)  # fmt: skip
# the printable width at 96 pixels an inch, with the margins of page.css (12 mm a side)
PAPER = {"A4": (210.0 - 24.0) / 25.4 * 96.0, "Letter": (215.9 - 24.0) / 25.4 * 96.0}

_CUT = """(width) => [...document.querySelectorAll('body *')].filter((e) => {
  if (e.closest('.unseen, .ends, svg, [hidden]') || !e.checkVisibility({ visibilityProperty: true })) return false;
  const box = e.getBoundingClientRect();
  if (getComputedStyle(e.closest('thead') || e).clipPath !== 'none') return false;
  return box.width > 0 && (box.right > width + 1 || box.left < -1);
}).map((e) => `${e.tagName}.${e.className}: ${e.textContent.trim().slice(0, 60)}`)"""
_CLIPPED = """() => [...document.querySelectorAll('td, th, dd, dt, p, li, h1, h2, h3, figcaption, summary, caption')]
  .filter((e) => !e.closest('.unseen, thead, .plot') && e.checkVisibility() && e.scrollWidth > e.clientWidth + 1
    && getComputedStyle(e).display !== 'inline')
  .map((e) => `${e.tagName}: ${e.textContent.trim().slice(0, 60)}`)"""
_CONTROLS = """() => [...document.querySelectorAll('a[href], button, input, select, textarea, summary, [tabindex="0"]')]
  .filter((e) => e.checkVisibility() && !e.disabled).length"""
_FOCUSED = """() => {
  const all = [...document.querySelectorAll('a[href], button, input, select, textarea, summary, [tabindex="0"]')];
  return all.filter((e) => e.checkVisibility() && !e.disabled).indexOf(document.activeElement);
}"""


@dataclass
class Opened:
    """A page that is open. page is Playwright's; said and asked collect its console and its requests."""

    page: Any
    path: Path
    axe: str
    said: list[str] = field(default_factory=list)
    asked: list[str] = field(default_factory=list)

    def quiet(self) -> None:
        """Nothing on the console, nothing asked of any network or other file."""
        assert not self.said, "\n".join(self.said)
        foreign = [url for url in self.asked if url.split("#")[0] != self.path.as_uri()]
        assert not foreign, "\n".join(foreign)

    def accessible(self) -> None:
        """axe-core finds nothing at all against WCAG A, AA and its own best practices."""
        self.page.evaluate(self.axe)
        found = self.page.evaluate("() => axe.run(document, {resultTypes: ['violations']})")
        told = [
            f"{v['impact']} {v['id']}: {v['help']}\n" + "\n".join(f"    {n['html'][:160]}" for n in v["nodes"][:3])
            for v in found["violations"]
        ]
        assert not told, "\n".join(told)

    def fits(self, width: float, *, media: str = "screen") -> None:
        """At this width nothing stands outside the page and no text is cut."""
        self.page.emulate_media(media=media)
        self.page.set_viewport_size({"width": int(width), "height": 900})
        wide = self.page.evaluate("document.documentElement.scrollWidth")
        assert wide <= int(width), f"{wide} px wide at {int(width)}: {self.page.evaluate(_CUT, int(width))[:8]}"
        assert not self.page.evaluate(_CUT, int(width))
        assert not self.page.evaluate(_CLIPPED)

    def prints(self) -> dict[str, int]:
        """Prints on A4 and Letter with nothing cut off; gives back the number of pages on each."""
        pages = {}
        for paper, width in PAPER.items():
            self.fits(width, media="print")
            data = self.page.pdf(format=paper, prefer_css_page_size=False)
            assert data.startswith(b"%PDF")
            pages[paper] = data.count(b"/Type /Page\n") or data.count(b"/Type /Page ")
        self.page.emulate_media(media="screen")
        return pages

    def reached_by_keyboard(self) -> None:
        """Tab comes to every control that can be seen, each with something to see of the focus."""
        wanted = self.page.evaluate(_CONTROLS)
        seen = set()
        self.page.evaluate("() => { document.activeElement.blur(); window.scrollTo(0, 0); }")
        for _ in range(wanted + 2):
            self.page.keyboard.press("Tab")
            seen.add(self.page.evaluate(_FOCUSED))
            if len(seen - {-1}) == wanted:
                break
        assert len(seen - {-1}) == wanted, f"{len(seen - {-1})} of {wanted} controls are reached"


@pytest.fixture(scope="session")
def chromium() -> Iterator[Any]:
    """One browser for the session."""
    from playwright.sync_api import sync_playwright

    found = os.environ.get("LOADBOOK_CHROMIUM") or next((p for n in CHROMIUM if (p := shutil.which(n))), None)
    assert found, "there is no Chromium on the PATH: install it, or name it in LOADBOOK_CHROMIUM"
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=found, args=list(ARGUMENTS))
        yield browser
        browser.close()


@pytest.fixture(scope="session")
def axe() -> str:
    """The text of axe-core."""
    folder = os.environ.get("LOADBOOK_AXE")
    assert folder, "LOADBOOK_AXE names no folder: run 'npm install --no-package-lock axe-core' in one and name it"
    return (Path(folder) / "node_modules" / "axe-core" / "axe.min.js").read_text(encoding="utf-8")


@pytest.fixture
def opened(chromium: Any, axe: str) -> Iterator[Callable[..., Opened]]:
    """Opens a page's file in a window; the test fails at its end if the page was not quiet."""
    windows: list[Opened] = []

    def open_(path: Path, width: int = 1200, height: int = 900) -> Opened:
        # the page's own content policy would stop a test from looking into it: what it allows is tested by itself
        context = chromium.new_context(viewport={"width": width, "height": height}, bypass_csp=True, offline=True)
        page = context.new_page()
        one = Opened(page, path, axe)
        page.on("console", lambda m: one.said.append(f"{m.type}: {m.text}"))
        page.on("pageerror", lambda e: one.said.append(f"error: {e}"))
        page.on("dialog", lambda d: (one.said.append(f"dialog: {d.message}"), d.dismiss()))
        page.on("request", lambda r: one.asked.append(r.url))
        page.goto(path.as_uri())
        windows.append(one)
        return one

    yield open_
    for one in windows:
        one.page.context.close()
    for one in windows:
        one.quiet()
