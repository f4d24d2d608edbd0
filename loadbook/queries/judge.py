"""Was the run good, and if not, why not: a run judged against its cycle, with all that the verdict rests on."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import timedelta
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

import numpy as np

from loadbook.analysis.trace.model import ClauseResult, Fault, Judgement, Parameter, Trace
from loadbook.core import times
from loadbook.core.remarks import Remark, of_stored
from loadbook.store import derived
from loadbook.store.book import BookFolder
from loadbook.store.run_records import RunRecord, load_run
from loadbook.store.trace_files import read_trace

from . import evidence_words, load_findings
from .relations import Relations, relations_of
from .remark_words import words
from .result import Result

if TYPE_CHECKING:
    import pandas as pd

COLUMNS = (
    "run", "what", "name", "verdict", "channel", "value", "limit_value", "unit", "first_at", "worst_at", "lasted_s",
    "asked", "missing", "without", "uncertain", "uncertainty", "segment", "confidence", "text", "codes",
)  # fmt: skip
SUMMARY_COLUMNS = (
    "run", "started", "furnace", "cycle", "cycle_revision", "status", "verdict", "clauses", "broken", "cannot_be_told",
    "faults", "load", "first_broken",
)  # fmt: skip
APPROVAL = "Whether the parts are acceptable takes a recorded approval"


@dataclass(frozen=True)
class AskedAchieved:
    """One plannable parameter as the cycle asked it, as it was set at the furnace's program, where that is recorded,
    and as the trace (or a paper chart) shows it. not_reached: the run never came to the segment that it belongs to;
    above: (°C, the same of the samples above it), where the cycle's limit binds above a temperature only."""

    parameter: str
    unit: str
    asked: float | None
    achieved: float | None
    se: float | None = None
    source: str = "trace"
    program: float | None = None
    not_reached: bool = False
    above: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True)
class RepairedChannel:
    """What a named person's word did to a channel, with both readings.

    repair  what was done, and from when;  recorded_c, repaired_c  its mean over the main hold [°C], None where there is
    none;  added_c  the expanded uncertainty (k = 2) that a correction adds, else None
    """

    channel: str
    repair: Remark
    recorded_c: float | None
    repaired_c: float | None
    added_c: float | None
    person: str
    why: str
    at: str


