"""The Python side: Book(path).moved(...), .effect(...), .answer(...), .sql(...), as good as the command line."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from loadbook.store.book import BookFolder

from .filters import FILTERS, Filters

if TYPE_CHECKING:
    from loadbook.store.sandbox import Answer as SqlAnswer

    from .answer_result import Answer
    from .backtest import Backtest
    from .effect import Effects
    from .judge import JudgedRun
    from .moved import Moved


class Book:
    """A shop's book. Every question gives a result object: figures as attributes, `.frame()` with the keys of
    --format json, `.frames()` with one frame per unit and the unit in its columns' names; a notebook shows it as the
    terminal does, and `.chart()` of moved, effect and backtest is the picture that --chart writes.

    path  the book's folder

    >>> Book("demo-book").moved(by="setup").frame()   # doctest: +SKIP
    """

    def __init__(self, path: str | Path) -> None:
        self.folder = BookFolder.open(Path(path))

    def __repr__(self) -> str:
        return f"Book({str(self.folder.path)!r})"

    def close(self) -> None:
        """Close the book's file."""
        self.folder.close()

    def __enter__(self) -> Book:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def moved(self, *, by: Sequence[str] | str | None = None, **words: Any) -> Moved:
        """How much did parts move, by treatment. Filters are keywords: part=, kind=, process=, since= ..."""
        from .moved import DEFAULT_BY, moved

        filters, rest = _split(words)
        return moved(self.folder, filters, by=by or DEFAULT_BY, **rest)

    def effect(self, characteristic: str | None = None, **words: Any) -> Effects:
        """Which cycle parameters go with movement of a characteristic, or of a kind of characteristic."""
        from .effect import effect

        filters, rest = _split(words)
        return effect(self.folder, characteristic, filters, **rest)

    def answer(self, **words: Any) -> Answer:
        """How much will it move. Keywords as the fields of `Question`: part=, characteristic=, cycle=, settings= ...

        A history too thin is no error but an answer whose `refused` says why.
        """
        from .answer import answer
        from .enquiry import Question

        return answer(self.folder, Question(**words))

    def backtest(self, **words: Any) -> Backtest:
        """How often would the answers of the past have been right. Filters are keywords; contents=(0.90, 0.95)."""
        from .backtest import backtest

        filters, rest = _split(words)
        return backtest(self.folder, filters, **rest)

    def judge(self, run: str) -> JudgedRun:
        """One run against every clause of its cycle."""
        from .judge import judge_run

        return judge_run(self.folder, run)

    def sql(self, text: str) -> SqlAnswer:
        """Read-only SQL over records, views and trace samples; `.frame()` gives it as a pandas frame."""
        from .sql import ask_sql

        return ask_sql(self.folder, text)


def _split(words: dict[str, Any]) -> tuple[Filters, dict[str, Any]]:
    """The keywords that are filters, and the others."""
    given = {k: v for k, v in words.items() if k in FILTERS}
    return Filters(**given), {k: v for k, v in words.items() if k not in FILTERS}
