"""An answer as a letter to the customer who asked: one structure of plain texts, which page and PDF both show.

The figures are those that were kept with the answer, whatever the book has learned since. Every sentence is one of
sentences.py, with figures, coded words and keys of the customer's own that filter.py lets through; or it was typed for
letters: by `loadbook shop` (the head and the foot), or for this one (--to, --about, --question, ...). Every text is
looked at once more before it leaves.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from loadbook.core import times
from loadbook.core.errors import UsageError
from loadbook.core.figures import true_minus
from loadbook.core.remarks import REFUSAL
from loadbook.core.vocabulary.intake_kinds import FORM_KINDS
from loadbook.core.vocabulary.parameters import PLANNED
from loadbook.queries.history import NO_PROCESS
from loadbook.queries.kept_answers import Saved, broken_clauses, resolution_um, saved
from loadbook.store.shop import Shop, reference_of, shop_of

from .customer_words import customer_words
from .figures import Figures
from .filter import OwnRecords, Source, mine, others_classes, refuse_leaks, same
from .picture import MOST_RUNS, Interval, OwnRun, axis_of, interval_of, missed, nearest, tolerance_um, um_of
from .sentences import count, say, term, things
from .words import (
    beside,
    for_customer,
    how_they_did,
    never_run,
    physics,
    pieces_promised,
    suggestions,
    to_measure,
    what_changes,
)

if TYPE_CHECKING:
    from loadbook.store.book import BookFolder

LONGEST_QUESTION = 600
LONGEST_NAME = 200
MOST_ADDRESS_LINES = 6


@dataclass(frozen=True)
class Typed:
    """What a person typed for one letter.

    to, attention, address  the addressee's name, a person there, address lines;  salutation  the whole line
    sender    instead of the shop's name;  about  what it is about, in words for the customer
    question  in the customer's words;  asked_on  the day of their enquiry, an ISO date
    """

    to: str | None = None
    sender: str | None = None
    question: str | None = None
    about: str | None = None
    attention: str | None = None
    address: tuple[str, ...] = ()
    salutation: str | None = None
    asked_on: str | None = None

    def by_option(self) -> Iterator[tuple[str, str]]:
        """Each text with the option that gave it."""
        for name in ("to", "question", "about", "attention", "salutation"):
            if text := getattr(self, name):
                yield f"--{name}", text
        if self.sender:
            yield "--from", self.sender
        for line in self.address:
            yield "--address", line


@dataclass(frozen=True)
class Section:
    """A part of a letter: its heading, its lines, and a table where it has one (columns, rows of cells, caption)."""

    name: str
    title: str
    lines: list[str]
    columns: tuple[str, ...] = ()
    rows: list[list[str]] = field(default_factory=list)
    caption: str = ""


@dataclass(frozen=True)
class Letter:
    """A letter. All texts are plain; `left_out` says what it does not say.

    reference  ours, as counted, or the answer's number;  yours  the customer's own order, job and drawing revision
    asked      the question in the customer's words, '' where none was typed;  people  names of fields that were typed
    """

    number: int
    date: str
    date_words: str
    shop: Shop
    sender: str
    addressee: str
    attention: str
    address: tuple[str, ...]
    reference: str
    yours: str
    subject: str
    salutation: str
    closing: str
    asked: str
    headline: str
    notes: list[str]
    interval: Interval | None
    sections: list[Section]
    marking: str
    foot: str
    refused: bool
    runs: list[OwnRun] = field(default_factory=list)
    left_out: tuple[str, ...] = ()
    people: frozenset[str] = field(default_factory=frozenset)

    def section(self, name: str) -> Section | None:
        return next((s for s in self.sections if s.name == name), None)

    def lines(self, name: str) -> list[str]:
        """The lines of a section; [] where the letter has it not."""
        found = self.section(name)
        return found.lines if found else []

    def texts(self) -> Iterator[tuple[str, Source]]:
        """Every text but the shop's own head and foot, and who wrote it."""
        for name in ("sender", "addressee", "attention", "subject", "salutation", "asked"):
            yield getattr(self, name), "typed" if name in self.people else "key"
        for line in self.address:
            yield line, "typed"
        yield self.yours, "key"
        for run in (*self.runs, *(self.interval.every if self.interval else ())):
            yield f"{run.run} {run.other_part}", "key"
        for text in (self.headline, *self.notes, self.marking, self.foot):
            yield text, "ours"
        if self.interval is not None:
            i = self.interval
            for text in (i.axis, i.bound_words, i.own_words, *i.notes, i.alt, *(label for _, label in i.limits)):
                yield text, "ours"
        for section in self.sections:
            for text in (section.title, *section.lines, *section.columns, section.caption):
                yield text, "ours"
            for row in section.rows:
                yield from ((cell, "key") for cell in row)