@dataclass(frozen=True)
class JudgedRun(Result):
    """One run judged. verdict is 'kept', 'broken', 'cannot be told', 'no cycle' or 'no trace'.

    repairs      of the faults that a named person confirmed
    as_recorded  where there are such: the same run judged as if all of these channels were to be trusted
    load         what speaks against this load by this cycle in this furnace on that day, as coded remarks
    relations    the runs that it repeats or that repeat it, with what their pieces moved; None where there are none
    units        'si' or 'us': what its sentences are said in
    worked  the prepared trace, its phases and parameters, which the verdict rests on; None without a trace
    """

    record: RunRecord
    verdict: str
    judgement: Judgement | None
    asked: tuple[AskedAchieved, ...]
    approvals: tuple[tuple[str, str, str, str], ...]  # (role, person, decision, at)
    remarks: tuple[str, ...]
    worked: derived.RunResults | None = None
    repairs: tuple[RepairedChannel, ...] = ()
    as_recorded: Judgement | None = None
    load: tuple[Remark, ...] = ()
    relations: Relations | None = None
    units: str = "si"

    @property
    def run(self) -> str:
        return self.record.run

    @property
    def clauses(self) -> tuple[ClauseResult, ...]:
        return self.judgement.clauses if self.judgement else ()

    @property
    def faults(self) -> tuple[Fault, ...]:
        return self.judgement.faults if self.judgement else ()

    def of(self, verdict: str) -> list[ClauseResult]:
        """Clauses with one verdict; broken ones by their first moment."""
        found = [c for c in self.clauses if c.verdict == verdict]
        return sorted(found, key=lambda c: c.first_s or 0.0) if verdict == "broken" else found

    @property
    def headline(self) -> str:
        """The verdict in one sentence; what the run's status says comes first."""
        status, (verdict, rests_on) = self.record.row["status"], self.verdict_words
        return f"{'' if status == 'done' else f'{status.upper()}. '}{verdict}: {rests_on}"

    @property
    def verdict_words(self) -> tuple[str, str]:
        """The verdict in capitals, and what it rests on."""
        cycle = self.record.cycle
        if cycle is None:
            return "NO VERDICT", "the run was asked to follow no cycle"
        name = f"{cycle.cycle} revision {cycle.revision}"
        if self.judgement is None:
            return "NO TRACE", f"nothing to hold against {name}"
        total = len(self.clauses)
        decided = {(channel, kind) for channel, kind, _ in self.record.confirmed()}
        suspected = (f for f in self.faults if derived.fault_state(f) == "suspected")
        doubted = sorted({f.channel for f in suspected if (f.channel, f.kind) not in decided})
        tail = f" ({', '.join(doubted)} suspected of a fault)" if doubted else ""
        broken, untold = len(self.of("broken")), len(self.of("cannot be told"))
        if broken:
            rest = f", {untold} cannot be told" if untold else ""
            return "CYCLE BROKEN", f"{broken} of {total} clauses of {name} broken{rest}{tail}"
        if untold:
            return "CANNOT BE TOLD", f"{untold} of {total} clauses of {name}; none is seen broken{tail}"
        return "CYCLE KEPT", f"all {total} clauses of {name}{tail}"

    @property
    def approval(self) -> str:
        """What is recorded of the parts' acceptance."""
        if not self.approvals:
            return f"{APPROVAL}; none is recorded."
        said = "; ".join(f"{person} ({role}): {decision}" for role, person, decision, _ in self.approvals)
        return f"{APPROVAL}. Recorded: {said}."

    def moment(self, seconds: float | None) -> str | None:
        """UTC moment of a time of the trace."""
        trace = self.record.trace
        return derived.moment(trace["started"], seconds) if trace else None

    def rows(self) -> list[dict[str, Any]]:
        """One row for the run, one per clause (broken first), one per fault, one per remark on its load, with the keys
        of COLUMNS.

        Figures in the units kept inside; text in the book's, with the codes that it was made from beside it.
        """
        blank: dict[str, Any] = dict.fromkeys(COLUMNS) | {"run": self.run}
        against = [
            blank
            | {"what": "load", "name": r.code, "verdict": r.severity, "text": words(r, self.units), "codes": [r.code]}
            for r in self.load
        ]
        if self.judgement is None:
            whole = blank | {"what": "run", "name": "run", "verdict": self.verdict, "text": self.headline, "codes": []}
            return [whole, *against]
        started = self.record.trace["started"] if self.record.trace else None
        order = {"run": 0, "clause": 1, "fault": 2}
        ranks = {"broken": 0, "cannot be told": 1, "kept": 2}
        rows = derived.finding_rows(self.record, self.judgement, started)
        rows.sort(key=lambda r: (order[r["what"]], ranks.get(r["verdict"], 0) if r["what"] == "clause" else 0))
        for row in rows:
            kept = [row["text"], row["missing"]]
            row["codes"] = [r.code for text in kept if text for r in of_stored(text) if isinstance(r, Remark)]
            row["text"], row["missing"] = (evidence_words.of_stored(text, self.units) for text in kept)
        rows[0]["text"] = self.headline
        return [{c: row.get(c) for c in COLUMNS} for row in (*rows, *against)]

    def frame(self) -> pd.DataFrame:
        """`rows` as a frame."""
        import pandas as pd

        return pd.DataFrame(self.rows(), columns=list(COLUMNS))

    def summary(self) -> dict[str, Any]:
        """One line of the run, with the keys of SUMMARY_COLUMNS."""
        row = self.record.row
        broken = self.of("broken")
        return {
            "run": self.run, "started": row["started"], "furnace": row["furnace"], "cycle": row["cycle"],
            "cycle_revision": row["cycle_revision"], "status": row["status"], "verdict": self.verdict,
            "clauses": len(self.clauses),
            "broken": len(broken), "cannot_be_told": len(self.of("cannot be told")),
            "faults": sum(derived.fault_state(f) != "reported" for f in self.faults),
            "load": len(self.load),
            "first_broken": broken[0].clause if broken else None,
        }  # fmt: skip


