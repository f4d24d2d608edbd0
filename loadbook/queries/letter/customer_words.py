"""The remarks of an answer that concern a customer, in the letter's sentences.

Of the figures that are texts only those are there that the filter let through; where one is missing, the sentence that
does without it is said.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from loadbook.core.figures import shown, true_minus
from loadbook.core.remarks import CUSTOMER, Remark

from .figures import Figures
from .sentences import count, say, term

Told = Callable[[Mapping[str, Any], Figures], str]


def customer_words(remark: Remark, figures: Figures) -> str:
    """What a remark says to a customer; '' where it is for the shop alone, or has nothing that a letter may say."""
    if remark.audience != CUSTOMER:
        return ""
    return _TOLD[remark.code](remark.figures, figures)


def measurements(remark: Remark | None) -> str | None:
    """How many to measure, as a refusal's table says it; None where measuring more is not what is needed."""
    made = _MEASURE.get(remark.code if remark else "")
    return say("measure.any") if made is None or remark is None else made(remark.figures)


def advice(remark: Remark | None) -> str:
    """What a refusal asks for beside measuring, or instead of it; '' where nothing."""
    if remark is None:
        return ""
    if remark.code == "length_not_known":
        return say("measure.length")
    if remark.code in ("hardness", "kept_only"):
        return say("measure.size")
    if remark.code == "atmosphere_never_run" and (run := remark.figures.get("run")):
        return say("measure.unlike", atmospheres=", ".join(run))
    return ""


NO_MEASURING = ("length_not_known", "hardness", "kept_only")


def _never(f: Mapping[str, Any], x: Figures) -> str:
    name = f["parameter"]
    asked = say(name, value=x.setting(name, f["asked"]))
    low, high = (x.setting(name, f[k]) for k in ("low", "high"))
    if low == high:
        return say("setting_never_run", asked=asked, low=low)
    return say("setting_never_run.range", asked=asked, low=low.split(" ")[0], high=high)


def _level(f: Mapping[str, Any], x: Figures) -> str:
    if not f["level"] or f["factor"] == "furnace":
        return say(f"level_never_run.{f['factor']}")
    word = term(f["factor"], f["level"])
    return say("level_never_run", level=say("atmosphere", atmosphere=word) if f["factor"] == "atmosphere" else word)


def _blunders(f: Mapping[str, Any], x: Figures) -> str:
    readings = count("reading", f["count"])
    if not f["without"] or f["unit"] not in ("um", "%"):
        return say("blunders", readings=readings)
    low, high = f["without"]
    if f["unit"] == "um":
        return say("blunders.without", readings=readings, low=x.number(low), high=x.um(high))
    return say("blunders.without", readings=readings, low=x.ratio(low, unit=False), high=x.ratio(high))


def _section(code: str) -> Told:
    return lambda f, x: say(f"{code}.mm", mm=x.thickness(f["mm"])) if f["mm"] else say(code)


def _reactive(f: Mapping[str, Any], x: Figures) -> str:
    why = say("why.reactive", family=f["family"]) if f["family"] else say("why.reactive.unnamed")
    return say("protect", why=why)


def _kind(f: Mapping[str, Any]) -> str:
    return f["kind"] or say("movement")


def _process(f: Mapping[str, Any]) -> str:
    return term("process", f["process"]) if f["process"] else say("heat treatment")


_TOLD: dict[str, Told] = {
    "hardness": lambda f, x: say("kept_only", kind="hardness"),
    "kept_only": lambda f, x: say("kept_only", kind=_kind(f)),
    "never_measured": lambda f, x: say("never_measured", kind=_kind(f), process=_process(f)),
    "all_set_aside": lambda f, x: count("all_set_aside", f["count"], kind=_kind(f)),
    "gauge_too_coarse": lambda f, x: say("gauge_too_coarse", share=x.percent(f["share"]), gauge=x.um(f["gauge_um"])),
    "length_not_known": lambda f, x: say("length_not_known"),
    "no_scatter": lambda f, x: say("no_scatter"),
    "no_scatter_inside_parts": lambda f, x: say("no_scatter"),
    "too_few_runs": lambda f, x: count("too_few_runs", f["runs"], needed=f["needed"]),
    "too_few_repeats": lambda f, x: say(
        "too_few_repeats", runs=count("run", f["runs"]), repeats=f["repeats"], needed=f["needed"]
    ),
    "too_few_parts": lambda f, x: say("too_few_parts", parts=count("part", f["parts"]), needed=f["needed"]),
    "atmosphere_never_run": lambda f, x: (
        say("atmosphere_never_run", atmosphere=term("atmosphere", f["atmosphere"]))
        if f["atmosphere"]
        else say("never_run_so")
    ),
    "level_moved": lambda f, x: say("level_moved", runs=count("run", f["runs"])),
    "far_beyond": lambda f, x: say("far_beyond"),
    "beyond_untold": lambda f, x: say("beyond_untold"),
    "few_read_after": lambda f, x: say("few_read_after", read=f["read"], of=f["of"]),
    "set_aside": lambda f, x: count("set_aside", f["count"]),
    "blunders": _blunders,
    "setting_never_run": _never,
    "level_never_run": _level,
    "together_never_run": lambda f, x: say("together_never_run"),
    "factor_not_recorded": lambda f, x: say("factor_not_recorded", factor=say(f"factor.{f['factor']}")),
    "level_widened": lambda f, x: say("level_widened", runs=count("run", f["runs"]), times=f"{f['times']:.2g}"),
    "test_short": lambda f, x: say(
        "test_short", held=x.percent(f["held"]), content=x.percent(f["content"]), times=f"{f['times']:.2g}"
    ),
    "since_break": lambda f, x: say("since_break", runs=count("run", f["runs"])),
    "looks_further": lambda f, x: say("looks_further"),
    "hollow": lambda f, x: say("hollow"),
    "volatile": lambda f, x: say("volatile"),
    "stock": lambda f, x: say(
        "stock", stock=x.stock(f["per_side_um"]), against=say(f"against.{f['against']}"),
        content=x.percent(f["content"]), confidence=x.percent(f["confidence"]),
    ),
    "protect_reactive": _reactive,
    "protect_finished": lambda f, x: say("protect", why=say("why.finished")),
    "air": lambda f, x: say("air", stock=x.thickness(f["stock_mm"])),
    "own_cycle": lambda f, x: (
        say("own_cycle", cycle=f["cycle"], of=f["of"], runs=count("run", f["runs"])) if f["cycle"] else ""
    ),
    "tc_thickest": _section("tc_thickest"),
    "tc_thinnest": _section("tc_thinnest"),
    "tc_middle": lambda f, x: say("tc_middle"),
    "tc_coldest_corner": lambda f, x: say("tc_coldest_corner"),
    "tc_own_coldest_place": lambda f, x: (
        say("tc_own_coldest_place", place=f["place"], n=f["pieces"], of=f["of"]) if f["place"] else ""
    ),
}  # fmt: skip


