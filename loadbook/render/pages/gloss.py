"""A line of small print below a table or a chart: what its words of the trade mean, from the vocabulary."""

from __future__ import annotations

from collections.abc import Iterable

from loadbook.core.vocabulary.also_called import ALSO_CALLED
from loadbook.core.vocabulary.lookup import terms

from .markup import Html
from .shell import paragraph


def gloss(words: Iterable[str | None], system: str) -> Html | None:
    """The words that the vocabulary has, once each, with the first sentence of what they mean; None where it has none.

    >>> gloss(["laid", None, "laid", "nobody's word"], "si")
    '<p class="note">laid: flat on its face or along its length.</p>'
    """
    known = terms(system)
    said = []
    for word in dict.fromkeys(w for w in words if w):
        meaning = ALSO_CALLED.get(word, ("", ""))[1]
        if not meaning and word in known:
            first = known[word].definition.partition(". ")[0].rstrip(".")
            meaning = first[:1].lower() + first[1:]
        if meaning:
            said.append(f"{word}: {meaning}.")
    return paragraph(" ".join(said), class_="note") if said else None