def judge_run(
    book: BookFolder, run: str, *, figures: bool = True, reworded: Callable[[RunRecord], RunRecord] | None = None
) -> JudgedRun:
    """Judge one run of the book from its trace (its SHA-256 is checked as it is read).

    figures   False leaves out what was achieved beside what was asked (for one line per run)
    reworded  gives the run's record with other names (of channels in the same order), for a reader outside the shop
    Raises   NotFoundError (no such run), DamageError (the trace is not what was written)
    """
    conn = book.read()
    stored = load_run(conn, run)
    record = reworded(stored) if reworded else stored
    approvals = tuple(
        (r["role"], r["person"], r["decision"], r["at"])
        for r in conn.execute("SELECT * FROM approval WHERE run = ? AND first_article_of IS NULL ORDER BY at", (run,))
    )
    given = conn.execute(
        "SELECT * FROM parameter WHERE run = ? AND channel IS NULL AND intake_id IS NOT NULL", (run,)
    ).fetchall()
    stated, program = ({r["parameter"]: r for r in given if r["source"] == source} for source in ("stated", "asked"))
    if record.trace is None:
        verdict = "no trace" if record.cycle else "no cycle"
        from loadbook.analysis.parameters.compute import asked_parameters

        planned = asked_parameters(record.cycle) if record.cycle else ()
        asked = tuple(AskedAchieved(p.parameter, p.unit, p.value, *_stated(stated, p.parameter)) for p in planned)
        asked = _programmed(asked, program)
        return JudgedRun(
            record, verdict, None, asked, approvals, _remarks(record, (), book.zone),
            load=load_findings.of_run(book, record), relations=relations_of(book, run) if figures else None,
            units=book.units,
        )  # fmt: skip
    assert stored.trace is not None
    trace = read_trace(book, stored.trace, stored.channels, record.trace_events(record.trace["started"]))
    if reworded:
        trace = replace(trace, channels=record.channels)
    factor, decides = book.guard()
    done = derived.work(record, trace, guard_factor=factor, guard_decides=decides, figures=figures)
    judgement = done.judgement
    verdict = judgement.verdict if record.cycle else "no cycle"
    asked = _programmed(_asked(done.asked, done.parameters, done.phases.main in done.phases.missing), program)
    remarks = [evidence_words.words(r, book.units) for r in judgement.remarks]
    if figures and record.cycle and any(c.correction for c in trace.channels):
        bare = replace(trace, channels=tuple(replace(c, correction=()) for c in trace.channels))
        raw = derived.work(record, bare, guard_factor=factor, guard_decides=decides, figures=False)
        remarks += turned(judgement, raw.judgement, "with the thermocouple corrections")
    repairs = _repairs(record, done)
    as_recorded = None
    if repairs and record.cycle:
        trusted = tuple(replace(c, decision="refused") for c in record.confirmations)
        as_recorded = derived.work(
            replace(record, confirmations=trusted), trace, guard_factor=factor, guard_decides=decides, figures=False
        ).judgement
        remarks += turned(judgement, as_recorded, "as repaired")
    return JudgedRun(
        record, verdict, judgement, asked, approvals, _remarks(record, remarks, book.zone), done, repairs, as_recorded,
        load_findings.of_run(book, record, _reached(done)),
        relations_of(book, run) if figures else None, book.units,
    )  # fmt: skip


def _reached(done: derived.RunResults) -> float | None:
    """The hottest that a work TC without a fault was [°C] while the run was judged: of each the second hottest sample,
    so that a single one that stands alone is no temperature of the load."""
    trace, doubted = done.repaired, {f.channel for f in done.faults}
    work = [i for i, c in enumerate(trace.channels) if (c.role, c.quantity) == ("work", "temperature")]
    rows = [i for i in work if trace.channels[i].name not in doubted]
    values = [v[v == v] for v in (trace.values[i, : done.phases.until] for i in rows)]
    return max((float(np.partition(v, -2)[-2]) for v in values if v.size > 1), default=None)


def _repairs(record: RunRecord, done: derived.RunResults) -> tuple[RepairedChannel, ...]:
    """What was repaired on a named person's word, channel by channel."""
    said = {(c.channel, c.fault): c for c in record.confirmations}
    out = []
    for one in done.repairs:
        fault = one.fault
        word = said.get((fault.channel, fault.kind)) or said.get((fault.other or "", fault.kind))
        if word is None:
            continue
        for name in (fault.channel, fault.other) if fault.other else (fault.channel,):
            recorded, repaired = _at_hold(done, done.trace, name), _at_hold(done, done.repaired, name)
            out.append(
                RepairedChannel(name, one.remark, recorded, repaired, one.added_c, word.person, word.why, word.at)
            )
    return tuple(out)


def _at_hold(done: derived.RunResults, trace: Trace, channel: str) -> float | None:
    """The mean of a channel over the main hold [°C]."""
    hold = done.phases.main_hold
    if hold is None:
        return None
    values = trace.values[trace.row(channel), hold.start : hold.end]
    values = values[values == values]
    return float(values.mean()) if values.size else None


