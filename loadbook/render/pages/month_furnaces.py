"""The part of a month's page about its furnaces: control charts, what they tell, what they rest on."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np

from loadbook.analysis.planning import control
from loadbook.core.phrases import many
from loadbook.queries.furnaces import MEASURES, FurnaceChart
from loadbook.queries.month import MonthSeen
from loadbook.store.book import BookFolder

from .markup import Html, data_block, el
from .month_pictures import control_picture, drawn_points, drawn_values, key_marks, short, unit_label
from .shell import mark, paragraph, picture, section, sentences, subsection


def furnaces(seen: MonthSeen, book: BookFolder, system: str) -> Html:
    if not seen.charts:
        return section(
            "Furnaces against their own past", paragraph("No trace of a run in this month."), name="furnaces"
        )
    out: list[Any] = [
        paragraph(
            "Each run against what is usual for its cycle in that furnace; the time to temperature beyond what the "
            'asked ramps take. Limits and tests are explained by loadbook explain "control chart".', class_="note",
        ),
        key_words(),
    ]  # fmt: skip
    for furnace in sorted({c.furnace for c in seen.charts}):
        mine = [c for c in seen.charts if c.furnace == furnace]
        out.append(subsection(furnace, charts_of(mine, system, book.zone)))
    out.append(data_block("furnaces-data", [_charted(c, system) for c in seen.charts]))
    return section("Furnaces against their own past", *out, name="furnaces")


def key_words() -> Html:
    """The key to the control charts."""
    keys = [[el("span", Html(drawn), f" {words}", class_="key"), " "] for drawn, words in key_marks()]
    return el("p", keys, class_="note")


def charts_of(charts: Sequence[FurnaceChart], system: str, zone: ZoneInfo) -> Html:
    """One furnace's control charts with their signals in words."""
    told = [f"{c.measure}: {c.words(s)}{beyond(c, s, system)}." for c in charts for s in c.signals]
    pictures = [picture(control_picture(c, system, zone), _alt(c, system), _base(c)) for c in charts]
    signals = sentences([[mark("broken", words="signal"), f" {t}"] for t in told]) or paragraph("No signal.")
    return el("div", signals, el("div", pictures, class_="multiples"))


def beyond(c: FurnaceChart, signal: control.Signal, system: str) -> str:
    """How far a point lies beyond which limit; nothing for the other tests."""
    if signal.rule != "beyond":
        return ""
    y, low, high = (float(v[signal.last]) for v in drawn_values(c, system))
    label = unit_label(c, system)
    if c.measure == "leak-up":
        return f": {short(y)} {label}, limit {short(high if y > high else low)} {label}"
    side, limit = ("above", high) if y > high else ("below", -low)
    return f": {short(abs(y))} {label} {side} what is usual for {c.cycles[signal.last]}, limit {short(limit)} {label}"


def _alt(c: FurnaceChart, system: str) -> str:
    _, low, high = drawn_values(c, system)
    counted = f"{len(c.names)} values, {int(c.in_month.sum())} in the period"
    told = f"Control chart of furnace {c.furnace}: {c.measure}, {counted}"
    if c.chart.limits is None:
        return f"{told}; {c.chart.why}"
    edges = f"limits {short(low[np.isfinite(low)][-1])} to {short(high[np.isfinite(high)][-1])} {unit_label(c, system)}"
    return f"{told}; {edges}; " + ("; ".join(c.words(s) for s in c.signals) or "no signal")


def _base(c: FurnaceChart) -> str:
    """What the limits of a chart rest on, in small print."""
    if c.chart.limits is None:
        text = (c.chart.why or "").replace("runs", "checks" if c.of_checks else "runs")
    else:
        text = f"limits from {many(int(c.chart.baseline.sum()), 'check' if c.of_checks else 'run')}"
        if own := int((c.chart.baseline & c.in_month).sum()):
            text += f", {own} of them the first by cycles that were new in the period"
    if c.chart.left_out.any():
        text += f", {int(c.chart.left_out.sum())} beyond them left out"
    fresh = int((c.in_month & ~np.isfinite(c.chart.difference)).sum())
    if fresh:
        text += f"; {many(fresh, 'run')} of the period not shown: the cycle revision is too new for a usual value"
    if not c.of_checks and c.measure != "leak-up" and c.chart.limits is not None:
        text = f"difference from its cycle's usual; {text}"
    if c.since:
        text += f"; since the break of {c.since}"
    return text


def _charted(c: FurnaceChart, system: str) -> dict[str, Any]:
    """What a control chart shows, as a test reads it back."""
    y, low, high = drawn_values(c, system)
    limits = c.chart.limits
    return {
        "furnace": c.furnace, "measure": c.measure, "parameter": MEASURES[c.measure][0], "unit": unit_label(c, system),
        "sigma": None if limits is None else limits.sigma, "why": c.chart.why, "values": len(c.names),
        "points": [
            {"run": c.names[i], "cycle": c.cycles[i], "value": float(c.values[i]), "drawn": float(y[i]),
             "low": float(low[i]), "high": float(high[i]), "this_month": bool(c.in_month[i]),
             "baseline": bool(c.chart.baseline[i])}
            for i in drawn_points(c)
        ],
        "signals": [{"rule": control.RULES[s.rule], "first": c.names[s.first], "last": c.names[s.last]}
                    for s in c.signals],
    }  # fmt: skip
