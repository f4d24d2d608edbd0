"""Taking recorders' files in as the trace of a run: read, settle, merge, write, judge, and one transaction for all.

    files -> read each, cut to the run's part (part.py) -> merged on all their moments (merge.py) -> one Parquet file,
    one current row of `trace`, whose `typed` names the pieces: each file's name, SHA-256, channels, from and to

A run has one current trace however many files it came from, so that judging, verifying, publishing and backups know
nothing of files. A file that comes later is joined: the trace is made anew with it, the earlier one is withdrawn.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np

from loadbook.analysis.trace.model import INVALID, MISSING, NOT_SAMPLED, OPEN, OUT_OF_RANGE, Channel, Trace
from loadbook.analysis.trace.one_clock import on_one_clock
from loadbook.analysis.trace.validity import marked
from loadbook.core import times
from loadbook.core.errors import LoadbookError
from loadbook.store import derived, trace_files
from loadbook.store.book import BookFolder
from loadbook.store.records import add_intake, amend
from loadbook.store.run_records import RunRecord, load_run

from .against_run import far_from_run, far_notes, other_unit
from .channels import ChannelSpec
from .kept_layouts import KeptLayout
from .known_forms import KnownForms
from .merge import Merged, Piece, merged
from .names import read_heading
from .normalise import Counts
from .options import Options, Question, stop
from .part import Part, asked_of, key_of, pieces_of
from .read import Read, look, must_fit
from .source import Source, open_source
from .time_axis import gaps

LONG_HOURS = 14 * 24.0  # longer than any run: a file that goes on for more holds several, or the furnace at rest
LONG_GAP_HOURS = 12.0
Seen = Callable[[Source, Read], None]
SAME_S = 60.0  # by which two runs' parts of one file may overlap


@dataclass
class TakenTrace:
    """What became of the files. already is True where they were in the book before, and nothing was added.

    verdict   the run's, and `broken` / `untold` / `faults` the names of what led to it
    files     names of the files; withdrawn the trace that they were joined to
    """

    run: str
    trace_id: str
    already: bool = False
    started: str = ""
    zone: str = ""
    seconds: float = 0.0
    channels: tuple[ChannelSpec, ...] = ()
    new_channels: int = 0
    counts: Counts | None = None
    out_of_range: int = 0
    parameters: int = 0
    verdict: str = ""
    broken: tuple[str, ...] = ()
    untold: tuple[str, ...] = ()
    faults: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    files: tuple[str, ...] = ()
    withdrawn: str = ""
    columns: int = 0  # how many channels, also where `channels` was let go (a folder's thousands of files)


@dataclass(frozen=True)
class Wanted:
    """A file of a run: which part of it, and the layout to read it by."""

    path: Path
    part: Part
    layout: KeptLayout | None


@dataclass(frozen=True)
class _File:
    """One file of the run: its bytes, what of it was asked for, and what was read."""

    source: Source
    asked: str
    read: Read
    piece: Piece


class OtherTrace(LoadbookError):
    """The run has another trace already: `trace_id`, of the files `names`."""

    def __init__(self, trace: dict[str, Any], run: str, where: str) -> None:
        super().__init__(
            f"run {run!r} has a trace already, from {trace['source_name']}", where=where,
            remedy="If this is more of the same run, add --join. Else withdraw that one first: "
            f"loadbook amend traces {trace['trace_id']} state=withdrawn --why TEXT",
        )  # fmt: skip
        self.trace_id, self.names = trace["trace_id"], [p["file"] for p in pieces_of(trace)]


class ChangedMeanwhile(LoadbookError):
    """Another command changed the run, its cycle or its channels between our reading and our lock."""


def take_trace(
    book: BookFolder, path: Path | Sequence[Path], run: str, options: Options | None = None,
    layout: KeptLayout | None = None, part: Part | None = None,
) -> TakenTrace:  # fmt: skip
    """Take one recorder's file, or several files, in as the trace of a run.

    part    which part of the files is the run's, and how they go together; None is all, or what lies in its times
    Raises  NotFoundError (no such run or file), OpenQuestion (something is not settled), IntakeError (rows that
            cannot be read), LoadbookError where the run has another trace already. Nothing is left behind by an error.
    """
    paths = [path] if isinstance(path, Path) else list(path)
    return take_files(book, run, [Wanted(p, part or Part(), layout) for p in paths], options or Options())


@dataclass(frozen=True)
class Ready:
    """A run's trace, read, judged and in a file beside its place; `put_in` makes it part of the book, or `discard`.

    seen  the run as it was read;  replaces the row of the trace that the files were joined to
    """

    seen: RunRecord
    trace_id: str
    rows: dict[str, list[dict[str, Any]]]
    parameters: list[dict[str, Any]]
    findings: list[dict[str, Any]]
    file: trace_files.Prepared
    where: str
    key: str
    rows_read: int
    replaces: dict[str, Any] | None
    taken: TakenTrace

    def discard(self, placed: bool = False) -> None:
        self.file.discard(placed)


def take_files(
    book: BookFolder, run: str, wanted: Sequence[Wanted], options: Options, *, seen: Seen | None = None,
    held: Collection[str] | None = None, known_forms: KnownForms | None = None,
) -> TakenTrace:  # fmt: skip
    """As `take_trace`, with a part and a layout for each file; how files go together is the first one's part."""
    opened = [(open_source(w.path), w) for w in wanted]
    tries = 3
    while True:
        made = make_ready(book, run, opened, options, seen=seen, held=held, known_forms=known_forms)
        if isinstance(made, TakenTrace):
            return made
        try:
            return put_in(book, [made])[0]
        except ChangedMeanwhile:
            tries -= 1
            if not tries:
                raise  # else it is read and judged once more, by what stands there now


