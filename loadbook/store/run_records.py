"""One run as judging needs it: its cycle, channels, pieces, events, trace row, furnace and checks of the day.

Cycles between the book's rows and the calculation's records.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass, field, fields
from datetime import datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from loadbook.analysis.trace.model import Channel, Cycle, Event, FurnaceCheck, Limit, PieceRecord, RunFacts, Segment
from loadbook.core import times
from loadbook.core.errors import NotFoundError, UsageError
from loadbook.core.phrases import did_you_mean
from loadbook.core.times import from_stored

_SEGMENT = [f.name for f in fields(Segment)]
_LIMIT = [f.name for f in fields(Limit)]


def cycle_tables(cycle: Cycle, source_text: str) -> dict[str, list[dict[str, Any]]]:
    """The rows of one cycle, by table, in the order in which they must be inserted; intake_id is the caller's.

    source_text  the cycle's file, kept whole
    """
    key = {"cycle": cycle.cycle, "revision": cycle.revision}
    head = {**key, "title": cycle.title, "process": cycle.process, "atmosphere": cycle.atmosphere}
    return {
        "cycle": [{**head, "source_text": source_text}],
        "cycle_segment": [{**key, **{n: getattr(s, n) for n in _SEGMENT}} for s in cycle.segments],
        "cycle_limit": [{**key, **{n: getattr(x, n) for n in _LIMIT}} for x in cycle.limits],
    }


def load_cycle(conn: sqlite3.Connection, cycle: str, revision: str | None = None) -> Cycle:
    """A cycle of the book. Without a revision the one in use, where there is no doubt which that is.

    Raises NotFoundError (no such cycle or revision), UsageError (several that may be in use, none named)
    """
    row = find_cycle(conn, cycle, revision)
    key = (row["cycle"], row["revision"])
    segments = conn.execute(
        f"SELECT {', '.join(_SEGMENT)} FROM cycle_segment WHERE cycle = ? AND revision = ? ORDER BY number", key
    )
    limits = conn.execute(
        f"SELECT {', '.join(_LIMIT)} FROM cycle_limit WHERE cycle = ? AND revision = ? ORDER BY number", key
    )
    return Cycle(
        row["cycle"], row["revision"], row["title"], row["process"], row["atmosphere"],
        tuple(Segment(**dict(zip(_SEGMENT, r, strict=True))) for r in segments),
        tuple(Limit(**dict(zip(_LIMIT, r, strict=True))) for r in limits),
    )  # fmt: skip


def find_cycle(conn: sqlite3.Connection, cycle: str, revision: str | None = None) -> sqlite3.Row:
    """The cycle's row. Raises as `load_cycle` does."""
    rows = conn.execute("SELECT * FROM cycle WHERE cycle = ? ORDER BY rowid", (cycle,)).fetchall()
    if not rows:
        known = [r[0] for r in conn.execute("SELECT DISTINCT cycle FROM cycle ORDER BY cycle LIMIT 12")]
        remedy = f"Cycles in the book: {', '.join(known)}" if known else "Take one in: loadbook take cycles FILE.toml"
        raise NotFoundError(f"the book has no cycle {cycle!r}", remedy=remedy)
    if revision is not None:
        for row in rows:
            if row["revision"] == revision:
                return row  # type: ignore[no-any-return]
        known = [r["revision"] for r in rows]
        raise NotFoundError(f"cycle {cycle} has no revision {revision!r}", remedy=f"It has: {', '.join(known)}")
    return _in_use(conn, cycle, rows)


