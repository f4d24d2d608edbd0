"""A picture as an Altair chart: it draws the rows of `queries.charts` as they are, in the shared look."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from loadbook.queries.charts.frame import (
    ALONE,
    EDGE,
    INTERVAL,
    LIMIT,
    MIDDLE,
    NOMINAL,
    NOT_OFFERED,
    OFFERED,
    PIECE,
    POOLED,
    RUN,
    WITHIN,
    Panel,
    Picture,
)
from loadbook.render.tables import plain

from . import style
from .drawing import clipped, width_of
from .plot import spread_out

if TYPE_CHECKING:
    import altair as alt

WIDE, NARROW, PAGE = 640, 430, 200  # px of a panel: alone, in pairs, or one of a page's
PAGE_ROWS = 326  # px of a page's panel of rows, whose names stand over them
HIGH, FAINT_HIGH, PAGE_HIGH = 300, 190, 230
KEY_PX, ROW_PX = 260.0, 280.0  # px of a name in the key, and beside its row
NAME_PX = 88.0  # px of a name at its line's end
FAINT = 0.4  # how much of its strength a panel keeps that shows nothing that can be told
THROWN = "thrown together"
LINES = {
    WITHIN: "inside part numbers",
    POOLED: "all part numbers thrown together: a warning, not a result",
    INTERVAL: "interval of the slope",
}
_TOLD = {
    "run": "run", "date": "date", "part": "part number", "serial": "serial", "pieces": "pieces",
    "level": "treatment",
}  # fmt: skip
_SIGNS = {"broken": "its cycle was broken", "stated": "read off a paper chart"}


def chart(picture: Picture, titled: bool = True, panel: Panel | None = None) -> alt.TopLevelMixin:
    """The picture as a chart; its data stand in it, under the names of the picture's columns.

    titled  False where the page around it has the title and the warnings
    panel   that one alone, without its own words, as wide as a phone
    """
    import altair as alt

    if panel is not None:
        width = PAGE if panel.shape == "against" else PAGE_ROWS
        drawn = _PANELS[panel.shape](picture, panel, width)
        short = alt.param(name="short", value=_short_names(picture, width))
        one: alt.TopLevelMixin = drawn.properties(padding=4).add_params(short).configure(**style.vega_config(2))
        return one
    columns = 1 if len(picture.panels) < 3 else 2
    width = WIDE if columns == 1 else NARROW
    blocks = []
    for faint in (False, True):
        some = [p for p in picture.panels if p.faint is faint]
        titles = [_title(p, width) for p in some]
        for row in range(0, len(titles), columns):  # panels side by side begin at the same height
            beside = titles[row : row + columns]
            most = max(len(t["subtitle"]) for t in beside)
            for t in beside:
                t["subtitle"] += [" "] * (most - len(t["subtitle"]))
        drawn_: list[Any] = [
            _PANELS[p.shape](picture, p, width).properties(title=alt.TitleParams(**title, offset=10, aria=False))
            for p, title in zip(some, titles, strict=True)
        ]
        if drawn_:
            blocks.append(alt.concat(*drawn_, columns=columns, spacing=34))
    notes = [line for w in picture.warnings for line in wrapped(w, columns * width)]
    whole = blocks[0] if len(blocks) == 1 else alt.vconcat(*blocks, spacing=34)
    whole = whole.resolve_scale(color="independent", shape="independent", strokeDash="independent", size="independent")
    short = alt.param(name="short", value=_short_names(picture, width))
    styled: alt.TopLevelMixin = whole.properties(padding=16, params=[short.param]).configure(**style.vega_config())
    if not titled:
        return styled
    size = style.TITLE_PX + 2
    title = alt.TitleParams(plain(picture.title), subtitle=notes, fontSize=size, offset=14, aria=False)
    entitled: alt.TopLevelMixin = styled.properties(title=title)
    return entitled


def _layered(*layers: alt.Chart) -> alt.LayerChart | alt.FacetChart:
    """Layers over each other, their marks and encodings as plain values: each putting together copies all that is in
    it, and what the library keeps of an axis are dozens of names that say nothing."""
    import altair as alt

    for layer in layers:
        layer.mark = layer.mark.to_dict(validate=False)  # the whole is validated as it is written
        for name, channel in layer.encoding.to_dict(validate=False).items():
            layer.encoding[name] = channel
    return alt.layer(*layers)


def _short_names(picture: Picture, width: float) -> dict[str, str]:
    """Names too long for their place, as "place name" -> what is drawn there; the marks keep the whole name."""
    names = [("key", KEY_PX, plain(name)) for panel in picture.panels for name in panel.series]
    names += [("end", NAME_PX, plain(name)) for panel in picture.panels for name in panel.series]
    for panel in picture.panels:
        upright = panel.shape == "against"
        place, room = ("column", width / max(len(panel.levels), 1) - 10) if upright else ("row", ROW_PX)
        if width == PAGE_ROWS:
            room *= PAGE_ROWS / ROW_PX * style.SMALL_PX / (style.SMALL_PX + 3)  # larger and bold
        names += [(place, room, plain(name)) for name in panel.levels]
    return {
        f"{place} {name}": cut for place, room, name in names if (cut := clipped(name, style.SMALL_PX, room)) != name
    }


def _shortened(place: str) -> str:
    """An expression for a label of a place: its short name where it has one."""
    return f"short['{place} ' + datum.label] || datum.label"


def _row_names() -> alt.Axis:
    """The axis that names rows; its title stands beyond the longest name."""
    import altair as alt

    return alt.Axis(labelExpr=_shortened("row"), maxExtent=ROW_PX + 20, domain=False, ticks=False, aria=False)


def wrapped(text: str, width: int) -> list[str]:
    """A sentence in lines that fit so many pixels of small text."""
    return textwrap.wrap(_kept_together(text), max(int(width / 5.7), 30)) or [""]


def _kept_together(text: str) -> str:
    """A text in which no line may end between a figure and its unit."""
    return re.sub(r"(?<=\d) (?=[%°µ])", "\u00a0", plain(text))


def _data(picture: Picture, panel: Panel, what: str, names: Sequence[str]) -> alt.InlineData:
    import altair as alt

    frame = picture.of(panel, what)
    values = []
    line = {"line": LINES[what]} if what in LINES else {}
    for row in frame[[*names, "what"]].to_dict("records"):
        kept = line | {str(k): _value(v) for k, v in row.items() if v is not None and v == v}
        if "pieces" in kept:
            kept["pieces"] = int(kept["pieces"])
        values.append({**kept, "told": _mark_text(kept, panel)})
    return alt.InlineData(values=tuple(values))  # a list would be copied row by row with each layer, panel and chart


def _mark_text(row: dict[str, Any], panel: Panel) -> str:
    """One mark in words: what a reader hovers over, or has read out."""
    words = [f"{_TOLD[k]} {row[k]}" for k in _TOLD if k in row]
    words += [told for k, told in _SIGNS.items() if row.get(k) is True]
    if "x" in row and not panel.levels:
        words.append(f"{plain(panel.x.split(';')[0])}: {row['x']:.4g}")
    if "y" in row:
        words.append(f"{plain(panel.y or panel.x)}: {row['y']:.4g}")
    return f"{row.get('line') or row['what']}: {', '.join(words)}"


def _value(value: Any) -> Any:
    if isinstance(value, str):
        return plain(value)
    return value.item() if hasattr(value, "item") else value


BETWEEN_SAID = "bar: 5 to 95 % of pieces; thick tick: their median; thin ticks: pieces; points: runs"
COVERAGE_SAID = "point: share held; line: its 95 % interval, by runs; thick tick: nominal share"


def _title(panel: Panel, width: int) -> dict[str, Any]:
    """The finding first, in bold; what it is of, and what to know beside it, below."""
    key = {"between": (BETWEEN_SAID,), "coverage": (COVERAGE_SAID,)}.get(panel.shape, ())
    if not panel.finding:
        lines = [line for sentence in (*panel.said, *key) for line in wrapped(sentence, width + 40)]
        return {"text": plain(panel.title), "subtitle": lines}
    said = [f"{panel.title}: {panel.said[0]}", " ".join(panel.notes)]
    lines = [line for sentence in said if sentence for line in wrapped(sentence, width + 60)]
    text = textwrap.wrap(_kept_together(panel.finding), max(int((width + 60) / 7.4), 30))
    if panel.faint:
        return {"text": text, "subtitle": lines, "color": style.MUTED, "fontWeight": "normal", "fontSize": 12}
    return {"text": text, "subtitle": lines}


@dataclass(frozen=True)
class _Marks:
    """Colour and shape of each part number of a panel: the same in every panel of the picture."""

    colours: alt.Scale
    shapes: alt.Scale
    title: str

    @classmethod
    def of(cls, panel: Panel, picture: Picture, title: str = "run means, by part number") -> _Marks:
        import altair as alt

        looks = [style.series_style(picture.series.index(name)) for name in panel.series]
        domain = [plain(name) for name in panel.series]
        return cls(
            alt.Scale(domain=domain, range=[look[0] for look in looks]),
            alt.Scale(domain=domain, range=[style.shape_path(look[1]) for look in looks]),
            title,
        )

    def colour(self) -> alt.Color:
        """Colour alone; every layer names the same legend, so that one is drawn."""
        import altair as alt

        return alt.Color("series:N", legend=self._legend(), scale=self.colours)

    def both(self) -> dict[str, Any]:
        """Colour and shape, with one legend for the two."""
        import altair as alt

        shape = alt.Shape("series:N", legend=self._legend(), scale=self.shapes)
        return {"color": self.colour(), "shape": shape}

    def _legend(self) -> alt.Legend | None:
        """None where the names stand at the lines."""
        import altair as alt

        if not self.title:
            return None
        return alt.Legend(title=self.title, orient="bottom", columns=3, symbolOpacity=1, symbolStrokeWidth=0,
                          labelExpr=_shortened("key"), aria=False)  # fmt: skip


def _words() -> dict[str, Any]:
    """A mark's words, to hover over and to have read out. Never the automatic ones: these run titles as expressions."""
    import altair as alt

    return {"tooltip": alt.Tooltip("told:N"), "description": alt.Description("told:N")}