def make_ready(
    book: BookFolder, run: str, opened: Sequence[tuple[Source, Wanted]], options: Options, *, seen: Seen | None = None,
    held: Collection[str] | None = None, dry_run: bool = False, known_forms: KnownForms | None = None,
) -> Ready | TakenTrace:  # fmt: skip
    """All that comes before the book is written: a TakenTrace where nothing is to be (in the book already, a dry run).

    seen     called with each file as read, before its questions; what it raises ends the intake
    held     the SHA-256 of all files in the book, where the caller has them
    dry_run  everything but the judging, and no file
    known_forms  what was found out of other files of the same command
    Raises   what `take_trace` raises
    """
    conn = book.read()
    record = as_read = load_run(conn, run)
    part, layout = opened[0][1].part, opened[0][1].layout
    parts: dict[tuple[str, str], tuple[Source, Wanted]] = {}  # the same part of the same bytes is one piece
    for source, one in opened:
        parts[source.sha256, one.part.asked(book.zone, options)] = source, one
    there = record.trace if part.join else None
    if record.trace is not None:
        names = [source.name for source, _ in parts.values()]
        had = {(p["sha256"], asked) for p in pieces_of(record.trace) for asked in asked_of(p)}
        if parts.keys() <= had:
            return TakenTrace(run, record.trace["trace_id"], already=True, files=tuple(names))
        if not part.join:
            raise OtherTrace(record.trace, record.run, _names(names))
        parts = {key: given for key, given in parts.items() if key not in had}
    known, canonical = recorded_channels(record)
    files = [
        _read(book, source, asked, record, options, one, known, canonical, seen, known_forms, len(parts) == 1)
        for (_, asked), (source, one) in parts.items()
    ]
    where = _names([f.source.name for f in files])
    must_fit(options, [f.read for f in files], where)
    for file in files:
        if held is None or file.source.sha256 in held:
            _another_runs(conn, record, file)
    before_it = [_earlier(book, there)] if there else []
    pieces = [*before_it, *(f.piece for f in files)]
    if not part.overlap:  # else their order says which counts
        pieces.sort(key=lambda p: p.t[0])
    whole = merged(pieces, overlap=part.overlap, apart=part.apart, zone=book.zone, us=book.units == "us")
    asked_of_it = [*_which_part(conn, record, whole, part, book), *whole.questions]
    stop([*asked_of_it, *other_unit(record, whole, options.believed)], where)
    trace, specs, missing_rows, notes = as_trace(whole, record, canonical)
    if dry_run:
        return TakenTrace(run, "", files=tuple(f.source.name for f in files), started=trace.started or "")
    valid = marked(trace)
    trace.flags = np.where(valid.flags & OUT_OF_RANGE, trace.flags | OUT_OF_RANGE, trace.flags)
    record = replace(record, channels=trace.channels)
    assert trace.started is not None
    trace.events = record.trace_events(trace.started)
    origin = [*(pieces_of(there) if there else ()), *map(_origin, files)]
    key = key_of([(p["sha256"], p.get("asked", "")) for p in origin])
    trace_id = trace_files.trace_id_of(conn, run, key)
    parameter_rows, finding_rows = _derived(book, record, trace)
    counts = _counts(files, whole, valid, there)
    rows = trace_rows(files, origin, counts, trace, valid, specs, key, trace_id, layout)
    said = [n for f in files for n in (f.read.notes if len(files) == 1 else _of(f.source.name, f.read.notes))]
    taken = _summary(
        files, [*said, *whole.notes, *notes], counts, trace, trace_id, specs, len(missing_rows), rows["trace"][0],
        parameter_rows, finding_rows, there["trace_id"] if there else "",
    )  # fmt: skip
    prepared = trace_files.prepare(book, trace, trace_id)
    rows["trace"][0].update(path=prepared.path, sha256=prepared.sha256, bytes=prepared.bytes)
    return Ready(
        as_read, trace_id, {"channel": missing_rows, **rows}, parameter_rows, finding_rows, prepared, where,
        key_of([(f.source.sha256, f.asked) for f in files]), sum(f.read.reading.counts.rows for f in files), there,
        taken,
    )  # fmt: skip


