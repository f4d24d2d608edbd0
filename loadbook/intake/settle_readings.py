"""What a reading means beside the book: its characteristic, its piece, and the run that it belongs to."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from functools import cache
from typing import Any

from loadbook.ground.vocabulary import nearest
from loadbook.keep.lookup import known_values

from .rows import Rows

_OWN_UNIT = ("angle", "hardness")  # kinds that are read in their own unit, not as a length


def settle_readings(conn: sqlite3.Connection, rows: Rows) -> None:
    """Settle the run of each reading, and that the characteristic and the piece are known."""
    kinds = {(p, c): k for p, c, k in conn.execute("SELECT part, characteristic, kind FROM characteristic")}
    cursor = conn.cursor()
    cursor.row_factory = None
    pieces = set(cursor.execute("SELECT run, part, serial FROM piece"))
    unclear = [i for i in _unclear(rows, kinds, pieces) if i not in rows.bad]
    if not unclear:
        return
    runs: dict[tuple[str, str], list[str]] = {}
    for run, part, serial in cursor.execute("SELECT run, part, serial FROM piece ORDER BY piece_id"):
        runs.setdefault((part, serial), []).append(run)
    by_part: dict[str, list[str]] = {}
    for part, characteristic in kinds:
        by_part.setdefault(part, []).append(characteristic)
    parts = known_values(conn, "part", "part")
    like_part = cache(lambda part: nearest(part, list(parts)))  # the same name is wrong on many rows
    like_characteristic = cache(lambda part, name: nearest(name, by_part.get(part, [])))
    for i in unclear:
        part, characteristic = rows.column("part")[i], rows.column("characteristic")[i]
        if part not in parts:
            close = like_part(part)
            mend = (f"Did you mean {close!r}? " if close else "") + "Take in parts first, or correct it"
            rows.refuse(i, "there is no part of that name in the book", "part", part, mend)
            continue
        kind = kinds.get((part, characteristic))
        if kind is None:
            known = by_part.get(part, [])
            close = like_characteristic(part, characteristic)
            mend = f"Did you mean {close!r}? " if close else ""
            mend += f"Part {part} has: " + (", ".join(known) or "none (take in characteristics first)")
            rows.refuse(i, "the part has no such characteristic", "characteristic", characteristic, mend)
            continue
        _value(rows, i, kind)
        _run(rows, i, runs.get((part, rows.column("serial")[i]), []))


def _unclear(rows: Rows, kinds: dict[tuple[str, str], str], pieces: set[tuple[str, str, str]]) -> Iterator[int]:
    """Indexes of the rows that name no run, or that have something wrong: the few that need a closer look."""
    columns = ("run", "part", "serial", "characteristic", "value_mm", "value")
    run, part, serial, characteristic, length, own = map(rows.column, columns)
    read = {kinds.get(pair) for pair in set(zip(part, characteristic, strict=True))}
    lengths = read.isdisjoint((None, *_OWN_UNIT)) and not length.count(None) and own.count(None) == len(own)
    if lengths and pieces.issuperset(zip(run, part, serial, strict=True)):
        return  # the common file: sizes and forms, each with its run
    for i, pair in enumerate(zip(part, characteristic, strict=True)):
        kind = kinds.get(pair)
        in_own = kind in _OWN_UNIT
        plain = kind is not None and (length[i] is None) is in_own and (own[i] is None) is not in_own
        if not plain or (run[i], part[i], serial[i]) not in pieces:
            yield i


def _value(rows: Rows, i: int, kind: str) -> None:
    wants, other = ("value", "value_mm") if kind in _OWN_UNIT else ("value_mm", "value")
    stands: Any = rows.column(other)[i]
    if stands is not None:
        mend = f"Put it into the column {wants}"
        rows.refuse(i, f"a reading of {kind} does not belong in this column", other, stands, mend)
    elif rows.column(wants)[i] is None:
        rows.refuse(i, "there is no value", wants, None, "Leave the row out where nothing was measured")


def _run(rows: Rows, i: int, went: list[str]) -> None:
    """The run that a reading names, or the only one that its piece went through."""
    part, serial, run = (rows.column(name)[i] for name in ("part", "serial", "run"))
    if not went:
        mend = "Take in pieces first, or correct the part or serial"
        rows.refuse(i, f"no run has a piece {part} {serial}", "serial", serial, mend)
    elif run is None and len(went) > 1:
        mend = "Add the column run; the serial went through " + ", ".join(went)
        rows.refuse(i, "which run this reading belongs to is not clear", "run", None, mend)
    elif run is None:
        rows.column("run")[i] = went[0]
    elif run not in went:
        mend = f"Piece {part} {serial} went through " + ", ".join(went)
        rows.refuse(i, "this piece is not in that run", "run", run, mend)
