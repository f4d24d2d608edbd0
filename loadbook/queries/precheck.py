"""The sheet before the door closes: what the book knows of a load brought to `ready.points`, and kept."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from loadbook.analysis.following.forecast import Ahead
from loadbook.analysis.following.ready import (
    POINTS,
    SLIP_LEAST_MM,
    SLIP_SHARE,
    Load,
    Point,
    ReadyPiece,
    points,
    verdict,
)
from loadbook.analysis.planning.load import LoadFurnace
from loadbook.core import times
from loadbook.core.errors import IntakeError, NotFoundError, UsageError
from loadbook.core.phrases import did_you_mean
from loadbook.core.remarks import from_dict
from loadbook.core.typed import quote
from loadbook.core.vocabulary.intake_kinds import CHARACTERISTIC_KINDS
from loadbook.core.vocabulary.scales import OF_KIND
from loadbook.readers.tables.take import take_file
from loadbook.store.book import BookFolder
from loadbook.store.records import add_intake
from loadbook.store.rehearsal import rehearsal
from loadbook.store.run_records import RunRecord, load_run

from . import cycles, load_findings
from .earlier_runs import before_start

LATELY = 10  # runs of the furnace whose failed channels are told
CUT = ("case depth", "decarburisation depth", "grain size", "retained austenite", "residual stress")
# the kinds that are read on the piece itself before it is heated
_BEFORE = tuple(k for k in CHARACTERISTIC_KINDS if k not in CUT and (k == "angle" or k not in OF_KIND))


@dataclass(frozen=True)
class Precheck:
    """One sheet. verdict 'pass', 'open' (boxes not ticked yet) or 'stop'; person and at '' where it was not kept. ahead
    stands on no kept sheet; its seconds count from the run's start, `started`."""

    run: str
    verdict: str
    points: tuple[Point, ...]
    ticked: tuple[str, ...] = ()
    person: str = ""
    at: str = ""
    note: str = ""
    started: str = ""
    ahead: tuple[Ahead, ...] = ()

    @property
    def private(self) -> bool:
        """Does it hold what one customer may not see of another, or a confidential job?"""
        return any(r.code in ("several_customers", "confidential_load") for p in self.points for r in p.remarks)

    def rows(self, system: str) -> list[dict[str, Any]]:
        """One row per point: point, state, ticked, why."""
        from .remark_words import words

        return [
            {"point": p.point, "state": p.state, "ticked": p.point in self.ticked,
             "why": "; ".join(words(r, system) for r in p.remarks)}
            for p in self.points
        ]  # fmt: skip


COLUMNS = ("point", "state", "ticked", "why")


def precheck(book: BookFolder, run: str, ticked: Sequence[str] = (), *, traces: BookFolder | None = None) -> Precheck:
    """The sheet of a run of the book. ticked: points whose box is ticked ('all' is every one); traces: where those of
    earlier runs stand, if in another book.

    Raises NotFoundError (no such run), UsageError (no such point)
    """
    record = load_run(book.read(), run)
    found = points(_load(book, record))
    names = _named(ticked, found)
    coming = before_start(traces or book, book.read(), record) if record.trace is None else ()
    return Precheck(run, verdict(found, names), found, names, started=record.row["started"], ahead=coming)


def planned(book: BookFolder, run: str, files: Sequence[tuple[str, Path]]) -> Precheck:
    """The sheet of a load that is only planned: files (kind, path) of its run, pieces, channels and readings, as they
    would be taken in. The book stays as it is.

    Raises what taking them in raises, and NotFoundError where none of them holds the run
    """
    with rehearsal(book) as copy:
        for kind, path in files:
            try:
                take_file(copy, kind, path)
            except IntakeError as exc:  # its remedy speaks of what `take` can do
                exc.remedy = (
                    f"No sheet without it: correct it, or take it in first: loadbook take {kind} {quote(str(path))}"
                )
                raise
        return precheck(copy, run, traces=book)


def keep(book: BookFolder, sheet: Precheck, person: str, note: str | None = None) -> Precheck:
    """Keep a sheet with its run; gives it with who and when. Raises UsageError for an empty name."""
    if not person.strip():
        raise UsageError("--person is empty", remedy="Say who went through the sheet")
    at = times.stored(times.now())
    said = [{"point": p.point, "state": p.state, "ticked": p.point in sheet.ticked,
             "remarks": [r.as_dict() for r in p.remarks]} for p in sheet.points]  # fmt: skip
    row = {"run": sheet.run, "verdict": sheet.verdict, "points": json.dumps(said, ensure_ascii=False),
           "person": person.strip(), "at": at, "note": note}  # fmt: skip
    with book.write() as conn:
        add_intake(conn, "precheck", {"precheck": [row]}, rows_read=1, taken_by=person.strip())
    return replace(sheet, person=person.strip(), at=at, note=note or "")


