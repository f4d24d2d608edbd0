"""What earlier runs of this furnace showed: how far each place lagged at the low hold, and how forecasts fared."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from loadbook.analysis.following.forecast import Ahead, Replayed, ahead, replayed
from loadbook.analysis.following.lowhold import PastLag, check_holds, lags_of
from loadbook.analysis.following.usual import RUN_END, Stock, Typical, Whole, typical
from loadbook.analysis.trace.model import Cycle, Trace
from loadbook.analysis.trace.phases import find_phases
from loadbook.analysis.trace.validity import prepared
from loadbook.core.errors import LoadbookError
from loadbook.store.book import BookFolder
from loadbook.store.run_records import RunRecord, load_run
from loadbook.store.trace_files import read_trace

_FAULTY = "SELECT channel FROM finding WHERE run = ? AND what = 'fault' AND name <> 'drifting' AND channel IS NOT NULL"
_RUNS = """
SELECT run.run FROM run JOIN trace USING (run)
JOIN cycle ON cycle.cycle = run.cycle AND cycle.revision = run.cycle_revision
WHERE furnace = ? AND process = ? AND run.started < ? AND status = 'done' AND state = 'current' AND run.run <> ?
ORDER BY run.started DESC LIMIT ?
"""
_PIECES = "SELECT piece.setup, piece.quantity * mass_kg AS mass_kg FROM piece JOIN part USING (part) WHERE run = ?"
MOST = 24  # earlier runs that are looked at, the newest ones
CUTS = tuple(k / 25.0 for k in range(1, 25))  # of a run's length: the moments at which its forecasts are replayed


@dataclass(frozen=True)
class Past:
    """What is known before a run begins.

    places  of each place, by its name in small letters, what earlier runs of the process showed at the low hold
    usual, replays  how long segments took, and how forecasts fared, in earlier runs by this very program
    """

    places: dict[str, tuple[PastLag, ...]] = field(default_factory=dict)
    usual: Typical = field(default_factory=Typical)
    replays: tuple[Replayed, ...] = ()


@dataclass(frozen=True)
class Earlier:
    """An earlier run, without the channels that had a fault."""

    run: str
    whole: Whole
    radiant: bool


def past_of(book: BookFolder, record: RunRecord) -> Past:
    """The past of a run: runs of its furnace, before it, by a cycle of the same process, newest first."""
    if record.cycle is None:
        return Past()
    own = (record.row["furnace"], record.cycle.process, record.row["started"], record.run, MOST)
    found = [e for (name,) in book.read().execute(_RUNS, own).fetchall() if (e := _earlier(book, name)) is not None]
    return past_among(found, record.cycle, stock_of(book, record))


def stock_of(book: BookFolder, record: RunRecord) -> Stock:
    """What a run's load is, as far as the book has it. Without a mass of the load that of its pieces counts, without a
    racking of the run that of its pieces, where it is the same of all."""
    pieces = book.read().execute(_PIECES, (record.run,)).fetchall()
    masses = [r["mass_kg"] for r in pieces]
    mass_kg = record.row["load_mass_kg"] or (sum(masses) if masses and None not in masses else None)
    setups = {r["setup"] for r in pieces}
    setup = record.row["setup"] or (setups.pop() if len(setups) == 1 else None)
    return Stock(mass_kg, max((p.section_thick_mm or 0.0 for p in record.pieces), default=0.0) or None, setup)


def past_among(found: Sequence[Earlier], cycle: Cycle, stock: Stock | None = None) -> Past:
    """The past of a run of such a load by a cycle, from earlier runs of its furnace and process."""
    places: dict[str, list[PastLag]] = {}
    for e in found:
        w = e.whole
        where = {c.name: c.place for c in w.trace.channels}
        for order, hold in enumerate(check_holds(w.cycle, w.phases)):
            for channel, shares in lags_of(w.trace, w.phases, hold).items():
                if where[channel] is not None:
                    places.setdefault(str(where[channel]).casefold(), []).append(PastLag(e.run, shares, order))
    same = [e for e in found if _program(e.whole.cycle) == _program(cycle)]
    usual = typical([e.whole for e in same], stock)
    return Past({p: tuple(lags) for p, lags in places.items()}, usual, tuple(_replays(same)))


def _program(cycle: Cycle) -> list[tuple[str, float | None, float | None]]:
    return [(s.kind, s.target_c, s.minutes) for s in cycle.segments]


def _earlier(book: BookFolder, name: str) -> Earlier | None:
    record = load_run(book.read(), name)
    if record.trace is None or record.cycle is None:
        return None
    try:
        trace = read_trace(book, record.trace, record.channels, record.trace_events(record.trace["started"]))
    except LoadbookError:
        return None  # a damaged file of an earlier run tells nothing; `verify` says so
    bad = {r[0] for r in book.read().execute(_FAULTY, (name,))}
    kept = [i for i, c in enumerate(trace.channels) if c.name not in bad]
    sound = replace(
        trace, values=trace.values[kept], flags=trace.flags[kept], channels=tuple(trace.channels[i] for i in kept)
    )
    ready = prepared(sound)
    whole = Whole(ready, record.cycle, find_phases(ready, record.cycle), stock_of(book, record))
    return Earlier(name, whole, radiant(record))


def radiant(record: RunRecord) -> bool:
    """Is the load heated by radiation alone?"""
    return "vacuum" in record.atmosphere.casefold()


def first_of(trace: Trace, until_s: float) -> Trace:
    """A trace as it stood at a moment."""
    n = max(int(np.searchsorted(trace.t_s, until_s, side="right")), 1)
    events = tuple(e for e in trace.events if e.t_s <= until_s)
    return replace(trace, t_s=trace.t_s[:n], values=trace.values[:, :n], flags=trace.flags[:, :n], events=events)


def _replays(same: Sequence[Earlier]) -> list[Replayed]:
    """Forecasts on each earlier run, by what the others did."""
    out: list[Replayed] = []
    for e in same:
        w = e.whole
        usual = typical([o.whole for o in same if o is not e], w.stock)
        end_s = w.ends.get((RUN_END, None), float(w.trace.t_s[-1]))
        said: list[tuple[float, int | None, list[Ahead]]] = []
        for share in CUTS:
            part = first_of(w.trace, share * end_s)
            phases = find_phases(part, w.cycle)
            during = phases.intervals[-1].segment if phases.intervals else None
            said.append((float(part.t_s[-1]), during, ahead(part, w.cycle, phases, usual, radiant=e.radiant)))
        out += replayed(e.run, w, said)
    return out
