"""What needs a person: decisions, confirmations and readings that nobody has given yet. No run is judged anew; readings
that look like slips are looked for each time, since what is far off depends on what was read since."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable, Iterator
from dataclasses import dataclass, fields
from zoneinfo import ZoneInfo

from loadbook.core import times
from loadbook.core.errors import UsageError
from loadbook.core.figures import shown
from loadbook.core.phrases import few
from loadbook.core.vocabulary.intake_kinds import ACCEPTED
from loadbook.store.book import BookFolder
from loadbook.store.run_records import checks_on
from loadbook.store.session import start

from .filters import Filters
from .run_choice import chosen_runs


@dataclass(frozen=True)
class Need:
    """One thing that waits for a person.

    what     a key of SETTLED;  run  the run it is about, None for the whole book;  day  the run's, on the shop's clock
    subject  piece, channel, furnace or part;  why  in words
    """

    what: str
    run: str | None
    day: str | None
    subject: str | None
    why: str


COLUMNS = tuple(f.name for f in fields(Need))

# what waits -> how a person settles it
SETTLED = {
    "decision": 'loadbook add approvals run=RUN role=ROLE person=NAME decision="..." at=MOMENT',
    "nonconformance": 'loadbook amend nonconformances RUN/WHAT/ disposition="..." closed_on=DATE --why TEXT',
    "suspected fault": "loadbook confirm fault RUN CHANNEL --kind KIND --decision confirmed|refused --person NAME "
                       "--why TEXT",
    "suspected reading": 'loadbook confirm reading --part PART --serial SERIAL --characteristic NAME --run RUN '
                         '--stage before|after --decision confirmed|refused --why TEXT',
    "check past due": "decide about the run (loadbook add approvals), or take in the check that was made: "
                      "loadbook take furnace_checks FILE",
    "after reading": "loadbook take readings FILE",
    "first piece": "loadbook add approvals run=RUN first_article_of=PART role=ROLE person=NAME decision=accepted "
                   "at=MOMENT",
}  # fmt: skip
_NOT_DECIDED = "NOT EXISTS (SELECT 1 FROM approval a WHERE a.run = r.run AND a.first_article_of IS NULL)"
_NOT_REPEATED = "r.run NOT IN (SELECT repeats_run FROM run WHERE repeats_run IS NOT NULL)"  # read once for all

_DECISIONS = f"""
SELECT r.run, r.started, r.status, f.verdict, group_concat(b.name, char(10)) AS broken
FROM run r
LEFT JOIN finding f ON f.run = r.run AND f.what = 'run'
LEFT JOIN finding b ON b.run = r.run AND b.what = 'clause' AND b.verdict = f.verdict
WHERE r.status <> 'void' AND {_NOT_DECIDED} AND {_NOT_REPEATED}
  AND (f.verdict IN ('broken', 'cannot be told') OR r.status = 'aborted'
       OR (f.verdict IS NULL AND r.cycle IS NOT NULL))
GROUP BY r.run ORDER BY r.started, r.run
"""
_NONCONFORMANCES = """
SELECT r.run, r.started, n.what, n.serial, n.disposition FROM nonconformance n JOIN run r ON r.run = n.run
WHERE n.closed_on IS NULL ORDER BY r.started, n.nonconformance_id
"""
_FAULTS = """
SELECT r.run, r.started, f.channel, f.name FROM finding f JOIN run r ON r.run = f.run
WHERE f.what = 'fault' AND f.verdict = 'suspected' AND r.status <> 'void' ORDER BY r.started, r.run, f.finding_id
"""
_RUNS = f"SELECT r.run, r.started, r.furnace FROM run r WHERE r.status <> 'void' AND {_NOT_DECIDED} ORDER BY r.started"
_READINGS = """
SELECT r.run, r.started, b.part, b.serial, count(DISTINCT b.characteristic) AS missing,
       json_group_array(DISTINCT b.characteristic) AS which
