"""What a judge does in doubt: suspected thermocouples, uncertainty, no cycle, nothing to see."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from loadbook.analysis.clauses import judge
from loadbook.analysis.trace import phases, validity
from loadbook.analysis.trace.model import ClauseResult, Fault, Limit
from loadbook.queries.evidence_words import worded
from loadbook.render.judged import lacks

from .clausecase import FURNACE, SEGMENTS, T, changed, judged, one, trace


# ---- faults ---------------------------------------------------------------------------------------------------------
def suspect(channel: str, kind: str = "detached", certain: bool = False) -> Fault:
    return Fault(kind, channel, 0.0, float(T[-1]), 0.7, certain, ())


COLD = changed(trace(), "W3", FURNACE - 60.0)
LIMIT = Limit(1, "spread", "max", 40.0)


def test_a_suspected_fault_never_deletes_a_finding() -> None:
    """A real cold corner looks like a bad thermocouple: with it broken, without it kept, so it cannot be told."""
    result = one(COLD, LIMIT, faults=[suspect("W3")])
    assert result.verdict == "cannot be told" and result.without == "kept"
    assert result.value == pytest.approx(58.0) and result.first_s == 0.0 and result.channel == "W1 over W3"
    assert lacks(result, "si") == "is W3 to be trusted? with it broken, without it kept"


def test_a_suspected_fault_may_not_make_a_run_good_either() -> None:
    """The thermocouple in doubt reads between the others: without it the clause stands as it is."""
    result = one(COLD, LIMIT, faults=[suspect("W2")])
    assert result.verdict == "broken" and result.without is None


def test_a_named_person_decides() -> None:
    confirmed = judged(COLD, LIMIT, faults=[suspect("W3")], confirmed={("W3", "detached", "confirmed")})
    assert confirmed.clauses[-1].verdict == "kept"
    assert "a named person confirmed" in worded(confirmed.remarks, "si")
    refused = one(COLD, LIMIT, faults=[suspect("W3")], confirmed={("W3", "detached", "refused")})
    assert refused.verdict == "broken"
    other_kind = one(COLD, LIMIT, faults=[suspect("W3")], confirmed={("W3", "frozen", "confirmed")})
    assert other_kind.verdict == "cannot be told"


def test_certain_faults_are_left_out_and_drift_never_is() -> None:
    assert one(COLD, LIMIT, faults=[suspect("W3", "open", certain=True)]).verdict == "kept"
    assert one(COLD, LIMIT, faults=[suspect("W3", "drifting")]).verdict == "broken"


def test_too_few_left_without_the_suspected_one() -> None:
    result = one(trace(behind=(2.0, 4.0)), LIMIT, faults=[suspect("W1")])
    assert result.verdict == "cannot be told" and "too little is left without it" in lacks(result, "si")


def test_each_and_all_suspected_ones_are_left_out_in_turn() -> None:
    """One is too hot, one too cold: leaving out either still breaks 40 °C, leaving out both does not."""
    made = trace(behind=(0.0, 2.0, 50.0, -50.0))
    result = one(made, LIMIT, faults=[suspect("W3"), suspect("W4")])
    assert result.verdict == "cannot be told" and "W3 and W4" in lacks(result, "si")


# ---- uncertainty ----------------------------------------------------------------------------------------------------
def test_uncertainty_is_shown_where_it_could_turn_the_verdict() -> None:
    made = trace(expanded_uncertainty_c=2.0)
    near = one(made, Limit(1, "spread", "max", 5.0))
    assert near.verdict == "kept" and near.uncertain and near.uncertainty == pytest.approx(np.hypot(2.0, 2.0))
    assert not one(made, Limit(1, "spread", "max", 7.0)).uncertain
    assert not one(trace(), Limit(1, "spread", "max", 5.0)).uncertain  # nothing recorded: nothing to show


def test_guard_thinking() -> None:
    """B-GUARD, the thinking of ISO 14253-1: limit 20.05, uncertainty .015: 20.035 inside, 20.040 not to be told,
    beyond 20.065 outside (the figures are a length's; here °C)."""

    def at(value: float, **guard: Any) -> ClauseResult:
        made = trace(behind=(0.0,), expanded_uncertainty_c=0.015)
        made = replace(made, channels=(replace(made.channels[0], role="other"), made.channels[1]))
        made = changed(made, "W1", np.full(T.size, value))
        return judged(made, Limit(1, "over_temperature", "max", 20.05), segments=(), **guard).clauses[-1]

    assert (at(20.034).verdict, at(20.034).uncertain) == ("kept", False)
    assert (at(20.040).verdict, at(20.040).uncertain) == ("kept", True)  # the mark alone never changes a verdict
    assert at(20.040, guard_decides=True).verdict == "cannot be told"
    assert at(20.060, guard_decides=True).verdict == "cannot be told"
    assert at(20.066, guard_decides=True).verdict == "broken"
    assert at(20.040, guard_factor=0.5, guard_decides=True).verdict == "kept"
    assert at(20.034, guard_decides=True).verdict == "kept"


def test_soak_that_the_uncertainty_could_turn() -> None:
    """W3 sits 2 °C above the lower edge for half the hold: 3 °C of uncertainty could shorten the soak."""
    low = np.where(T > 4.0 * 3600, FURNACE - 8.0, FURNACE - 1.0)
    made = changed(trace(expanded_uncertainty_c=3.0), "W3", low)
    found = judged(made, segments=(SEGMENTS[0], replace(SEGMENTS[1], minutes=110.0), SEGMENTS[2]))
    result = next(c for c in found.clauses if c.clause == "soak 2")
    assert result.verdict == "kept" and result.uncertain and (result.uncertainty or 0.0) > 30.0


# ---- the whole ------------------------------------------------------------------------------------------------------
def test_without_a_cycle_there_is_no_verdict() -> None:
    ready = validity.prepared(trace())
    found = judge.judge(ready, None, (), phases.find_phases(ready, None), [suspect("W1")])
    assert found.clauses == () and found.verdict == "cannot be told" and len(found.faults) == 1
    assert "no verdict" in worded(found.remarks, "si")


def test_clause_names_are_unique() -> None:
    found = judged(trace(), Limit(1, "spread", "max", 40.0), Limit(2, "spread", "max", 30.0))
    assert [c.clause for c in found.clauses[-2:]] == ["spread", "spread (2)"]


def test_an_empty_or_blind_trace_is_never_an_error() -> None:
    blank = trace()
    blank = replace(blank, values=np.full(blank.values.shape, np.nan))
    limits = [
        Limit(i, q, "max", 1.0)
        for i, q in enumerate(
            ("spread", "lead", "over_temperature", "start_control", "start_work", "heating_rate", "cooling_rate_work",
             "pressure", "leak_rate", "dew_point", "oxygen", "gap"), start=1,
        )
    ] + [Limit(20, "event_work", "max", 50.0, event="door opened"), Limit(21, "work_tcs", "min", 1.0)]  # fmt: skip
    found = judged(blank, *limits)
    told = {c.clause for c in found.clauses if c.verdict != "cannot be told"}
    assert told == {"work TCs"}  # that none is valid is a fact
