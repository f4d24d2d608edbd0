"""The time-temperature chart of a run as it stands in its page: panels under one another on one time axis.

Drawn here, whole, as SVG: it is there without any script, on paper and in a mail preview. The page's script adds what
paper cannot: values at a moment, and channels out of sight.

One panel of a run's chart, and the strips above and below: segments, faults, clock. Shares of the width are time.
"""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import numpy as np

from loadbook.analysis.trace.model import Fault
from loadbook.core import times
from loadbook.queries.run_record import RunSheet
from loadbook.render.charts.plot import HIGH, TimeAxis, box, drawing, path, percent, rule, spread_out
from loadbook.render.judged import lasted
from loadbook.store.book import BookFolder
from loadbook.store.derived import fault_state

from .markup import Html, el, join, visible
from .run_lines import APART, TEMPERATURE, Line, Panel, RunLines, run_lines, shown_values
from .shell import chart, paragraph

CHARACTER = 0.0062  # share of a wide field's width that one letter of a label takes
LABEL_REM = 0.86  # height of one label at a line's end
_HEIGHTS = {TEMPERATURE: 25.0, APART: 10.0}


def panel_of(sheet: RunSheet, all_lines: RunLines, number: int, panel: Panel, axis: TimeAxis, system: str) -> Html:
    mine = [(i, x) for i, x in enumerate(all_lines.lines) if x.panel == number]
    height = max(_HEIGHTS.get(panel.key, 9.0), LABEL_REM * (len(mine) + 1))
    under, words = _ground(sheet, panel, axis, system)
    grid = [rule(0, panel.scale.at(v), 1, panel.scale.at(v), "grid") for v in panel.scale.ticks()]
    grid += [rule(axis.share(t), 0, axis.share(t), 1, "grid") for t, _, _ in axis.ticks()]
    drawn = [_line(i, x, all_lines, panel, axis, sheet) for i, x in mine]
    over = [rule(axis.share(e.t_s), 0, axis.share(e.t_s), 1, "event") for e in all_lines.trace.events]
    for limit in panel.limits:
        y = panel.scale.at(limit.value)
        if limit.drawn:
            over += [rule(axis.share(a), y, axis.share(b), y, "limit") for a, b in limit.spans]
    labels = _limit_labels(panel, axis, height)
    if number == 0:
        for k, (event, row) in enumerate(_flag_rows(all_lines, axis), start=1):
            place = f"left:{percent(axis.share(event.t_s))};top:{-0.55 + 1.1 * row:.2f}rem"
            labels.append(el("span", str(k), class_="flag", style=place))
    ticks = [el("span", _tick(v, panel), class_="y", style=f"top:{percent(panel.scale.at(v))}")
             for v in panel.scale.ticks()]  # fmt: skip
    field = el("div", drawing(under, grid, drawn, over), words, labels, ticks,
               el("span", class_="cursor", hidden=True), el("span", class_="dot", hidden=True),
               _ends(mine, panel, height), class_="field")  # fmt: skip
    title = ", ".join(w for w in (panel.title if number else "", panel.unit) if w)
    return el("div", el("p", title, class_="unit"), field, class_="panel", style=f"--h:{height:.2f}rem",
              data_panel=str(number))  # fmt: skip


def _tick(value: float, panel: Panel) -> str:
    if panel.scale.log and not 0.001 < value < 99999.0:
        return f"{value:.0e}".replace("e-0", "e-").replace("e+0", "e+")
    return f"{value:g}"


def _ground(sheet: RunSheet, panel: Panel, axis: TimeAxis, system: str) -> tuple[list[Html], list[Html]]:
    """What lies under the lines (soaks, bands, what was asked, what was not judged), and its words."""
    picture, judgement = sheet.picture, sheet.judged.judgement
    assert picture is not None
    out, words = [], []
    for s in picture.soaks:
        a, b = axis.share(s.span[0]), axis.share(s.span[1])
        out.append(box(a, b, 0, 1, "soak"))
        if panel.key == TEMPERATURE:
            what = "furnace soak" if s.of_furnace else "soak"
            words.append(el("span", f"{what} {s.minutes:.1f} min", class_="said soaked", style=f"left:{percent(a)}"))
    if judgement is not None and judgement.judged_until_s < axis.seconds:
        a = axis.share(judgement.judged_until_s)
        out.append(box(a, 1, 0, 1, "unjudged"))
        if panel.key == TEMPERATURE and a < 0.93:
            words.append(el("span", "not judged", class_="said unjudged"))
    if panel.key != TEMPERATURE:
        return out, words
    for hold in picture.holds:
        low, high = (
            panel.scale.at(float(v)) for v in shown_values(np.array([hold.low_c, hold.high_c]), "c", system)[0]
        )
        class_ = "band" if hold.band_stated else "band unstated"
        out.append(box(axis.share(hold.start_s), axis.share(hold.end_s), high, low, class_))
    for asked in picture.asked:
        c = shown_values(np.array([p[1] for p in asked.points]), "c", system)[0]
        points = [(axis.share(t), panel.scale.at(float(v))) for (t, _), v in zip(asked.points, c, strict=True)]
        out += [rule(*a, *b, "asked") for a, b in pairwise(points)]
    return out, words


