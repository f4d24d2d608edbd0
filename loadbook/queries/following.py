"""A run while it is recorded: the trace so far judged, and what may be told of it. Nothing is written to the book."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from loadbook.analysis.clauses.judge import judge
from loadbook.analysis.following.forecast import Ahead, ahead, with_intervals
from loadbook.analysis.following.lowhold import HARMLESS, LATE, STOP, Checked, checked
from loadbook.analysis.following.so_far import (
    BROKEN,
    HEADING,
    KEPT,
    NOT_YET,
    OPEN,
    RUNNING,
    Place,
    Standing,
    as_dict,
    place,
    standings,
)
from loadbook.analysis.trace.model import Cycle, Fault, Judgement, Trace
from loadbook.analysis.trace.phases import Phases
from loadbook.analysis.trace.validity import without
from loadbook.core import times
from loadbook.core.errors import LoadbookError, OpenQuestion
from loadbook.readers.recorder.growing import Growing
from loadbook.readers.recorder.kept_layouts import KeptLayout
from loadbook.readers.recorder.options import Options
from loadbook.readers.recorder.take import trace_so_far
from loadbook.store import derived
from loadbook.store.book import BookFolder
from loadbook.store.run_records import RunRecord, load_run

from .earlier_runs import Past, past_of, radiant
from .evidence_words import words

FIRST_PASS = (
    "The hour that clocks show twice is read as its first pass until the clock goes back; --fold or --zone settles it."
)
# the worst first, as a reader wants them
ORDER = (BROKEN, HEADING, RUNNING, OPEN, KEPT, NOT_YET)


@dataclass(frozen=True)
class Seen:
    """A run as far as it is recorded. at is the UTC moment of the last sample, as stored; started the trace's first.

    waiting   why the file cannot be read or understood just now, '' where it can: what else stands here is older then
    over      an event has ended the run;  arrived  the target of the cycle's last segment has come
    """

    run: str
    started: str = ""
    at: str = ""
    place: Place | None = None
    standings: tuple[Standing, ...] = ()
    faults: tuple[Fault, ...] = ()
    low_hold: Checked | None = None
    samples: int = 0
    waiting: str = ""
    over: bool = False
    arrived: bool = False
    cycle: str = ""
    ahead: tuple[Ahead, ...] = ()
    assumed: str = ""

    @property
    def worst(self) -> str:
        """The worst state of a clause; '' without a clause."""
        return next((s for s in ORDER if any(x.state == s for x in self.standings)), "")

    @property
    def stop(self) -> bool:
        """Does the low hold check ask to stop and look, before the run has come to its next hold?"""
        low = self.low_hold
        now = (self.place.segment if self.place else None) or 0
        return low is not None and low.says == STOP and now <= low.segment + 1

    def moment(self, seconds: float | None) -> str | None:
        """UTC moment of a time of the trace."""
        return derived.moment(self.started or None, seconds)

    def as_dict(self) -> dict[str, Any]:
        """As a JSON line carries it: temperatures °C, moments UTC."""
        return {
            "run": self.run, "at": self.at or None, "samples": self.samples, "waiting": self.waiting or None,
            "assumed": self.assumed or None,
            "over": self.over, "arrived": self.arrived,
            "state": self.worst or None, "place": as_dict(self.place) if self.place else None,
            "clauses": [{**as_dict(s), "at": self.moment(s.at_s), "missing": s.missing and words(s.missing, "si"),
                         "missing_code": s.missing and s.missing.code} for s in self.standings],
            "faults": [{"channel": f.channel, "fault": f.kind, "from": self.moment(f.start_s),
                        "evidence": [e if isinstance(e, str) else e.as_dict() for e in f.evidence]}
                       for f in self.faults],
            "ahead": [{**as_dict(a), "at": self.moment(a.at_s), "low": self.moment(a.low_s),
                       "high": self.moment(a.high_s)} for a in self.ahead],
            "stop_and_look": self.stop, "low_hold": self.low_hold.as_dict() if self.low_hold else None,
        }  # fmt: skip


@dataclass(frozen=True)
class Look:
    """One look at the file: when (UTC), seconds until the next (None: there is none), and whether it showed something
    new."""

    at: datetime
    rest_s: float | None = None
    changed: bool = True


@dataclass
class Follower:
    """Follows one file as the trace of one run of the book.

    options, layout  as `trace take` has them;  any_hold  the low hold check at every hold, not only at one that is
    there to check thermocouples
    """

    book: BookFolder
    record: RunRecord
    file: Growing
    options: Options
    layout: KeptLayout | None
    any_hold: bool = False
    seen: Seen = field(init=False)
    _past: Past | None = field(default=None, init=False)

    def __post_init__(self) -> None:
        c = self.record.cycle
        self.seen = Seen(self.record.run, cycle=f"{c.cycle} revision {c.revision}" if c else "")

    def look(self) -> bool:
        """Look once; True where something changed. A file that cannot be read just now changes `seen.waiting` alone.

        Raises LoadbookError where the file is larger than any recorder's
        """
        from dataclasses import replace

        before = self.seen
        what = self.file.look()
        if what == "waiting":
            self.seen = replace(self.seen, waiting=self.file.waiting)
        elif what == "grew":
            try:
                # what is written down meanwhile counts: events, channels, pieces
                self.record = replace(load_run(self.book.read(), self.record.run), trace=None)
                trace, assumed = self._read()
                self.seen = replace(self.judged(trace), assumed=assumed)
            except LoadbookError as exc:  # a heading alone, or a question: more rows may settle it
                self.seen = replace(self.seen, waiting=str(exc))
        elif before.waiting and not self.file.waiting and before.samples:
            self.seen = replace(self.seen, waiting="")
        return self.seen is not before

    def _read(self) -> tuple[Trace, str]:
        """The trace so far, and what was assumed. In the hour that clocks show twice a file that has not come to the
        second pass leaves open which one it is; a run goes on meanwhile."""
        from dataclasses import replace

        given = self.book, self.file.source, self.record
        try:
            return trace_so_far(*given, self.options, self.layout), ""
        except OpenQuestion as exc:
            if not exc.option.startswith("--fold") or self.options.fold:
                raise
            return trace_so_far(*given, replace(self.options, fold="first"), self.layout), FIRST_PASS

    def judged(self, trace: Trace) -> Seen:
        """A trace so far, as read (not prepared), judged by the run's record."""
        return seen_of(self.book, self.record, trace, self._past_once(), any_hold=self.any_hold)

    def _past_once(self) -> Past:
        if self._past is None:
            self._past = past_of(self.book, self.record)
        return self._past


