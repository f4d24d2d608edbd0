"""A picture as an Altair chart: it draws the rows of `ask.chartdata` as they are, in the shared look."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from loadbook.queries.charts.frame import (
    ALONE,
    EDGE,
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
from .drawing import clipped

if TYPE_CHECKING:
    import altair as alt

WIDE, NARROW = 640, 430  # px of a panel: alone or in pairs
KEY_PX, ROW_PX = 260.0, 280.0  # px of a name in the key, and beside its row
LINES = {
    WITHIN: "inside part numbers: what effect reports",
    POOLED: "all part numbers thrown together: a warning, not a result",
}
_TOLD = {
    "run": "run", "date": "date (UTC)", "part": "part number", "serial": "serial", "pieces": "pieces",
    "level": "treatment",
}  # fmt: skip


def chart(picture: Picture, titled: bool = True) -> alt.ConcatChart:
    """The picture as a chart; its data stand in it, under the names of the picture's columns.

    titled  False where the page around it has the title and the warnings
    """
    import altair as alt

    columns = 1 if len(picture.panels) < 3 else 2
    width = WIDE if columns == 1 else NARROW
    titles = [_title(panel, width) for panel in picture.panels]
    for row in range(0, len(titles), columns):  # panels side by side begin at the same height
        beside = titles[row : row + columns]
        most = max(len(t["subtitle"]) for t in beside)
        for t in beside:
            t["subtitle"] += [" "] * (most - len(t["subtitle"]))
    drawn = [
        _PANELS[panel.shape](picture, panel, width).properties(title=alt.TitleParams(**title, offset=10))
        for panel, title in zip(picture.panels, titles, strict=True)
    ]
    notes = [line for w in picture.warnings for line in wrapped(w, columns * width)]
    whole = alt.concat(*drawn, columns=columns, spacing=34).resolve_scale(
        color="independent", shape="independent", strokeDash="independent"
    )
    short = alt.param(name="short", value=_short_names(picture, width))
    styled: alt.ConcatChart = whole.properties(padding=16).add_params(short).configure(**style.vega_config())
    if not titled:
        return styled
    size = style.TITLE_PX + 2
    title = alt.TitleParams(plain(picture.title), subtitle=notes, fontSize=size, offset=14)
    entitled: alt.ConcatChart = styled.properties(title=title)
    return entitled


def _short_names(picture: Picture, width: float) -> dict[str, str]:
    """Names too long for their place, as "place name" -> what is drawn there; the marks keep the whole name."""
    names = [("key", KEY_PX, plain(name)) for panel in picture.panels for name in panel.series]
    for panel in picture.panels:
        upright = panel.shape == "against"
        place, room = ("column", width / max(len(panel.levels), 1) - 10) if upright else ("row", ROW_PX)
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

    return alt.Axis(labelExpr=_shortened("row"), maxExtent=ROW_PX + 20, domain=False, ticks=False)


def wrapped(text: str, width: int) -> list[str]:
    """A sentence in lines that fit so many pixels of small text."""
    return textwrap.wrap(plain(text), max(int(width / 5.7), 30)) or [""]


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
    return alt.InlineData(values=values)


def _mark_text(row: dict[str, Any], panel: Panel) -> str:
    """One mark in words: what a reader hovers over, or has read out."""
    words = [f"{_TOLD[k]} {row[k]}" for k in _TOLD if k in row]
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
    key = {"between": (BETWEEN_SAID,), "coverage": (COVERAGE_SAID,)}.get(panel.shape, ())
    lines = [line for sentence in (*panel.said, *key) for line in wrapped(sentence, width + 40)]
    return {"text": plain(panel.title), "subtitle": lines}


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
            alt.Scale(domain=domain, range=[look[1] for look in looks]),
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

    def _legend(self) -> alt.Legend:
        import altair as alt

        return alt.Legend(title=self.title, orient="bottom", columns=4, symbolOpacity=1, symbolStrokeWidth=0,
                          labelExpr=_shortened("key"))  # fmt: skip


def _words() -> dict[str, Any]:
    """A mark's words, to hover over and to have read out. Never the automatic ones: these run titles as expressions."""
    import altair as alt

    return {"tooltip": alt.Tooltip("told:N"), "description": alt.Description("told:N")}