def _against(picture: Picture, panel: Panel, width: int) -> alt.LayerChart | alt.FacetChart:
    """Run means over a parameter: each part number's line with its interval where its runs are, its name at the end."""
    import altair as alt

    marks = _Marks.of(panel, picture, "")
    height = PAGE_HIGH if width == PAGE else FAINT_HIGH if panel.faint else HIGH
    strength = FAINT if panel.faint else 1.0
    solid = {"color": marks.colour()}
    x: Any
    if panel.levels:
        levels = [plain(v) for v in panel.levels]
        x = alt.X("level:N", sort=levels, title=plain(panel.x), scale=alt.Scale(domain=levels, padding=0.4),
                  axis=alt.Axis(labelAngle=0, grid=False, labelExpr=_shortened("column"), aria=False))  # fmt: skip
    else:
        x = alt.X("x:Q", title=_lines(panel.x, width), scale=alt.Scale(domain=_span(picture, panel, "x"), nice=False),
                  axis=alt.Axis(aria=False, tickCount=5 if width == PAGE else 8))  # fmt: skip
    low, high = _span(picture, panel, "y")
    scale = alt.Scale(domain=[low, high], nice=False)
    y = alt.Y("y:Q", title=_lines(panel.y, height), scale=scale, axis=alt.Axis(aria=False))
    seen = ("series", "x", "y", "run", "part", "level")

    def layer(what: str, *more: str) -> alt.Chart:
        return alt.Chart(_data(picture, panel, what, (*seen, *more)))

    means = _data(picture, panel, RUN, (*seen, "date", "pieces", "broken", "stated")).values

    def some(**wanted: bool) -> alt.Chart | None:
        """Run means with these signs; a layer without marks is a picture without words to a screen reader."""
        rows = tuple(r for r in means if all((r.get(k) is True) is v for k, v in wanted.items()))
        return alt.Chart(alt.InlineData(values=rows)) if rows else None

    layers: list[alt.Chart] = [_zero("y")] if low <= 0.0 <= high else []
    if len(picture.of(panel, INTERVAL)):
        band = alt.Chart(_data(picture, panel, INTERVAL, ("series", "x", "level", "low", "high", "label")))
        low_y = alt.Y("low:Q", title=_lines(panel.y, height), scale=scale)
        area = band.mark_area(opacity=0.16 * strength, aria=False)
        layers.append(area.encode(x=x, y=low_y, y2="high:Q", detail="label:N", **solid))
    if len(picture.of(panel, PIECE)):
        layers.append(
            layer(PIECE, "serial").mark_tick(orient="horizontal", size=7, thickness=1, opacity=0.3 * strength).encode(
                x=x, y=y, **_words(), **solid)
        )  # fmt: skip
    if len(picture.of(panel, WITHIN)):
        line = layer(WITHIN, "label").mark_line(strokeWidth=2.0, opacity=strength)
        layers.append(line.encode(x=x, y=y, detail="label:N", **_words(), **solid))
    if len(picture.of(panel, POOLED)):
        pooled = layer(POOLED, "label").mark_line(strokeWidth=1.8, color=style.WARN, strokeDash=[7, 5],
                                                  opacity=max(strength, 0.6))  # fmt: skip
        layers.append(pooled.encode(x=x, y=y, **_words()))
    if len(picture.of(panel, ALONE)):
        alone = layer(ALONE, "date", "pieces").mark_point(
            size=28, filled=True, color=style.MUTED, opacity=0.7 * strength
        )
        layers.append(alone.encode(x=x, y=y, shape=marks.both()["shape"], **_words()))
    most = float(picture.rows["pieces"].max())
    size = alt.Size("pieces:Q", scale=alt.Scale(domain=[0, most], range=[35, 170]), legend=None)
    for hollow in (False, True):
        runs = some(stated=hollow)
        if runs is not None:
            look: dict[str, Any] = (
                {"fill": style.GROUND, "strokeWidth": 1.8} if hollow else {"stroke": style.GROUND, "strokeWidth": 0.8}
            )
            points = runs.mark_point(filled=not hollow, opacity=0.95 * strength, **look)
            layers.append(points.encode(x=x, y=y, size=size, **_words(), **marks.both()))
    broken = some(broken=True)
    if broken is not None:
        crossed = broken.mark_point(shape="M-1 -1L1 1M-1 1L1 -1", size=110, strokeWidth=1.8, color=style.INK,
                                    filled=False, opacity=strength, aria=False)  # fmt: skip
        layers.append(crossed.encode(x=x, y=y))
    layers += _names(picture, panel, marks, width, height, (low, high), scale, strength)
    return _layered(*layers).properties(width=width, height=height)


