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
)
from loadbook.analysis.trace.phases import Phases, find_phases
from loadbook.analysis.trace.repair import Decided, repaired, sorted_out
from loadbook.core.remarks import Remark, remark

from .check import BLIND_S, Clause, Frame, Guard, untold
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
        return Judgement("cannot be told", (), tuple(faults), phases.until_s, (remark("without_cycle"),))
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
        others = [replace(o, clauses=again(o.view)) if o.doubt.code == "doubt_traded" else o for o in others]
    results = [_with_and_without(c, base, others) for c in clauses]
    results = _unique(results)
    verdict: Verdict = "kept"
    if any(r.verdict == "broken" for r in results):
        verdict = "broken"
    elif any(r.verdict == "cannot be told" for r in results):
        verdict = "cannot be told"
    confirmed_repairs = (r.remark for r in repairs if not r.fault.certain)
    remarks = [*_soak_remarks(cycle, frame, base),
               *(replace(r, figures={**r.figures, "confirmed": True}) for r in confirmed_repairs)]  # fmt: skip
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


@dataclass(frozen=True)
class _Other:
    """Another way to see the run, and the doubt about the usual way that it comes from."""

    doubt: Remark
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
    return [_Other(_doubt(names, trace, of), see([*out, *of])) for names, of in groups.items()]


def _doubt(names: tuple[str, ...], trace: Trace, faults: list[Fault]) -> Remark:
    """The question that suspected channels raise."""
    done = {r.done for r in repaired(trace, faults)[1]}
    if done == {"relabelled"}:
        return remark("doubt_traded", channels=names)
    if done == {"corrected"} and len(faults) == 1:
        return remark("doubt_type", channels=names, wire=faults[0].wire, table=faults[0].table)
    return remark("doubt_trusted", channels=names)


def _by_beginning(out: list[Fault], see: See) -> list[_Other]:
    """Views with the faults whose beginning is only known as a range from its earliest and its latest moment on."""
    found = []
    for fault in out:
        if fault.began is None or fault.began[0] == fault.began[1]:
            continue
        for moment in fault.began:
            doubt = remark("doubt_began", channel=fault.channel, kind=fault.kind, from_s=fault.start_s, other_s=moment)
            found.append(_Other(doubt, see([replace(f, start_s=moment) if f is fault else f for f in out])))
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
        left = other.missing.as_dict() if other.missing else None
        found = replace(figures, without=other.verdict, text=result.text, limit=result.limit, unit=result.unit)
        doubt = {"verdict": result.verdict, "otherwise": other.verdict, "left": left}
        return untold(found, way.doubt.code, **way.doubt.figures, **doubt)
    return result


def _unique(results: list[ClauseResult]) -> list[ClauseResult]:
    """Clause names made unique: a second 'spread' becomes 'spread (2)'."""
    seen: dict[str, int] = {}
    out = []
    for r in results:
        seen[r.clause] = seen.get(r.clause, 0) + 1
        out.append(r if seen[r.clause] == 1 else replace(r, clause=f"{r.clause} ({seen[r.clause]})"))
    return out


def _soak_remarks(cycle: Cycle, frame: Frame, view: View) -> list[Remark]:
    """What was seen of a soak beside its verdict: how often the band was left, and what that did."""
    out = []
    for s in cycle.segments:
        if s.kind != "hold" or not s.minutes:
            continue
        interval = frame.phases.interval(s.number)
        found = hold_soak(s, view, frame) if interval is not None else None
        if found is None or interval is None:
            continue
        if left := found.leavings:
            channels = list(dict.fromkeys(x[1] for x in left))
            out.append(remark("left_band", segment=s.number, channels=channels, times=len(left), then=s.on_leaving))
    return out
