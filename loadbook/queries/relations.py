"""Runs in relation: what a run repeats, what repeats it, what was straightened between, and how far the pieces moved in
each of the treatments and in all of them."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass

from loadbook.core.phrases import many
from loadbook.store.book import BookFolder

_MOVED = """
SELECT run, part, serial, characteristic, unit, before_mm, after_mm,
       CASE WHEN set_aside IN ('run void', 'run aborted') THEN after_mm - before_mm ELSE movement_mm END AS moved
FROM movement WHERE run IN ({marks}) AND kind <> 'hardness' ORDER BY part, serial, characteristic
"""


@dataclass(frozen=True)
class TotalMovement:
    """How far one characteristic of one piece moved in each of the runs, in their order.

    unit      'mm', or the characteristic's own
    moved     a run's movement, None where it has none that counts; that of a void or aborted run counts here
    total     the sum over the runs that the piece went through: what the treatments did, without what was straightened
              between. Where one of them is not known, and nothing was done between, from the first reading before to
              the last one after; else None
    between   what was done to the piece between the first and the last of the runs, as recorded
    """

    part: str
    serial: str
    characteristic: str
    unit: str
    moved: tuple[float | None, ...]
    total: float | None
    between: tuple[str, ...]


@dataclass(frozen=True)
class Relations:
    """A run among those that it belongs with.

    runs         all of them, oldest first, this one too;  repeats  the run that it repeats;  repeated_by  and the other
                 way round
    straightened (part, serial, earlier run) of the pieces that were straightened before this run, after an earlier one
    moved        of the pieces that went through two or more of the runs
    """

    run: str
    runs: tuple[str, ...]
    repeats: str | None
    repeated_by: tuple[str, ...]
    straightened: tuple[tuple[str, str, str], ...]
    moved: tuple[TotalMovement, ...]

    @property
    def words(self) -> list[str]:
        """The relations in words, one for each."""
        out = [f"repeats {self.repeats}"] if self.repeats else []
        out += [f"repeated by {run}" for run in self.repeated_by]
        earlier: dict[str, int] = {}
        for _, _, run in self.straightened:
            earlier[run] = earlier.get(run, 0) + 1
        return out + [f"{many(n, 'piece')} straightened since {run}" for run, n in earlier.items()]


def relations_of(book: BookFolder, run: str) -> Relations | None:
    """The relations of a run of the book; None where it has none."""
    conn = book.read()
    repeats = conn.execute("SELECT repeats_run FROM run WHERE run = ?", (run,)).fetchone()[0]
    repeated = book.once(_repeated)
    straightened = tuple(_straightened(conn, run))
    names = _family(conn, repeated, run) | {earlier for _, _, earlier in straightened}
    if len(names) < 2:
        return None
    marks = ", ".join("?" * len(names))
    listed = conn.execute(f"SELECT run FROM run WHERE run IN ({marks}) ORDER BY started, run", list(names))
    runs = tuple(r[0] for r in listed)
    return Relations(run, runs, repeats, tuple(repeated.get(run, ())), straightened, tuple(_moved(book, runs)))


def _repeated(conn: sqlite3.Connection) -> dict[str, list[str]]:
    """By run, the runs that repeat it, oldest first."""
    out: dict[str, list[str]] = {}
    for run, of in conn.execute(
        "SELECT run, repeats_run FROM run WHERE repeats_run IS NOT NULL ORDER BY started, run"
    ).fetchall():
        out.setdefault(of, []).append(run)
    return out


def _family(conn: sqlite3.Connection, repeated: dict[str, list[str]], run: str) -> set[str]:
    """The run, what it repeats and what that repeats, and all that repeat one of them."""
    found = {run}
    above: str | None = run
    while above is not None:
        row = conn.execute("SELECT repeats_run FROM run WHERE run = ?", (above,)).fetchone()
        above = row[0] if row and row[0] not in found else None
        found |= {above} if above else set()
    waiting = list(found)
    while waiting:
        new = set(repeated.get(waiting.pop(), ())) - found
        found |= new
        waiting += new
    return found


def _straightened(conn: sqlite3.Connection, run: str) -> list[tuple[str, str, str]]:
    """(part, serial, the run before) of the run's pieces that were straightened between the two."""
    pieces = conn.execute(
        "SELECT p.part, p.serial, (SELECT e.run FROM piece e JOIN run re ON re.run = e.run"
        " WHERE e.part = p.part AND e.serial = p.serial AND re.started < r.started ORDER BY re.started DESC LIMIT 1)"
        " AS before FROM piece p JOIN run r ON r.run = p.run WHERE p.run = ? ORDER BY p.piece_id",
        (run,),
    ).fetchall()
    return [
        (p["part"], p["serial"], p["before"]) for p in pieces
        if p["before"] and any(is_straightening(o) for o in between(conn, p["part"], p["serial"], p["before"], run))
    ]  # fmt: skip


def is_straightening(operation: str) -> bool:
    """Does an operation's name say that the piece was bent back?"""
    return operation.casefold().startswith("straighten")


def between(conn: sqlite3.Connection, part: str, serial: str, first: str, last: str) -> list[str]:
    """What was done to a piece between two of its runs: by its operations' order where both runs stand in it, else by
    their times; what has neither is left out."""
    rows = conn.execute(
        "SELECT sequence, operation, at, run FROM operation WHERE part = ? AND serial = ? ORDER BY sequence",
        (part, serial),
    ).fetchall()
    at = {r["run"]: r["sequence"] for r in rows if r["run"]}
    own = [r for r in rows if r["run"] is None and r["operation"].casefold() != "run"]
    if first in at and last in at:
        return [r["operation"] for r in own if at[first] < r["sequence"] < at[last]]
    begun = dict(conn.execute("SELECT run, started FROM run WHERE run IN (?, ?)", (first, last)).fetchall())
    return [r["operation"] for r in own if r["at"] and begun[first] < r["at"] < begun[last]]


def _moved(book: BookFolder, runs: Sequence[str]) -> list[TotalMovement]:
    conn = book.read()
    marks = ", ".join("?" * len(runs))
    went: dict[tuple[str, str], list[str]] = {}
    for r in conn.execute(f"SELECT part, serial, run FROM piece WHERE run IN ({marks}) ORDER BY piece_id", list(runs)):
        went.setdefault((r["part"], r["serial"]), []).append(r["run"])
    twice = {piece for piece, of in went.items() if len(of) > 1}
    if not twice:
        return []
    from loadbook.store.session import start

    found: dict[tuple[str, str, str, str], dict[str, tuple[float | None, ...]]] = {}
    with start(book, {"movement"}) as session:
        for run, part, serial, characteristic, unit, *values in session.rows(_MOVED.format(marks=marks), list(runs)):
            if (part, serial) in twice:
                found.setdefault((part, serial, characteristic, unit), {})[run] = tuple(values)
    nothing = (None, None, None)
    out = []
    for (part, serial, characteristic, unit), read in found.items():
        through = [r for r in runs if r in went[part, serial]]
        known = [value for r in through if (value := read.get(r, nothing)[2]) is not None]
        done = tuple(dict.fromkeys(between(conn, part, serial, through[0], through[-1])))
        first, last = read.get(through[0], nothing)[0], read.get(through[-1], nothing)[1]
        total = sum(known) if len(known) == len(through) else None
        if total is None and not done and first is not None and last is not None:
            total = last - first
        if total is not None or len(known) > 1:
            moved = tuple(read.get(r, nothing)[2] for r in runs)
            out.append(TotalMovement(part, serial, characteristic, unit, moved, total, done))
    return out
