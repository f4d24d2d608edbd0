"""The figures of a letter's picture in the drawing's unit: what is expected, the tolerance's lines, every own run."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from loadbook.core.figures import true_minus
from loadbook.core.vocabulary.intake_kinds import FORM_KINDS

from .figures import Figures
from .filter import OwnRecords
from .sentences import count, say, term

MOST_RUNS = 5  # of the customer's own nearest runs of other parts are listed
MOST_DRAWN = 20  # of the customer's own runs of the part are drawn, the newest
# the names of clauses, without their numbers -> the sentence that says how it was missed; by whole name, else beginning
_MISSED = {
    "heat rate": "heat rate", "heat slowest rate": "heat rate.under", "cool rate": "cool rate",
    "cool slowest rate": "cool rate.under", "soak": "soak", "soak by section": "soak", "soak at most": "soak at most",
    "hold upper edge": "hold upper edge", "hold lower edge": "hold lower edge", "heat target": "target",
    "cool target": "target", "longest gap": "gap", "door opened": "door", "gas backfill": "backfill",
    "heat pressure": "pressure", "hold pressure": "pressure", "cool pressure": "pressure",
}  # fmt: skip
_BEGINS = {
    "heating rate": "heat rate", "slowest heating rate": "heat rate.under", "cooling rate": "cool rate",
    "slowest cooling rate": "cool rate.under", "spread": "spread", "lead": "lead", "work TCs": "work TCs",
    "over-temperature": "over-temperature", "start temperature": "start", "pressure": "pressure",
}  # fmt: skip


@dataclass(frozen=True)
class OwnRun:
    """One of the customer's own runs, in the unit of the picture.

    label  its name and date as drawn;  broken  how it missed its cycle, in words
    other_part  where it held another of their parts;  texts  lowest, mean and highest as shown
    """

    run: str
    date: str
    label: str
    pieces: int
    low: float
    mean: float
    high: float
    broken: tuple[str, ...] = ()
    other_part: str = ""
    texts: tuple[str, str, str] = ("", "", "")


@dataclass(frozen=True)
class Interval:
    """What the picture shows, in the unit of `axis`, with the words that stand in it.

    texts   low, median, high and bound as shown;  limits  (value, label) of the tolerance's lines
    own     their runs, oldest first, the newest MOST_DRAWN
    notes   lines below the picture: earlier runs, how runs missed their cycle
    """

    axis: str
    low: float
    median: float
    high: float
    pieces: str
    texts: tuple[str, str, str]
    bound: float | None
    bound_words: str
    limits: list[tuple[float, str]]
    own: list[OwnRun]
    own_words: str
    notes: list[str]
    alt: str
    every: list[OwnRun] = field(default_factory=list)  # drawn or not
    limit: str = ""  # the drawing's, as a length
    converted: bool = False  # own runs are not drawn as they were read, but from one reading before


def missed(names: list[str]) -> tuple[str, ...]:
    """How a run missed its cycle, in words, each once.

    >>> missed(["heat 1 rate", "soak 4"]), missed(["surface"])
    (('heated faster than asked', 'soaked shorter than asked'), ('a limit of its cycle was not kept',))
    """
    keys = []
    for name in names:
        plain = " ".join(word for word in name.split() if not word.isdigit())
        begins = next((key for start, key in _BEGINS.items() if plain.startswith(start)), "other clause")
        keys.append(_MISSED.get(plain, begins))
    return tuple(say(key) for key in dict.fromkeys(keys))


def nearest(asked: dict[str, Any], result: dict[str, Any], my: OwnRecords, x: Figures) -> list[OwnRun]:
    """The customer's own among the nearest runs, nearest first: of a part that has no runs of its own."""
    own = [c for c in result["comparables"] if my.owns(c["run"], c["part"])]
    out = []
    for c in own[:MOST_RUNS]:
        values = tuple(_number(c[k], result["unit"], x) for k in ("low", "mean", "high"))
        other = "" if c["part"] == asked.get("part") else c["part"]
        label = say("own.other", run=c["run"], part=other) if other else c["run"]
        low, mean, high = (_in_unit(c[k], result["unit"], x) for k in ("low", "mean", "high"))
        out.append(OwnRun(c["run"], c["date"], label, c["pieces"], low, mean, high, (), other, values))  # type: ignore[arg-type]
    return out


def _in_unit(value: float, unit: str, x: Figures) -> float:
    return x.shown(value) if unit == "um" else value


def _number(value: float, unit: str, x: Figures) -> str:
    if unit == "um":
        return x.number(value)
    return x.ratio(value, unit=False) if unit == "%" else true_minus(f"{value:.3g}")