def letter(
    book: BookFolder, number: int, *, system: str | None = None, typed: Typed | None = None,
    reference: str | None = None,
    to: str | None = None, sender: str | None = None, question: str | None = None, about: str | None = None,
) -> Letter:  # fmt: skip
    """The letter of a kept answer.

    system     'si' or 'us' (None: the book's);  typed  what a person wrote for it (or the four most usual alone)
    reference  as counted up; None: the one that the book keeps for it
    Raises     NotFoundError (no such answer); UsageError (a text too long, or one that names another customer's work);
               LoadbookError where anything of another would still be named
    """
    typed = typed or Typed(to=to, sender=sender, question=question, about=about)
    if typed.asked_on:
        times.parse_date(typed.asked_on)
    if len(typed.address) > MOST_ADDRESS_LINES:
        raise UsageError(f"--address has {len(typed.address)} lines", remedy=f"Give {MOST_ADDRESS_LINES} at most")
    for name, text in typed.by_option():
        most = LONGEST_QUESTION if name == "--question" else LONGEST_NAME
        if len(text) > most:
            raise UsageError(f"{name} has {len(text)} characters", remedy=f"The letter takes {most} at most")
    kept = saved(book, number)
    my = mine(book, kept.question.get("part"), kept.question.get("job"), typed.to)
    for name, text in typed.by_option():
        if hits := my.found(text, free=True):
            raise UsageError(f"{name} names {hits[0]}, which belongs to another", remedy="Say it in other words")
    found = _letter(book, kept, my, system or book.units, typed, reference)
    refuse_leaks(my, found.texts())
    return found


