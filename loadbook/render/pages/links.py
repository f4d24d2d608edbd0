"""Where pages stand: the names of their files, and links between them in a folder of pages."""

from __future__ import annotations

import hashlib
import re
from dataclasses import dataclass
from typing import Any

from .markup import Html, el, text

KINDS = ("run", "part", "customer", "furnace", "piece")  # a folder each
INDEX = "index.html"


def file_name(kind: str, name: str) -> str:
    """A file's name for a page, safe on every disk, out of a name from the book.

    >>> file_name("run", "R25-086")
    'run-R25-086.html'
    >>> file_name("run", "../a b")
    'run-a-b-2c2c79.html'
    """
    safe = re.sub(r"[^A-Za-z0-9_-]+", "-", name).strip("-_")[:60]
    if safe != name:
        digest = hashlib.sha256(name.encode("utf-8", "surrogatepass")).hexdigest()[:6]
        safe = f"{safe}-{digest}" if safe else digest
    return f"{kind}-{safe}.html"


def piece_name(part: str, serial: str) -> str:
    """A piece's name for a file: part and serial, never mistaken for another pair.

    >>> piece_name("PN-1", "S 2")
    'PN-1 \\\\ S 2'
    """
    return f"{part} \\ {serial}"


@dataclass(frozen=True)
class Links:
    """Links from one page to others: names alone (folder False), or links into the folders of `page book`."""

    folder: bool = False

    def to(self, kind: str, name: str, words: Any = None) -> Html:
        """A name as a link to its page."""
        shown = name if words is None else words
        return el("a", shown, href=self.where(kind, name)) if self.folder else text(shown)

    @staticmethod
    def where(kind: str, name: str, above: str = "../") -> str:
        """The address of a page from a page in another folder; above '' from the index."""
        return f"{above}{kind}/{file_name(kind, name)}"

    def home(self, *more: Html) -> list[Any]:
        """What stands at a page's head: the index, then the pages around it."""
        if not self.folder:
            return []
        return [el("a", "All runs", href=f"../{INDEX}"), [[" · ", one] for one in more]]
