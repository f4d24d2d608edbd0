"""A run as one of its customers may see it: their pieces, jobs and readings, and no words of the book but their own.

Nothing is struck out of a finished page. The run is judged again from a record whose texts have passed
letter/filter.py (their keys, and words of the trade) or were given a name of ours ("TC 3", "event 1", "a piece"), so
that every sentence is made of such words from the start. The verdicts must be those of the whole record: another
customer's pieces count in the load, they are only not named.
"""

from __future__ import annotations

import html
import json
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from typing import Any

from loadbook.analysis.trace.model import Channel, Cycle, PieceRecord
from loadbook.core import cautions
from loadbook.core.errors import LoadbookError, NotFoundError
from loadbook.core.trade_phrases import WORDS, phrase
from loadbook.core.vocabulary.intake_kinds import ACCEPTED
from loadbook.core.wording import words as said
from loadbook.store.book import BookFolder
from loadbook.store.run_records import RunRecord

from .judge import judge_run
from .letter.filter import OwnRecords, of_customer, same
from .relations import Relations
from .run_record import Row, RunSheet, run_sheet

# what is done to a furnace run, as the recorder and the program name it
EVENTS = (
    "gas backfill", "gas admitted", "fan on", "fan off", "door opened", "door closed", "door shut", "aborted",
    "thermocouples unplugged", "power lost", "power back", "leak-up started", "leak-up ended", "soak start", "quench",
    "quenched", "pump on", "pump off", "vented",
)  # fmt: skip
_PLAIN = re.compile(r"[A-Za-z]{0,5}[ ._-]{0,2}\d{1,3}[A-Za-z]?")  # a thermocouple or furnace by letters and number
_NAMES = {
    "control": "Control",
    "over-temperature": "Over-temperature",
    "work": "TC",
    "setpoint": "Setpoint",
    "pressure": "Pressure",
    "dew point": "Dew point",
    "oxygen": "Oxygen",
}
SET_ASIDE = frozenset(
    (
        "run void", "run aborted", "blunder confirmed", "section result", "no before reading", "no after reading",
        "units differ", "run not between the readings", "held differently", "datum differs", "surface differs",
        "lot without serials",
    )
)  # fmt: skip
SOMEONE, ON_RECORD = "a named person", "on record in the shop"


@dataclass
class _Words:
    """Texts of the book and what stands for each on the page: always the same for the same text."""

    my: OwnRecords
    given: dict[tuple[str, str], str] = field(default_factory=dict)

    def say(self, kind: str, text: str | None) -> str | None:
        """A key of theirs or a word of the trade, else None."""
        return self.my.say(kind, text) if text else None

    def name(self, kind: str, text: str | None, shown: str | None = None) -> str | None:
        """The same, or a name of ours with a number. shown: the name of ours, where it is not the kind's."""
        if not text:
            return None
        key = (kind, text.strip().casefold())
        if key not in self.given:
            word = phrase(kind, text) if kind in WORDS else None
            if word is None and kind == "event":
                word = key[1] if key[1] in EVENTS else None
            taken = sum(k == kind for k, _ in self.given) + 1
            self.given[key] = word or f"{shown or kind} {taken}"
        return self.given[key]

    def plain(self, text: str | None, instead: str) -> str:
        """A furnace's or thermocouple's name where it is letters and a number that name nobody."""
        fits = text and _PLAIN.fullmatch(text) and not self.my.found(text, free=True)
        return str(text) if fits else instead


def customer_sheet(book: BookFolder, run: str, customer: str) -> RunSheet:
    """The run's record for one customer.

    Raises NotFoundError (no such run or customer, or nothing of theirs in the run), LoadbookError where the other
    names would turn a verdict
    """
    my = of_customer(book, customer)
    whole = judge_run(book, run, figures=False)
    if run not in my.runs:
        theirs = sorted(my.runs)[-6:]
        raise NotFoundError(
            f"run {run} held no piece of {my.customer}",
            remedy=f"Their newest by name: {', '.join(theirs)}" if theirs else "No piece of theirs ran yet",
        )
    words = _Words(my)
    sheet = run_sheet(book, run, _reworded(words))
    if [c.verdict for c in sheet.judged.clauses] != [c.verdict for c in whole.clauses]:
        raise LoadbookError(
            f"with the names that {my.customer} may read, a clause of {run} comes out otherwise; nothing is written",
            remedy="Send a record of your own making, and report this with the run's cycle",
        )
    return _theirs(sheet, words)


