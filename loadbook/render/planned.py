"""A plan as a person reads it: the plan itself, what physics says of it, then the evidence that both rest on."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from typing import TextIO

from loadbook.analysis.physics.tables import MARKS
from loadbook.analysis.trace.dose import equivalent_hours
from loadbook.core.phrases import many
from loadbook.core.vocabulary.parameter_names import spoken
from loadbook.queries.cycles import PartPlan
from loadbook.queries.evidence_words import words
from loadbook.queries.mechanism import Mechanisms, sources
from loadbook.store.book import BookFolder

from .judged import figure
from .tables import emit, plain, write_words

CAUTIONS = (
    "A limit from a code or a customer's specification overrules anything here.",
    "The figures are an estimate for one piece alone in the furnace: let the work TCs decide.",
)
NOT_COVERED = "not covered: creep under own weight, what a transformation moves, stress that the piece brings along"
MECHANISM = "a check of mechanism, not a prediction of movement"
_SEGMENTS = ("segment", "kind", "from", "to", "rate", "hours", "lag", "thin-thick", "lead", "through", "soak")


def print_plan(found: PartPlan, book: BookFolder, out: TextIO | None = None) -> None:
    """Write one plan."""
    out = out or sys.stdout
    system, p = book.units, found.plan

    def say(text: str = "") -> None:
        write_words(plain(text), out)

    unit = "furnace hours" if found.hours is None else "h by the program alone"
    say(f"{found.part} under {found.cycle.cycle} revision {found.cycle.revision}: {p.furnace_hours:.1f} {unit}")
    if found.hours is not None:
        say(found.hours.sentence().rstrip("."))
    say()
    for line in _plan_lines(found, system):
        say(line)
    if found.mechanisms is not None:
        say()
        say(f"What physics says ({MECHANISM})")
        for check in found.mechanisms.checks:
            say(f"  {check.mechanism}{', acts' if check.acts else ''}: {words(check.said, system)}")
        say(f"  {NOT_COVERED}")
    say()
    for text in CAUTIONS:
        say(text)
    say()
    _print_segments(found, system, out)
    if found.mechanisms is not None and found.mechanisms.limits:
        say()
        _print_limits(found.mechanisms, found.plan.thin_c is not None, system, out)
    say()
    _print_history(found, system, out)
    say()
    say("Assumed")
    settled = figure(p.rate_steady_c_per_h, "c_per_h", system, ".0f")
    for text in (*found.assumptions, f"by the settled formula the lag alone would allow {settled}"):
        say(f"  {text}")
    if found.mechanisms is not None and sources(found.mechanisms.checks):
        say("Sources")
        for text, mark in sources(found.mechanisms.checks):
            say(f"  {text}: {MARKS[mark]}")


def _plan_lines(found: PartPlan, system: str) -> Iterator[str]:
    """The plan in a few sentences."""
    p = found.plan
    limit = f"the surface within {_d(found.lag_c, system, '.3g')} of the middle"
    if found.difference_c is not None:
        limit += f" and the thin section within {_d(found.difference_c, system, '.3g')} of the thick one"
    rate = figure(p.rate_c_per_h, "c_per_h", system, ".0f")
    on_record = ""
    if found.fastest:
        name, fastest = found.fastest[0]
        on_record = f"fastest on record {figure(fastest, 'c_per_h', system, '.0f')}, in {name}"
    if p.bound_by == "nothing":
        own = f" ({on_record})" if on_record else ""
        yield f"Heating: any rate keeps {limit}; the furnace's own limit counts{own}"
    else:
        by = "" if found.difference_c is None else f"; the {_BOUND[p.bound_by]} binds"
        yield f"Heating: {rate} or slower keeps {limit}{by}" + (f"; {on_record}" if on_record else "")
        fast = [s for s in p.segments if s.kind == "heat" and (s.rate_c_per_h or 0.0) > p.rate_c_per_h * 1.002]
        for s in fast:
            asked = figure(s.rate_c_per_h, "c_per_h", system, ".0f")
            yield f"  segment {s.number} is asked for at {asked}: too fast for that"
    heating = [s for s in p.segments if s.kind != "cool"]
    lead = _d(max((s.lead_peak_c for s in heating), default=0.0), system, ".0f")
    lag = _d(max((s.lag_peak_c for s in heating), default=0.0), system)
    apart = [s.difference_peak_c for s in heating if s.difference_peak_c is not None]
    thin = f", thin section up to {_d(max(apart), system, '.0f')} ahead of it" if apart else ""
    yield f"As asked: surface up to {lag} ahead of the middle{thin}, furnace up to {lead}"
    for s in p.segments:
        if s.soak_through_min is not None and s.soak_minutes is not None:
            yield (
                f"Hold of segment {s.number} at {figure(s.to_c, 'c', system, '.0f')}: the middle is in its band "
                f"{s.soak_through_min:.0f} min after the furnace, then soaks {s.soak_minutes:.0f} min"
            )
    if p.dose_middle is None or p.dose_surface is None:
        yield "Dose: not defined, the material has no dose constant"
    else:
        alike = ""
        if found.cycle.main_hold is not None and found.dose_constant is not None:
            at_c = found.cycle.main_hold[1]
            hours = float(equivalent_hours(p.dose_middle, at_c, found.dose_constant))
            alike = f", as much as {hours:.1f} h at {figure(at_c, 'c', system, '.0f')} (it ranks cycles)"
        yield f"Dose: {p.dose_middle:.3f} thousands in the middle, {p.dose_surface:.3f} at the surface{alike}"


_BOUND = {"lag": "lag of the middle", "difference": "thin section"}


def _print_segments(found: PartPlan, system: str, out: TextIO) -> None:
    rows = []
    for s in found.plan.segments:
        times = ["" if t is None else f"{t:.0f}" for t in (s.soak_through_min, s.soak_minutes)]
        apart = [_n(x, "c_diff", system) for x in (s.difference_peak_c, s.lead_peak_c)]
        ends = [_n(x, "c", system) for x in (s.from_c, s.to_c)]
        rate, lag = _n(s.rate_c_per_h, "c_per_h", system), _n(s.lag_peak_c, "c_diff", system, ".1f")
        rows.append([str(s.number), s.kind, *ends, rate, f"{s.hours:.2f}", lag, *apart, *times])
    degree = "°F" if system == "us" else "°C"
    title = f"Segment by segment ({degree}, {degree}/h, h; through and soak in min)"
    emit(_SEGMENTS, rows, None, title=title, out=out)


def _print_limits(found: Mechanisms, thin: bool, system: str, out: TextIO) -> None:
    per_100 = found.limits[0].per_100
    each = 10.0 * 6.894757 if system == "us" else 100.0  # MPa: a round figure of yield, to which all of it goes
    part = each / 100.0 if per_100 else 1.0
    rows = [[figure(x.at_c, "c", system, ".0f"), figure(part * x.onset_mpa, "mpa", system),
             *(_d(None if d is None else part * d, system, ".0f")
               for d in (x.lag_c, *([x.spread_c] if thin else []), x.lead_c))]
            for x in found.limits]  # fmt: skip
    of = f"for each {figure(each, 'mpa', system)} of yield at {figure(20.0, 'c', system, '.0f')}" if per_100 else ""
    title = f"The largest differences that stay elastic{', ' + of if of else ''}"
    columns = ["at", "yields from", "section lag", *(["thin-thick"] if thin else []), "furnace lead"]
    emit(columns, rows, None, title=title, out=out)


def _print_history(found: PartPlan, system: str, out: TextIO) -> None:
    if found.load is not None:
        write_words(plain(_load(found, system)), out)
    if not found.shown:
        write_words(plain(f"The book has no run of {found.part} under {found.cycle.cycle} to compare with"), out)
        return
    rows = [[spoken(s.parameter, system), str(s.runs), figure(s.median, s.unit, system), figure(s.low, s.unit, system),
             figure(s.high, s.unit, system)] for s in found.shown]  # fmt: skip
    revisions = f"revision{'s' if len(found.shown_of) > 1 else ''} {', '.join(found.shown_of)}"
    title = f"What {many(found.runs, 'run')} of {found.part} under {found.cycle.cycle} {revisions} showed"
    if found.left_out:
        title += f" ({many(found.left_out, 'run')} with a suspected thermocouple left out)"
    emit(["parameter", "runs", "median", "lowest", "highest"], rows, None, title=title, out=out)
    for a in found.otherwise:
        low, high = _n(a.low, a.unit, system), figure(a.high, a.unit, system, ".0f")
        range_ = high if low == high.split(" ")[0] else f"{low} to {high}"
        own = figure(a.value, a.unit, system, ".0f")
        name = spoken(a.parameter, system)
        write_words(plain(f"{name}: their run sheets asked for {range_}, the cycle asks for {own}"), out)


def _load(found: PartPlan, system: str) -> str:
    load = found.load
    assert load is not None
    low, high = figure(load.low_kg, "kg", system, ".0f"), figure(load.high_kg, "kg", system, ".0f")
    mass = high if load.low_kg == load.high_kg else f"{low.split(' ')[0]} to {high}"
    whose = f"{found.part} ran in loads of {mass}" if load.of_part else f"{found.cycle.cycle} ran with loads of {mass}"
    setups = ", ".join(f"{name} {n}" for name, n in load.setups[:4])
    text = f"{whose} ({many(load.runs, 'run')}{'; ' + setups if setups else ''})"
    if load.kwh is not None:
        text += f"; {figure(load.middle_kg, 'kg', system, '.0f')} takes up {load.kwh:.0f} kWh to the hold"
    return text


def _n(value: float | None, unit: str, system: str, spec: str = ".0f") -> str:
    return figure(value, unit, system, spec).split(" ")[0]


def _d(value: float | None, system: str, spec: str | None = None) -> str:
    return figure(value, "c_diff", system, spec)
