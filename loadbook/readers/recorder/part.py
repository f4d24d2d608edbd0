"""Which part of a file is a run's: some channels, some hours, cut before anything is asked about the rest.

A file may hold more than one run (two ovens, a whole week), and a run may be written in several files (merge.py).
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np

from loadbook.core.errors import IntakeError, Problem
from loadbook.core.times import from_stored, parse_moment, stored

from .layout import fits
from .names import Heading
from .options import Options

LOOSE_S = 3600.0  # so far beyond a run's own times a file may reach without being cut: people write full hours

Span = tuple[float, float]  # seconds since 1970; infinite where open


@dataclass(frozen=True)
class Part:
    """What of the files is the run's, and how they go together.

    channels    names or patterns of the channels taken; () is all of them
    begins, ends  moments as typed, on the shop's clock unless they carry an offset; '' is the run's own
    whole       every sample, beyond the run's own times too
    overlap     'first' or 'last': the file that counts where two hold the same channel at the same time
    apart       channels of one name in several files are several channels, each named after its file
    join        the files go to the trace that the run has already
    """

    channels: tuple[str, ...] = ()
    begins: str = ""
    ends: str = ""
    whole: bool = False
    overlap: str = ""
    apart: bool = False
    join: bool = False

    def asked(self, zone: ZoneInfo, options: Options | None = None) -> str:
        """What of a file is asked for, as a text that is the same whenever the same is; '' for all of it."""
        window = [stored(parse_moment(t, zone)) if t else "" for t in (self.begins, self.ends)]
        said = {"channels": sorted(self.channels), "from": window[0], "to": window[1]}
        if options is not None:
            said |= {"sheet": options.sheet, "stretch": options.stretch}
        said = {name: value for name, value in said.items() if value}
        return json.dumps(said, ensure_ascii=False, sort_keys=True) if said else ""

    def window(self, zone: ZoneInfo, started: datetime | None, ended: datetime | None) -> Window:
        """Where the files are cut, for a run with these times of its own."""
        stated = [parse_moment(t, zone).timestamp() if t else None for t in (self.begins, self.ends)]
        own = [None if self.whole or m is None else m.timestamp() for m in (started, ended)]
        return Window((stated[0], stated[1]), (own[0], own[1]))


@dataclass(frozen=True)
class Window:
    """Seconds since 1970 between which a file is the run's: as stated (to the second), and by the run's own times
    (only where the file reaches further than LOOSE_S beyond them)."""

    stated: tuple[float | None, float | None] = (None, None)
    own: tuple[float | None, float | None] = (None, None)

    def wants(self, low: float, high: float) -> bool:
        """Is anything taken of what was recorded between two moments [s since 1970]?"""
        (begins, ends), (started, ended) = self.stated, self.own
        first = begins if begins is not None else -np.inf if started is None else started - LOOSE_S
        last = ends if ends is not None else np.inf if ended is None else ended + LOOSE_S
        return first <= high and low <= last

    def cut(self, t: np.ndarray, where: str) -> tuple[slice, list[str]]:
        """The samples of the run among (n,) rising seconds, and what is to be said about the others.

        Raises IntakeError where the stated window holds none.
        """
        low, high = self.stated
        if low is None and self.own[0] is not None and t[0] < self.own[0] - LOOSE_S:
            low = self.own[0]
        if high is None and self.own[1] is not None and t[-1] > self.own[1] + LOOSE_S:
            high = self.own[1]
        first = 0 if low is None else int(np.searchsorted(t, low, "left"))
        last = len(t) if high is None else int(np.searchsorted(t, high, "right"))
        if last <= first:
            if self.stated == (None, None):
                return slice(0, len(t)), []  # wholly outside the run: said by who knows the run
            raise IntakeError(
                "nothing was recorded between --from and --to", [Problem("every row lies outside", where or None)]
            )
        out = [f"{n} {word}" for n, word in ((first, "before"), (len(t) - last, "after")) if n]
        if not out:
            return slice(0, len(t)), []
        by = "--from and --to" if self.stated != (None, None) else "the run's own times (--whole takes all)"
        return slice(first, last), [f"cut to {by}: {' and '.join(out)} of {len(t)} samples stay out"]


def chosen(headings: Sequence[Heading], patterns: Sequence[str], where: str) -> list[int]:
    """Places of the channels that names or patterns mean. Raises IntakeError where one means none."""
    for pattern in patterns:
        if not any(fits(pattern, h.name, h.full) for h in headings):
            names = ", ".join(h.full or h.name for h in headings)
            raise IntakeError(
                f"no channel fits --channels {pattern!r}", [Problem(f"the channels are {names}"[:400], where or None)]
            )
    return [i for i, h in enumerate(headings) if any(fits(p, h.name, h.full) for p in patterns)]


def asked_of(piece: dict[str, Any]) -> set[str]:
    """What was asked for of the file of a piece: one text; a second where the sheet that was read was not part of it,
    as `asked` says it with that sheet."""
    asked = piece.get("asked", "")
    said = json.loads(asked or "{}")
    if "sheet" in said or "sheet" not in piece:
        return {asked}
    return {asked, json.dumps(said | {"sheet": piece["sheet"]}, ensure_ascii=False, sort_keys=True)}


def key_of(parts: Sequence[tuple[str, str]]) -> str:
    """The digest of what a trace is made of: of each file its SHA-256, and what of it was asked for.

    One whole file's is its own.
    """
    if len(parts) == 1 and not parts[0][1]:
        return parts[0][0]
    return hashlib.sha256("\n".join(sorted(f"{sha} {asked}" for sha, asked in parts)).encode()).hexdigest()


def pieces_of(row: Any) -> list[dict[str, Any]]:
    """What a trace was made of: for each file its name (`file`), `sha256`, `from` and `to` (UTC); and, where a part
    of it was asked for, `asked`; where channels were chosen, `channels`; its `sheet`, where it has one."""
    said = json.loads(row["typed"] or "{}")
    if "pieces" in said:
        return list(said["pieces"])
    started = from_stored(row["started"])
    return [
        {
            "file": row["source_name"], "sha256": row["source_sha256"], "from": row["started"],
            "to": stored(started + timedelta(seconds=row["seconds"])),
        }
    ]  # fmt: skip