def interval_of(
    asked: dict[str, Any], result: dict[str, Any], behind: dict[str, Any], my: OwnRecords, x: Figures
) -> Interval:  # fmt: skip
    """The picture of an answer: a form error as it is read after the run, anything else as it moves."""
    unit, form = result["unit"], asked["kind"] in FORM_KINDS
    in_um = um_of(result, behind)
    usual = asked["before_mm"] * 1000.0 if asked.get("before_mm") else behind.get("usual_before_um")
    before = (in_um or {}).get("before") if unit == "%" else usual
    after = form and before is not None and (unit == "um" or in_um is not None)
    told: dict[str, Any] = in_um if after and in_um else result
    shift = float(before) if after and before is not None else 0.0
    drawn = "um" if unit == "um" or after else unit
    rows = [
        r for r in behind.get("own_runs", []) if my.owns(r["run"], asked.get("part") or "") and r["low"] is not None
    ]
    converted = after and any(not r.get("after_um") for r in rows)
    every = [_own_run(r, after, converted, unit, shift, drawn, x) for r in rows]
    own = every[-MOST_DRAWN:]

    def value(name: str) -> float | None:
        return None if told.get(name) is None else _in_unit(told[name] + shift, drawn, x)

    texts = tuple(_number(told[k] + shift, drawn, x) for k in ("low", "median", "high"))
    axis = _axis(asked["kind"], drawn, after, x)
    limits = _limits(asked, behind, result, after, drawn, x)
    wide = tolerance_um(asked, behind)
    bound = None if after else value("bound")  # of how far it moves, whatever it began at
    percent = x.percent(result["bound_content"])
    notes = []
    if earlier := every[: -len(own) or None] if len(every) > len(own) else []:
        low, high = min(r.low for r in earlier), max(r.high for r in earlier)
        to_um = 1.0 if x.system == "si" or drawn != "um" else 25.4
        notes.append(
            say("own.more", shown=len(own), runs=count("run", len(every)), earlier=len(earlier),
                low=_number(low * to_um, drawn, x), high=_number(high * to_um, drawn, x))
        )  # fmt: skip
    notes += [f"× {say('own.broken', date=r.label, how='; '.join(r.broken))}" for r in own if r.broken]
    alt = [say("alt", axis=axis, low=texts[0], high=texts[2], middle=texts[1])]
    alt += [say("alt.limit", limit=label) for _, label in limits]
    if own:
        ends = (min(own, key=lambda r: r.low).texts[0], max(own, key=lambda r: r.high).texts[2])
        alt.append(say("alt.own", runs=count("run", len(own)), low=ends[0], high=ends[1]))
    return Interval(
        axis=axis, low=value("low") or 0.0, median=value("median") or 0.0, high=value("high") or 0.0,
        pieces=x.percent(result["content"]), texts=texts, bound=bound,  # type: ignore[arg-type]
        bound_words=say("bound" if form else "bound.size", share=percent), limits=limits, own=own,
        own_words=say("own.converted", before=x.um(before)) if converted and before else say("own.all"),
        notes=notes, alt=" ".join(alt), every=every, limit=x.length(wide) if wide else "", converted=converted,
    )  # fmt: skip


def um_of(result: dict[str, Any], behind: dict[str, Any]) -> dict[str, Any] | None:
    """The µm of an answer in per cent: as kept, else (an older one) from the usual reading before."""
    if result["unit"] != "%":
        return None
    if result.get("in_um"):
        return dict(result["in_um"])
    before = behind.get("before_um")
    if not before:
        return None
    told = {k: None if result[k] is None else result[k] / 100.0 * before for k in ("low", "median", "high", "bound")}
    return {**told, "before": before, "from": "part"}


def _own_run(
    r: dict[str, Any], after: bool, converted: bool, unit: str, shift: float, drawn: str, x: Figures
) -> OwnRun:  # fmt: skip
    if after and not converted:
        low, mean, high = r["after_um"]
    elif after and unit == "%":
        low, mean, high = (shift * (1.0 + r[k] / 100.0) for k in ("low", "mean", "high"))
    else:
        low, mean, high = (r[k] + shift for k in ("low", "mean", "high"))
    texts = tuple(_number(v, drawn, x) for v in (low, mean, high))
    label = say("own.dated", run=r["run"], date=x.short_day(r["date"]))
    return OwnRun(
        r["run"], r["date"], label, r["pieces"], _in_unit(low, drawn, x), _in_unit(mean, drawn, x),
        _in_unit(high, drawn, x), broken=missed(r.get("broken") or []), texts=(texts[0], texts[1], texts[2]),
    )  # fmt: skip


def _axis(kind: str, drawn: str, after: bool, x: Figures) -> str:
    if drawn != "um":
        return say("axis.percent") if drawn == "%" else say("axis.other")
    return say(f"axis.after.{x.system}", error=term("error", kind)) if after else axis_of(kind, x)


def axis_of(kind: str, x: Figures) -> str:
    """What a movement is told in, and what its sign means."""
    if kind in FORM_KINDS:
        return say(f"axis.moved.form.{x.system}", error=term("error", kind))
    return say(f"axis.moved.{x.system}")


def _limits(
    asked: dict[str, Any], behind: dict[str, Any], result: dict[str, Any], after: bool, drawn: str, x: Figures
) -> list[tuple[float, str]]:  # fmt: skip
    """The tolerance's lines: a reading after has its limit, a size what a piece may move from where it was said to
    begin, else from the middle."""
    wide = tolerance_um(asked, behind)
    if wide is None or drawn != "um":
        return []
    if asked["kind"] in FORM_KINDS:
        key = "limit.asked" if asked.get("tolerance_mm") else "limit.drawing"
        return [(x.shown(wide), say(key, limit=x.length(wide)))] if after else []
    begins = (result.get("in_tolerance") or {}).get("begins_um")
    at = "" if begins is None else x.length(asked["before_mm"] * 1000.0)
    return [
        (
            x.shown(v),
            say("limit.given" if at else "limit.middle", limit=("−" if v < 0 else "+") + x.length(abs(v)), before=at),
        )
        for v in (end - (begins or 0.0) for end in (-wide / 2.0, wide / 2.0))
    ]


def tolerance_um(asked: dict[str, Any], behind: dict[str, Any]) -> float | None:
    """A form error's limit, a size's width of limits [µm]: as asked, else the drawing's; None without one."""
    if asked.get("tolerance_mm"):
        return float(asked["tolerance_mm"]) * 1000.0
    low, high = behind.get("lower_mm"), behind.get("upper_mm")
    if asked["kind"] in FORM_KINDS:
        return None if high is None else high * 1000.0
    return None if low is None or high is None else (high - low) * 1000.0