def _against(picture: Picture, panel: Panel, width: int) -> alt.LayerChart | alt.FacetChart:
    import altair as alt

    marks = _Marks.of(panel, picture)
    solid = {"color": marks.colour()}
    x: Any
    if panel.levels:
        levels = [plain(v) for v in panel.levels]
        x = alt.X("level:N", sort=levels, title=plain(panel.x), scale=alt.Scale(domain=levels, padding=0.4),
                  axis=alt.Axis(labelAngle=0, grid=False, labelExpr=_shortened("column")))  # fmt: skip
    else:
        span = alt.Scale(domain=_span(picture, panel), nice=False)
        x = alt.X("x:Q", title=plain(panel.x), scale=span)
    y = alt.Y("y:Q", title=plain(panel.y), scale=alt.Scale(zero=False))
    seen = ("series", "x", "y", "run", "part", "level")

    def layer(what: str, *more: str) -> alt.Chart:
        return alt.Chart(_data(picture, panel, what, (*seen, *more)))

    layers: list[alt.Chart] = []
    if panel.low is not None and panel.high is not None:
        edge = alt.InlineData(values=[{"what": "range of the evidence", "low": panel.low, "high": panel.high}])
        layers.append(
            alt.Chart(edge).mark_rect(color=style.SHADE, aria=False).encode(x=alt.X("low:Q", scale=span), x2="high:Q")
        )
    layers.append(_zero("y"))
    if len(picture.of(panel, PIECE)):  # a layer without marks is a picture without words to a screen reader
        layers.append(
            layer(PIECE, "serial").mark_tick(orient="horizontal", size=9, thickness=1, opacity=0.55).encode(
                x=x, y=y, **_words(), **solid)
        )  # fmt: skip
    drawn = [what for what in (WITHIN, POOLED) if len(picture.of(panel, what))]
    dash = alt.StrokeDash(
        "line:N", title="lines", scale=alt.Scale(domain=[LINES[w] for w in drawn], range=[_DASH[w] for w in drawn]),
        legend=alt.Legend(orient="bottom", columns=1, symbolType="stroke", symbolSize=500,
                          symbolStrokeColor=style.INK),
    )  # fmt: skip
    if WITHIN in drawn:
        line = layer(WITHIN, "label").mark_line(strokeWidth=1.8)
        layers.append(line.encode(x=x, y=y, detail="label:N", strokeDash=dash, **_words(), **solid))
    if POOLED in drawn:
        line = layer(POOLED, "label").mark_line(strokeWidth=2.2, color=style.INK)
        layers.append(line.encode(x=x, y=y, strokeDash=dash, **_words()))
    if len(picture.of(panel, ALONE)):
        alone = layer(ALONE, "date", "pieces").mark_point(size=55, filled=False, color=style.MUTED, strokeWidth=1.2)
        layers.append(alone.encode(x=x, y=y, shape=marks.both()["shape"],
                                   **_words()))  # fmt: skip
    points = layer(RUN, "date", "pieces").mark_point(
        size=85, filled=True, opacity=0.95, stroke=style.GROUND, strokeWidth=0.8
    )
    layers.append(points.encode(x=x, y=y, **_words(), **marks.both()))
    return alt.layer(*layers).properties(width=width, height=300)


_DASH = {WITHIN: [1, 0], POOLED: [7, 5]}


def _span(picture: Picture, panel: Panel) -> list[float]:
    """The x axis: all that is drawn, and a little more, so that the edge of the evidence is seen."""
    x = picture.rows.loc[picture.rows["panel"] == panel.number, "x"].dropna()
    low, high = float(x.min()), float(x.max())
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
    value = alt.X("y:Q", title=plain(panel.y))
    band = alt.Y("level:N", sort=levels, title=plain(panel.x) or None,
                 scale=alt.Scale(domain=levels, paddingInner=0.25, paddingOuter=0.12),
                 axis=_row_names())  # fmt: skip
    lanes = alt.YOffset("what:N", scale=alt.Scale(domain=[RUN, PIECE], paddingInner=0.1))
    names = ("series", "level", "y", "run", "part", "date")
    shown = {"x": value, "y": band}
    middle = alt.Chart(_data(picture, panel, MIDDLE, ("level", "y", "low", "high", "pieces", "label")))
    spread = middle.mark_bar(color=style.SHADE, cornerRadius=2, aria=False).encode(
        x=alt.X("low:Q", title=plain(panel.y)), x2="high:Q", y=band)  # fmt: skip
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
    median = middle.mark_tick(thickness=3, size=46, color=style.INK).encode(**shown, **_words())
    counts = middle.mark_text(align="left", dx=8, color=style.MUTED, aria=False).encode(
        x=alt.value(width), y=band, text="label:N")  # fmt: skip
    single = [ticks] if len(picture.of(panel, PIECE)) else []  # as above: no layer without marks
    said = alt.layer(spread, _zero("x"), median, *single, points, counts)
    return said.properties(width=width, height=max(62 * len(levels), 90))


def _coverage(picture: Picture, panel: Panel, width: int) -> alt.LayerChart | alt.FacetChart:
    import altair as alt

    levels = [plain(v) for v in panel.levels]
    marks = _Marks.of(panel, picture, "nominal")
    held = alt.Chart(_data(picture, panel, MIDDLE, ("series", "level", "y", "low", "high", "pieces", "label")))
    asked = alt.Chart(_data(picture, panel, NOMINAL, ("series", "level", "y")))
    band = alt.Y("level:N", sort=levels, title=None, scale=alt.Scale(domain=levels, padding=0.3),
                 axis=_row_names())  # fmt: skip
    lanes = alt.YOffset("series:N", scale=alt.Scale(domain=[plain(s) for s in panel.series], paddingInner=0.2))
    axis = alt.Axis(format=".0f")
    value = alt.X("y:Q", title=plain(panel.x), axis=axis, scale=alt.Scale(zero=False))
    ends = held.mark_rule(strokeWidth=2, aria=False).encode(
        x=alt.X("low:Q", title=plain(panel.x), axis=axis), x2="high:Q", y=band, yOffset=lanes, color=marks.colour()
    )
    points = held.mark_point(size=80, filled=True, opacity=1).encode(
        x=value, y=band, yOffset=lanes, **_words(), **marks.both())  # fmt: skip
    goal = asked.mark_tick(thickness=3, size=14, color=style.INK, aria=False).encode(x=value, y=band, yOffset=lanes)
    counts = held.mark_text(align="left", dx=8, color=style.MUTED, aria=False).encode(
        x=alt.value(width), y=band, yOffset=lanes, text="label:N")  # fmt: skip
    return alt.layer(ends, points, goal, counts).properties(width=width, height=max(56 * len(levels), 90))


def _ways(picture: Picture, panel: Panel, width: int) -> alt.LayerChart | alt.FacetChart:
    import altair as alt

    names = ("series", "x", "y", "low", "high", "label")
    span = alt.Scale(domain=_span(picture, panel), nice=False)
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
    return alt.layer(*layers).properties(width=width, height=320)


_PANELS = {"against": _against, "between": _between, "coverage": _coverage, "ways": _ways}
