"""One panel of a run's chart: what lies under the lines, the lines, what broke, limits, and the words to each.

Shares of the width are time; heights are in rem, so that words that stand beside one another can be kept apart.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np

from loadbook.analysis.trace.asked_lines import SoakSpan
from loadbook.analysis.trace.model import Event
from loadbook.queries.run_record import RunSheet
from loadbook.render.charts.plot import HIGH, TimeAxis, area, box, drawing, path, percent, rule, spread_out
from loadbook.render.charts.scale import Scale

from .markup import Html, el
from .run_breaches import Breach
from .run_lines import APART, TEMPERATURE, Line, Panel, RunLines, shown_values

CHARACTER = 0.0088  # share of a field's width that one letter of a label takes, on paper; less on a wide screen
ON_PHONE = 0.0175  # the same on a phone, where labels are shorter
LABEL_REM = 0.86  # height of one label at a line's end
FOOT_REM = 1.5  # height of a soak's bracket over the foot of its field
_HEIGHTS = {TEMPERATURE: 25.0, APART: 10.0}


@dataclass
class Words:
    """Words in a field, kept apart from one another: a little further up or down where they would stand in others."""

    height: float
    taken: list[tuple[float, float, float]] = field(default_factory=list)  # left, right [share], top [rem]

    def top(self, left: float, wide: float, wanted: float) -> float:
        """Where words go that are wanted at a height [rem]."""

        def free(top: float) -> bool:
            return not any(a < left + wide and left < b and abs(top - t) < 0.95 for a, b, t in self.taken)

        steps = [
            0.1 * k * sign for k in range(100) for sign in (-1, 1)
        ]  # the nearest free place, rather over than under
        least, most = min(wanted, 0.0), max(wanted, self.height - 1.0)  # inside the field
        found = next((wanted + s for s in steps if least <= wanted + s <= most and free(wanted + s)), wanted)
        self.taken.append((left, left + wide, found))
        return found

    def at(self, share: float, wanted: float, words: str, character: float = CHARACTER) -> str:
        """The style of words beside a place: to its right, or to its left where they would leave the field."""
        wide = (len(words) + 1) * character
        to_left = share + wide > 1.0 and share > 0.5
        top = self.top(max(share - wide, 0.0) if to_left else share, wide, min(max(wanted, 0.1), self.height - 1.0))
        side = f"right:{percent(1.0 - share)}" if to_left else f"left:{percent(share)}"
        return f"{side};top:{percent(top / self.height)}"


def panel_of(
    sheet: RunSheet, all_lines: RunLines, number: int, panel: Panel, axis: TimeAxis, system: str,
    broken: Sequence[Breach] = (),
) -> Html:  # fmt: skip
    """A panel of the whole run."""
    mine = [(i, x) for i, x in enumerate(all_lines.lines) if x.panel == number]
    named = [(i, x) for i, x in mine if not x.hidden]
    height = max(_HEIGHTS.get(panel.key, 9.0), LABEL_REM * (len(named) + 1))
    counted = [b.segment for b in broken if b.counted]
    under, words = _ground(sheet, panel, axis, system, counted)
    grid = [rule(0, panel.scale.at(v), 1, panel.scale.at(v), "grid") for v in panel.scale.ticks()]
    grid += [rule(axis.share(t), 0, axis.share(t), 1, "grid") for t, _, _ in axis.ticks()]
    if number == 0:
        under += [e for e in (envelope(all_lines, axis, panel.scale),) if e]
    drawn = [line(i, x, all_lines, panel.scale, axis, sheet) for i, x in mine]
    over = [rule(axis.share(e.t_s), 0, axis.share(e.t_s), 1, "event") for e in all_lines.trace.events]
    for limit in panel.limits:
        y = panel.scale.at(limit.value)
        if limit.drawn:
            over += [rule(axis.share(a), y, axis.share(b), y, "limit") for a, b in limit.spans]
    kept_apart = Words(height)
    kept_apart.taken += [(axis.share(s.span[0]), axis.share(s.span[0]) + 16 * CHARACTER, height - top - 1.0)
                         for s, top in _soak_words(sheet, axis)]  # fmt: skip
    if number == 0:
        kept_apart.taken += [(axis.share(e.t_s) - 0.03, axis.share(e.t_s) + 0.03, 0.1 + 1.1 * row)
                             for e, row in _flag_rows(all_lines, axis)]  # fmt: skip
    spots = [(axis.share(b.at_s) - 0.02, axis.share(b.at_s) + 0.02, panel.scale.at(b.value) * height - 0.5)
             for b in broken if b.panel == number and b.value is not None]  # fmt: skip
    kept_apart.taken += spots
    labels = _limit_labels(panel, axis, height, kept_apart)
    kept_apart.taken = [t for t in kept_apart.taken if t not in spots]
    for b in broken:
        marked, told = breach(b, all_lines, panel.scale, axis, kept_apart, here=b.panel == number, key=panel.key)
        over += marked
        labels += told
    if number == 0:
        for k, (event, row) in enumerate(_flag_rows(all_lines, axis), start=1):
            place = f"left:{percent(axis.share(event.t_s))};top:{0.1 + 1.1 * row:.2f}rem"
            labels.append(el("span", str(k), class_="flag", style=place))
    ticks = [el("span", tick(v, panel.scale), class_="y", style=f"top:{percent(panel.scale.at(v))}")
             for v in panel.scale.ticks()]  # fmt: skip
    last = [(i, x, panel.scale.at(float(x.values[x.strokes[-1][-1]]))) for i, x in named if x.strokes]
    box_ = el("div", drawing(under, grid, drawn, over), words, labels, ticks,
              el("span", class_="cursor", hidden=True), el("span", class_="dot", hidden=True),
              ends(last, height), class_="field")  # fmt: skip
    title = ", ".join(w for w in (panel.title if number else "", panel.unit) if w)
    return el("div", el("p", title, class_="unit"), box_, class_="panel", style=f"--h:{height:.2f}rem",
              data_panel=str(number))  # fmt: skip


def tick(value: float, scale: Scale) -> str:
    if scale.log and not 0.00005 < value < 99999.0:
        return f"{value:.0e}".replace("e-0", "e-").replace("e+0", "e+")
    return f"{value:.6f}".rstrip("0").rstrip(".") if scale.log else f"{round(value, 1):g}"


def band(sheet: RunSheet, scale: Scale, axis: TimeAxis, system: str) -> list[Html]:
    """The band of each hold."""
    out = []
    for hold in sheet.picture.holds if sheet.picture else ():
        ends_ = shown_values(np.array([hold.low_c, hold.high_c]), "c", system)[0]
        low, high = (scale.at(float(v)) for v in ends_)
        class_ = "band" if hold.band_stated else "band unstated"
        if axis.share(hold.end_s) > axis.share(hold.start_s):
            out.append(box(axis.share(hold.start_s), axis.share(hold.end_s), high, low, class_))
    return out


def _ground(
    sheet: RunSheet, panel: Panel, axis: TimeAxis, system: str, broken_soaks: Sequence[int | None]
) -> tuple[list[Html], list[Html]]:
    """What lies under the lines (soaks, bands, what was asked, what was not judged), and its words."""
    picture, judgement = sheet.picture, sheet.judged.judgement
    assert picture is not None
    out, words = [], []
    for s, foot in _soak_words(sheet, axis):
        a, b = axis.share(s.span[0]), axis.share(s.span[1])
        out.append(box(a, b, 0, 1, "soak"))
        if panel.key == TEMPERATURE and s.segment not in broken_soaks:
            what = el("span", "furnace soak " if s.of_furnace else "soak ", class_="long")
            words.append(el("span", what, f"{s.minutes:.1f} min", class_="said soaked",
                            style=f"left:{percent(a)};bottom:{foot:.2f}rem"))  # fmt: skip
    if judgement is not None and judgement.judged_until_s < axis.seconds:
        a = axis.share(judgement.judged_until_s)
        out.append(box(a, 1, 0, 1, "unjudged"))
        if panel.key == TEMPERATURE and a < 0.93:
            words.append(el("span", "not judged", class_="said unjudged"))
    if panel.key != TEMPERATURE:
        return out, words
    out += band(sheet, panel.scale, axis, system)
    for asked in picture.asked:
        c = shown_values(np.array([p[1] for p in asked.points]), "c", system)[0]
        points = [(axis.share(t), panel.scale.at(float(v))) for (t, _), v in zip(asked.points, c, strict=True)]
        out += [rule(*a, *b, "asked") for a, b in pairwise(points)]
    return out, words


def _soak_words(sheet: RunSheet, axis: TimeAxis) -> list[tuple[SoakSpan, float]]:
    """The soaks, with how high over the foot [rem] their minutes stand: one close after another stands over it."""
    out: list[tuple[SoakSpan, float]] = []
    for s in sheet.picture.soaks if sheet.picture else ():
        close = out and axis.share(s.span[0]) - axis.share(out[-1][0].span[0]) < 10 * ON_PHONE
        out.append((s, out[-1][1] + 1.0 if close else 0.15))
    return out


def envelope(lines: RunLines, axis: TimeAxis, scale: Scale, among: slice = slice(None)) -> Html | None:
    """The load from its coldest to its hottest thermocouple, where these are too many to be followed."""
    e = lines.envelope
    if e is None:
        return None
    strokes = [s[among] for s in e.strokes] if among == slice(None) else _within(e.strokes, among)
    d = area(axis, scale, lines.trace.t_s, e.low, e.high, [s for s in strokes if s.size > 1])
    return el("path", d=d, class_="envelope") if d else None


def _within(strokes: Sequence[np.ndarray], among: slice) -> list[np.ndarray]:
    return [s[(s >= among.start) & (s < among.stop)] for s in strokes]


def line(
    i: int, x: Line, all_lines: RunLines, scale: Scale, axis: TimeAxis, sheet: RunSheet,
    strokes: Sequence[np.ndarray] | None = None,
) -> Html:  # fmt: skip
    """One line, with a pale wide one under it wherever the channel is in doubt."""
    t_s = all_lines.trace.t_s
    drawn = x.strokes if strokes is None else strokes
    halos = []
    for fault in sheet.judged.faults if x.role != "series" else ():
        if fault.channel == x.name:
            inside = [s[(t_s[s] >= fault.start_s) & (t_s[s] <= fault.end_s)] for s in drawn]
            d = path(axis, scale, t_s, x.values, [s for s in inside if s.size])
            if d:
                halos.append(el("path", d=d, class_="doubt"))
    dash = " ".join(str(n) for n in x.dash) or None
    d = path(axis, scale, t_s, x.values, drawn)
    stroke = el("path", d=d, stroke=x.colour, stroke_width=x.width, stroke_dasharray=dash, class_="line") if d else None
    return el("g", halos, stroke, data_line=str(i), class_="off" if x.hidden else None)


def label_places(named: Sequence[tuple[int, Line, float]], height: float) -> list[float]:
    """The middles of the names at the lines' right ends, in shares of the height, pushed apart."""
    tops = spread_out([y * height - LABEL_REM / 2 for _, _, y in named], LABEL_REM, height + LABEL_REM / 2)
    return [(top + LABEL_REM / 2) / height for top in tops]


