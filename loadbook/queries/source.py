"""What a question is asked of: a book, or the plants of a group. Either gives its records; the question is the same."""

from __future__ import annotations

import contextlib
import sqlite3
from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol
from zoneinfo import ZoneInfo

from loadbook.core.errors import UsageError
from loadbook.core.remarks import Remark, remark
from loadbook.store import sandbox, session
from loadbook.store.book import BookFolder

from .enquiry import Question
from .filters import Filters, words_in

if TYPE_CHECKING:
    import pandas as pd


class Records(Protocol):
    """An engine with the tables and views that were asked for; a context that ends it. Our own, trusted SQL only."""

    def columns(self, view: str) -> set[str]: ...

    def frame(self, sql: str, values: Any = None) -> pd.DataFrame: ...

    def table(self, sql: str, values: Any = None) -> tuple[list[str], list[tuple[Any, ...]]]: ...

    def enumerations(self, of: str, values: Any = None, but: Collection[str] = ()) -> dict[str, str]: ...

    def __enter__(self) -> Any: ...

    def __exit__(self, *_: object) -> None: ...


MOST_MOVEMENTS = 4_000_000  # that one question brings to this machine: some 5 GB


def not_too_many(records: Records, where: str, values: Any, remedy: str) -> None:
    """Raises UsageError where more movements fit a condition than one machine holds."""
    found = int(records.table(f"SELECT count(*) FROM movement WHERE {where}", values)[1][0][0])
    if found > MOST_MOVEMENTS:
        raise UsageError(
            f"this question rests on {found:,} movements, and this machine takes {MOST_MOVEMENTS:,} at once",
            remedy=remedy,
        )


class Rows(Protocol):
    """What a stranger's query gave."""

    columns: list[str]
    left_out: list[Any]

    def rows(self) -> Iterable[tuple[Any, ...]]: ...

    def __iter__(self) -> Iterator[tuple[Any, ...]]: ...

    def frame(self) -> pd.DataFrame: ...


class Source(Protocol):
    """Where a question finds its records.

    name         'book' or 'group', for messages;  where_to_look  the remedy where no reading fits
    plants       of a group; a book has none. Its movement then has a column `plant`, and the runs, furnaces, cycles
                 and jobs have their plant before them: 'Linz/R24-002'
    left_out     plants left out
    verify       the command that checks all of it
    own_reports  the folder of the source's own reports, None where it has none
    breaks       SQL over `history_break` (and `furnace`): at, what, furnace of each declared break
    """

    name: str
    where_to_look: str
    verify: str
    plants: tuple[str, ...]
    left_out: tuple[str, ...]
    own_reports: Path | None
    breaks: str

    @property
    def units(self) -> str: ...

    @property
    def zone(self) -> ZoneInfo: ...

    def records(self, needs: Iterable[str]) -> Records:
        """An engine with these tables and views."""

    def enquiry(self, question: Question) -> contextlib.AbstractContextManager[tuple[sqlite3.Connection, Question]]:
        """SQLite tables that hold what an enquiry names (its part, its cycle), and the enquiry with its plant."""

    def cycles(self) -> contextlib.AbstractContextManager[sqlite3.Connection]:
        """SQLite tables that hold all cycles, their segments and limits."""

    def condition(self, filters: Filters, columns: set[str]) -> tuple[str, list[Any]]:
        """The filters as a WHERE text with `?` parameters. Raises UsageError for one that does not apply."""

    def given(self, filters: Filters) -> dict[str, str]:
        """The filters that are set, by name."""

    def words(self, table: str, column: str) -> set[str]:
        """The words of a column, as a filter would name them."""

    def names(self) -> tuple[list[str], list[str]]:
        """The tables and the views that a query may name."""

    def query(
        self, text: str, parameters: Mapping[str, tuple[str, Any]] | None, seconds: float | None,
        memory_mb: int | None, without_damaged: bool,
    ) -> Rows:  # fmt: skip
        """A stranger's query, behind the guard."""


class BookSource:
    """A book as the source of a question's records."""

    name = "book"
    where_to_look = "loadbook list readings shows what there is; loadbook take readings adds"
    verify = "loadbook verify"
    plants: tuple[str, ...] = ()
    left_out: tuple[str, ...] = ()
    breaks = 'SELECT "at", what, furnace FROM history_break ORDER BY "at"'

    def __init__(self, book: BookFolder) -> None:
        self.book = book
        self.own_reports: Path | None = book.path / "reports"

    @property
    def units(self) -> str:
        return self.book.units

    @property
    def zone(self) -> ZoneInfo:
        return self.book.zone

    def records(self, needs: Iterable[str]) -> session.Session:
        return session.start(self.book, needs)

    @contextlib.contextmanager
    def enquiry(self, question: Question) -> Iterator[tuple[sqlite3.Connection, Question]]:
        yield self.book.read(), question

    @contextlib.contextmanager
    def cycles(self) -> Iterator[sqlite3.Connection]:
        yield self.book.read()

    def condition(self, filters: Filters, columns: set[str]) -> tuple[str, list[Any]]:
        return replace(filters, zone=filters.zone or self.zone.key).sql(columns)

    def given(self, filters: Filters) -> dict[str, str]:
        return filters.given()

    def words(self, table: str, column: str) -> set[str]:
        return words_in(self.book.read())(table, column)

    def names(self) -> tuple[list[str], list[str]]:
        return session.names(self.book)

    def query(
        self, text: str, parameters: Mapping[str, tuple[str, Any]] | None, seconds: float | None,
        memory_mb: int | None, without_damaged: bool,
    ) -> sandbox.Answer:  # fmt: skip
        session.refresh(self.book, text)
        return sandbox.run_query(
            self.book, text, parameters, seconds=seconds, memory_mb=memory_mb, without_damaged=without_damaged
        )


def source_of(asked: BookFolder | Source) -> Source:
    """A book as a source; a source as it is."""
    return BookSource(asked) if isinstance(asked, BookFolder) else asked


def own_parts(frame: pd.DataFrame) -> pd.Series:
    """The part numbers of movement, in a group with the plant before them."""
    if "plant" not in frame:
        return frame["part"]
    import pandas as pd

    rows = zip(frame["plant"].astype(str), frame["part"].astype(str), strict=True)
    own = [part if part.startswith(f"{plant}/") else f"{plant}/{part}" for plant, part in rows]
    return pd.Series(own, index=frame.index, dtype=object)


def by_plant(frame: pd.DataFrame) -> list[dict[str, Any]] | None:
    """plant, runs, pieces of the rows of a group, one a piece; None for a book."""
    if "plant" not in frame:
        return None
    return [
        {"plant": str(plant), "runs": int(rows["run"].nunique()), "pieces": len(rows)}
        for plant, rows in frame.groupby("plant", sort=True)
    ]


def evidence(plants: Collection[Mapping[str, Any]] | None, left_out: Collection[str]) -> list[Remark]:
    """Which plants the evidence comes from, with runs and pieces, and which were left out; nothing for a book.

    plants  of `by_plant`
    """
    if plants is None:
        return []
    return [remark("plants_behind", plants=[dict(p) for p in plants], left_out=list(left_out))]