def kept(book: BookFolder, run: str) -> Precheck:
    """The newest kept sheet of a run, as it was. Raises NotFoundError where none was kept."""
    conn = book.read()
    load_run(conn, run)
    row = conn.execute("SELECT * FROM precheck WHERE run = ? ORDER BY precheck_id DESC LIMIT 1", (run,)).fetchone()
    if row is None:
        raise NotFoundError(
            f"no sheet is kept of run {run!r}",
            remedy=f"Keep one: loadbook precheck {quote(run)} --person NAME --tick all",
        )
    said = json.loads(row["points"])
    found = tuple(
        Point(p["point"], p["state"], tuple(r for r in map(from_dict, p["remarks"]) if r is not None)) for p in said
    )
    ticked = tuple(p["point"] for p in said if p["ticked"])
    return Precheck(run, row["verdict"], found, ticked, row["person"], row["at"], row["note"] or "")


def _named(ticked: Sequence[str], found: Sequence[Point]) -> tuple[str, ...]:
    wrong = next((t for t in ticked if t != "all" and t not in POINTS), None)
    if wrong is not None:
        raise UsageError(
            f"the sheet has no point {wrong!r}",
            remedy=did_you_mean(wrong, POINTS).strip() or f"Its points: {', '.join(POINTS)}",
        )
    return tuple(p.point for p in found if p.state == "by hand" and ("all" in ticked or p.point in ticked))


def _load(book: BookFolder, record: RunRecord) -> Load:
    conn, furnace = book.read(), record.furnace
    day = times.local_day(record.row["started"], book.zone)
    cycle = record.cycle
    later: str | None = None
    review: tuple[str, ...] = ()
    if cycle is not None:
        row = conn.execute(
            "SELECT revision FROM cycle WHERE cycle = ? AND cycle_id > (SELECT cycle_id FROM cycle WHERE cycle = ? AND"
            " revision = ?) ORDER BY cycle_id DESC LIMIT 1", (cycle.cycle, cycle.cycle, cycle.revision),
        ).fetchone()  # fmt: skip
        later = row["revision"] if row else None
        parts = sorted({p.part for p in record.pieces})
        found = cycles.review(book, cycle.cycle, cycle.revision, parts).remarks
        review = tuple(dict.fromkeys(r.name for r in found))
    started = record.row["started"]
    first = conn.execute("SELECT 1 FROM approval WHERE first_article_of IS NOT NULL AND at <= ? LIMIT 1", (started,))
    return Load(
        cycle, record.atmosphere, day,
        LoadFurnace(furnace["furnace"], furnace["uniformity_c"], furnace["max_temp_c"], record.checks),
        tuple(_pieces(conn, record, book.zone)), record.channels, load_findings.of_run(book, record), review,
        later,
        record.calibrations, tuple(_failed(conn, record)), record.row["repeats_run"], first.fetchone() is not None,
        furnace["atmosphere"] or "",
    )  # fmt: skip


def _failed(conn: sqlite3.Connection, record: RunRecord) -> list[tuple[str, str, str]]:
    """Channels that failed in the furnace's last runs before this one, newest first."""
    rows = conn.execute(
        "WITH last AS (SELECT run, started FROM run WHERE furnace = ? AND started < ? ORDER BY started DESC LIMIT ?)"
        " SELECT f.channel, f.name, f.run FROM finding f JOIN last USING (run) WHERE f.what = 'fault'"
        " AND f.verdict NOT IN ('reported', 'refused') ORDER BY last.started DESC, f.finding_id",
        (record.row["furnace"], record.row["started"], LATELY),
    )
    return [(r[0], r[1], r[2]) for r in rows]


