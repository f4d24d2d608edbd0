"""How far something is that takes long."""

from __future__ import annotations

from collections.abc import Callable

Progress = Callable[[str, int, int], None]  # told what is at work, how much of it is done, and of how many (0 unknown)
