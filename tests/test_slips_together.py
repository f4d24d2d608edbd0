"""Readings of a file are asked all at once: the questions are those of each by itself, beside what plain loops find.

Random books and files, with slips of every cause planted: with and without history, runs that are half in the book,
pieces by the dozen and by the hundred, repeats, stock, gauges, coordinates near zero, kinds that are no lengths.
"""

from __future__ import annotations

import random
from collections import defaultdict
from collections.abc import Iterator
from pathlib import Path
from statistics import median
from typing import Any, NamedTuple

import numpy as np
import pytest

from loadbook.analysis.movement.peers import FEW, MOST, Groups, Lists, Peers
from loadbook.analysis.movement.slips import Asked, Beside, Slip, slips
from loadbook.analysis.quantiles import MAD_TO_SD
from loadbook.core.errors import IntakeError
from loadbook.core.vocabulary.intake_kinds import OWN_UNIT_KINDS
from loadbook.readers.tables.change import question_reading
from loadbook.readers.tables.doubts import ENOUGH, RUNS_BACK, slip_words
from loadbook.readers.tables.take import take_file
from loadbook.store.book import BookFolder

from .smallbook import put

SEEDS = (0, 3, 10, 21, 44, 51)
STEPS = {"G1": 0.001, "G2": 0.02, "G3": None}
# kind, unit, about, scatter of pieces
KINDS = (
    ("outside diameter", "mm", 120.0, 0.01), ("inside diameter", "mm", 24.0, 0.004), ("length", "mm", 0.6, 0.002),
    ("distance", "mm", 0.0, 0.01), ("distance", "mm", -35.5, 0.02), ("thickness", "mm", 8.0, 0.01),
    ("outside diameter", "mm", 121.0, 0.01), ("flatness", "mm", 0.02, 0.008), ("circularity", "mm", 0.004, 0.001),
    ("case depth", "mm", 0.9, 0.05), ("decarburisation depth", "mm", 0.05, 0.01), ("angle", "deg", 30.0, 0.02),
    ("angle", "rad", 0.5, 0.001), ("hardness", "HRC", 59.0, 0.8), ("hardness", "HV 10", 690.0, 12.0),
    ("residual stress", "MPa", -300.0, 40.0), ("grain size", "G", 7.0, 0.5), ("retained austenite", "%", 25.0, 3.0),
)  # fmt: skip


class Reading(NamedTuple):
    run: str
    part: str
    serial: str
    name: str
    stage: str
    repeat: int
    value: float
    gauge: str | None