def _line(i: int, x: Line, all_lines: RunLines, panel: Panel, axis: TimeAxis, sheet: RunSheet) -> Html:
    """One line, with a pale wide one under it wherever the channel is in doubt."""
    t_s = all_lines.trace.t_s
    halos = []
    for fault in sheet.judged.faults if x.role != "series" else ():
        if fault.channel == x.name:
            inside = [s[(t_s[s] >= fault.start_s) & (t_s[s] <= fault.end_s)] for s in x.strokes]
            d = path(axis, panel.scale, t_s, x.values, [s for s in inside if s.size])
            if d:
                halos.append(el("path", d=d, class_="doubt"))
    dash = " ".join(str(n) for n in x.dash) or None
    d = path(axis, panel.scale, t_s, x.values, x.strokes)
    line = el("path", d=d, stroke=x.colour, stroke_width=x.width, stroke_dasharray=dash, class_="line") if d else None
    return el("g", halos, line, data_line=str(i))


def _ends(mine: list[tuple[int, Line]], panel: Panel, height: float) -> Html:
    """Names at the lines' right ends, pushed apart, each led to its line."""
    last = [(i, x, panel.scale.at(float(x.values[x.strokes[-1][-1]]))) for i, x in mine if x.strokes]
    places = spread_out([y * height - LABEL_REM / 2 for _, _, y in last], LABEL_REM, height + LABEL_REM / 2)
    leads, names = [], []
    for (i, x, y), top in zip(last, places, strict=True):
        middle = (top + LABEL_REM / 2) / height
        leads.append(el("line", x1=0, y1=round(y * HIGH), x2=100, y2=round(middle * HIGH), stroke=x.colour,
                        data_line=str(i)))  # fmt: skip
        names.append(el("span", x.name, style=f"top:{percent(top / height)}", data_line=str(i)))
    lead = el("svg", leads, viewBox=f"0 0 100 {HIGH}", preserveAspectRatio="none", aria_hidden="true")
    return el("div", lead, names, class_="ends")


def _limit_labels(panel: Panel, axis: TimeAxis, height: float) -> list[Html]:
    """Words above each limit's line, further up (else down) where they would stand in one another; those off the
    scale at the top."""
    out: list[Html] = []
    taken: list[tuple[float, float, float]] = []  # left, right [share], top [rem]

    def free(left: float, right: float, top: float) -> bool:
        return not any(a < right and left < b and abs(top - t) < 0.95 for a, b, t in taken)

    drawn = sorted((x for x in panel.limits if x.drawn), key=lambda x: -panel.scale.at(x.value))
    for x in [*(x for x in panel.limits if not x.drawn), *drawn]:
        name, at = x.words.rsplit(": ", 1)
        wide = len(x.words) * CHARACTER
        left, wanted = 0.005, 0.1
        if x.drawn:
            left = min(axis.share(x.spans[0][0]), max(1.0 - wide, 0.0))
            wanted = panel.scale.at(x.value) * height - 1.0
            wanted = wanted if wanted >= 0.0 else wanted + 1.05
        up = [wanted - 0.25 * k for k in range(int(max(wanted, 0.0) / 0.25) + 1)]
        down = [wanted + 0.25 * k for k in range(40)]
        top = next((t for t in [*up, *down] if free(left, left + wide, t)), wanted)
        taken.append((left, left + wide, top))
        words = [el("span", f"{name}: ", class_=None if panel.key == APART else "long"), at]
        tail = "" if x.drawn else " (off this scale)"
        place = f"left:{percent(left)};top:{percent(top / height)}"
        out.append(el("span", words, tail, class_="said bound", style=place))
    return out


# ---- strips: segments, faults, clock ----------------------------------------------------------------------------
def segments(sheet: RunSheet, axis: TimeAxis) -> Html:
    worked = sheet.judged.worked
    intervals = worked.phases.intervals if worked else ()
    automatic = worked is None or worked.phases.automatic
    out = []
    for x in intervals:
        a, b = axis.share(x.start_s), axis.share(x.end_s)
        words = x.kind if automatic else f"{x.segment} {x.kind}"
        if b - a < 0.055:
            words = words[:1]
        style = f"left:{percent(a)};width:{percent(b - a)}"
        out.append(el("span", words if b - a > 0.012 else None, class_="stretch", style=style))
    return el("div", el("div", out, class_="field"), class_="strip")


def _flag_rows(lines: RunLines, axis: TimeAxis) -> list[tuple[Any, int]]:
    """Events with the row of their flag: events close to one another stand below one another."""
    out: list[tuple[Any, int]] = []
    for event in lines.trace.events:
        close = [row for other, row in out if abs(axis.share(event.t_s) - axis.share(other.t_s)) < 0.02]
        out.append((event, next(r for r in range(len(close) + 1) if r not in close)))
    return out


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
    out = []
    ticks = axis.ticks()
    days = all(date for _, _, date in ticks)
    for k, (t, told, date) in enumerate(ticks):
        share = axis.share(t)
        class_ = "x" + (" minor" if k % 2 and (days or not date) else "") + (" late" if share > 0.92 else "")
        out.append(el("span", [told, el("br"), date] if date else told, class_=class_, style=f"left:{percent(share)}"))
    return el("div", el("div", out, class_="field"), class_="clock")


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
        "chart", join(parts), chart_data(sheet, lines, axis, states), _alt(sheet, lines, axis),
        _caption(lines), controls=_controls(lines),
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


def _controls(lines: RunLines) -> Html:
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


def _alt(sheet: RunSheet, lines: RunLines, axis: TimeAxis) -> str:
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
