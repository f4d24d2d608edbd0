"""Questions that the intake of readings stops at: values that look like a slip, with what was likely meant.

What a value is held against comes from the book and from the file itself: its characteristic, the other stage of its
piece, and the other pieces of its part (the last runs of the book, else the file's own). See analysis/movement/slips.
"""

from __future__ import annotations

import sqlite3
from collections import defaultdict
from collections.abc import Iterable, Sequence
from typing import Any

from loadbook.analysis.movement.slips import LENGTH_UNITS, NO_PEERS, Asked, Beside, Peers, Slip, slip
from loadbook.core.vocabulary.intake_kinds import OWN_UNIT_KINDS
from loadbook.core.vocabulary.scales import RANGES, scale_of

from .rows import Rows

RUNS_BACK = 10  # runs of a part, back from the last, that its readings are held against
MOST_PEERS = 40
FEW = 12  # below so many pieces, a piece is never among those that it is held against
_NAMES = {"mm": "mm", "in": "inches", "um": "µm", "mil": "thousandths", "cm": "cm", "m": "m", "ft": "feet"}

Piece = tuple[str, str, str]  # run, part, serial
Of = tuple[str, str]  # part, characteristic


def question_readings(conn: sqlite3.Connection, rows: Rows, without: int | None = None) -> None:
    """Stop at every reading that looks like a slip, unless it was affirmed. rows are settled already (resolve).

    without  a reading of the book to leave out: the one that is being amended
    """
    _Doubts(conn, rows, without).ask()