def _in_use(conn: sqlite3.Connection, cycle: str, rows: list[sqlite3.Row]) -> sqlite3.Row:
    """The revision that is run now: no other was run since its first run, and none was taken into the book after it.

    Raises UsageError where two are run, or the newest one has not been run yet
    """
    if len(rows) == 1:
        return rows[0]
    newest = rows[-1]  # taken in last
    spans = {
        r["cycle_revision"]: (r["first"], r["last"])
        for r in conn.execute(
            "SELECT cycle_revision, min(started) AS first, max(started) AS last FROM run"
            " WHERE cycle = ? AND status <> 'void' GROUP BY cycle_revision",
            (cycle,),
        )
    }
    since = spans.get(newest["revision"])
    if since and all(last < since[0] for revision, (_, last) in spans.items() if revision != newest["revision"]):
        return newest
    last_day = {revision: times.local_day(last, _zone(conn)) for revision, (_, last) in spans.items()}
    told = [
        f"{r['revision']} ({'last run ' + last_day[r['revision']] if r['revision'] in last_day else 'not run yet'})"
        for r in rows
    ]
    raise UsageError(
        f"cycle {cycle} has {len(rows)} revisions, and more than one may be in use",
        remedy=f"It has: {', '.join(told)}. Name one with --revision or --cycle-revision",
    )


def same_cycle(conn: sqlite3.Connection, cycle: str, revision: str, source_text: str) -> bool | None:
    """Is this very cycle in the book already? None where it is not; False where it is there with other words."""
    row = conn.execute("SELECT source_text FROM cycle WHERE cycle = ? AND revision = ?", (cycle, revision)).fetchone()
    return None if row is None else bool(row[0] == source_text)


@dataclass(frozen=True)
class Confirmation:
    """What a named person decided about a fault of a channel. partner: of two that traded places, where a person
    knew it and the trace does not show it, the other one."""

    channel: str
    fault: str
    decision: str  # 'confirmed' or 'refused'
    person: str
    why: str
    at: str
    partner: str | None = None


@dataclass(frozen=True)
class RunRecord:
    """A run and all that stands around it. trace is None where the run's chart is on paper."""

    run: str
    row: dict[str, Any]
    cycle: Cycle | None
    channels: tuple[Channel, ...]
    pieces: tuple[PieceRecord, ...]
    events: tuple[tuple[str, str, str | None], ...]  # (UTC moment, event, note), in order
    furnace: dict[str, Any]
    checks: tuple[FurnaceCheck, ...]
    trace: dict[str, Any] | None
    confirmations: tuple[Confirmation, ...]
    calibrations: dict[str, str | None]  # calibration -> valid until
    units: dict[str, str] = field(default_factory=dict)  # channel -> unit it is recorded in, by the channels table

    def apart(self, started: datetime, seconds: float) -> str | None:
        """'before' or 'after' where a trace from `started` on lies wholly outside the run's own times, else None."""
        if started + timedelta(seconds=seconds) < from_stored(self.row["started"]):
            return "before"
        ended = self.row["ended"]
        return "after" if ended is not None and started > from_stored(ended) else None

    @property
    def atmosphere(self) -> str:
        """The run's own atmosphere, else its cycle's, else its furnace's."""
        own = self.row["atmosphere"] or (self.cycle.atmosphere if self.cycle else None)
        return str(own or self.furnace["atmosphere"])

    @property
    def facts(self) -> RunFacts:
        """What clauses ask of the run beside its trace."""
        return RunFacts(
            self.row.get("status") == "aborted", self.row.get("atmosphere") or "", self.furnace.get("furnace", ""),
            self.furnace.get("uniformity_c"), self.checks,
        )  # fmt: skip

    def decided(self) -> list[Confirmation]:
        """The latest decision on each fault of each channel, in order of channel and fault."""
        latest = {(c.channel, c.fault): c for c in self.confirmations}
        return [latest[key] for key in sorted(latest)]

    def confirmed(self) -> frozenset[tuple[str, str, str]]:
        """(channel, fault, decision) as `analysis.clauses.judge` takes them; the latest decision counts."""
        return frozenset((c.channel, c.fault, c.decision) for c in self.decided())

    def trace_events(self, started: str) -> tuple[Event, ...]:
        """The events on the trace's clock. started is the trace's first moment, as stored."""
        zero = from_stored(started)
        return tuple(Event((from_stored(at) - zero).total_seconds(), event, note) for at, event, note in self.events)


