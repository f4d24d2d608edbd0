"""A question in SQL: through the guard, with the engine's errors in words that help."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from loadbook.core.errors import LoadbookError, UsageError
from loadbook.core.phrases import did_you_mean
from loadbook.store.book import BookFolder

from .source import Rows, Source, source_of

_NO_TABLE = re.compile(r"Table with name (\S+) does not exist")
_NO_COLUMN = re.compile(r'Referenced column "([^"]+)" not found(?: in FROM clause)?')
_CANDIDATES = re.compile(r"Candidate bindings: (.*)", re.DOTALL)
_AT = re.compile(r"(?<![\"'.])\bat\b(?![\"'])", re.IGNORECASE)
_KIND = re.compile(r"^(?:\w+ )?Error: ")


def ask_sql(
    asked_of: BookFolder | Source,
    text: str,
    parameters: Mapping[str, tuple[str, Any]] | None = None,
    *,
    seconds: float | None = None,
    memory_mb: int | None = None,
    without_damaged: bool = False,
) -> Rows:
    """The answer to one read-only query over the tables, views and trace samples of a book or a group.

    without_damaged  leave out the samples of damaged trace files; they are named in `left_out`
    Moments are UTC. Raises UsageError where the text is not one select or names what is not there;
    DamageError where it reads samples and a trace file is damaged; LoadbookError where it fails or reaches its limits.
    """
    source = source_of(asked_of)
    try:
        return source.query(text, parameters, seconds, memory_mb, without_damaged)
    except LoadbookError as exc:
        helped = in_words(text, exc, *source.names())
        if helped is exc:
            raise
        raise helped from exc


def in_words(text: str, exc: LoadbookError, tables: list[str], views: list[str]) -> LoadbookError:
    """The engine's error in words that help; the same error where there are none."""
    if "syntax error" in exc.what and _AT.search(text):
        return UsageError(exc.what, remedy='AT is a word of SQL: where a column has that name, write "at"')
    if exc.remedy is not None:
        return exc
    missing = _NO_TABLE.search(exc.what)
    if missing:
        name = missing.group(1).strip('"')
        remedy = did_you_mean(name, [*views, *tables])
        return UsageError(
            f"there is no table or view {name!r}",
            remedy=f"{remedy}Views: {', '.join(views)}. Tables: {', '.join(tables)}",
        )
    column = _NO_COLUMN.search(exc.what)
    if column:
        found = _CANDIDATES.search(exc.what)
        near = f"Did you mean {found.group(1).strip()}? " if found else ""
        return UsageError(f"there is no column {column.group(1)!r}", remedy=f"{near}DESCRIBE a view to see its columns")
    what = " ".join(_KIND.sub("", exc.what).split())
    return UsageError(what, remedy="DESCRIBE a view to see its columns, SHOW TABLES to see what there is")