def ends(named: Sequence[tuple[int, Line, float]], height: float, *, led: bool = True) -> Html:
    """Names at the lines' right ends (shares of the height), each led to its line unless the field does that."""
    leads, names = [], []
    for (i, x, y), middle in zip(named, label_places(named, height), strict=True):
        top = middle - LABEL_REM / 2 / height
        leads.append(el("line", x1=0, y1=round((y if led else middle) * HIGH), x2=100, y2=round(middle * HIGH),
                        stroke=x.colour, data_line=str(i)))  # fmt: skip
        names.append(
            el("span", _short(x.name) if x.role == "series" else x.name, style=f"top:{percent(top)}", data_line=str(i))
        )
    lead = el("svg", leads, viewBox=f"0 0 100 {HIGH}", preserveAspectRatio="none", aria_hidden="true")
    return el("div", lead, names, class_="ends")


def _short(series: str) -> str:
    """A computed series where there is little room.

    >>> _short("spread without TC 6 and TC 5"), _short("lead without TC 3"), _short("lead")
    ('spread less 2 TCs', 'lead less TC 3', 'lead')
    """
    name, without, left_out = series.partition(" without ")
    if not without:
        return series
    several = left_out.count(" and ") + 1
    return f"{name} less {left_out}" if several == 1 else f"{name} less {several} TCs"