def _reworded(words: _Words) -> Callable[[RunRecord], RunRecord]:
    def record(found: RunRecord) -> RunRecord:
        names = _channel_names(words, found)
        cycle = found.cycle and _cycle(words, found.cycle)
        row = dict.fromkeys(found.row) | {
            k: found.row[k] for k in ("run", "started", "ended", "status", "load_mass_kg", "run_id", "intake_id")
        }
        row |= {
            "furnace": words.plain(found.row["furnace"], "the furnace"),
            "setup": words.say("setup", found.row["setup"]),
            "atmosphere": words.name("atmosphere", found.row["atmosphere"]),
            "cycle": cycle.cycle if cycle else None,
            "cycle_revision": cycle.revision if cycle else None,
        }
        furnace = dict.fromkeys(found.furnace) | {
            k: found.furnace[k] for k in ("furnace_id", "uniformity_c", "zones", "max_temp_c")
        }
        furnace |= {"furnace": row["furnace"], "atmosphere": words.name("atmosphere", found.furnace["atmosphere"])}
        trace = found.trace and {**found.trace, "source_name": "the recorder's file", "layout": None, "typed": None}
        return replace(
            found,
            row=row,
            cycle=cycle or None,
            furnace=furnace,
            trace=trace or None,
            channels=tuple(_channel(words, c, names[c.name]) for c in found.channels),
            pieces=tuple(_piece(words, found.run, p) for p in found.pieces),
            events=tuple((at, words.name("event", event) or "event", None) for at, event, _ in found.events),
            confirmations=tuple(
                replace(
                    c,
                    channel=names.get(c.channel, "a TC"),
                    person=SOMEONE,
                    why=ON_RECORD,
                    partner=names.get(c.partner, "a TC") if c.partner else None,
                )
                for c in found.confirmations
            ),
            calibrations={str(words.name("calibration", k)): v for k, v in found.calibrations.items()},
        )

    return record


def _channel_names(words: _Words, record: RunRecord) -> dict[str, str]:
    """Every channel's name on the page: its own where it is letters and a number, else its role with a number."""
    out: dict[str, str] = {}
    for c in record.channels:
        ours = _NAMES.get(c.role, "Channel")
        alone = sum(o.role == c.role for o in record.channels) == 1
        name, k = words.plain(c.name, ours if alone else ""), 0
        while not name or name in out.values() or (k and any(name == o.name for o in record.channels)):
            k += 1
            name = f"{ours} {k}"
        out[c.name] = name
    return out


def _channel(words: _Words, c: Channel, name: str) -> Channel:
    mine = any(c.serial == serial and c.part in (None, part) for _, part, serial in words.my.pieces)
    return replace(
        c,
        name=name,
        zone=words.name("zone", c.zone),
        place=words.name("place", c.place),
        attachment=None,
        part=c.part if mine else None,
        serial=c.serial if mine else _other(words, c.part, c.serial),
        calibration=words.name("calibration", c.calibration),
        tc_type=c.tc_type if len(c.tc_type or "") == 1 else None,
        unit=c.unit if c.unit in ("c", "mbar") else words.say("unit", c.unit) or "",
    )


def _other(words: _Words, part: str | None, serial: str | None) -> str | None:
    """A piece that is not theirs: 'piece of another 2' in a sentence."""
    return words.name("piece", f"{part} {serial}", "of another") if serial else None


def _piece(words: _Words, run: str, p: PieceRecord) -> PieceRecord:
    mine = (run, p.part, p.serial) in words.my.pieces
    return replace(
        p,
        part=p.part if mine else str(words.name("part", p.part, "another's part")),
        serial=p.serial if mine else str(_other(words, p.part, p.serial)),
        family=p.family and words.say("family", p.family),
        shape=p.shape and words.say("shape", p.shape),
    )


def _cycle(words: _Words, c: Cycle) -> Cycle:
    kinds = {"event_work": "event", "place_tcs": "place", "atmosphere": "atmosphere"}
    return replace(
        c,
        cycle=words.say("cycle", c.cycle) or "the cycle",
        revision=words.say("cycle_revision", c.revision) or "on record",
        title="",
        process=words.say("process", c.process) or "",
        atmosphere=str(words.name("atmosphere", c.atmosphere)),
        segments=tuple(replace(s, purpose=None, atmosphere=words.name("atmosphere", s.atmosphere)) for s in c.segments),
        limits=tuple(replace(x, event=words.name(kinds.get(x.quantity, "event"), x.event)) for x in c.limits),
    )


def _theirs(sheet: RunSheet, words: _Words) -> RunSheet:
    """The sheet without what is another's, and without what people wrote."""
    my, judged = words.my, sheet.judged
    pieces = [p for p in sheet.pieces if (judged.run, p["part"], p["serial"]) in my.pieces]
    serials = {(p["part"], p["serial"]) for p in pieces}
    moved = [_movement(words, m) for m in sheet.movement if (m["part"], m["serial"]) in serials]
    load = tuple(r for r in judged.load if my.cleared(r) == r)
    shown = replace(judged, load=load, relations=_relations(my, judged.relations, serials), approvals=())
    return replace(
        sheet,
        judged=shown,
        pieces=tuple(_row(words, p) for p in pieces),
        movement=tuple(moved),
        jobs=tuple(_job(words, j) for j in sheet.jobs if same(j["customer"], my.customer)),
        channels=(),
        stated=tuple({**r, "note": None, "channel": None} for r in sheet.stated if r["channel"] is None),
        approvals=tuple(
            _approval(a) for a in sheet.approvals if a["first_article_of"] in (None, *{p for p, _ in serials})
        ),
        nonconformances=tuple(
            _nonconformance(n)
            for n in sheet.nonconformances
            if n["serial"] is None or n["serial"] in {s for _, s in serials}
        ),
        amendments=(),
        withdrawn=(),
        cautions=(cautions.CODE,),
        customer=my.customer,
        others=len(pieces) < len(sheet.pieces),
        intakes={i: {**row, "file_name": None, "taken_by": SOMEONE} for i, row in sheet.intakes.items()},
    )