def _letter(
    book: BookFolder, kept: Saved, my: OwnRecords, system: str, typed: Typed, reference: str | None
) -> Letter:  # fmt: skip
    asked, behind, part = kept.question, _behind(book, kept), kept.question.get("part")
    lately = {r.figures["factor"] for r in kept.remarks if r.code == "as_lately"}
    result = {**kept.result, "unit": my.say("unit", kept.result["unit"]) or "", "as_lately": lately}
    x = Figures(system, behind.get("resolution_um"), _width_um(result, behind))
    word = None if asked.get("process") == NO_PROCESS else my.say("process", asked.get("process"))
    process = term("process", word) if word else say("heat treatment")
    kind = my.say("kind", asked["kind"]) or say("movement")
    remarks = for_customer(kept.remarks, my)
    refused = result["refused"] is not None
    beyond = not refused and "forward_test" in result and never_run(result, behind)
    figures = not refused and not beyond
    shop = shop_of(book)
    interval = interval_of(asked, result, behind, my, x) if figures else None
    runs = nearest(asked, result, my, x) if figures and not (interval and interval.own) else []
    why = next((r for r in remarks if r.severity == REFUSAL), None)
    if refused:
        headline = say("refused", why=(customer_words(why, x) if why else "") or say("no reason"))
    elif beyond:
        headline = say("never run")
    else:
        headline = _headline(asked, result, behind, x)
    if not kept.coded:
        my.leave_out("the cautions and reasons of an answer kept without codes (ask again and keep it to have them)")
    suggested = suggestions(
        remarks if figures else [r for r in remarks if r.code != "stock"], part, behind, my, x, places=not refused
    )
    rests = _rests(book, kept, my, result, behind, interval, process, x)
    rests += beside(remarks, x)
    near = _near(runs, interval, x)
    if refused:
        rows, also = to_measure(why, kind, tolerance_um(asked, behind), x)
        columns = tuple(say(f"measure.{name}") for name in ("what", "many", "gauge", "when"))
        how = [say(f"measure.{name}") for name in ("how", "setup", "then")] if rows else []
        sections = [
            Section("measure", say("measure"), also, columns if rows else (), rows),
            Section("how", say("how"), how),
            Section("known", say("known"), rests, *_known(asked, behind, my, x)),
            Section("physics", say("physics"), physics(result, my, x)),
        ]
    else:
        sections = [
            Section("rests", say("rests"), rests, *near),
            Section("did", say("did"), how_they_did(result, behind, remarks, x)),
            Section("change", say("change"), what_changes(result, _width(result, behind, x), remarks, x, beyond)),
        ]
    sections += [Section("suggest", say("suggest"), suggested), Section("not", say("not"), [say("not.promise")])]
    what = typed.about or _what(asked, behind, kind, my)
    subject = say("subject.of", what=what, process=process, date=x.day(typed.asked_on)) if typed.asked_on else say(
        "subject", what=what, process=process
    )  # fmt: skip
    date = times.shown(kept.answered_at, book.zone)[:10]
    addressed = typed.salutation or (
        say("salutation.named", name=typed.attention) if typed.attention else say("salutation")
    )
    named = "closing.named" if typed.attention or typed.salutation else "closing"
    shown_runs = [*runs, *(interval.own if interval else [])]
    mine_typed = {
        "sender": typed.sender, "addressee": typed.to, "attention": typed.attention, "asked": typed.question,
        "salutation": typed.salutation or typed.attention, "subject": typed.about,
    }  # fmt: skip
    return Letter(
        number=kept.answer_id, date=date, date_words=x.day(date), shop=shop, sender=typed.sender or shop.name,
        addressee=typed.to or my.customer or "", attention=typed.attention or "", address=typed.address,
        reference=(reference if reference is not None else reference_of(book, kept.answer_id))
        or say("reference.answer", number=kept.answer_id),
        yours=_yours(book, asked, my), subject=subject, salutation=addressed,
        closing=say("closing.us" if x.system == "us" else named),
        asked=say("asked", question=typed.question) if typed.question else "",
        headline=headline,
        notes=_notes(asked, result, behind, my, x) if figures else [_holds(asked, result, behind, my, x, beyond)],
        interval=interval, sections=[s for s in sections if s.lines or s.rows],
        marking=_marking(book, asked, my, shown_runs), foot=say("foot", date=x.day(date)), refused=refused, runs=runs,
        left_out=tuple(my.left_out), people=frozenset(name for name, text in mine_typed.items() if text),
    )  # fmt: skip


def _behind(book: BookFolder, kept: Saved) -> dict[str, Any]:
    """What stood behind an answer; what an older one was kept without is looked up as the book has it now."""
    out, asked = dict(kept.behind), kept.question
    if "resolution_um" not in out:
        out["resolution_um"] = resolution_um(book, asked.get("part"), out.get("characteristic"), asked["kind"])
    runs = out.get("own_runs", [])
    if any("broken" not in r for r in runs):
        broken = broken_clauses(book, {r["run"] for r in runs})
        out["own_runs"] = [{**r, "broken": broken.get(r["run"], [])} for r in runs]
    return out


def _headline(asked: dict[str, Any], result: dict[str, Any], behind: dict[str, Any], x: Figures) -> str:
    """What is expected: the middle and the interval."""
    pieces = pieces_promised(result["content"], x)
    unit, in_um = result["unit"], um_of(result, behind)
    if unit == "%" and in_um is None:
        low, middle, high = (x.ratio(result[k], unit=k != "low") for k in ("low", "median", "high"))
        return say("expect.percent", middle=middle, pieces=pieces, low=low, high=high)
    told_in = in_um or result
    if asked["kind"] in FORM_KINDS and (unit == "um" or in_um):
        return say(
            "expect.form" if told_in["median"] >= 0 else "expect.form.less",
            middle=x.um(abs(told_in["median"]), first=True), error=term("error", asked["kind"]), pieces=pieces,
            low=x.number(told_in["low"]), high=x.um(told_in["high"]),
        )  # fmt: skip
    if unit == "um":
        low, middle, high = (_moved(result[k], x, first=k == "median") for k in ("low", "median", "high"))
        return say("expect.size", middle=middle, pieces=pieces, low=low, high=high)
    low, middle, high = (say("smaller" if result[k] < 0 else "larger", size=_in_unit(abs(result[k]), result))
                         for k in ("low", "median", "high"))  # fmt: skip
    return say("expect.size", middle=middle, pieces=pieces, low=low, high=high)


