"""The time-temperature chart of a run as it stands in its page: panels under one another on one time axis.

Drawn here, whole, as SVG: it is there without any script, on paper and in a mail preview. The page's script adds what
paper cannot: values at a moment, channels out of sight, and the chart from nearer.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from loadbook.analysis.trace.model import Fault
from loadbook.core import times
from loadbook.queries.run_record import RunSheet
from loadbook.render.charts.plot import TimeAxis, percent
from loadbook.render.charts.scale import Floats
from loadbook.render.judged import lasted
from loadbook.store.book import BookFolder
from loadbook.store.derived import fault_state

from .markup import Html, el, join, visible
from .packed_values import packed, packed_moments
from .run_breaches import Breach, breaches
from .run_holds import hold_panels
from .run_lines import RunLines, run_lines
from .run_panel import panel_of
from .shell import chart, paragraph

DIGITS = 3  # a line told with fewer decimals is told in steps of the last one; others by four digits that count
LATE = 0.92  # beyond this share a moment stands to the left of its place
PHONE_DATE, PHONE_HOUR = 0.22, 0.12  # shares of a phone's width that a date and an hour take


# ---- strips: segments, faults, clock ----------------------------------------------------------------------------
def segments(sheet: RunSheet, axis: TimeAxis) -> Html:
    worked = sheet.judged.worked
    intervals = worked.phases.intervals if worked else ()
    automatic = worked is None or worked.phases.automatic
    out = []
    for x in intervals:
        a, b = axis.share(x.start_s), axis.share(x.end_s)
        number = "" if automatic else str(x.segment)
        name = el("span", f" {x.kind}" if number else x.kind, class_="name")
        words: list[Any] = [number, name] if b - a >= 0.055 else [number or x.kind[:1]]
        style = f"left:{percent(a)};width:{percent(b - a)}"
        class_ = "stretch narrow" if number and b - a < 0.15 else "stretch"
        out.append(el("span", words if b - a > 0.012 else None, class_=class_, style=style))
    return el("div", el("div", out, class_="field"), class_="strip")


def fault_lanes(states: list[tuple[Fault, str]], axis: TimeAxis) -> Html | None:
    lanes = []
    for f, state in states:
        a, b = axis.share(f.start_s), axis.share(f.end_s)
        side = f"left:calc({percent(b)} + 0.4rem)" if b < 0.6 else f"right:calc({percent(1 - a)} + 0.4rem)"
        if b >= 0.6 and a < 0.3:
            side = f"left:calc({percent(a)} + 0.4rem)"
        bar = el("span", class_=f"bar {state}", style=f"left:{percent(a)};width:{percent(max(b - a, 0.004))}")
        lanes.append(
            el("div", bar, el("span", f"{f.channel} {f.kind}, {state}", class_="said", style=side), class_="lane")
        )
    return (
        el("div", el("p", "faults", class_="unit"), el("div", lanes, class_="field"), class_="lanes") if lanes else None
    )


def clock(axis: TimeAxis) -> Html:
    """The time of day under the last panel, with the date where a day begins."""
    ticks = axis.ticks()
    roomy = _roomy([(axis.share(t), bool(date)) for t, _, date in ticks])
    out = []
    for (t, told, date), kept in zip(ticks, roomy, strict=True):
        share = axis.share(t)
        class_ = "x" + ("" if kept else " minor") + (" late" if share > LATE else "")
        out.append(el("span", [told, el("br"), date] if date else told, class_=class_, style=f"left:{percent(share)}"))
    return el("div", el("div", out, class_="field"), class_="clock")


def _roomy(places: Sequence[tuple[float, bool]]) -> list[bool]:
    """Which ticks a phone has room for: (share, with a date) each; a date stays before a mere hour."""
    kept: list[tuple[int, float, float]] = []
    for k, (share, date) in enumerate(places):
        wide = PHONE_DATE if date else PHONE_HOUR
        left = share - wide if share > LATE else share - wide / 2
        if date and kept and kept[-1][2] > left and not places[kept[-1][0]][1]:
            kept.pop()
        if not kept or kept[-1][2] <= left:
            kept.append((k, left, left + wide))
    return [k in {i for i, _, _ in kept} for k in range(len(places))]


def run_chart(sheet: RunSheet, book: BookFolder, system: str) -> Html:
    """The figure with id 'chart', or a paragraph that says why there is none."""
    lines = run_lines(sheet, system)
    if lines is None:
        return paragraph("No trace of this run is in the book, so there is no chart: what is known was read off paper "
                         "or stated by a person.", class_="note")  # fmt: skip
    trace = lines.trace
    axis = TimeAxis(times.from_stored(trace.started or "1970-01-01T00:00:00Z"), float(trace.t_s[-1]), book.zone)
    states, broken = fault_states(sheet), breaches(sheet, lines, system)
    parts: list[Html | None] = [segments(sheet, axis)]
    for number, panel in enumerate(lines.panels):
        parts.append(panel_of(sheet, lines, number, panel, axis, system, broken))
        if number == 0:
            parts.append(fault_lanes(states, axis))
    parts.append(clock(axis))
    return chart(
        "chart", join(parts), chart_data(sheet, lines, axis, states), _alt(sheet, lines, axis, broken), _caption(lines),
        controls=join([_moment(lines), _broken(broken), hold_panels(sheet, lines, axis, broken, system),
                       _switches(lines)]),
    )  # fmt: skip


def fault_states(sheet: RunSheet) -> list[tuple[Fault, str]]:
    """Each fault with how it counts: what a named person decided, else 'certain', 'suspected' or 'reported'."""
    decided = {(channel, kind): d for channel, kind, d in sheet.judged.record.confirmed()}
    return [(f, decided.get((f.channel, f.kind)) or fault_state(f)) for f in sheet.judged.faults]


# ---- words and data ---------------------------------------------------------------------------------------------
def _broken(broken: Sequence[Breach]) -> Html | None:
    """What the letters in the chart stand for, where there is no room for words."""
    items = [el("li", el("b", b.letter), " ", b.words) for b in broken]
    return el("ul", items, class_="breaches") if items else None


def _caption(lines: RunLines) -> list[Html]:
    n = lines.trace.t_s.size
    shown = [sum(s.size for s in x.strokes) for x in lines.lines if x.role != "series"]
    if lines.thin.whole:
        every = all(k == n for k in shown)
        drawn = f"{'All' if every else 'All valid ones of the'} {n:,} samples of each channel are drawn."
    else:
        most = max(shown, default=0)
        drawn = (
            f"Drawn: at most {most:,} of {n:,} samples of each channel. In each of {lines.thin.stretches:,} equal "
            "stretches of time the lowest and the highest one are kept, so that no peak and no dip is lost."
        )
    key = [
        ("asked", "asked by the cycle"),
        ("band", "band of the hold"),
        ("soak", "soak as counted"),
        ("limit", "limit"),
        ("breach", "what broke"),
        ("doubt", "channel in doubt"),
        ("event", "event, by number"),
    ]
    if lines.envelope:
        e = lines.envelope
        key.insert(1, ("envelope", f"{e.count} work thermocouples, coldest ({e.coldest}) to hottest ({e.hottest})"))
    items = [el("span", _sample(28, _key(name)), f" {words}") for name, words in key]
    return [el("span", items, class_="signs"), el("span", drawn + " A line is never drawn across a gap.")]


def _sample(width: int, drawn: Html) -> Html:
    return el("svg", drawn, viewBox=f"0 0 {width} 12", width=width, height=12, aria_hidden="true", focusable="false")


def _key(name: str) -> Html:
    if name in ("band", "soak", "envelope"):
        return el("rect", x=1, y=1, width=26, height=10, class_=name)
    if name == "event":
        return el("line", x1=14, y1=0, x2=14, y2=12, class_=name)
    if name == "doubt":
        return el("path", d="M1 6H27", class_=name)
    return el("line", x1=1, y1=6, x2=27, y2=6, class_=name)


def _moment(lines: RunLines) -> Html:
    """A slider for the moment whose values are told, and the buttons that bring the chart nearer."""
    slider = el("input", type="range", min=0, max=max(len(lines.thin.moments) - 1, 0), value=0, id="chart-moment")
    steps = (("in", "+", "nearer"), ("out", "−", "further away"), ("left", "‹", "earlier"), ("right", "›", "later"),
             ("whole", "Whole run", None))  # fmt: skip
    buttons = [el("button", words, type="button", data_zoom=step, aria_label=told, title=told)
               for step, words, told in steps]  # fmt: skip
    return el(
        "div", el("p", el("label", "Moment ", slider), el("output", id="chart-time", for_="chart-moment"),
                  class_="moment"),
        el("p", el("span", buttons, class_="steps", role="group", aria_label="Nearer and further away"),
           el("span", "Drag over a stretch to see it from near; with Shift, or the arrow keys, move; double-click for "
              "the whole run.", class_="note")),
        class_="controls zoom live",
    )  # fmt: skip


def _switches(lines: RunLines) -> Html:
    """A key to the lines that is also their switch."""
    keys = []
    for i, x in enumerate(lines.lines):
        dash = " ".join(str(n) for n in x.dash) or None
        stroke = {"stroke": x.colour, "stroke_width": x.width, "stroke_dasharray": dash}
        sample = _sample(38, el("line", x1=1, y1=6, x2=37, y2=6, **stroke))
        tick = el("input", type="checkbox", checked=not x.hidden, data_line=str(i), class_="live")
        words = el("span", el("b", x.name), " ", el("span", x.about, class_="about"), class_="name")
        keys.append(el("label", tick, sample, words, el("span", class_="now live"), data_line=str(i),
                       class_="switch off" if x.hidden else "switch"))  # fmt: skip
    buttons = el("p", el("button", "All", type="button", data_all="1"), " ",
                 el("button", "None", type="button", data_all="0"), class_="live")  # fmt: skip
    away = el("p", id="chart-hidden", class_="note", hidden=True)
    switches = el("fieldset", el("legend", "Channels"), buttons, el("div", keys, class_="switches"))
    return el("div", switches, away, class_="controls")


def chart_data(sheet: RunSheet, lines: RunLines, axis: TimeAxis, states: list[tuple[Fault, str]]) -> dict[str, Any]:
    """What the page's script reads, and a test: values as they are told, at moments that all channels share.

    values  packed to the decimals told, or figures with four digits that count;  t_ms  the moments, packed
    """
    at = lines.thin.moments
    told = []
    for x in lines.lines:
        told.append({"name": visible(x.name), "role": x.role, "quantity": x.quantity, "unit": x.unit,
                     "decimals": x.decimals, "panel": x.panel, **({"inside": True} if x.hidden else {}),
                     "values": _told_values(x.values[at], x.decimals)})  # fmt: skip
    return {
        "run": sheet.judged.run, "started": lines.trace.started, "seconds": axis.seconds,
        "offsets": axis.offsets(), "samples": lines.trace.t_s.size, "whole": lines.thin.whole,
        "t_ms": packed_moments(lines.trace.t_s[at]), "lines": told,
        "panels": [{"title": p.title, "unit": p.unit, "low": p.scale.low, "high": p.scale.high, "log": p.scale.log}
                   for p in lines.panels],
        "events": [{"t_s": e.t_s, "event": visible(e.event)} for e in lines.trace.events],
        "faults": [{"channel": visible(f.channel), "kind": f.kind, "start_s": f.start_s, "end_s": f.end_s,
                    "state": state} for f, state in states],
    }  # fmt: skip


def _told_values(values: Floats, decimals: int) -> str | list[float | None]:
    if decimals < DIGITS:
        return packed(values, decimals)
    return [float(f"{v:.4g}") if np.isfinite(v) else None for v in values.tolist()]


def _alt(sheet: RunSheet, lines: RunLines, axis: TimeAxis, broken: Sequence[Breach]) -> str:
    """The chart in words: what is drawn, its range, what broke, soaks, events and faults."""
    hot = [x for x in lines.lines if x.quantity == "temperature" and x.strokes]
    words = [f"Chart of run {sheet.judged.run}: {len(lines.lines)} lines over {lasted(axis.seconds)}."]
    if hot:
        low = min(float(np.nanmin(x.values)) for x in hot)
        high = max(float(np.nanmax(x.values)) for x in hot)
        words.append(f"Temperatures from {low:.0f} to {high:.0f} {hot[0].unit}.")
    picture = sheet.picture
    words += [f"Broken: {b.words}." for b in broken]
    words += [f"Soak {s.segment} of {s.minutes:.1f} min." for s in (picture.soaks if picture else ())]
    words += [f"Event: {e.event}, {axis.clock(e.t_s):%H:%M}." for e in lines.trace.events]
    words += [f"Fault: {f.channel} {f.kind} from {axis.clock(f.start_s):%H:%M}." for f in sheet.judged.faults]
    return " ".join(words)
