"""Names looked for in texts as people read them: capitals, accents, hyphens and spaces apart, and whole.

'Bright-Water' is in 'for BRIGHTWATER, urgent'; PN-1001 is not in PN-10012.
"""

from __future__ import annotations

import re
from collections.abc import Iterable

from loadbook.core.wording import key, words

_REMEMBERED = 100_000  # texts


def distinctive(name: str) -> bool:
    """Whether a key means the same record wherever it stands: four signs or more, letters and figures among them.

    >>> distinctive("R26-139"), distinctive("0078"), distinctive("R1")
    (True, False, False)
    """
    joined = key(name)
    return len(joined) >= 4 and bool(re.search(r"\d", joined)) and not joined.isdigit()


class Search:
    """Names, and what each of them is, to be found in texts."""

    def __init__(self, allowed: Iterable[str] = ()) -> None:
        """allowed  names that are looked for in no text, whoever has them"""
        self._allowed = {key(name) for name in allowed}
        self._everywhere: dict[str, str] = {}
        self._in_texts: dict[str, str] = {}
        self._starts: set[str] = set()  # how names begin: most words of a text begin none
        self._longest = 0
        self._seen: dict[tuple[str, bool], str | None] = {}

    def __bool__(self) -> bool:
        return bool(self._starts)

    def allows(self, name: str) -> bool:
        return key(name) in self._allowed

    def add(self, name: str, what: str, everywhere: bool) -> None:
        """Look for a name.

        what        what a person is told that it is: 'the customer Brightwater'
        everywhere  in keys and in the program's own sentences too, not only in what people wrote. A name of one
                    letter, or of two figures, is not looked for: it would be found in every text
        """
        joined = key(name)
        if len(joined) > 1 and not (joined.isdigit() and len(joined) < 3) and not self.allows(name):
            (self._everywhere if everywhere else self._in_texts).setdefault(joined, what)
            self._starts |= {joined[:1], joined[:2]}
            self._longest = max(self._longest, len(joined))
            self._seen.clear()

    def found(self, text: str, free: bool = False) -> str | None:
        """What a text names, or None.

        free  a person wrote it as they liked, so that short names count too
        """
        asked = (text, free)
        if asked not in self._seen:
            if len(self._seen) > _REMEMBERED:
                self._seen.clear()
            self._seen[asked] = self._find(words(text), free)
        return self._seen[asked]

    def _find(self, said: list[str], free: bool) -> str | None:
        for start, first in enumerate(said):
            joined = ""
            for word in said[start:] if first[:2] in self._starts else ():
                joined += word
                if len(joined) > self._longest:
                    break
                what = self._everywhere.get(joined)
                if what is None and free and (joined == first or len(joined) > 3):  # 'A-B' is not the person AB
                    what = self._in_texts.get(joined)
                if what is not None:
                    return what
        return None