def _mpa(x: Figures, mpa: float) -> str:
    return shown(mpa, "mpa", x.system, ".0f" if x.system == "si" else ".3g")


def _apart(x: Figures, c_diff: float) -> str:
    """A difference to the degree; one that is below it is not called none.

    >>> _apart(Figures("si"), 0.1), _apart(Figures("us"), 0.1), _apart(Figures("us"), 10.0)
    ('under 1 °C', 'under 1 °F', '18 °F')
    """
    degree = 1.0 if x.system == "si" else 1.0 / 1.8
    return say("under", n=shown(degree, "c_diff", x.system)) if c_diff < degree else shown(c_diff, "c_diff", x.system)


def _stress(f: Mapping[str, Any], x: Figures) -> str:
    """How unevenly it heats, against what begins to yield; '' where nobody knows its yield."""
    who = say("physics.pair" if f["which"] == "pair" else "physics.section", apart=_apart(x, f["ahead_c_diff"]))
    if f["onset_mpa"] is not None and f["limit_c_diff"] is not None:
        yields = f["stress_mpa"] > f["onset_mpa"]
        return say("physics.yields" if yields else "physics.elastic", who=who, limit=_apart(x, f["limit_c_diff"]))
    if f["needs_mpa"] is None:
        return ""
    return say("physics.needs", who=who, needs=_mpa(x, max(f["needs_mpa"], 1.0)), room=x.room)


def _scale(f: Mapping[str, Any], x: Figures) -> str:
    if not f["lost_um"]:
        return say("physics.colour")
    return say("physics.scale", lost=Figures(x.system, 1.0).um(f["lost_um"]))


def _relief(f: Mapping[str, Any], x: Figures) -> str:
    at = shown(f["at_c"], "c", x.system)
    return (
        say("physics.no_relief", at=at)
        if f["left"] >= 0.99
        else say("physics.relief", at=at, left=x.percent(f["left"]))
    )


def _size(f: Mapping[str, Any], x: Figures) -> str:
    low, high = (true_minus(f"{100.0 * f[k]:+.2f}") for k in ("low", "high"))
    low, high = (say("percent", n=n) for n in (low, high))
    return say("physics.size", change=low if low == high else say("to", low=low, high=high))


def _leaves(f: Mapping[str, Any], x: Figures) -> str:
    if f["element"] is None:
        return ""
    return say("physics.leaves", element=say(f"element.{f['element']}"), at=shown(f["at_c"], "c", x.system))


_TOLD |= {
    "stress_elastic": _stress,
    "stress_yields": _stress,
    "stress_against_yield": _stress,
    "relief_by_heating": _relief,
    "size_published": _size,
    "scale_thin": _scale,
    "scale_law": _scale,
    "scale_at_most": _scale,
    "evaporates": _leaves,
}


_MEASURE: dict[str, Callable[[Mapping[str, Any]], str]] = {
    "never_measured": lambda f: say("measure.start"),
    "too_few_runs": lambda f: say("measure.times", runs=count("run", f["needed"] - f["runs"])),
    "too_few_repeats": lambda f: say("measure.repeats", runs=count("run", f["needed"] - f["repeats"])),
    "too_few_parts": lambda f: say("measure.parts", parts=count("part", f["needed"] - f["parts"])),
    "far_beyond": lambda f: say("measure.steps"),
    "beyond_untold": lambda f: say("measure.steps"),
    "atmosphere_never_run": lambda f: say("measure.steps"),
    "level_moved": lambda f: say("measure.times", runs=count("run", f["needed"])),
}
