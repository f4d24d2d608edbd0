"""How far each place lagged at the low holds of earlier runs of this furnace by cycles of this process."""

from __future__ import annotations

from dataclasses import dataclass, field

from loadbook.analysis.following.lowhold import PastLag, lags_of
from loadbook.analysis.trace.phases import find_phases
from loadbook.analysis.trace.validity import prepared
from loadbook.core.errors import LoadbookError
from loadbook.store.book import BookFolder
from loadbook.store.run_records import RunRecord, load_run
from loadbook.store.trace_files import read_trace

_FAULTY = "SELECT channel FROM finding WHERE run = ? AND what = 'fault' AND name <> 'drifting' AND channel IS NOT NULL"
MOST = 14  # earlier runs that are looked at, the newest ones


@dataclass(frozen=True)
class Past:
    """places: what earlier runs showed of each place, by its name in small letters; runs: which they were."""

    places: dict[str, tuple[PastLag, ...]] = field(default_factory=dict)
    runs: tuple[str, ...] = ()


def past_of(book: BookFolder, record: RunRecord) -> Past:
    """The past of a run's places: runs of its furnace, before it, by a cycle of the same process, newest first."""
    if record.cycle is None:
        return Past()
    rows = book.read().execute(
        "SELECT run.run FROM run JOIN cycle ON cycle.cycle = run.cycle AND cycle.revision = run.cycle_revision"
        " JOIN trace USING (run) WHERE furnace = ? AND process = ? AND run.started < ? AND status = 'done'"
        " AND state = 'current' AND run.run <> ? ORDER BY run.started DESC LIMIT ?",
        (record.row["furnace"], record.cycle.process, record.row["started"], record.run, MOST),
    )
    places: dict[str, list[PastLag]] = {}
    runs = []
    for (name,) in rows.fetchall():
        earlier = load_run(book.read(), name)
        assert earlier.trace is not None
        try:
            trace = read_trace(book, earlier.trace, earlier.channels, earlier.trace_events(earlier.trace["started"]))
        except LoadbookError:
            continue  # a damaged file of an earlier run tells nothing; `verify` says so
        known = book.read().execute(_FAULTY, (name,)).fetchall()
        bad = {r[0] for r in known}
        ready = prepared(trace)
        runs.append(name)
        for channel, lag in lags_of(ready, find_phases(ready, earlier.cycle), earlier.cycle).items():
            place = next((c.place for c in ready.channels if c.name == channel), None)
            if place and channel not in bad:
                places.setdefault(place.casefold(), []).append(PastLag(name, lag))
    return Past({place: tuple(lags) for place, lags in places.items()}, tuple(runs))
