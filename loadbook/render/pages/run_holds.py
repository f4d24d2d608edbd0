"""Each hold of a run from near: its band, every thermocouple with its name, and the soak as it was counted."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from loadbook.analysis.trace.asked_lines import SoakSpan
from loadbook.analysis.trace.phases import Hold
from loadbook.analysis.trace.thinning import kept, strokes, thinning
from loadbook.core import units
from loadbook.queries.run_record import RunSheet
from loadbook.render.charts.plot import HIGH, WIDE, TimeAxis, box, drawing, percent, rule
from loadbook.render.charts.scale import Scale

from .markup import Html, el
from .run_breaches import Breach
from .run_lines import Line, RunLines, shown_values
from .run_panel import FOOT_REM, LABEL_REM, Words, band, bracket, breach, ends, envelope, label_places, line, tick

TALL = 13.0  # rem
CHARACTER = 0.021  # share of such a field's width that one letter takes
STRETCHES = 300
BEFORE, AFTER = 0.12, 0.02  # shares of the hold that are shown before and after it
BEYOND, MOST_BEYOND = 0.3, 3.0  # how far beyond its band, in widths of the band: always, and for what broke it


def hold_panels(sheet: RunSheet, lines: RunLines, axis: TimeAxis, broken: Sequence[Breach], system: str) -> Html | None:
    """The panels side by side; None where the run has no hold."""
    holds = [h for h in (sheet.picture.holds if sheet.picture else ()) if h.end_s > h.start_s]
    made = [_panel(h, sheet, lines, axis, broken, system) for h in holds]
    return el("div", made, class_="holds") if made else None


def _panel(
    hold: Hold, sheet: RunSheet, lines: RunLines, whole: TimeAxis, broken: Sequence[Breach], system: str
) -> Html:
    assert sheet.picture is not None
    soaked = next((s for s in sheet.picture.soaks if s.segment == hold.segment), None)
    mine = [b for b in broken if b.segment == hold.segment and b.counted]
    last = max([hold.end_s, *(b.counted[1] + b.short_s for b in mine if b.counted)])
    length = last - hold.start_s
    first = max(hold.start_s - BEFORE * length, 0.0)
    stop = max(hold.end_s, soaked.span[1] if soaked else 0.0)  # the lines end here: what follows is another segment's
    end = max(last, stop) + AFTER * length
    axis = TimeAxis(whole.start, end - first, whole.zone, first)
    mine += [b for b in broken if b.panel == 0 and not b.counted and b.value is not None
             and hold.start_s <= b.at_s <= hold.end_s]  # fmt: skip
    low, high = (float(v) for v in shown_values(np.array([hold.low_c, hold.high_c]), "c", system)[0])
    scale = _scale(low, high, [b.value for b in mine if b.value is not None])
    seen = [(i, x) for i, x in enumerate(lines.lines)
            if x.panel == 0 and x.quantity == "temperature" and x.role in ("control", "work")]  # fmt: skip
    t_s = lines.trace.t_s
    among = slice(max(int(np.searchsorted(t_s, first)) - 1, 0), int(np.searchsorted(t_s, stop, side="right")))
    thin = thinning(t_s[among], STRETCHES)
    drawn, named = [], []
    for i, x in seen:
        some = strokes(t_s[among], x.values[among], kept(x.values[among], thin), lines.gap_s)
        part = [s + among.start for s in some]
        drawn.append(line(i, x, lines, scale, axis, sheet, part))
        if part and not x.hidden:
            named.append((i, x, scale.at(float(x.values[part[-1][-1]]))))
    height = max(TALL, LABEL_REM * (len(named) + 1))
    words = Words(height)
    edges = [low, float(shown_values(np.array([hold.target_c]), "c", system)[0][0]), high]
    under = [rule(0, scale.at(v), 1, scale.at(v), "grid") for v in edges]
    under += [rule(axis.share(t), 0, axis.share(t), 1, "grid") for t, _, _ in axis.ticks(5)]
    if soaked:
        under.insert(0, box(axis.share(soaked.span[0]), axis.share(soaked.span[1]), 0, 1, "soak"))
    over: list[Html] = []
    told: list[Html] = []
    if soaked and not any(b.counted for b in mine):
        over += bracket(axis, soaked.span, 0.0, 1.0 - FOOT_REM / height, 0.4 / height, "counted")
        style = words.at(axis.share(soaked.span[0]), height - FOOT_REM - 1.35, _soak_words(soaked, hold), CHARACTER)
        told.append(el("span", _soak_words(soaked, hold), class_="said", style=style))
    for b in mine:
        marked, said = breach(b, lines, scale, axis, words, here=True, key="", character=CHARACTER, named=False)
        over += marked
        told += said
    ticks = [el("span", tick(v, scale), class_="y", style=f"top:{percent(scale.at(v))}") for v in edges]
    clock = [el("span", words_, class_="x", style=f"left:{percent(axis.share(t))}") for t, words_, _ in axis.ticks(5)]
    leads = [el("line", x1=round(axis.share(stop) * WIDE), y1=round(y * HIGH), x2=WIDE, y2=round(top * HIGH),
                stroke=x.colour, class_="lead", data_line=str(i)) for (i, x, y), top in
             zip(named, label_places(named, height), strict=True)]  # fmt: skip
    body = drawing(under, envelope(lines, axis, scale, among), band(sheet, scale, axis, system), drawn, leads, over)
    unit = units.show(0.0, "c", system)[1]
    title = f"hold {hold.segment}, magnified, {unit}" + ("" if hold.band_stated else "; the cycle states no band")
    return el(
        "div", el("p", title, class_="unit"),
        el("div", body, told, ticks, clock, ends(named, height, led=False), class_="field", data_from=str(first),
           data_seconds=str(axis.seconds)),
        class_="hold", style=f"--h:{height:.2f}rem", role="img", aria_label=_alt(hold, soaked, mine, named, title),
    )  # fmt: skip


def _scale(low: float, high: float, values: Sequence[float]) -> Scale:
    """The band, some of what lies beyond it, and what broke it (as far as the band can still be seen)."""
    wide = high - low or 1.0
    bottom = max(min([low - BEYOND * wide, *(v - 0.1 * wide for v in values)]), low - MOST_BEYOND * wide)
    top = min(max([high + BEYOND * wide, *(v + 0.1 * wide for v in values)]), high + MOST_BEYOND * wide)
    return Scale(bottom - 0.25 * (top - bottom), top)  # the foot is the bracket's


def _soak_words(soaked: SoakSpan, hold: Hold) -> str:
    asked = f", {hold.minutes_asked:g} asked" if hold.minutes_asked else ""
    return f"{'furnace soak' if soaked.of_furnace else 'soak'} {soaked.minutes:.1f} min{asked}"


def _alt(
    hold: Hold, soaked: SoakSpan | None, broken: Sequence[Breach], named: Sequence[tuple[int, Line, float]], title: str
) -> str:
    """The panel in words: soak, what broke, coldest and hottest thermocouple at its end."""
    said = [b.words for b in broken] or ([_soak_words(soaked, hold)] if soaked else [])
    work = sorted((y, x.name) for _, x, y in named if x.role == "work")
    if len(work) > 1:
        said.append(f"at its end {work[0][1]} is hottest and {work[-1][1]} coldest")
    return "; ".join([title, *said]) + "."
