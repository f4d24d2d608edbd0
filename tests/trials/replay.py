"""Runs replayed as if they were followed: does anything that is said on the way contradict what is said in the end?

    python -m tests.trials.replay --book FOLDER [--no-past] [--every N]   runs of a book that have a trace
    python -m tests.trials.replay --loads 300 [--seed N]  generated loads, every third with a fault
    python -m tests.trials.replay --histories 60          forecasts: histories of one program each, 28 runs
    --forecasts                                           cut at 25, 50 and 75 % alone

Each run is cut at ten points, tenths of its length, and looked at as `follow` looks. It *contradicts* where a clause
is told broken and is not in the end, or is told kept (or not yet begun) a quarter of an hour or more after the moment
at which it turns out to have broken. What is told as a forecast ("heading for a break") is counted apart: said, and
come true. A false stop is a low hold check that says stop where the whole run shows no fault of that channel.
"""

from __future__ import annotations

import argparse
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from itertools import chain, pairwise
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np

from loadbook.analysis.following.forecast import Ahead
from loadbook.analysis.following.so_far import BROKEN, HEADING, KEPT, NOT_YET, SETTLES_S, Standing
from loadbook.analysis.following.usual import Whole, happened
from loadbook.analysis.planning.stock import Stock
from loadbook.analysis.trace.model import Limit, Trace
from loadbook.analysis.trace.phases import find_phases
from loadbook.analysis.trace.validity import prepared
from loadbook.core import times
from loadbook.queries.earlier_runs import MOST, Earlier, Past, first_of, past_among, past_of, radiant
from loadbook.queries.following import seen_of
from loadbook.store import derived
from loadbook.store.book import BookFolder
from loadbook.store.run_records import RunRecord, load_run
from loadbook.store.trace_files import read_trace
from tests import faulty
from tests.loads import Load, Spec, batches, draw, figures, generate, integrate, recorded

CUTS = tuple(k / 10.0 for k in range(1, 11))
STARTED = "2026-03-05T22:00:00Z"
SHARES = (0.25, 0.5, 0.75)  # of the way: there forecasts are held to their word too
Case = tuple[RunRecord, Trace, Past]


# ---- the runs -----------------------------------------------------------------------------------------------------
def of_book(book: BookFolder, every: int, with_past: bool) -> Iterator[Case]:
    runs = book.read().execute("SELECT run FROM trace WHERE state = 'current' ORDER BY run").fetchall()
    for (run,) in runs[::every]:
        record = load_run(book.read(), run)
        assert record.trace is not None
        trace = read_trace(book, record.trace, record.channels, record.trace_events(record.trace["started"]))
        # while a run goes on, nobody has decided about its faults and nobody has said that it was aborted
        live = replace(record, confirmations=(), row={**record.row, "status": "done", "ended": None})
        yield live, trace, past_of(book, record) if with_past else Past()


def of_loads(count: int, seed: int) -> Iterator[Case]:
    """Every third with a fault; limits are drawn about what the load did, so that about half of them break."""
    for numbers in batches(count):
        kinds = sorted(faulty._MAKERS)
        healthy = generate(seed, numbers)
        bad = generate(seed, numbers, [kinds[i % len(kinds)] for i in numbers])
        for i, (good, broken) in zip(numbers, zip(healthy, bad, strict=True), strict=True):
            yield of_load(broken if i % 3 == 2 else good, seed, i)


def of_load(load: Load, seed: int, number: int) -> Case:
    rng = np.random.default_rng([seed, number, 5])
    did = figures(load, load.clean)
    near = lambda value: float(value * rng.uniform(0.75, 1.35))  # noqa: E731
    rate = max((b[3] - a[3]) / (b[2] - b[1]) for a, b in _moves(load)) * 3600.0
    limits = (
        Limit(1, "spread", "max", near(did["spread_heating_c"]), "heating"),
        Limit(2, "spread", "max", near(did["spread_hold_c"]) + 2.0, "hold"),
        Limit(3, "lead", "max", near(did["lead_heating_c"]), "heating"),
        Limit(4, "over_temperature", "max", load.spec.target_c + float(rng.uniform(0.0, 15.0))),
        Limit(5, "heating_rate", "max", near(rate), "heating"),
        Limit(6, "gap", "max", 600.0),
    )
    segments = tuple(
        replace(s, minutes=s.minutes * float(rng.uniform(0.3, 1.0)), minutes_max=s.minutes * 1.2) if s.minutes else s
        for s in load.cycle.segments
    )
    cycle = replace(load.cycle, segments=segments, limits=limits)
    record = RunRecord(
        f"{seed}/{number}", {"furnace": "F", "started": STARTED, "atmosphere": None, "status": "done", "ended": None},
        cycle, load.trace.channels, tuple(load.pieces), (),
        {"furnace": "F", "atmosphere": "vacuum" if load.spec.vacuum else "air", "uniformity_c": None}, (), None, (), {},
    )  # fmt: skip
    return record, replace(load.trace, started=STARTED), Past()


