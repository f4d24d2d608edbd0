"""The condition that a stranger wrote (`--where`), in the dialect of `sql` and behind its guard: it runs in the child
process with that one's limits of memory and time, and nothing comes back but the keys of the rows that fulfil it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from loadbook.core.errors import BusyError, DamageError, LoadbookError, UsageError
from loadbook.store import lookup
from loadbook.store.sandbox_condition import check_condition

from .source import BookSource, Source

if TYPE_CHECKING:
    from typing import Any

    import pandas as pd

    from loadbook.store.book import BookFolder

KEY = ("run", "part", "serial", "characteristic")  # of a row of movement


def of_movement(source: Source, where: str, frame: pd.DataFrame) -> pd.DataFrame:
    """Those rows of a frame of movement that fulfil a condition over it. Raises UsageError, DamageError."""
    import pandas as pd

    names = [*KEY, *(("plant",) if source.plants else ())]
    found = _found(source, where, "movement", f"SELECT {', '.join(names)} FROM movement")
    rows = pd.MultiIndex.from_frame(frame[names].astype(object))
    return frame[rows.isin(found)].reset_index(drop=True) if found else frame[:0]


def of_records(book: BookFolder, kind: lookup.Listed, where: str) -> list[int]:
    """Integer keys of the records of a kind that fulfil a condition over its columns, with those of its run and part.

    Raises UsageError, DamageError
    """
    conn = book.read()
    select, _ = lookup.source(conn, kind.table)
    key = lookup.row_key(conn, kind.table)
    return [int(row[0]) for row in _found(BookSource(book), where, kind.kind, f"SELECT {key} FROM ({select})")]


def _found(source: Source, where: str, what: str, select: str) -> list[tuple[Any, ...]]:
    check_condition(where)
    try:
        return list(source.query(f"{select} WHERE (\n{where}\n)", None, None, None, False).rows())
    except (BusyError, DamageError):
        raise
    except LoadbookError as exc:
        raise UsageError(
            f"--where {where!r} is not a condition over {what}: {_said(exc.what)}",
            remedy='Write it like --where "length_mm > 300", in the dialect of loadbook sql',
        ) from exc


def _said(text: str) -> str:
    """What the engine says of a condition, without its own kind of error in front.

    >>> _said('Binder Error: Referenced column "foo" not found in FROM clause!\\nCandidate bindings: "run"')
    'Referenced column "foo" not found in FROM clause'
    """
    return text.splitlines()[0].removeprefix("Binder Error: ").rstrip("!.")
