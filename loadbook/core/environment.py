"""Limits that a user sets in the environment."""

from __future__ import annotations

import math
import os

from .errors import UsageError


def limit_set(name: str, default: float, *, zero: bool = False) -> float:
    """A limit from the environment, up to a million. Raises UsageError where it is none: a limit is not guessed."""
    text = os.environ.get(name, "")
    if not text.strip():
        return default
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not (0 <= value <= 1e6 and (value or zero)):
        least = "from 0" if zero else "above 0"
        raise UsageError(f"{text!r} is not a limit", where=name, remedy=f"Set a number {least}, or unset {name}")
    return value
