"""Every kind of page at the width of a phone, a laptop and a desk, and on both papers: nothing cut or overlapping."""

from __future__ import annotations

import io
from collections.abc import Callable
from pathlib import Path

import pypdf
import pytest
from click.testing import CliRunner

from loadbook.cli.main import cli
from loadbook.render.pages.book import write_book
from loadbook.store.book import BookFolder
from tests.copied import copied_folder

from ..pagebook import page_book
from .conftest import PAPER, Opened

pytestmark = pytest.mark.browser
Open = Callable[..., Opened]
PAGES = {
    "run": ("run", "R25-086"),
    "for a customer": ("run", "R25-043", "--for", "Customer A"),
    "internal": ("run", "R25-043", "--internal"),
    "heated too fast": ("run", "R25-046", "--internal"),
    "pressure too high": ("run", "R25-102"),
    "month": ("month", "2026-02"),
    "part": ("part", "PN-1004"),
    "customer": ("customer", "Customer A"),
    "piece": ("piece", "PN-1001", "0009"),
    "furnace": ("furnace", "F1"),
    "part in inches": ("part", "PN-1004", "--units", "us"),
    "vacuum furnace in inches": ("furnace", "F2", "--units", "us"),
    "before the run": ("precheck", "R25-043"),
}
CHARTS = {
    "chart of effects": ("effect", "--kind", "outside diameter", "--process", "stress relief"),
    "chart of movement": ("moved", "--kind", "outside diameter", "--by", "setup"),
    "chart of a back-test": ("backtest", "--kind", "flatness", "--process", "stress relief"),
}
WIDTHS = (390, 1280, 1440)
# words of a picture that stand in one another, or outside of the picture or the page
_PICTURES = """() => {
  const out = [];
  for (const svg of document.querySelectorAll('.picture svg')) {
    const frame = svg.getBoundingClientRect();
    if (frame.right > document.documentElement.clientWidth + 1) out.push('picture beyond the page');
    const words = [...svg.querySelectorAll('text')].map((t) => [t.textContent, t.getBoundingClientRect()]);
    words.forEach(([a, x], k) => {
      if (x.left < frame.left - 1 || x.right > frame.right + 1 || x.top < frame.top - 1 || x.bottom > frame.bottom + 1)
        out.push(`cut: ${a}`);
      for (const [b, y] of words.slice(k + 1)) {
        const wide = Math.min(x.right, y.right) - Math.max(x.left, y.left);
        const high = Math.min(x.bottom, y.bottom) - Math.max(x.top, y.top);
        if (wide > 1 && high > 4) out.push(`overlap: ${a} | ${b}`);
      }
    });
  }
  return out;
}"""
_TYPE = """() => [...document.querySelectorAll('.picture text')].map((t) => {
  const svg = t.closest('svg');
  return parseFloat(t.getAttribute('font-size')) * svg.getBoundingClientRect().width / svg.viewBox.baseVal.width;
}).filter((px) => px < 12)"""
# words beside and in a run's chart that stand in one another, are cut, or leave the page
_RUN_CHART = """() => {
  const out = [];
  const wide = document.documentElement.clientWidth;
  const texts = [...document.querySelectorAll('.chart :is(.y, .x, .said, .flag, .stretch, .ends span, .unit)')]
    .filter((e) => e.checkVisibility() && e.innerText.trim());
  const boxes = texts.map((e) => {
    const range = document.createRange();
    range.selectNodeContents(e);
    return [e.innerText.trim().replace(/\\s+/g, ' '), range.getBoundingClientRect(), e];
  });
  boxes.forEach(([a, x, e], k) => {
    if (x.right > wide + 1 || x.left < -1) out.push(`beyond the page: ${a}`);
    if (e.scrollWidth > e.clientWidth + 1 && getComputedStyle(e).overflow !== 'visible') out.push(`cut: ${a}`);
    for (const [b, y] of boxes.slice(k + 1)) {
      const w = Math.min(x.right, y.right) - Math.max(x.left, y.left);
      const h = Math.min(x.bottom, y.bottom) - Math.max(x.top, y.top);
      if (w > 2 && h > 4) out.push(`overlap: ${a} | ${b}`);
    }
  });
  return out;
}"""
# texts of two blocks that stand in one another
_BLOCKS = """() => {
  const texts = [...document.querySelectorAll('td, th, dt, dd, p, li, h1, h2, h3, figcaption, caption, summary, label')]
    .filter((e) => e.checkVisibility() && !e.closest('.unseen, thead, .plot, [hidden]') && e.textContent.trim())
    .filter((e) => !e.querySelector('td, th, dt, dd, p, li, h3, label, table, details'));
  const boxes = texts.map((e) => [e, e.getBoundingClientRect()]).filter(([, b]) => b.width > 0)
    .sort((a, b) => a[1].top - b[1].top);
  const out = [];
  for (let i = 0; i < boxes.length; i += 1) {
    const [a, x] = boxes[i];
    for (let k = i + 1; k < boxes.length && boxes[k][1].top < x.bottom - 3; k += 1) {
      const [b, y] = boxes[k];
      if (Math.min(x.right, y.right) - Math.max(x.left, y.left) > 2 && !a.contains(b) && !b.contains(a))
        out.push(`${a.textContent.trim().slice(0, 40)} | ${b.textContent.trim().slice(0, 40)}`);
    }
  }
  return out.slice(0, 6);
}"""


