"""The words of an effect: its verdict, one or two sentences that a shop owner understands and a statistician accepts,
and why there is no figure. Nothing reads one: what an effect comes to is its `finding`."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from loadbook.analysis.effects.estimate import NOISY, Effect
from loadbook.analysis.effects.words import effect_shown, figure, nice_step, p_text, spoken
from loadbook.analysis.movement import percent
from loadbook.core import units
from loadbook.core.figures import share_words, spoken_unit, true_minus
from loadbook.core.phrases import many
from loadbook.core.remarks import Remark

Figures = Mapping[str, Any]
MOST_LEVELS = 4  # that a sentence names
SELDOM = 25  # runs below which an effect is seldom settled; "about 30" is said of fewer only
_ASSOCIATION = "An association, unless a trial assigned the settings."


@dataclass(frozen=True)
class _Shown:
    """An effect in the book's units, over a round step of its parameter."""

    over: Callable[[float], float]  # a slope over the step
    amount: Callable[[float], float]  # a movement
    unit: str
    step: str
    slope: float
    low: float
    high: float


def _shown(e: Effect, system: str) -> _Shown:
    assert e.effect is not None and e.effect_low is not None and e.effect_high is not None
    y_factor, y_label = effect_shown(e.effect_unit, system)
    y_label = spoken_unit(y_label)
    x_factor, x_zero, x_label = units.line(e.unit, system)
    low_x, high_x = (e.range_low or 0.0) * x_factor + x_zero, (e.range_high or 0.0) * x_factor + x_zero
    step, per = 1.0, f"{e.parameter} instead of {e.against}"
    if e.against is None:
        step = nice_step(high_x - low_x)
        per = f"{figure(step)} {x_label} more of {spoken(e.parameter, system)}".replace("  ", " ")
    amount = percent.shown(e.effect_unit, y_factor)

    def over(value: float) -> float:
        return float(amount(value * step / x_factor))

    low, high = sorted((over(e.effect_low), over(e.effect_high)))
    return _Shown(over, amount, y_label, per, over(e.effect), low, high)


def verdict(e: Effect, tried: int = 1, system: str = "si") -> str:
    """The sentence for an effect. tried: parameters with a p value in the same command."""
    if e.refused is not None:
        return f"Cannot tell: {why_not(e.refused, system)}."
    x, apart = _shown(e, system), _apart(e, system)
    told = (
        f"{_signed(x.slope)} {x.unit} ({100 * e.confidence:g} %: {_signed(x.low)} to {_signed(x.high)}) for {x.step}, "
        "comparing runs of the same part number"
    )
    if e.finding == "not_separable":
        first = (
            f"Cannot tell: moves together with {apart or 'the other parameters'} and could not be separated; "
            f"alone {told}."
        )
    elif e.differs is not None:
        first = (
            f"Differs by {e.differs.figures['by']}: {x.step} goes with {_of_levels(e, x)}, comparing runs of the same "
            f"part number. One figure for all ({_signed(x.slope)} {x.unit}) would be true of none. {_ASSOCIATION}"
        )
    elif e.finding == "goes_with":
        own = f", its own share beside {apart}" if e.fit in ("joint", "beside factors") and apart else ""
        cause = "The settings were assigned, so this is their doing." if e.assigned else _ASSOCIATION
        first = f"Goes with movement: {told}{own}. {cause}"
    elif e.finding == "not_settled":
        assert e.p is not None
        first = (
            f"Not settled: {told}; by itself p = {p_text(e.p)}, but {tried} parameters were tried "
            f"(adjusted p = {p_text(1.0 if e.p_adjusted is None else e.p_adjusted)})."
        )
    else:
        most = max(abs(x.low), abs(x.high))
        first = f"Cannot tell whether it matters: {told}. More than {figure(most)} {x.unit} is unlikely."
        if e.runs < SELDOM:
            first += f" {e.runs} runs seldom settle it; about 30 do."
    return " ".join([first, *_warnings(e, x, apart)])


def headline(e: Effect, system: str = "si") -> str:
    """The effect in one line, for a picture's title."""
    name = spoken(e.parameter, system)
    if e.against is not None:
        name = f"{e.parameter.replace(': ', ' ')} instead of {e.against}"
    if e.refused is not None or e.effect is None:
        return f"Cannot tell what {name} does"
    x = _shown(e, system)
    told = true_minus(f"{_signed(x.slope)} {x.unit} ({_signed(x.low)} to {_signed(x.high)})")
    if e.differs is not None:
        return f"{_capital(x.step)} does not do the same by {e.differs.figures['by']}: {_of_levels(e, x)}"
    if e.finding == "goes_with":
        return f"{_capital(x.step)} goes with {told}"
    if e.finding == "not_settled":
        return f"Not settled: {x.step}, {told}"
    if e.finding == "not_separable":
        return f"Cannot tell {name} from {_apart(e, system) or 'the others'}"
    return f"Cannot tell whether {name} matters: more than {figure(max(abs(x.low), abs(x.high)))} {x.unit} is unlikely"


