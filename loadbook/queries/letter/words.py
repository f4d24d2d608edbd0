"""The lines of a letter's sections that are no single remark: how such answers did, what would change it, what we
suggest, and what a refusal asks for."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

from loadbook.analysis.planning.advice import Coldest, coldest_place
from loadbook.core.remarks import ADVICE, CUSTOMER, REFUSAL, Remark, from_dict, remark
from loadbook.core.trade_phrases import phrase

from .customer_words import NO_MEASURING, advice, customer_words, measurements
from .figures import Figures
from .sentences import count, say

if TYPE_CHECKING:
    from .filter import OwnRecords

HARDLY = 0.95  # of the width left after 16 more runs: more runs hardly narrow it
SURER = 10.0  # a gauge is to be surer than the tolerance by this factor (the rule of ten; common practice)
_FROM_STATE = ("air", "protect_finished")  # advice that rests on the state of the part's newest piece
_CHANGE = ("setting_never_run", "level_never_run", "together_never_run")
_DID = ("level_widened", "test_short", "looks_further")
_PREPARE = ("hollow", "volatile")
_ORDER = ("stock", "protect_reactive", "protect_finished", "air", "own_cycle")
_PLACES = ("tc_thickest", "tc_thinnest", "tc_middle", "tc_coldest_corner", "tc_own_coldest_place")


def for_customer(remarks: Iterable[Remark], my: OwnRecords) -> list[Remark]:
    """The remarks that concern a customer, with no figures but those that the letter may show."""
    return [my.cleared(r) for r in remarks if r.audience == CUSTOMER]


def never_run(result: dict[str, Any], behind: dict[str, Any]) -> bool:
    """Whether the answer lies outside what was ever run."""
    return bool(result["outside_range"] or behind.get("outside"))


def beside(remarks: Iterable[Remark], x: Figures) -> list[str]:
    """What belongs beside the evidence: what was set aside, doubted, or not recorded."""
    elsewhere = (*_CHANGE, *_DID, *_PREPARE, *_ORDER, *_PLACES)
    return [customer_words(r, x) for r in remarks if r.severity not in (ADVICE, REFUSAL) and r.code not in elsewhere]


def pieces_promised(content: float, x: Figures) -> str:
    """'9 in 10 pieces'."""
    key = {0.90: "share.nine", 0.95: "share.nineteen"}.get(round(content, 4), "share.any")
    return say(key, share=x.percent(content))


def how_they_did(result: dict[str, Any], behind: dict[str, Any], remarks: Iterable[Remark], x: Figures) -> list[str]:
    """How often such answers held."""
    return [*_held(result, behind, x), *(customer_words(r, x) for r in remarks if r.code in _DID)]


def _held(result: dict[str, Any], behind: dict[str, Any], x: Figures) -> list[str]:
    if never_run(result, behind):
        return [say("did.outside")]
    promised = pieces_promised(result["content"], x)

    def shares(t: dict[str, Any]) -> dict[str, str]:
        low, high = x.percents(t["held_low"], t["held_high"])
        return {"promised": promised, "held": x.percent(t["held"]), "low": low, "high": high}

    t = result.get("forward_test")
    if t is not None:
        kind = {"later runs": "did.later", "part numbers left out": "did.parts"}.get(t["of"], "did.first")
        out = [say(kind, **shares(t), runs=count("later", t["runs"]))]
        return [*out, say("did.year", held=x.percent(t["last_year"]["held"]))] if t["last_year"] else out
    b = result.get("backtest_coverage")  # of an answer kept before there was a forward test
    if b is None:
        return [say("did.model" if behind.get("model_only") else "did.untested")]
    return [say("did.left.run" if b["left_out"] == "run" else "did.left.part", **shares(b))]


def what_changes(
    result: dict[str, Any], width: Any, remarks: Iterable[Remark], x: Figures, beyond: bool
) -> list[str]:  # fmt: skip
    """What would narrow the interval, from the widths kept with the answer, and what was never run.

    width   turns a width of the answer into words;  beyond  the letter gives no interval, since it was never run so
    """
    need = result["need"]
    out = [customer_words(r, x) for r in remarks if r.code in _CHANGE]
    runs = {r["more"]: r["width"] for r in need.get("runs_of_this_part", [])}
    if 4 not in runs or 16 not in runs:
        return out
    now, least = width(need["width"]), width(need["least_width"])
    if beyond:
        pieces = pieces_promised(result["content"], x)
        return [say("change.never_run", pieces=pieces, four=width(runs[4]), sixteen=width(runs[16]), least=least), *out]
    if runs[16] > HARDLY * need["width"] or width(runs[16]) == now:
        return [say("change.little", width=now, least=least), *out]
    return [say("change.runs", width=now, four=width(runs[4]), sixteen=width(runs[16]), least=least), *out]


def suggestions(
    remarks: Iterable[Remark], part: str | None, behind: dict[str, Any], my: OwnRecords, x: Figures, places: bool
) -> list[str]:  # fmt: skip
    """Stock, atmosphere, cycle and thermocouple places, as far as they rest on the customer's own pieces.

    remarks  those for customers;  part asked about, None for a new one;  behind  what was kept with the answer
    places   say where thermocouples belong
    """
    advised = [r for r in remarks if r.severity == ADVICE or r.code in _PREPARE]
    state = behind.get("state")
    if part is not None and not (state and (state[0], part, state[1]) in my.pieces):
        if any(r.code in _FROM_STATE for r in advised):
            my.leave_out("atmosphere advised by the state of a piece that is not known to be theirs")
        advised = [r for r in advised if r.code not in _FROM_STATE]
    advised += for_customer(_of_their_pieces(part, behind, my), my)
    out = [customer_words(r, x) for code in _ORDER for r in advised if r.code == code]
    where = [text for code in _PLACES for r in advised if r.code == code and (text := customer_words(r, x))]
    if where and places:
        out.append(say("thermocouples", places="; ".join(where)))
    return [text for text in (*out, *(customer_words(r, x) for r in advised if r.code in _PREPARE)) if text]


def _of_their_pieces(part: str | None, behind: dict[str, Any], my: OwnRecords) -> list[Remark]:
    """Advice made anew from the customer's own pieces, out of what was kept with the answer."""
    if part is None:
        return []
    out = []
    cycles = behind.get("cycles") or {}
    if len(cycles) >= 2:
        kindest, runs = next(iter(cycles.items()))
        if all(my.owns(run, part) for some in cycles.values() for run in some):
            out.append(remark("own_cycle", cycle=kindest, runs=len(runs), of=len(cycles)))
        else:
            my.leave_out("cycle advised by runs that are not all theirs")
    theirs = [
        Coldest(run, part, serial, phrase("place", place) or place)
        for run, serial, place in behind.get("coldest") or ()
        if (run, part, serial) in my.pieces
    ]
    place = coldest_place(theirs, "tc_own_coldest_place")
    return [*out, *([place] if place else [])]


