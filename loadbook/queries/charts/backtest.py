"""`backtest` as a picture: the share that was held beside the share that was promised."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from . import frame as base
from .frame import MIDDLE, NOMINAL, Panel, Picture

if TYPE_CHECKING:
    from loadbook.queries.backtest import Backtest

_WHAT = {"known": "known parts", "new": "new parts"}


def backtest_picture(found: Backtest) -> Picture:
    """The picture of a back-test: one panel per process and kind, one level per group, one series per nominal share.

    Rows  median   the share held [%], with low and high (95 % interval, by runs); its counts in the label
          nominal  the share promised [%]
    """
    panels: list[Panel] = []
    rows: list[dict[str, Any]] = []
    table = found.table[found.table["held"].notna()]
    for (process, kind), some in table.groupby(["process", "kind"], sort=False) if len(table) else []:
        number = len(panels)
        levels: list[str] = []
        series: list[str] = []
        for r in some.to_dict("records"):
            level = f"{_WHAT.get(r['what'], r['what'])}, {r['group']}"
            name = f"{100 * r['content']:g} %"
            levels.append(level)
            series.append(name)
            counts = base.count_words(int(r["runs"]), int(r["pieces"]), int(r["parts"]))
            head = {"panel": number, "series": name, "level": level}
            figures = {"y": 100 * r["held"], "low": 100 * r["held_low"], "high": 100 * r["held_high"]}
            rows.append({**head, "what": MIDDLE, **figures, "pieces": int(r["pieces"]), "label": counts})
            rows.append({**head, "what": NOMINAL, "y": 100 * r["content"]})
        said = "Each run (known part numbers) or part number (new ones) left out in turn."
        panels.append(
            Panel(
                number, "coverage", f"{kind} ({process})", "pieces that such intervals held (%)", "",
                tuple(dict.fromkeys(levels)), tuple(sorted(set(series))), said=(said,),
            )
        )  # fmt: skip
    notes = ["Groups that cannot be back-tested are left out; loadbook backtest says why."]
    return base.picture(
        "Were the answers of the past right", panels, rows, "--kind or --process", [*found.warnings, *notes]
    )