def _from_before(asked: dict[str, Any], result: dict[str, Any], behind: dict[str, Any], x: Figures) -> list[str]:
    """A form error's answer from the reading before: what that makes after the run, as the picture draws it, and the
    change in per cent where the answer is one."""
    in_um = um_of(result, behind)
    if in_um is None:
        given = asked["before_mm"] * 1000.0 if asked.get("before_mm") else None
        before = given or behind.get("usual_before_um")
        if result["unit"] != "um" or asked["kind"] not in FORM_KINDS or before is None:
            return []
        after = {"before": x.um(before), "after_low": x.number(result["low"] + before),
                 "after_high": x.um(result["high"] + before)}  # fmt: skip
        if given:
            return [say("expect.form.after.given", **after)]
        return [say("expect.form.after", **after, whose=say("whose.part"))]
    before = in_um["before"]
    of = {
        "low": x.ratio(result["low"], unit=False), "high": x.ratio(result["high"]), "before": x.um(before),
        "after_low": x.number(in_um["low"] + before), "after_high": x.um(in_um["high"] + before),
    }  # fmt: skip
    if in_um.get("from") == "question":
        return [say("expect.form.given", **of)]
    return [say("expect.form.of", **of, whose=say("whose.part" if in_um.get("from") == "part" else "whose.kind"))]


def _moved(um: float, x: Figures, first: bool = False) -> str:
    """A size's movement in words: '12 µm smaller'."""
    if x.um(um) == x.um(0.0):
        return say("no change")
    return say("smaller" if um < 0 else "larger", size=x.um(abs(um), first))


def _width_um(result: dict[str, Any], behind: dict[str, Any]) -> float | None:
    """The width of the answer [µm], None where it has none."""
    told_in = um_of(result, behind) or (result if result["unit"] == "um" else None)
    return None if told_in is None or told_in["low"] is None else told_in["high"] - told_in["low"]


def _width(result: dict[str, Any], behind: dict[str, Any], x: Figures) -> Any:
    """A function that tells a width of the answer, in µm where a form error's per cent can be; none is told wider than
    the interval as it is shown."""
    in_um = um_of(result, behind)
    unit = result["unit"]
    told_in = in_um or (result if unit == "um" else None)
    if told_in is not None and told_in["low"] is not None:
        most, one = (
            x.between(told_in["low"], told_in["high"]),
            in_um["before"] / 100.0 if unit == "%" and in_um else 1.0,
        )
        now = 0.999 * (result["high"] - result["low"]) * one
        return lambda w: x.um(most if w * one >= now else min(w * one, most))
    if unit == "%":
        return x.ratio
    return lambda w: _in_unit(w, result)


def _in_unit(value: float, result: dict[str, Any]) -> str:
    """A figure of an answer in a unit of its own (deg), to a tenth of the interval's own leading digit.

    >>> [_in_unit(v, {"low": 0.003, "high": 0.0483, "unit": "deg"}) for v in (0.00298, 0.0256, 0.0453)]
    ['0.003 deg', '0.026 deg', '0.045 deg']
    """
    width = result["high"] - result["low"]
    places = max(0, 1 - math.floor(math.log10(width))) if width > 0.0 else 3
    return true_minus(f"{value:.{places}f} {result['unit']}".strip())


