"""loadbook: the load-record database of a heat-treat shop.

>>> from loadbook import Book            # doctest: +SKIP
>>> Book("demo-book").moved(by="setup").frame()   # doctest: +SKIP

`Group(target)` asks the same of several plants.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from loadbook.queries.api import Book, Group

__all__ = ["Book", "Group"]


def __getattr__(name: str) -> Any:
    if name in __all__:
        import loadbook.render.notebook  # noqa: F401  (how results show themselves)
        from loadbook.queries import api

        return getattr(api, name)
    raise AttributeError(name)
