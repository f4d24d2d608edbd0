"""A named person's decision: on a reading that looks like a blunder, and on a suspected thermocouple fault, after which
the run is judged again."""

from __future__ import annotations

from collections.abc import Mapping

from loadbook.analysis.faults.find import KINDS
from loadbook.core import times
from loadbook.core.errors import NotFoundError, UsageError
from loadbook.core.phrases import did_you_mean
from loadbook.store import derived
from loadbook.store.book import BookFolder
from loadbook.store.holder import who
from loadbook.store.records import add_intake
from loadbook.store.run_records import RunRecord, load_run
from loadbook.store.trace_files import read_trace

from .recompute import recompute_run


def confirm_fault(
    book: BookFolder, run: str, channel: str, fault: str, decision: str, person: str, why: str,
    partner: str | None = None,
) -> str:  # fmt: skip
    """Record the decision and recompute the run, in one transaction; gives the run's verdict.

    What is decided of one of two channels that traded places is recorded of both. A later decision on the same fault
    takes the place of an earlier one; both stay in the book.
    partner  the channel that lay in this one's jack, and this one in its, from the start on: two of one load that read
             alike show nothing in the trace, so the swap need not be suspected
    Raises NotFoundError (no such run, channel or trace), UsageError (an unknown kind of fault, or one that was
    never suspected of that channel)
    """
    if fault not in KINDS:
        raise UsageError(f"there is no fault {fault!r}", remedy=did_you_mean(fault, KINDS).strip() or ", ".join(KINDS))
    for name, text in (("person", person), ("why", why)):
        if not text.strip():
            raise UsageError(f"--{name} is empty", remedy="A decision needs a named person and grounds")
    conn = book.read()
    record = load_run(conn, run)
    for name in filter(None, (channel, partner)):
        if name not in {c.name for c in record.channels}:
            known = ", ".join(c.name for c in record.channels)
            raise NotFoundError(f"run {run} has no channel {name!r}", remedy=f"It has: {known}")
    if partner is not None and fault != "swapped":
        raise UsageError(f"--with names the other of two that traded places, and the fault is {fault!r}",
                         remedy="Leave it out, or give --kind swapped")  # fmt: skip
    if partner == channel:
        raise UsageError(f"{channel} cannot have traded places with itself", remedy="Name the other channel: --with")
    if record.trace is None:
        raise NotFoundError(f"run {run} has no trace, so no fault is suspected")
    suspected = conn.execute(
        "SELECT name FROM finding WHERE run = ? AND what = 'fault' AND channel = ?", (run, channel)
    ).fetchall()
    if partner is None and fault not in {r["name"] for r in suspected}:
        known = ", ".join(sorted({r["name"] for r in suspected})) or "none"
        raise UsageError(
            f"no {fault!r} is suspected of {channel} in run {run}",
            remedy=f"Suspected of it: {known}. Two that lay in each other's jack from the start on: --kind swapped"
            " --with CHANNEL. A thermocouple known to be bad without evidence in the trace belongs in the run's note",
        )
    trace = read_trace(book, record.trace, record.channels, record.trace_events(record.trace["started"]))
    if partner is None:
        found = derived.work(record, trace, figures=False).faults
        pair = next((f.other for f in found if (f.channel, f.kind) == (channel, fault) and f.other), None)
    else:
        _alike(record, channel, partner)
        pair = partner
    rows = [
        {"subject": "fault", "run": run, "channel": name, "fault": fault, "decision": decision,
         "partner": other if partner else None, "person": person.strip(), "why": why.strip(),
         "at": times.stored(times.now())}
        for name, other in ((channel, pair), (pair, channel)) if name is not None
    ]  # fmt: skip
    with book.write() as writing:
        add_intake(writing, "confirmations", {"confirmation": rows}, rows_read=len(rows))
        return recompute_run(book, writing, load_run(writing, run), trace).verdict


def _alike(record: RunRecord, channel: str, partner: str) -> None:
    """Raises UsageError for two channels that cannot have traded places."""
    kinds = {c.name: (c.quantity, c.unit) for c in record.channels}
    if kinds[channel] != kinds[partner] or kinds[channel][0] != "temperature":
        raise UsageError(f"{channel} and {partner} are not both thermocouples", remedy="Name two that are")


def reading_named(book: BookFolder, named: Mapping[str, str | int | None]) -> int:
    """The number of the one reading of a part, serial, characteristic and stage (and run, repeat where needed).

    Raises UsageError where one of the four is missing or several readings fit, NotFoundError where none does.
    """
    missing = [name for name in ("part", "serial", "characteristic", "stage") if named.get(name) is None]
    if missing:
        raise UsageError("which reading is not clear", remedy="Give " + ", ".join(f"--{name}" for name in missing)
                         + ", or its number (loadbook list readings prints it)")  # fmt: skip
    given = {name: value for name, value in named.items() if value is not None}
    where = " AND ".join(f"{name} = ?" for name in given)
    conn = book.read()
    found = conn.execute(
        f"SELECT reading_id, run, repeat FROM reading WHERE {where} ORDER BY reading_id", list(given.values())
    ).fetchall()
    if not found:
        known = [r[0] for r in conn.execute(
            "SELECT DISTINCT characteristic || ' ' || stage FROM reading WHERE part = ? AND serial = ? LIMIT 20",
            (given["part"], given["serial"]))]  # fmt: skip
        remedy = "Read of it: " + ", ".join(known) if known else "See: loadbook list readings --part PART"
        raise NotFoundError("there is no such reading", where=" ".join(map(str, given.values())), remedy=remedy)
    if len(found) > 1:
        option = "run" if len({r["run"] for r in found}) > 1 else "repeat"
        each = ", ".join(dict.fromkeys(f"--{option} {r[option]}" for r in found))
        raise UsageError(f"{len(found)} readings fit", remedy=f"Add one of: {each}")
    return int(found[0]["reading_id"])


def confirm_reading(book: BookFolder, reading_id: int, decision: str, person: str | None, why: str) -> str:
    """Record the decision; gives the sentence to print.

    decision  'confirmed': a blunder, left out of movement from now on; 'refused': real, no longer suspected.
    A later decision on the same reading takes the place of an earlier one; both stay in the book.
    Raises NotFoundError (no such reading), UsageError (no reason given)
    """
    named = (person or who()).strip()
    for name, text in (("person", named), ("why", why)):
        if not text.strip():
            raise UsageError(f"--{name} is empty", remedy="A decision needs a named person and grounds")
    with book.write() as conn:
        row = conn.execute("SELECT * FROM reading WHERE reading_id = ?", (reading_id,)).fetchone()
        if row is None:
            raise NotFoundError(
                f"there is no reading {reading_id}", remedy="loadbook list readings shows them with their reading_id"
            )
        decided = {
            "subject": "reading", "run": row["run"], "reading_id": reading_id, "decision": decision, "person": named,
            "why": why.strip(), "at": times.stored(times.now()),
        }  # fmt: skip
        add_intake(conn, "confirmations", {"confirmation": [decided]}, rows_read=1, taken_by=named)
    word = "a blunder: left out of movement from now on" if decision == "confirmed" else "real: no longer suspected"
    return f"Reading {reading_id} ({row['serial']}, {row['characteristic']}, {row['stage']}) is {word}."