def _notes(
    asked: dict[str, Any], result: dict[str, Any], behind: dict[str, Any], my: OwnRecords, x: Figures
) -> list[str]:  # fmt: skip
    """The share inside the tolerance, and what the answer holds for."""
    out = _from_before(asked, result, behind, x)
    theirs = all(my.owns(r["run"], asked.get("part") or "") for r in behind.get("own_runs", []))
    share = result.get("in_tolerance")
    if share:
        low_um, high_um = share["lower_um"], share["upper_um"]
        low, high = x.percents(share["low"], share["high"])
        sure = share["low"] >= 0.995
        of = say("inside.sure") if sure else say("inside.share", share=x.percent(share["share"]), low=low, high=high)
        if high_um is None or (low_um is None and high_um == 0.0):  # a size with one limit
            text = say("inside.lower" if high_um is None else "inside.upper", how_many=of)
        else:
            form = low_um is None
            key = "inside.asked" if asked.get("tolerance_mm") else "inside.drawing" if form else "inside.size"
            text = say(key, how_many=of, limit=x.length(high_um if form else high_um - low_um))
        text = text[:1].upper() + text[1:]
        if share.get("from") == "middle" and low_um is not None and high_um is not None:
            text += f" {say('inside.middle')}"
        elif share["before"] is not None and theirs and share.get("from") != "question":
            text += f" {say('inside.before', share=x.percent(share['before']))}"
        out.append(text)
    out.append(_holds(asked, result, behind, my, x, False))
    return out


def _holds(
    asked: dict[str, Any], result: dict[str, Any], behind: dict[str, Any], my: OwnRecords, x: Figures, beyond: bool
) -> str:  # fmt: skip
    """What an answer holds for: cycle, setup, atmosphere, settings and the reading before."""
    how = []
    if cycle := my.say("cycle", asked.get("cycle")):
        revision = my.say("cycle_revision", asked.get("cycle_revision"))
        how.append(say("cycle.revision", cycle=cycle, revision=revision) if revision else say("cycle", cycle=cycle))
    shape = my.say("shape", behind.get("shape"))
    taken = "setup.lately" if "setup" in result["as_lately"] else "setup.usual"
    for setup, key in ((asked.get("setup"), "setup"), ((result.get("assumed") or {}).get("setup"), taken)):
        if setup and (word := my.say("setup", setup)):
            how.append(say(key, pieces=things(shape), setup=term("setup", word)))
            break
    if word := my.say("atmosphere", asked.get("atmosphere") or (result.get("assumed") or {}).get("atmosphere")):
        how.append(say("atmosphere" if how else "atmosphere.alone", atmosphere=term("atmosphere", word)))
    settings = asked.get("settings") or {}
    how += [say(name, value=x.setting(name, settings[name])) for name in PLANNED if name in settings]
    in_um = um_of(result, behind) if result["unit"] == "%" and result["refused"] is None and not beyond else None
    if in_um:
        how.append(say("before", before=x.um(in_um["before"])))
    elif asked.get("before_mm") is not None and (result.get("in_tolerance") or {}).get("from") == "question":
        how.append(say("before", before=x.length(asked["before_mm"] * 1000.0)))
    return say("holds" if result["refused"] is None and not beyond else "asked for", how="; ".join(how)) if how else ""


def _what(asked: dict[str, Any], behind: dict[str, Any], kind: str, my: OwnRecords) -> str:
    if part := my.say("part", asked.get("part")):
        name = my.say("characteristic", behind.get("characteristic") or asked.get("characteristic"))
        if name is None or name.lower() == kind:
            return say("what.part", part=part, kind=kind)
        return say("what.named", part=part, name=name, kind=kind)
    words = [my.say(k, asked.get(k)) for k in ("material", "shape", "condition")]
    return say("what.new", words=", ".join([*(w for w in words if w), kind]))