# ---- what broke -------------------------------------------------------------------------------------------------
def bracket(
    axis: TimeAxis, span: tuple[float, float], short_s: float, y: float, half: float, class_: str
) -> list[Html]:
    """A soak as it was counted, from end to end, and dotted what it is short of."""
    a, b, c = axis.share(span[0]), axis.share(span[1]), axis.share(span[1] + short_s)
    out = [rule(a, y, b, y, class_)] if b > a else []
    out += [rule(x, y - half, x, y + half, class_) for x in {a, b, c}]
    return [*out, rule(b, y, c, y, f"{class_} short")] if c > b else out


def breach(
    b: Breach, lines: RunLines, scale: Scale, axis: TimeAxis, words: Words, *, here: bool, key: str,
    character: float = CHARACTER, named: bool = True,
) -> tuple[list[Html], list[Html]]:  # fmt: skip
    """A broken clause where it broke, and its words (named False: its figures alone).

    here  True in the panel of its value; a spread also stands in the temperatures, between its two thermocouples
    """
    drawn: list[Html] = []
    told: list[Html] = []
    near = {x.name: x for x in lines.lines if x.quantity == "temperature"}
    t_s, height = lines.trace.t_s, words.height
    k = int(np.clip(np.searchsorted(t_s, b.at_s), 0, t_s.size - 1))
    x = axis.share(b.at_s)
    if not here:
        if key == TEMPERATURE and len(b.channels) == 2 and set(b.channels) <= set(near):
            both = [float(near[n].values[k]) for n in b.channels]
            if np.isfinite(both).all():
                drawn.append(rule(x, scale.at(both[0]), x, scale.at(both[1]), "breach"))
                told.append(_told(b, f"{b.amount} apart", words, x + 0.006,
                                  (scale.at(both[0]) + scale.at(both[1])) / 2 * height - 0.5, character))  # fmt: skip
        return drawn, told
    wanted = 1.2
    if b.counted:
        y = 1.0 - FOOT_REM / height
        drawn += bracket(axis, b.counted, b.short_s, y, 0.4 / height, "breach")
        wanted = height - FOOT_REM - 1.35
    elif b.window:
        drawn.append(box(axis.share(b.window[0]), axis.share(b.window[1]), 0, 1, "steep"))
        for name in b.channels:
            if name in near:
                inside = [s[(t_s[s] >= b.window[0]) & (t_s[s] <= b.window[1])] for s in near[name].strokes]
                d = path(axis, scale, t_s, near[name].values, [s for s in inside if s.size])
                drawn.append(el("path", d=d, class_="breach"))
                wanted = scale.at(float(near[name].values[k])) * height + 0.6
        x = axis.share(b.window[1])
    elif b.value is not None:
        y = scale.at(b.value)
        if b.limit is not None:
            drawn.append(rule(x, scale.at(b.limit), x, y, "breach"))
        told.append(el("span", class_="spot", style=f"left:{percent(x)};top:{percent(y)}"))
        wanted = y * height + (-0.5 if named else 0.6)
        x += character
    else:
        drawn.append(rule(x, 0, x, 1, "breach"))
    told.append(_told(b, b.words if named else b.figures or b.name, words, x, wanted, character))
    return drawn, told


