"""An answer as sentences in the book's units, with what it rests on and what it must not be taken for."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from loadbook.core.figures import share_range, share_words
from loadbook.core.phrases import many

from . import answer_physics
from .answer_figures import inside, moved_by, setting, span

if TYPE_CHECKING:
    from .answer_result import Answer

HARDLY = 0.02  # of an interval's width: a next run that narrows it by less is not worth naming


def sentences(a: Answer, system: str) -> list[str]:
    """The answer in sentences: the figure, what it rests on, its back-test, the bound, what is missing."""
    who = _who(a)
    if a.refused is not None:
        physics = [] if a.physics is None else answer_physics.sentences(a.physics, system)
        return [f"No figure for {who}: {a.refused}.", a.need["text"], *_evidence_if_any(a), *physics]
    assert a.reply is not None and a.low is not None and a.high is not None and a.bound_content
    out = [
        f"{share_words(a.content)} of pieces of {who} should move {span(a.low, a.high, a.unit, system)} "
        f"(middle {moved_by(a.median, a.unit, system)}){_of_before(a, system)}, {_treated(a, system)}"
        f"{'; never run so' if a.reply.outside else ''}."
        + (f" {inside(a.in_tolerance, a.question.before_mm, system)}." if a.in_tolerance else ""),
        _rests(a, system),
        _earned(a),
    ]
    if a.bound is not None:
        out.append(
            f"With {share_words(a.bound_confidence)} confidence {share_words(a.bound_content)} of pieces "
            f"{_at_most(a, a.bound, system)}."
        )
    a.need["text"] = _need(a, system)
    out.append(a.need["text"])
    if a.hours is not None:
        out.append(a.hours.sentence())
    return out


def _who(a: Answer) -> str:
    s = a.subject
    if s.part is not None:
        return f"{s.part}, {s.characteristic}" + (f" ({s.kind})" if s.kind != s.characteristic else "")
    words = [w for w in (s.material, s.shape, s.condition) if w]
    return f"a new part ({', '.join([*words, s.kind])})"


_FROM = {"question": "", "part": "the part's usual ", "kind": "such parts' usual "}


def _of_before(a: Answer, system: str) -> str:
    if a.unit != "%":
        return ""
    if a.in_um is None:
        return " of the form error before"
    um = a.in_um
    return (
        f" of the form error before; from {_FROM[um['from']]}{moved_by(um['before'], 'um', system)} before that is "
        f"{span(um['low'], um['high'], 'um', system)}"
    )


def _treated(a: Answer, system: str) -> str:
    q = a.question
    words = [setting(name, value, system) for name, value in q.settings.items()]
    factors = [
        f", {name} {value}"
        for name, value in (("setup", q.setup), ("atmosphere", q.atmosphere), ("furnace", q.furnace))
        if value
    ]
    lead = f"in {a.process}"
    if q.cycle:
        lead += f", cycle {q.cycle} revision {q.cycle_revision}"
    if words or factors:
        lead += (f" at {', '.join(words)}" if words else "") + "".join(factors)
    elif not a.assumed:
        lead += " as it usually was treated" if a.reply and a.reply.known else " as such parts usually were"
    lately = {r.figures["factor"] for r in a.remarks if r.code == "as_lately"}
    for some, how in ((a.assumed.keys() - lately, "as most of its runs"), (lately, "as the last runs")):
        if some:
            lead += f" ({', '.join(f'{name} {level}' for name, level in a.assumed.items() if name in some)}, {how})"
    return lead


def _rests(a: Answer, system: str) -> str:
    text = f"It rests on {many(a.runs, 'run')}, {many(a.pieces, 'piece')}, {many(a.parts, 'part number')}"
    if a.own is not None:
        own = span(a.own["low"], a.own["high"], a.unit, system)
        return (
            f"{text}; of this part {many(a.own['runs'], 'run')}, {many(a.own['pieces'], 'piece')}: {own}, "
            f"mean {moved_by(a.own['mean'], a.unit, system)}."
        )
    near = {
        "same part": "other characteristics of this part", "same material": "other parts of the same material",
        "same family": "parts of other materials of its family", "all": "nothing nearer than the same kind of size",
    }  # fmt: skip
    return f"{text}; nearest evidence: {near[a.evidence]}."


def _evidence_if_any(a: Answer) -> list[str]:
    if not a.pieces:
        return []
    return [
        f"On record of this kind in {a.process}: {many(a.runs, 'run')}, {many(a.pieces, 'piece')}, "
        f"{many(a.parts, 'part number')}."
    ]


def _at_most(a: Answer, bound: float, system: str) -> str:
    """'grow by no more than 107 µm', 'shrink by no more than 20 µm'; the other way round where even the bound does."""
    assert a.reply is not None
    um = ""
    if a.in_um and a.in_um["bound"] is not None:
        too = "" if a.in_um["from"] == "question" else ", as readings before differ too"
        um = f" ({moved_by(abs(a.in_um['bound']), 'um', system)}{too})"
    grows, least = (bound > 0.0, bound * a.reply.harm < 0.0)
    how = f"{'grow' if grows else 'shrink'} by {'at least' if least else 'no more than'}"
    return f"{how} {moved_by(abs(bound), a.unit, system)}{um}"


def _earned(a: Answer) -> str:
    assert a.reply is not None
    if a.reply.outside:
        return (
            "It was never run so: the interval is widened by rule (see the cautions), there is no bound, and no stock "
            "can be advised."
        )
    t = a.forward_test
    if t is None and a.reply.model_only:
        return (
            f"Model only, not back-tested: {many(a.reply.groups, 'run')} are too few to leave out in turn for "
            f"{share_words(a.content)}."
        )
    if t is None:
        return "Too few later runs are on record to test it on."
    if t["of"] == "part numbers left out":
        lead = "Tested with each part number left out in turn"
    elif t["of"] == "later runs":
        lead = f"Forward test, each of {many(t['runs'], 'later run')} predicted from what came before it"
    else:
        lead = f"Forward test, the first run of {many(t['runs'], 'part number')} predicted from what came before it"
    text = f"{lead}: such intervals held {share_range(t['held'], t['held_low'], t['held_high'])} of pieces"
    if year := t["last_year"]:
        text += f"; {share_words(year['held'])} in the last year ({many(year['runs'], 'run')})"
    return f"{text}."


def _need(a: Answer, system: str) -> str:
    n = a.need
    four = {row["more"]: row["width"] for row in n["runs_of_this_part"]}

    so = "as asked" if a.reply and a.reply.outside else "of this part"

    def width(value: float) -> str:
        return moved_by(value, a.unit, system)

    text = (
        f"Now {width(n['width'])} wide; after 4 more runs {so} about {width(four[4])}, after 16 about "
        f"{width(four[16])}; runs and pieces differ by {width(n['least_width'])} whatever is measured."
    )
    if n["next_runs"]:
        best = n["next_runs"][0]
        plain = next((r for r in n["next_runs"] if not r["settings"]), best)
        if plain["width"] - best["width"] < HARDLY / 2 * n["width"]:  # a leap in settings has to be worth it
            best = plain
        if best["width"] > (1.0 - HARDLY) * n["width"]:
            text += f" No single further run narrows it by more than {share_words(HARDLY)}."
        else:
            text += f" The next run that narrows it most: {next_run(best, system)}, to about {width(best['width'])}."
    if n["part_numbers"]:
        parts = {row["more"]: row["width"] for row in n["part_numbers"]}
        text += f" After 4 more part numbers of this kind about {width(parts[4])}, after 16 about {width(parts[16])}."
    if n["groups_missing"]:
        group = "run" if a.reply and a.reply.known else "part number"
        text += f" {many(n['groups_missing'], f'more {group}')} and its width can be back-tested."
    return text


def next_run(row: Mapping[str, Any], system: str) -> str:
    """One more run in words: 'PN-1004 as asked, 6 pieces'."""
    how = ", ".join(setting(name, value, system) for name, value in row["settings"].items())
    return f"{row['part'] or 'this new part'} {f'at {how}' if how else 'as asked'}, {many(row['pieces'], 'piece')}"


def advice_lines(advice: Mapping[str, Any], system: str) -> list[str]:
    """The advice as lines: stock, atmosphere, cycle, thermocouple places."""
    out = []
    stock = advice.get("stock")
    if stock:
        amount = stock["per_side_um"]
        out.append(
            f"Stock: {moved_by(amount, 'um', system)} {stock['text']}." if amount else f"Stock: {stock['text']}."
        )
    air = advice.get("atmosphere")
    if air:
        out.append(f"Atmosphere: {air['choice']}: {'; '.join(air['reasons'])}.")
    cycle = advice.get("cycle")
    if cycle:
        best = cycle["evidence"][0]
        out.append(
            f"Cycle: {cycle['choice']}: {cycle['reason']}; {many(best['runs'], 'run')}, "
            f"{many(best['pieces'], 'piece')}, beside {', '.join(e['cycle'] for e in cycle['evidence'][1:])}."
        )
    for place in advice.get("thermocouples", []):
        out.append(f"Thermocouple: {place['place']}: {place['reason']}.")
    return out
