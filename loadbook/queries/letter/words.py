"""The sentences of a letter that are no remarks: how often such answers held, what would narrow it, what we suggest."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

from loadbook.analysis.planning.advice import Coldest, coldest_place
from loadbook.core.coded import coded
from loadbook.core.phrases import many
from loadbook.core.remarks import ADVICE, CAUTION, CUSTOMER, Remark, remark
from loadbook.queries.answer_figures import told
from loadbook.queries.remark_words import letter_words

if TYPE_CHECKING:
    from .filter import OwnRecords

HARDLY = 0.95  # of the width left after 16 more runs: more runs hardly narrow it
_FROM_STATE = ("air", "protect_finished")  # advice that rests on the state of the part's newest piece


def for_customer(remarks: Iterable[Remark], my: OwnRecords) -> list[Remark]:
    """The remarks that concern a customer, with no figures but those that the letter may show."""
    return [my.cleared(r) for r in remarks if r.audience == CUSTOMER]


def cautions(remarks: Iterable[Remark], system: str) -> list[str]:
    """The cautions of a letter, what was never run first."""
    found = [r for r in remarks if r.severity == CAUTION]
    found.sort(key=lambda r: r.code not in ("setting_never_run", "level_never_run"))
    return [text for r in found if (text := letter_words(r, system))]


def never_run(result: dict[str, Any], behind: dict[str, Any]) -> bool:
    """Whether the answer lies outside what was ever run."""
    return bool(result["outside_range"] or behind.get("outside"))


def held(result: dict[str, Any], behind: dict[str, Any]) -> str:
    """How often such answers held."""
    if never_run(result, behind):
        return "We make no claim how often such an answer holds: it lies outside what was ever run."
    t = result.get("forward_test")
    if t is not None:
        year = t["last_year"]
        lately = f"; {year['held']:.0%} in the last year" if year else ""
        how = {
            "later runs": f"Tested on {many(t['runs'], 'later run')} of ours, each told from what came before it",
            "part numbers left out": "Tested on our own past, with each part number left out in turn",
        }.get(t["of"], f"Tested on the first run of {many(t['runs'], 'part number')}, told from what came before it")
        return (
            f"{how}: such intervals held {t['held']:.0%} of the pieces ({t['held_low']:.0%} to {t['held_high']:.0%})"
            f"{lately}."
        )
    b = result.get("backtest_coverage")  # of an answer kept before there was a forward test
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
        return told(value, result["unit"], system)

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
    remarks: Iterable[Remark], part: str | None, behind: dict[str, Any], my: OwnRecords, system: str
) -> list[tuple[str, str]]:
    """Stock, atmosphere, cycle and thermocouple places, as far as they rest on the customer's own pieces.

    remarks  those for customers;  part asked about, None for a new one;  behind  what was kept with the answer
    """
    advised = [r for r in remarks if r.severity == ADVICE]
    state = behind.get("state")
    if part is not None and not (state and (state[0], part, state[1]) in my.pieces):
        if any(r.code in _FROM_STATE for r in advised):
            my.leave_out("atmosphere advised by the state of a piece that is not known to be theirs")
        advised = [r for r in advised if r.code not in _FROM_STATE]
    found: dict[str, list[str]] = {}
    for r in (*advised, *for_customer(_of_their_pieces(part, behind, my), my)):
        if text := letter_words(r, system):
            found.setdefault(_SUBJECTS[r.code], []).append(text)
    return [(what, f"{'; '.join(found[what])}.") for what in dict.fromkeys(_SUBJECTS.values()) if what in found]


_SUBJECTS = {
    "stock": "Stock",
    "air": "Atmosphere",
    "protect_reactive": "Atmosphere",
    "protect_finished": "Atmosphere",
    "own_cycle": "Cycle",
    "tc_thickest": "Thermocouples",
    "tc_thinnest": "Thermocouples",
    "tc_middle": "Thermocouples",
    "tc_coldest_corner": "Thermocouples",
    "tc_own_coldest_place": "Thermocouples",
}


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
        Coldest(run, part, serial, coded("place", place) or place)
        for run, serial, place in behind.get("coldest") or ()
        if (run, part, serial) in my.pieces
    ]
    place = coldest_place(theirs, "tc_own_coldest_place")
    return [*out, *([place] if place else [])]