def load_run(
    conn: sqlite3.Connection, run: str, cycles: dict[tuple[str, str], Cycle] | None = None
) -> RunRecord:  # fmt: skip
    """A run of the book. Raises NotFoundError where there is none of that name.

    cycles  those read before, where several runs are read one after the other: each cycle is read once
    """
    row = conn.execute("SELECT * FROM run WHERE run = ?", (run,)).fetchone()
    if row is None:
        remedy = (
            did_you_mean(run, [r[0] for r in conn.execute("SELECT run FROM run")]).strip() or "See: loadbook list runs"
        )
        raise NotFoundError(f"the book has no run {run!r}", remedy=remedy)
    named, cycles = (row["cycle"], row["cycle_revision"]), {} if cycles is None else cycles
    if row["cycle"] is not None and named not in cycles:
        cycles[named] = load_cycle(conn, *named)
    trace = conn.execute("SELECT * FROM trace WHERE run = ? AND state = 'current'", (run,)).fetchone()
    furnace = conn.execute("SELECT * FROM furnace WHERE furnace = ?", (row["furnace"],)).fetchone()
    events = conn.execute("SELECT at, event, note FROM event WHERE run = ? ORDER BY at, event_id", (run,)).fetchall()
    confirmations = conn.execute(
        "SELECT channel, fault, decision, person, why, at, partner FROM confirmation"
        " WHERE run = ? AND subject = 'fault' ORDER BY confirmation_id",
        (run,),
    ).fetchall()
    channels = _channels(conn, run, trace["trace_id"] if trace else None)
    names = sorted({c.calibration for c in channels if c.calibration})
    valid = {
        name: conn.execute("SELECT min(valid_until) FROM calibration WHERE calibration = ?", (name,)).fetchone()[0]
        for name in names
    }
    return RunRecord(
        run=run,
        row=dict(row),
        cycle=cycles.get(named),
        channels=channels,
        pieces=_pieces(conn, run),
        events=tuple((e["at"], e["event"], e["note"]) for e in events),
        furnace=dict(furnace),
        checks=_checks(conn, row["furnace"], times.local_day(row["started"], _zone(conn))),
        trace=dict(trace) if trace else None,
        confirmations=tuple(Confirmation(*c) for c in confirmations),
        calibrations=valid,
        units=dict(
            conn.execute("SELECT channel, unit FROM channel WHERE run = ? AND unit IS NOT NULL", (run,)).fetchall()
        ),
    )


_SAID_OF_CHANNEL = (
    "role", "zone", "serial", "place", "attachment", "depth_mm", "tc_type", "calibration", "expanded_uncertainty_c",
    "x_mm", "y_mm", "z_mm", "uses", "hottest_c",
)  # fmt: skip


def _channels(conn: sqlite3.Connection, run: str, trace_id: str | None) -> tuple[Channel, ...]:
    """The trace's channels with what the channels table says of each; without a trace, the table alone."""
    said = {r["channel"]: r for r in conn.execute("SELECT * FROM channel WHERE run = ? ORDER BY channel_id", (run,))}
    # a serial that pieces of two part numbers bear tells neither
    told = "SELECT serial, min(part) FROM piece WHERE run = ? GROUP BY serial HAVING count(DISTINCT part) = 1"
    parts = dict(conn.execute(told, (run,)).fetchall())
    if trace_id is None:
        recorded = [(i, name, None, None) for i, name in enumerate(said, start=1)]
    else:
        recorded = [
            (r["number"], r["channel"], r["quantity"], r["unit"])
            for r in conn.execute("SELECT * FROM trace_channel WHERE trace_id = ? ORDER BY number", (trace_id,))
        ]
    points = _corrections(conn, {r["calibration"] for r in said.values() if r["calibration"]})
    after: set[str] = set()
    if points:
        began = conn.execute("SELECT started FROM run WHERE run = ?", (run,)).fetchone()[0]
        after = _made_after(conn, set(points), times.local_day(began, _zone(conn)))
    out = []
    for number, name, quantity, unit in recorded:
        row = said.get(name)
        if row is None:
            out.append(Channel(number, name, quantity=quantity or "other", unit=unit or ""))
            continue
        late = row["calibration"] in after
        same = {n: row[n] for n in _SAID_OF_CHANNEL}
        out.append(
            Channel(
                number, name, quantity=quantity or _quantity(row["role"]), unit=unit or row["unit"] or "c",
                part=parts.get(row["serial"]), correction=() if late else points.get(row["calibration"], ()),
                as_found=points[row["calibration"]] if late else (), **same,
            )
        )  # fmt: skip
    return tuple(out)


