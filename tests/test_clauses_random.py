"""Clauses against a plain loop over the samples, on random traces with missing readings and uneven steps."""

from __future__ import annotations

import math

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from loadbook.analysis.clauses import judge
from loadbook.analysis.trace import phases, validity
from loadbook.analysis.trace.model import Channel, Cycle, Event, Limit, Trace


def random_trace(seed: int, missing: float) -> Trace:
    rng = np.random.default_rng(seed)
    t = np.cumsum(rng.uniform(10.0, 60.0, 200)) - 10.0
    values = 300.0 + np.cumsum(rng.normal(0.0, 3.0, (6, t.size)), axis=1)
    values[rng.random(values.shape) < missing] = np.nan
    roles = ("control", "control", "work", "work", "work", "work")
    channels = tuple(Channel(i, f"T{i}", role) for i, role in enumerate(roles, start=1))  # type: ignore[arg-type]
    end = float(t[rng.integers(120, 199)])
    return Trace(t, values, np.zeros(values.shape, np.uint8), channels, (Event(end, "door opened"),))


def by_hand(trace: Trace, quantity: str) -> list[tuple[float, float]]:
    """(moment, value) of every judged sample at which the quantity is known."""
    out = []
    for i, moment in enumerate(trace.t_s):
        if moment > trace.events[0].t_s:
            break
        control = [v for v in trace.values[:2, i] if not math.isnan(v)]
        work = [v for v in trace.values[2:, i] if not math.isnan(v)]
        if quantity == "spread" and len(work) >= 2:
            out.append((float(moment), max(work) - min(work)))
        elif quantity == "over_temperature" and control + work:
            out.append((float(moment), max(control + work)))
        elif quantity == "work_tcs":
            out.append((float(moment), float(len(work))))
    return out


@settings(max_examples=60)
@given(st.integers(0, 10_000), st.sampled_from([0.0, 0.1, 0.6]), st.floats(0.0, 1.0))
def test_verdict_first_and_worst_as_a_loop_finds_them(seed: int, missing: float, share: float) -> None:
    trace = random_trace(seed, missing)
    ready = validity.prepared(trace)
    for quantity, relation in (("spread", "max"), ("over_temperature", "max"), ("work_tcs", "min")):
        seen = by_hand(trace, quantity)
        low, high = min(v for _, v in seen), max(v for _, v in seen)
        limit = low + share * (high - low)
        cycle = Cycle("C", limits=(Limit(1, quantity, relation, limit),))  # type: ignore[arg-type]
        found = judge.judge(ready, cycle, (), phases.find_phases(ready, None), ()).clauses[0]
        beyond = [(t, v) for t, v in seen if (v > limit if relation == "max" else v < limit)]
        if beyond:
            worst = (max if relation == "max" else min)(v for _, v in seen)
            assert found.verdict == "broken"
            assert (found.first_s, found.value) == (beyond[0][0], worst)
        else:
            assert found.verdict == "kept"


@settings(max_examples=40)
@given(st.integers(0, 10_000), st.floats(1.0, 80.0), st.floats(0.0, 40.0))
def test_a_wider_limit_is_never_broken_where_a_narrower_one_is_kept(seed: int, limit: float, wider: float) -> None:
    ready = validity.prepared(random_trace(seed, 0.05))
    found = phases.find_phases(ready, None)
    verdicts = []
    for value in (limit, limit + wider):
        cycle = Cycle("C", limits=(Limit(1, "spread", "max", value),))
        verdicts.append(judge.judge(ready, cycle, (), found, ()).clauses[0].verdict)
    assert verdicts != ["kept", "broken"]
