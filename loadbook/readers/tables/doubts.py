"""Questions that the intake of readings stops at: values that look like a slip, with what was likely meant.

What a value is held against comes from the book and from the file itself: its characteristic, the other stage of its
piece, and the other pieces of its part (the last runs of the book, else the file's own). See analysis/movement/slips.
"""

from __future__ import annotations

import re
import sqlite3
from collections.abc import Iterable, Sequence
from dataclasses import replace
from itertools import repeat
from typing import Any

import numpy as np

from loadbook.analysis.movement.peers import Array, Groups, Peers
from loadbook.analysis.movement.slips import LENGTH_UNITS, Asked, Beside, Slip, slips
from loadbook.core.vocabulary.intake_kinds import OWN_UNIT_KINDS
from loadbook.core.vocabulary.scales import RANGES, scale_of

from .rows import READ, Rows

RUNS_BACK = 10  # runs of a part, back from the last, that its readings are held against
ENOUGH = 3  # other pieces of the book, or of a run; with fewer all those of the file are looked at
_NAMES = {"mm": "mm", "in": "inches", "um": "µm", "mil": "thousandths", "cm": "cm", "m": "m", "ft": "feet"}
_COLUMNS = ("run", "part", "serial", "characteristic", "stage", "repeat", "value_mm", "value", "gauge")

Piece = tuple[str, str, str]  # run, part, serial
Of = tuple[str, str]  # part, characteristic


def question_readings(conn: sqlite3.Connection, rows: Rows, without: int | None = None) -> None:
    """Stop at every reading that looks like a slip, unless it was affirmed. rows are settled already (resolve).

    without  a reading of the book to leave out: the one that is being amended
    """
    if rows.good():
        _Doubts(conn, rows, without).ask()