def _lines(words: str, px: float) -> list[str]:
    """An axis' title in lines that fit it, its unit on the second where one is too short."""
    if len(words) * 6.6 <= px:
        return [plain(words)]
    name, bracket, unit = words.partition(" (")
    return [line for part in (name, "(" + unit if bracket else "") if part for line in wrapped(part, int(px * 0.86))]


def _names(
    picture: Picture, panel: Panel, marks: _Marks, width: int, height: int, span: tuple[float, float], scale: Any,
    strength: float,
) -> list[alt.Chart]:  # fmt: skip
    """Each part number's name beside the end of its line (else its last run), pushed apart where they would meet."""
    import altair as alt

    low, high = span
    ends: list[tuple[str, float]] = []
    for name in panel.series:
        for what in (WITHIN, RUN, ALONE):
            some = picture.of(panel, what)
            some = some[some["series"] == name].sort_values("x")
            if len(some):
                ends.append((plain(name), float(some["y"].to_numpy(dtype=float)[-1])))
                break
    pooled = picture.of(panel, POOLED)
    if len(pooled):
        ends.append((THROWN, float(pooled.sort_values("x")["y"].to_numpy(dtype=float)[-1])))
    step = 14.0 if width == PAGE else 13.0
    places = spread_out([(high - y) / (high - low) * height - step / 2 for _, y in ends], step, height + step)
    rows = [{"what": "name", "series": name, "y": high - (top + step / 2) / height * (high - low)}
            for (name, _), top in zip(ends, places, strict=True)]  # fmt: skip
    named, thrown = [r for r in rows if r["series"] != THROWN], [r for r in rows if r["series"] == THROWN]
    y = alt.Y("y:Q", scale=scale)
    out = []
    if named:
        base = alt.Chart(alt.InlineData(values=named))
        dots = base.mark_point(filled=True, size=45, opacity=max(strength, 0.7), aria=False)
        out.append(dots.encode(x=alt.value(width + 9), y=y, **marks.both()))
        text = base.transform_calculate(shown="short['end ' + datum.series] || datum.series")
        words = text.mark_text(align="left", dx=7, color=style.INK if strength == 1.0 else style.MUTED, aria=False)
        out.append(words.encode(x=alt.value(width + 9), y=y, text="shown:N"))
    if thrown:
        warned = alt.Chart(alt.InlineData(values=thrown)).mark_text(align="left", dx=4, color=style.WARN, aria=False)
        out.append(warned.encode(x=alt.value(width), y=y, text="series:N"))
    return out


