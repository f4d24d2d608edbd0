"""loadbook: the load-record database of a heat-treat shop.

>>> from loadbook import Book            # doctest: +SKIP
>>> Book("demo-book").moved(by="setup").frame()   # doctest: +SKIP
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from loadbook.queries.api import Book

__all__ = ["Book"]


def __getattr__(name: str) -> Any:
    if name == "Book":
        import loadbook.render.notebook  # noqa: F401  (how results show themselves)
        from loadbook.queries.api import Book

        return Book
    raise AttributeError(name)