@pytest.fixture(scope="module")
def pages(demo_book: Path, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    folder = tmp_path_factory.mktemp("every")
    copied_folder(demo_book, folder / "book")
    found = {}
    for kind, words in PAGES.items():
        found[kind] = folder / f"{kind}.html"
        done = CliRunner().invoke(cli, ["page", *words, "-o", str(found[kind]), "--book", str(folder / "book")])
        assert done.exit_code == 0, done.output
    for kind, words in CHARTS.items():
        found[kind] = folder / f"{kind}.html"
        done = CliRunner().invoke(cli, [*words, "--chart", str(found[kind]), "--book", str(folder / "book")])
        assert done.exit_code == 0, done.output
    return found


@pytest.mark.parametrize("kind", [*PAGES, *CHARTS])
def test_nothing_is_cut_and_nothing_overlaps(pages: dict[str, Path], opened: Open, kind: str) -> None:
    one = opened(pages[kind])
    one.accessible()
    for width in WIDTHS:
        one.fits(width)
        assert one.page.evaluate(_PICTURES) == []
        assert one.page.evaluate(_BLOCKS) == []
        assert one.page.evaluate(_TYPE) == []
        assert one.page.evaluate(_RUN_CHART) == []
    one.prints()
    one.page.emulate_media(media="print")
    for sheet in PAPER.values():
        one.page.set_viewport_size({"width": int(sheet), "height": 900})
        assert one.page.evaluate(_RUN_CHART) == []
    assert one.page.evaluate(_PICTURES) == []
    assert one.page.evaluate(_BLOCKS) == []


@pytest.mark.parametrize("kind", [*PAGES, *CHARTS])
@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_every_sheet_says_whose_it_is(pages: dict[str, Path], opened: Open, kind: str, paper: str) -> None:
    """Name and page n of m on each; INTERNAL on each of the shop's own; no heading alone at a sheet's foot."""
    one = opened(pages[kind])
    folded = one.page.evaluate(
        "() => [...document.querySelectorAll('details')].map((d) => d.querySelector('td, dd, li')?.textContent ?? '')"
    )
    headings = one.page.evaluate("() => [...document.querySelectorAll('h2, h3')].map((h) => h.textContent)")
    title = one.page.locator("h1").inner_text()
    sheets = pypdf.PdfReader(io.BytesIO(one.page.pdf(format=paper))).pages
    texts = [" ".join(sheet.extract_text().split()) for sheet in sheets]
    internal = "INTERNAL" in one.page.content()
    for number, text in enumerate(texts, 1):
        assert f"page {number} of {len(texts)}" in text
        assert title in text
        assert ("INTERNAL" in text) == internal
        body = text.replace(f"page {number} of {len(texts)}", "").replace("INTERNAL: not to leave the shop", "")
        body = body.replace(f"{title} ·", "").strip()
        assert not any(
            body.removesuffix(one.page.locator(".kind").inner_text()).strip().endswith(h) for h in headings
        ), text
    whole = "".join("".join(texts).split())
    for inside in folded:  # what is folded on screen stands on paper
        first = "".join(inside.split())[:24]
        assert first in whole


@pytest.mark.parametrize("kind", ["part", "part in inches", "customer"])
def test_the_key_stands_above_the_pictures_on_their_sheet(pages: dict[str, Path], opened: Open, kind: str) -> None:
    """On paper a key that ends on another sheet than its first pictures would have to be looked for."""
    one = opened(pages[kind])
    first = one.page.locator("#moved .picture text").first.text_content()
    for paper in PAPER:
        sheets = [s.extract_text() for s in pypdf.PdfReader(io.BytesIO(one.page.pdf(format=paper))).pages]
        (at,) = [k for k, text in enumerate(sheets) if "a piece left its tolerance" in text]
        assert first in sheets[at]


@pytest.mark.parametrize("kind", ["part", "customer", "furnace", "month"])
def test_on_a_phone_a_row_flows(pages: dict[str, Path], opened: Open, kind: str) -> None:
    """Short values of a row stand beside one another: a page of some dozen runs is no endless list of words."""
    one = opened(pages[kind], 390)
    rows = one.page.evaluate(
        """() => [...document.querySelectorAll('table tbody tr')].filter((r) => r.checkVisibility()).map((r) => {
          const cells = [...r.querySelectorAll('td')].filter((c) => c.checkVisibility());
          return [cells.length, new Set(cells.map((c) => Math.round(c.getBoundingClientRect().top))).size];
        }).filter(([cells]) => cells > 4)"""
    )
    assert rows and all(lines < cells for cells, lines in rows)


def test_the_index_filters_without_a_server(tmp_path: Path, opened: Open, chromium: object) -> None:
    with page_book(tmp_path / "book") as book:
        write_book(book, tmp_path / "pages", "si")
        known = len(book.read().execute("SELECT run FROM run").fetchall())
        broken = {
            r[0] for r in book.read().execute("SELECT run FROM finding WHERE what = 'run' AND verdict = 'broken'")
        }
    one = opened(tmp_path / "pages" / "index.html")
    one.accessible()
    one.reached_by_keyboard()
    for width in WIDTHS:
        one.fits(width)
        assert one.page.evaluate(_BLOCKS) == []
    assert one.page.locator("#runs tbody tr").count() == known
    one.page.fill("#words", "r-kept")
    assert one.page.locator("#runs tbody tr").count() == 1
    assert one.page.locator("#count").inner_text() == f"1 of {known} runs, newest first."
    one.page.reload()
    assert one.page.locator("#runs tbody tr").count() == 1  # the filter stands in the address
    one.page.click("text=Clear")
    one.page.wait_for_function(f"document.querySelectorAll('#runs tbody tr').length === {known}")
    if broken:
        one.page.select_option("#verdict", "broken")
        assert one.page.locator("#runs tbody tr").count() == len(broken)
        one.page.select_option("#verdict", "")
    one.page.fill("#from", "2027")
    assert one.page.locator("#count").inner_text() == "No run fits."
    one.page.fill("#from", "")
    one.page.fill("#to", "2026-03")
    assert one.page.locator("#runs tbody tr").count() == known


def test_a_thousand_runs_paint_at_once(tmp_path: Path, opened: Open) -> None:
    """The index alone, with ten thousand runs in its data: how soon it is seen, and how soon a filter answers."""
    from loadbook.queries.past import past_of
    from loadbook.render.pages.book import index_page

    with page_book(tmp_path / "book") as book:
        past = past_of(book)
        like = dict(past.runs["R-kept"])
        past.runs = {f"R{k:05d}": like | {"day": f"20{10 + k // 700}-01-01"} for k in range(10_000)}
        (tmp_path / "index.html").write_text(index_page(past, book, set()), encoding="utf-8")
    one = opened(tmp_path / "index.html")
    painted = one.page.evaluate(
        """() => new Promise((done) => new PerformanceObserver((l) => done(l.getEntries()[0].startTime))
          .observe({type: 'paint', buffered: true}))"""
    )
    took = one.page.evaluate(
        """() => { const field = document.getElementById('words'); const began = performance.now();
          field.value = 'R0999'; field.dispatchEvent(new Event('input', {bubbles: true}));
          return performance.now() - began; }"""
    )
    print(f"index of 10,000 runs: {(tmp_path / 'index.html').stat().st_size:,} bytes, first paint {painted:.0f} ms, "
          f"a filter {took:.0f} ms")  # fmt: skip
    assert one.page.locator("#runs tbody tr").count() == 10
    assert painted < 5000 and took < 2000


def test_the_folder_belongs_to_its_book(tmp_path: Path) -> None:
    with BookFolder.create(tmp_path / "book", units="si", zone="Europe/Madrid") as book:
        done = write_book(book, tmp_path / "pages", "si")
    assert done.made == 0 and "No run is in the book." in (tmp_path / "pages" / "index.html").read_text(
        encoding="utf-8"
    )