class Case:
    """A random shop: its characteristics, what the book has, and what the file says, in the order of its lines."""

    def __init__(self, seed: int) -> None:
        self.rng = rng = random.Random(seed)
        self.asked: dict[tuple[str, str], Asked] = {}
        self.family = rng.choice(("low-alloy steel", "aluminium"))
        self.parts = {
            f"P{n}": (rng.choice((None, 130.0)), rng.choice((None, 8.0))) for n in range(rng.choice((1, 2, 4)))
        }
        for part in self.parts:
            for n, kind in enumerate(rng.sample(KINDS, rng.randint(2, 5))):
                self.asked[part, f"c{n}"] = self._asked(part, f"c{n}", *kind[:3])
        self.scatter = {(p, w.name): next(k[3] for k in KINDS if (k[0], k[1]) == (w.kind, w.unit or "mm"))
                        for (p, _), w in self.asked.items()}  # fmt: skip
        self.cycles = {f"R{n}": rng.choice(("H", "H", None)) for n in range(rng.choice((1, 3, 6, 14)))}
        runs, most = list(self.cycles), rng.choice((3, FEW, FEW + 1, 20))
        self.pieces = [(r, p, f"{r}-{s}") for r in runs for p in self.parts for s in range(rng.randint(1, most))]
        self.stock = {piece: rng.choice((None, 0.0, rng.uniform(0.1, 3.0))) for piece in self.pieces}
        self.off = {(p, s): rng.uniform(0.01, 0.3) for _, p, s in self.pieces if rng.random() < 0.05}
        back = set(runs[: rng.choice((0, 0, len(runs) // 2, len(runs) - 1))])
        made = list(self._made(rng.random() < 0.2))
        half = 0.3 if rng.random() < 0.4 else 0.0  # of the file's own runs the book has some already
        self.book = [x for x in made if x.run in back or rng.random() < half]
        typed = [x for x in made if x.run not in back and (x not in self.book or rng.random() < 0.2)][:150]
        share, swapped = rng.choice((0.02, 0.1, 0.3)), rng.choice((0.0, 0.05))
        pairs = {x[:4] for x in typed if rng.random() < swapped}
        self.file = [self.slipped(x) if rng.random() < share else
                     x._replace(stage="after" if x.stage == "before" else "before") if x[:4] in pairs else x
                     for x in typed if x not in self.book or rng.random() < 0.9]  # fmt: skip
        self.file = list({x[:6]: x for x in self.file}.values())

    def _asked(self, part: str, name: str, kind: str, unit: str, about: float) -> Asked:
        wide = 0.02 if unit == "mm" else 0.05 * abs(about)
        low, high = (0.0, 2 * abs(about)) if kind in ("flatness", "circularity") else (about - wide, about + wide)
        told = self.rng.choice(((about, low, high), (None, low, high), (about, None, None), (None, None, high),
                                (None, None, None), (None, low, None)))  # fmt: skip
        long = self.rng.choice((None, 120.0)) if unit == "mm" else None
        return Asked(name, kind, unit, *told, long, *self.parts[part], self.family, part)

    def _made(self, repeated: bool) -> Iterator[Reading]:
        """Readings before and after of all pieces, as they are."""
        rng = self.rng
        moves = {key: rng.choice((0.0, 3.0, -8.0, 20.0)) * self.scatter[key] for key in self.asked}
        about = {key: next(k[2] for k in KINDS if (k[0], k[1]) == (w.kind, w.unit)) for key, w in self.asked.items()}
        for run, part, serial in self.pieces:
            for name in (n for p, n in self.asked if p == part):
                scatter = self.scatter[part, name]
                value = rng.gauss(about[part, name], scatter)
                for stage in rng.choice((("before", "after"), ("before", "after"), ("after",), ("before",))):
                    if stage == "after":
                        value += rng.gauss(moves[part, name], 0.1 * scatter)
                    for repeat in (1, 2) if repeated else (1,):
                        told = float(f"{value + (repeat - 1) * 0.05 * scatter:.5f}")
                        yield Reading(run, part, serial, name, stage, repeat, told, rng.choice((None, *STEPS)))

    def slipped(self, x: Reading) -> Reading:
        rng, v = self.rng, x.value
        other = rng.choice([w for w in self.asked.values() if w.part == x.part])
        wide = self.scatter[x.part, x.name]
        value = rng.choice((
            v * 25.4, v / 25.4, v * 1000, v / 1000, v * 10, v / 10, v * 100, -v, v / 2, other.middle or v, 0.0, 31.0,
            v + 3 * wide, v - 6 * wide, v + 20 * wide, v - 60 * wide, v + 0.3, v - 1.5, v + 12, v * 1e-4,
        ))  # fmt: skip
        return x._replace(value=float(f"{value:.7g}"))

    def made(self, folder: Path) -> BookFolder:
        """The book with what it has, without a question."""
        book = BookFolder.create(folder)
        put(book, "material", {"material": "m", "family": self.family})
        put(book, "furnace", {"furnace": "F1", "atmosphere": "air"})
        put(book, "gauge", *({"gauge": g, "kind": "gauge", "resolution_mm": step} for g, step in STEPS.items()))
        put(book, "cycle", {"cycle": "H", "revision": "A", "title": "harden", "process": "harden", "atmosphere": "air",
                            "source_text": ""})  # fmt: skip
        put(book, "part", *({"part": p, "material": "m", "length_mm": long, "section_thick_mm": thick}
                            for p, (long, thick) in self.parts.items()))  # fmt: skip
        put(book, "characteristic", *map(self._characteristic, self.asked.values()))
        done = {"furnace": "F1", "status": "done", "started": "2026-03-01T08:00:00Z"}
        put(book, "run", *({"run": run, "cycle": cycle, "cycle_revision": cycle and "A", **done}
                           for run, cycle in self.cycles.items()))  # fmt: skip
        put(book, "piece", *({"run": r, "part": p, "serial": s, "quantity": 1, "stock_mm": self.stock[r, p, s]}
                             for r, p, s in self.pieces))  # fmt: skip
        ground = {"sequence": 1, "operation": "ground"}
        put(book, "operation", *({"part": part, "serial": serial, "stock_removed_mm": off, **ground}
                                 for (part, serial), off in self.off.items()))  # fmt: skip
        put(book, "reading", *({
            "run": x.run, "part": x.part, "serial": x.serial, "characteristic": x.name, "stage": x.stage,
            "repeat": x.repeat, self.column(x): x.value, "gauge": x.gauge,
        } for x in self.book))  # fmt: skip
        return book

    def _characteristic(self, w: Asked) -> dict[str, Any]:
        end = "" if w.kind in OWN_UNIT_KINDS else "_mm"
        return {
            "part": w.part, "characteristic": w.name, "kind": w.kind, "scale": "um", "nominal" + end: w.nominal,
            "lower" + end: w.lower, "upper" + end: w.upper, "unit": None if end else w.unit,
            "reference_length_mm": w.reference_length_mm,
        }  # fmt: skip

    def column(self, x: Reading) -> str:
        return "value" if self.asked[x.part, x.name].kind in OWN_UNIT_KINDS else "value_mm"

    def written(self, path: Path) -> Path:
        lines = ["run,part,serial,characteristic,stage,repeat,gauge,value_mm,value"]
        for x in self.file:
            cells = [f"{x.value!r}", ""] if self.column(x) == "value_mm" else ["", f"{x.value!r}"]
            lines.append(",".join([*x[:5], str(x.repeat), x.gauge or "", *cells]))
        path.write_text("\n".join(lines) + "\n")
        return path


class Plain:
    """What stands beside each reading, by loops over all of them, and each reading asked by itself."""

    def __init__(self, case: Case, known: list[Reading], typed: list[Reading]) -> None:
        self.case, self.typed = case, typed
        recent = {
            p: list(dict.fromkeys(r for r, q, _ in reversed(case.pieces) if p == q))[:RUNS_BACK] for p in case.parts
        }
        named = {(x.run, x.part) for x in typed}
        parts = {x.part for x in typed}
        kept = [x for x in known if x.part in parts and ((x.run, x.part) in named or x.run in recent[x.part])]
        order = {piece: n for n, piece in enumerate(sorted({x[:2] for x in kept}))}
        self.known = sorted(kept, key=lambda x: (order[x[:2]], *x[2:6]))
        self.values = {x[:6]: x.value for x in (*self.known, *typed)}
        self.stages = [self._stages(self.known), self._stages(typed)]
        self.moves = [self._moves(self.known), self._moves([*self.known, *typed])]

    def _stages(self, readings: list[Reading]) -> dict[Any, dict[Any, float]]:
        found: dict[Any, dict[Any, float]] = defaultdict(dict)
        for x in readings:
            found[x.part, x.name, x.stage][x[:3]] = x.value
        return found

    def _moves(self, readings: list[Reading]) -> dict[Any, dict[Any, float]]:
        stages, found = self._stages(readings), defaultdict(dict)
        for (part, name, stage), values in stages.items():
            after = stages.get((part, name, "after"), {}) if stage == "before" else {}
            for piece in values.keys() & after.keys():
                found[part, name][piece] = after[piece] - values[piece]
        return {key: {piece: moved[piece] for piece in stages[*key, "before"] if piece in moved}
                for key, moved in found.items()}  # fmt: skip

    def others(self, x: Reading, *sources: tuple[dict[Any, float], int]) -> list[float]:
        for values, enough in sources:
            if len(values) > FEW:
                return list(values.values())[:: -(-len(values) // MOST)]
            found = [v for piece, v in values.items() if piece != x[:3]]
            if len(found) >= enough:
                return found
        return []

    def alone(self, x: Reading) -> Slip | None:
        return self._slip(x, None)

    def _slip(self, x: Reading, other: float | None) -> Slip | None:
        key, stage = (x.part, x.name), (x.part, x.name, x.stage)
        (book, file), (book_moves, file_moves) = self.stages, self.moves
        peers = self.others(x, (book.get(stage, {}), ENOUGH), (file.get(stage, {}), 1))
        off = 2.0 * self.case.off.get((x.part, x.serial), 0.0)
        told: dict[str, Any] = {
            "stock_mm": 2.0 * (self.case.stock[x[:3]] or 0.0) + off, "removed_mm": off,
            "step_mm": STEPS.get(x.gauge or "") or 0.0, "peers": peers, "batch": self.others(x, (file[stage], 1)),
        }  # fmt: skip
        if other is not None:
            moved = {p: v for p, v in file_moves.get(key, {}).items() if p[0] == x.run}
            run = self.others(x, (moved, ENOUGH))
            told |= {
                "other": other, "moved": x.value - other if x.stage == "after" else other - x.value,
                "same_run": bool(run), "history": self._history(x),
                "moves": run or self.others(x, (book_moves.get(key, {}), ENOUGH), (file_moves.get(key, {}), 1)),
            }  # fmt: skip
        nothing = Beside.nothing(1)
        beside = Beside(**{name: _one(told[name]) if name in told else one for name, one in vars(nothing).items()})
        asked = list(self.case.asked.values())
        of = list(self.case.asked).index(key)
        return slips(np.array([x.value]), [w.unit for w in asked], asked, np.array([of]), beside).get(0)

    def _history(self, x: Reading) -> list[float]:
        cycles = self.case.cycles
        moves = self.moves[0].get((x.part, x.name), {})
        some = [(p[0], v) for p, v in moves.items() if cycles[p[0]] and cycles[p[0]] == cycles[x.run]]
        return [v for run, v in some[:: -(-len(some) // MOST) or 1] if run != x.run]

    def questions(self) -> dict[Reading, str]:
        old = {x[:6]: x.value for x in self.known}
        alone = {x[:6]: self.alone(x) for x in self.typed if old.get(x[:6]) != x.value}
        found: dict[Reading, str] = {}
        for x in self.typed:
            if x[:6] not in alone:
                continue
            slip = alone[x[:6]]
            partner = (*x[:4], "after" if x.stage == "before" else "before", x.repeat)
            other = self.values.get(partner)
            if _open(slip) and other is not None and _open(alone.get(partner)):
                slip = self._slip(x, other)
                if slip is not None and slip.against in ("other stage", "movement") and not slip.cause:
                    slip = slip if partner not in alone or self._likelier(x, other) else None
            if slip is not None:
                what = self.case.asked[x.part, x.name]
                found[x] = slip_words(slip, what, what.unit, x.value, x.stage)
        return found

    def _likelier(self, x: Reading, other: float) -> bool:
        stage = x.part, x.name, x.stage
        peers = self.others(x, (self.stages[0].get(stage, {}), ENOUGH), (self.stages[1].get(stage, {}), 1))
        about = median(peers) if len(peers) >= 2 else self.case.asked[x.part, x.name].middle
        mine, theirs = (abs(v - about) if about is not None else 0.0 for v in (x.value, other))
        return mine > theirs or (mine == theirs and x.stage == "after")


def _open(slip: Slip | None) -> bool:
    return slip is None or slip.against == "other pieces"


def _one(told: Any) -> Any:
    if isinstance(told, list):
        return Peers(Lists([np.array([told or [np.nan]])]), np.array([0]))
    return np.array([told])


def asked_of(case: Case, folder: Path) -> list[str]:
    """The words of all questions of a case, after they were held against those of each reading by itself."""
    with case.made(folder / "book") as book:
        taken = take_file(book, "readings", case.written(folder / "r.csv"), dry_run=True, keep_good=True)
        asked = {case.file[(p.line or 0) - 2]: p.what for p in taken.refused if "already in the book" not in p.what}
        assert asked == Plain(case, case.book, case.file).questions()
        conn = book.read()
        for x in case.rng.sample(case.book, min(5, len(case.book))):
            changed = case.slipped(x)
            row = conn.execute("SELECT * FROM reading WHERE run = ? AND part = ? AND serial = ? AND characteristic = ?"
                               " AND stage = ? AND repeat = ?", x[:6]).fetchone()  # fmt: skip
            words = []
            try:
                question_reading(conn, row, {case.column(x): repr(changed.value)}, {case.column(x): changed.value})
            except IntakeError as exc:
                words = [p.what for p in exc.problems]
            assert words == list(Plain(case, [y for y in case.book if y != x], [changed]).questions().values())
    return list(asked.values())


def test_all_at_once_are_asked_as_each_by_itself(tmp_path: Path) -> None:
    asked = []
    for seed in SEEDS:
        case = Case(seed)
        (tmp_path / str(seed)).mkdir()
        asked += asked_of(case, tmp_path / str(seed)) if case.file else []
    assert {words for words in WORDS if not any(words in x for x in asked)} == set()


WORDS = (
    "nominal", "at most", "at least", "the same piece read", "the other pieces read", "long", "thick", "goes from",
    "hardly softer", "told finer", "negative", "pieces moved", "typed as", "shifted decimal", "wrong sign",
    "after swapped", "the radius typed", "the value of", "a slip",
)  # fmt: skip


def test_the_middle_and_the_spread_of_lists_are_those_of_plain_arithmetic() -> None:
    rng = np.random.default_rng(1)
    for width in (1, 2, 5, FEW, MOST):
        values = np.round(rng.normal(0.0, 1.0, (40, width)), 2)
        values[rng.random(values.shape) < 0.3] = np.nan
        count, about, sd = Lists([values]).told
        for row, *told in zip(values, count, about, sd, strict=True):
            plain = [v for v in row.tolist() if v == v]
            if plain:
                middle = median(plain)
                spread = median(abs(v - middle) for v in plain) * MAD_TO_SD * (1.0 + 2.0 / len(plain) ** 0.5)
                assert told == [len(plain), middle, pytest.approx(spread, rel=1e-14)]
            else:
                assert told[0] == 0 and np.isnan(told[1:]).all()


def test_nobody_stands_beside_himself_but_in_a_large_group() -> None:
    group, who = np.repeat([3, 5, 8], [2, 20, 60]), np.concatenate([np.arange(2), np.arange(20), np.arange(60)])
    asked, me = np.array([3, 5, 8, 4, 9, -1]), np.array([1, 7, 0, 1, 1, 1])

    def beside(few: float) -> list[list[float]]:
        peers, _ = Peers.first(me, (Groups(group, who, who * 1.0, few), asked, 1))
        return [[v for v in row if v == v] for row in peers.values(np.arange(6)).tolist()]

    large = np.arange(0.0, 60.0, 2.0).tolist()  # every second, so that there are not more than MOST
    assert beside(FEW) == [[0.0], np.arange(20.0).tolist(), large, [], [], []]
    assert beside(np.inf) == [[0.0], np.delete(np.arange(20.0), 7).tolist(), large[1:], [], [], []]
    none = np.array([], np.int64)
    peers, source = Peers.first(me, (Groups(none, none, np.array([])), asked, 1))
    assert set(source.tolist()) == {-1} and not peers.count.any() and np.isnan(peers.about).all()