def _told(b: Breach, said: str, words: Words, share: float, wanted: float, character: float) -> Html:
    place = words.at(share, wanted, said, character)
    return el("span", el("b", b.letter), el("span", said, class_="long"), class_="said broke", style=place)


def _limit_labels(panel: Panel, axis: TimeAxis, height: float, words: Words) -> list[Html]:
    """Words above each limit's line; those off the scale at the top."""
    out: list[Html] = []
    drawn = sorted((x for x in panel.limits if x.drawn), key=lambda x: -panel.scale.at(x.value))
    for x in [*(x for x in panel.limits if not x.drawn), *drawn]:
        wide = max(len(f"{x.name}: {x.at}") * CHARACTER, (len(x.at) + 2) * ON_PHONE)
        left, wanted = 0.005, 0.1
        if x.drawn:
            left = min(axis.share(x.spans[0][0]), max(1.0 - wide, 0.0))
            wanted = panel.scale.at(x.value) * height - 1.0
            wanted = wanted if wanted >= 0.0 else wanted + 1.05
        top = words.top(left, wide, wanted)
        label = [el("span", f"{x.name}: ", class_=None if panel.key == APART else "long"), x.at]
        tail = "" if x.drawn else " (off this scale)"
        place = f"left:{percent(left)};top:{percent(top / height)}"
        out.append(el("span", label, tail, class_="said bound", style=place))
    return out


def _flag_rows(lines: RunLines, axis: TimeAxis) -> list[tuple[Event, int]]:
    """Events with the row of their flag: events close to one another stand below one another."""
    out: list[tuple[Event, int]] = []
    for event in lines.trace.events:
        close = [row for other, row in out if abs(axis.share(event.t_s) - axis.share(other.t_s)) < 0.05]
        out.append((event, next(r for r in range(len(close) + 1) if r not in close)))
    return out
