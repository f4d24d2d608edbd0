"""Columns of words beside the values that say which of them are worth nothing: OVER, BURNOUT, BAD.

A status covers the channel that its heading names (TC 1 status), else the column of numbers left of it where each
channel has a status of its own, else every temperature channel. What it says is asked about, never passed over.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from loadbook.analysis.trace.model import MISSING, OPEN, Flags, Floats
from loadbook.core.phrases import few, many
from loadbook.core.typed import quote

from .names import read_heading
from .options import Question
from .table import Table

_NAME = re.compile(r"\b(stat(us|e)?|quality|valid(ity)?|flags?|diag(nostics?)?|alarms?|error|fault)\b", re.IGNORECASE)
_NO_SENSOR = re.compile(r"\b(door|valve|fan|heater|gas|pump|lid|lock|burner)\b", re.IGNORECASE)
_CIRCUIT = frozenset(
    ["burnout", "burn-out", "burn out", "b.out", "open", "open circuit", "open tc", "sensor break", "break",
     "disconnected", "no sensor"]
)  # fmt: skip
_WORTHLESS = _CIRCUIT | frozenset(
    ["over", "under", "over range", "under range", "overrange", "underrange", "over-range", "under-range", "overflow",
     "underflow", "fault", "error", "err", "invalid", "bad", "fail", "failed", "uncertain", "unreliable", "not valid"]
)  # fmt: skip
MOST_WORDS = 12


@dataclass(frozen=True)
class Status:
    """A status column, the columns of values that it covers, and its words that say a value is worth nothing."""

    column: int
    covers: tuple[int, ...]
    words: frozenset[str]


def statuses(table: Table, stamps: set[int]) -> list[Status]:
    """The status columns of a wide table in which a word says that values are worth nothing."""
    names, columns = table.head.names, table.columns
    numbers = [
        c for c in range(columns.width) if c not in stamps and columns.share(c, "number", "open") > 0.5
    ]  # fmt: skip
    alike = [
        c for c in range(min(columns.width, len(names)))
        if c - 1 in numbers and columns.share(c, "text") > 0.5 and _NAME.search(_spaced(names[c]))
    ]  # fmt: skip
    found = []
    for c in range(min(columns.width, len(names))):
        if c in stamps or c in numbers or not columns.filled(c) or _NO_SENSOR.search(_spaced(names[c])):
            continue
        words = {row[c].casefold() for row in table.rows if c < len(row) and row[c]}
        bad = words & _WORTHLESS
        if (
            bad
            and len(words) <= MOST_WORDS
            and (_NAME.search(_spaced(names[c])) or words <= _WORTHLESS | {"ok", "good"})
        ):
            found.append((c, frozenset(bad)))
    out = []
    for c, worthless in found:
        rest = " ".join(_NAME.sub(" ", _spaced(names[c])).split()).casefold()
        own = [n for n in numbers if rest and read_heading(names[n]).name.casefold() == rest]
        beside = [c - 1] if c - 1 in numbers and max(len(found), len(alike)) > 1 else []
        out.append(Status(c, tuple(own or beside or numbers), worthless))
    return out


def may_be_status(cells: Iterable[object]) -> bool:
    """Does a word that calls values worth nothing stand among these cells of one column."""
    return any(isinstance(c, str) and c.strip().casefold() in _WORTHLESS for c in cells)


def _spaced(name: str) -> str:
    return re.sub(r"(?<=[a-z0-9])(?=[A-Z])", " ", re.sub(r"[_.\-/]+", " ", name)) if name else ""


def questions_of(table: Table, found: list[Status]) -> list[Question]:
    """What each status column says, with the option that settles it."""
    out = []
    for status in found:
        name = table.head.names[status.column]
        hits = [
            (line, row[status.column]) for line, row in zip(table.lines, table.rows, strict=True)
            if status.column < len(row) and row[status.column].casefold() in status.words
        ]  # fmt: skip
        covered = [read_heading(table.head.names[n]).name for n in status.covers]
        at, word = hits[0]
        told = few([quote(n) for n in covered], 3)
        out.append(
            Question(
                f"{name!r} says {word!r} in {many(len(hits), 'row')} (the first in line {at}): are the values of"
                f" {told} worth nothing there?",
                "--status out (they are not taken) or keep",
            )
        )
    return out


def take_out(
    found: list[Status], kept: list[int], rows: list[list[str]], values: Floats, flags: Flags, names: list[str]
) -> list[str]:
    """Take the values out that a status column calls worth nothing, in place; with a remark on each column.

    kept  the place in the file of each channel of values and flags (channels, n)
    """
    notes = []
    for status in found:
        words = [row[status.column].casefold() if status.column < len(row) else "" for row in rows]
        circuit = np.array([w in status.words and w in _CIRCUIT for w in words])
        other = np.array([w in status.words and w not in _CIRCUIT for w in words])
        for j in (kept.index(c) for c in status.covers if c in kept):
            values[j, circuit | other] = np.nan
            flags[j, circuit] = OPEN
            flags[j, other] = MISSING
        count = int((circuit | other).sum())
        notes.append(
            f"{names[status.column]!r} calls the values of {many(count, 'row')} worth nothing: left out (--status out)"
        )
    return notes
