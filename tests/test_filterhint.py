"""A mistyped filter is told from a filter that fits nothing."""

from __future__ import annotations

import subprocess
from collections.abc import Callable

import pytest

from loadbook.queries.filters import Filters, unknown_words, words_in
from loadbook.store.book import BookFolder

Run = Callable[..., "subprocess.CompletedProcess[str]"]


@pytest.mark.parametrize(
    ("filters", "says"),
    [
        ({"furnace": "F9"}, "The book has no furnace 'F9'. It has: F1."),
        ({"kind": "flatness"}, "The book has no kind 'flatness'. It has: inside diameter."),
        ({"kind": "Inside Diametre"}, "The book has no kind 'Inside Diametre'. Did you mean 'inside diameter'?"),
        ({"part": "00123,X"}, "The book has no part 'X'. It has: 00123."),
        ({"part": "00123", "since": "1999-01-01", "where": "1 = 0"}, None),
        ({"setup": "hung"}, "The book has no setup 'hung'."),
    ],
)
def test_what_the_book_does_not_know(book: BookFolder, filters: dict[str, str], says: str | None) -> None:
    assert unknown_words(words_in(book.read()), Filters(**filters)) == says


@pytest.mark.parametrize(
    ("words", "code", "says"),
    [
        (("list", "runs", "--furnace", "F9"), 0, "no runs. The book has no furnace 'F9'. It has: F1."),
        (("list", "runs", "--since", "2026-13-01"), 2, "neither a date nor a moment. Write it like 2026-03-01"),
        (("judge", "--furnace", "F9"), 1, "no run fits. The book has no furnace 'F9'"),
        (("moved", "--kind", "inside"), 1, "The book has no kind 'inside'"),
        (("explain", "serials"), 1, "The word stands in the definition of:"),
    ],
)
def test_commands_say_so(book: BookFolder, loadbook: Run, words: tuple[str, ...], code: int, says: str) -> None:
    done = loadbook(*words, cwd=book.path)
    assert done.returncode == code
    assert says in done.stderr
