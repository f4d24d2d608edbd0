"""Values inside commands that we tell people to type."""

from __future__ import annotations

import os
import shlex

_SPOKEN = set(" *?'&;()<>|$#[]{}~!`\"\\")  # what some shell does not take as it stands


def quote(text: str) -> str:
    """A value as it must be typed on a command line.

    >>> quote("F1"), quote("furnace 2")
    ('F1', '"furnace 2"')
    """
    if text and text.isprintable() and not _SPOKEN & set(text):
        return text
    return shlex.quote(text) if os.name != "nt" and set('"$`\\!') & set(text) else f'"{text}"'