def put_in(book: BookFolder, made: Sequence[Ready]) -> list[TakenTrace]:
    """Make traces part of the book, all of them in one transaction or none.

    made    of different runs. Their files are gone, or have their names, afterwards
    Raises  ChangedMeanwhile where one of the runs is no longer what was read, LoadbookError
    """
    try:
        trace_files.flush([m.file for m in made])
        with book.write() as writing:
            for one in made:
                _unchanged(writing, one.seen, one.trace_id)
            try:
                trace_files.place([m.file for m in made])
                for one in made:
                    if one.replaces is not None:
                        amend(
                            writing, "trace", one.replaces["trace_id"], one.replaces["trace_number"],
                            {"state": "withdrawn"}, f"made anew with {one.where} as {one.trace_id}",
                        )  # fmt: skip
                    add_intake(
                        writing, "traces", one.rows, rows_read=one.rows_read, file_name=one.where, file_sha256=one.key
                    )
                    derived.store(writing, one.seen.run, one.parameters, one.findings)
            except BaseException:
                for one in made:
                    one.discard(placed=True)  # nothing was committed: a file without its row is of no use
                raise
    finally:
        for one in made:
            one.discard()  # a file that was placed stays: the commit may have reached the disk
    return [m.taken for m in made]


def trace_so_far(
    book: BookFolder, source: Source, record: RunRecord, options: Options, layout: KeptLayout | None
) -> Trace:
    """The trace that `take_trace` would make of a file that still grows; nothing is written.

    record   of a run without a trace. Raises what `take_trace` raises for a file that cannot be read, or asks
    """
    known, canonical = recorded_channels(record)
    file = _read(
        book, source, "", record, options, Wanted(Path(source.name), Part(), layout), known, canonical, None, None
    )
    trace, _, _, _ = as_trace(merged([file.piece], zone=book.zone), record, canonical)
    valid = marked(trace)
    trace.flags = np.where(valid.flags & OUT_OF_RANGE, trace.flags | OUT_OF_RANGE, trace.flags)
    assert trace.started is not None
    trace.events = record.trace_events(trace.started)
    return trace


def _of(name: str, notes: Sequence[str]) -> list[str]:
    return [f"{name}: {note}" for note in notes]


def _unchanged(conn: sqlite3.Connection, seen: RunRecord, trace_id: str) -> None:
    """Raises ChangedMeanwhile where the run is no longer what was read (it may even have this very trace by now)."""
    taken = conn.execute("SELECT 1 FROM trace WHERE trace_id = ?", (trace_id,)).fetchone()
    if taken or load_run(conn, seen.run) != seen:
        raise ChangedMeanwhile(
            f"other commands went on changing {seen.run!r}; nothing was taken in",
            where=seen.run,
            remedy="Repeat the command: it is judged by what stands there now",
        )


