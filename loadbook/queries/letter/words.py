"""The sentences of a letter: what a customer understands, without the program's own words and commands."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any

from loadbook.core import units
from loadbook.queries.answer_words import SETTING_UNITS, figure_text, many

if TYPE_CHECKING:
    from .filter import OwnRecords

SAID = {
    "heating_rate_peak_c_per_h": "heated at", "hold_mean_c": "held at", "soak_minutes": "soaked",
    "cooling_rate_peak_c_per_h": "cooled at",
}  # fmt: skip
_OURS = ("loadbook", "--", "(see ", "the book has")  # a sentence with one of these speaks to the shop
_ALWAYS = "A limit from a code or customer specification"  # stands in the letter's closing
_INSIDE = ("Set aside", "the settings in the history are what was achieved", "Most of the width is about")
HARDLY = 0.95  # of the width left after 16 more runs: more runs hardly narrow it
_MM = re.compile(r"(\d+(?:\.\d+)?) mm\b")


def cleaned(text: str) -> str:
    """The sentences of a text that speak to a customer.

    >>> cleaned("Measure twice. Give it with --size. Then ask again.")
    'Measure twice. Then ask again.'
    """
    kept = [s for s in re.split(r"(?<=[.;:]) (?=[A-Z])", text) if not any(w in s for w in _OURS)]
    return " ".join(kept).strip()


def in_units(text: str, system: str) -> str:
    """Lengths in a text of ours as the letter's units have them.

    >>> in_units("thickest section (30 mm)", "us")
    'thickest section (1.18 in)'
    """
    if system != "us":
        return text
    return _MM.sub(lambda m: f"{float(m.group(1)) / 25.4:.3g} in", text)


def cautions(
    given: list[str], outside: list[dict[str, Any]], my: OwnRecords, system: str
) -> tuple[list[str], int]:  # fmt: skip
    """The cautions a customer needs, and how many were left out because they name another's work."""
    out, left_out = [], 0
    for text in given:
        if text.startswith(_ALWAYS):
            continue
        if any(w in text for w in _INSIDE):
            text = _inside(text)
        elif text.endswith("extrapolation."):
            continue  # told below in the letter's own units
        text = in_units(cleaned(text), system)
        if not text:
            continue
        if my.found(text):
            left_out += 1
        else:
            out.append(text)
    return [*(_extrapolation(r, my, system) for r in outside), *out], left_out


def _inside(text: str) -> str:
    """A caution about the records themselves, shortened to what a customer must know."""
    count = re.match(r"Set aside, so not in any figure: (\d+)", text)
    if count:
        return (
            f"{many(int(count.group(1)), 'measurement')} could not be used. Pieces that were not measured, cracked or "
            "were straightened would make it look worse."
        )
    return ""


def _extrapolation(row: dict[str, Any], my: OwnRecords, system: str) -> str:
    """A planned setting, or a setup or the like, that was never run."""
    name, asked, low, high = str(row["parameter"]), row.get("asked"), row.get("run_low"), row.get("run_high")
    if any(isinstance(v, str) or v is None for v in (asked, low, high)):
        return f"We never ran such pieces with {name} {my.safe(str(asked), 'as asked')}: an extrapolation."
    unit = SETTING_UNITS.get(name, "")
    ran = " to ".join(dict.fromkeys(f"{units.show(float(v), unit, system)[0]:.4g}" for v in (low, high)))  # type: ignore[arg-type]
    label = units.show(0.0, unit, system)[1]
    value = f"{units.show(float(asked), unit, system)[0]:.4g} {label}"  # type: ignore[arg-type]
    return f"We never ran such pieces {SAID.get(name, name)} {value} (only {ran} {label}): an extrapolation."


