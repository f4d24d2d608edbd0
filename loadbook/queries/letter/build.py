"""An answer as a letter to the customer who asked: one structure of plain texts, which page and PDF both show.

The figures are those that were kept with the answer, whatever the book has learned since. Every word is ours, or a
coded word or key of the customer's own that `letterfilter` lets through, or was typed for this letter (--to, --from,
--about, --question); and every text is looked at once more before it leaves.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from loadbook.core import times, units
from loadbook.core.errors import UsageError
from loadbook.core.phrases import many
from loadbook.core.remarks import REFUSAL, Remark
from loadbook.core.vocabulary.intake_kinds import FORM_KINDS
from loadbook.core.vocabulary.parameters import PLANNED
from loadbook.queries.answer_figures import inside, span, told
from loadbook.queries.history import NO_PROCESS
from loadbook.queries.kept_answers import Saved, saved
from loadbook.queries.remark_words import letter_needed, letter_words

from .filter import OwnRecords, Source, mine, others_classes, refuse_leaks, same
from .picture import Interval, OwnRun, interval_of, nearest
from .words import cautions, for_customer, held, narrower, never_run, suggestions

if TYPE_CHECKING:
    from loadbook.store.book import BookFolder

LONGEST_QUESTION = 600
LONGEST_NAME = 200
NO_REASON = "our history of such pieces is too short, or not fit to answer from"
OTHER_UNIT = "units of its readings"
NEVER_RUN = "We cannot give a figure: we never ran such pieces so (see below), and what we ran tells too little of it."
CLOSING = (
    "This is history and not a promise: it tells what happened to such pieces in our furnaces, not what later "
    "machining releases. A limit from a code, a drawing or your specification overrules it."
)


@dataclass(frozen=True)
class Letter:
    """A letter. All texts are plain; `suggestions` are (what, words) pairs; `left_out` says what it does not say."""

    number: int
    date: str
    sender: str
    addressee: str
    reference: str
    subject: str
    question: str
    headline: str
    notes: list[str]
    interval: Interval | None
    evidence: list[str]
    runs: list[OwnRun]
    held: str
    narrower: str
    suggestions: list[tuple[str, str]]
    cautions: list[str]
    closing: str
    marking: str
    method: str
    refused: bool
    left_out: tuple[str, ...] = ()
    people: frozenset[str] = field(default_factory=frozenset)  # names of fields that a person typed

    def texts(self) -> Iterator[tuple[str, Source]]:
        """Every text, and who wrote it."""
        for name in ("sender", "addressee", "question", "subject"):
            yield getattr(self, name), "typed" if name in self.people else "key"
        yield self.reference, "key"
        for run in (*self.runs, *(self.interval.own if self.interval else ())):
            yield f"{run.run} {run.other_part}", "key"
        ours = (self.headline, self.held, self.narrower, self.closing, self.marking, self.method)
        for text in (*ours, *self.notes, *self.evidence, *self.cautions):
            yield text, "ours"
        for what, text in self.suggestions:
            yield f"{what}: {text}", "ours"


def letter(
    book: BookFolder, number: int, *, system: str | None = None, to: str | None = None, sender: str | None = None,
    question: str | None = None, about: str | None = None,
) -> Letter:  # fmt: skip
    """The letter of a kept answer.

    system    'si' or 'us' (None: the book's);  to, sender  names as they are to stand
    about     what it is about, in the words for the customer;  question  in their words
    Raises    NotFoundError (no such answer); UsageError (a text too long, or one that names another customer's work);
              LoadbookError where anything of another would still be named
    """
    system = system or book.units
    typed = {"--question": question, "--to": to, "--from": sender, "--about": about}
    for name, text in typed.items():
        most = LONGEST_QUESTION if name == "--question" else LONGEST_NAME
        if text is not None and len(text) > most:
            raise UsageError(f"{name} has {len(text)} characters", remedy=f"A one-page letter takes {most} at most")
    kept = saved(book, number)
    my = mine(book, kept.question.get("part"), kept.question.get("job"), to)
    for name, text in typed.items():
        if text and (hits := my.found(text, free=True)):
            raise UsageError(f"{name} names {hits[0]}, which belongs to another", remedy="Say it in other words")
    found = _letter(book, kept, my, system, to, sender, question, about)
    refuse_leaks(my, found.texts())
    return found


def _letter(
    book: BookFolder, kept: Saved, my: OwnRecords, system: str, to: str | None, sender: str | None,
    question: str | None, about: str | None,
) -> Letter:  # fmt: skip
    asked, behind, part = kept.question, kept.behind, kept.question.get("part")
    unit = my.say("unit", kept.result["unit"]) or OTHER_UNIT
    result = {**kept.result, "unit": unit}
    process = "heat treatment"
    if asked.get("process") != NO_PROCESS:
        process = my.say("process", asked.get("process")) or process
    who = about or _who(asked, behind, my)
    remarks = for_customer(kept.remarks, my)
    refused = result["refused"] is not None
    notes: list[str] = []
    runs: list[OwnRun] = []
    interval = None
    beyond = not refused and "forward_test" in result and never_run(result, behind)
    if refused:
        headline, narrowed = _refusal(remarks, system)
    elif beyond:
        headline, narrowed = NEVER_RUN, ""
        result = {**result, "bound": None}
    else:
        headline = _headline(result, unit, system)
        narrowed = narrower(result, behind, system)
        notes = _notes(asked, result, system)
        runs = nearest(asked, result, my, system)
        interval = interval_of(asked, result, behind, my, system)
    suggested = suggestions(remarks, part, behind, my, system)
    if refused:
        suggested = [(what, text) for what, text in suggested if what != "Thermocouples"]
    if not kept.coded:
        my.leave_out("the cautions and reasons of an answer kept without codes (ask again and keep it to have them)")
    typed = {"sender": sender, "addressee": to, "question": question}
    return Letter(
        number=kept.answer_id,
        date=times.shown(kept.answered_at, book.zone)[:10],
        sender=sender or "",
        addressee=to or my.customer or "",
        reference=_reference(book, asked, my),
        subject=f"Movement in {process}: {who}",
        question=question or f"How much will {who} move in {process}{_treated(asked, my, system)}?",
        headline=headline,
        notes=notes,
        interval=interval,
        evidence=_evidence(book, kept, my, result, process, system),
        runs=runs,
        held="" if refused else held(result, behind),
        narrower=narrowed,
        suggestions=suggested,
        cautions=cautions(remarks, system),
        closing=CLOSING,
        marking=_marking(book, asked, my, [*runs, *(interval.own if interval else [])]),
        method=kept.method,
        refused=refused,
        left_out=tuple(my.left_out),
        people=frozenset(name for name, text in typed.items() if text),
    )


def _headline(result: dict[str, Any], unit: str, system: str) -> str:
    """The interval and, where there is a tolerance, what it means for it."""
    of = " of their form error before" if unit == "%" else ""
    if unit == "%" and (um := result.get("in_um")):
        of += f", {span(um['low'], um['high'], 'um', system)} from {told(um['before'], 'um', system)}"
    text = (
        f"{result['content']:.0%} of the pieces should move {span(result['low'], result['high'], unit, system)}{of}; "
        f"the middle is {told(result['median'], unit, system)}."
    )
    share = result.get("in_tolerance")
    return f"{text} {inside(share, system)}." if share else text


def _refusal(remarks: list[Remark], system: str) -> tuple[str, str]:
    """(why there is no figure, what to measure) as a customer is told."""
    why = next((r for r in remarks if r.severity == REFUSAL), None)
    reason = (letter_words(why, system) if why else "") or NO_REASON
    return f"We cannot give a figure yet: {reason}.", letter_needed(why, system) if why else ""


def _who(asked: dict[str, Any], behind: dict[str, Any], my: OwnRecords) -> str:
    kind = my.say("kind", asked["kind"]) or "movement"
    if part := my.say("part", asked.get("part")):
        name = my.say("characteristic", behind.get("characteristic") or asked.get("characteristic"))
        return f"{part}, {kind}" if name is None or name.lower() == kind else f"{part}, {name} ({kind})"
    words = [my.say(k, asked.get(k)) for k in ("material", "shape", "condition")]
    return f"a new part ({', '.join([*(w for w in words if w), kind])})"


def _treated(asked: dict[str, Any], my: OwnRecords, system: str) -> str:
    """How the pieces are to be treated, as a customer says it: 'heated at 80 °C/h, held at 600 °C, ...'."""
    parts = []
    if cycle := my.say("cycle", asked.get("cycle")):
        revision = my.say("cycle_revision", asked.get("cycle_revision"))
        parts.append(f"by our cycle {cycle}" + (f" revision {revision}" if revision else ""))
    settings = asked.get("settings") or {}
    for name, planned in PLANNED.items():
        if name in settings:
            value, label, _ = units.show(settings[name], planned.unit, system)
            parts.append(f"{planned.wording} {value:.4g} {label}")
    parts += [f"{lead}{v}" for n, lead in (("setup", ""), ("atmosphere", "in ")) if (v := my.say(n, asked.get(n)))]
    return f", {', '.join(parts)}" if parts else ""


def _notes(asked: dict[str, Any], result: dict[str, Any], system: str) -> list[str]:
    """How to read the figure: its sign, and the one-sided bound."""
    form = asked["kind"] in FORM_KINDS
    out = ["Plus: the form error grows. Minus: it gets smaller." if form else "Plus: it grows. Minus: it shrinks."]
    if result["unit"] == "um" and system == "us":
        out[0] += " One × 0.001 in is a thousandth of an inch."
    if result["bound"] is not None:
        upper = result["bound"] >= (result["low"] + result["high"]) / 2
        out.append(
            f"{result['bound_content']:.0%} of the pieces should stay {'at most' if upper else 'no lower than'} "
            f"{told(result['bound'], result['unit'], system)}, with {result['bound_confidence']:.0%} confidence."
        )
    return out


def _evidence(
    book: BookFolder, kept: Saved, my: OwnRecords, result: dict[str, Any], process: str, system: str
) -> list[str]:  # fmt: skip
    asked, behind = kept.question, kept.behind
    if not result["pieces"]:
        return []
    out = [
        f"{'On record of this kind' if result['refused'] else 'It rests on our records of this kind'} in {process}: "
        f"{many(result['runs'], 'run')}, {many(result['pieces'], 'piece')}, {many(result['parts'], 'part number')}."
    ]
    if result["refused"]:
        return out
    every = behind.get("own_runs", [])
    theirs = [r for r in every if my.owns(r["run"], asked.get("part") or "")]
    if theirs:
        pieces = sum(r["pieces"] for r in theirs)
        low, high = min(r["low"] for r in theirs), max(r["high"] for r in theirs)
        unit = result["unit"]
        mean = f", on average {told(behind['own']['mean'], unit, system)}" if len(theirs) == len(every) else ""
        out.append(
            f"Of your part: {many(len(theirs), 'run')}, {many(pieces, 'piece')}, {theirs[0]['date']} to "
            f"{theirs[-1]['date']}; they moved {span(low, high, unit, system)}{mean}."
        )
    elif not every:
        near = {
            "same part": "your part's other sizes",
            "same material": "pieces of the same material",
            "same family": "pieces of the same family of materials",
        }
        nearest_is = near.get(result["evidence"], "nothing nearer than the same kind of characteristic")
        out.append(f"Nearest evidence: {nearest_is}.")
    classes = others_classes(book, my, result["comparables"], (behind.get("family"), behind.get("shape")))
    if classes:
        out.append(f"Among the nearest are, of other customers: {', '.join(classes)}.")
    return out


def _marking(book: BookFolder, asked: dict[str, Any], my: OwnRecords, runs: list[OwnRun]) -> str:
    """How the letter must be kept, by the flags of the customer's own jobs that it shows or answers."""
    jobs = {asked.get("job")}
    for run in {r.run for r in runs}:
        jobs |= {r[0] for r in book.read().execute("SELECT DISTINCT job FROM piece WHERE run = ?", (run,))}
    flags = {"confidential": False, "export_controlled": False}
    for job in jobs - {None}:
        row = book.read().execute(
            "SELECT customer, confidential, export_controlled FROM job WHERE job = ?", (job,)
        ).fetchone()  # fmt: skip
        if row is not None and same(row["customer"], my.customer):
            flags = {name: flags[name] or bool(row[name]) for name in flags}
    pairs = (("Confidential", "confidential"), ("Export-controlled", "export_controlled"))
    told_flags = [word for word, name in pairs if flags[name]]
    return f"{' and '.join(told_flags)}: for the addressee alone." if told_flags else ""


def _reference(book: BookFolder, asked: dict[str, Any], my: OwnRecords) -> str:
    """The customer's own order and job, where the answer was given for a job of theirs."""
    row = book.read().execute(
        "SELECT job, customer, purchase_order, drawing_revision FROM job WHERE job = ?", (asked.get("job"),)
    ).fetchone()  # fmt: skip
    if row is None or not same(row["customer"], my.customer):
        return ""
    named = (("your order", "purchase_order"), ("our job", "job"), ("drawing revision", "drawing_revision"))
    return ", ".join(f"{what} {text}" for what, name in named if (text := my.say(name, row[name])))