def physics(result: dict[str, Any], my: OwnRecords, x: Figures) -> list[str]:
    """What physics says where there is no figure; [] where nothing that a letter may tell."""
    kept = (result.get("physics") or {}).get("mechanisms", [])
    said = for_customer(filter(None, map(from_dict, kept)), my)
    lines = [text for r in said if (text := customer_words(r, x))]
    return [say("physics.lead"), *lines] if lines else []


def to_measure(
    why: Remark | None, kind: str, tolerance_um: float | None, x: Figures
) -> tuple[list[list[str]], list[str]]:  # fmt: skip
    """(rows of what to measure: what, how many, with which gauge, when; what is asked for beside it) of a refusal."""
    asked = [text for text in (advice(why),) if text]
    many = measurements(why)
    if many is None or (why is not None and why.code in NO_MEASURING):
        return [], asked
    name = kind[:1].upper() + kind[1:]
    gauge = (
        say("measure.gauge.tenth", tenth=x.length(tolerance_um / SURER)) if tolerance_um else say("measure.gauge.fine")
    )
    return [
        [say("measure.before", kind=name), many, gauge, say("measure.when.before", room=x.room)],
        [say("measure.after", kind=name), say("measure.same"), say("measure.gauge.same"),
         say("measure.when.after", room=x.room)],
        [say("measure.run"), say("measure.run.many"), say("measure.run.gauge"), say("measure.run.when")],
    ], asked  # fmt: skip
