"""The picture of a choice of cycle: furnace hours against movement with its interval, the efficient edge, the limit."""

from __future__ import annotations

from typing import Any

import numpy as np

from loadbook.analysis.planning.choose import OFFERED as MAY
from loadbook.analysis.planning.choose import PRESENT
from loadbook.core.figures import share_words
from loadbook.queries.choose_result import Chosen
from loadbook.queries.choose_words import limit_words, way

from . import frame as base
from .frame import EDGE, LIMIT, NOT_OFFERED, OFFERED, Panel

CHOSEN, NOW, OTHER, NOT = "chosen", "present", "efficient edge", "not offered"


def choice_picture(found: Chosen) -> base.Picture:
    """One panel: a mark a way at (hours, movement) with the interval that holds its pieces.

    Rows  way              inside the evidence and no limit broken: chosen, present, or on the edge
          way not offered  outside the evidence, breaking a limit, or not to be told
          efficient edge   the ways of the edge in order of hours
          tolerance        the movement at which a piece from the usual reading before reaches the limit
    """
    choice, system = found.choice, found.system
    assert choice is not None and found.scale is not None
    unit = found.present.unit
    factor, title = base.movement_axis("percent" if unit == "%" else unit, found.present.subject.kind, system)
    now = found.plan(choice.present)
    rows: list[dict[str, Any]] = []
    for s in choice.scored:
        row = found.row(s)
        may = s.state in (MAY, PRESENT)
        series = CHOSEN if s is choice.chosen else NOW if s.state == PRESENT else OTHER if may else NOT
        rows.append(
            {"panel": 0, "what": OFFERED if may else NOT_OFFERED, "series": series, "x": s.way.hours,
             "y": row["median"] * factor, "low": row["low"] * factor, "high": row["high"] * factor,
             "label": f"{way(found.plan(s), now, system)} ({s.state})"}
        )  # fmt: skip
    best = -1.0
    for row, s in zip(list(rows), choice.scored, strict=True):
        if row["what"] == OFFERED and s.inside.low > best:  # the present way may lie off the edge
            best = s.inside.low
            rows.append({**row, "what": EDGE})
    rows += [{"panel": 0, "what": LIMIT, "y": y * factor} for y in _limits(found)]
    present = [name for name in (CHOSEN, NOW, OTHER, NOT) if any(r.get("series") == name for r in rows)]
    said = (
        f"furnace hours against movement; {share_words(found.present.content)} of pieces in each interval",
        f"Heavy line: the tolerance, {limit_words(found, system)}, from the usual reading before",
    )
    subject = found.present.subject
    name = f"{subject.part}, {subject.characteristic}"
    first, *more = found.text
    panel = Panel(
        0,
        "ways",
        name,
        "furnace hours (h)",
        title,
        series=tuple(present),
        said=said,
        finding=first,
        notes=(*more, f"{said[1]}."),
    )
    return base.picture("Ways to run it", [panel], rows, "--vary")


def _limits(found: Chosen) -> list[float]:
    """Movement at the limits, from the usual reading before, in the unit that it is told in."""
    start, scale = found.start, found.scale
    assert start is not None and scale is not None
    usual = start.usual if start.usual is not None else 0.0
    out = []
    for limit in found.limits_um:
        if np.isfinite(limit):
            um = limit if found.of_movement else limit - usual
            out.append(um / usual * 100.0 if scale.name == "log" and usual else um)
    return out