def _span(picture: Picture, panel: Panel, axis: str) -> list[float]:
    """An axis: all that is drawn, and a little more, so that the edge of the evidence is seen."""
    rows = picture.rows[picture.rows["panel"] == panel.number]
    values = rows[["x"] if axis == "x" else ["y", "low", "high"]].to_numpy(dtype=np.float64)
    low, high = float(np.nanmin(values)), float(np.nanmax(values))
    more = 0.06 * (high - low) or 1.0
    return [low - more, high + more]


def _zero(axis: str) -> alt.Chart:
    """A line at no movement."""
    import altair as alt

    rule = alt.Chart(alt.InlineData(values=[{"what": "no movement", axis: 0.0}])).mark_rule(
        color=style.MUTED, size=1, aria=False
    )
    drawn: alt.Chart = rule.encode(**{axis: f"{axis}:Q"})
    return drawn


def _between(picture: Picture, panel: Panel, width: int) -> alt.LayerChart | alt.FacetChart:
    import altair as alt

    levels = [plain(v) for v in panel.levels]
    marks = _Marks.of(panel, picture)
    on_page = width == PAGE_ROWS
    title = _lines(panel.y, width)
    value = alt.X("y:Q", title=title, axis=alt.Axis(aria=False, tickCount=6 if on_page else 10))
    band = _rows_of(panel, levels, on_page)
    lanes = alt.YOffset("what:N", scale=alt.Scale(domain=[*(("name", "counts") if on_page else ()), RUN, PIECE],
                                                  paddingInner=0.1))  # fmt: skip
    names = ("series", "level", "y", "run", "part", "date")
    shown = {"x": value, "y": band}
    middle = alt.Chart(_data(picture, panel, MIDDLE, ("level", "y", "low", "high", "pieces", "label")))
    bar: dict[str, Any] = {"size": 0.5 * PAGE_ROW, "yOffset": 0.25 * PAGE_ROW} if on_page else {}
    spread = middle.mark_bar(color=style.SHADE, cornerRadius=2, aria=False, **bar).encode(
        x=alt.X("low:Q", title=title), x2="high:Q", y=band)  # fmt: skip
    pieces = alt.Chart(_data(picture, panel, PIECE, (*names, "serial")))
    ticks = pieces.mark_tick(thickness=1.2, opacity=0.6, size=12).encode(
        **shown, yOffset=lanes, color=marks.colour(), **_words())  # fmt: skip
    runs = alt.Chart(_data(picture, panel, RUN, (*names, "pieces")))
    points = runs.mark_point(size=85, filled=True, opacity=0.95, stroke=style.GROUND, strokeWidth=0.8).encode(
        **shown,
        yOffset=lanes,
        **_words(),
        **marks.both(),
    )
    tall: dict[str, Any] = {"size": 0.5 * PAGE_ROW, "yOffset": 0.25 * PAGE_ROW} if on_page else {"size": 46}
    median = middle.mark_tick(thickness=3, color=style.INK, **tall).encode(**shown, **_words())
    counts = middle.mark_text(align="left", dx=8, color=style.MUTED, aria=False).encode(
        x=alt.value(width), y=band, text="label:N")  # fmt: skip
    told = _over_rows(picture, panel, band, lanes) if on_page else [counts]
    single = [ticks] if len(picture.of(panel, PIECE)) else []  # as above: no layer without marks
    drawn = _layered(spread, _zero("x"), median, *single, points, *told)
    return drawn.properties(width=width, height=(PAGE_ROW + 12) * len(levels) if on_page else max(62 * len(levels), 90))