class _Doubts:
    """Readings as arrays: those of the book, so many as `known`, then those of the file.

    of, run, cycle, piece  numbers for what each is of (cycle -1: none);  after  1 after the run, 0 before
    stands, same           a number for piece, characteristic and stage of each, and for these with its repeat
    """

    def __init__(self, conn: sqlite3.Connection, rows: Rows, without: int | None) -> None:
        self.rows, self.good = rows, rows.good()
        columns, whole = map(rows.column, _COLUMNS), len(self.good) == len(rows.lines)
        typed = [column if whole else [column[i] for i in self.good] for column in columns]
        parts = sorted(set(typed[1]))
        book = _of_book(conn, set(zip(*typed[:2], strict=True)), parts, without)
        self.known, count = len(book), len(book) + len(self.good)
        kept: list[Any] = list(zip(*book, strict=True)) if book else [()] * len(_COLUMNS)
        run, part, serial, name, stage, number, mm, own, gauge = map(lambda a, b: [*a, *b], kept, typed)
        lengths = np.array(mm, float)
        self.value = np.where(np.isnan(lengths), np.array(own, float), lengths)
        self.after = np.fromiter(map("after".__eq__, stage), np.int64, count)
        asked = _characteristics(conn, parts)
        self.asked, place = list(asked.values()), {pair: i for i, pair in enumerate(asked)}
        self.of = np.fromiter(map(place.__getitem__, zip(part, name, strict=True)), np.int64, count)
        self.piece, pieces = _numbered(list(zip(run, part, serial, strict=True)))
        self.run, runs = _numbered(run)
        cycles = dict(conn.execute("SELECT run, cycle FROM run WHERE cycle IS NOT NULL"))
        self.cycle = (_numbered([None, *map(cycles.get, runs)])[0] - 1)[1:][self.run]
        steps = dict(conn.execute("SELECT gauge, resolution_mm FROM gauge WHERE resolution_mm IS NOT NULL"))
        self.step = np.fromiter(map(steps.get, gauge, repeat(0.0)), float, count)
        self.step = np.where(self.step > 0.0, self.step, self._typed_to()[self.of])
        self.stock = _stock(conn, parts, pieces)[self.piece]
        repeats = _numbered([n or 1 for n in number])[0]
        self.stands = (self.piece * len(asked) + self.of) * 2 + self.after
        self.repeats = int(repeats.max()) + 1
        self.same = self.stands * self.repeats + repeats
        of_book, of_file = _last(self.stands, 0, self.known), _last(self.stands, self.known, count)
        self.of_book, self.of_file = (self._stages(_places(last)) for last in (of_book, of_file))
        self.book_moves, self.file_moves = self._moves(of_book), self._moves(of_book | of_file)

    def _typed_to(self) -> Array:
        """(characteristics,) The finest step that the file tells each in [mm, or its own unit]; 0 where in none."""
        finest = np.zeros(len(self.asked), np.int64)
        for column in READ:
            cells = self.rows.cells.get(column)
            if cells:
                digits = np.fromiter((_decimals(cells[i]) for i in self.good), np.int64, len(self.good))
                np.maximum.at(finest, self.of[self.known :], digits)
        unit = np.array([LENGTH_UNITS.get(self._unit(what), 1.0) for what in self.asked])
        return np.where(finest > 0, unit * 10.0**-finest, 0.0)

    def _stages(self, some: Array) -> Groups:
        """Values of a characteristic at a stage."""
        return Groups(self._stage(some), self.piece[some], self.value[some])

    def _stage(self, some: Array) -> Array:
        return self.of[some] * 2 + self.after[some]

    def _moves(self, last: dict[int, int]) -> tuple[Array, Array]:
        """Readings before that have one after, and how far it moved."""
        some = _places(last)
        before = some[self.after[some] == 0]
        after = _found(last, self.stands[before] + 1)
        before, after = before[after >= 0], after[after >= 0]
        return before, self.value[after] - self.value[before]

    def ask(self) -> None:
        """First each value alone, then against the other stage where that is in no doubt itself."""
        known, count = self.known, len(self.value)
        in_book, last = _last(self.same, 0, known), _last(self.same, 0, count)
        new = _places(last)
        new = new[new >= known]
        old = _found(in_book, self.same[new])
        new = new[(old < 0) | (self.value[old] != self.value[new])]
        beside = self._beside(new)
        alone = self._slips(new, beside)
        closed, typed = np.zeros(count, bool), np.zeros(count, bool)
        closed[new[[at for at, slip in alone.items() if slip.against != "other pieces"]]] = True
        typed[new] = True
        partner = self.same[new] + self.repeats * (1 - 2 * self.after[new])
        other = _found(last, partner)
        paired = (other >= 0) & ~closed[new] & ~closed[other]
        found = {at: slip for at, slip in alone.items() if not paired[at]}
        pairs = np.flatnonzero(paired)
        both = self._slips(new[pairs], self._beside_pair(beside[pairs], new[pairs], other[pairs]))
        for at, slip in zip(pairs[list(both)].tolist(), both.values(), strict=True):
            unlike = slip.against in ("other stage", "movement") and not slip.cause
            if unlike and typed[other[at]] and not self._likelier(new[at], other[at], beside.peers[[at]]):
                continue  # the other one is the question
            found[at] = slip
        for at in sorted(found):
            self._question(int(new[at]), found[at])

    def _slips(self, some: Array, beside: Beside) -> dict[int, Slip]:
        units = [self._unit(what) for what in self.asked]
        return slips(self.value[some], units, self.asked, self.of[some], beside)

    def _beside(self, some: Array) -> Beside:
        """What stands beside readings, each alone."""
        piece, group = self.piece[some], self._stage(some)
        stock, removed = self.stock[some].T
        return replace(
            Beside.nothing(len(some)), stock_mm=stock, removed_mm=removed, step_mm=self.step[some],
            peers=Peers.first(piece, (self.of_book, group, ENOUGH), (self.of_file, group, 1))[0],
            batch=Peers.first(piece, (self.of_file, group, 1))[0],
        )  # fmt: skip

    def _beside_pair(self, beside: Beside, some: Array, other: Array) -> Beside:
        """What stands beside readings, each with that of the other stage."""
        moved = np.where(self.after[some], self.value[some] - self.value[other], self.value[other] - self.value[some])
        of, piece, run, cycle = self.of, self.piece, self.run, self.cycle
        (book, book_moved), (file, file_moved) = self.book_moves, self.file_moves
        of_run, of_cycle = of * (run.max(initial=0) + 1) + run, np.where(cycle < 0, -1, of * (cycle.max() + 1) + cycle)
        run_moves = Groups(of_run[file], piece[file], file_moved)
        moves, source = Peers.first(
            piece[some], (run_moves, of_run[some], ENOUGH),
            (Groups(of[book], piece[book], book_moved), of[some], ENOUGH),
            (Groups(of[file], piece[file], file_moved), of[some], 1),
        )  # fmt: skip
        history = Groups(of_cycle[book], run[book], book_moved, few=np.inf)
        return replace(
            beside, other=self.value[other], moved=moved, same_run=source == 0, moves=moves,
            history=Peers.first(run[some], (history, of_cycle[some], 1))[0],
        )  # fmt: skip

    def _likelier(self, i: int, j: int, peers: Peers) -> bool:
        """Of two stages that do not fit: is this one the slip? The one further from what it should be, else after."""
        value, other = self.value[[i, j]].tolist()
        about = float(peers.about[0]) if peers.count[0] >= 2 else self.asked[self.of[i]].middle
        if about is None or abs(value - about) == abs(other - about):
            return bool(self.after[i])
        return bool(abs(value - about) > abs(other - about))

    def _unit(self, what: Asked) -> str:
        """The unit that this file types a characteristic in."""
        if what.kind in OWN_UNIT_KINDS:
            return what.unit
        return (self.rows.headers.get("value_mm") or ("value_mm", "mm"))[1] or "mm"

    def _question(self, i: int, found: Slip) -> None:
        row, what = self.good[i - self.known], self.asked[self.of[i]]
        column = "value" if what.kind in OWN_UNIT_KINDS else "value_mm"
        header = self.rows.headers.get(column, (column, None))[0]
        cells, value = self.rows.cells.get(column), float(self.value[i])
        shown = cells[row] if cells else f"{value:.10g}"
        words = slip_words(found, what, self._unit(what), value, "after" if self.after[i] else "before")
        self.rows.question(row, words, header, shown, f"{header} {found.cause} {found.unit}")


