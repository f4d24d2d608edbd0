"""The verdict on an effect: one or two sentences that a shop owner understands and a statistician accepts."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from loadbook.analysis.movement import percent
from loadbook.core import units
from loadbook.core.figures import scale_words

if TYPE_CHECKING:
    from .estimate import Effect

NOISY = 0.95  # reliability of a parameter's values below which their noise is spoken of

UNIT_SUFFIXES = ("_c_per_h", "_c", "_minutes", "_hours")


def spoken(name: str) -> str:
    """A parameter's name as words, without its unit.

    >>> spoken("heating_rate_peak_c_per_h"), spoken("soak_minutes"), spoken("setup: hung")
    ('heating rate peak', 'soak', 'setup: hung')
    """
    for suffix in UNIT_SUFFIXES:
        if name.endswith(suffix):
            return name[: -len(suffix)].replace("_", " ")
    return name.replace("_", " ")


def figure(value: float, digits: int = 3) -> str:
    """A number to three significant digits, without an exponent where it can be avoided.

    >>> figure(1234.5), figure(0.012345), figure(-2.0)
    ('1234', '0.0123', '-2')
    """
    if value == 0.0 or not math.isfinite(value):
        return "0" if value == 0.0 else str(value)
    places = max(0, digits - 1 - math.floor(math.log10(abs(value))))
    text = f"{value:.{min(places, 12)}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def p_text(p: float) -> str:
    """A p value that never claims to be nothing.

    >>> p_text(0.0000001), p_text(0.0314)
    ('<0.0005', '0.031')
    """
    return "<0.0005" if p < 0.0005 else f"{p:.3f}"


def nice_step(width: float) -> float:
    """A round step of about a third of a range: 1, 2 or 5 times a power of ten.

    >>> nice_step(100.0), nice_step(7.0)
    (20.0, 2.0)
    """
    if width <= 0 or not math.isfinite(width):
        return 1.0
    third = width / 3.0
    power = 10.0 ** math.floor(math.log10(third))
    return float(max(m * power for m in (1.0, 2.0, 5.0) if m * power <= third * (1 + 1e-9)))


def effect_shown(unit: str, system: str) -> tuple[float, str]:
    """Factor and label that show a movement in the book's units."""
    if unit in ("um", "mm"):
        factor, label, _ = units.show(1.0, unit, system)
        return factor, label
    return 1.0, scale_words(unit, system)


def parameter_shown(unit: str, system: str) -> tuple[float, float, str]:
    """Factor for differences of a parameter, offset and label for its values, in the book's units."""
    difference = {"c": "c_diff"}.get(unit, unit)
    factor = units.show(1.0, difference, system)[0]
    zero, label, _ = units.show(0.0, unit, system)
    if unit not in units.SHOWN["si"]:
        label = unit
    return factor, zero, label


def misleads(e: Effect) -> bool:
    """True where all part numbers thrown together lean the other way than runs of the same part number."""
    reference = e.alone if e.alone is not None else e.effect
    return e.pooled is not None and reference is not None and e.pooled * reference < 0


def says(e: Effect) -> Literal["goes with", "not settled", "cannot tell"]:
    """What an effect amounts to."""
    if e.refused is not None or e.effect is None or e.fit == "not separable":
        return "cannot tell"
    if e.p_adjusted is not None and e.p_adjusted < 1.0 - e.confidence:
        return "goes with"
    return "not settled" if e.p is not None and e.p < 1.0 - e.confidence else "cannot tell"


@dataclass(frozen=True)
class _Shown:
    """An effect in the book's units, over a round step of its parameter."""

    over: Callable[[float], float]
    unit: str
    step: str
    slope: float
    low: float
    high: float


def _shown(e: Effect, system: str) -> _Shown:
    assert e.effect is not None and e.effect_low is not None and e.effect_high is not None
    y_factor, y_label = effect_shown(e.effect_unit, system)
    y_label = f"× {y_label}" if y_label[:1].isdigit() else y_label
    x_factor, x_zero, x_label = parameter_shown(e.unit, system)
    low_x, high_x = (e.range_low or 0.0) * x_factor + x_zero, (e.range_high or 0.0) * x_factor + x_zero
    step, per = 1.0, f"{e.parameter} instead of {e.against}"
    if e.against is None:
        step = nice_step(high_x - low_x)
        per = f"{figure(step)} {x_label} more of {spoken(e.parameter)}".replace("  ", " ")
    amount = percent.shown(e.effect_unit, y_factor)

    def over(value: float) -> float:
        return float(amount(value * step / x_factor))

    low, high = sorted((over(e.effect_low), over(e.effect_high)))
    return _Shown(over, y_label, per, over(e.effect), low, high)


def finding(e: Effect, system: str = "si") -> str:
    """The effect in one line, for a picture's title."""
    name = spoken(e.parameter)
    if e.against is not None:
        name = f"{e.parameter.replace(': ', ' ')} instead of {e.against}"
    if e.refused is not None or e.effect is None:
        return f"Cannot tell what {name} does"
    x = _shown(e, system)
    told = f"{x.slope:+.3g} {x.unit} ({x.low:+.3g} to {x.high:+.3g})".replace("-", "−")
    said = says(e)
    if said == "goes with":
        return f"{_capital(x.step)} goes with {told}"
    if said == "not settled":
        return f"Not settled: {x.step}, {told}"
    if e.fit == "not separable":
        return f"Cannot tell {name} from {', '.join(spoken(n) for n in e.confounded_with) or 'the others'}"
    return f"Cannot tell whether {name} matters: more than {figure(max(abs(x.low), abs(x.high)))} {x.unit} is unlikely"