PAGE_ROW = 84  # px of a row on a page: its name, its counts, its runs and its pieces


def _rows_of(panel: Panel, levels: list[str], on_page: bool) -> alt.Y:
    """The rows of a panel, named at their left, or (on a page) over each row."""
    import altair as alt

    scale = alt.Scale(domain=levels, paddingInner=0.125 if on_page else 0.25, paddingOuter=0.0625 if on_page else 0.12)
    return alt.Y("level:N", sort=levels, title=None if on_page else plain(panel.x) or None, scale=scale,
                 axis=None if on_page else _row_names())  # fmt: skip


def _over_rows(picture: Picture, panel: Panel, band: alt.Y, lanes: alt.YOffset) -> list[alt.Chart]:
    """The name and the counts of each row, over it."""
    import altair as alt

    rows = _data(picture, panel, MIDDLE, ("level", "label")).values
    out = []
    wanted: tuple[tuple[str, str, dict[str, Any]], ...] = (
        ("name", "short['row ' + datum.level] || datum.level", {"fontWeight": "bold", "color": style.INK}),
        ("counts", "datum.label", {"color": style.MUTED}),
    )
    for row in rows:  # no line of the plot goes through the words
        wide = min(width_of(row["label"], style.SMALL_PX + 3) + 4, PAGE_ROWS)
        under = alt.Chart(alt.InlineData(values=[{"level": row["level"], "what": "counts"}]))
        ground = under.mark_bar(color=style.GROUND, size=16, aria=False)
        out.append(ground.encode(x=alt.value(0), x2=alt.value(wide), y=band, yOffset=lanes))
    for what, words, look in wanted:
        some = alt.Chart(alt.InlineData(values=[{**r, "what": what} for r in rows]))
        text = some.transform_calculate(shown=words).mark_text(align="left", dx=1, aria=False, **look)
        out.append(text.encode(x=alt.value(0), y=band, yOffset=lanes, text="shown:N"))
    return out