def _derived(book: BookFolder, record: RunRecord, trace: Trace) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    """Rows of `parameter` and `finding`, with the book's guard settings."""
    factor, decides = book.guard()
    return derived.derived_rows(record, trace, guard_factor=factor, guard_decides=decides)


def _read(
    book: BookFolder, source: Source, asked: str, record: RunRecord, options: Options, wanted: Wanted,
    known: dict[str, tuple[str, str]], canonical: dict[str, Channel], tell: Seen | None,
    known_forms: KnownForms | None, alone: bool = True,
) -> _File:  # fmt: skip
    """One file, settled and cut. Raises OpenQuestion, IntakeError, LoadbookError where it is wholly another time's."""
    started = times.from_stored(record.row["started"])
    ended = times.from_stored(record.row["ended"]) if record.row["ended"] else None
    part, layout = wanted.part, wanted.layout.layout if wanted.layout else None
    read = look(
        source, options, layout=layout, zone=book.zone, run_started=started, known=known, channels=part.channels,
        window=part.window(book.zone, started, ended), known_forms=known_forms,
    )  # fmt: skip
    if tell is not None:
        tell(source, read)
    if alone:
        must_fit(options, [read], source.name)
    stop(read.questions, source.name)
    far_from_run(read, record, source.name)
    reading = read.reading
    assert reading.started is not None
    zero = (reading.started - datetime(1970, 1, 1, tzinfo=UTC)).total_seconds()
    named = [replace(s, name=c.name) if (c := canonical.get(s.name.casefold())) else s for s in reading.channels]
    piece = Piece(source.name, np.round(reading.t_s + zero, 6), reading.values, reading.flags, named)
    return _File(source, asked, read, piece)


def _origin(file: _File) -> dict[str, Any]:
    t = file.piece.t
    moments = [times.stored(datetime.fromtimestamp(0, UTC) + timedelta(seconds=float(s))) for s in (t[0], t[-1])]
    said: dict[str, Any] = {
        "file": file.source.name, "sha256": file.source.sha256, "from": moments[0], "to": moments[1],
    }  # fmt: skip
    if file.asked:
        said["asked"] = file.asked
        if "channels" in json.loads(file.asked):
            said["channels"] = [c.name for c in file.read.reading.channels]
    if file.read.layout.sheet:
        said["sheet"] = file.read.layout.sheet
    return said


def _another_runs(conn: sqlite3.Connection, record: RunRecord, file: _File) -> None:
    """Raises LoadbookError where what was read from a file is in another run's trace already."""
    sha, mine = file.source.sha256, _origin(file)
    holding = conn.execute(
        "SELECT * FROM trace WHERE state = 'current' AND run <> ? AND (source_sha256 = ? OR instr(typed, ?))",
        (record.run, sha, sha),
    ).fetchall()
    for row in holding:
        for piece in pieces_of(row):
            if piece["sha256"] == sha and _shared(mine, piece):
                raise LoadbookError(
                    f"this very file is the trace of run {row['run']!r}", where=file.source.name,
                    remedy=f"If it belongs to {record.run!r}: loadbook amend traces {row['trace_id']} state=withdrawn"
                    " --why TEXT. If it holds both, say which part is which run's: --from and --to, --channels",
                )  # fmt: skip


def _shared(a: dict[str, Any], b: dict[str, Any]) -> bool:
    """Do two parts of one file have a sheet, a stretch, a channel and more than a minute in common."""
    if a.get("sheet", "") != b.get("sheet", ""):
        return False
    stretches = [json.loads(p.get("asked") or "{}").get("stretch", "") for p in (a, b)]
    if stretches[0] != stretches[1] and all(s.isdigit() for s in stretches):
        return False
    if a.get("channels") and b.get("channels") and not {*a["channels"]} & {*b["channels"]}:
        return False
    first = max(times.from_stored(a["from"]), times.from_stored(b["from"]))
    last = min(times.from_stored(a["to"]), times.from_stored(b["to"]))
    return (last - first).total_seconds() > SAME_S