def follower(
    book: BookFolder, path: Path, run: str, options: Options, layout: KeptLayout | None, *, any_hold: bool = False
) -> Follower:
    """What follows a file as the trace of a run. Raises NotFoundError (no such run), LoadbookError (it has a trace)."""
    record = load_run(book.read(), run)
    if record.trace is not None:
        raise LoadbookError(
            f"run {run!r} has a trace already, from {record.trace['source_name']}",
            remedy="Follow a run that has none yet; judge this one: loadbook judge " + run,
        )
    return Follower(book, record, Growing(path), options, layout, any_hold)


def seen_of(book: BookFolder, record: RunRecord, trace: Trace, past: Past, *, any_hold: bool = False) -> Seen:
    """A trace so far judged by a run's record. trace as read, with its events."""
    from dataclasses import replace

    record = replace(record, channels=trace.channels)
    c = record.cycle
    factor, decides = book.guard()
    done = derived.work(record, trace, guard_factor=factor, guard_decides=decides, figures=False)

    def again(part: Trace) -> Judgement:
        return judge(part, c, record.pieces, done.phases, (), facts=record.facts)

    assert trace.started is not None
    end = done.phases.intervals[-1] if done.phases.intervals else None
    last_one = c.segments[-1] if c and c.segments else None
    arrived = bool(last_one and end and end.segment == last_one.number and end.kind != "hold" and end.reached)
    last = times.from_stored(trace.started) + timedelta(seconds=round(float(trace.t_s[-1]), 3))
    low = checked(done.trace, record.cycle, done.phases, done.faults, past.places, any_hold=any_hold)
    sound = without(done.repaired, [f.channel for f in done.faults if f.kind not in HARMLESS + LATE])
    to_come = ahead(sound, past.program or record.cycle, done.phases, past.usual, radiant=radiant(record))
    main = done.phases.main_hold
    settled = main is not None and main.end < done.phases.until
    hidden = HARMLESS if settled else HARMLESS + LATE  # before the load has evened out, a lag looks like a wrong table
    return Seen(
        record.run, trace.started, times.stored(last), _place(done.repaired, done.phases, done.judgement, c),
        standings(done.repaired, c, done.phases, done.judgement, again),
        tuple(f for f in done.faults if f.kind not in hidden), low, int(trace.t_s.size), "",
        done.phases.ended_by is not None, arrived,
        f"{c.cycle} revision {c.revision}" if c else "",
        with_intervals(to_come, float(trace.t_s[-1]), past.replays, end.segment if end else None),
    )  # fmt: skip


def _place(trace: Trace, phases: Phases, judgement: Judgement, cycle: Cycle | None) -> Place:
    """Where the run stands. Without a cycle a move has no target: what the phases have is where it is just now."""
    from dataclasses import replace

    found = place(trace, phases, judgement)
    return replace(found, target_c=None) if cycle is None and found.kind != "hold" else found