FROM reading b JOIN run r ON r.run = b.run
WHERE b.stage = 'before' AND r.status = 'done' AND NOT EXISTS (
  SELECT 1 FROM reading a WHERE a.run = b.run AND a.part = b.part AND a.serial = b.serial
    AND a.characteristic = b.characteristic AND a.stage = 'after')
GROUP BY r.run, b.part, b.serial ORDER BY r.started, r.run, b.part, b.serial
"""
# of each part and cycle revision the first run, and what was decided last about a first piece of it
_FIRST = """
WITH first AS MATERIALIZED (
  SELECT p.part, r.cycle, r.cycle_revision, r.run, min(r.started) AS started
  FROM piece p JOIN run r ON r.run = p.run WHERE r.status = 'done' AND r.cycle IS NOT NULL
  GROUP BY p.part, r.cycle, r.cycle_revision
),
decided AS MATERIALIZED (
  SELECT a.first_article_of AS part, r.cycle, r.cycle_revision, a.decision, row_number() OVER (
    PARTITION BY a.first_article_of, r.cycle, r.cycle_revision ORDER BY a.at DESC, a.approval_id DESC) AS nth
  FROM approval a CROSS JOIN run r ON r.run = a.run WHERE a.first_article_of IS NOT NULL
)
SELECT f.*, d.decision AS decided FROM first f
LEFT JOIN decided d ON d.part = f.part AND d.cycle = f.cycle AND d.cycle_revision = f.cycle_revision AND d.nth = 1
ORDER BY f.started, f.part
"""
# what the screens for slips read, of all that moved
_FIGURES = """
SELECT run, started, process, part, serial, characteristic, kind, side, scale, unit, before_mm, after_mm, nominal_mm,
       movement_mm, movement_um, movement_um_per_100mm, expanded_uncertainty_mm, set_aside