def _earlier(book: BookFolder, row: dict[str, Any]) -> Piece:
    """The run's trace so far as a piece, as recorded."""
    trace = trace_files.read_trace(book, row)
    zero = (times.from_stored(row["started"]) - datetime(1970, 1, 1, tzinfo=UTC)).total_seconds()
    conn = book.read()
    roles = dict(conn.execute("SELECT channel, role FROM channel WHERE run = ?", (row["run"],)).fetchall())
    fine = dict(
        conn.execute("SELECT channel, resolution FROM trace_channel WHERE trace_id = ?", (row["trace_id"],)).fetchall()
    )
    specs = [ChannelSpec(c.name, roles.get(c.name, "other"), c.quantity, c.unit, "", fine.get(c.name))
             for c in trace.channels]  # fmt: skip
    return Piece(row["source_name"], np.round(trace.t_s + zero, 6), trace.values, trace.flags, specs)


def _which_part(
    conn: sqlite3.Connection, record: RunRecord, whole: Merged, part: Part, book: BookFolder
) -> list[Question]:
    """What is asked of files that may hold more than the run, whose end nobody recorded."""
    if part.whole or part.ends or record.row["ended"]:
        return []
    t = whole.t
    option = "--from MOMENT and --to MOMENT for its part, or --whole"
    if t[-1] - t[0] > LONG_HOURS * 3600:
        text = (
            f"{(t[-1] - t[0]) / 3600:,.0f} h are recorded, and when run {record.run!r} ended is not: which part is it?"
        )
        return [Question(text, option)]
    steps = np.diff(t)
    at = int(steps.argmax()) if len(steps) else 0
    if len(steps) and steps[at] > LONG_GAP_HOURS * 3600:
        shown = times.shown(_stored(float(t[at])), book.zone)
        return [Question(f"nothing is recorded for {steps[at] / 3600:.1f} h from {shown}: one run, or two?", option)]
    others = conn.execute(
        "SELECT run, started FROM run WHERE furnace = ? AND run <> ? AND started > ? AND started < ? AND started > ?"
        " AND status <> 'void' ORDER BY started",
        (record.row["furnace"], record.run, record.row["started"], _stored(float(t[-1])), _stored(float(t[0]))),
    ).fetchall()
    if others:
        begins = times.shown(others[0]["started"], book.zone)
        text = (
            f"the record goes on after run {others[0]['run']!r} of this furnace began ({begins}): whose is that part?"
        )
        return [Question(text, f"--to {begins[:16].replace(' ', 'T')}, or --whole")]
    return []


def _stored(seconds: float) -> str:
    return times.stored(datetime.fromtimestamp(0, UTC) + timedelta(seconds=round(seconds, 6)))


def recorded_channels(record: RunRecord) -> tuple[dict[str, tuple[str, str]], dict[str, Channel]]:
    """What the run's channel records say, found by the name as it stands there or without the unit in it."""
    known: dict[str, tuple[str, str]] = {}
    canonical: dict[str, Channel] = {}
    for channel in record.channels:
        for name in (read_heading(channel.name).name.casefold(), channel.name.casefold()):
            known[name] = (channel.role, record.units.get(channel.name, ""))
            canonical[name] = channel
    return known, canonical


def as_trace(
    whole: Merged, record: RunRecord, canonical: dict[str, Channel]
) -> tuple[Trace, list[ChannelSpec], list[dict[str, Any]], list[str]]:
    """The trace, its channels under the names that the book knows, rows for the channels new to the run, remarks."""
    channels, specs, rows = [], [], []
    for number, spec in enumerate(whole.channels, start=1):
        known = canonical.get(spec.name.casefold())
        if known is None:
            channels.append(Channel(number, spec.name, spec.role, spec.quantity, spec.unit))  # type: ignore[arg-type]
            rows.append({"run": record.run, "channel": spec.name, "role": spec.role, "unit": spec.unit_read or None})
        else:
            channels.append(replace(known, number=number, quantity=spec.quantity, unit=spec.unit))
        specs.append(replace(spec, name=channels[-1].name))
    found = {c.name for c in channels}
    absent = [c.name for c in record.channels if c.name not in found]
    notes = [f"the run's channels {', '.join(absent)} are not in the file"] if absent else []
    trace = Trace(
        np.round(whole.t - whole.t[0], 6), whole.values, whole.flags, tuple(channels), run=record.run,
        started=_stored(float(whole.t[0])),
    )  # fmt: skip
    return trace, specs, rows, [*far_notes(record, whole.t), *notes]


