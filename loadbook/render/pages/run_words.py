"""A run in words, for its page: each segment as the cycle asks it and as it was done, and how times are told."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from loadbook.analysis.trace.model import Segment
from loadbook.queries.judge import local
from loadbook.queries.run_record import RunSheet
from loadbook.render.judged import asked_figure, figure, lasted
from loadbook.store.book import BookFolder

from .markup import Html
from .shell import moment

_LEAVING = {"restart": "leaving it starts the count again", "pause": "leaving it pauses the count",
            "end": "leaving it ends the count"}  # fmt: skip
_WORST = ("broken", "cannot be told", "kept")


@dataclass(frozen=True)
class SegmentWords:
    """One segment: what was asked, what was done, and the worst verdict of its clauses ('' without clauses)."""

    name: str
    asked: str
    done: str
    verdict: str


def segment_words(sheet: RunSheet, book: BookFolder, system: str) -> list[SegmentWords]:
    """Every segment of the cycle, in order; without a cycle what was found in the trace."""
    judged = sheet.judged
    worked, cycle = judged.worked, judged.record.cycle
    happened = {x.segment: x for x in worked.phases.intervals} if worked else {}
    out = []
    for s in cycle.segments if cycle else ():
        verdicts = {c.verdict for c in judged.clauses if c.segment == s.number}
        verdict = next((v for v in _WORST if v in verdicts), "")
        done = _done(sheet, s, book, system) if s.number in happened else ("not seen" if worked else "no trace")
        out.append(SegmentWords(f"{s.number} {s.kind}", asked_words(s, system), done, verdict))
    return out


def asked_words(s: Segment, system: str) -> str:
    """What the cycle asks in one segment."""
    words = []
    if s.target_c is not None:
        words.append(
            asked_figure(s.target_c, "c", system) if s.kind == "hold" else f"to {asked_figure(s.target_c, 'c', system)}"
        )
    if s.asked_rate_c_per_h:
        words.append(f"at {asked_figure(s.asked_rate_c_per_h, 'c_per_h', system)}")
    limits = [(s.rate_max_c_per_h, "at most"), (s.rate_min_c_per_h, "at least")]
    rates = [f"{word} {asked_figure(v, 'c_per_h', system)}" for v, word in limits if v is not None]
    if rates:
        where = _bounds(s, system).strip()
        whose = "fastest work TC" if s.rate_of == "work" else "control TC"
        words.append(" and ".join(rates) + f" ({whose}" + (f", {where} only)" if where else ")"))
    if s.band_low_c is not None and s.band_high_c is not None and s.target_c is not None:
        low, high = (
            asked_figure(s.target_c - s.band_low_c, "c", system),
            asked_figure(s.target_c + s.band_high_c, "c", system),
        )
        words.append(f"band {low} to {high}")
    if s.minutes:
        who = "the furnace" if s.soak_by == "furnace" else "every work TC"
        most = f" to {s.minutes_max:g}" if s.minutes_max else ""
        words.append(f"{s.minutes:g}{most} min with {who} inside; {_LEAVING[s.on_leaving]}")
    for pressure, word in ((s.pressure_max_mbar, "at most"), (s.pressure_min_mbar, "at least")):
        if pressure is not None:
            words.append(f"{word} {asked_figure(pressure, 'mbar', system)}")
    words += [w for w in (s.atmosphere, s.purpose) if w]
    return ", ".join(words)


def _bounds(s: Segment, system: str) -> str:
    """Above and below which temperatures the rates of a segment are limited, with a blank before; empty for all."""
    bounds = [(s.rate_above_c, "above"), (s.rate_below_c, "below")]
    where = " and ".join(f"{word} {asked_figure(v, 'c', system)}" for v, word in bounds if v is not None)
    return f" {where}" if where else ""


def _done(sheet: RunSheet, s: Segment, book: BookFolder, system: str) -> str:
    """When the segment was, and its own figures, as measured."""
    worked = sheet.judged.worked
    cycle = sheet.judged.record.cycle
    assert worked is not None and cycle is not None
    x = next(i for i in worked.phases.intervals if i.segment == s.number)
    when = f"{local(sheet.judged.moment(x.start_s), book)[11:16]} to {local(sheet.judged.moment(x.end_s), book)[11:16]}"
    words = [f"{when} ({lasted(x.end_s - x.start_s)})"]
    alone = sum(o.kind == s.kind for o in cycle.segments) == 1
    found = {p.parameter: p for p in sheet.parameters if p.channel is None}

    def say(name: str, prefix: str) -> None:
        p = found.get(f"{name}_segment_{s.number}") or (found.get(name) if alone else None)
        if p is not None:
            words.append(f"{prefix} {figure(p.value, p.unit, system)}")

    work = "_work" if s.rate_of == "work" else ""
    judged = next((c.value for c in sheet.judged.clauses if c.clause == f"{s.kind} {s.number} rate"), None)
    if s.kind != "hold" and judged is not None:  # the very figure that its clause was decided by
        words.append(f"fastest{_bounds(s, system)} {figure(judged, 'c_per_h', system)}")
    elif s.kind == "heat":
        say(f"heating_rate_peak{work}_c_per_h", "fastest")
    elif s.kind == "cool":
        say(f"cooling_rate_peak{work}_c_per_h", "fastest")
    else:
        say("furnace_soak_minutes" if s.soak_by == "furnace" else "soak_minutes", "soak")
        say("hold_mean_c", "furnace mean")
        say("hold_min_work_c", "work from")
        say("hold_max_work_c", "to")
    if not x.reached:
        words.append("the target was not reached")
    return ", ".join(words).replace(", to ", " to ")


def clock(book: BookFolder, text: str | None) -> str:
    """A stored moment on the shop's clock, to the minute."""
    return local(text, book)[:16]


def when_of(sheet: RunSheet, book: BookFolder) -> Callable[[float | None], Html | None]:
    """Tells a second of the trace on the shop's clock, as a cell of a table."""
    return lambda seconds: moment(local(sheet.judged.moment(seconds), book))