class _Doubts:
    def __init__(self, conn: sqlite3.Connection, rows: Rows, without: int | None) -> None:
        self.rows = rows
        names = ("run", "part", "serial", "characteristic", "stage", "value_mm", "value", "repeat", "gauge")
        self.columns = dict(zip(names, map(rows.column, names), strict=True))
        self.good = list(rows.good())
        parts = sorted({self.columns["part"][i] for i in self.good})
        self.asked = _characteristics(conn, parts)
        self.of_part: dict[str, list[Asked]] = defaultdict(list)
        for (part, _), one in self.asked.items():
            self.of_part[part].append(one)
        self.stock = _stock(conn, parts)
        self.cycles = dict(conn.execute("SELECT run, cycle FROM run WHERE cycle IS NOT NULL"))
        self.steps = dict(conn.execute("SELECT gauge, resolution_mm FROM gauge WHERE resolution_mm IS NOT NULL"))
        self.gauges = {self._key(i): self.columns["gauge"][i] for i in self.good}
        self.in_book: dict[tuple[Piece, str, str, int], float] = {}
        self._book(conn, parts, without)
        self.of_book, self.of_file = _gathered(self.in_book.items()), _gathered(self._typed())
        self.book_moves, self.file_moves = _moves(self.of_book), _moves(_merged(self.of_book, self.of_file))
        self.run_moves: dict[Any, dict[Piece, float]] = defaultdict(dict)
        for (part, name), moved in self.file_moves.items():
            for piece, value in moved.items():
                self.run_moves[part, name, piece[0]][piece] = value
        self.shared: dict[Any, Peers] = {}
        self.of_cycle: dict[tuple[str, str, str], list[tuple[str, float]]] = {}  # movements with their run

    def _book(self, conn: sqlite3.Connection, parts: list[str], without: int | None) -> None:
        """Readings of the book: of the runs that the file names, and of the last runs of its parts."""
        if conn.execute("SELECT 1 FROM reading LIMIT 1").fetchone() is None:
            return
        runs: set[tuple[str, str]] = {(self.columns["run"][i], self.columns["part"][i]) for i in self.good}
        for part in parts:
            recent = conn.execute(
                "SELECT run FROM piece WHERE part = ? GROUP BY run ORDER BY max(piece_id) DESC LIMIT ?",
                (part, RUNS_BACK),
            )
            runs |= {(r[0], part) for r in recent}
        for run, part in runs:
            for number, serial, name, stage, repeat, value in conn.execute(
                "SELECT reading_id, serial, characteristic, stage, repeat, coalesce(value_mm, value) FROM reading"
                " WHERE run = ? AND part = ?", (run, part),
            ):  # fmt: skip
                if number != without:
                    self.in_book[(run, part, serial), name, stage, repeat] = value

    def _typed(self) -> Iterable[tuple[tuple[Piece, str, str, int], float]]:
        c = self.columns
        for i in self.good:
            yield self._key(i), c["value_mm"][i] if c["value_mm"][i] is not None else c["value"][i]

    def _key(self, i: int) -> tuple[Piece, str, str, int]:
        c = self.columns
        return (c["run"][i], c["part"][i], c["serial"][i]), c["characteristic"][i], c["stage"][i], c["repeat"][i] or 1

    def ask(self) -> None:
        """First each value alone, then against the other stage where that is in no doubt itself."""
        values = dict(self._typed())
        places = {self._key(i): i for i in self.good}
        alone = {key: self._slip(key, value, None, None) for key, value in values.items() if self._new(key, value)}
        for key, first in alone.items():
            found, value = first, values[key]
            if _open(first):
                piece, name, stage, repeat = key
                partner = piece, name, "after" if stage == "before" else "before", repeat
                known = values.get(partner, self.in_book.get(partner))
                other = known if _open(alone.get(partner)) else None
                if other is not None:
                    moved = value - other if stage == "after" else other - value
                    found = self._slip(key, value, other, moved)
                    typed = partner in alone
                    pair = found is not None and found.against in ("other stage", "movement") and not found.cause
                    if pair and typed and not self._likelier(key, value, other):
                        found = None  # the other one is the question
            if found is not None:
                self._question(places[key], key, value, found)

    def _new(self, key: tuple[Piece, str, str, int], value: float) -> bool:
        return self.in_book.get(key) != value

    def _likelier(self, key: tuple[Piece, str, str, int], value: float, other: float) -> bool:
        """Of two stages that do not fit: is this one the slip? The one further from what it should be, else after."""
        (_, part, _), name, stage, _ = key
        about = self.asked[part, name].middle
        peers = self._peers(key)
        about = peers.about if len(peers) >= 2 else about
        if about is None or abs(value - about) == abs(other - about):
            return stage == "after"
        return abs(value - about) > abs(other - about)

    def _peers(self, key: tuple[Piece, str, str, int]) -> Peers:
        piece, name, stage, _ = key
        return self._of((self.of_book, self.of_file), (piece[1], name, stage), piece)

    def _of(self, sources: Sequence[dict[Any, dict[Piece, float]]], group: Any, piece: Piece) -> Peers:
        """The other pieces of a group: those of the book where there are some, else those of the file."""
        for place, source in enumerate(sources):
            found = source.get(group, {})
            if len(found) > FEW:
                shared = id(source), group
                if shared not in self.shared:
                    some = list(found.values())
                    self.shared[shared] = Peers(some[:: -(-len(some) // MOST_PEERS)])
                return self.shared[shared]
            others = [v for other, v in found.items() if other != piece]
            if len(others) >= (3 if place + 1 < len(sources) else 1):
                return Peers(others)
        return NO_PEERS

    def _history(self, part: str, name: str, run: str) -> Peers:
        """Movements in other runs of the run's cycle, as the book has them."""
        cycle = self.cycles.get(run)
        if cycle is None:
            return NO_PEERS
        if (of_cycle := (part, name, cycle)) not in self.of_cycle:
            moves = self.book_moves.get((part, name), {})
            some = [(piece[0], v) for piece, v in moves.items() if self.cycles.get(piece[0]) == cycle]
            self.of_cycle[of_cycle] = some[:: -(-len(some) // MOST_PEERS) or 1]
        if ("history", part, name, run) not in self.shared:
            others = [v for other, v in self.of_cycle[of_cycle] if other != run]
            self.shared["history", part, name, run] = Peers(others)
        return self.shared["history", part, name, run]

    def _slip(
        self, key: tuple[Piece, str, str, int], value: float, other: float | None, moved: float | None
    ) -> Slip | None:
        piece, name, _, _ = key
        part = piece[1]
        what = self.asked[part, name]
        moves, same_run = NO_PEERS, False
        if moved is not None:
            moves = self._of((self.run_moves,), (part, name, piece[0]), piece)
            same_run = len(moves) >= 3
            moves = moves if same_run else self._of((self.book_moves, self.file_moves), (part, name), piece)
        beside = Beside(
            other, self._peers(key), self._of((self.of_file,), (part, name, key[2]), piece), moves,
            self._history(part, name, piece[0]) if moved is not None else NO_PEERS, moved,
            *self.stock.get(piece, (0.0, 0.0)), self.steps.get(self.gauges.get(key)), same_run,
            self.of_part[part],
        )  # fmt: skip
        return slip(value, self._unit(what), what, beside)

    def _unit(self, what: Asked) -> str:
        """The unit that this file types a characteristic in."""
        if what.kind in OWN_UNIT_KINDS:
            return what.unit
        return (self.rows.headers.get("value_mm") or ("value_mm", "mm"))[1] or "mm"

    def _question(self, i: int, key: tuple[Piece, str, str, int], value: float, found: Slip) -> None:
        (_, part, _), name, stage, _ = key
        what = self.asked[part, name]
        column = "value" if what.kind in OWN_UNIT_KINDS else "value_mm"
        header = self.rows.headers.get(column, (column, None))[0]
        cells = self.rows.cells.get(column)
        shown = cells[i] if cells else f"{value:.10g}"
        words = slip_words(found, what, self._unit(what), value, stage)
        self.rows.question(i, words, header, shown, f"{header} {found.cause} {found.unit}")


def _open(found: Slip | None) -> bool:
    """May the other stage of the piece still say that a value is so?"""
    return found is None or found.against == "other pieces"


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
                r["reference_length_mm"], r["length_mm"], r["section_thick_mm"], r["family"] or "",
            )  # fmt: skip
    return found


def _stock(conn: sqlite3.Connection, parts: list[str]) -> dict[Piece, tuple[float, float]]:
    """Stock left on a piece or taken off it, and that taken off alone; both sides together."""
    found: dict[Piece, tuple[float, float]] = {}
    for part in parts:
        off = dict(conn.execute(
            "SELECT serial, sum(stock_removed_mm) FROM operation WHERE part = ? AND stock_removed_mm > 0"
            " GROUP BY serial", (part,)))  # fmt: skip
        pieces = conn.execute("SELECT run, serial, stock_mm FROM piece WHERE part = ?", (part,))
        for run, serial, stock in pieces:
            gone = 2.0 * off.get(serial, 0.0)
            if stock or gone:
                found[run, part, serial] = 2.0 * (stock or 0.0) + gone, gone
    return found


def _gathered(
    values: Iterable[tuple[tuple[Piece, str, str, int], float]],
) -> dict[tuple[str, str, str], dict[Piece, float]]:
    """(part, characteristic, stage) -> piece -> its value (of repeats the last)."""
    found: dict[tuple[str, str, str], dict[Piece, float]] = defaultdict(dict)
    for (piece, name, stage, _), value in values:
        found[piece[1], name, stage][piece] = value
    return dict(found)


def _merged(*sources: dict[tuple[str, str, str], dict[Piece, float]]) -> dict[tuple[str, str, str], dict[Piece, float]]:
    found: dict[tuple[str, str, str], dict[Piece, float]] = defaultdict(dict)
    for source in sources:
        for group, values in source.items():
            found[group].update(values)
    return dict(found)


def _moves(values: dict[tuple[str, str, str], dict[Piece, float]]) -> dict[Of, dict[Piece, float]]:
    """(part, characteristic) -> piece -> after less before."""
    found: dict[Of, dict[Piece, float]] = {}
    for (part, name, stage), before in values.items():
        after = values.get((part, name, "after"), {}) if stage == "before" else {}
        moved = {piece: after[piece] - value for piece, value in before.items() if piece in after}
        if moved:
            found[part, name] = moved
    return found


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
