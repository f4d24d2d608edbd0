"""Suspected sensor faults of a run: each with its interval, evidence in words with figures, and a confidence.

Only open circuits and sentinels are certain. Every other fault is a suspicion: judging gives the verdict with and
without the channel, so a suspicion never deletes a finding, and a cold corner stays what it is.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from loadbook.analysis.quantiles import median_of
from loadbook.analysis.trace.model import Fault, Trace
from loadbook.core.remarks import remark

from .channels import ChannelView, channel_view
from .detached import find_detached
from .drift import find_drift
from .early import find_early
from .frozen import find_frozen
from .open import find_open
from .own_heat import not_own_heat
from .response import find_quicker
from .role import find_role_faults, find_traded_roles, traded
from .spike import find_spikes
from .step import find_noisy, find_steps

RESPONSE_S = 150.0  # between samples further apart than this a thin section has followed: how quickly is not seen
KINDS = (
    "open",
    "frozen",
    "step",
    "noisy",
    "spike",
    "detached",
    "reversed",
    "swapped",
    "wrong type",
    "shorted",
    "drifting",
)


def find_faults(trace: Trace, phases: Any = None) -> list[Fault]:
    """The suspected faults of a prepared trace, in order of their start.

    trace   prepared (validity.prepared): corrected, NaN where invalid, flags set
    phases  phases.find_phases of it, or None; nothing after its until_s is looked at
    """
    with np.errstate(invalid="ignore", over="ignore", divide="ignore"):  # channels may hold nothing but NaN
        return _find(trace, phases)


def _find(trace: Trace, phases: Any) -> list[Fault]:
    seen = channel_view(trace, phases)
    if seen is None:
        return []
    opened, frozen, noisy = find_open(seen), find_frozen(seen), find_noisy(seen)
    steps = _not_beside(traded(seen, find_steps(seen)), frozen + opened + noisy, 3.0 * seen.interval_s)
    spikes = [s for s in find_spikes(seen) if s.channel not in {f.channel for f in opened + noisy + steps}]
    clear = seen.blanked(opened + frozen + noisy + spikes)
    at_a_moment = {f.channel for f in steps if f.kind == "swapped"}
    roles = [f for f in find_traded_roles(clear) if f.channel not in at_a_moment]
    clear = clear.blanked(roles)
    roles += _left_without_step(clear, find_role_faults(clear), steps)
    clear = clear.blanked(roles)
    loose = find_detached(clear)
    known = {f.channel for f in loose} | {f.channel for f in frozen}
    if seen.interval_s <= RESPONSE_S:
        loose += [f for f in find_quicker(clear) if f.channel not in known]
        known |= {f.channel for f in loose}
        loose += [f for f in find_early(clear) if f.channel not in known]
    loose = not_own_heat(clear, loose)
    steps, loose = _settled(clear, _not_beside(steps, roles, 900.0), loose)
    sudden = frozen + noisy + steps + loose
    contradicted = {f.channel: f.start_s for f in roles}
    sudden = [f for f in sudden if f.start_s < contradicted.get(f.channel, float("inf")) - 900.0]
    drift = find_drift(clear.blanked(sudden))
    return sorted(_come_and_go(opened + spikes + roles + sudden + drift), key=lambda f: (f.start_s, f.channel))


def _come_and_go(faults: list[Fault]) -> list[Fault]:
    """The faults, with those of a channel that come and go again and again as one: a contact, not many accidents."""
    out: list[Fault] = []
    often = {"open": 2, "noisy": 2, "step": 3}
    groups: dict[tuple[str, str], list[Fault]] = {}
    for fault in faults:
        groups.setdefault((fault.channel, fault.kind), []).append(fault)
    for (_, kind), own in groups.items():
        breaks = sum(round(f.figures.get("breaks", 1.0)) for f in own)
        if kind not in often or breaks < often[kind] or (len(own) == 1 and breaks < 3):
            out += own
            continue
        own.sort(key=lambda f: f.start_s)
        lasted = sum(f.figures.get("minutes", (f.end_s - f.start_s) / 60.0) for f in own)
        first, last = own[0], own[-1]
        worst = max(own, key=lambda f: f.confidence)
        said = remark("comes_and_goes", times=breaks, from_s=first.start_s, to_s=last.end_s, lasted_min=float(lasted),
                      first=kind == "open")  # fmt: skip
        evidence = (said, *(first if kind == "open" else worst).evidence)
        figures = {**worst.figures, "breaks": float(breaks), "minutes": lasted}
        spans = tuple((f.start_s, f.end_s) for f in own) if len(own) > 1 else ()
        out.append(
            replace(worst, start_s=first.start_s, end_s=last.end_s, evidence=evidence, figures=figures, spans=spans)
        )
    return out


def _left_without_step(seen: ChannelView, roles: list[Fault], steps: list[Fault]) -> list[Fault]:
    """The contradictions of a role that are still there when the channel's jump is taken out again: a channel that
    stands too high since it jumped is not a channel read by a wrong table."""
    odd = {r.channel for r in roles if r.kind == "wrong type"}
    jumped = [s for s in steps if s.kind == "step" and s.channel in odd]
    if not jumped:
        return roles
    still = {f.channel for f in find_role_faults(seen.shifted(jumped))}
    explained = {s.channel for s in jumped} - still
    return [r for r in roles if r.kind != "wrong type" or r.channel not in explained]


def _not_beside(steps: list[Fault], others: list[Fault], within_s: float) -> list[Fault]:
    """The steps that are not merely the beginning, the end or a part of another fault of the same channel."""

    def beside(step: Fault) -> bool:
        return any(
            o.channel == step.channel
            and (
                abs(step.start_s - o.start_s) <= within_s
                or abs(step.start_s - o.end_s) <= within_s
                or (o.kind == "noisy" and o.start_s <= step.start_s <= o.end_s)
            )
            for o in others
        )

    return [s for s in steps if not beside(s)]


def _settled(seen: ChannelView, steps: list[Fault], loose: list[Fault]) -> tuple[list[Fault], list[Fault]]:
    """One name for each event of a channel that looks both stepped and detached.

    A bead that comes off closes a share of its distance to the furnace, so nothing of the jump is left once load and
    furnace are equally hot; a step stays whole. Without such a time, a jump toward the furnace that came with a change
    of place is taken for a detachment.
    """
    kept_steps, kept_loose = list(steps), list(loose)
    for fault in loose:
        for step in [s for s in kept_steps if s.channel == fault.channel]:
            if step.kind == "step" and _closes_distance(seen, step):
                kept_steps.remove(step)
            elif fault in kept_loose:
                kept_loose.remove(fault)
    return kept_steps, kept_loose


def _closes_distance(seen: ChannelView, step: Fault) -> bool:
    grid, jump = seen.grid, step.figures["jump_c"]
    row = next(i for i, c in enumerate(seen.channels) if c.name == step.channel)
    peers = seen.peers(row)
    before = np.flatnonzero(grid.t < step.start_s - grid.step_s)[-3:]
    away = float(np.nanmedian((grid.furnace - grid.y[row])[before])) if len(before) else float("nan")
    if not peers or not np.isfinite(away) or away * jump <= 0 or abs(jump) > 1.1 * abs(away):
        return False
    usual = median_of(grid.y[peers])
    offset = grid.y[row] - usual
    level = np.abs(grid.furnace - usual) < 10.0
    after = offset[(grid.t > step.start_s + 1800.0) & level & np.isfinite(offset)]
    return not (len(after) >= 10 and abs(float(np.median(after)) - jump) < 0.5 * abs(jump))