def _moves(load: Load) -> list[tuple[Any, Any]]:
    marks = [("start", 0.0, 0.0, load.spec.start_c), *load.spec.marks]
    return [(a, b) for a, b in pairwise(marks) if b[0] == "heat"]


# ---- histories of one program: forecasts by the runs before ---------------------------------------------------------
RUNS, ASKED = 28, 4  # runs of a history; the last ones are asked, each by the 24 before it


def of_histories(count: int, seed: int) -> Iterator[Case]:
    for number in range(count):
        found = history(seed, number)
        done = [earlier(f"{number}/{k}", case) for k, case in enumerate(found)]
        for k in range(RUNS - ASKED, RUNS):
            record, trace, _ = found[k]
            assert record.cycle is not None
            yield record, trace, past_among(done[max(k - MOST, 0) : k][::-1], record.cycle, stock_of(record))


def earlier(name: str, case: Case) -> Earlier:
    record, trace, _ = case
    assert record.cycle is not None
    ready = prepared(trace)
    return Earlier(
        name, Whole(ready, record.cycle, find_phases(ready, record.cycle), stock_of(record)), radiant(record)
    )


def stock_of(record: RunRecord) -> Stock:
    return Stock(record.row["load_mass_kg"], max(p.section_thick_mm or 0.0 for p in record.pieces), record.row["setup"])


@dataclass(frozen=True)
class Drawn:
    """What went in: its mass and how it was racked, as the book has them, and the part number, whose sections it has.

    thick  its sections over those of the history's first load
    """

    mass_kg: float
    setup: str
    thick: float

    @property
    def slower(self) -> float:
        """Over the time constants of the first load: common forms, not anybody's figures."""
        return self.thick**1.2 * (self.mass_kg / 400.0) ** 0.3 * (1.08 if self.setup == "close" else 0.93)


def _drawn(rng: np.random.Generator, parts: np.ndarray) -> Drawn:
    mass_kg = round(400.0 * float(np.exp(rng.normal(0.0, 0.35))), 1)
    return Drawn(mass_kg, str(rng.choice(["open", "close"])), float(rng.choice(parts)))


def history(seed: int, number: int) -> list[Case]:
    """Runs by one program in one furnace. The load's mass, its sections and racking, the furnace's pace and its places
    differ from run to run; the shop ends the top hold when the slowest part has soaked as long as is asked, and
    somebody comes: mostly within the half hour, one time in ten after up to four hours."""
    rng = np.random.default_rng([seed, number, 9])
    base = draw(seed, number)
    base = _warped(base, base.marks, 60.0)
    parts = np.exp(rng.normal(0.0, 0.125, 4))  # of four part numbers, over the first load's
    drawn = [_drawn(rng, parts) for _ in range(RUNS)]
    top = max(i for i, mark in enumerate(base.marks) if mark[0] == "hold")
    asked_min = float(rng.uniform(60.0, 180.0))
    specs = [_another(base, rng, top, k, drawn[k].slower) for k in range(RUNS)]
    for spec, physics in zip(specs, integrate(specs), strict=True):
        begin, end, target = spec.marks[top][1:]
        inside = (physics.body.min(axis=0) > target - 9.0) & (spec.t >= begin)
        soaked_s = float(spec.t[int(np.argmax(inside))]) if inside.any() else end
        waits_s = float(rng.exponential(900.0)) if rng.random() < 0.9 else float(rng.uniform(1800.0, 14400.0))
        ends_s = max(soaked_s + 60.0 * asked_min + waits_s, begin + 1800.0)
        shift = ends_s - end
        marks = [
            m if i < top else (m[0], m[1] + (i > top) * shift, m[2] + shift, m[3]) for i, m in enumerate(spec.marks)
        ]
        changed = _warped(spec, marks, 60.0)
        specs[specs.index(spec)] = replace(changed, fan_s=spec.fan_s + shift)
    cases = []
    for k, load in enumerate(recorded(specs)):
        segments = tuple(
            replace(s, minutes=asked_min if s.number == top + 1 else 10.0) if s.kind == "hold" else s
            for s in (
                *load.cycle.segments[:-1],
                replace(load.cycle.segments[-1], target_c=load.spec.marks[-1][3] + 10.0),
            )
        )
        record, trace, _ = of_load(load, seed, number)
        assert record.cycle is not None
        cycle = replace(record.cycle, segments=segments, limits=())
        row = {**record.row, "load_mass_kg": drawn[k].mass_kg, "setup": drawn[k].setup}
        sections = base.tau_s.reshape(4, 2).max(axis=1) / 60.0 * drawn[k].thick
        pieces = tuple(replace(p, section_thick_mm=float(mm)) for p, mm in zip(record.pieces, sections, strict=True))
        cases.append((replace(record, run=f"{number}/{k}", row=row, pieces=pieces, cycle=cycle), trace, Past()))
    return cases


