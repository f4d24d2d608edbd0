"""A named person's decision on a suspected thermocouple fault: recorded, then the run is judged again."""

from __future__ import annotations

from loadbook.calc.faults import KINDS
from loadbook.ground import times
from loadbook.ground.errors import NotFoundError, UsageError
from loadbook.ground.vocabulary import nearest
from loadbook.keep.book import BookFolder
from loadbook.keep.records import add_intake
from loadbook.keep.runrecords import load_run
from loadbook.keep.tracefile import read_trace

from .reckon import reckon_run


def confirm_fault(book: BookFolder, run: str, channel: str, fault: str, decision: str, person: str, why: str) -> str:
    """Record the decision and reckon the run, in one transaction; gives the run's verdict.

    A later decision on the same fault takes the place of an earlier one; both stay in the book.
    Raises NotFoundError (no such run, channel or trace), UsageError (an unknown kind of fault, or one that was
    never suspected of that channel)
    """
    if fault not in KINDS:
        close = nearest(fault, list(KINDS))
        raise UsageError(f"there is no fault {fault!r}", mend=f"Did you mean {close!r}?" if close else ", ".join(KINDS))
    for name, text in (("person", person), ("why", why)):
        if not text.strip():
            raise UsageError(f"--{name} is empty", mend="A decision needs a named person and grounds")
    conn = book.read()
    record = load_run(conn, run)
    if channel not in {c.name for c in record.channels}:
        known = ", ".join(c.name for c in record.channels)
        raise NotFoundError(f"run {run} has no channel {channel!r}", mend=f"It has: {known}")
    if record.trace is None:
        raise NotFoundError(f"run {run} has no trace, so no fault is suspected")
    suspected = conn.execute(
        "SELECT name FROM finding WHERE run = ? AND what = 'fault' AND channel = ?", (run, channel)
    ).fetchall()
    if fault not in {r["name"] for r in suspected}:
        known = ", ".join(sorted({r["name"] for r in suspected})) or "none"
        raise UsageError(
            f"no {fault!r} is suspected of {channel} in run {run}",
            mend=f"Suspected of it: {known}. A thermocouple known to be bad without evidence in the trace belongs in"
            " the run's note",
        )
    trace = read_trace(book, record.trace, record.channels, record.trace_events(record.trace["started"]))
    row = {
        "subject": "fault", "run": run, "channel": channel, "fault": fault, "decision": decision,
        "person": person.strip(), "why": why.strip(), "at": times.stored(times.now()),
    }  # fmt: skip
    with book.write() as writing:
        add_intake(writing, "confirmations", {"confirmation": [row]}, rows_read=1)
        return reckon_run(book, writing, load_run(writing, run), trace).verdict
