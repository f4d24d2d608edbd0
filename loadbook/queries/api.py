"""The Python side: Book(path) and Group(target) with .moved(...), .effect(...), .answer(...), .sql(...), as good as the
command line."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from loadbook.store.book import BookFolder

from .filters import FILTERS, Filters
from .source import BookSource, Rows, Source

if TYPE_CHECKING:
    from .answer_result import Answer
    from .backtest import Backtest
    from .effect import Effects
    from .judge import JudgedRun
    from .moved import Moved
    from .reports import ReportResult


class Asked:
    """What may be asked of a book and of a group alike. Every question gives a result object: figures as attributes,
    `.frame()` with the keys of --format json, `.frames()` with one frame per unit and the unit in its columns' names; a
    notebook shows it as the terminal does, and `.chart()` of moved and effect is the picture that --chart writes.
    """

    source: Source

    def moved(self, *, by: Sequence[str] | str | None = None, **words: Any) -> Moved:
        """How much did parts move, by treatment. Filters are keywords: part=, kind=, process=, since= ..."""
        from .moved import DEFAULT_BY, moved

        filters, rest = _split(words)
        return moved(self.source, filters, by=by or DEFAULT_BY, **rest)

    def effect(self, characteristic: str | None = None, **words: Any) -> Effects:
        """Which cycle parameters go with movement of a characteristic, or of a kind of characteristic."""
        from .effect import effect

        filters, rest = _split(words)
        return effect(self.source, characteristic, filters, **rest)

    def answer(self, **words: Any) -> Answer:
        """How much will it move. Keywords as the fields of `Question`: part=, characteristic=, cycle=, settings= ...

        A history too thin is no error but an answer whose `refused` says why.
        """
        from .answer import answer
        from .enquiry import Question

        return answer(self.source, Question(**words))

    def report(self, name: str, **given: str) -> ReportResult:
        """A named report. given: its parameters as text, such as slow="60"."""
        from .reports import run_report

        return run_report(self.source, name, given)

    def sql(self, text: str) -> Rows:
        """Read-only SQL over records, views and trace samples; `.frame()` gives it as a pandas frame."""
        from .sql import ask_sql

        return ask_sql(self.source, text)


class Book(Asked):
    """A shop's book.

    path  the book's folder

    >>> Book("demo-book").moved(by="setup").frame()   # doctest: +SKIP
    """

    def __init__(self, path: str | Path) -> None:
        self.folder = BookFolder.open(Path(path))
        self.source = BookSource(self.folder)

    def __repr__(self) -> str:
        return f"Book({str(self.folder.path)!r})"

    def close(self) -> None:
        """Close the book's file."""
        self.folder.close()

    def __enter__(self) -> Book:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def backtest(self, **words: Any) -> Backtest:
        """How often would the answers of the past have been right. Filters are keywords; contents=(0.90, 0.95)."""
        from .backtest import backtest

        filters, rest = _split(words)
        return backtest(self.folder, filters, **rest)

    def judge(self, run: str) -> JudgedRun:
        """One run against every clause of its cycle."""
        from .judge import judge_run

        return judge_run(self.folder, run)


class Group(Asked):
    """The plants of a group.

    target   a folder, or an address that fsspec knows;  options  as of `GroupSource`: engine, without, plant, master

    >>> Group("group", without=["Linz"]).moved(by="plant").frame()   # doctest: +SKIP
    """

    def __init__(self, target: str | Path, **options: Any) -> None:
        from .plants import GroupSource

        self.source = GroupSource(str(target), **options)

    def __repr__(self) -> str:
        return f"Group({', '.join(self.source.plants)})"


def _split(words: dict[str, Any]) -> tuple[Filters, dict[str, Any]]:
    """The keywords that are filters, and the others."""
    given = {k: v for k, v in words.items() if k in FILTERS}
    return Filters(**given), {k: v for k, v in words.items() if k not in FILTERS}