def held(result: dict[str, Any], behind: dict[str, Any]) -> str:
    """How often such answers held."""
    if result["outside_range"]:
        return "We make no claim how often such an answer holds: it lies outside what was ever run."
    b = result["backtest_coverage"]
    if b is None:
        if behind.get("model_only"):
            return "Its width comes from a statistical model; our history is too short to test it on."
        return "Its width comes from a test on our own past; there is no further run left to judge that test by."
    return (
        f"Tested on our own past, with each {b['left_out']} left out in turn: such intervals held {b['held']:.0%} of "
        f"the pieces ({b['held_low']:.0%} to {b['held_high']:.0%}, by {many(b['groups'], b['left_out'])})."
    )


def narrower(result: dict[str, Any], behind: dict[str, Any], system: str) -> str:
    """What would narrow the interval, from the widths kept with the answer."""
    need = result["need"]

    def width(value: float) -> str:
        return figure_text(value, result["unit"], system)

    runs = {r["more"]: r["width"] for r in need.get("runs_of_this_part", [])}
    if 4 not in runs or 16 not in runs:
        return ""
    if runs[16] > HARDLY * need["width"]:
        return (
            f"Hardly anything: the interval is {width(need['width'])} wide, and runs and pieces differ by "
            f"{width(need['least_width'])} whatever is measured."
        )
    noun = "your part" if behind.get("own_runs") else "this part"
    text = (
        f"The interval is {width(need['width'])} wide. After 4 more measured runs of {noun} it would be about "
        f"{width(runs[4])}, after 16 about {width(runs[16])}; {width(need['least_width'])} is how much runs and pieces "
        "differ, whatever is measured."
    )
    if need.get("groups_missing"):
        text += f" With {many(need['groups_missing'], 'more such group')} it can be tested on the past."
    return text


def suggestions(
    result: dict[str, Any], asked: dict[str, Any], my: OwnRecords, system: str, all_theirs: bool
) -> tuple[list[tuple[str, str]], int]:
    """Stock, atmosphere, cycle and thermocouple places, where the history supports them; how many were left out.

    all_theirs  every run of the part asked about was this customer's
    """
    advice = result["advice"]
    pairs: list[tuple[str, str]] = []
    stock = advice.get("stock") or {}
    if stock.get("per_side_um"):
        pairs.append(("Stock", f"{figure_text(stock['per_side_um'], 'um', system)} {stock['text']}."))
    air = advice.get("atmosphere") or {}
    if air.get("choice") in ("air", "vacuum or dry inert gas"):
        pairs.append(("Atmosphere", f"{air['choice']}: {in_units('; '.join(air['reasons']), system)}."))
    if all_theirs and (cycle := _cycle(advice.get("cycle"), asked, my)):
        pairs.append(("Cycle", cycle))
    if not result["refused"] and (places := _places(advice.get("thermocouples") or [], my, system)):
        pairs.append(("Thermocouples", places))
    kept = [(what, text) for what, text in pairs if not my.found(text)]
    return kept, len(pairs) - len(kept)


def _cycle(advised: dict[str, Any] | None, asked: dict[str, Any], my: OwnRecords) -> str:
    """The kindest cycle, where the evidence is the customer's own part."""
    if not advised or not advised["evidence"] or not advised["evidence"][0].get("same_part"):
        return ""
    best = advised["evidence"][0]
    name = my.safe(best["cycle"])
    if not name or not asked.get("part"):
        return ""
    others = len(advised["evidence"]) - 1
    return (
        f"{name}: of {others + 1} cycles that your part went through, its {many(best['runs'], 'run')} moved the pieces "
        "least on average. That goes with the cycle; it does not prove that the cycle is why."
    )


def _places(advised: list[dict[str, str]], my: OwnRecords, system: str) -> str:
    """Where thermocouples should sit: the places that the part's shape and its past runs speak for."""
    out = []
    for place in advised:
        where, why = place["place"], place["reason"]
        if why.startswith("fix it better") or "the book has no note" in why:
            continue
        if my.found(f"{where} {why}", free=True):
            continue
        where = in_units(where, system)
        out.append(f"{where} ({why})" if "showed the largest spread" in why else where)
    return "; ".join(out) + "." if out else ""