def turned(judgement: Judgement, raw: Judgement, how: str) -> list[str]:
    """A sentence for every clause whose verdict the thermocouple corrections, or repairs, turned.

    judgement, raw  the same run judged with them and without; how, as in 'with the thermocouple corrections'
    """
    without = {c.clause: c.verdict for c in raw.clauses}
    return [
        f"{c.clause}: {c.verdict} {how}, {without[c.clause]} by the readings as recorded"
        for c in judgement.clauses
        if without.get(c.clause, c.verdict) != c.verdict
    ]


def judge_runs(book: BookFolder, runs: Sequence[str]) -> Iterator[JudgedRun]:
    """Judge several runs, one after the other: memory does not grow with their number."""
    for run in runs:
        yield judge_run(book, run, figures=False)


def _stated(stated: dict[str, Any], name: str) -> tuple[float | None, float | None, str]:
    row = stated.get(name)
    return (None, None, "trace") if row is None else (row["value"], row["se"], "stated")


def _programmed(asked: tuple[AskedAchieved, ...], program: dict[str, Any]) -> tuple[AskedAchieved, ...]:
    """With what was set at the furnace's program."""
    return tuple(replace(a, program=program[a.parameter]["value"]) if a.parameter in program else a for a in asked)


def _asked(asked: Sequence[Parameter], found: Sequence[Parameter], not_reached: bool) -> tuple[AskedAchieved, ...]:
    """What the cycle asked beside what was achieved; without a cycle, what was achieved.

    not_reached  the run never came to the cycle's main hold
    """
    from loadbook.core.vocabulary.parameters import PLANNABLE

    achieved = {p.parameter: p for p in found if p.channel is None}
    wanted = {p.parameter: p for p in asked}
    out = []
    for name in PLANNABLE:
        a, b = wanted.get(name), achieved.get(name)
        if a or b:
            unit = a.unit if a else b.unit if b else ""
            start = f"{name.removesuffix('_c_per_h')}_above_"
            above = tuple(
                (_bound(p, float(key.removeprefix(start).removesuffix("c_c_per_h"))), p.value)
                for key, p in achieved.items()
                if key.startswith(start) and key.removeprefix(start).removesuffix("c_c_per_h").isdigit()
            )
            never = b is None and not_reached and name in ("hold_mean_c", "soak_minutes")
            out.append(AskedAchieved(name, unit, a.value if a else None, b.value if b else None, b.se if b else None,
                                     not_reached=never, above=above))  # fmt: skip
    return tuple(out)


def _bound(found: Parameter, named: float) -> float:
    """The temperature [°C] above which a parameter was taken, as the cycle states it; its name rounds."""
    for said in of_stored(found.note or ""):
        if isinstance(said, Remark) and "above_c" in said.figures:
            return float(said.figures["above_c"])
    return named


def _remarks(record: RunRecord, found: Sequence[str], zone: ZoneInfo) -> tuple[str, ...]:
    """What a reader of the verdict must know beside it."""
    out = list(found)
    if record.row["status"] != "done":
        out.append(f"the run was {record.row['status'] if record.row['status'] == 'aborted' else 'declared void'}")
    if record.trace is not None:
        trace_began = times.from_stored(record.trace["started"])
        apart = record.apart(trace_began, record.trace["seconds"])
        if apart is not None:
            source = record.trace["source_name"]
            out.append(f"the trace ({source}) lies wholly {apart} the run: is it this run's? Nothing here holds if not")
    day = times.local_day(record.row["started"], zone)
    for name, until in record.calibrations.items():
        if until is not None and until < day:
            out.append(f"calibration {name} had ended on {until}, before the run")
    for name in sorted({c.calibration for c in record.channels if c.calibration and c.as_found}):
        out.append(f"calibration {name} was made after the run: it counts only from a confirmed drift on")
    known = [c for c in record.channels if c.role in ("control", "work") and c.quantity == "temperature"]
    if record.cycle and known and not any(c.expanded_uncertainty_c for c in known):
        out.append("no thermocouple's uncertainty is recorded: whether it could turn a verdict is not known")
    for c in record.confirmations:
        out.append(
            f"{c.person} {c.decision} the fault '{c.fault}' of {c.channel} on {times.local_day(c.at, zone)}: {c.why}"
        )
    return tuple(out)


def local(text: str | None, book: BookFolder) -> str:
    """A stored moment on the shop's clock, to the second; '' for none."""
    if text is None:
        return ""
    return times.on_clock(times.from_stored(text) + timedelta(microseconds=500_000), book.zone, "%Y-%m-%d %H:%M:%S")