def _quantity(role: str) -> str:
    return role if role in ("pressure", "dew point", "oxygen", "other") else "temperature"


def _corrections(conn: sqlite3.Connection, names: set[str]) -> dict[str, tuple[tuple[float, float], ...]]:
    found: dict[str, tuple[tuple[float, float], ...]] = {}
    for name in names:
        rows = conn.execute(
            "SELECT at_c, correction_c FROM calibration WHERE calibration = ? ORDER BY at_c", (name,)
        ).fetchall()
        found[name] = tuple((float(r[0]), float(r[1])) for r in rows)
    return found


def _made_after(conn: sqlite3.Connection, names: set[str], day: str) -> set[str]:
    """The calibrations that were made after a day: what they found may have come about in that day's run."""
    return {
        name for name in names
        if (conn.execute("SELECT min(calibrated_on) FROM calibration WHERE calibration = ?", (name,)).fetchone()[0]
            or "") > day
    }  # fmt: skip


def _pieces(conn: sqlite3.Connection, run: str) -> tuple[PieceRecord, ...]:
    rows = conn.execute(
        "SELECT piece.part, piece.serial, part.section_thick_mm, part.section_thin_mm, material.family, dose_constant,"
        " conductivity_w_mk, density_kg_m3, specific_heat_j_kgk, part.shape, piece.tempered_at_c"
        " FROM piece JOIN part USING (part) JOIN material USING (material) WHERE run = ? ORDER BY piece_id",
        (run,),
    )
    out = []
    for r in rows:
        known = (r["conductivity_w_mk"], r["density_kg_m3"], r["specific_heat_j_kgk"])
        diffusivity = None if None in known else known[0] / (known[1] * known[2])
        out.append(
            PieceRecord(
                r["part"],
                r["serial"],
                r["section_thick_mm"],
                r["section_thin_mm"],
                r["family"],
                r["dose_constant"],
                diffusivity,
                r["shape"],
                r["tempered_at_c"],
            )
        )
    return tuple(out)


def _zone(conn: sqlite3.Connection) -> ZoneInfo:
    row = conn.execute("SELECT value FROM setting WHERE name = 'zone'").fetchone()
    return times.zone_of(row[0] if row else "UTC")


def _checks(conn: sqlite3.Connection, furnace: str, day: str) -> tuple[FurnaceCheck, ...]:
    return checks_on(conn.execute("SELECT * FROM furnace_check WHERE furnace = ?", (furnace,)).fetchall(), day)


def checks_on(rows: Sequence[sqlite3.Row], day: str) -> tuple[FurnaceCheck, ...]:
    """Of a furnace's checks the latest of every kind and temperature by a day of the shop's calendar (ISO text), and
    whether it was current."""
    latest: dict[tuple[str, float | None], FurnaceCheck] = {}
    for r in sorted(rows, key=lambda r: str(r["done_on"]), reverse=True):
        key = (r["kind"], r["at_c"])
        if r["done_on"] > day or key in latest:
            continue
        passed = None if r["passed"] is None else bool(r["passed"])
        if passed is False:
            state = "failed"
        elif r["due_on"] is None:
            state = "no due date"
        else:
            state = "current" if r["due_on"] >= day else "past due"
        latest[key] = FurnaceCheck(r["kind"], r["done_on"], r["due_on"], r["at_c"], r["worst_c"], passed, state)
    return tuple(sorted(latest.values(), key=lambda c: (c.kind, c.at_c or 0.0)))
