"""Demands on what is recorded beside the trace: which gas was let in, how the surface came out, what the furnace is."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from loadbook.analysis.trace.model import ClauseResult, Event, FurnaceCheck, Limit, Verdict

from .check import Demand, Frame, untold
from .series import View

BACKFILL, SURFACE = "gas backfill", "surface checked"
SURVEY = "uniformity survey"
# a survey counts this far from its temperature, and two count for all between them that are no further apart than this:
# 150 °F and 600 °F, as pyrometry specifications space survey temperatures (common practice; SAE AMS2750, from memory)
SURVEY_NEAR_C, SURVEY_BETWEEN_C = 150.0 / 1.8, 600.0 / 1.8
# words by which a gas is named in a note or an atmosphere
GASES = {
    "argon": ("argon", "ar"), "nitrogen": ("nitrogen", "n2"), "helium": ("helium", "he"),
    "hydrogen": ("hydrogen", "h2"), "air": ("air",), "endothermic gas": ("endothermic", "endogas"),
    "exothermic gas": ("exothermic", "exogas"), "ammonia": ("ammonia", "nh3"), "carbon dioxide": ("co2",),
    "steam": ("steam",),
}  # fmt: skip


def gases_in(text: str) -> set[str]:
    """The gases that a text names.

    >>> sorted(gases_in("N2 5.0 with 3 % hydrogen")), gases_in("vacuum")
    (['hydrogen', 'nitrogen'], set())
    """
    words = set(re.findall(r"[a-z0-9]+", text.casefold()))
    return {gas for gas, names in GASES.items() if words & set(names)}


def judged_words(event: Event) -> str | None:
    """What clauses take from an event's note: the gases that it names, or the first words on the surface; None for
    none. The rest of a note is a person's own and is neither judged nor published."""
    name, note = event.event.strip().casefold(), event.note or ""
    if name == BACKFILL:
        return ", ".join(sorted(gases_in(note))) or None
    if name == SURFACE:
        return re.split(r"[,;:(.]", note)[0].strip().casefold() or None
    return None


def _stated(demand: Demand, verdict: Verdict, **more: Any) -> ClauseResult:
    return ClauseResult(demand.clause, verdict, demand.text, **more)


def gas(view: View, limit: Limit, demand: Demand, frame: Frame) -> ClauseResult:
    """The run's own atmosphere and the note of each 'gas backfill' name no other gas, and at least one names it."""
    allowed = gases_in(limit.event or "")
    own = gases_in(frame.facts.atmosphere)
    fills = [e for e in view.trace.events if e.event.strip().casefold() == BACKFILL]
    for event in fills:
        if gases_in(event.note or "") - allowed:
            return _stated(demand, "broken", first_s=event.t_s, worst_s=event.t_s, channel=judged_words(event))
    if own - allowed:
        return _stated(demand, "broken", channel=", ".join(sorted(own)))
    named = [judged_words(e) for e in fills]
    if own or (named and all(named)):
        return _stated(demand, "kept", channel=", ".join(sorted(own)) if own else named[-1])
    return untold(_stated(demand, "kept"), "gas_not_named", event=BACKFILL)


def surface(view: View, limit: Limit, demand: Demand, frame: Frame) -> ClauseResult:
    """The note of each 'surface checked' begins with one of the words allowed."""
    allowed = set(_words(limit.event or ""))
    seen = [e for e in view.trace.events if e.event.strip().casefold() == SURFACE]
    for event in seen:
        found = judged_words(event)
        if not found:
            return untold(_stated(demand, "kept"), "surface_not_said", event=SURFACE)
        if found not in allowed:
            return _stated(demand, "broken", first_s=event.t_s, worst_s=event.t_s, channel=found)
    if not seen:
        return untold(_stated(demand, "kept"), "no_event", event=SURFACE)
    return _stated(demand, "kept", worst_s=seen[-1].t_s, channel=judged_words(seen[-1]))


def _words(text: str) -> list[str]:
    return [w.strip().casefold() for w in re.split(r",|\bor\b", text) if w.strip()]


def furnace_uniformity(view: View, limit: Limit, demand: Demand, frame: Frame) -> ClauseResult:
    """The furnace's class and its current surveys: none wider than the limit, the latest not failed, those current on
    the day near enough to the temperature of the main hold and of those after it."""
    facts = frame.facts
    surveys = [c for c in facts.checks if c.kind == SURVEY]
    current = [c for c in surveys if c.state == "current"]
    newest = max(surveys, key=lambda c: c.done_on, default=None)
    known = [c.worst_c for c in current if c.worst_c is not None]
    widest = max([*known, *([facts.uniformity_c] if facts.uniformity_c is not None else [])], default=None)
    base = _stated(demand, "kept", limit=limit.value, unit="c_diff", value=widest, channel=facts.furnace or None)
    if widest is not None and widest > limit.value:
        return replace(base, verdict="broken")
    if newest is None:
        return untold(base, "no_survey")
    survey = f"{facts.furnace}, survey of {newest.done_on}"
    if newest.state == "failed":
        return replace(base, verdict="broken", value=newest.worst_c, channel=f"{survey} failed")
    if not current and newest.state == "past due":  # what the furnace was like then says nothing of this day
        since = f" since {newest.due_on}" if newest.due_on else ""
        return replace(base, verdict="broken", value=None, channel=f"{survey} past due{since}")
    if not current:
        return untold(base, "survey_without_due", done_on=newest.done_on)
    for at_c in facts.holds_c:
        covered = survey_covers(current, at_c)
        if covered is None:
            return untold(base, "survey_without_temperature", done_on=current[0].done_on)
        if not covered:
            return untold(base, "no_survey_near")
    return base if known else untold(base, "survey_without_spread")


def survey_covers(surveys: Sequence[FurnaceCheck], at_c: float) -> bool | None:
    """Do these surveys say anything of a temperature [°C]: is one near it, or does it lie between two that are near
    enough to each other? None where no survey's temperature is recorded, and none that is covers it.

    >>> made = [FurnaceCheck(SURVEY, "2026-01-10", None, at, 4.0, True, "current") for at in (315.0, 620.0)]
    >>> survey_covers(made, 480.0), survey_covers(made, 700.0), survey_covers(made, 850.0)
    (True, True, False)
    """
    known = sorted(c.at_c for c in surveys if c.at_c is not None)
    if any(abs(t - at_c) <= SURVEY_NEAR_C for t in known):
        return True
    below, above = [t for t in known if t <= at_c], [t for t in known if t >= at_c]
    if below and above and above[0] - below[-1] <= SURVEY_BETWEEN_C:
        return True
    return None if len(known) < len(surveys) else False