def _pieces(conn: sqlite3.Connection, record: RunRecord, zone: ZoneInfo) -> list[ReadyPiece]:
    run, started = record.run, record.row["started"]
    due: dict[str, list[str]] = {}
    nominal: dict[tuple[str, str], float] = {}
    for r in conn.execute(
        "SELECT part, characteristic, kind, nominal_mm FROM characteristic WHERE part IN"
        " (SELECT part FROM piece WHERE run = ?) ORDER BY characteristic_id", (run,),
    ):  # fmt: skip
        if r["kind"] in _BEFORE:
            due.setdefault(r["part"], []).append(r["characteristic"])
        if r["nominal_mm"]:
            nominal[r["part"], r["characteristic"]] = r["nominal_mm"]
    read: dict[tuple[str, str], list[sqlite3.Row]] = {}
    for r in conn.execute(
        "SELECT r.part, r.serial, r.characteristic, r.value_mm, r.gauge, r.read_at, g.calibrated_until FROM reading r"
        " LEFT JOIN gauge g USING (gauge) WHERE r.run = ? AND r.stage = 'before' ORDER BY r.reading_id", (run,),
    ):  # fmt: skip
        read.setdefault((r["part"], r["serial"]), []).append(r)
    first = {part: _first(conn, part, record) for part in due | {p.part: [] for p in record.pieces}}
    needs = {part: _needs(conn, part, started) for part in first}
    out = []
    for p in conn.execute(
        "SELECT piece.*, part.description, material.family, material.reactive, job.confidential,"
        " coalesce(job.customer, part.customer) AS customer FROM piece JOIN part USING (part)"
        " JOIN material USING (material) LEFT JOIN job USING (job) WHERE run = ? ORDER BY piece_id", (run,),
    ).fetchall():  # fmt: skip
        mine = read.get((p["part"], p["serial"]), [])
        read_on = [times.local_day(r["read_at"] or started, zone) for r in mine]
        late = {(r["gauge"], r["calibrated_until"]) for r, on in zip(mine, read_on, strict=True)
                if r["calibrated_until"] and r["calibrated_until"] < on}  # fmt: skip
        of = [(r["characteristic"], r["value_mm"], nominal[p["part"], r["characteristic"]]) for r in mine
              if r["value_mm"] is not None and (p["part"], r["characteristic"]) in nominal]  # fmt: skip
        odd = tuple(x for x in of if abs(x[1] - x[2]) > max(SLIP_SHARE * abs(x[2]), SLIP_LEAST_MM))
        earlier = conn.execute(
            "SELECT run.run FROM piece JOIN run USING (run) WHERE part = ? AND serial = ? AND run.run <> ?"
            " AND cycle = ? AND started < ? AND status <> 'void' ORDER BY started DESC",
            (p["part"], p["serial"], run, record.row["cycle"], started),
        ).fetchall()
        stock = needs[p["part"]]
        out.append(ReadyPiece(
            p["part"], p["serial"], p["family"] or "", p["condition"] or "", p["machining"] or "",
            p["description"] or "", p["stock_mm"], p["tempered_at_c"],
            None if p["reactive"] is None else bool(p["reactive"]),
            tuple(dict.fromkeys(r["characteristic"] for r in mine)), tuple(due.get(p["part"], ())), odd,
            tuple(sorted(late)), tuple(dict.fromkeys(r["characteristic"] for r in mine if r["gauge"] is None)),
            tuple(sorted({r["gauge"] for r in mine if r["gauge"] is not None and r["calibrated_until"] is None})),
            p["customer"] or "", bool(p["confidential"]), tuple(r[0] for r in earlier), first[p["part"]],
            stock[0] if stock else None, stock[1] if stock else None,
        ))  # fmt: skip
    return out


def _first(conn: sqlite3.Connection, part: str, record: RunRecord) -> str | None:
    """What was decided last, before this run, of a first piece of a part by its cycle's revision."""
    row = conn.execute(
        "SELECT a.decision FROM approval a JOIN run r ON r.run = a.run WHERE a.first_article_of = ? AND r.cycle = ? AND"
        " r.cycle_revision = ? AND a.at <= ? ORDER BY a.at DESC, a.approval_id DESC LIMIT 1",
        (part, record.row["cycle"], record.row["cycle_revision"], record.row["started"]),
    ).fetchone()
    return row[0] if row else None


def _needs(conn: sqlite3.Connection, part: str, until: str) -> tuple[float, int] | None:
    """(stock per side [mm], number) of the last answer kept for a part before a moment, where it advised one."""
    for row in conn.execute(
        "SELECT answer_id, result FROM answer WHERE part = ? AND answered_at <= ? ORDER BY answer_id DESC",
        (part, until),
    ):
        stock = json.loads(row["result"])["answer"].get("advice", {}).get("stock") or {}
        if stock.get("per_side_um"):
            return stock["per_side_um"] / 1000.0, row["answer_id"]
    return None