def caveats(e: Effect, system: str = "si") -> list[str]:
    """What must stand beside the line: sentences."""
    if e.refused is not None or e.effect is None:
        return [f"{_capital(e.refused or 'no effect')}."]
    x = _shown(e, system)
    real = says(e) == "goes with"
    cause = [] if not real or e.assigned else ["An association, unless a trial assigned the settings."]
    return [*cause, *_warnings(e, x.over, x.unit, _apart(e), real)]


def _capital(words: str) -> str:
    return words[:1].upper() + words[1:]


def _apart(e: Effect) -> str:
    return ", ".join(spoken(n) for n in e.confounded_with)


def verdict(e: Effect, tried: int = 1, system: str = "si") -> str:
    """The sentence for an effect. tried: parameters with a p value in the same command."""
    if e.refused is not None:
        return f"Cannot tell: {e.refused}."
    x = _shown(e, system)
    told = (
        f"{x.slope:+.3g} {x.unit} ({100 * e.confidence:g} %: {x.low:+.3g} to {x.high:+.3g}) for {x.step}, "
        "comparing runs of the same part number"
    )
    said, apart = says(e), _apart(e)
    if e.fit == "not separable":
        first = (
            f"Cannot tell: moves together with {apart or 'the other parameters'} and could not be separated; "
            f"alone {told}."
        )
    elif said == "goes with":
        own = f", its own share beside {apart}" if e.fit in ("joint", "beside factors") and apart else ""
        cause = (
            "The settings were assigned, so this is their doing."
            if e.assigned
            else ("An association, unless a trial assigned the settings.")
        )
        first = f"Goes with movement: {told}{own}. {cause}"
    elif said == "not settled":
        assert e.p is not None
        first = (
            f"Not settled: {told}; by itself p = {p_text(e.p)}, but {tried} parameters were tried "
            f"(adjusted p = {p_text(1.0 if e.p_adjusted is None else e.p_adjusted)})."
        )
    else:
        most = max(abs(x.low), abs(x.high))
        first = f"Cannot tell whether it matters: {told}. More than {figure(most)} {x.unit} is unlikely."
        if e.runs < 30:
            first += f" {e.runs} runs seldom settle it; about 30 do."
    return " ".join([first, *_warnings(e, x.over, x.unit, apart, said == "goes with")])


def _noise(e: Effect, over: Callable[[float], float], y_label: str) -> list[str]:
    """What the measuring noise of the parameter's values does to its slope."""
    if e.reliability is None or e.reliability >= NOISY:
        return []
    asked = ""
    if e.effect_asked is not None and e.effect_asked_low is not None and e.effect_asked_high is not None:
        low, high = sorted((over(e.effect_asked_low), over(e.effect_asked_high)))
        asked = f" By what was asked: {over(e.effect_asked):+.3g} ({low:+.3g} to {high:+.3g})."
    if e.corrected is None or e.corrected_low is None or e.corrected_high is None:
        return [
            "Its values vary hardly more than they are known to: noise pulls such a figure to zero."
            + (asked or " Try --asked.")
        ]
    low, high = sorted((over(e.corrected_low), over(e.corrected_high)))
    return [
        f"{100 * (1 - e.reliability):.0f} % of what its values vary by is measuring noise, which pulls the figure to "
        f"zero: without it {over(e.corrected):+.3g} {y_label} ({low:+.3g} to {high:+.3g}).{asked}"
    ]


def _warnings(e: Effect, over: Callable[[float], float], y_label: str, apart: str, real: bool) -> list[str]:
    out = []
    assert e.effect is not None
    if e.fit in ("joint", "beside factors") and apart and e.alone is not None:
        out.append(f"Alone it looks like {over(e.alone):+.3g} {y_label}: it moves together with {apart}.")
    elif e.fit == "alone" and apart:
        out.append(f"It moves together with {apart}.")
    out += _noise(e, over, y_label)
    if misleads(e) and e.pooled is not None and e.pooled_low is not None and e.pooled_high is not None:
        if e.pooled_low > 0 or e.pooled_high < 0:
            out.append(
                f"All part numbers thrown together show the opposite ({over(e.pooled):+.3g} {y_label}): part "
                "numbers that move more were run differently. Do not read the pooled picture."
            )
        else:
            out.append("All part numbers thrown together lean the other way; do not read the pooled picture.")
    if e.left_out_low is not None and e.left_out_high is not None and e.left_out_low * e.left_out_high < 0 and real:
        run = e.left_out_low_run if e.left_out_low * e.effect < 0 else e.left_out_high_run
        out.append(f"Without run {run} the sign turns.")
    if e.stated > 0:
        out.append(f"{100 * e.stated:.0f} % of its values were read off paper charts.")
    return out