def _rests(
    book: BookFolder, kept: Saved, my: OwnRecords, result: dict[str, Any], behind: dict[str, Any],
    interval: Interval | None, process: str, x: Figures,
) -> list[str]:  # fmt: skip
    """What the answer rests on; of a refusal, what is known already."""
    asked = kept.question
    every = behind.get("own_runs", [])
    theirs = [r for r in every if my.owns(r["run"], asked.get("part") or "")]
    if not result["pieces"]:
        return [say("known.none", process=process)] if result["refused"] else []
    counts = {"all": count("run", result["runs"]), "all_pieces": count("piece", result["pieces"]),
              "parts": count("part", result["parts"])}  # fmt: skip
    out = []
    if theirs:
        of = {"runs": count("run", len(theirs)), "pieces": count("piece", sum(r["pieces"] for r in theirs))}
        first, last = theirs[0]["date"], theirs[-1]["date"]
        alone = result["refused"] and len(theirs) == result["runs"]
        key = ("known.own" if alone else "rests.own") + (".once" if first == last else "")
        out.append(say(key, **of, first=x.day(first), last=x.day(last), **counts))
    else:
        out.append(say("rests.all", runs=counts["all"], pieces=counts["all_pieces"], parts=counts["parts"]))
    if result["refused"]:
        return out
    if not every:
        near = {"same part": "part", "same material": "material", "same family": "family"}
        out.append(say(f"rests.{near.get(result['evidence'], 'kind')}"))
    if interval and (broken := sum(bool(r.broken) for r in interval.every)):
        out.append(count("rests.broken", broken))
    if interval and (worst := _beyond(interval)):
        runs, limit = worst
        out.append(count("rests.beyond", len(runs), limit=limit, runs=", ".join(runs)))
    classes = others_classes(book, my, result["comparables"], (behind.get("family"), behind.get("shape")))
    if classes:
        out.append(say("rests.others", classes=", ".join(_class(*c) for c in classes)))
    return out


def _beyond(interval: Interval) -> tuple[list[str], str] | None:
    """Their runs with a piece beyond the drawing's limit, and that; None where no run has one, or it is not drawn."""
    if (
        len(interval.limits) != 1 or interval.converted
    ):  # of a size the picture shows movement, and a piece's own place decides
        return None
    value, _ = interval.limits[0]
    runs = [r.run for r in interval.every if r.high > value]
    return (runs, interval.limit) if runs else None


def _class(n: int, shape: str, family: str, similar: bool) -> str:
    if similar:
        return say("class.similar", n=n, things=things(shape))
    if family:
        return say("class.family", n=n, things=things(shape), family=family)
    return say("class.things", n=n, things=things(shape))


def _known(
    asked: dict[str, Any], behind: dict[str, Any], my: OwnRecords, x: Figures
) -> tuple[tuple[str, ...], list[list[str]], str]:  # fmt: skip
    """What a refusal shows of the customer's own runs: how they moved, run by run."""
    theirs = [
        r for r in behind.get("own_runs", []) if my.owns(r["run"], asked.get("part") or "") and r.get("moved_um")
    ][-MOST_RUNS:]
    if not theirs:
        return (), [], ""
    columns = tuple(say(f"table.{n}") for n in ("run", "date", "pieces", "low", "mean", "high", "kept"))
    rows = [
        [r["run"], x.short_day(r["date"]), str(r["pieces"]), *(x.number(v) for v in r["moved_um"]),
         "; ".join(missed(r.get("broken") or [])) or say("table.kept.yes")]
        for r in theirs
    ]  # fmt: skip
    return columns, rows, say("known.caption", axis=axis_of(asked["kind"], x))


def _near(runs: list[OwnRun], interval: Interval | None, x: Figures) -> tuple[tuple[str, ...], list[list[str]], str]:
    """Their nearest runs of other parts as a table: columns, rows, caption."""
    if not runs or interval is None:
        return (), [], ""
    columns = tuple(say(f"table.{n}") for n in ("run", "date", "pieces", "low", "mean", "high"))
    rows = [[r.label, x.short_day(r.date), str(r.pieces), *r.texts] for r in runs]
    return columns, rows, say("table.caption", axis=interval.axis)


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
    told_flags = [name for name in flags if flags[name]]
    return say(f"marking.{told_flags[0] if len(told_flags) == 1 else 'both'}") if told_flags else ""


def _yours(book: BookFolder, asked: dict[str, Any], my: OwnRecords) -> str:
    """The customer's own order and job, where the answer was given for a job of theirs."""
    row = book.read().execute(
        "SELECT job, customer, purchase_order, drawing_revision FROM job WHERE job = ?", (asked.get("job"),)
    ).fetchone()  # fmt: skip
    if row is None or not same(row["customer"], my.customer):
        return ""
    named = (("order", "purchase_order"), ("job", "job"), ("revision", "drawing_revision"))
    return ", ".join(say(f"reference.{key}", **{key: text}) for key, name in named if (text := my.say(name, row[name])))