def _another(base: Spec, rng: np.random.Generator, top: int, k: int, slower: float) -> Spec:
    pace = [float(np.exp(rng.normal(0.0, 0.04))) for _ in base.marks]
    marks, at = [], base.marks[0][1] * float(rng.uniform(0.5, 1.5))
    for (kind, begin, end, target), factor in zip(base.marks, pace, strict=True):
        marks.append((kind, at, at + (end - begin) * factor, target))
        at = marks[-1][2]
    top_hold = marks[top]
    longer = 20 * 3600.0 - (top_hold[2] - top_hold[1])  # long enough for any load: cut to its own length afterwards
    marks = [m if i < top else (m[0], m[1] + (i > top) * longer, m[2] + longer, m[3]) for i, m in enumerate(marks)]
    made = replace(
        _warped(base, marks, 60.0), seed=(*base.seed, k),
        tau_s=base.tau_s * slower * np.exp(rng.normal(0.0, 0.1, base.tau_s.size)),
        cold_c=np.minimum(base.cold_c, 5.0) + rng.normal(0.0, 1.0, base.cold_c.size),
        drag=base.drag * float(rng.uniform(0.6, 1.4)),
    )  # fmt: skip
    return replace(made, fan_s=base.fan_s + marks[top][2] - base.marks[top][2])


def _warped(spec: Spec, marks: list[tuple[str, float, float, float]], dt: float) -> Spec:
    """The same program with other moments for its segments."""
    before = np.array([0.0, spec.marks[0][1], *(m[2] for m in spec.marks)])
    after = np.array([0.0, marks[0][1], *(m[2] for m in marks)])
    t = np.arange(int(after[-1] / dt)) * dt
    there = np.interp(t, after, before)
    return replace(
        spec, t=t, dt=dt, marks=marks, program=np.interp(there, spec.t, spec.program),
        ripple=np.interp(there, spec.t, spec.ripple), events=[],
    )  # fmt: skip


# ---- what is said on the way, against the end -----------------------------------------------------------------------
def replay(
    case: Case, book: Any, count: Counter[str], told: list[str], scores: Scores, cuts: Sequence[float]
) -> None:  # fmt: skip
    record, trace, past = case
    factor, decides = book.guard()
    whole = derived.work(record, trace, guard_factor=factor, guard_decides=decides, figures=False)
    final = {c.clause: c for c in whole.judgement.clauses}
    faults = {(f.channel, f.kind) for f in whole.faults} | {(f.other, f.kind) for f in whole.faults}
    ends = happened(whole.trace, record.cycle, whole.phases) if record.cycle else {}
    count["runs"] += 1
    stopped = False
    for share in cuts:
        part = first_of(trace, share * float(trace.t_s[-1]))
        seen = seen_of(book, record, part, past)
        now_s = float(part.t_s[-1])
        count["looks"] += 1
        for s in seen.standings:
            _clause(s, final[s.clause], now_s, f"{record.run} at {share:.0%}", count, told)
        for f in seen.faults:
            count["faults named"] += 1
            if (f.channel, f.kind) not in faults:
                count["faults named, and not in the end"] += 1
                told.append(f"{record.run} at {share:.0%}: fault {f.channel} {f.kind}, not in the end")
        low = seen.low_hold
        if low is not None and low.says == "stop and look" and not stopped:
            stopped = True
            names = {str(r.figures["channel"]) for r in low.remarks}
            count["low hold: stop"] += 1
            if not names & {name for name, _ in faults}:
                count["low hold: stop without a fault in the end"] += 1
                told.append(f"{record.run} at {share:.0%}: stop and look {[r.code for r in low.remarks]} {names}")
        if seen.over and now_s < whole.phases.until_s - SETTLES_S:
            count["told over too early"] += 1
            told.append(f"{record.run} at {share:.0%}: over")
        if share in SHARES:
            scores.add(seen.ahead, ends, now_s, share)


