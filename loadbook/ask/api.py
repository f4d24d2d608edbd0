"""The Python side: Book(path).moved(...), .effect(...), .answer(...), .sql(...), as good as the command line."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from loadbook.keep.book import BookFolder

from .filters import Filters


class Book:
    """A shop's book. Every question gives a result object: figures as attributes, and `.frame()`.

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

    def moved(self, *, by: str | None = None, **words: Any) -> Any:
        """How much did parts move, by treatment. Filters are keywords: part=, kind=, process=, since= ..."""
        from .moved import moved

        filters, rest = _split(words)
        return moved(self.folder, filters, by=by, **rest)

    def effect(self, characteristic: str | None = None, **words: Any) -> Any:
        """Which cycle parameters go with movement of a characteristic (or kind=)."""
        from .effect import effect

        filters, rest = _split(words | ({"characteristic": characteristic} if characteristic else {}))
        return effect(self.folder, filters, **rest)

    def sql(self, text: str) -> Any:
        """Read-only SQL over records, views and trace samples, as a pandas frame."""
        from .sqlask import ask_sql

        return ask_sql(self.folder, text).frame()


def _split(words: dict[str, Any]) -> tuple[Filters, dict[str, Any]]:
    names = Filters.__dataclass_fields__
    given = {k: v for k, v in words.items() if k in names}
    return Filters(**given), {k: v for k, v in words.items() if k not in names}