def _coverage(picture: Picture, panel: Panel, width: int) -> alt.LayerChart | alt.FacetChart:
    """Shares held. A page has the counts in its table."""
    import altair as alt

    levels = [plain(v) for v in panel.levels]
    marks = _Marks.of(panel, picture, "nominal")
    on_page = width == PAGE_ROWS
    held = alt.Chart(_data(picture, panel, MIDDLE, ("series", "level", "y", "low", "high", "pieces", "label")))
    asked = alt.Chart(_data(picture, panel, NOMINAL, ("series", "level", "y")))
    band = _rows_of(replace(panel, x=""), levels, on_page)  # its rows name themselves, x is the axis below
    named = [plain(s) for s in panel.series]
    lanes = alt.YOffset("series:N", scale=alt.Scale(domain=["name", *named] if on_page else named, paddingInner=0.2))
    title = _lines(panel.x, width)
    axis = alt.Axis(format=".0f", aria=False)
    value = alt.X("y:Q", title=title, axis=axis, scale=alt.Scale(zero=False))
    ends = held.mark_rule(strokeWidth=2, aria=False).encode(
        x=alt.X("low:Q", title=title, axis=axis), x2="high:Q", y=band, yOffset=lanes, color=marks.colour()
    )
    points = held.mark_point(size=80, filled=True, opacity=1).encode(
        x=value, y=band, yOffset=lanes, **_words(), **marks.both())  # fmt: skip
    goal = asked.mark_tick(thickness=3, size=14, color=style.INK, aria=False).encode(x=value, y=band, yOffset=lanes)
    if on_page:
        rows = [{"level": level, "series": "name"} for level in levels]
        text = (
            alt.Chart(alt.InlineData(values=rows))
            .transform_calculate(shown="short['row ' + datum.level] || datum.level")
            .mark_text(align="left", fontWeight="bold", aria=False)
        )
        words = text.encode(x=alt.value(0), y=band, yOffset=lanes, text="shown:N")
    else:
        words = held.mark_text(align="left", dx=8, color=style.MUTED, aria=False).encode(
            x=alt.value(width), y=band, yOffset=lanes, text="label:N")  # fmt: skip
    high = max((24 * (len(named) + on_page) + 12 if on_page else 56) * len(levels), 90)
    return _layered(ends, points, goal, words).properties(width=width, height=high)