_BEHIND = re.compile(r"\D*\d*[.,](\d+)(?:[eE]([-+]?\d+))?")


def _decimals(cell: str | None) -> int:
    """How many figures stand behind the decimal mark.

    >>> _decimals("10.0010"), _decimals('8,05 "'), _decimals("12"), _decimals(None), _decimals("1.2E-02 ±.5")
    (4, 2, 0, 0, 3)
    """
    found = _BEHIND.match(cell or "")
    return max(0, len(found[1]) - int(found[2] or 0)) if found else 0


def _numbered(values: Sequence[Any]) -> tuple[Array, dict[Any, int]]:
    """The values as numbers, and the number of each distinct one, in the order in which each first stands."""
    number = {value: i for i, value in enumerate(dict.fromkeys(values))}
    return np.fromiter(map(number.__getitem__, values), np.int64, len(values)), number


def _last(keys: Array, start: int, stop: int) -> dict[int, int]:
    """Key -> its place, of some the last, in the order in which each first stands."""
    return dict(zip(keys[start:stop].tolist(), range(start, stop), strict=True))


def _places(last: dict[int, int]) -> Array:
    return np.fromiter(last.values(), np.int64, len(last))


def _found(place: dict[int, int], keys: Array) -> Array:
    """The place of each key, -1 where it has none."""
    return np.fromiter(map(place.get, keys.tolist(), repeat(-1)), np.int64, len(keys))


def _of_book(
    conn: sqlite3.Connection, named: set[tuple[str, str]], parts: Iterable[str], without: int | None
) -> list[tuple[Any, ...]]:
    """Readings of the book: of the runs that the file names, and of the last runs of its parts."""
    if conn.execute("SELECT 1 FROM reading LIMIT 1").fetchone() is None:
        return []
    cursor = conn.cursor()
    cursor.row_factory = None
    runs = set(named)
    for part in parts:
        recent = cursor.execute(
            "SELECT run FROM piece WHERE part = ? GROUP BY run ORDER BY max(piece_id) DESC LIMIT ?", (part, RUNS_BACK)
        )
        runs |= {(run, part) for (run,) in recent}
    found: list[tuple[Any, ...]] = []
    for run, part in sorted(runs):
        found += cursor.execute(
            f"SELECT {', '.join(_COLUMNS)} FROM reading WHERE run = ? AND part = ? AND reading_id IS NOT ?",
            (run, part, without),
        )
    return found


