"""Small phrases that stand in many sentences: a count with its noun, and the known word that a mistyped one is like."""

from __future__ import annotations

from collections.abc import Iterable, Sequence


def many(count: int, noun: str) -> str:
    """A count with its noun.

    >>> many(1, "run"), many(3, "part number")
    ('1 run', '3 part numbers')
    """
    return f"{count} {noun}{'' if count == 1 else 's'}"


def few(names: Sequence[str], most: int = 4) -> str:
    """Names, the first of many.

    >>> few(["1", "2", "3", "4", "5"]), few(["1"])
    ('1, 2, 3, 4 and 1 more', '1')
    """
    return ", ".join(names[:most]) + (f" and {len(names) - most} more" if len(names) > most else "")


def nearest(word: str, known: Iterable[str]) -> str | None:
    """The known word most like a mistyped one, or None."""
    import difflib

    close = difflib.get_close_matches(word, list(known), n=1, cutoff=0.6)
    return close[0] if close else None


def did_you_mean(word: str, known: Iterable[str]) -> str:
    """The beginning of a remedy, with a blank after it; empty where no known word is like it.

    >>> did_you_mean("flatnes", ["flatness", "runout"])
    "Did you mean 'flatness'? "
    """
    close = nearest(word, known)
    return f"Did you mean {close!r}? " if close else ""
