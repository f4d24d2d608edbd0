"""Judging: every clause of a cycle kept, broken or not to be told, with and without each suspected thermocouple.

Pure: arrays, channel records and a cycle in, a Judgement out. A fault never deletes a finding: where leaving out a
suspected channel would change a verdict, the clause cannot be told until a named person has decided about the fault.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

from loadbook.analysis.trace.model import ClauseResult, Cycle, Fault, Judgement, PieceRecord, RunFacts, Trace, Verdict
from loadbook.analysis.trace.phases import Phases

from .check import BLIND_S, Clause, Frame, Guard
from .limits import limit_clauses
from .segments import segment_clauses
from .series import View
from .soak import hold_soak

Decided = Iterable[tuple[str, str, str]]  # (channel, fault kind, 'confirmed' or 'refused')
REPORTED_ONLY = ("drifting",)  # said, never left out: an offset at the hold may be the load's own


def judge(
    trace: Trace,
    cycle: Cycle | None,
    pieces: Sequence[PieceRecord],
    phases: Phases,
    faults: Sequence[Fault],
    confirmed: Decided = frozenset(),
    guard_factor: float = 1.0,
    guard_decides: bool = False,
    facts: RunFacts | None = None,
) -> Judgement:
    """Every clause of the cycle on one run.

    trace      prepared (validity.prepared): corrected, invalid samples NaN
    cycle      None: no clauses, no verdict ('cannot be told'), faults and remarks only
    confirmed  what named persons decided: a confirmed fault's interval is left out, a refused one counts in full;
               every other fault is suspected
    guard_factor, guard_decides   see check.Guard
    facts      what is recorded beside the trace; an event 'aborted' also stops the run
    Returns    Judgement: broken if any clause is, else 'cannot be told' if any cannot, else kept
    """
    if cycle is None or not (cycle.segments or cycle.limits):
        remark = "no cycle was asked of this run: segments are automatic, there is no verdict"
        return Judgement("cannot be told", (), tuple(faults), phases.until_s, (remark,))
    decisions = {(channel, kind): decision for channel, kind, decision in confirmed}
    out, suspected = _sort(faults, decisions)
    facts = facts or RunFacts()
    stopped = facts.stopped or any(e.event.strip().casefold() == "aborted" for e in trace.events)
    frame = Frame(phases, Guard(guard_factor, guard_decides), _blind_s(cycle), replace(facts, stopped=stopped))
    base = seen(trace, cycle, phases, out)
    clauses = [*segment_clauses(cycle, frame), *limit_clauses(cycle, pieces, frame)]
    others = _alternatives(base, suspected)
    results = [_with_and_without(c, base, others) for c in clauses]
    results = _unique(results)
    verdict: Verdict = "kept"
    if any(r.verdict == "broken" for r in results):
        verdict = "broken"
    elif any(r.verdict == "cannot be told" for r in results):
        verdict = "cannot be told"
    remarks = [*_soak_remarks(cycle, frame, base), *_fault_remarks(out, decisions)]
    return Judgement(verdict, tuple(results), tuple(faults), phases.until_s, tuple(remarks))


def seen(trace: Trace, cycle: Cycle | None, phases: Phases, left_out: Sequence[Fault]) -> View:
    """The trace as the clauses see it, without the faults that are left out for good."""
    base = View(trace, phases.until_s, _fewest(cycle) if cycle else 1)
    return base.without(left_out) if left_out else base


def sorted_out(faults: Sequence[Fault], confirmed: Decided) -> tuple[list[Fault], list[Fault]]:
    """(faults whose interval is left out for good, suspected ones): open circuits and those that a named person
    confirmed are out; a refused one is neither."""
    return _sort(faults, {(channel, kind): decision for channel, kind, decision in confirmed})


def _blind_s(cycle: Cycle) -> float:
    """The longest stretch that may go unseen: the cycle's own longest gap, else BLIND_S."""
    stated = [x.value for x in cycle.limits if x.quantity == "gap" and x.relation == "max"]
    return min(stated) if stated else BLIND_S


def _fewest(cycle: Cycle) -> int:
    """The fewest valid work TCs that a figure over the work may rest on."""
    stated = [x.value for x in cycle.limits if x.quantity == "work_tcs" and x.relation == "min" and x.phase == "any"]
    return max(1, round(max(stated))) if stated else 1


def _sort(faults: Sequence[Fault], decisions: dict[tuple[str, str], str]) -> tuple[list[Fault], list[Fault]]:
    """Faults whose interval is left out for good, and those that are only suspected."""
    out, suspected = [], []
    for fault in faults:
        decision = decisions.get((fault.channel, fault.kind))
        if decision == "refused":
            continue
        if fault.certain or decision == "confirmed":
            out.append(fault)
        elif fault.kind not in REPORTED_ONLY:
            suspected.append(fault)
    return out, suspected


def _alternatives(base: View, suspected: list[Fault]) -> list[tuple[str, View]]:
    """Views without each suspected channel, and without all of them together."""
    channels = list(dict.fromkeys(f.channel for f in suspected))
    views = [(c, base.without([f for f in suspected if f.channel == c])) for c in channels]
    if len(channels) > 1:
        views.append((" and ".join(channels), base.without(suspected)))
    return views


def _with_and_without(clause: Clause, base: View, others: list[tuple[str, View]]) -> ClauseResult:
    """The verdict, or 'cannot be told' where leaving out suspected channels changes it."""
    result = clause.decide(base)
    for channels, view in others:
        other = clause.decide(view)
        if other.verdict == result.verdict:
            continue
        if result.verdict == "cannot be told" and other.verdict == "kept":
            continue  # less evidence never tells more
        figures = result if result.verdict == "broken" or other.value is None else other
        if other.verdict == "cannot be told":
            said = f"too little is left without it ({other.missing})"
        else:
            said = f"without it {other.verdict}"
        missing = f"is {channels} to be trusted? with it {result.verdict}, {said}"
        return replace(
            figures, verdict="cannot be told", missing=missing, without=other.verdict, text=result.text,
            limit=result.limit, unit=result.unit,
        )  # fmt: skip
    return result


def _unique(results: list[ClauseResult]) -> list[ClauseResult]:
    """Clause names made unique: a second 'spread' becomes 'spread (2)'."""
    seen: dict[str, int] = {}
    out = []
    for r in results:
        seen[r.clause] = seen.get(r.clause, 0) + 1
        out.append(r if seen[r.clause] == 1 else replace(r, clause=f"{r.clause} ({seen[r.clause]})"))
    return out


def _soak_remarks(cycle: Cycle, frame: Frame, view: View) -> list[str]:
    """What was seen of a soak beside its verdict: how often the band was left, and what that did."""
    said = {"restart": "the count started again", "pause": "the count paused", "end": "the count ended"}
    out = []
    for s in cycle.segments:
        if s.kind != "hold" or not s.minutes:
            continue
        interval = frame.phases.interval(s.number)
        found = hold_soak(s, view, frame) if interval is not None else None
        if found is None or interval is None:
            continue
        left = found.leavings
        if left:
            times = "once" if len(left) == 1 else f"{len(left)} times"
            channels = ", ".join(dict.fromkeys(x[1] for x in left))
            out.append(f"soak {s.number}: {channels} left the band {times}; {said[s.on_leaving]}")
    return out


def _fault_remarks(out: Sequence[Fault], decisions: dict[tuple[str, str], str]) -> list[str]:
    named = [f for f in out if decisions.get((f.channel, f.kind)) == "confirmed"]
    return [f"{f.channel}: left out from its fault on ({f.kind}), as a named person confirmed" for f in named]