def _clause(s: Standing, end: Any, now_s: float, where: str, count: Counter[str], told: list[str]) -> None:
    count[f"clauses {s.state}"] += 1
    said = f"{where}: {s.clause} {s.state} ({s.value} / {s.limit})"
    lacks = end.missing and end.missing.code
    ends = f"in the end {end.verdict} ({end.value}, first {end.first_s}, now {now_s:.0f}) {lacks or ''}"
    if s.state == BROKEN and end.verdict != "broken":
        count["broken, and not in the end" + (" (said to rest on one TC)" if s.alone else "")] += 1
        told.append(f"{said}, {ends}")
    elif s.state in (KEPT, NOT_YET) and end.verdict == "broken" and end.first_s is not None:
        if end.first_s < now_s - SETTLES_S:
            count["kept, and broke before"] += 1
            told.append(f"{said}, {ends}")
    elif s.state == HEADING:
        count["heading, came true"] += end.verdict == "broken"
        if end.verdict == "broken" and s.at_s is not None and end.first_s is not None:
            count["heading, came true within 15 min of the moment"] += abs(s.at_s - end.first_s) < 900.0
        told.append(f"{said} at {s.at_s:.0f}, {ends}")


@dataclass
class Scores:
    """Forecasts against what came, by share of the run's length and by what is forecast."""

    held: dict[tuple[float, str], list[tuple[bool, float, float, float]]] = field(default_factory=dict)

    def add(
        self, found: Sequence[Ahead], ends: dict[tuple[str, int | None], float], now_s: float, share: float
    ) -> None:
        for a in found:
            at = ends.get((a.what, a.segment))
            if at is None or at <= now_s or a.low_s is None or a.high_s is None or a.level is None:
                continue
            row = (a.low_s <= at <= a.high_s, a.level, (a.high_s - a.low_s) / 3600.0, abs(a.at_s - at) / 3600.0)
            self.held.setdefault((share, a.what), []).append(row)

    def table(self) -> str:
        lines = ["| at | forecast | n | promised | held | ± | width, h (median) | off by, h (median) |",
                 "|---|---|---|---|---|---|---|---|"]  # fmt: skip
        groups = dict(sorted(self.held.items()))
        for share in SHARES:
            groups[share, "all"] = [row for (k, _), rows in self.held.items() if k == share for row in rows]
        for (share, what), rows in groups.items():
            if rows:
                held, level, width, off = (np.array(x, float) for x in zip(*rows, strict=True))
                error = np.sqrt(held.mean() * (1.0 - held.mean()) / held.size)
                lines.append(f"| {share:.0%} | {what} | {held.size} | {level.mean():.3f} | {held.mean():.3f} "
                             f"| {error:.3f} | {np.median(width):.2f} | {np.median(off):.2f} |")  # fmt: skip
        return "\n".join(lines)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--book")
    parser.add_argument("--every", type=int, default=1, help="of a book: only each Nth run")
    parser.add_argument("--no-past", action="store_true", help="of a book: without earlier runs, so without intervals")
    parser.add_argument("--loads", type=int, default=0)
    parser.add_argument("--histories", type=int, default=0)
    parser.add_argument("--seed", type=int, default=1818)
    parser.add_argument("--forecasts", action="store_true", help="cut only where forecasts are held to their word")
    parser.add_argument("--quiet", action="store_true", help="the table alone")
    options = parser.parse_args()
    count: Counter[str] = Counter()
    told: list[str] = []
    scores = Scores()
    cuts = SHARES if options.forecasts else sorted({*CUTS, *SHARES})
    if options.book:
        with BookFolder.open(Path(options.book)) as book:
            for case in of_book(book, options.every, not options.no_past):
                replay(case, book, count, told, scores, cuts)
    plain = SimpleNamespace(guard=lambda: (1.0, False), zone=times.zone_of("UTC"))
    for case in chain(of_loads(options.loads, options.seed), of_histories(options.histories, options.seed)):
        replay(case, plain, count, told, scores, cuts)
    if not options.quiet:
        print("\n".join(told))
    for name, n in sorted(count.items()):
        print(f"{n:7d}  {name}")
    print(f"\n{scores.table()}")


if __name__ == "__main__":
    main()
