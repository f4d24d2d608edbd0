"""Texts compared as people read them: without capitals, marks, hyphens and what cannot be seen, and with a letter that
looks like a Latin one read as that (the Unicode Consortium's list of confusable characters, by a library)."""

from __future__ import annotations

import re
import unicodedata
from functools import lru_cache

_WORD = re.compile(r"[^\W_]+")


def words(text: str) -> list[str]:
    """A text's words for comparing: compatibility forms and case folded, marks and invisible characters gone.

    >>> words("PN-1003 for\\u200b Müller_&\\u00a0Söhne\\nLinz")
    ['pn', '1003', 'for', 'muller', 'sohne', 'linz']
    >>> words("\u0420N-1003")  # the first letter is Cyrillic
    ['pn', '1003']
    """
    if not text.isascii():
        text = unicodedata.normalize("NFKD", plain_letters(text).casefold())
    return _WORD.findall(text.casefold())


def plain_letters(text: str) -> str:
    """A text in the letters (small where they are of another alphabet), figures and hyphens that it looks like.

    >>> plain_letters("\uff10\uff15"), plain_letters("\u0410\u2013\u200b7"), plain_letters("A-7")
    ('05', 'a-7', 'A-7')
    """
    if text.isascii():
        return text
    text = unicodedata.normalize("NFKD", text)
    text = "".join(c for c in text if unicodedata.category(c) not in ("Mn", "Cf"))
    # before the case is folded: a capital Greek nu looks like an N, a small one like a v
    return "".join(c if c.isascii() else _latin(c) for c in text)


@lru_cache(maxsize=4096)
def _latin(letter: str) -> str:
    """The ASCII letter, figure or hyphen that a character looks like, else itself."""
    from confusable_homoglyphs.confusables import confusables_data

    if unicodedata.category(letter) == "Pd" or letter == "\u2212":
        return "-"
    looks = (str(c["c"]).casefold() for c in confusables_data.get(letter, ()))
    return next((c for c in looks if c.isascii() and c.isalnum()), letter)


def key(text: str) -> str:
    """A name without its separators: 'PN-1003', 'pn 1003' and 'PN1003' are one."""
    return "".join(words(text))


def garbled(text: str) -> str | None:
    """What a text said before its UTF-8 was read as another encoding, '' where that is lost, None where all is well.

    >>> garbled("MÃ¼ller"), garbled("M\ufffdller"), garbled("Müller, Â§ 3 São")
    ('Müller', '', None)
    """
    if "\ufffd" in text:
        return ""
    try:
        return b"".join(_byte(c) for c in text).decode("utf-8") if not text.isascii() else None
    except UnicodeError:
        return None


def _byte(letter: str) -> bytes:
    """A letter in Windows' western encoding; what it leaves open as Latin-1 has it."""
    try:
        return letter.encode("cp1252")
    except UnicodeEncodeError:
        return letter.encode("latin-1")


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
