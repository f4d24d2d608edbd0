"""What earlier runs of this furnace showed: how far each place lagged at the low hold, and how forecasts fared."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from loadbook.analysis.following.forecast import Ahead, Replayed, ahead, beforehand, replayed, with_intervals
from loadbook.analysis.following.lowhold import PastLag, check_holds, lags_of
from loadbook.analysis.following.usual import RUN_END, Typical, Whole, typical
from loadbook.analysis.planning.hours import COOLING, HEATING, varied
from loadbook.analysis.planning.stock import Stock
from loadbook.analysis.trace.model import Cycle, Trace
from loadbook.analysis.trace.phases import find_phases
from loadbook.analysis.trace.validity import prepared
from loadbook.core.errors import LoadbookError
from loadbook.store.book import BookFolder
from loadbook.store.run_records import RunRecord, load_run
from loadbook.store.trace_files import read_trace

from .stock import stock_of

_FAULTY = "SELECT channel FROM finding WHERE run = ? AND what = 'fault' AND name <> 'drifting' AND channel IS NOT NULL"
_RUNS = """
SELECT run.run FROM run JOIN trace USING (run)
JOIN cycle ON cycle.cycle = run.cycle AND cycle.revision = run.cycle_revision
WHERE furnace = ? AND process = ? AND run.started < ? AND status = 'done' AND state = 'current' AND run.run <> ?
ORDER BY run.started DESC LIMIT ?
"""
MOST = 24  # earlier runs that are looked at, the newest ones
CUTS = tuple(k / 25.0 for k in range(1, 25))  # of a run's length: the moments at which its forecasts are replayed


@dataclass(frozen=True)
class Past:
    """What is known before a run begins.

    places  of each place, by its name in small letters, what earlier runs of the process showed at the low hold
    program  the run's cycle at the rates that its controller was set to
    usual, replays  how long segments took, and how forecasts fared, in earlier runs by this very program
    """

    places: dict[str, tuple[PastLag, ...]] = field(default_factory=dict)
    usual: Typical = field(default_factory=Typical)
    replays: tuple[Replayed, ...] = ()
    program: Cycle | None = None


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
    found = list(_earlier_runs(book, book.read(), record))
    return past_among(found, as_set(book.read(), record), stock_of(book.read(), record.run))


def _earlier_runs(book: BookFolder, conn: sqlite3.Connection, record: RunRecord) -> Iterator[Earlier]:
    """conn reads the run, which may be one that is only planned; book has the traces of the others."""
    assert record.cycle is not None
    own = (record.row["furnace"], record.cycle.process, record.row["started"], record.run, MOST)
    for (name,) in conn.execute(_RUNS, own).fetchall():
        found = _earlier(book, name)
        if found is not None:
            yield found


def before_start(book: BookFolder, conn: sqlite3.Connection, record: RunRecord) -> tuple[Ahead, ...]:
    """When the holds of a run that has not begun will be soaked, and when it will be done, in seconds from its start;
    as earlier runs by its program in its furnace tell. conn reads the run, which may be one that is only planned."""
    cycle = as_set(conn, record) if record.cycle else None
    if cycle is None:
        return ()
    done = {e.run: e.whole for e in _earlier_runs(book, conn, record) if _program(e.whole.cycle) == _program(cycle)}
    past: list[Replayed] = []
    for run, whole in done.items():
        usual = typical([w for r, w in done.items() if r != run], whole.stock)
        past += replayed(run, whole, [(0.0, None, beforehand(whole.cycle, usual))])
    return with_intervals(beforehand(cycle, typical(list(done.values()), stock_of(conn, record.run))), 0.0, past)


def as_set(conn: sqlite3.Connection, record: RunRecord) -> Cycle:
    """A run's cycle at the rates that its controller was set to, where the book has them."""
    assert record.cycle is not None
    rates = conn.execute(
        "SELECT parameter, value FROM parameter WHERE run = ? AND source = 'asked' AND channel IS NULL"
        " AND parameter IN (?, ?)", (record.run, HEATING, COOLING),
    )  # fmt: skip
    return varied(record.cycle, dict(rates.fetchall()))


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
    return Past({p: tuple(lags) for p, lags in places.items()}, usual, tuple(_replays(same)), cycle)


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
    cycle = as_set(book.read(), record)
    whole = Whole(ready, cycle, find_phases(ready, cycle), stock_of(book.read(), record.run))
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