def caveats(e: Effect, system: str = "si") -> list[str]:
    """What must stand beside the line: sentences."""
    if e.refused is not None:
        return [f"{_capital(why_not(e.refused, system))}."]
    if e.effect is None:
        return ["No effect."]
    x = _shown(e, system)
    cause = [_ASSOCIATION] if e.finding == "goes_with" and not e.assigned else []
    return [*cause, *_warnings(e, x, _apart(e, system))]


def _of_levels(e: Effect, x: _Shown) -> str:
    """The slope of each group, the largest and the smallest of many."""
    assert e.differs is not None
    levels = sorted(e.differs.figures["levels"], key=lambda level: -level["effect"])
    shown = levels if len(levels) <= MOST_LEVELS else [*levels[: MOST_LEVELS - 1], levels[-1]]
    told = []
    for level in shown:
        low, high = sorted((x.over(level["low"]), x.over(level["high"])))
        told.append(
            f"{_signed(x.over(level['effect']))} {x.unit} ({_signed(low)} to {_signed(high)}) in {level['level']}"
        )
    return ", ".join(told) + ("" if shown is levels else f", {len(levels) - len(shown)} between")


def _signed(value: float) -> str:
    """A figure with its sign to three digits, without an exponent where it is large.

    >>> _signed(-20.94), _signed(7040.0), _signed(0.00004)
    ('-20.9', '+7040', '+4e-05')
    """
    text = f"{value:+.3g}"
    return f"{value:+.0f}" if "e+" in text else text


def _capital(words: str) -> str:
    return words[:1].upper() + words[1:]


def _apart(e: Effect, system: str) -> str:
    return ", ".join(spoken(n, system) for n in e.confounded_with)


def _noise(e: Effect, over: Callable[[float], float], y_label: str) -> list[str]:
    """What the measuring noise of the parameter's values does to its slope."""
    if e.reliability is None or e.reliability >= NOISY:
        return []
    asked = ""
    if e.effect_asked is not None and e.effect_asked_low is not None and e.effect_asked_high is not None:
        low, high = sorted((over(e.effect_asked_low), over(e.effect_asked_high)))
        asked = f" By what was asked: {_signed(over(e.effect_asked))} {y_label} ({_signed(low)} to {_signed(high)})."
    if e.corrected is None or e.corrected_low is None or e.corrected_high is None:
        return [
            "Its values vary hardly more than they are known to: noise pulls such a figure to zero."
            + (asked or " Try --asked.")
        ]
    low, high = sorted((over(e.corrected_low), over(e.corrected_high)))
    return [
        f"{share_words(1 - e.reliability)} of what its values vary by is measuring noise, which pulls the figure to "
        f"zero: without it {_signed(over(e.corrected))} {y_label} ({_signed(low)} to {_signed(high)}).{asked}"
    ]


def _warnings(e: Effect, x: _Shown, apart: str) -> list[str]:
    over, amount, y_label = x.over, x.amount, x.unit
    out = []
    assert e.effect is not None
    if e.fit in ("joint", "beside factors") and apart and e.alone is not None:
        out.append(f"Alone it looks like {_signed(over(e.alone))} {y_label}: it moves together with {apart}.")
    elif e.fit == "alone" and apart:
        out.append(f"It moves together with {apart}.")
    out += _noise(e, over, y_label)
    if e.bend is not None and e.bend_low is not None and e.bend_high is not None:
        bend, *ends = (float(amount(v)) for v in (e.bend, e.bend_low, e.bend_high))
        told = f"{_signed(bend)} {y_label} ({_signed(ends[0])} to {_signed(ends[1])})"
        if ends[0] * ends[1] > 0:
            out.append(f"In the middle it moved {told} off the line between the ends: there is a bend or a threshold.")
        else:
            out.append(f"In the middle it moved {told} off the line between the ends: no threshold shows.")
    if e.misleads and e.pooled is not None and e.pooled_low is not None and e.pooled_high is not None:
        if e.pooled_low > 0 or e.pooled_high < 0:
            out.append(
                f"All part numbers thrown together show the opposite ({_signed(over(e.pooled))} {y_label}): part "
                "numbers that move more were run differently. Do not read the pooled picture."
            )
        else:
            out.append("All part numbers thrown together lean the other way; do not read the pooled picture.")
    if (
        e.left_out_low is not None
        and e.left_out_high is not None
        and e.left_out_low * e.left_out_high < 0
        and (e.finding == "goes_with")
    ):
        run = e.left_out_low_run if e.left_out_low * e.effect < 0 else e.left_out_high_run
        out.append(f"Without run {run} the sign turns.")
    if e.stated > 0:
        out.append(f"{share_words(e.stated)} of its values were read off paper charts.")
    return out


