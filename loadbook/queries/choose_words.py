"""A choice of cycle as sentences in the book's units: the way chosen beside the present one, its grounds, what next."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from loadbook.core import units
from loadbook.core.figures import share_range, share_words, shown
from loadbook.core.phrases import many
from loadbook.core.vocabulary.parameters import PLANNED

from . import remark_words
from .answer_figures import apart, moved_by, setting, span, within
from .choose_result import VARIED

if TYPE_CHECKING:
    from loadbook.analysis.planning.choose import Scored

    from .choose_result import Chosen, Planned

_DONE = {
    "heating_rate_peak_c_per_h": "heating at", "cooling_rate_peak_c_per_h": "cooling at", "hold_mean_c": "the hold at",
    "soak_minutes": "a soak of",
}  # fmt: skip


def sentences(c: Chosen, system: str) -> list[str]:
    """The answer first, then what it rests on."""
    out = [_first(c, system)]
    refused = c.refused
    if refused is not None:
        out.append(remark_words.needed(refused, system))
    choice = c.choice
    if choice is not None:
        if choice.chosen is not None and choice.chosen is not choice.present:
            out.append(_against(c, choice.chosen, system))
        if choice.chosen is not None:
            out.append(_rests(c, choice.chosen))
        out += [_held_out(c), _matter(c, system)]
        out.append(c.plan(choice.chosen or choice.present).hours.sentence())
    for one in c.remarks:
        if one.severity != "refusal" and one.code != "code_overrules":
            out.append(_sentence(remark_words.words(one, system)))
    if choice is not None:
        out.append(next_trial(c, system))
    return [line for line in out if line]


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:] + ("" if text.endswith(".") else ".")


def way(plan: Planned, now: Planned | None, system: str) -> str:
    """A way by what it changes: 'SR-600 revision C with heating at 120 °C/h, cooling at 90 °C/h, hung'."""
    name = f"{plan.cycle.cycle} revision {plan.cycle.revision}"
    words = [
        f"{_DONE[n]} {_amount(n, plan.settings[n], system)}"
        for n in (plan.changed if now is not None else plan.settings)
        if n in _DONE
    ]
    if "setup" in plan.changed and plan.setup:
        words.append(plan.setup)
    return name + (f" with {', '.join(words)}" if words else "")


def _amount(name: str, value: float, system: str) -> str:
    shown, label, _ = units.show(value, PLANNED[name].unit, system)
    return f"{shown:.0f} {label}"


def limit_words(c: Chosen, system: str) -> str:
    """What pieces are held to: 'within 0.1 mm', 'in the stock'."""
    low, high = c.limits_um
    if c.of_movement:
        return f"in the {_mm(min(abs(low), abs(high)), system)} of stock"
    return within(low if np.isfinite(low) else None, high if np.isfinite(high) else None, system)


def _mm(um: float, system: str) -> str:
    return shown(um / 1000.0, "mm", system)


def _first(c: Chosen, system: str) -> str:
    who = f"{c.present.subject.part}, {c.present.subject.characteristic}"
    choice, refused = c.choice, c.refused
    if choice is None or refused is not None:
        why = remark_words.words(refused, system) if refused is not None else "nothing was compared"
        return f"No cycle is offered for {who}: {why}."
    now, best = choice.present, choice.chosen
    assert best is not None
    plan, here = c.plan(best), c.plan(now)
    inside = f"{share_range(best.inside.share, best.inside.low, best.inside.high)} stay {limit_words(c, system)}"
    cost = plan.hours.money()
    if best is now:
        return (
            f"{who}: the present way, {way(plan, None, system)}: {plan.hours.said()}{_paid(cost)}, {inside}; none of "
            f"{many(choice.ways, 'other way')} takes fewer hours and keeps {share_words(c.keep)} inside."
        )
    return (
        f"{who}: {way(plan, here, system)}: {plan.hours.said()}{_paid(cost)}, {inside}; the present cycle: "
        f"{here.hours.said()}{_paid(here.hours.money())}, "
        f"{share_range(now.inside.share, now.inside.low, now.inside.high)}{_short(c)}."
    )


def _short(c: Chosen) -> str:
    assert c.choice is not None
    if c.choice.present.inside.low >= c.keep:
        return ""
    return f", which falls short of {share_words(c.keep)} with 95 % confidence"


def _paid(cost: str) -> str:
    return f", {cost}" if cost else ""


def _against(c: Chosen, best: Scored, system: str) -> str:
    """How its movement differs from the present way's, as far as runs alone can tell."""
    row = c.row(best)
    gap, unit = row["from_runs_alone"], c.present.unit
    if gap is None:
        return ""
    middle, low, high = gap
    if low <= 0.0 <= high:
        how = f"{moved_by(middle, unit, system)} (95 %: {span(low, high, unit, system)})"
        return f"Against the present way it moves {how} on average: which of the two moves less cannot be told."
    amount, ends = apart(middle, low, high, unit, system)
    return f"By the runs that bear on it, it moves {amount} than the present way on average (95 %: {ends})."


def _rests(c: Chosen, best: Scored) -> str:
    p = c.present
    near = f"{many(best.near, 'run')}, {best.own_near or 'none'} of this part" if best.near else "no run"
    return (
        f"It rests on {many(p.runs, 'run')} and {many(p.pieces, 'piece')} in {p.process}; near it in everything that "
        f"may change: {near}."
    )


def _held_out(c: Chosen) -> str:
    found = c.choice.held_out if c.choice is not None else None
    if found is None or not found.folds:
        return "Too few runs to choose again without some of them: what a way seems to save is taken from the fit."
    return (
        f"Chosen again {found.folds} times, each time without a fifth of {many(found.runs, 'run')}: the runs left out "
        f"showed {share_words(found.share)} of the movement that such a choice promised to save; that much is counted."
    )


def _matter(c: Chosen, system: str) -> str:
    choice = c.choice
    assert choice is not None
    if choice.matters:
        return ""
    names = [setting(VARIED[v], None, system) if VARIED[v] in PLANNED else v for v in c.varied if v != "cycle"]
    fastest = "" if choice.chosen is None else ", so the fewest hours that were run decide"
    return f"By these runs none of {', '.join(names)} can be told to matter{fastest}."


def next_trial(c: Chosen, system: str) -> str:
    """The runs that would move the edge most."""
    choice = c.choice
    assert choice is not None
    if choice.trial is None:
        return "No few runs of any way looked at would be expected to bring fewer hours." if choice.chosen else ""
    t = choice.trial
    plan, now = c.plans[t.way.key], c.plan(choice.chosen) if choice.chosen is not None else None
    saves = f", {now.hours.quote.at - plan.hours.quote.at:.1f} h fewer" if now is not None else ""
    beyond = " It lies beyond what was run, so agree it first." if t.outside else ""
    return (
        f"Next trial: {t.runs} runs by {way(plan, c.plan(choice.present), system)} ({plan.hours.said()}{saves}), if it "
        f"moves as is expected now, would settle that it keeps the tolerance.{beyond}"
    )
