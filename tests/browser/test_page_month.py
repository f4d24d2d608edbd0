"""The page of a month in a real browser: quiet, accessible, on paper and on a phone."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from click.testing import CliRunner

from loadbook.cli.main import cli
from tests.copied import copied_folder

from .conftest import Opened

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def month(demo_book: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    folder = tmp_path_factory.mktemp("month")
    copied_folder(demo_book, folder / "book")
    path = folder / "month.html"
    done = CliRunner().invoke(cli, ["page", "month", "2026-02", "-o", str(path), "--book", str(folder / "book")])
    assert done.exit_code == 0, done.output
    yield path


def test_the_months_page(month: Path, opened: Callable[..., Opened]) -> None:
    one = opened(month)
    one.accessible()
    one.reached_by_keyboard()
    one.fits(1200)
    one.fits(390)
    assert set(one.prints()) == {"A4", "Letter"}
    assert one.page.locator("section").count() == 6
    charts = one.page.locator("#furnaces .multiples svg").count()
    data = one.page.evaluate("JSON.parse(document.getElementById('furnaces-data').textContent).length")
    assert charts == data > 6


def test_it_needs_no_script(month: Path, chromium: object) -> None:
    """The page's own content policy lets nothing run: all that is shown is there without."""
    source = month.read_text(encoding="utf-8")
    assert "script-src 'none'" in source.replace("&#x27;", "'") and "<script>" not in source