def why_not(remark: Remark, system: str) -> str:
    """Why there is no figure, without a full stop."""
    return EFFECT_WORDS[remark.code](remark.figures, system)


def _too_few_means(f: Figures, system: str) -> str:
    if f["parameter"] is None:
        return "no part number has two runs with every setting of the trial known"
    few = f"only {f['means']} means" if f["means"] else "no means"
    return (
        f"{few} of a run and part number can be compared (part numbers with two runs or more, with it known); at least "
        f"{f['needed']} are needed. Measure pieces of part numbers that run again"
    )


EFFECT_WORDS: dict[str, Callable[[Figures, str], str]] = {
    "effect_exact": lambda f, s: (
        "movement follows it to the last digit and nothing is left over to judge an interval by: "
        "measured figures scatter, so look whether these were computed"
    ),
    "effect_constant": lambda f, s: (
        "it never changed inside a part number: every part number always ran at its own setting, "
        "and a difference between part numbers is not the effect of the setting. Run one part number at two settings"
    ),
    "effect_one_run": lambda f, s: (
        f"everything about it hangs on run {f['run']} alone: without it nothing varied. Repeat that setting"
    ),
    "effect_with_date": lambda f, s: "it changed in step with the calendar date, so the two cannot be told apart",
    "effect_in_step": lambda f, s: "it changed in step with the other parameters exactly, so they cannot be told apart",
    "effect_few_runs": lambda f, s: "there are too few runs for it",
    "effect_few_means": _too_few_means,
    "effect_asked_alone": lambda f, s: (
        f"what was asked for is on record of {many(f['asked'], 'measured run')}, what the furnace did of "
        f"{f['achieved'] or 'none'}. Ask with --asked, or take in the runs' traces"
    ),
    "effect_not_on_record": lambda f, s: (
        f"it is on record of none of {many(f['runs'], 'measured run')}. Take in their traces, or what was read off "
        "their charts (loadbook take parameters)"
    ),
    "effect_few_degrees": lambda f, s: (
        f"{f['means']} means over {f['parts']} part numbers and {f['runs']} runs leave {f['degrees']} degrees of "
        f"freedom; at least {f['needed']} are needed. More runs of the same part numbers would help, more part numbers "
        "would not"
    ),
    "effect_all_equal": lambda f, s: (
        "all movements are equal, to the last digit: there is nothing to explain, or the gauge is too coarse"
    ),
    "effect_runs_equal": lambda f, s: (
        "the runs of every part number moved the same, to the last digit: there is nothing to explain, or the gauge is "
        "too coarse"
    ),
    "effect_gauge_too_coarse": lambda f, s: (
        f"{share_words(f['share'])} of the movements are smaller than their gauge's uncertainty: what they differ by "
        "is the gauge's doing. Measure with a gauge whose uncertainty is well below the movement that matters"
    ),
    "effect_trial_degrees": lambda f, s: f"{f['runs']} runs leave no degree of freedom beside {f['settings']} settings",
    "effect_not_separable": lambda f, s: (
        f"{spoken(f['parameter'], s)} went with {' and '.join(f['names'])}, and these runs do not tell which of them "
        f"it was. Run one part number at two settings with the same {' and '.join(f['names'])}"
    ),
    "effect_few_for_joint": lambda f, s: (
        f"{f['means']} means of a run and part number are too few to tell {f['parameters']} parameters apart"
    ),
    "effect_differs": lambda f, s: (
        f"what {spoken(f['parameter'], s)} does differs by {f['by']}, beyond chance: one figure for all "
        "would be true of none"
    ),
    "effect_not_joint": lambda f, s: (
        f"with {', '.join(spoken(n, s) for n in f['others'])} it could not be fitted jointly: "
        f"{EFFECT_WORDS[f['why']](f['because'], s)}"
    ),
}