def _row(words: _Words, p: Row) -> Row:
    out = dict.fromkeys(p) | {
        k: p[k]
        for k in (
            "part", "serial", "heat_number", "job", "axis", "quantity", "supports", "span_mm", "stock_mm",
            "tempered_at_c",
        )
    }  # fmt: skip
    return out | {
        "job": words.say("job", p["job"]),
        "setup": words.say("setup", p["setup"]),
        "condition": words.say("condition", p["condition"]),
        "machining": words.say("condition", p["machining"]),
        "customer": words.my.customer,
    }


def _movement(words: _Words, m: Row) -> Row:
    return {
        **m,
        "gauge": None,
        "set_aside": _set_aside(m["set_aside"]),
        "characteristic": words.say("characteristic", m["characteristic"]) or "characteristic",
        "unit": m["unit"] if m["unit"] == "mm" else words.say("unit", m["unit"]) or "",
    }


def _set_aside(reason: str | None) -> str | None:
    """Why a movement does not count; a reason that holds an operation's own name is told without it."""
    return reason if reason is None or reason in SET_ASIDE else "other work between the readings"


def _day(text: str | None) -> str | None:
    return text if text and re.fullmatch(r"\d{4}-\d{2}-\d{2}", text) else None


def _job(words: _Words, j: Row) -> Row:
    kept = {k: j[k] for k in ("job", "customer", "quantity", "confidential", "export_controlled")}
    kept["keep_until"] = _day(j["keep_until"])
    told = {k: words.say(k, j[k]) for k in ("purchase_order", "drawing_revision")}
    return dict.fromkeys(j) | kept | told


def _approval(a: Row) -> Row:
    accepted = a["decision"].casefold().startswith(ACCEPTED)
    decision = "accepted" if accepted else f"decided, {ON_RECORD}"
    return {
        **dict.fromkeys(a),
        "decision": decision,
        "person": SOMEONE,
        "role": ON_RECORD,
        "at": a["at"],
        "first_article_of": a["first_article_of"],
    }


def _nonconformance(n: Row) -> Row:
    return {**dict.fromkeys(n), "what": ON_RECORD, "serial": n["serial"], "closed_on": _day(n["closed_on"])}


def _relations(my: OwnRecords, found: Relations | None, serials: set[tuple[str, str]]) -> Relations | None:
    """Runs that belong with this one, where they are theirs too, and how far their own pieces moved in all of them."""
    if found is None or not set(found.runs) <= my.runs:
        return None
    own = [m for m in found.moved if (m.part, m.serial) in serials]
    told = tuple(
        replace(
            m,
            between=tuple(phrase("condition", b) or phrase("process", b) or "other work" for b in m.between),
        )
        for m in own
    )
    straightened = tuple(s for s in found.straightened if (s[0], s[1]) in serials)
    return replace(found, straightened=straightened, moved=told)


def refuse_leaks(book: BookFolder, customer: str, source: str) -> None:
    """The last look at a finished page: every text of it, for names of others. Raises LoadbookError with the name."""
    my = of_customer(book, customer)
    for serial in {s for _, _, s in my.pieces}:
        my.names.add(tuple(said(serial)))
    for text in _texts(source):
        if hits := my.found(text, ours=True):
            raise LoadbookError(
                f"the page for {customer} would name {hits[0]}; it is not written",
                remedy="Print the shop's own record with --internal, and write to the customer without that name",
            )


def _texts(source: str) -> Iterator[str]:
    """What a page says, text by text: between its tags, in its attributes for readers, in its data."""
    body = source[source.index("<body") :]
    for block in re.findall(r'<script type="application/json"[^>]*>(.*?)</script>', body, re.DOTALL):
        yield from _strings(json.loads(block))
    body = re.sub(r"<(script|style|code)\b.*?</\1>", "", body, flags=re.DOTALL)
    for text in re.findall(r">([^<]+)<", body) + re.findall(r'aria-label="([^"]*)"', body):
        yield html.unescape(text)


def _strings(value: Any) -> Iterator[str]:
    if isinstance(value, str):
        yield value
    elif isinstance(value, dict):
        for one in value.values():
            yield from _strings(one)
    elif isinstance(value, list):
        for one in value:
            yield from _strings(one)
