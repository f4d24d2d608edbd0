"""The Python side: Book(path) and Group(target) with .moved(...), .effect(...), .answer(...), .sql(...), as good as the
command line."""

from __future__ import annotations

import inspect
import math
import os
from collections.abc import Callable, Sequence
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

from loadbook.core.errors import UsageError
from loadbook.core.phrases import did_you_mean
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

        filters, rest = _split(moved, {**words, "by": by or DEFAULT_BY})
        return moved(self.source, filters, **rest)

    def effect(self, characteristic: str | None = None, **words: Any) -> Effects:
        """Which cycle parameters go with movement of a characteristic, or of a kind of characteristic."""
        from .effect import effect

        filters, rest = _split(effect, {**words, "characteristic": characteristic}, but="characteristic")
        return effect(self.source, filters=filters, **rest)

    def answer(self, **words: Any) -> Answer:
        """How much will it move. Keywords as the fields of `Question`: part=, characteristic=, cycle=, settings= ...

        A history too thin is no error but an answer whose `refused` says why.
        """
        from .answer import answer
        from .enquiry import Question

        return answer(self.source, Question(**_checked(Question, words)))

    def report(self, name: str, **given: str) -> ReportResult:
        """A named report. given: its parameters as text, such as slow="60"."""
        from .reports import run_report

        _checked(run_report, {"name": name})
        for word, value in given.items():
            if not isinstance(value, str):
                raise UsageError(f"{word} is {_named(value)}", remedy="Give a text")
        return run_report(self.source, name, given)

    def sql(self, text: str, *, without_damaged: bool = False) -> Rows:
        """Read-only SQL over records, views and trace samples; `.frame()` gives it as a pandas frame."""
        from .sql import ask_sql

        return ask_sql(self.source, **_checked(ask_sql, {"text": text, "without_damaged": without_damaged}))


class Book(Asked):
    """A shop's book.

    path  the book's folder

    >>> Book("demo-book").moved(by="setup").frame()   # doctest: +SKIP
    """

    def __init__(self, path: str | Path) -> None:
        if not isinstance(path, (str, os.PathLike)):
            raise UsageError(f"a book's folder is a text or a path, not {_named(path)}")
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

        filters, rest = _split(backtest, words)
        return backtest(self.folder, filters, **rest)

    def judge(self, run: str) -> JudgedRun:
        """One run against every clause of its cycle."""
        from .judge import judge_run

        return judge_run(self.folder, **_checked(judge_run, {"run": run}))


class Group(Asked):
    """The plants of a group.

    target   a folder, or an address that fsspec knows;  options  as of `GroupSource`: engine, without, plant, master

    >>> Group("group", without=["Linz"]).moved(by="plant").frame()   # doctest: +SKIP
    """

    def __init__(self, target: str | Path, **options: Any) -> None:
        from .plants import GroupSource

        if not isinstance(target, (str, os.PathLike)) or "\0" in str(target):
            raise UsageError(f"a group's target is a text or a path, not {_named(target)}")
        self.source = GroupSource(str(target), **_checked(GroupSource, options))

    def __repr__(self) -> str:
        return f"Group({', '.join(self.source.plants)})"


def _split(function: Callable[..., Any], words: dict[str, Any], but: str = "") -> tuple[Filters, dict[str, Any]]:
    """The keywords that are filters (but for one of the function's own), and the others."""
    given = {k: v for k, v in words.items() if k in FILTERS and k != but}
    rest = {k: v for k, v in words.items() if k not in given}
    days = {k: v.isoformat() for k, v in given.items() if k in ("since", "until") and isinstance(v, date)}
    return Filters(**_checked(Filters, {**given, **days})), _checked(function, rest, more=FILTERS)


def _checked(function: Callable[..., Any], words: dict[str, Any], more: Sequence[str] = ()) -> dict[str, Any]:
    """Keywords as a function takes them. Raises UsageError for a name it has not, and for a value of another type."""
    takes = inspect.signature(function).parameters
    for name, value in words.items():
        if name not in takes:
            raise UsageError(
                f"there is no keyword {name!r} here",
                remedy=did_you_mean(name, [*takes, *more]).strip() or f"There are: {', '.join((*more, *takes))}",
            )
        kinds = str(takes[name].annotation).split(" | ")
        if not any(_fits(value, kind) for kind in kinds):
            raise UsageError(
                f"{name} is {_named(value)}", remedy=f"Give {' or '.join(_PEOPLE.get(k, k) for k in kinds)}"
            )
    return words


_PLAIN: dict[str, tuple[type, ...]] = {
    "str": (str,), "float": (int, float), "int": (int,), "bool": (bool,), "None": (type(None),), "Stage": (str,),
    "Sequence[str]": (list, tuple), "Iterable[float]": (list, tuple), "Mapping[str, float]": (dict,),
}  # fmt: skip
_PEOPLE = {
    "str": "a text",
    "float": "a number",
    "int": "a whole number",
    "bool": "True or False",
    "Stage": "before or after",
}
_INSIDE = {"Sequence[str]": (str,), "Iterable[float]": (int, float), "Mapping[str, float]": (int, float)}


def _fits(value: Any, kind: str) -> bool:
    """Whether a value is of a type that our functions take, as their annotation spells it."""
    if kind not in _PLAIN:
        return True
    if not isinstance(value, _PLAIN[kind]) or (isinstance(value, bool) and kind in ("float", "int")):
        return False
    if kind == "Stage":
        return value in ("before", "after")
    if isinstance(value, float) and not math.isfinite(value):
        return False
    inside: Any = value.values() if isinstance(value, dict) else value if kind in _INSIDE else ()
    return all(
        isinstance(v, _INSIDE[kind]) and not isinstance(v, bool) and not (isinstance(v, float) and not math.isfinite(v))
        for v in inside
    )


def _named(value: Any) -> str:
    return f"{value!r:.60}, of type {type(value).__name__}"