FROM movement WHERE set_aside IS NULL
"""


def needs(book: BookFolder, filters: Filters | None = None, what: str | None = None) -> list[Need]:
    """Everything that waits for a person, oldest first within each kind, in the order of SETTLED.

    filters  runs that it is limited to;  what  one kind of SETTLED alone
    Raises UsageError for an unknown kind
    """
    if what is not None and what not in SETTLED:
        raise UsageError(f"nothing that waits is called {what!r}", remedy="There are: " + ", ".join(SETTLED))
    conn = book.read()
    chosen = set(chosen_runs(book, (), filters)) if filters is not None and filters.given() else None
    found: list[Need] = []
    for kind, listed in _LISTED.items():
        if what in (None, kind):
            few = kind == "first piece" and what is None and chosen is None
            found += _not_begun(book) if few and not _begun(conn) else listed(book)
    return [n for n in found if chosen is None or n.run in chosen]


def rows_of(found: list[Need]) -> list[list[str | None]]:
    """The rows with the keys of COLUMNS."""
    return [[n.what, n.run, n.day, n.subject, n.why] for n in found]


def _decisions(book: BookFolder) -> Iterator[Need]:
    zone = book.zone
    for r in book.read().execute(_DECISIONS):
        if r["verdict"] in ("broken", "cannot be told"):
            why = f"{r['verdict']}: {few((r['broken'] or '').splitlines(), 3)}"
        else:
            why = "no trace to judge" if r["verdict"] is None else str(r["verdict"])
        yield _need(zone, "decision", r, None, why if r["status"] == "done" else f"{r['status'].upper()}, {why}")


def _nonconformances(book: BookFolder) -> Iterator[Need]:
    zone = book.zone
    for r in book.read().execute(_NONCONFORMANCES):
        decided = f" ({r['disposition']}, not closed)" if r["disposition"] else ""
        yield _need(zone, "nonconformance", r, r["serial"], r["what"] + decided)


def _faults(book: BookFolder) -> Iterator[Need]:
    zone = book.zone
    for r in book.read().execute(_FAULTS):
        yield _need(zone, "suspected fault", r, r["channel"], r["name"])


def _suspects(book: BookFolder) -> Iterator[Need]:
    from loadbook.analysis.movement import blunders, scale

    from .movement_data import BELIEVED, believed_rows

    with start(book, {"movement", "confirmation", "reading"}) as session:
        kinds = session.enumerations(_FIGURES, but=("serial",))
        texts = ", ".join(f"CAST({name} AS {kind}) AS {name}" for name, kind in kinds.items())
        valued = scale.with_value(session.frame(f"SELECT *{f' REPLACE ({texts})' if texts else ''} FROM ({_FIGURES})"))
        far = valued[blunders.flagged_rows(valued)]
        far = far[~believed_rows(far, session.frame(BELIEVED))]
    zone, system = book.zone, book.units
    for r in far.sort_values(["started", "run", "part", "serial", "characteristic"]).to_dict("records"):
        unit = r["unit"] if r["scale"] == "um" and r["unit"] not in ("um", "%") else "mm"
        read = ", ".join(f"{_read(r[f'{stage}_mm'], unit, system)} {stage}" for stage in ("before", "after"))
        day = times.local_day(r["started"].isoformat(timespec="seconds") + "Z", zone)
        why = f"{r['characteristic']}: {read}; far from its like"
        yield Need("suspected reading", r["run"], day, f"{r['part']} {r['serial']}", why)


def _read(value: float, unit: str, system: str) -> str:
    return shown(value, unit, system, (".5f" if system == "us" else ".3f") if unit == "mm" else "g")


def _past_due(book: BookFolder) -> Iterator[Need]:
    zone = book.zone
    checks: dict[str, list[sqlite3.Row]] = {}
    for row in book.read().execute("SELECT * FROM furnace_check"):
        checks.setdefault(row["furnace"], []).append(row)
    for r in book.read().execute(_RUNS):
        if r["furnace"] not in checks:
            continue
        found = checks_on(checks[r["furnace"]], times.local_day(r["started"], zone))
        late = {c.kind: c for c in found if c.state in ("failed", "past due")}
        current = {c.kind for c in found if c.state == "current"}
        said = [f"{c.kind} {'failed' if c.state == 'failed' else f'due {c.due_on}'}" for kind, c in late.items()
                if c.state == "failed" or kind not in current]  # fmt: skip
        if said:
            yield _need(zone, "check past due", r, r["furnace"], "; ".join(said))


def _readings(book: BookFolder) -> Iterator[Need]:
    zone = book.zone
    for r in book.read().execute(_READINGS):
        which = sorted(json.loads(r["which"]))
        yield _need(zone, "after reading", r, f"{r['part']} {r['serial']}", few(which, 3))


def _first(book: BookFolder) -> Iterator[Need]:
    zone = book.zone
    for r in book.read().execute(_FIRST):
        if r["decided"] is None or not r["decided"].casefold().startswith(ACCEPTED):
            why = f"{r['cycle']} revision {r['cycle_revision']}: " + (r["decided"] or "not approved")
            yield _need(zone, "first piece", r, r["part"], why)


def _begun(conn: sqlite3.Connection) -> bool:
    """Does this book approve first pieces?"""
    return conn.execute("SELECT 1 FROM approval WHERE first_article_of IS NOT NULL LIMIT 1").fetchone() is not None


def _not_begun(book: BookFolder) -> Iterator[Need]:
    """One line for a shop that has not begun to record first pieces, in place of every part that it ever ran."""
    count = sum(1 for _ in _first(book))
    if count:
        of = "part and cycle revision" if count == 1 else "parts and cycle revisions"
        why = f'none is approved in this book yet ({count} {of}; --what "first piece" lists them)'
        yield Need("first piece", None, None, None, why)


def _need(zone: ZoneInfo, what: str, row: sqlite3.Row, subject: str | None, why: str) -> Need:
    return Need(what, row["run"], times.local_day(row["started"], zone), subject, why)


_LISTED: dict[str, Callable[[BookFolder], Iterator[Need]]] = {
    "decision": _decisions, "nonconformance": _nonconformances, "suspected fault": _faults,
    "suspected reading": _suspects, "check past due": _past_due, "after reading": _readings, "first piece": _first,
}  # fmt: skip
