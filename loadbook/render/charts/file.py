"""A picture as a file: SVG, PNG, or one HTML page that asks nothing of any network."""

from __future__ import annotations

import io
import re
from pathlib import Path
from typing import TYPE_CHECKING, Any

from loadbook.core import writing
from loadbook.queries.charts.frame import ALONE, COLUMNS, MIDDLE, NOT_OFFERED, OFFERED, RUN, Panel, Picture
from loadbook.render.tables import plain

if TYPE_CHECKING:
    import altair as alt

ENDINGS = (".svg", ".png", ".html")
PNG_SCALE = 2.0


def check_chart_file(path: Path, *, force: bool = False) -> None:
    """See before any work that a chart can be written there. Raises UsageError."""
    writing.check_target(path, ENDINGS, what="a chart", force=force)


def write_chart(picture: Picture, path: Path, *, force: bool = False) -> None:
    """Write a picture, whole or not at all; the name's ending says as what.

    force  a file of that name may be replaced

    Raises UsageError (ending, name taken, no such folder), LoadbookError where the disk refuses
    """
    from .altair import chart

    check_chart_file(path, force=force)
    ending = path.suffix.lower()
    if ending == ".png":
        image, drawn = io.BytesIO(), chart(picture)
        drawn.save(image, format="png", scale_factor=PNG_SCALE)
        data = image.getvalue()
    else:
        data = (svg_of(chart(picture)) if ending == ".svg" else page_of(picture)).encode("utf-8")
    with writing.disk_errors("the chart", path):
        writing.put(path, data, over=force)


def svg_of(drawn: alt.TopLevelMixin) -> str:
    """A chart as SVG; vl-convert escapes every text. Its marks are images with our words; the library's own words for
    their kinds go. (No text holds a bare quotation mark that could look like an attribute's.)"""
    image = io.StringIO()
    drawn.save(image, format="svg")
    source = re.sub(r' aria-roledescription="[^"<>]*"', "", image.getvalue())
    return source.replace(' role="graphics-symbol"', ' role="img"').replace(' role="graphics-object"', "")


def page_of(picture: Picture) -> str:
    """The page: its panels as still pictures, which marks.js lets a reader ask, its rows as data, and its figures as a
    table."""
    from loadbook.render.pages.markup import data_block, el
    from loadbook.render.pages.shell import more, page, paragraph, section, sentences, subsection, table
    from loadbook.render.pages.shell import picture as still

    from .altair import BETWEEN_SAID, COVERAGE_SAID, chart

    title = plain(picture.title)
    key = {"between": BETWEEN_SAID, "coverage": COVERAGE_SAID}
    figures = []
    for p in picture.panels:
        said = p.said[0] if p.said else ""
        below = [f"{p.title}: {said}.", *p.notes] if p.finding else [*p.said, key.get(p.shape, "")]
        alt = f"{p.title}. {p.finding or said}. The figures stand in the table below."
        words = [paragraph(w, class_="note") for w in ([" ".join(below)] if p.finding else below) if w]
        drawn = still(svg_of(chart(picture, panel=p)), alt)
        figures.append(el("div", subsection(p.finding or p.title, *words), drawn,
                          class_=f"graph{' level' if p.finding else ''}{' faint' if p.faint else ''}"))  # fmt: skip
    sections = [
        section(
            "Chart", el("div", figures, class_="graphs"),
            paragraph("Point at a mark, or step through the marks with the arrow keys, to read it.", class_="note"),
            sentences(picture.warnings), data_block("chart-data", data_of(picture)), name="picture",
        ),
        section("Figures", more("The figures", *_figures(picture, table)), name="figures"),
    ]  # fmt: skip
    return page(
        title, sections, kind="Chart", scripts=("marks.js",), styles=("marks.css",),
        footer="History, not a promise. Drawn from the book by loadbook.",
    )  # fmt: skip


def data_of(picture: Picture) -> dict[str, Any]:
    """The picture as plain data: what a test or another program reads back."""
    panels = [
        {"panel": p.number, "title": p.title, "x": p.x, "y": p.y, "low": p.low, "high": p.high,
         "levels": list(p.levels), "said": list(p.said), "finding": p.finding, "notes": list(p.notes), "faint": p.faint}
        for p in picture.panels
    ]  # fmt: skip
    rows = [{k: v for k, v in r.items() if v is not None and v == v} for r in picture.rows.to_dict("records")]
    return {"title": picture.title, "panels": panels, "rows": rows, "warnings": picture.warnings}


_SHOWN = {
    "level": "treatment", "run": "run", "date": "date", "series": "part number", "pieces": "pieces", "low": "low",
    "high": "high",
}  # fmt: skip


def _figures(picture: Picture, table: Any) -> list[Any]:
    """One table a panel: the medians and the run means; the pieces stand in the page's data."""
    out = []
    for panel in picture.panels:
        rows = picture.rows[picture.rows["panel"] == panel.number]
        if panel.shape == "ways":
            out.append(_ways(rows, panel, table))
            continue
        rows = rows[rows["what"].isin([MIDDLE, RUN, ALONE])]
        x_name = panel.x.split(";")[0] if not panel.levels else "at"
        names = {"what": "what", **_SHOWN, "x": x_name, "y": panel.y or panel.x}
        kept = [c for c in (*_SHOWN, "x", "y") if rows[c].notna().any() and not (c == "x" and panel.levels)]
        cells = [[_cell(k, r[k]) for k in ("what", *kept)] for r in rows[list(COLUMNS)].to_dict("records")]
        columns = [names[k] for k in ("what", *kept)]
        figures = [names[k] for k in kept if k in ("pieces", "low", "high", "x", "y")]
        out.append(table(columns, cells, caption=panel.title, figures=figures))
    return out


def _ways(rows: Any, panel: Panel, table: Any) -> Any:
    """The ways of a choice, fewest hours first; the label says each in words, and what speaks against it."""
    columns = ["way", "", panel.x, panel.y, "low", "high"]
    some = rows[rows["what"].isin([OFFERED, NOT_OFFERED])].sort_values("x")
    cells = [[_cell(k, r[k]) for k in ("label", "series", "x", "y", "low", "high")] for r in some.to_dict("records")]
    return table(columns, cells, caption=panel.title, figures=columns[2:])


def _cell(name: str, value: Any) -> Any:
    if value is None or value != value:
        return None
    if name == "pieces":
        return int(value)
    return float(f"{value:.4g}") if isinstance(value, float) else value
