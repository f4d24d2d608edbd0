"""A letter in a real browser, and its PDF as a reader prints it."""

from __future__ import annotations

import io
from collections.abc import Callable, Iterator
from pathlib import Path

import pypdf
import pytest

from loadbook.queries import kept_answers
from loadbook.queries.answer import answer
from loadbook.queries.enquiry import Question
from loadbook.queries.letter.build import letter
from loadbook.render.letter.page import letter_page
from loadbook.render.letter.pdf import letter_pdf
from loadbook.store.book import BookFolder
from tests.test_page_answer import CUSTOMERS, all_nasty, everything_of_others, made, rows_of_a_shop, said_of

from .conftest import Opened

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Iterator[BookFolder]:
    book = made(tmp_path_factory.mktemp("letters") / "book", rows_of_a_shop())
    kept_answers.save(book, answer(book, Question(part="PN-003", setup="hung")))
    kept_answers.save(book, answer(book, Question(kind="flatness", material="M1")))
    yield book


def test_letters_as_pages(shop: BookFolder, opened: Callable[..., Opened], tmp_path: Path) -> None:
    for number in (1, 2):
        for name, found in (("plain", letter(shop, number)), ("wild", all_nasty(letter(shop, number)))):
            path = tmp_path / f"{number}-{name}.html"
            path.write_text(letter_page(found), encoding="utf-8")
            one = opened(path)
            one.accessible()
            one.reached_by_keyboard()
            one.fits(1200)
            one.fits(390)
            one.prints()


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_the_pdf_as_it_is_read(shop: BookFolder, paper: str) -> None:
    """Its words can be searched; no name of another customer is among them, nor in what it says of itself."""
    for number in (1, 2):
        for found in (letter(shop, number), all_nasty(letter(shop, number))):
            read = pypdf.PdfReader(io.BytesIO(letter_pdf(found, paper)))
            words = " ".join(" ".join(page.extract_text() for page in read.pages).split())
            of_itself = " ".join(str(v) for v in (read.metadata or {}).values())
            assert "What this is not" in words and "A promise" in words
            customer, part = (CUSTOMERS[0], "PN-003") if number == 1 else (None, None)
            assert said_of(words + of_itself, everything_of_others(shop, customer, part)) == set()
