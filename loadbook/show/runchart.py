"""The time-temperature chart of a run as it stands in its page: panels under one another on one time axis.

Drawn here, whole, as SVG: it is there without any script, on paper and in a mail preview. The page's script adds what
paper cannot: values at a moment, and channels out of sight.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from loadbook.ask.runsheet import RunSheet
from loadbook.calc.model import Fault
from loadbook.ground import times
from loadbook.keep.book import BookFolder
from loadbook.keep.derived import fault_state

from .judged import lasted
from .markup import Html, el, join, visible
from .page import chart, paragraph
from .plot import TimeAxis
from .runlines import RunLines, run_lines
from .runpanel import clock, fault_lanes, panel_of, segments


def run_chart(sheet: RunSheet, book: BookFolder, system: str) -> Html:
    """The figure with id 'chart', or a paragraph that says why there is none."""
    lines = run_lines(sheet, system)
    if lines is None:
        return paragraph("No trace of this run is in the book, so there is no chart: what is known was read off paper "
                         "or stated by a person.", class_="note")  # fmt: skip
    trace = lines.trace
    axis = TimeAxis(times.from_stored(trace.started or "1970-01-01T00:00:00Z"), float(trace.t_s[-1]), book.zone)
    states = fault_states(sheet)
    parts: list[Html | None] = [segments(sheet, axis)]
    for number, panel in enumerate(lines.panels):
        parts.append(panel_of(sheet, lines, number, panel, axis, system))
        if number == 0:
            parts.append(fault_lanes(states, axis))
    parts.append(clock(axis))
    return chart(
        "chart", join(parts), chart_data(sheet, lines, axis, states), _alt(sheet, lines, axis, system),
        _caption(lines), controls=_controls(sheet, lines),
    )  # fmt: skip


def fault_states(sheet: RunSheet) -> list[tuple[Fault, str]]:
    """Each fault with how it counts: what a named person decided, else 'certain', 'suspected' or 'reported'."""
    decided = {(channel, kind): d for channel, kind, d in sheet.judged.record.confirmed()}
    return [(f, decided.get((f.channel, f.kind)) or fault_state(f)) for f in sheet.judged.faults]


# ---- words and data ---------------------------------------------------------------------------------------------
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
    key = (
        ("asked", "asked by the cycle"), ("band", "band of the hold"), ("soak", "soak as counted"),
        ("limit", "limit"), ("doubt", "channel in doubt"), ("event", "event, by number"),
    )  # fmt: skip
    items = [el("span", _sample(28, _key(name)), f" {words}") for name, words in key]
    return [el("span", items, class_="signs"), el("span", drawn + " A line is never drawn across a gap.")]


def _sample(width: int, drawn: Html) -> Html:
    return el("svg", drawn, viewBox=f"0 0 {width} 12", width=width, height=12, aria_hidden="true", focusable="false")


def _key(name: str) -> Html:
    if name in ("band", "soak"):
        return el("rect", x=1, y=1, width=26, height=10, class_=name)
    if name == "event":
        return el("line", x1=14, y1=0, x2=14, y2=12, class_=name)
    if name == "doubt":
        return el("path", d="M1 6H27", class_=name)
    return el("line", x1=1, y1=6, x2=27, y2=6, class_=name)


def _controls(sheet: RunSheet, lines: RunLines) -> Html:
    """A key to the lines that is also their switch, and a slider for the moment whose values are told."""
    keys = []
    for i, x in enumerate(lines.lines):
        dash = " ".join(str(n) for n in x.dash) or None
        stroke = {"stroke": x.colour, "stroke_width": x.width, "stroke_dasharray": dash}
        sample = _sample(38, el("line", x1=1, y1=6, x2=37, y2=6, **stroke))
        tick = el("input", type="checkbox", checked=True, data_line=str(i), class_="live")
        words = el("span", el("b", x.name), " ", el("span", x.about, class_="about"), class_="name")
        keys.append(el("label", tick, sample, words, el("span", class_="now live"), data_line=str(i), class_="switch"))
    buttons = el("p", el("button", "All", type="button", data_all="1"), " ",
                 el("button", "None", type="button", data_all="0"), class_="live")  # fmt: skip
    moment = el(
        "p", el("label", "Moment ", el("input", type="range", min=0, max=max(len(lines.thin.moments) - 1, 0), value=0,
                                       id="chart-moment")), el("output", id="chart-time", for_="chart-moment"),
        class_="moment live",
    )  # fmt: skip
    away = el("p", id="chart-hidden", class_="note", hidden=True)
    switches = el("fieldset", el("legend", "Channels"), buttons, el("div", keys, class_="switches"))
    return el("div", moment, switches, away, class_="controls")


def chart_data(sheet: RunSheet, lines: RunLines, axis: TimeAxis, states: list[tuple[Fault, str]]) -> dict[str, Any]:
    """What the page's script reads, and a test: values in the units shown, at moments that all channels share."""
    at = lines.thin.moments
    told = []
    for x in lines.lines:
        values = [None if not np.isfinite(v) else _short(float(v), x.decimals) for v in x.values[at]]
        told.append({"name": visible(x.name), "role": x.role, "quantity": x.quantity, "unit": x.unit,
                     "decimals": x.decimals, "panel": x.panel, "values": values})  # fmt: skip
    return {
        "run": sheet.judged.run, "started": lines.trace.started, "seconds": axis.seconds,
        "offsets": axis.offsets(), "samples": lines.trace.t_s.size, "whole": lines.thin.whole,
        "t_s": [round(float(t), 3) for t in lines.trace.t_s[at]], "lines": told,
        "panels": [{"title": p.title, "unit": p.unit, "low": p.scale.low, "high": p.scale.high, "log": p.scale.log}
                   for p in lines.panels],
        "events": [{"t_s": e.t_s, "event": visible(e.event)} for e in lines.trace.events],
        "faults": [{"channel": visible(f.channel), "kind": f.kind, "start_s": f.start_s, "end_s": f.end_s,
                    "state": state} for f, state in states],
    }  # fmt: skip


def _short(value: float, decimals: int) -> float:
    return round(value, decimals + 1) if decimals < 3 else float(f"{value:.4g}")


def _alt(sheet: RunSheet, lines: RunLines, axis: TimeAxis, system: str) -> str:
    """The chart in words: what is drawn, its range, soaks, events and faults."""
    hot = [x for x in lines.lines if x.quantity == "temperature" and x.strokes]
    words = [f"Chart of run {sheet.judged.run}: {len(lines.lines)} lines over {lasted(axis.seconds)}."]
    if hot:
        low = min(float(np.nanmin(x.values)) for x in hot)
        high = max(float(np.nanmax(x.values)) for x in hot)
        words.append(f"Temperatures from {low:.0f} to {high:.0f} {hot[0].unit}.")
    picture = sheet.picture
    words += [f"Soak {s.segment} of {s.minutes:.1f} min." for s in (picture.soaks if picture else ())]
    words += [f"Event: {e.event}, {axis.clock(e.t_s):%H:%M}." for e in lines.trace.events]
    words += [f"Fault: {f.channel} {f.kind} from {axis.clock(f.start_s):%H:%M}." for f in sheet.judged.faults]
    return " ".join(words)