def _characteristics(conn: sqlite3.Connection, parts: list[str]) -> dict[Of, Asked]:
    found = {}
    for part in parts:
        for r in conn.execute(
            "SELECT c.*, p.length_mm, p.section_thick_mm, m.family FROM characteristic c JOIN part p USING (part)"
            " LEFT JOIN material m USING (material) WHERE part = ?", (part,),
        ):  # fmt: skip
            own = r["kind"] in OWN_UNIT_KINDS
            nominal, lower, upper = (r[x if own else f"{x}_mm"] for x in ("nominal", "lower", "upper"))
            found[part, r["characteristic"]] = Asked(
                r["characteristic"], r["kind"], (r["unit"] or "") if own else "mm", nominal, lower, upper,
                r["reference_length_mm"], r["length_mm"], r["section_thick_mm"], r["family"] or "", part,
            )  # fmt: skip
    return found


def _stock(conn: sqlite3.Connection, parts: list[str], pieces: dict[Piece, int]) -> Array:
    """Stock left on a piece or taken off it, and that taken off alone, by the piece's number; both sides together."""
    found = [(0.0, 0.0)] * len(pieces)
    cursor = conn.cursor()
    cursor.row_factory = None
    for part in parts:
        for run, serial, stock, off in cursor.execute(
            "WITH removed AS (SELECT serial, 2.0 * sum(stock_removed_mm) AS off FROM operation"
            " WHERE part = :part AND stock_removed_mm > 0 GROUP BY serial)"
            " SELECT run, serial, 2.0 * ifnull(stock_mm, 0.0) + ifnull(off, 0.0), ifnull(off, 0.0)"
            " FROM piece LEFT JOIN removed USING (serial) WHERE part = :part AND (stock_mm > 0 OR off > 0)",
            {"part": part},
        ):
            if (at := pieces.get((run, part, serial))) is not None:
                found[at] = stock, off
    return np.array(found)


# -- words ----------------------------------------------------------------------------------------------------------


def slip_words(found: Slip, what: Asked, typed: str, value: float, stage: str) -> str:
    """A slip as the question that is asked, in the unit that was typed.

    >>> bore = Asked("bore A", "inside diameter", nominal=611.124)
    >>> slip_words(Slip("nominal", 611.124, "unit", 611.088, "mm"), bore, "in", 611.088 * 25.4, "before")
    'bore A is 24.06 in nominal: mm typed as inches (611.088 mm = 24.0586 in)?'
    """
    factor = LENGTH_UNITS.get(typed, 1.0)

    def told(figure: float | None, unit: str = typed) -> str:
        return f"{(figure or 0.0) / LENGTH_UNITS.get(unit, 1.0):.6g} {unit.replace('um', 'µm')}".strip()

    other = "after" if stage == "before" else "before"
    high = found.held is not None and value > found.held
    against = {
        "nominal": f"{what.name} is {told(found.held)} nominal",
        "limits": f"{what.name} is {told(found.held)} {'at most' if high else 'at least'}",
        "other stage": f"the same piece read {told(found.held)} {other} the run",
        "other pieces": f"the other pieces read about {told(found.held)}",
        "length": f"the part is only {told(found.held)} long",
        "section": f"the section is only {told(found.held)} thick",
        "scale": _scale_words(what),
        "soft": f"steel and iron are hardly softer than {told(found.held)}",
        "step": f"{what.name} cannot be {'deeper' if high else 'told finer'} than {told(found.held)}",
        "zero": f"{what.kind} cannot be negative",
        "movement": f"the other pieces moved by {told(found.held)}, this one by {told(-(found.meant or 0.0))}",
    }[found.against]
    cause = {
        "unit": f"{_NAMES.get(found.unit, found.unit)} typed as {_NAMES.get(typed, typed)}"
        f" ({value / factor:.6g} {found.unit.replace('um', 'µm')} = {told(found.meant)})?",
        "decimal": f"a shifted decimal point ({told(found.meant)})?",
        "sign": "a wrong sign?",
        "swapped": "before and after swapped?",
        "radius": f"the radius typed as the diameter ({told(found.meant)})?",
        "scale": f"{found.unit} typed as {what.unit}?",
        "characteristic": f"the value of {found.unit}?",
        "": "a slip?",
    }[found.cause]
    return f"{against}: {cause}"


def _scale_words(what: Asked) -> str:
    scale = scale_of(what.unit) or ""
    least, most = RANGES.get(scale, (0.0, 0.0))
    return f"{scale} goes from {least:g} to {most:g}"
