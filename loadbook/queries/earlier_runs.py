"""What earlier runs of this furnace showed: how far each place lagged at the low hold, and how forecasts fared."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from loadbook.analysis.following.forecast import (
    RUN_END,
    Ahead,
    Replayed,
    Typical,
    ahead,
    happened,
    replayed,
    typical,
)
from loadbook.analysis.following.lowhold import PastLag, check_holds, lags_of
from loadbook.analysis.trace.model import Cycle, Trace
from loadbook.analysis.trace.phases import Phases, find_phases
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
    """An earlier run, without the channels that had a fault; trace is prepared."""

    run: str
    trace: Trace
    cycle: Cycle
    phases: Phases
    radiant: bool

    @property
    def whole(self) -> tuple[Trace, Cycle, Phases]:
        return self.trace, self.cycle, self.phases


def past_of(book: BookFolder, record: RunRecord) -> Past:
    """The past of a run: runs of its furnace, before it, by a cycle of the same process, newest first."""
    if record.cycle is None:
        return Past()
    own = (record.row["furnace"], record.cycle.process, record.row["started"], record.run, MOST)
    found = [e for (name,) in book.read().execute(_RUNS, own).fetchall() if (e := _earlier(book, name)) is not None]
    return past_among(found, record.cycle)


def past_among(found: Sequence[Earlier], cycle: Cycle) -> Past:
    """The past of a run by a cycle, from earlier runs of its furnace and process."""
    places: dict[str, list[PastLag]] = {}
    for e in found:
        where = {c.name: c.place for c in e.trace.channels}
        for order, hold in enumerate(check_holds(e.cycle, e.phases)):
            for channel, shares in lags_of(e.trace, e.phases, hold).items():
                if where[channel] is not None:
                    places.setdefault(str(where[channel]).casefold(), []).append(PastLag(e.run, shares, order))
    same = [e for e in found if _program(e.cycle) == _program(cycle)]
    return Past({p: tuple(lags) for p, lags in places.items()}, typical([e.whole for e in same]), tuple(_replays(same)))


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
    return Earlier(name, ready, record.cycle, find_phases(ready, record.cycle), radiant(record))


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
        usual = typical([o.whole for o in same if o is not e])
        end_s = happened(*e.whole).get((RUN_END, None), float(e.trace.t_s[-1]))
        said: list[tuple[float, int | None, list[Ahead]]] = []
        for share in CUTS:
            part = first_of(e.trace, share * end_s)
            phases = find_phases(part, e.cycle)
            during = phases.intervals[-1].segment if phases.intervals else None
            said.append((float(part.t_s[-1]), during, ahead(part, e.cycle, phases, usual, radiant=e.radiant)))
        out += replayed(e.run, *e.whole[:2], said, e.phases)
    return out