def _counts(files: Sequence[_File], whole: Merged, valid: Trace, there: dict[str, Any] | None) -> Counts:
    """What is told after the intake, over all files together."""
    each = [f.read.reading.counts for f in files]
    if len(each) == 1 and not there:
        return each[0]
    interval, count, longest = gaps(on_one_clock(valid).t_s)
    return Counts(
        sum(c.rows for c in each), len(whole.t), int((valid.flags & MISSING > 0).sum()),
        int((valid.flags & OPEN > 0).sum()), sum(c.repeated for c in each),
        sum(c.duplicates for c in each) + (there["duplicates"] if there else 0),
        sum(c.backwards for c in each) + (there["backwards"] if there else 0), count, longest, interval,
    )  # fmt: skip


def _names(names: Sequence[str]) -> str:
    return ", ".join(names) if len(names) <= 3 else f"{len(names)} files, {names[0]} to {names[-1]}"


def trace_rows(
    files: Sequence[_File], origin: list[dict[str, Any]], counts: Counts, trace: Trace, valid: Trace,
    specs: list[ChannelSpec], key: str, trace_id: str, layout: KeptLayout | None,
) -> dict[str, list[dict[str, Any]]]:  # fmt: skip
    """Rows of `trace` (its file's path still to come) and `trace_channel`."""
    settled = files[0].read.layout
    unchanged = layout is not None and layout.layout == settled
    label = "as proposed" if layout is None else layout.label if unchanged else f"{layout.label}, with options"
    typed: dict[str, Any] = {"layout": settled.to_toml()}
    if len(origin) > 1 or origin[0].keys() - {"file", "sha256", "from", "to"}:
        typed["pieces"] = origin
    head = {
        "trace_id": trace_id, "run": trace.run, "state": "current", "source_name": _names([p["file"] for p in origin]),
        "source_sha256": key, "layout": label, "started": trace.started, "zone": files[0].read.reading.zone,
        "interval_s": counts.interval_s, "seconds": float(trace.t_s[-1]), "samples": counts.samples,
        "missing": counts.missing, "open": counts.open,
        "out_of_range": int((valid.flags & OUT_OF_RANGE > 0).sum()), "duplicates": counts.duplicates + counts.repeated,
        "backwards": counts.backwards, "gaps": counts.gaps, "longest_gap_s": counts.longest_gap_s,
        "typed": json.dumps(typed, ensure_ascii=False),
    }  # fmt: skip
    good = (valid.flags & (INVALID | NOT_SAMPLED)) == 0
    channels = []
    for i, (channel, spec) in enumerate(zip(trace.channels, specs, strict=True)):
        some = valid.values[i][good[i]]
        channels.append(
            {
                "trace_id": trace_id,
                "number": channel.number,
                "channel": channel.name,
                "quantity": channel.quantity,
                "unit": channel.unit,
                "resolution": spec.resolution,
                "valid": len(some),
                "lowest": float(some.min()) if len(some) else None,
                "highest": float(some.max()) if len(some) else None,
            }
        )
    return {"trace": [head], "trace_channel": channels}


def _summary(
    files: Sequence[_File], notes: list[str], counts: Counts, trace: Trace, trace_id: str, specs: list[ChannelSpec],
    new: int, row: dict[str, Any], parameters: list[dict[str, Any]], findings: list[dict[str, Any]], withdrawn: str,
) -> TakenTrace:  # fmt: skip
    clauses = [f for f in findings if f["what"] == "clause"]
    return TakenTrace(
        trace.run, trace_id, False, trace.started or "", row["zone"], float(trace.t_s[-1]), tuple(specs), new,
        counts, row["out_of_range"], sum(1 for p in parameters if p["source"] == "trace"),
        next(f["verdict"] for f in findings if f["what"] == "run"),
        tuple(f["name"] for f in clauses if f["verdict"] == "broken"),
        tuple(f["name"] for f in clauses if f["verdict"] == "cannot be told"),
        tuple(f"{f['channel']} {f['name']}" for f in findings if f["what"] == "fault"),
        tuple(dict.fromkeys(notes)), tuple(f.source.name for f in files), withdrawn,
        len(specs),
    )  # fmt: skip