def _ways(picture: Picture, panel: Panel, width: int) -> alt.LayerChart | alt.FacetChart:
    import altair as alt

    names = ("series", "x", "y", "low", "high", "label")
    span = alt.Scale(domain=_span(picture, panel, "x"), nice=False)
    x = alt.X("x:Q", title=plain(panel.x), scale=span)
    title = plain(panel.y)
    y = alt.Y("y:Q", title=title, scale=alt.Scale(zero=False))
    ends = {"x": x, "y": alt.Y("low:Q", title=title), "y2": "high:Q"}
    domain = [plain(s) for s in panel.series]
    grey = [style.MUTED if s == "not offered" else style.series_style(k)[0] for k, s in enumerate(domain)]
    shapes = [style.series_style(k)[1] for k in range(len(domain))]
    legend = alt.Legend(title="ways", orient="bottom", columns=4, symbolOpacity=1, symbolStrokeWidth=0)
    colour = alt.Color("series:N", legend=legend, scale=alt.Scale(domain=domain, range=grey))
    shape = alt.Shape("series:N", legend=legend, scale=alt.Scale(domain=domain, range=shapes))
    layers: list[alt.Chart] = []
    limits = picture.of(panel, LIMIT)
    if len(limits):
        lines = alt.InlineData(values=[{"what": LIMIT, "y": float(v)} for v in limits["y"]])
        layers.append(alt.Chart(lines).mark_rule(color=style.INK, strokeWidth=2, aria=False).encode(y="y:Q"))
    edge = alt.Chart(_data(picture, panel, EDGE, names))
    layers.append(edge.mark_line(strokeWidth=1.4, strokeDash=[4, 3], color=style.MUTED).encode(x=x, y=y, **_words()))
    for what in (NOT_OFFERED, OFFERED):
        if len(picture.of(panel, what)):
            some = alt.Chart(_data(picture, panel, what, names))
            opacity = 0.45 if what == NOT_OFFERED else 0.9
            layers.append(some.mark_rule(strokeWidth=1.6, opacity=opacity, aria=False).encode(**ends, color=colour))
            points = some.mark_point(size=95, filled=True, opacity=opacity, stroke=style.GROUND, strokeWidth=0.8)
            layers.append(points.encode(x=x, y=y, color=colour, shape=shape, **_words()))
    return _layered(*layers).properties(width=width, height=320)


_PANELS = {"against": _against, "between": _between, "coverage": _coverage, "ways": _ways}
