"""Texts compared as people read them: without capitals, marks, hyphens and what cannot be seen."""

from __future__ import annotations

import re
import unicodedata

_WORD = re.compile(r"[^\W_]+")


def words(text: str) -> list[str]:
    """A text's words for comparing: compatibility forms and case folded, marks and invisible characters gone.

    >>> words("PN-1003 for\\u200b Müller_&\\u00a0Söhne\\nLinz")
    ['pn', '1003', 'for', 'muller', 'sohne', 'linz']
    """
    if not text.isascii():
        text = unicodedata.normalize("NFKD", unicodedata.normalize("NFKC", text).casefold())
        text = "".join(c for c in text if unicodedata.category(c) not in ("Mn", "Cf"))
    return _WORD.findall(text.casefold())


def key(text: str) -> str:
    """A name without its separators: 'PN-1003', 'pn 1003' and 'PN1003' are one."""
    return "".join(words(text))


# words that the names of firms and people share with every text: alone they tell nobody
COMMON = frozenset(
    words("""
    company corporation customer engineering factory forge furnace gear gears group gmbh heat holding hydraulics
    industries industry international limited machine machining manufacturing metal metals motors parts precision
    products shop services service steel steels systems technology tool tools treatment treating turbine valve valves
    works and for the with north south east west
    day foreman initials inspector metallurgist night office operator quality shift technician
    """)
)
# what stands behind a firm's name and is left out as often as not
LEGAL_FORMS = frozenset(
    words("""
    ab ag as asa bv co corp corporation company gmbh inc incorporated kg kgaa limited llc llp ltd mbh nv ohg oy plc
    pty sa sarl se spa srl sro
    """)
)
