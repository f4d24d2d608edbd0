"""Judging: every clause of a cycle kept, broken or not to be told, with and without each suspected thermocouple.

Pure: arrays, channel records and a cycle in, a Judgement out. A fault never deletes a finding: where leaving out a
suspected channel, or putting it right, would change a verdict, the clause cannot be told until a named person has
decided about the fault. A confirmed fault is repaired from its beginning; where that is only known as a range and a
verdict hangs on it, the clause cannot be told either.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

from loadbook.analysis.trace.model import (
    ClauseResult,
    Cycle,
    Fault,
    Judgement,
    PieceRecord,
    RunFacts,
    Trace,
    Verdict,
    clock,
)
from loadbook.analysis.trace.phases import Phases, find_phases
from loadbook.analysis.trace.repair import Decided, Repair, repaired, sorted_out

from .check import BLIND_S, Clause, Frame, Guard
from .limits import limit_clauses
from .segments import segment_clauses
from .series import View
from .soak import hold_soak


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

    trace      prepared (validity.prepared) as recorded: corrected, invalid samples NaN, nothing repaired
    phases     of the repaired trace
    cycle      None: no clauses, no verdict ('cannot be told'), faults and remarks only
    confirmed  what named persons decided: a confirmed fault is repaired (trace.repair), a refused one counts in full;
               every other fault is suspected
    guard_factor, guard_decides   see check.Guard
    facts      what is recorded beside the trace; an event 'aborted' also stops the run
    Returns    Judgement: broken if any clause is, else 'cannot be told' if any cannot, else kept
    """
    if cycle is None or not (cycle.segments or cycle.limits):
        remark = "no cycle was asked of this run: segments are automatic, there is no verdict"
        return Judgement("cannot be told", (), tuple(faults), phases.until_s, (remark,))
    confirmed = tuple(confirmed)
    out, suspected = sorted_out(faults, confirmed)
    facts = facts or RunFacts()
    stopped = facts.stopped or any(e.event.strip().casefold() == "aborted" for e in trace.events)
    facts = replace(facts, stopped=stopped, holds_c=cycle.surveyed_c)
    frame = Frame(phases, Guard(guard_factor, guard_decides), _blind_s(cycle), facts)
    repairs = repaired(trace, out)[1]
    base = seen(trace, cycle, phases, out)
    clauses = [*segment_clauses(cycle, frame), *limit_clauses(cycle, pieces, frame)]

    def see(these: Sequence[Fault]) -> View:
        return seen(trace, cycle, phases, these)

    def again(view: View) -> dict[str, Clause]:
        other = replace(frame, phases=find_phases(view.trace, cycle))
        return {c.name: c for c in [*segment_clauses(cycle, other), *limit_clauses(cycle, pieces, other)]}

    others = [*_by_beginning(out, see), *_alternatives(trace, out, suspected, see)]
    control = {c.name for c in trace.channels if c.role == "control"}
    traded = {name for f in suspected if f.kind == "swapped" for name in (f.channel, f.other)}
    if control & traded:
        others = [replace(o, clauses=again(o.view)) if o.name == RELABELLED else o for o in others]
    results = [_with_and_without(c, base, others) for c in clauses]
    results = _unique(results)
    verdict: Verdict = "kept"
    if any(r.verdict == "broken" for r in results):
        verdict = "broken"
    elif any(r.verdict == "cannot be told" for r in results):
        verdict = "cannot be told"
    remarks = [*_soak_remarks(cycle, frame, base), *_repair_remarks(repairs)]
    return Judgement(verdict, tuple(results), tuple(faults), phases.until_s, tuple(remarks))


def seen(trace: Trace, cycle: Cycle | None, phases: Phases, out: Sequence[Fault]) -> View:
    """The trace as the clauses see it, with the faults that count repaired."""
    base = View(trace, phases.until_s, _fewest(cycle) if cycle else 1)
    return base.repaired(out) if out else base


def _blind_s(cycle: Cycle) -> float:
    """The longest stretch that may go unseen: the cycle's own longest gap, else BLIND_S."""
    stated = [x.value for x in cycle.limits if x.quantity == "gap" and x.relation == "max"]
    return min(stated) if stated else BLIND_S


def _fewest(cycle: Cycle) -> int:
    """The fewest valid work TCs that a figure over the work may rest on."""
    stated = [x.value for x in cycle.limits if x.quantity == "work_tcs" and x.relation == "min" and x.phase == "any"]
    return max(1, round(max(stated))) if stated else 1


RELABELLED = "relabelled"


@dataclass(frozen=True)
class _Other:
    """Another way to see the run: the question it answers, and its name and that of the usual way."""

    question: str
    usual: str
    name: str
    view: View
    clauses: dict[str, Clause] = field(default_factory=dict)  # where a control TC is put right, segments end elsewhere


See = Callable[[Sequence[Fault]], View]


def _alternatives(trace: Trace, out: list[Fault], suspected: list[Fault], see: See) -> list[_Other]:
    """Views with each suspected channel put right or left out, and with all of them together."""
    groups: dict[tuple[str, ...], list[Fault]] = {}
    for fault in suspected:
        names = (fault.channel, fault.other) if fault.other else (fault.channel,)
        groups.setdefault(tuple(sorted(names)), []).append(fault)
    if len(groups) > 1:
        groups[tuple(dict.fromkeys(f.channel for f in suspected))] = suspected
    return [_Other(*_asked(names, trace, of), see([*out, *of])) for names, of in groups.items()]


def _asked(names: tuple[str, ...], trace: Trace, faults: list[Fault]) -> tuple[str, str, str]:
    """The question that suspected channels raise, and what their trace is called as it is, and put right."""
    who, done = " and ".join(names), {r.done for r in repaired(trace, faults)[1]}
    if done == {"relabelled"}:
        return f"have {who} traded places?", "as recorded", RELABELLED
    if done == {"corrected"} and len(faults) == 1:
        return f"is {who} a type {faults[0].wire} read as type {faults[0].table}?", "as recorded", "read again"
    if len(names) == 1:
        return f"is {who} to be trusted?", "with it", "without it"
    return f"are {who} to be trusted?", "with them", "without them"


def _by_beginning(out: list[Fault], see: See) -> list[_Other]:
    """Views with the faults whose beginning is only known as a range from its earliest and its latest moment on."""
    found = []
    for fault in out:
        if fault.began is None or fault.began[0] == fault.began[1]:
            continue
        question = f"when did {fault.channel} begin to be at fault ({fault.kind})?"
        usual = f"from {clock(fault.start_s)} on"
        for moment in fault.began:
            view = see([replace(f, start_s=moment) if f is fault else f for f in out])
            found.append(_Other(question, usual, f"from {clock(moment)} on", view))
    return found


def _with_and_without(clause: Clause, base: View, others: list[_Other]) -> ClauseResult:
    """The verdict, or 'cannot be told' where another way to see the run changes it."""
    result = clause.decide(base)
    for way in others:
        other = way.clauses.get(clause.name, clause).decide(way.view)
        if other.verdict == result.verdict:
            continue
        if result.verdict == "cannot be told" and other.verdict == "kept":
            continue  # less evidence never tells more
        figures = result if result.verdict == "broken" or other.value is None else other
        if other.verdict == "cannot be told":
            said = f"too little is left {way.name} ({other.missing})"
        else:
            said = f"{way.name} {other.verdict}"
        missing = f"{way.question} {way.usual} {result.verdict}, {said}"
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


def _repair_remarks(repairs: Sequence[Repair]) -> list[str]:
    return [f"{r.words}, as a named person confirmed" for r in repairs if not r.fault.certain]
